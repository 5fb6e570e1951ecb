"""The normal equations of the fit.

A voxel touches the four nodes round it of every field, and nodes far apart along the shaft share no
voxel. Ordered by depth, the equations of the fields are therefore a band, with the few unknowns of
the whole screw as a border. Voxels of one cell touch the same nodes, so their share is one small
dense product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The four nodes round each of N places, and their weights; shapes (N, 4)."""

    index: IntArray
    weight: FloatArray
    n_nodes: int

    @property
    def matrix(self) -> sparse.csr_matrix:
        """The same as a matrix from node values to places, shape (N, nodes)."""
        n = len(self.index)
        rows = np.arange(0, 4 * n + 1, 4)
        return sparse.csr_matrix((self.weight.ravel(), self.index.ravel(), rows), shape=(n, self.n_nodes))


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Cholesky factor of a banded precision; takes and gives vectors in the unknowns' own order.

    Parameters
    ----------
    lower : ndarray, shape (B, Q)
        Lower band of the factor, as SciPy keeps it.
    order : ndarray, shape (Q,)
        Which unknown stands at each place of the band.
    """

    lower: FloatArray
    order: IntArray

    @classmethod
    def of(cls, band: FloatArray, order: IntArray) -> Factor:
        """Factorise the lower band of a precision."""
        return cls(linalg.cholesky_banded(band, lower=True, check_finite=False), order)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.order)

    def solve(self, right: FloatArray) -> FloatArray:
        """Return the solution for right-hand sides, shape (Q,) or (Q, M)."""
        out = np.empty_like(right)
        out[self.order] = linalg.cho_solve_banded((self.lower, True), right[self.order], check_finite=False)
        return out

    def scatter(self, white: FloatArray) -> FloatArray:
        """Turn white noise, shape (Q, M), into draws with the covariance."""
        reach, n = len(self.lower) - 1, self.size
        upper = np.zeros_like(self.lower)
        for k in range(reach + 1):
            upper[reach - k, k:] = self.lower[k, : n - k]
        out = np.empty_like(white)
        out[self.order] = linalg.solve_banded((0, reach), upper, white, check_finite=False)
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Normal:
    """Normal equations.

    Precision of the shared unknowns (P, P), cross terms (Q, P), lower band of the fields' precision
    (B, Q) in the layout's order, gradient (P + Q,).
    """

    shared: FloatArray
    cross: FloatArray
    band: FloatArray
    gradient: FloatArray

    def holding(self, held: NDArray[np.bool_]) -> Normal:
        """Return the equations with some shared unknowns, mask of shape (P,), kept as they are."""
        shared, cross, gradient = self.shared.copy(), self.cross.copy(), self.gradient.copy()
        shared[held] = shared[:, held] = 0.0
        shared[held, held] = 1.0
        cross[:, held] = 0.0
        gradient[: len(shared)][held] = 0.0
        return Normal(shared, cross, self.band, gradient)

    def step(self, order: IntArray, damping: float) -> FloatArray:
        """Return the damped step of all unknowns, shape (P + Q,)."""
        band = self.band.copy()
        band[0] *= 1.0 + damping
        band[0] += 1e-9
        n, used = len(self.shared), np.append(self.cross.any(axis=0), True)  # what is held crosses nothing
        both = np.zeros((len(band[0]), n + 1))
        right = np.column_stack([self.cross, self.gradient[n:]])
        both[:, used] = Factor.of(band, order).solve(right[:, used])
        inner = self.shared + np.diag(damping * np.diag(self.shared) + 1e-9) - self.cross.T @ both[:, :-1]
        shared = linalg.solve(inner, self.gradient[:n] - self.cross.T @ both[:, -1], assume_a="sym")
        return np.concatenate([shared, both[:, -1] - both[:, :-1] @ shared])

    def eliminate(self, order: IntArray) -> tuple[Factor, FloatArray, FloatArray]:
        """Return the fields' factor, how they follow the shared unknowns, and the precision of those."""
        own = Factor.of(self.band, order)
        follow = -own.solve(self.cross)
        shared = self.shared + self.cross.T @ follow
        return own, follow, 0.5 * (shared + shared.T)


