"""A run: what is kept, what is measured again, what a failure costs, what an interrupted run leaves."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import textwrap
import time
from dataclasses import replace
from pathlib import Path

import pytest
import stand_in

import ongrowth
from ongrowth.cohort import (
    CohortRun,
    Failure,
    InProcess,
    Job,
    Limits,
    Measurement,
    OneByOne,
    Progress,
    read_manifest,
    read_receipt,
    run_cohort,
)
from ongrowth.cohort.job import settings_digest
from ongrowth.cohort.progress import span_words
from ongrowth.cohort.receipt import result_file
from ongrowth.cohort.worker import Settled
from ongrowth.scan import Refused
from ongrowth.screw import ScrewSpec
from ongrowth.series.digest import content_digest, listing_digest


def run(folder: Path, *, limits: Limits | None = None, **options: bool) -> CohortRun:
    manifest = read_manifest(folder / "manifest.csv")
    executor = OneByOne(limits) if limits else InProcess()
    return run_cohort(manifest, folder / "out", executor=executor, measure=stand_in.measure, **options)


def outcomes(folder: Path) -> dict[str, str]:
    """Code of each scan's failure, or an empty text."""
    out = {}
    for job in read_manifest(folder / "manifest.csv").jobs:
        receipt = read_receipt(result_file(folder / "out", job))
        assert receipt is not None, job
        out[job.case] = receipt.outcome.code if isinstance(receipt.outcome, Failure) else ""
    return out


def test_each_scan_gets_one_result_and_a_bad_one_stops_nothing(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "refused", "broken", "greedy", "0.7")
    done = run(tmp_path)
    assert (done.n_measured, done.n_failed) == (2, 3)
    assert done.failures == {"out-of-memory": 1, "thick-slices": 1, "unexpected": 1}
    assert list(outcomes(tmp_path).values()) == ["", "thick-slices", "unexpected", "out-of-memory", ""]
    job = read_manifest(tmp_path / "manifest.csv").jobs[2]
    receipt = read_receipt(result_file(tmp_path / "out", job))
    assert receipt is not None
    assert isinstance(receipt.outcome, Failure)
    assert "KeyError at stand_in.py" in receipt.outcome.text


def test_a_second_run_measures_nothing(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "refused", "0.7")
    run(tmp_path)
    again = run(tmp_path)
    assert (again.n_measured, again.n_kept, again.n_failed) == (0, 2, 1)
    assert stand_in.measured(tmp_path / "out") == ["c000", "c001", "c002"]


def test_failures_are_tried_again_only_when_asked(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "refused")
    run(tmp_path)
    assert run(tmp_path, retry_failed=True).n_failed == 1
    assert stand_in.measured(tmp_path / "out") == ["c000", "c001", "c001"]


def test_a_changed_scan_or_setting_is_measured_again_and_only_it(tmp_path: Path) -> None:
    manifest = stand_in.write_cohort(tmp_path, "0.5", "0.6", "0.7")
    run(tmp_path)
    (tmp_path / "scans" / "s001.nii").write_text("0.9", encoding="utf-8")
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace("c002,scans/s002.nii,8", "c002,scans/s002.nii,9"), encoding="utf-8")
    assert run(tmp_path).n_measured == 2
    assert stand_in.measured(tmp_path / "out")[3:] == ["c001", "c002"]


def test_moved_or_touched_data_are_known_by_their_content(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "0.6")
    run(tmp_path)
    for file in (tmp_path / "scans").iterdir():
        os.utime(file, (1, 1))
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    for name in ("scans", "manifest.csv", "out"):
        shutil.move(tmp_path / name, moved / name)
    assert run(moved).n_kept == 2
    assert stand_in.measured(moved / "out") == ["c000", "c001"]
    assert run(moved).n_kept == 2, "the new times are noted, so that the next look is quick"


