"""Screws, rods and wires drawn by a closed formula: cones of metal blurred in soft or bony surroundings."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from ongrowth.geometry import unit
from ongrowth.scan import Scan

BLUR_MM = 0.34
METAL_HU = 9300.0  # above the bone round it
Part = tuple[ArrayLike, ArrayLike, float, float]


def draw(
    parts: list[Part],
    size_mm: tuple[float, float, float] = (36.0, 36.0, 48.0),
    ceiling_hu: float = np.nan,
    slices_per_slice: int = 1,
    bone_hu: float | NDArray[np.float64] = 200.0,
    noise_hu: float = 30.0,
) -> Scan:
    """A scan centred on the world's zero; parts are cones (start, end, first and last radius, mm)."""
    step = np.array([0.6, 0.4, 0.4])
    shape = tuple(int(n) for n in np.round(np.array(size_mm[::-1]) / step))
    affine = np.eye(4)
    affine[:3, :3] = np.fliplr(np.diag(step[::-1]))
    affine[:3, 3] = -affine[:3, :3] @ ((np.array(shape) - 1) / 2)
    share = np.zeros(shape)
    for start, end, first, last in parts:  # a last radius below zero takes a lumen out
        sign = 1.0 if last > 0.0 else -1.0
        add_cone(share, affine, start, end, first, abs(last), sign)
    hu = bone_hu + METAL_HU * np.clip(share, 0.0, 1.0)
    if slices_per_slice > 1:
        count = shape[0] // slices_per_slice
        hu = hu[: count * slices_per_slice].reshape(count, slices_per_slice, *shape[1:]).mean(axis=1)
        affine[:3, 3] += affine[:3, 0] * (slices_per_slice - 1) / 2.0
        affine[:3, 0] *= slices_per_slice
    hu = np.minimum(
        hu + np.random.default_rng(1).normal(0.0, noise_hu, hu.shape), np.nan_to_num(ceiling_hu, nan=3e4)
    )
    return Scan(np.round(hu).astype(np.int16), affine, hu_ceiling=ceiling_hu)


def add_cone(
    share: NDArray[np.float64],
    affine: NDArray[np.float64],
    start: ArrayLike,
    end: ArrayLike,
    first: float,
    last: float,
    sign: float = 1.0,
) -> None:
    """Add a blurred cone where it can be seen."""
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    corners = np.linalg.solve(affine[:3, :3], (np.stack([a, b]) - affine[:3, 3]).T).T
    reach = (max(first, last) + 2.0) / np.diag(np.fliplr(affine[:3, :3]))[::-1]
    low = np.maximum(np.floor(corners.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + reach) + 1, share.shape).astype(int)
    box = tuple(slice(int(i), int(j)) for i, j in zip(low, high, strict=True))
    index = np.stack(np.meshgrid(*[np.arange(s.start, s.stop) for s in box], indexing="ij"), axis=-1)
    world = index @ affine[:3, :3].T + affine[:3, 3]
    length = np.linalg.norm(b - a)
    depth = (world - a) @ (b - a) / length
    away = np.linalg.norm(world - a - depth[..., None] * (b - a) / length, axis=-1)
    radius = first + (last - first) * np.clip(depth / length, 0.0, 1.0)
    share[box] += sign * np.prod(
        [ndtr(edge / BLUR_MM) for edge in (radius - away, depth, length - depth)], axis=0
    )


def screw(
    head: ArrayLike, axis: ArrayLike, length: float = 34.0, radius: float = 1.8, head_radius: float = 3.2
) -> list[Part]:
    start, course = np.asarray(head, dtype=float), unit(axis)
    neck = start + (length - 4.0) * course
    shaft: list[Part] = [
        (start, neck, radius, radius),
        (neck, start + length * course, radius, 0.4),
    ]
    return [*shaft, (start - 3.0 * course, start, head_radius, head_radius)] if head_radius > 0.0 else shaft


def rod(start: ArrayLike, end: ArrayLike, radius: float = 2.75) -> list[Part]:
    return [(start, end, radius, radius)]


PAIR = screw((8.0, 12.0, -12.0), (0.25, -0.6, 0.74), 30.0) + screw(
    (-8.0, 12.0, -12.0), (-0.25, -0.6, 0.74), 30.0
)


@functools.cache
def plain_scan() -> Scan:
    """One upright screw: shaft from z -16 to 18."""
    return draw(screw((0, 0, -16), (0, 0, 1)))


@functools.cache
def pair_scan() -> Scan:
    return draw(PAIR, size_mm=(46.0, 40.0, 42.0))
