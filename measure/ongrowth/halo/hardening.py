"""What beam hardening in a rod does to the image round it, as shapes with free amplitudes.

Hardening makes the measured line integral a curved function of the metal's chord. Its quadratic and
cubic parts, filtered and back-projected, are streaks whose shape depends only on the ellipse in
which the slices cut the rod. With the chord ``p(s) = 2 A B / rho^2 sqrt(rho^2 - s^2)`` of an ellipse
seen from one direction, the derivative of ``p^2`` is linear in s and that of ``p^3`` goes with
``s sqrt(rho^2 - s^2)``; both have Hilbert transforms in closed form, and back-projection is a sum
over directions (Kak and Slaney, Principles of Computerized Tomographic Imaging, chapter 3).

A body is longer to look through one way than across, and hardens the beam more that way. So there is
the line integral itself and its square once more, weighted by cosine and sine of twice the direction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

FloatArray = NDArray[np.float64]

_STEP_MM = 0.2
_N_DIRECTIONS = 120
_LEAST_COS = 0.2  # flatter than this the rod's own length, not its tilt, bounds the ellipse
_SMOOTH_MM = 0.3  # the blur of the scan, roughly: the shapes have corners where the rod begins


def hardening_shapes(
    radius_mm: float, cos_tilt: float, c1_mm: FloatArray, c2_mm: FloatArray, reach_mm: float
) -> FloatArray:
    """Return the quadratic, the cubic and the four directed shapes at places, shape (6, N).

    Each is scaled to a root mean square of one between the rod and 2 mm beyond it.

    Parameters
    ----------
    radius_mm : float
        Radius of the metal.
    cos_tilt : float
        Cosine between the rod and the slice normal.
    c1_mm, c2_mm : ndarray, shape (N,)
        Places along ``e1`` and ``e2`` of the section, mm.
    reach_mm : float
        Largest distance asked for, mm.
    """
    flat = max(abs(cos_tilt), _LEAST_COS)
    axis = np.arange(-reach_mm - 0.4, reach_mm + 0.5, _STEP_MM)
    grid_1, grid_2 = np.meshgrid(axis, axis, indexing="ij")
    streaks = _streaks(radius_mm, radius_mm / flat, grid_1, grid_2 / flat)
    ring = np.abs(np.hypot(grid_1, grid_2) - radius_mm - 1.0) < 1.0
    places = np.stack([c1_mm, c2_mm]) / _STEP_MM + (axis.size - 1) / 2.0
    out = []
    for shape in streaks:
        smooth = ndimage.gaussian_filter(shape, _SMOOTH_MM / _STEP_MM)
        scaled = smooth / np.sqrt(np.mean(smooth[ring] ** 2))
        out.append(ndimage.map_coordinates(scaled, places, order=1, mode="nearest"))
    return np.stack(out)


def _streaks(a: float, b: float, x: FloatArray, y: FloatArray) -> FloatArray:
    """Back-project the filtered powers of an ellipse's chords (half axes a, b), shape (6, *x.shape)."""
    out = np.zeros((6, *x.shape))
    for theta in (np.arange(_N_DIRECTIONS) + 0.5) * (np.pi / _N_DIRECTIONS):
        rho = np.hypot(a * np.cos(theta), b * np.sin(theta))
        s = (x * np.cos(theta) + y * np.sin(theta)) / rho
        chord = 2.0 * a * b / rho  # at the middle
        line, square = chord / rho * _hilbert_of_root(s), chord**2 / rho * _hilbert_of_line(s)
        cos, sin = np.cos(2.0 * theta), np.sin(2.0 * theta)
        cube = chord**3 / rho * _hilbert_of_arc(s)
        for shape, part in zip(
            out, (square, cube, line * cos, line * sin, square * cos, square * sin), strict=True
        ):
            shape += part
    return out


def _hilbert_of_root(s: FloatArray) -> FloatArray:
    """Hilbert transform of the derivative of ``(1 - s^2)^(1/2)`` on [-1, 1], up to the same factor."""
    outside = np.sqrt(np.maximum(s**2 - 1.0, 1e-2))  # the edge's own singularity is blurred away
    return np.asarray(np.where(np.abs(s) < 1.0, 1.0, 1.0 - np.abs(s) / outside))


def _hilbert_of_line(s: FloatArray) -> FloatArray:
    """Hilbert transform of the derivative of ``1 - s^2`` on [-1, 1], up to a common factor."""
    gap = np.maximum(np.abs((s + 1.0) / np.where(s == 1.0, 1.0 + 1e-9, s - 1.0)), 1e-4)
    return np.asarray(2.0 - s * np.log(gap))


def _hilbert_of_arc(s: FloatArray) -> FloatArray:
    """Hilbert transform of the derivative of ``(1 - s^2)^(3/2)`` on [-1, 1], up to the same factor."""
    beyond = np.abs(s) * np.sqrt(np.maximum(s**2 - 1.0, 0.0))
    return np.asarray(1.5 * np.pi * (0.5 - s**2 + beyond))
