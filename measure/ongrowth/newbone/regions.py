"""Where old bone, the gap and its surroundings lie on the grid."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect import DefectPlane
from ongrowth.newbone.change import BLUR_MM, Change, Mask, Real, outside_mm, solid_of
from ongrowth.newbone.model import NewBoneSettings

_USUAL_GAP_MM = 2.0
_ACROSS_MM = 1.2  # behind a face of the gap its bone is looked for
_BED_BLUR_MM = 0.6  # the same where a halo may come and go below the surface


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
    doubtful : ndarray of bool
        Round the gap: bone that is gone, or that has come where a halo may have filled again.
    """

    outside_mm: Real
    gap: Mask
    in_gap: Mask
    around: Mask
    beyond: Mask
    doubtful: Mask


def find_bones(change: Change, defect: DefectPlane, settings: NewBoneSettings) -> Bones:
    """Return where the old bone lay."""
    half = (_USUAL_GAP_MM if math.isnan(defect.gap_mm) else max(defect.gap_mm, 1.0)) / 2.0
    axial = np.abs(change.height_mm)
    solid = _solid(change.earlier_hu, change, settings)
    slab = axial < half
    bed = change.radius_mm < settings.bed_mm
    others = _other_bones(change, bed, settings)
    broad = ndimage.binary_dilation(solid)  # rough faces end unevenly
    faced = slab & ~others & _between(broad, change, half)
    gap = faced & _joined(faced | (slab & ~change.known), bed)
    whole = solid | gap
    outside = outside_mm(whole, change.step_mm)
    gap_away = ndimage.distance_transform_edt(~gap) * change.step_mm if gap.any() else np.full(gap.shape, 1e3)
    in_gap = change.known & (axial < half + BLUR_MM) & (outside < 0.0) & (gap_away < 2.0 * BLUR_MM)
    in_gap &= ~bed | (axial < half)  # in the bed a halo that comes or goes lies behind the faces
    near = (gap_away < settings.around_mm) & ~in_gap
    deep = np.where(bed, _BED_BLUR_MM, BLUR_MM)
    gone, come = _gone_and_come(change, solid, settings)
    halo = ndimage.binary_dilation(~change.known)  # one that broke out of the bed, then or now
    went = ndimage.binary_dilation(gone & ~_joined(gone, halo), iterations=round(BLUR_MM / change.step_mm))
    edge = change.known & ((outside > -deep) | went)
    doubtful = (gone | _joined(come, halo)) & (near | in_gap) & ~others
    return Bones(outside, gap, in_gap, edge & near & ~others, edge & ~near & ~in_gap, doubtful)


def _gone_and_come(change: Change, solid: Mask, settings: NewBoneSettings) -> tuple[Mask, Mask]:
    """Bone, thicker than a film, that only the earlier scan shows, and that only the later one shows."""
    now = _solid(change.later_hu, change, settings)
    return ndimage.binary_opening(solid & ~now), ndimage.binary_opening(now & ~solid)


def _other_bones(change: Change, bed: Mask, settings: NewBoneSettings) -> Mask:
    """Bones that do not hang together with what the screw runs through and go on beyond the grid.

    They are other vertebrae, which lie differently from scan to scan: then and now, as far as blur carries.
    """
    was, now = ((hu > settings.bone_hu) | ~change.known for hu in (change.earlier_hu, change.later_hu))
    then = _reaching(was & ~_joined(was, bed))
    moved = _joined(now & ~_joined(now, bed), then)
    return np.asarray(ndimage.binary_dilation(then | moved, iterations=round(BLUR_MM / change.step_mm)))


def _reaching(mask: Mask) -> Mask:
    """Keep the pieces that reach the edge of the grid."""
    edge = np.ones(mask.shape, dtype=bool)
    edge[1:-1, 1:-1, 1:-1] = False
    return _joined(mask, edge)


def _solid(hu: Real, change: Change, settings: NewBoneSettings) -> Mask:
    """Bone of a scan without its marrow spaces, metal counted in."""
    return solid_of(np.where(change.known, hu, np.float32(np.inf)), settings)


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
