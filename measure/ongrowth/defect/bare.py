"""Lines beside the shaft, along which bone ends and begins again: what a plane severs, and a shaft laid bare.

Where a wide halo has taken the bone of one side up to the defect there is no slit with two shores, but the
plane passes through the stretches without bone. The shorter they are, the better it is known.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from ongrowth.defect.slit import LEAST_CONTRAST_HU, SOFT_HU, Block
from ongrowth.geometry import Plane, RigidTransform, unit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_SMOOTH_MM = 2.0  # texture of spongy bone must not look like its end
_USUAL_BLUR_MM = 0.9  # full width at half maximum, of the scan itself
_FROM_MM, _TO_MM = 1.2, 5.0  # lines looked at, from the crests of the thread: beyond their foot
_LEAST_MM = 1.5  # of a stretch without bone
_FACE_MM = 0.5  # a face is no plane
_ALIKE_MM = 5.0  # lines so near tell the same: how a halo eats bone away tells little of the tilt
_USUAL_SLOPE = 0.36  # of a defect against the shaft, SD: 20 degrees
_LEAST_LINES, _LEAST_SEVERED = 40, 0.85  # of lines with bone on both sides; project's choice
_LEAST_SPREAD_DEG = 90.0  # round the shaft
_N_ROUNDS = 8
_BEHIND_MM = 1.5  # a face, its rim and the blur of both
_OF_ALL = ("world_from_block", "z_mm")  # what lines have in common


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """A plane across a shaft that bone does not cross.

    Parameters
    ----------
    plane : Plane
        Patient mm (LPS), its normal along the shaft.
    gap_mm : float
        How far apart bone is along the normal where it comes nearest (a quarter of the lines).
    u_angle_deg, u_offset_mm : float
        Standard uncertainty of the normal, and of the place along it.
    """

    plane: Plane
    gap_mm: float
    u_angle_deg: float
    u_offset_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines along the shaft that meet bone.

    Parameters
    ----------
    world_from_block : RigidTransform
        Patient mm (LPS) from block mm; the lines run along the block's third axis.
    x_mm, y_mm : ndarray, shape (N,)
        Where each lies.
    first_mm, last_mm : ndarray, shape (N,)
        Where it first and last meets bone.
    low_mm, high_mm : ndarray, shape (N,)
        Ends of the longest stretch without bone between; NaN where bone goes on.
    z_mm, hu : ndarray, shapes (Z,) and (N, Z)
        Places along the lines, and CT numbers there, averaged as the lines are.
    """

    world_from_block: RigidTransform
    x_mm: FloatArray
    y_mm: FloatArray
    first_mm: FloatArray
    last_mm: FloatArray
    low_mm: FloatArray
    high_mm: FloatArray
    z_mm: FloatArray
    hu: FloatArray

    def severed(self, at_mm: FloatArray) -> BoolArray:
        """Return on which lines a place lies in the stretch without bone."""
        return np.asarray((at_mm > self.low_mm - _FACE_MM) & (at_mm < self.high_mm + _FACE_MM))

    def crossed(self, at_mm: FloatArray) -> BoolArray:
        """Return on which lines a place lies in bone."""
        return np.asarray((at_mm > self.first_mm) & (at_mm < self.last_mm) & ~self.severed(at_mm))

    def that_show(self, gap_mm: float, plane: Plane) -> Lines:
        """Return the lines along which a gap so wide at a plane would leave a stretch without bone.

        What counts is the densest bone at the faces: behind a dense rim a gap is as hidden as in dense bone.
        """
        away = np.abs(self.z_mm - self._depth_mm(plane)[:, None])
        at_faces = np.where(away < gap_mm / 2.0 + _BEHIND_MM, self.hu, -np.inf).max(axis=1)
        chosen = least_gap_mm(at_faces) < gap_mm
        own = {f.name: getattr(self, f.name)[chosen] for f in fields(self) if f.name not in _OF_ALL}
        return replace(self, **own)

    def met(self, plane: Plane) -> tuple[int, int]:
        """Return how many lines with bone on both sides a plane, patient mm, severs, and crosses in bone."""
        at = self._depth_mm(plane)
        return int(self.severed(at).sum()), int(self.crossed(at).sum())

    def _depth_mm(self, plane: Plane) -> FloatArray:
        """Return where each line meets a plane, patient mm."""
        foot = self.world_from_block.apply(np.column_stack([self.x_mm, self.y_mm, np.zeros_like(self.x_mm)]))
        slope = float(plane.normal @ self.world_from_block.turn(np.array([0.0, 0.0, 1.0])))
        return np.asarray(-plane.height_mm(foot) / slope)

    def severed_share(self, plane: Plane) -> float:
        """Return the share of lines with bone on both sides of a plane, patient mm, that it severs; 0..1."""
        severed, crossed = self.met(plane)
        return severed / max(1, severed + crossed)


