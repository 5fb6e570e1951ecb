"""Fast scanner without artefact: anisotropic blur, kernel-shaped noise, clip. Also the voxel grid."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ongrowth.scan import Acquisition, Dose, Scan
from ongrowth_phantoms.scenes import Scene
from ongrowth_phantoms.shapes import Real, real

METAL_HU = {
    "titanium": 9000.0,
    "pure-titanium": 9400.0,
    "steel": 16000.0,
    "cobalt-chrome": 18000.0,
    "coating": 3000.0,
}
_TISSUE_MM, _METAL_MM = 0.3, 0.15  # largest step of the grids that tissue and metal are drawn on
_MARGIN_MM = 3.0  # drawn beyond the field so that the periodic blur brings nothing round


@dataclass(frozen=True, slots=True)
class Field:
    """Where and how finely a scanner looks.

    Parameters
    ----------
    pixel_mm, slice_mm : float
        Pixel size and distance of neighbouring slices along their normal.
    size_mm : tuple of float
        Field across (columns), down (rows) and along the slices.
    centre_mm : tuple of float or None
        Middle of the field, patient mm; None: the scene's focus.
    turn_deg : tuple of float
        Rotation vector that turns the image axes from axial supine, degrees: (0, 0, 180) is prone,
        anything else an oblique stack.
    tilt_deg : float
        Gantry tilt: the slices lean about their rows while the table runs along z.
    """

    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    size_mm: tuple[float, float, float] = (45.0, 45.0, 45.0)
    centre_mm: tuple[float, float, float] | None = None
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt_deg: float = 0.0

    def shape(self) -> tuple[int, int, int]:
        """Return slices, rows, columns."""
        across, down, along = self.size_mm
        return round(along / self.slice_mm), round(down / self.pixel_mm), round(across / self.pixel_mm)

    def axes(self) -> NDArray[np.float64]:
        """Return unit directions as columns: along a row, down a column, slice normal."""
        from scipy.spatial.transform import Rotation

        tilt = Rotation.from_rotvec([math.radians(self.tilt_deg), 0.0, 0.0])
        return np.asarray((Rotation.from_rotvec(np.radians(self.turn_deg)) * tilt).as_matrix())

    def world_from_voxel(self, centre_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the affine that maps (k, j, i, 1) to patient mm, the field's middle at `centre_mm`."""
        from scipy.spatial.transform import Rotation

        axes = self.axes()
        table = Rotation.from_rotvec(np.radians(self.turn_deg)).as_matrix()[:, 2]
        step = table * (self.slice_mm / float(table @ axes[:, 2]))
        affine = np.eye(4)
        affine[:3, 0] = step
        affine[:3, 1] = axes[:, 1] * self.pixel_mm
        affine[:3, 2] = axes[:, 0] * self.pixel_mm
        affine[:3, 3] = centre_mm - affine[:3, :3] @ ((np.array(self.shape()) - 1) / 2.0)
        return affine


