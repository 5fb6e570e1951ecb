"""How the scanner blurs thin layers: its transfer functions, and rods and slabs seen through them.

A straight rod has the same cross-section everywhere, so its image in that cross-section is a
two-dimensional convolution. With ``e1`` in the slice plane across the rod, ``e2 = axis x e1`` and
``t`` the angle between the rod and the slice normal, the transfer function of that convolution is

    MTF2(k1, k2) = MTF_xy(sqrt(k1^2 + (k2 cos t)^2)) * MTF_z(k2 sin t)

The spectrum of a disc is a Bessel function, so every blurred disc is a short Hankel sum and nothing
is ever drawn on a grid. Slabs use the same transfer functions along their normal.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse, special

from ongrowth.geometry import unit

FloatArray = NDArray[np.float64]

_K_STEP = 0.02  # 1/mm; the Hankel sums repeat only at 50 mm, far outside every table
_K_MAX = 2.8  # 1/mm; clinical kernels pass nothing there
_R_STEP_MM = 0.05
_N_HARMONICS = 6  # cos 0, 2, 4 ... 10 psi: enough for 3 mm slices along the rod
_N_DIRECTIONS = 64
_BENDS_AT_PER_MM, _BEND_PER_MM = (0.3, 0.6), 0.15
_FLAT_PER_MM = 0.1  # bends leave frequency 0 alone
_HELIX_SPREAD = 4  # angular orders either side of a thread's own that an oblique slice mixes in


def _quarter() -> tuple[FloatArray, FloatArray]:
    """Return directions of a quarter turn, and what they and their like make of cosines, shape (M, A).

    What has no frequency along the rod passes alike in directions mirrored at ``e1`` and ``e2``.
    """
    m = np.arange(_N_HARMONICS)
    angle = np.arange(_N_DIRECTIONS // 4 + 1, dtype=np.float64) * (2.0 * np.pi / _N_DIRECTIONS)
    like = np.full(angle.shape, 4.0)
    like[[0, -1]] = 2.0
    weight = np.where(m == 0, 1.0, 2.0) * (-1.0) ** m / _N_DIRECTIONS
    return angle, np.cos(2.0 * np.outer(m, angle)) * np.outer(weight, like)


def _half() -> tuple[FloatArray, NDArray[np.complex128]]:
    """Return directions of a half turn, and what they and their mirror images at ``e2`` make of waves."""
    quarter = _N_DIRECTIONS // 4
    angle = np.arange(-quarter, quarter + 1, dtype=np.float64) * (2.0 * np.pi / _N_DIRECTIONS)
    order = np.arange(-_HELIX_SPREAD, _HELIX_SPREAD + 1)[:, None]
    waves = np.exp(-1j * order * angle) + np.exp(-1j * order * (np.pi - angle))
    waves[:, [0, -1]] /= 2.0  # these are their own
    return angle, waves / _N_DIRECTIONS


_QUARTER, _QUARTER_COSINES = _quarter()
_HALF, _HALF_WAVES = _half()


@dataclass(frozen=True, slots=True)
class Blur:
    """The point spread of a scan.

    In the slice plane ``MTF(f) = exp(-(f/f0)^p + d1 h1(f) + d2 h2(f)) * (1 + c f/f0 + b (f/f0)^2)`` with
    bells ``h1`` about 0.3/mm and ``h2`` about 0.6/mm; across the slices two convolved boxes (an ideal slice
    and the reach of the helical interpolation).

    Parameters
    ----------
    f0_per_mm, p, b : float
        In-plane transfer function; ``b > 0`` for an edge-enhancing kernel.
    box_mm, second_box_mm : float
        Widths of the two boxes of the slice profile, mm.
    c : float
        Lift that begins at frequency 0: kernels that have it spread faint tails far from an edge.
    d1, d2 : float
        Bends: kernels of other families leave the curve by a few percent.
    """

    f0_per_mm: float
    p: float = 2.0
    b: float = 0.0
    box_mm: float = 0.6
    second_box_mm: float = 0.5
    c: float = 0.0
    d1: float = 0.0
    d2: float = 0.0

    @classmethod
    def gaussian(cls, fwhm_mm: float, slice_fwhm_mm: float) -> Blur:
        """Return a Gaussian in-plane blur and a slice profile of the given widths (FWHM, mm).

        Examples
        --------
        >>> blur = Blur.gaussian(0.7, 1.0)
        >>> round(blur.in_plane_fwhm_mm, 2), round(blur.slice_fwhm_mm, 2)
        (0.7, 1.0)
        """
        sigma = fwhm_mm / np.sqrt(8.0 * np.log(2.0))
        # two equal boxes make a triangle, whose FWHM is the width of either
        return cls(float(1.0 / (np.sqrt(2.0) * np.pi * sigma)), 2.0, 0.0, slice_fwhm_mm, slice_fwhm_mm)

    def in_plane(self, f_per_mm: ArrayLike) -> FloatArray:
        """Transfer function in the slice plane at frequencies in 1/mm."""
        f = np.abs(np.asarray(f_per_mm, dtype=np.float64))
        x = f / self.f0_per_mm
        bells = [np.exp(-0.5 * ((f - at) / _BEND_PER_MM) ** 2) for at in _BENDS_AT_PER_MM]
        bend = (self.d1 * bells[0] + self.d2 * bells[1]) * -np.expm1(-((f / _FLAT_PER_MM) ** 2))
        return np.asarray(np.exp(bend - x**self.p) * (1.0 + self.c * x + self.b * x**2))

    def through_plane(self, f_per_mm: ArrayLike) -> FloatArray:
        """Transfer function across the slices at frequencies in 1/mm."""
        f = np.asarray(f_per_mm, dtype=np.float64)
        return np.sinc(f * self.box_mm) * np.sinc(f * self.second_box_mm)

    def along(self, direction_cos: float, f_per_mm: ArrayLike) -> FloatArray:
        """Transfer function for a layer whose normal makes an angle with the slice normal.

        Parameters
        ----------
        direction_cos : float
            Cosine between the layer's normal and the slice normal.
        f_per_mm : array_like
            Frequency along the layer's normal, 1/mm.
        """
        f = np.asarray(f_per_mm, dtype=np.float64)
        sine = np.sqrt(max(0.0, 1.0 - direction_cos**2))
        return self.in_plane(f * sine) * self.through_plane(f * direction_cos)

    @property
    def in_plane_fwhm_mm(self) -> float:
        """Width at half height of the in-plane point spread, mm."""
        k, r, kernel = _spread_kernel()
        return 2.0 * _half_height(r, kernel @ (k * self.in_plane(k)))

    @property
    def slice_fwhm_mm(self) -> float:
        """Width at half height of the slice profile, mm."""
        wide, narrow = max(self.box_mm, self.second_box_mm), min(self.box_mm, self.second_box_mm)
        return wide if wide >= narrow else narrow  # a trapezoid is as wide at half height as its wider box

    def scaled(self, **factors: float) -> Blur:
        """Return a copy with the named fields multiplied."""
        return replace(self, **{name: getattr(self, name) * f for name, f in factors.items()})


@functools.cache
def _spread_kernel() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frequencies, radii and J_0(2 pi k r), shape (R, K), of a point spread."""
    k, r = np.arange(0.0, 4.0 * _K_MAX, _K_STEP), np.arange(0.0, 3.0, 0.005)
    return k, r, special.j0(2.0 * np.pi * np.outer(r, k))


