"""The raw voxels round a screw, and where bone of which fragment lies behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect import DefectPlane, Side
from ongrowth.frame import ScrewFrame
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]

SOFT_HU = 50.0  # muscle and fibrous tissue (ICRU-44 soft tissue: 52-55 HU)
_LEAST_BONE_MM = 0.6
_LEAST_RISE_HU = 300.0  # from spongy to dense bone
_DENSEST_SPONGY_HU = 550.0
_DENSE_SHARE = 0.35  # of the rise from spongy to dense bone that a thin shell must show
_FIRST_LOOK_MM = 0.7  # nearer than this the foot of the metal hides what the tissue is


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Raw voxels round a screw; nothing interpolated.

    Parameters
    ----------
    hu : ndarray, shape (N,)
        CT numbers.
    is_clipped : ndarray of bool, shape (N,)
        At the ceiling of the scan: the true value is at least this.
    x_mm, y_mm, depth_mm : ndarray, shape (N,)
        Place in the frame of the screw, mm.
    """

    hu: FloatArray
    is_clipped: NDArray[np.bool_]
    x_mm: FloatArray
    y_mm: FloatArray
    depth_mm: FloatArray

    @property
    def places_mm(self) -> FloatArray:
        """Places in the frame of the screw, shape (N, 3), mm."""
        return np.stack([self.x_mm, self.y_mm, self.depth_mm], axis=1)

    def take(self, chosen: NDArray[np.bool_]) -> Samples:
        """Return the chosen voxels."""
        return Samples(*(getattr(self, name)[chosen] for name in self.__slots__))


def gather(scan: Scan, frame: ScrewFrame, reach_mm: float, from_mm: float, to_mm: float) -> Samples:
    """Return the voxels within `reach_mm` of the axis and between two depths, mm.

    Raises
    ------
    Refused
        If the screw lies outside the scan.
    """
    ends = frame.world(0.0, 0.0, np.array([from_mm, to_mm]))
    part = scan.crop(scan.box(ends, reach_mm))
    screw_from_voxel = frame.world_from_screw.inverse().matrix @ part.world_from_voxel
    k, j, i = np.ogrid[tuple(slice(0, n) for n in part.hu.shape)]
    x, y, z = (row[0] * k + row[1] * j + row[2] * i + row[3] for row in screw_from_voxel[:3])
    inside = (x * x + y * y < reach_mm**2) & (z > from_mm) & (z < to_mm)
    hu = part.hu[inside].astype(np.float64)
    # scanners stop at the ceiling exactly; a resampled plateau is not flat, so a little below counts too
    clipped = hu >= scan.hu_ceiling - 20.0 if np.isfinite(scan.hu_ceiling) else np.zeros(hu.shape, bool)
    return Samples(hu, clipped, x[inside], y[inside], z[inside])


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """What lies round the screw, on a cylinder grid; from the image alone.

    Parameters
    ----------
    depth_mm, angle_deg, radius_mm : ndarray
        Grid, shapes (D,), (S,), (R,).
    hu : ndarray, shape (D, S, R)
        CT numbers averaged over neighbouring cells; NaN outside the scan.
    bone_hu, cortex_hu, soft_hu : float
        Typical levels round the screw: spongy bone, dense bone, and what lies beyond the bone.
    start_mm, end_mm : ndarray, shape (D, S)
        Radius where bone begins and ends, mm; NaN where there is none within reach.
    cortex_mm : ndarray, shape (D, S)
        Radius where dense bone begins, mm; infinite where there is none within reach.
    """

    depth_mm: FloatArray
    angle_deg: FloatArray
    radius_mm: FloatArray
    hu: FloatArray
    bone_hu: float
    cortex_hu: float
    soft_hu: float
    start_mm: FloatArray
    end_mm: FloatArray
    cortex_mm: FloatArray

    def at(self, what: FloatArray, depth_mm: FloatArray, angle_deg: FloatArray) -> FloatArray:
        """Return the nearest cell's entry of a (D, S, ...) array for places, shape (N, ...)."""
        step_z = self.depth_mm[1] - self.depth_mm[0]
        i = np.clip(np.rint((depth_mm - self.depth_mm[0]) / step_z).astype(int), 0, len(self.depth_mm) - 1)
        j = np.rint((angle_deg % 360.0) * (len(self.angle_deg) / 360.0)).astype(int) % len(self.angle_deg)
        return np.asarray(what[i, j])


