"""The windows table: what is expected of each quantity, by weeks since surgery."""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from ongrowth.quantity import Measured, Unit
from ongrowth.reading import WINDOW_QUANTITIES, Against, Window
from ongrowth.scan import Level, Problem, Refused

Windows = tuple[Window, ...]

SURFACES = ("ha-coated", "porous", "plain", "lag")


class BadWindows(Refused):
    """A windows table that cannot be used; carries every fault."""


_SURFACES = (*SURFACES, "any")
_SIDES = ("any", "head_side", "tip_side")
_NEEDED = ("surface", "quantity", "side", "from_weeks", "to_weeks", "unit", "meaning", "source")
_ALLOWED = (*_NEEDED, "low", "high", "beyond")
_BEYOND = (Against.OUTSIDE.value, Against.UNDECIDED.value)
_SHARES = (
    "share_over_1mm",
    "share_over_2mm",
    "no_lucency_share",
    "lucent_share",
    "contact",
    "bridged_fraction",
)
_UNITS = dict.fromkeys(_SHARES, Unit.ONE) | {
    "volume": Unit.MM3,
    "circumference_over_1mm_deg": Unit.DEG,
    "layer_hu": Unit.HU,
}  # of what is no length


def quantity_unit(quantity: str) -> Unit:
    """Return the unit in which a quantity of a windows table is measured.

    Parameters
    ----------
    quantity : str
        Name of the quantity in the result files.
    """
    return _UNITS.get(quantity, Unit.MM)


@functools.cache
def shipped_windows() -> Windows:
    """Return the table shipped with the program."""
    return parse_windows(files("ongrowth").joinpath("data/windows.toml").read_text(encoding="utf-8"))


