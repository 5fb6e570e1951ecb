"""From the text of a case file to the case."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from ongrowth.casefile.entries import CaseFile, Implant
from ongrowth.casefile.faults import BadCaseFile, fault, fault_of, toml_advice


def read_case_file(path: Path) -> CaseFile:
    """Read a case file.

    Parameters
    ----------
    path : Path
        The case file, TOML.

    Raises
    ------
    BadCaseFile
        Every fault at once: code ``no-case-file``, ``bad-toml`` or ``bad-case-file``, the place in the
        file, and what may stand there.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors begin with a byte order mark
    except (OSError, ValueError) as error:  # no file, no UTF-8, no path at all
        reason = getattr(error, "strerror", None) or "no UTF-8 text"
        what = f"The case file {path} cannot be read ({reason})."
        raise BadCaseFile(fault("no-case-file", what, "Give the path of a TOML file in UTF-8.")) from error
    return parse_case_file(text, path.resolve().parent)


def parse_case_file(text: str, folder: Path) -> CaseFile:
    """Return the case of a TOML text, its paths made absolute against a folder.

    Parameters
    ----------
    text : str
        The case file.
    folder : Path
        Where it lies: paths in it are relative to this.

    Raises
    ------
    BadCaseFile
        As `read_case_file`.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what = f"The case file is no TOML: {error}."
        raise BadCaseFile(fault("bad-toml", what, toml_advice(text, str(error)))) from error
    try:
        case = CaseFile.model_validate(table)
    except ValidationError as error:
        raise BadCaseFile(*(fault_of(found) for found in error.errors())) from error
    return _with_absolute_paths(case, folder)


def parse_implant(entry: dict[str, Any]) -> Implant:
    """Return a screw from its keys, as they would stand under ``[[implant]]``.

    Parameters
    ----------
    entry : dict
        Keys and values, in mm.

    Raises
    ------
    BadCaseFile
        Every fault at once.
    """
    try:
        return Implant.model_validate(entry)
    except ValidationError as error:
        faults = ({**found, "loc": ("implant", *found["loc"])} for found in error.errors())
        raise BadCaseFile(*(fault_of(found) for found in faults)) from error


def written_path(folder: Path, path: str | Path) -> Path:
    """Return where a path that a person wrote leads; one that leads nowhere stays as it is written.

    Parameters
    ----------
    folder : Path
        What it is relative to.
    path : str or Path
        As written; may begin with ``~``. One parted by backslashes, from a table made on Windows, is
        understood everywhere.
    """
    try:
        there = (folder / Path(path).expanduser()).resolve()
        if "\\" in str(path) and os.sep == "/" and not there.exists():
            return written_path(folder, str(path).replace("\\", "/"))
        return there
    except (OSError, ValueError, RuntimeError):  # too long, a null byte, nobody's home
        return folder / path


def _with_absolute_paths(case: CaseFile, folder: Path) -> CaseFile:
    def absolute(path: Path | None) -> Path | None:
        return None if path is None else written_path(folder, path)

    scans = tuple(
        scan.model_copy(
            update={"id": scan.name, "path": absolute(scan.path), "calibration": absolute(scan.calibration)}
        )
        for scan in case.scan
    )
    settings = case.settings.model_copy(
        update={
            "calibration": absolute(case.settings.calibration),
            "windows": absolute(case.settings.windows),
        }
    )
    return case.model_copy(update={"scan": scans, "settings": settings})
