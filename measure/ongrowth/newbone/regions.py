"""Where old bone, the gap and its surroundings lie on the grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect import DefectPlane
from ongrowth.newbone.change import Change, Mask, Real
from ongrowth.newbone.model import NewBoneSettings

_USUAL_GAP_MM = 2.0
_ACROSS_MM = 1.2  # behind a face of the gap its bone is looked for
_BLUR_MM = 1.0  # a change spreads so far over the edge that it belongs to
_BED_BLUR_MM = 0.6  # the same where a halo may come and go below the surface
_CLOSE_MM = 1.0  # marrow spaces are closed


@dataclass(frozen=True, slots=True, eq=False)
class Bones:
    """Regions of a grid, shape (X, Y, Z).

    Parameters
    ----------
    outside_mm : ndarray of float32
        Distance from the surface of the old bone (metal and gap counted in), negative inside.
    gap : ndarray of bool
        Between the faces of the defect, inside the outline of the bone.
    in_gap, around : ndarray of bool
        Where new bone in the defect, and round it, is counted: as far as blur carries it.
    beyond : ndarray of bool
        Outside the bone and farther off.
    """

    outside_mm: Real
    gap: Mask
    in_gap: Mask
    around: Mask
    beyond: Mask


def find_bones(change: Change, defect: DefectPlane, settings: NewBoneSettings) -> Bones:
    """Return where the old bone lay."""
    half = (_USUAL_GAP_MM if math.isnan(defect.gap_mm) else max(defect.gap_mm, 1.0)) / 2.0
    axial = np.abs(change.height_mm)
    solid = _solid(change, settings)
    slab = axial < half
    bed = change.radius_mm < settings.bed_mm
    faced = slab & _between(solid, change, half)
    gap = faced & _joined(faced | (slab & ~change.known), bed)
    whole = solid | gap
    outside = (
        ndimage.distance_transform_edt(~whole) - ndimage.distance_transform_edt(whole)
    ) * change.step_mm
    gap_away = ndimage.distance_transform_edt(~gap) * change.step_mm if gap.any() else np.full(gap.shape, 1e3)
    in_gap = change.known & (axial < half + _BLUR_MM) & (outside < 0.0) & (gap_away < 2.0 * _BLUR_MM)
    in_gap &= ~bed | (axial < half)  # in the bed a halo that comes or goes lies behind the faces
    near = (gap_away < settings.around_mm) & ~in_gap
    deep = np.where(bed, _BED_BLUR_MM, _BLUR_MM)
    edge = (outside > -deep) & change.known
    return Bones(np.asarray(outside, dtype=np.float32), gap, in_gap, edge & near, edge & ~near & ~in_gap)


def _solid(change: Change, settings: NewBoneSettings) -> Mask:
    """Bone of the earlier scan without its marrow spaces, metal counted in."""
    bone = (change.earlier_hu > settings.bone_hu) | ~change.known
    times = max(1, round(_CLOSE_MM / change.step_mm))
    closed = ndimage.binary_closing(bone, iterations=times) | bone

    return np.asarray(_filled(closed))


def _filled(mask: Mask) -> Mask:
    return np.stack([ndimage.binary_fill_holes(mask[:, :, k]) for k in range(mask.shape[2])], axis=2)


def _joined(mask: Mask, roots: Mask) -> Mask:
    """Keep the pieces that reach the roots: the plane goes on through other bones."""
    labels, _ = lumps_of(mask)
    return np.isin(labels, np.setdiff1d(labels[roots], [0]))


def _between(solid: Mask, change: Change, half_mm: float) -> Mask:
    """Which places have bone across both faces, looked for along the normal of the defect."""
    slope = np.stack([np.asarray(g) for g in np.gradient(change.height_mm)])  # mm per cell: the normal
    normal = slope[:, 0, 0, 0] / np.linalg.norm(slope[:, 0, 0, 0])
    index = np.indices(solid.shape).astype(np.float32)
    found = np.ones(solid.shape, dtype=bool)
    for way in (-1.0, 1.0):
        shift = (way * (half_mm + _ACROSS_MM) - change.height_mm) / np.float32(change.step_mm)
        where = index + shift * normal.astype(np.float32)[:, None, None, None]
        found &= ndimage.map_coordinates(solid.astype(np.float32), where, order=1, mode="nearest") > 0.5
    return found


def lumps_of(mask: Mask) -> tuple[NDArray[np.intp], int]:
    """Return the connected pieces of a mask: their numbers, from 1, and how many there are."""
    labels, count = ndimage.label(mask, np.ones((3, 3, 3)))
    return np.asarray(labels, dtype=np.intp), int(count)
