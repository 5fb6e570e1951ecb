"""The one result file of a scan: its numbers or why there are none, and the digests that say "done"."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ongrowth.cohort.job import Job, Measurement
from ongrowth.files import write_text
from ongrowth.reading import validate
from ongrowth.reports.table import SCAN_COLUMNS, ScanColumns, plain_cell, row_from_list, row_to_list
from ongrowth.sentence import one_line

RESULT_SCHEMA = "ongrowth-result/1"
RESULT_NAME = "result.json"


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a scan has no numbers: a code, one sentence, and what to do."""

    code: str
    text: str
    advice: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", one_line(self.text))  # what failed may name any path


@dataclass(frozen=True, slots=True)
class Digests:
    """What a result was made from.

    Parameters
    ----------
    settings : str
        As `settings_digest`.
    listing, content : str
        As `listing_digest` and `content_digest`; empty where the files could not be read.
    """

    settings: str
    listing: str = ""
    content: str = ""


@dataclass(frozen=True, slots=True)
class Receipt:
    """The result of one scan: a measurement or a failure.

    Parameters
    ----------
    case, scan, version : str
        Whose result, and by which version of the program.
    digests : Digests
        What it was made from.
    outcome : Measurement or Failure
        The numbers, or why there are none.
    wall_s : float
        Time taken; NaN where not known.
    """

    case: str
    scan: str
    version: str
    digests: Digests
    outcome: Measurement | Failure
    wall_s: float = math.nan


def result_folder(out: Path, job: Job) -> Path:
    """Return the folder of a scan's results."""
    return out / "scans" / job.case / job.scan


def result_file(out: Path, job: Job) -> Path:
    """Return the result file of a scan.

    Parameters
    ----------
    out : Path
        Folder of the run.
    job : Job
        The scan.
    """
    return result_folder(out, job) / RESULT_NAME


def write_receipt(receipt: Receipt, path: Path) -> None:
    """Write a result whole or not at all."""
    record = _to_dict(receipt)
    validate(record, RESULT_SCHEMA)
    write_text(path, json.dumps(record, ensure_ascii=False, allow_nan=False) + "\n")


def read_receipt(path: Path) -> Receipt | None:
    """Return a result; None where there is none, or none that can be read.

    Parameters
    ----------
    path : Path
        The result file.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return _from_dict(record) if record["schema"] == RESULT_SCHEMA else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _to_dict(receipt: Receipt) -> dict[str, Any]:
    done = receipt.outcome
    record: dict[str, Any] = {
        "schema": RESULT_SCHEMA,
        "case": receipt.case,
        "scan": receipt.scan,
        "version": receipt.version,
        "settings_digest": receipt.digests.settings,
        "listing_digest": receipt.digests.listing,
        "content_digest": receipt.digests.content,
        "wall_s": plain_cell(receipt.wall_s),
        "failure": None,
        "columns": None,
        "rows": [],
    }
    if isinstance(done, Failure):
        return record | {"failure": {"code": done.code, "text": done.text, "advice": done.advice}}
    columns = {name: plain_cell(getattr(done.columns, name)) for name in SCAN_COLUMNS}
    return record | {"columns": columns, "rows": [row_to_list(row) for row in done.rows]}


def _from_dict(record: dict[str, Any]) -> Receipt:
    return Receipt(
        record["case"],
        record["scan"],
        record["version"],
        Digests(record["settings_digest"], record["listing_digest"], record["content_digest"]),
        _outcome(record),
        _real(record["wall_s"]),
    )


def _outcome(record: dict[str, Any]) -> Measurement | Failure:
    if record["failure"] is not None:
        return Failure(**record["failure"])
    columns = {name: _real(value) for name, value in record["columns"].items()}
    return Measurement(ScanColumns(**columns), tuple(row_from_list(cells) for cells in record["rows"]))


def _real(value: Any) -> Any:
    return math.nan if value is None else value
