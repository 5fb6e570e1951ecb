"""How far repeated readings of one thing lie apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.agreement.pairs import known
from ongrowth.estimate import Estimate

FloatArray = NDArray[np.float64]

MULTIPLE_95 = 1.96  # as it is usually rounded in limits of agreement and repeatability coefficients
REPEATABILITY_FACTOR = MULTIPLE_95 * math.sqrt(2.0)  # two readings, each with the within-subject SD


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Spread of repeated readings.

    Parameters
    ----------
    n_subjects, n_values : int
        Subjects with at least two readings, and their readings.
    degrees_of_freedom : int
        Readings less subjects.
    within_sd : Estimate
        Within-subject standard deviation.
    coefficient : Estimate
        Repeatability coefficient: two readings of one subject differ by less in 95 % of pairs.
    coefficient_upper95 : float
        One-sided upper 95 % bound of the coefficient.
    spread_against_mean : float
        Kendall's tau between a subject's SD and mean; NaN with fewer than four subjects. Far from
        zero, one SD does not describe all subjects.
    spread_against_mean_p : float
        Its p value.
    """

    n_subjects: int
    n_values: int
    degrees_of_freedom: int
    within_sd: Estimate
    coefficient: Estimate
    coefficient_upper95: float
    spread_against_mean: float
    spread_against_mean_p: float


def measure_repeatability(readings: Sequence[ArrayLike]) -> Repeatability:
    """Return the repeatability of readings taken again under unchanged conditions.

    Parameters
    ----------
    readings : sequence of array_like
        The readings of each subject; subjects with one reading say nothing and are left out. NaN is
        no reading.

    Raises
    ------
    ValueError
        If no subject was read twice.

    Notes
    -----
    Within-subject variance is the mean of the subjects' variances, weighted by their degrees of
    freedom; its interval is that of chi-square (Bland JM, Altman DG. Lancet 1986;327:307-310; Raunig DL
    et al. Stat Methods Med Res 2015;24:27-67). For pairs the SD is ``sqrt(sum(d**2) / 2n)``.
    """
    groups = [g for g in map(known, readings) if g.size >= 2]
    variance, df = within_variance(groups)
    within_sd = math.sqrt(variance)
    low, high = spread_factors(df)
    sd = Estimate(within_sd, within_sd * low, within_sd * high)
    tau, p = _spread_against_mean(groups)
    return Repeatability(
        n_subjects=len(groups),
        n_values=sum(g.size for g in groups),
        degrees_of_freedom=df,
        within_sd=sd,
        coefficient=sd.scaled(REPEATABILITY_FACTOR),
        coefficient_upper95=REPEATABILITY_FACTOR * within_sd * upper_spread_factor(df),
        spread_against_mean=tau,
        spread_against_mean_p=p,
    )


def within_variance(groups: Sequence[FloatArray]) -> tuple[float, int]:
    """Return the pooled variance within subjects and its degrees of freedom.

    Raises
    ------
    ValueError
        If no subject was read twice.
    """
    df = sum(g.size - 1 for g in groups)
    if df == 0:
        raise ValueError("no subject was read twice")
    return sum(float(np.sum((g - g.mean()) ** 2)) for g in groups) / df, df


def spread_factors(degrees_of_freedom: int) -> tuple[float, float]:
    """Return what an SD is multiplied by to give the ends of its 95 % interval.

    Parameters
    ----------
    degrees_of_freedom : int
        Of the SD, at least 1.

    Examples
    --------
    >>> [round(f, 4) for f in spread_factors(35)]
    [0.8111, 1.3044]
    """
    df = degrees_of_freedom
    low, high = (float(stats.chi2.ppf(share, df)) for share in (0.975, 0.025))
    return math.sqrt(df / low), math.sqrt(df / high)


def upper_spread_factor(degrees_of_freedom: int) -> float:
    """Return what an SD is multiplied by to give its one-sided upper 95 % bound.

    Parameters
    ----------
    degrees_of_freedom : int
        Of the SD, at least 1.
    """
    return math.sqrt(degrees_of_freedom / float(stats.chi2.ppf(0.05, degrees_of_freedom)))


def _spread_against_mean(groups: Sequence[FloatArray]) -> tuple[float, float]:
    if len(groups) < 4:
        return math.nan, math.nan
    means, spreads = [g.mean() for g in groups], [g.std(ddof=1) for g in groups]
    if np.ptp(means) == 0.0 or np.ptp(spreads) == 0.0:
        return math.nan, math.nan
    found = stats.kendalltau(means, spreads)
    return float(found.statistic), float(found.pvalue)


@dataclass(frozen=True, slots=True)
class DoubleExamination:
    """Precision of a change, from two examinations between which nothing changed.

    Parameters
    ----------
    n : int
        Pairs.
    rms : float
        Root mean square of the differences, about zero.
    precision95 : float
        1.96 times `rms`: a larger change is not explained by the measuring.
    precision95_t : float
        The same from the SD about the mean difference and Student's t.
    """

    n: int
    rms: float
    precision95: float
    precision95_t: float


def double_examination(first: ArrayLike, second: ArrayLike) -> DoubleExamination:
    """Return the precision of a change as radiostereometry states it.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        The two examinations; pairs with a NaN are left out.

    Raises
    ------
    ValueError
        If fewer than two pairs are complete.

    Notes
    -----
    Zero-motion convention: Acta Orthop 2022, doi:10.2340/17453674.2022.2528; SD times t:
    doi:10.1002/jor.70146.
    """
    change = paired_differences(first, second)
    rms = math.sqrt(float(np.mean(change**2)))
    t = float(stats.t.ppf(0.975, change.size - 1))
    return DoubleExamination(change.size, rms, MULTIPLE_95 * rms, t * float(change.std(ddof=1)))


def paired_differences(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Return first less second of the complete pairs, shape (N,).

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Values of the same things, in one unit; NaN where one is missing.

    Raises
    ------
    ValueError
        If fewer than two pairs are complete.
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    complete = known(difference)
    if complete.size < 2:
        raise ValueError("fewer than two complete pairs")
    return complete
