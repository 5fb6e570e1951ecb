"""Voxels sorted into the cells of a grid of nodes, and banded normal equations for maps over the nodes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.columns import BoolArray, Columns, FloatArray

IntArray = NDArray[np.intp]

_CHUNK = 32


class Cells:
    """Voxels of the cells whose four nodes are active, in chunks of a fixed size.

    A map has one unknown per node and is read bilinearly at each voxel. Several maps make a block of
    unknowns per node, so that the normal matrix is banded.

    Parameters
    ----------
    columns : Columns
        The voxels.
    active : ndarray of bool, shape (G, G)
        Nodes that have unknowns.

    Attributes
    ----------
    height_mm, hu, precision : ndarray, shape (C, 32)
        Of the voxels; a precision of 0 fills up the last chunk of a cell.
    """

    def __init__(self, columns: Columns, active: BoolArray) -> None:
        self.active = active
        self.number = np.where(active, np.cumsum(active).reshape(active.shape) - 1, -1)
        self.n_nodes = int(active.sum())
        self._pairs = _neighbours(self.number)
        self._sort(columns)
        farthest = max((int(np.max(b - a)) for a, b in self._pairs), default=0)
        self._reach = 1 + max(farthest, int(np.max(np.ptp(self._corner, axis=1), initial=0)))

    def _sort(self, columns: Columns) -> None:
        g = len(columns.grid_mm)
        x, y = ((a - columns.grid_mm[0]) / columns.step_mm for a in (columns.u_mm, columns.v_mm))
        i, j = (np.clip(a.astype(np.intp), 0, g - 2) for a in (x, y))
        corners = np.stack([self.number[i + a, j + b] for a in (0, 1) for b in (0, 1)], axis=1)
        ok = np.flatnonzero(np.all(corners >= 0, axis=1))
        order = ok[np.argsort(i[ok] * g + j[ok], kind="stable")]
        cell = i[order] * g + j[order]
        starts = np.flatnonzero(np.diff(cell, prepend=-1))
        rank = np.arange(len(cell)) - np.repeat(starts, np.diff(np.append(starts, len(cell))))
        is_first = rank % _CHUNK == 0
        chunk, slot = np.cumsum(is_first) - 1, rank % _CHUNK
        shape = (int(is_first.sum()), _CHUNK)
        self._corner = corners[order[is_first]]
        fx, fy = (x - i)[order], (y - j)[order]
        weights = np.stack([(1 - fx) * (1 - fy), (1 - fx) * fy, fx * (1 - fy), fx * fy], axis=1)
        self._bilinear = _scattered(weights, chunk, slot, shape)
        self.height_mm = _scattered(columns.height_mm[order], chunk, slot, shape)
        self.hu = _scattered(columns.hu[order], chunk, slot, shape)
        self.precision = _scattered(columns.sd_hu[order] ** -2.0, chunk, slot, shape)

    def at_voxels(self, unknowns: FloatArray) -> FloatArray:
        """Return maps, shape (nodes, maps), read at the voxels, shape (C, 32, maps)."""
        return np.asarray(self._bilinear @ unknowns[self._corner])

    def over_nodes(self, unknowns: FloatArray) -> FloatArray:
        """Return maps, shape (nodes, maps), as grids, shape (maps, G, G); NaN at idle nodes."""
        out = np.full((unknowns.shape[1], *self.active.shape), np.nan)
        out[:, self.active] = unknowns.T
        return out

    def prior(self, steps: FloatArray, own: FloatArray, links: dict[tuple[int, int], float]) -> FloatArray:
        """Return a lower banded prior precision, shape (band, nodes x maps).

        Parameters
        ----------
        steps : ndarray, shape (maps,)
            Standard deviation of the difference between neighbouring nodes, of each map.
        own : ndarray, shape (maps,)
            Standard deviation of each map against its mean; inf for none.
        links : dict
            Standard deviation of the difference between two maps at the same node.
        """
        n = len(steps)
        band = np.zeros((n * self._reach, n * self.n_nodes), order="F")
        node = n * np.arange(self.n_nodes)
        for a, b in self._pairs:
            for k, step in enumerate(steps):
                _link(band, n * a + k, n * b + k, float(step))
        for (j, k), step in links.items():
            _link(band, node + j, node + k, step)
        band[0] += np.tile(own**-2.0, self.n_nodes)
        return band

    def scatter_plan(self, n_maps: int) -> ScatterPlan:
        """Return where the normal equations of `n_maps` maps go."""
        index = (n_maps * self._corner[:, :, None] + np.arange(n_maps)).reshape(-1, 4 * n_maps)
        return ScatterPlan(index, n_maps * self.n_nodes, n_maps * self._reach)

    def rows(self, slopes: FloatArray) -> FloatArray:
        """Return the design matrix of each chunk, shape (C, 32, 4 x maps), from slopes (C, 32, maps)."""
        n = slopes.shape[-1]
        return np.asarray(
            (self._bilinear[..., :, None] * slopes[..., None, :]).reshape(*slopes.shape[:2], 4 * n)
        )


class ScatterPlan:
    """Where blocks of chunks are added up in a banded matrix."""

    def __init__(self, index: IntArray, n_unknowns: int, band: int) -> None:
        self._index, self._n, self._band = index, n_unknowns, band
        shape = (len(index), index.shape[1], index.shape[1])
        row, column = (np.broadcast_to(a, shape) for a in (index[:, :, None], index[:, None, :]))
        lower = row >= column
        self._lower = np.flatnonzero(lower)
        # columns of the band stand one after the other, as LAPACK wants them
        self._where = (row - column)[lower] + column[lower] * band

    def matrix(self, rows: FloatArray, weight: FloatArray) -> FloatArray:
        """Return the lower banded normal matrix of rows (C, 32, M) with weights (C, 32)."""
        blocks = (rows * weight[..., None]).transpose(0, 2, 1) @ rows
        flat = np.bincount(self._where, blocks.ravel()[self._lower], minlength=self._band * self._n)
        return np.asarray(flat.reshape(self._n, self._band).T)

    def vector(self, rows: FloatArray, weighted: FloatArray) -> FloatArray:
        """Return the right side of rows (C, 32, M) and weighted data (C, 32)."""
        pulls = weighted[:, None, :] @ rows
        return np.bincount(self._index.ravel(), pulls.ravel(), minlength=self._n).astype(np.float64)


def times_banded(band: FloatArray, x: FloatArray) -> FloatArray:
    """Multiply a symmetric matrix, lower banded, with a vector."""
    out = band[0] * x
    for k in np.flatnonzero(band[1:].any(axis=1)) + 1:
        out[k:] += band[k, :-k] * x[:-k]
        out[:-k] += band[k, :-k] * x[k:]
    return np.asarray(out)


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


def _link(band: FloatArray, a: IntArray, b: IntArray, step: float) -> None:
    """Add the precision of a difference between unknowns a and b, b beyond a."""
    precision = step**-2.0
    np.add.at(band[0], a, precision)
    np.add.at(band[0], b, precision)
    np.add.at(band, (b - a, a), -precision)
