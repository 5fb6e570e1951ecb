"""Rigid-body figures in the usage of radiostereometry, and how far they may be off."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize
from scipy.special import chdtr, chndtr

from ongrowth.geometry import RigidTransform, lock_arrays
from ongrowth.quantity import COVERAGE_95, Caution, Measured, Unit

FloatArray = NDArray[np.float64]

_CLEAR = 5.0  # standard deviations from zero beyond which a length errs like a normal variable


@dataclass(frozen=True, slots=True, eq=False)
class HelicalAxis:
    """A rigid motion as a turn about an axis and a slide along it.

    Parameters
    ----------
    angle_deg : float
        Rotation, 0 to 180.
    direction : ndarray, shape (3,)
        Unit direction of the axis.
    slide_mm : float
        Translation along the axis.
    point_mm : ndarray, shape (3,)
        Point of the axis nearest to the origin; NaN without rotation.
    """

    angle_deg: float
    direction: FloatArray
    slide_mm: float
    point_mm: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)


def helical_axis(motion: RigidTransform) -> HelicalAxis:
    """Return the helical (screw) axis of a rigid motion.

    Examples
    --------
    >>> turn = RigidTransform.from_rotation_vector([0.0, 0.0, np.radians(3.0)], [0.0, 0.0, 0.5])
    >>> helical_axis(turn).angle_deg.__round__(6), helical_axis(turn).slide_mm
    (3.0, 0.5)
    """
    turn = motion.rotation_vector_rad
    angle = float(np.linalg.norm(turn))
    if angle < 1e-12:
        length = float(np.linalg.norm(motion.translation_mm))
        direction = motion.translation_mm / length if length > 0.0 else np.array([0.0, 0.0, 1.0])
        return HelicalAxis(0.0, direction, length, np.full(3, math.nan))
    direction = turn / angle
    slide = float(direction @ motion.translation_mm)
    across = motion.translation_mm - slide * direction
    point = 0.5 * (across + np.cross(direction, across) / math.tan(angle / 2.0))
    return HelicalAxis(math.degrees(angle), direction, slide, point)


def cardan_deg(motion: RigidTransform) -> FloatArray:
    """Return rotations about x, y, z, degrees, for the order R = Rz Ry Rx, shape (3,)."""
    r = motion.rotation
    return np.degrees(
        [
            math.atan2(r[2, 1], r[2, 2]),
            math.atan2(-r[2, 0], math.hypot(r[2, 1], r[2, 2])),
            math.atan2(r[1, 0], r[0, 0]),
        ]
    )


def point_motions_mm(motion: RigidTransform, points_mm: ArrayLike) -> FloatArray:
    """Return how far each point, shape (N, 3), is moved, mm, shape (N,)."""
    points = np.asarray(points_mm, dtype=np.float64)
    return np.asarray(np.linalg.norm(motion.apply(points) - points, axis=-1))


def condition_number_per_m(points_mm: ArrayLike) -> float:
    """Return how poorly points fix a rotation, 1/m; large for points near a line.

    ``1 / sqrt(s2^2 + s3^2)`` with the two smaller singular values of the centred points in metres
    (Soderkvist & Wedin, J Biomech 1993;26:1473-1477; the formula is from memory).
    """
    points = np.asarray(points_mm, dtype=np.float64) / 1000.0
    s = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    spread = math.hypot(s[1], s[2])
    return 1.0 / spread if spread > 0.0 else math.inf


def covariance_at(covariance: FloatArray, centre_mm: FloatArray, point_mm: ArrayLike) -> FloatArray:
    """Carry a covariance of (translation mm, rotation rad) about one point to another, shape (6, 6)."""
    x, y, z = np.asarray(point_mm, dtype=np.float64) - centre_mm
    carry = np.eye(6)
    carry[:3, 3:] = [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]
    return carry @ covariance @ carry.T


def turn_covariance(covariance: FloatArray, rotation: FloatArray) -> FloatArray:
    """Express a covariance of (translation, rotation) in turned axes: rows of `rotation` are the new axes."""
    both = np.kron(np.eye(2), rotation)
    return both @ covariance @ both.T


def measured_length(vector: ArrayLike, covariance: ArrayLike, unit: Unit, cautions: Caution) -> Measured:
    """Return the length of a measured vector.

    The plain length of a noisy vector is too long; the value is freed of that bias (zero where the
    vector is within its noise). The interval is that of a non-central chi distribution whose scale
    and degrees of freedom match the covariance (Satterthwaite), so it holds zero motion honestly; its upper
    end is never below the coverage factor times the noise, however near to zero the estimate fell.

    Parameters
    ----------
    vector : array_like, shape (N,)
        Estimate.
    covariance : array_like, shape (N, N)
        Of the vector.
    unit : Unit
        Of the vector.
    cautions : Caution
        Passed on.
    """
    v, c = np.asarray(vector, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    noise, square = float(np.trace(c)), float(v @ v)
    if not (math.isfinite(square) and noise > 0.0):
        return Measured.missing(unit, cautions | Caution.POOR_FIT)
    scale = float(np.trace(c @ c)) / noise
    value = math.sqrt(max(square - noise, 0.0))
    u = math.sqrt(float(v @ c @ v) / square) if value > 0.0 else math.sqrt(scale)
    if square > _CLEAR**2 * float(np.linalg.eigvalsh(c)[-1]):  # only the noise along the motion matters
        low, high = value - COVERAGE_95 * u, value + COVERAGE_95 * u
    else:
        low, high = (math.sqrt(scale * s) for s in _non_central(square / scale, noise / scale))
    high = max(high, value, COVERAGE_95 * math.sqrt(scale))  # a lucky draw must not look exact
    return Measured(value, u, min(low, value), high, unit, cautions)


def _non_central(x: float, freedom: float) -> tuple[float, float]:
    """95 % interval of the non-centrality of a chi-squared variable seen as `x`."""
    return _bound(x, freedom, 0.975), _bound(x, freedom, 0.025)


def _bound(x: float, freedom: float, share: float) -> float:
    """Non-centrality at which a share of the distribution lies below `x`; 0 if there is none."""
    if chdtr(freedom, x) <= share:
        return 0.0
    top = math.sqrt(x) + 6.0
    root = optimize.brentq(lambda r: chndtr(x, freedom, r * r) - share, 0.0, top, xtol=1e-4)
    return float(root) ** 2
