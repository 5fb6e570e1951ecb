"""Screws in plain bone, drawn on a fine grid and blurred by a Gaussian: a world of its own.

Nothing is shared with the code that measures, and nothing with the phantoms it was worked on with: no beam,
no reconstruction, no vertebra. A threaded rod in a block, a round isthmus, or an isthmus in front of a body;
bone with texture or none, with dense rim or none; a slit of even width; white noise smoothed a little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]

FINE_MM, _HALF_MM = 0.22, 30.0
LENGTH_MM, CREST_MM, _ROOT_MM, PITCH_MM = 42.0, 2.0, 1.5, 1.5
METAL_HU, SOFT_HU, LAYER_HU, GAP_HU, DENSE_HU, CEILING_HU = 9000.0, 40.0, 60.0, 50.0, 900.0, 3071.0
SIZES = {"major_diameter_mm": 2 * CREST_MM, "root_diameter_mm": 2 * _ROOT_MM}


def course_of(tilt_deg: float, turn_deg: float) -> FloatArray:
    """Return a direction downward, so much off the patient's axis; patient axes."""
    tilt, turn = np.radians([tilt_deg, turn_deg])
    return -np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])


@dataclass(frozen=True, slots=True)
class Scanner:
    """How an image is taken: a Gaussian blur, and white noise smoothed a little. HU and mm."""

    fwhm_mm: float = 0.8
    slice_mm: float = 0.6
    pixel_mm: float = 0.35
    noise_hu: float = 30.0
    overshoot: float = 0.0


@dataclass(frozen=True, slots=True)
class Plain:
    """A phantom: HU and mm. `gap_at` is the share of the shaft at which the slit lies."""

    head_mm: float
    tip_mm: float
    gap_mm: float = 2.0
    gap_at: float = 0.5
    bone: str = "block"
    bone_hu: float = 300.0
    texture_hu: float = 80.0
    cortex_mm: float = 0.0
    fwhm_mm: float = 0.8
    overshoot: float = 0.0
    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    noise_hu: float = 30.0
    tilt_deg: float = 40.0
    turn_deg: float = 60.0
    seed: int = 0

    @property
    def course(self) -> FloatArray:
        """Direction from head to tip, patient axes; the middle of the shaft lies at zero."""
        return course_of(self.tilt_deg, self.turn_deg)


def drawn(plain: Plain) -> Scan:
    """Return the phantom's CT, clipped as scanners clip."""
    rng = np.random.default_rng(plain.seed)
    half_mm = (_HALF_MM, _HALF_MM, _HALF_MM)
    u, v, s = along_and_across(fine_grid(half_mm), plain.course)
    fine = _fine(plain, u, v, s, rng)
    scanner = Scanner(plain.fwhm_mm, plain.slice_mm, plain.pixel_mm, plain.noise_hu, plain.overshoot)
    return scanned(fine, half_mm, scanner, rng)


def fine_grid(half_mm: Sequence[float]) -> list[FloatArray]:
    """Return z, y and x of the fine grid of a box about zero, open."""
    axes = (np.arange(-half, half, FINE_MM, dtype=np.float32) for half in half_mm)
    return np.meshgrid(*axes, indexing="ij", sparse=True)


