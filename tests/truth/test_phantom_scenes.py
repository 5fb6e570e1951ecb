"""Scenes and their truth: widths as drawn, sides, gaps, bridges, motion, damage."""

import math
from dataclasses import replace

import numpy as np
import pytest

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.scenes import (
    Bridge,
    Callus,
    Defect,
    HaloField,
    PhantomScrew,
    later,
    motion_between,
    new_bone,
    pars_scene,
    screw_axes,
    truth_of,
)
from ongrowth_phantoms.truth import GAP, HEAD, OUTSIDE, TIP

FLAT = Defect(gap_mm=2.0, roughness_mm=0.0, normal=(0.3, 0.2, 0.93), sclerosis_mm=0.0)


def rays(screw, axes, depth_mm: float, angle_deg: float, radius_mm: np.ndarray) -> np.ndarray:
    a = math.radians(angle_deg)
    out = math.cos(a) * axes[:, 0] + math.sin(a) * axes[:, 1]
    return (np.array(screw.head_mm) + depth_mm * axes[:, 2] + radius_mm[:, None] * out).astype(np.float32)


@pytest.mark.parametrize("kind", ["even", "crescent", "conical-head", "conical-tip", "patchy"])
def test_the_drawn_edge_lies_where_the_truth_says(kind: str) -> None:
    scene = pars_scene(5, halo=HaloField(kind, 0.8, toward_deg=70.0, layer_hu=-2000.0, seed=3))
    truth = truth_of(scene)
    screw = scene.screws[0]
    radius = np.arange(1.0, 7.0, 0.01)
    errors = []
    for d, s in zip(*np.nonzero(truth.counted & (truth.width_mm > 0.15)), strict=True):
        if (d * 7 + s) % 97 == 0:
            points = rays(screw, truth.axes, truth.depth_mm[d], truth.angle_deg[s], radius)
            lucent = scene.tissue_hu(points, 0.02) < -1000.0
            errors.append(np.max(radius[lucent]) - 2.0 - truth.width_mm[d, s])
    assert len(errors) > 40
    assert np.abs(errors).max() < 0.02


def test_without_halo_bone_fills_the_thread_valleys() -> None:
    scene = pars_scene(5, halo=HaloField("even", 0.0, layer_hu=-2000.0))
    truth = truth_of(scene)
    assert truth.whole.mean_width_mm == 0.0
    points = rays(scene.screws[0], truth.axes, 6.0, 30.0, np.arange(1.3, 2.4, 0.02))
    assert scene.tissue_hu(points, 0.02).min() > -500.0


def test_a_section_that_screw_and_halo_fill_has_no_gap_to_tell() -> None:
    defect = truth_of(pars_scene(5, halo=HaloField("even", 9.0), defect=FLAT)).defect
    assert defect is not None
    assert defect.cross_section_mm2 == 0.0
    assert math.isnan(defect.gap_width_mean_mm)
    assert math.isnan(defect.bridged_fraction)


def test_summaries_of_an_even_halo() -> None:
    truth = truth_of(pars_scene(8, halo=HaloField("even", 1.2)))
    for side in (truth.whole, truth.head_side, truth.tip_side):
        assert side.mean_width_mm == pytest.approx(1.2, abs=1e-5)
        assert side.p95_width_mm == pytest.approx(1.2, abs=1e-5)
        assert side.share_over_1mm == 1.0
        assert side.share_over_2mm == 0.0
        ring = (3.2**2 - 2.0**2) / 2.0 / 2.0  # volume per area of the envelope
        assert side.volume_mm3 == pytest.approx(side.area_mm2 * ring, rel=1e-5)
        known = [w for w in side.sector_mean_width_mm if not math.isnan(w)]
        assert known == pytest.approx([1.2] * len(known), abs=1e-5)
    assert truth.whole.area_mm2 == pytest.approx(truth.head_side.area_mm2 + truth.tip_side.area_mm2)


def test_one_sided_halo_changes_at_the_defect() -> None:
    truth = truth_of(pars_scene(3, halo=HaloField("even", 1.0, 0.0)))
    assert truth.head_side.mean_width_mm > 0.97
    assert truth.tip_side.mean_width_mm < 0.03


