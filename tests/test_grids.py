"""Grids for looking at: whatever lies under a place of the patient stands at that place of the grid."""

from __future__ import annotations

from itertools import permutations, product

import build_reading as build
import numpy as np
import pytest

from ongrowth.reading import (
    Grid,
    patient_grid,
    patient_letters,
    plane_across,
    plane_along,
    screw_grid,
    surroundings,
)
from ongrowth.reading.grids import OUTSIDE_HU
from ongrowth.scan import Scan

SLOPE = np.array([2.0, 3.0, 5.0])  # HU per mm along x, y, z


def ramp_scan(directions: np.ndarray, step_mm: tuple[float, float, float] = (0.8, 0.6, 0.5)) -> Scan:
    """A scan whose CT numbers are a linear function of the place, on any axes."""
    affine = np.eye(4)
    affine[:3, :3] = directions * np.array(step_mm)
    affine[:3, 3] = (-14.0, 9.0, -20.0)
    index = np.stack(np.indices((50, 60, 70)), axis=-1)
    places = index @ affine[:3, :3].T + affine[:3, 3]
    return Scan((places @ SLOPE).astype(np.float32), affine)


def misfit_hu(grid: Grid) -> float:
    """Largest difference from the ramp, at places inside the scan."""
    z, y, x = (grid.first_mm[k] + grid.step_mm[k] * np.arange(grid.hu.shape[k]) for k in range(3))
    truth = SLOPE[2] * z[:, None, None] + SLOPE[1] * y[:, None] + SLOPE[0] * x
    inside = grid.hu > OUTSIDE_HU + 600
    assert inside.mean() > 0.3
    return float(np.abs(grid.hu - truth)[inside].max())


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_every_order_and_sense_of_axes_is_turned_right(order: tuple[int, int, int]) -> None:
    for signs in product((1.0, -1.0), repeat=3):
        directions = np.eye(3)[:, list(order)] * signs
        grid = patient_grid(ramp_scan(directions))
        assert misfit_hu(grid) < 1e-3
        assert (grid.step_mm > 0.0).all()


def test_a_tilted_and_an_oblique_scan_are_sampled_anew() -> None:
    sheared = np.array([[0.0, 0.0, 1.0], [0.26, 1.0, 0.0], [0.97, 0.0, 0.0]])
    turned = np.linalg.qr(np.array([[0.1, 0.3, 1.0], [0.2, 1.0, -0.3], [1.0, -0.2, 0.0]]))[0]
    for directions in (sheared / np.linalg.norm(sheared, axis=0), turned):
        # whole CT numbers: half a unit; at the rim the sample mixes with the air outside
        grid = patient_grid(ramp_scan(directions))
        z, y, x = (grid.first_mm[k] + grid.step_mm[k] * np.arange(grid.hu.shape[k]) for k in range(3))
        truth = SLOPE[2] * z[:, None, None] + SLOPE[1] * y[:, None] + SLOPE[0] * x
        assert np.median(np.abs(grid.hu - truth)[grid.hu > OUTSIDE_HU]) <= 0.5


def test_planes_show_the_screw_where_it_is() -> None:
    scan, frame = build.make_scan(), build.make_frame()
    part = surroundings(scan, frame, 14.0)
    depth, reach = np.arange(0.0, build.LENGTH_MM, 0.5), np.arange(-10.0, 10.01, 0.25)
    along = plane_along(part, frame, 30.0, depth, reach)
    across = plane_across(part, frame, 20.0, reach)
    assert along.shape == (depth.size, reach.size)
    middle = np.abs(reach) < build.RADIUS_MM - 0.6
    assert along[4:-4, middle].min() > 2500.0
    yy, xx = np.meshgrid(reach, reach, indexing="ij")
    assert across[np.hypot(yy, xx) < build.RADIUS_MM - 0.6].min() > 2500.0
    assert across[np.abs(np.hypot(yy, xx) - 2.5) < 0.1].mean() < 1500.0


def test_the_cut_across_has_angle_zero_up_and_ninety_right() -> None:
    scan = ramp_scan(np.eye(3)[:, [2, 1, 0]], (0.6, 0.6, 0.6))
    middle = scan.world_mm(np.array(scan.hu.shape) / 2.0)
    half = np.array([0.0, 0.0, 4.0])
    frame = build.ScrewFrame.of(middle - half, middle + half)
    part = surroundings(scan, frame, 8.0)
    across = plane_across(part, frame, 4.0, np.arange(-5.0, 5.01, 0.5))
    up, right = across[0].mean() - across[-1].mean(), across[:, -1].mean() - across[:, 0].mean()
    assert up == pytest.approx(10.0 * SLOPE @ frame.zero_direction, abs=1.0)
    assert right == pytest.approx(10.0 * SLOPE @ frame.quarter_direction, abs=1.0)
    whole = screw_grid(part, frame, 1.0, 5.0, 0.5)
    assert whole.first_mm.tolist() == [-1.0, -5.0, -5.0]
    np.testing.assert_allclose(whole.hu[10], across, atol=1.0)


def test_letters_name_the_directions() -> None:
    assert [patient_letters(v) for v in np.vstack([np.eye(3), -np.eye(3)])] == list("LPHRAF")
    assert patient_letters((0.71, 0.0, -0.70)) == "LF"
