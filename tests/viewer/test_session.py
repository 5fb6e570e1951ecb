"""Corrections are made, undone, taken back and saved; what is measured is what the file says."""

from __future__ import annotations

import datetime as dt
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ongrowth.casefile import BadCaseFile, ReaderEntry, read_case_file
from ongrowth.scan import Refused
from ongrowth_napari.session import (
    Session,
    add_remark,
    correct,
    in_words,
    lock_readings,
    new_case_file,
    open_session,
    redo,
    save,
    take_back,
    undo,
    value_of,
)

NOW = dt.datetime(2031, 5, 1, 10, 0, tzinfo=dt.UTC)


def moved(session: Session, x: float, remark: str = "") -> Session:
    return correct(session, "left.head_mm", [x, 0.0, 0.0], [9.0, 0.0, 0.0], "reader-1", NOW, remark)


def test_the_latest_scan_is_opened_unless_another_is_named(case_path: Path) -> None:
    assert open_session(case_path).scan_id == "w08"
    assert open_session(case_path, "w03").scan_id == "w03"
    with pytest.raises(Refused, match=r"no scan 'w99'.*w03, w08"):
        open_session(case_path, "w99")


def test_what_is_not_saved_counts_already(case_path: Path) -> None:
    session = moved(open_session(case_path), 1.0)
    assert session.scan.corrected["left"].head_mm == (1.0, 0.0, 0.0)
    assert "correction" not in case_path.read_text()


def test_undo_and_redo_walk_through_what_was_made(case_path: Path) -> None:
    session = moved(moved(open_session(case_path), 1.0), 2.0)
    assert value_of(undo(session), "left.head_mm") == [1.0, 0.0, 0.0]
    assert value_of(redo(undo(session)), "left.head_mm") == [2.0, 0.0, 0.0]
    none_left = undo(undo(undo(session)))
    assert value_of(none_left, "left.head_mm") is None
    assert redo(moved(undo(session), 3.0)).pending[-1].to == [3.0, 0.0, 0.0]  # a new one forgets the undone


def test_each_entry_keeps_the_value_before(case_path: Path) -> None:
    first, second = moved(moved(open_session(case_path), 1.0), 2.0).pending
    assert first.from_ == [9.0, 0.0, 0.0]  # as found
    assert second.from_ == [1.0, 0.0, 0.0]
    assert (second.author, second.time) == ("reader-1", NOW)


def test_saving_keeps_comments_and_another_hands_work(case_path: Path) -> None:
    session = moved(open_session(case_path), 1.0, "washer")
    case_path.write_text(case_path.read_text().replace("# the latest", "# changed meanwhile"))
    session = save(session)
    text = case_path.read_text()
    assert "# the reader's own case" in text
    assert "# changed meanwhile" in text
    assert session.pending == ()
    entry = read_case_file(case_path).scan[1].correction[0]
    assert (entry.what, entry.author, entry.time, entry.remark) == ("left.head_mm", "reader-1", NOW, "washer")


def test_taking_back_after_saving_is_written_too(case_path: Path) -> None:
    session = save(moved(moved(open_session(case_path), 1.0), 2.0))
    session = take_back(session, "left.head_mm", "reader-2", NOW)
    assert value_of(session, "left.head_mm") == [1.0, 0.0, 0.0]
    assert session.pending[-1].from_ == [2.0, 0.0, 0.0]
    assert session.pending[-1].author == "reader-2"
    only = take_back(
        save(moved(open_session(case_path, "w03"), 1.0)),
        "left.head_mm",
        "r",
        NOW,
    )
    assert only.scan.corrected == {}


def test_a_file_broken_meanwhile_is_left_alone(case_path: Path) -> None:
    session = moved(open_session(case_path), 1.0)
    broken = case_path.read_text() + "[nonsense]\n"
    case_path.write_text(broken)
    with pytest.raises(BadCaseFile, match="nonsense"):
        save(session)
    assert case_path.read_text() == broken


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
@pytest.mark.parametrize(
    ("moment", "n_kept"), [("half written", 0), ("before it takes its place", 0), ("after", 1)]
)
def test_a_kill_while_saving_leaves_the_old_file_whole_or_the_new_one(
    case_path: Path, moment: str, n_kept: int
) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", _KILLED, str(case_path), moment],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert len(read_case_file(case_path).scan[1].correction) == n_kept
    assert case_path.read_text().startswith("# the reader's own case")
    session = save(moved(open_session(case_path), 5.0))  # what was left beside it is in nobody's way
    assert len(session.scan.correction) == n_kept + 1


_KILLED = """
import datetime as dt, os, pathlib, signal, sys
from ongrowth_napari.session import correct, open_session, save
moment = sys.argv[2]

def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)

session = open_session(pathlib.Path(sys.argv[1]))
session = correct(session, "left.head_mm", [1.0, 2.0, 3.0], None, "r", dt.datetime.now(dt.UTC))
if moment == "half written":
    def half(path, text, **how):
        with open(path, "w", **how) as file:
            file.write(text[: len(text) // 2])
            file.flush()
            die()
    pathlib.Path.write_text = half
elif moment.startswith("before"):
    pathlib.Path.replace = die
save(session)
die()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs links and modes")
def test_saving_keeps_a_link_a_link_and_what_was_private_private(case_path: Path) -> None:
    case_path.chmod(0o600)
    link = case_path.with_name("link.toml")
    link.symlink_to(case_path)
    save(moved(open_session(link), 1.0))
    assert link.is_symlink()
    assert len(read_case_file(case_path).scan[1].correction) == 1
    assert case_path.stat().st_mode & 0o777 == 0o600


def test_readings_are_locked_at_once(case_path: Path) -> None:
    entry = ReaderEntry(id="r1", quantity="mean_width", side="head_side", value=0.8, blind=True, time=NOW)
    session = lock_readings(moved(open_session(case_path), 1.0), [entry])
    kept = read_case_file(case_path).scan[1]
    assert kept.reader == (entry,)
    assert kept.correction == ()  # what is pending stays pending
    assert session.pending


def test_a_scan_without_case_file_gets_one_beside_it(tmp_path: Path) -> None:
    scan = tmp_path / "w08.nii.gz"
    scan.write_bytes(b"")
    path = new_case_file(scan, 8.0, "L5")
    assert path == tmp_path / "w08.case.toml"
    case = read_case_file(path)
    assert (case.scan[0].path, case.scan[0].weeks_since_surgery) == (scan, 8.0)
    path.write_text(path.read_text() + "# mine\n")
    assert new_case_file(scan, 9.0) == path
    assert "# mine" in path.read_text()


def test_entries_are_told_in_words(case_path: Path) -> None:
    session = add_remark(
        moved(open_session(case_path), 1.0, "washer"), "left", "moved in the gantry", "r", NOW
    )
    assert [in_words(entry) for entry in session.pending] == [
        "left: head end set by hand (washer)",
        "left: remark: moved in the gantry",
    ]
