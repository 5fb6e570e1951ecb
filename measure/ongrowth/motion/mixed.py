"""The last step of a registration: bone changes from place to place, and each block may do so its own way.

The samples lie in blocks of a few millimetres. Beside the unknowns of the whole fragment (pose, gain,
offset, blur, growth of its surface) each block has unknowns of its own: offset and gain (bone that got
denser), growth of its surface, and a displacement (bone that was rebuilt). They are held near zero by
variances that are themselves estimated from the blocks (expectation maximisation). What the blocks
disagree about so becomes part of the uncertainty of the pose, as in a random-effects meta-analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import RigidTransform
from ongrowth.motion.fragment import Field
from ongrowth.motion.picture import Real, Spline
from ongrowth.motion.solve import (
    Start,
    Step,
    alike_samples,
    growth_column,
    linearise,
    tukey,
    with_prior,
)

FloatArray = NDArray[np.float64]

_OWN = np.array([0, 1, 2, 6, 7])  # displacement, gain, offset: what each block has its own of
_GROWTH = 11
_GROWTH_REACH_MM = 5.0  # over which the growth of a surface is alike
_MEAN_GROWTH_MM = 0.3
_ROUNDS = 3  # of the variances, within each step
# Soft tissue beside bone differs between two scans as if the surface had shifted a little, so surfaces are
# never trusted more than this; texture inside the bone then leads.
_LEAST_GROWTH_MM = 0.02
# Growth that passes for motion, over the spread of growth that the blocks show: what is smooth shows too
# little. From phantoms (tuning half).
_UNEVENNESS = 1.6
# Samples that say the same, over what smoothing and blur alone would leave: noise of CT is poor in low
# frequencies. From phantoms (tuning half, bone as it was).
_ALIKE_SHARE = 0.5
_OWN_NOISE = 0.5  # weight of the typical scatter in that of a block, against what the block shows itself
_LOUDEST = 10.0  # scatter of a block, squared, over the typical one
_LEAST = np.array([0.003, 0.003, 0.003, 0.005, 1.0, 0.005])  # mm, mm, mm, 1, HU, mm
_FIRST = np.array([0.05, 0.05, 0.05, 0.05, 20.0, 0.1])
_TIED = np.array(
    [[1, 0, 0], [1, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=np.float64
)  # three axes as one
_MOST_RISE = 4.0  # of a variance in one step
_N = 12


@dataclass(frozen=True, slots=True, eq=False)
class MixedFit:
    """A registration with its uncertainty.

    Parameters
    ----------
    fixed_from_moving : RigidTransform
        The pose.
    centre_mm : ndarray, shape (3,)
        Point of the fixed scan about which the rotations of `covariance` turn.
    covariance : ndarray, shape (6, 6)
        Of translation (mm) and rotation (rad) in fixed patient axes.
    spread : ndarray, shape (6,)
        Standard deviation between blocks: displacement (mm, three times), gain, offset (HU), growth (mm).
    growth_mm : float
        Mean growth of the surface from the fixed to the moving scan.
    n_blocks : int
        Blocks used.
    appearance : ndarray, shape (5,)
        Gain, offset, blur terms.
    places_mm : ndarray, shape (B, 3)
        Middles of the blocks in the fixed scan.
    """

    fixed_from_moving: RigidTransform
    centre_mm: FloatArray
    covariance: FloatArray
    spread: FloatArray
    growth_mm: float
    n_blocks: int
    appearance: FloatArray
    places_mm: FloatArray


def fit_mixed(
    fixed: Spline,
    field: Field,
    start: Start,
    moving_normal: FloatArray,
    voxel_mm3: float,
    *,
    rounds: int = 8,
    held_axis: FloatArray | None = None,
) -> MixedFit:
    """Register samples whose bone may have changed.

    Parameters
    ----------
    fixed : Spline
        Read between voxels.
    field : Field
        Samples of the moving scan.
    start : Start
        First guess of the pose and of gain, offset, blur.
    moving_normal : ndarray, shape (3,)
        Slice normal of the moving scan.
    voxel_mm3 : float
        Volume each sample stands for.
    rounds : int
        Steps taken.
    held_axis : ndarray, shape (3,), optional
        Axis in the fixed scan about which the body may not turn.
    """
    field = field.only(np.argsort(field.block, kind="stable"))
    samples, block = field.samples, field.block
    starts = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    ends = np.r_[starts[1:], len(block)]
    alike = max(_ALIKE_SHARE * alike_samples(fixed.sigma_mm, voxel_mm3), 1.0)
    pose, look, spread = start.fixed_from_moving, np.array(start.appearance), _FIRST.copy()
    centre = pose.apply(samples.places_mm.mean(axis=0))
    own = np.zeros((len(starts), 6))
    alike_growth = _alike_growth(np.add.reduceat(samples.places_mm, starts) / (ends - starts)[:, None])
    row = np.repeat(np.arange(len(starts)), ends - starts)
    held = np.zeros((3, 3)) if held_axis is None else 1e10 * np.outer(held_axis, held_axis)
    for _ in range(rounds):
        step = linearise(fixed, samples, pose, centre, look, moving_normal)
        j = np.column_stack([step.jacobian, growth_column(step, pose, field.outward)])
        level = float(j[:, 6].mean())
        j[:, 6] -= np.float32(level)
        within = np.einsum("nc,nc->n", j[:, [*_OWN, _GROWTH]], own[row].astype(np.float32))
        rest = step.residual - within
        weight = tukey(Step(step.jacobian, rest, step.slope, step.seen), by_slope=True)
        weight = _evened(weight, rest, row)
        gram, right = _per_block(j, step.residual, weight, starts, ends)
        gram[:, 3:6, 3:6] += held / len(starts) * alike
        change, inverse, own, spread = _solve(gram / alike, right / alike, look, spread, alike_growth)
        pose = RigidTransform.about(centre, change[3:6], change[:3]) @ pose
        look = look + change[6:11] - np.r_[0.0, level * change[6], 0.0, 0.0, 0.0]
    places = np.add.reduceat(pose.apply(samples.places_mm), starts) / (ends - starts)[:, None]
    return MixedFit(pose, centre, inverse[:6, :6], spread, float(own[:, 5].mean()), len(starts), look, places)


def _alike_growth(places_mm: FloatArray) -> FloatArray:
    """Correlation of the growth of the surface between blocks, shape (B, B)."""
    apart_mm = np.linalg.norm(places_mm[:, None] - places_mm[None], axis=2)
    return np.asarray(np.exp(-0.5 * (apart_mm / _GROWTH_REACH_MM) ** 2))


def _evened(weight: Real, rest: Real, row: NDArray[np.intp]) -> Real:
    """Trust each block as its own scatter says: noise and streaks are not alike everywhere."""
    count = np.maximum(np.bincount(row, weight > 0.0), 1.0)
    square = np.bincount(row, weight * rest * rest) / count
    typical = max(float(np.median(square)), 1e-6)
    loud = (square / typical + _OWN_NOISE) / (1.0 + _OWN_NOISE)
    return np.asarray(weight / np.minimum(loud, _LOUDEST)[row], dtype=np.float32)


def _per_block(
    j: Real, rest: Real, weight: Real, starts: NDArray[np.intp], ends: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    full = np.concatenate([j, rest[:, None]], axis=1)
    weighted = full * weight[:, None]
    both = np.stack([full[a:b].T @ weighted[a:b] for a, b in zip(starts, ends, strict=True)]).astype(
        np.float64
    )
    return both[:, :_N, :_N], both[:, :_N, _N]


def _solve(
    gram: FloatArray, right: FloatArray, look: FloatArray, spread: FloatArray, kernel: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the change of the common unknowns, their covariance, each block's own, and their spread."""
    n = len(gram)
    within = gram[:, _OWN][:, :, _OWN]
    for _ in range(_ROUNDS):
        inner = np.asarray(np.linalg.inv(within + np.diag(1.0 / spread[:5] ** 2)), np.float64)
        lean = gram[:, :, _OWN] @ inner
        reduced = gram - lean @ gram[:, _OWN]
        toward = right - (lean @ right[:, _OWN, None])[:, :, 0]
        # growth is smooth in space: its prior ties the blocks together
        grown_mm = max(spread[5], _LEAST_GROWTH_MM)
        prior = grown_mm**2 * kernel + _MEAN_GROWTH_MM**2
        grown, cross, pull = reduced[:, _GROWTH, _GROWTH], reduced[:, :_GROWTH, _GROWTH], toward[:, _GROWTH]
        root = np.sqrt(np.maximum(grown, 0.0))
        told = root[:, None] * np.linalg.inv(np.eye(n) + root[:, None] * prior * root) * root
        held = prior - prior @ told @ prior  # (D + K^-1)^-1
        normal = reduced[:, :_GROWTH, :_GROWTH].sum(axis=0) - cross.T @ held @ cross
        normal, wanted = with_prior(normal, toward[:, :_GROWTH].sum(axis=0) - cross.T @ held @ pull, look)
        covariance = np.linalg.inv(normal)
        change = covariance @ wanted
        growth = held @ (pull - cross @ change)
        rest = right[:, _OWN] - gram[:, _OWN, :_GROWTH] @ change - gram[:, _OWN, _GROWTH] * growth[:, None]
        own = (inner @ rest[:, :, None])[:, :, 0]
        blocks = _scored(
            rest - (within @ own[:, :, None])[:, :, 0], within - within @ inner @ within, spread[:5]
        )
        uneven = _scored_growth(pull - cross @ change - grown * growth, told, kernel, grown_mm)
        spread = np.r_[blocks, uneven]
    covariance = covariance + _mistaken_growth(gram, kernel, spread[5])
    return change, covariance, np.column_stack([own, growth]), spread


