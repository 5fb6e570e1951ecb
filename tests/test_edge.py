"""The blurred rod and slab against other ways of computing them."""

import numpy as np
import pytest

from ongrowth.edge import Blur, DiscPlaces, Places, RodResponse, Section, slab_step

BLURS = {
    "smooth": Blur.gaussian(0.9, 1.1),
    "edge-enhancing": Blur(0.8, 2.4, 1.5, 0.9, 0.6),
    "bent": Blur(0.7, 2.2, 0.4, 0.9, 0.6, 0.2, 0.1, -0.15),
}


def section() -> Section:
    return Section.of([0.3, 0.5, 0.8], [0.0, 0.0, 1.0])


def drawn_disc(radius_mm: float, blur: Blur, where: Section) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw a disc on a fine grid and blur it there: image, radius, direction from e1."""
    step, n, fine = 0.06, 400, 6
    x = (np.arange(n) - n // 2) * step
    cover = np.zeros((n, n))
    for dx in (np.arange(fine) - (fine - 1) / 2) / fine * step:
        for dy in (np.arange(fine) - (fine - 1) / 2) / fine * step:
            cover += (x[:, None] + dx) ** 2 + (x[None, :] + dy) ** 2 < radius_mm**2
    k = np.fft.fftfreq(n, step)
    k1, k2 = np.meshgrid(k, k, indexing="ij")
    sine = np.sqrt(1.0 - where.cos_tilt**2)
    transfer = blur.in_plane(np.hypot(k1, k2 * where.cos_tilt)) * blur.through_plane(k2 * sine)
    image = np.fft.ifft2(np.fft.fft2(cover / fine**2) * transfer).real
    return image, np.hypot(x[:, None], x[None, :]), np.arctan2(x[None, :], x[:, None] + 0 * x[None, :])


@pytest.mark.parametrize("name", BLURS)
def test_blurred_disc_matches_one_drawn_and_blurred_on_a_grid(name: str) -> None:
    image, radius, psi = drawn_disc(2.3, BLURS[name], section())
    near = radius < 6.0
    response = RodResponse(BLURS[name], section(), 7.0)
    ours = Places(radius[near], psi[near], 7.0).read(response.discs(2.3))[0]
    assert np.abs(ours - image[near]).max() < 2e-3  # 20 HU of 10 000, the grid's own error included


def test_disc_keeps_its_area() -> None:
    response = RodResponse(BLURS["edge-enhancing"], section(), 9.0)
    r = response.radius_mm
    area = float(np.sum(2.0 * np.pi * r * response.discs(2.0)[0, 0]) * (r[1] - r[0]))
    assert area == pytest.approx(np.pi * 4.0, rel=2e-3)


def test_table_of_discs_and_its_slope_agree_with_single_discs() -> None:
    response = RodResponse(BLURS["smooth"], section(), 8.0)
    table = response.discs(np.arange(1.0, 5.0, 0.08))
    places = Places(np.array([1.0, 2.0, 2.5, 3.0]), np.array([0.1, 1.0, 2.0, 3.0]), 8.0)
    value, slope = DiscPlaces(places, np.full(4, 2.37), 1.0, 0.08).read(table)
    exact, wider, narrower = places.read(response.discs([2.37, 2.39, 2.35]))
    np.testing.assert_allclose(value, exact, atol=5e-3)
    # between tabulated discs the slope is constant: it only steers the descent
    np.testing.assert_allclose(slope, (wider - narrower) / 0.04, atol=0.06)


@pytest.mark.parametrize("order", [1, 2])
def test_helix_matches_a_thread_drawn_and_blurred_in_three_dimensions(order: int) -> None:
    blur, where, pitch = BLURS["smooth"], section(), 1.6
    axis = np.cross(where.e1, where.e2)
    step, n = 0.15, 64  # six pitches, so that the grid is periodic along the rod
    x = (np.arange(n) - n / 2) * step
    a, b, z = np.meshgrid(x, x, x, indexing="ij")
    radius, phi = np.hypot(a, b), np.arctan2(b, a)

    def ring(r: np.ndarray) -> np.ndarray:
        return np.exp(-((r - 1.75) ** 2) / (2 * 0.25**2))

    thread = ring(radius) * np.exp(1j * order * (phi - 2.0 * np.pi * z / pitch))
    k = np.meshgrid(*[np.fft.fftfreq(n, step)] * 3, indexing="ij")
    up = k[0] * where.e1[2] + k[1] * where.e2[2] + k[2] * axis[2]
    flat = np.sqrt(np.maximum(k[0] ** 2 + k[1] ** 2 + k[2] ** 2 - up**2, 0.0))
    blurred = np.fft.ifftn(np.fft.fftn(thread) * blur.in_plane(flat) * blur.through_plane(up))
    shells = np.linspace(0.6, 2.9, 80)
    orders, profiles = RodResponse(blur, where, 6.0).helix(order, order / pitch, shells, ring(shells))
    near = (radius < 3.5) & (radius > 0.2)
    ours = Places(radius[near], phi[near], 6.0).read_helix(orders, profiles)
    ours = ours * np.exp(-2j * np.pi * order / pitch * z[near])
    assert np.abs(ours - blurred[near]).max() < 0.01 * np.abs(blurred).max() + 2e-4


def test_slab_step_rises_from_zero_to_one() -> None:
    step = slab_step(BLURS["edge-enhancing"], 0.4, np.array([-6.0, 0.0, 6.0]))
    np.testing.assert_allclose(step, [0.0, 0.5, 1.0], atol=2e-3)


def test_gaussian_blur_states_its_own_widths() -> None:
    blur = Blur.gaussian(0.7, 1.0)
    assert blur.in_plane_fwhm_mm == pytest.approx(0.7, abs=2e-3)
    assert blur.slice_fwhm_mm == 1.0


def test_rod_upright_on_the_slices_has_a_section() -> None:
    upright = Section.of([0.0, 0.0, 1.0], [0.0, 0.0, 1.0])
    assert upright.cos_tilt == pytest.approx(1.0)
    assert upright.e1 @ upright.e2 == pytest.approx(0.0, abs=1e-12)
