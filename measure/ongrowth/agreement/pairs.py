"""Readings without their gaps, and the interval of Student's t: what several measures of agreement share."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.estimate import Estimate

FloatArray = NDArray[np.float64]


def known(values: ArrayLike) -> FloatArray:
    """Return the readings that there are, shape (N,)."""
    array = np.asarray(values, dtype=np.float64).ravel()
    return array[np.isfinite(array)]


def complete_pairs(first: ArrayLike, second: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the readings of those subjects that were read in both ways, shapes (N,)."""
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    both = np.isfinite(x) & np.isfinite(y)
    return x[both], y[both]


def with_t(value: float, standard_error: float, degrees_of_freedom: float) -> Estimate:
    """Return a value with its 95 % interval by Student's t."""
    half = float(stats.t.ppf(0.975, degrees_of_freedom)) * standard_error
    return Estimate(value, value - half, value + half)
