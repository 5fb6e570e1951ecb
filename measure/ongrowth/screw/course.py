"""The course of a shaft: a straight line, or two that meet at a bend or a break."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import Line, frozen, unit
from ongrowth.robust import TUKEY_REACH, tukey_weights


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Axis of a shaft that may change direction, or be offset, at one place.

    Parameters
    ----------
    line : Line
        The first part; depth is measured along it.
    kink_mm : float
        Depth at which the second part begins; infinite if the shaft is straight.
    step_mm : ndarray, shape (3,)
        Offset of the second part at the kink, mm (zero for a bend).
    turn : ndarray, shape (3,)
        Change of place per depth beyond the kink, square to the line.
    """

    line: Line
    kink_mm: float = math.inf
    step_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    turn: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))

    def __post_init__(self) -> None:
        object.__setattr__(self, "step_mm", frozen(self.step_mm))
        object.__setattr__(self, "turn", frozen(self.turn))

    @property
    def is_straight(self) -> bool:
        """Whether there is no second part."""
        return math.isinf(self.kink_mm)

    @property
    def bend_deg(self) -> float:
        """Angle between the two parts, degrees."""
        return math.degrees(math.atan(float(np.linalg.norm(self.turn))))

    def points_mm(self, depth_mm: ArrayLike) -> NDArray[np.float64]:
        """Return points of the course at depths, shape (..., 3), patient mm (LPS)."""
        depth = np.asarray(depth_mm, dtype=np.float64)[..., None]
        straight = self.line.point_mm + depth * self.line.direction
        if self.is_straight:
            return np.asarray(straight)
        beyond = np.maximum(depth - self.kink_mm, 0.0)
        return np.asarray(straight + (depth > self.kink_mm) * self.step_mm + beyond * self.turn)

    def local(self, points_mm: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return depth, shape (...), and the vector from the course, shape (..., 3), of points."""
        points = np.asarray(points_mm, dtype=np.float64)
        depth = self.line.depth_mm(points)
        return depth, points - self.points_mm(depth)


@dataclass(frozen=True, slots=True, eq=False)
class CourseFit:
    """A course, how far the centres lie from it, and how well its direction is known.

    Parameters
    ----------
    course : Course
        The course.
    scatter_mm : float
        Standard deviation of the centres about it, per direction, mm.
    turn_u_deg, bend_u_deg : float
        Standard uncertainty of the direction of a straight course through these centres, and of an
        angle between two parts, from the scatter alone, degrees.
    gain : float
        Mean square about a straight line over that about the course.
    limit_deg : float
        Smallest bend that would have been told, degrees.
    """

    course: Course
    scatter_mm: float
    turn_u_deg: float
    bend_u_deg: float
    gain: float = 1.0
    limit_deg: float = math.nan


# A smooth shank scatters less than a thread: neither may be thrown out for the other.
_SCATTER_FLOOR_MM = 0.06
# Distances before squares: least squares would start from where a far centre at an end has tilted it.
_NEAR_ROUNDS, _TUKEY_ROUNDS = 4, 8
_EDGE_SHARE = 0.2  # no kink nearer to an end than this share of the shaft: it could not be told
_KINKS = 25
_FEWEST_BENT, _FEWEST_PART = 8, 3
_ALIKE = 1.02  # of the least cost
_UNTOLD = 1e-12  # of the largest eigenvalue


def fit_straight(depth_mm: NDArray[np.float64], points_mm: NDArray[np.float64], line: Line) -> CourseFit:
    """Fit a straight course through the centres of a shaft, keeping the zero of depth."""
    (fit,) = _fits(depth_mm, points_mm, [np.zeros((len(depth_mm), 0))])
    return CourseFit(fit.course(line), fit.scatter_mm, fit.slope_u_deg(1), math.nan)


def fit_bent(depth_mm: NDArray[np.float64], points_mm: NDArray[np.float64], line: Line) -> CourseFit | None:
    """Fit two straight parts that meet, the meeting place searched; None if there are too few centres."""
    if len(depth_mm) < _FEWEST_BENT:
        return None
    (straight,) = _fits(depth_mm, points_mm, [np.zeros((len(depth_mm), 0))])
    kinks = _kinks(depth_mm)
    fits = _fits(depth_mm, points_mm, [np.maximum(depth_mm - kink, 0.0)[:, None] for kink in kinks])
    kink, fit = min(zip(kinks, fits, strict=True), key=lambda pair: pair[1].cost)
    gain = straight.cost / max(fit.cost, 1e-12)
    course = fit.course(line, kink)
    return CourseFit(course, fit.scatter_mm, straight.slope_u_deg(1), fit.slope_u_deg(2), gain)


def fit_broken(
    depth_mm: NDArray[np.float64], points_mm: NDArray[np.float64], line: Line, at_mm: float
) -> CourseFit | None:
    """Fit two straight parts with an offset at a known place; None if a part has too few centres."""
    beyond = depth_mm > at_mm
    if min(beyond.sum(), (~beyond).sum()) < _FEWEST_PART:
        return None
    (fit,) = _fits(depth_mm, points_mm, [_two_parts(depth_mm, at_mm)])
    return CourseFit(fit.course(line, at_mm), fit.scatter_mm, fit.slope_u_deg(1), fit.slope_u_deg(2))


def fit_torn(depth_mm: NDArray[np.float64], points_mm: NDArray[np.float64], line: Line) -> CourseFit | None:
    """Fit two straight parts with an offset, its place searched; None if there are too few centres."""
    if len(depth_mm) < _FEWEST_BENT:
        return None
    (straight,) = _fits(depth_mm, points_mm, [np.zeros((len(depth_mm), 0))])
    kinks = _kinks(depth_mm)
    fits = _fits(depth_mm, points_mm, [_two_parts(depth_mm, kink) for kink in kinks])
    least = min(fit.cost for fit in fits)
    # between the centres of both parts all places fit alike: the one in the middle
    alike = [pair for pair in zip(kinks, fits, strict=True) if pair[1].cost < _ALIKE * least]
    kink, fit = alike[len(alike) // 2]
    gain = straight.cost / max(fit.cost, 1e-12)
    return CourseFit(fit.course(line, kink), fit.scatter_mm, fit.slope_u_deg(1), fit.slope_u_deg(2), gain)


def _kinks(depth_mm: NDArray[np.float64]) -> list[float]:
    low, high = float(depth_mm[0]), float(depth_mm[-1])
    edge = _EDGE_SHARE * (high - low)
    return [float(kink) for kink in np.linspace(low + edge, high - edge, _KINKS)]


def _two_parts(depth_mm: NDArray[np.float64], at_mm: float) -> NDArray[np.float64]:
    return np.stack([np.maximum(depth_mm - at_mm, 0.0), (depth_mm > at_mm).astype(float)], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Robust least squares of points against depth: start, slope, then change of slope, then offset."""

    rows: NDArray[np.float64]
    scatter_mm: float
    cost: float
    spread: NDArray[np.float64]

    def slope_u_deg(self, row: int) -> float:
        """Return the standard uncertainty of a slope, degrees."""
        return math.degrees(self.scatter_mm * math.sqrt(float(self.spread[row])))

    def course(self, line: Line, kink_mm: float = math.inf) -> Course:
        """Return the fitted course; its depth has the zero of the old line."""
        direction = unit(self.rows[1])
        new = Line(self.rows[0], direction)
        foot = Line(self.rows[0] + float(new.depth_mm(line.point_mm)) * direction, direction)
        if math.isinf(kink_mm):
            return Course(foot)
        turn = self.rows[2]
        step = self.rows[3] if len(self.rows) > 3 else np.zeros(3)
        turn, step = (row - (row @ direction) * direction for row in (turn, step))
        return Course(foot, kink_mm, step, turn)


def _fits(
    depth: NDArray[np.float64], points: NDArray[np.float64], extras: Sequence[NDArray[np.float64]]
) -> list[_Fit]:
    """Fit a line and each of some further columns, shape (N, Q), to the points, all at once."""
    ones = np.ones_like(depth)
    design = np.stack([np.column_stack([ones, depth, extra]) for extra in extras])
    weight = np.ones(design.shape[:2])
    for n in range(_NEAR_ROUNDS + _TUKEY_ROUNDS):
        weighted = np.swapaxes(design * weight[..., None], 1, 2)
        rows = _inverse(weighted @ design) @ (weighted @ points)
        away = np.linalg.norm(points - design @ rows, axis=2)
        if n < _NEAR_ROUNDS:
            weight = _SCATTER_FLOOR_MM / np.maximum(away, _SCATTER_FLOOR_MM)
            continue
        # the median length of a plane normal vector is 1.177 standard deviations per direction
        scatter = np.median(away, axis=1) / 1.1774
        weight = tukey_weights(away / np.maximum(scatter, _SCATTER_FLOOR_MM)[:, None])
    # beyond the limit every centre costs the same
    cost = np.mean(np.minimum(away / _SCATTER_FLOOR_MM, TUKEY_REACH) ** 2, axis=1)
    spread = _inverse(np.swapaxes(design * weight[..., None], 1, 2) @ design).diagonal(axis1=1, axis2=2)
    return [_Fit(*one) for one in zip(rows, scatter.tolist(), cost.tolist(), spread, strict=True)]


def _inverse(gram: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverses of symmetric matrices, shape (K, P, P); what no centre tells is left out."""
    return np.asarray(np.linalg.pinv(gram, rcond=_UNTOLD, hermitian=True), dtype=np.float64)
