"""Distance from the tip to the outer surface ahead, on slabs whose place is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ongrowth.cortex import tip_to_cortex
from ongrowth.frame import ScrewFrame
from ongrowth.quantity import Caution
from ongrowth.scan import Scan

STEP_MM = 0.4


def scan_of(
    distance_mm: float, *, thick_mm: float = 1.5, tilt_deg: float = 0.0, shell_hu: float = 1300.0
) -> Scan:
    """A screw along z from 0 to 20 mm; spongy bone, then a shell whose outer face lies ahead of the tip."""
    axis = np.arange(-14.0, 14.0, STEP_MM), np.arange(-14.0, 14.0, STEP_MM), np.arange(-4.0, 44.0, STEP_MM)
    x, y, z = np.meshgrid(*axis, indexing="ij")
    tilt = np.radians(tilt_deg)
    outward = np.cos(tilt) * (z - 20.0 - distance_mm) + np.sin(tilt) * x
    hu = np.where(outward > 0, 50.0, np.where(outward > -thick_mm, shell_hu, 280.0))
    hu[(np.hypot(x, y) < 2.0) & (z > 0) & (z < 20.0)] = 3071.0
    hu = gaussian_filter(hu, 0.9 / 2.355 / STEP_MM)
    hu += np.random.default_rng(4).normal(0.0, 60.0, hu.shape)
    affine = np.eye(4)
    affine[:3, :3] *= STEP_MM
    affine[:3, 3] = (-14.0, -14.0, -4.0)
    return Scan(hu.astype(np.int16), affine)


FRAME = ScrewFrame.of((0.0, 0.0, 0.0), (0.0, 0.0, 20.0))


@pytest.mark.parametrize("distance_mm", [3.0, 5.5, 11.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 30.0])
def test_distance_lies_in_its_interval(distance_mm: float, tilt_deg: float) -> None:
    found = tip_to_cortex(scan_of(distance_mm, tilt_deg=tilt_deg), FRAME)
    assert found.value == pytest.approx(distance_mm, abs=0.45)  # one standard uncertainty
    assert found.low95 < distance_mm < found.high95


def test_a_thin_shell_is_still_found() -> None:
    assert tip_to_cortex(scan_of(6.0, thick_mm=0.8), FRAME).value == pytest.approx(6.0, abs=0.45)


def test_a_tip_outside_the_bone_has_no_distance() -> None:
    found = tip_to_cortex(scan_of(-2.0), FRAME)
    assert not found.is_known
    assert found.cautions == Caution.NO_BONE


def test_a_scan_that_ends_before_the_surface_says_so() -> None:
    scan = scan_of(11.0)
    found = tip_to_cortex(scan.crop((slice(None), slice(None), slice(0, 75))), FRAME)
    assert not found.is_known
    assert found.cautions == Caution.OUT_OF_SCAN


def test_the_scan_is_not_touched() -> None:
    scan = scan_of(5.0)
    before = scan.hu.copy()
    tip_to_cortex(scan, FRAME)
    np.testing.assert_array_equal(scan.hu, before)