def test_crescent_is_widest_where_it_points() -> None:
    truth = truth_of(pars_scene(3, halo=HaloField("crescent", 0.8, toward_deg=135.0)))
    assert int(np.nanargmax(truth.whole.sector_mean_width_mm)) == 3


@pytest.mark.parametrize("seed", range(4))
def test_sides_follow_the_plane_and_nothing_is_counted_on_taper_or_beyond_bone(seed: int) -> None:
    scene = pars_scene(seed, defect=FLAT, halo=HaloField("even", 0.5))
    truth = truth_of(scene)
    screw, site = scene.screws[0], scene.screw_sites[0]
    plane = site.plane()
    assert plane is not None
    for d in range(0, len(truth.depth_mm), 6):
        for s in range(0, 72, 9):
            point = rays(
                screw, truth.axes, truth.depth_mm[d], truth.angle_deg[s], np.array([2.0 + 0.5 + 0.8])
            )
            height = float(plane.height_mm(point[0]))
            side = truth.side[d, s]
            if side in (HEAD, TIP):
                assert (height < -0.9) == (side == HEAD)
                assert (height > 0.9) == (side == TIP)
            if side == GAP:
                assert abs(height) < 1.1
            if side == OUTSIDE:
                assert scene.tissue_hu(point, 0.05)[0] < 400.0
    assert not truth.counted[truth.depth_mm > screw.length_mm - screw.taper_mm].any()
    assert not truth.counted[(truth.side == GAP) | (truth.side == OUTSIDE)].any()
    assert truth.counted.mean() > 0.5
    assert np.dot(plane.normal, truth.axes[:, 2]) > 0.7  # points from the head side to the tip side


@pytest.mark.parametrize(
    "course", [(0.2, -0.7, 0.6), (0.0, -1.0, 0.1), (0.3, 0.95, 0.0), (1.0, 0.0, 0.0), (0.0, 0.4, -1.0)]
)
def test_frame_of_a_screw(course) -> None:
    axes = screw_axes((1.0, 2.0, 3.0), np.add((1.0, 2.0, 3.0), course))
    third = np.array(course) / np.linalg.norm(course)
    assert axes.T @ axes == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)
    assert axes[:, 2] == pytest.approx(third)
    is_near_posterior = math.degrees(math.acos(abs(third[1]))) < 25.0
    wanted = (0.0, 0.0, 1.0) if is_near_posterior else (0.0, 1.0, 0.0)
    other = np.cross(axes[:, 2], wanted)
    assert axes[:, 0] @ other == pytest.approx(0.0, abs=1e-12)  # in the plane of axis and wanted direction
    assert axes[:, 0] @ wanted > 0.0


def test_gap_and_bridges() -> None:
    bridges = (
        Bridge(3.1, 0.0, 1.8),
        Bridge(-3.1, 0.0, 1.6, reach=0.6),
        Bridge(0.0, 3.0, 1.0, is_chip=True, reach=0.3),
    )
    scene = pars_scene(4, defect=replace(FLAT, bridges=bridges))
    truth = truth_of(scene).defect
    assert truth is not None
    assert truth.bridge_count == 1
    assert truth.bridged_fraction * truth.cross_section_mm2 == pytest.approx(math.pi * 0.9**2, rel=0.15)
    assert truth.gap_width_max_mm == pytest.approx(2.0, abs=0.1)
    open_gap = truth_of(pars_scene(4, defect=FLAT)).defect
    assert open_gap is not None
    assert open_gap.bridged_fraction == 0.0
    assert open_gap.gap_width_mean_mm == pytest.approx(2.0, abs=0.05)
    assert truth.cross_section_mm2 == pytest.approx(open_gap.cross_section_mm2, rel=0.01)
    # the spur narrows the gap by 60 % over its own area
    spur = math.pi * 0.8**2 / (truth.cross_section_mm2 * (1 - truth.bridged_fraction))
    assert truth.gap_width_mean_open_mm == pytest.approx(2.0 - spur * 1.2, abs=0.06)


