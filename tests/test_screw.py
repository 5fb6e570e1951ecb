"""Screws, rods and wires that were drawn are found again."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from draw_metal import BLUR_MM, METAL_HU, Part, draw, pair_scan, plain_scan, rod, screw
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from ongrowth.geometry import Line, unit
from ongrowth.quantity import Caution
from ongrowth.scan import Acquisition, Level, Refused, Scan
from ongrowth.screw import (
    Metalwork,
    Screw,
    ScrewSpec,
    find_metal,
    find_screws,
    metal_mask,
    metal_threshold_hu,
)
from ongrowth.screw.canal import canal_x_mm
from ongrowth.screw.course import Course
from ongrowth.screw.kind import Kind
from ongrowth.screw.match import match_specs
from ongrowth.screw.metal import metal_voxels, pieces
from ongrowth.screw.section import Section
from ongrowth.screw.segment import segments_of
from ongrowth.screw.sharpen import sharpened


def only(work: Metalwork) -> Screw:
    assert len(work.screws) == 1
    return work.screws[0]


def codes(work: Metalwork) -> set[str]:
    return {problem.code for problem in work.problems}


@pytest.mark.parametrize("ceiling_hu", [np.nan, 3071.0])
@pytest.mark.parametrize("axis", [(0.3, -0.5, 0.8), (0.9, -0.4, 0.05), (0.05, 0.05, 1.0)])
def test_axis_and_ends_without_any_hint(axis: tuple[float, float, float], ceiling_hu: float) -> None:
    axis = unit(axis)
    head = -16.0 * axis + np.array([0.13, 0.21, 0.07])
    found = only(find_screws(draw(screw(head, axis), size_mm=(54.0, 36.0, 54.0), ceiling_hu=ceiling_hu)))
    seen = unit(found.tip_mm - found.head_mm)
    assert np.degrees(np.arccos(min(seen @ axis, 1.0))) < 0.2
    for point, truth in ((found.head_mm, head), (found.tip_mm, head + 34.0 * axis)):
        along = (point - truth) @ axis
        assert abs(along) < 0.5
        assert np.linalg.norm(point - truth - along * axis) < 0.1
    assert found.length_mm.low95 < 34.0 < found.length_mm.high95
    assert found.integrity.state == "no interruption shown"
    assert found.integrity.smallest_shown_mm < (1.2 if np.isfinite(ceiling_hu) else 0.5)
    assert (Caution.METAL_CLIPPED in found.cautions) == np.isfinite(ceiling_hu)
    assert (Caution.SCREW_IN_SLICE_PLANE in found.cautions) == (axis[2] < 0.1)


def test_three_millimetre_slices_give_the_axis_still() -> None:
    axis = unit((0.3, -0.5, 0.8))
    found = only(find_screws(draw(screw(-16.0 * axis, axis), size_mm=(36.0, 36.0, 54.0), slices_per_slice=5)))
    seen = unit(found.tip_mm - found.head_mm)
    assert np.degrees(np.arccos(min(seen @ axis, 1.0))) < 0.2
    assert np.linalg.norm(np.cross(found.head_mm, axis)) < 0.1


def dense_above(axis: NDArray[np.float64], bone_hu: tuple[float, float]) -> NDArray[np.float64]:
    """Bone of two levels, the denser one above the tip half of a lying screw, in the shape of `draw`."""
    size, step = np.array([36.0, 36.0, 54.0]), np.array([0.6, 0.4, 0.4])
    shape = tuple(int(n) for n in np.round(size / step))
    z, y, x = np.meshgrid(
        *((np.arange(n) - (n - 1) / 2) * s for n, s in zip(shape, step, strict=True)), indexing="ij"
    )
    above = ndtr((z - (x * axis[0] + y * axis[1]) * axis[2]) / BLUR_MM)
    return bone_hu[0] + (bone_hu[1] - bone_hu[0]) * above * ndtr((x * axis[0] + y * axis[1]) / BLUR_MM)


def test_bone_on_one_side_does_not_turn_a_lying_screw_whose_core_is_cut_off() -> None:
    axis = unit((0.9, -0.4, 0.06))
    bone = dense_above(axis, (150.0, 1100.0))
    scan = draw(screw(-16.0 * axis, axis), size_mm=(54.0, 36.0, 36.0), ceiling_hu=3071.0, bone_hu=bone)
    found = only(find_screws(scan))
    seen = unit(found.tip_mm - found.head_mm)
    assert np.degrees(np.arccos(min(seen @ axis, 1.0))) < 0.2
    assert np.linalg.norm(np.cross(found.head_mm, axis)) < 0.1
    assert np.linalg.norm(np.cross(found.tip_mm, axis)) < 0.1


@pytest.mark.parametrize(("aside_mm", "stays"), [(0.3, False), (1.2, True)])
def test_a_course_is_moved_to_its_shaft_but_not_far(aside_mm: float, stays: bool) -> None:
    section = Section(1.8, 0.02, 0.0, 0.0, BLUR_MM, BLUR_MM, 0.0, METAL_HU + 200.0, 50.0)
    course = Course(Line(np.array([aside_mm, 0.0, -16.0]), np.array([0.0, 0.0, 1.0])))
    found = sharpened(plain_scan(), course, section, (3.0, 27.0), np.nan)
    assert (found is course) == stays
    if not stays:
        assert np.hypot(*found.points_mm(15.0)[:2]) < 0.02


def test_the_diameter_of_a_smooth_rod_comes_through_blur_and_ceiling() -> None:
    for ceiling_hu in (np.nan, 3071.0):
        scan = draw(
            screw((0, 0, -16), (0.1, 0.2, 1.0)) + rod((10, -10, -18), (10, 10, 18), 1.5),
            ceiling_hu=ceiling_hu,
        )
        (other,) = find_screws(scan).other
        assert other.kind == "rod"
        assert other.diameter_mm.value == pytest.approx(3.0, abs=0.15)


def test_without_a_head_the_thin_end_is_the_tip() -> None:
    work = find_screws(draw(screw((0, -16, -4), (0.1, 1.0, 0.2), head_radius=0.0)))
    assert only(work).tip_mm[1] > only(work).head_mm[1]
    assert "head-assumed" not in codes(work)


def test_two_blunt_ends_leave_the_head_to_a_convention_that_is_told() -> None:
    spec = ScrewSpec(id="a", head_mm=(0.0, 15.0, -2.0), tip_mm=(0.0, -15.0, 2.0))
    pin = rod((0, -15, 2), (0, 15, -2), 1.6)
    with pytest.raises(Refused, match="no-screw"):
        find_screws(draw(pin))
    pointed = find_screws(draw(pin), [spec])
    assert only(pointed).head_mm[1] > 0.0
    headed = [*pin, ((0, -17, 2.27), (0, -15, 2.0), 3.0, 3.0), ((0, 15, -2.0), (0, 17, -2.27), 3.0, 3.0)]
    work = find_screws(draw(headed))
    assert "head-assumed" in codes(work)
    assert only(work).head_mm[1] > only(work).tip_mm[1]  # the end at the back


def test_two_screws_tell_each_others_side() -> None:
    found = {s.side: s for s in find_screws(pair_scan()).screws}
    assert set(found) == {"left", "right"}
    assert found["left"].head_mm[0] > 0.0  # LPS: x grows to the patient's left
    assert {s.id for s in found.values()} == {"left", "right"}


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_the_order_of_screws_is_the_patients_not_that_of_the_voxels(axis: int) -> None:
    scan = pair_scan()
    turned = np.eye(4)
    turned[axis, axis], turned[axis, 3] = -1.0, scan.hu.shape[axis] - 1
    other_way = dataclasses.replace(
        scan, hu=np.flip(scan.hu, axis).copy(), world_from_voxel=scan.world_from_voxel @ turned
    )
    for one in (scan, other_way):
        assert [s.side for s in find_screws(one).screws] == ["left", "right"]
        assert [s.side for s in find_screws(one, [ScrewSpec(major_diameter_mm=4.0)]).screws] == [
            "left",
            "right",
        ]


def test_parallel_screws_in_one_bone_tell_no_side() -> None:
    parallel = screw((-8, 12, -12), (0.5, -0.6, 0.6), 26.0) + screw((4, 12, -12), (0.5, -0.6, 0.6), 26.0)
    found = find_screws(draw(parallel, size_mm=(46.0, 40.0, 42.0))).screws
    assert [s.side for s in found] == ["not established"] * 2


def test_the_canal_tells_the_side_of_a_single_screw() -> None:
    found = only(
        find_screws(with_ring(draw(screw((14, 12, -12), (0.1, -0.6, 0.7), 30.0), size_mm=(60.0, 60.0, 44.0))))
    )
    assert found.side == "left"


def with_ring(scan: Scan, at_x_mm: float = -4.0) -> Scan:
    """Add a ring of bone with soft tissue inside: a canal of 18 mm."""
    hu = scan.hu.astype(np.float64)
    world = scan.world_mm(np.moveaxis(np.indices(hu.shape), 0, -1))
    away = np.hypot(world[..., 0] - at_x_mm, world[..., 1])
    hu[(away < 9.0) & (hu < 2000.0)] = 40.0
    hu[(away >= 9.0) & (away < 13.0) & (hu < 2000.0)] = 700.0
    return Scan(hu.astype(np.int16), scan.world_from_voxel, hu_ceiling=scan.hu_ceiling)


def test_canal_is_found_where_it_is_and_only_there() -> None:
    plain = draw([], size_mm=(60.0, 60.0, 30.0), bone_hu=60.0)
    assert canal_x_mm(with_ring(plain), (10.0, 0.0, 0.0)) == pytest.approx(-4.0, abs=1.0)
    assert np.isnan(canal_x_mm(plain, (10.0, 0.0, 0.0)))
    assert np.isnan(canal_x_mm(with_ring(plain), (900.0, 0.0, 0.0)))


def test_a_side_that_disagrees_is_refused() -> None:
    scan = pair_scan()
    both_left = [ScrewSpec(id="a", side="left"), ScrewSpec(id="b", side="left")]
    with pytest.raises(Refused) as raised:
        find_screws(scan, both_left)
    assert raised.value.problems[0].code == "side-mismatch"
    wrong = ScrewSpec(id="a", side="right", head_mm=(8.0, 12.0, -12.0), tip_mm=(14.5, -6.0, 10.3))
    with pytest.raises(Refused, match="side-mismatch"):
        find_screws(scan, [wrong])


@dataclasses.dataclass
class Bar:
    """As much of a shaft as matching looks at."""

    length_mm: float = 40.0

    def outer_diameter_mm(self, _: float) -> float:
        return 4.0


@pytest.mark.parametrize(
    ("specs", "names"),
    [
        ([], ["left", "screw-2", "right", "screw-4"]),
        ([ScrewSpec(major_diameter_mm=4.0)] * 4, ["left", "screw-2", "right", "screw-4"]),
        ([ScrewSpec(id="right", side="right")], ["right", "left", "screw-2", "screw-4"]),
        ([ScrewSpec(id="screw-2", side="right")], ["screw-2", "left", "screw-3", "right"]),
    ],
)
def test_no_two_screws_of_a_scan_have_one_name(specs: list[ScrewSpec], names: list[str]) -> None:
    """Two levels, each with a screw on both sides: what is known of all of them names none."""
    sides = ["left", "left", "right", "right"]
    shafts: list[Any] = [Bar() for _ in sides]
    matches, _ = match_specs(shafts, sides, specs)
    assert [match.id for match in matches] == names
    assert sorted(match.shaft for match in matches) == [0, 1, 2, 3]
    assert all(match.side == sides[match.shaft] for match in matches)


def test_specs_find_their_screws_by_side() -> None:
    specs = [ScrewSpec(id="r", side="right", major_diameter_mm=4.0), ScrewSpec(id="l", side="left")]
    right, left = find_screws(pair_scan(), specs).screws
    assert (right.id, left.id) == ("r", "l")
    assert right.head_mm[0] < 0.0 < left.head_mm[0]
    assert (right.diameter_source, left.diameter_source) == ("given", "estimated")


def test_the_size_stated_of_one_screw_is_not_lent_to_another() -> None:
    for stated_mm in (3.2, 6.0):
        work = find_screws(pair_scan(), [ScrewSpec(id="mine", side="left", major_diameter_mm=stated_mm)])
        mine, other = work.screws
        alone = next(s for s in find_screws(pair_scan()).screws if s.side == other.side)
        assert mine.major_diameter_mm.value == stated_mm
        assert other.diameter_source == "estimated"
        assert other.major_diameter_mm.value == pytest.approx(alone.major_diameter_mm.value, abs=0.1)


def test_a_screw_beyond_the_specs_is_returned_too() -> None:
    work = find_screws(pair_scan(), [ScrewSpec(id="mine", side="left")])
    assert [s.id for s in work.screws] == ["mine", "right"]


@pytest.mark.parametrize(("side", "right"), [("", "given"), ("left", "estimated")])
def test_one_nameless_spec_stands_for_every_screw_or_for_that_of_its_side(side: str, right: str) -> None:
    work = find_screws(pair_scan(), [ScrewSpec(side=side, major_diameter_mm=4.1)])
    assert {s.side: s.diameter_source for s in work.screws} == {"left": "given", "right": right}


def test_a_screw_of_the_case_that_is_not_there_is_told() -> None:
    scan = plain_scan()
    work = find_screws(scan, [ScrewSpec(id="a"), ScrewSpec(id="b")])
    assert [s.id for s in work.screws] == ["a"]
    assert codes(work) == {"screw-not-found"}


def test_a_stated_side_that_the_scan_cannot_show_is_kept_and_told() -> None:
    work = find_screws(plain_scan(), [ScrewSpec(id="a", side="left")])
    assert only(work).side == "left"
    assert codes(work) == {"side-not-shown"}


def test_a_stated_length_moves_the_ends_only_as_far_as_they_are_unsure() -> None:
    scan = plain_scan()
    free = only(find_screws(scan))
    told = only(find_screws(scan, [ScrewSpec(id="a", length_mm=34.0)]))
    assert abs(told.length_mm.value - 34.0) <= abs(free.length_mm.value - 34.0)
    assert told.length_mm.u < free.length_mm.u
    wrong = find_screws(scan, [ScrewSpec(id="a", length_mm=40.0)])
    assert only(wrong).length_mm.value == pytest.approx(free.length_mm.value, abs=0.01)
    assert "length-differs" in codes(wrong)


@pytest.mark.parametrize("ceiling_hu", [np.nan, 3071.0])
def test_a_stated_diameter_far_from_the_image_is_told(ceiling_hu: float) -> None:
    """Also where the core is cut off: there blur and core level would give way to any radius stated."""
    scan = draw(screw((0, 0, -16), (0, 0, 1)), ceiling_hu=ceiling_hu)
    told = [find_screws(scan, [ScrewSpec(id="a", major_diameter_mm=d)]) for d in (2.6, 4.2, 5.5, 6.5)]
    assert ["diameter-differs" in codes(one) for one in told] == [True, False, True, True]
    assert [Caution.DIAMETER_DOUBTFUL in only(one).cautions for one in told] == [True, False, True, True]


def test_points_of_a_reader_are_refined() -> None:
    spec = ScrewSpec(id="a", head_mm=(1.5, -1.0, -15.0), tip_mm=(-1.0, 1.5, 17.0))
    work = find_screws(plain_scan(), [spec])
    assert np.linalg.norm(only(work).head_mm[:2]) < 0.1
    assert not codes(work)


def test_points_turn_a_screw_round_and_that_the_scan_shows_otherwise_is_told() -> None:
    spec = ScrewSpec(id="a", head_mm=(0.0, 0.0, 18.0), tip_mm=(0.0, 0.0, -16.0))
    work = find_screws(plain_scan(), [spec])
    assert only(work).head_mm[2] > only(work).tip_mm[2]
    assert codes(work) == {"points-turned"}


def test_points_that_the_scan_leads_away_from_are_kept_and_told() -> None:
    spec = ScrewSpec(id="a", head_mm=(0.0, 0.0, -14.0), tip_mm=(0.0, 0.0, 6.0))
    work = find_screws(plain_scan(), [spec])
    assert only(work).tip_mm == pytest.approx((0.0, 0.0, 6.0))
    assert "points-not-refined" in codes(work)
    assert Caution.POOR_FIT in only(work).cautions


def test_points_off_the_metal_are_told() -> None:
    spec = ScrewSpec(id="a", head_mm=(12.0, 12.0, -14.0), tip_mm=(12.0, 12.0, 12.0))
    work = find_screws(plain_scan(), [spec])
    assert "points-off-metal" in codes(work)


@pytest.mark.parametrize(
    ("parts", "code"),
    [
        ([], "no-metal"),
        (rod((0, -16, 5), (0, 16, 5)), "no-screw"),
        (screw((0, 0, -10), (0, 0, 1), length=60.0), "screw-cut-off"),
        (rod((0, 0, -40), (0, 0, 40)), "screw-cut-off"),  # neither head nor tip shows
    ],
)
def test_scans_without_a_whole_screw_are_refused(parts: list[Part], code: str) -> None:
    with pytest.raises(Refused) as raised:
        find_screws(draw(parts))
    problem = raised.value.problems[0]
    assert (problem.code, problem.level) == (code, Level.REFUSE)
    assert problem.advice


def test_points_off_the_only_metal_are_what_is_refused() -> None:
    spec = ScrewSpec(id="a", head_mm=(12.0, 12.0, -14.0), tip_mm=(12.0, 12.0, 12.0))
    with pytest.raises(Refused, match="points-off-metal"):
        find_screws(draw(rod((0, -16, 5), (0, 16, 5))), [spec])


def test_a_screw_that_leaves_the_scan_is_left_out_beside_a_whole_one() -> None:
    parts = screw((-6, 0, -16), (0, 0, 1), 30.0) + screw((9, 0, -10), (0, 0, 1), 60.0)
    work = find_screws(draw(parts))
    assert only(work).head_mm[0] == pytest.approx(-6.0, abs=0.1)
    assert codes(work) == {"screw-cut-off"}


def test_numbers_that_are_no_ct_numbers_are_refused() -> None:
    hu = np.full((60, 120, 120), 5000, dtype=np.int16)
    with pytest.raises(Refused, match="metal-implausible"):
        find_screws(Scan(hu, np.diag([1.0, 1.0, 1.0, 1.0])))


@pytest.mark.parametrize("specs", [(), (ScrewSpec(major_diameter_mm=4.0, root_diameter_mm=3.2),)])
def test_rod_wire_and_piece_are_named_and_placed(specs: tuple[ScrewSpec, ...]) -> None:
    """What is stated of the screw says nothing of the metal beside it."""
    parts = [
        *screw((-6, 0, -16), (0, 0, 1)),
        *rod((12, -16, -4), (12, 16, 4)),
        *rod((2, 12, -14), (8, 14, 10), 0.5),
        *rod((3, -13, 2), (5, -11, 5), 0.7),
    ]
    other = {o.kind: o for o in find_screws(draw(parts), specs).other}
    assert set(other) == {"rod", "wire", "piece"}
    assert other["rod"].diameter_mm.value == pytest.approx(5.5, abs=0.2)
    assert other["rod"].length_mm.value == pytest.approx(np.hypot(32, 8), abs=0.5)
    assert np.linalg.norm(other["piece"].points_mm.mean(axis=0) - (4, -12, 3.5)) < 0.8
    assert other["wire"].length_mm.value == pytest.approx(np.linalg.norm((6, 2, 24)), abs=1.0)


def test_a_screw_that_touches_a_rod_comes_apart_from_it() -> None:
    parts = screw((0, 0, -14), (0, 0, 1), 30.0) + rod((-16, 2, -15.5), (16, 2, -15.5))
    work = find_screws(draw(parts))
    assert unit(only(work).tip_mm - only(work).head_mm)[2] > np.cos(np.radians(1.0))
    assert [o.kind for o in work.other] == ["rod"]


@pytest.mark.parametrize(("gap_mm", "ceiling_hu"), [(0.5, np.nan), (1.5, np.nan), (1.5, 3071.0)])
def test_a_break_is_seen_placed_and_sized(gap_mm: float, ceiling_hu: float) -> None:
    parts: list[Part] = [
        ((0, 0, -19), (0, 0, -16), 3.2, 3.2),
        ((0, 0, -16), (0, 0, 2 - gap_mm / 2), 1.8, 1.8),
        ((0, 0, 2 + gap_mm / 2), (0, 0, 14), 1.8, 1.8),
        ((0, 0, 14), (0, 0, 18), 1.8, 0.4),
    ]
    found = only(find_screws(draw(parts, ceiling_hu=ceiling_hu))).integrity
    assert found.state == "interrupted"
    assert found.at_depth_mm == pytest.approx(18.0, abs=0.6)
    assert found.interruption_mm.low95 < gap_mm < found.interruption_mm.high95


def test_a_break_in_a_metal_reduced_scan_is_marked() -> None:
    parts = [
        *screw((0, 0, -16), (0, 0, 1))[2:],
        *rod((0, 0, -16), (0, 0, 0), 1.8),
        *rod((0, 0, 2), (0, 0, 17), 1.8),
    ]
    scan = dataclasses.replace(draw(parts), acquisition=Acquisition(is_metal_reduced=True))
    found = only(find_screws(scan)).integrity
    assert found.state == "interrupted"
    assert Caution.PROCESSED_IMAGE in found.interruption_mm.cautions


def test_two_parts_that_lie_apart_are_one_interrupted_screw() -> None:
    parts: list[Part] = [
        ((0, 0, -19), (0, 0, -16), 3.2, 3.2),
        ((0, 0, -16), (0, 0, 0), 1.8, 1.8),
        ((0.8, 0.5, 3), (1.8, 0.5, 14), 1.8, 1.8),
        ((1.8, 0.5, 14), (2.2, 0.5, 18), 1.8, 0.4),
    ]
    found = only(find_screws(draw(parts)))
    assert found.integrity.state == "interrupted"
    assert found.integrity.interruption_mm.value == pytest.approx(3.0, abs=0.8)
    assert np.linalg.norm(found.tip_mm - (2.2, 0.5, 18)) < 0.7
    assert np.linalg.norm(found.head_mm - (0, 0, -16)) < 0.5


def test_a_bend_is_told_from_a_straight_shaft() -> None:
    tilt = np.radians(4.0)
    knee, way = np.array([0.0, 0.0, 1.0]), np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    parts: list[Part] = [
        ((0, 0, -19), (0, 0, -16), 3.2, 3.2),
        ((0, 0, -16), knee, 1.8, 1.8),
        (knee, knee + 13.0 * way, 1.8, 1.8),
        (knee + 13.0 * way, knee + 17.0 * way, 1.8, 0.4),
    ]
    found = only(find_screws(draw(parts)))
    assert found.integrity.state == "bent"
    assert Caution.SCREW_BENT in found.cautions
    assert found.integrity.bend_deg.value == pytest.approx(4.0, abs=0.5)
    assert found.integrity.at_depth_mm == pytest.approx(17.0, abs=2.5)
    assert np.linalg.norm(found.tip_mm - (knee + 17.0 * way)) < 0.5


def test_a_partly_threaded_screw_shows_its_shank() -> None:
    parts: list[Part] = [
        ((0, 0, -19), (0, 0, -16), 3.2, 3.2),
        ((0, 0, -16), (0, 0, 0), 1.5, 1.5),
        ((0, 0, 0), (0, 0, 14), 2.0, 2.0),
        ((0, 0, 14), (0, 0, 18), 2.0, 0.4),
    ]
    found = only(find_screws(draw(parts)))
    assert found.thread_start_mm == pytest.approx(16.0, abs=0.6)
    assert found.shank_diameter_mm == pytest.approx(3.0, abs=0.15)
    stated = ScrewSpec(id="a", thread="partial", thread_start_mm=15.0, shank_diameter_mm=2.9)
    told = only(find_screws(draw(parts), [stated]))
    assert (told.thread_start_mm, told.shank_diameter_mm) == (15.0, 2.9)


@pytest.mark.parametrize("ceiling_hu", [np.nan, 3071.0])
def test_a_lumen_is_seen_and_a_solid_core_has_none(ceiling_hu: float) -> None:
    solid = screw((0, 0, -16), (0, 0, 1), radius=2.25)
    hollow = [*solid, *[(a, b, 0.7, -0.7) for a, b in [((0, 0, -20), (0, 0, 20))]]]
    assert only(find_screws(draw(solid, ceiling_hu=ceiling_hu))).cannula_diameter_mm == 0.0
    found = only(find_screws(draw(hollow, ceiling_hu=ceiling_hu)))
    assert found.cannula_diameter_mm == pytest.approx(1.4, abs=0.25)


def test_metal_mask_covers_the_screw_only() -> None:
    scan = plain_scan()
    where = scan.box([(0, 0, 0)], 6.0)
    mask = metal_mask(scan, where)
    assert mask.shape == scan.hu[where].shape
    away = np.linalg.norm(scan.crop(where).world_mm(np.argwhere(mask))[:, :2], axis=1)
    assert 1.8 < away.max() < 2.6


def test_threshold_stays_below_the_ceiling_and_above_bone_at_low_voltage() -> None:
    scan = draw([], size_mm=(4.0, 4.0, 4.0))
    usual = metal_threshold_hu(scan)
    assert metal_threshold_hu(dataclasses.replace(scan, hu_ceiling=2000.0)) < 2000.0
    assert metal_threshold_hu(dataclasses.replace(scan, acquisition=Acquisition(kvp=80.0))) > usual


def test_find_metal_lists_a_cut_off_screw_by_its_kind() -> None:
    found = find_metal(draw(screw((0, 0, -10), (0, 0, 1), length=60.0)))
    assert [m.kind for m in found] == [Kind.SCREW.value]
    assert abs(unit(np.ptp(found[0].points_mm, axis=0))[2]) > 0.99


def test_same_scan_same_screws_and_the_scan_untouched() -> None:
    scan = draw(screw((0, 0, -16), (0.2, 0.1, 1)))
    before = scan.hu.copy()
    first, second = only(find_screws(scan)), only(find_screws(scan))
    assert np.array_equal(first.head_mm, second.head_mm)
    assert np.array_equal(first.tip_mm, second.tip_mm)
    assert np.array_equal(scan.hu, before)


def test_pieces_are_told_apart_across_the_edges_of_the_grid() -> None:
    shape = (3, 4, 5)
    index = np.array([(0, 0, 4), (0, 1, 0), (2, 3, 3), (1, 2, 4)])  # first two are neighbours only in memory
    flat = np.ravel_multi_index(tuple(index.T), shape)
    found = pieces(index[np.argsort(flat)], shape)
    assert [len(p) for p in found] == [2, 1, 1]
    assert {tuple(v) for v in found[0]} == {(2, 3, 3), (1, 2, 4)}


def test_metal_voxels_agree_with_a_plain_comparison() -> None:
    scan = draw(screw((0, 0, -16), (0.2, 0.1, 1)))
    assert np.array_equal(metal_voxels(scan, 2500.0), np.argwhere(scan.hu > 2500))


def test_crossing_bars_are_two_straight_stretches() -> None:
    step = np.linspace(-15.0, 15.0, 61)
    offsets = np.stack(np.meshgrid(*[np.linspace(-1.5, 1.5, 4)] * 2), axis=-1).reshape(-1, 2)
    a = np.concatenate([np.column_stack([np.full(16, s), offsets]) for s in step])
    b = np.concatenate([np.column_stack([offsets[:, 0], np.full(16, s), offsets[:, 1]]) for s in step])
    found, _ = segments_of(np.vstack([a, b]), 0.5, 1.0)
    assert len(found) == 2
    assert abs(found[0].line.direction @ found[1].line.direction) < 0.05
    assert min(s.length_mm for s in found) > 28.0


def noisy_slab(scan: Scan, half_mm: float, noise_hu: float) -> Scan:
    """The scan with heavy noise in the slices round its middle, as rays starved by metal make it."""
    z = scan.world_mm(np.column_stack([np.arange(scan.hu.shape[0]), *np.zeros((2, scan.hu.shape[0]))]))[:, 2]
    noise = np.random.default_rng(3).normal(0.0, noise_hu, scan.hu.shape)
    noise = gaussian_filter(noise, (0.0, 1.0, 1.0)) / 0.28 * (np.abs(z) < half_mm)[:, None, None]
    return dataclasses.replace(
        scan, hu=np.clip(scan.hu + noise, -1024, 3071).astype(np.int16), hu_ceiling=3071.0
    )


def lying_beside_rods() -> Scan:
    parts = screw((0, -16, 0), (0, 1, 0)) + rod((-9, -17, 0), (-9, 17, 0)) + rod((9, -17, 0), (9, 17, 0))
    return noisy_slab(draw(parts, size_mm=(36.0, 46.0, 30.0)), 3.5, 1800.0)


STATED = ScrewSpec(id="a", side="left", major_diameter_mm=3.8, root_diameter_mm=3.6, length_mm=34.0)


def test_noise_between_rods_is_not_taken_for_metal() -> None:
    work = find_screws(lying_beside_rods(), (STATED,))
    found = only(work)
    assert "metal-noisy" in codes(work)
    assert np.linalg.norm(found.head_mm - (0, -16, 0)) < 0.5
    assert np.linalg.norm(found.tip_mm - (0, 18, 0)) < 0.5
    turn = np.degrees(np.arccos(unit(found.tip_mm - found.head_mm)[1]))
    assert turn < 2.0 * np.sqrt(2.0) * found.axis_u_deg
    assert [o.kind for o in work.other if o.length_mm.value > 20.0] == ["rod", "rod"]


def test_in_noise_nothing_unlike_the_stated_screw_is_believed() -> None:
    with pytest.raises(Refused, match="hide screw") as refused:
        find_screws(lying_beside_rods(), (dataclasses.replace(STATED, length_mm=45.0),))
    assert refused.value.problems[0].code == "screw-unclear"


def test_a_rod_over_the_tip_leaves_the_end_to_the_stated_length() -> None:
    parts = screw((0, 0, -16), (0, 0, 1)) + rod((-17, 0, 16.5), (17, 0, 20.5))
    told, untold = (find_screws(draw(parts), specs) for specs in ((STATED,), ()))
    assert only(told).tip_mm[2] == pytest.approx(18.0, abs=0.3)
    assert "length-differs" not in codes(told)
    assert "end-hidden" in codes(untold)
    assert only(untold).length_mm.u > 2.5
    assert only(untold).length_mm.low95 < 34.0 < only(untold).length_mm.high95


@pytest.mark.parametrize("ceiling_hu", [np.nan, 3071.0])
def test_a_rod_that_touches_the_tip_does_not_turn_the_screw(ceiling_hu: float) -> None:
    parts = screw((0, 0, -16), (0, 0, 1)) + rod((9, 0, -20), (4.0, 0, 19))
    found = only(find_screws(draw(parts, ceiling_hu=ceiling_hu), (STATED,)))
    assert np.degrees(np.arccos(unit(found.tip_mm - found.head_mm)[2])) < 0.5
    assert np.linalg.norm(found.tip_mm - (0, 0, 18)) < 0.5


def test_titanium_at_a_low_voltage_is_not_taken_for_denser_metal() -> None:
    scan = draw(screw((0, -16, -4), (0.1, 1.0, 0.2)), size_mm=(36.0, 48.0, 48.0))
    bright = np.minimum(1.6 * scan.hu, 32_000.0).astype(np.int16)
    for kvp, is_dense in ((80.0, False), (120.0, True)):
        seen = dataclasses.replace(scan, hu=bright, acquisition=Acquisition(kvp=kvp))
        found = only(find_screws(seen))
        assert bool(found.cautions & Caution.DENSE_METAL) is is_dense
