"""A followed case: kept where nothing has changed, stored whole, told on page and note."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import build_reading as build
import numpy as np
import pytest

from ongrowth.quantity import Measured, Unit
from ongrowth.reading import Case, read_case, write_case, write_reading
from ongrowth.reports.note import render_note
from ongrowth.reports.table import ChangeRow, change_rows, render_csv


@pytest.fixture(scope="module")
def case() -> Case:
    return build.make_case(build.make_scan(step_mm=0.6))


@pytest.fixture(scope="module")
def page(case: Case) -> str:
    return build.plain_page(case)


def test_a_case_is_stored_with_its_pictures_of_change(case: Case, tmp_path: Path) -> None:
    for reading in case.readings:
        write_reading(reading, tmp_path / reading.scan.id, is_followed=True)
    write_case(case, tmp_path)
    back = read_case(tmp_path)
    assert repr(back.motions) == repr(case.motions)  # to the bit; NaN equals nothing
    assert repr(back.changes) == repr(case.changes)
    told = [(f.quantity, f.why, f.state, f.from_scan, f.relative_to) for f in case.findings]
    assert [(f.quantity, f.why, f.state, f.from_scan, f.relative_to) for f in back.findings] == told
    assert [(o.from_scan, o.held) for o in back.overlays] == [(o.from_scan, o.held) for o in case.overlays]
    assert np.array_equal(back.overlays[1].now.hu, case.overlays[1].now.hu)
    assert back.overlays[1].then.edge_words == case.overlays[1].then.edge_words
    for one, two in zip(back.change_maps, case.change_maps, strict=True):
        assert (one.from_scan, one.to_scan) == (two.from_scan, two.to_scan)
        assert np.array_equal(one.change_mm, two.change_mm, equal_nan=True)
    pictures = re.compile(r"<svg.*?</svg>", re.DOTALL)
    assert pictures.sub("", build.plain_page(back)) == pictures.sub("", build.plain_page(case))


def test_the_page_tells_the_change_beside_each_line(page: str) -> None:
    for words in (
        "Since week 4: narrower by 0.60 mm (0.46 to 0.74 mm)",
        "Since week 12: wider by 0.50 mm (0.36 to 0.64 mm)",
        "Since week 4: no change of width shown (-0.04 to 0.24 mm)",
        "bridged share up by 40 (29 to 48) percentage points; new bone in the defect 120 mm³",
        "screw moved toward its head (backing out) by 0.50 mm (0.46 to 0.54 mm) against the lamina side and",
        "fragments not shown to have moved (within 0.04 mm)",
        "position (screw moved) and halo on the pedicle side (screw tip) outside what is expected",
    ):
        assert words in page, words
    assert "there is no earlier CT" not in page


def test_new_bone_below_what_can_be_told_does_not_contradict_a_share_that_grew(case: Case) -> None:
    little = Measured.of(14.0, 12.0, Unit.MM3, floor=0.0)
    bone = tuple(replace(b, in_defect=little, around_defect=little, elsewhere=()) for b in case.new_bone)
    told = " ".join(render_note(replace(case, new_bone=bone)).split())
    assert "percentage points; volume of new bone in the defect below 38 mm³." in told


def test_the_page_shows_then_and_now_in_both_frames(page: str) -> None:
    assert "Grey: week 26. Yellow: outlines at week 4. Held still: the screw" in page
    assert "Held still: the lamina side (screw head)" in page
    assert "Change since week 4" in page
    assert len(page.encode()) < 1_000_000


def test_the_note_compares(case: Case) -> None:
    told = " ".join(render_note(case).split())
    side = told[told.index("- Halo, lamina side (screw head):") : told.index("- Halo, pedicle side")]
    assert "Since week 4: narrower by 0.60 mm" in side
    assert "Since week 12: narrower by 0.20 mm (0.06 to 0.34 mm)." in side
    assert "head side" not in told.partition("Not a medical device")[0].replace("(screw head)", "")
    plain = " ".join(render_note(case, plain=True).split())
    assert "It is wider than on older pictures. This is not usual at this time." in plain
    assert "The screw does not lie just where it lay on the older pictures." in plain


def test_nothing_moved_is_told_as_a_bound() -> None:
    told = build.plain_page(build.make_case(moved_mm=0.0))
    assert "screw not shown to have moved (within 0.04 mm); fragments not shown to have moved" in told
    assert "metal and position" in told


def test_the_table_of_changes_holds_every_comparison(case: Case) -> None:
    rows = change_rows(case)
    assert {(r.from_scan, r.to_scan) for r in rows} == {("w04", "w26"), ("w12", "w26")}
    table = list(csv.DictReader(render_csv(rows, ChangeRow).splitlines()))
    assert len(table) == len(rows)
    width = next(r for r in table if r["part"] == "head_side" and r["from_scan"] == "w04")
    assert (width["quantity"], width["state"], width["from_weeks"]) == ("mean_width", "shrunk", "4.0")
    assert float(width["value"]) == pytest.approx(-0.6, abs=0.01)
    far = next(r for r in table if r["quantity"] == "max_total_point_motion")
    assert (far["part"], far["relative_to"], far["state"]) == ("screw", "head side", "moved")
    assert {r["part"] for r in table if r["quantity"] == "new_bone"} == {
        "in_defect",
        "around_defect",
        "toward the canal",
    }
