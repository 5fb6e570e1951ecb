"""Readings and cases on disk, validated both ways."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import functools
import json
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from ongrowth.calibration import ToldBlur
from ongrowth.files import finish_results, new_folder, write_text
from ongrowth.reading.case_parts import Case
from ongrowth.reading.case_record import CASE_SCHEMA, case_from_dict, case_to_dict
from ongrowth.reading.parts import Reading, Source
from ongrowth.reading.pictures import (
    CHANGE_PICTURES,
    told_blurs,
    with_change_pictures,
    with_doubts,
    with_pictures,
    write_change_pictures,
    write_doubts,
    write_pictures,
)
from ongrowth.reading.plain import Record
from ongrowth.reading.record import READING_SCHEMA, reading_from_dict, reading_to_dict
from ongrowth.scan import refuse
from ongrowth.series import UNREADABLE

_FLAT_LIST = re.compile(r"\[[^\[\]{}]*\]")  # a list of numbers or words stands on one line
_LONE_BYTE = re.compile("[\ud800-\udfff]")  # a byte of a path that is no UTF-8; JSON keeps it escaped
_LINE_BREAK = re.compile(r"\n\s*")  # inside a JSON text it is escaped, so these are only layout
_AGAIN = "Make it again with `ongrowth check` or `ongrowth follow`."
_SCHEMA_FILES = {
    READING_SCHEMA: "reading.schema.json",
    CASE_SCHEMA: "case.schema.json",
    "ongrowth-result/1": "result.schema.json",
}


@functools.cache
def schema(name: str) -> Record:
    """Return a shipped JSON Schema.

    Parameters
    ----------
    name : str
        Its version name, for example ``"ongrowth-reading/1"``.
    """
    text = files("ongrowth").joinpath("data", _SCHEMA_FILES[name]).read_text(encoding="utf-8")
    return dict(json.loads(text))


def validate(record: Record, name: str) -> None:
    """Check a record against a shipped schema.

    Parameters
    ----------
    record : dict
        As it stands in the file.
    name : str
        Name of the schema.

    Raises
    ------
    Refused
        Code ``not-a-result`` with the place of the first faults.
    """
    from jsonschema import Draft202012Validator

    faults = sorted(
        Draft202012Validator(schema(name)).iter_errors(record), key=lambda e: list(map(str, e.path))
    )
    if faults:
        told = "; ".join(f"{_place(f.path)}: {f.message[:160]}" for f in faults[:5])
        raise refuse(
            "not-a-result",
            f"This is no valid {name} file ({told}).",
            _AGAIN,
        )


def _place(path: Any) -> str:
    return "/".join(str(part) for part in path) or "the file"


def write_reading(reading: Reading, folder: Path, *, is_followed: bool = False) -> Path:
    """Write ``reading.json``, ``map.npz`` and the private ``source.json`` of one CT.

    The folder appears, or is exchanged, as a whole.

    Parameters
    ----------
    reading : Reading
        What the CT gave.
    folder : Path
        Folder of this scan, ``OUT/<scan id>``.
    is_followed : bool
        Also keep what a comparison with a later CT needs (``doubt.npz``).

    Returns
    -------
    Path
        The ``reading.json`` written.
    """
    record = reading_to_dict(reading)
    validate(record, READING_SCHEMA)
    with new_folder(folder) as part:
        (part / "reading.json").write_text(_json(record), encoding="utf-8")
        write_pictures(reading, part / "map.npz")
        if is_followed:
            write_doubts(reading, part / "doubt.npz")
        (part / "source.json").write_text(_json(_source_to_dict(reading.source)), encoding="utf-8")
        (part / "source.json").chmod(0o600)
    return folder / "reading.json"


def read_reading(path: Path) -> Reading:
    """Read a reading, with its pictures and its source where they stand beside it.

    Parameters
    ----------
    path : Path
        ``reading.json`` or the folder that holds it.

    Raises
    ------
    Refused
        Code ``no-reading`` or ``not-a-result``.
    """
    file = path / "reading.json" if path.is_dir() else path
    finish_results(file.parent.parent)
    record = _load(file)
    validate(record, READING_SCHEMA)
    with _sound(file):
        reading = reading_from_dict(record)
    source, doubts, arrays = (file.with_name(name) for name in ("source.json", "doubt.npz", "map.npz"))
    with _sound(source):
        if source.is_file():
            reading = dataclasses.replace(reading, source=_source_from_dict(_load(source)))
    with _sound(doubts):
        reading = with_doubts(reading, doubts) if doubts.is_file() else reading
    with _sound(arrays):
        return with_pictures(reading, arrays) if arrays.is_file() else reading


def read_told_blurs(path: Path) -> tuple[ToldBlur, ...]:
    """Read what a CT told of its blur by itself, one for each screw; empty where nothing was kept.

    Parameters
    ----------
    path : Path
        ``reading.json`` or the folder that holds it.

    Raises
    ------
    Refused
        Code ``not-a-result``.
    """
    arrays = (path if path.is_dir() else path.parent) / "map.npz"
    with _sound(arrays):
        return told_blurs(arrays) if arrays.is_file() else ()


_BROKEN = (*UNREADABLE, ValueError, KeyError, TypeError, IndexError, AttributeError, MemoryError)


@contextlib.contextmanager
def _sound(file: Path) -> Iterator[None]:
    """Refuse a file that holds something else than was written into it."""
    try:
        yield
    except _BROKEN as error:
        raise refuse("not-a-result", f"{file.name} is damaged.", _AGAIN) from error


def write_case(case: Case, folder: Path) -> Path:
    """Write ``case.json``, and ``changes.npz`` with its pictures, beside the readings; returns its path.

    Parameters
    ----------
    case : Case
        The case.
    folder : Path
        Where the readings were written.
    """
    record = case_to_dict(case)
    validate(record, CASE_SCHEMA)
    path = folder / "case.json"
    write_change_pictures(case, folder / CHANGE_PICTURES)
    write_text(path, _json(record))
    return path


def read_case(path: Path) -> Case:
    """Read ``case.json`` and the readings it lists.

    Parameters
    ----------
    path : Path
        The file, or the folder that holds it.

    Raises
    ------
    Refused
        Code ``no-reading`` or ``not-a-result``.
    """
    file = path / "case.json" if path.is_dir() else path
    finish_results(file.parent)
    record = _load(file)
    validate(record, CASE_SCHEMA)
    readings = [read_reading(file.parent / r["path"]) for r in record["readings"]]
    with _sound(file):
        case = case_from_dict(record, readings)
    pictures = file.with_name(CHANGE_PICTURES)
    with _sound(pictures):
        return with_change_pictures(case, pictures)


def _json(record: Record) -> str:
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    text = _LONE_BYTE.sub(lambda found: f"\\u{ord(found.group()):04x}", text)
    return _FLAT_LIST.sub(lambda found: _LINE_BREAK.sub(" ", found.group()), text) + "\n"


def _load(path: Path) -> Record:
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise refuse(
            "no-reading",
            f"{path.name} cannot be read as a result file.",
            "Give a reading.json or case.json written by `ongrowth check` or `ongrowth follow`.",
        ) from error
    return record if isinstance(record, dict) else {}


def _source_to_dict(source: Source) -> Record:
    record = dataclasses.asdict(source)
    dates = {name: day.isoformat() for name, day in record.items() if isinstance(day, dt.date)}
    return record | dates | {"paths": list(source.paths)}


def _source_from_dict(record: Record) -> Source:
    dates = {
        name: dt.date.fromisoformat(record[name]) if record[name] else None
        for name in ("scan_date", "surgery_date")
    }
    return Source(**(record | dates | {"paths": tuple(record["paths"])}))
