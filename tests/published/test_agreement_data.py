"""Statistics of agreement and of waiting times against published data, each value with its source."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from ongrowth.agreement import (
    REPEATABILITY_FACTOR,
    concordance,
    double_examination,
    intraclass_correlation,
    limits_of_agreement,
    limits_with_replicates,
    linearity_and_bias,
    measure_repeatability,
    spread_factors,
    upper_spread_factor,
    weighted_kappa,
)
from ongrowth.trajectory import kaplan_meier, log_rank, waiting_mass

SHARED = Path(os.environ.get("ONGROWTH_SHARED", Path(__file__).parents[3] / "shared"))
DATA = SHARED / "check_data"

# Bland JM, Altman DG. Lancet 1986;327:307-310, doi:10.1016/S0140-6736(86)90837-8: peak flow, l/min,
# 17 subjects, two meters, two readings each
WRIGHT_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
WRIGHT_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
MINI_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINI_2 = [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443]

# Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428: six targets, four judges
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def column(name: str, file: str) -> list[float]:
    path = DATA / file
    if not path.is_file():
        pytest.skip(f"{file} is published data outside the repository (set ONGROWTH_SHARED to their folder)")
    with path.open(encoding="utf-8") as lines:
        return [float(row[name]) for row in csv.DictReader(lines)]


def test_the_peak_flow_data_are_those_of_the_shared_file() -> None:
    file = "pefr_bland_altman_1986.csv"
    for name, typed in (("wright1", WRIGHT_1), ("wright2", WRIGHT_2), ("mini1", MINI_1), ("mini2", MINI_2)):
        assert column(name, file) == typed


def test_limits_of_agreement_of_the_peak_flow_meters() -> None:
    found = limits_of_agreement(WRIGHT_1, MINI_1)
    assert found.n == 17
    assert found.bias.value == pytest.approx(-2.1176470588, abs=1e-9)
    assert found.sd == pytest.approx(38.7651298736, abs=1e-9)
    assert found.lower.value == pytest.approx(-78.0973016111, abs=1e-9)
    assert found.upper.value == pytest.approx(73.8620074934, abs=1e-9)
    assert found.bias.low95 == pytest.approx(-22.0488376966, abs=1e-9)
    assert found.bias.high95 == pytest.approx(17.8135435790, abs=1e-9)


def test_intervals_of_the_limits_as_the_paper_gives_them() -> None:
    """Limits at two SD, standard error sqrt(3 s2 / n); the paper prints -114.3 to -45.1, 40.9 to 110.0."""
    found = limits_of_agreement(WRIGHT_1, MINI_1, multiple=2.0, interval="approximate")
    assert (found.upper.low95, found.upper.high95) == pytest.approx((40.8907778483, 109.9344475284), abs=1e-6)
    assert (found.lower.low95, found.lower.high95) == pytest.approx(
        (-114.1697416461, -45.1260719660), abs=1e-6
    )


def test_within_subject_spread_and_repeatability_coefficient_of_both_meters() -> None:
    for pairs, sd, coefficient in (
        (zip(WRIGHT_1, WRIGHT_2, strict=True), 15.3066690579, 42.4279219937),
        (zip(MINI_1, MINI_2, strict=True), 19.9108306324, 55.1900067681),
    ):
        found = measure_repeatability([list(pair) for pair in pairs])
        assert found.within_sd.value == pytest.approx(sd, abs=1e-9)
        assert found.coefficient.value == pytest.approx(coefficient, abs=1e-9)
        assert found.degrees_of_freedom == 17


def test_interval_of_the_repeatability_coefficient() -> None:
    found = measure_repeatability(np.column_stack([WRIGHT_1, WRIGHT_2]).tolist()).coefficient
    assert (found.low95, found.high95) == pytest.approx((31.8373863525, 63.6055642716), abs=1e-6)


def test_double_examination() -> None:
    """Zero motion: Acta Orthop 2022, doi:10.2340/17453674.2022.2528; with t: doi:10.1002/jor.70146."""
    found = double_examination(WRIGHT_1, WRIGHT_2)
    assert found.rms == pytest.approx(21.6468989764, abs=1e-9)
    assert found.precision95 == pytest.approx(42.4279219937, abs=1e-9)
    assert found.precision95_t == pytest.approx(46.0529028, abs=1e-4)


def test_limits_from_means_of_replicates() -> None:
    """var = s_D^2 + s1^2/4 + s2^2/4. With spreads about zero the paper rounds to 37.7 (from memory)."""
    first, second = np.column_stack([WRIGHT_1, WRIGHT_2]), np.column_stack([MINI_1, MINI_2])
    found = limits_with_replicates(first.tolist(), second.tolist(), ordered=True)
    assert found.sd == pytest.approx(37.8008033684, abs=1e-6)
    assert found.lower.value == pytest.approx(-80.1189863667, abs=1e-6)
    assert found.upper.value == pytest.approx(68.0601628373, abs=1e-6)
    assert round(limits_with_replicates(first.tolist(), second.tolist()).sd, 1) == 37.7


def test_correlation_and_concordance() -> None:
    """Lin 1989, population variances (formula from memory)."""
    assert np.corrcoef(WRIGHT_1, MINI_1)[0, 1] == pytest.approx(0.9432794469, abs=1e-9)
    assert concordance(WRIGHT_1, MINI_1).value == pytest.approx(0.9427424314, abs=1e-9)


def test_mean_squares_of_the_judges() -> None:
    found = intraclass_correlation(JUDGES).mean_squares
    assert found.between == pytest.approx(11.2416666667, abs=1e-9)
    assert found.within == pytest.approx(6.2638888889, abs=1e-9)
    assert found.readers == pytest.approx(32.4861111111, abs=1e-9)
    assert found.error == pytest.approx(1.0194444444, abs=1e-9)


# value recomputed from the data; two digits printed by Shrout and Fleiss; interval as the package psych (R)
# prints it for these data
FORMS = {
    "ICC(1,1)": (0.1657417684, 0.17, -0.133, 0.72),
    "ICC(2,1)": (0.2897637796, 0.29, 0.019, 0.76),
    "ICC(3,1)": (0.7148407148, 0.71, 0.342, 0.95),
    "ICC(1,k)": (0.4427971337, 0.44, -0.884, 0.91),
    "ICC(2,k)": (0.6200505476, 0.62, 0.071, 0.93),
    "ICC(3,k)": (0.9093155424, 0.91, 0.676, 0.99),
}


@pytest.mark.parametrize("name", FORMS)
def test_forms_of_the_intraclass_correlation(name: str) -> None:
    value, printed, low, high = FORMS[name]
    found = intraclass_correlation(JUDGES)[name]
    assert found.value == pytest.approx(value, abs=1e-9)
    assert round(found.value, 2) == printed
    assert found.low95 == pytest.approx(low, abs=5e-4)
    assert found.high95 == pytest.approx(high, abs=5e-3)


def test_standard_error_of_measurement_and_smallest_detectable_change() -> None:
    found = intraclass_correlation(JUDGES)
    assert found.standard_error_of_measurement == pytest.approx(1.0096754154, abs=1e-6)
    assert found.smallest_detectable_change == pytest.approx(2.7986774, abs=1e-6)


def test_certified_straight_line() -> None:
    """NIST Statistical Reference Datasets, Norris: certified to 15 digits."""
    file = "nist_strd_norris.csv"
    found = linearity_and_bias(column("x", file), column("y", file))
    assert found.n == 36
    assert found.slope.value == pytest.approx(1.00211681802045, abs=1e-12)
    assert found.intercept.value == pytest.approx(-0.262323073774029, abs=1e-10)
    assert found.slope_se == pytest.approx(0.429796848199937e-03, abs=1e-12)
    assert found.intercept_se == pytest.approx(0.232818234301152, abs=1e-10)
    assert found.residual_sd == pytest.approx(0.884796396144373, abs=1e-11)
    assert found.r_squared == pytest.approx(0.999993745883712, abs=1e-13)
    assert found.mean_bias.value == pytest.approx(0.625, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "low", "high", "one_sided"),
    [
        (10, 0.6987170, 1.7549335, 1.5930720),
        (20, 0.7650591, 1.4440695, 1.3576377),
        (35, 0.8110816, 1.3044380, 1.2481899),
    ],
)
def test_factors_of_the_repeatability_coefficient(n: int, low: float, high: float, one_sided: float) -> None:
    """sqrt(n / chi-square): pairs of n subjects have n degrees of freedom."""
    assert spread_factors(n) == pytest.approx((low, high), abs=1e-6)
    assert upper_spread_factor(n) == pytest.approx(one_sided, abs=1e-6)


def test_factor_of_two_readings() -> None:
    assert pytest.approx(2.7718585823, abs=1e-9) == REPEATABILITY_FACTOR


# Kundel HL, Polansky M. Radiology 2003;228:303-308, Table A1: 110 mammograms, two readers, four categories.
# Kappa and standard errors as the package vcd (R) prints them for these data.
MAMMOGRAMS = [[34, 10, 2, 0], [6, 8, 8, 2], [2, 5, 4, 12], [0, 1, 2, 14]]


def test_kappa_of_two_mammogram_readers() -> None:
    plain, linear = weighted_kappa(MAMMOGRAMS, "none"), weighted_kappa(MAMMOGRAMS, "linear")
    assert plain.n == 110
    assert plain.estimate.value == pytest.approx(0.3713, abs=5e-5)
    assert plain.standard_error == pytest.approx(0.06033, abs=5e-6)
    assert linear.estimate.value == pytest.approx(0.5964, abs=5e-5)
    assert linear.standard_error == pytest.approx(0.04923, abs=5e-6)


# --- waiting times ------------------------------------------------------------------------------------

# Freireich EJ et al. Blood 1963;21:699-716: weeks of remission, 6-mercaptopurine and placebo
TREATED = [6, 6, 6, 7, 10, 13, 16, 22, 23, 6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
IS_RELAPSE = [1] * 9 + [0] * 12
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_the_remission_data_are_those_of_the_shared_file() -> None:
    file = "km_6mp_freireich_1963.csv"
    assert column("weeks", file) == [*TREATED, *PLACEBO]
    assert column("event", file) == [*IS_RELAPSE, *[1] * 21]


def test_product_limit_curve_of_remission() -> None:
    found = kaplan_meier(TREATED, IS_RELAPSE)
    assert found.weeks.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert found.n_at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    share = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    assert found.share == pytest.approx(share, abs=1e-6)
    assert found.share_u[[0, 2, 6]] == pytest.approx([0.076360, 0.096350, 0.134591], abs=1e-6)
    assert found.median_weeks == 23.0


def test_product_limit_curve_of_the_placebo() -> None:
    found = kaplan_meier(PLACEBO, [1] * 21)
    at_10 = int(np.flatnonzero(found.weeks <= 10)[-1])
    assert found.share[at_10] == pytest.approx(0.380952, abs=1e-6)
    assert found.share_u[at_10] == pytest.approx(0.105971, abs=1e-6)
    assert found.median_weeks == 8.0


def test_log_rank_of_remission() -> None:
    chi2, p = log_rank([*TREATED, *PLACEBO], [*IS_RELAPSE, *[1] * 21], ["6MP"] * 21 + ["placebo"] * 21)
    assert chi2 == pytest.approx(16.792940989, abs=1e-6)
    assert p == pytest.approx(4.16881e-05, abs=1e-9)


def test_small_product_limit_example() -> None:
    """Bewick V et al. Crit Care 2004;8:389, doi:10.1186/cc2955, Table 2."""
    found = kaplan_meier([1, 1, 4, 5, 6, 9, 9, 22], [1, 1, 1, 1, 0, 1, 0, 1])
    assert found.weeks.tolist() == [1, 4, 5, 9, 22]
    assert found.share == pytest.approx([0.750, 0.625, 0.500, 0.333333, 0.0], abs=1e-6)


# Finkelstein DM, Wolfe RA. Biometrics 1985;41:933-945: months to breast retraction, (left, right];
# 100: not yet
RADIOTHERAPY = """
45 100,6 10,0 7,46 100,46 100,7 16,17 100,7 14,37 44,0 8,4 11,15 100,11 15,22 100,46 100,46 100,
25 37,46 100,26 40,46 100,27 34,36 44,46 100,36 48,37 100,40 100,17 25,46 100,11 18,38 100,5 12,
37 100,0 5,18 100,24 100,36 100,5 11,19 35,17 25,24 100,32 100,33 100,19 26,37 100,34 100,
36 100"""
WITH_CHEMOTHERAPY = """
8 12,0 22,24 31,17 27,17 23,24 30,16 24,13 100,11 13,16 20,18 25,17 26,32 100,23 100,44 48,
14 17,0 5,5 8,12 20,11 100,33 40,31 100,13 39,19 32,34 100,13 100,16 24,35 100,15 22,11 17,
22 32,10 35,30 34,13 100,10 17,8 21,4 9,11 100,14 19,4 8,34 100,30 36,18 24,16 60,35 39,21 100,
11 20,48 100"""


def interval_ends(text: str) -> tuple[np.ndarray, np.ndarray]:
    ends = np.array([[float(end) for end in pair.split()] for pair in text.replace("\n", "").split(",")])
    return ends[:, 0], np.where(ends[:, 1] == 100.0, np.inf, ends[:, 1])


def test_masses_of_the_breast_retraction_data() -> None:
    """Fay MP, Shaw PA. J Stat Softw 2010;36(2): masses of the nonparametric estimate (from memory)."""
    alone = waiting_mass(*interval_ends(RADIOTHERAPY))
    assert alone.from_weeks.tolist() == [4, 6, 7, 11, 24, 33, 38, 46]
    assert alone.to_weeks.tolist()[:-1] == [5, 7, 8, 12, 25, 34, 40]
    assert alone.mass == pytest.approx(
        [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656], abs=5e-5
    )
    both = waiting_mass(*interval_ends(WITH_CHEMOTHERAPY))
    assert both.from_weeks.tolist() == [4, 5, 11, 16, 18, 19, 24, 30, 35, 44, 48]
    assert both.mass == pytest.approx(
        [0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608, 0.0552, 0.0552], abs=5e-5
    )
