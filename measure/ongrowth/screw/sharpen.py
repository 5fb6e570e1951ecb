"""The axis of a shaft from all its raw voxels, where centres of sections are not sure enough.

A centre weighs the voxels of one plane by how bright they are. Where a shaft lies in slices, or is cut by
thick ones, few voxels decide it, and bone on one side pulls it. Here the blurred cross-section itself is laid
into the voxels, brighter or darker surroundings on either side being unknowns of their own.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares

from ongrowth.geometry import Line
from ongrowth.scan import Scan
from ongrowth.screw.course import Course
from ongrowth.screw.section import Section
from ongrowth.screw.voxels import Voxels, slice_axes, voxels_near

FloatArray = NDArray[np.float64]

_BEYOND_MM = 1.2  # the edge's foot; farther out lies what does not tell the axis
_MOST_VOXELS = 4000
_TABLE_STEP_MM, _TABLE_MARGIN = 0.1, 4
_SLOPE_MM = 0.02
_ROUNDS, _MOST_STEPS = 3, 12
_FIRST_SPREAD_HU, _LEAST_SPREAD_HU = 150.0, 60.0
# Standard deviations of what lies beside the shaft and of the metal's own brightness, HU or of the core.
_AXIS_SD_MM = 1.0
_BESIDE_SD_HU = (300.0, 150.0, 150.0, 200.0, 100.0, 100.0)  # level, two slopes per mm, the same along it
_BESIDE_HU = 300.0
_CORE_SD, _CORE_DRIFT_SD = 0.12, 0.1
_FARTHEST_SHARE = 0.5  # of the radius; on 54 phantoms it moved by 0.04 mm, by a tenth of the radius at most
_FREE_PLACES = 540.0  # neighbours say the same thing: priors are weighed against about so many voxels


def sharpened(
    crop: Scan, course: Course, section: Section, span_mm: tuple[float, float], ceiling_hu: float
) -> Course:
    """Return a course moved to where the blurred cross-section fits the voxels best.

    One that would move by more than half the radius stays: then something else is fitted than this shaft.

    Parameters
    ----------
    crop : Scan
        Part of the scan that holds the shaft.
    course : Course
        The course so far, straight or bent.
    section : Section
        Its cross-section.
    span_mm : tuple of float
        Stretch of even thickness, depths along the course, mm.
    ceiling_hu : float
        Where the scan stops; NaN if the core lies below it.
    """
    voxels = voxels_near(crop, course, span_mm, section.radius_mm + _BEYOND_MM)
    step = max(1, len(voxels.hu) // _MOST_VOXELS)
    every = Voxels(*(values[::step] for values in (voxels.depth_mm, voxels.u_mm, voxels.v_mm, voxels.hu)))
    knots = [span_mm[0], *([course.kink_mm] if span_mm[0] < course.kink_mm < span_mm[1] else []), span_mm[1]]
    away = _Laid(every, np.array(knots), section, ceiling_hu).found()
    if np.linalg.norm(away, axis=1).max() > _FARTHEST_SHARE * section.radius_mm:
        return course
    axes = np.stack(slice_axes(crop, course.line.direction))
    return _through(course, course.points_mm(knots) + away @ axes)


class _Laid:
    """A cross-section laid into voxels: how its image depends on where the axis is and on what lies beside.

    Unknowns: offset (u, v) of the axis at each knot, mm; level beside the shaft and its slopes along u and v,
    and the changes of these three along the shaft, HU; brightness of the metal, its change and its bow along
    the shaft, and, below a ceiling, how it differs across the shaft (hardening in slices that cut the shaft
    lengthwise), HU.
    """

    def __init__(self, voxels: Voxels, knots_mm: FloatArray, section: Section, ceiling_hu: float) -> None:
        self._voxels, self._section = voxels, section
        self._ceiling = ceiling_hu if math.isfinite(ceiling_hu) else math.inf
        self._hats = np.array([np.interp(voxels.depth_mm, knots_mm, row) for row in np.eye(len(knots_mm))])
        self._n_axis = 2 * len(knots_mm)
        middle, half = 0.5 * (knots_mm[0] + knots_mm[-1]), 0.5 * (knots_mm[-1] - knots_mm[0])
        t = (voxels.depth_mm - middle) / half
        u, v = voxels.u_mm / section.radius_mm, voxels.v_mm / section.radius_mm
        one = np.ones_like(t)
        self._beside = np.array([one, voxels.u_mm, voxels.v_mm, t, t * voxels.u_mm, t * voxels.v_mm])
        core = [one, t, t * t - 1.0 / 3.0]
        if not math.isfinite(ceiling_hu):
            core += [u, v, t * u, t * v, u * u - 0.25, v * v - 0.25]
        self._core = np.array(core)
        self._table = _table(section)
        core_sd = [_CORE_SD, *[_CORE_DRIFT_SD] * (len(core) - 1)]
        self._sd = np.array(
            [*[_AXIS_SD_MM] * self._n_axis, *_BESIDE_SD_HU, *(np.array(core_sd) * section.core_hu)]
        )
        self._start = np.zeros(len(self._sd))
        self._start[self._n_axis], self._start[self._n_axis + 6] = _BESIDE_HU, section.core_hu

    def found(self) -> FloatArray:
        """Return the offsets of the axis at the knots, shape (K, 2), mm."""
        x, spread = self._start, _FIRST_SPREAD_HU
        pull = math.sqrt(len(self._voxels.hu) / _FREE_PLACES) / self._sd
        for _ in range(_ROUNDS):
            x = least_squares(
                self._weighed, x, self._weighed_slopes, loss="soft_l1", x_scale=self._sd,
                max_nfev=_MOST_STEPS, args=(spread, pull),
            ).x  # fmt: skip
            spread = max(1.5 * float(np.median(np.abs(self._misfit(x)))), _LEAST_SPREAD_HU)
        return np.asarray(x[: self._n_axis].reshape(-1, 2))

    def _weighed(self, x: FloatArray, spread_hu: float, pull: FloatArray) -> FloatArray:
        return np.append(self._misfit(x) / spread_hu, (x - self._start) * pull)

    def _weighed_slopes(self, x: FloatArray, spread_hu: float, pull: FloatArray) -> FloatArray:
        return np.vstack([self._slopes(x) / spread_hu, np.diag(pull)])

    def _misfit(self, x: FloatArray) -> FloatArray:
        beside, core = self._levels(x)
        seen = beside + (core - beside) * self._share(*self._places(x))
        return np.asarray(np.minimum(seen, self._ceiling) - self._voxels.hu)

    def _slopes(self, x: FloatArray) -> FloatArray:
        beside, core = self._levels(x)
        u, v = self._places(x)
        share = self._share(u, v)
        by_u = (self._share(u + _SLOPE_MM, v) - self._share(u - _SLOPE_MM, v)) / (2.0 * _SLOPE_MM)
        by_v = (self._share(u, v + _SLOPE_MM) - self._share(u, v - _SLOPE_MM)) / (2.0 * _SLOPE_MM)
        is_below = beside + (core - beside) * share < self._ceiling
        moved = -(core - beside) * np.array([by_u, by_v])
        axis = (self._hats[:, None] * moved).reshape(self._n_axis, -1)
        return np.asarray((np.vstack([axis, self._beside * (1.0 - share), self._core * share]) * is_below).T)

    def _places(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        away = x[: self._n_axis].reshape(-1, 2).T @ self._hats
        return self._voxels.u_mm - away[0], self._voxels.v_mm - away[1]

    def _levels(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        beside, core = x[self._n_axis : self._n_axis + 6], x[self._n_axis + 6 :]
        return beside @ self._beside, core @ self._core

    def _share(self, u_mm: FloatArray, v_mm: FloatArray) -> FloatArray:
        index = np.abs(np.stack([u_mm, v_mm])) / _TABLE_STEP_MM + _TABLE_MARGIN
        return np.asarray(ndimage.map_coordinates(self._table, index, prefilter=False, mode="nearest"))


def _table(section: Section) -> FloatArray:
    """Return spline coefficients of the blurred cross-section on one quarter, mirrored over a margin."""
    place = np.arange(0.0, section.radius_mm + 2.0 * _BEYOND_MM, _TABLE_STEP_MM)
    u, v = np.meshgrid(place, place, indexing="ij")
    quarter = section.share(u.ravel(), v.ravel()).reshape(u.shape)
    return np.asarray(ndimage.spline_filter(np.pad(quarter, ((_TABLE_MARGIN, 0),) * 2, mode="reflect")))


def _through(course: Course, points_mm: FloatArray) -> Course:
    """Return the course through points, depths counted as before."""
    origin, first, second = course.line.point_mm, points_mm[0], points_mm[1]
    direction = (second - first) / np.linalg.norm(second - first)
    line = Line(first - direction * float((first - origin) @ direction), direction)
    if len(points_mm) < 3:
        return Course(line)
    onward = points_mm[2] - second
    ahead = float(onward @ direction)
    return Course(line, float(line.depth_mm(second)), turn=onward / ahead - direction)
