"""Whether a shaft is whole: interruption and bend, and what this scan could show."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.screw.model import Integrity
from ongrowth.screw.shaft import Shaft


def examine(shaft: Shaft, cautions: Caution = Caution.NONE) -> Integrity:
    """Return what the scan shows of interruption and bend of a shaft.

    Depths are from the shaft's own `first` shoulder.
    """
    gap_mm, at_mm = _gap(shaft)
    smallest = max(0.3, 1.2 * shaft.metal.blur_mm)
    bend, bend_u = _bend_deg(shaft)
    missing = Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR)
    interruption = missing if math.isnan(gap_mm) else Measured.of(gap_mm, 0.25, Unit.MM, cautions, floor=0.0)
    measured_bend = Measured.of(bend, bend_u, Unit.DEG, cautions, floor=0.0, limit=3.0 * bend_u)
    state = "no interruption shown"
    if not math.isnan(gap_mm):
        state = "interrupted"
    elif bend > max(3.0 * bend_u, 1.5):
        state = "bent"
    return Integrity(state, smallest, at_mm, interruption, measured_bend)


def _gap(shaft: Shaft) -> tuple[float, float]:
    """Longest hole on the axis between the ends, mm, and its depth; NaN if there is none."""
    outline = shaft.outline
    inside = (outline.depth_mm > shaft.first.depth_mm + 1.0) & (outline.depth_mm < shaft.last.depth_mm - 1.0)
    hole = inside & (outline.core_hu < outline.level_hu)
    if not hole.any():
        return math.nan, math.nan
    depth = outline.depth_mm[hole]
    return float(depth[-1] - depth[0] + 0.2), float(depth.mean() - shaft.first.shoulder_mm)


def _bend_deg(shaft: Shaft) -> tuple[float, float]:
    """Angle between the two straight halves that fit the centre line best, and its u, degrees."""
    depth, points = shaft.centres.depth_mm, shaft.centres.points_mm
    away = 2.0 * shaft.radius_mm  # head and taper are no part of the straight shaft
    inner = (depth > shaft.first.shoulder_mm + away) & (depth < shaft.last.shoulder_mm - away)
    depth, points = depth[inner], points[inner]
    if len(depth) < 8:
        return math.nan, math.nan
    best, angle, u = math.inf, 0.0, math.nan
    for kink in np.linspace(depth[0], depth[-1], 15)[3:-3]:
        slopes, rest, slope_u = _two_lines(depth, points, float(kink))
        if rest < best:
            best, angle = rest, float(np.degrees(np.arctan(np.linalg.norm(slopes))))
            u = float(np.degrees(slope_u))
    return angle, u


def _two_lines(
    depth: NDArray[np.float64], points: NDArray[np.float64], kink: float
) -> tuple[NDArray[np.float64], float, float]:
    design = np.stack([np.ones_like(depth), depth - kink, np.maximum(depth - kink, 0.0)], axis=1)
    coefficients, *_ = np.linalg.lstsq(design, points, rcond=None)
    away = np.linalg.norm(points - design @ coefficients, axis=1)
    rest = float(np.sqrt(np.mean(away**2) / 2.0))
    covariance = np.linalg.inv(design.T @ design)
    slope_u = float(max(rest, 0.005) * np.sqrt(covariance[2, 2]) * 2.0)
    return coefficients[2], rest, slope_u
