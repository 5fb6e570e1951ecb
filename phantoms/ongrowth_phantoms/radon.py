"""Projections and back-projections of slices by the Fourier slice theorem.

Both ways go through a non-uniform Fourier transform with a Kaiser-Bessel kernel (Fessler JA, Sutton
BP. IEEE Trans Signal Process 2003;51:560-574), whose sparse matrix is made once for all slices.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.sparse import csr_matrix

from ongrowth_phantoms.shapes import Real, real

Complex = NDArray[np.complex64]

_WIDTH = 5  # of the kernel, in cells; odd
_OVERSAMPLING = 1.5
_BETA = math.pi * math.sqrt((_WIDTH / _OVERSAMPLING * (_OVERSAMPLING - 0.5)) ** 2 - 0.8)


def view_angles_rad(n_views: int) -> NDArray[np.float64]:
    """Return the angles of parallel views over half a turn."""
    return np.arange(n_views) * np.pi / n_views


def _kernel(away: NDArray[np.float64]) -> NDArray[np.float64]:
    inside = np.clip(1.0 - (2.0 * away / _WIDTH) ** 2, 0.0, None)
    return np.asarray(np.i0(_BETA * np.sqrt(inside)) * (inside > 0.0))


def _kernel_transform(x: NDArray[np.float64]) -> NDArray[np.float64]:
    root = np.sqrt(np.maximum(_BETA**2 - (np.pi * _WIDTH * x) ** 2, 1e-12))
    return np.asarray(_WIDTH * np.sinh(root) / root)


def _spreading(
    cells_y: NDArray[np.float64], cells_x: NDArray[np.float64], size: tuple[int, int]
) -> csr_matrix:
    """Return the sparse matrix that reads a periodic grid at fractional cells."""
    reach = np.arange(_WIDTH) - _WIDTH // 2  # the width is odd
    y, x = np.round(cells_y)[:, None] + reach, np.round(cells_x)[:, None] + reach
    wy, wx = _kernel(np.abs(cells_y[:, None] - y)), _kernel(np.abs(cells_x[:, None] - x))
    columns = (y.astype(np.int64) % size[0])[:, :, None] * size[1] + (x.astype(np.int64) % size[1])[
        :, None, :
    ]
    values = (wy[:, :, None] * wx[:, None, :]).astype(np.float32)
    starts = np.arange(len(cells_y) + 1, dtype=np.int32) * _WIDTH**2
    shape = (len(cells_y), size[0] * size[1])
    return csr_matrix((values.ravel(), columns.ravel().astype(np.int32), starts), shape=shape)


def _multiplied(matrix: csr_matrix, values: Complex) -> Complex:
    """Multiply a real sparse matrix with complex values without making it complex."""
    pairs = np.ascontiguousarray(values).view(np.float32).reshape(-1, 2)
    return np.ascontiguousarray(matrix @ pairs).view(np.complex64).ravel()


def _grid_size(n: int) -> int:
    return int(fft.next_fast_len(math.ceil(n * _OVERSAMPLING)))


def _apodisation(n: int, grid: int) -> Real:
    return real(_kernel_transform((np.arange(n) - n // 2) / grid))


@dataclass(frozen=True, slots=True, eq=False)
class Projector:
    """Parallel projections of square slices.

    Parameters
    ----------
    n : int
        Pixels along each side, and samples of each projection.
    step_mm : float
        Size of pixels and of samples.
    n_views : int
        Views over half a turn.
    grid : int
        Samples along each side of the padded spectrum.
    matrix : csr_matrix
        Interpolation between that spectrum and the views.
    """

    n: int
    step_mm: float
    n_views: int
    grid: int
    matrix: csr_matrix

    @classmethod
    def of(cls, n: int, step_mm: float, n_views: int) -> Projector:
        """Return the projector of a geometry; made once."""
        return _projector(n, step_mm, n_views)

    def project(self, slices: Complex) -> Complex:
        """Return line integrals (value times mm), shape (views, n), of a slice, shape (n, n).

        Pixel (j, i) lies at ``(j - n // 2, i - n // 2) * step_mm``; sample k of the view at angle a at
        ``x cos a + y sin a = (k - n // 2) * step_mm``. Two real slices can go as one complex one. All
        must vanish outside the inscribed circle. Pixels hold averages over their area; that blur is
        taken out again.
        """
        n = self.n
        weight = _apodisation(n, self.grid)
        padded = np.zeros((self.grid, self.grid), dtype=np.complex64)
        middle = self.grid // 2 - n // 2
        padded[middle : middle + n, middle : middle + n] = slices / (weight[:, None] * weight[None, :])
        spectrum = fft.fft2(fft.ifftshift(padded), overwrite_x=True)
        lines = _multiplied(self.matrix, spectrum.ravel()).reshape(self.n_views, n)
        # step^2 of the area element over step of the inverse transform's frequency element
        return np.asarray(fft.fftshift(fft.ifft(lines, axis=1), axes=1) * np.float32(self.step_mm))


@functools.lru_cache(maxsize=2)
def _projector(n: int, step_mm: float, n_views: int) -> Projector:
    grid = _grid_size(n)
    f = fft.fftfreq(n) * grid  # cells of the oversampled spectrum
    angle = view_angles_rad(n_views)[:, None]
    y, x = (np.sin(angle) * f).ravel(), (np.cos(angle) * f).ravel()
    matrix = _spreading(y, x, (grid, grid))
    sharpened = (1.0 / (np.sinc(y / grid) * np.sinc(x / grid))).astype(np.float32)
    matrix.data *= np.repeat(sharpened, _WIDTH**2)
    return Projector(n, step_mm, n_views, grid, matrix)


@dataclass(frozen=True, slots=True, eq=False)
class Backprojector:
    """Back-projection of filtered spectra onto a grid of pixels.

    Parameters
    ----------
    shape : pair of int
        Rows and columns of the image.
    pixel_mm : float
        Its pixel size.
    f_per_mm : ndarray, shape (F,)
        Frequencies above 0 at which the spectra of the views are given, evenly spaced.
    n_views : int
        Views over half a turn.
    grid : pair of int
        Rows and columns of the padded spectrum.
    transposed : csr_matrix
        Spreads the samples of the views over that spectrum.
    """

    shape: tuple[int, int]
    pixel_mm: float
    f_per_mm: NDArray[np.float64]
    n_views: int
    grid: tuple[int, int]
    transposed: csr_matrix

    @classmethod
    def of(
        cls, shape: tuple[int, int], pixel_mm: float, f_per_mm: NDArray[np.float64], n_views: int
    ) -> Backprojector:
        """Return the back-projector of a geometry; made once."""
        step = float(f_per_mm[1] - f_per_mm[0])
        return _backprojector(shape, pixel_mm, float(f_per_mm[0]), step, len(f_per_mm), n_views)

    def image(self, spectra: Complex) -> Real:
        """Return the image, shape `shape`, of spectra, shape (views, F): sum of both signs of f.

        Pixel (j, i) lies at ``(j - rows // 2, i - columns // 2) * pixel_mm``.
        """
        spread = _multiplied(self.transposed, spectra.astype(np.complex64).ravel()).reshape(self.grid)
        wide = fft.fftshift(fft.ifft2(spread)) * np.float32(self.grid[0] * self.grid[1])
        (rows, columns), (gy, gx) = self.shape, self.grid
        top, left = gy // 2 - rows // 2, gx // 2 - columns // 2
        part = 2.0 * wide[top : top + rows, left : left + columns].real
        return real(part / (_apodisation(rows, gy)[:, None] * _apodisation(columns, gx)[None, :]))


@functools.lru_cache(maxsize=2)
def _backprojector(
    shape: tuple[int, int], pixel_mm: float, first: float, step: float, n_f: int, n_views: int
) -> Backprojector:
    grid = (_grid_size(shape[0]), _grid_size(shape[1]))
    f = np.asarray(first + step * np.arange(n_f), dtype=np.float64)
    angle = view_angles_rad(n_views)[:, None]
    cells = [
        (np.sin(angle) * f).ravel() * pixel_mm * grid[0],
        (np.cos(angle) * f).ravel() * pixel_mm * grid[1],
    ]
    return Backprojector(shape, pixel_mm, f, n_views, grid, _spreading(cells[0], cells[1], grid).T.tocsr())
