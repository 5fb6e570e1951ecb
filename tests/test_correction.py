"""Corrections by hand: what may be written, what holds in the end, and how the case file keeps them."""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from pathlib import Path

import build_reading as build
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ongrowth.casefile import (
    BadCaseFile,
    Correction,
    ReaderEntry,
    add_entries,
    new_case_text,
    parse_case_file,
    write_case_text,
)
from ongrowth.correction import (
    ScrewCorrection,
    corrected_screw,
    corrections_of,
    split_what,
    unused_corrections,
)
from ongrowth.frame import Patch
from ongrowth.quantity import Caution
from ongrowth.scan import Level, Refused

SECTOR = {"depth_mm": [0.0, 14.0], "angle_deg": [337.5, 22.5]}
CASE = """# kept for the spring review
[patient]
id = "harbour-07"            # pseudonym

[[scan]]
id = "w08"
path = "w08"                 # thin slices
weeks_since_surgery = 8.0

[[scan]]
id = "w12"
path = "w12"
weeks_since_surgery = 12.0

[settings]
# calibration = "calibrations"
"""
NOW = dt.datetime(2031, 5, 1, 10, 0, 5, 123, tzinfo=dt.UTC)


def test_the_last_correction_of_a_part_holds_and_one_without_value_takes_it_back() -> None:
    held = corrections_of(
        [
            ("left.head_mm", [1, 2, 3]),
            ("left.head_mm", [1.5, 2, 3]),
            ("left.tip_mm", [9, 9, 9]),
            ("left.tip_mm", None),
            ("right.defect", [0, 0, 1, 0, 0, 2]),
            ("left.left_out", [SECTOR]),
            ("left.artefact", [{"depth_mm": [20.0, 30.0], "angle_deg": [0.0, 360.0]}]),
            ("left.remark", None),
        ]
    )
    assert set(held) == {"left", "right"}
    assert held["left"].head_mm == (1.5, 2.0, 3.0)
    assert held["left"].tip_mm is None
    assert [patch.cautions for patch in held["left"].left_out] == [
        Caution.EXCLUDED_BY_READER,
        Caution.EXCLUDED_BY_READER | Caution.STREAK,
    ]
    plane = held["right"].defect
    assert plane is not None
    np.testing.assert_allclose(plane.normal, [0, 0, 1])


def test_the_id_of_a_screw_may_hold_dots() -> None:
    assert split_what("a.1.tip_mm") == ("a.1", "tip_mm")
    assert split_what("remark") == ("", "remark")


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ('what = "left.hed_mm"\nto = [1.0, 2.0, 3.0]', "head_mm, tip_mm"),
        ('what = "head_mm"\nto = [1.0, 2.0, 3.0]', "names no part"),
        ('what = "left.head_mm"\nto = [1.0, 2.0]', "three numbers"),
        ('what = "left.head_mm"\nto = [1.0, 2.0, nan]', "three numbers"),
        ('what = "left.defect"\nto = [1.0, 2.0, 3.0]', "six numbers"),
        ('what = "left.defect"\nto = [1.0, 2.0, 3.0, 0.0, 0.0, 0.0]', "length"),
        ('what = "left.left_out"\nto = [{depth_mm = [0.0, 9.0]}]', "angle_deg"),
        ('what = "left.left_out"\nto = [{depth_mm = [9.0, 0.0], angle_deg = [0.0, 45.0]}]', "less to more"),
        ('what = "left.left_out"\nto = "all"', "no list"),
        ('what = "left.remark"', "text"),
    ],
)
def test_a_faulty_correction_is_told_with_its_place(entry: str, words: str) -> None:
    with pytest.raises(BadCaseFile) as caught:
        parse_case_file(f'[[scan]]\npath = "w08"\n[[scan.correction]]\n{entry}\n', Path("/case"))
    told = str(caught.value)
    assert "scan 1, correction 1" in told
    assert words in told


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ('quantity = "mean_widht"\nvalue = 0.8', "mean_width"),
        ('quantity = "mean_width"', "needs a value"),
        ('quantity = "mean_width"\nvalue = 0.8\nside = "head"', "head_side"),
        ('quantity = "mean_width"\nvalue = 0.8\nagainst_window = "fine"', "as expected"),
    ],
)
def test_a_faulty_reading_is_told(entry: str, words: str) -> None:
    with pytest.raises(BadCaseFile, match=words):
        parse_case_file(f'[[scan]]\npath = "w08"\n[[scan.reader]]\nid = "r1"\n{entry}\n', Path("/case"))


def test_ends_set_by_hand_are_held_and_depths_move_with_the_head() -> None:
    screw = build.make_screw(state="interrupted")
    axis = (screw.tip_mm - screw.head_mm) / np.linalg.norm(screw.tip_mm - screw.head_mm)
    head = tuple(float(v) for v in screw.head_mm + 2.0 * axis)
    moved, (note,) = corrected_screw(screw, ScrewCorrection(head_mm=head))
    np.testing.assert_allclose(moved.head_mm, head)
    np.testing.assert_array_equal(moved.tip_mm, screw.tip_mm)
    assert moved.length_mm.value == pytest.approx(screw.length_mm.value - 2.0)
    assert moved.integrity.at_depth_mm == pytest.approx(screw.integrity.at_depth_mm - 2.0)
    assert (note.code, note.level) == ("ends-by-hand", Level.NOTE)
    assert "head end 2.0 mm" in note.text
    assert math.isnan(moved.axis_u_deg) or moved.axis_u_deg == screw.axis_u_deg


def test_what_is_not_corrected_stays_as_found() -> None:
    screw = build.make_screw()
    assert corrected_screw(screw, ScrewCorrection()) == (screw, ())


