"""A run over a cohort: one result file for each scan, resumed where it was left."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import shutil
import socket
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import ongrowth
from ongrowth.cohort.executor import Executor, LocalWorkers
from ongrowth.cohort.job import Measure, measure_scan, settings_digest
from ongrowth.cohort.manifest import Manifest
from ongrowth.cohort.progress import Progress
from ongrowth.cohort.worker import NO_SPACE, STOPPED, Task
from ongrowth.files import write_text
from ongrowth.scan import Level, Problem, Refused, refuse

RUN_NAME = "run.json"
_LOCK_NAME = "run.lock"
_BYTES_PER_SCAN = 1_500_000  # reading, maps and pictures of two screws, rounded up
_SHARE_OF_SCANS = 0.5  # of the scans, whose results must find room before the first is measured


def silent(_: object) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class CohortRun:
    """What a run did.

    Parameters
    ----------
    n_scans, n_measured, n_kept, n_failed : int
        Scans of the manifest; measured now; done before; without numbers.
    failures : dict
        Number of failures by code.
    wall_s : float
        Time taken.
    """

    n_scans: int
    n_measured: int
    n_kept: int
    n_failed: int
    failures: dict[str, int] = field(default_factory=dict)
    wall_s: float = 0.0


def run_cohort(
    manifest: Manifest,
    out: Path,
    *,
    executor: Executor | None = None,
    measure: Measure = measure_scan,
    retry_failed: bool = False,
    renew: bool = False,
    progress: Callable[[Progress], object] = silent,
) -> CohortRun:
    """Measure the scans of a manifest that have no result yet.

    Parameters
    ----------
    manifest : Manifest
        The cohort.
    out : Path
        Output folder; what an earlier run finished there is kept.
    executor : Executor, optional
        Who measures; by default workers on all cores of this machine.
    measure : callable
        How a scan is measured.
    retry_failed : bool
        Try scans again that failed in an earlier run.
    renew : bool
        Replace results of another version of the program.
    progress : callable
        Told after each scan.

    Raises
    ------
    Refused
        Code ``mixed-versions``, ``folder-in-use``, ``disk-full``, or what the executor refuses. Finished
        results stay.
    """
    start = time.perf_counter()
    out = out.resolve()
    look_ahead(out, len(manifest.jobs), renew=renew)
    with full_disk_told(), _locked(out):
        _note_run(out, manifest, measure)
        tasks = (
            Task(job, out, settings_digest(job, measure), measure, retry_failed) for job in manifest.jobs
        )
        counted = Progress(len(manifest.jobs))
        for settled in (executor or LocalWorkers()).settled(tasks):
            if settled.state == STOPPED:
                raise _disk_full()
            counted.count(settled)
            progress(counted)
    counts = counted.counts
    return CohortRun(
        len(manifest.jobs),
        counts["measured"],
        counts["kept"],
        counts["failed"],
        dict(sorted(counted.failures.items())),
        round(time.perf_counter() - start, 3),
    )


@contextlib.contextmanager
def full_disk_told() -> Iterator[None]:
    """Say in plain words that the disk is full, with code ``disk-full``."""
    try:
        yield
    except OSError as error:
        if error.errno in NO_SPACE:
            raise _disk_full() from error
        raise


def look_ahead(out: Path, n_scans: int, *, renew: bool = False) -> None:
    """Refuse an output folder that a run could not use; writes nothing.

    Parameters
    ----------
    out : Path
        Output folder; it need not be there.
    n_scans : int
        Scans of the manifest.
    renew : bool
        As `run_cohort`.

    Raises
    ------
    Refused
        All that is wrong: codes ``folder-in-use``, ``mixed-versions``, ``disk-full``.
    """
    problems = [*_in_use(out), *(() if renew else _other_version(out)), *_too_little_room(out, n_scans)]
    if problems:
        raise Refused(*problems)


def _disk_full() -> Exception:
    return refuse(
        "disk-full",
        "The disk of the output folder is full.",
        "Make room and run the same command again; finished results are kept.",
    )


def read_run(out: Path) -> dict[str, Any]:
    """Return what is noted of the run in an output folder; empty if nothing is."""
    try:
        record = json.loads((out / RUN_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def _other_version(out: Path) -> Iterator[Problem]:
    earlier = read_run(out).get("version", ongrowth.__version__)
    if earlier != ongrowth.__version__:
        yield _problem(
            "mixed-versions",
            f"The output folder holds results of version {earlier}; this is {ongrowth.__version__}.",
            "Choose another --out, or give --renew to measure all scans again.",
        )


def _too_little_room(out: Path, n_scans: int) -> Iterator[Problem]:
    disk = next(path for path in (out.absolute(), *out.absolute().parents) if path.exists())
    free = shutil.disk_usage(disk).free
    needed = n_scans * _BYTES_PER_SCAN * _SHARE_OF_SCANS
    if free < needed and not (out / "scans").is_dir():
        yield _problem(
            "disk-full",
            f"{n_scans} scans need up to {n_scans * _BYTES_PER_SCAN / 1e9:.1f} GB; "
            f"{free / 1e9:.1f} GB are free.",
            "Make room or choose another --out.",
        )


def _in_use(out: Path) -> Iterator[Problem]:
    owner = _owner(out / _LOCK_NAME)
    if owner and _is_alive(owner):
        yield _problem(
            "folder-in-use",
            f"Another run works in this folder since {owner['since']} ({owner['host']}).",
            f"Wait for it; if it is gone, remove {_LOCK_NAME} from the output folder.",
        )


def _problem(code: str, text: str, advice: str) -> Problem:
    return Problem(code, Level.REFUSE, text, advice)


def _note_run(out: Path, manifest: Manifest, measure: Measure) -> None:
    record = {
        "version": ongrowth.__version__,
        "manifest_digest": manifest.digest,
        "n_scans": len(manifest.jobs),
        "measure": f"{measure.__module__}.{measure.__qualname__}",
    }
    write_text(out / RUN_NAME, json.dumps(record, indent=1) + "\n")


@contextlib.contextmanager
def _locked(out: Path) -> Iterator[None]:
    """Keep a second run out of the folder, also one that begins in the same moment.

    Raises
    ------
    Refused
        Code ``folder-in-use``.
    """
    lock, mine = out / _LOCK_NAME, out / f".{_LOCK_NAME}.{uuid.uuid4().hex}"
    since = dt.datetime.now(dt.UTC).isoformat(timespec="minutes")
    write_text(mine, json.dumps({"host": socket.gethostname(), "pid": os.getpid(), "since": since}))
    try:
        _take(mine, lock)
    finally:
        mine.unlink(missing_ok=True)
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


def _take(mine: Path, lock: Path) -> None:
    """Give a lock its name, if no run that is alive has it."""
    if problems := list(_in_use(lock.parent)):
        raise Refused(*problems)
    lock.unlink(missing_ok=True)  # of a run that is gone
    try:
        os.link(mine, lock)  # unlike a rename it takes no name that is taken
    except FileExistsError:  # another run was faster
        _take(mine, lock)
    except OSError:  # a disk without links
        mine.replace(lock)


def _owner(lock: Path) -> dict[str, Any]:
    try:
        record = json.loads(lock.read_text(encoding="utf-8"))
        return {name: record[name] for name in ("host", "pid", "since")}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _is_alive(owner: dict[str, Any]) -> bool:
    """Whether the process of a lock runs; on another machine one cannot tell and must believe it."""
    if owner["host"] != socket.gethostname():
        return True
    import psutil

    return owner["pid"] != os.getpid() and bool(psutil.pid_exists(owner["pid"]))
