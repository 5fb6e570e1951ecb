"""The normal equations of the fit.

A voxel touches the four nodes round it of every field, and nodes far apart along the shaft share no
voxel. Ordered by depth, the equations of the fields are therefore a band, with the few unknowns of
the whole screw as a border. Voxels of one cell touch the same nodes, so their share is one small
dense product.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy import linalg, sparse

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_BLOCK = 64  # columns of a factor that are solved for at a time
# Products of slopes take half the memory so, and their rounding is far below the noise of the voxels.
_QUICK = np.float32


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

    def gram(self, weights: FloatArray) -> FloatArray:
        """Return the products of the matrix's columns, each place weighted, shape (nodes, nodes)."""
        pairs = self.index[:, :, None] * self.n_nodes + self.index[:, None, :]
        products = (self.weight * weights[:, None])[:, :, None] * self.weight[:, None, :]
        flat = np.bincount(pairs.ravel(), products.ravel(), self.n_nodes**2)
        return np.asarray(flat.reshape(self.n_nodes, self.n_nodes), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Cholesky factor of a banded precision; takes and gives vectors in the unknowns' own order.

    Parameters
    ----------
    lower : ndarray, shape (B, Q)
        Lower band of the factor, as LAPACK keeps it.
    order : ndarray, shape (Q,)
        Which unknown stands at each place of the band.
    """

    lower: FloatArray
    order: IntArray

    @classmethod
    def of(cls, band: FloatArray, order: IntArray) -> Factor:
        """Factorise the lower band of a precision, shape (B, Q), in its place where it has Fortran order.

        Raises
        ------
        numpy.linalg.LinAlgError
            If it is not positive definite.
        """
        lower, failed = linalg.lapack.dpbtrf(band, lower=1, overwrite_ab=1)
        if failed:
            raise np.linalg.LinAlgError("the precision of the fields is not positive definite")
        return cls(lower, order)

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.order)

    def solve(self, right: FloatArray) -> FloatArray:
        """Return the solution for right-hand sides, shape (Q,) or (Q, M)."""
        return self.scatter(self.whiten(right))

    def whiten(self, right: FloatArray) -> FloatArray:
        """Return right-hand sides, shape (Q,) or (Q, M), half solved.

        Scalar products of such are those that the covariance makes of the right-hand sides.
        """
        return _half_solved(self.lower, right[self.order].reshape(self.size, -1)).reshape(right.shape)

    def scatter(self, white: FloatArray) -> FloatArray:
        """Solve the other half: white noise, shape (Q,) or (Q, M), becomes draws with the covariance."""
        out = np.empty_like(white)
        whole, _ = linalg.lapack.dtbtrs(self.lower, white, uplo="L", trans="T")
        out[self.order] = np.asarray(whole).reshape(white.shape)
        return out


def _half_solved(lower: FloatArray, right: FloatArray) -> FloatArray:
    """Return the solution of ``L x = right``, shape (Q, M), for the lower band of L, shape (B, Q).

    LAPACK goes through the band once for each right-hand side; here each block is met once by all of them.
    Seen with a row less from column to column, the band's columns are those of the matrix. What such a block
    holds below the band belongs to the next column.
    """
    depth, size = lower.shape
    flat, step = lower.ravel(order="F"), lower.itemsize
    most = min(_BLOCK, depth)
    out = np.concatenate([right, np.zeros((depth + most, right.shape[1]))])
    in_band = np.triu(np.ones((most, most), dtype=bool), 1)  # of the rows that the band's edge cuts
    for first in range(0, size, most):
        n = min(most, size - first)
        shape = min(depth + most - 1, size - first), n
        block = as_strided(flat[first * depth :], shape, (step, (depth - 1) * step), writeable=False)
        solved = linalg.blas.dtrsm(1.0, block[:n], out[first : first + n], lower=1)
        whole, cut = block[n:depth], block[depth:]
        out[first : first + n] = solved
        out[first + n :][: len(whole)] -= whole @ solved
        out[first + depth :][: len(cut)] -= np.where(in_band[: len(cut), :n], cut, 0.0) @ solved
    return out[:size]


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
        band = self.band.copy(order="F")
        band[0] *= 1.0 + damping
        band[0] += 1e-9
        n, used = len(self.shared), self.cross.any(axis=0)  # what is held crosses nothing
        fields = Factor.of(band, order)
        white = fields.whiten(np.column_stack([self.cross[:, used], self.gradient[n:]]))
        cross, own = white[:, :-1], white[:, -1]
        inner = self.shared + np.diag(damping * np.diag(self.shared) + 1e-9)
        inner[np.ix_(used, used)] -= cross.T @ cross
        pull = self.gradient[:n].copy()
        pull[used] -= cross.T @ own
        shared = linalg.solve(inner, pull, assume_a="sym")
        return np.concatenate([shared, fields.scatter(own - cross @ shared[used])])

    def eliminate(self, order: IntArray) -> tuple[Factor, FloatArray, FloatArray]:
        """Return the fields' factor, how they follow the shared unknowns, and the precision of those."""
        own = Factor.of(self.band.copy(order="F"), order)
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
    precision : sparse matrix, shape (Q, Q)
        Prior precision of the field unknowns.
    n_shared : int
        Number of shared unknowns.
    """

    def __init__(
        self,
        depth_mm: FloatArray,
        is_tip: NDArray[np.bool_],
        corners: tuple[Corners, ...],
        starts: tuple[int, ...],
        precision: sparse.csr_matrix,
        n_shared: int,
    ) -> None:
        self.order: IntArray = np.lexsort((depth_mm, is_tip)).astype(np.intp)
        self.position = np.empty_like(self.order)
        self.position[self.order] = np.arange(len(self.order))
        cell = np.unique(np.stack([c.index[:, 0] for c in corners]), axis=1, return_inverse=True)[1].ravel()
        self._voxels: IntArray = np.argsort(cell, kind="stable").astype(np.intp)
        cuts = np.flatnonzero(np.diff(cell[self._voxels], prepend=-1, append=-1))
        order, self._batches = _batches(cuts)
        first = self._voxels[cuts[order]]
        # unknowns that the voxels of each cell touch, shape (cells, 4 fields)
        self._touched = np.concatenate(
            [start + c.index[first] for start, c in zip(starts, corners, strict=True)], axis=1
        )
        self._weights = tuple(c.weight[self._voxels].astype(_QUICK) for c in corners)
        place = self.position[self._touched]
        away = place[:, :, None] - place[:, None, :]
        lower = away >= 0
        cell, one, other = np.nonzero(lower)
        n = self._touched.shape[1]
        # among the products of a cell's unknowns with each other, with the shared ones and the residual
        self._lower: IntArray = (cell * n + one) * (n + n_shared + 1) + other
        prior = precision.tocoo()
        i, j = self.position[prior.row], self.position[prior.col]
        rows = max(int(away.max(initial=0)), int((i - j).max(initial=0))) + 1
        column = np.broadcast_to(place[:, None, :], away.shape)
        # columns of the band stand one after the other, as LAPACK wants them
        self._target = (away + column * rows)[lower]
        self._shape = (len(self.order), rows)
        size = self._touched.size
        self._gather = sparse.csr_matrix(
            (np.ones(size), (self._touched.ravel(), np.arange(size))), shape=(len(self.order), size)
        )
        # Kept from step to step: to be given pages anew costs as much as the products themselves. The last
        # voxel seen says nothing.
        self._seen = np.zeros((len(self._voxels) + 1, n + n_shared + 1), dtype=_QUICK)
        self._products = np.empty((len(self._touched), n, n + n_shared + 1), dtype=_QUICK)
        low = i >= j
        self.prior_band = self._band((i - j + j * rows)[low], prior.data[low])

    def _band(self, target: IntArray, values: FloatArray) -> FloatArray:
        """Return the sums of values in the lower band of a symmetric matrix, shape (B, Q)."""
        band = np.bincount(target, values, self._shape[0] * self._shape[1]).astype(np.float64, copy=False)
        return band.reshape(self._shape).T

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
        others = np.concatenate([by_shared, residual[:, None]], axis=1) * root[:, None]
        border = others.T @ others
        n_cells, n = self._touched.shape
        seen, products = self._seen, self._products
        for k, (slope, weight) in enumerate(zip(by_field, self._weights, strict=True)):
            np.multiply((slope * root)[v][:, None], weight, out=seen[:-1, 4 * k : 4 * k + 4])
        seen[:-1, n:] = others[v]
        for cells, voxels in self._batches:
            part = seen[voxels]
            np.matmul(np.swapaxes(part[:, :, :n], 1, 2), part, out=products[cells])
        band = self._band(self._target, products.ravel()[self._lower])
        sums = np.asarray(self._gather @ products[:, :, n:].reshape(n_cells * n, -1))
        return Normal(border[:-1, :-1], sums[:, :-1], band, np.concatenate([border[:-1, -1], sums[:, -1]]))


def _batches(cuts: IntArray) -> tuple[IntArray, list[tuple[slice, IntArray]]]:
    """Return the cells ordered by size, and in that order those of about one size: their voxels.

    Voxels of cell c are ``cuts[c]`` to ``cuts[c + 1]``; those of a batch have shape (cells, most), and one
    that is no voxel, ``cuts[-1]``, fills up.
    """
    counts = np.diff(cuts)
    size = 2 ** np.ceil(np.log2(counts)).astype(np.intp)
    order = np.argsort(size, kind="stable")
    ends = np.flatnonzero(np.diff(size[order], prepend=0, append=0))
    out = []
    for first, last in itertools.pairwise(ends.tolist()):
        cells = order[first:last]
        within = np.arange(size[cells[0]])
        voxels = np.where(within < counts[cells, None], cuts[cells, None] + within, cuts[-1])
        out.append((slice(first, last), voxels))
    return order, out
