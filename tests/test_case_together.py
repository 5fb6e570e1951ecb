"""Widths of a case weighed together: which CTs have a say, what is told, what a second run makes of it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest
from build_doubt import open_halo
from build_steps import Steps, case_text, replace_scans

import ongrowth.case.reading as recipe
from ongrowth.calibration import Calibration
from ongrowth.case import Known, run_case, run_reading
from ongrowth.case.reuse import case_before
from ongrowth.casefile import CaseFile, parse_case_file
from ongrowth.edge import Blur
from ongrowth.halo import Halo, Prospect
from ongrowth.quantity import Measured
from ongrowth.reading import Case, Reading, write_case, write_reading
from ongrowth.scan import Scan

OPEN = ((0.8, 20.0, 0.6), (0.0, 0.0, 0.4))
SURE = ((0.5, 0.0, 1.0),)
HALOS = {"w04": OPEN, "w13": SURE, "soft": OPEN}


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    """Steps whose CTs leave open what `HALOS` says; "soft" was made by another kernel."""
    stand_ins = Steps(build.make_scan(step_mm=1.0))
    last: list[str] = []

    def read_scan(path: Path, **more: Any) -> Scan:
        last.append(path.name)
        return stand_ins.read_scan(path, **more)

    def measure_halo(*_: Any, keep: Any) -> Halo:
        keep("left")
        stand_ins.asked["halo"].append(last[-1])
        return open_halo(*HALOS[last[-1]])

    stand_ins.put_in_place(monkeypatch)
    monkeypatch.setattr(recipe, "read_scan", read_scan)
    monkeypatch.setattr(recipe, "measure_halo", measure_halo)
    ahead = (Prospect("calibrated", 0.5, 0.4), Prospect("thinner", 0.02, 0.3))
    monkeypatch.setattr(recipe, "look_ahead", lambda *_, **__: ahead)
    return stand_ins


@pytest.fixture
def case_file(tmp_path: Path) -> CaseFile:
    weeks = {"w04": 4.0, "w13": 13.0, "soft": 20.0}
    for name in weeks:
        (tmp_path / name).mkdir()
        (tmp_path / name / "1.dcm").write_bytes(name.encode())
    scans = (f'[[scan]]\npath = "{name}"\nweeks_since_surgery = {week}' for name, week in weeks.items())
    return parse_case_file(case_text(*scans), tmp_path)


def run(case_file: CaseFile, out: Path) -> tuple[Case, list[Reading]]:
    kept: list[Reading] = []

    def keep(reading: Reading) -> None:
        kept.append(reading)
        write_reading(reading, out / reading.scan.id, is_followed=True)

    case = run_case(case_file, keep=keep, before=case_before(out))
    write_case(case, out)
    return case, kept


def width(reading: Reading) -> Measured:
    return reading.implants[0].halo.head_side.mean_width


def notes(reading: Reading) -> list[str]:
    return [problem.text for problem in reading.scan.problems if problem.code == "widths-together"]


def rise(case: Case, before: str, after: str) -> Measured:
    """Change of the mean width of the head side."""
    wanted = (before, after, "head_side", "mean_width")
    return next(c.value for c in case.changes if (c.from_scan, c.to_scan, c.side, c.quantity) == wanted)


def test_cts_made_alike_have_a_say_in_each_others_widths(
    steps: Steps, case_file: CaseFile, tmp_path: Path
) -> None:
    case, kept = run(case_file, tmp_path / "out")
    early, later, soft = case.readings
    assert width(early).value == pytest.approx(0.0, abs=0.01)  # 0.48 mm by itself
    (note,) = notes(early)
    assert note.startswith("Widths were weighed together with CT w13, made alike: ")
    assert (notes(later), notes(soft)) == ([], [])
    assert width(soft).value == pytest.approx(0.48)  # another kernel: no say either way
    assert early.scan.blur_in_plane_mm.value == pytest.approx(0.8, abs=1e-3)
    finding = next(f for f in early.findings if f.quantity == "mean_width" and f.site == "head_side")
    assert finding.value.value == width(early).value
    assert [
        limit.share_of_variance for limit in early.implants[0].limits if limit.part == "other solutions"
    ] == [pytest.approx(0.0, abs=1e-6)]
    assert [reading.scan.id for reading in kept] == ["w04", "w13", "soft", "w04"]
    change = next(
        c for c in case.changes if (c.from_scan, c.side, c.quantity) == ("w04", "head_side", "mean_width")
    )
    assert change.value.value == pytest.approx(width(later).value - width(early).value, abs=1e-3)


def test_screws_of_one_ct_are_weighed_by_its_blur_unless_that_is_known(
    steps: Steps, case_file: CaseFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.sides = ("left", "right")
    of_screws = iter([open_halo(*OPEN), open_halo(*SURE)] * 2)

    def measure_halo(*_: Any, keep: Any) -> Halo:
        keep("screw")
        return next(of_screws)

    monkeypatch.setattr(recipe, "measure_halo", measure_halo)
    left, right = run_reading(tmp_path / "w04").implants
    assert left.halo.head_side.mean_width.value == pytest.approx(0.0, abs=0.01)
    assert right.halo.head_side.mean_width.value == pytest.approx(0.5, abs=0.01)
    assert left.halo.doubt is not None
    assert not left.halo.doubt.is_agreed  # the scan tells it alone
    assert [one.halo.blur.source for one in (left, right) if one.halo.blur] == ["in-scan", "in-scan"]
    path = tmp_path / "calibration.json"
    path.write_text(json.dumps(Calibration(Blur(0.7), 0.01 * np.eye(7)).as_dict()), encoding="utf-8")
    left, _ = run_reading(tmp_path / "w04", Known(calibration=path)).implants
    assert left.halo.head_side.mean_width.value == pytest.approx(0.48)


def test_a_second_run_keeps_what_was_weighed_together(
    steps: Steps, case_file: CaseFile, tmp_path: Path
) -> None:
    first, _ = run(case_file, tmp_path / "out")
    asked = len(steps.asked["halo"])
    again, kept = run(case_file, tmp_path / "out")
    assert len(steps.asked["halo"]) == asked
    assert kept == []
    assert repr(again.changes) == repr(first.changes)
    assert [repr(width(r)) for r in again.readings] == [repr(width(r)) for r in first.readings]


def test_a_ct_whose_partner_is_gone_is_believed_by_itself_again(
    steps: Steps, case_file: CaseFile, tmp_path: Path
) -> None:
    run(case_file, tmp_path / "out")
    asked = len(steps.asked["halo"])
    case, kept = run(replace_scans(case_file, "w04", "soft"), tmp_path / "out")
    assert len(steps.asked["halo"]) == asked  # nothing is measured for it
    assert [reading.scan.id for reading in kept] == ["w04"]
    assert width(case.readings[0]).value == pytest.approx(0.48)
    assert notes(case.readings[0]) == []
    alone, _ = run(replace_scans(case_file, "w04", "soft"), tmp_path / "other")  # as without an earlier run
    assert case.readings[0].implants[0].predicted == alone.readings[0].implants[0].predicted


@pytest.mark.parametrize("source", ["calibration", "earlier scan", "in-scan"])
def test_what_pinned_the_blur_of_a_kept_ct_stays_known(
    steps: Steps, case_file: CaseFile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str
) -> None:
    """Beside a new CT its widths are weighed anew; that its blur was calibrated decides what cancels."""
    measured = recipe.measure_halo

    def measure_halo(*words: Any, keep: Any) -> Halo:
        halo = measured(*words, keep=keep)
        assert halo.blur is not None
        return replace(halo, blur=replace(halo.blur, source=source))

    monkeypatch.setattr(recipe, "measure_halo", measure_halo)
    run(replace_scans(case_file, "w04", "soft"), tmp_path / "out")
    case, _ = run(case_file, tmp_path / "out")
    fresh, _ = run(case_file, tmp_path / "fresh")
    assert [reading.scan.blur_source for reading in fresh.readings] == [source] * 3
    assert [reading.scan.blur_source for reading in case.readings] == [source] * 3
    assert repr(case.readings[0].scan.blur_in_plane_mm) == repr(fresh.readings[0].scan.blur_in_plane_mm)


def test_a_new_ct_changes_the_comparison_of_two_kept_ones(
    steps: Steps, case_file: CaseFile, tmp_path: Path
) -> None:
    before, _ = run(replace_scans(case_file, "w04", "soft"), tmp_path / "out")
    after, _ = run(case_file, tmp_path / "out")
    assert rise(before, "w04", "soft").value == pytest.approx(0.0, abs=0.01)
    assert rise(after, "w04", "soft").value == pytest.approx(0.48, abs=0.01)
