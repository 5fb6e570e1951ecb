"""A part of a scan made ready for registration: metal left out, smoothed, and readable between voxels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ongrowth.geometry import apply_affine
from ongrowth.scan import Scan
from ongrowth.screw import metal_mask

Real = NDArray[np.float32]
FloatArray = NDArray[np.float64]

_LOW_HU, _HIGH_HU = -250.0, 2000.0  # air and metal beyond these say nothing of bone
_FAR_MM = 6.0  # from metal: nothing asks how much farther
_FILLED_MM = 1.0  # so near to metal the image is not believed when it is smoothed
_SEEN_SHARE = 0.5  # a smoothed voxel must come from believed voxels by at least this share
_CHUNK = 4096  # samples worked on at a time, so that the work stays in the cache


@dataclass(frozen=True, slots=True, eq=False)
class Bones:
    """A crop of a scan, clipped to the range of bone, and which voxels may be believed.

    Parameters
    ----------
    hu : ndarray of float32, shape (Z, Y, X)
        Clipped CT numbers.
    metal_mm : ndarray of float32, shape (Z, Y, X)
        Distance from the nearest metal, mm; large where there is none near.
    scan : Scan
        The crop itself, on its native grid.
    """

    hu: Real
    metal_mm: Real
    scan: Scan


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A smoothed image on a native grid.

    Parameters
    ----------
    values : ndarray of float32, shape (Z, Y, X)
        Smoothed CT numbers.
    seen : ndarray of bool, shape (Z, Y, X)
        Where the values may be believed.
    world_from_voxel : ndarray, shape (4, 4)
        Patient mm from array indices ``(k, j, i)``.
    normal : ndarray, shape (3,)
        Normal of the slices, patient axes.
    sigma_mm : float
        Standard deviation of the smoothing (geometric mean over directions).
    """

    values: Real
    seen: NDArray[np.bool_]
    world_from_voxel: FloatArray
    normal: FloatArray
    sigma_mm: float

    @property
    def voxel_mm3(self) -> float:
        """Volume of a voxel, mm3."""
        return abs(float(np.linalg.det(self.world_from_voxel[:3, :3])))


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """A picture that can be read between its voxels: its cubic B-spline.

    Parameters
    ----------
    coefficients : ndarray of float32, shape (Z, Y, X)
        Of the cubic B-spline through the values.
    seen, world_from_voxel, normal, sigma_mm
        As of `Picture`.
    """

    coefficients: Real
    seen: NDArray[np.bool_]
    world_from_voxel: FloatArray
    normal: FloatArray
    sigma_mm: float


def splined(picture: Picture) -> Spline:
    """Return the cubic spline through a picture."""
    out = ndimage.spline_filter(picture.values, order=3, output=np.float32, mode="mirror")
    return Spline(out, picture.seen, picture.world_from_voxel, picture.normal, picture.sigma_mm)


def take_bones(scan: Scan, around_mm: FloatArray, reach_mm: float) -> Bones:
    """Return the neighbourhood of some points, its metal marked.

    Parameters
    ----------
    scan : Scan
        The CT.
    around_mm : ndarray, shape (N, 3)
        Patient mm (LPS).
    reach_mm : float
        How far beyond the points the crop goes.

    Raises
    ------
    Refused
        If the place lies outside the scan (code ``out-of-scan``).
    """
    crop = scan.crop(scan.box(around_mm, reach_mm))
    everything = (slice(None), slice(None), slice(None))
    metal = metal_mask(crop, everything)
    hu = np.clip(crop.hu, _LOW_HU, _HIGH_HU).astype(np.float32)
    return Bones(hu, _distance_mm(metal, crop.step_mm), crop)


def _distance_mm(metal: NDArray[np.bool_], step_mm: FloatArray) -> Real:
    """Distance of every voxel from metal, worked out near the metal only."""
    out = np.full(metal.shape, _FAR_MM, dtype=np.float32)
    where = np.argwhere(metal)
    if where.size == 0:
        return out
    reach = np.ceil(_FAR_MM / step_mm).astype(int)
    low = np.maximum(where.min(axis=0) - reach, 0)
    high = np.minimum(where.max(axis=0) + reach + 1, metal.shape)
    near = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    out[near] = ndimage.distance_transform_edt(~metal[near], sampling=step_mm)
    return np.minimum(out, np.float32(_FAR_MM))


