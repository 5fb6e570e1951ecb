"""How much new bone a region holds, and the lumps away from the defect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.newbone.change import Change, Mask, Real
from ongrowth.newbone.model import NewBoneSettings
from ongrowth.newbone.regions import Bones, lumps_of
from ongrowth.quantity import Caution, Measured, Unit

FloatArray = NDArray[np.float64]

_FLOOR_MM3 = 15.0  # halo, streaks, outline of the gap; as the next but one from phantoms (tuning half)
_SHARE = 0.08  # CT number of young bone
_FILM_U_MM = 0.06  # registration, blur, and a film that has grown, over the surface of old bone
_ALL_OR_NONE = 12.0**-0.5  # standard deviation of what is anywhere from 0 to 1
_ALIKE_MM = 1.0  # over which noise is alike
_LUMP_MM = 1.5  # from the middle of a small lump to where its blur ends
_COPIED_MM, _COPIED_SHARE = 4.0, 0.4  # bone that came from so near was another bone that moved
_LIKELY_NOISE = 4.0
_CORE_SHARE, _EDGE_MM = 0.2, 1.0  # what of the smallest lump stands clear of old bone; blur
_DENSEST_HU = 1200.0
_MOSTLY = 0.5  # of the contrast of bone


@dataclass(frozen=True, slots=True, eq=False)
class Lump:
    """One lump of new bone: volume, middle (patient mm of the earlier scan, shape (3,)), and cells."""

    volume: Measured
    centre_mm: FloatArray
    cells: Mask


def contrast_hu(change: Change, bones: Bones, settings: NewBoneSettings) -> Real:
    """Return by how much bone that fills a cell lifts it.

    In the gap that is young bone, however dense the shores; elsewhere a lump has its own CT number, and a
    film that of the cortex it has grown on.
    """
    young = np.float32(settings.young_hu)
    beside = np.minimum(_highest(change.later_hu, _ALIKE_MM, change), np.float32(_DENSEST_HU))
    film = np.clip((settings.film_mm - bones.outside_mm) / settings.film_mm, 0.0, 1.0)
    own = _own_hu(change, bones, settings)
    level = np.where(own > 0.0, own, young + film * np.maximum(beside - young, 0.0))
    level[bones.in_gap] = young
    return np.asarray(level - np.float32(change.soft_hu), dtype=np.float32)


def _own_hu(change: Change, bones: Bones, settings: NewBoneSettings) -> Real:
    """Return the CT number of lumps clear of old bone, as far as blur carries them; 0 elsewhere."""
    width = settings.smooth_mm / change.step_mm
    most = ndimage.gaussian_filter(np.maximum(change.earlier_hu, change.later_hu), width)
    moved = np.abs(ndimage.gaussian_filter(change.change_hu, width))
    stands = (moved > (settings.young_hu - change.soft_hu) / 2.0) & (bones.outside_mm > settings.film_mm)
    return _highest(np.where(stands, most, np.float32(0.0)), _LUMP_MM, change)


def _highest(hu: Real, within_mm: float, change: Change) -> Real:
    cells = 2 * max(1, round(within_mm / change.step_mm)) + 1
    return np.asarray(ndimage.maximum_filter(hu, size=cells))


def volume_of(
    change: Change,
    bones: Bones,
    where: Mask,
    settings: NewBoneSettings,
    cautions: Caution,
    *,
    doubtful: Mask | None = None,
) -> Measured:
    """Return the new bone of a region: the sum of its change over the contrast of bone.

    What is doubtful may count in full, in part or not at all.
    """
    if not where.any():
        return Measured.missing(Unit.MM3, cautions | Caution.NO_DEFECT)
    contrast = contrast_hu(change, bones, settings)
    share = change.change_hu[where] / contrast[where]
    value = float(share.sum()) * change.cell_mm3
    u = _u_mm3(change, value, where, contrast, _surface_mm2(change, bones, where))
    if doubtful is not None:
        u = math.hypot(u, _ALL_OR_NONE * float(doubtful.sum()) * change.cell_mm3)
    return Measured.of(value, u, Unit.MM3, cautions, floor=0.0)


def _surface_mm2(change: Change, bones: Bones, where: Mask) -> float:
    """Return how much surface of old bone a region has, counted in cells next to it."""
    old = (bones.outside_mm < 0.0) & ~bones.gap
    return float((where & ~old & ndimage.binary_dilation(old)).sum()) * change.step_mm**2


def _u_mm3(change: Change, value: float, where: Mask, contrast: Real, surface_mm2: float) -> float:
    alike = max(1.0, (_ALIKE_MM / change.step_mm) ** 3)
    noise = change.noise_hu / float(np.median(contrast[where])) * math.sqrt(where.sum() * alike)
    return math.sqrt(
        _FLOOR_MM3**2
        + (_SHARE * value) ** 2
        + (noise * change.cell_mm3) ** 2
        + (_FILM_U_MM * surface_mm2) ** 2
    )


def find_lumps(change: Change, bones: Bones, settings: NewBoneSettings) -> list[Lump]:
    """Return the lumps of new bone away from the defect."""
    smooth = ndimage.gaussian_filter(change.change_hu, settings.smooth_mm / change.step_mm)
    rise = max(settings.least_rise_hu, _LIKELY_NOISE * change.noise_hu / 2.0)
    later = ndimage.gaussian_filter(change.later_hu, settings.smooth_mm / change.step_mm)
    clear = bones.beyond & (bones.outside_mm > settings.film_mm)
    labels, count = lumps_of(clear & (smooth > rise) & (later > settings.bone_hu))
    if count == 0:
        return []
    loss = change.known & (smooth < -rise)
    contrast = contrast_hu(change, bones, settings)
    found = (
        _lump(change, bones, labels == k, loss, contrast, settings)
        for k in range(1, count + 1)
        if (labels == k).sum() * change.cell_mm3 > _CORE_SHARE * settings.least_mm3
    )
    return [lump for lump in found if lump is not None]


def _lump(
    change: Change, bones: Bones, core: Mask, loss: Mask, contrast: Real, settings: NewBoneSettings
) -> Lump | None:
    """Return a lump with its blurred edge; None if it is too small, or bone that came from elsewhere."""
    if _reaches_edge(core):
        return None
    reach = ndimage.binary_dilation(core, iterations=round(_COPIED_MM / change.step_mm))
    if (loss & reach).sum() > _COPIED_SHARE * core.sum():
        return None
    edge_mm = settings.film_mm + _EDGE_MM
    where = ndimage.binary_dilation(core, iterations=round(edge_mm / change.step_mm)) & bones.beyond
    value = float((change.change_hu[where] / contrast[where]).sum()) * change.cell_mm3
    if value < settings.least_mm3:
        return None
    u = _u_mm3(change, value, where, contrast, 0.0)
    centre = change.places_mm[core].mean(axis=0)
    return Lump(Measured.of(value, u, Unit.MM3, floor=0.0), np.asarray(centre, dtype=np.float64), where)


def _reaches_edge(core: Mask) -> bool:
    """Whether a lump goes on beyond the grid, as a facet does that lies otherwise."""
    inner = np.zeros(core.shape, dtype=bool)
    inner[1:-1, 1:-1, 1:-1] = True
    return bool((core & ~inner).any())


def mostly_new(change: Change, bones: Bones, lumps: Sequence[Lump], settings: NewBoneSettings) -> Mask:
    """Return the cells that are mostly new bone, in the defect, round it, and in lumps elsewhere.

    The volumes count parts of cells, so these cells are a picture of them, not their sum.
    """
    where = bones.in_gap | bones.around
    for lump in lumps:
        where = where | lump.cells
    smooth = ndimage.gaussian_filter(change.change_hu, settings.smooth_mm / change.step_mm)
    return np.asarray(where & (smooth > _MOSTLY * contrast_hu(change, bones, settings)))