@dataclass(frozen=True, slots=True)
class FastProtocol:
    """How the fast scanner sees.

    Parameters
    ----------
    pixel_mm, slice_mm : float
        Pixel size; distance of slices.
    slice_fwhm_mm : float
        Width at half height of the slice profile, which is a trapezoid (two boxes convolved).
    slice_thickness_mm : float
        What the header says; NaN: `slice_mm`.
    in_plane_fwhm_mm : float
        Width at half height of the in-plane point spread.
    edge_enhancement, mtf_power : float
        b and p of the in-plane MTF exp(-(f/f0)^p) (1 + b (f/f0)^2); b 0 and p 2 is a Gaussian.
    noise_hu : float
        Standard deviation of the noise.
    clip_hu : float or None
        Ceiling of the scale; None: extended, as far as int16 goes.
    metal_hu : dict
        CT number of each metal.
    tilt_deg, turn_deg, size_mm, centre_mm
        See `Field`.
    kvp, kernel, scanner
        Written into the header; names are invented.
    """

    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    slice_fwhm_mm: float = 0.9
    slice_thickness_mm: float = math.nan
    in_plane_fwhm_mm: float = 0.7
    edge_enhancement: float = 0.0
    mtf_power: float = 2.0
    noise_hu: float = 40.0
    clip_hu: float | None = 3071.0
    metal_hu: dict[str, float] = field(default_factory=lambda: dict(METAL_HU))
    tilt_deg: float = 0.0
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    size_mm: tuple[float, float, float] = (45.0, 45.0, 45.0)
    centre_mm: tuple[float, float, float] | None = None
    kvp: float = 120.0
    kernel: str = ""
    scanner: str = "Phantom Works Fast A"

    def field_of_view(self) -> Field:
        """Return the geometry of this protocol."""
        return Field(self.pixel_mm, self.slice_mm, self.size_mm, self.centre_mm, self.turn_deg, self.tilt_deg)

    def mtf(self, f_per_mm: NDArray[np.floating]) -> Real:
        """Return the in-plane MTF at spatial frequencies, 1/mm."""
        f0 = _f0(self.in_plane_fwhm_mm, self.edge_enhancement, self.mtf_power)
        return _mtf(np.asarray(f_per_mm) / f0, self.edge_enhancement, self.mtf_power).astype(np.float32)

    def slice_boxes_mm(self) -> tuple[float, float]:
        """Return the widths of the two boxes whose convolution is the slice profile."""
        return self.slice_fwhm_mm, 0.6 * self.slice_fwhm_mm


def _mtf(g: NDArray[np.floating], b: float, p: float) -> NDArray[np.float64]:
    return np.asarray(np.exp(-(g**p)) * (1.0 + b * g**2), dtype=np.float64)


@functools.lru_cache(maxsize=64)
def _f0(fwhm_mm: float, b: float, p: float) -> float:
    """Return f0 at which the point spread of the MTF has a given width at half height."""
    from scipy.optimize import brentq
    from scipy.special import j0

    g = np.linspace(0.0, 8.0, 4001)
    weight = _mtf(g, b, p) * g
    peak = np.trapezoid(weight, g)
    # the point spread at radius r, in units of 1/f0, over its peak
    half = brentq(lambda r: float(np.trapezoid(weight * j0(2 * np.pi * g * r), g) / peak) - 0.5, 1e-3, 1.0)
    return 2.0 * float(half) / fwhm_mm


def scan_fast(scene: Scene, protocol: FastProtocol | None = None, *, seed: int = 0) -> Scan:
    """Scan a scene without artefact.

    Parameters
    ----------
    scene : Scene
        What lies in the scanner.
    protocol : FastProtocol, optional
        How it is seen.
    seed : int
        Fixes the noise.

    Returns
    -------
    Scan
        int16, on its native grid.
    """
    protocol = protocol or FastProtocol()
    view = protocol.field_of_view()
    centre = np.array(view.centre_mm or scene.focus_mm, dtype=np.float64)
    affine = view.world_from_voxel(centre)
    blurred = _slices(scene, protocol, view, affine)
    noise = _noise(protocol, view.shape(), np.random.default_rng([seed, 90210]))
    return pack(blurred + noise, affine, protocol.clip_hu, _acquisition(protocol))


def pack(hu: Real, affine: NDArray[np.float64], clip_hu: float | None, acquisition: Acquisition) -> Scan:
    """Return voxels as a scan: rounded, cut at the ends of the scale, digest taken."""
    import hashlib

    top = 32767.0 if clip_hu is None else clip_hu
    whole = np.clip(np.rint(hu), -1024.0, top).astype(np.int16)
    share = float(np.mean(whole >= top))
    digest = hashlib.sha256(whole.tobytes() + np.ascontiguousarray(affine).tobytes()).hexdigest()
    ceiling = top if share > 0.0 else math.nan
    return Scan(whole, affine, acquisition, hu_ceiling=ceiling, ceiling_share=share, digest=digest)


