"""Workers as processes of their own on this machine: a killed worker, a poison scan, the same tables."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import ports
import psutil
import pytest
import stand_in

from ongrowth.cohort import (
    InProcess,
    Limits,
    LocalWorkers,
    Progress,
    Scheduler,
    read_manifest,
    run_cohort,
    write_tables,
)
from ongrowth.scan import Refused

pytestmark = pytest.mark.slow


def workers() -> list[psutil.Process]:
    """The worker processes below this one; one that has just ended has no command line any more."""
    out = []
    for child in psutil.Process().children():
        with contextlib.suppress(psutil.NoSuchProcess):  # a zombie too
            if "spawn_main" in " ".join(child.cmdline()):
                out.append(child)
    return out


def kill_one_worker(out: Path, killed: list[int]) -> None:
    """Kill a worker once the first scans are under way."""
    until = time.monotonic() + 120.0
    while time.monotonic() < until:
        if len(stand_in.measured(out)) >= 2 and (alive := workers()):
            victim = alive[0]
            killed.append(victim.pid)
            victim.kill()
            return
        time.sleep(0.1)


def test_a_killed_worker_and_a_poison_scan_cost_their_own_scans_only(tmp_path: Path) -> None:
    slow = ["slow 1"] * 6
    manifest = read_manifest(stand_in.write_cohort(tmp_path, *slow[:3], "kill-worker", *slow[3:], "crash"))
    out, killed = tmp_path / "out", []
    threading.Thread(target=kill_one_worker, args=(out, killed), daemon=True).start()
    executor = LocalWorkers(2, Limits(seconds=60.0))
    done = run_cohort(manifest, out, executor=executor, measure=stand_in.measure)
    assert killed, "a worker was killed from outside"
    assert done.n_measured + done.n_kept == 6, (
        "a scan in hand may just have got its result when its worker died"
    )
    assert done.failures == {"process-died": 1, "worker-killed": 1}
    innocent = [case for case in stand_in.measured(out) if case not in ("c003", "c007")]
    assert len(innocent) <= 6 + 1, "only the scan in hand was measured twice"

    write_tables(manifest, out)
    alone = tmp_path / "alone"
    good = [job for job in manifest.jobs if job.case not in ("c003", "c007")]
    from dataclasses import replace

    run_cohort(replace(manifest, jobs=tuple(good)), alone, executor=InProcess(), measure=stand_in.measure)
    write_tables(replace(manifest, jobs=tuple(good)), alone)
    for name in ("scans.parquet", "scans.csv", "wide.parquet", "wide.csv"):
        assert (alone / name).read_bytes() == (out / name).read_bytes(), name


def test_a_plain_script_can_start_workers(tmp_path: Path) -> None:
    """No guard against being imported: spawned processes would run the script once more."""
    stand_in.write_cohort(tmp_path, "0.5", "0.6")
    script = tmp_path / "script.py"
    script.write_text(
        "from pathlib import Path\n"
        "from ongrowth.cohort import LocalWorkers, read_manifest, run_cohort\n"
        "import stand_in\n"
        "def measure(job, folder):\n"
        "    return stand_in.measure(job, folder)\n"
        "print('begun')\n"
        "done = run_cohort(read_manifest(Path('manifest.csv')), Path('out'), executor=LocalWorkers(1),\n"
        "                  measure=measure)\n"
        "print(done.n_measured)\n",
        encoding="utf-8",
    )
    path = os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])
    done = subprocess.run(
        [sys.executable, script],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.stdout.split() == ["begun", "2"], done.stderr


def test_no_scheduler_is_told_plainly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import distributed

    def refuse(*_: object, **__: object) -> None:
        raise TimeoutError

    monkeypatch.setattr(distributed, "Client", refuse)
    manifest = read_manifest(stand_in.write_cohort(tmp_path, "0.5"))
    with pytest.raises(Refused, match="no-scheduler"):
        run_cohort(
            manifest, tmp_path / "out", executor=Scheduler("tcp://127.0.0.1:1"), measure=stand_in.measure
        )


def test_a_lost_scheduler_is_told_plainly_and_results_stay(tmp_path: Path) -> None:
    """The scheduler is killed in the middle of a run, with a worker of its own beside it."""
    manifest = read_manifest(stand_in.write_cohort(tmp_path, *["slow 0.5"] * 40))
    port = ports.free_port()
    scheduler = start_dask("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    address = f"tcp://127.0.0.1:{port}"
    worker = start_dask("worker", address, "--nthreads", "1", "--memory-limit", "0", "--no-dashboard")

    def kill_when_under_way(progress: Progress) -> None:
        if progress.n_ended == 2:
            scheduler.kill()

    try:
        wait_for_port(port)
        with pytest.raises(Refused, match="scheduler-lost"):
            run_cohort(
                manifest,
                tmp_path / "out",
                executor=Scheduler(address),
                measure=stand_in.measure,
                progress=kill_when_under_way,
            )
    finally:
        for process in (worker, scheduler):
            process.terminate()
            process.wait()
    assert write_tables(manifest, tmp_path / "out").n_measured >= 2


def wait_for_port(port: int) -> None:
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return
        time.sleep(0.2)


def start_dask(*words: str) -> subprocess.Popen[bytes]:
    path = os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words],
        env=os.environ | {"PYTHONPATH": path},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def test_a_job_script_for_slurm_is_written() -> None:
    """As far as a script can show it: no queue was at hand."""
    jobqueue = pytest.importorskip("dask_jobqueue", reason="dask-jobqueue is not installed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("USER", "researcher")
        cluster = jobqueue.SLURMCluster(
            queue="normal",
            cores=4,
            processes=4,
            memory="28GB",
            walltime="08:00:00",
            worker_extra_args=["--memory-limit", "0"],
            n_workers=0,
            scheduler_options={"dashboard_address": "127.0.0.1:0", "host": "127.0.0.1"},
        )
        try:
            script = cluster.job_script()
        finally:
            cluster.close()
    assert "#SBATCH --cpus-per-task=4" in script
    assert "#SBATCH -t 08:00:00" in script
    assert "--nworkers 4" in script
    assert "--nthreads 1" in script
    assert "--memory-limit 0" in script