def test_ends_on_one_another_are_refused() -> None:
    screw = build.make_screw()
    near = tuple(float(v) for v in screw.tip_mm + 1.0)
    with pytest.raises(Refused, match="ends-too-near"):
        corrected_screw(screw, ScrewCorrection(head_mm=near))


def test_a_correction_of_no_screw_is_told() -> None:
    (told,) = unused_corrections(["left.tip_mm", "right.tip_mm", "right.defect", "a.remark"], ["left"])
    assert "right" in told.text
    assert told.level is Level.CAUTION


def test_a_patch_runs_over_zero_and_all_round() -> None:
    over_zero = Patch((0.0, 10.0), (337.5, 22.5))
    assert over_zero.holds([5.0] * 5, [337.5, 359.0, 0.0, 22.5, 23.0]).tolist() == [True] * 4 + [False]
    all_round = Patch((0.0, 10.0), (0.0, 360.0))
    assert all_round.holds(5.0, np.arange(0.0, 360.0, 7.0)).all()
    assert not all_round.holds(10.1, 0.0)


# ---- the file ----


def test_entries_are_added_and_everything_else_stays() -> None:
    text = add_entries(
        CASE,
        "w08",
        [
            Correction(
                what="left.head_mm",
                from_=[1.0, 2.0, 3.0],
                to=[1.23456, 2.0, 3.0],
                author="reader-1",
                time=NOW,
                remark="washer",
            ),
            Correction(what="left.left_out", to=[SECTOR], author="reader-1", time=NOW),
        ],
        [
            ReaderEntry(
                id="reader-1", time=NOW, quantity="mean_width", side="head_side", value=0.8, blind=True
            )
        ],
    )
    added = [line for line in text.splitlines() if line not in CASE.splitlines()]
    assert [line for line in CASE.splitlines() if line not in text.splitlines()] == []
    assert "to = [1.235, 2.0, 3.0]" in added
    assert "to = [{depth_mm = [0.0, 14.0], angle_deg = [337.5, 22.5]}]" in added
    first, second = parse_case_file(text, Path("/case")).scan
    assert (first.correction[0].author, first.correction[0].time) == ("reader-1", NOW.replace(microsecond=0))
    assert first.correction[0].remark == "washer"
    assert first.corrected["left"].head_mm == (1.235, 2.0, 3.0)
    assert first.corrected["left"].left_out == (Patch((0.0, 14.0), (337.5, 22.5)),)
    assert first.reader[0].blind
    assert second.correction == ()
    # the tables that follow the scan stay where they were
    assert tomllib.loads(text)["scan"][1]["id"] == "w12"


@pytest.mark.parametrize(
    "case",
    [
        'scan = [{path = "w04"}, {path = "w08"}]\n',
        '[[scan]]\npath = "w08"\ncorrection = [{what = "left.tip_mm", to = [1.0, 1.0, 1.0]}]\n',
    ],
)
def test_entries_are_added_where_tables_stand_in_braces(case: str) -> None:
    correction = Correction(what="left.head_mm", to=[1.5, 2.0, 3.0])
    reader = ReaderEntry(id="r1", quantity="mean_width", side="head_side", value=0.0)
    text = case
    for _ in range(2):
        text = add_entries(text, "w08", [correction], [reader])
    scan = next(one for one in parse_case_file(text, Path("/case")).scan if one.name == "w08")
    assert [one.what for one in scan.correction][-2:] == ["left.head_mm"] * 2
    assert [one.value for one in scan.reader] == [0.0, 0.0]


def test_later_entries_follow_the_earlier_ones() -> None:
    once = add_entries(CASE, "w12", [Correction(what="left.tip_mm", to=[1, 1, 1])])
    twice = add_entries(once, "w12", [Correction(what="left.tip_mm", from_=[1, 1, 1])])
    scan = parse_case_file(twice, Path("/case")).scan[1]
    assert [entry.to for entry in scan.correction] == [[1, 1, 1], None]
    assert scan.corrected == {}


def test_an_unknown_scan_is_an_error() -> None:
    with pytest.raises(KeyError, match="w99"):
        add_entries(CASE, "w99")


def test_a_scan_without_id_goes_by_the_name_of_its_path() -> None:
    text = add_entries('[[scan]]\npath = "in/w08.nii.gz"\n', "w08", [Correction(what="remark", remark="a")])
    assert parse_case_file(text, Path("/case")).scan[0].correction[0].remark == "a"


def test_a_new_case_file_can_be_read_and_filled_in() -> None:
    case = parse_case_file(new_case_text(Path("in/w08"), 8.0, "L5"), Path("/case"))
    assert (case.scan[0].path, case.scan[0].weeks_since_surgery) == (Path("/case/in/w08"), 8.0)
    assert case.patient.site == "L5"
    bare = new_case_text(Path("a b's"))
    assert parse_case_file(bare, Path("/case")).scan[0].weeks_since_surgery is None
    filled = "\n".join(line.removeprefix("# ") for line in bare.splitlines()[1:] if "What is" not in line)
    assert parse_case_file(filled, Path("/case")).implant[0].major_diameter_mm == 4.0


def test_what_is_no_case_file_is_not_written(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    write_case_text(file, CASE)
    with pytest.raises(BadCaseFile):
        write_case_text(file, CASE + "[nonsense]\n")
    assert file.read_text() == CASE


@given(st.text(max_size=60), st.lists(st.floats(-500, 500), min_size=3, max_size=3))
def test_any_remark_and_any_place_survive_the_file(remark: str, to: list[float]) -> None:
    correction = Correction(what="left.tip_mm", to=to, remark=remark, author="r")
    scan = parse_case_file(add_entries(CASE, "w08", [correction]), Path("/case")).scan[0]
    assert scan.correction[0].remark == remark
    assert scan.correction[0].to == pytest.approx(to, abs=5e-4)
