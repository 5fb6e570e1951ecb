"""The recipe: order of steps, what is passed on, what a reader is told. Stand-ins take the steps' places."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest
from build_steps import Steps, case_text, lending_case, replace_scans, two_scans

import ongrowth.case.compare as compare
import ongrowth.case.first_days as first_days
import ongrowth.case.reading as recipe
import ongrowth.case.scale as scale
from ongrowth.calibration import Calibration, Protocol
from ongrowth.case import Known, known_of, run_case, run_reading
from ongrowth.case.reuse import case_before
from ongrowth.casefile import parse_case_file
from ongrowth.edge import Blur
from ongrowth.findings import shipped_windows
from ongrowth.frame import Patch
from ongrowth.geometry import Plane
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import (
    Against,
    Reading,
    reading_from_dict,
    reading_to_dict,
    validate,
    write_case,
    write_reading,
)
from ongrowth.scan import Acquisition, Dose, Level, Problem, Refused, Scan, refuse
from ongrowth.screw import ScrewSpec

NOT_SEEN = Problem("defect-not-seen", Level.CAUTION, "No slit crosses the screw.", "Give the plane.")


@pytest.fixture(scope="module")
def scan() -> Scan:
    made = Acquisition(
        kernel="sharp",
        study_uid="1.2",
        patient_id="P-4711",
        date=dt.date(2031, 4, 29),
        birth_year=2016,
        body_part="LSPINE",
        dose=Dose(5.0, 100.0, "dose report"),
    )
    return replace(build.make_scan(step_mm=1.0), acquisition=made, digest="d" * 64)


@pytest.fixture
def steps(scan: Scan, monkeypatch: pytest.MonkeyPatch) -> Steps:
    stand_ins = Steps(scan)
    stand_ins.put_in_place(monkeypatch)
    return stand_ins


def read(known: Known | None = None, path: str = "in/w08") -> Reading:
    return run_reading(Path(path), known)


def test_a_reading_is_whole_and_valid(steps: Steps) -> None:
    reading = read(Known(weeks=8.0, site="L5", grafts=(("left", "autograft"), ("right", "allograft"))))
    assert ["autograft" in p.text for p in reading.scan.problems if p.code == "graft-stated"] == [True]
    validate(reading_to_dict(reading), "ongrowth-reading/1")
    implant = reading.implants[0]
    assert [cut.name for cut in implant.cuts] == ["along-zero", "along-quarter", "across"]
    assert [profile.side for profile in implant.profiles] == ["head_side", "tip_side"]
    assert implant.bridge is not None
    assert reading.scan.id == "w08"
    assert reading.provenance.input_digest == hashlib.sha256(b"w08").hexdigest()
    assert reading.provenance.wall_s > 0.0
    assert any(problem.code == "head-assumed" for problem in reading.scan.problems)
    assert steps.asked["lucent"] == [
        (steps.width_mm, steps.width_mm)
    ]  # no edge of the gap is read in the halo
    assert "lamina side" not in reading.summary.sentence  # both sides stand alike, so no side is named
    assert reading.summary.sentence.startswith("Left screw, week 8: halo on both sides")


def test_weeks_come_from_the_dates_and_told_weeks_win(steps: Steps) -> None:
    surgery = dt.date(2031, 3, 4)
    assert read(Known(surgery_date=surgery)).scan.weeks_since_surgery == 8.0
    assert read(Known(surgery_date=surgery, scan_date=dt.date(2031, 3, 11))).scan.weeks_since_surgery == 1.0
    told = read(Known(surgery_date=surgery, weeks=6.0))
    assert told.scan.weeks_since_surgery == 6.0
    assert any("week 8, but week 6" in point for point in told.summary.cannot_tell)  # windows hang on it
    by_hand = read(Known(surgery_date=surgery, weeks=8.0, scan_date=dt.date(2031, 6, 24)))  # header: week 8
    assert any("gives week 16, but week 8" in point for point in by_hand.summary.cannot_tell)
    assert math.isnan(read().scan.weeks_since_surgery)


def test_a_defect_not_seen_is_told_and_nothing_is_bridged(steps: Steps) -> None:
    steps.defect = NOT_SEEN
    reading = read(Known(weeks=20.0))
    assert NOT_SEEN in reading.scan.problems
    assert steps.asked["halo"] == [None]
    assert steps.asked["bridge"] == []
    assert reading.implants[0].bridge is None
    bridged = next(f for f in reading.findings if f.quantity == "bridged_fraction")
    assert bridged.against_window is Against.NOT_MEASURABLE


def test_a_given_plane_goes_before_a_search(steps: Steps) -> None:
    frame = build.make_frame()
    steps.defect = NOT_SEEN
    plane = Plane(frame.world(0.0, 0.0, 20.0), -frame.axis_direction)
    defect = read(Known(defect=plane)).implants[0].defect
    assert defect is not None
    assert defect.how == "given"
    assert defect.depth_mm(frame) == pytest.approx(20.0)


def test_screws_are_looked_for_once_also_where_there_are_several(steps: Steps) -> None:
    steps.sides = ("left", "right")
    spec = ScrewSpec(side="left", major_diameter_mm=4.0)
    read(Known(screws=(spec,)))
    assert steps.asked["screws"] == [(spec,)]


def test_dose_and_its_population_estimate_are_carried(steps: Steps) -> None:
    """100 mGy cm at 15 years: 0.015 mSv/(mGy cm), Med Phys 2012;39:2129, table XII."""
    dose = read().scan.dose
    assert (dose.ctdi_vol_mgy, dose.dlp_mgy_cm) == (5.0, 100.0)
    assert dose.effective_msv == pytest.approx(1.5)
    assert "population" in dose.effective_basis


def test_noise_is_that_of_soft_tissue(scan: Scan) -> None:
    """The scan was drawn with noise of 40 HU."""
    fine = build.make_scan(step_mm=0.6)
    noise = recipe.image_noise_hu(fine, build.make_frame())
    assert noise == pytest.approx(40.0, rel=0.06)


def test_a_case_is_read_in_time_and_kept_scan_by_scan(steps: Steps) -> None:
    text = case_text(
        '[[scan]]\npath = "late"\ndate = 2031-06-03', '[[scan]]\npath = "early"\ndate = 2031-04-01'
    )
    kept: list[str] = []
    case = run_case(parse_case_file(text, Path("/case")), keep=lambda reading: kept.append(reading.scan.id))
    assert kept == ["late", "early"]
    assert [(r.scan.id, r.scan.weeks_since_surgery) for r in case.readings] == [
        ("early", 4.0),
        ("late", 13.0),
    ]
    assert case.patient.site == "L5"
    assert case.dose_total.n_examinations == 1  # the stand-in gives both the same examination
    assert case.dose_total.dlp_mgy_cm == 100.0
    assert case.findings[: len(case.readings[-1].findings)] == case.readings[-1].findings


def test_a_refused_scan_is_kept_apart(steps: Steps) -> None:
    text = case_text(
        '[[scan]]\npath = "broken"\ndate = 2031-04-01', '[[scan]]\npath = "w08"\ndate = 2031-04-29'
    )
    case = run_case(parse_case_file(text, Path("/case")))
    assert [scan for scan, _ in case.refused] == ["broken"]
    assert len(case.readings) == 1
    with pytest.raises(Refused, match="empty-folder"):
        run_case(parse_case_file(case_text('[[scan]]\npath = "broken"\ndate = 2031-04-01'), Path("/case")))


def test_the_same_images_are_not_compared_with_themselves(steps: Steps) -> None:
    text = case_text(
        '[[scan]]\npath = "w08"\ndate = 2031-04-29', '[[scan]]\npath = "w08-copy"\ndate = 2031-06-03'
    )
    case = run_case(parse_case_file(text, Path("/case")))
    ((scan, (problem,)),) = case.refused
    assert (scan, problem.code) == ("w08-copy", "same-images")
    assert [reading.scan.id for reading in case.readings] == ["w08"]
    assert case.motions == ()


def test_what_does_not_fit_of_earlier_cts_stands_beside_the_latest(steps: Steps) -> None:
    """Swapped weeks, or a wrong day, of a CT that is not the latest would else be told nowhere."""
    steps.dates = {"w05": dt.date(2031, 9, 2), "w26": dt.date(2031, 4, 8)}
    scans = [f'[[scan]]\npath = "w{w:02}"\nweeks_since_surgery = {w}' for w in (5, 26)]
    told = " ".join(run_case(parse_case_file(case_text(*scans), Path("/case"))).summary.cannot_tell)
    assert "CT w05: The date of the scan gives week 26, but week 5 was told" in told
    assert "CT w26 was made before CT w05" in told
    steps.dates = {"w05": dt.date(2031, 4, 8), "w26": dt.date(2031, 9, 2)}
    told = " ".join(run_case(parse_case_file(case_text(*scans), Path("/case"))).summary.cannot_tell)
    assert "CT w05" not in told
    assert "CT w26" not in told


@pytest.mark.parametrize("day", ["date = 2031-02-04", ""])
def test_before_surgery_no_screw_is_looked_for(steps: Steps, day: str) -> None:
    """The role alone tells it of a volume file, which has no date; the answer is on the later CT."""
    steps.date = None
    text = case_text(
        f'[[scan]]\npath = "pre"\n{day}\nrole = "pre-op"',
        '[[scan]]\npath = "w08"\ndate = 2031-04-29',
    )
    case = run_case(parse_case_file(text, Path("/case")))
    assert len(steps.asked["screws"]) == 1
    assert [len(reading.implants) for reading in case.readings] == [0, 1]
    assert "from before surgery" in case.readings[0].summary.sentence
    validate(reading_to_dict(case.readings[0]), "ongrowth-reading/1")


def test_a_screw_in_a_ct_from_before_surgery_is_told(steps: Steps, monkeypatch: pytest.MonkeyPatch) -> None:
    """A wrong sign or year must not end in "there is no screw"."""
    rod = build.make_reading().other_metal[0]
    screw = replace(rod, kind="screw")
    monkeypatch.setattr(recipe, "find_metal", lambda _: (rod, screw))
    reading = read(Known(weeks=-3.0))
    assert "screw-before-surgery" in {problem.code for problem in reading.scan.problems}
    assert "yet a screw lies in it" in reading.summary.sentence
    assert reading.other_metal == (rod,)
    validate(reading_to_dict(reading), "ongrowth-reading/1")


def test_what_a_case_file_says_reaches_the_scan(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        '[[window]]\nsurface="any"\nquantity="mean_width"\nside="any"\nfrom_weeks=0\nto_weeks=9\nhigh=0.1\n'
        'unit="mm"\nmeaning="m"\nsource="s"\n'
    )
    scan = 'path = "w08"\nweeks_since_surgery = 8\n[[defect]]\nside = "left"\ngraft = "allograft"\n'
    text = case_text(f'[[scan]]\n{scan}[[defect]]\nside = "right"\n[settings]\nwindows = "own.toml"\n')
    case_file = parse_case_file(text, tmp_path)
    known = known_of(case_file, case_file.scan[0])
    assert (known.weeks, known.site, known.birth_year, known.scan_id) == (8.0, "L5", 2016, "w08")
    assert (known.grafts, known.screws[0].major_diameter_mm) == ((("left", "allograft"),), 4.0)
    assert known.windows != shipped_windows()


def test_the_series_of_each_scan_is_read_wherever_it_is_needed(steps: Steps, tmp_path: Path) -> None:
    scans = [
        ("before", 'path = "w00"\nrole = "pre-op"\nseries = "2"\nweeks_since_surgery = -1'),
        ("early", 'path = "w05"\nseries = "3"\nweeks_since_surgery = 5'),
        ("late", 'path = "w08"\nseries = "1.2.3"\nweeks_since_surgery = 8'),
    ]
    text = case_text("".join(f'[[scan]]\nid = "{name}"\n{rest}\n' for name, rest in scans))
    _, early, late = run_case(parse_case_file(text, tmp_path)).readings
    wanted = {("w00", "2"), ("w05", "3"), ("w08", "1.2.3")}
    assert set(steps.asked["series"]) == wanted
    later = ("w05", "3"), ("w08", "1.2.3")
    # what was read to be measured is compared, and read again where it is no longer at hand
    assert [steps.asked["series"].count(one) for one in later] == [1, 1]
    compare.compare(*(compare.Kept(Path(p), r, s) for (p, s), r in zip(later, (early, late), strict=True)))
    assert [steps.asked["series"].count(one) for one in later] == [2, 2]


CORRECTED = """[[scan]]
path = "w08"
weeks_since_surgery = 8
[[scan.correction]]
what = "left.head_mm"
to = [14.4, 19.6, -5.0]
author = "reader-1"
[[scan.correction]]
what = "left.defect"
to = [17.0, 3.0, 2.0, 0.2, -0.9, 0.4]
[[scan.correction]]
what = "left.left_out"
to = [{depth_mm = [0.0, 14.0], angle_deg = [337.5, 22.5]}]
remark = "streak of the rod"
[[scan.reader]]
id = "reader-1"
quantity = "mean_width"
side = "head_side"
value = 0.8
against_window = "as expected"
blind = true
"""


def test_corrections_of_the_case_file_hold_in_every_step(steps: Steps) -> None:
    case_file = parse_case_file(case_text(CORRECTED), Path("/case"))
    reading = run_reading(Path("in/w08"), known_of(case_file, case_file.scan[0]))
    frame = reading.implants[0].frame
    assert frame.origin_mm == pytest.approx((14.4, 19.6, -5.0))
    assert frame.tip_mm == pytest.approx(build.TIPS["left"])
    plane = steps.asked["halo"][0].plane
    assert plane.height_mm((17.0, 3.0, 2.0)) == pytest.approx(0.0, abs=1e-9)
    assert steps.asked["settings"][0].left_out == (Patch((0.0, 14.0), (337.5, 22.5)),)
    assert any(problem.code == "ends-by-hand" for problem in reading.scan.problems)


def test_who_changed_what_goes_with_the_reading(steps: Steps) -> None:
    case_file = parse_case_file(case_text(CORRECTED), Path("/case"))
    reading = run_reading(Path("in/w08"), known_of(case_file, case_file.scan[0]))
    again = reading_from_dict(json.loads(json.dumps(reading_to_dict(reading))))
    validate(reading_to_dict(reading), "ongrowth-reading/1")
    assert again.corrections == reading.corrections
    assert [made.what for made in again.corrections] == ["left.head_mm", "left.defect", "left.left_out"]
    assert again.corrections[0].author == "reader-1"
    assert again.corrections[2].remark == "streak of the rod"
    assert again.readers[0].is_blind
    assert (again.readers[0].site, again.readers[0].value) == ("head_side", 0.8)


def test_a_correction_of_a_screw_not_found_is_told(steps: Steps) -> None:
    text = case_text('[[scan]]\npath = "w08"\n[[scan.correction]]\nwhat = "right.tip_mm"\nto = [1, 2, 3]\n')
    case_file = parse_case_file(text, Path("/case"))
    reading = run_reading(Path("in/w08"), known_of(case_file, case_file.scan[0]))
    assert any(problem.code == "correction-without-screw" for problem in reading.scan.problems)


# ---- several CTs ----


def test_two_cts_are_compared_and_judged(steps: Steps, tmp_path: Path) -> None:
    steps.motion = build.make_motion(0.6)
    case = run_case(two_scans(tmp_path))
    assert len(steps.asked["motion"]) == 1
    first = case.motions[0]
    assert (first.body, first.relative_to, first.state) == ("screw", "head side", "moved")
    assert case.new_bone[0].elsewhere[0].place == "toward the canal"
    moved = [f for f in case.findings if f.quantity == "migration"]
    assert {(f.against_window.value, f.from_scan) for f in moved} == {("outside", "w04")}
    assert {f.site for f in case.findings if f.quantity == "width_growth"} == {"head_side", "tip_side"}
    assert len(case.overlays) == 3
    assert len(case.change_maps) == 1
    assert "no earlier CT" not in " ".join(case.summary.cannot_tell)


def test_what_has_not_changed_is_kept(steps: Steps, tmp_path: Path) -> None:
    case_file = two_scans(tmp_path)
    first = run_case(case_file)
    steps.asked["halo"].clear()
    again = run_case(case_file, before=first)
    assert steps.asked["halo"] == []
    assert len(steps.asked["motion"]) == 1  # that of the first run
    assert again.motions == first.motions
    assert again.changes == first.changes
    assert [f.why for f in again.findings] == [f.why for f in first.findings]


@pytest.fixture
def told(scan: Scan, monkeypatch: pytest.MonkeyPatch) -> Calibration:
    """What a CT of the first days is made to tell."""
    protocol = Protocol.of(scan.acquisition)
    made = Calibration(Blur(0.7, 2.2, 0.8, 0.9, 0.5), np.eye(7), protocol, source="earlier scan")
    monkeypatch.setattr(first_days, "calibrate_on_first_days", lambda *_: made)
    return made


def test_a_ct_of_the_first_days_lends_its_blur_to_later_ones_of_its_protocol(
    steps: Steps, told: Calibration, tmp_path: Path
) -> None:
    steps.width_mm = 0.0
    case_file = lending_case(tmp_path)
    case = run_case(case_file)
    # week 8 asks the CT of week 1 (measured once for all); that CT itself and the other kernel have none
    assert steps.asked["calibration"] == [None, told, None, None]
    steps.asked["calibration"].clear()
    run_case(case_file, before=case)
    assert steps.asked["calibration"] == []
    (tmp_path / "w01" / "1.dcm").write_bytes(b"other")
    run_case(case_file, before=case)
    assert steps.asked["calibration"] == [None, told, None, None]  # what it was lent may have changed


def test_the_day_of_a_ct_of_the_first_days_may_stand_in_its_header_alone(
    steps: Steps, told: Calibration, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps.width_mm = 0.0
    steps.dates = {"w01": dt.date(2031, 3, 10), "w08": dt.date(2031, 4, 29)}
    monkeypatch.setattr(first_days, "date_of", lambda path, **_: steps.dates[path.name])
    for name in steps.dates:
        (tmp_path / name).mkdir()
        (tmp_path / name / "1.dcm").write_bytes(name.encode())
    scans = '[[scan]]\npath = "w08"', '[[scan]]\npath = "w01"'
    case = run_case(parse_case_file(case_text(*scans), tmp_path))
    assert [reading.scan.id for reading in case.readings] == ["w01", "w08"]
    assert steps.asked["calibration"] == [None, told, None]


@pytest.mark.parametrize("is_parted", [True, False])
def test_a_ct_of_the_first_days_that_shows_a_halo_lends_nothing(
    steps: Steps, told: Calibration, tmp_path: Path, is_parted: bool
) -> None:
    del told
    steps.is_parted = is_parted
    said: list[str] = []
    run_case(lending_case(tmp_path), said.append)
    assert steps.asked["calibration"] == [None] * 4
    assert any("Every screw of this CT has a halo" in text for text in said)


def test_a_changed_file_or_setting_is_measured_again(steps: Steps, tmp_path: Path) -> None:
    case_file = two_scans(tmp_path)
    first = run_case(case_file)
    steps.asked["halo"].clear()
    (tmp_path / "w13" / "1.dcm").write_bytes(b"other")
    second = run_case(case_file, before=first)
    assert len(steps.asked["halo"]) == 1
    assert len(steps.asked["motion"]) == 2
    thicker = case_text(
        '[[scan]]\npath = "w04"\ndate = 2031-04-01', '[[scan]]\npath = "w13"\ndate = 2031-06-03'
    ).replace("major_diameter_mm = 4.0", "major_diameter_mm = 4.5")
    run_case(parse_case_file(thicker, tmp_path), before=second)
    assert len(steps.asked["halo"]) == 3


def test_a_defect_is_carried_to_the_ct_that_does_not_show_it(steps: Steps, tmp_path: Path) -> None:
    """The second CT shows no slit: it is measured again with the plane of the first."""
    shown = iter([build.make_defect(), NOT_SEEN, NOT_SEEN])
    steps.find_defect = lambda *_, **__: next(shown)  # type: ignore[method-assign]
    recipe.find_defect = steps.find_defect
    case = run_case(two_scans(tmp_path))
    later = case.readings[1]
    assert later.implants[0].defect is not None
    assert later.implants[0].defect.how == "carried"
    assert any(problem.code == "defect-carried" for problem in later.scan.problems)
    assert later.implants[0].defect.plane.point_mm == pytest.approx(build.make_defect().plane.point_mm)
    validate(reading_to_dict(later), "ongrowth-reading/1")


def test_the_ct_before_surgery_places_a_defect_that_is_not_seen(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, steps.defect = replace(build.make_defect(), how="pre-op"), NOT_SEEN
    monkeypatch.setattr(recipe, "carry_defect", lambda *_: before)
    reading = read(Known(weeks=8.0, preop=Path("in/before")))
    assert steps.asked["halo"] == [before]
    assert "defect-carried" in {problem.code for problem in reading.scan.problems}
    assert read(Known(weeks=8.0)).implants[0].defect is None


def test_a_ct_before_surgery_that_cannot_be_read_does_not_stop_the_later_one(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read_scan(path: Path, **_: Any) -> Scan:
        if path.name == "before":
            raise refuse("truncated-file", "The file ends too early.", "Copy it again.")
        return steps.read_scan(path)

    monkeypatch.setattr(recipe, "read_scan", read_scan)
    reading = read(Known(weeks=8.0, preop=Path("in/before")))
    told = next(problem for problem in reading.scan.problems if problem.code == "preop-not-read")
    assert told.text.endswith("The file ends too early.")
    assert reading.implants[0].defect is not None


def test_a_better_known_plane_settles_one_that_this_ct_leaves_open(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sure = build.make_defect()
    unsure = replace(sure, u_angle_deg=20.0, u_offset_mm=1.5)
    monkeypatch.setattr(recipe, "carry_defect", lambda *_: replace(sure, how="pre-op"))
    steps.defect = unsure
    reading = read(Known(weeks=8.0, preop=Path("in/before")))
    assert steps.asked["halo"][0].how == "pre-op"
    assert "defect-carried" in {problem.code for problem in reading.scan.problems}
    steps.defect = sure
    assert read(Known(weeks=8.0, preop=Path("in/before"))).implants[0].defect.how == "found"  # type: ignore[union-attr]
    shown = iter([sure, unsure, unsure])
    recipe.find_defect = lambda *_, **__: next(shown)
    later = run_case(two_scans(tmp_path)).readings[1]
    assert later.implants[0].defect is not None
    assert later.implants[0].defect.how == "carried"


@pytest.mark.parametrize(
    ("share", "u", "is_told"), [(1.0, 0.08, True), (1.0, 0.2, False), (0.8, 0.02, False)]
)
def test_a_section_bridged_all_over_is_told(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, share: float, u: float, is_told: bool
) -> None:
    """A plane that this CT does not show, and bone that fills a thin gap within its usual uncertainty."""
    before, steps.defect = replace(build.make_defect(), how="pre-op"), NOT_SEEN
    monkeypatch.setattr(recipe, "carry_defect", lambda *_: before)
    whole = replace(build.make_bridge(0.3), defect=before, bridged_fraction=build.share(share, u))
    monkeypatch.setattr(recipe, "measure_bridge", lambda *_, **__: whole)
    reading = read(Known(weeks=8.0, preop=Path("in/before")))
    assert ("section-bridged" in {problem.code for problem in reading.scan.problems}) == is_told


@pytest.mark.parametrize(
    ("how", "used"), [("given", "the given plane"), ("carried", "the plane of another CT of this case")]
)
def test_a_section_bridged_all_over_names_the_plane_that_was_used(
    steps: Steps, monkeypatch: pytest.MonkeyPatch, how: str, used: str
) -> None:
    plane, steps.defect = replace(build.make_defect(), how=how), NOT_SEEN
    whole = replace(build.make_bridge(0.3), defect=plane, bridged_fraction=build.share(1.0, 0.02))
    monkeypatch.setattr(recipe, "measure_bridge", lambda *_, **__: whole)
    screw = read().implants[0].id
    reading = read(Known(weeks=8.0, carried={screw: plane}))
    told = next(p.text for p in reading.scan.problems if p.code == "section-bridged")
    assert told.endswith(f"{used} was used.")


def test_why_the_ct_before_surgery_places_no_defect_is_told(
    steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    why = Problem("preop-not-matched", Level.CAUTION, "The bone is not alike.", "Give the plane.")
    monkeypatch.setattr(recipe, "carry_defect", lambda *_: why)
    reading = read(Known(weeks=8.0, preop=Path("in/before")))
    assert why in reading.scan.problems


def test_a_carried_defect_is_kept_as_long_as_its_reference(steps: Steps, tmp_path: Path) -> None:
    shows: dict[str, Any] = {"w04": build.make_defect(), "w13": NOT_SEEN}
    looked: list[str] = []

    def read_scan(path: Path, **_: Any) -> Scan:
        looked.append(path.name)
        return steps.read_scan(path)

    recipe.read_scan = read_scan  # put back by the fixture, as the next
    recipe.find_defect = lambda *_, **__: shows[looked[-1]]
    case_file = two_scans(tmp_path)
    out = tmp_path / "out"
    first = run_case(case_file, keep=lambda r: write_reading(r, out / r.scan.id, is_followed=True))
    assert looked == ["w04", "w13", "w13"]
    write_case(first, out)
    second = run_case(case_file, before=case_before(out))
    assert looked == ["w04", "w13", "w13"]
    assert second.readings[1].implants[0].defect.how == "carried"
    assert [m.state for m in second.motions] == [m.state for m in first.motions]

    (tmp_path / "w04" / "1.dcm").write_bytes(b"other")
    third = run_case(case_file, before=second)
    assert looked[3:] == ["w04", "w13", "w13"]
    assert third.readings[1].implants[0].defect.how == "carried"

    alone = replace_scans(case_file, "w13")
    assert run_case(alone, before=third).readings[0].implants[0].defect is None
    assert looked[6:] == ["w13"]


def test_two_cts_of_one_day_tell_the_error_of_measurement(steps: Steps, tmp_path: Path) -> None:
    steps.motion = build.make_motion(0.03)
    text = case_text(
        '[[scan]]\npath = "w04"\ndate = 2031-04-01', '[[scan]]\npath = "w04b"\ndate = 2031-04-01'
    )
    for name in ("w04", "w04b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "1.dcm").write_bytes(name.encode())
    case = run_case(parse_case_file(text, tmp_path))
    (note,) = [n.problem for n in case.notes if n.problem.code == "double-examination"]
    first = case.motions[0]
    length = math.hypot(*(part.value for part in first.translation_mm))
    assert f"screw in the head side {length:.2f} mm" in note.text
    steps.dates = {"w04": dt.date(2031, 4, 1), "w04b": dt.date(2031, 4, 3)}
    weeks = (text.replace("date = 2031-04-01", "weeks_since_surgery = 4"), tmp_path)
    assert not any(n.problem.code == "double-examination" for n in run_case(parse_case_file(*weeks)).notes)
    assert not any(n.problem.code == "double-examination" for n in run_case(two_scans(tmp_path / "x")).notes)


def test_a_change_of_protocol_is_said(steps: Steps, tmp_path: Path) -> None:
    by_name = {"w04": steps.read_scan(Path("w04")), "w13": steps.read_scan(Path("soft"))}
    recipe.read_scan = lambda path, **_: by_name[path.name]  # put back by the fixture
    case = run_case(two_scans(tmp_path))
    assert [note.problem.code for note in case.notes] == ["protocol-changed"]
    assert any("kernel soft instead of sharp" in point for point in case.summary.cannot_tell)


def test_cts_that_differ_in_scale_are_told_and_brought_to_one(
    steps: Steps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured = Measured.of(1.02, 0.002, Unit.ONE)
    monkeypatch.setattr(scale, "measure_scale", lambda *_: measured)
    case = run_case(two_scans(tmp_path))
    (then, now) = steps.asked["motion"][0]
    assert now.step_mm == pytest.approx(then.step_mm / 1.02)
    note = next(n.problem for n in case.notes if n.problem.code == "scale-differs")
    assert "2.0 % longer in CT w13 than in CT w04 (± 0.4 %)" in note.text


def test_a_plane_carried_to_a_stretched_ct_comes_back_to_where_it_lies(scan: Scan) -> None:
    level = scale.OneScale(scan, (), (), np.zeros(3), 0.98)
    defect = build.make_defect()
    plane = replace(defect, plane=replace(defect.plane, point_mm=np.array([9.8, 0.0, 19.6])))
    assert level.back(plane).plane.point_mm == pytest.approx([10.0, 0.0, 20.0])


def test_a_screw_that_cannot_be_followed_does_not_stop_the_case(
    steps: Steps, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(*_: Any, **__: Any) -> Any:
        raise refuse("out-of-scan", "The place asked for lies outside the scan.", "Check it.")

    monkeypatch.setattr(compare, "measure_motion", lost)
    case = run_case(two_scans(tmp_path))
    assert case.motions == ()
    assert case.changes != ()
    assert case.notes[0].problem.level is Level.CAUTION
    assert "could not be followed" in case.notes[0].problem.text
