"""The centre line of a shaft, finer than a voxel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import Line
from ongrowth.scan import Scan

# Slices are preferred as sections down to this cosine between their normal and the screw: pixels are
# finer than slices, so a centre found inside a slice is the better one.
_STEEP_ENOUGH = 0.45
_TUKEY = 4.685  # 95 % efficiency on normal scatter (Holland & Welsch 1977)


@dataclass(frozen=True, slots=True, eq=False)
class CentreLine:
    """Centres of the metal in sections of the native grid.

    Parameters
    ----------
    depth_mm : ndarray, shape (N,)
        Place along the line, mm, rising.
    points_mm : ndarray, shape (N, 3)
        Centre of the metal in each section, patient mm (LPS).
    line : Line
        Straight line through them, robust.
    scatter_mm : float
        Robust standard deviation of the centres about that line, per direction, mm.
    """

    depth_mm: NDArray[np.float64]
    points_mm: NDArray[np.float64]
    line: Line
    scatter_mm: float


def section_axis(scan: Scan, direction: NDArray[np.float64]) -> int:
    """Return the array axis whose planes cut a screw best: slices unless it lies nearly in them."""
    steepness = _steepness(scan, direction)
    return 0 if steepness[0] >= _STEEP_ENOUGH else int(np.argmax(steepness))


def _steepness(scan: Scan, direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cosine between a direction and the normal of the planes of constant index, per array axis."""
    normals = scan.voxel_from_world[:3, :3]
    return np.asarray(np.abs(normals @ direction) / np.linalg.norm(normals, axis=1))


def centre_line(
    crop: Scan,
    line: Line,
    span_mm: tuple[float, float],
    radius_mm: float,
    range_hu: tuple[float, float],
    rounds: int = 4,
) -> CentreLine | None:
    """Return the centre line of a straight shaft near a first guess.

    In each section of the native grid the metal's centre is the mean place of what rises above
    ``range_hu[0]``, cut at ``range_hu[1]``. A straight rod blurred by a symmetric point spread is
    point-symmetric about its axis in any plane that cuts it, so the centre carries no bias.

    Parameters
    ----------
    crop : Scan
        Part of the scan that holds the shaft.
    line : Line
        First guess of the axis.
    span_mm : tuple of float
        Stretch of the line to use.
    radius_mm : float
        Metal within this distance of the axis belongs to the shaft.
    range_hu : tuple of float
        Bone and streaks lie below the first; the second is at most the scan's ceiling.
    rounds : int
        The tube follows the line this many times.

    Returns
    -------
    CentreLine or None
        None if fewer than four sections hold metal.
    """
    low, high = range_hu
    index = np.argwhere(crop.hu > low)
    if index.size == 0:
        return None
    weight = np.minimum(crop.hu[tuple(index.T)].astype(np.float64), high) - low
    points = crop.world_mm(index)
    found: CentreLine | None = None
    for _ in range(rounds):
        step = _one_round(crop, line, span_mm, radius_mm, index, points, weight)
        if step is None:
            return found
        found = step
        # the depth scale keeps its zero: the new line starts at the foot of the old one
        line = Line(_foot(found.line, line.point_mm), found.line.direction)
        found = CentreLine(found.depth_mm, found.points_mm, line, found.scatter_mm)
    return found


def _foot(line: Line, point_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    return line.point_mm + line.depth_mm(point_mm) * line.direction


def _one_round(
    crop: Scan,
    line: Line,
    span_mm: tuple[float, float],
    radius_mm: float,
    index: NDArray[np.intp],
    points: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> CentreLine | None:
    axis = section_axis(crop, line.direction)
    inside = line.distance_mm(points) < radius_mm
    section = index[inside, axis]
    total = np.bincount(section, weight[inside])
    used = np.flatnonzero(total > 0.25 * np.median(total[total > 0])) if inside.any() else np.zeros(0, int)
    if used.size < 4:
        return None
    moments = [np.bincount(section, weight[inside] * points[inside, c])[used] for c in range(3)]
    centres = np.stack(moments, axis=1) / total[used, None]
    depth = line.depth_mm(centres)
    # sections that run out over an end are cut lopsidedly
    cosine = max(_steepness(crop, line.direction)[axis], 0.2)
    overhang = radius_mm * np.sqrt(1.0 - min(cosine, 1.0) ** 2) / cosine + 0.5
    overhang = min(overhang, 0.3 * (span_mm[1] - span_mm[0]))
    keep = (depth > span_mm[0] + overhang) & (depth < span_mm[1] - overhang)
    if keep.sum() < 4:
        return None
    order = np.argsort(depth[keep])
    centres, depth = centres[keep][order], depth[keep][order]
    fitted, scatter = fit_line(centres, depth)
    return CentreLine(depth, centres, fitted if fitted.direction @ line.direction > 0 else line, scatter)


def fit_line(points_mm: NDArray[np.float64], depth_mm: NDArray[np.float64]) -> tuple[Line, float]:
    """Fit a straight line through points, each coordinate against depth, with Tukey's weights.

    Parameters
    ----------
    points_mm : ndarray, shape (N, 3)
        Points in the order of depth, patient mm (LPS).
    depth_mm : ndarray, shape (N,)
        Place of each along the line, mm.

    Returns
    -------
    Line, float
        The line towards rising depth; robust standard deviation about it per direction, mm.
    """
    weight = np.ones(len(depth_mm))
    design = np.stack([np.ones_like(depth_mm), depth_mm - depth_mm.mean()], axis=1)
    scatter = 0.0
    for _ in range(12):
        root = np.sqrt(weight)[:, None]
        coefficients, *_ = np.linalg.lstsq(root * design, root * points_mm, rcond=None)
        away = np.linalg.norm(points_mm - design @ coefficients, axis=1)
        # the median length of a plane normal vector is 1.177 standard deviations per direction
        scatter = float(np.median(away) / 1.1774)
        limit = _TUKEY * max(scatter, 1e-3)
        weight = np.where(away < limit, (1.0 - (away / limit) ** 2) ** 2, 0.0)
    return Line(coefficients[0], coefficients[1]), scatter
