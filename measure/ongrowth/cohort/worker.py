"""What happens to one scan: keep a result that still holds, else measure and write, come what may."""

from __future__ import annotations

import errno
import time
import traceback
from dataclasses import dataclass, replace
from pathlib import Path

import ongrowth
from ongrowth.cohort.job import Job, Measure, Measurement
from ongrowth.cohort.receipt import (
    Digests,
    Failure,
    Receipt,
    read_receipt,
    result_file,
    result_folder,
    write_receipt,
)
from ongrowth.files import clear_leftovers
from ongrowth.scan import Refused
from ongrowth.series.digest import content_digest, listing_digest

MEASURED, KEPT, FAILED, STOPPED = "measured", "kept", "failed", "stopped"
NO_SPACE = (errno.ENOSPC, errno.EDQUOT)


@dataclass(frozen=True, slots=True)
class Task:
    """A scan, where its result goes, and how it is measured.

    Parameters
    ----------
    job : Job
        The scan.
    out : Path
        Output folder of the cohort.
    settings : str
        As `settings_digest`.
    measure : callable
        As `measure_scan`.
    is_retry : bool
        Whether an earlier failure is to be tried again.
    """

    job: Job
    out: Path
    settings: str
    measure: Measure
    is_retry: bool = False


@dataclass(frozen=True, slots=True)
class Settled:
    """How a task ended: "measured", "kept" (an earlier result holds), "failed" or "stopped"."""

    case: str
    scan: str
    state: str
    code: str = ""
    wall_s: float = 0.0


def settle(task: Task) -> Settled:
    """Make sure that a scan has its result file.

    A result holds if it was made from the same settings by the same version, and from files of the same
    names, sizes and times, or else of the same content.
    """
    job = task.job
    try:
        digests = Digests(task.settings, listing_digest(job.path))
        kept = _kept(task, digests)
        if kept is not None:
            return kept
        return _measured(task, replace(digests, content=content_digest(job.path)))
    except OSError as error:
        if error.errno in NO_SPACE:
            return Settled(job.case, job.scan, STOPPED, "disk-full")
        failure = Failure(
            "cannot-read-or-write",
            f"A file of the scan or of its result failed ({error.strerror or error}).",
            "Check path, rights and disk.",
        )
        return _write(
            task, Receipt(job.case, job.scan, ongrowth.__version__, Digests(task.settings), failure)
        )


def _kept(task: Task, digests: Digests) -> Settled | None:
    """Return the outcome of an earlier run if it still holds."""
    job, file = task.job, result_file(task.out, task.job)
    old = read_receipt(file)
    if old is None or old.digests.settings != task.settings or not old.digests.listing:
        return None
    is_failure = isinstance(old.outcome, Failure)
    if is_failure and task.is_retry:
        return None
    if old.digests.listing != digests.listing:
        if old.digests.content != content_digest(job.path):
            return None
        write_receipt(replace(old, digests=replace(old.digests, listing=digests.listing)), file)
    code = old.outcome.code if isinstance(old.outcome, Failure) else ""
    return Settled(job.case, job.scan, FAILED if is_failure else KEPT, code)


def _measured(task: Task, digests: Digests) -> Settled:
    job = task.job
    clear_leftovers(result_folder(task.out, job))
    start = time.perf_counter()
    outcome = _try(task)
    wall_s = round(time.perf_counter() - start, 3)
    return _write(task, Receipt(job.case, job.scan, ongrowth.__version__, digests, outcome, wall_s))


def _try(task: Task) -> Measurement | Failure:
    """Measure; everything that can go wrong with one scan becomes a failure with a code."""
    try:
        return task.measure(task.job, result_folder(task.out, task.job))
    except Refused as refused:
        first = refused.problems[0]
        text = " ".join(problem.text for problem in refused.problems)
        return Failure(first.code, text, first.advice)
    except MemoryError:
        return out_of_memory()
    except OSError as error:
        if error.errno in NO_SPACE:
            raise
        return Failure("cannot-read-or-write", f"{error.strerror or error}.", "Check the files of the scan.")
    except Exception as error:  # noqa: BLE001  # one bad scan never stops a run
        return _unexpected(error)


def out_of_memory() -> Failure:
    """Return the failure of a scan that asked for too much memory."""
    return Failure(
        "out-of-memory",
        "Measuring took more memory than one scan may have.",
        "Raise --memory-gb, use fewer workers, or a smaller field of view.",
    )


def _unexpected(error: Exception) -> Failure:
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{Path(last.filename).name}:{last.lineno}"
    text = f"{type(error).__name__} at {place}: {error}"
    return Failure("unexpected", text, "Run `ongrowth check` on this scan with --debug and report it.")


def _write(task: Task, receipt: Receipt) -> Settled:
    try:
        write_receipt(receipt, result_file(task.out, task.job))
    except OSError as error:
        if error.errno not in NO_SPACE:
            raise
        return Settled(receipt.case, receipt.scan, STOPPED, "disk-full")
    is_failure = isinstance(receipt.outcome, Failure)
    code = receipt.outcome.code if isinstance(receipt.outcome, Failure) else ""
    return Settled(receipt.case, receipt.scan, FAILED if is_failure else MEASURED, code, receipt.wall_s)


def write_failure(task: Task, failure: Failure) -> Settled:
    """Record a scan that could not tell its own failure, because its process is gone."""
    try:
        digests = Digests(task.settings, listing_digest(task.job.path))
    except OSError:
        digests = Digests(task.settings)
    return _write(task, Receipt(task.job.case, task.job.scan, ongrowth.__version__, digests, failure))
