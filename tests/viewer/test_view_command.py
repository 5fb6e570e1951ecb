"""The command `view`: what cannot be opened is told in one sentence with the right exit status."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

import ongrowth.cli.door as door
from ongrowth.cli import main
from ongrowth.scan import refuse
from ongrowth_napari import commands, display
from ongrowth_napari.display import obstacle


@pytest.fixture(autouse=True)
def at_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command as an installed program would find it."""
    entry = SimpleNamespace(load=lambda: commands.view)
    monkeypatch.setattr(door, "_entry_points", lambda: {"view": entry})


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    """A machine with a display, and what would have been opened on it."""
    calls: list[tuple[Any, ...]] = []
    monkeypatch.setattr(display, "obstacle", lambda: None)
    monkeypatch.setattr(commands, "open_window", lambda *args, **more: calls.append((*args, more)))
    return calls


@pytest.fixture
def all_serve(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every path reads as a CT, which is its name."""
    monkeypatch.setattr("ongrowth_napari.opening.read_scan", lambda path, **_: path.name)


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["view", *map(str, args)])


@pytest.mark.usefixtures("all_serve")
def test_a_case_is_opened_as_it_is(opened: list[Any], case_path: Path) -> None:
    told = run(case_path, "--scan", "w03", "--author", "reader-1", "--read-first")
    assert told.exit_code == 0, told.stderr
    [(session, scan, *others)] = opened
    assert (session.path, session.scan_id, scan) == (case_path, "w03", "w03")
    assert others == [None, "reader-1", {"reads_first": True}]


@pytest.mark.usefixtures("all_serve")
def test_results_that_are_none_are_told_so(opened: list[Any], case_path: Path, tmp_path: Path) -> None:
    """Else all would be measured anew without a word."""
    told = run(case_path, "--results", tmp_path / "nowhere")
    assert told.exit_code == 2
    assert told.stderr.startswith("no-reading: --results: ")
    (tmp_path / "out" / "w03").mkdir(parents=True)
    (tmp_path / "out" / "w03" / "reading.json").write_text("{}")
    assert run(case_path, "--results", tmp_path / "out").exit_code == 0
    assert len(opened) == 1


@pytest.mark.usefixtures("all_serve")
def test_a_scan_gets_a_case_file_beside_it(
    opened: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ONGROWTH_AUTHOR", "reader-2")
    (tmp_path / "w08").mkdir()
    told = run(tmp_path / "w08", "--weeks", "8", "--site", "L5")
    assert told.exit_code == 0, told.stderr
    case = tmp_path / "w08.case.toml"
    assert f"Case file: {case}" in told.stderr
    assert "weeks_since_surgery = 8.0" in case.read_text()
    session, _, _, author, _ = opened[0]
    assert (session.path, session.scan_id, author) == (case, "w08", "reader-2")
    again = run(tmp_path / "w08", "--weeks", "9")
    assert "It stood there already; change --weeks and --site in it." in again.stderr
    assert "weeks_since_surgery = 8.0" in case.read_text()
    case.write_text(case.read_text().replace('path = "w08"', 'path = "w07"'))
    other = run(tmp_path / "w08")
    assert other.exit_code == 3
    assert other.stderr.splitlines()[-1].startswith("another-case: The case file w08.case.toml beside w08 ")
    assert len(opened) == 2


def test_nothing_is_written_for_a_scan_that_cannot_serve(opened: list[Any], tmp_path: Path) -> None:
    (tmp_path / "w08").mkdir()
    told = run(tmp_path / "w08")
    assert told.exit_code == 3
    assert [line.partition(":")[0] for line in told.stderr.splitlines()] == [
        "Reading w08 ...",
        "empty-folder",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["w08"]
    assert opened == []


@pytest.mark.usefixtures("all_serve")
def test_a_folder_that_cannot_be_written_to_is_told(
    opened: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("ongrowth_napari.session.write_case_text", full)
    (tmp_path / "w08").mkdir()
    told = run(tmp_path / "w08")
    assert told.exit_code == 2
    assert told.stderr.splitlines()[-1].startswith("unwritable-folder: ")
    assert "Read-only" in told.stderr


@pytest.mark.parametrize(
    ("make", "status", "code"),
    [
        (lambda path: path / "nowhere.toml", 2, "no-such-path"),
        (lambda path: _written(path / "case.toml", "[nonsense]\n"), 2, "bad-case-file"),
        (lambda path: _written(path / "case.toml", "[scan\n"), 2, "bad-toml"),
        (lambda path: _written(path / "case.toml", '[[scan]]\npath = "w08"\n'), 3, "no-such"),
    ],
)
def test_a_case_that_cannot_be_opened_is_told(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    make: Callable[[Path], Path],
    status: int,
    code: str,
) -> None:
    monkeypatch.setattr(display, "obstacle", lambda: None)
    told = run(make(tmp_path))
    last = told.stderr.splitlines()[-1]
    assert told.exit_code == status, told.stderr
    assert last.startswith(code)
    assert "Traceback" not in told.stderr


def _written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


# ---- no window ----


def test_without_a_display_it_says_so(case_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    told = run(case_path)
    assert told.exit_code == 2
    assert told.stderr.startswith("no-display: There is no display to open a window on. Work at a desktop;")
    assert len(told.stderr.splitlines()) == 1


def test_without_napari_it_says_how_to_install_it(case_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "napari" else find(name))
    told = run(case_path)
    assert told.exit_code == 2
    assert "no-viewer: The viewer is not installed." in told.stderr
    assert "[viewer]" in told.stderr


@pytest.mark.parametrize(
    ("status", "stderr", "code", "words"),
    [
        (3, "", "no-graphics", "OpenGL"),
        (-6, "qt.qpa.xcb: could not connect to display :77", "no-display", "no display"),
        (-6, "ImportError: libEGL.so.1: cannot open shared object file", "no-display", "libEGL.so.1"),
        (-6, "", "no-display", ""),
    ],
)
def test_what_fails_when_a_window_is_tried_is_told(
    monkeypatch: pytest.MonkeyPatch, status: int, stderr: str, code: str, words: str
) -> None:
    monkeypatch.setenv("DISPLAY", ":77")
    done = SimpleNamespace(returncode=status, stderr=stderr)
    monkeypatch.setattr("subprocess.run", lambda *_, **__: done)
    found = obstacle()
    assert found is not None
    assert found.code == code
    assert words in found.text


def test_a_display_that_is_not_there_is_found_out_without_ending_us(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("DISPLAY", ":77")  # nobody serves it
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.delenv("QT_QPA_PLATFORM", raising=False)
    found = obstacle()
    assert found is not None
    assert found.code == "no-display"


@pytest.mark.skipif(shutil.which("xvfb-run") is None, reason="no xvfb-run")
@pytest.mark.parametrize(("screen", "status"), [("", 0), (" -extension GLX", 3)])
def test_a_display_without_gl_is_told_from_one_with(screen: str, status: int) -> None:
    """For real: without GLX a window would open and stay empty."""
    serve = ["xvfb-run", "-a", "-s", f"-screen 0 320x240x24{screen}"]
    tried = subprocess.run(
        [*serve, sys.executable, "-W", "ignore", "-m", "ongrowth_napari.display"],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert tried.returncode == status, tried.stderr


def test_data_refused_while_opening_are_refused(case_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no(*_: Any, **__: Any) -> None:
        raise refuse("thick-slices", "The slices are too thick.", "Ask for thin ones.")

    monkeypatch.setattr(display, "obstacle", lambda: None)
    monkeypatch.setattr("ongrowth_napari.opening.read_scan", no)
    told = run(case_path)
    assert told.exit_code == 3
    assert told.stderr.splitlines()[-1] == "thick-slices: The slices are too thick. Ask for thin ones."
