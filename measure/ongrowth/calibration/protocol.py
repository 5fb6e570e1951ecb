"""What a blur belongs to: the header facts that change it."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from ongrowth.quantity import plain, real
from ongrowth.scan import Acquisition

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

    def as_dict(self) -> dict[str, Any]:
        """Return the facts as they stand in a file."""
        return {k: plain(v) if isinstance(v, float) else v for k, v in asdict(self).items()}

    @classmethod
    def from_dict(cls, stated: dict[str, Any]) -> Protocol:
        """Return the facts of a file's content.

        Raises
        ------
        KeyError, TypeError, ValueError
            If they are none.
        """
        scanner, kernel, algorithm, strength = (
            str(stated[name]) for name in ("scanner", "kernel", "algorithm", "strength")
        )
        return cls(
            scanner, kernel, algorithm, strength, real(stated["kvp"]), real(stated["slice_thickness_mm"])
        )

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
