"""A slit in bone: how dark each place is against the bone on both sides, and the plane it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.geometry import Plane, RigidTransform, unit
from ongrowth.robust import robust_sd
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

METAL_HU = 2000.0  # no bone of a vertebra reads this dense, titanium reads four times as much
_METAL_MARGIN_MM = 0.8  # the foot that the blur gives metal
SOFT_HU = 50.0  # muscle and fibrous tissue (ICRU-44 soft tissue: 52-55 HU)
_DENSEST_HU = 1500.0  # nothing of bone is denser; the foot of metal is
LEAST_CONTRAST_HU = 60.0  # of a shore that counts as bone
_MOST_CONTRAST_HU = 700.0  # cortex must not outvote spongy bone
_STEEPEST = 1.1  # tangent of the tilt against the course of the bone, with a margin for that course
_ALIKE_MM, _ALIKE_SLOPE = 1.0, 0.3  # slits that lie so near lead to one fit
_PEAKS_PER_WIDTH = 3
_SHORE_MM = 1.2  # depth of bone looked at on either side of a slit


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """CT numbers on a straight grid of its own axes.

    Parameters
    ----------
    world_from_block : RigidTransform
        Patient mm (LPS) from block mm.
    x_mm, y_mm, z_mm : ndarray, shapes (X,), (Y,), (Z,)
        Places along the block's axes; the third runs across the slit.
    hu : ndarray of float32, shape (X, Y, Z)
        CT numbers; NaN outside the scan and near metal.
    """

    world_from_block: RigidTransform
    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray
    hu: NDArray[np.float32]

    @classmethod
    def of(
        cls,
        scan: Scan,
        world_from_block: RigidTransform,
        x_mm: FloatArray,
        y_mm: FloatArray,
        z_mm: FloatArray,
    ) -> Block:
        """Return a block of a scan, linearly interpolated, metal and its foot left out.

        Raises
        ------
        Refused
            If no part of the block lies in the scan (code ``out-of-scan``).
        """
        corners = np.array(np.meshgrid(x_mm[[0, -1]], y_mm[[0, -1]], z_mm[[0, -1]])).reshape(3, -1).T
        part = scan.crop(scan.box(world_from_block.apply(corners), 2.0))
        hu = np.where(_near_metal(part), np.float32(np.nan), part.hu.astype(np.float32))
        axes = (x_mm, y_mm, z_mm)
        first = np.array([axis[0] for axis in axes])
        step = np.array([np.ptp(axis) / max(1, len(axis) - 1) for axis in axes])
        index = part.voxel_from_world @ world_from_block.matrix
        out = ndimage.affine_transform(
            hu,
            index[:3, :3] * step,
            offset=index[:3, :3] @ first + index[:3, 3],
            output_shape=tuple(map(len, axes)),
            output=np.float32,
            order=1,
            cval=np.nan,
        )
        return cls(world_from_block, x_mm, y_mm, z_mm, out)


def _near_metal(part: Scan) -> BoolArray:
    metal = part.hu > METAL_HU
    metal = ndimage.binary_opening(metal) if metal.any() else metal  # lone noisy voxels are no metal
    if not metal.any():
        return metal
    reach = [max(0, round(_METAL_MARGIN_MM / s)) for s in part.step_mm]
    k, j, i = np.ogrid[tuple(slice(-r, r + 1) for r in reach)]
    ball = sum((o / (r + 0.5)) ** 2 for o, r in zip((k, j, i), reach, strict=True)) <= 1.0
    return np.asarray(ndimage.binary_dilation(metal, ball))


def darkness_hu(block: Block, width_mm: float) -> NDArray[np.float32]:
    """Return how much bone a slit of a given width lacks against the fainter of its two shores along z.

    It is the lacking share of the shore's contrast to soft tissue, weighted by that contrast: a slit thinner
    than the blur takes the same share from cortex and from spongy bone. Soft tissue beside the bone, the
    halo along the screw, and a notch wider than the slit have no bone on both shores and give nothing.

    Parameters
    ----------
    block : Block
        Where to look.
    width_mm : float
        Of the slit.
    """
    step = block.z_mm[1] - block.z_mm[0]
    half = max(1, round(width_mm / step / 2.0))
    shore = max(1, round(_SHORE_MM / step))
    n, m = len(block.z_mm), half + shore  # nearer than m to an end there is no shore
    out = np.zeros(block.hu.shape, dtype=np.float32)
    if n <= 2 * m:
        return out
    # most lines along z meet no bone, and most places have none on both shores: these are never looked at
    has_bone = (block.hu > SOFT_HU + LEAST_CONTRAST_HU).any(axis=2)
    lines = block.hu[has_bone]
    is_known = ~np.isnan(lines)
    above_soft = np.where(is_known, np.clip(lines, 0.0, _DENSEST_HU) - np.float32(SOFT_HU), np.float32(0.0))
    total = np.cumsum(np.pad(above_soft, ((0, 0), (1, 0))), axis=1, dtype=np.float32)
    shores = (total[:, shore:] - total[:, :-shore]) / shore  # means over samples i .. i + shore - 1
    contrast = np.minimum(shores[:, : n - 2 * m], shores[:, m + half + 1 : n - m + half + 1])
    at, z = np.nonzero((contrast > LEAST_CONTRAST_HU) & is_known[:, m : n - m])
    contrast = contrast[at, z]
    z += m
    middle = (total[at, z + half] - total[at, z - half + 1]) / (2 * half - 1)
    lacking = np.clip(1.0 - middle / contrast, -1.0, 1.0)
    dark = np.zeros(lines.shape, dtype=np.float32)
    dark[at, z] = lacking * np.minimum(contrast, _MOST_CONTRAST_HU)
    out[has_bone] = dark
    return out


def slant_stack(
    dark: NDArray[np.float32], x_mm: FloatArray, y_mm: FloatArray, z_mm: FloatArray, slopes: FloatArray
) -> FloatArray:
    """Return the sum of `dark` over every plane ``z = d + a x + b y``, shape (A, B, Z).

    Parameters
    ----------
    dark : ndarray, shape (X, Y, Z)
        What is summed.
    x_mm, y_mm, z_mm : ndarray
        Its grid; the offsets d are the places of z.
    slopes : ndarray, shape (A,)
        Slopes a and b tried.

    Notes
    -----
    A shift along z is a phase, and the phases of x and y separate: two small matrix products for each
    frequency.
    """
    n = 2 * len(z_mm)  # zeros behind, so that nothing wraps
    spectrum = np.fft.rfft(dark, n=n, axis=2)
    k = 2.0 * np.pi * np.fft.rfftfreq(n, z_mm[1] - z_mm[0])
    keep = k <= np.pi / 0.6  # finer detail than 0.6 mm holds no plane
    out = np.zeros((len(slopes), len(slopes), len(k)), dtype=np.complex128)
    for m in np.flatnonzero(keep):
        to_a = np.exp(1j * k[m] * np.outer(slopes, x_mm))
        to_b = np.exp(1j * k[m] * np.outer(y_mm, slopes))
        out[:, :, m] = to_a @ spectrum[:, :, m] @ to_b
    return np.asarray(np.fft.irfft(out, n=n, axis=2)[:, :, : len(z_mm)])


@dataclass(frozen=True, slots=True)
class Slit:
    """A plane ``z = d + a x + b y`` of a block that stands out for one width, and how far."""

    a: float
    b: float
    d_mm: float
    width_mm: float
    significance: float

    def plane(self, world_from_block: RigidTransform) -> Plane:
        """Return it in patient mm (LPS), its normal along the third axis of the block."""
        normal = world_from_block.turn(unit([-self.a, -self.b, 1.0]))
        return Plane(world_from_block.apply(np.array([0.0, 0.0, self.d_mm])), normal)


def find_slits(
    block: Block, slopes: FloatArray, widths_mm: FloatArray, inner: BoolArray, envelope_mm: float
) -> list[Slit]:
    """Return the slits of each width that stand out, the most significant first.

    Parameters
    ----------
    block : Block
        Where to look.
    slopes, widths_mm : ndarray
        What to try.
    inner : ndarray of bool, shape (Z,)
        Offsets allowed.
    envelope_mm : float
        Radius of the metal about the block's third axis, or of what must not outvote the bone round it.
    """
    if not inner.any():  # a shaft so short that its ends meet
        return []
    weight = _weight(block, envelope_mm)
    is_flat = np.hypot(slopes[:, None], slopes) <= _STEEPEST
    found = []
    for width in widths_mm:
        dark = darkness_hu(block, float(width)) * weight
        sums = slant_stack(dark, block.x_mm, block.y_mm, block.z_mm, slopes)[:, :, inner]
        middle = float(np.median(sums[is_flat]))
        spread = robust_sd(sums[is_flat], middle)
        significance = np.where(is_flat[..., None], (sums - middle) / max(spread, 1e-6), -np.inf)
        found += _peaks(significance, slopes, block.z_mm[inner], float(width))
    return sorted(found, key=lambda slit: -slit.significance)


def _peaks(significance: FloatArray, slopes: FloatArray, d_mm: FloatArray, width_mm: float) -> list[Slit]:
    """Return the highest places of a stack, shape (A, B, Z), that are not alike."""
    left = significance.copy()
    found = []
    for _ in range(_PEAKS_PER_WIDTH):
        a, b, d = np.unravel_index(int(np.argmax(left)), left.shape)
        found.append(Slit(slopes[a], slopes[b], d_mm[d], width_mm, float(left[a, b, d])))
        tilt = np.hypot(slopes[:, None] - slopes[a], slopes - slopes[b]) < _ALIKE_SLOPE
        left[tilt[..., None] & (np.abs(d_mm - d_mm[d]) < _ALIKE_MM)] = -np.inf
    return found


def _weight(block: Block, envelope_mm: float) -> NDArray[np.float32]:
    """Full weight near the axis: farther out lie notches between the processes of the bone."""
    away = np.hypot(block.x_mm[:, None], block.y_mm) - envelope_mm
    return np.clip((5.0 - away) / 3.0, 0.0, 1.0).astype(np.float32)[..., None]


def distinct(slits: Sequence[Slit], most: int) -> list[Slit]:
    """Return slits that differ in place, tilt or width, the most significant first."""
    kept: list[Slit] = []
    for slit in sorted(slits, key=lambda s: -s.significance):
        alike = any(
            abs(slit.d_mm - k.d_mm) < _ALIKE_MM
            and np.hypot(slit.a - k.a, slit.b - k.b) < _ALIKE_SLOPE
            and 0.55 < slit.width_mm / k.width_mm < 1.8
            for k in kept
        )
        if not alike:
            kept.append(slit)
    return kept[:most]
