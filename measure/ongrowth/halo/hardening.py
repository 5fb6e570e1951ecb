"""What beam hardening in metal does to the image round it, as shapes with free amplitudes.

Hardening makes the measured line integral a curved function of the metal's chord. Its quadratic and cubic
parts, filtered and back-projected slice by slice, are streaks whose shape depends only on where the metal
lies (Kak and Slaney, Principles of Computerized Tomographic Imaging, chapter 3). A screw that lies in the
slices is looked through from end to end, so its ends count: the chords are those of a bar of finite length.

A body is longer to look through one way than across, and hardens the beam more that way. So there is
the line integral itself and its square once more, weighted by cosine and sine of twice the direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import frozen, unit

FloatArray = NDArray[np.float64]

_STEP_MM = 0.25  # across a view; chords have no finer detail that the blur would leave
_N_VIEWS = 90
_SMOOTH_MM = 0.3  # the blur of the scan, roughly: chords have corners where a bar begins
_RING_MM = 2.0  # beyond the bar, where shapes are scaled
_SAME_SLICE_MM = 0.05
_LEAST = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Bar:
    """A straight bar of metal: both ends, shape (3,), and its radius, mm."""

    start_mm: FloatArray
    end_mm: FloatArray
    radius_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "start_mm", frozen(self.start_mm))
        object.__setattr__(self, "end_mm", frozen(self.end_mm))


def hardening_shapes(bar: Bar, places_mm: FloatArray, slice_normal: ArrayLike) -> FloatArray:
    """Return the quadratic, the cubic and the four directed shapes at places, shape (6, N).

    Each is scaled to a root mean square of one round the bar, up to 2 mm beyond it.

    Parameters
    ----------
    bar : Bar
        The metal; coordinates as those of the places.
    places_mm : ndarray, shape (N, 3)
        Places within slices, mm: centres of voxels.
    slice_normal : array_like, shape (3,)
        Normal of the slices.
    """
    axes = _slice_axes(unit(slice_normal), bar)
    seen = Bar(axes @ bar.start_mm, axes @ bar.end_mm, bar.radius_mm)
    u, v, height = axes @ places_mm.T
    out = np.zeros((6, len(places_mm)))
    views: FloatArray = np.arange(0.5, _N_VIEWS)[:, None] * (np.pi / _N_VIEWS)
    cast = _cast(u, v, seen)
    for level_mm, here in _slices(height):
        chord = _chord(seen, level_mm, views, cast)
        if chord.any():
            out[:, here] = _back_projected(chord, views, cast, u[here], v[here])
    ring = _near(places_mm, bar)
    scale = np.sqrt(np.mean(out[:, ring] ** 2, axis=1)) if ring.any() else np.ones(6)
    return out / np.maximum(scale, _LEAST)[:, None]


def _slice_axes(normal: FloatArray, bar: Bar) -> FloatArray:
    """Return two directions in the slices and their normal, as rows."""
    across = np.cross(normal, bar.end_mm - bar.start_mm)
    if np.linalg.norm(across) < 1e-6:  # it stands on the slices: any direction will do
        across = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first = unit(across)
    return np.stack([first, np.cross(normal, first), normal])


def _cast(u: FloatArray, v: FloatArray, bar: Bar) -> FloatArray:
    """Return the places of rays across a view: they pass all places and all metal, mm."""
    ends = np.array([bar.start_mm[:2], bar.end_mm[:2]])
    far = max(np.hypot(u, v).max(), np.hypot(*ends.T).max() + bar.radius_mm)
    n = int(np.ceil(far / _STEP_MM)) + 2
    return np.arange(-n, n + 1, dtype=np.float64) * _STEP_MM


def _slices(height_mm: FloatArray) -> list[tuple[float, NDArray[np.intp]]]:
    """Return the height of each slice, and which places lie in it."""
    order = np.argsort(height_mm, kind="stable")
    cuts = np.flatnonzero(np.diff(height_mm[order]) > _SAME_SLICE_MM) + 1
    return [(float(height_mm[part].mean()), part) for part in np.split(order, cuts)]


def _chord(bar: Bar, level_mm: float, views: FloatArray, cast: FloatArray) -> FloatArray:
    """Return how much of a bar rays within a slice pass through, shape (views, rays), mm.

    A ray is a line; it is inside between the roots of the square of its distance from the bar's axis, and
    between the planes of the bar's ends.
    """
    length = float(np.linalg.norm(bar.end_mm - bar.start_mm))
    d1, d2, d3 = (bar.end_mm - bar.start_mm) / length
    a1, a2, rise = *bar.start_mm[:2], level_mm - bar.start_mm[2]
    cos, sin = np.cos(views), np.sin(views)
    along = cos * d2 - sin * d1  # of the bar's axis, per length of the ray
    depth = cast * (cos * d1 + sin * d2) - a1 * d1 - a2 * d2 + rise * d3
    away2 = cast**2 - 2.0 * cast * (cos * a1 + sin * a2) + a1**2 + a2**2 + rise**2
    a = np.maximum(1.0 - along**2, _LEAST)
    b = sin * a1 - cos * a2 - along * depth
    inside = b**2 - a * (away2 - depth**2 - bar.radius_mm**2)
    root = np.sqrt(np.maximum(inside, 0.0))
    along = np.where(np.abs(along) < _LEAST, _LEAST, along)
    ends = -depth / along, (length - depth) / along
    enters = np.maximum((-b - root) / a, np.minimum(*ends))
    leaves = np.minimum((-b + root) / a, np.maximum(*ends))
    return np.asarray(np.where(inside > 0.0, np.maximum(leaves - enters, 0.0), 0.0))


def _back_projected(
    chord: FloatArray, views: FloatArray, cast: FloatArray, u: FloatArray, v: FloatArray
) -> FloatArray:
    """Filter the powers of the chords and project them back to places, shape (6, N)."""
    n = 1 << int(np.ceil(np.log2(2 * len(cast))))
    ramp = _ramp(n)
    place = (u * np.cos(views) + v * np.sin(views) - cast[0]) / _STEP_MM
    before = place.astype(np.intp)
    share, at = place - before, before + n * np.arange(len(views))[:, None]

    def at_places(power: int) -> FloatArray:
        filtered = np.fft.irfft(np.fft.rfft(chord**power, n, axis=1) * ramp, n, axis=1).ravel()
        here = filtered[at]
        return np.asarray(here + share * (filtered[at + 1] - here))

    line, square, cube = (at_places(power) for power in (1, 2, 3))
    even = np.ones((1, len(views)))
    directed = np.stack([np.cos(2.0 * views[:, 0]), np.sin(2.0 * views[:, 0])])
    return np.concatenate([even @ square, even @ cube, directed @ line, directed @ square])


def _ramp(n: int) -> FloatArray:
    """Return the ramp filter for views of n samples, smoothed, shape (n // 2 + 1,).

    Of the sampled kernel, not of the sampled ramp, which would leave a level behind (Kak and Slaney, 3.3.3).
    """
    k = np.minimum(np.arange(n), n - np.arange(n))
    kernel = np.where(k % 2 == 1, -1.0 / np.maximum(np.pi * k, 1.0) ** 2, 0.0)
    kernel[0] = 0.25
    smooth = np.exp(-2.0 * (np.pi * np.fft.rfftfreq(n, _STEP_MM) * _SMOOTH_MM) ** 2)
    return np.asarray(np.fft.rfft(kernel).real / _STEP_MM * smooth)


def _near(places_mm: FloatArray, bar: Bar) -> NDArray[np.bool_]:
    """Tell which places lie beside a bar, no farther than where shapes are scaled."""
    direction = unit(bar.end_mm - bar.start_mm)
    away = places_mm - bar.start_mm
    beyond = np.linalg.norm(away - (away @ direction)[:, None] * direction, axis=1) - bar.radius_mm
    return np.asarray((beyond > 0.0) & (beyond < _RING_MM))
