"""What the widths of one scan hang on, kept cell by cell: what two scans, screws or sides have in common.

An error of the blur moves all widths together. Between two scans of one protocol it is the same
error, so it drops out of their difference as far as both widths follow it alike. To know how far, a
halo carries how each cell follows each shared unknown, and draws of what is its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Measured

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """Parts of the uncertainty of the cells' widths.

    Parameters
    ----------
    parts : tuple of str, length P
        Part of the uncertainty each shared unknown belongs to ("blur", "metal", "layer level" ...).
    shared : ndarray, shape (P,)
        Shared unknowns as fitted.
    covariance : ndarray, shape (P, P)
        Their covariance as believed, layer levels included.
    follow_mm : ndarray, shape (D, S, P)
        How much each cell's width moves with each shared unknown, mm per unit.
    noise_mm : ndarray, shape (N, D, S)
        Draws of the deviation by noise and bone texture, mm; independent from scan to scan.
    rivals_mm : ndarray, shape (K, D, S)
        By how much other solutions of the fit exceed the widths of the cells, mm.
    rival_weight : ndarray, shape (K,)
        How likely each of them is.
    rivals_shared : ndarray, shape (K, P)
        Their shared unknowns.
    radius : Measured
        Major radius of the screw, mm: an error of it is an error of every width.
    model_mm : float
        What the model leaves out, as SD of a side's mean, mm.
    """

    parts: tuple[str, ...]
    shared: FloatArray
    covariance: FloatArray
    follow_mm: FloatArray
    noise_mm: FloatArray
    rivals_mm: FloatArray
    rival_weight: FloatArray
    rivals_shared: FloatArray
    radius: Measured
    model_mm: float

    def __post_init__(self) -> None:
        for array in (
            self.shared, self.covariance, self.follow_mm, self.noise_mm, self.rivals_mm, self.rival_weight,
            self.rivals_shared,
        ):  # fmt: skip
            array.setflags(write=False)

    def index(self, *parts: str) -> list[int]:
        """Return the places of the shared unknowns that belong to some parts."""
        return [i for i, part in enumerate(self.parts) if part in parts]

    def rival_variance(self, deviation_mm: FloatArray) -> FloatArray:
        """Return the variance that other solutions bring, mm2.

        Parameters
        ----------
        deviation_mm : ndarray, shape (K, ...)
            What each of them would change.
        """
        mean = np.tensordot(self.rival_weight, deviation_mm, axes=1)
        return np.asarray(np.tensordot(self.rival_weight, deviation_mm**2, axes=1) - mean**2)

    @property
    def chances(self) -> FloatArray:
        """How likely each solution is, the best one first, shape (K + 1,)."""
        return np.append(1.0 - self.rival_weight.sum(), self.rival_weight)

    @property
    def solutions(self) -> FloatArray:
        """Shared unknowns of all solutions, the best one's first, shape (K + 1, P)."""
        return np.vstack([self.shared, self.rivals_shared])

    def on_cells(self, follow_mm: FloatArray, noise_mm: FloatArray, rivals_mm: FloatArray) -> Doubt:
        """Return the doubt of other cells."""
        return replace(self, follow_mm=follow_mm, noise_mm=noise_mm, rivals_mm=rivals_mm)
