"""Time until something happens, seen exactly or only between two CTs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from ongrowth.estimate import Estimate
from ongrowth.geometry import lock_arrays
from ongrowth.quantity import COVERAGE_95

FloatArray = NDArray[np.float64]
_SUM_WEIGHT = 1e3  # how firmly the masses are held to sum to one in the least-squares step
_MOST_STEPS = 200  # a stop, should the likelihood creep
_LEAST_CURVATURE = 1.0 / 25.0  # that of an SD of 5, of a logarithm: the data leave it open over powers of ten


@dataclass(frozen=True, slots=True, eq=False)
class SurvivalSteps:
    """Share still waiting after each event time (Kaplan and Meier).

    Parameters
    ----------
    weeks : ndarray, shape (N,)
        Times of events.
    n_at_risk, n_events : ndarray of int64, shape (N,)
        Waiting just before, and events at, each time.
    share, share_u : ndarray, shape (N,)
        Share still waiting, and its standard error (Greenwood); NaN once the share is 0.
    low95, high95 : ndarray, shape (N,)
        Interval on the scale of log(-log), which stays within 0..1.
    """

    weeks: FloatArray
    n_at_risk: NDArray[np.int64]
    n_events: NDArray[np.int64]
    share: FloatArray
    share_u: FloatArray
    low95: FloatArray
    high95: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)

    @property
    def median_weeks(self) -> float:
        """First time at which half or less still wait; NaN if that is never reached."""
        below = np.flatnonzero(self.share <= 0.5 + 1e-12)
        return float(self.weeks[below[0]]) if below.size else math.nan


def kaplan_meier(weeks: ArrayLike, is_event: ArrayLike) -> SurvivalSteps:
    """Return the share still waiting, from times that are known exactly or censored on the right.

    Parameters
    ----------
    weeks : array_like, shape (N,)
        Time of the event, or of the last look.
    is_event : array_like of bool, shape (N,)
        Whether it happened then.

    Notes
    -----
    Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-481; standard error of Greenwood (1926).
    """
    time, event = np.asarray(weeks, dtype=np.float64), np.asarray(is_event, dtype=bool)
    at = np.unique(time[event])
    risk = np.array([(time >= t).sum() for t in at], dtype=np.int64)
    died = np.array([(event & (time == t)).sum() for t in at], dtype=np.int64)
    share = np.cumprod(1.0 - died / np.maximum(risk, 1)).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        summed: FloatArray = np.cumsum(died / (risk * (risk - died).astype(np.float64)))
        share_u: FloatArray = share * np.sqrt(summed)
        spread = np.exp(COVERAGE_95 * np.sqrt(summed) / np.abs(np.log(share)))
        low, high = share**spread, share ** (1.0 / spread)
    gone = share <= 0.0
    for array in (share_u, low, high):
        array[gone] = np.nan
    return SurvivalSteps(at, risk, died, share, share_u, low, high)


def log_rank(weeks: ArrayLike, is_event: ArrayLike, group: Sequence[object]) -> tuple[float, float]:
    """Return chi-square and p value of the log-rank test between two groups.

    Parameters
    ----------
    weeks : array_like, shape (N,)
        Weeks to the event, or to the last scan without it.
    is_event : array_like of bool, shape (N,)
        Whether the event was seen.
    group : sequence, length N
        Group of each.

    Raises
    ------
    ValueError
        If there are not exactly two groups.
    """
    time, event = np.asarray(weeks, dtype=np.float64), np.asarray(is_event, dtype=bool)
    words = sorted({str(g) for g in group})
    if len(words) != 2:
        raise ValueError("the log-rank test compares two groups")
    first = np.array([str(g) == words[0] for g in group])
    observed_less_expected = variance = 0.0
    for t in np.unique(time[event]):
        risk = time >= t
        n, n1 = int(risk.sum()), int((risk & first).sum())
        d = int((event & (time == t)).sum())
        observed_less_expected += int((event & (time == t) & first).sum()) - d * n1 / n
        if n > 1:
            variance += d * (n1 / n) * (1.0 - n1 / n) * (n - d) / (n - 1)
    chi2 = observed_less_expected**2 / variance if variance else math.nan
    return chi2, float(stats.chi2.sf(chi2, 1))


@dataclass(frozen=True, slots=True, eq=False)
class WaitingMass:
    """Where events lie that were only seen between two looks (nonparametric maximum likelihood).

    Parameters
    ----------
    from_weeks, to_weeks : ndarray, shape (M,)
        Intervals (from, to] that carry mass; `to_weeks` is infinite for what had not happened at the end.
    mass : ndarray, shape (M,)
        Share of events in each; where within it lies is not determined by the data.
    """

    from_weeks: FloatArray
    to_weeks: FloatArray
    mass: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)

    def happened(self, weeks: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the least and the largest share that may have happened by some times, shapes (K,)."""
        at = np.asarray(weeks, dtype=np.float64)[:, None]
        least = np.where(self.to_weeks <= at, self.mass, 0.0).sum(axis=1)
        largest = np.where(self.from_weeks < at, self.mass, 0.0).sum(axis=1)
        return least, largest


