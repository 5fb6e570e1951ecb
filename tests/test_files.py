"""Files and folders that are written whole: what stands there meanwhile, and who else is at work."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import ongrowth.files
from ongrowth.files import NotOursError, clear_leftovers, new_folder, new_results, write_text


def write(out: Path, state: str) -> None:
    with new_results(out) as part:
        for place in ("w06", "w12"):
            with new_folder(part / place) as folder:
                write_text(folder / "reading.json", state)
        write_text(part / "case.json", state)
        write_text(part / "page.html", state)


def states(out: Path) -> dict[str, str]:
    return {str(path.relative_to(out)): path.read_text() for path in sorted(out.rglob("*")) if path.is_file()}


def test_results_take_the_places_of_earlier_ones(tmp_path: Path) -> None:
    for state in ("old", "new"):
        write(tmp_path / "out", state)
    assert set(states(tmp_path / "out").values()) == {"new"}
    assert sorted(states(tmp_path / "out")) == [
        "case.json",
        "page.html",
        "w06/reading.json",
        "w12/reading.json",
    ]


def test_a_run_that_fails_leaves_what_was_there(tmp_path: Path) -> None:
    write(tmp_path / "out", "old")
    before = states(tmp_path / "out")
    with pytest.raises(ZeroDivisionError), new_results(tmp_path / "out") as part:
        write_text(part / "page.html", str(1 / 0))
    assert states(tmp_path / "out") == before


def test_a_folder_of_other_files_keeps_its_place(tmp_path: Path) -> None:
    """`ongrowth check CT/w06 --out CT` put results in the place of the CT, which was gone then."""
    (tmp_path / "out" / "w12").mkdir(parents=True)
    for name in ("0001.dcm", "reading.json"):
        (tmp_path / "out" / "w12" / name).write_text("theirs")
    before = states(tmp_path / "out")
    with pytest.raises(NotOursError, match=r"holds files that are no results, 0001\.dcm for example"):
        write(tmp_path / "out", "new")
    with pytest.raises(NotOursError), new_folder(tmp_path / "out" / "w12") as folder:
        write_text(folder / "reading.json", "new")
    assert states(tmp_path / "out") == before
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["w12"]


def test_what_a_file_manager_leaves_keeps_no_place(tmp_path: Path) -> None:
    write(tmp_path / "out", "old")
    for name in (".DS_Store", "Thumbs.db", "doubt.npz"):
        (tmp_path / "out" / "w12" / name).write_text("old")
    write(tmp_path / "out", "new")
    assert set(states(tmp_path / "out").values()) == {"new"}


@pytest.mark.parametrize("theirs", [["w12", "case.json", "page.html"], ["w12"], ["case.json"]])
def test_two_commands_may_end_the_same_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, theirs: list[str]
) -> None:
    """One that reads comes while another puts the first result in its place, and is faster with some."""
    out, put = tmp_path / "out", ongrowth.files._put
    write(out, "old")
    left = [*theirs]

    def interrupted(part: Path, place: Path) -> None:
        while place.parent == out and left:
            name = left.pop()
            put(part.with_name(name), out / name)
        put(part, place)

    monkeypatch.setattr(ongrowth.files, "_put", interrupted)
    write(out, "new")
    assert set(states(out).values()) == {"new"}
    assert len(states(out)) == 4


def test_what_another_scan_is_writing_is_no_leftover(tmp_path: Path) -> None:
    """Scans w06 and w06.5 of one patient are measured side by side."""
    with new_folder(tmp_path / "w06.5") as part:
        (part / "reading.json").touch()
        clear_leftovers(tmp_path / "w06")
        assert [path.name for path in part.iterdir()] == ["reading.json"]
        clear_leftovers(tmp_path / "w06.5")
        assert not part.exists()
        part.mkdir()


def test_what_is_written_may_be_read_by_whom_the_system_lets(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        write_text(tmp_path / "new", "x")
        with new_folder(tmp_path / "results") as part:
            write_text(part / "page.html", "x")
        os.umask(0o022)
        write_text(tmp_path / "new", "y")
        write_text(tmp_path / "open", "x")
        with new_folder(tmp_path / "results") as part:
            write_text(part / "page.html", "y")
    finally:
        os.umask(before)
    rights = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    assert rights == {"new": 0o600, "open": 0o644, "results": 0o700}
