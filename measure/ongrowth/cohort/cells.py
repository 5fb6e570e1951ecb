"""The cells of one row of a manifest, read as what they should be."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from ongrowth.casefile import WEEKS_FROM, WEEKS_TO, BadCaseFile, Implant, parse_implant
from ongrowth.scan import Level, Problem
from ongrowth.screw import ScrewSpec

Row = dict[str, str]

IMPLANT_COLUMNS = tuple(name for name in Implant.model_fields if name != "id")
_TEXT_COLUMNS = ("thread", "surface", "material", "side")
_POINT_COLUMNS = ("head_mm", "tip_mm")
NUMBER_COLUMNS = (
    "weeks_since_surgery",
    "birth_year",
    *(name for name in IMPLANT_COLUMNS if name not in _TEXT_COLUMNS),
)
_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")


def fault(code: str, text: str, advice: str = "") -> Problem:
    """Return a problem that keeps a row from being used."""
    return Problem(code, Level.REFUSE, text, advice)


def is_name(text: str) -> bool:
    """Whether a text can name a case or a scan, and so a folder."""
    return bool(_NAME.match(text))


class Cells:
    """The cells of one row, read as what they should be; what cannot be read is kept as a fault."""

    def __init__(self, row: Row) -> None:
        self.row = row
        self.faults: list[Problem] = []

    def _bad(self, name: str, advice: str) -> None:
        self.faults.append(fault("bad-cell", f"{name}: {self.row[name]!r} cannot be read.", advice))

    def number(self, name: str) -> float:
        """Return a number; NaN where the cell is empty."""
        text = self.row.get(name, "")
        if not text:
            return math.nan
        try:
            value = float(text)
        except ValueError:
            value = math.inf
        if not math.isfinite(value):
            self._bad(name, "Give a number with a decimal point, or leave the cell empty.")
            return math.nan
        return value

    def weeks(self) -> float:
        """Return the weeks since surgery; NaN where they are not given."""
        weeks = self.number("weeks_since_surgery")
        if not math.isnan(weeks) and not WEEKS_FROM <= weeks <= WEEKS_TO:
            self._bad("weeks_since_surgery", f"Give weeks between {WEEKS_FROM:.0f} and {WEEKS_TO:.0f}.")
        return weeks

    def date(self, name: str) -> dt.date | None:
        """Return a day; None where the cell is empty."""
        text = self.row.get(name, "")
        try:
            return dt.date.fromisoformat(text[:10]) if text else None
        except ValueError:
            self._bad(name, "Write year-month-day, for example 2031-03-04.")
            return None

    def year(self, name: str) -> int | None:
        """Return a year; None where the cell is empty."""
        value = self.number(name)
        if math.isnan(value):
            return None
        if not 1900 <= value <= 2100 or value != int(value):
            self._bad(name, "Give a year, for example 2016.")
        return int(value)

    def word(self, name: str, words: Sequence[str]) -> str:
        """Return one of some words."""
        text = self.row.get(name, "")
        if text not in words:
            self._bad(name, f"It may be {', '.join(w for w in words if w)}.")
        return text

    def name(self, name: str) -> str:
        """Return a name, or the empty text."""
        text = self.row.get(name, "")
        if text and not is_name(text):
            self._bad(name, "Use letters a to z, digits, dot, dash, underscore.")
        return text

    def screw(self) -> ScrewSpec | None:
        """Return the implant of the row; None if the row has no word of one."""
        entry: dict[str, Any] = {}
        for name in IMPLANT_COLUMNS:
            text = self.row.get(name, "")
            value = self._implant_cell(name, text) if text else math.nan
            if not (isinstance(value, float) and math.isnan(value)):  # what cannot be read is told already
                entry[name] = value
        implant = self.row.get("implant", "")
        if not implant and not entry:
            return None
        try:
            spec = parse_implant({"id": implant or entry.get("side", "screw"), **entry}).spec()
        except BadCaseFile as error:
            self.faults += [replace(problem, code="bad-implant") for problem in error.problems]
            return None
        return spec if implant or "side" in entry else replace(spec, id="")

    def _implant_cell(self, name: str, text: str) -> Any:
        if name in _TEXT_COLUMNS:
            return text
        if name in _POINT_COLUMNS:
            return tuple(re.split(r"[ ;]+", text))
        return self.number(name)