def look_round(scan: Scan, frame: ScrewFrame, envelope_mm: float, reach_mm: float) -> Surroundings:
    """Return what lies round the screw between its envelope and `reach_mm`.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Frame of the screw.
    envelope_mm : float
        Radius of the thread envelope, mm.
    reach_mm : float
        Largest radius looked at, mm.
    """
    depth = np.arange(0.5, frame.length_mm, 1.0)
    angle = np.arange(0.0, 360.0, 15.0)
    radius = np.arange(envelope_mm + _FIRST_LOOK_MM, reach_mm, 0.2)
    places = frame.world(radius, angle[:, None], depth[:, None, None])
    hu = _interpolated(scan, places)
    smooth = _smoothed(hu)
    bone_hu, cortex_hu = _bone_levels(smooth, np.ones(smooth.shape, bool))
    for _ in range(2):  # once the bone is found, its level is taken clear of its edges
        start, end = _bone_reach(smooth, radius, 0.5 * (SOFT_HU + bone_hu))
        cortex, end = _dense_reach(smooth, radius, start, end, bone_hu, cortex_hu)
        with np.errstate(invalid="ignore"):
            clear = (radius > start[..., None] + 0.6) & (radius < np.minimum(end, cortex)[..., None] - 0.8)
            beyond = (radius > end[..., None] + 0.8) & (radius < end[..., None] + 1.6)
        bone_hu, cortex_hu = _bone_levels(smooth, clear)
    soft = smooth[beyond & np.isfinite(smooth)]
    soft_hu = float(np.median(soft)) if soft.size > 30 else SOFT_HU
    return Surroundings(depth, angle, radius, smooth, bone_hu, cortex_hu, soft_hu, start, end, cortex)


def _smoothed(hu: FloatArray) -> FloatArray:
    """Average over neighbouring cells, the middle one counting double: thin dense bone must stay."""
    near = [0.25, 0.5, 0.25]
    hu = ndimage.convolve1d(hu, near, axis=1, mode="wrap")
    return ndimage.convolve1d(
        ndimage.convolve1d(hu, near, axis=0, mode="nearest"), near, axis=2, mode="nearest"
    )


def _dense_reach(
    hu: FloatArray,
    radius_mm: FloatArray,
    start_mm: FloatArray,
    end_mm: FloatArray,
    bone_hu: float,
    cortex_hu: float,
) -> tuple[FloatArray, FloatArray]:
    """Return where dense bone begins and bone ends, half-way up to each cell's own densest place.

    A thin shell is blurred down, so half-way to the usual level of dense bone would miss it. The foot of
    the metal, which falls outward, is no dense bone.
    """
    level = np.nan_to_num(hu, nan=-1000.0)
    foot = np.logical_and.accumulate(np.diff(level, axis=2, append=level[..., -1:]) < 0.0, axis=2)
    with np.errstate(invalid="ignore"):
        inside = (radius_mm >= start_mm[..., None] - 0.4) & (radius_mm <= end_mm[..., None] + 0.4) & ~foot
    level = np.where(inside, level, -1000.0)
    peak = np.minimum(level.max(axis=2), cortex_hu)
    is_dense = peak > bone_hu + _DENSE_SHARE * (cortex_hu - bone_hu)
    first = (level > 0.5 * (bone_hu + peak)[..., None]).argmax(axis=2)
    cortex = np.where(is_dense, _crossing(hu, radius_mm, first, 0.5 * (bone_hu + peak)), np.inf)
    last = level.shape[2] - 1 - (level > 0.5 * (SOFT_HU + peak)[..., None])[..., ::-1].argmax(axis=2)
    falls = is_dense & np.isfinite(end_mm) & (last < level.shape[2] - 1)
    return cortex, np.where(falls, radius_mm[last] + 0.5 * (radius_mm[1] - radius_mm[0]), end_mm)


