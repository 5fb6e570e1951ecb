"""The blur of a protocol, measured once on a screw or rod in water: the file, and which scan it fits."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur
from ongrowth.geometry import frozen
from ongrowth.quantity import plain, real
from ongrowth.scan import Acquisition, Level, Problem, refuse

SCHEMA = "ongrowth-calibration/2"
_MATERIALS, _SOURCES = ("titanium", "steel", "cobalt-chrome"), ("calibration", "earlier scan")
_KVP_TOLERANCE = 1.0
_THICKNESS_TOLERANCE_MM = 0.06  # headers round slice thickness


@dataclass(frozen=True, slots=True)
class Protocol:
    """What a blur belongs to: the header facts that change it."""

    scanner: str
    kernel: str
    algorithm: str
    strength: str
    kvp: float
    slice_thickness_mm: float

    @classmethod
    def of(cls, acquisition: Acquisition) -> Protocol:
        """Return the protocol of a scan."""
        a = acquisition
        return cls(a.scanner, a.kernel, a.algorithm, a.strength, a.kvp, a.slice_thickness_mm)

    def differences(self, other: Protocol) -> tuple[str, ...]:
        """Return the facts in which two protocols contradict; what one of them lacks is no contradiction."""
        words = [
            name
            for name in ("scanner", "kernel", "algorithm", "strength")
            if _contradicts(getattr(self, name), getattr(other, name))
        ]
        for name, tolerance in (("kvp", _KVP_TOLERANCE), ("slice_thickness_mm", _THICKNESS_TOLERANCE_MM)):
            gap = abs(getattr(self, name) - getattr(other, name))
            if math.isfinite(gap) and gap > tolerance:
                words.append(name)
        return tuple(words)

    @property
    def n_known(self) -> int:
        """Number of facts stated."""
        texts = sum(
            bool(t) and t != "not stated" for t in (self.scanner, self.kernel, self.algorithm, self.strength)
        )
        return texts + int(math.isfinite(self.kvp)) + int(math.isfinite(self.slice_thickness_mm))


def _contradicts(a: str, b: str) -> bool:
    said = {t.strip().lower() for t in (a, b) if t and t != "not stated"}
    return len(said) == 2


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
            "protocol": _protocol_to_dict(self.protocol) if self.protocol else None,
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
        protocol = _protocol(stated) if stated else None
        covariance = np.asarray(record["covariance"], dtype=np.float64)
        is_whole = covariance.shape == (7, 7) and bool(np.all(np.isfinite(covariance)))
        if not is_whole or np.linalg.eigvalsh(covariance).min() <= 0:
            raise ValueError("covariance is not a positive 7 x 7 matrix")
        numbers = {k: real(record.get(k)) for k in ("metal_hu", "metal_u_hu", "misfit_share")}
        material, source = record.get("material", "titanium"), record.get("source", "calibration")
        is_level = all(not value <= 0.0 for name, value in numbers.items() if name != "misfit_share")
        if material not in _MATERIALS or source not in _SOURCES or not is_level:
            raise ValueError("material, source or level of the metal")
        return cls(_blur(record["blur"]), covariance, protocol, material=material, source=source, **numbers)


def _blur(stated: dict[str, Any]) -> Blur:
    """Return a point spread whose numbers a scanner can have; wide bounds, but nothing absurd."""
    blur = Blur(**{name: float(value) for name, value in stated.items()})
    bounds = {"f0_per_mm": (0.05, 20.0), "p": (0.3, 10.0), "b": (-50.0, 50.0), "c": (-50.0, 50.0)}
    bounds |= dict.fromkeys(("box_mm", "second_box_mm"), (0.0, 10.0))
    bounds |= dict.fromkeys(("d1", "d2"), (-1.0, 1.0))
    if not all(low <= getattr(blur, name) <= high for name, (low, high) in bounds.items()):
        raise ValueError("no scanner blurs like that")
    return blur


def _protocol(stated: dict[str, Any]) -> Protocol:
    scanner, kernel, algorithm, strength = (
        str(stated[name]) for name in ("scanner", "kernel", "algorithm", "strength")
    )
    kvp, thickness_mm = (real(stated[name]) for name in ("kvp", "slice_thickness_mm"))
    return Protocol(scanner, kernel, algorithm, strength, kvp, thickness_mm)


def _protocol_to_dict(protocol: Protocol) -> dict[str, Any]:
    return {k: plain(v) if isinstance(v, float) else v for k, v in asdict(protocol).items()}


def read_calibration(path: Path) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    Refused
        ``calibration-unreadable``: not there, or no calibration.
    """
    try:
        return Calibration.from_dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise refuse(
            "calibration-unreadable",
            f"The calibration file {path.name} cannot be used ({type(error).__name__}).",
            "Give a file written by 'ongrowth calibrate'.",
        ) from error


def best_match(calibrations: Iterable[Calibration], acquisition: Acquisition) -> Calibration | None:
    """Return the calibration whose protocol fits a scan and is stated most fully; None where none fits.

    Parameters
    ----------
    calibrations : iterable of Calibration
        Those there are.
    acquisition : Acquisition
        Facts of the scan.
    """
    own = Protocol.of(acquisition)
    fitting = [c for c in calibrations if c.protocol and not c.protocol.differences(own)]
    return max(fitting, key=lambda c: c.protocol.n_known if c.protocol else 0, default=None)


def unfit_note(path: Path | None, acquisition: Acquisition) -> tuple[Problem, ...]:
    """Return what a reader must know where a folder of calibrations was given and none of them serves.

    Parameters
    ----------
    path : Path or None
        As `find_calibration` takes it.
    acquisition : Acquisition
        Facts of the scan.
    """
    if path is None or not path.is_dir() or find_calibration(path, acquisition) is not None:
        return ()
    own, there = Protocol.of(acquisition), [read_calibration(file) for file in sorted(path.glob("*.json"))]
    unlike = min((c.protocol.differences(own) for c in there if c.protocol), key=len, default=())
    nearest = f" of this CT's protocol (the nearest differs: {_fact_words(unlike)})" if unlike else ""
    text = f"The folder of calibrations that was given holds none{nearest}; none was used."
    return (Problem("calibration-not-used", Level.NOTE, text, "Calibrate the protocol of this CT."),)


def _fact_words(names: tuple[str, ...]) -> str:
    return ", ".join(name.removesuffix("_mm").replace("_", " ") for name in names)


def find_calibration(path: Path | None, acquisition: Acquisition) -> Calibration | None:
    """Return the calibration of a scan's protocol.

    Parameters
    ----------
    path : Path or None
        A file, which must not contradict the scan; a folder, of which the best match is taken; or None.
    acquisition : Acquisition
        Facts of the scan.

    Returns
    -------
    Calibration or None
        None where nothing was given or nothing in the folder fits.

    Raises
    ------
    Refused
        ``calibration-unreadable``, or ``calibration-mismatch`` for a single file of another protocol.
    """
    if path is None:
        return None
    if path.is_dir():
        return best_match([read_calibration(file) for file in sorted(path.glob("*.json"))], acquisition)
    calibration = read_calibration(path)
    wrong = calibration.protocol.differences(Protocol.of(acquisition)) if calibration.protocol else ()
    if wrong:
        raise refuse(
            "calibration-mismatch",
            f"The calibration {path.name} belongs to another protocol (different: {_fact_words(wrong)}).",
            "Give the calibration of this scan's protocol, or none.",
        )
    return calibration