def _acquisition(protocol: FastProtocol) -> Acquisition:
    sharp = protocol.edge_enhancement > 0.0
    thick = protocol.slice_mm if math.isnan(protocol.slice_thickness_mm) else protocol.slice_thickness_mm
    return Acquisition(
        modality="CT",
        kernel=protocol.kernel or f"PH{'E' if sharp else 'S'}{round(100 * protocol.in_plane_fwhm_mm)}",
        algorithm="filtered back-projection",
        kvp=protocol.kvp,
        slice_thickness_mm=thick,
        scanner=protocol.scanner,
        body_part="LSPINE",
        patient_position="HFS",
        series_description="Phantom, not a patient",
        dose=Dose(ctdi_vol_mgy=8.0, source="phantom"),
    )


def _slices(scene: Scene, protocol: FastProtocol, view: Field, affine: NDArray[np.float64]) -> Real:
    """Draw tissue on a fine grid and metal on a finer one, each blurred the same, and add them."""
    out = _blurred(_Raster.of(protocol, view, affine, _TISSUE_MM), protocol, view, _tissue(scene))
    if scene.screws or scene.other_metal:
        out += _blurred(
            _Raster.of(protocol, view, affine, _METAL_MM), protocol, view, _metal(scene, protocol)
        )
    return out


Draw = Callable[[Real, "_Raster"], Real]


def _tissue(scene: Scene) -> Draw:
    return lambda points, raster: scene.tissue_hu(points, raster.size_mm)


def _metal(scene: Scene, protocol: FastProtocol) -> Draw:
    """Return what metal adds to the tissue it displaces, HU."""

    def draw(points: Real, raster: _Raster) -> Real:
        out = np.zeros(len(points), dtype=np.float32)
        near = scene.near_metal(points)
        if near.size == 0:
            return out
        shares = scene.metal_share(points[near], raster.cell.astype(np.float32))
        inside = np.flatnonzero(sum(shares.values()) > 0.0)
        where = near[inside]
        tissue = scene.tissue_hu(points[where], raster.size_mm)
        for material, share in shares.items():
            out[where] += (np.float32(protocol.metal_hu[material]) - tissue) * share[inside]
        return out

    return draw


@dataclass(frozen=True, slots=True, eq=False)
class _Raster:
    """A fine grid of planes parallel to the slices, with a margin; voxel centres are among its points."""

    per_pixel: int
    margin: int
    size: tuple[int, int]
    cell: NDArray[np.float64]
    corner_mm: NDArray[np.float64]
    lean_mm: NDArray[np.float64]
    heights_mm: NDArray[np.float64]
    weights: NDArray[np.float32]

    @classmethod
    def of(cls, protocol: FastProtocol, view: Field, affine: NDArray[np.float64], step_mm: float) -> _Raster:
        n = math.ceil(protocol.pixel_mm / step_mm)
        fine = protocol.pixel_mm / n
        margin = math.ceil(_MARGIN_MM / protocol.pixel_mm) * n
        n_slices, rows, columns = view.shape()
        axes = view.axes()
        up = float(affine[:3, 0] @ axes[:, 2])
        lean = affine[:3, 0] - up * axes[:, 2]  # how the table's step slides the slices in their plane
        dz = up / math.ceil(up / step_mm)
        heights, weights = _profile(protocol, n_slices, up, dz, math.cbrt(fine * fine * dz))
        cell = np.stack([axes[:, 0] * fine, axes[:, 1] * fine, axes[:, 2] * dz])
        corner = affine[:3, 3] - margin * fine * (axes[:, 0] + axes[:, 1]) + lean * (n_slices - 1) / 2.0
        size = [int(fft.next_fast_len(m * n + 2 * margin, real=True)) for m in (rows, columns)]
        return cls(n, margin, (size[0], size[1]), cell, corner, lean, heights, weights)

    @property
    def size_mm(self) -> float:
        """Size of a cell, mm."""
        return float(np.cbrt(abs(np.linalg.det(self.cell))))

    def plane(self) -> Real:
        """Return the points of the lowest plane, shape (N, 3), columns contiguous."""
        rows, columns = np.indices(self.size).reshape(2, -1)
        return np.asfortranarray(
            self.corner_mm + rows[:, None] * self.cell[1] + columns[:, None] * self.cell[0]
        ).astype(np.float32)

    def gathered(self, draw: Draw) -> Real:
        """Draw plane after plane and gather them into slices by the slice profile."""
        stack = np.zeros((self.weights.shape[1], *self.size), dtype=np.float32)
        plane = self.plane()
        normal = self.cell[2] / np.linalg.norm(self.cell[2])
        for height, weight in zip(self.heights_mm, self.weights, strict=True):
            image = draw(plane + (height * normal).astype(np.float32), self).reshape(self.size)
            for k in np.flatnonzero(weight):
                stack[k] += weight[k] * image
        return stack


