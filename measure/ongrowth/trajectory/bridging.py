"""When a defect was first seen bridged: only ever known to lie between two CTs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from ongrowth.geometry import lock_arrays
from ongrowth.tidy import select
from ongrowth.trajectory.waiting import waiting_mass

FloatArray = NDArray[np.float64]

HALF_BRIDGED = 0.5  # used in most studies: Willems A et al. Eur J Radiol 2022;156:110511
_A_DAY = 1.0 / 7.0  # weeks: what is bridged on the day of surgery was so within it


@dataclass(frozen=True, slots=True)
class BridgingInterval:
    """A defect was first seen bridged in (from, to]; `to_weeks` infinite: not yet at the last CT."""

    case: str
    implant: str
    from_weeks: float
    to_weeks: float


def bridging_intervals(table: pd.DataFrame, fraction: float = HALF_BRIDGED) -> tuple[BridgingInterval, ...]:
    """Return for each screw between which weeks its defect became bridged.

    Parameters
    ----------
    table : DataFrame
        Long table, as ``scans.parquet``.
    fraction : float
        Bridged fraction that counts as bridged.

    Notes
    -----
    A CT at which the fraction is not measurable tells nothing, and a missed visit neither: both widen the
    interval. The first CT at or above `fraction` counts, also if a later one or one of that week reads below.
    """
    rows = select(table, "bridged_fraction", ("defect",))
    return tuple(
        BridgingInterval(str(case), str(implant), *_interval(group, fraction))
        for (case, implant), group in rows.groupby(["case", "implant"], sort=True)
    )


def _interval(group: pd.DataFrame, fraction: float) -> tuple[float, float]:
    weeks, value = group["weeks_since_surgery"].to_numpy(), group["value"].to_numpy()
    reached = np.flatnonzero(value >= fraction)
    if reached.size == 0:
        return float(weeks[-1]), math.inf
    seen = float(weeks[reached[0]])
    return float(max(weeks[weeks < seen], default=0.0)), max(seen, _A_DAY)


@dataclass(frozen=True, slots=True, eq=False)
class BridgedShare:
    """Share of defects that are bridged by each week.

    Parameters
    ----------
    weeks : ndarray, shape (K,)
        Weeks.
    least, largest : ndarray, shape (K,)
        Share that must, and that may, have happened by then: the data leave open where within its
        interval an event lies.
    low95, high95 : ndarray, shape (K,)
        Interval of the share, patients drawn again with replacement; no narrower than that of a share of as
        many patients as were seen to be bridged or not by then.
    n_patients, n_defects, n_seen : int
        Patients, defects, and those seen bridged.
    """

    weeks: FloatArray
    least: FloatArray
    largest: FloatArray
    low95: FloatArray
    high95: FloatArray
    n_patients: int
    n_defects: int
    n_seen: int

    def __post_init__(self) -> None:
        lock_arrays(self)


def bridged_share(
    intervals: tuple[BridgingInterval, ...],
    weeks: FloatArray | None = None,
    *,
    n_draws: int = 300,
    seed: int = 1,
) -> BridgedShare:
    """Return the share of defects bridged by each week, with an interval from drawing patients again.

    Parameters
    ----------
    intervals : tuple of BridgingInterval
        As `bridging_intervals` gives them.
    weeks : ndarray, optional
        Weeks to tell; by default 40 up to the last CT.
    n_draws, seed : int
        Of the resampling.

    Raises
    ------
    ValueError
        If there is no interval.

    Notes
    -----
    Ends of intervals are taken in whole weeks. Visits planned for one week scatter by days, and an estimate
    to the day would put all that is still open into the days between the scattered visits. Where none or all
    are bridged, drawing them again tells nothing: the interval of Clopper CJ, Pearson ES. Biometrika
    1934;26:404-413 does.
    """
    left = np.round([i.from_weeks for i in intervals])
    right = np.maximum(np.round([i.to_weeks for i in intervals]), left + 1.0)
    known = np.concatenate([left, right[np.isfinite(right)]])
    at = np.linspace(0.0, float(known.max()), 40) if weeks is None else np.asarray(weeks, dtype=np.float64)
    least, largest = waiting_mass(left, right).happened(at)
    middle = _middle_of_draws([i.case for i in intervals], left, right, at, n_draws, seed)
    low, high = np.percentile(middle, [2.5, 97.5], axis=0)
    cases = np.array([i.case for i in intervals])
    is_told = (right[:, None] <= at) | (left[:, None] >= at)
    n_told = np.array([np.unique(cases[told]).size for told in is_told.T])
    return BridgedShare(
        at,
        least,
        largest,
        np.minimum(low, _exact(least, n_told)[0]),
        np.maximum(high, _exact(largest, n_told)[1]),
        len(set(cases)),
        len(intervals),
        int(np.isfinite(right).sum()),
    )


def _exact(share: FloatArray, n: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Return the exact interval of a share of n, shapes (K,); all from 0 to 1 where n is 0."""
    seen = share * n
    low, high = stats.beta.ppf(0.025, seen, n - seen + 1.0), stats.beta.ppf(0.975, seen + 1.0, n - seen)
    return np.nan_to_num(low, nan=0.0), np.nan_to_num(high, nan=1.0)


def _middle_of_draws(
    cases: list[str], left: FloatArray, right: FloatArray, at: FloatArray, n_draws: int, seed: int
) -> FloatArray:
    """Return the middle of least and largest share for patients drawn with replacement, shape (N, K)."""
    rng = np.random.default_rng(seed)
    _, owner = np.unique(cases, return_inverse=True)
    members = [np.flatnonzero(owner == k) for k in range(owner.max() + 1)]
    draws = []
    for _ in range(n_draws):
        chosen = np.concatenate([members[k] for k in rng.integers(0, len(members), len(members))])
        least, largest = waiting_mass(left[chosen], right[chosen]).happened(at)
        draws.append(0.5 * (least + largest))
    return np.array(draws)
