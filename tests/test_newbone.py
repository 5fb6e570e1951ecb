"""New bone on a drawn grid: where the gap ends, which lumps count, how much surface a region has."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.geometry import Plane
from ongrowth.newbone.change import Change
from ongrowth.newbone.lumps import find_lumps, volume_of
from ongrowth.newbone.model import NewBoneSettings
from ongrowth.newbone.regions import Bones, find_bones
from ongrowth.quantity import Caution

STEP_MM = 0.5
SETTINGS = NewBoneSettings()
AXES = np.stack(
    np.meshgrid(*(np.arange(-15.0, 15.01, STEP_MM),) * 2, np.arange(-12.0, 12.01, STEP_MM), indexing="ij"),
    axis=-1,
)
AXES[..., 2] += 0.25  # the faces of the gap lie between two layers of cells
X, Y, Z = np.moveaxis(AXES, -1, 0)
RADIUS = np.hypot(X, Y)
DEFECT = DefectPlane(Plane(np.zeros(3), np.array([0.0, 0.0, 1.0])), 2.0, "given", 1.0, 0.1)
ISTHMUS = (RADIUS < 6.0) & (np.abs(Z) > 1.0)
FACET = (np.hypot(X - 12.0, Y) < 2.0) & (np.abs(Z) < 5.0)  # beside it, across the same plane
SOFT_HU, BONE_HU = 50.0, 600.0


def change_to(then: NDArray[np.bool_], now: NDArray[np.bool_]) -> Change:
    was, is_now = (np.where(m, BONE_HU, SOFT_HU).astype(np.float32) for m in (then, now))
    known = RADIUS > 3.0  # metal
    return Change(
        was,
        is_now - was,
        known,
        Z.astype(np.float32),
        RADIUS.astype(np.float32),
        (Z + 12.0).astype(np.float32),
        AXES,
        STEP_MM,
        10.0,
        SOFT_HU,
    )


def bones_of(change: Change) -> Bones:
    return find_bones(change, DEFECT, SETTINGS)


def test_the_gap_ends_at_its_own_bone() -> None:
    """The plane goes on through the facet, in which there is no gap."""
    split = FACET & (np.abs(Z) > 1.0)
    bones = bones_of(change_to(ISTHMUS | split, ISTHMUS | split))
    assert bones.gap.any()
    assert RADIUS[bones.gap].max() < 7.0
    assert RADIUS[bones.in_gap].max() < 7.0


def test_a_bridge_is_counted_and_a_halo_behind_the_faces_is_not() -> None:
    bridge = (np.hypot(X - 4.5, Y) < 1.2) & (np.abs(Z) <= 1.0)
    halo = (RADIUS < 4.0) & (np.abs(Z) > 1.2)
    change = change_to(ISTHMUS, (ISTHMUS | bridge) & ~halo)
    bones = bones_of(change)
    found = volume_of(change, bones, bones.in_gap, SETTINGS, Caution.NONE)
    drawn = float((bridge & ~ISTHMUS).sum()) * STEP_MM**3
    # full bone of BONE_HU over what young bone is taken to add
    assert found.value == pytest.approx(drawn * (BONE_HU - SOFT_HU) / (SETTINGS.young_hu - SOFT_HU), rel=0.2)


def test_a_lump_beside_the_bone_counts_and_a_facet_that_came_into_view_does_not() -> None:
    lump = (np.hypot(X + 9.0, Y) < 2.0) & (np.abs(Z - 8.0) < 2.0)
    facet = (X > 12.0) & (np.abs(Y) < 3.0) & (np.abs(Z - 7.0) < 2.5)
    change = change_to(ISTHMUS, ISTHMUS | lump | facet)
    (found,) = find_lumps(change, bones_of(change), SETTINGS)
    assert found.centre_mm == pytest.approx([-9.0, 0.0, 8.0], abs=0.5)
    assert found.volume.value == pytest.approx(float(lump.sum()) * STEP_MM**3, rel=0.2)


def test_doubt_grows_with_the_surface_of_old_bone() -> None:
    """A film of 0.06 mm over the side of a cylinder, pi d h, as far as the region reaches."""
    change = change_to(ISTHMUS, ISTHMUS)
    bones = bones_of(change)
    found = volume_of(change, bones, bones.around, SETTINGS, Caution.NONE)
    high_mm = np.ptp(Z[bones.around & (bones.outside_mm > 0.0)])
    assert found.u == pytest.approx(
        np.hypot(15.0, 0.06 * np.pi * 12.0 * high_mm), rel=0.35
    )  # of cells 0.5 mm wide


def test_bone_that_is_gone_beside_the_gap_is_in_doubt() -> None:
    """It counts as loss; how much of it may be meant is anywhere from none to all: over the root of 12."""
    lump = (np.abs(X - 8.0) < 2.0) & (np.abs(Y) < 2.0) & (np.abs(Z - 3.0) < 2.0)
    change = change_to(ISTHMUS | lump, ISTHMUS)
    bones = bones_of(change)
    sure, found = (
        volume_of(change, bones, bones.around, SETTINGS, Caution.NONE, doubtful=doubtful)
        for doubtful in (None, bones.doubtful)
    )
    drawn = float((lump & ~ISTHMUS).sum()) * STEP_MM**3
    assert found.value == sure.value == pytest.approx(-drawn, rel=0.35)  # in part farther than 5 mm, or sunk
    assert np.sqrt(found.u**2 - sure.u**2) == pytest.approx(drawn / np.sqrt(12.0), rel=0.35)


def test_where_nothing_thick_has_changed_nothing_is_in_doubt() -> None:
    change = change_to(ISTHMUS, ISTHMUS | ((RADIUS < 6.5) & (np.abs(Z) > 1.0)))
    assert not bones_of(change).doubtful.any()
