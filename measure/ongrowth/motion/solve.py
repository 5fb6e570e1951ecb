"""Rigid registration by robust least squares: one image sampled at its own voxels, one read between them.

Model at a sample ``x`` of the moving image ``m``, with ``y = fixed_from_moving(x)``:

    m(x) = gain * f(y) + offset + sum_i c_i * f_i(y)

The ``f_i`` are second derivatives of the fixed image: to first order they turn the blur of one kernel
and slice into that of another, so that neither passes for a motion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import RigidTransform
from ongrowth.motion.picture import Real, Spline, read_at
from ongrowth.robust import robust_sd, tukey_weights

FloatArray = NDArray[np.float64]

LEAST_SCALE_HU = 3.0
_BLUR_PRIOR_MM2 = 0.3  # two kernels 0.6 and 1.1 mm wide differ by about 0.1 mm2 in half their variance
_GAIN_PRIOR = 0.3
_BINS = 8  # of the slope, in which the scatter is told apart
_FEWEST = 200
_POSE = 6
_BLUR_MM = 0.35  # standard deviation of a typical point spread


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Voxels of the moving image: place (N, 3), patient mm, and value (N,), HU."""

    places_mm: FloatArray
    values_hu: Real

    def __len__(self) -> int:
        return len(self.values_hu)

    def only(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Samples:
        """Return the chosen samples."""
        return Samples(self.places_mm[keep], self.values_hu[keep])


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """The linearised problem at one pose.

    Parameters
    ----------
    jacobian : ndarray of float32, shape (N, 11)
        Columns: translation of the body (mm, fixed axes), its rotation about `centre_mm` (rad), gain,
        offset, three blur terms.
    residual : ndarray of float32, shape (N,)
        Moving value less model, HU.
    slope : ndarray of float32, shape (N,)
        Length of the image's slope, HU/mm.
    seen : ndarray of bool, shape (N,)
        Whether the fixed image may be believed there.
    """

    jacobian: Real
    residual: Real
    slope: Real
    seen: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A registration.

    Parameters
    ----------
    fixed_from_moving : RigidTransform
        The pose found.
    appearance : ndarray, shape (5,)
        Gain, offset, three blur terms.
    correlation : float
        Weighted correlation of the two images.
    """

    fixed_from_moving: RigidTransform
    appearance: FloatArray
    correlation: float


START = np.array([1.0, 0.0, 0.0, 0.0, 0.0])


class Start(Protocol):
    """Anything that says how two scans lie and look: pose, and gain, offset, three blur terms."""

    @property
    def fixed_from_moving(self) -> RigidTransform:
        """Pose."""

    @property
    def appearance(self) -> FloatArray:
        """Gain, offset, blur terms, shape (5,)."""


def alike_samples(sigma_mm: float, voxel_mm3: float) -> float:
    """Return how many samples say the same, the noise being as smooth as picture and scanner make it."""
    return float(max((4.0 * np.pi * (sigma_mm**2 + _BLUR_MM**2)) ** 1.5 / voxel_mm3, 1.0))


def linearise(
    fixed: Spline,
    samples: Samples,
    fixed_from_moving: RigidTransform,
    centre_mm: FloatArray,
    appearance: FloatArray,
    moving_normal: FloatArray,
) -> Step:
    """Return the problem linearised at a pose."""
    y = fixed_from_moving.apply(samples.places_mm)
    there = read_at(fixed, y)
    blur = _blur_terms(there.curvature, fixed.normal, fixed_from_moving.turn(moving_normal))
    gain = np.float32(appearance[0])
    model = gain * there.value + np.float32(appearance[1]) + blur @ appearance[2:].astype(np.float32)
    arm = (y - centre_mm).astype(np.float32)
    jacobian = np.empty((len(samples), _POSE + 5), dtype=np.float32)
    jacobian[:, :3] = gain * there.slope
    jacobian[:, 3:6] = gain * np.cross(arm, there.slope)
    jacobian[:, 6] = there.value
    jacobian[:, 7] = 1.0
    jacobian[:, 8:] = blur
    slope = np.sqrt(np.einsum("nc,nc->n", there.slope, there.slope))
    return Step(jacobian, samples.values_hu - model, slope, there.seen)


def growth_column(step: Step, pose: RigidTransform, outward: Real) -> Real:
    """Return what an outward shift of the surface by 1 mm does to the model, HU/mm, shape (N,)."""
    turned = pose.turn(outward).astype(np.float32)
    return np.asarray(-np.einsum("nc,nc->n", step.jacobian[:, :3], turned), dtype=np.float32)


def _blur_terms(curvature: Real, fixed_normal: FloatArray, moving_normal: FloatArray) -> Real:
    """Laplacian, second derivative along the fixed normal, and how that along the other differs, (N, 3)."""
    across, along, along_other = (
        np.array([1.0, 1.0, 1.0, 0.0, 0.0, 0.0]),
        *(
            np.r_[n**2, 2 * n[0] * n[1], 2 * n[0] * n[2], 2 * n[1] * n[2]]
            for n in (fixed_normal, moving_normal)
        ),
    )
    columns = np.stack([across, along, along_other - along], axis=1)
    return np.asarray(curvature @ columns.astype(np.float32), dtype=np.float32)


def blur_between(
    appearance: FloatArray, fixed_normal: FloatArray, moving_normal: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return how much more blurred each image is than the other, as covariances of Gaussians.

    Second derivatives turn one blur into the other only while they differ little. What they say roughly
    can be made up for by smoothing, each image in the directions in which it is the sharper one.

    Parameters
    ----------
    appearance : ndarray, shape (5,)
        Gain, offset, blur terms of a fit.
    fixed_normal, moving_normal : ndarray, shape (3,)
        Slice normals, both in the axes of the fixed image.

    Returns
    -------
    ndarray, ndarray, shape (3, 3)
        What the fixed and what the moving image still needs, mm2, axes of the fixed image.
    """
    gain, _, round_, along, turned = appearance
    fixed, moving = (np.outer(n, n) for n in (fixed_normal, moving_normal))
    wanted = 2.0 / gain * (round_ * np.eye(3) + along * fixed + turned * (moving - fixed))
    size, axes = np.linalg.eigh(wanted)
    more, less = ((axes * np.maximum(s, 0.0)) @ axes.T for s in (size, -size))
    return more, less


def scatter(residual: Real, slope: Real, *, by_slope: bool) -> Real:
    """Return the robust scale of each residual, HU: one for all, or one per class of slope."""
    if not by_slope or len(residual) < 50 * _BINS:
        return np.full(len(residual), max(robust_sd(residual), LEAST_SCALE_HU), dtype=np.float32)
    edges = np.quantile(slope, np.linspace(0.0, 1.0, _BINS + 1)[1:-1])
    middles = np.quantile(slope, (np.arange(_BINS) + 0.5) / _BINS)
    which = np.searchsorted(edges, slope)
    scales = [max(robust_sd(residual[which == b]), LEAST_SCALE_HU) for b in range(_BINS)]
    return np.interp(slope, middles, scales).astype(np.float32)


def fit_rigid(
    fixed: Spline,
    samples: Samples,
    start: RigidTransform,
    moving_normal: FloatArray,
    *,
    rounds: int = 12,
    settled_mm: float = 5e-4,
) -> Fit:
    """Register by Gauss-Newton with Tukey's weights.

    Parameters
    ----------
    fixed : Spline
        Read between its voxels.
    samples : Samples
        Of the moving image, smoothed alike.
    start : RigidTransform
        First guess of ``fixed_from_moving``.
    moving_normal : ndarray, shape (3,)
        Slice normal of the moving image, its own patient axes.
    rounds : int
        At most so many steps.
    settled_mm : float
        Stop when no sample moves by more.
    """
    pose, look = start, START
    centre = pose.apply(samples.places_mm.mean(axis=0))
    radius = float(np.sqrt(np.mean(np.sum((pose.apply(samples.places_mm) - centre) ** 2, axis=1))))
    for _ in range(rounds):
        step = linearise(fixed, samples, pose, centre, look, moving_normal)
        change = _solve(step, tukey(step, by_slope=False), look)
        pose = RigidTransform.about(centre, change[3:6], change[:3]) @ pose
        look = look + change[6:]
        if np.linalg.norm(change[:3]) + radius * np.linalg.norm(change[3:6]) < settled_mm:
            break
    step = linearise(fixed, samples, pose, centre, look, moving_normal)
    return Fit(pose, look, _correlation(samples.values_hu, step, tukey(step, by_slope=False)))


def tukey(step: Step, *, by_slope: bool) -> Real:
    """Return Tukey's weights over the squared scale, shape (N,); 0 where nothing is seen.

    With `by_slope` the scale of the residuals may differ between flat and steep places.
    """
    seen = step.seen
    weight = np.zeros(len(seen), dtype=np.float32)
    if seen.sum() < _FEWEST:
        return weight
    scale = scatter(step.residual[seen], step.slope[seen], by_slope=by_slope)
    weight[seen] = tukey_weights(step.residual[seen] / scale) / scale**2
    return weight


def _solve(step: Step, weight: Real, look: FloatArray) -> FloatArray:
    j = step.jacobian
    normal = (j.T @ (j * weight[:, None])).astype(np.float64)
    right = (j.T @ (weight * step.residual)).astype(np.float64)
    normal, right = with_prior(normal, right, look)
    return np.asarray(np.linalg.lstsq(normal, right, rcond=1e-12)[0])


def with_prior(normal: FloatArray, right: FloatArray, look: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Hold gain and blur terms near what two CT protocols can differ by."""
    more = np.zeros(len(right) - _POSE - len(look))
    prior = np.r_[np.zeros(_POSE), _GAIN_PRIOR**-2, 0.0, np.full(3, _BLUR_PRIOR_MM2**-2), more]
    away = np.r_[np.zeros(_POSE), START - look, more]
    return normal + np.diag(prior + 1e-9), right + prior * away


def _correlation(values: Real, step: Step, weight: Real) -> float:
    total = float(weight.sum())
    if total <= 0.0:
        return 0.0
    model = values - step.residual
    a, b = (v - float((weight * v).sum()) / total for v in (values, model))
    cross = float((weight * a * b).sum())
    return cross / float(np.sqrt((weight * a * a).sum() * (weight * b * b).sum()) + 1e-12)
