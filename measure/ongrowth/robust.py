"""Spread and weights that a few wild values do not move."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

_Real = TypeVar("_Real", np.float32, np.float64)

TUKEY_REACH = 4.685  # in standard deviations: 95 % efficiency on normal scatter (Holland & Welsch 1977)
_NORMAL_SD = 1.4826  # of the standard deviation over the median absolute deviation of normal scatter


def robust_sd(values: ArrayLike, about: float | None = None) -> float:
    """Return the standard deviation of normal scatter that has the same median absolute deviation.

    Parameters
    ----------
    values : array_like, shape (N,)
        What scatters.
    about : float, optional
        Where it scatters about; by default its median.

    Examples
    --------
    >>> round(robust_sd([1.0, 2.0, 3.0, 4.0, 500.0]), 4)
    1.4826
    """
    x = np.asarray(values)
    return _NORMAL_SD * float(np.median(np.abs(x - (np.median(x) if about is None else about))))


def tukey_weights(scaled: NDArray[_Real]) -> NDArray[_Real]:
    """Return Tukey's weights: 1 in the middle, falling to 0 at `TUKEY_REACH` and beyond.

    Parameters
    ----------
    scaled : ndarray
        Residuals over their standard deviation.

    Examples
    --------
    >>> tukey_weights(np.array([0.0, TUKEY_REACH / 2, 9.0])).round(4).tolist()
    [1.0, 0.5625, 0.0]
    """
    weights: NDArray[_Real] = np.maximum(1.0 - (scaled / scaled.dtype.type(TUKEY_REACH)) ** 2, 0.0) ** 2
    return weights