def test_digests_tell_what_numbers_depend_on(tmp_path: Path) -> None:
    job = Job("c", "s", tmp_path, screws=(ScrewSpec(id="left"),), extra=(("arm", "a"),))
    digest = settings_digest(job, stand_in.measure)
    same = replace(job, path=tmp_path / "elsewhere", extra=(("arm", "b"),))
    assert settings_digest(same, stand_in.measure) == digest, "neither the place nor other columns matter"
    table = tmp_path / "windows.toml"
    table.write_text("one", encoding="utf-8")
    others = [
        replace(job, weeks=8.0),
        replace(job, site="L5"),
        replace(job, screws=(ScrewSpec(id="left", major_diameter_mm=4.0),)),
        replace(job, windows=table),
    ]
    digests = {settings_digest(other, stand_in.measure) for other in others}
    assert len(digests | {digest}) == 5
    assert settings_digest(job, lambda job, folder: stand_in.measurement()) != digest


@pytest.mark.parametrize("made_by", ["program_digest", "libraries"])
def test_another_state_of_the_program_measures_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, made_by: str
) -> None:
    job = Job("c", "s", tmp_path)
    before = settings_digest(job, stand_in.measure)
    monkeypatch.setattr(f"ongrowth.cohort.job.{made_by}", lambda: "another")
    assert settings_digest(job, stand_in.measure) != before


def test_a_shared_file_that_changes_is_read_again(tmp_path: Path) -> None:
    """Workers of a Dask scheduler outlive a run, and so may the session that begins the next."""
    windows, calibration = tmp_path / "windows.toml", tmp_path / "bone.json"
    row = (
        'surface = "any"\nquantity = "mean_width"\nside = "any"\nfrom_weeks = 0\nto_weeks = 9\nunit = "mm"\n'
    )
    job = Job("c0", "s0", tmp_path, windows=windows, calibration=calibration)
    found = []
    for high in (1.0, 12.5):
        windows.write_text(f'[[window]]\n{row}high = {high}\nmeaning = "m"\nsource = "s"\n')
        calibration.write_text(f"[{high}]")
        found.append((job.known().windows[0].high, settings_digest(job, stand_in.measure)))
        windows_only = replace(job, calibration=None)
        found.append((high, settings_digest(windows_only, stand_in.measure)))
    assert [high for high, _ in found] == [1.0, 1.0, 12.5, 12.5]
    assert len({digest for _, digest in found}) == 4


def test_digests_of_files_see_names_and_content(tmp_path: Path) -> None:
    scan = tmp_path / "scan"
    (scan / "deep").mkdir(parents=True)
    (scan / "deep" / "1.dcm").write_bytes(b"one")
    first = content_digest(scan), listing_digest(scan)
    assert (content_digest(scan), listing_digest(scan)) == first
    (scan / "deep" / "1.dcm").write_bytes(b"two")
    second = content_digest(scan)
    (scan / "deep" / "1.dcm").rename(scan / "1.dcm")
    assert len({first[0], second, content_digest(scan)}) == 3
    assert len(content_digest(scan / "1.dcm")) == 64


def test_digests_are_of_the_files_that_are_read(tmp_path: Path) -> None:
    """A link that leads nowhere, a pipe, a name that is no UTF-8: none of them is a fault of the scan."""
    folder = tmp_path / "scan"
    folder.mkdir()
    (folder / "1.dcm").write_bytes(b"x")
    before = listing_digest(folder), content_digest(folder)
    (folder / "gone").symlink_to(tmp_path / "nowhere")
    os.mkfifo(folder / "pipe")
    assert (listing_digest(folder), content_digest(folder)) == before
    (folder / os.fsdecode(b"M\xfcnster")).write_bytes(b"y")
    assert listing_digest(folder) != before[0]
    assert content_digest(folder) != before[1]


def test_results_of_another_version_are_not_mixed_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in.write_cohort(tmp_path, "0.5")
    run(tmp_path)
    monkeypatch.setattr(ongrowth, "__version__", "9.9.9")
    with pytest.raises(Refused, match="mixed-versions") as refused:
        run(tmp_path)
    assert "0.1.0" in str(refused.value)
    assert run(tmp_path, renew=True).n_measured == 1


