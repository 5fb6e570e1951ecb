"""Readings against known truth: straight line, bias, residual."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.agreement.pairs import complete_pairs, with_t
from ongrowth.estimate import Estimate

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Linearity:
    """Straight line through readings against truth.

    Parameters
    ----------
    n : int
        Readings.
    slope, intercept : Estimate
        Of reading on truth; 1 and 0 for a faithful instrument.
    slope_se, intercept_se : float
        Their standard errors.
    residual_sd : float
        Spread about the line.
    r_squared : float
        Share of the variance on the line.
    mean_bias : Estimate
        Mean of reading less truth.
    curvature_p : float
        p value of a quadratic term: small where the line is bent. NaN with fewer than four different truths.
    """

    n: int
    slope: Estimate
    intercept: Estimate
    slope_se: float
    intercept_se: float
    residual_sd: float
    r_squared: float
    mean_bias: Estimate
    curvature_p: float


def linearity_and_bias(truth: ArrayLike, reading: ArrayLike) -> Linearity:
    """Return how readings follow a known truth.

    Parameters
    ----------
    truth, reading : array_like, shape (N,)
        Pairs; those with a NaN are left out.

    Raises
    ------
    ValueError
        If fewer than three pairs are complete or all truths are the same.

    Notes
    -----
    Ordinary least squares, as Raunig DL et al. Stat Methods Med Res 2015;24:27-67 ask for linearity.
    """
    x, y = complete_pairs(truth, reading)
    if x.size < 3 or np.ptp(x) == 0.0:
        raise ValueError("at least three pairs with different truths are needed")
    n, df = x.size, x.size - 2
    centred, mean_x = x - x.mean(), float(x.mean())
    sxx = float(centred @ centred)
    slope = float(centred @ (y - y.mean())) / sxx
    intercept = float(y.mean()) - slope * mean_x
    residual = (y - y.mean()) - slope * centred
    rss = float(residual @ residual)
    sd = math.sqrt(rss / df)
    slope_se, intercept_se = sd / math.sqrt(sxx), sd * math.sqrt(1.0 / n + mean_x**2 / sxx)
    total = float((y - y.mean()) @ (y - y.mean()))
    bias = y - x
    return Linearity(
        n=n,
        slope=with_t(slope, slope_se, df),
        intercept=with_t(intercept, intercept_se, df),
        slope_se=slope_se,
        intercept_se=intercept_se,
        residual_sd=sd,
        r_squared=1.0 - rss / total if total else math.nan,
        mean_bias=with_t(float(bias.mean()), float(bias.std(ddof=1)) / math.sqrt(n), n - 1),
        curvature_p=_curvature_p(centred, residual, rss),
    )


def _curvature_p(centred: FloatArray, residual: FloatArray, rss: float) -> float:
    if np.unique(centred).size < 4 or centred.size < 4 or rss == 0.0:
        return math.nan
    scaled = centred / np.abs(centred).max()
    basis, _ = np.linalg.qr(np.column_stack([np.ones_like(scaled), scaled, scaled**2]))
    explained = float(basis[:, 2] @ residual) ** 2
    df = centred.size - 3
    f = explained / ((rss - explained) / df) if rss > explained else math.inf
    return float(stats.f.sf(f, 1, df))
