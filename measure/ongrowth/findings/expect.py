"""What a CT at a given week is expected to show, what it can and cannot answer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ongrowth.findings.windows import Windows, rows_for, shipped_windows
from ongrowth.quantity import Unit
from ongrowth.reading import Window
from ongrowth.wording import HALO_SIDES, number, side_words, with_unit

PHASES_WEEKS = (0.0, 3.0, 6.0, 12.0, 26.0, 52.0, math.inf)

_NAMES = {
    "mean_width": "mean halo width of a side",
    "sector_excess": "evenness of the halo",
    "widest_sector": "widest sector of 45 degrees",
    "rim": "dense line round the halo",
    "contact": "lucency of one whole side",
    "bridged_fraction": "bridged fraction of the section",
    "gap_width_mean": "mean gap width",
    "gap_width_max": "largest gap width",
    "integrity": "metal",
    "width_growth": "growth of the halo against an earlier CT",
    "migration": "position of the screw against an earlier CT",
    "interfragmentary_motion": "position of the fragments against each other",
}


@dataclass(frozen=True, slots=True)
class Expectation:
    """What one week holds: `shown` from the windows table; answers a CT can and cannot give.

    `next_week` is the week at which a CT would tell more, NaN if none.
    """

    weeks: float
    surface: str
    phase: str
    shown: tuple[str, ...]
    can_answer: tuple[str, ...]
    cannot_answer: tuple[str, ...]
    next_week: float


def expectation(weeks: float, surface: str = "ha-coated", windows: Windows | None = None) -> Expectation:
    """Return what a CT at a week is expected to show.

    Parameters
    ----------
    weeks : float
        Weeks since surgery, 0 or more.
    surface : str
        "ha-coated", "porous", "plain" or "lag".
    windows : tuple of Window, optional
        Windows table; the shipped one by default.
    """
    table = shipped_windows() if windows is None else windows
    rows = (
        row
        for name in _NAMES
        for side in ("any", *HALO_SIDES)
        for row in rows_for(table, surface, name, side, weeks)
    )
    shown = tuple(map(_row_words, dict.fromkeys(rows)))
    return Expectation(
        weeks, surface, phase_words(weeks), shown, _can(weeks), _cannot(weeks), _next_week(weeks)
    )


def quantity_words(quantity: str) -> str:
    """Return the printed name of a quantity.

    Parameters
    ----------
    quantity : str
        Name of the quantity in the result files.
    """
    return _NAMES.get(quantity, quantity.replace("_", " "))


def phase_words(weeks: float) -> str:
    """Return the span of weeks a scan falls into, for example ``"weeks 3 to 6"``.

    Parameters
    ----------
    weeks : float
        Weeks since surgery.
    """
    start = max(edge for edge in PHASES_WEEKS if edge <= max(weeks, 0.0))
    end = min(edge for edge in PHASES_WEEKS if edge > max(weeks, 0.0))
    return f"from week {start:.0f} on" if math.isinf(end) else f"weeks {start:.0f} to {end:.0f}"


def range_words(window: Window) -> str:
    """Return the expected range of a row, for example ``"0.00 to 1.00 mm"``; "" where it has no limits.

    Parameters
    ----------
    window : Window
        A row of the table.
    """
    if math.isnan(window.high):
        return "" if math.isnan(window.low) else f"at least {with_unit(window.low, window.unit)}"
    if window.unit is Unit.ONE and window.low <= 0.0 and window.high >= 1.0:
        return "no minimum yet"
    if math.isnan(window.low) or window.low <= 0.0:
        return f"up to {with_unit(window.high, window.unit)}"
    if window.unit is Unit.ONE and window.high >= 1.0:
        return f"at least {with_unit(window.low, window.unit)}"
    return f"{number(window.low, window.unit)} to {with_unit(window.high, window.unit)}"


def _row_words(row: Window) -> str:
    limits = range_words(row)
    head = quantity_words(row.quantity) + (f", {side_words(row.side, '')}" if row.side != "any" else "")
    head += f", {limits}" if limits else ""
    where = "past it" if limits else "where there is one"
    past = "" if row.beyond.value == "outside" else f" ({where}: undecided)"
    return f"{head}{past}: {row.meaning} [{row.source}]"


def _can(weeks: float) -> tuple[str, ...]:
    always = (
        "Whether the metal is whole and where it lies.",
        "The width of the halo on both sides of the defect.",
    )
    if weeks < 3:
        return (*always, "The starting point for every later comparison.")
    if weeks < 6:
        return (*always, "Whether a halo is even.")
    if weeks < 12:
        return (
            *always,
            "Whether a halo is even, and, with an earlier CT, whether it has grown since week 6.",
        )
    return (
        *always,
        "How much of the defect is bridged.",
        "With an earlier CT, whether anything has grown or moved.",
    )


def _cannot(weeks: float) -> tuple[str, ...]:
    always = ("The cause of a lucency.", "Movement under load.")
    if weeks < 12:
        return (
            *always,
            "Whether a one-sided halo will stay: one-sidedness alone decides nothing before week 12.",
            "Whether the defect will bridge: it is too early.",
        )
    if weeks < 52:
        return (*always, "Whether a static, even halo above 1 mm will regress: most do in the first year.")
    return always


def _next_week(weeks: float) -> float:
    """Return the start of the next phase in which bone answers more; NaN after a year."""
    return next((edge for edge in (14.0, 26.0, 52.0) if edge - weeks >= 6.0), math.nan)
