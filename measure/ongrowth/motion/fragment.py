"""One fragment between two scans: where to start, which bone is its own, and how it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, apply_affine
from ongrowth.motion.picture import Bones, Picture, Real, smooth_bones
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import Fit, Samples, fit_rigid
from ongrowth.motion.surface import Surface, find_surface, outward_at

FloatArray = NDArray[np.float64]

BLOCKS_A_SIDE = 128  # more than any reach needs
_NEAR_BONE_HU = 150.0  # of the picture smoothed by 1 mm: reaches about 1 mm beyond a cortex


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """One scan at the three levels of smoothing."""

    bones: Bones
    coarse: Picture
    middle: Picture
    fine: Picture
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


def take_pictures(bones: Bones, settings: MotionSettings) -> Pictures:
    """Smooth one scan at every level."""
    levels = (settings.coarse_mm, settings.middle_mm, settings.fine_mm)
    coarse, middle, fine = (smooth_bones(bones, sigma) for sigma in levels)
    return Pictures(bones, coarse, middle, fine, find_surface(middle, bones.metal_mm))


def take_field(pictures: Pictures, level: Picture, frame: ScrewFrame, settings: MotionSettings) -> Field:
    """Return the voxels of the moving scan that lie in or at bone near the screw, metal left out."""
    near = (pictures.middle.values > _NEAR_BONE_HU) & level.seen
    near &= pictures.bones.metal_mm > settings.metal_margin_mm
    index = np.argwhere(near)
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
        outward_at(pictures.surface, places[keep]),
    )


def block_place(number: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return where blocks lie among each other, shape (B, 3), from their numbers."""
    return np.stack(np.unravel_index(number, (BLOCKS_A_SIDE,) * 3), axis=1)


def thinned(field: Field, most: int) -> Field:
    """Return about `most` of the samples, chosen blindly but always the same."""
    n = len(field.block)
    return field if n <= most else field.only(np.random.default_rng(0).random(n) < most / n)


def find_start(
    fixed: Pictures,
    moving: Pictures,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    field: Field,
    settings: MotionSettings,
) -> Fit:
    """Return the pose of all bone round the screw, roughly: axis on axis, the roll by correlation.

    Parameters
    ----------
    fixed, moving : Pictures
        The two scans.
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
    score = np.array([_agreement(fixed.coarse, few, start) for start in starts])
    peaks = np.flatnonzero((score >= np.roll(score, 1)) & (score >= np.roll(score, -1)))
    best = peaks[np.argsort(-score[peaks])][:3]
    more = thinned(field, 8000).samples
    fits = [fit_rigid(fixed.coarse, more, starts[b], moving.coarse.normal, settled_mm=0.01) for b in best]
    return max(fits, key=lambda fit: fit.correlation)


def _rolled(fixed_frame: ScrewFrame, moving_frame: ScrewFrame, roll_deg: float) -> RigidTransform:
    roll = RigidTransform.from_rotation_vector([0.0, 0.0, np.radians(roll_deg)], np.zeros(3))
    return fixed_frame.world_from_screw @ roll @ moving_frame.world_from_screw.inverse()


def _agreement(fixed: Picture, samples: Samples, pose: RigidTransform) -> float:
    """Correlation of the two images at a pose, by linear interpolation."""
    voxels = apply_affine(np.linalg.inv(fixed.world_from_voxel), pose.apply(samples.places_mm))
    inside = np.all((voxels > 0) & (voxels < np.array(fixed.values.shape) - 1), axis=1)
    if inside.sum() < 0.3 * len(inside):
        return -1.0
    there = ndimage.map_coordinates(fixed.values, voxels[inside].T, order=1)
    return float(np.corrcoef(there, samples.values_hu[inside])[0, 1])
