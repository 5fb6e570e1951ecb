"""A bank of the blurs that CTs of several patients told of one protocol."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.calibration.calibration import believable, read_covariance
from ongrowth.calibration.protocol import Protocol
from ongrowth.edge import Blur
from ongrowth.geometry import lock_arrays

SCHEMA = "ongrowth-bank/1"
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ToldBlur:
    """What one screw on one CT tells of the blur: an image may fit several.

    Parameters
    ----------
    curves : ndarray, shape (K, 7)
        Ln f0 (1/mm), ln p, b, ln slice width (mm), c, d1 and d2 of each solution; see `Blur`.
    chances : ndarray, shape (K,)
        How likely each is by that CT alone; they sum to 1.
    covariance : ndarray, shape (7, 7)
        Of each.
    """

    curves: FloatArray
    chances: FloatArray
    covariance: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)

    def as_dict(self) -> dict[str, Any]:
        """Return it as it stands in a bank's file."""
        return {name: getattr(self, name).tolist() for name in ("curves", "chances", "covariance")}

    @classmethod
    def from_dict(cls, stated: dict[str, Any]) -> ToldBlur:
        """Return what a file states.

        Raises
        ------
        KeyError, OverflowError, TypeError, ValueError
            If it is nothing that a fit could have told.
        """
        curves, chances = (np.asarray(stated[name], dtype=np.float64) for name in ("curves", "chances"))
        if curves.shape != (len(chances), 7) or not len(chances):
            raise ValueError("curves and chances do not belong together")
        if not (np.all(chances >= 0.0) and abs(chances.sum() - 1.0) < 1e-6):
            raise ValueError("chances do not sum to 1")
        for f0, p, b, box, c, d1, d2 in curves.tolist():
            believable(Blur(math.exp(f0), math.exp(p), b, math.exp(box), 0.0, c, d1, d2))
        return cls(curves, chances, read_covariance(stated["covariance"]))


@dataclass(frozen=True, slots=True)
class PatientBlurs:
    """What the CTs of one patient tell of a blur.

    Parameters
    ----------
    digests : tuple of str
        Of the content of the CTs, by which a bank leaves out what it was itself made of.
    blurs : tuple of ToldBlur
        One for each screw on each CT.
    """

    digests: tuple[str, ...]
    blurs: tuple[ToldBlur, ...]


@dataclass(frozen=True, slots=True)
class Bank:
    """The blurs that CTs of several patients told of one protocol.

    Parameters
    ----------
    protocol : Protocol
        What they belong to.
    patients : tuple of PatientBlurs
        One for each.
    """

    protocol: Protocol
    patients: tuple[PatientBlurs, ...]

    def beside(self, digest: str) -> tuple[PatientBlurs, ...]:
        """Return all patients but the one that a CT belongs to, by the digest of its content."""
        return tuple(one for one in self.patients if digest not in one.digests)

    def as_dict(self) -> dict[str, Any]:
        """Return the bank as it stands in its file."""
        patients = [
            {"digests": list(one.digests), "blurs": [blur.as_dict() for blur in one.blurs]}
            for one in self.patients
        ]
        return {"schema": SCHEMA, "protocol": self.protocol.as_dict(), "patients": patients}

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Bank:
        """Return the bank of a file's content.

        Raises
        ------
        KeyError, OverflowError, TypeError, ValueError
            If the content is no bank.
        """
        if record["schema"] != SCHEMA:
            raise ValueError(f"schema {record['schema']!r}, expected {SCHEMA!r}")
        patients = tuple(
            PatientBlurs(
                tuple(str(digest) for digest in one["digests"]),
                tuple(ToldBlur.from_dict(blur) for blur in one["blurs"]),
            )
            for one in record["patients"]
        )
        if not all(one.blurs for one in patients):
            raise ValueError("a patient without a blur")
        return cls(Protocol.from_dict(record["protocol"]), patients)
