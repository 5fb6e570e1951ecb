"""New bone round a drawn shaft: volumes known in closed form, and changes that are no bone."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform
from ongrowth.newbone import NewBone, measure_new_bone
from ongrowth.quantity import Measured
from ongrowth.scan import Scan

Real = NDArray[np.float64]

STEP_MM, HALF_MM, RADIUS_MM, CORTEX_MM, GAP_MM = 0.5, 21.0, 6.0, 1.5, 2.0
MUSCLE_HU, FAT_HU, MARROW_HU, YOUNG_HU, CORTEX_HU = 50.0, -90.0, 280.0, 500.0, 1200.0
NOISE_HU = 25.0
REST = RigidTransform.identity()
FRAME = ScrewFrame.of(np.array([0.0, 0.0, -12.0]), np.array([0.0, 0.0, 12.0]))
DEFECT = DefectPlane(Plane(np.zeros(3), np.array([0.0, 0.0, 1.0])), GAP_MM, "given", 1.0, 0.1)
SIDE = np.arange(-HALF_MM, HALF_MM + 1e-6, STEP_MM)
X, Y, Z = np.meshgrid(SIDE, SIDE, SIDE, indexing="ij")


class Look(NamedTuple):
    """What one scan shows: signed distances of fat and of more bone; film on the shaft; blur; noise."""

    fat_mm: Real | None = None
    lump_mm: Real | None = None
    lump_hu: float = YOUNG_HU
    film_mm: float = 0.0
    blur_mm: float = 0.5
    seed: int = 0


def ball_mm(centre: tuple[float, float, float], radius_mm: float) -> Real:
    away = np.stack([X, Y, Z]) - np.reshape(centre, (3, 1, 1, 1))
    return np.asarray(np.linalg.norm(away, axis=0) - radius_mm)


def block_mm(low: tuple[float, float, float], high: tuple[float, float, float]) -> Real:
    beyond = [np.maximum(a - p, p - b) for a, b, p in zip(low, high, (X, Y, Z), strict=True)]
    return np.asarray(np.maximum.reduce(beyond))


def scan_of(look: Look) -> Scan:
    """Draw a hollow shaft with a gap across it, each voxel by the share that a surface takes of it."""
    hu = np.full(X.shape, MUSCLE_HU)

    def paint(distance_mm: Real, value_hu: float) -> None:
        share = np.clip(0.5 - distance_mm / STEP_MM, 0.0, 1.0)
        hu[...] += (value_hu - hu) * share

    if look.fat_mm is not None:
        paint(look.fat_mm, FAT_HU)
    if look.lump_mm is not None:
        paint(look.lump_mm, look.lump_hu)
    side, gap = np.hypot(X, Y) - RADIUS_MM, GAP_MM / 2.0 - np.abs(Z)
    paint(np.maximum(side - look.film_mm, gap), CORTEX_HU)
    paint(np.maximum(side + CORTEX_MM, gap), MARROW_HU)
    affine = np.diag([STEP_MM, STEP_MM, STEP_MM, 1.0])
    affine[:3, 3] = -HALF_MM
    noise = np.random.default_rng(look.seed).normal(0.0, NOISE_HU, hu.shape)
    hu = ndimage.gaussian_filter(hu, look.blur_mm / STEP_MM) + noise
    return Scan(hu.astype(np.float32), affine)


def found(then: Look, now: Look) -> NewBone:
    return measure_new_bone(scan_of(then), scan_of(now._replace(seed=1)), FRAME, DEFECT, REST, REST)


def around(then: Look, now: Look) -> Measured:
    """Return what is found round the gap, in which nothing is drawn."""
    bone = found(then, now)
    assert abs(bone.in_defect.value) < 1.96 * bone.in_defect.u
    return bone.around_defect


@pytest.mark.parametrize("hu", [400.0, YOUNG_HU, 700.0])
@pytest.mark.parametrize("blur_mm", [0.5, 0.7])
def test_a_lump_counts_with_its_own_ct_number(hu: float, blur_mm: float) -> None:
    """A ball clear of the shaft: read as bone of 550 HU it would be 30 % too small or too large.

    A fifth is left for the wider blur, which takes as much off the middle of so small a ball.
    """
    ball = ball_mm((9.0, 0.0, 0.0), 2.0)
    bone = around(Look(blur_mm=blur_mm), Look(lump_mm=ball, lump_hu=hu, blur_mm=blur_mm))
    true = 4.0 / 3.0 * math.pi * 2.0**3
    assert bone.value == pytest.approx(true, rel=0.2)
    assert bone.low95 < true < bone.high95


def test_a_block_on_the_cortex_is_not_thinned_by_its_neighbour() -> None:
    """3 x 4 x 3 mm on the side of the shaft, over the rim of the gap: young bone, not cortex."""
    block = block_mm((4.0, -2.0, -1.5), (9.0, 2.0, 1.5))
    bone = found(Look(), Look(lump_mm=block))
    surface_mm = float(np.mean(np.sqrt(RADIUS_MM**2 - np.linspace(-2.0, 2.0, 201) ** 2)))
    in_gap = (surface_mm - 4.0) * 4.0 * GAP_MM
    outside = (9.0 - surface_mm) * 4.0 * 3.0
    assert bone.in_defect.value + bone.around_defect.value == pytest.approx(outside + in_gap, rel=0.2)


def test_a_film_is_counted_over_its_surface() -> None:
    """0.2 mm on the side of the shaft, within 5 mm of either face of the gap; blur carries some too deep."""
    bone = around(Look(), Look(film_mm=0.2))
    true = 2.0 * math.pi * RADIUS_MM * 0.2 * 2.0 * 5.0
    assert bone.value == pytest.approx(true, rel=0.25)
    assert bone.low95 < true < bone.high95


@pytest.mark.parametrize(("then_mm", "now_mm"), [(3.0, None), (None, 3.0)])
def test_fat_that_comes_or_goes_beside_the_bone_is_no_bone(
    then_mm: float | None, now_mm: float | None
) -> None:
    """A ball of 113 mm3 that differs by 140 HU, against the shaft: 28 mm3 if it counted as young bone."""
    then, now = (
        Look(fat_mm=None if radius is None else ball_mm((9.0, 0.0, 0.0), radius))
        for radius in (then_mm, now_mm)
    )
    assert around(then, now).value == pytest.approx(0.0, abs=5.0)


@pytest.mark.parametrize(("then_mm", "now_mm"), [(0.7, 0.45), (0.45, 0.7)])
def test_another_blur_is_no_bone(then_mm: float, now_mm: float) -> None:
    assert around(Look(blur_mm=then_mm), Look(blur_mm=now_mm)).value == pytest.approx(0.0, abs=15.0)


def test_another_tube_voltage_is_no_bone() -> None:
    """All of bone a quarter brighter, as at 100 kV beside 140."""
    then, now = scan_of(Look()), scan_of(Look(seed=1))
    brighter = Scan(
        (MUSCLE_HU + 1.25 * (now.hu - MUSCLE_HU)).astype(np.float32), now.world_from_voxel, now.acquisition
    )
    bone = measure_new_bone(then, brighter, FRAME, DEFECT, REST, REST)
    assert bone.around_defect.value == pytest.approx(0.0, abs=10.0)
    assert bone.in_defect.value == pytest.approx(0.0, abs=15.0)


@pytest.mark.parametrize(("then_mm", "now_mm"), [(8.5, 10.5), (8.5, 12.5), (10.5, 8.5), (9.5, 10.5)])
def test_a_neighbour_that_moves_is_neither_loss_nor_gain(then_mm: float, now_mm: float) -> None:
    """Another bone beside the shaft and across the plane, going on beyond the region, as a facet does."""
    then, now = (
        Look(lump_mm=block_mm((start, -3.0, -4.0), (20.0, 3.0, 4.0)), lump_hu=CORTEX_HU)
        for start in (then_mm, now_mm)
    )
    assert around(then, now).value == pytest.approx(0.0, abs=5.0)
