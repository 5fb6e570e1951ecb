"""Write the table of docs/casefile.md from the case file's own description of itself.

python docs/write_casefile.py
"""

from __future__ import annotations

import types
import typing
from pathlib import Path

import annotated_types
from pydantic.fields import FieldInfo

from ongrowth.casefile.entries import (
    CaseFile,
    Correction,
    DefectInfo,
    Implant,
    PatientEntry,
    ReaderEntry,
    ScanEntry,
    Settings,
    SurgeryEntry,
)

PAGE = Path(__file__).with_name("casefile.md")
START, END = "<!-- table: keys -->", "<!-- end of table -->"
TABLES = {
    "[patient]": PatientEntry,
    "[surgery]": SurgeryEntry,
    "[[defect]]": DefectInfo,
    "[[implant]]": Implant,
    "[[scan]]": ScanEntry,
    "[settings]": Settings,
    "[[scan.correction]]": Correction,
    "[[scan.reader]]": ReaderEntry,
}
TYPES = {
    "str": "text",
    "int": "whole number",
    "float": "number",
    "bool": "true or false",
    "date": "year-month-day",
    "datetime": "day and time",
    "Path": "path",
    "Any": "anything",
}


def table() -> str:
    """One part for each table of the file, in the order of the file."""
    assert {name.strip("[]").split(".")[0] for name in TABLES} == set(CaseFile.model_fields)
    return "\n".join(_part(name, model.model_fields) for name, model in TABLES.items())


def _part(name: str, fields: dict[str, FieldInfo]) -> str:
    lines = [f"`{name}`\n", "| key | what stands there | without it | meaning |", "|---|---|---|---|"]
    for key, field in fields.items():
        if key not in ("correction", "reader"):
            cells = f"`{field.alias or key}`", _kind(field), _default(field), field.description
            lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines) + "\n"


def _kind(field: FieldInfo) -> str:
    kinds = [field.annotation]
    if typing.get_origin(kinds[0]) in (typing.Union, types.UnionType):
        kinds = [kind for kind in typing.get_args(kinds[0]) if kind is not type(None)]
    kind = kinds[0]
    if typing.get_origin(kind) is typing.Annotated:
        kind = typing.get_args(kind)[0]
    if typing.get_origin(kind) is typing.Literal:
        return ", ".join(f"`{word}`" for word in typing.get_args(kind) if word)
    if typing.get_origin(kind) is tuple:
        return "three numbers"
    return f"{TYPES[getattr(kind, '__name__', str(kind))]}{_range(field)}"


def _range(field: FieldInfo) -> str:
    low = [rule.ge for rule in field.metadata if isinstance(rule, annotated_types.Ge)]
    high = [rule.le for rule in field.metadata if isinstance(rule, annotated_types.Le)]
    return f", {low[0]:g} to {high[0]:g}" if low and high else ""


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    value = field.default
    if value in (None, ""):
        return ""
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def main() -> None:
    """Put the table between its marks."""
    page = PAGE.read_text(encoding="utf-8")
    before, rest = page.split(START)
    PAGE.write_text(f"{before}{START}\n\n{table()}\n{END}{rest.split(END)[1]}", encoding="utf-8")


if __name__ == "__main__":
    main()
