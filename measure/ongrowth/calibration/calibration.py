"""The blur of a protocol as measured: on a screw or rod in water, or on a CT of the first days."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.calibration.protocol import Protocol
from ongrowth.edge import Blur
from ongrowth.geometry import frozen
from ongrowth.quantity import plain, real

SCHEMA = "ongrowth-calibration/2"
_MATERIALS, _SOURCES = ("titanium", "steel", "cobalt-chrome"), ("calibration", "earlier scan")


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A known blur.

    Parameters
    ----------
    blur : Blur
        Point spread of the protocol.
    covariance : ndarray, shape (7, 7)
        Of ln f0, ln p, b, ln slice width, c, d1 and d2.
    protocol : Protocol or None
        What it belongs to; None fits every scan.
    metal_hu, metal_u_hu : float
        Level of the metal inside, and its standard uncertainty for another screw; NaN: not known.
    material : str
        Metal it was measured on.
    misfit_share : float
        Largest mean misfit of the rod's profile, as a share of the metal's level.
    source : str
        "calibration" (a rod or screw in water) or "earlier scan" (a CT of the first days, without a halo).
    """

    blur: Blur
    covariance: NDArray[np.float64]
    protocol: Protocol | None = None
    metal_hu: float = math.nan
    metal_u_hu: float = math.nan
    material: str = "titanium"
    misfit_share: float = math.nan
    source: str = "calibration"

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", frozen(self.covariance))

    def as_dict(self) -> dict[str, Any]:
        """Return the calibration as it stands in its file."""
        return {
            "schema": SCHEMA,
            "protocol": self.protocol.as_dict() if self.protocol else None,
            "blur": asdict(self.blur),
            "covariance": self.covariance.tolist(),
            "metal_hu": plain(self.metal_hu),
            "metal_u_hu": plain(self.metal_u_hu),
            "material": self.material,
            "misfit_share": plain(self.misfit_share),
            "source": self.source,
        }

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Calibration:
        """Return the calibration of a file's content.

        Raises
        ------
        KeyError, TypeError, ValueError
            If the content is not a calibration.
        """
        if record["schema"] != SCHEMA:
            raise ValueError(f"schema {record['schema']!r}, expected {SCHEMA!r}")
        stated = record["protocol"]
        protocol = Protocol.from_dict(stated) if stated else None
        covariance = read_covariance(record["covariance"])
        numbers = {k: real(record.get(k)) for k in ("metal_hu", "metal_u_hu", "misfit_share")}
        material, source = record.get("material", "titanium"), record.get("source", "calibration")
        is_level = all(not value <= 0.0 for name, value in numbers.items() if name != "misfit_share")
        if material not in _MATERIALS or source not in _SOURCES or not is_level:
            raise ValueError("material, source or level of the metal")
        return cls(
            _read_blur(record["blur"]), covariance, protocol, material=material, source=source, **numbers
        )


def read_covariance(stated: Any) -> NDArray[np.float64]:
    """Return the covariance of a blur's seven numbers as a file states it, shape (7, 7).

    Raises
    ------
    TypeError, ValueError
        If it is none.
    """
    covariance = np.asarray(stated, dtype=np.float64)
    is_whole = covariance.shape == (7, 7) and bool(np.all(np.isfinite(covariance)))
    if not is_whole or np.linalg.eigvalsh(covariance).min() <= 0:
        raise ValueError("covariance is not a positive 7 x 7 matrix")
    return covariance


def _read_blur(stated: dict[str, Any]) -> Blur:
    return believable(Blur(**{name: float(value) for name, value in stated.items()}))


def believable(blur: Blur) -> Blur:
    """Return a point spread whose numbers a scanner can have; wide bounds, but nothing absurd.

    Raises
    ------
    ValueError
        If no scanner blurs like that.
    """
    bounds = {"f0_per_mm": (0.05, 20.0), "p": (0.3, 10.0), "b": (-50.0, 50.0), "c": (-50.0, 50.0)}
    bounds |= dict.fromkeys(("box_mm", "second_box_mm"), (0.0, 10.0))
    bounds |= dict.fromkeys(("d1", "d2"), (-1.0, 1.0))
    if not all(low <= getattr(blur, name) <= high for name, (low, high) in bounds.items()):
        raise ValueError("no scanner blurs like that")
    return blur