def _profile(
    protocol: FastProtocol, n_slices: int, step_mm: float, dz: float, drawn_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Return heights of fine planes above the first slice and their weight in each slice, (P, K)."""
    wide, narrow = protocol.slice_boxes_mm()
    narrow = math.sqrt(max(narrow**2 - drawn_mm**2, (0.2 * narrow) ** 2))  # drawing has averaged already
    reach = (wide + narrow) / 2.0
    heights = np.arange(-math.ceil(reach / dz), math.ceil(((n_slices - 1) * step_mm + reach) / dz) + 1) * dz
    away = np.abs(heights[:, None] - np.arange(n_slices)[None, :] * step_mm)
    weight = np.clip((reach - away) / narrow, 0.0, 1.0)
    return np.asarray(heights, dtype=np.float64), real(weight / weight.sum(axis=0))


def _blurred(raster: _Raster, protocol: FastProtocol, view: Field, draw: Draw) -> Real:
    """Blur each slice in its plane, slide it for a leaning stack, and take the voxel centres."""
    stack = raster.gathered(draw)
    n_slices, rows, columns = view.shape()
    n, margin = raster.per_pixel, raster.margin
    fine = protocol.pixel_mm / n
    fy = fft.fftfreq(stack.shape[1], fine)[:, None]
    fx = fft.rfftfreq(stack.shape[2], fine)[None, :]
    # drawing averaged each point over a cell; the MTF is that of the whole chain
    drawn = np.maximum(np.sinc(fx * fine) * np.sinc(fy * fine), 0.5)
    gain = (protocol.mtf(np.hypot(fx, fy)) / drawn).astype(np.float32)
    out = np.empty((n_slices, rows, columns), dtype=np.float32)
    for k in range(n_slices):
        spectrum = fft.rfft2(stack[k]) * gain
        away = k - (n_slices - 1) / 2.0
        if np.any(raster.lean_mm):
            slide = raster.lean_mm @ view.axes()[:, :2] * away
            spectrum *= np.exp(2j * np.pi * (fx * slide[0] + fy * slide[1]))
        image = fft.irfft2(spectrum, s=stack.shape[1:])
        out[k] = image[margin : margin + rows * n : n, margin : margin + columns * n : n]
    return out


def _noise(protocol: FastProtocol, shape: tuple[int, int, int], rng: np.random.Generator) -> Real:
    """Noise with the spectrum f MTF(f)^2 of a filtered back-projection, correlated over slices."""
    if protocol.noise_hu <= 0.0:
        return np.zeros(shape, dtype=np.float32)
    spectrum = fft.rfftn(rng.standard_normal(shape, dtype=np.float32))
    fz = fft.fftfreq(shape[0], protocol.slice_mm)[:, None, None]
    fy = fft.fftfreq(shape[1], protocol.pixel_mm)[None, :, None]
    fx = fft.rfftfreq(shape[2], protocol.pixel_mm)[None, None, :]
    wide, narrow = protocol.slice_boxes_mm()
    f = np.hypot(fx, fy)
    # the floor at low f stands for the electronic part and keeps the mean from being too still
    spectrum *= (
        np.sqrt(f + 0.02) * np.abs(protocol.mtf(f)) * np.abs(np.sinc(fz * wide) * np.sinc(fz * narrow))
    )
    noise = np.asarray(fft.irfftn(spectrum, s=shape), dtype=np.float32)
    return noise * np.float32(protocol.noise_hu / noise.std())