def smooth_bones(bones: Bones, sigma_mm: float, more_mm2: FloatArray | None = None) -> Picture:
    """Return the image smoothed by a Gaussian, metal taking no part.

    The Gaussian is round in the patient, also on a sheared grid, unless more is asked for. Voxels near
    metal are filled from their neighbours (normalised convolution).

    Parameters
    ----------
    bones : Bones
        The image.
    sigma_mm : float
        Standard deviation of the Gaussian.
    more_mm2 : ndarray, shape (3, 3), optional
        Covariance of a further Gaussian, patient axes.
    """
    return smooth_values(bones.hu, bones.metal_mm > _FILLED_MM, bones.scan, sigma_mm, more_mm2)


def smooth_values(
    hu: Real, believed: NDArray[np.bool_], grid: Scan, sigma_mm: float, more_mm2: FloatArray | None = None
) -> Picture:
    """Return a picture of values on the grid of a scan; those not believed take no part."""
    affine = grid.world_from_voxel
    spread = sigma_mm**2 * np.eye(3) + (0.0 if more_mm2 is None else more_mm2)
    values, share = _blur_where(hu, believed, affine, spread)
    mean_mm = float(np.linalg.det(spread)) ** (1.0 / 6.0)
    return Picture(values, believed & (share > _SEEN_SHARE), affine, grid.slice_normal, mean_mm)


def _blur_where(
    hu: Real, believed: NDArray[np.bool_], affine: FloatArray, spread_mm2: FloatArray
) -> tuple[Real, Real]:
    step = np.linalg.norm(affine[:3, :3], axis=0)
    most_mm = float(np.sqrt(np.linalg.eigvalsh(spread_mm2)[-1]))
    margin = np.ceil(3.0 * most_mm / step).astype(int)
    size = [fft.next_fast_len(int(n + m), real=True) for n, m in zip(hu.shape, margin, strict=True)]
    gain = _gaussian(size, affine, spread_mm2)
    inside = tuple(slice(0, n) for n in hu.shape)

    def blurred(values: Real) -> Real:
        return np.asarray(fft.irfftn(fft.rfftn(values, size) * gain, size)[inside], dtype=np.float32)

    share = blurred(believed.astype(np.float32))
    base = np.float32(hu[believed].mean() if believed.any() else 0.0)
    values = blurred(np.where(believed, hu - base, np.float32(0.0)))
    values /= np.maximum(share, np.float32(1e-3))
    values += base
    return np.ascontiguousarray(values), share


