"""Whether a shaft is whole: interruption and bend, and what this scan could show."""

from __future__ import annotations

import math

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.screw.model import Integrity
from ongrowth.screw.shaft import Shaft

_NOT_TOLD_MM = 3.0
_A_HEAD_MM = 5.0  # a stated length may count the head; project's choice


def examine(shaft: Shaft, head_at_mm: float, way: float, cautions: Caution = Caution.NONE) -> Integrity:
    """Return what the scan shows of interruption and bend of a shaft.

    Parameters
    ----------
    shaft : Shaft
        The shaft.
    head_at_mm, way : float
        Depth of its head end along the course, and +1 if depth grows towards the tip, else -1.
    cautions : Caution
        What weakens the finding.
    """
    gap, fit = shaft.gap, shaft.fit
    bend = _bend(shaft, cautions)
    interruption = Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR)
    at_mm = math.nan
    if gap.is_shown:
        state = "interrupted"
        interruption = Measured.of(gap.width_mm, gap.width_u_mm, Unit.MM, cautions, floor=0.0)
        at_mm = way * (gap.at_mm - head_at_mm)
    elif not fit.course.is_straight:
        # parts that lie aside of each other are two, even where no gap is seen between them
        state = "interrupted" if fit.course.step_mm.any() else "bent"
        at_mm = way * (fit.course.kink_mm - head_at_mm)
    elif math.isnan(gap.smallest_mm) or gap.smallest_mm > _NOT_TOLD_MM:
        state = "not measurable"
    else:
        state = "no interruption shown"
    return Integrity(state, gap.smallest_mm, at_mm, interruption, bend)


def falls_short(length_mm: Measured, full_mm: Measured) -> bool:
    """Whether a shaft is surely shorter than it should be by more than a head that was counted with it.

    Parameters
    ----------
    length_mm : Measured
        Of the shaft.
    full_mm : Measured
        As stated, or as measured at another time.
    """
    return bool(full_mm.less(length_mm).low95 > _A_HEAD_MM)


def _bend(shaft: Shaft, cautions: Caution) -> Measured:
    """Angle between the two parts of the course; of a straight one, zero with what could hide in it."""
    # what hides in a straight shaft lies below the limit in 95 of 100
    u = math.hypot(shaft.fit.bend_u_deg, shaft.fit.limit_deg / 4.0)
    if math.isnan(u):
        return Measured.missing(Unit.DEG, cautions | Caution.LITTLE_MEASURED)
    course = shaft.course
    angle = 0.0 if course.is_straight else course.bend_deg
    return Measured.of(angle, u, Unit.DEG, cautions, floor=0.0, limit=shaft.fit.limit_deg)
