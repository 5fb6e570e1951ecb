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
    about,
    alike_samples,
    growth_column,
    linearise,
    tukey,
    with_prior,
)

FloatArray = NDArray[np.float64]

_OWN = np.array([0, 1, 2, 6, 7])  # displacement, gain, offset: what each block has its own of
_GROWTH = 11
_GROWTH_REACH_MM = 8.0  # over which the growth of a surface is alike
_MEAN_GROWTH_MM = 0.3
_EM_ROUNDS = 3
# Soft tissue beside bone differs between two scans as if the surface had shifted a little, so surfaces are
# never trusted more than this; texture inside the bone then leads.
_LEAST_GROWTH_MM = 0.06
# Growth that passes for motion, over the spread of growth that the blocks show. They are measured against a
# rough (exponential) prior, under which a smooth field of the same size shows 1.6 times too little (closed
# form, correlation over 5 mm, blocks of 4 mm), and what grew most drops out. From phantoms (tuning half).
_UNEVENNESS = 2.4
# Spread that the blocks show where no surface has grown (streaks, another kernel), and the least that is
# left when it is taken off. From phantoms (tuning half, bone as it was).
_SHOWN_AT_REST_MM, _LEAST_UNEVEN_MM = 0.035, 0.015
_LEAST = np.array([0.003, 0.003, 0.003, 0.005, 1.0, 0.005])  # mm, mm, mm, 1, HU, mm
_FIRST = np.array([0.05, 0.05, 0.05, 0.05, 20.0, 0.1])
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
    alike = alike_samples(fixed.sigma_mm, voxel_mm3)
    pose, look, spread = start.fixed_from_moving, np.array(start.appearance), _FIRST.copy()
    centre = pose.apply(samples.places_mm.mean(axis=0))
    own = np.zeros((len(starts), 6))
    apart = _apart_mm(np.add.reduceat(samples.places_mm, starts) / (ends - starts)[:, None])
    row = np.repeat(np.arange(len(starts)), ends - starts)
    held = np.zeros((3, 3)) if held_axis is None else 1e10 * np.outer(held_axis, held_axis)
    for _ in range(rounds):
        step = linearise(fixed, samples, pose, centre, look, moving_normal)
        j = np.column_stack([step.jacobian, growth_column(step, pose, field.outward)])
        level = float(j[:, 6].mean())
        j[:, 6] -= np.float32(level)
        within = np.einsum("nc,nc->n", j[:, [*_OWN, _GROWTH]], own[row].astype(np.float32))
        weight, _ = tukey(Step(step.jacobian, step.residual - within, step.slope, step.seen), by_slope=True)
        gram, right = _per_block(j, step.residual, weight, starts, ends)
        gram[:, 3:6, 3:6] += held / len(starts) * alike
        change, inverse, own, spread = _solve(gram / alike, right / alike, look, spread, apart)
        pose = about(centre, change[3:6], change[:3]) @ pose
        look = look + change[6:11] - np.r_[0.0, level * change[6], 0.0, 0.0, 0.0]
    places = np.add.reduceat(pose.apply(samples.places_mm), starts) / (ends - starts)[:, None]
    return MixedFit(pose, centre, inverse[:6, :6], spread, float(own[:, 5].mean()), len(starts), look, places)


def _apart_mm(places_mm: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(places_mm[:, None] - places_mm[None], axis=2))


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
    gram: FloatArray, right: FloatArray, look: FloatArray, spread: FloatArray, apart_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the change of the common unknowns, their covariance, each block's own, and their spread."""
    n = len(gram)
    # exponential in the fit, so that neither rough nor smooth growth surprises; smooth in the uncertainty,
    # because smooth growth passes for motion most easily
    kernel: FloatArray = np.exp(-apart_mm / _GROWTH_REACH_MM)
    smooth: FloatArray = np.exp(-0.5 * (apart_mm / _GROWTH_REACH_MM) ** 2)
    for _ in range(_EM_ROUNDS):
        inner = np.asarray(
            np.linalg.inv(gram[:, _OWN][:, :, _OWN] + np.diag(1.0 / spread[:5] ** 2)), np.float64
        )
        lean = gram[:, :, _OWN] @ inner
        reduced = gram - lean @ gram[:, _OWN]
        toward = right - (lean @ right[:, _OWN, None])[:, :, 0]
        # growth is smooth in space: its prior ties the blocks together
        prior = max(spread[5], _LEAST_GROWTH_MM) ** 2 * kernel + _MEAN_GROWTH_MM**2
        grown, cross, pull = reduced[:, _GROWTH, _GROWTH], reduced[:, :_GROWTH, _GROWTH], toward[:, _GROWTH]
        root = np.sqrt(np.maximum(grown, 0.0))
        inside = np.linalg.inv(np.eye(n) + root[:, None] * prior * root)
        held = prior - (prior * root) @ inside @ (root[:, None] * prior)  # (D + K^-1)^-1
        normal = reduced[:, :_GROWTH, :_GROWTH].sum(axis=0) - cross.T @ held @ cross
        normal, wanted = with_prior(normal, toward[:, :_GROWTH].sum(axis=0) - cross.T @ held @ pull, look)
        covariance = np.linalg.inv(normal)
        change = covariance @ wanted
        growth = held @ (pull - cross @ change)
        rest = right[:, _OWN] - gram[:, _OWN, :_GROWTH] @ change - gram[:, _OWN, _GROWTH] * growth[:, None]
        own = (inner @ rest[:, :, None])[:, :, 0]
        spread = _spread(own, inner, growth, held, kernel)
    covariance = covariance + _mistaken_growth(gram, smooth, spread[5])
    return change, covariance, np.column_stack([own, growth]), spread


def _mistaken_growth(gram: FloatArray, kernel: FloatArray, spread_mm: float) -> FloatArray:
    """Covariance of what smooth growth of the surface adds to the pose where it cannot be told apart."""
    normal = gram[:, :_GROWTH, :_GROWTH].sum(axis=0) + 1e-9 * np.eye(_GROWTH)
    answer = np.linalg.solve(normal, gram[:, :_GROWTH, _GROWTH].T)
    square_mm2 = max(spread_mm**2 - _SHOWN_AT_REST_MM**2, _LEAST_UNEVEN_MM**2)
    return np.asarray(_UNEVENNESS**2 * square_mm2 * answer @ kernel @ answer.T)


def _spread(
    own: FloatArray, inner: FloatArray, growth: FloatArray, held: FloatArray, kernel: FloatArray
) -> FloatArray:
    """Return the spread of each block unknown, as the blocks now show it."""
    power = np.mean(own**2 + np.diagonal(inner, axis1=1, axis2=2), axis=0)
    power[:3] = power[:3].mean()
    precision = np.linalg.inv(kernel)
    away = growth - growth.mean()
    left = held - held.mean(axis=0) - held.mean(axis=1)[:, None] + held.mean()
    grown = (away @ precision @ away + np.sum(precision * left)) / len(growth)
    return np.asarray(np.maximum(np.sqrt(np.r_[power, max(grown, 0.0)]), _LEAST), dtype=np.float64)
