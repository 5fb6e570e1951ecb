"""How a cohort run scales: memory of the driver over many rows, time against the number of workers.

    python tests/benchmarks/cohort_scale.py memory [--rows 10000]
    python tests/benchmarks/cohort_scale.py workers [--scans 40] [--seconds 1.0] [--work 1]

``memory`` runs tiny stand-in scans and prints the driver's memory at each tenth. ``workers`` measures the
same scans with one worker and with as many as there are cores; ``--work`` makes them compute (as measuring
does) instead of wait, so that what the cores themselves lose is seen beside what the runner loses.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import click
import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))
import stand_in

from ongrowth.cohort import (
    Job,
    LocalWorkers,
    Manifest,
    Measurement,
    Progress,
    read_manifest,
    run_cohort,
    write_tables,
)
from ongrowth.cohort.executor import cores


def compute(job: Job, folder: Path) -> Measurement:
    """A fixed amount of arithmetic in one thread, told by the file."""
    import numpy as np

    rounds = int(job.path.read_text(encoding="utf-8"))
    state = np.linspace(0.0, 1.0, 40_000)
    for _ in range(rounds):
        state = np.sqrt(state * 1.0001 + 1e-3)
    return stand_in.measurement(job.weeks, stand_in.row(float(state[0])), stand_in.row(0.1, "tip_side"))


def cohort(folder: Path, n: int, text: str) -> Manifest:
    return read_manifest(stand_in.write_cohort(folder, *[text] * n))


def memory(rows: int) -> None:
    folder = Path(tempfile.mkdtemp(prefix="cohort-scale-"))
    begin = time.monotonic()
    manifest = cohort(folder, rows, "0.5")
    click.echo(f"{rows} rows read in {time.monotonic() - begin:.1f} s")
    process = psutil.Process()

    def tell(progress: Progress) -> None:
        if progress.n_ended % max(rows // 10, 1) == 0:
            mb = process.memory_info().rss / 2**20
            click.echo(f"{progress.n_ended:6d} ended, driver {mb:6.1f} MB, {time.monotonic() - begin:6.1f} s")

    click.echo(
        run_cohort(manifest, folder / "out", executor=LocalWorkers(), measure=stand_in.measure, progress=tell)
    )
    begin = time.monotonic()
    before = process.memory_info().rss / 2**20
    write_tables(manifest, folder / "out")
    after = process.memory_info().rss / 2**20
    click.echo(f"tables in {time.monotonic() - begin:.1f} s, driver {before:.1f} to {after:.1f} MB")
    begin = time.monotonic()
    click.echo(run_cohort(manifest, folder / "out", executor=LocalWorkers(), measure=stand_in.measure))
    click.echo(f"resumed a finished run in {time.monotonic() - begin:.1f} s")


def timed(manifest: Manifest, out: Path, n_workers: int, measure: object) -> float:
    """Seconds from the first scan that ended to the last: starting the workers is not counted."""
    ends: list[float] = []
    run_cohort(
        manifest,
        out,
        executor=LocalWorkers(n_workers),
        measure=measure,  # type: ignore[arg-type]
        progress=lambda _: ends.append(time.monotonic()),
    )
    warm = 2 * n_workers
    return (ends[-1] - ends[warm - 1]) / (len(ends) - warm)


def workers(scans: int, seconds: float, *, is_work: bool) -> None:
    folder = Path(tempfile.mkdtemp(prefix="cohort-scale-"))
    rounds = 1
    if is_work:
        probe = cohort(folder / "probe", 1, "2000").jobs[0]
        begin = time.process_time()
        compute(probe, folder)
        rounds = max(1, round(2000 * seconds / (time.process_time() - begin)))
    manifest = cohort(folder, scans, str(rounds) if is_work else f"slow {seconds}")
    measure = compute if is_work else stand_in.measure
    one = timed(manifest, folder / "one", 1, measure)
    many = timed(manifest, folder / "many", cores(), measure)
    click.echo(f"1 worker: {one:.3f} s a scan; {cores()} workers: {many:.3f} s a scan")
    click.echo(f"speed-up {one / many:.2f} of {cores()}: {one / many / cores():.3f} of linear")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("what", choices=["memory", "workers"])
    options.add_argument("--rows", type=int, default=10_000)
    options.add_argument("--scans", type=int, default=40)
    options.add_argument("--seconds", type=float, default=1.0)
    options.add_argument("--work", type=int, default=0, choices=[0, 1])
    given = options.parse_args()
    if given.what == "memory":
        memory(given.rows)
    else:
        workers(given.scans, given.seconds, is_work=bool(given.work))


if __name__ == "__main__":
    main()