def waiting_mass(from_weeks: ArrayLike, to_weeks: ArrayLike) -> WaitingMass:
    """Return the distribution of times that are known to lie in intervals.

    Parameters
    ----------
    from_weeks, to_weeks : array_like, shape (N,)
        The event lies in (from, to]; equal ends: it is known exactly; `to_weeks` infinite: not yet seen.

    Raises
    ------
    ValueError
        If an interval ends before it begins, or there is none.

    Notes
    -----
    Turnbull BW. J R Stat Soc B 1976;38:290-295: mass can only lie in intervals that begin with a left end
    and end with the next right end. The masses are found by constrained Newton steps (Wang Y. Comput Stat
    Data Anal 2007;52:2388-2402): a quadratic likelihood, non-negative least squares, and a line search.
    """
    left, right = _ends(from_weeks, to_weeks)
    low, high = _innermost(left, right)
    inside = ((left[:, None] <= low) & (high <= right[:, None])).astype(np.float64)
    mass = _most_likely(inside)
    kept = mass > 1e-9
    return WaitingMass(low[kept], high[kept], mass[kept] / mass[kept].sum())


def _ends(from_weeks: ArrayLike, to_weeks: ArrayLike) -> tuple[FloatArray, FloatArray]:
    left, right = np.asarray(from_weeks, dtype=np.float64), np.asarray(to_weeks, dtype=np.float64)
    if left.size == 0 or np.any(right < left) or np.any(np.isnan(left) | np.isnan(right)):
        raise ValueError("intervals must not end before they begin")
    exact = left == right
    return np.where(exact, np.nextafter(right, -np.inf), left), right


