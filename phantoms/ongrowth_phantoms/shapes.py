"""Signed distances (negative inside, mm), their coverage of a small cell, and random fields."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float32]


def real(values: ArrayLike) -> Real:
    """Return values as float32, in which everything is drawn."""
    return np.asarray(values, dtype=np.float32)


def coverage(distance_mm: Real, ramp_mm: float) -> Real:
    """Share of a cell of size `ramp_mm` that lies inside a surface at a signed distance, 0..1.

    Exact for a plane square to the cell; to first order for any smooth surface.
    """
    return real(np.clip(np.float32(0.5) - distance_mm / np.float32(ramp_mm), 0.0, 1.0))


def smooth_step(x: ArrayLike) -> Real:
    """Rise from 0 (x <= 0) to 1 (x >= 1) with level ends."""
    t = np.clip(np.asarray(x, dtype=np.float32), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def smooth_union(a: Real, b: Real, blend_mm: float) -> Real:
    """Signed distance of two bodies joined with a fillet of about `blend_mm`."""
    h = np.maximum(blend_mm - np.abs(a - b), 0.0) / np.float32(blend_mm)
    return real(np.minimum(a, b) - h * h * np.float32(blend_mm / 4.0))


def ellipse_tube(x: Real, y: Real, half_x_mm: Real, half_y_mm: Real) -> Real:
    """Signed distance, to first order at the surface, of a tube of elliptical section."""
    ex, ey = x / half_x_mm, y / half_y_mm
    f = np.sqrt(ex * ex + ey * ey) + np.float32(1e-6)
    slope = np.sqrt((ex / half_x_mm) ** 2 + (ey / half_y_mm) ** 2) / f + np.float32(1e-6)
    return real((f - 1.0) / slope)


def capsule(points: Real, start_mm: ArrayLike, end_mm: ArrayLike, radius_mm: float) -> Real:
    """Signed distance of points, shape (N, 3), to a rod with round ends."""
    a = np.asarray(start_mm, dtype=np.float32)
    ab = np.asarray(end_mm, dtype=np.float32) - a
    x, y, z = (points[:, k] - a[k] for k in range(3))
    t = np.clip((x * ab[0] + y * ab[1] + z * ab[2]) / (ab @ ab), 0.0, 1.0)
    return length(x - t * ab[0], y - t * ab[1], z - t * ab[2]) - np.float32(radius_mm)


def length(x: Real, y: Real, z: Real) -> Real:
    """Length of vectors given by their components."""
    return real(np.sqrt(x * x + y * y + z * z))


def ellipsoid(points: Real, centre_mm: ArrayLike, half_mm: ArrayLike) -> Real:
    """Signed distance, to first order at the surface, of points, shape (N, 3), to an ellipsoid."""
    half = np.asarray(half_mm, dtype=np.float32)
    centre = np.asarray(centre_mm, dtype=np.float32)
    scaled = [(points[:, k] - centre[k]) / half[k] for k in range(3)]
    f = length(*scaled) + np.float32(1e-6)
    slope = length(*(s / h for s, h in zip(scaled, half, strict=True))) / f + np.float32(1e-6)
    return (f - 1.0) / slope


def turned(points: Real, origin_mm: ArrayLike, axes: ArrayLike) -> Real:
    """Return points, shape (N, 3), in a frame of given origin and axes (columns); columns contiguous."""
    away = points.T - np.asarray(origin_mm, dtype=np.float32)[:, None]
    return (np.asarray(axes, dtype=np.float32).T @ away).T


@functools.lru_cache(maxsize=16)
def _cube(seed: int, size: int, step_mm: float, length_mm: float) -> Real:
    """Return a periodic random cube of mean 0 and, read between its nodes, SD 1."""
    from scipy import fft

    rng = np.random.default_rng(seed)
    spectrum = fft.rfftn(rng.standard_normal((size,) * 3, dtype=np.float32))
    f = fft.fftfreq(size, step_mm).astype(np.float32)
    f2 = f[:, None, None] ** 2 + f[None, :, None] ** 2 + fft.rfftfreq(size, step_mm)[None, None, :] ** 2
    spectrum *= np.exp(-2.0 * np.pi**2 * f2 * length_mm**2 / 2.0).astype(np.float32)
    spectrum[0, 0, 0] = 0.0
    cube: Real = np.asarray(fft.irfftn(spectrum, s=(size,) * 3), dtype=np.float32)
    probe = trilinear(cube, rng.uniform(0, size, (100_000, 3)).astype(np.float32))
    cube /= probe.std()
    cube.setflags(write=False)
    return cube


def trilinear(cube: Real, index: Real) -> Real:
    """Read a periodic cube at fractional indices, shape (N, 3)."""
    n = cube.shape[0]
    base = np.floor(index)
    t = index - base
    low = base.astype(np.int32) % n
    high = (low + 1) % n
    flat = cube.reshape(-1)
    rows = (low[:, 0] * n, high[:, 0] * n)
    out = np.zeros(len(index), dtype=np.float32)
    for i, wx in enumerate((1.0 - t[:, 0], t[:, 0])):
        for j, wy in enumerate((1.0 - t[:, 1], t[:, 1])):
            row = (rows[i] + (low, high)[j][:, 1]) * n
            out += wx * wy * (flat[row + low[:, 2]] * (1.0 - t[:, 2]) + flat[row + high[:, 2]] * t[:, 2])
    return out


def random_field(points: Real, seed: int, length_mm: float) -> Real:
    """Smooth random field (mean 0, SD 1) at points, shape (N, 3), fixed by its seed.

    Parameters
    ----------
    points : ndarray, shape (N, 3)
        Places in the frame the field is tied to, mm.
    seed : int
        Names the field.
    length_mm : float
        Distance over which correlation falls to exp(-1/2), mm, about; the field repeats
        every 32 times that (every 48 mm for lengths below 1.5 mm).
    """
    step, size = (length_mm / 3.0, 96) if length_mm >= 1.5 else (0.25, 192)
    cube = _cube(seed, size, step, length_mm)
    return trilinear(cube, points / np.float32(step) + np.float32(0.37))