def _half_height(x: FloatArray, y: FloatArray) -> float:
    below = int(np.argmax(y < y[0] / 2.0))
    x0, x1, y0, y1 = x[below - 1], x[below], y[below - 1], y[below]
    return float(x0 + (y[0] / 2.0 - y0) / (y1 - y0) * (x1 - x0))


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """How a rod lies in the slices: angle to the slice normal, and the direction ``e1``.

    Parameters
    ----------
    cos_tilt : float
        Cosine between the rod and the slice normal.
    e1, e2 : ndarray, shape (3,)
        Unit directions of the cross-section, patient axes; ``e1`` lies in the slice plane.
    """

    cos_tilt: float
    e1: FloatArray
    e2: FloatArray

    @classmethod
    def of(cls, axis_direction: ArrayLike, slice_normal: ArrayLike) -> Section:
        """Return the section of a rod along `axis_direction` in slices with `slice_normal`."""
        axis, normal = unit(axis_direction), unit(slice_normal)
        across = np.cross(normal, axis)
        if np.linalg.norm(across) < 1e-6:  # the rod stands on the slices: any direction will do
            across = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
        e1 = unit(across)
        return cls(float(axis @ normal), e1, np.cross(axis, e1))

    def transfer(
        self, blur: Blur, k_per_mm: FloatArray, angle_rad: FloatArray, along_per_mm: float = 0.0
    ) -> FloatArray:
        """Transfer function at polar frequencies of the cross-section, shape (K, A).

        Parameters
        ----------
        blur : Blur
            Point spread of the scan.
        k_per_mm, angle_rad : ndarray, shapes (K,), (A,)
            Frequency across the rod and its direction from ``e1``.
        along_per_mm : float
            Frequency along the rod (0 for what is the same everywhere along it).
        """
        k1 = k_per_mm[:, None] * np.cos(angle_rad)
        k2 = k_per_mm[:, None] * np.sin(angle_rad)
        sine = np.sqrt(max(0.0, 1.0 - self.cos_tilt**2))
        in_plane = np.hypot(k1, k2 * self.cos_tilt - along_per_mm * sine)
        return blur.in_plane(in_plane) * blur.through_plane(k2 * sine + along_per_mm * self.cos_tilt)


