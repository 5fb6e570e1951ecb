"""How a cohort run scales: memory of the driver over many rows, time against the number of workers.

    python tests/benchmarks/cohort_scale.py memory [--rows 10000]
    python tests/benchmarks/cohort_scale.py workers [--scans 16] [--seconds 1.0] [--work 1] [--rounds 2]

``memory`` runs tiny stand-in scans and prints the driver's memory at each tenth. ``workers`` measures the
same scans with one worker and with as many as there are cores, in turns; ``--work`` makes them compute (as
measuring does) instead of wait. What others do on the machine meanwhile stretches the time by the clock; two
figures beside it depend on them less: the time of a core that one scan takes, and the share of its time that
a worker spends in its scans rather than between them.
"""

from __future__ import annotations

import argparse
import itertools
import os
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import click
import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))
import stand_in

from ongrowth.cohort import (
    Job,
    LocalWorkers,
    Manifest,
    Measure,
    Measurement,
    Progress,
    read_manifest,
    run_cohort,
    write_tables,
)
from ongrowth.cohort.executor import cores

LOG_NAME = "computed.log"
ROUNDS_OF_PROBE = 20_000


def compute(job: Job, folder: Path) -> Measurement:
    """A fixed amount of arithmetic in one thread, told by the file; who did it, and when, goes into a log."""
    begin, cpu = time.monotonic(), time.process_time()
    width = arithmetic(int(job.path.read_text(encoding="utf-8")))
    measurement = stand_in.measurement(job.weeks, stand_in.row(width), stand_in.row(0.1, "tip_side"))
    with (folder.parents[1].parent / LOG_NAME).open("a", encoding="utf-8") as log:
        log.write(f"{os.getpid()} {begin} {time.monotonic()} {time.process_time() - cpu}\n")
    return measurement


def arithmetic(rounds: int) -> float:
    import numpy as np

    state = np.linspace(0.0, 1.0, 40_000)
    for _ in range(rounds):
        state = np.sqrt(state * 1.0001 + 1e-3)
    return float(state[0])


def rounds_for(seconds: float) -> int:
    """How much arithmetic takes a core so many seconds."""
    arithmetic(100)
    begin = time.process_time()
    arithmetic(ROUNDS_OF_PROBE)
    return max(1, round(ROUNDS_OF_PROBE * seconds / (time.process_time() - begin)))


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


@dataclass(frozen=True, slots=True)
class Pace:
    """Of one run: seconds by the clock and of a core for a scan, share of a worker's time in scans."""

    wall_s: float
    cpu_s: float = float("nan")
    busy_share: float = float("nan")

    def __str__(self) -> str:
        core = "" if self.cpu_s != self.cpu_s else f", {self.cpu_s:.2f} s of a core"
        share = "" if self.busy_share != self.busy_share else f", {100 * self.busy_share:.1f} % in its scans"
        return f"{self.wall_s:.2f} s a scan{core}{share}"


def timed(manifest: Manifest, out: Path, n_workers: int, measure: Measure) -> Pace:
    """From the first scan that ended to the last: starting the workers is not counted."""
    ends: list[float] = []
    run_cohort(
        manifest,
        out,
        executor=LocalWorkers(n_workers),
        measure=measure,
        progress=lambda _: ends.append(time.monotonic()),
    )
    warm = 2 * n_workers
    wall_s = (ends[-1] - ends[warm - 1]) / (len(ends) - warm)
    return Pace(wall_s, *told(out / LOG_NAME)) if (out / LOG_NAME).is_file() else Pace(wall_s)


def told(log: Path) -> tuple[float, float]:
    """Seconds of a core for a scan, and the share of their time that processes spend in their scans."""
    lines = [[float(word) for word in line.split()] for line in log.read_text(encoding="utf-8").splitlines()]
    in_scans = between = 0.0
    for process in {line[0] for line in lines}:
        own = sorted(line[1:3] for line in lines if line[0] == process)
        in_scans += sum(end - begin for begin, end in own)
        between += sum(later[0] - earlier[1] for earlier, later in itertools.pairwise(own))
    return sum(line[3] for line in lines) / len(lines), in_scans / (in_scans + between)


def workers(scans: int, seconds: float, n_rounds: int, *, is_work: bool) -> None:
    folder = Path(tempfile.mkdtemp(prefix="cohort-scale-"))
    manifest = cohort(folder, scans, str(rounds_for(seconds)) if is_work else f"slow {seconds}")
    paces: dict[int, list[Pace]] = {1: [], cores(): []}
    for k in range(n_rounds):
        for n, known in paces.items():
            pace = timed(manifest, folder / f"out-{k}-{n}", n, compute if is_work else stand_in.measure)
            load = os.getloadavg()[0]
            click.echo(f"{n} worker{'s' * (n > 1)}: {pace}; load of the machine {load:.1f}")
            known.append(pace)
    one, many = (statistics.mean(pace.wall_s for pace in known) for known in paces.values())
    click.echo(f"speed-up {one / many:.2f} of {cores()}: {one / many / cores():.3f} of linear")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("what", choices=["memory", "workers"])
    options.add_argument("--rows", type=int, default=10_000)
    options.add_argument("--scans", type=int, default=16, help="for each run; at least 8")
    options.add_argument("--seconds", type=float, default=1.0)
    options.add_argument("--work", type=int, default=0, choices=[0, 1])
    options.add_argument("--rounds", type=int, default=2)
    given = options.parse_args()
    if given.what == "memory":
        memory(given.rows)
    else:
        workers(max(given.scans, 4 * cores()), given.seconds, given.rounds, is_work=bool(given.work))


if __name__ == "__main__":
    main()
