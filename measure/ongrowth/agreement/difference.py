"""Two ways of reading the same thing: bias and limits of agreement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.agreement.correlation import mean_squares
from ongrowth.agreement.pairs import complete_pairs, known, with_t
from ongrowth.agreement.repeatability import MULTIPLE_95, within_variance
from ongrowth.estimate import Estimate

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """How far two ways of reading lie apart.

    Parameters
    ----------
    n : int
        Subjects read in both ways.
    bias : Estimate
        Mean of first less second.
    sd : float
        SD of the difference of single readings.
    lower, upper : Estimate
        Limits that hold 95 % of such differences, each with its own interval.
    slope : Estimate
        Change of the difference per unit of the mean: zero where the bias is the same all along the scale.
    """

    n: int
    bias: Estimate
    sd: float
    lower: Estimate
    upper: Estimate
    slope: Estimate


def limits_of_agreement(
    first: ArrayLike,
    second: ArrayLike,
    *,
    multiple: float = MULTIPLE_95,
    interval: Literal["exact", "approximate"] = "exact",
) -> LimitsOfAgreement:
    """Return bias and limits of agreement of paired single readings.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Readings of the same subjects; pairs with a NaN are left out.
    multiple : float
        Limits lie this many SD from the bias.
    interval : str
        Intervals of the limits: "exact" by the noncentral t distribution (Shieh G. BMC Med Res Methodol
        2018;18:45), or "approximate" with the standard error ``sqrt(3 s**2 / n)`` (Bland JM, Altman DG.
        Lancet 1986;327:307-310).

    Raises
    ------
    ValueError
        If fewer than three pairs are complete.
    """
    x, y = complete_pairs(first, second)
    if x.size < 3:
        raise ValueError("fewer than three complete pairs")
    difference = x - y
    n, bias, sd = difference.size, float(difference.mean()), float(difference.std(ddof=1))
    half = _exact_half_widths(n, multiple) if interval == "exact" else _approximate_half_widths(n)
    low, high = bias - multiple * sd, bias + multiple * sd
    near, far = (sd * h for h in half)  # toward the bias, away from it
    return LimitsOfAgreement(
        n=n,
        bias=with_t(bias, sd / math.sqrt(n), n - 1),
        sd=sd,
        lower=Estimate(low, low - far, low + near),
        upper=Estimate(high, high - near, high + far),
        slope=_slope(0.5 * (x + y), difference),
    )


def _exact_half_widths(n: int, multiple: float) -> tuple[float, float]:
    """Return how far the interval of a limit reaches toward the bias and away from it, in SD."""
    shift = multiple * math.sqrt(n)
    near, far = (float(stats.nct.ppf(share, n - 1, shift)) / math.sqrt(n) for share in (0.025, 0.975))
    return multiple - near, far - multiple


def _approximate_half_widths(n: int) -> tuple[float, float]:
    half = float(stats.t.ppf(0.975, n - 1)) * math.sqrt(3.0 / n)
    return half, half


def _slope(mean: FloatArray, difference: FloatArray) -> Estimate:
    if np.ptp(mean) == 0.0:
        return Estimate(math.nan)
    fit = stats.linregress(mean, difference)
    return with_t(float(fit.slope), float(fit.stderr), mean.size - 2)


def limits_with_replicates(
    first: Sequence[ArrayLike], second: Sequence[ArrayLike], *, ordered: bool = False
) -> LimitsOfAgreement:
    """Return bias and limits of agreement of single readings, from subjects read several times in each way.

    Parameters
    ----------
    first, second : sequence of array_like
        The readings of each subject in the first and in the second way, subjects in the same order. NaN is no
        reading; subjects that lack one way are left out.
    ordered : bool
        Whether the first readings of all subjects were one session, the second ones another, so that a shift
        between sessions is no part of the spread. Needs as many readings of every subject.

    Raises
    ------
    ValueError
        If fewer than three subjects are complete, or `ordered` readings are not equally many.

    Notes
    -----
    The variance of a difference of single readings is that of the subjects' mean differences, plus for each
    way its within-subject variance times ``1 - mean(1 / m)``, m being a subject's readings (Bland JM, Altman
    DG. Lancet 1986;327:307-310 for pairs, Stat Methods Med Res 1999;8:135-160 for any number). The intervals
    of the limits follow from the variances of these parts by the delta method.
    """
    pairs = [(a, b) for a, b in zip(map(known, first), map(known, second), strict=True) if a.size and b.size]
    if len(pairs) < 3:
        raise ValueError("fewer than three complete subjects")
    means = np.array([(a.mean(), b.mean()) for a, b in pairs])
    difference = means[:, 0] - means[:, 1]
    n, of_means = len(pairs), float(difference.var(ddof=1))
    parts = [_single_reading_part([pair[way] for pair in pairs], ordered) for way in (0, 1)]
    sd = math.sqrt(of_means + sum(variance for variance, _ in parts))
    u_variance = math.sqrt(2.0 * of_means**2 / (n - 1) + sum(u**2 for _, u in parts))
    u_sd = u_variance / (2.0 * sd) if sd else 0.0
    bias = float(difference.mean())
    u_limit = math.hypot(math.sqrt(of_means / n), MULTIPLE_95 * u_sd)
    return LimitsOfAgreement(
        n=n,
        bias=with_t(bias, math.sqrt(of_means / n), n - 1),
        sd=sd,
        lower=with_t(bias - MULTIPLE_95 * sd, u_limit, n - 1),
        upper=with_t(bias + MULTIPLE_95 * sd, u_limit, n - 1),
        slope=_slope(means.mean(axis=1), difference),
    )


def _single_reading_part(groups: Sequence[FloatArray], ordered: bool) -> tuple[float, float]:  # noqa: FBT001
    """Return the variance that one way adds to single readings beyond its means, and its uncertainty."""
    share = 1.0 - float(np.mean([1.0 / g.size for g in groups]))
    if share == 0.0:
        return 0.0, 0.0
    if ordered:
        if len({g.size for g in groups}) > 1:
            raise ValueError("ordered readings must be equally many for every subject")
        squares = mean_squares(np.array(groups))
        variance, df = squares.error, (squares.n_subjects - 1) * (squares.n_readers - 1)
    else:
        variance, df = within_variance(groups)
    return share * variance, share * variance * math.sqrt(2.0 / df)
