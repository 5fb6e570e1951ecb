"""What each column of the tables is: name, type, unit, meaning, range, how a missing value looks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from ongrowth.quantity import Caution
from ongrowth.reports.table import (
    FINDING_QUANTITIES,
    QUANTITIES_BY_SIDE,
    ROW_COLUMNS,
    SCAN_COLUMNS,
    Described,
    wide_name,
)

TEXT, NUMBER = "text", "number"
WORDS = ("shape", "rim")  # quantities whose outcome is a word
LONG_COLUMNS = ("case", "scan", *SCAN_COLUMNS, *ROW_COLUMNS)
WIDE_KEYS = ("case", "scan", *SCAN_COLUMNS, "implant", "implant_side", "surface")
VISIT_COLUMNS = ("case", "scan", "state", "code", "version", "content_digest", *SCAN_COLUMNS)
FAILURE_COLUMNS = ("case", "scan", "row", "code", "text", "advice")
DICTIONARY_COLUMNS = ("table", "column", "type", "unit", "meaning", "range", "missing")
_NUMBERS = {"weeks_since_surgery", "kvp", "slice_thickness_mm", "pixel_mm", "row"}
_NUMBERS |= {"value", "u95", "low95", "high95", "below_limit"}


@dataclass(frozen=True, slots=True)
class WideColumn:
    """A column of the wide table: which cell of which row of the long one."""

    name: str
    side: str
    described: Described
    cell: str  # value | u95 | category


def type_of(column: str) -> str:
    """Return "number" or "text" of a column that is no quantity."""
    return NUMBER if column in _NUMBERS else TEXT


def wide_columns() -> tuple[WideColumn, ...]:
    """Return the columns of the wide table after its keys, always the same."""
    return tuple(column for side, group in QUANTITIES_BY_SIDE.items() for column in _wide(side, group))


def _wide(side: str, group: tuple[Described, ...]) -> Iterator[WideColumn]:
    for described in group:
        name = wide_name(side, described.name, described.unit)
        if described.name in WORDS:
            yield WideColumn(name, side, described, "category")
            continue
        yield WideColumn(name, side, described, "value")
        yield WideColumn(_u95_name(name, described.unit), side, described, "u95")
    if side == "screw":
        integrity = Described("integrity", "", "whether the shaft is whole, in words")
        yield WideColumn("screw_integrity", side, integrity, "category")


def _u95_name(name: str, unit: str) -> str:
    """Return the name of the twin that holds the uncertainty; the unit stays last."""
    ending = wide_name("", "", unit).removeprefix("_")  # "_mm", or nothing for a share
    return f"{name.removesuffix(ending)}_u95{ending}"


_MEANINGS = {
    "case": "pseudonym of the patient",
    "scan": "id of the CT within the case",
    "weeks_since_surgery": "days since surgery / 7; negative before",
    "scanner": "scanner as its header says",
    "kernel": "reconstruction kernel as the header says",
    "algorithm": "reconstruction: filtered back-projection, iterative, deep-learning and so on",
    "kvp": "tube voltage, kV",
    "slice_thickness_mm": "slice thickness as the header says",
    "pixel_mm": "pixel width",
    "blur_source": "what pinned the blur: calibration, in-scan, earlier scan, kernel bank, free",
    "implant": "id of the screw",
    "implant_side": "left, right, midline, not established",
    "surface": "surface of the screw",
    "side": "whole, head_side, tip_side (of the defect, as the screw sees it), defect, screw, scan",
    "quantity": "name of the quantity, see the table quantities",
    "value": "unclamped estimate, in the unit of the row",
    "u95": "1.96 standard uncertainties; low95 and high95 may lie nearer or farther, and lopsided",
    "low95": "lower end of the 95 % interval, cut at physical bounds",
    "high95": "upper end of the 95 % interval, cut at physical bounds",
    "below_limit": "detection limit of this scan, only where the value lies below it",
    "unit": "UCUM unit; shares are 0..1 with unit 1",
    "category": "outcome in words, where it is no number",
    "against_window": "as expected, undecided, outside, not measurable; empty where no window was applied",
    "cautions": "why the value is weak or missing: codes with blanks between them",
    "state": "measured, failed, or missed (planned, no scan)",
    "code": "why a scan has no numbers",
    "version": "version of the program that measured",
    "content_digest": "SHA-256 of the files of the scan",
    "row": "row of the manifest, where it was not measured because of it",
    "text": "what was wrong, one sentence",
    "advice": "what to do",
}


def dictionary_rows(extra_columns: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Give the rows of the data dictionary.

    Parameters
    ----------
    extra_columns : tuple of str
        Columns of the manifest that were passed through.
    """
    tables = (
        ("scans", (*LONG_COLUMNS, *extra_columns)),
        ("wide", (*WIDE_KEYS, *extra_columns)),
        ("visits", (*VISIT_COLUMNS, *extra_columns)),
        ("failures", FAILURE_COLUMNS),
    )
    for table, columns in tables:
        yield from (_plain_row(table, column) for column in columns)
        if table == "wide":
            yield from (_wide_row(column) for column in wide_columns())
    for side, group in QUANTITIES_BY_SIDE.items():
        yield from (_quantity_row(side, described) for described in group)
    yield from (_quantity_row("head_side, tip_side, screw", d) for d in FINDING_QUANTITIES)
    for code in (~Caution.NONE).codes:
        yield "cautions", code, "code", "", code.replace("-", " "), "", ""


def _plain_row(table: str, column: str) -> tuple[str, ...]:
    meaning = _MEANINGS.get(column, "column of the manifest, passed through")
    unit = {"weeks_since_surgery": "wk", "slice_thickness_mm": "mm", "pixel_mm": "mm", "kvp": "kV"}
    return table, column, type_of(column), unit.get(column, ""), meaning, "", "empty"


def _wide_row(column: WideColumn) -> tuple[str, ...]:
    described = column.described
    words = "1.96 standard uncertainties of (interval: table scans): " if column.cell == "u95" else ""
    kind = TEXT if column.cell == "category" else NUMBER
    meaning = f"{words}{described.meaning}, {column.side.replace('_', ' ')}"
    return "wide", column.name, kind, described.unit, meaning, _range(described), "empty"


def _quantity_row(side: str, described: Described) -> tuple[str, ...]:
    kind = TEXT if described.name in WORDS else NUMBER
    meaning = f"{described.meaning} ({side})"
    return (
        "quantities",
        described.name,
        kind,
        described.unit,
        meaning,
        _range(described),
        "empty, with cautions",
    )


def _range(described: Described) -> str:
    if math.isinf(described.low) and math.isinf(described.high):
        return ""
    low = "" if math.isinf(described.low) else f"{described.low:g}"
    high = "" if math.isinf(described.high) else f"{described.high:g}"
    return f"{low}..{high} (true value; an estimate may lie beyond)"
