"""The full scanner: a polychromatic beam through a body, noise, scatter, filtered back-projection.

Slices are made from parallel views over half a turn (what a fan-beam scanner rebins to). Everything
that is not linear happens where it does in a scanner: intensities, not their logarithms, are averaged
over the focal spot, the detector's aperture and its rows. Only what differs from a uniform body is
traced; the body itself is an ellipse in closed form.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from ongrowth.scan import Acquisition, Dose, Scan
from ongrowth_phantoms.beam import Beam
from ongrowth_phantoms.kernels import KERNELS, Kernel
from ongrowth_phantoms.radon import Backprojector, Complex, Projector, view_angles_rad
from ongrowth_phantoms.scanner import Field, pack
from ongrowth_phantoms.scenes import Scene
from ongrowth_phantoms.shapes import Real, real, smooth_step

T = TypeVar("T")

_SOFT_END_HU = 60.0  # above this, a CT number is read as bone mineral in soft tissue
_FINE_MM = 0.175  # of the drawn slices and of the rays; the detector's samples are twice as far apart
_FADE_MM = 3.0  # over which bone ends beyond the corners of the field
_QUANTA_PER_MGY = 15_000.0  # per reading of 0.35 x 0.3 mm and 540 views, open beam
_ELECTRONIC_QUANTA = 12.0


@dataclass(frozen=True, slots=True)
class FullProtocol:
    """How the full scanner sees.

    Parameters
    ----------
    kernel : str
        One of `ongrowth_phantoms.kernels.KERNELS`.
    kvp, dose_mgy : float
        Tube voltage 80 to 140 kV; dose (CTDIvol).
    pixel_mm, slice_mm : float
        Pixel size; distance of slices.
    slice_thickness_mm, slice_fwhm_mm : float
        Nominal thickness (NaN: `slice_mm`), and the width of the profile at half height (NaN: the
        nominal one and 0.7 mm added in square, as helical profiles are wider than they say).
    size_mm, centre_mm, turn_deg, tilt_deg
        See `ongrowth_phantoms.scanner.Field`. The image axes are those of the gantry.
    body_half_mm : pair of float
        Half axes of the elliptical body, across and down.
    body_ahead_mm : float
        How far the body's middle lies anterior to the scene's focus; sideways it lies on x = 0.
    n_views : int
        Views over half a turn.
    focus_mm, aperture_mm, row_mm : float
        Focal spot and detector aperture, seen at the middle of the gantry, across and along it.
    scatter : float
        Uncorrected scatter over primary.
    is_noisy : bool
        Whether quanta and electronics add noise.
    clip_hu : float or None
        Ceiling of the scale; None: extended.
    smoothing : int
        0: filtered back-projection. 1 to 5: strength of a non-linear, edge-preserving reconstruction.
    scanner : str
        Written into the header; invented.
    """

    kernel: str = "hann-bone"
    kvp: float = 120.0
    dose_mgy: float = 10.0
    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    slice_thickness_mm: float = math.nan
    slice_fwhm_mm: float = math.nan
    size_mm: tuple[float, float, float] = (50.0, 50.0, 42.0)
    centre_mm: tuple[float, float, float] | None = None
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt_deg: float = 0.0
    body_half_mm: tuple[float, float] = (130.0, 95.0)
    body_ahead_mm: float = 50.0
    n_views: int = 540
    focus_mm: float = 0.55
    aperture_mm: float = 0.6
    row_mm: float = 0.6
    scatter: float = 0.02
    is_noisy: bool = True
    clip_hu: float | None = 3071.0
    smoothing: int = 0
    scanner: str = "Phantom Works Full B"

    def field_of_view(self) -> Field:
        """Return the geometry of this protocol."""
        return Field(self.pixel_mm, self.slice_mm, self.size_mm, self.centre_mm, self.turn_deg, self.tilt_deg)

    @property
    def thickness_mm(self) -> float:
        """Nominal slice thickness."""
        return self.slice_mm if math.isnan(self.slice_thickness_mm) else self.slice_thickness_mm

    @property
    def profile_fwhm_mm(self) -> float:
        """Width of the slice profile at half height."""
        return math.hypot(self.thickness_mm, 0.7) if math.isnan(self.slice_fwhm_mm) else self.slice_fwhm_mm


def scan_full(scene: Scene, protocol: FullProtocol | None = None, *, seed: int = 0) -> Scan:
    """Scan a scene with a polychromatic beam.

    Parameters
    ----------
    scene : Scene
        What lies in the scanner; its CT numbers are those at 120 kV.
    protocol : FullProtocol, optional
        How it is seen.
    seed : int
        Fixes the noise.

    Returns
    -------
    Scan
        int16, on its native grid.
    """
    protocol = protocol or FullProtocol()
    gantry = _Gantry.of(scene, protocol)
    spectra = np.zeros(
        (len(gantry.slice_heights_mm), protocol.n_views, len(gantry.f_per_mm) + 1), np.complex64
    )
    rng = np.random.default_rng([seed, 31337])
    weights = gantry.row_weights()
    for row, lines in enumerate(_readings(scene, gantry, rng)):
        spectrum = gantry.spectrum(lines)
        for k in np.flatnonzero(weights[row]):
            spectra[k] += weights[row, k] * spectrum
    hu = np.stack([gantry.image(s, k) for k, s in enumerate(spectra)]) + np.float32(scene.soft_hu)
    if protocol.smoothing > 0:
        hu = edge_preserving(hu, protocol.smoothing)
    return pack(hu, gantry.affine, protocol.clip_hu, _acquisition(protocol))


def _acquisition(protocol: FullProtocol) -> Acquisition:
    smoothed = protocol.smoothing > 0
    return Acquisition(
        modality="CT",
        kernel=protocol.kernel,
        algorithm="iterative" if smoothed else "filtered back-projection",
        strength=f"edge-preserving {protocol.smoothing}" if smoothed else "",
        kvp=protocol.kvp,
        slice_thickness_mm=protocol.thickness_mm,
        scanner=protocol.scanner,
        body_part="LSPINE",
        patient_position="HFP" if abs(abs(protocol.turn_deg[2]) - 180.0) < 45.0 else "HFS",
        series_description="Phantom, not a patient",
        dose=Dose(ctdi_vol_mgy=protocol.dose_mgy, source="phantom"),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Gantry:
    """Everything of a scan that does not depend on what lies in it."""

    protocol: FullProtocol
    kernel: Kernel
    beam: Beam
    affine: NDArray[np.float64]
    axes: NDArray[np.float64]
    centre_mm: NDArray[np.float64]
    projector: Projector
    body_mm: Real
    body_log: NDArray[np.float64]
    slice_heights_mm: NDArray[np.float64]
    lean_mm: NDArray[np.float64]
    f_per_mm: NDArray[np.float64]
    row_step_mm: float
    n_rows: int

    @classmethod
    def of(cls, scene: Scene, protocol: FullProtocol) -> _Gantry:
        view, beam, kernel = protocol.field_of_view(), Beam.of(protocol.kvp), KERNELS[protocol.kernel]
        centre = np.array(view.centre_mm or scene.focus_mm, dtype=np.float64)
        affine, axes = view.world_from_voxel(centre), view.axes()
        n_slices = view.shape()[0]
        gap = float(affine[:3, 0] @ axes[:, 2])
        heights = np.asarray((np.arange(n_slices) - (n_slices - 1) / 2.0) * gap, dtype=np.float64)
        lean = (affine[:3, 0] - gap * axes[:, 2]) @ axes[:, :2]
        step = protocol.row_mm / 2.0
        n_rows = 2 * math.ceil((heights[-1] + 1.2 * protocol.profile_fwhm_mm) / step) + 1
        corner = math.hypot(*protocol.size_mm[:2]) / 2.0 + float(np.abs(lean).max()) * n_slices / 2.0
        reach = corner + _FADE_MM + 1.5
        n = 4 * math.ceil(2.0 * reach / _FINE_MM / 4.0)
        projector = Projector.of(n, _FINE_MM, protocol.n_views)
        body = _chords_mm(scene, protocol, axes, centre, projector) * np.float32(1.0 + scene.soft_hu / 1000.0)
        logarithm = np.interp(body, beam.water_mm, beam.water_log)
        f = np.arange(1, n // 2) / (n * 2.0 * _FINE_MM)
        f = np.asarray(f[: np.flatnonzero(kernel.mtf(f) > 1e-5)[-1] + 1])
        return cls(
            protocol, kernel, beam, affine, axes, centre, projector, body, logarithm,
            heights, lean, np.asarray(f, dtype=np.float64), step, n_rows,
        )  # fmt: skip

    def row_heights_mm(self) -> NDArray[np.float64]:
        """Return the heights of the detector rows above the middle slice."""
        return np.asarray((np.arange(self.n_rows) - self.n_rows // 2) * self.row_step_mm, dtype=np.float64)

    def row_weights(self) -> NDArray[np.float32]:
        """Return what each row gives to each slice, shape (rows, slices)."""
        half = _interpolation_half_mm(self.protocol.profile_fwhm_mm, self.protocol.row_mm)
        away = np.abs(self.row_heights_mm()[:, None] - self.slice_heights_mm[None, :])
        weight = np.where(away < half, np.cos(np.pi / 2.0 * np.minimum(away / half, 1.0)) ** 2, 0.0)
        return real(weight / weight.sum(axis=0))

    def detected(self, ratio: Real, rng: np.random.Generator) -> Real:
        """Return line integrals, mm of water beyond the body, of transmissions over that of the body."""
        p = self.protocol
        f = fft.rfftfreq(ratio.shape[1], _FINE_MM)
        blur = np.sinc(f * p.focus_mm) * np.sinc(f * p.aperture_mm)
        wide = np.exp(-2.0 * (np.pi * f * 20.0) ** 2)  # scatter: about 20 mm
        seen = fft.rfft(ratio - 1.0, axis=1) * ((blur + p.scatter * wide) / (1.0 + p.scatter)).astype(
            np.float32
        )
        # the ends of a view see the bare body, whose ratio is 1: nothing wraps round
        at_detector = real(1.0 + fft.irfft(seen, n=ratio.shape[1], axis=1)[:, ::2])
        body_log = self.body_log[:, ::2]
        if p.is_noisy:
            at_detector = at_detector + self._noise(at_detector, body_log, rng)
        total = body_log - np.log(np.maximum(at_detector, 1e-5))
        return self.beam.water_equivalent_mm(real(total)) - self.body_mm[:, ::2]

    def _noise(self, ratio: Real, body_log: NDArray[np.float64], rng: np.random.Generator) -> Real:
        p = self.protocol
        per_reading = _QUANTA_PER_MGY * p.dose_mgy * (self.row_step_mm / 0.3) * (540.0 / p.n_views)
        quanta = per_reading * np.exp(-body_log)
        spread = np.sqrt(quanta * np.maximum(ratio, 0.0) + _ELECTRONIC_QUANTA**2) / quanta
        return real(spread * rng.standard_normal(ratio.shape, dtype=np.float32))

    def spectrum(self, lines_mm: Real) -> Complex:
        """Return the spectra of the views at frequency 0 and at `f_per_mm`, mm2."""
        n, d = self.projector.n, 2.0 * _FINE_MM
        spectrum = fft.rfft(lines_mm, n=n, axis=1)[:, : len(self.f_per_mm) + 1]
        f = np.concatenate([[0.0], self.f_per_mm])
        return np.asarray(spectrum * (d * np.exp(2j * np.pi * f * d * (n // 4))), dtype=np.complex64)

    def image(self, spectrum: Complex, k: int) -> Real:
        """Return a slice, HU beyond the soft tissue, from the spectra of its views."""
        p, f = self.protocol, self.f_per_mm
        rows, columns = p.field_of_view().shape()[1:]
        step, angle = f[1] - f[0], view_angles_rad(p.n_views)[:, None]
        chain = np.sinc(f * p.focus_mm) * np.sinc(f * p.aperture_mm)
        ramp = _ramp_per_mm(self.projector.n, 2.0 * _FINE_MM)
        gain = ramp[1 : len(f) + 1] * self.kernel.mtf(f) / chain * step * np.pi / p.n_views
        from_middle = k - (len(self.slice_heights_mm) - 1) / 2.0
        aside = [(m // 2 - (m - 1) / 2.0) * p.pixel_mm for m in (columns, rows)] + self.lean_mm * from_middle
        turn = np.exp(2j * np.pi * f * (aside[0] * np.cos(angle) + aside[1] * np.sin(angle)))
        back = Backprojector.of((rows, columns), p.pixel_mm, f, p.n_views)
        whole = (
            float(spectrum[:, 0].real.mean()) * math.pi * step * ramp[0]
        )  # frequency 0, the same everywhere
        return np.float32(1000.0) * (back.image(spectrum[:, 1:] * (gain * turn)) + np.float32(whole))


@functools.lru_cache(maxsize=8)
def _ramp_per_mm(n: int, step_mm: float) -> NDArray[np.float64]:
    """Return the ramp filter at the frequencies of a padded view, from its taps in space.

    Taken so, its value at frequency 0 is not 0, and nothing comes in from beyond the padding
    (Kak AC, Slaney M. Principles of Computerized Tomographic Imaging. IEEE Press 1988, chapter 3).
    """
    k = fft.ifftshift(np.arange(n) - n // 2)  # whole numbers: fftfreq(n, 1 / n) misses them for some n
    odd = np.abs(k) % 2 == 1
    taps = np.zeros(n)
    taps[odd] = -1.0 / (np.pi * k[odd] * step_mm) ** 2
    taps[0] = 0.25 / step_mm**2
    return np.asarray(fft.rfft(taps).real * step_mm)


def _chords_mm(
    scene: Scene,
    protocol: FullProtocol,
    axes: NDArray[np.float64],
    centre: NDArray[np.float64],
    rays: Projector,
) -> Real:
    """Length of each ray inside the elliptical body, mm, shape (views, n)."""
    middle = np.array([0.0, scene.focus_mm[1] - protocol.body_ahead_mm, centre[2]])
    x, y = (middle - centre) @ axes[:, :2]
    angle = view_angles_rad(rays.n_views)[:, None]
    s = (np.arange(rays.n) - rays.n // 2) * rays.step_mm - (x * np.cos(angle) + y * np.sin(angle))
    a, b = protocol.body_half_mm
    wide = (a * np.cos(angle)) ** 2 + (b * np.sin(angle)) ** 2
    return real(2.0 * a * b * np.sqrt(np.maximum(wide - s**2, 0.0)) / wide)


@functools.lru_cache(maxsize=32)
def _interpolation_half_mm(fwhm_mm: float, row_mm: float) -> float:
    """Half base of the raised cosine that widens the row's box to a profile of given width."""
    from scipy.optimize import brentq

    z = np.arange(-8.0, 8.0, 0.005)

    def excess(half: float) -> float:
        bell = np.where(np.abs(z) < half, np.cos(np.pi / 2.0 * np.minimum(np.abs(z) / half, 1.0)) ** 2, 0.0)
        box = (np.abs(z) < row_mm / 2.0).astype(float)
        profile = np.convolve(bell, box, mode="same")
        above = z[profile > profile.max() / 2.0]
        return float(above[-1] - above[0]) - fwhm_mm

    low = 0.55 * row_mm  # a row at least must fall in
    return low if excess(low) > 0.0 else float(brentq(excess, low, 7.0, xtol=1e-3))


