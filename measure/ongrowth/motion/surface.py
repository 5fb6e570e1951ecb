"""Which way bone would grow: the outward normal of its surface, in a band about that surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.geometry import apply_affine
from ongrowth.motion.picture import Picture, Real

FloatArray = NDArray[np.float64]

_STEP_MM = 0.8
_BONE_HU = 220.0  # of the picture smoothed by 1 mm: half way up a thin cortex
_CLOSE = 2  # steps; marrow spaces of children fall below the threshold
_SMOOTH_MM = 1.0
# The cortex, its blur and what lies just under it: texture there, which stays when the surface grows, would
# else outvote the edge. Deeper, bone does not shift.
_BAND_MM, _FADE_MM = 4.5, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """Signed distance from the surface of all bone (metal counted in), on a regular patient grid.

    Parameters
    ----------
    distance_mm : ndarray of float32, shape (X, Y, Z)
        Negative inside bone.
    corner_mm : ndarray, shape (3,)
        Place of the first node; nodes lie `_STEP_MM` apart along the patient axes.
    """

    distance_mm: Real
    corner_mm: FloatArray


def find_surface(middle: Picture, metal_mm: Real) -> Surface:
    """Return the surface of the bone of a picture."""
    shape = np.array(middle.values.shape)
    corners = np.array(np.meshgrid(*[(0, n - 1) for n in shape], indexing="ij")).reshape(3, -1).T
    world = apply_affine(middle.world_from_voxel, corners)
    low, high = world.min(axis=0), world.max(axis=0)
    axes: list[FloatArray] = [np.arange(a, b, _STEP_MM) for a, b in zip(low, high, strict=True)]
    inverse = np.asarray(np.linalg.inv(middle.world_from_voxel), dtype=np.float64)
    grid = _indices(axes, inverse)
    hu = ndimage.map_coordinates(middle.values, grid, order=1, mode="nearest")
    metal = ndimage.map_coordinates(metal_mm, grid, order=1, mode="nearest") < 1.0
    bone = (hu > _BONE_HU) | metal
    bone = ndimage.binary_fill_holes(ndimage.binary_closing(bone, iterations=_CLOSE) | bone)
    outside = ndimage.distance_transform_edt(~bone) - ndimage.distance_transform_edt(bone)
    distance = ndimage.gaussian_filter(outside.astype(np.float32), _SMOOTH_MM / _STEP_MM) * np.float32(
        _STEP_MM
    )
    return Surface(distance, low)


def _indices(axes: list[FloatArray], inverse: FloatArray) -> Real:
    """Array indices of the nodes of a regular patient grid, shape (3, X, Y, Z)."""
    x, y, z = (a.astype(np.float32) for a in axes)
    m = inverse.astype(np.float32)
    return np.stack(
        [
            m[c, 0] * x[:, None, None] + m[c, 1] * y[None, :, None] + (m[c, 2] * z + m[c, 3])[None, None, :]
            for c in range(3)
        ]
    )


def outward_at(surface: Surface, places_mm: FloatArray) -> Real:
    """Return the outward normal at places, times a share that fades from 1 at the surface to 0 deep inside.

    Parameters
    ----------
    surface : Surface
        Of the scan the places lie in.
    places_mm : ndarray, shape (N, 3)
        Patient mm (LPS).
    """
    where = ((places_mm - surface.corner_mm) / _STEP_MM).T
    slope = np.stack([_read(np.asarray(g), where) for g in np.gradient(surface.distance_mm)], axis=1)
    length = np.maximum(np.linalg.norm(slope, axis=1), 0.1 * _STEP_MM)
    away = np.abs(_read(surface.distance_mm, where))
    share = np.clip((_BAND_MM + _FADE_MM - away) / _FADE_MM, 0.0, 1.0)
    return np.asarray(slope * (share / length)[:, None], dtype=np.float32)


def _read(grid: Real, where: FloatArray) -> Real:
    return np.asarray(ndimage.map_coordinates(grid, where, order=1, mode="nearest"))