def test_a_patient_who_lies_anew_shows_the_same() -> None:
    scene = replace(
        pars_scene(6, halo=HaloField("crescent", 0.9)), fat_level=math.inf
    )  # fat is fixed in space
    motion = RigidTransform.from_rotation_vector([0.1, -0.2, 0.15], [4.0, -3.0, 2.0])
    moved = scene.moved(motion)
    rng = np.random.default_rng(0)
    points = (np.array(scene.focus_mm) + rng.uniform(-18, 18, (4000, 3))).astype(np.float32)
    before = scene.tissue_hu(points, 0.2)
    after = moved.tissue_hu(motion.apply(points).astype(np.float32), 0.2)
    assert np.abs(after - before).max() < 8.0  # float32 places, 1e-5 mm, on steep edges
    assert truth_of(moved).whole.mean_width_mm == pytest.approx(truth_of(scene).whole.mean_width_mm, abs=0.01)
    assert moved.screws[0].real_tip_mm == pytest.approx(motion.apply(scene.screws[0].tip_mm))


def test_a_moved_fragment_opens_the_gap() -> None:
    scene = pars_scene(6, defect=FLAT)
    site = scene.sites[0]
    plane = site.plane()
    assert plane is not None
    away = RigidTransform(np.eye(3), 0.5 * plane.normal)
    opened = truth_of(replace(scene, sites=(replace(site, tip_motion=away),))).defect
    assert opened is not None
    assert opened.gap_width_mean_mm == pytest.approx(2.5, abs=0.06)


def test_a_screw_that_moved_in_its_bed_leaves_a_crescent() -> None:
    scene = pars_scene(6, halo=HaloField("even", 0.5))
    site = scene.sites[0]
    assert site.screw is not None
    aside = RigidTransform(np.eye(3), 0.3 * site.screw.axes[:, 0])
    moved = replace(scene, sites=(replace(site, screw=site.screw.moved(aside), hole=site.screw),))
    truth = truth_of(moved)
    # a circle of radius 2.5 seen from a point 0.3 off its middle
    a = np.radians(truth.angle_deg)
    expected = -0.3 * np.cos(a) + np.sqrt(2.5**2 - (0.3 * np.sin(a)) ** 2) - 2.0
    rows = (truth.depth_mm > 4.0) & (truth.depth_mm < 30.0)
    assert np.abs(truth.width_mm[rows] - expected).max() < 0.05


@pytest.mark.parametrize("seed", range(6))
def test_a_child_and_a_second_side_have_bone_round_the_screw(seed: int) -> None:
    scene = pars_scene(seed, child=seed % 2 == 0, n_screws=2)
    assert len(scene.screws) == 2
    assert scene.screws[0].head_mm[0] > 0 > scene.screws[1].head_mm[0]  # left, then right
    for k in range(2):
        truth = truth_of(scene, k)
        assert truth.head_side.area_mm2 > 0.5 * truth.tip_side.area_mm2 * 0.3
        assert truth.counted.mean() > 0.5
        assert truth.defect is not None
        assert 15.0 < truth.defect.cross_section_mm2 < 90.0


def test_bent_broken_cannulated_and_partly_threaded_metal() -> None:
    screw = PhantomScrew((0.0, 0.0, 0.0), (0.0, 0.0, 40.0), thread_start_mm=20.0, shank_diameter_mm=2.8,
                         cannula_diameter_mm=1.2, break_depth_mm=30.0, break_gap_mm=0.5)  # fmt: skip
    radius_and_depth = [
        (0.0, 10.0),
        (1.0, 10.0),
        (1.45, 10.0),
        (1.0, 30.0),
        (1.0, 29.6),
        (2.9, -1.0),
        (0.0, -1.0),
    ]
    places = np.array([(r, 0.0, z) for r, z in radius_and_depth], dtype=np.float32)
    inside = screw.metal_distance_mm(places) < 0.0
    assert inside.tolist() == [False, True, False, False, True, True, False]
    bent = replace(screw, bend_depth_mm=20.0, bend_deg=10.0)
    assert np.linalg.norm(bent.real_tip_mm - [0.0, 0.0, 20.0]) == pytest.approx(20.0)
    assert np.degrees(np.arccos((bent.real_tip_mm[2] - 20.0) / 20.0)) == pytest.approx(10.0)
    on_axis = np.linspace([0.0, 0.0, 20.0], bent.real_tip_mm, 9)[1:-1].astype(np.float32)
    straightened = bent.local(on_axis)
    assert np.hypot(straightened[:, 0], straightened[:, 1]).max() < 1e-4


