"""Which blocks of bone move with which fragment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.motion.fragment import BLOCKS_A_SIDE, Field, block_place
from ongrowth.motion.mixed import MixedFit
from ongrowth.motion.picture import Spline
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import LEAST_SCALE_HU, alike_samples, growth_column, linearise

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_APART_MM = 0.15  # nearer than this two motions cannot be told apart by one block
_GAP_MARGIN_MM = 1.5  # blocks so near to the middle of the gap hold parts of both fragments
_FEWEST_IN_BLOCK = 30
_CERTAIN = 4.0  # standard deviations between the two motions, for a block to speak for itself
_WILD_HU = 1500.0


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
    stiffness : ndarray, shape (B, 3, 3)
        Inverse covariance of the displacement, 1/mm2.
    correlation : ndarray, shape (B,)
        Of the two images in the block.
    height_mm, radius_mm : ndarray, shape (B,)
        Mean height over the defect and distance from the screw.
    """

    number: NDArray[np.intp]
    of_sample: NDArray[np.intp]
    displacement_mm: FloatArray
    middle_mm: FloatArray
    stiffness: FloatArray
    correlation: FloatArray
    height_mm: FloatArray
    radius_mm: FloatArray


def judge_blocks(
    field: Field,
    height_mm: FloatArray,
    fixed: Spline,
    fit: MixedFit,
    moving_normal: FloatArray,
    voxel_mm3: float,
) -> Blocks:
    """Return how each block agrees with a motion: a step of translation of its own, and its correlation.

    Parameters
    ----------
    field : Field
        Samples of the moving scan.
    height_mm : ndarray, shape (N,)
        Their height over the defect plane.
    fixed : Spline
        The fixed scan at the same smoothing.
    fit : MixedFit
        The motion.
    moving_normal : ndarray, shape (3,)
        Slice normal of the moving scan.
    voxel_mm3 : float
        Volume each sample stands for.
    """
    pose = fit.fixed_from_moving
    step = linearise(fixed, field.samples, pose, fit.centre_mm, fit.appearance, moving_normal)
    number, row = np.unique(field.block, return_inverse=True)
    weight = (step.seen & (np.abs(step.residual) < _WILD_HU)).astype(np.float64)

    def total(values: FloatArray) -> FloatArray:
        return np.bincount(row, weight * values, minlength=len(number)).astype(np.float64)

    count = np.maximum(total(np.ones(len(row))), 1e-12)

    def mean(values: FloatArray) -> FloatArray:
        return total(values) / count

    g = step.jacobian[:, :3].astype(np.float64)
    grown = fit.growth_mm * growth_column(step, pose, field.outward)
    rest = step.residual.astype(np.float64) - grown
    normal = np.stack([total(g[:, a] * g[:, b]) for a in range(3) for b in range(3)], axis=1)
    normal = normal.reshape(-1, 3, 3)
    # directions without any slope stay where they are
    normal += (1e-2 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-6) * np.eye(3)
    right = np.stack([total(g[:, a] * rest) for a in range(3)], axis=1)
    moved = np.asarray(np.linalg.solve(normal, right[:, :, None])[:, :, 0], np.float64)
    left = np.maximum(mean(rest**2) - np.sum(moved * right, axis=1) / count, LEAST_SCALE_HU**2)
    there = pose.apply(field.samples.places_mm)
    alike = _correlations(np.asarray(field.samples.values_hu - rest, dtype=np.float64), rest, mean)
    return Blocks(
        number,
        row,
        moved,
        np.stack([mean(there[:, a]) for a in range(3)], axis=1),
        np.asarray(normal / (left * alike_samples(fixed.sigma_mm, voxel_mm3))[:, None, None]),
        np.where(count >= _FEWEST_IN_BLOCK, alike, 0.0),
        mean(height_mm),
        mean(field.radius_mm),
    )


def _correlations(
    model: FloatArray, rest: FloatArray, mean: Callable[[FloatArray], FloatArray]
) -> FloatArray:
    values = model + rest
    a, b = mean(values), mean(model)
    both = mean(values * model) - a * b
    power = (mean(values**2) - a**2) * (mean(model**2) - b**2)
    return np.asarray(both / np.sqrt(np.maximum(power, 1e-6)))


def sides_of_blocks(head: Blocks, tip: Blocks, settings: MotionSettings) -> tuple[Mask, Mask]:
    """Return which blocks belong to the head side and which to the tip side.

    A block belongs to a fragment if it agrees with that fragment's motion and hangs together with
    its other blocks down to the screw. Which fragment: the defect plane says, except for blocks away
    from the screw that say themselves, clearly, with which motion they go. (Asking instead which
    motion leaves the smaller residual prefers whichever fits changed bone by chance.)

    Parameters
    ----------
    head, tip : Blocks
        The same blocks, judged under the motion of each fragment.
    settings : MotionSettings
        Limits of agreement.
    """
    apart = tip.middle_mm - head.middle_mm
    pull = np.einsum("bij,bj->bi", head.stiffness, apart)
    certainty = np.maximum(np.sum(apart * pull, axis=1), 1e-12)  # squared, of telling the two apart
    toward = np.sum(pull * (head.displacement_mm + apart + tip.displacement_mm), axis=1)
    between = 0.5 * toward / certainty
    far = head.radius_mm > settings.seed_radius_mm
    is_told = (certainty > _CERTAIN**2) & (np.sum(apart**2, axis=1) > _APART_MM**2) & far
    share = np.where(is_told, between, np.where(head.height_mm > 0.0, 1.0, 0.0))
    clear = (np.abs(head.height_mm) > _GAP_MARGIN_MM) | far
    return (
        _hanging_together(head, _agrees(head, settings) & clear & (share < 0.35), settings),
        _hanging_together(tip, _agrees(tip, settings) & clear & (share > 0.65), settings),
    )


def _agrees(blocks: Blocks, settings: MotionSettings) -> Mask:
    """Alike, and no displacement shown that a block of this fragment would not have.

    A displacement counts as far as the block can tell it: small blocks and flat ones name any number.
    """
    doubt = np.eye(3) / settings.most_displacement_mm**2
    pull = blocks.stiffness @ blocks.displacement_mm[:, :, None]
    moved = np.linalg.norm(np.linalg.solve(blocks.stiffness + doubt, pull)[:, :, 0], axis=1)
    return np.asarray(
        (blocks.correlation > settings.least_correlation) & (moved < settings.most_displacement_mm)
    )


def _hanging_together(blocks: Blocks, chosen: Mask, settings: MotionSettings) -> Mask:
    """Keep the chosen blocks that are joined, block by block, with chosen ones near the screw."""
    rows = np.flatnonzero(chosen)
    place = block_place(blocks.number[rows])
    label = np.zeros((BLOCKS_A_SIDE,) * 3, dtype=bool)
    label[tuple(place.T)] = True
    piece, _ = ndimage.label(label, np.ones((3, 3, 3)))
    own = piece[tuple(place.T)]
    rooted = np.unique(own[blocks.radius_mm[rows] < settings.seed_radius_mm])
    out = np.zeros(len(chosen), dtype=bool)
    out[rows] = np.isin(own, rooted)
    return out
