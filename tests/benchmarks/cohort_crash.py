"""Crash test of a cohort run, with a Dask scheduler and workers as processes of their own on loopback.

    python tests/benchmarks/cohort_crash.py [--scans 60]

Starts ``dask scheduler`` and two ``dask worker`` processes, runs a cohort of stand-in scans among which
one crashes, one takes all memory, one never ends and one kills its worker, kills one worker from outside in
the middle, then kills the driver itself, resumes, and prints what each of it cost.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).parents[1]))
import ports
import stand_in

from ongrowth.cohort import Failure, Limits, Scheduler, read_manifest, read_receipt, run_cohort, write_tables
from ongrowth.cohort.receipt import result_file

LIMITS = Limits(seconds=20.0, memory_mb=900.0)
BAD = {7: "crash", 13: "hog", 19: "endless", 23: "kill-worker", 29: "refused"}


def start(*words: str) -> subprocess.Popen[bytes]:
    paths = os.pathsep.join([str(Path(__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words],
        env=os.environ | {"PYTHONPATH": paths},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def drive(folder: Path, address: str) -> None:
    manifest = read_manifest(folder / "manifest.csv")
    executor = Scheduler(address, LIMITS)
    done = run_cohort(manifest, folder / "out", executor=executor, measure=stand_in.measure)
    click.echo(done)


def worker_processes() -> list[int]:
    import psutil

    nannies = [p for p in psutil.Process().children() if "worker" in p.cmdline()]
    return [c.pid for nanny in nannies for c in nanny.children() if "spawn_main" in " ".join(c.cmdline())]


def wait_for(folder: Path, n: int, until_s: float = 600.0) -> None:
    end = time.monotonic() + until_s
    while len(stand_in.measured(folder / "out")) < n:
        if time.monotonic() > end:
            raise TimeoutError
        time.sleep(0.2)


def report(folder: Path) -> None:
    manifest = read_manifest(folder / "manifest.csv")
    codes: dict[str, int] = {}
    for job in manifest.jobs:
        receipt = read_receipt(result_file(folder / "out", job))
        outcome = receipt.outcome if receipt else None
        word = outcome.code if isinstance(outcome, Failure) else "measured" if outcome else "nothing"
        codes[word] = codes.get(word, 0) + 1
    log = stand_in.measured(folder / "out")
    good = {job.case for k, job in enumerate(manifest.jobs) if k not in BAD}
    repeats = sum(case in good for case in log) - len(good)
    click.echo(f"outcomes: {codes}")
    click.echo(f"good scans that were begun more than once: {repeats}")
    tables = write_tables(manifest, folder / "out")
    click.echo(f"tables: {tables.n_measured} measured, {tables.n_failed} failed")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--scans", type=int, default=60)
    options.add_argument("--drive", nargs=2, metavar=("FOLDER", "ADDRESS"), help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.drive:
        drive(Path(given.drive[0]), given.drive[1])
        return
    folder = Path(tempfile.mkdtemp(prefix="cohort-crash-"))
    stand_in.write_cohort(folder, *(BAD.get(k, "slow 0.5") for k in range(given.scans)))
    address = f"tcp://127.0.0.1:{ports.free_port()}"
    processes = [
        start("scheduler", "--host", "127.0.0.1", "--port", address.rsplit(":", 1)[1], "--no-dashboard")
    ]
    time.sleep(3.0)
    processes += [
        start("worker", address, "--nthreads", "1", "--memory-limit", "0", "--no-dashboard") for _ in range(2)
    ]
    try:
        begin = time.monotonic()
        command = [sys.executable, __file__, "--drive", str(folder), address]
        driver = subprocess.Popen(command)
        wait_for(folder, 4)
        victim = worker_processes()[0]
        os.kill(victim, signal.SIGKILL)
        click.echo(f"killed worker {victim} after {time.monotonic() - begin:.1f} s")
        wait_for(folder, 12)
        driver.kill()
        driver.wait()
        begun = len(stand_in.measured(folder / "out"))
        click.echo(f"killed the driver after {time.monotonic() - begin:.1f} s, {begun} scans begun")
        subprocess.run(command, check=True)
        click.echo(f"resumed and done after {time.monotonic() - begin:.1f} s")
        report(folder)
    finally:
        for process in processes[::-1]:
            process.terminate()
            process.wait()


if __name__ == "__main__":
    main()
