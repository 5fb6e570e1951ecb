"""One fragment between two scans: where to start, which bone is its own, and how it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, apply_affine
from ongrowth.motion.picture import Bones, Picture, Real, Spline
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import Fit, Samples, fit_rigid
from ongrowth.motion.surface import Surface, find_surface, outward_at

FloatArray = NDArray[np.float64]

BLOCKS_A_SIDE = 128  # more than any reach needs
_LEAST_SHARED, _FEWEST_SHARED = 0.5, 200  # of the samples of the best roll; samples
_NEAR_BONE_HU = 150.0  # of the picture smoothed by 1 mm: reaches about 1 mm beyond a cortex


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Where the moving scan shows bone.

    Parameters
    ----------
    near : ndarray of bool, shape (Z, Y, X)
        In or at bone, clear of metal.
    surface : Surface
        Of that bone.
    """

    near: NDArray[np.bool_]
    surface: Surface


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Samples of the moving scan near the screw, and where each lies.

    `radius_mm` and `depth_mm` about the screw, `block` the number of its block, all shape (N,);
    `outward` the normal of the bone's surface there, shape (N, 3).
    """

    samples: Samples
    radius_mm: FloatArray
    depth_mm: FloatArray
    block: NDArray[np.intp]
    outward: Real

    def only(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Field:
        """Return the chosen samples."""
        return Field(
            self.samples.only(keep),
            self.radius_mm[keep],
            self.depth_mm[keep],
            self.block[keep],
            self.outward[keep],
        )


def find_ground(bones: Bones, middle: Picture, settings: MotionSettings) -> Ground:
    """Return where a scan shows bone, told from its picture at the middle level."""
    near = (middle.values > _NEAR_BONE_HU) & (bones.metal_mm > settings.metal_margin_mm)
    return Ground(near, find_surface(middle, bones.metal_mm))


def take_field(ground: Ground, level: Picture, frame: ScrewFrame, settings: MotionSettings) -> Field:
    """Return the voxels of the moving scan that lie in or at bone near the screw, metal left out."""
    index = np.argwhere(ground.near & level.seen)
    places = apply_affine(level.world_from_voxel, index)
    local = frame.world_from_screw.inverse().apply(places)
    radius, depth = np.hypot(local[:, 0], local[:, 1]), local[:, 2]
    past = 2.0 * settings.past_end_mm
    keep = (radius < settings.reach_mm) & (depth > -past) & (depth < frame.length_mm + past)
    block = np.floor(local[keep] / settings.block_mm).astype(np.intp) + BLOCKS_A_SIDE // 2
    return Field(
        Samples(places[keep], level.values[tuple(index[keep].T)]),
        radius[keep],
        depth[keep],
        np.ravel_multi_index(tuple(block.T), (BLOCKS_A_SIDE,) * 3),
        outward_at(ground.surface, places[keep]),
    )


def block_place(number: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return where blocks lie among each other, shape (B, 3), from their numbers."""
    return np.stack(np.unravel_index(number, (BLOCKS_A_SIDE,) * 3), axis=1)


def thinned(field: Field, most: int) -> Field:
    """Return about `most` of the samples, chosen blindly but always the same."""
    n = len(field.block)
    return field if n <= most else field.only(np.random.default_rng(0).random(n) < most / n)


def find_start(
    fixed: Spline,
    moving_normal: FloatArray,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    field: Field,
    settings: MotionSettings,
) -> Fit:
    """Return the pose of all bone round the screw, roughly: axis on axis, the roll by correlation.

    Parameters
    ----------
    fixed : Spline
        The fixed scan, coarse.
    moving_normal : ndarray, shape (3,)
        Slice normal of the moving scan.
    fixed_frame, moving_frame : ScrewFrame
        The screw in each.
    field : Field
        Samples of the coarse level.
    settings : MotionSettings
        Step of the roll.
    """
    few = thinned(field, 3000).samples
    rolls = np.arange(0.0, 360.0, settings.roll_step_deg)
    starts = [_rolled(fixed_frame, moving_frame, float(roll)) for roll in rolls]
    score, shared = np.array([_agreement(fixed, few, start) for start in starts]).T
    score[shared < _LEAST_SHARED * shared.max()] = -1.0
    peaks = np.flatnonzero((score >= np.roll(score, 1)) & (score >= np.roll(score, -1)))
    best = peaks[np.argsort(-score[peaks])][:3]
    more = thinned(field, 8000).samples
    fits = [fit_rigid(fixed, more, starts[b], moving_normal, settled_mm=0.01) for b in best]
    return max(fits, key=lambda fit: fit.correlation)


def _rolled(fixed_frame: ScrewFrame, moving_frame: ScrewFrame, roll_deg: float) -> RigidTransform:
    roll = RigidTransform.from_rotation_vector([0.0, 0.0, np.radians(roll_deg)], np.zeros(3))
    return fixed_frame.world_from_screw @ roll @ moving_frame.world_from_screw.inverse()


def _agreement(fixed: Spline, samples: Samples, pose: RigidTransform) -> tuple[float, float]:
    """Correlation of the two images at a pose, read linearly (coarse enough for that), and the share seen."""
    voxels = apply_affine(np.linalg.inv(fixed.world_from_voxel), pose.apply(samples.places_mm))
    inside = np.all((voxels > 0) & (voxels < np.array(fixed.seen.shape) - 1), axis=1)
    if inside.sum() < _FEWEST_SHARED:
        return -1.0, 0.0
    there = ndimage.map_coordinates(fixed.coefficients, voxels[inside].T, order=1)
    return float(np.corrcoef(there, samples.values_hu[inside])[0, 1]), float(inside.mean())