def test_two_runs_do_not_share_a_folder_but_a_dead_one_leaves_it(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5")
    out = tmp_path / "out"
    out.mkdir()
    lock = {"host": socket.gethostname(), "pid": os.getppid(), "since": "2031-03-04T10:00+00:00"}
    (out / "run.lock").write_text(json.dumps(lock), encoding="utf-8")
    with pytest.raises(Refused, match="folder-in-use"):
        run(tmp_path)
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    (out / "run.lock").write_text(json.dumps(lock | {"pid": child.pid}), encoding="utf-8")
    assert run(tmp_path).n_measured == 1
    assert not (out / "run.lock").exists()


def test_of_two_runs_that_begin_together_one_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other takes the folder between the look at it and the lock."""
    stand_in.write_cohort(tmp_path, "0.5")
    lock = tmp_path / "out" / "run.lock"
    other = json.dumps({"host": socket.gethostname(), "pid": os.getppid(), "since": "now"})
    link = os.link

    def too_late(mine: Path, place: Path) -> None:
        lock.write_text(other)
        link(mine, place)

    monkeypatch.setattr(os, "link", too_late)
    with pytest.raises(Refused, match="folder-in-use"):
        run(tmp_path)
    assert lock.read_text() == other
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["run.lock"]


def test_a_full_disk_stops_the_run_in_plain_words_and_keeps_what_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import ongrowth.cohort.worker as worker

    stand_in.write_cohort(tmp_path, "0.5", "0.6", "0.7")
    write = worker.write_receipt

    def full(receipt: object, path: Path) -> None:
        if "c001" in str(path):
            raise OSError(errno.ENOSPC, "No space left on device")
        write(receipt, path)  # type: ignore[arg-type]

    monkeypatch.setattr(worker, "write_receipt", full)
    with pytest.raises(Refused, match=r"disk-full.*finished results are kept"):
        run(tmp_path)
    monkeypatch.setattr(worker, "write_receipt", write)
    again = run(tmp_path)
    assert (again.n_kept, again.n_measured) == (1, 2)


def test_too_little_room_is_told_before_anything_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in.write_cohort(tmp_path, "0.5")
    free = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: free)
    with pytest.raises(Refused, match="disk-full"):
        run(tmp_path)
    assert stand_in.measured(tmp_path / "out") == []


def test_a_scan_that_vanished_is_a_failure_of_its_own(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "0.6")
    manifest = read_manifest(tmp_path / "manifest.csv")
    (tmp_path / "scans" / "s000.nii").unlink()
    done = run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=stand_in.measure)
    assert done.failures == {"cannot-read-or-write": 1}
    assert done.n_measured == 1


def test_crash_hog_and_endless_loop_cost_their_own_scan_only(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "crash", "0.6", "hog", "endless", "0.7")
    done = run(tmp_path, limits=Limits(seconds=15.0, memory_mb=900.0))
    assert done.n_measured == 3
    assert list(outcomes(tmp_path).values()) == ["", "process-died", "", "out-of-memory", "out-of-time", ""]


def test_the_allocator_of_the_measuring_process_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dask sets this for its workers; arithmetic below them took ten times as long with it."""
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "65536")
    stand_in.write_cohort(tmp_path, "has MALLOC_TRIM_THRESHOLD_", "has OMP_NUM_THREADS")
    run(tmp_path, limits=Limits(seconds=60.0))
    receipts = [read_receipt(p) for p in sorted((tmp_path / "out" / "scans").glob("*/*/result.json"))]
    widths = [r.outcome.rows[0].value for r in receipts if r and isinstance(r.outcome, Measurement)]
    assert widths == [0.0, 1.0]


def test_kill_9_at_any_moment_loses_and_repeats_nothing_but_the_scan_in_hand(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "0.6", "slow 3", "0.7", "0.8")
    program = """
        import sys
        from pathlib import Path
        import stand_in
        from ongrowth.cohort import InProcess, read_manifest, run_cohort
        folder = Path(sys.argv[1])
        run_cohort(read_manifest(folder / "manifest.csv"), folder / "out", executor=InProcess(),
                   measure=stand_in.measure)
    """
    path = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program), str(tmp_path)], env=os.environ | {"PYTHONPATH": path}
    )
    try:
        until = time.monotonic() + 120.0
        while "c002" not in stand_in.measured(tmp_path / "out"):
            assert time.monotonic() < until
            assert child.poll() is None
            time.sleep(0.05)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    done = run(tmp_path)
    assert (done.n_kept, done.n_measured) == (2, 3)
    assert stand_in.measured(tmp_path / "out") == ["c000", "c001", "c002", "c002", "c003", "c004"]