def _crossing(
    hu: FloatArray, radius_mm: FloatArray, at: NDArray[np.intp], level_hu: FloatArray
) -> FloatArray:
    """Return the radius at which a profile rises through a level just before sample `at`."""
    before = np.maximum(at - 1, 0)
    high, low = (np.take_along_axis(hu, n[..., None], axis=2)[..., 0] for n in (at, before))
    share = np.where(high > low, (level_hu - low) / np.maximum(high - low, 1e-9), 1.0)
    step = radius_mm[1] - radius_mm[0]
    return np.asarray(radius_mm[before] + np.clip(share, 0.0, 1.0) * step * (at > before))


def _interpolated(scan: Scan, places_mm: FloatArray) -> FloatArray:
    flat = places_mm.reshape(-1, 3)
    part = scan.crop(scan.box(flat[:: max(1, len(flat) // 4000)], 3.0))
    index = part.voxels(flat).T
    hu = ndimage.map_coordinates(part.hu.astype(np.float32), index, order=1, mode="constant", cval=np.nan)
    return np.asarray(hu, dtype=np.float64).reshape(places_mm.shape[:-1])


def _bone_levels(hu: FloatArray, clear: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the levels of spongy and of dense bone near the screw, HU.

    Spongy bone: the median of what is neither soft nor dense. Dense bone: the upper tail, at least
    `_LEAST_RISE_HU` above.
    """
    spongy = hu[clear & (hu > SOFT_HU + 60.0) & (hu < _DENSEST_SPONGY_HU)]
    bone = _lower_mode(spongy) if spongy.size > 30 else 250.0
    dense = hu[hu > max(2.0 * bone, bone + _LEAST_RISE_HU)]
    cortex = float(np.median(dense)) if dense.size > 30 else bone + 2.0 * _LEAST_RISE_HU
    return bone, cortex


def _lower_mode(hu: FloatArray) -> float:
    """Median after the upper tail, dense bone half in view, is cut off by the spread of the lower half."""
    for _ in range(4):
        middle = np.median(hu)
        below = hu[hu <= middle]
        hu = hu[hu < middle + 2.0 * 1.4826 * np.median(middle - below) + 1.0]
    return float(np.median(hu))


def _bone_reach(hu: FloatArray, radius_mm: FloatArray, threshold_hu: float) -> tuple[FloatArray, FloatArray]:
    is_bone = np.nan_to_num(hu, nan=-1000.0) > threshold_hu
    step = radius_mm[1] - radius_mm[0]
    n = max(1, round(_LEAST_BONE_MM / step))
    # a run of bone samples starts bone; a longer run of others ends it, since marrow is dark in places
    starts = _run_ahead(is_bone, n) > 1.0 - 0.5 / n
    has_bone = starts.any(axis=2)
    first = starts.argmax(axis=2)
    ended = (_run_ahead(is_bone, 2 * n) < 0.25 / n) & (np.arange(len(radius_mm)) > first[..., None])
    last = np.where(ended.any(axis=2), ended.argmax(axis=2), len(radius_mm) - 1)
    start = np.where(has_bone, radius_mm[first], np.nan)
    end = np.where(has_bone, np.where(ended.any(axis=2), radius_mm[last], np.inf), np.nan)
    return start, end


def _run_ahead(is_bone: NDArray[np.bool_], n: int) -> FloatArray:
    """Share of bone among the next n samples outward."""
    share = ndimage.uniform_filter1d(
        is_bone.astype(np.float64), n, axis=2, origin=-((n - 1) // 2), mode="nearest"
    )
    return np.asarray(share)


def sides_at(
    frame: ScrewFrame,
    defect: DefectPlane | None,
    radius_mm: FloatArray,
    angle_deg: FloatArray,
    depth_mm: FloatArray,
) -> NDArray[np.int8]:
    """Return `Side` of cylindrical places (broadcast); HEAD everywhere where there is no defect."""
    world = frame.world(radius_mm, angle_deg, depth_mm)
    if defect is None:
        return np.full(world.shape[:-1], Side.HEAD, dtype=np.int8)
    return defect.side_of(world)
