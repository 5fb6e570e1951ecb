"""Raw voxels near a shaft, placed by the shaft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.scan import Scan
from ongrowth.screw.course import Course


def slice_axes(scan: Scan, direction: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return two unit vectors square to a direction and to each other, the first in the slice plane."""
    first = np.cross(direction, scan.slice_normal)
    if np.linalg.norm(first) < 1e-3:
        first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first = first / np.linalg.norm(first)
    return first, np.cross(direction, first)


@dataclass(frozen=True, slots=True, eq=False)
class Voxels:
    """Raw voxels near a shaft: place along the course, place across it, CT number."""

    depth_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    hu: NDArray[np.float64]


def voxels_near(crop: Scan, course: Course, span_mm: tuple[float, float], reach_mm: float) -> Voxels:
    """Return the voxels within a distance of a stretch of a course.

    The two places across are along the axes of `slice_axes`.
    """
    first, second = slice_axes(crop, course.line.direction)
    stray = (course.points_mm(span_mm) - course.line.point_mm) @ np.stack([first, second], axis=1)
    wide = reach_mm + float(np.abs(stray).max())
    index = _inside(crop, course, (first, second), span_mm, wide)
    depth, away = course.local(crop.world_mm(index))
    u, v = away @ first, away @ second
    near = (np.hypot(u, v) < reach_mm) & (depth > span_mm[0]) & (depth < span_mm[1])
    hu = crop.hu[tuple(index[near].T)].astype(np.float64)
    return Voxels(depth[near], u[near], v[near], hu)


def _inside(
    crop: Scan,
    course: Course,
    axes: tuple[NDArray[np.float64], NDArray[np.float64]],
    span_mm: tuple[float, float],
    wide_mm: float,
) -> NDArray[np.intp]:
    """Array indices in a tube round the first line, shape (N, 3); sums of three rows, hence cheap."""
    line = course.line
    depth = _along(crop, line.point_mm, line.direction)
    mask = (depth > span_mm[0] - 1.0) & (depth < span_mm[1] + 1.0)
    mask &= np.hypot(*(_along(crop, line.point_mm, axis) for axis in axes)) < wide_mm
    return np.argwhere(mask)


def _along(crop: Scan, origin_mm: NDArray[np.float64], axis: NDArray[np.float64]) -> NDArray[np.float32]:
    """Place of every voxel along an axis, in the shape of the crop, mm."""
    slope = axis @ crop.world_from_voxel[:3, :3]
    start = float(axis @ (crop.world_from_voxel[:3, 3] - origin_mm))
    k, j, i = (
        np.arange(n, dtype=np.float32) * np.float32(s) for n, s in zip(crop.hu.shape, slope, strict=True)
    )
    return np.asarray((k[:, None, None] + np.float32(start)) + j[None, :, None] + i[None, None, :])
