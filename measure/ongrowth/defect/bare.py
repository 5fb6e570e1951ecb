"""A defect whose faces are gone: a wide halo has taken the bone on one side, and the shaft lies bare.

There is no slit with two shores then, but along every line beside the shaft bone ends, and on most begins
again: the plane of the defect passes through the stretch between. The shorter it is, the better it is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect.slit import LEAST_CONTRAST_HU, SOFT_HU, Block
from ongrowth.geometry import Plane, unit

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_SMOOTH_MM = 2.0  # texture of spongy bone must not look like its end
_FROM_MM, _TO_MM = 1.2, 5.0  # lines looked at, from the crests of the thread: beyond their foot
_LEAST_MM = 1.5  # of a stretch without bone
_FACE_MM = 0.5  # a face is no plane
_ALIKE_MM = 5.0  # lines so near tell the same: how a halo eats bone away tells little of the tilt
_USUAL_SLOPE = 0.36  # of a defect against the shaft, SD: 20 degrees
_LEAST_LINES, _LEAST_SEVERED = 40, 0.85  # of lines with bone on both sides; project's choice
_LEAST_SPREAD_DEG = 90.0  # round the shaft
_N_ROUNDS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """A plane ``z = d + a x + b y`` of a block that no bone crosses.

    Parameters
    ----------
    plane : Plane
        Patient mm (LPS), its normal along the third axis of the block.
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
class _Lines:
    """Lines beside the shaft, shape (N,): place, bone's first and last, and the stretch without; block mm."""

    x: FloatArray
    y: FloatArray
    first: FloatArray
    last: FloatArray
    low: FloatArray
    high: FloatArray

    def severed(self, at: FloatArray) -> BoolArray:
        """Whether a plane that meets the lines at some places passes through their stretches."""
        return np.asarray((at > self.low - _FACE_MM) & (at < self.high + _FACE_MM))

    def crossed(self, at: FloatArray) -> BoolArray:
        """Whether it passes through bone."""
        return np.asarray((at > self.first) & (at < self.last) & ~self.severed(at))


def find_bare(block: Block, inner: BoolArray, envelope_mm: float) -> Bare | None:
    """Return the plane that passes through the bare stretches beside a shaft, or None where bone goes on.

    Parameters
    ----------
    block : Block
        Along the screw, metal left out.
    inner : ndarray of bool, shape (Z,)
        Where along the shaft a defect may lie.
    envelope_mm : float
        Radius of the thread's crests.
    """
    lines = _lines(block, envelope_mm)
    depths = block.z_mm[inner]
    score = [lines.severed(z).sum() - 3 * lines.crossed(z).sum() for z in depths[:, None]]
    at = np.full(len(lines.x), depths[int(np.argmax(score))])
    design = np.column_stack([np.ones_like(at), lines.x, lines.y])
    middle, variance = (lines.low + lines.high) / 2.0, (lines.high - lines.low) ** 2 / 12.0 + _FACE_MM**2
    alike = max(1.0, _ALIKE_MM**2 / float((block.x_mm[1] - block.x_mm[0]) * (block.y_mm[1] - block.y_mm[0])))
    usual = np.diag([0.0, 1.0, 1.0]) / _USUAL_SLOPE**2
    for _ in range(_N_ROUNDS):
        holds = lines.severed(at)
        if holds.sum() < _LEAST_LINES:
            return None
        weighted = design[holds] / (variance[holds] * alike)[:, None]
        precision = weighted.T @ design[holds] + usual
        fit = np.linalg.solve(precision, weighted.T @ middle[holds])
        at = design @ fit
    holds = lines.severed(at)
    round_deg = np.degrees(np.arctan2(lines.y, lines.x))[holds]
    if (
        holds.sum() < max(_LEAST_LINES, _LEAST_SEVERED * (holds | lines.crossed(at)).sum())
        or _spread_deg(round_deg) < _LEAST_SPREAD_DEG
        or not depths[0] < fit[0] < depths[-1]
    ):
        return None
    covariance = np.linalg.inv(precision)
    normal = unit([-fit[1], -fit[2], 1.0])
    return Bare(
        Plane(
            block.world_from_block.apply(np.array([0.0, 0.0, fit[0]])), block.world_from_block.turn(normal)
        ),
        float(np.percentile((lines.high - lines.low)[holds], 25.0) * normal[2]),
        float(np.degrees(np.sqrt(covariance[1, 1] + covariance[2, 2]))),
        float(np.sqrt(covariance[0, 0])),
    )


def _lines(block: Block, envelope_mm: float) -> _Lines:
    is_bone = _smoothed(block) > SOFT_HU + LEAST_CONTRAST_HU
    away = np.hypot(block.x_mm[:, None], block.y_mm) - envelope_mm
    z, out = block.z_mm, []
    for i, j in np.argwhere((away > _FROM_MM) & (away < _TO_MM) & is_bone.any(axis=2)):
        bone = z[is_bone[i, j]]
        k = int(np.argmax(np.diff(bone, append=bone[-1])))
        stretch = (bone[k], bone[k + 1]) if len(bone) > 1 else (0.0, 0.0)
        if stretch[1] - stretch[0] < _LEAST_MM:
            stretch = (np.nan, np.nan)
        out.append((block.x_mm[i], block.y_mm[j], bone[0], bone[-1], *stretch))
    return _Lines(*np.array(out, dtype=np.float64).reshape(-1, 6).T)


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
