"""Agreement statistics against simulated truth, against a general statistics library, and at their edges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.tools import add_constant

from ongrowth.agreement import (
    Layout,
    compare,
    concordance,
    cross_table,
    difference_picture,
    double_examination,
    intraclass_correlation,
    limits_of_agreement,
    limits_with_replicates,
    linearity_and_bias,
    measure_repeatability,
    weighted_kappa,
)
from ongrowth.agreement.category import Weights
from ongrowth.estimate import Estimate
from ongrowth.scan import Refused
from ongrowth.tidy import numbers

REPEATS = 400
THREE_SE = 3.0 * math.sqrt(0.95 * 0.05 / REPEATS)  # of a share that should be 95 %


def readings(
    rng: np.random.Generator, n: int = 20, k: int = 2, between: float = 0.6, within: float = 0.1
) -> NDArray[np.float64]:
    return 1.0 + rng.normal(0, between, (n, 1)) + rng.normal(0, within, (n, k))


def share_inside(intervals: list[Estimate], truth: float) -> float:
    return float(np.mean([i.low95 <= truth <= i.high95 for i in intervals]))


def test_repeatability_interval_holds_the_true_spread() -> None:
    rng = np.random.default_rng(1)
    found = [measure_repeatability(list(readings(rng, k=3))) for _ in range(REPEATS)]
    assert share_inside([f.within_sd for f in found], 0.1) == pytest.approx(0.95, abs=THREE_SE)
    below = np.mean([f.coefficient_upper95 < 0.1 * 1.96 * math.sqrt(2) for f in found])
    assert below == pytest.approx(0.05, abs=THREE_SE)


def test_repeatability_takes_any_number_of_readings_and_ignores_single_ones() -> None:
    found = measure_repeatability([[1.0, 1.2], [2.0], [3.0, 3.1, math.nan, 3.3], [math.nan, math.nan]])
    assert (found.n_subjects, found.n_values, found.degrees_of_freedom) == (2, 5, 3)
    assert found.within_sd.value == pytest.approx(math.sqrt((0.02 + 0.0466666667) / 3))
    assert math.isnan(found.spread_against_mean)


def test_repeatability_notices_that_the_spread_grows_with_the_mean() -> None:
    rng = np.random.default_rng(2)
    mean = np.linspace(0.2, 4.0, 60)[:, None]
    found = measure_repeatability(list(mean + 0.2 * mean * rng.standard_normal((60, 2))))
    assert found.spread_against_mean > 0.3
    assert found.spread_against_mean_p < 0.01


def test_nothing_read_twice_is_an_error() -> None:
    with pytest.raises(ValueError, match="no subject was read twice"):
        measure_repeatability([[1.0], [2.0]])
    with pytest.raises(ValueError, match="fewer than two complete pairs"):
        double_examination([1.0, math.nan], [1.0, 2.0])


def test_exact_intervals_of_the_limits_hold_the_true_limits() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(REPEATS):
        truth = rng.normal(1.0, 0.5, 12)
        found.append(
            limits_of_agreement(truth + 0.1 + rng.normal(0, 0.3, 12), truth + rng.normal(0, 0.4, 12))
        )
    assert share_inside([f.upper for f in found], 0.1 + 1.96 * 0.5) == pytest.approx(0.95, abs=THREE_SE)
    assert share_inside([f.lower for f in found], 0.1 - 1.96 * 0.5) == pytest.approx(0.95, abs=THREE_SE)
    assert share_inside([f.bias for f in found], 0.1) == pytest.approx(0.95, abs=THREE_SE)


def test_replicates_give_the_limits_of_single_readings() -> None:
    """Means of replicates alone would give limits that are too narrow."""
    rng = np.random.default_rng(4)
    found, narrow = [], []
    for _ in range(REPEATS):
        truth = rng.normal(1.0, 0.5, (30, 1))
        first, second = truth + 0.1 + rng.normal(0, 0.3, (30, 3)), truth + rng.normal(0, 0.4, (30, 2))
        found.append(limits_with_replicates(list(first), list(second)))
        narrow.append(limits_of_agreement(first.mean(axis=1), second.mean(axis=1)).sd)
    assert np.mean([f.sd for f in found]) == pytest.approx(0.5, abs=0.01)
    assert np.mean(narrow) < 0.36
    assert share_inside([f.upper for f in found], 0.1 + 1.96 * 0.5) == pytest.approx(
        0.95, abs=THREE_SE + 0.01
    )


def test_single_readings_are_replicates_of_one() -> None:
    rng = np.random.default_rng(5)
    x, y = rng.normal(1, 0.4, 15), rng.normal(1, 0.4, 15)
    single = limits_of_agreement(x, y)
    replicates = limits_with_replicates([[v] for v in x], [[v] for v in y])
    assert replicates.sd == pytest.approx(single.sd)
    assert replicates.upper.value == pytest.approx(single.upper.value)
    with pytest.raises(ValueError, match="equally many"):
        limits_with_replicates([[1, 2], [1], [3, 3]], [[1], [1], [2]], ordered=True)


def test_intraclass_intervals_hold_the_true_ratio() -> None:
    rng = np.random.default_rng(6)
    found = []
    for _ in range(REPEATS):
        shift = rng.normal(0, 0.2, (1, 4))
        found.append(intraclass_correlation(readings(rng, n=25, k=4, between=0.5, within=0.3) + shift))
    consistency, agreement = 0.25 / (0.25 + 0.09), 0.25 / (0.25 + 0.04 + 0.09)
    assert share_inside([f["ICC(3,1)"] for f in found], consistency) == pytest.approx(0.95, abs=THREE_SE)
    assert share_inside([f["ICC(2,1)"] for f in found], agreement) == pytest.approx(0.95, abs=THREE_SE + 0.01)


def test_intraclass_of_perfect_readers_is_one_and_gaps_are_refused() -> None:
    found = intraclass_correlation(np.repeat(np.arange(5.0)[:, None], 3, axis=1))
    assert [form.estimate.value for form in found.forms] == [1.0] * 6
    with pytest.raises(ValueError, match="a full table"):
        intraclass_correlation([[1.0, math.nan], [2.0, 2.0]])


@pytest.mark.parametrize(
    "rows", [[[1, 2], [2, 1], [1, 2], [2, 1]], [[1, 2, 3], [2, 3, 1], [3, 1, 2], [2, 1, 3]]]
)
def test_readings_that_tell_no_subject_from_another_have_an_intraclass_correlation_without_bound(
    rows: list[list[int]],
) -> None:
    found = intraclass_correlation(rows)
    assert found["ICC(3,1)"].value == pytest.approx(-1.0 / (len(rows[0]) - 1))
    assert found["ICC(1,k)"].value == found["ICC(3,k)"].value == -math.inf
    assert all(not form.estimate.value > 1.0 for form in found.forms)


def test_concordance_interval_holds_the_truth() -> None:
    rng = np.random.default_rng(7)
    s1, s2, c, shift = 0.25 + 0.04, 0.25 + 0.09, 0.25, 0.1
    truth = 2 * c / (s1 + s2 + shift**2)
    found = []
    for _ in range(REPEATS):
        t = rng.normal(0, 0.5, 40)
        found.append(concordance(t + shift + rng.normal(0, 0.2, 40), t + rng.normal(0, 0.3, 40)))
    assert share_inside(found, truth) == pytest.approx(0.95, abs=THREE_SE + 0.01)
    assert concordance([1, 2, 3, 4], [1, 2, 3, 4]).value == pytest.approx(1.0)


def test_line_is_that_of_a_general_library() -> None:
    rng = np.random.default_rng(8)
    x = rng.uniform(0, 4, 50)
    y = 0.1 + 0.95 * x + rng.normal(0, 0.2, 50)
    ours, theirs = linearity_and_bias(x, y), OLS(y, add_constant(x)).fit()
    assert [ours.intercept.value, ours.slope.value] == pytest.approx(theirs.params, rel=1e-10)
    assert [ours.intercept_se, ours.slope_se] == pytest.approx(theirs.bse, rel=1e-10)
    assert (ours.slope.low95, ours.slope.high95) == pytest.approx(theirs.conf_int()[1], rel=1e-10)
    assert ours.r_squared == pytest.approx(theirs.rsquared, rel=1e-10)
    bent = OLS(y, np.column_stack([np.ones(50), x, x**2])).fit()
    assert ours.curvature_p == pytest.approx(bent.pvalues[2], rel=1e-7)


def test_a_bent_line_is_noticed() -> None:
    x = np.linspace(0, 4, 30)
    y = x + 0.1 * (x - 2) ** 2 + np.random.default_rng(9).normal(0, 0.02, 30)
    assert linearity_and_bias(x, y).curvature_p < 1e-6
    with pytest.raises(ValueError, match="different truths"):
        linearity_and_bias([1, 1, 1], [1, 2, 3])


@pytest.mark.parametrize(
    ("weights", "name"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")]
)
def test_kappa_is_that_of_a_general_library(weights: Weights, name: str | None) -> None:
    table = np.random.default_rng(10).integers(1, 20, (4, 4)) + 20 * np.eye(4, dtype=int)
    ours, theirs = weighted_kappa(table, weights), cohens_kappa(table, wt=name)
    assert ours.estimate.value == pytest.approx(theirs.kappa, rel=1e-12)
    assert ours.standard_error == pytest.approx(theirs.std_kappa, rel=1e-9)


def test_kappa_at_its_edges() -> None:
    words = ("none", "thin", "wide")
    always = weighted_kappa(cross_table(words * 4, words * 4, words)).estimate
    never = weighted_kappa([[0, 6], [6, 0]], "none").estimate
    assert (always.value, never.value) == (1.0, -1.0)
    assert all(math.isnan(end) for one in (always, never) for end in (one.low95, one.high95))
    alone = weighted_kappa(cross_table(["none"] * 5, ["none"] * 5, words))
    assert math.isnan(alone.estimate.value)
    assert alone.observed_agreement == 1.0
    with pytest.raises(ValueError, match="not one of the categories: broad"):
        cross_table(["broad"], ["thin"], words)
    with pytest.raises(ValueError, match="square table"):
        weighted_kappa([[0, 0], [0, 0]])


def test_kappa_is_weighted_only_where_the_order_of_the_categories_is_told() -> None:
    """By the alphabet "much" lies beside "none"."""
    words = ("none", "some", "much")
    one = [words[k % 3] for k in range(12)]
    other = ["much", *one[1:]]  # the first was "none"
    readings = pd.DataFrame(
        {"subject": [*range(12)] * 2, "reader": ["a"] * 12 + ["b"] * 12, "category": [*one, *other]}
    )
    layout = Layout(("subject",), "", "reader", "", "category")
    plain = {f.name for f in compare(readings, layout)}
    told = {f.name: f.estimate for f in compare(readings, replace(layout, categories=words))}
    assert plain == {"kappa", "share of equal categories"}
    assert told["kappa, linear weights"].value < told["kappa"].value


def test_rows_without_a_word_are_a_part_of_their_own() -> None:
    readings = pd.DataFrame(
        [(f"s{k}", reader, float(k), kernel) for kernel in ("B", None) for k in range(5) for reader in "xy"],
        columns=["subject", "reader", "value", "kernel"],
    )
    readings["value"] += np.arange(len(readings)) % 3
    layout = Layout(("subject",), method="reader", by="kernel")
    assert {f.part for f in compare(readings, layout)} == {"B", "not stated"}
    later = readings[readings["kernel"].isna()]
    assert difference_picture(later, layout, compare(later, layout)).startswith("<svg")


def test_an_estimate_prints_like_a_table_cell() -> None:
    assert str(Estimate(12.3456, 11.0, 14.0)) == "12.3 (11.0 to 14.0)"
    assert str(Estimate(math.nan)) == "not estimable"
    assert str(Estimate(0.5)) == "0.500"
    assert Estimate(1.0, math.nan, math.inf).as_dict() == {"value": 1.0, "low95": None, "high95": None}


def test_a_word_among_decimal_commas_is_the_one_that_is_told() -> None:
    table = pd.DataFrame({"patient": [1, 1, 2, 2], "value": ["0,6", "1", "", "none"]})
    with pytest.raises(Refused, match=r"bad-value.*is no number: 'none'\."):
        numbers(table, "value")


def test_a_value_that_is_no_number_is_told_and_not_dropped() -> None:
    table = pd.DataFrame({"patient": [1, 1, 2, 2], "value": ["1.0", "1,1", "", "n/a"]})
    with pytest.raises(Refused, match=r"bad-value.*'1,1', 'n/a'"):
        compare(table, Layout(("patient",)))