def _mistaken_growth(gram: FloatArray, kernel: FloatArray, spread_mm: float) -> FloatArray:
    """Covariance of what smooth growth of the surface adds to the pose where it cannot be told apart."""
    normal = gram[:, :_GROWTH, :_GROWTH].sum(axis=0) + 1e-9 * np.eye(_GROWTH)
    answer = np.linalg.solve(normal, gram[:, :_GROWTH, _GROWTH].T)
    return np.asarray((_UNEVENNESS * spread_mm) ** 2 * answer @ kernel @ answer.T)


def _scored(pull: FloatArray, told: FloatArray, spread: FloatArray) -> FloatArray:
    """Return the spread of displacement, gain and offset after one step of Fisher scoring.

    Parameters
    ----------
    pull : ndarray, shape (B, 5)
        Slope of the log-likelihood in each block's own unknowns.
    told : ndarray, shape (B, 5, 5)
        Covariance of that slope if the spread were as taken.
    spread : ndarray, shape (5,)
        As taken.
    """
    away = np.sum(pull**2 - np.diagonal(told, axis1=1, axis2=2), axis=0)
    information = _TIED.T @ np.sum(told**2, axis=0) @ _TIED
    step = np.linalg.solve(information + 1e-12 * np.trace(information) * np.eye(3), _TIED.T @ away)
    least, was = _LEAST[[0, 3, 4]] ** 2, spread[[0, 3, 4]] ** 2
    return np.asarray(_TIED @ np.sqrt(np.clip(was + step, least, _MOST_RISE * was)))


def _scored_growth(pull: FloatArray, told: FloatArray, kernel: FloatArray, spread_mm: float) -> float:
    """Return the spread of the growth after one step of Fisher scoring."""
    shown = kernel @ told
    away = float(pull @ kernel @ pull - np.trace(shown))
    step = away / max(float(np.sum(shown * shown.T)), 1e-12)
    was = spread_mm**2
    return float(np.sqrt(np.clip(was + step, _LEAST[5] ** 2, _MOST_RISE * was)))
