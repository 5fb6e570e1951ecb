"""The full scanner against closed forms: projections, water, noise, blur, hardening, geometry."""

import math
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import j0, j1

from ongrowth.scan import Scan
from ongrowth_phantoms.kernels import KERNELS, families_of
from ongrowth_phantoms.radon import Backprojector, Projector, view_angles_rad
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Rod, Scene, pars_scene
from ongrowth_phantoms.tomograph import FullProtocol, _ramp_per_mm, edge_preserving, scan_full

WATER = Scene(soft_hu=0.0, fat_level=math.inf)
STILL = FullProtocol(
    kernel="hann-medium", size_mm=(24.0, 24.0, 0.6), body_half_mm=(100.0, 100.0), body_ahead_mm=20.0,
    scatter=0.0, is_noisy=False, clip_hu=None, n_views=360,
)  # fmt: skip


def rod(direction, diameter_mm: float, material: str) -> Scene:
    half = 30.0 * np.asarray(direction) / np.linalg.norm(direction)
    return replace(WATER, other_metal=(Rod((tuple(-half), tuple(half)), diameter_mm, material),))


def bead(place, diameter_mm: float) -> Scene:
    end = (place[0], place[1], place[2] + 1e-4)
    return replace(WATER, other_metal=(Rod((tuple(place), end), diameter_mm, "cortical-bone"),))


def places(scan: Scan) -> tuple[np.ndarray, np.ndarray]:
    return scan.world_mm(np.indices(scan.hu.shape).reshape(3, -1).T), scan.hu.ravel().astype(float)


def disc_profile(radius_mm: float, r_mm: np.ndarray, mtf) -> np.ndarray:
    """A disc of height 1 blurred by an isotropic MTF, by its Hankel transform."""
    f = np.linspace(1e-4, 1.5, 4000)
    spectrum = radius_mm * j1(2 * np.pi * radius_mm * f) / f * mtf(f) * 2 * np.pi * f
    grid = np.linspace(0.0, r_mm.max(), 800)
    profile = np.trapezoid(spectrum * j0(2 * np.pi * grid[:, None] * f), f, axis=1)
    return np.asarray(CubicSpline(grid, profile)(r_mm))


def fwhm(values: np.ndarray, step_mm: float) -> float:
    half = values.max() / 2.0
    a, b = np.flatnonzero(values > half)[[0, -1]]
    left = (values[a] - half) / (values[a] - values[a - 1])
    right = (values[b] - half) / (values[b] - values[b + 1])
    return float(step_mm * (b - a + left + right))