def _gaussian(size: list[int], affine: FloatArray, spread_mm2: FloatArray) -> Real:
    """Transfer function of a Gaussian of that covariance in the patient, on the grid's own frequencies."""
    inverse = np.linalg.inv(affine[:3, :3])
    axes = np.linalg.cholesky(spread_mm2).T @ inverse.T  # (3, 3): frequency per index to standard deviations
    f = [np.fft.fftfreq(size[0]), np.fft.fftfreq(size[1]), np.fft.rfftfreq(size[2])]
    squared = np.zeros((size[0], size[1], len(f[2])), dtype=np.float32)
    for row in axes:
        k, j, i = (np.float32(row[a]) * f[a].astype(np.float32) for a in range(3))
        squared += (k[:, None, None] + j[None, :, None] + i[None, None, :]) ** 2
    return np.asarray(np.exp(np.float32(-2.0 * np.pi**2) * squared), dtype=np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What a picture shows at some places, shape (N, ...): value, slope, curvature, and whether seen.

    `slope` is per mm along the patient axes, shape (N, 3); `curvature` holds the second derivatives
    xx, yy, zz, xy, xz, yz, shape (N, 6).
    """

    value: Real
    slope: Real
    curvature: Real
    seen: NDArray[np.bool_]


def seen_at(picture: Spline, world_mm: FloatArray) -> NDArray[np.bool_]:
    """Return whether places, shape (N, 3), lie where the picture may be believed."""
    index = np.rint(_voxels(picture, world_mm)).astype(np.intp)
    inside = np.all((index >= 2) & (index < np.array(picture.seen.shape) - 2), axis=1)
    out = np.zeros(len(index), dtype=bool)
    out[inside] = picture.seen[tuple(index[inside].T)]
    return out


def read_at(picture: Spline, world_mm: FloatArray) -> Reading:
    """Return value, slope and curvature of the spline at places, shape (N, 3)."""
    n = len(world_mm)
    value, slope, curvature = (np.empty((n, w), dtype=np.float32) for w in (1, 3, 6))
    voxels = _voxels(picture, world_mm)
    for start in range(0, n, _CHUNK):
        part = slice(start, min(start + _CHUNK, n))
        value[part, 0], slope[part], curvature[part] = _spline(picture.coefficients, voxels[part])
    inverse = np.asarray(np.linalg.inv(picture.world_from_voxel)[:3, :3], dtype=np.float64)
    bent = curvature @ _curvature_turn(inverse).astype(np.float32)
    return Reading(value[:, 0], slope @ inverse.astype(np.float32), bent, seen_at(picture, world_mm))


def _voxels(picture: Spline, world_mm: FloatArray) -> FloatArray:
    return apply_affine(np.linalg.inv(picture.world_from_voxel), world_mm)


_PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


def _curvature_turn(inverse: FloatArray) -> FloatArray:
    """Matrix that turns the six second derivatives per index into those per mm, (6, 6)."""
    out = np.zeros((6, 6))
    for column, (p, q) in enumerate(_PAIRS):
        for row, (a, b) in enumerate(_PAIRS):
            both = inverse[a, p] * inverse[b, q]
            out[row, column] = both if a == b else both + inverse[b, p] * inverse[a, q]
    return out


def _spline(coefficients: Real, voxels: FloatArray) -> tuple[Real, Real, Real]:
    """Value (N,), first (N, 3) and second derivatives (N, 6) per index of a cubic B-spline."""
    whole = np.floor(voxels)
    t = (voxels - whole).astype(np.float32).T
    top = np.array(coefficients.shape) - 4
    first = np.clip(whole.astype(np.intp) - 1, 0, top)
    stride = np.array([coefficients.shape[1] * coefficients.shape[2], coefficients.shape[2], 1])
    steps = np.arange(4)
    offsets = (
        steps[:, None, None] * stride[0] + steps[None, :, None] * stride[1] + steps[None, None, :]
    ).ravel()
    near = coefficients.ravel()[(first @ stride)[None, :] + offsets[:, None]].reshape(4, 4, 4, -1)
    w = [_weights(t[a]) for a in range(3)]
    along_i = [np.einsum("abcn,cn->abn", near, w[2][order]) for order in range(3)]
    ji = {
        (oj, oi): np.einsum("abn,bn->an", along_i[oi], w[1][oj])
        for oj, oi in ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (2, 0))
    }

    def full(ok: int, oj: int, oi: int) -> Real:
        return np.asarray(np.einsum("an,an->n", ji[oj, oi], w[0][ok]), dtype=np.float32)

    slope = np.stack([full(1, 0, 0), full(0, 1, 0), full(0, 0, 1)], axis=1)
    curvature = [full(*o) for o in ((2, 0, 0), (0, 2, 0), (0, 0, 2), (1, 1, 0), (1, 0, 1), (0, 1, 1))]
    return (
        full(0, 0, 0),
        np.asarray(slope, dtype=np.float32),
        np.asarray(np.stack(curvature, axis=1), dtype=np.float32),
    )


def _weights(t: Real) -> tuple[Real, Real, Real]:
    """Weights of the four neighbours in a cubic B-spline, and their first two derivatives, (4, N)."""
    u = 1.0 - t
    value = np.stack([u**3, 3 * t**3 - 6 * t**2 + 4, 3 * u**3 - 6 * u**2 + 4, t**3]) / np.float32(6.0)
    slope = np.stack([-(u**2), 3 * t**2 - 4 * t, -(3 * u**2 - 4 * u), t**2]) / np.float32(2.0)
    bend = np.stack([u, 3 * t - 2, 3 * u - 2, t])
    return np.asarray(value, np.float32), np.asarray(slope, np.float32), np.asarray(bend, np.float32)
