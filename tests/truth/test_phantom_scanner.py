"""The fast scanner against closed forms: edges, volumes, blur, slice profile, noise, geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import j0, j1

from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import PhantomScrew, Rod, Scene, water_rod_scene

WATER = Scene(soft_hu=0.0, fat_level=math.inf)
SMALL = FastProtocol(
    size_mm=(14.0, 14.0, 6.0),
    noise_hu=0.0,
    clip_hu=None,
    slice_mm=0.5,
    pixel_mm=0.3,
    centre_mm=(0.03, -0.02, 0.0),
)


def rod(direction, diameter_mm: float) -> Scene:
    half = 30.0 * np.asarray(direction) / np.linalg.norm(direction)
    return replace(WATER, other_metal=(Rod((tuple(-half), tuple(half)), diameter_mm),))


def disc_profile(radius_mm, r_mm, protocol) -> np.ndarray:
    """A disc blurred by an isotropic MTF, by its Hankel transform (independent of any drawing)."""
    f = np.linspace(1e-4, 8.0, 8000)
    spectrum = radius_mm * j1(2 * np.pi * radius_mm * f) / f
    kernel = spectrum * protocol.mtf(f) * 2 * np.pi * f
    return np.trapezoid(kernel * j0(2 * np.pi * np.asarray(r_mm)[:, None] * f), f, axis=1)


def radii(scan) -> tuple[np.ndarray, np.ndarray]:
    k = scan.hu.shape[0] // 2
    j, i = np.indices(scan.hu.shape[1:])
    world = scan.world_mm(np.stack([np.full_like(j, k), j, i], axis=-1))
    return np.hypot(world[..., 0], world[..., 1]).ravel(), scan.hu[k].ravel().astype(float)


@pytest.mark.parametrize(("b", "p"), [(0.0, 2.0), (1.5, 2.0), (3.0, 2.6)])
def test_a_rod_looks_like_a_blurred_disc(b: float, p: float) -> None:
    protocol = replace(SMALL, edge_enhancement=b, mtf_power=p)
    r, hu = radii(scan_fast(rod((0, 0, 1), 4.0), protocol))
    expected = np.maximum(9000.0 * disc_profile(2.0, r, protocol), -1024.0)  # the scale ends there
    slope = 9000.0 / protocol.in_plane_fwhm_mm * (1 + b)
    assert (
        abs(np.mean((hu - expected)[np.abs(r - 2.0) < 0.5])) < slope * 0.003
    )  # edge placed to 3 um on average
    assert np.abs(hu - expected).max() < slope * 0.02  # and to 20 um anywhere


def test_edge_enhancement_undershoots_outside_the_metal() -> None:
    r, hu = radii(scan_fast(rod((0, 0, 1), 4.0), replace(SMALL, edge_enhancement=2.0)))
    assert hu[(r > 2.3) & (r < 3.5)].min() < -100.0


def test_in_plane_width_is_that_of_the_point_spread() -> None:
    for b in (0.0, 2.0):
        protocol = replace(SMALL, edge_enhancement=b, in_plane_fwhm_mm=0.8)
        r = np.array([0.0, 0.4])
        f = np.linspace(0.0, 10.0, 20000)
        spread = np.trapezoid(protocol.mtf(f) * f * j0(2 * np.pi * r[:, None] * f), f, axis=1)
        assert spread[1] / spread[0] == pytest.approx(0.5, abs=1e-3)
        assert protocol.mtf(np.zeros(1))[0] == pytest.approx(1.0)


def test_slice_profile_has_the_asked_width() -> None:
    protocol = replace(SMALL, slice_mm=0.1, slice_fwhm_mm=1.1, size_mm=(6.0, 6.0, 5.0))
    scan = scan_fast(rod((1, 0, 0), 0.3), protocol)
    line = scan.hu[:, :, scan.hu.shape[2] // 2].astype(float).sum(axis=1)
    z = np.arange(len(line)) * 0.1
    above = np.flatnonzero(line > line.max() / 2)
    low = np.interp(line.max() / 2, line[above[0] - 1 : above[0] + 1], z[above[0] - 1 : above[0] + 1])
    high = np.interp(-line.max() / 2, -line[above[-1] : above[-1] + 2], z[above[-1] : above[-1] + 2])
    assert high - low == pytest.approx(1.1, abs=0.03)


@pytest.mark.parametrize("direction", [(0.3, -0.6, 0.74), (0.05, 1.0, 0.1)])
def test_an_oblique_rod_keeps_its_cross_section(direction) -> None:
    """Sum of HU over the slices, per length of rod, is its cross-section: a blur moves no mass."""
    scan = scan_fast(rod(direction, 4.0), replace(SMALL, size_mm=(24.0, 24.0, 24.0)))
    centre = np.array(SMALL.centre_mm)
    axis = np.asarray(direction) / np.linalg.norm(direction)
    index = np.indices(scan.hu.shape).reshape(3, -1).T
    away = scan.world_mm(index) - centre
    depth = away @ axis
    aside = np.linalg.norm(away - depth[:, None] * axis, axis=1)
    taken = (np.abs(depth) < 6.0) & (aside < 5.0)
    # a window with soft ends, so that whole voxels at the ends do not matter
    weight = np.clip((6.0 - np.abs(depth)) / 2.0, 0.0, 1.0)
    mass = np.sum(weight[taken] * scan.hu.ravel()[taken].astype(float)) * abs(
        np.linalg.det(scan.world_from_voxel)
    )
    area = mass / 10.0 / 9000.0
    assert math.sqrt(area / math.pi) == pytest.approx(2.0, abs=0.003)


def test_metal_share_holds_the_volume_of_a_threaded_shaft() -> None:
    screw = PhantomScrew(
        (0.0, 0.0, 0.0), (0.0, 0.0, 20.0), taper_mm=0.0, head_height_mm=0.0, head_diameter_mm=0.0
    )
    step = np.array([0.117, 0.117, 0.15])
    axes = [np.arange(-2.6, 2.6, s) for s in step[:2]] + [np.arange(6.0, 12.0, step[2])]
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3).astype(np.float32)
    share = replace(WATER, sites=water_rod_scene(screw=screw).sites).metal_share(
        points, np.diag(step).astype(np.float32)
    )
    drawn = share["titanium"].sum() * step.prod() / (len(axes[2]) * step[2])
    turn = np.linspace(0.0, 0.5, 100_001)  # of a pitch, from the middle of a crest
    radius = 2.0 - 0.5 * np.clip((turn - 0.06) / 0.28, 0.0, 1.0)
    area = np.mean(np.pi * radius**2)
    assert math.sqrt(drawn / math.pi) - math.sqrt(area / math.pi) == pytest.approx(0.0, abs=0.002)


def test_noise_has_its_size_and_is_shared_by_neighbouring_slices() -> None:
    quiet = replace(SMALL, noise_hu=40.0, size_mm=(30.0, 30.0, 24.0), clip_hu=3071.0)
    hu = scan_fast(WATER, quiet, seed=3).hu.astype(float)
    assert hu.std() == pytest.approx(40.0, rel=0.01)
    assert hu.mean() == pytest.approx(0.0, abs=1.0)
    next_slice = np.mean(hu[1:] * hu[:-1]) / hu.var()
    assert next_slice > 0.3  # 0.9 mm slices every 0.5 mm
    assert scan_fast(WATER, quiet, seed=3).digest == scan_fast(WATER, quiet, seed=3).digest
    assert scan_fast(WATER, quiet, seed=4).digest != scan_fast(WATER, quiet, seed=3).digest


def test_scale_stops_at_the_clip() -> None:
    scan = scan_fast(rod((0, 0, 1), 4.0), replace(SMALL, clip_hu=3071.0))
    assert scan.hu.max() == 3071
    assert scan.hu_ceiling == 3071.0
    assert scan.ceiling_share > 0.0


@pytest.mark.parametrize(
    "view", [{"tilt_deg": 17.0}, {"turn_deg": (0.0, 0.0, 180.0)}, {"turn_deg": (20.0, -30.0, 10.0)}]
)
def test_leaning_and_turned_stacks_show_a_bead_where_it_is(view) -> None:
    bead = (1.3, -0.7, 0.9)
    scene = replace(WATER, other_metal=(Rod((bead, (1.3, -0.7, 0.9001)), 1.2),))
    scan = scan_fast(scene, replace(SMALL, size_mm=(14.0, 14.0, 10.0), **view))
    weight = np.maximum(scan.hu.ravel().astype(float) - 30.0, 0.0)
    found = weight @ scan.world_mm(np.indices(scan.hu.shape).reshape(3, -1).T) / weight.sum()
    assert found == pytest.approx(bead, abs=0.01)
    lean = np.degrees(np.arccos(min(1.0, scan.slice_gap_mm / scan.step_mm[0])))
    assert lean == pytest.approx(view.get("tilt_deg", 0.0), abs=1e-6)
    assert scan.slice_gap_mm == pytest.approx(0.5)
