"""A defect whose faces a wide halo has taken: the plane passes through what is left bare."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from draw_metal import draw
from draw_metal import screw as metal_of_screw
from scipy.special import ndtr

import ongrowth.defect.find
from ongrowth.defect import DefectPlane, find_defect
from ongrowth.defect.bare import Bare, find_bare, least_gap_mm, lines_beside
from ongrowth.defect.find import _is_open
from ongrowth.defect.middle import Middle
from ongrowth.defect.slit import Block
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform, unit
from ongrowth.scan import Problem
from ongrowth.screw import ScrewSpec, find_screws

SIDE = np.arange(-9.0, 9.1, 0.5)
DEPTH = np.arange(0.0, 40.0, 0.4)
INNER = (DEPTH > 4.0) & (DEPTH < 36.0)
RADIUS = 2.25
X, Y, Z = np.meshgrid(SIDE, SIDE, DEPTH, indexing="ij")
AWAY = np.hypot(X, Y)


def block(is_bone: np.ndarray, seed: int = 0) -> Block:
    """Return bone of 300 HU, 110 HU of texture, in soft tissue of 50, a metal shaft left out."""
    noise = np.random.default_rng(seed).normal(0.0, 30.0, X.shape)
    hu = np.where(is_bone, 300.0 + 2.0 * noise, 50.0 + noise)
    hu[AWAY < RADIUS + 0.8] = np.nan
    return Block(RigidTransform.identity(), SIDE, SIDE, DEPTH, hu.astype(np.float32))


def look(seen: Block) -> Bare | None:
    """Look for a bare shaft."""
    return find_bare(lines_beside(seen, RADIUS), DEPTH[INNER])


def severed(
    slope_x: float, slope_y: float, at_mm: float = 17.0, gap_mm: float = 2.0
) -> tuple[np.ndarray, Plane]:
    """Return an isthmus of 6 mm radius that a slit severs, and the plane of the slit."""
    normal = unit([-slope_x, -slope_y, 1.0])
    height = (Z - at_mm - slope_x * X - slope_y * Y) * normal[2]
    return (AWAY < 6.0) & (np.abs(height) > gap_mm / 2.0), Plane(np.array([0.0, 0.0, at_mm]), normal)


def eaten(bone: np.ndarray, plane: Plane, halo_mm: float) -> np.ndarray:
    """Take the bone of the head side away up to some width beyond the thread, all of it near the defect."""
    height = plane.height_mm(np.stack([X, Y, Z], axis=-1))
    width = np.where(height > -6.0, 9.0, halo_mm)
    return bone & ~((height < 0.0) & (RADIUS + width > AWAY))


@pytest.mark.parametrize("slopes", [(0.0, 0.0), (0.4, 0.1), (-0.2, 0.5)])
def test_the_plane_lies_within_its_uncertainty_where_bone_is_left_on_both_sides(
    slopes: tuple[float, float],
) -> None:
    bone, plane = severed(*slopes)
    found = look(block(eaten(bone, plane, 2.5)))
    assert found is not None
    angle_deg = np.degrees(np.arccos(found.plane.normal @ plane.normal))
    assert angle_deg < 2.0 * found.u_angle_deg < 60.0
    # the true one lies at one end of what is bare: the halo has taken the bone of one side alone
    assert abs(plane.height_mm(found.plane.point_mm)) < found.gap_mm / 2.0 + 2.0 * found.u_offset_mm
    assert 5.0 < found.gap_mm < 11.0


def test_the_nearer_the_bone_of_both_sides_the_better_the_plane_is_known() -> None:
    bone, plane = severed(0.2, 0.0, gap_mm=4.0)
    near, far = (look(block(b)) for b in (bone, eaten(bone, plane, 2.5)))
    assert near is not None
    assert far is not None
    assert near.u_offset_mm < far.u_offset_mm
    assert abs(plane.height_mm(near.plane.point_mm)) < 0.5
    assert near.gap_mm == pytest.approx(4.0, abs=0.8)


def test_bone_that_goes_on_beside_the_shaft_leaves_no_plane() -> None:
    bone, plane = severed(0.2, 0.0)
    halo = (AWAY < RADIUS + 2.0) & (Z < 17.0)
    whole = (AWAY < 6.0) & ~halo
    bridged = eaten(bone, plane, 2.5) | ((AWAY < 6.0) & (AWAY > 4.0) & (Y > 2.0))
    assert look(block(whole)) is None
    assert look(block(bridged)) is None


def test_what_is_left_on_one_side_of_the_shaft_alone_tells_no_tilt() -> None:
    bone, plane = severed(0.0, 0.0)
    height = plane.height_mm(np.stack([X, Y, Z], axis=-1))
    splinter = eaten(bone, plane, 9.0) | ((height < -6.0) & (AWAY < 6.0) & (np.abs(X) < 2.0) & (Y > 0.0))
    assert look(block(splinter)) is None


def test_without_bone_there_is_no_plane() -> None:
    assert look(block(np.zeros(X.shape, dtype=bool))) is None


def test_the_share_of_lines_that_a_plane_severs_is_that_of_the_section_without_a_bridge() -> None:
    bone, plane = severed(0.2, 0.1, gap_mm=4.0)
    for of_section in (0.0, 0.25, 0.5):
        seen = block(bone | ((AWAY < 6.0) & (np.abs(np.arctan2(Y, X)) < np.pi * of_section)))
        share = lines_beside(seen, RADIUS).severed_share(plane)
        assert share == pytest.approx(1.0 - of_section, abs=0.12)
    elsewhere = Plane(plane.point_mm + 8.0 * plane.normal, plane.normal)
    assert lines_beside(block(bone), RADIUS).severed_share(elsewhere) < 0.02


def test_metal_beside_the_shaft_is_no_stretch_without_bone() -> None:
    whole = block(AWAY < 6.0)
    hu = whole.hu.copy()
    hu[(np.hypot(X - 5.0, Z - 17.0) < 2.5)] = np.nan  # a rod across
    beside = Block(whole.world_from_block, whole.x_mm, whole.y_mm, whole.z_mm, hu)
    assert lines_beside(beside, RADIUS).severed_share(severed(0.0, 0.0)[1]) < 0.02


def blurred_slit(bone_hu: float, gap_mm: float, blur_mm: float = 0.9) -> Block:
    """Return bone without texture and a slit across it, blurred to the given width at half maximum."""
    height, spread = Z - 17.0, blur_mm / 2.355
    share = ndtr((height + gap_mm / 2.0) / spread) - ndtr((height - gap_mm / 2.0) / spread)
    hu = np.where(AWAY < RADIUS + 0.8, np.nan, bone_hu + (50.0 - bone_hu) * share)
    return Block(RigidTransform.identity(), SIDE, SIDE, DEPTH, hu.astype(np.float32))


@pytest.mark.parametrize("bone_hu", [200.0, 300.0, 500.0, 1100.0])
def test_dense_bone_hides_a_gap_that_is_narrower_than_the_least_one_it_shows(bone_hu: float) -> None:
    def share(gap_mm: float) -> float:
        return lines_beside(blurred_slit(bone_hu, gap_mm), RADIUS).severed_share(
            Plane(np.array([0.0, 0.0, 17.0]), np.array([0.0, 0.0, 1.0]))
        )

    least = float(least_gap_mm(np.array(bone_hu)))
    assert share(least - 0.4) == 0.0
    assert share(least + 0.5) == 1.0


@pytest.mark.parametrize(("bone_hu", "gap_mm"), [(300.0, 2.1), (400.0, 2.6), (700.0, 3.0)])
def test_a_clear_gap_in_bone_that_hides_it_along_lines_is_found(bone_hu: float, gap_mm: float) -> None:
    course = unit([0.0, -0.5, -0.86])
    parts = metal_of_screw(-17.0 * course, course)
    drawn = draw(parts)
    places = np.moveaxis(np.indices(drawn.hu.shape), 0, -1) @ drawn.world_from_voxel[:3, :3].T
    height = (places + drawn.world_from_voxel[:3, 3]) @ course
    slit = ndtr((height + gap_mm / 2.0) / 0.38) - ndtr((height - gap_mm / 2.0) / 0.38)
    scan = draw(parts, bone_hu=bone_hu + (50.0 - bone_hu) * slit)
    screw = find_screws(scan, [ScrewSpec(major_diameter_mm=3.6, root_diameter_mm=3.5)]).screws[0]
    found = find_defect(scan, screw, ScrewFrame.of(screw.head_mm, screw.tip_mm))
    assert isinstance(found, DefectPlane)
    assert np.degrees(np.arccos(abs(found.plane.normal @ course))) < 2.0
    assert abs(found.plane.point_mm @ course) < 0.2
    assert found.gap_mm == pytest.approx(gap_mm, abs=0.3)


@pytest.mark.parametrize("normal", [(1.0, 0.02, 0.0), (0.0, -0.5, -0.86)])
def test_a_slit_whose_fit_leaves_the_shaft_is_no_defect(
    monkeypatch: pytest.MonkeyPatch, normal: tuple[float, float, float]
) -> None:
    """It runs along the shaft, or beyond its end: nobody gave that plane, so nobody is told to check it."""
    course = unit([0.0, -0.5, -0.86])
    scan = draw(metal_of_screw(-17.0 * course, course))
    screw = find_screws(scan, [ScrewSpec(major_diameter_mm=3.6, root_diameter_mm=3.5)]).screws[0]
    plane = Plane(60.0 * course, np.array(normal))
    strayed = Middle(plane, 1.0, 0.9, 0.9, 0.9, 1.0, 1.0, 1.0, 0.1)
    monkeypatch.setattr(ongrowth.defect.find, "choose", lambda *_, **__: SimpleNamespace(middle=strayed))
    found = find_defect(scan, screw, ScrewFrame.of(screw.head_mm, screw.tip_mm))
    assert isinstance(found, Problem)
    assert found.code == "defect-not-seen"


def test_lines_that_do_not_meet_a_plane_have_no_say_in_it() -> None:
    """Lines in spongy bone would show the slit, but end before it; dense bone, which it severs, hides it."""
    slit, normal = blurred_slit(1100.0, 2.4), np.array([0.0, 0.0, 1.0])
    short = blurred_slit(200.0, 0.0).hu
    hu = np.where(X > 0.0, slit.hu, np.where(Z < 12.0, short, np.minimum(short, 50.0)))
    hu = np.where(np.abs(X) < 3.0, np.nan, hu)  # so that the two do not mix
    lines = lines_beside(Block(slit.world_from_block, SIDE, SIDE, DEPTH, hu.astype(np.float32)), RADIUS)
    at_slit = Plane(np.array([0.0, 0.0, 17.0]), normal)
    assert len(lines.that_show(2.4, at_slit).x_mm) > 40
    assert lines.that_show(2.4, at_slit).met(at_slit) == (0, 0)
    seen = Middle(at_slit, 2.4, 1.0, 1.0, 1.0, 2.6, 1.0, 1.0, 0.1)
    assert _is_open(seen, lines)
    assert not _is_open(replace(seen, gap_mm=4.6), lines)  # so wide a gap would show in dense bone, too


def test_a_gap_between_dense_rims_is_hidden_as_in_dense_bone() -> None:
    """Rims of 1 mm leave the bone along a line as it is, but fill a gap where lines are averaged."""
    slit = blurred_slit(430.0, 3.6)
    spread, away = 0.9 / 2.355, np.abs(Z - 17.0) - 1.8
    rims = 570.0 * (ndtr(away / spread) - ndtr((away - 1.0) / spread))
    plane = Plane(np.array([0.0, 0.0, 17.0]), np.array([0.0, 0.0, 1.0]))
    lines = lines_beside(replace(slit, hu=(slit.hu + rims).astype(np.float32)), RADIUS)
    assert lines.met(plane)[0] == 0
    seen = Middle(plane, 3.6, 1.0, 1.0, 1.0, 4.2, 1.0, 1.0, 0.1)
    assert _is_open(seen, lines)
    without_rims = lines_beside(slit, RADIUS)
    assert without_rims.severed_share(plane) == 1.0
    assert not _is_open(seen, lines_beside(blurred_slit(430.0, 0.0), RADIUS))  # whole bone is no gap