def test_texture_has_the_mean_and_spread_asked_for() -> None:
    scene = pars_scene(9, bone_hu=280.0)
    arch = scene.sites[0].arch
    rng = np.random.default_rng(1)
    q = rng.uniform([-5, -5, 28], [5, 5, 38], (20_000, 3)).astype(np.float32)
    hu = arch.hu(q, np.full(len(q), -6.0, dtype=np.float32))
    assert hu.mean() == pytest.approx(280.0, abs=15.0)
    assert hu.std() == pytest.approx(110.0, rel=0.08)
    far = arch.hu(
        q + np.float32(arch.texture_mm) * np.array([1, 0, 0], np.float32), np.full(len(q), -6.0, np.float32)
    )
    assert np.corrcoef(hu, far)[0, 1] == pytest.approx(math.exp(-0.5), abs=0.08)


def test_weeks_later_bone_has_changed_and_motions_are_known() -> None:
    first = replace(pars_scene(6, defect=FLAT, halo=HaloField("even", 0.5)), fat_level=math.inf)
    site = first.sites[0]
    assert site.screw is not None
    back_out = RigidTransform(np.eye(3), -0.4 * site.screw.axes[:, 2])
    tip = RigidTransform.from_rotation_vector([0.0, 0.01, 0.0], [0.2, 0.0, 0.1])
    lies = RigidTransform.from_rotation_vector([0.05, 0.1, -0.2], [5.0, 6.0, -7.0])
    second = later(first, 3, screw_motion=back_out, tip_motion=tip, lies=lies)
    motion = motion_between(site, second.sites[0])
    assert motion.screw_in_head_side.matrix == pytest.approx(back_out.matrix, abs=1e-9)
    assert motion.tip_side_in_head_side.matrix == pytest.approx(tip.matrix, abs=1e-9)
    assert (tip @ motion.screw_in_tip_side).matrix == pytest.approx(back_out.matrix, abs=1e-9)
    rng = np.random.default_rng(2)
    points = (np.array(first.focus_mm) + rng.uniform(-15, 15, (6000, 3))).astype(np.float32)
    still = later(first, 3)
    before, after = first.tissue_hu(points, 0.2), still.tissue_hu(points, 0.2)
    spongy = (before > 100) & (before < 700) & (after > 100) & (after < 700)
    assert 0.4 < np.corrcoef(before[spongy], after[spongy])[0, 1] < 0.95
    assert 10.0 < np.abs(after - before)[spongy].mean() < 150.0


def test_surfaces_grow_by_what_was_asked() -> None:
    site = pars_scene(6, defect=FLAT).sites[0]
    grown = replace(site, arch=replace(site.arch, growth_mm=0.2, renewed_seed=4))
    rng = np.random.default_rng(2)
    q = rng.uniform([-12, -12, -14], [12, 12, 22], (20_000, 3))
    points = site.arch.world_from_arch.apply(q).astype(np.float32)
    head, tip = site.fragments(points)
    near = (np.minimum(head.surface_mm, tip.surface_mm) > 0.0) & (
        np.minimum(head.surface_mm, tip.surface_mm) < 1.0
    )
    new_head, new_tip = grown.fragments(points)
    gain = np.minimum(head.surface_mm, tip.surface_mm) - np.minimum(new_head.surface_mm, new_tip.surface_mm)
    assert gain[near].mean() == pytest.approx(0.2, abs=0.06)
    assert gain[near].std() > 0.03


def test_new_bone_is_counted_where_it_lies() -> None:
    before = pars_scene(4, defect=FLAT).sites[0]
    assert before.defect is not None
    lump = Callus((0.0, 6.6, 0.0), (2.0, 1.5, 2.0))
    bridged = replace(before.defect, bridges=(Bridge(3.1, 0.0, 1.8),))
    after = replace(before, defect=bridged, arch=replace(before.arch, callus=(lump,)))
    bone = new_bone(before, after)
    assert bone.in_gap_mm3 == pytest.approx(math.pi * 0.9**2 * 2.0, rel=0.2)
    assert bone.around_mm3 == pytest.approx(4.0 / 3.0 * math.pi * 2.0 * 1.5 * 2.0, rel=0.15)
    assert bone.elsewhere_mm3 == 0.0
