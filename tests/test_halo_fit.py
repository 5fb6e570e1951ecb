"""Parts of the halo's fit: what streaks look like, how residuals are heard, what is held when."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ongrowth.halo.fit import _misfit
from ongrowth.halo.hardening import hardening_shapes
from ongrowth.halo.model import BENDS, BLUR, LIFT, VALLEY_MM, Rod, lucent_of, widening, width_of
from ongrowth.halo.prior import plain_curve, shared_prior


def test_round_an_upright_rod_only_directed_shapes_reach_out_and_follow_twice_the_angle() -> None:
    angle = np.radians(np.arange(0.0, 360.0, 5.0))
    shapes = hardening_shapes(2.0, 1.0, 3.0 * np.cos(angle), 3.0 * np.sin(angle), 6.5)
    assert np.abs(shapes[:2]).max() < 0.05  # hardening that is alike from all sides cups the rod alone
    for shape, wave in zip(shapes[2:], [np.cos(2 * angle), np.sin(2 * angle)] * 2, strict=True):
        assert abs(np.corrcoef(shape, wave)[0, 1]) > 0.999
        assert abs(shape.mean()) < 0.02 * np.abs(shape).max()


def test_the_misfit_is_the_likelihood_of_students_t_of_each_ring() -> None:
    rng = np.random.default_rng(0)
    scale_hu = np.array([60.0, 200.0])
    ring = np.repeat([3, 5], [4000, 2000])
    residual = rng.standard_t(4.0, ring.size) * np.repeat(scale_hu, [4000, 2000])
    fitted = [stats.t.fit(residual[ring == k], f0=4.0, floc=0.0)[2] for k in (3, 5)]  # scipy as reference
    expected = sum(
        -2.0 * stats.t.logpdf(residual[ring == k], 4.0, 0.0, s).sum()
        for k, s in zip((3, 5), fitted, strict=True)
    )
    constant = -2.0 * ring.size * stats.t.logpdf(0.0, 4.0)
    assert _misfit(residual, ring) + constant == pytest.approx(expected, abs=0.5)


def test_a_few_places_that_do_not_fit_are_heard() -> None:
    """A spread taken from the median would not notice them."""
    residual = np.random.default_rng(1).normal(0.0, 80.0, 3000)
    wrong = residual.copy()
    wrong[:300] -= 250.0
    ring = np.zeros(3000, dtype=np.intp)
    assert _misfit(wrong, ring) > _misfit(residual, ring) + 300.0


def test_lift_and_bends_are_held_while_widths_are_looked_for() -> None:
    prior = shared_prior(None, 10000.0, 1200.0)
    held = np.flatnonzero(np.diag(plain_curve(prior).precision) > 1e5)
    assert list(held) == [LIFT, *range(BENDS.start, BENDS.stop)]
    assert BLUR.start < LIFT < BENDS.stop == BLUR.stop
    assert np.array_equal(plain_curve(prior).mean, prior.mean)


def test_lucent_thickness_and_width_are_one_to_one_and_the_valleys_fill_first() -> None:
    width = np.array([0.0, 0.02, VALLEY_MM, 0.3, 2.0])
    for valley_mm in (VALLEY_MM, 0.25):
        valley = np.full(width.shape, valley_mm)
        lucent = lucent_of(width, valley)
        assert lucent == pytest.approx([0.0, 0.4 * valley_mm, valley_mm, valley_mm + 0.25, valley_mm + 1.95])
        assert width_of(lucent, valley) == pytest.approx(width, abs=1e-12)
        slope = (width_of(lucent + 1e-6, valley) - width) / 1e-6
        assert slope == pytest.approx(widening(lucent + 1e-7, valley), rel=1e-4)


def test_the_valleys_are_worth_the_area_that_a_usual_thread_leaves_free() -> None:
    rod = Rod(2.0, 1.5, 0.0, np.nan, -np.inf, 1.5)
    radius = np.linspace(1.5, 2.0, 100_001)
    metal = 0.1 + 0.7 * (2.0 - radius) / 0.5  # share of metal, falling from root to crest
    free_mm2 = np.trapezoid(2.0 * np.pi * radius * (1.0 - metal), radius)
    assert rod.valley_mm(np.array([5.0]))[0] == pytest.approx(free_mm2 / (2.0 * np.pi * 2.0), rel=1e-6)
    shank = Rod(2.0, 1.5, 0.0, 1.6, 10.0, 1.5)
    assert list(shank.valley_mm(np.array([5.0, 15.0]))) == pytest.approx(
        [VALLEY_MM, free_mm2 / (4.0 * np.pi)]
    )
