"""Centres of a shaft in the planes of the native grid, finer than a voxel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.scan import Scan
from ongrowth.screw.course import Course, fit_straight

# Slices are preferred as sections down to this cosine between their normal and the screw: pixels are
# finer than slices, so a centre found inside a slice is the better one.
_STEEP_ENOUGH = 0.45
_FEWEST = 4
_MOST_OVERHANG = 0.3  # of the span, so that something is left
_ROUNDS = 4  # of a straight course, each about the one before


@dataclass(frozen=True, slots=True, eq=False)
class Centres:
    """Centres of the metal in sections of the native grid.

    Parameters
    ----------
    depth_mm : ndarray, shape (N,)
        Place along the course, mm, rising.
    points_mm : ndarray, shape (N, 3)
        Centre of the metal in each section, patient mm (LPS).
    """

    depth_mm: NDArray[np.float64]
    points_mm: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.depth_mm)

    def where(self, keep: NDArray[np.bool_]) -> Centres:
        """Return some of the centres."""
        return Centres(self.depth_mm[keep], self.points_mm[keep])


def section_axis(scan: Scan, direction: NDArray[np.float64]) -> int:
    """Return the array axis whose planes cut a screw best: slices unless it lies nearly in them."""
    steepness = _steepness(scan, direction)
    return 0 if steepness[0] >= _STEEP_ENOUGH else int(np.argmax(steepness))


def _steepness(scan: Scan, direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cosine between a direction and the normal of the planes of constant index, per array axis."""
    normals = scan.voxel_from_world[:3, :3]
    return np.asarray(np.abs(normals @ direction) / np.linalg.norm(normals, axis=1))


def section_centres(
    crop: Scan,
    course: Course,
    span_mm: tuple[float, float],
    radius_mm: float,
    range_hu: tuple[float, float],
) -> Centres:
    """Return the centre of the metal in each plane of the grid that cuts a shaft.

    The centre is the mean place of what rises above ``range_hu[0]``, cut at ``range_hu[1]``. A
    straight rod blurred by a symmetric point spread is point-symmetric about its axis in any plane
    that cuts it, so the centre carries no bias. Planes that run out over an end are left out.

    Parameters
    ----------
    crop : Scan
        Part of the scan that holds the shaft.
    course : Course
        First guess of the axis.
    span_mm : tuple of float
        Stretch of it to use.
    radius_mm : float
        Metal within this distance of the course belongs to the shaft.
    range_hu : tuple of float
        Bone and streaks lie below the first; the second is at most the scan's ceiling.
    """
    low, high = range_hu
    index = np.argwhere(crop.hu > low)
    depth, away = course.local(crop.world_mm(index))
    inside = np.linalg.norm(away, axis=1) < radius_mm
    index, depth = index[inside], depth[inside]
    if not len(index):
        return Centres(np.zeros(0), np.zeros((0, 3)))
    weight = np.minimum(crop.hu[tuple(index.T)].astype(np.float64), high) - low
    axis = section_axis(crop, course.line.direction)
    section = index[:, axis]
    total = np.bincount(section, weight)
    used = np.flatnonzero(total > 0.25 * np.median(total[total > 0]))
    points = crop.world_mm(index)
    moments = [np.bincount(section, weight * points[:, c])[used] for c in range(3)]
    centres = np.stack(moments, axis=1) / total[used, None]
    depth = course.line.depth_mm(centres)
    overhang = min(overhang_mm(crop, course, radius_mm), _MOST_OVERHANG * (span_mm[1] - span_mm[0]))
    keep = (depth > span_mm[0] + overhang) & (depth < span_mm[1] - overhang)
    order = np.argsort(depth[keep])
    return Centres(depth[keep][order], centres[keep][order])


def overhang_mm(crop: Scan, course: Course, radius_mm: float) -> float:
    """Return how far a slanting section reaches along the shaft, and what ends or breaks it, mm."""
    direction = course.line.direction
    cosine = max(float(_steepness(crop, direction)[section_axis(crop, direction)]), 0.2)
    return float(radius_mm * np.sqrt(1.0 - min(cosine, 1.0) ** 2) / cosine + 0.5)


def straight_course(
    crop: Scan,
    course: Course,
    span_mm: tuple[float, float],
    radius_mm: float,
    range_hu: tuple[float, float],
) -> Course:
    """Return the straight course of a shaft near a first guess; the guess where too little is seen."""
    for _ in range(_ROUNDS):
        centres = section_centres(crop, course, span_mm, radius_mm, range_hu)
        if len(centres) < _FEWEST:
            return course
        course = fit_straight(centres.depth_mm, centres.points_mm, course.line).course
    return course
