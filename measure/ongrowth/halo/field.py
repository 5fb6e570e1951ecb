"""Smooth fields over the unrolled shaft: nodes, bilinear basis, smoothness prior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ongrowth.halo.system import Corners

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class NodeGrid:
    """Nodes of one side of the screw: depth (mm, ascending) by angle (degrees, periodic).

    A field is a flat vector of node values, depth-major, shape (D * S,).
    """

    depth_mm: FloatArray
    n_angles: int

    @classmethod
    def spanning(cls, low_mm: float, high_mm: float, step_mm: float, n_angles: int) -> NodeGrid:
        """Return nodes from `low_mm` to `high_mm`, at most `step_mm` apart."""
        n = max(2, int(np.ceil((high_mm - low_mm) / step_mm)) + 1)
        return cls(np.linspace(low_mm, high_mm, n), n_angles)

    @property
    def size(self) -> int:
        """Number of nodes."""
        return len(self.depth_mm) * self.n_angles

    @property
    def angle_deg(self) -> FloatArray:
        """Angles of the nodes, degrees."""
        return np.arange(self.n_angles, dtype=np.float64) * (360.0 / self.n_angles)

    def corners(self, depth_mm: FloatArray, angle_deg: FloatArray) -> Corners:
        """Return the four nodes round places and their bilinear weights.

        Depths beyond the nodes take the value of the last node.
        """
        n_depths = len(self.depth_mm)
        step = (self.depth_mm[-1] - self.depth_mm[0]) / (n_depths - 1)
        z = np.clip((depth_mm - self.depth_mm[0]) / step, 0.0, n_depths - 1.0)
        i = np.minimum(z.astype(np.intp), n_depths - 2)
        a = (angle_deg % 360.0) * (self.n_angles / 360.0)
        j = a.astype(np.intp) % self.n_angles
        s, t = z - i, a - np.floor(a)
        k = (j + 1) % self.n_angles
        low, high = i * self.n_angles, (i + 1) * self.n_angles
        index = np.stack([low + j, low + k, high + j, high + k], axis=1)
        weight = np.stack([(1 - s) * (1 - t), (1 - s) * t, s * (1 - t), s * t], axis=1)
        return Corners(index, weight, self.size)

    def basis(self, depth_mm: FloatArray, angle_deg: FloatArray) -> sparse.csr_matrix:
        """Return the bilinear interpolation matrix to places, shape (N, D * S)."""
        return self.corners(depth_mm, angle_deg).matrix

    def smoothness(self, sd_depth: float, sd_angle: float) -> FloatArray:
        """Return the precision matrix of a random walk, shape (D * S, D * S).

        Parameters
        ----------
        sd_depth, sd_angle : float
            Standard deviation of the difference of neighbouring nodes along depth and angle.
        """
        n_depths = len(self.depth_mm)
        walk = np.diff(np.eye(n_depths), axis=0)
        along = walk.T @ walk / sd_depth**2
        ring = np.roll(np.eye(self.n_angles), 1, axis=1) - np.eye(self.n_angles)
        around = ring.T @ ring / sd_angle**2
        return np.asarray(np.kron(along, np.eye(self.n_angles)) + np.kron(np.eye(n_depths), around))


def side_corners(
    grids: tuple[NodeGrid, NodeGrid], depth_mm: FloatArray, angle_deg: FloatArray, is_tip: NDArray[np.bool_]
) -> Corners:
    """Return the nodes round places on one of two sides; those of the tip side stand last."""
    head, tip = (grid.corners(depth_mm, angle_deg) for grid in grids)
    on_tip = is_tip[:, None]
    return Corners(
        np.where(on_tip, tip.index + head.n_nodes, head.index),
        np.where(on_tip, tip.weight, head.weight),
        head.n_nodes + tip.n_nodes,
    )


def side_basis(
    grids: tuple[NodeGrid, NodeGrid], depth_mm: FloatArray, angle_deg: FloatArray, is_tip: NDArray[np.bool_]
) -> sparse.csr_matrix:
    """Return the basis of both sides' nodes at places, shape (N, nodes)."""
    return side_corners(grids, depth_mm, angle_deg, is_tip).matrix
