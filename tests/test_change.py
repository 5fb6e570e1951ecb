"""Two readings of one screw: same bone under both frames, planes carried over, protocols told apart."""

from __future__ import annotations

import math
from dataclasses import replace

import build_reading as build
import numpy as np
import pytest

from ongrowth.change import (
    carried_defect,
    changes_between,
    motion_records,
    overlays,
    placement,
    protocol_differences,
)
from ongrowth.change.difference import Placement
from ongrowth.defect import Side
from ongrowth.findings import judge_changes, line_of, shipped_windows
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.quantity import Caution
from ongrowth.reading import Against, ImplantReading, ScanFacts

LIES = RigidTransform.from_rotation_vector([0.12, -0.2, 0.16], [4.0, -7.0, 11.0])
THEN = build.make_frame()
NOW = ScrewFrame.of(LIES.inverse().apply(THEN.origin_mm), LIES.inverse().apply(THEN.tip_mm))
LYING_ANEW = build.make_motion(0.0, earlier_from_later=LIES)


def test_the_same_bone_is_found_under_both_frames() -> None:
    """A place on the bone, told in the earlier frame, must be met again through turn and slide."""
    placed = placement(LYING_ANEW, THEN, NOW)
    bone = THEN.world(3.0, 70.0, 21.0)
    _, angle, depth = NOW.cylindrical(LIES.inverse().apply(bone))
    assert float(angle) == pytest.approx((70.0 + placed.turn_deg) % 360.0, abs=1e-6)
    assert float(depth) == pytest.approx(21.0 + placed.slide_mm, abs=1e-6)


def test_a_screw_that_backs_out_slides_along_its_bone() -> None:
    moved_mm = 0.8
    back = NOW.axis_direction * -moved_mm
    placed = placement(LYING_ANEW, THEN, ScrewFrame.of(NOW.origin_mm + back, NOW.tip_mm + back))
    assert placed.slide_mm == pytest.approx(moved_mm)


def test_without_bone_nothing_is_turned() -> None:
    lost = replace(LYING_ANEW, head_side=None, tip_side=None)
    assert placement(lost, THEN, NOW) == Placement()
    assert carried_defect(build.make_defect(), lost, NOW) is None


def test_a_plane_is_carried_by_the_bone() -> None:
    defect = build.make_defect()
    carried = carried_defect(defect, LYING_ANEW, NOW)
    assert carried is not None
    assert carried.how == "carried"
    assert LIES.apply(carried.plane.point_mm) == pytest.approx(defect.plane.point_mm, abs=1e-9)
    assert LIES.turn(carried.plane.normal) == pytest.approx(defect.plane.normal, abs=1e-9)
    assert carried.u_offset_mm > defect.u_offset_mm


def test_a_plane_that_misses_the_screw_is_not_carried() -> None:
    away = NOW.axis_direction * 60.0
    assert (
        carried_defect(
            build.make_defect(), LYING_ANEW, ScrewFrame.of(NOW.origin_mm + away, NOW.tip_mm + away)
        )
        is None
    )


def test_one_protocol_and_another() -> None:
    facts = ScanFacts("a", kernel="sharp", kvp=120.0, slice_thickness_mm=0.6, voxel_mm=(0.35, 0.35, 0.6))
    assert protocol_differences(facts, replace(facts, id="b", voxel_mm=(0.36, 0.36, 0.6))) == ()
    other = replace(facts, kernel="soft", kvp=100.0, slice_thickness_mm=1.25)
    assert protocol_differences(facts, other) == (
        "kernel soft instead of sharp",
        "100 kVp instead of 120 kVp",
        "slices of 1.25 mm instead of 0.60 mm",
    )
    assert protocol_differences(replace(facts, kernel="", kvp=math.nan), facts) == ()