def test_projections_of_a_bell_and_their_way_back() -> None:
    n, step, views = 256, 0.175, 300
    y, x = (np.indices((n, n)) - n // 2) * step
    sigma, at = 0.5, (5.0, -7.0)
    image = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * sigma**2))
    lines = Projector.of(n, step, views).project((image + 1j * image.T).astype(np.complex64))
    angle = view_angles_rad(views)[:, None]
    s = (np.arange(n) - n // 2) * step
    for got, (u, v) in ((lines.real, at), (lines.imag, at[::-1])):
        away = s - (u * np.cos(angle) + v * np.sin(angle))
        closed = math.sqrt(2 * math.pi) * sigma * np.exp(-(away**2) / (2 * sigma**2))
        assert np.abs(got - closed).max() < 0.01  # of 1.25; the pixels' own blur is undone beyond need
    f = np.arange(1, 200) / (512 * 0.35)
    spectra = (
        2
        * np.pi
        * sigma**2
        * np.exp(-2 * (np.pi * sigma * f) ** 2)
        * np.exp(-2j * np.pi * f * (at[0] * np.cos(angle) + at[1] * np.sin(angle)))
    )
    back = Backprojector.of((90, 100), 0.35, f, views).image(spectra * f * (f[1] - f[0]) * np.pi / views)
    yy, xx = np.indices((90, 100)) - np.array([45, 50])[:, None, None]
    again = np.exp(-((xx * 0.35 - at[0]) ** 2 + (yy * 0.35 - at[1]) ** 2) / (2 * sigma**2))
    assert np.abs(back - again).max() < 2e-3


@pytest.mark.parametrize("n", [64, 392, 412, 428, 784])
def test_the_ramp_is_one_at_every_size(n: int) -> None:
    """Sizes at which whole numbers made by a division are none; the ramp is the frequency itself."""
    ramp = _ramp_per_mm(n, 0.35)
    np.testing.assert_allclose(ramp[1:], np.arange(1, n // 2 + 1) / (n * 0.35), atol=0.01)


def test_water_reads_zero_and_noise_falls_with_dose_and_thickness() -> None:
    noisy = replace(STILL, is_noisy=True, size_mm=(24.0, 24.0, 6.0), clip_hu=3071.0)
    spread = {}
    for dose, thick in ((5.0, 0.6), (20.0, 0.6), (5.0, 2.4)):
        hu = scan_full(WATER, replace(noisy, dose_mgy=dose, slice_thickness_mm=thick), seed=1).hu
        spread[dose, thick] = float(hu.std())
        assert float(hu.mean()) == pytest.approx(0.0, abs=4.0 * hu.std() / math.sqrt(hu.size) * 5.0 + 0.3)
    assert spread[5.0, 0.6] / spread[20.0, 0.6] == pytest.approx(2.0, rel=0.06)  # square root of the dose
    profile = math.hypot(2.4, 0.7) / math.hypot(0.6, 0.7)
    assert spread[5.0, 0.6] / spread[5.0, 2.4] == pytest.approx(math.sqrt(profile), rel=0.15)


def test_noise_is_of_the_size_met_in_practice() -> None:
    """Bone kernel, thin slices: 40 to 120 HU; soft kernel: a fifth of that (common practice, no source)."""
    spine = FullProtocol(size_mm=(24.0, 24.0, 3.0), dose_mgy=10.0)
    tissue = Scene(fat_level=math.inf)
    bone = scan_full(tissue, spine).hu.std()
    soft = scan_full(tissue, replace(spine, kernel="hann-soft")).hu.std()
    assert 40.0 < bone < 120.0
    assert 0.1 < soft / bone < 0.35


@pytest.mark.parametrize("kernel", ["hann-soft", "power-bone", "butterworth-edge", "kaiser-bone"])
def test_an_edge_shows_the_blur_that_was_asked_for(kernel: str) -> None:
    scan = scan_full(rod((0, 0, 1), 10.0, "cortical-bone"), replace(STILL, kernel=kernel, pixel_mm=0.25))
    world, hu = places(scan)
    r = np.hypot(world[:, 0], world[:, 1])
    flat = disc_profile(5.0, r, KERNELS[kernel].mtf)
    cup = flat * np.clip(1.0 - (r / 5.0) ** 2, 0.0, None)  # hardening inside the rod
    height = np.linalg.lstsq(np.stack([flat, cup], axis=1), hu, rcond=None)[0]
    rest = hu - np.stack([flat, cup], axis=1) @ height
    assert height[0] == pytest.approx(1640.0, rel=0.03)
    assert -100.0 < height[1] < -20.0
    assert rest[np.abs(r - 5.0) < 1.0].std() < 0.008 * height[0]


@pytest.mark.parametrize("kernel", ["hann-bone", "butterworth-edge"])
def test_a_bead_shows_point_spread_and_slice_profile(kernel: str) -> None:
    fine = replace(
        STILL, kernel=kernel, size_mm=(10.0, 10.0, 4.0), slice_mm=0.1, slice_thickness_mm=0.6, pixel_mm=0.1
    )
    hu = scan_full(bead((0.0, 0.0, 0.0), 0.5), fine).hu.astype(float)
    k, j, i = np.unravel_index(hu.argmax(), hu.shape)
    f, r = np.linspace(0.0, 1.4, 2000), np.linspace(0.0, 1.0, 1001)
    spread = np.trapezoid(KERNELS[kernel].mtf(f) * f * j0(2 * np.pi * f * r[:, None]), f, axis=1)
    in_plane = 2.0 * r[np.argmax(spread < spread[0] / 2.0)]
    widened = 8 * math.log(2) * 0.25**2 / 5.0  # a ball of radius 0.25 mm, variance r^2 / 5 along each axis
    assert fwhm(hu[k, j], 0.1) == pytest.approx(math.sqrt(in_plane**2 + widened), rel=0.03)
    assert fwhm(hu[k, :, i], 0.1) == pytest.approx(math.sqrt(in_plane**2 + widened), rel=0.03)
    assert fine.profile_fwhm_mm > 0.9  # wider than the nominal 0.6
    assert fwhm(hu[:, j, i], 0.1) == pytest.approx(math.sqrt(fine.profile_fwhm_mm**2 + widened), rel=0.03)


def beside(direction, material: str, **changes) -> tuple[float, float, float]:
    """HU 1.5 to 3 mm beyond the metal along its long section, across it, and inside."""
    d = np.asarray(direction) / np.linalg.norm(direction)
    scan = scan_full(rod(d, 4.0, material), replace(STILL, size_mm=(36.0, 36.0, 0.6), **changes))
    world, hu = places(scan)
    u = d[:2] / np.linalg.norm(d[:2])
    centre = d[:2] * (world[0, 2] / d[2])
    along, across = (world[:, :2] - centre) @ u, (world[:, :2] - centre) @ np.array([-u[1], u[0]])
    long = 2.0 / abs(d[2])
    dark = (np.abs(along) > long + 1.5) & (np.abs(along) < long + 3.0) & (np.abs(across) < 1.0)
    bright = (np.abs(across) > 3.5) & (np.abs(across) < 5.0) & (np.abs(along) < 1.0)
    core = (np.abs(along) < 1.0) & (np.abs(across) < 0.7)
    return float(hu[dark].mean()), float(hu[bright].mean()), float(hu[core].mean())


def test_hardening_is_dark_along_the_section_bright_across_and_grows() -> None:
    steep, oblique = beside((0.3, -0.6, 0.74), "titanium"), beside((0.2, -0.85, 0.45), "titanium")
    steel = beside((0.3, -0.6, 0.74), "steel")
    for dark, bright, _ in (steep, oblique, steel):
        assert dark < -10.0 < 10.0 < bright
    assert -300.0 < oblique[0] < 2.0 * steep[0]  # tens of HU at 45 degrees, some 200 lying flatter
    assert 1.5 * steep[1] < oblique[1] < 250.0
    assert steel[0] < 3.0 * steep[0]
    assert 8_500.0 < oblique[2] < 10_500.0  # a thin piece would read 12 100
    assert steel[2] > 1.8 * steep[2]


def test_voltage_changes_metal_and_bone_as_it_should() -> None:
    inside = {kvp: beside((0.1, 0.1, 1.0), "titanium", kvp=kvp)[2] for kvp in (80.0, 140.0)}
    assert inside[80.0] > 1.3 * inside[140.0]


@pytest.mark.parametrize(
    "view", [{"tilt_deg": 17.0}, {"turn_deg": (0.0, 0.0, 180.0)}, {"turn_deg": (20.0, -30.0, 10.0)}]
)
def test_a_bead_lies_where_it_is(view) -> None:
    place = (1.3, -0.7, 0.9)
    scan = scan_full(bead(place, 1.2), replace(STILL, size_mm=(13.3, 14.0, 8.0), slice_mm=0.5, **view))
    world, hu = places(scan)
    near = np.linalg.norm(world - place, axis=1) < 2.0
    weight = np.maximum(hu[near] - 20.0, 0.0)
    assert weight @ world[near] / weight.sum() == pytest.approx(place, abs=0.015)


def test_kernel_families_are_kept_apart() -> None:
    f = np.linspace(0.0, 1.4, 200)
    for kernel in KERNELS.values():
        curve = kernel.mtf(f)
        assert curve[0] == pytest.approx(1.0)
        assert curve[-1] == pytest.approx(0.0, abs=1e-6)
        assert kernel.name.startswith(kernel.family)
        closest = min(
            np.abs(curve - other.mtf(f)).max() for other in KERNELS.values() if other.half != kernel.half
        )
        assert closest > 0.02
    families = [f for half in ("tuning", "seen", "test") for f in families_of(half)]
    assert len(set(families)) == len(families) == 6
    grades = [float(KERNELS[f"kaiser-{g}"].mtf(0.6)) for g in ("soft", "medium", "bone", "edge")]
    assert grades == sorted(grades)


def test_edge_preserving_reconstruction_is_not_linear() -> None:
    rng = np.random.default_rng(0)
    step = np.zeros((12, 40, 40), dtype=np.float32)
    step[:, :, 20:] = 1000.0
    noisy = step + rng.normal(0.0, 30.0, step.shape).astype(np.float32)
    smooth = edge_preserving(noisy, 2)
    assert smooth[:, :, 3:14].std() < 0.4 * 30.0
    assert smooth[:, :, 21].mean() - smooth[:, :, 18].mean() == pytest.approx(1000.0, abs=30.0)
    assert np.abs(edge_preserving(noisy, 1) - noisy).mean() < np.abs(smooth - noisy).mean()


def test_same_seed_same_scan() -> None:
    small = replace(STILL, is_noisy=True, size_mm=(8.0, 8.0, 1.2))
    assert scan_full(WATER, small, seed=2).digest == scan_full(WATER, small, seed=2).digest
    assert scan_full(WATER, small, seed=2).digest != scan_full(WATER, small, seed=3).digest


OTHER_PROCESS = """
from dataclasses import replace
from ongrowth_phantoms.scenes import Rod, Scene
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
metals = ("titanium", "steel", "cobalt-chrome", "coating")
rods = tuple(Rod(((k - 3.0, -20.0, 0.0), (k + 3.0, 20.0, 0.5)), 2.0, m) for k, m in enumerate(metals))
small = FullProtocol(size_mm=(12.0, 12.0, 1.2), n_views=120)
print(scan_full(Scene(other_metal=rods), small, seed=2).digest)
"""


def test_same_seed_same_scan_whatever_the_seed_of_hashes() -> None:
    """Rays through several metals: their sums go in one order in every process."""
    digests = {
        subprocess.run(
            [sys.executable, "-W", "ignore", "-c", OTHER_PROCESS],
            env=os.environ | {"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("0", "1", "2", "3")
    }  # fmt: skip
    assert len(digests) == 1


def test_without_metal_both_scanners_show_the_same_bone() -> None:
    """Two ways of drawing, blurring and sampling; what is left is the bone's own hardening, some 2 %."""
    scene = pars_scene(3).without_metal()
    f0, lift = 0.58, 0.35  # the curve of power-medium
    f = np.linspace(0.0, 1.6, 3000)
    r = np.linspace(0.2, 0.8, 2001)
    ring = np.exp(-((f / f0) ** 2)) * (1 + lift * (f / f0) ** 2) * f
    spread, top = np.trapezoid(ring * j0(2 * np.pi * f * r[:, None]), f), np.trapezoid(ring, f)
    size = (34.0, 30.0, 4.2)
    fast = FastProtocol(
        in_plane_fwhm_mm=2.0 * float(r[np.argmax(spread < top / 2.0)]), edge_enhancement=lift,
        slice_fwhm_mm=1.1,
        size_mm=size, noise_hu=0.0, clip_hu=None, tilt_deg=8.0,
    )  # fmt: skip
    full = FullProtocol(
        kernel="power-medium", size_mm=size, slice_fwhm_mm=1.1, is_noisy=False, scatter=0.0, clip_hu=None,
        tilt_deg=8.0,
    )  # fmt: skip
    a, b = scan_full(scene, full), scan_fast(scene, fast)
    assert a.world_from_voxel == pytest.approx(b.world_from_voxel)
    rest = a.hu.astype(float) - b.hu
    bone = b.hu > 150
    assert bone.sum() > 2000
    assert rest[~bone].std() < 8.0
    assert rest[bone].std() < 30.0
    assert abs(rest[bone].mean()) < 25.0
