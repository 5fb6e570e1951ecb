"""Which blocks of bone move with which fragment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.motion.fragment import Field
from ongrowth.motion.picture import Picture
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import Fit, Step, linearise

FloatArray = NDArray[np.float64]

_APART_MM = 0.15  # nearer than this two motions cannot be told apart by one block
_GAP_MARGIN_MM = 1.5  # blocks so near to the middle of the gap hold parts of both fragments
_FEWEST_IN_BLOCK = 30


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """How well each block of a field agrees with a motion.

    Parameters
    ----------
    number : ndarray of int, shape (B,)
        Which block, rising.
    of_sample : ndarray of int, shape (N,)
        Row of each sample's block.
    displacement_mm : ndarray, shape (B, 3)
        How far the block would like to move, fixed axes.
    middle_mm : ndarray, shape (B, 3)
        Its middle in the fixed scan.
    correlation : ndarray, shape (B,)
    height_mm, radius_mm : ndarray, shape (B,)
        Mean height over the defect and distance from the screw.
    """

    number: NDArray[np.intp]
    of_sample: NDArray[np.intp]
    displacement_mm: FloatArray
    middle_mm: FloatArray
    correlation: FloatArray
    height_mm: FloatArray
    radius_mm: FloatArray


def judge_blocks(
    field: Field, height_mm: FloatArray, fixed: Picture, fit: Fit, moving_normal: FloatArray
) -> Blocks:
    """Return how each block agrees with a motion: a step of translation of its own, and its correlation."""
    pose = fit.fixed_from_moving
    step = linearise(fixed, field.samples, pose, fit.centre_mm, fit.appearance, moving_normal)
    number, row = np.unique(field.block, return_inverse=True)
    weight = _mild_weight(step)

    def total(values: NDArray[np.floating]) -> FloatArray:
        return np.bincount(row, weight * values, minlength=len(number))

    g = step.jacobian[:, :3].astype(np.float64)
    normal = np.stack([total(g[:, a] * g[:, b]) for a in range(3) for b in range(3)], axis=1)
    right = np.stack([total(g[:, a] * step.residual) for a in range(3)], axis=1)
    normal = normal.reshape(-1, 3, 3)
    normal += 1e-2 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3) + 1e-6 * np.eye(3)
    displacement = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    there = pose.apply(field.samples.places_mm)
    count = np.maximum(total(np.ones(len(row))), 1e-12)
    middle = np.stack([total(there[:, a]) / count for a in range(3)], axis=1)
    values = field.samples.values_hu.astype(np.float64)
    model = values - step.residual
    mv, mm = total(values) / count, total(model) / count
    cov = total(values * model) / count - mv * mm
    var = (total(values**2) / count - mv**2) * (total(model**2) / count - mm**2)
    correlation = cov / np.sqrt(np.maximum(var, 1e-6))
    return Blocks(
        number,
        row,
        displacement,
        middle,
        np.where(np.bincount(row, weight > 0, minlength=len(number)) >= _FEWEST_IN_BLOCK, correlation, 0.0),
        total(height_mm) / count,
        total(field.radius_mm) / count,
    )


def _mild_weight(step: Step) -> FloatArray:
    """Weight 1 where seen; only the wildest residuals are left out."""
    return (step.seen & (np.abs(step.residual) < 1500.0)).astype(np.float64)


def sides_of_blocks(
    head: Blocks, tip: Blocks, settings: MotionSettings
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which blocks belong to the head side and which to the tip side.

    A block belongs to a fragment if it agrees with that fragment's motion. Where the two motions
    differ, the block says itself with which it goes: by where it lies between the two. Where they do
    not differ, and near the screw, the defect plane decides.

    Parameters
    ----------
    head, tip : Blocks
        The same blocks, judged under the motion of each fragment.
    settings : MotionSettings
        Limits of agreement.
    """
    apart = tip.middle_mm - head.middle_mm
    squared = np.sum(apart**2, axis=1)
    between = np.sum(head.displacement_mm * apart, axis=1) / np.maximum(squared, 1e-9)
    by_place = np.where(head.height_mm > 0.0, 1.0, 0.0)
    is_told = (squared > _APART_MM**2) & (head.radius_mm > settings.seed_radius_mm)
    where = np.where(is_told, between, by_place)
    clear_of_gap = (np.abs(head.height_mm) > _GAP_MARGIN_MM) | (head.radius_mm > settings.seed_radius_mm)
    return (
        _agrees(head, settings) & clear_of_gap & (where < 0.35),
        _agrees(tip, settings) & clear_of_gap & (where > 0.65),
    )


def _agrees(blocks: Blocks, settings: MotionSettings) -> NDArray[np.bool_]:
    moved = np.linalg.norm(blocks.displacement_mm, axis=1)
    return (blocks.correlation > settings.least_correlation) & (moved < settings.most_displacement_mm)