def test_changes_of_sides_and_defect_are_told_with_their_state() -> None:
    one = build.make_implant(build.make_side(0.9), build.make_side(0.5), bridge=build.make_bridge(0.0))
    two = build.make_implant(build.make_side(0.4), build.make_side(0.52), bridge=build.make_bridge(0.4))
    records, change = changes_between(one, two, ("w04", "w26"), Placement(), is_same_protocol=False)
    states = {(r.side, r.quantity): r.state for r in records}
    assert states["head_side", "mean_width"] == "shrunk"
    assert states["tip_side", "mean_width"] == "not shown to have changed"
    assert states["defect", "bridged_fraction"] == "grown"
    assert states["screw", "tip_to_cortex_mm"] == "not shown to have changed"
    told = next(r.value for r in records if r.side == "head_side")
    assert told.value == pytest.approx(-0.5, abs=0.02)
    assert told.cautions & Caution.PROTOCOL_CHANGED
    assert np.nanmean(change.change_mm[:14]) == pytest.approx(-0.5, abs=0.02)


def test_without_a_defect_bridging_is_not_measurable() -> None:
    side = build.make_side(0.5)
    records, _ = changes_between(
        build.make_implant(side, side),
        build.make_implant(side, side),
        ("a", "b"),
        Placement(),
        is_same_protocol=True,
    )
    assert {r.state for r in records if r.side == "defect"} == {"not measurable"}


def test_a_halo_that_no_defect_parts_grows_as_a_whole_and_the_answer_says_so() -> None:
    def undivided(width_mm: float) -> ImplantReading:
        one, none = (
            build.make_implant(*2 * (build.make_side(width_mm),)),
            build.missing_side(Caution.NO_DEFECT),
        )
        side = np.where(one.halo.map.side == Side.TIP, Side.HEAD, one.halo.map.side)
        grid, whole = replace(one.halo.map, side=side), one.halo.head_side
        return replace(one, halo=replace(one.halo, map=grid, head_side=none, tip_side=none, whole=whole))

    scans, weeks = ("w12", "w26"), 26.0
    one, two = undivided(0.3), undivided(0.9)
    changes, _ = changes_between(one, two, scans, Placement(), is_same_protocol=True)
    assert [(c.side, c.state) for c in changes if c.quantity == "mean_width"] == [("whole", "grown")]
    last = build.make_reading(two, weeks=weeks)
    findings = (*last.findings, *judge_changes(changes, weeks, shipped_windows(), "ha-coated"))
    line = line_of("whole", two.id, findings)
    assert line is not None
    assert line.result is Against.OUTSIDE
    assert line.deciding.quantity == "width_growth"
    hidden = replace(two, halo=replace(two.halo, whole=build.missing_side()))
    changes, _ = changes_between(one, hidden, scans, Placement(), is_same_protocol=True)
    # as the answer has it: it has no line for a whole shaft that was not measured
    assert [(c.side, c.state) for c in changes if c.quantity == "mean_width"] == [
        ("head_side", "not measurable"),
        ("tip_side", "not measurable"),
    ]


def test_motions_keep_their_numbers() -> None:
    moved = build.make_motion(0.5)
    records = motion_records("left", ("w04", "w26"), moved)
    assert [(r.body, r.relative_to, r.state) for r in records] == [
        ("screw", "head side", "moved"),
        ("screw", "tip side", "moved"),
        ("tip side", "head side", "not shown to have moved"),
    ]
    assert records[0].max_total_point_motion is moved.screw_in_head_side.max_total_point_motion


def test_each_body_held_still_lays_itself_on_itself() -> None:
    """The later scan is the earlier one: held by what has not moved, both cuts are the same picture."""
    scan = build.make_scan(step_mm=0.8)
    laid = overlays(scan, scan, THEN, build.make_motion(1.5), "left", ("a", "b"))
    assert [one.held for one in laid] == ["screw", "head side", "tip side"]
    apart = {one.held: float(np.abs(one.now.hu.astype(float) - one.then.hu).mean()) for one in laid}
    assert apart["head side"] == 0.0
    assert apart["screw"] > 5.0
