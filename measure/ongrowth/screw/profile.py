"""The outline of a shaft along its axis: how far out the metal reaches at each depth and angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from ongrowth.geometry import unit
from ongrowth.scan import Scan
from ongrowth.screw.course import Course

DEPTH_STEP_MM = 0.2
_RADIUS_STEP_MM = 0.15
_REACH_MM = 9.0  # beyond the widest head
_ANGLES = 24


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Where the CT number falls below a level, seen from the axis.

    Parameters
    ----------
    course : Course
        Axis; depth is measured along it.
    depth_mm : ndarray, shape (D,)
        Depths, mm, evenly spaced.
    edge_mm : ndarray, shape (D, S)
        Distance of the outline from the axis, mm; 0 where there is no metal near the axis.
    core_hu : ndarray, shape (D,)
        Highest CT number near the axis (a lumen does not lower it), HU.
    profile_hu : ndarray, shape (D, R)
        Mean CT number over the angles at each distance from the axis, extremes left out, HU. The
        thread cancels in it: a turn of the screw only turns the section.
    radius_mm : ndarray, shape (R,)
        Those distances, mm.
    level_hu : float
        The level.
    """

    course: Course
    depth_mm: NDArray[np.float64]
    edge_mm: NDArray[np.float64]
    core_hu: NDArray[np.float64]
    profile_hu: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    level_hu: float

    @property
    def radius_of_area_mm(self) -> NDArray[np.float64]:
        """Radius of the circle of the same area as the outline, shape (D,), robust to a neighbour, mm."""
        lower, upper = np.quantile(self.edge_mm, [0.25, 0.75], axis=1)
        fair = np.minimum(self.edge_mm, (upper + 2.0 * (upper - lower) + 0.3)[:, None])
        return np.asarray(np.sqrt(np.mean(fair**2, axis=1)))


def across(direction: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return two unit vectors perpendicular to a direction and to each other."""
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    first = unit(np.cross(direction, helper))
    return first, np.cross(direction, first)


def outline_of(
    crop: Scan, course: Course, span_mm: tuple[float, float], level_hu: float, core_mm: float
) -> Outline:
    """Return the outline of the metal along an axis.

    Parameters
    ----------
    crop : Scan
        Part of the scan that holds the span with some margin.
    course : Course
        The axis.
    span_mm : tuple of float
        First and last depth, mm.
    level_hu : float
        CT number that draws the outline.
    core_mm : float
        Metal is looked for within this distance of the axis (beyond a lumen's radius).
    """
    depth = np.arange(span_mm[0], span_mm[1] + DEPTH_STEP_MM / 2, DEPTH_STEP_MM)
    radius = np.arange(0.0, _REACH_MM, _RADIUS_STEP_MM)
    hu = _polar_hu(crop, course, depth, radius)
    near = radius <= core_mm
    start = np.argmax(hu[:, :, near], axis=2)
    return Outline(
        course=course,
        depth_mm=depth,
        edge_mm=_first_fall_mm(hu, start, level_hu),
        core_hu=hu[:, :, near].max(axis=(1, 2)),
        profile_hu=_mean_of_angles(hu),
        radius_mm=radius,
        level_hu=level_hu,
    )


def _polar_hu(
    crop: Scan, course: Course, depth: NDArray[np.float64], radius: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CT numbers, shape (D, S, R), read linearly between voxels."""
    first, second = across(course.line.direction)
    angle = np.arange(_ANGLES) * 2.0 * np.pi / _ANGLES
    spoke = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
    axis = course.points_mm(depth)
    points = axis[:, None, None, :] + radius[None, None, :, None] * spoke[None, :, None, :]
    index = np.moveaxis(crop.voxels(points), -1, 0)
    return np.asarray(
        map_coordinates(crop.hu.astype(np.float32), index, order=1, mode="constant", cval=-1024.0),
        dtype=np.float64,
    )


def _mean_of_angles(hu: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over the angles without the highest and lowest sixth: other metal and streaks."""
    left_out = _ANGLES // 6
    return np.asarray(np.sort(hu, axis=1)[:, left_out:-left_out].mean(axis=1))


def _first_fall_mm(hu: NDArray[np.float64], start: NDArray[np.intp], level: float) -> NDArray[np.float64]:
    """Distance, from the densest place near the axis outward, at which the ray falls below the level."""
    steps = np.arange(hu.shape[2])
    below = (hu < level) & (steps >= start[..., None])
    hit = np.where(below.any(axis=2), below.argmax(axis=2), hu.shape[2] - 1)
    is_metal = np.take_along_axis(hu, start[..., None], axis=2)[..., 0] >= level
    outer = np.take_along_axis(hu, hit[..., None], axis=2)[..., 0]
    inner = np.take_along_axis(hu, np.maximum(hit - 1, 0)[..., None], axis=2)[..., 0]
    share = np.clip((inner - level) / np.maximum(inner - outer, 1e-6), 0.0, 1.0)
    return np.where(is_metal, np.maximum(hit - 1 + share, 0.0) * _RADIUS_STEP_MM, 0.0)
