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
    change = now - like
    spread = robust_sd(change[far], 0.0)
    depth = local[..., 2].astype(np.float32)
    return Change(like, change, known, height, radius, depth, places, settings.step_mm, spread)


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

    The blur of another kernel and slice differs, to first order, by second derivatives along the axes.
    """
    h = settings.step_mm
    soft = ndimage.gaussian_filter(was, 0.5 * settings.smooth_mm / h)
    bent = [np.gradient(np.gradient(soft, h, axis=a), h, axis=a) for a in range(3)]
    columns = [np.ones_like(was), was, *bent]
    index = np.flatnonzero(far)
    index = index[:: max(1, len(index) // _MOST_MATCHED)]
    design = np.stack([c.reshape(-1)[index] for c in columns], axis=1).astype(np.float64)
    wanted = now.reshape(-1)[index].astype(np.float64)
    answer = np.array([0.0, 1.0, 0.0, 0.0, 0.0])
    for _ in range(_MATCH_ROUNDS):
        rest = wanted - design @ answer
        scale = max(robust_sd(rest, 0.0), 5.0)
        weight = tukey_weights(rest / scale)
        answer = np.linalg.lstsq(design * np.sqrt(weight)[:, None], wanted * np.sqrt(weight), rcond=None)[0]
    return np.asarray(sum(a * c for a, c in zip(answer, columns, strict=True)), dtype=np.float32)
