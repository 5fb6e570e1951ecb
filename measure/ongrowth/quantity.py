"""A measured value, its uncertainty, its unit, and the reasons it is weak."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import Any

COVERAGE_95 = 1.959963984540054  # two-sided 95 % quantile of the normal distribution


class Unit(enum.StrEnum):
    """Units in UCUM spelling."""

    MM = "mm"
    MM2 = "mm2"
    MM3 = "mm3"
    DEG = "deg"
    HU = "[hnsf'U]"
    ONE = "1"
    WEEK = "wk"
    MGY = "mGy"
    MGY_CM = "mGy.cm"
    MSV = "mSv"


class Caution(enum.IntFlag):
    """Why a value is weak, or why there is none. Flags combine with ``|``."""

    NONE = 0
    NO_CONTRAST = enum.auto()
    STREAK = enum.auto()
    NEAR_GAP = enum.auto()
    NEAR_END = enum.auto()
    NO_BONE = enum.auto()
    NO_DEFECT = enum.auto()
    METAL_CLIPPED = enum.auto()
    SCREW_IN_SLICE_PLANE = enum.auto()
    DENSE_METAL = enum.auto()
    THICK_SLICES = enum.auto()
    BLUR_UNKNOWN = enum.auto()
    DIAMETER_ESTIMATED = enum.auto()
    LAYER_HU_ASSUMED = enum.auto()
    POOR_FIT = enum.auto()
    OUT_OF_SCAN = enum.auto()
    HIDDEN_BY_METAL = enum.auto()
    EXCLUDED_BY_READER = enum.auto()
    PROTOCOL_CHANGED = enum.auto()
    LITTLE_MEASURED = enum.auto()
    SMALLER_THAN_BLUR = enum.auto()
    PROCESSED_IMAGE = enum.auto()
    DIAMETER_DOUBTFUL = enum.auto()
    SCREW_BENT = enum.auto()
    NOT_SHOWN = enum.auto()

    @property
    def codes(self) -> tuple[str, ...]:
        """The flags as words of the result files, for example ``("no-contrast", "near-gap")``."""
        return tuple(flag.name.lower().replace("_", "-") for flag in self if flag.name)

    @property
    def words(self) -> str:
        """The flags as words for a reader, for example ``"no contrast, near gap"``."""
        told = ", ".join(code.replace("-", " ") for code in self.codes)
        return told.replace("no defect", "no defect found")

    @classmethod
    def from_codes(cls, codes: list[str] | tuple[str, ...]) -> Caution:
        """Return the flags named in a result file.

        Raises
        ------
        KeyError
            If a word is not one of the closed list.
        """
        flags = cls.NONE
        for code in codes:
            flags |= cls[code.upper().replace("-", "_")]
        return flags


@dataclass(frozen=True, slots=True)
class Measured:
    """A scalar with its uncertainty.

    Parameters
    ----------
    value : float
        Unclamped estimate; NaN where it cannot be measured.
    u : float
        Standard uncertainty (GUM, k = 1), in `unit`.
    low95, high95 : float
        Ends of the 95 % interval; may be lopsided near a physical bound.
    unit : Unit
        UCUM unit.
    cautions : Caution
        Why the value is weak, or missing.
    below_limit : float
        Detection limit of the scan if the value lies below it, else NaN.
    """

    value: float
    u: float
    low95: float
    high95: float
    unit: Unit
    cautions: Caution = Caution.NONE
    below_limit: float = math.nan

    @classmethod
    def of(
        cls,
        value: float,
        u: float,
        unit: Unit,
        cautions: Caution = Caution.NONE,
        *,
        floor: float = -math.inf,
        ceiling: float = math.inf,
        limit: float = math.nan,
    ) -> Measured:
        """Return a value with a normal 95 % interval, cut at physical bounds.

        Parameters
        ----------
        value, u : float
            Estimate and its standard uncertainty.
        unit : Unit
            UCUM unit.
        cautions : Caution
            Why the value is weak.
        floor, ceiling : float
            Physical bounds of the true value; the interval is cut there, the value is not.
        limit : float
            Detection limit; recorded only when the value lies below it.

        Examples
        --------
        >>> Measured.of(0.1, 0.1, Unit.MM, floor=0.0, limit=0.25)
        Measured(0.1 mm, 0.0 to 0.296, below 0.25)
        """
        if not math.isfinite(value):
            return cls.missing(unit, cautions)
        half = COVERAGE_95 * u
        low = min(max(value - half, floor), ceiling)
        high = max(min(value + half, ceiling), floor)
        below = limit if value < limit else math.nan
        return cls(float(value), float(u), float(low), float(high), unit, cautions, float(below))

    @classmethod
    def missing(cls, unit: Unit, cautions: Caution) -> Measured:
        """Return "not measurable" with the reasons."""
        return cls(math.nan, math.nan, math.nan, math.nan, unit, cautions)

    def less(self, other: Measured) -> Measured:
        """Return the difference to another quantity of the same unit.

        The errors are taken as independent; where they have something in common, that is on the careful side.

        Examples
        --------
        >>> Measured.of(0.9, 0.06, Unit.MM).less(Measured.of(0.4, 0.08, Unit.MM))
        Measured(0.5 mm, 0.304 to 0.696)
        """
        cautions = self.cautions | other.cautions
        if not (self.is_known and other.is_known):
            return Measured.missing(self.unit, cautions)
        return Measured.of(self.value - other.value, math.hypot(self.u, other.u), self.unit, cautions)

    @property
    def is_known(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)

    @property
    def u95(self) -> float:
        """1.96 standard uncertainties: half of the 95 % interval where that is normal and not cut."""
        return COVERAGE_95 * self.u

    def as_dict(self) -> dict[str, Any]:
        """Return the quantity as it stands in the result files."""
        out: dict[str, Any] = {
            "value": plain(self.value),
            "u95": plain(self.u95),
            "low95": plain(self.low95),
            "high95": plain(self.high95),
            "unit": self.unit.value,
            "cautions": list(self.cautions.codes),
        }
        if math.isfinite(self.below_limit):
            out["below_limit"] = self.below_limit
        return out

    @classmethod
    def from_dict(cls, record: dict[str, Any]) -> Measured:
        """Return the quantity written by `as_dict`."""
        return cls(
            real(record["value"]),
            real(record["u95"]) / COVERAGE_95,
            real(record["low95"]),
            real(record["high95"]),
            Unit(record["unit"]),
            Caution.from_codes(record["cautions"]),
            real(record.get("below_limit")),
        )

    def __repr__(self) -> str:
        if not self.is_known:
            return f"Measured(not measurable: {self.cautions.words or 'no reason given'})"
        below = f", below {self.below_limit:.3g}" if math.isfinite(self.below_limit) else ""
        return f"Measured({self.value:.3g} {self.unit.value}, {self.low95:.3} to {self.high95:.3}{below})"


def plain(number: float) -> float | None:
    """Return a number for JSON: None where it is NaN or endless."""
    return float(number) if math.isfinite(number) else None


def real(value: float | None) -> float:
    """Return a number read from JSON: NaN where it is null."""
    return math.nan if value is None else float(value)
