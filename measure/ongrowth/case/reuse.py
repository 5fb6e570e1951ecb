"""What an earlier run of the same case has left, as far as nothing it was made from has changed."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from ongrowth.case.reading import Known
from ongrowth.files import begun_files, finish_results
from ongrowth.reading import Case, Reading, libraries, program_digest, read_case, read_reading
from ongrowth.scan import Refused
from ongrowth.series.digest import content_digest

_KEY = "made_from"  # among the settings of a reading's provenance


def made_from(path: Path, known: Known) -> str:
    """Return the SHA-256 of all that a reading depends on: its files, what is known beside them, the program.

    Calibrations and other CTs count by their content, not by their place. Empty where a file
    cannot be read.
    """
    try:
        digests = [content_digest(p) if p else "" for p in (path, known.calibration, known.preop)]
    except OSError:
        return ""
    facts = {field.name: getattr(known, field.name) for field in dataclasses.fields(known)}
    facts |= {
        "scan": digests[0],
        "calibration": digests[1],
        "preop": digests[2],
        "carried": None,  # it follows from the reference, see `is_carried`
        "first_days": [made_from(one.path, one.known) for one in known.first_days],
        "program": program_digest(),
        "libraries": libraries(),
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True, default=_plain).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    return value.tolist() if hasattr(value, "tolist") else str(value)


def stamped(reading: Reading, made: str) -> Reading:
    """Return a reading that bears what it was made from."""
    settings = reading.provenance.settings | {_KEY: made}
    return replace(reading, provenance=replace(reading.provenance, settings=settings))


def stamp_of(reading: Reading) -> str:
    """Return what a reading says that it was made from; empty where it says nothing."""
    return str(reading.provenance.settings.get(_KEY, ""))


def is_made_of(reading: Reading, path: Path, known: Known) -> bool:
    """Whether a reading says that it was made of a scan and of what is known of it as both are now.

    Remarks, and what people read, move no figure and do not count; whether the corrections that hold are the
    same is left to the caller.

    Parameters
    ----------
    reading : Reading
        As `run_case` gave it.
    path : Path
        The scan.
    known : Known
        What is known beside it.
    """
    made = made_from(path, replace(known, corrections=reading.corrections, readers=reading.readers))
    return bool(made) and stamp_of(reading) == made


def is_carried(reading: Reading) -> bool:
    """Whether a defect of a reading was carried over from the reference of the case."""
    return any(one.defect is not None and one.defect.how == "carried" for one in reading.implants)


def reference_before(before: Case | None) -> str:
    """Return the id of the CT an earlier run compared the others with; empty where there was none."""
    return next((r.scan.id for r in before.readings if r.implants), "") if before else ""


def unchanged(readings: Iterable[Reading], made: str, known: Known) -> Reading | None:
    """Return the first reading that was made of the same things; None where there is none.

    The screws keep what the case file says of them: the result file holds only a part of it.
    """
    for reading in readings:
        if made and stamp_of(reading) == made:
            return _with_specs(reading, known)
    return None


def _with_specs(reading: Reading, known: Known) -> Reading:
    by_id = {spec.id: spec for spec in known.screws}
    implants = tuple(
        replace(one, screw=replace(one.screw, spec=by_id.get(one.id, one.screw.spec)))
        for one in reading.implants
    )
    return replace(reading, implants=implants)


def begun_before(folder: Path) -> tuple[Reading, ...]:
    """Return the readings of runs that were stopped before they had all of them.

    Parameters
    ----------
    folder : Path
        Where those runs wrote to.
    """
    readings = []
    for file in begun_files(folder, "reading.json"):
        with contextlib.suppress(Refused, OSError):  # a run that still is at work there may exchange it
            readings.append(read_reading(file))
    return tuple(readings)


def case_before(folder: Path) -> Case | None:
    """Return the case that an earlier run left in a folder; None where there is none that can be read.

    Parameters
    ----------
    folder : Path
        Where the earlier run wrote to.
    """
    finish_results(folder)
    try:
        return read_case(folder) if (folder / "case.json").is_file() else None
    except (Refused, OSError, ValueError, KeyError):
        return None