def _innermost(left: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the intervals (l, r] with a left end l and the next right end r and no end between them."""
    ends = sorted({*((r, 0) for r in right), *((lf, 1) for lf in left)})  # a right end closes before
    pairs = [(a, b) for (a, is_left), (b, next_left) in itertools.pairwise(ends) if is_left > next_left]
    return np.array([a for a, _ in pairs]), np.array([b for _, b in pairs])


def _most_likely(inside: FloatArray) -> FloatArray:
    """Return the masses that maximise the likelihood; `inside` says which interval may hold whose event."""
    m = inside.shape[1]
    mass = np.full(m, 1.0 / m)
    best = float(np.log(inside @ mass).sum())
    for _ in range(_MOST_STEPS):
        slopes = inside / (inside @ mass)[:, None]
        if slopes.sum(axis=0).max() <= inside.shape[0] * (1.0 + 1e-10):
            break
        mass, better = _step(inside, mass, slopes, best)
        if better - best <= 1e-13 * abs(best):
            break
        best = better
    return mass


def _step(inside: FloatArray, mass: FloatArray, slopes: FloatArray, best: float) -> tuple[FloatArray, float]:
    """Return better masses and their log-likelihood: toward the quadratic's maximum, as far as it grows."""
    weight = _SUM_WEIGHT * math.sqrt(inside.shape[0])
    rows = np.vstack([slopes, np.full(mass.size, weight)])
    aim, _ = optimize.nnls(rows, np.append(np.full(inside.shape[0], 2.0), weight))
    toward = aim / aim.sum() - mass
    share = 1.0
    while share > 1e-10:
        tried = mass + share * toward
        likelihood = inside @ tried
        if np.all(likelihood > 0.0) and (found := float(np.log(likelihood).sum())) > best:
            return tried, found
        share /= 2.0
    return mass, best


@dataclass(frozen=True, slots=True)
class WaitingTime:
    """Weibull distribution of a time that was only seen between two looks.

    Parameters
    ----------
    n, n_seen : int
        Intervals; those whose end was seen.
    shape : Estimate
        Below 1: the rate falls with time; above: it grows.
    scale_weeks, median_weeks : Estimate
        Time by which 63 % and 50 % have happened.
    """

    n: int
    n_seen: int
    shape: Estimate
    scale_weeks: Estimate
    median_weeks: Estimate


def fit_waiting_time(from_weeks: ArrayLike, to_weeks: ArrayLike) -> WaitingTime:
    """Return a Weibull distribution fitted to times that are known to lie in intervals.

    Parameters
    ----------
    from_weeks, to_weeks : array_like, shape (N,)
        As for `waiting_mass`.

    Raises
    ------
    ValueError
        If fewer than three events were seen, one of them at zero, or if the intervals do not tell the
        distribution: where all have a part in common, any that lies within it is as likely.

    Notes
    -----
    Maximum likelihood on the logarithms of shape and scale; intervals from the curvature there.
    """
    left, right = np.asarray(from_weeks, dtype=np.float64), np.asarray(to_weeks, dtype=np.float64)
    seen = np.isfinite(right)
    if seen.sum() < 3 or right.min() <= 0.0:
        raise ValueError("fewer than three events were seen, or one without any waiting")
    start = np.array([0.0, math.log(float(np.median(right[seen])) + 1e-9)])
    found = optimize.minimize(_minus_log_likelihood, start, args=(left, right), method="Nelder-Mead",
                              options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000})  # fmt: skip
    curvature = _curvature(found.x, left, right)
    if not np.linalg.eigvalsh(curvature).min() > _LEAST_CURVATURE:
        raise ValueError("the intervals do not tell the distribution")
    covariance = np.linalg.inv(curvature)
    log_shape, log_scale = (float(v) for v in found.x)
    # ln median = ln scale + ln(ln 2) / shape
    tilt = -math.log(math.log(2.0)) * math.exp(-log_shape)
    gradient = np.array([tilt, 1.0])
    return WaitingTime(
        left.size,
        int(seen.sum()),
        _on_log_scale(log_shape, float(covariance[0, 0])),
        _on_log_scale(log_scale, float(covariance[1, 1])),
        _on_log_scale(log_scale - tilt, float(gradient @ covariance @ gradient)),
    )


def _on_log_scale(log_value: float, variance: float) -> Estimate:
    half = COVERAGE_95 * math.sqrt(max(variance, 0.0))
    return Estimate(math.exp(log_value), math.exp(log_value - half), math.exp(log_value + half))


def _minus_log_likelihood(logs: FloatArray, left: FloatArray, right: FloatArray) -> float:
    shape, scale = math.exp(min(logs[0], 5.0)), math.exp(min(logs[1], 20.0))
    waiting = stats.weibull_min(shape, scale=scale)
    exact = left == right
    share = waiting.sf(left) - waiting.sf(right)
    share[exact] = waiting.pdf(right[exact])
    return -float(np.log(np.maximum(share, 1e-300)).sum())


def _curvature(at: FloatArray, left: FloatArray, right: FloatArray) -> FloatArray:
    """Return the second derivatives of minus the log-likelihood by central differences, shape (2, 2)."""
    step = 1e-3  # of logarithms

    def value(i: float, j: float) -> float:
        return _minus_log_likelihood(at + step * np.array([i, j]), left, right)

    middle = value(0, 0)
    across = (value(1, 1) - value(1, -1) - value(-1, 1) + value(-1, -1)) / 4.0
    first = value(1, 0) - 2.0 * middle + value(-1, 0)
    second = value(0, 1) - 2.0 * middle + value(0, -1)
    return np.array([[first, across], [across, second]]) / step**2
