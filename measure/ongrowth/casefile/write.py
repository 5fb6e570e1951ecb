"""Corrections and readings written into a case file; all else in it stays as a person left it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ongrowth.casefile.entries import CaseFile, Correction, ReaderEntry, scan_name
from ongrowth.casefile.read import parse_case_file
from ongrowth.files import write_text


def add_entries(
    text: str, scan: str, corrections: Sequence[Correction] = (), readers: Sequence[ReaderEntry] = ()
) -> str:
    """Return the text of a case file with corrections and readings added to one of its scans.

    Parameters
    ----------
    text : str
        The case file; its comments, order and spelling stay.
    scan : str
        Id of the scan.
    corrections : sequence of Correction
        Added after those already there.
    readers : sequence of ReaderEntry
        Likewise.

    Raises
    ------
    KeyError
        If the case file has no such scan.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for entry in document.get("scan", []):
        if (entry.get("id") or scan_name(Path(entry["path"]))) == scan:
            _append(entry, "correction", [_correction_fields(one) for one in corrections])
            _append(entry, "reader", [_reader_fields(one) for one in readers])
            return tomlkit.dumps(document)
    raise KeyError(scan)


def write_case_text(path: Path, text: str) -> CaseFile:
    """Write a case file whole, after it was read once; returns the case.

    Parameters
    ----------
    path : Path
        Where to.
    text : str
        The case file, TOML.

    Raises
    ------
    BadCaseFile
        If it is no case file; then nothing was written.
    """
    whole = path.resolve()  # a link stays a link
    case = parse_case_file(text, whole.parent)
    write_text(whole, text)
    return case


def new_case_text(scan: Path, weeks: float | None = None, site: str = "") -> str:
    """Return a case file for one scan, to be filled in by hand.

    Parameters
    ----------
    scan : Path
        Path of the scan as it shall stand in the file.
    weeks : float, optional
        Weeks since surgery.
    site : str
        Vertebra or bone.
    """
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("Case file of ongrowth; lines that start with # are yours to fill in."))
    patient = tomlkit.table()
    patient.add(tomlkit.comment('id = ""               # a pseudonym, never a name'))
    if site:
        patient.add("site", site)
    else:
        patient.add(tomlkit.comment('site = "L5"'))
    document.add("patient", patient)
    entry = tomlkit.table()
    entry.add("path", scan.as_posix())
    if weeks is None:
        entry.add(tomlkit.comment("weeks_since_surgery = 8.0"))
    else:
        entry.add("weeks_since_surgery", weeks)
    scans = tomlkit.aot()
    scans.append(entry)
    document.add("scan", scans)
    return tomlkit.dumps(document) + _IMPLANT_HINT


_IMPLANT_HINT = """
# What is known of the screw makes every width more certain:
# [[implant]]
# id = "left"
# side = "left"
# major_diameter_mm = 4.0
# root_diameter_mm = 3.0
# length_mm = 42.0
# surface = "ha-coated"
"""


def _append(entry: Any, key: str, added: list[dict[str, Any]]) -> None:
    """Add tables to an entry, in the way in which its other tables are written: under heads, or in braces."""
    import tomlkit
    from tomlkit.items import AoT, InlineTable

    if not added:
        return
    in_braces = isinstance(entry, InlineTable) or not isinstance(entry.get(key, tomlkit.aot()), AoT)
    if key not in entry:
        entry[key] = tomlkit.array() if in_braces else tomlkit.aot()
    for fields in added:
        entry[key].append(_toml(fields) if in_braces else _table(fields))


def _correction_fields(correction: Correction) -> dict[str, Any]:
    fields = {
        "what": correction.what,
        "from": _plain(correction.from_),
        "to": _plain(correction.to),
        "author": correction.author,
        "time": _whole_seconds(correction.time),
        "remark": correction.remark,
    }
    return _told(fields)


def _reader_fields(reader: ReaderEntry) -> dict[str, Any]:
    return _told(reader.model_dump(exclude_defaults=True) | {"time": _whole_seconds(reader.time)})


def _told(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value not in (None, "")}


def _table(fields: Mapping[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.table()
    for name, value in fields.items():
        table.add(name, _toml(value))
    table.add(tomlkit.nl())
    return table


def _toml(value: Any) -> Any:
    """Return a value for a file: parts of the shaft as tables in a row, so that each stands on one line."""
    import tomlkit

    if isinstance(value, Mapping):
        row = tomlkit.inline_table()
        row.update({name: _toml(part) for name, part in value.items()})
        return row
    if isinstance(value, list):
        array = tomlkit.array()
        array.extend(_toml(part) for part in value)
        return array
    return value


def _plain(value: Any) -> Any:
    """Return lists and numbers, to a thousandth: more is false precision and hard to read."""
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return round(value, 3) if isinstance(value, float) else value


def _whole_seconds(time: dt.datetime | None) -> dt.datetime | None:
    return None if time is None else time.replace(microsecond=0)
