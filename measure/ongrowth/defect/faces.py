"""Bone | tissue | bone, blurred: the two faces of a defect as height maps, fitted to raw voxels.

Along the normal of the defect the model is, with ``l`` and ``h`` the heights of the two faces,

    HU(z) = sum_j A_j f_j(l - z) + sum_j B_j f_j(z - h) + M (1 - sum_j f_j(l - z) - sum_j f_j(z - h))

``f_j`` are hat functions of the depth behind a face, blurred by the scan; they add up to a blurred step.
Faces, shores (A, B) and the tissue (M) are maps on a grid of nodes, read bilinearly at each voxel and held
together by differences between neighbours. The fit is a damped Gauss-Newton one; its matrix is banded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.defect.columns import BoolArray, Columns, FloatArray
from ongrowth.edge import Blur, slab_step

IntArray = NDArray[np.intp]

KNOTS_MM = (0.0, 0.7, 1.8)  # depths behind a face where its bone has a level of its own
_N_SHORE = len(KNOTS_MM)
_LOW, _HIGH, _TISSUE = 0, 1, 2 + 2 * _N_SHORE
_N = 3 + 2 * _N_SHORE  # maps
_CHUNK = 32
_TABLE_STEP_MM = 0.02
_TABLE_FROM_MM, _TABLE_TO_MM = -4.0, 9.0
_LARGEST_STEP_MM = 0.4
_THINNEST_MM = 0.02


@dataclass(frozen=True, slots=True)
class FacePriors:
    """What is held likely before the voxels are looked at.

    `face_step_mm`, `shore_step_hu`, `tissue_step_hu`: standard deviation of the difference between
    neighbouring nodes. `shore_depth_hu`: of the difference between neighbouring knots behind a face.
    `face_mm`: of a face against its start. `shore_hu`, `shore_sd_hu`: level of bone. `tissue_hu`,
    `tissue_sd_hu`: fibrous tissue; with a long tail, since there may be bone instead.
    """

    face_step_mm: float = 0.12
    face_mm: float = 3.0
    shore_step_hu: float = 800.0
    shore_depth_hu: float = 200.0
    shore_hu: float = 450.0
    shore_sd_hu: float = 600.0
    tissue_hu: float = 70.0
    tissue_sd_hu: float = 40.0
    tissue_step_hu: float = 200.0


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """The fitted maps over the nodes; NaN where nothing was fitted.

    Parameters
    ----------
    low_mm, high_mm : ndarray, shape (G, G)
        Heights of the head side's and the tip side's face.
    low_shore_hu, high_shore_hu : ndarray, shape (3, G, G)
        Bone at the knots behind each face.
    tissue_hu : ndarray, shape (G, G)
        What lies between them.
    misfit : float
        Root mean square of the weighted residuals.
    gap_sd_mm : ndarray, shape (G, G)
        Standard deviation of the gap of each node from noise and priors.
    """

    low_mm: FloatArray
    high_mm: FloatArray
    low_shore_hu: FloatArray
    high_shore_hu: FloatArray
    tissue_hu: FloatArray
    misfit: float

    @property
    def gap_mm(self) -> FloatArray:
        """Distance of the faces along the normal, shape (G, G)."""
        return np.asarray(self.high_mm - self.low_mm)


class Shores:
    """Blurred hat functions of the depth behind a face, and their slopes, as tables."""

    def __init__(self, blur: Blur, slice_cos: float) -> None:
        reach = 3.0
        inner = _steps(-reach, reach)
        step = slab_step(
            blur, slice_cos, np.append(inner - 0.5 * _TABLE_STEP_MM, inner[-1] + 0.5 * _TABLE_STEP_MM)
        )
        spread = np.diff(step) / (step[-1] - step[0])
        depth = _steps(_TABLE_FROM_MM - reach, _TABLE_TO_MM + reach)
        inside = np.where(
            depth > 0.5 * _TABLE_STEP_MM, 1.0, np.where(depth > -0.5 * _TABLE_STEP_MM, 0.5, 0.0)
        )
        hats = [np.interp(depth, KNOTS_MM, row) * inside for row in np.eye(_N_SHORE)]
        blurred = [np.convolve(hat, spread, mode="valid") for hat in hats]
        self._table = np.stack(blurred, axis=-1)
        self._slope = np.gradient(self._table, _TABLE_STEP_MM, axis=0)

    def at(self, depth_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the hats and their slopes at depths of any shape, each shape (..., 3)."""
        x = np.clip((depth_mm - _TABLE_FROM_MM) / _TABLE_STEP_MM, 0.0, len(self._table) - 1.001)
        i = x.astype(np.intp)
        t = (x - i)[..., None]
        tables = (self._table, self._slope)
        value, slope = ((1.0 - t) * table[i] + t * table[i + 1] for table in tables)
        return np.asarray(value), np.asarray(slope)