def read_windows(path: Path) -> Windows:
    """Read a table and lay it over the shipped one: it replaces every quantity it names.

    What counts at any week (broken metal, change of position, a rim ...) therefore stays unless the
    file speaks of it.

    Parameters
    ----------
    path : Path
        The table, TOML.

    Raises
    ------
    BadWindows
        Code ``no-windows``, or ``bad-windows`` for each fault of the file, all at once.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = f"The windows file {path.name} cannot be read."
        raise BadWindows(Problem("no-windows", Level.REFUSE, what, "Check its path.")) from error
    own = parse_windows(text)
    named = {window.quantity for window in own}
    return (*own, *(window for window in shipped_windows() if window.quantity not in named))


def parse_windows(text: str) -> Windows:
    """Return the rows of a windows table in TOML.

    Parameters
    ----------
    text : str
        The table, TOML.

    Raises
    ------
    BadWindows
        Code ``bad-windows`` for each fault, all at once.
    """
    try:
        rows = tomllib.loads(text).get("window", [])
    except tomllib.TOMLDecodeError as error:
        raise BadWindows(_bad(f"it is no TOML ({error})")) from error
    if not rows or not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise BadWindows(_bad("it holds no [[window]]"))
    faults = [fault for k, row in enumerate(rows) for fault in _faults(k, row)]
    if faults:
        raise BadWindows(*faults)
    return tuple(_window(row) for row in rows)


def _bad(what: str) -> Problem:
    advice = "Each row needs " + ", ".join(_NEEDED) + ", and may have low, high, beyond."
    return Problem("bad-windows", Level.REFUSE, f"The windows file cannot be used: {what}.", advice)


def _faults(k: int, row: dict[str, Any]) -> list[Problem]:
    """Return what is wrong with row k."""
    where = f"row {k + 1}"
    told = [f"{where} lacks {name}" for name in _NEEDED if name not in row]
    told += [f"{where} has an unknown key {name}" for name in row if name not in _ALLOWED]
    lists: tuple[tuple[str, tuple[str, ...]], ...] = (
        ("surface", _SURFACES),
        ("quantity", WINDOW_QUANTITIES),
        ("side", _SIDES),
        ("unit", (quantity_unit(str(row.get("quantity"))).value,)),
        ("beyond", _BEYOND),
    )
    told += [
        f"{where}: {name} is {row[name]!r}, not one of {', '.join(words)}"
        for name, words in lists
        if name in row and row[name] not in words
    ]
    told += [
        f"{where}: {name} is no number"
        for name in ("from_weeks", "to_weeks", "low", "high")
        if name in row and not _is_number(row[name])
    ]
    told += [
        f"{where}: {name} is no text"
        for name in ("meaning", "source")
        if not isinstance(row.get(name, ""), str)
    ]
    if not told and row["from_weeks"] >= row["to_weeks"]:
        told = [f"{where}: from_weeks is not before to_weeks"]
    if not told and row.get("low", -math.inf) > row.get("high", math.inf):
        told = [f"{where}: low is above high"]
    return [_bad(what) for what in told]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and not math.isnan(value)


def _window(row: dict[str, Any]) -> Window:
    return Window(
        surface=row["surface"],
        quantity=row["quantity"],
        side=row["side"],
        from_weeks=float(row["from_weeks"]),
        to_weeks=float(row["to_weeks"]),
        low=float(row.get("low", math.nan)),
        high=float(row.get("high", math.nan)),
        unit=Unit(row["unit"]),
        meaning=row["meaning"],
        source=row["source"],
        beyond=Against(row.get("beyond", Against.OUTSIDE.value)),
    )


def rows_for(windows: Iterable[Window], surface: str, quantity: str, side: str, weeks: float) -> Windows:
    """Return the rows that speak of a quantity on one side at a week, in the order of the table.

    Parameters
    ----------
    windows : iterable of Window
        The table.
    surface, quantity, side : str
        As in the table.
    weeks : float
        Weeks since surgery.
    """
    return tuple(w for w in windows if w.holds(surface, quantity, side, weeks))


def place(value: Measured, window: Window) -> Against:
    """Compare a value with one row, leaving doubt where the 95 % interval spans a limit.

    Parameters
    ----------
    value : Measured
        A figure, in the unit of the row.
    window : Window
        The row.

    Examples
    --------
    >>> row = Window("any", "mean_width", "any", 12, 26, 0.0, 1.0, Unit.MM, "", "")
    >>> [place(Measured.of(v, 0.05, Unit.MM), row).value for v in (0.6, 1.05, 1.4)]
    ['as expected', 'undecided', 'outside']
    >>> place(Measured.of(0.1, 0.2, Unit.MM, floor=0.0, limit=1.3), row).value  # more than 0.5 mm is excluded
    'as expected'
    """
    if not value.is_known:
        return Against.NOT_MEASURABLE
    if value.low95 > window.high or value.high95 < window.low:
        return window.beyond
    if value.high95 > window.high or value.low95 < window.low:
        return Against.UNDECIDED
    return Against.AS_EXPECTED


_GRAVITY = (Against.AS_EXPECTED, Against.NOT_MEASURABLE, Against.UNDECIDED, Against.OUTSIDE)


def gravest(results: Iterable[Against]) -> Against:
    """Return the gravest of some results: outside, then undecided, then not measurable.

    Parameters
    ----------
    results : iterable of Against
        How figures stand against their windows; none: not measurable.

    Examples
    --------
    >>> gravest([Against.AS_EXPECTED, Against.UNDECIDED]).value
    'undecided'
    """
    return max(results, key=_GRAVITY.index, default=Against.NOT_MEASURABLE)


def place_in_rows(value: Measured, rows: Windows) -> tuple[Against, Window | None]:
    """Compare a value with several rows; returns the gravest result and the row that gave it."""
    results = [(place(value, row), row) for row in rows]
    if not results:
        return Against.UNDECIDED if value.is_known else Against.NOT_MEASURABLE, None
    return max(results, key=lambda result: _GRAVITY.index(result[0]))
