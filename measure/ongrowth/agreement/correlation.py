"""How much of the spread between readings is spread between subjects."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.agreement.pairs import complete_pairs
from ongrowth.agreement.repeatability import REPEATABILITY_FACTOR
from ongrowth.estimate import Estimate
from ongrowth.quantity import COVERAGE_95

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """Two-way analysis of variance of subjects by readers without replicates.

    Parameters
    ----------
    n_subjects, n_readers : int
        Size of the table.
    between, within, readers, error : float
        Mean squares between subjects, within subjects, between readers, and of the residual.
    """

    n_subjects: int
    n_readers: int
    between: float
    within: float
    readers: float
    error: float


@dataclass(frozen=True, slots=True)
class IntraclassForm:
    """One form of the intraclass correlation.

    Parameters
    ----------
    name : str
        "ICC(1,1)" ... "ICC(3,k)", in the numbering of Shrout and Fleiss.
    meaning : str
        What it speaks of.
    estimate : Estimate
        Value and 95 % interval.
    """

    name: str
    meaning: str
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class Intraclass:
    """All forms of the intraclass correlation, and what follows from them in the unit of the readings.

    Parameters
    ----------
    mean_squares : MeanSquares
        The analysis of variance.
    forms : tuple of IntraclassForm
        Six forms: single readings, then means of all readers.
    standard_error_of_measurement : float
        Square root of the residual mean square (consistency).
    smallest_detectable_change : float
        1.96 sqrt(2) times that.
    """

    mean_squares: MeanSquares
    forms: tuple[IntraclassForm, ...]
    standard_error_of_measurement: float
    smallest_detectable_change: float

    def __getitem__(self, name: str) -> Estimate:
        """Return the estimate of a form by its name."""
        return next(form.estimate for form in self.forms if form.name == name)


def mean_squares(ratings: ArrayLike) -> MeanSquares:
    """Return the two-way analysis of variance of a table of readings.

    Parameters
    ----------
    ratings : array_like, shape (N, K)
        N subjects, each read once by K readers; no gaps.

    Raises
    ------
    ValueError
        If the table has gaps, or fewer than two subjects or readers.
    """
    x = np.asarray(ratings, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.all(np.isfinite(x)):
        raise ValueError("a full table of at least two subjects and two readers is needed")
    n, k = x.shape
    subject, reader, grand = x.mean(axis=1), x.mean(axis=0), x.mean()
    residual = x - subject[:, None] - reader[None, :] + grand
    return MeanSquares(
        n,
        k,
        between=float(k * np.sum((subject - grand) ** 2) / (n - 1)),
        within=float(np.sum((x - subject[:, None]) ** 2) / (n * (k - 1))),
        readers=float(n * np.sum((reader - grand) ** 2) / (k - 1)),
        error=float(np.sum(residual**2) / ((n - 1) * (k - 1))),
    )


def intraclass_correlation(ratings: ArrayLike) -> Intraclass:
    """Return the six forms of the intraclass correlation with their 95 % intervals.

    Parameters
    ----------
    ratings : array_like, shape (N, K)
        N subjects, each read once by K readers; no gaps.

    Raises
    ------
    ValueError
        If the table has gaps, or fewer than two subjects or readers.

    Notes
    -----
    Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: forms and intervals; for form 2 the degrees of freedom
    of Satterthwaite given there. Means of K readers by the Spearman-Brown relation, which the intervals obey;
    where subjects differ no more than readings of one, it has no lower bound.
    """
    squares = mean_squares(ratings)
    k = squares.n_readers
    single = (
        ("1", "each subject by other readers, absolute agreement", _one_way(squares)),
        ("2", "readers as a sample of readers, absolute agreement", _two_way_random(squares)),
        ("3", "these very readers, consistency", _two_way_fixed(squares)),
    )
    forms = [IntraclassForm(f"ICC({n},1)", f"{words}, single reading", e) for n, words, e in single]
    forms += [
        IntraclassForm(f"ICC({n},k)", f"{words}, mean of {k} readers", _of_means(e, k))
        for n, words, e in single
    ]
    error_sd = math.sqrt(squares.error)
    return Intraclass(squares, tuple(forms), error_sd, REPEATABILITY_FACTOR * error_sd)


def _ratio(value: float, floor: float, k: int) -> float:
    """Return (F - 1) / (F + k - 1) with F = value / floor; 1 without any spread in the floor."""
    if floor == 0.0:
        return 1.0 if value > 0.0 else math.nan
    f = value / floor
    return (f - 1.0) / (f + k - 1.0)


def _from_f(between: float, floor: float, k: int, df: tuple[float, float]) -> Estimate:
    """Return the estimate whose F ratio has an exact distribution."""
    low = _ratio(between / float(stats.f.ppf(0.975, *df)), floor, k)
    high = _ratio(between * float(stats.f.ppf(0.975, *df[::-1])), floor, k)
    return Estimate(_ratio(between, floor, k), low, high)


def _one_way(s: MeanSquares) -> Estimate:
    return _from_f(s.between, s.within, s.n_readers, (s.n_subjects - 1, s.n_subjects * (s.n_readers - 1)))


def _two_way_fixed(s: MeanSquares) -> Estimate:
    df = (s.n_subjects - 1, (s.n_subjects - 1) * (s.n_readers - 1))
    return _from_f(s.between, s.error, s.n_readers, df)


def _two_way_random(s: MeanSquares) -> Estimate:
    n, k = s.n_subjects, s.n_readers
    rest = n * (k - 1) - k
    total = s.between + (k - 1) * s.error + k * (s.readers - s.error) / n
    value = (s.between - s.error) / total if total > 0.0 else math.nan
    if s.error == 0.0:
        return Estimate(value)
    f_readers = s.readers / s.error
    a = k * value * f_readers
    b = n * (1.0 + (k - 1) * value) - k * value
    if a == b == 0.0:  # neither subjects nor readers differ: nothing to tell its spread from
        return Estimate(value)
    df = (k - 1) * (n - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    f_low, f_high = float(stats.f.ppf(0.975, n - 1, df)), float(stats.f.ppf(0.975, df, n - 1))
    common = k * s.readers + rest * s.error
    low = n * (s.between - f_low * s.error) / (f_low * common + n * s.between)
    high = n * (f_high * s.between - s.error) / (common + n * f_high * s.between)
    return Estimate(value, low, high)


def _of_means(single: Estimate, k: int) -> Estimate:
    def stepped(r: float) -> float:
        noise = 1.0 + (k - 1) * r  # 0 where the means of the subjects do not differ at all
        return k * r / noise if noise > 1e-12 else -math.inf

    return Estimate(stepped(single.value), stepped(single.low95), stepped(single.high95))


def concordance(first: ArrayLike, second: ArrayLike) -> Estimate:
    """Return Lin's concordance correlation of paired readings.

    Parameters
    ----------
    first, second : array_like, shape (N,)
        Readings of the same subjects; pairs with a NaN are left out.

    Raises
    ------
    ValueError
        If fewer than four pairs are complete.

    Notes
    -----
    Population variances. Lin LI. Biometrics 1989;45:255-268, interval by the inverse hyperbolic tangent, with
    the correction of Biometrics 2000;56:324-325 (formulas from memory).
    """
    x, y = complete_pairs(first, second)
    if x.size < 4:
        raise ValueError("fewer than four complete pairs")
    shift = float(x.mean() - y.mean())
    sx, sy = float(x.std()), float(y.std())
    covariance = float(np.mean((x - x.mean()) * (y - y.mean())))
    whole = sx**2 + sy**2 + shift**2
    if whole == 0.0 or covariance == 0.0:
        return Estimate(math.nan)
    c, r = 2.0 * covariance / whole, covariance / (sx * sy)
    if abs(r) >= 1.0 - 1e-12:
        return Estimate(c)
    u2 = shift**2 / (sx * sy)
    variance = (
        (1.0 - r**2) * c**2 / ((1.0 - c**2) * r**2)
        + 2.0 * c**3 * (1.0 - c) * u2 / (r * (1.0 - c**2) ** 2)
        - c**4 * u2**2 / (2.0 * r**2 * (1.0 - c**2) ** 2)
    ) / (x.size - 2)
    z, half = math.atanh(c), COVERAGE_95 * math.sqrt(max(variance, 0.0))
    return Estimate(c, math.tanh(z - half), math.tanh(z + half))
