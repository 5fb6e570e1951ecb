"""The raw voxels round a defect, seen as columns along the bone through the defect plane."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect.blur import METAL_LIKE_HU, Foot
from ongrowth.geometry import Plane, unit
from ongrowth.robust import robust_sd
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_REACH_MM = 8.0  # across the bone: a pars is about 8 mm thick
_FOOT_SHARE = 0.3  # how well the foot of the metal is known
_MOST_FOOT_HU = 1500.0  # beyond it the metal hides the tissue
_CLEAR_MM = 0.25  # outside the thread crests
_LEAST_VOXELS = 0.05
_MODEL_HU = 40.0  # what the layers leave out, project's choice
_SOFT_HU = (-150.0, 150.0)  # muscle and fat, where noise is read
_APART_MM = 1.5  # the noise of voxels so far apart is their own
_FEWEST_PAIRS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Voxels of a defect; nothing is interpolated.

    A column runs along `course` (the screw, or the bone) and pierces the plane at (u, v); `height` is
    measured along the plane's normal.

    Parameters
    ----------
    plane : Plane
        Plane of the defect, patient mm (LPS); origin of u, v and height.
    course, u_direction, v_direction : ndarray, shape (3,)
        Unit directions, patient axes.
    grid_mm : ndarray, shape (G,)
        Nodes along u, and along v.
    u_mm, v_mm, height_mm, hu, sd_hu : ndarray, shape (N,)
        Place, CT number without the foot of the metal, and its standard deviation.
    slope : float
        Cosine between the columns and the normal.
    slice_cos : float
        Cosine between the normal of the plane and that of the slices.
    """

    plane: Plane
    course: FloatArray
    u_direction: FloatArray
    v_direction: FloatArray
    grid_mm: FloatArray
    u_mm: FloatArray
    v_mm: FloatArray
    height_mm: FloatArray
    hu: FloatArray
    sd_hu: FloatArray
    slope: float
    slice_cos: float

    @property
    def step_mm(self) -> float:
        """Distance of neighbouring nodes, mm."""
        return float(self.grid_mm[1] - self.grid_mm[0])

    def world(self, u_mm: FloatArray, v_mm: FloatArray, height_mm: FloatArray) -> FloatArray:
        """Return patient mm (LPS), shape (..., 3), of places given by column and height."""
        u, v, along = np.broadcast_arrays(u_mm, v_mm, np.asarray(height_mm) / self.slope)
        in_plane = u[..., None] * self.u_direction + v[..., None] * self.v_direction
        return np.asarray(self.plane.point_mm + in_plane + along[..., None] * self.course)

    def binned(self, chosen: BoolArray, sigma_mm: float) -> FloatArray:
        """Return the mean CT number of chosen voxels near each node, shape (G, G); NaN where none are."""
        total = self._gathered(chosen, self.hu, sigma_mm)
        count = self._gathered(chosen, np.ones_like(self.hu), sigma_mm)
        known = count > _LEAST_VOXELS
        return np.where(known, total / np.where(known, count, 1.0), np.nan)

    def support(self, half_height_mm: float) -> FloatArray:
        """Return how much the voxels near the plane tell of each node, shape (G, G), 1/HU2."""
        return self._gathered(np.abs(self.height_mm) < half_height_mm, self.sd_hu**-2.0, self.step_mm / 2.0)

    def _gathered(self, chosen: BoolArray, values: FloatArray, sigma_mm: float) -> FloatArray:
        half = self.step_mm / 2.0
        edges = np.append(self.grid_mm - half, self.grid_mm[-1] + half)
        u, v = self.u_mm[chosen], self.v_mm[chosen]
        total = np.histogram2d(u, v, (edges, edges), weights=values[chosen])[0]
        return np.asarray(ndimage.gaussian_filter(total, sigma_mm / self.step_mm, mode="constant"))


def gather(
    scan: Scan,
    plane: Plane,
    course: FloatArray,
    *,
    screw: Screw | None = None,
    foot: Foot | None = None,
    half_height_mm: float,
    step_mm: float,
) -> Columns:
    """Return the voxels within 8 mm and `half_height_mm` of the middle of a defect.

    Parameters
    ----------
    scan : Scan
        The CT.
    plane : Plane
        Plane of the defect, its point in the middle of the bone.
    course : ndarray, shape (3,)
        Direction of the columns, towards the tip side.
    screw, foot : Screw, Foot, optional
        The foot of its metal is taken away where it is small, and left out elsewhere.
    half_height_mm, step_mm : float
        Half size of the region along the normal; distance of the nodes.

    Raises
    ------
    Refused
        If the place lies outside the scan (code ``out-of-scan``).
    """
    normal = plane.normal
    u_direction = unit(np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))]))
    v_direction = np.cross(normal, u_direction)
    slope = float(course @ normal)
    ends = [
        plane.point_mm + a * u_direction + b * v_direction + c / slope * course
        for a in (-_REACH_MM, _REACH_MM)
        for b in (-_REACH_MM, _REACH_MM)
        for c in (-half_height_mm, half_height_mm)
    ]
    part = scan.crop(scan.box(ends, 1.0))
    index = np.indices(part.hu.shape).reshape(3, -1).T
    away = part.world_mm(index) - plane.point_mm
    height = away @ normal
    flat = away - (height / slope)[:, None] * course
    u, v = flat @ u_direction, flat @ v_direction
    hu = part.hu.reshape(-1).astype(np.float64)
    near = (np.abs(height) < half_height_mm) & (np.abs(u) < _REACH_MM) & (np.abs(v) < _REACH_MM)
    near &= hu < METAL_LIKE_HU
    own_sd = math.hypot(_MODEL_HU, soft_noise_hu(part))
    away, u, v, height, hu = away[near], u[near], v[near], height[near], hu[near]
    sd: FloatArray = np.full(hu.shape, own_sd)
    if screw is not None and foot is not None:
        added, clear = foot.at(screw, plane.point_mm + away, scan.slice_normal)
        seen = (clear > _CLEAR_MM) & (added < _MOST_FOOT_HU)
        u, v, height, added = u[seen], v[seen], height[seen], added[seen]
        hu, sd = hu[seen] - added, np.hypot(own_sd, _FOOT_SHARE * added)
    n = math.floor(_REACH_MM / step_mm)
    grid = np.arange(-n, n + 1, dtype=np.float64) * step_mm
    slice_cos = float(abs(normal @ scan.slice_normal))
    return Columns(plane, course, u_direction, v_direction, grid, u, v, height, hu, sd, slope, slice_cos)


def soft_noise_hu(part: Scan) -> float:
    """Return the standard deviation of noise in soft tissue, HU; 0 where too little of it is seen.

    Half the spread of differences along rows; their mean tells soft tissue, and is independent of them.
    """
    apart = max(1, round(_APART_MM / part.step_mm[2]))
    first, second = part.hu[..., :-apart].astype(np.float32), part.hu[..., apart:].astype(np.float32)
    mean = (first + second) / 2.0
    away = (first - second)[(mean > _SOFT_HU[0]) & (mean < _SOFT_HU[1])]
    if away.size < _FEWEST_PAIRS:
        return 0.0
    return robust_sd(away, 0.0) / math.sqrt(2.0)
