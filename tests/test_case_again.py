"""A case from the shell: what a second run keeps, and what is said of CTs that do not belong together."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest
from build_steps import Steps, case_text, two_scans
from click.testing import CliRunner, Result

import ongrowth
import ongrowth.case.reading as recipe
import ongrowth.case.reuse as reuse
from ongrowth.case import Known, run_case, run_reading
from ongrowth.casefile import parse_case_file
from ongrowth.cli import main
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import program_digest, read_case, write_case, write_reading
from ongrowth.screw import OtherMetal


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    stand_ins = Steps(build.make_scan(step_mm=1.0))
    stand_ins.put_in_place(monkeypatch)
    return stand_ins


def follow(folder: Path) -> Result:
    return CliRunner().invoke(main, ["follow", str(folder / "case.toml"), "--out", str(folder / "out")])


def lay(folder: Path, *names: str) -> None:
    """Write a case file and its scans, a month apart."""
    scans = []
    for k, name in enumerate(names):
        (folder / name).mkdir(parents=True)
        (folder / name / "1.dcm").write_bytes(name.encode())
        scans.append(f'[[scan]]\npath = "{name}"\nweeks_since_surgery = {4.0 * (k + 1)}')
    (folder / "case.toml").write_text(case_text(*scans), encoding="utf-8")


def test_what_another_state_of_the_program_measured_is_measured_again(
    steps: Steps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same version number, or the same code with other libraries below it."""
    case_file = two_scans(tmp_path)
    first = run_case(case_file)
    monkeypatch.setattr(reuse, "program_digest", lambda: "another")
    second = run_case(case_file, before=first)
    assert len(steps.asked["halo"]) == 4
    monkeypatch.setattr(reuse, "libraries", lambda: {"numpy": "0.1"})
    third = run_case(case_file, before=second)
    assert len(steps.asked["halo"]) == 6
    run_case(case_file, before=third)
    assert len(steps.asked["halo"]) == 6