def _steps(low: float, high: float) -> FloatArray:
    first, last = round(low / _TABLE_STEP_MM), round(high / _TABLE_STEP_MM)
    return np.arange(first, last + 1, dtype=np.float64) * _TABLE_STEP_MM


class FaceFit:
    """The fit of one defect: voxels sorted into the cells of the grid, priors as a banded matrix.

    Parameters
    ----------
    columns : Columns
        The voxels.
    active : ndarray of bool, shape (G, G)
        Nodes to fit.
    shores : Shores
        Blurred hats.
    priors : FacePriors
        What is held likely.
    """

    def __init__(self, columns: Columns, active: BoolArray, shores: Shores, priors: FacePriors) -> None:
        self._shores, self._priors, self._active = shores, priors, active
        self._number = np.where(active, np.cumsum(active).reshape(active.shape) - 1, -1)
        self._n_nodes = int(active.sum())
        self._sort(columns)
        pairs = _neighbours(self._number)
        farthest = max((int(np.max(b - a)) for a, b in pairs), default=0)
        farthest = max(farthest, int(np.max(np.ptp(self._corner, axis=1), initial=0)))
        self._band = _N * (1 + farthest)
        self._prior = self._prior_band(pairs)
        index = (_N * self._corner[:, :, None] + np.arange(_N)).reshape(-1, 4 * _N)
        shape = (len(index), 4 * _N, 4 * _N)
        row, column = (np.broadcast_to(a, shape) for a in (index[:, :, None], index[:, None, :]))
        self._index, self._lower = index, row >= column
        self._where = (row - column)[self._lower] * self._prior.shape[1] + column[self._lower]

    def _sort(self, columns: Columns) -> None:
        """Put the voxels of each cell into chunks of a fixed size, shape (C, 32, ...)."""
        g = len(columns.grid_mm)
        x, y = ((a - columns.grid_mm[0]) / columns.step_mm for a in (columns.u_mm, columns.v_mm))
        i, j = (np.clip(a.astype(np.intp), 0, g - 2) for a in (x, y))
        corners = np.stack([self._number[i + a, j + b] for a in (0, 1) for b in (0, 1)], axis=1)
        ok = np.flatnonzero(np.all(corners >= 0, axis=1))
        cell = i[ok] * g + j[ok]
        order = ok[np.argsort(cell, kind="stable")]
        cell = np.sort(cell, kind="stable")
        starts = np.flatnonzero(np.diff(cell, prepend=-1))
        rank = np.arange(len(cell)) - np.repeat(starts, np.diff(np.append(starts, len(cell))))
        first_of_chunk = (rank % _CHUNK) == 0
        chunk = np.cumsum(first_of_chunk) - 1
        slot = rank % _CHUNK
        shape = (int(first_of_chunk.sum()), _CHUNK)
        self._corner = corners[order[first_of_chunk]]
        fx, fy = (x - i)[order], (y - j)[order]
        weights = np.stack([(1 - fx) * (1 - fy), (1 - fx) * fy, fx * (1 - fy), fx * fy], axis=1)
        self._bilinear = _scattered(weights, chunk, slot, shape)
        self._height = _scattered(columns.height_mm[order], chunk, slot, shape)
        self._hu = _scattered(columns.hu[order], chunk, slot, shape)
        self._precision = _scattered(columns.sd_hu[order] ** -2.0, chunk, slot, shape)

    def _prior_band(self, pairs: list[tuple[IntArray, IntArray]]) -> FloatArray:
        """Return the constant part of the prior as a lower banded matrix, (band, unknowns)."""
        p = self._priors
        band = np.zeros((self._band, _N * self._n_nodes))
        steps = np.full(_N, p.shore_step_hu)
        steps[[_LOW, _HIGH]], steps[_TISSUE] = p.face_step_mm, p.tissue_step_hu
        for a, b in pairs:
            for k in range(_N):
                _add(band, _N * a + k, _N * a + k, steps[k] ** -2.0)
                _add(band, _N * b + k, _N * b + k, steps[k] ** -2.0)
                _add(band, _N * b + k, _N * a + k, -(steps[k] ** -2.0))
        own = np.full(_N, p.shore_sd_hu)
        own[[_LOW, _HIGH]], own[_TISSUE] = p.face_mm, np.inf
        band[0] += np.tile(own**-2.0, self._n_nodes)
        node = _N * np.arange(self._n_nodes)
        for shore in (2, 2 + _N_SHORE):
            for k in range(shore, shore + _N_SHORE - 1):
                _add(band, node + k, node + k, p.shore_depth_hu**-2.0)
                _add(band, node + k + 1, node + k + 1, p.shore_depth_hu**-2.0)
                _add(band, node + k + 1, node + k, -(p.shore_depth_hu**-2.0))
        return band

    def start(self, low_mm: FloatArray | float, high_mm: FloatArray | float) -> FloatArray:
        """Return unknowns, shape (nodes, maps), with faces as given and levels at their priors."""
        out = np.empty((self._n_nodes, _N))
        for k, face in ((_LOW, low_mm), (_HIGH, high_mm)):
            out[:, k] = np.broadcast_to(face, self._active.shape)[self._active]
        out[:, 2:_TISSUE] = self._priors.shore_hu
        out[:, _TISSUE] = self._priors.tissue_hu
        return out

    def run(self, start: FloatArray, n_steps: int) -> tuple[Faces, FloatArray]:
        """Return the maps after a number of steps from a start, and the unknowns themselves."""
        unknowns = start.copy()
        for _ in range(n_steps):
            band, gradient, _ = self._normal(unknowns, start)
            change = linalg.solveh_banded(band, gradient, lower=True, check_finite=False)
            unknowns += _limited(change.reshape(unknowns.shape))
            _keep_apart(unknowns)
        misfit = self._normal(unknowns, start)[2]
        return self._faces(unknowns, misfit), unknowns

    def gap_sd_mm(self, unknowns: FloatArray, start: FloatArray, chosen: BoolArray) -> float:
        """Return the standard deviation of the mean gap over chosen nodes, (G, G), from noise and priors."""
        band = self._normal(unknowns, start)[0]
        weight = np.zeros_like(unknowns)
        rows = self._number[chosen & self._active]
        weight[rows, _HIGH], weight[rows, _LOW] = 1.0 / len(rows), -1.0 / len(rows)
        flat = weight.ravel()
        return float(np.sqrt(flat @ linalg.solveh_banded(band, flat, lower=True, check_finite=False)))

    def _normal(self, unknowns: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray, float]:
        """Return the banded normal matrix, the downhill gradient, and the misfit."""
        rest, slopes = self._residual(unknowns)
        weight = self._precision / (1.0 + rest**2 * self._precision / 9.0)
        rows = (self._bilinear[..., :, None] * slopes[..., None, :]).reshape(*rest.shape, 4 * _N)
        weighted = rows * weight[..., None]
        blocks = weighted.transpose(0, 2, 1) @ rows
        pulls = (weighted * rest[..., None]).sum(axis=1)
        flat = np.bincount(self._where, blocks[self._lower], minlength=self._prior.size)
        band = self._prior + flat.reshape(self._prior.shape)
        gradient = np.bincount(self._index.ravel(), pulls.ravel(), minlength=unknowns.size).astype(np.float64)
        gradient += self._prior_pull(unknowns, start, band)
        misfit = float(np.sqrt((rest**2 * self._precision).sum() / np.count_nonzero(self._precision)))
        return band, gradient, misfit

    def _residual(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        here = self._bilinear @ unknowns[self._corner]  # (C, 32, maps)
        below, below_slope = self._shores.at(here[..., _LOW] - self._height)
        above, above_slope = self._shores.at(self._height - here[..., _HIGH])
        low, high = here[..., 2 : 2 + _N_SHORE], here[..., 2 + _N_SHORE : _TISSUE]
        tissue = here[..., _TISSUE]
        between = 1.0 - below.sum(axis=-1) - above.sum(axis=-1)
        model = (low * below).sum(axis=-1) + (high * above).sum(axis=-1) + tissue * between
        by_low = ((low - tissue[..., None]) * below_slope).sum(axis=-1)
        by_high = -((high - tissue[..., None]) * above_slope).sum(axis=-1)
        slopes = np.concatenate(
            [by_low[..., None], by_high[..., None], below, above, between[..., None]], axis=-1
        )
        return self._hu - model, slopes

    def _prior_pull(self, unknowns: FloatArray, start: FloatArray, band: FloatArray) -> FloatArray:
        """Add the long-tailed prior of the tissue to the matrix, and return the pull of all priors."""
        p = self._priors
        goal = np.zeros_like(unknowns)
        goal[:, [_LOW, _HIGH]] = start[:, [_LOW, _HIGH]]
        goal[:, 2:_TISSUE] = p.shore_hu
        goal[:, _TISSUE] = p.tissue_hu
        away = goal - unknowns
        pull = _times_banded(self._prior, away.ravel())
        tail = 3.0 / (2.0 * p.tissue_sd_hu**2 + away[:, _TISSUE] ** 2)
        band[0, _TISSUE::_N] += tail
        pull[_TISSUE::_N] += tail * away[:, _TISSUE]
        return pull

    def _faces(self, unknowns: FloatArray, misfit: float) -> Faces:
        maps = np.full((_N, *self._active.shape), np.nan)
        maps[:, self._active] = unknowns.T
        low, high = maps[2 : 2 + _N_SHORE], maps[2 + _N_SHORE : _TISSUE]
        return Faces(maps[_LOW], maps[_HIGH], low, high, maps[_TISSUE], misfit)


def _scattered(values: FloatArray, chunk: IntArray, slot: IntArray, shape: tuple[int, int]) -> FloatArray:
    out = np.zeros(shape + values.shape[1:])
    out[chunk, slot] = values
    return out


def _neighbours(number: IntArray) -> list[tuple[IntArray, IntArray]]:
    """Return pairs of active nodes side by side along u, and along v."""
    pairs = []
    for a, b in ((number[:-1], number[1:]), (number[:, :-1], number[:, 1:])):
        both = (a >= 0) & (b >= 0)
        pairs.append((a[both], b[both]))
    return [pair for pair in pairs if len(pair[0])]


def _add(band: FloatArray, row: IntArray, column: IntArray, value: float) -> None:
    np.add.at(band, (row - column, column), value)


def _times_banded(band: FloatArray, x: FloatArray) -> FloatArray:
    """Multiply a symmetric matrix, lower banded, with a vector."""
    out = band[0] * x
    for k in np.flatnonzero(band[1:].any(axis=1)) + 1:
        out[k:] += band[k, :-k] * x[:-k]
        out[:-k] += band[k, :-k] * x[k:]
    return np.asarray(out)


def _limited(change: FloatArray) -> FloatArray:
    change[:, [_LOW, _HIGH]] = np.clip(change[:, [_LOW, _HIGH]], -_LARGEST_STEP_MM, _LARGEST_STEP_MM)
    return change


def _keep_apart(unknowns: FloatArray) -> None:
    """Let the faces meet, but never cross."""
    middle = unknowns[:, [_LOW, _HIGH]].mean(axis=1)
    half = np.maximum((unknowns[:, _HIGH] - unknowns[:, _LOW]) / 2.0, _THINNEST_MM / 2.0)
    unknowns[:, _LOW], unknowns[:, _HIGH] = middle - half, middle + half