class Layout:
    """Where the unknowns of the fields stand in the band, and which voxels touch which.

    Parameters
    ----------
    depth_mm : ndarray, shape (Q,)
        Depth of the node of each field unknown, mm.
    is_tip : ndarray of bool, shape (Q,)
        Its side.
    corners : tuple of Corners
        Nodes round the voxels, for each field.
    starts : tuple of int
        First unknown of each field.
    """

    def __init__(
        self,
        depth_mm: FloatArray,
        is_tip: NDArray[np.bool_],
        corners: tuple[Corners, ...],
        starts: tuple[int, ...],
    ) -> None:
        self.order: IntArray = np.lexsort((depth_mm, is_tip)).astype(np.intp)
        self.position = np.empty_like(self.order)
        self.position[self.order] = np.arange(len(self.order))
        cell = np.unique(np.stack([c.index[:, 0] for c in corners]), axis=1, return_inverse=True)[1].ravel()
        self._voxels: IntArray = np.argsort(cell, kind="stable").astype(np.intp)
        self._cuts = np.flatnonzero(np.diff(cell[self._voxels], prepend=-1, append=-1))
        first = self._voxels[self._cuts[:-1]]
        # unknowns that the voxels of each cell touch, shape (cells, 4 fields)
        self._touched = np.concatenate(
            [start + c.index[first] for start, c in zip(starts, corners, strict=True)], axis=1
        )
        self._weights = tuple(c.weight[self._voxels] for c in corners)
        place = self.position[self._touched]
        away = place[:, :, None] - place[:, None, :]
        self.reach = int(away.max(initial=0))
        self._lower = away >= 0
        column = np.broadcast_to(place[:, None, :], away.shape)[self._lower]
        self._target = away[self._lower] * len(self.order) + column
        n = self._touched.size
        self._gather = sparse.csr_matrix(
            (np.ones(n), (self._touched.ravel(), np.arange(n))), shape=(len(self.order), n)
        )

    def band_of(self, precision: FloatArray) -> FloatArray:
        """Return the lower band of a symmetric matrix of the field unknowns, shape (reach + 1, Q)."""
        rows, columns = np.nonzero(precision)
        i, j = self.position[rows], self.position[columns]
        self.reach = max(self.reach, int((i - j).max(initial=0)))
        band = np.zeros((self.reach + 1, len(self.order)))
        low = i >= j
        band[(i - j)[low], j[low]] = precision[rows[low], columns[low]]
        return band

    def normal(
        self,
        by_field: tuple[FloatArray, ...],
        by_shared: FloatArray,
        weights: FloatArray,
        residual: FloatArray,
    ) -> Normal:
        """Return the data's share of the normal equations.

        Parameters
        ----------
        by_field : tuple of ndarray, shape (N,)
            Slopes of the image by the local field values.
        by_shared : ndarray, shape (N, P)
            Slopes by the shared unknowns.
        weights, residual : ndarray, shape (N,)
            Inverse variances and residuals of the voxels.
        """
        v, root = self._voxels, np.sqrt(weights)
        slopes = np.concatenate(
            [(s * root)[v][:, None] * w for s, w in zip(by_field, self._weights, strict=True)], axis=1
        )
        others = np.concatenate([by_shared, residual[:, None]], axis=1)
        others *= root[:, None]
        border = others.T @ others
        others = others[v]
        n_cells, n = self._touched.shape
        own, cross = np.empty((n_cells, n, n)), np.empty((n_cells, n, others.shape[1]))
        for c, (low, high) in enumerate(zip(self._cuts[:-1], self._cuts[1:], strict=True)):
            part = slopes[low:high].T
            np.matmul(part, slopes[low:high], out=own[c])
            np.matmul(part, others[low:high], out=cross[c])
        size = (self.reach + 1) * len(self.order)
        band = np.bincount(self._target, own[self._lower], size).astype(np.float64)
        sums = np.asarray(self._gather @ cross.reshape(-1, others.shape[1]))
        band = band.reshape(self.reach + 1, -1)
        return Normal(border[:-1, :-1], sums[:, :-1], band, np.concatenate([border[:-1, -1], sums[:, -1]]))