@functools.lru_cache(maxsize=4)
def _hankel(reach_mm: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return frequencies, radii and Bessel kernels J_2m(2 pi k r), shape (M, K, R)."""
    k, r = _frequencies(), _radii(reach_mm)
    kernels = np.stack([_bessel(2 * m, reach_mm) for m in range(_N_HARMONICS)])
    for array in (k, r, kernels):
        array.setflags(write=False)
    return k, r, kernels


class RodResponse:
    """Blurred discs of a rod's cross-section, as tables over radius and direction.

    Parameters
    ----------
    blur : Blur
        Point spread of the scan.
    section : Section
        How the rod lies in the slices.
    reach_mm : float
        Largest radius asked for, mm.
    """

    def __init__(self, blur: Blur, section: Section, reach_mm: float) -> None:
        self._blur, self._section, self._reach = blur, section, float(reach_mm)
        self._k, self._r, self._kernels = _hankel(self._reach)
        self._harmonics = _QUARTER_COSINES @ section.transfer(blur, self._k, _QUARTER).T  # (M, K)

    @property
    def radius_mm(self) -> FloatArray:
        """Radii of the tables, mm, shape (R,)."""
        return self._r

    def discs(self, radii_mm: ArrayLike, n_harmonics: int = _N_HARMONICS) -> FloatArray:
        """Return harmonics of blurred unit discs, shape (A, M, R).

        The image at radius r and direction psi from ``e1`` is ``sum_m table[a, m, r] cos(2 m psi)``.

        Parameters
        ----------
        radii_mm : array_like, shape (A,)
            Disc radii, mm.
        n_harmonics : int
            How many harmonics are wanted.
        """
        a = np.atleast_1d(np.asarray(radii_mm, dtype=np.float64))
        spectra = self._harmonics[:n_harmonics, None, :] * _disc_spectra(tuple(a))  # (M, A, K)
        out = np.swapaxes(spectra @ self._kernels[:n_harmonics], 0, 1)
        # midpoint sums of an integrand that leaves zero with slope 2 (pi a)^2 are too large by h^2/24 of it
        out[:, 0, :] -= ((np.pi * a * _K_STEP) ** 2 / 12.0)[:, None]
        return np.asarray(out)

    def helix(
        self, order: int, along_per_mm: float, shells_mm: FloatArray, amplitude: FloatArray
    ) -> tuple[NDArray[np.int_], NDArray[np.complex128]]:
        """Return a blurred helical harmonic of a thread: angular orders (M,), profiles (M, R).

        The unblurred harmonic is ``amplitude(r) exp(i order (phi - 2 pi z / pitch))``, with phi from
        ``e1``; its image is ``sum_m profile[m](r) exp(i (orders[m] phi - 2 pi along z))``.

        Parameters
        ----------
        order : int
            Order of the harmonic, 1 or 2.
        along_per_mm : float
            Its frequency along the rod, ``order / pitch``.
        shells_mm, amplitude : ndarray, shape (Q,)
            Radii of thin shells, evenly spaced, and the amplitude there.
        """
        k = self._k
        transfer = self._section.transfer(self._blur, k, _HALF, -along_per_mm)
        step = shells_mm[1] - shells_mm[0]
        ring = _bessel_at(order, tuple(shells_mm)) @ (amplitude * shells_mm * step)
        spread = np.arange(-_HELIX_SPREAD, _HELIX_SPREAD + 1)
        parts = _HALF_WAVES @ transfer.T  # (M, K)
        # turning by i^n on the way in and on the way out leaves i^m
        weight = (2.0 * np.pi) ** 2 * _K_STEP * k * ring
        orders = order + spread
        kernels = np.stack([_bessel(int(n), self._reach) for n in orders])
        spectra = parts * weight * (1j**spread)[:, None]
        real, imaginary = np.swapaxes(np.stack([spectra.real, spectra.imag], axis=1) @ kernels, 0, 1)
        return orders, real + 1j * imaginary


def _frequencies() -> FloatArray:
    return np.arange(_K_STEP / 2.0, _K_MAX, _K_STEP)


def _radii(reach_mm: float) -> FloatArray:
    return np.arange(0.0, reach_mm + _R_STEP_MM, _R_STEP_MM)


def _cosines(first: FloatArray) -> FloatArray:
    """Return ``cos(m x)`` for all harmonics from ``cos(x)``, shape (M, N)."""
    out = np.ones((_N_HARMONICS, *first.shape))
    out[1] = first
    for m in range(2, _N_HARMONICS):
        out[m] = 2.0 * first * out[m - 1] - out[m - 2]
    return out


# radii and shells belong to a screw, so the same few come again and again
@functools.lru_cache(maxsize=32)
def _disc_spectra(radii_mm: tuple[float, ...]) -> FloatArray:
    """Return 2 pi k dk times the spectra (a / k) J1(2 pi k a) of discs, shape (A, K)."""
    a = np.array(radii_mm)
    out = 2.0 * np.pi * _K_STEP * a[:, None] * special.j1(2.0 * np.pi * np.outer(a, _frequencies()))
    out.setflags(write=False)
    return np.asarray(out)


@functools.lru_cache(maxsize=8)
def _bessel_at(order: int, radii_mm: tuple[float, ...]) -> FloatArray:
    """Return J_order(2 pi k r), shape (K, Q)."""
    out = special.jv(order, 2.0 * np.pi * np.outer(_frequencies(), radii_mm))
    out.setflags(write=False)
    return np.asarray(out)


@functools.lru_cache(maxsize=32)
def _bessel(order: int, reach_mm: float) -> FloatArray:
    """Return J_order(2 pi k r) at the tables' frequencies and radii, shape (K, R)."""
    if order < 0:
        return (-1.0) ** order * _bessel(-order, reach_mm)
    out = np.asarray(special.jv(order, 2.0 * np.pi * np.outer(_frequencies(), _radii(reach_mm))))
    out.setflags(write=False)
    return out


class Places:
    """Places about a rod, made ready for reading the tables of `RodResponse`: one sparse product a table.

    Parameters
    ----------
    radius_mm, angle_rad : ndarray, shape (N,)
        Distance from the axis, and direction from ``e1``.
    reach_mm : float
        As of the tables.
    """

    def __init__(self, radius_mm: FloatArray, angle_rad: FloatArray, reach_mm: float) -> None:
        self._x = radius_mm * (1.0 / _R_STEP_MM)
        self._n_radii = len(_radii(reach_mm))
        self._turn = np.exp(1j * angle_rad)
        self._cosines = np.ascontiguousarray(_cosines((self._turn * self._turn).real).T)  # (N, M)
        self._cubic: dict[int, sparse.csr_matrix] = {}
        self._linear: dict[int, sparse.csr_matrix] = {}

    def read(self, tables: FloatArray) -> FloatArray:
        """Return what tables of harmonics, shape (T, M, R), tell at the places, shape (T, N)."""
        n = tables.shape[1]
        if n not in self._cubic:
            self._cubic[n] = self._between_four_radii(n)
        return np.ascontiguousarray((self._cubic[n] @ tables.reshape(len(tables), -1).T).T)

    def _between_four_radii(self, n_harmonics: int) -> sparse.csr_matrix:
        """Cubic (Catmull-Rom) between radii: metal of 10 000 HU asks for better than 1e-3."""
        i, t = self._beside(1, 3)
        weights = (
            t * (-0.5 + t * (1.0 - 0.5 * t)),
            1.0 + t * t * (-2.5 + 1.5 * t),
            t * (0.5 + t * (2.0 - 1.5 * t)),
            t * t * (-0.5 + 0.5 * t),
        )
        return self._reader(i - 1, weights, n_harmonics)

    def _beside(self, low: int, high: int) -> tuple[NDArray[np.intp], FloatArray]:
        """Return the tabulated radius below each place, so far from the table's ends, and the rest."""
        i = np.clip(self._x.astype(np.intp), low, self._n_radii - high)
        return i, self._x - i

    def _reader(
        self, first: NDArray[np.intp], weights: tuple[FloatArray, ...], n_harmonics: int
    ) -> sparse.csr_matrix:
        """Return the matrix that weighs neighbouring radii and adds up the harmonics."""
        n, width = n_harmonics, len(weights)
        data = np.multiply(self._cosines[:, :n, None], np.stack(weights, axis=1)[:, None, :], order="C")
        columns = np.add.outer(np.arange(n) * self._n_radii, np.arange(width)).ravel()
        index = first.astype(np.int32)[:, None] + columns.astype(np.int32)
        rows = np.arange(0, data.size + 1, n * width, dtype=np.int32)
        shape = (len(first), n * self._n_radii)
        return sparse.csr_matrix((data.ravel(), index.ravel(), rows), shape=shape)

    def between_two_radii(
        self, first: NDArray[np.intp], n_harmonics: int, n_tables: int
    ) -> sparse.csr_matrix:
        """Return the matrix that reads each place in its own table of a row, which begins at `first`."""
        if n_harmonics not in self._linear:
            i, t = self._beside(0, 2)
            self._linear[n_harmonics] = self._reader(i, (1.0 - t, t), n_harmonics)
        one = self._linear[n_harmonics]
        index = one.indices.reshape(len(first), -1) + first.astype(np.int32)[:, None]
        shape = (len(first), n_tables * one.shape[1])
        return sparse.csr_matrix((one.data, index.ravel(), one.indptr), shape=shape)

    def read_helix(
        self, orders: NDArray[np.int_], profiles: NDArray[np.complex128]
    ) -> NDArray[np.complex128]:
        """Return a blurred helical harmonic, shape (N,), without its phase along the rod."""
        i, t = self._beside(0, 2)
        out = np.zeros(t.shape, np.complex128)
        for row in profiles[::-1]:
            out *= self._turn
            out += (1.0 - t) * row[i] + t * row[i + 1]
        return np.asarray(out * self._turn ** int(orders[0]))


class DiscPlaces:
    """Places about a rod, and at each a disc of its own radius.

    Parameters
    ----------
    places : Places
        Where.
    disc_mm : ndarray, shape (N,)
        Radius of the disc at each place, mm.
    first_mm, step_mm : float
        Spacing of the discs in the tables: radii ``first_mm + step_mm * n``, mm.
    """

    def __init__(self, places: Places, disc_mm: FloatArray, first_mm: float, step_mm: float) -> None:
        self._places, self._step_mm = places, step_mm
        self._y = (disc_mm - first_mm) * (1.0 / step_mm)
        self._linear: dict[tuple[int, ...], sparse.csr_matrix] = {}

    def read(self, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the blurred disc and its slope by disc radius (1/mm) at the places, shapes (N,).

        Parameters
        ----------
        table : ndarray, shape (A, M, R)
            From `RodResponse.discs` for those radii.
        """
        n_discs, n_harmonics, n_radii = table.shape
        flat, one = table.ravel(), n_harmonics * n_radii
        j = np.clip(self._y.astype(np.intp), 0, n_discs - 2)
        if table.shape not in self._linear:
            self._linear[table.shape] = self._places.between_two_radii(j * one, n_harmonics, n_discs - 1)
        matrix = self._linear[table.shape]
        low, high = matrix @ flat[:-one], matrix @ flat[one:]
        return low + (self._y - j) * (high - low), (high - low) * (1.0 / self._step_mm)


def slab_step(blur: Blur, direction_cos: float, distance_mm: ArrayLike) -> FloatArray:
    """Return a unit step (0 below, 1 above zero) blurred along a layer's normal.

    Parameters
    ----------
    blur : Blur
        Point spread of the scan.
    direction_cos : float
        Cosine between the layer's normal and the slice normal.
    distance_mm : array_like
        Distance from the step along the normal, mm.

    Examples
    --------
    A slab is a difference of steps. A Gaussian of 0.7 mm FWHM shows a 0.5 mm slab with 60 % of its
    contrast (closed form, ``erf(w / (2 sqrt(2) sigma))``):

    >>> blur = Blur.gaussian(0.7, 0.7)
    >>> peak = slab_step(blur, 0.0, 0.25) - slab_step(blur, 0.0, -0.25)
    >>> round(float(peak), 3)
    0.6
    """
    x = np.asarray(distance_mm, dtype=np.float64)
    k = np.arange(_K_STEP / 2.0, _K_MAX, _K_STEP)
    transfer = blur.along(direction_cos, k) / k
    return 0.5 + np.sin(2.0 * np.pi * x[..., None] * k) @ transfer * (_K_STEP / np.pi)