def _readings(scene: Scene, gantry: _Gantry, rng: np.random.Generator) -> Iterator[Real]:
    """Yield, row after row, line integrals beyond the body, mm of water, shape (views, detectors)."""
    drawing = _Drawing.of(scene, gantry)
    tissue = _Window(drawing.tissue)
    metals = _Window(drawing.metals)
    for row in range(gantry.n_rows):
        lines = sum(w * tissue.at(row + o) for o, w in ((-1, 0.25), (0, 0.5), (1, 0.25)))
        seen = ((-2, 0.125), (-1, 0.25), (0, 0.25), (1, 0.25), (2, 0.125))
        planes = [(w, metals.at((2 * row + o) // 2)[o % 2]) for o, w in seen]
        yield gantry.detected(_ratio(gantry, real(lines.real), real(lines.imag), planes), rng)


def _ratio(gantry: _Gantry, water: Real, mineral: Real, planes: list[tuple[float, dict[str, Real]]]) -> Real:
    """Transmission over that of the bare body, averaged over the planes a row sees."""
    beam, bare = gantry.beam, np.exp(gantry.body_log)
    soft = gantry.body_mm + water
    out = beam.transmitted({"water": soft, "mineral": mineral})
    hit = np.zeros(out.shape, dtype=bool)
    for _, metals in planes:
        for path in metals.values():
            hit |= np.abs(path) > 1e-3
    where = np.flatnonzero(hit)
    if where.size:
        through = np.zeros(where.size, dtype=np.float32)
        for weight, metals in planes:
            paths = {m: p.ravel()[where] for m, p in metals.items()}
            paths |= {"water": soft.ravel()[where], "mineral": mineral.ravel()[where]}
            through += np.float32(weight) * beam.transmitted(paths)
        out.ravel()[where] = through
    return real(out * bare)


class _Window(Generic[T]):
    """The last few planes drawn, by number."""

    def __init__(self, draw: Callable[[int], T]) -> None:
        self._draw = draw
        self._kept: dict[int, T] = {}

    def at(self, number: int) -> T:
        """Return a plane, drawn now or kept from before."""
        if number not in self._kept:
            self._kept = {k: v for k, v in self._kept.items() if k > number - 8}
            self._kept[number] = self._draw(number)
        return self._kept[number]


@dataclass(frozen=True, slots=True, eq=False)
class _Drawing:
    """Draws planes of a scene and projects them."""

    scene: Scene
    gantry: _Gantry
    inside: NDArray[np.intp]
    plane_mm: Real
    edge: Real
    mineral_hu: float

    @classmethod
    def of(cls, scene: Scene, gantry: _Gantry) -> _Drawing:
        n, h = gantry.projector.n, gantry.projector.step_mm
        j, i = ((np.indices((n, n)) - n // 2) * h).reshape(2, -1)
        radius = np.hypot(i, j)
        limit = (n // 2 - 4) * h
        inside = np.flatnonzero(radius < limit)
        plane = gantry.centre_mm + i[inside, None] * gantry.axes[:, 0] + j[inside, None] * gantry.axes[:, 1]
        mineral = Beam.of(120.0).hu_of("mineral", 240.0) + 1000.0
        edge = smooth_step((limit - radius[inside]) / _FADE_MM)
        return cls(scene, gantry, inside, np.asfortranarray(plane.astype(np.float32)), edge, mineral)

    def _points(self, height_mm: float) -> Real:
        return self.plane_mm + (height_mm * self.gantry.axes[:, 2]).astype(np.float32)

    def _shares(self, points: Real, step_mm: float) -> dict[str, Real]:
        near = self.scene.near_metal(points)
        if near.size == 0:
            return {}
        h = self.gantry.projector.step_mm
        cell = (self.gantry.axes * np.array([h, h, step_mm])).T.astype(np.float32)
        out = {}
        for material, share in self.scene.metal_share(points[near], cell).items():
            if share.any():
                out[material] = np.zeros(len(points), dtype=np.float32)
                out[material][near] = share * self.edge[near]
        return out

    def _spread(self, values: NDArray[np.complex64]) -> Complex:
        n = self.gantry.projector.n
        image = np.zeros(n * n, dtype=np.complex64)
        image[self.inside] = values
        return image.reshape(n, n)

    def tissue(self, row: int) -> Complex:
        """Return paths, mm: of water beyond the body (real) and of bone mineral (imaginary)."""
        step = self.gantry.row_step_mm
        points = self._points((row - self.gantry.n_rows // 2) * step)
        h = self.gantry.projector.step_mm
        hu = self.scene.tissue_hu(points, float(np.cbrt(h * h * step)))
        mineral = np.maximum(hu - np.float32(_SOFT_END_HU), 0.0) / np.float32(self.mineral_hu)
        water = np.minimum(hu, np.float32(_SOFT_END_HU)) / np.float32(1000.0)
        displaced = sum(self._shares(points, step).values())
        bare = np.float32(self.scene.soft_hu / 1000.0)
        water = (water - bare) * self.edge - displaced * (1.0 + water)
        return self.gantry.projector.project(
            self._spread(water + 1j * (mineral * self.edge * (1.0 - displaced)))
        )

    def metals(self, pair: int) -> tuple[dict[str, Real], dict[str, Real]]:
        """Return the path in each metal, mm, of two neighbouring planes, projected as one complex slice."""
        step = self.gantry.row_step_mm / 2.0
        heights = [(2 * pair + k - 2 * (self.gantry.n_rows // 2)) * step for k in (0, 1)]
        low, high = (self._shares(self._points(h), step) for h in heights)
        none = np.zeros(len(self.inside), dtype=np.float32)
        out: tuple[dict[str, Real], dict[str, Real]] = ({}, {})
        for material in sorted(low.keys() | high.keys()):  # sums in one order, whatever the hash seed
            both = self._spread(low.get(material, none) + 1j * high.get(material, none))
            lines = self.gantry.projector.project(both)
            out[0][material], out[1][material] = real(lines.real), real(lines.imag)
        return out


def edge_preserving(hu: Real, strength: int) -> Real:
    """Smooth a volume but for its edges, as iterative reconstructions do in effect.

    Diffusion that stops at steps larger than the noise (Perona P, Malik J. IEEE Trans Pattern Anal
    Mach Intell 1990;12:629-639); the noise is told from differences of neighbours.

    Parameters
    ----------
    hu : ndarray, shape (Z, Y, X)
        CT numbers.
    strength : int
        1 to 5.
    """
    out = hu.copy()
    noise = 1.4826 * float(np.median(np.abs(np.diff(hu, axis=2))))
    stop = np.float32(1.5 * noise)
    for _ in range(3 * strength):
        flow = np.zeros_like(out)
        for axis in range(3):
            step = np.diff(out, axis=axis)
            step *= np.exp(-((step / stop) ** 2))
            front = [slice(None)] * 3
            back = [slice(None)] * 3
            front[axis], back[axis] = slice(None, -1), slice(1, None)
            flow[tuple(front)] += step
            flow[tuple(back)] -= step
        out += np.float32(0.14) * flow
    return out