def test_what_a_killed_run_left_half_written_is_cleared(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5")
    left = tmp_path / "out" / "scans" / "c000" / ".s000.0abc1234"
    left.mkdir(parents=True)
    run(tmp_path)
    assert [p.name for p in left.parent.iterdir()] == ["s000"]


def test_a_failure_that_names_an_odd_path_is_recorded(tmp_path: Path) -> None:
    """A name that is no UTF-8 cannot stand in a file of UTF-8; one bad scan never stops a run."""
    stand_in.write_cohort(tmp_path, "0.5", "0.6")
    manifest = read_manifest(tmp_path / "manifest.csv")

    def fail_on_the_first(job: Job, folder: Path) -> Measurement:
        if job.case == "c000":
            raise ValueError(os.fsdecode(b"M\xfcnster\n"))
        return stand_in.measure(job, folder)

    done = run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=fail_on_the_first)
    assert (done.n_measured, done.failures) == (1, {"unexpected": 1})
    receipt = read_receipt(result_file(tmp_path / "out", manifest.jobs[0]))
    assert receipt is not None
    assert isinstance(receipt.outcome, Failure)
    assert "M\\udcfcnster\\n" in receipt.outcome.text


def test_a_damaged_result_is_made_again(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5")
    run(tmp_path)
    (job,) = read_manifest(tmp_path / "manifest.csv").jobs
    result_file(tmp_path / "out", job).write_text('{"schema": "ongrowth-result/1"', encoding="utf-8")
    assert run(tmp_path).n_measured == 1
    receipt = read_receipt(result_file(tmp_path / "out", job))
    assert receipt is not None
    assert isinstance(receipt.outcome, Measurement)
    assert receipt.outcome.rows[0].value == 0.5


def test_progress_counts_and_tells_the_time_left() -> None:
    now = [0.0]
    progress = Progress(100, clock=lambda: now[0])
    for _ in range(10):
        progress.count(Settled("c", "s", "kept"))
    for k in range(20):
        now[0] += 30.0
        progress.count(
            Settled("c", "s", "failed" if k == 0 else "measured", "thick-slices" if k == 0 else "")
        )
    assert str(progress) == "30 of 100 scans, 19 measured, 10 done before, 1 failed, about 35 min left"
    assert progress.failures == {"thick-slices": 1}
    assert span_words(90000) == "1 day 1 h"


DRIVER = """
import signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import stand_in
from ongrowth.cohort import OneByOne, read_manifest, run_cohort
signal.signal(signal.SIGINT, lambda *_: None)  # as in a worker, whose main thread alone hears it
manifest = read_manifest(Path("manifest.csv"))
run_cohort(manifest, Path("out"), executor=OneByOne(), measure=stand_in.measure)
"""


@pytest.mark.skipif(os.name != "posix", reason="Windows sends a terminal's interrupt in another way")
def test_an_interrupt_from_the_terminal_is_no_failure_of_the_scan_in_hand(tmp_path: Path) -> None:
    """All processes of a terminal hear it; a failure of the measuring one would not be tried again."""
    stand_in.write_cohort(tmp_path, "slow 2")
    command = [sys.executable, "-c", DRIVER, str(Path(stand_in.__file__).parent)]
    driver = subprocess.Popen(command, cwd=tmp_path, start_new_session=True)
    end = time.monotonic() + 60.0
    while not stand_in.measured(tmp_path / "out"):
        assert time.monotonic() < end
        time.sleep(0.05)
    os.killpg(driver.pid, signal.SIGINT)
    assert driver.wait(timeout=60) == 0
    assert outcomes(tmp_path) == {"c000": ""}