def lines_beside(block: Block, envelope_mm: float) -> Lines:
    """Return the lines of a block beside a shaft, as far as halo and defect can have taken their bone.

    Parameters
    ----------
    block : Block
        Along the screw, metal left out.
    envelope_mm : float
        Radius of the thread's crests.
    """
    hu = _smoothed(block)
    is_bone, is_known = hu > SOFT_HU + LEAST_CONTRAST_HU, np.isfinite(hu)
    away = np.hypot(block.x_mm[:, None], block.y_mm) - envelope_mm
    z, out, along = block.z_mm, [], []
    for i, j in np.argwhere((away > _FROM_MM) & (away < _TO_MM) & is_bone.any(axis=2)):
        at = np.flatnonzero(is_bone[i, j])
        k = int(np.argmax(np.diff(at, append=at[-1])))
        low, high = at[k], at[min(k + 1, len(at) - 1)]
        if not is_known[i, j, low:high].all():  # metal that lies beside the shaft
            continue
        is_bare = z[high] - z[low] >= _LEAST_MM
        stretch = (z[low], z[high]) if is_bare else (np.nan, np.nan)
        out.append((block.x_mm[i], block.y_mm[j], z[at[0]], z[at[-1]], *stretch))
        along.append(hu[i, j])
    x, y, first, last, low_mm, high_mm = np.array(out, dtype=np.float64).reshape(-1, 6).T
    hu_along = np.array(along).reshape(-1, len(z))
    return Lines(block.world_from_block, x, y, first, last, low_mm, high_mm, z, hu_along)


def least_gap_mm(bone_hu: FloatArray) -> FloatArray:
    """Return how wide a gap in bone must be to look free of it over `_LEAST_MM`, blurred and averaged."""
    contrast = np.maximum(bone_hu - SOFT_HU, LEAST_CONTRAST_HU)
    lacking = 1.0 - LEAST_CONTRAST_HU / contrast  # share of the bone, at the ends of the stretch
    spread = np.hypot(_SMOOTH_MM, _USUAL_BLUR_MM) / 2.355
    return np.asarray(_LEAST_MM + 2.0 * spread * np.maximum(special.ndtri(lacking), 0.0))


def find_bare(lines: Lines, depth_mm: FloatArray) -> Bare | None:
    """Return the plane that passes through the bare stretches beside a shaft, or None where bone goes on.

    Parameters
    ----------
    lines : Lines
        Beside the shaft.
    depth_mm : ndarray, shape (Z,)
        Where along it a defect may lie, block mm.
    """
    if len(lines.x_mm) < _LEAST_LINES or not depth_mm.size:
        return None
    score = [lines.severed(z).sum() - 3 * lines.crossed(z).sum() for z in depth_mm[:, None]]
    at = np.full(len(lines.x_mm), depth_mm[int(np.argmax(score))])
    design = np.column_stack([np.ones_like(at), lines.x_mm, lines.y_mm])
    length = lines.high_mm - lines.low_mm
    middle, variance = lines.low_mm + length / 2.0, length**2 / 12.0 + _FACE_MM**2
    alike = (_ALIKE_MM / _apart_mm(lines)) ** 2
    usual = np.diag([0.0, 1.0, 1.0]) / _USUAL_SLOPE**2
    for _ in range(_N_ROUNDS):
        holds = lines.severed(at)
        if holds.sum() < _LEAST_LINES:
            return None
        weighted = design[holds] / (variance[holds] * alike)[:, None]
        precision = weighted.T @ design[holds] + usual
        fit = np.linalg.solve(precision, weighted.T @ middle[holds])
        at = design @ fit
    normal = unit([-fit[1], -fit[2], 1.0])
    plane = Plane(
        lines.world_from_block.apply(np.array([0.0, 0.0, fit[0]])), lines.world_from_block.turn(normal)
    )
    round_deg = np.degrees(np.arctan2(lines.y_mm, lines.x_mm))[holds]
    is_inside = depth_mm[0] < fit[0] < depth_mm[-1]
    if (
        not is_inside
        or lines.severed_share(plane) < _LEAST_SEVERED
        or _spread_deg(round_deg) < _LEAST_SPREAD_DEG
    ):
        return None
    covariance = np.linalg.inv(precision)
    return Bare(
        plane,
        float(np.percentile(length[holds], 25.0) * normal[2]),
        float(np.degrees(np.sqrt(covariance[1, 1] + covariance[2, 2]))),
        float(np.sqrt(covariance[0, 0])),
    )


def _apart_mm(lines: Lines) -> float:
    """Return how far neighbouring lines lie apart."""
    return float(np.diff(np.unique(lines.x_mm)).min())


def _smoothed(block: Block) -> FloatArray:
    """Return CT numbers averaged over a small ball of what is known; NaN where nothing is."""
    steps = [float(axis[1] - axis[0]) for axis in (block.x_mm, block.y_mm, block.z_mm)]
    sigma = [_SMOOTH_MM / 2.355 / step for step in steps]
    known = np.isfinite(block.hu)
    total = ndimage.gaussian_filter(np.where(known, block.hu, 0.0).astype(np.float64), sigma)
    share = ndimage.gaussian_filter(known.astype(np.float64), sigma)
    return np.where(known, total / np.maximum(share, 1e-6), np.nan)


def _spread_deg(angle_deg: FloatArray) -> float:
    """Return how far round places lie: a full turn less the widest angle that is free of them."""
    order = np.sort(angle_deg % 360.0)
    return float(360.0 - np.diff(np.append(order, order[0] + 360.0)).max())
