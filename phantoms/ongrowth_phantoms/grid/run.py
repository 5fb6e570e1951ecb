"""Run cases in parallel, one line of a file for each finished one, and go on where a run stopped."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from ongrowth_phantoms.grid.caliper import CALIPERS
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.grid.measure import (
    ARMS,
    Record,
    caliper_record,
    code_version,
    measure_case,
    truth_record,
)
from ongrowth_phantoms.grid.phantom import files_digest, phantom_of

Tell = Callable[[str], None]

_MOST_DEATHS = 3  # of workers in one run
_THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def run_cases(
    cases: Sequence[Case],
    arms: Sequence[str],
    results: Path,
    *,
    cache: Path | None = None,
    workers: int = 1,
    tell: Tell = lambda _: None,
) -> int:
    """Measure every case in every arm that has no line yet; return how many lines were added.

    Parameters
    ----------
    cases : sequence of Case
        What is run.
    arms : sequence of str
        Names of `ARMS` and `CALIPERS`.
    results : Path
        JSON lines, appended to; a line counts as done for its case, arm and version of the code.
    cache : Path, optional
        Folder in which scans are kept.
    workers : int
        Processes.
    tell : callable
        Told in words what is done.
    """
    pending = pending_arms(cases, arms, done_keys(results))
    added, started = 0, time.monotonic()
    for number, records in enumerate(_each(pending, cache, workers), 1):
        append_records(results, records)
        added += len(records)
        minutes = (time.monotonic() - started) / 60.0
        tell(f"{number} of {len(pending)} cases, {minutes:.1f} min: {records[0]['case']}")
    return added


def append_records(results: Path, records: Iterable[Record]) -> None:
    """Add records to a file of results, one line each, all in one go: other runs may write there too."""
    results.parent.mkdir(parents=True, exist_ok=True)
    lines = "".join(json.dumps(_without_nan(r)) + "\n" for r in records)
    with results.open("ab", buffering=0) as file:
        file.write(lines.encode())


def pending_arms(
    cases: Iterable[Case], arms: Sequence[str], done: set[tuple[str, str, str]]
) -> list[tuple[Case, tuple[str, ...]]]:
    """Return each case with the arms that are still to be run on it."""
    versions = {arm: _version_of(arm) for arm in arms}
    left = ((c, tuple(a for a in arms if (c.id, a, versions[a]) not in done)) for c in cases)
    return [(case, arms_left) for case, arms_left in left if arms_left]


def done_keys(results: Path) -> set[tuple[str, str, str]]:
    """Return case, arm and version of each line."""
    return {(r["case"], r["arm"], r["version"]) for r in read_records(results)}


def read_records(results: Path) -> list[Record]:
    """Return the lines of a file of results; a last line that was cut off is left out.

    Parameters
    ----------
    results : Path
        One JSON record a line.
    """
    if not results.exists():
        return []
    out = []
    for line in results.read_text(encoding="utf-8").splitlines():
        try:
            out.append(json.loads(line))
        except json.JSONDecodeError:  # the run was killed while it wrote
            continue
    return out


def _version_of(arm: str) -> str:
    """Return the version of the code that an arm runs."""
    if arm in CALIPERS:
        from ongrowth_phantoms.grid import caliper

        return files_digest([Path(str(caliper.__file__))])
    return code_version()


def _each(
    pending: Sequence[tuple[Case, tuple[str, ...]]], cache: Path | None, workers: int
) -> Iterator[list[Record]]:
    """Yield the records of each case as it is finished; a worker that dies costs its own case some time."""
    for name in _THREAD_LIMITS:  # read by the children when they start
        os.environ.setdefault(name, "1")
    left, deaths = list(pending), 0
    while left:
        # the version is taken while the code is loaded: a file changed later does not count
        with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), code_version) as pool:
            started = {pool.submit(run_case, case, arms, cache): (case, arms) for case, arms in left}
            try:
                for finished in as_completed(started):
                    records = finished.result()
                    left.remove(started[finished])
                    yield records
            except BrokenProcessPool:
                deaths += 1
                if deaths > _MOST_DEATHS:
                    raise


def run_case(case: Case, arms: Sequence[str], cache: Path | None = None) -> list[Record]:
    """Scan a case and measure it in some arms; one record each.

    Parameters
    ----------
    case : Case
        A case of the grid.
    arms : sequence of str
        Ways of measuring.
    cache : Path, optional
        Folder in which drawn scans are kept.
    """
    started = time.process_time()
    phantom = phantom_of(case, cache)
    common = {"scan_s": time.process_time() - started, "scan": phantom.scan.digest[:12]}
    common |= {"factors": case.as_dict(), "true": truth_record(phantom.truth)}
    records = []
    for arm in arms:
        got = (
            measure_case(case, ARMS[arm], phantom, cache)
            if arm in ARMS
            else caliper_record(case, arm, phantom)
        )
        records.append(got | common | {"version": _version_of(arm)})
    return records


def _without_nan(value: object) -> object:
    if isinstance(value, dict):
        return {k: _without_nan(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