def along_and_across(zyx: Sequence[FloatArray], course: FloatArray) -> tuple[FloatArray, ...]:
    """Return places across a course, in two directions, and along it."""
    z, y, x = zyx
    across = np.cross(course, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    return tuple(
        (x * d[0] + y * d[1] + z * d[2]).astype(np.float32)
        for d in (across, np.cross(course, across), course)
    )


def grain_hu(shape: tuple[int, ...], sd_hu: float, rng: np.random.Generator) -> FloatArray:
    """Return the texture of spongy bone on the fine grid."""
    grain = ndimage.gaussian_filter(rng.standard_normal(shape).astype(np.float32), 0.5 / FINE_MM)
    return sd_hu / grain.std() * grain


def outside_metal_mm(u: FloatArray, v: FloatArray, s: FloatArray, length_mm: float = LENGTH_MM) -> FloatArray:
    """Return about how far places lie outside the screw: across its axis, and along it from its middle."""
    radius, depth = np.hypot(u, v), s + length_mm / 2.0
    turn = (s / PITCH_MM - np.arctan2(v, u) / (2.0 * math.pi)) % 1.0
    thread = _ROOT_MM + (CREST_MM - _ROOT_MM) * np.clip(2.6 * np.abs(turn - 0.5) - 0.15, 0.0, 1.0)
    tapered = np.minimum(thread, np.clip((length_mm - depth) / 2.0, 0.0, 1.0) * CREST_MM)
    shaft = np.maximum(radius - tapered, np.maximum(depth - length_mm, -depth))
    return np.minimum(shaft, np.maximum(radius - 3.2, np.abs(depth + 2.0) - 2.0))


def _fine(plain: Plain, u: FloatArray, v: FloatArray, s: FloatArray, rng: np.random.Generator) -> FloatArray:
    radius, depth = np.hypot(u, v), s + LENGTH_MM / 2.0
    outside = _outside_bone_mm(plain, u, v, s)
    bone = np.full(s.shape, plain.bone_hu, dtype=np.float32)
    if plain.texture_hu:
        bone += grain_hu(s.shape, plain.texture_hu, rng)
    if plain.cortex_mm:
        half = plain.cortex_mm / 2.0
        bone += (DENSE_HU - plain.bone_hu) * share_inside(np.abs(outside + half) - half)
    at = (plain.gap_at - 0.5) * LENGTH_MM
    inside, slit = share_inside(outside), share_inside(np.abs(s - at) - plain.gap_mm / 2.0)
    hu = SOFT_HU + (bone - SOFT_HU) * inside
    hu += (GAP_HU - hu) * slit
    width = np.where(s < at, plain.head_mm, plain.tip_mm)
    layer = (
        share_inside(radius - CREST_MM - width) * inside * (width > 0.0) * (depth > 0.0) * (depth < LENGTH_MM)
    )
    hu += (LAYER_HU - hu) * layer
    return hu + (METAL_HU - hu) * share_inside(outside_metal_mm(u, v, s))


def _outside_bone_mm(plain: Plain, u: FloatArray, v: FloatArray, s: FloatArray) -> FloatArray:
    beyond = np.abs(s) - LENGTH_MM / 2.0 - 2.0
    if plain.bone == "block":
        return np.maximum(np.maximum(np.abs(u), np.abs(v)) - 14.0, beyond)
    isthmus = np.maximum(np.hypot(u - 1.0, v) - 6.5, beyond)
    body = np.hypot(np.hypot(u, v), s - LENGTH_MM / 2.0 - 8.0) - 16.0
    return np.minimum(isthmus, body) if plain.bone == "vertebra" else isthmus


def share_inside(outside_mm: FloatArray) -> FloatArray:
    """Return the share of a fine voxel that lies inside, by the distance from the surface."""
    return np.clip(0.5 - outside_mm / FINE_MM, 0.0, 1.0)


def scanned(
    fine: FloatArray,
    half_mm: Sequence[float],
    scanner: Scanner,
    rng: np.random.Generator,
    ceiling_hu: float = CEILING_HU,
) -> Scan:
    """Return the CT of an image on the fine grid, 2 mm within its edges."""
    spread = scanner.fwhm_mm / 2.355 / FINE_MM
    along = max(1.1 * scanner.slice_mm, 0.8) / 2.355 / FINE_MM
    fine = ndimage.gaussian_filter(fine, (along, spread, spread))
    if scanner.overshoot:
        smooth = ndimage.gaussian_filter(fine, (0.0, 1.5 * spread, 1.5 * spread))
        fine += scanner.overshoot * (fine - smooth)
    half, step = np.array(half_mm), np.array([scanner.slice_mm, scanner.pixel_mm, scanner.pixel_mm])
    n = (2.0 * (half - 2.0) / step).astype(int)
    first = -(n - 1) / 2.0 * step
    places = np.meshgrid(
        *(a + b * np.arange(c) for a, b, c in zip(first, step, n, strict=True)), indexing="ij"
    )
    at = [(p + h) / FINE_MM for p, h in zip(places, half, strict=True)]
    hu = ndimage.map_coordinates(fine, at, order=1)
    noise = ndimage.gaussian_filter(rng.standard_normal(hu.shape), (0.4, 0.6, 0.6))
    hu = np.minimum(hu + scanner.noise_hu / noise.std() * noise, ceiling_hu)
    world_from_voxel = np.eye(4)
    world_from_voxel[:3, :3] = np.fliplr(np.diag(step[::-1]))
    world_from_voxel[:3, 3] = first[::-1]
    return Scan(np.round(hu).astype(np.int16), world_from_voxel, hu_ceiling=ceiling_hu)