def test_the_digest_of_the_program_is_of_its_code_and_its_tables(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copied = tmp_path / "ongrowth"
    shutil.copytree(Path(ongrowth.__file__).parent, copied, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(ongrowth, "__file__", str(copied / "__init__.py"))
    digest = program_digest.__wrapped__
    seen = [program_digest(), digest()]
    assert seen[0] == seen[1]
    (copied / "__pycache__").mkdir()
    (copied / "__pycache__" / "edge.pyc").write_bytes(b"compiled")
    assert digest() == seen[0]
    for name in ("edge.py", "halo/prior.py", "data/windows.toml"):
        with (copied / name).open("a", encoding="utf-8") as file:
            file.write("# changed\n")
        seen.append(digest())
    assert len(set(seen)) == 4


def test_a_run_that_was_stopped_is_not_measured_again(
    steps: Steps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay(tmp_path, "w04", "w08", "w12")
    whole, out = steps.measure_halo, tmp_path / "out"

    def stopped(*words: Any, **more: Any) -> Any:
        if len(steps.asked["halo"]) == 2:
            raise KeyboardInterrupt
        return whole(*words, **more)

    monkeypatch.setattr(recipe, "measure_halo", stopped)
    assert follow(tmp_path).exit_code != 0
    assert [one.name for one in out.iterdir() if not one.name.startswith(".")] == []
    monkeypatch.setattr(recipe, "measure_halo", whole)
    told = follow(tmp_path)
    assert told.exit_code == 0, told.stderr
    assert len(steps.asked["halo"]) == 3
    assert [reading.scan.id for reading in read_case(out).readings] == ["w04", "w08", "w12"]
    assert [one.name for one in out.iterdir() if one.name.startswith(".")] == []
    (tmp_path / "w08" / "1.dcm").write_bytes(b"other")
    assert follow(tmp_path).exit_code == 0
    assert len(steps.asked["halo"]) == 4


def test_what_a_killed_run_has_left_serves_too(steps: Steps, tmp_path: Path) -> None:
    lay(tmp_path, "w04", "w08")
    assert follow(tmp_path).exit_code == 0
    left = tmp_path / "out" / ".new.killed"
    left.mkdir()
    for name in ("w04", "w08"):
        (tmp_path / "out" / name).rename(left / name)
    (left / "w08" / "reading.json").write_text("{", encoding="utf-8")  # whatever became of it
    (tmp_path / "out" / "case.json").unlink()
    steps.asked["halo"].clear()
    assert follow(tmp_path).exit_code == 0
    assert len(steps.asked["halo"]) == 1
    assert len(read_case(tmp_path / "out").readings) == 2


def test_scans_named_after_the_patient_stay_apart(steps: Steps, tmp_path: Path) -> None:
    """Their names are not printed; under one name for both, a CT would be compared with itself."""
    made = replace(steps.scan.acquisition, patient_id="H07")
    steps.scan = replace(steps.scan, acquisition=made)
    lay(tmp_path, "h07-w04", "h07-w08")
    case_file = parse_case_file((tmp_path / "case.toml").read_text(encoding="utf-8"), tmp_path)
    out = tmp_path / "out"
    case = run_case(case_file, keep=lambda r: write_reading(r, out / r.scan.id, is_followed=True))
    write_case(case, out)
    ids = [reading.scan.id for reading in case.readings]
    assert len(set(ids)) == 2
    assert all("h07" not in name for name in ids)
    assert [reading.scan.weeks_since_surgery for reading in read_case(out).readings] == [4.0, 8.0]
    assert {(c.from_scan, c.to_scan) for c in case.changes} == {(ids[0], ids[1])}
    run_case(case_file, before=read_case(out))
    assert len(steps.asked["halo"]) == 2  # and are kept


def test_a_ct_of_another_patient_is_told_and_no_number_of_theirs(steps: Steps, tmp_path: Path) -> None:
    """Compared with the CT of somebody else, a screw has moved and its halo has grown."""
    lay(tmp_path, "w04", "w08", "w12")
    steps.patients = {"w04": "P-4711", "w08": "P-4712", "w12": "P-4711"}
    for run in ("first", "second"):
        said = follow(tmp_path)
        told = [line for line in said.stderr.splitlines() if "another patient" in line]
        (line,) = told
        assert line.startswith("note: By its header CT w08 is of another patient than CT w04."), run
        case = read_case(tmp_path / "out")
        assert sum("another patient" in point for point in case.summary.cannot_tell) == 1
    for text in (said.output, (tmp_path / "out" / "case.json").read_text(encoding="utf-8")):
        assert "P-471" not in text
    steps.patients = {"w04": "", "w08": "P-4712", "w12": "P-4712"}  # one that states no number says nothing
    lay(tmp_path / "other", "w04", "w08", "w12")
    assert "another patient" not in follow(tmp_path / "other").stderr


def test_a_ct_from_before_surgery_of_another_patient_is_told(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recipe, "carry_defect", lambda *_: build.make_defect())
    steps.patients = {"w08": "P-4711", "before": "P-4712"}
    reading = run_reading(Path("in/w08"), Known(weeks=8.0, preop=Path("in/before")))
    (told,) = (problem for problem in reading.scan.problems if problem.code == "another-patient")
    assert told.text == "By its header the CT before surgery is of another patient than this CT."
    steps.patients["before"] = "P-4711"
    again = run_reading(Path("in/w08"), Known(weeks=8.0, preop=Path("in/before")))
    assert "another-patient" not in {problem.code for problem in again.scan.problems}


def test_a_case_that_lies_before_its_surgery_is_refused(
    steps: Steps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slip in the date of surgery: a page with nothing on it passed for a result."""
    screw = OtherMetal("screw", np.zeros((2, 3)), *[Measured.of(40.0, 0.1, Unit.MM)] * 2)
    monkeypatch.setattr(recipe, "find_metal", lambda *_: (screw,))
    lay(tmp_path, "w04", "w08")
    case = tmp_path / "case.toml"
    text = case.read_text(encoding="utf-8")
    case.write_text(text.replace("weeks_since_surgery = ", "weeks_since_surgery = -"), encoding="utf-8")
    said = follow(tmp_path)
    assert (said.exit_code, "before-surgery: " in said.stderr) == (3, True)
    assert not (tmp_path / "out" / "page.html").exists()
    case.write_text(text.replace("weeks_since_surgery = 4", "weeks_since_surgery = -4"), encoding="utf-8")
    assert follow(tmp_path).exit_code == 0  # one of them is from after surgery
    assert steps.asked["halo"]
