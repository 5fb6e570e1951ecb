"""Agreement of categories: kappa, weighted by how far apart they are."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.estimate import Estimate
from ongrowth.quantity import COVERAGE_95

FloatArray = NDArray[np.float64]
Weights = Literal["none", "linear", "quadratic"]

_NO_SPREAD = 1e-6  # what rounding leaves of a standard error


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement of two readers beyond chance.

    Parameters
    ----------
    n : int
        Subjects.
    weights : str
        How disagreement counts: "none" (every one alike), "linear" or "quadratic" in the distance.
    estimate : Estimate
        Kappa and its 95 % interval.
    standard_error : float
        Large-sample standard error.
    observed_agreement, chance_agreement : float
        Weighted shares, 0..1.
    """

    n: int
    weights: str
    estimate: Estimate
    standard_error: float
    observed_agreement: float
    chance_agreement: float


def cross_table(
    first: Sequence[Hashable], second: Sequence[Hashable], categories: Sequence[Hashable]
) -> NDArray[np.int64]:
    """Return the counts of pairs of categories, shape (C, C): first reader down, second across.

    Parameters
    ----------
    first, second : sequence
        Category of each thing as each reader gave it.
    categories : sequence
        All categories, in order.

    Raises
    ------
    ValueError
        If a word is not one of the categories.
    """
    place = {category: k for k, category in enumerate(categories)}
    strange = sorted({str(word) for word in (*first, *second) if word not in place})
    if strange:
        raise ValueError(f"not one of the categories: {', '.join(strange)}")
    table = np.zeros((len(place), len(place)), dtype=np.int64)
    np.add.at(table, ([place[w] for w in first], [place[w] for w in second]), 1)
    return table


def weighted_kappa(table: ArrayLike, weights: Weights = "linear") -> Kappa:
    """Return kappa of a table of counts.

    Parameters
    ----------
    table : array_like, shape (C, C)
        Counts, categories in their order; first reader down, second across.
    weights : str
        "none", "linear" or "quadratic".

    Raises
    ------
    ValueError
        If the table is empty or not square.

    Notes
    -----
    Cohen J. Psychol Bull 1968;70:213-220; standard error of Fleiss JL, Cohen J, Everitt BS. Psychol Bull
    1969;72:323-327. Without any disagreement to expect, kappa is NaN; where readers always agree, or never,
    that standard error is 0, however little they have read, and there is no interval.
    """
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.sum() == 0:
        raise ValueError("a square table with at least one count is needed")
    n = counts.sum()
    p = counts / n
    w = agreement_weights(counts.shape[0], weights)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, chance = float(np.sum(w * p)), float(rows @ w @ columns)
    if chance >= 1.0:
        return Kappa(int(n), weights, Estimate(math.nan), math.nan, observed, chance)
    kappa = (observed - chance) / (1.0 - chance)
    mean_row, mean_column = w @ columns, w.T @ rows
    spread = np.sum(p * (w - (mean_row[:, None] + mean_column[None, :]) * (1.0 - kappa)) ** 2)
    variance = (float(spread) - (kappa - chance * (1.0 - kappa)) ** 2) / (n * (1.0 - chance) ** 2)
    se = math.sqrt(max(variance, 0.0))
    low, high = (max(kappa - COVERAGE_95 * se, -1.0), min(kappa + COVERAGE_95 * se, 1.0))
    estimate = Estimate(kappa, low, high) if se > _NO_SPREAD else Estimate(kappa)
    return Kappa(int(n), weights, estimate, se, observed, chance)


def agreement_weights(n_categories: int, weights: Weights) -> FloatArray:
    """Return how much each pair of categories counts as agreement, 1 on the diagonal, shape (C, C).

    Parameters
    ----------
    n_categories : int
        Number of categories.
    weights : {"none", "linear", "quadratic"}
        How agreement falls with the distance of two categories.

    Examples
    --------
    >>> agreement_weights(3, "linear")[0].tolist()
    [1.0, 0.5, 0.0]
    """
    if weights == "none" or n_categories < 2:
        return np.eye(n_categories)
    steps = np.arange(n_categories, dtype=np.float64)
    distance = np.abs(steps[:, None] - steps[None, :]) / (n_categories - 1)
    return 1.0 - (distance if weights == "linear" else distance**2)
