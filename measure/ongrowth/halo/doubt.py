"""What the widths of one scan hang on, kept cell by cell: what two scans, screws or sides have in common.

An error of the blur moves all widths together. Between two scans of one protocol it is the same
error, so it drops out of their difference as far as both widths follow it alike. To know how far, a
halo carries how each cell follows each shared unknown, and draws of what is its own. And a scan may fit
several solutions, each with widths and a blur of its own: another scan of the protocol can tell which.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import lock_arrays
from ongrowth.quantity import Measured

FloatArray = NDArray[np.float64]

MODEL_SHARE = 0.08  # of the width itself: wide halos read low by about that much
NOISE_FACTOR = 1.1  # texture is less alike over the surface than the dilution takes it to be


@dataclass(frozen=True, slots=True)
class Rim:
    """A dense line at the outer edge of the halo."""

    present: str  # "present" | "not shown" | "not measurable"
    thickness_mm: Measured
    hu: Measured


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """The solutions of a fit, and parts of the uncertainty of the cells' widths.

    Parameters
    ----------
    parts : tuple of str, length P
        Part of the uncertainty each shared unknown belongs to ("blur", "metal", "layer level" ...).
    solutions : ndarray, shape (K, P)
        Shared unknowns of each solution, the best one first.
    widths_mm : ndarray, shape (K, D, S)
        Widths of the cells by each, mm.
    blur_mm : ndarray, shape (K, 2)
        Blur of each: widths at half height in the slice and across, mm.
    chances : ndarray, shape (K,)
        How likely each is, as believed.
    alone : ndarray, shape (K,)
        How likely each is by this scan alone.
    paired : ndarray, shape (K,)
        How likely each is in a difference to another scan; see `ongrowth.halo.together`.
    covariance : ndarray, shape (P, P)
        Of the best one's shared unknowns as believed, layer levels included.
    blur_u_mm : ndarray, shape (2,)
        Standard uncertainty of its blur, mm.
    follow_mm : ndarray, shape (D, S, P)
        How much each cell's width moves with each shared unknown, mm per unit.
    noise_mm : ndarray, shape (N, D, S)
        Draws of the deviation by noise and bone texture, mm; independent from scan to scan.
    envelope_mm : ndarray, shape (D,)
        Radius of the envelope at each depth, mm.
    limit_mm : (float, float)
        Detection limit of the mean width of head side and tip side, mm.
    layer_hu : (Measured, Measured)
        Level of the layer of head side and tip side by the best solution, HU.
    rims : (Rim, Rim)
        Dense lines at the outer edge by the best solution.
    radius : Measured
        Major radius of the screw, mm: an error of it is an error of every width.
    model_mm : float
        What the model leaves out, as SD of a side's mean, mm.
    """

    parts: tuple[str, ...]
    solutions: FloatArray
    widths_mm: FloatArray
    blur_mm: FloatArray
    chances: FloatArray
    alone: FloatArray
    paired: FloatArray
    covariance: FloatArray
    blur_u_mm: FloatArray
    follow_mm: FloatArray
    noise_mm: FloatArray
    envelope_mm: FloatArray
    limit_mm: tuple[float, float]
    layer_hu: tuple[Measured, Measured]
    rims: tuple[Rim, Rim]
    radius: Measured
    model_mm: float

    def __post_init__(self) -> None:
        lock_arrays(self)

    def index(self, *parts: str) -> list[int]:
        """Return the places of the shared unknowns that belong to some parts."""
        return [i for i, part in enumerate(self.parts) if part in parts]

    @property
    def expected_mm(self) -> FloatArray:
        """Mean width of each cell over the solutions, shape (D, S), mm."""
        return np.asarray(np.tensordot(self.chances, self.widths_mm, axes=1))

    @property
    def is_agreed(self) -> bool:
        """Whether other scans had a say in how likely each solution is."""
        return not np.array_equal(self.chances, self.alone)

    @property
    def is_paired(self) -> bool:
        """Whether other scans had a say in differences."""
        return not np.array_equal(self.paired, self.alone)

    @property
    def is_best_likeliest(self) -> bool:
        """Whether the best solution of the fit is also the likeliest, as believed."""
        return bool(self.chances.argmax() == 0)

    def believing(self, chances: FloatArray, paired: FloatArray) -> Doubt:
        """Return the same solutions, otherwise likely."""
        return replace(self, chances=chances, paired=paired)

    def on_cells(self, follow_mm: FloatArray, noise_mm: FloatArray, widths_mm: FloatArray) -> Doubt:
        """Return the doubt of other cells."""
        return replace(self, follow_mm=follow_mm, noise_mm=noise_mm, widths_mm=widths_mm)
