"""The change from one scan to the next, on a grid about the screw, each fragment laid on itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.newbone.model import NewBoneSettings
from ongrowth.robust import robust_sd, tukey_weights
from ongrowth.scan import Scan
from ongrowth.screw import metal_mask

Real = NDArray[np.float32]
FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LOW_HU, _HIGH_HU = -150.0, 1800.0  # beyond these lie air and metal
_MATCH_ROUNDS = 6
_FAR_MM = 3.0  # so far from the defect and the metal most bone is old
_MOST_MATCHED = 60_000
_FEWEST_MATCHED = 500
_QUIET_MM = 1.0  # smooths away most noise and no cortex
_CLOSE_MM = 1.0  # marrow spaces are closed
_CLEAR_MM, _USUAL_SOFT_HU = 1.5, 60.0
BLUR_MM = 1.0  # a change spreads so far over the edge that it belongs to


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """Two scans on one grid, all shape (X, Y, Z), axes those of the screw in the earlier scan.

    Parameters
    ----------
    earlier_hu, change_hu : ndarray of float32
        The earlier scan, brought to the kernel of the later one; what the later shows beyond it.
    known : ndarray of bool
        Inside both scans and clear of metal.
    height_mm, radius_mm, depth_mm : ndarray of float32
        Over the plane of the defect; about the screw.
    places_mm : ndarray, shape (X, Y, Z, 3)
        The grid in the earlier scan, patient mm (LPS).
    step_mm : float
        Of the grid.
    noise_hu : float
        Spread of the change where nothing is expected to have changed.
    soft_hu : float
        Soft tissue beside the bone; what lies lower, such as fat, is raised to it in both scans.
    """

    earlier_hu: Real
    change_hu: Real
    known: Mask
    height_mm: Real
    radius_mm: Real
    depth_mm: Real
    places_mm: FloatArray
    step_mm: float
    noise_hu: float
    soft_hu: float

    @property
    def later_hu(self) -> Real:
        """The later scan."""
        return self.earlier_hu + self.change_hu

    @property
    def cell_mm3(self) -> float:
        """Volume of a cell of the grid."""
        return self.step_mm**3


def find_change(
    earlier: Scan,
    later: Scan,
    frame: ScrewFrame,
    defect: DefectPlane,
    head_side: RigidTransform,
    tip_side: RigidTransform,
    settings: NewBoneSettings,
) -> Change | None:
    """Return the change round a screw; None where the scans do not share enough bone.

    Parameters
    ----------
    earlier, later : Scan
        The two CTs.
    frame, defect : ScrewFrame, DefectPlane
        Screw and defect in the earlier scan.
    head_side, tip_side : RigidTransform
        ``earlier_from_later`` of each fragment.
    settings : NewBoneSettings
        Grid and margins.
    """
    local = _grid(frame, settings)
    places = frame.world_from_screw.apply(local)
    height = defect.plane.height_mm(places).astype(np.float32)
    radius = np.hypot(local[..., 0], local[..., 1]).astype(np.float32)
    was, was_known = _read(earlier, places, settings)
    now, now_known = np.empty_like(was), np.empty_like(was_known)
    for own, body in ((height < 0.0, head_side), (height >= 0.0, tip_side)):
        now[own], now_known[own] = _read_some(later, body.inverse().apply(places[own]), settings)
    known = was_known & now_known
    far = known & (np.abs(height) > _FAR_MM) & (radius > _FAR_MM)
    if far.sum() < _FEWEST_MATCHED:
        return None
    like = _matched(was, now, far, settings)
    spread = robust_sd((now - like)[far], 0.0)
    soft = _soft_hu(like, known, settings)
    like, now = np.maximum(like, np.float32(soft)), np.maximum(now, np.float32(soft))
    change = np.where(_beside_bone(like, now, settings), now - like, np.float32(0.0))
    depth = local[..., 2].astype(np.float32)
    return Change(like, change, known, height, radius, depth, places, settings.step_mm, spread, soft)


def _soft_hu(like: Real, known: Mask, settings: NewBoneSettings) -> float:
    """Return the CT number of soft tissue clear of bone."""
    clear = ndimage.distance_transform_edt(~(known & (like > settings.bone_hu))) * settings.step_mm
    beside = known & (clear > _CLEAR_MM)
    return float(np.median(like[beside])) if beside.any() else _USUAL_SOFT_HU


def _beside_bone(was: Real, now: Real, settings: NewBoneSettings) -> Mask:
    """Where either scan shows bone, and as far beside it as blur carries it."""
    width = settings.smooth_mm / settings.step_mm
    bone = np.maximum(*(ndimage.gaussian_filter(hu, width) for hu in (was, now))) > settings.bone_hu
    return np.asarray(ndimage.binary_dilation(bone, iterations=round(BLUR_MM / settings.step_mm)))


def _grid(frame: ScrewFrame, settings: NewBoneSettings) -> FloatArray:
    """Places about the screw in its own frame, shape (X, Y, Z, 3)."""
    aside = np.arange(-settings.reach_mm, settings.reach_mm + 1e-6, settings.step_mm)
    along = np.arange(-settings.past_end_mm, frame.length_mm + settings.past_end_mm, settings.step_mm)
    return np.stack(np.meshgrid(aside, aside, along, indexing="ij"), axis=-1)


def _read(scan: Scan, places_mm: FloatArray, settings: NewBoneSettings) -> tuple[Real, Mask]:
    hu, known = _read_some(scan, places_mm.reshape(-1, 3), settings)
    return hu.reshape(places_mm.shape[:-1]), known.reshape(places_mm.shape[:-1])


def _read_some(scan: Scan, places_mm: FloatArray, settings: NewBoneSettings) -> tuple[Real, Mask]:
    """Return CT numbers at places, shape (N, 3), and which are inside the scan and clear of metal."""
    voxels = scan.voxels(places_mm)
    low = np.clip(np.floor(voxels.min(axis=0)).astype(int) - 2, 0, np.array(scan.hu.shape) - 1)
    high = np.clip(np.ceil(voxels.max(axis=0)).astype(int) + 3, 1, np.array(scan.hu.shape))
    crop = scan.crop(tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True)))  # type: ignore[arg-type]
    everything = (slice(None), slice(None), slice(None))
    metal = metal_mask(crop, everything)
    away = np.full(metal.shape, np.float32(99.0))
    if metal.any():
        away = ndimage.distance_transform_edt(~metal, sampling=crop.step_mm).astype(np.float32)
    where = (voxels - low).T
    hu = ndimage.map_coordinates(
        np.clip(crop.hu, _LOW_HU, _HIGH_HU).astype(np.float32), where, order=1, mode="nearest"
    )
    clear = ndimage.map_coordinates(away, where, order=1, mode="nearest") > settings.metal_mm
    inside = np.all((voxels > 0) & (voxels < np.array(scan.hu.shape) - 1), axis=1)
    return np.asarray(hu), np.asarray(clear & inside)


def _matched(was: Real, now: Real, far: Mask, settings: NewBoneSettings) -> Real:
    """Return the earlier image as the later scan would show it: gain, offset and blur, fitted robustly.

    The blur of another kernel and slice differs, to first order, by second derivatives along the axes. Both
    images are smoothed alike for the fit, which else blurs the earlier one to be rid of its noise. Growth of
    all surfaces is fitted beside, since it would pass for gain and blur, and is not applied.
    """
    h = settings.step_mm
    soft = ndimage.gaussian_filter(was, 0.5 * settings.smooth_mm / h)
    bent = [np.gradient(np.gradient(soft, h, axis=a), h, axis=a) for a in range(3)]
    columns = [np.ones_like(was), was, *bent]
    index = np.flatnonzero(far)
    index = index[:: max(1, len(index) // _MOST_MATCHED)]
    quiet = [
        ndimage.gaussian_filter(image, _QUIET_MM / h).reshape(-1)[index]
        for image in (*columns, _grown(was, settings), now)
    ]
    design, wanted = np.stack(quiet[:-1], axis=1).astype(np.float64), quiet[-1].astype(np.float64)
    weight = np.ones(len(wanted))
    for _ in range(_MATCH_ROUNDS):
        root = np.sqrt(weight)
        answer = np.linalg.lstsq(design * root[:, None], wanted * root, rcond=None)[0]
        rest = wanted - design @ answer
        weight = tukey_weights(rest / max(robust_sd(rest, 0.0), 5.0))
    like = sum(a * column for a, column in zip(answer[:-1], columns, strict=True))
    return np.asarray(like, dtype=np.float32)


def _grown(was: Real, settings: NewBoneSettings) -> Real:
    """Return by how much an image rises for each millimetre that the bones grow outward."""
    h = settings.step_mm
    outside = outside_mm(solid_of(was, settings), h)
    outward = np.gradient(ndimage.gaussian_filter(outside, settings.smooth_mm / h), h)
    rise = -sum(o * slope for o, slope in zip(outward, np.gradient(was, h), strict=True))
    return np.asarray(np.where(np.abs(outside) < BLUR_MM, rise, 0.0), dtype=np.float32)


def solid_of(hu: Real, settings: NewBoneSettings) -> Mask:
    """Return bone without its marrow spaces, those included that a cut square to the screw shows closed."""
    bone = hu > settings.bone_hu
    closed = ndimage.binary_closing(bone, iterations=max(1, round(_CLOSE_MM / settings.step_mm))) | bone
    return np.stack([ndimage.binary_fill_holes(closed[:, :, k]) for k in range(closed.shape[2])], axis=2)


def outside_mm(solid: Mask, step_mm: float) -> Real:
    """Return the distance from a surface, negative inside."""
    away = ndimage.distance_transform_edt(~solid) - ndimage.distance_transform_edt(solid)
    return np.asarray(away * step_mm, dtype=np.float32)
