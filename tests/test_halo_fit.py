"""Parts of the halo's fit: what streaks look like, how residuals are heard, what is held when."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, stats
from skimage import transform

from ongrowth.calibration import Calibration
from ongrowth.edge import Blur, Section
from ongrowth.halo.field import NodeGrid, side_corners
from ongrowth.halo.fit import FIELDS, FieldPrior, Fields, Problem, State, _bounds, _misfit
from ongrowth.halo.hardening import Bar, hardening_shapes
from ongrowth.halo.model import (
    BENDS,
    BLUR,
    CENTRE,
    LIFT,
    N_SHARED,
    RIM_HU,
    SHARED_NAMES,
    VALLEY_MM,
    HaloModel,
    Local,
    Rod,
    Shared,
    lucent_of,
    widening,
    width_of,
)
from ongrowth.halo.prior import plain_curve, shared_prior
from ongrowth.halo.samples import Samples
from ongrowth.halo.system import Factor, Normal

ROD = Bar(np.zeros(3), np.array([0.0, 0.0, 30.0]), 2.0)


def test_round_an_upright_rod_only_directed_shapes_reach_out_and_follow_twice_the_angle() -> None:
    angle = np.radians(np.arange(0.0, 360.0, 5.0))
    radius = np.linspace(2.02, 4.0, 24)[:, None]
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    places = np.stack([x.ravel(), y.ravel(), np.full(x.size, 15.0)], axis=1)
    shapes = hardening_shapes(ROD, places, [0.0, 0.0, 1.0]).reshape(6, *x.shape)
    assert np.abs(shapes[:2, 14:]).max() < 0.05  # alike from all sides, it cups the rod alone
    waves = np.stack([np.cos(2.0 * angle), np.sin(2.0 * angle)], axis=1)
    for shape in shapes[2:, 12]:
        rest = np.linalg.lstsq(waves, shape)[1]
        assert rest[0] < 1e-3 * (shape @ shape)


def test_a_lying_rod_is_looked_through_from_end_to_end() -> None:
    """Against the line integrals of a drawn rod, filtered and projected back by scikit-image."""
    step, n = 0.25, 257
    at = (np.arange(n) - n // 2) * step
    along, across = np.meshgrid(at, at, indexing="xy")
    drawn = ((np.abs(along) < 15.0) & (np.abs(across) < 2.0)).astype(float)
    theta = np.arange(180) + 0.5
    chord = transform.radon(drawn, theta) * step
    image = ndimage.gaussian_filter(transform.iradon(chord**2, theta, filter_name="ramp"), 0.3 / step)
    places = np.stack([np.zeros(n * n), across.ravel(), along.ravel() + 15.0], axis=1)
    mine = hardening_shapes(ROD, places, [1.0, 0.0, 0.0])[0].reshape(n, n)
    near = (np.abs(across) > 2.5) & (np.abs(across) < 6.0) & (np.abs(along) < 18.0)
    assert np.corrcoef(mine[near], image[near])[0, 1] > 0.99


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


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        ("lucent_mm", 0.25),
        ("bone_hu", 1.0 / 9.0),
        ("slope_hu_per_mm", 1.0),
        ("cortex_mm", 0.0),
        ("end_mm", 0.0),
        ("rise_hu", 0.0),
        ("soft_hu", 0.0),
    ],
)
def test_what_lies_behind_a_halo_does_not_tell_solutions_apart(name: str, counts: float) -> None:
    """A first look saw it through the blur: off alike at all nodes, it would be held against wide halos."""
    n = 40
    priors = {field: FieldPrior(np.zeros(n), np.diag(np.full(n, 4.0))) for field in FIELDS}
    prior = shared_prior(None, 9000.0, 1500.0)
    fields = Fields(
        (NodeGrid.spanning(2.0, 20.0, 4.0, 4),) * 2, (NodeGrid.spanning(2.0, 20.0, 4.0, 4),) * 2,
        priors, np.full(n, 2.0), np.full(n, 0.2), np.zeros(n),
    )  # fmt: skip
    model, _, _ = somewhere()
    depth, angle, is_tip = np.full(400, 10.0), np.zeros(400), np.zeros(400, dtype=bool)
    corners = side_corners(fields.width, depth, angle, is_tip)
    problem = Problem(model, fields, corners, corners, prior)
    rest = State.expected(prior, fields)
    moved = replace(rest, **{name: np.full(n, 0.5)})
    assert problem.penalty(moved) - problem.penalty(rest) == pytest.approx(n)
    assert problem.judged_penalty(moved) - problem.judged_penalty(rest) == pytest.approx(n * counts)


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


def somewhere() -> tuple[HaloModel, Shared, Local]:
    """A threaded screw that lies aslant, a state far from plain, and places all round it."""
    rng = np.random.default_rng(7)
    n = 400
    radius, angle, depth = (
        rng.uniform(0.5, 6.0, n),
        rng.uniform(0.0, 2.0 * np.pi, n),
        rng.uniform(2.0, 28.0, n),
    )
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    section = Section.of([0.3, 0.5, 0.8], [0.0, 0.0, 1.0])
    model = HaloModel(
        Samples(np.zeros(n), np.zeros(n, bool), x, y, depth),
        depth > 15.0,
        Rod(2.25, 1.7, 0.0, np.nan, -np.inf, 1.5),
        Blur.gaussian(0.75, 0.9),
        section,
        20.0,
        30.0,
        6.75,
        hardening_shapes(ROD, np.stack([x, y, depth], axis=1), [0.3, 0.5, 0.8]),
    )
    shared = Shared(
        0.03, -0.02, 0.01, 0.04, 9000.0, 0.6, 0.12, 0.05, 0.1, 0.3, -0.05, 0.2, 0.05, -0.04,
        80.0, 60.0, 0.6, 0.3, 40.0, -30.0, 10.0, 5.0, -8.0, 12.0,
    )  # fmt: skip
    local = Local(
        rng.uniform(-0.05, 1.5, n),
        rng.uniform(2.3, 5.5, n),
        rng.uniform(2.5, 7.0, n),
        rng.uniform(150.0, 400.0, n),
        rng.uniform(-30.0, 30.0, n),
        rng.uniform(200.0, 900.0, n),
        rng.uniform(0.0, 80.0, n),
    )
    return model, shared, local


def off_by(slope: np.ndarray, ahead: np.ndarray, behind: np.ndarray, step: float) -> float:
    """By how much a slope is not that of two images, as a share of it."""
    true = (ahead - behind) / (2.0 * step)
    return float(np.linalg.norm(slope - true) / np.linalg.norm(true))


def test_a_step_promises_what_the_image_does_by_every_unknown_of_the_screw() -> None:
    model, shared, local = somewhere()
    model = model.with_thread_of(shared, local)
    seen = model.render(shared, local)
    slopes = model.linearise(seen).by_shared
    slopes[:, BLUR] = model.blur_slopes(seen)
    steps = np.array([0.002] * 4 + [5.0] + [0.002] * 2 + [0.005] * 7 + [1.0] * 2 + [0.01] * 2 + [1.0] * 8)
    for k in range(RIM_HU.stop):
        there = [shared.vector() + sign * steps[k] * np.eye(N_SHARED)[k] for sign in (1.0, -1.0)]
        images = [model.render(Shared.from_vector(v), local).image for v in there]
        # of what the axis moves only the metal is followed
        assert off_by(slopes[:, k], *images, steps[k]) < (0.2 if k < CENTRE.stop else 0.05), SHARED_NAMES[k]


def test_a_step_promises_what_the_image_does_by_every_field_also_where_edges_touch() -> None:
    model, shared, local = somewhere()
    seen = model.render(shared, local)
    for name, slope in zip(Local.__slots__, model.linearise(seen).by_field, strict=True):
        step = 0.002 if name.endswith("_mm") else 1.0
        moved = [replace(local, **{name: getattr(local, name) + s}) for s in (step, -step)]
        # the ripple follows the bone beside it, which is left out
        assert off_by(slope, *(model.render(shared, m).image for m in moved), step) < 0.1, name


def test_an_unknown_that_is_held_stays_and_the_others_move_as_if_it_were_known() -> None:
    rng = np.random.default_rng(3)
    full = rng.standard_normal((20, 7))
    precision, gradient = full.T @ full, rng.standard_normal(7)
    # three unknowns of the screw, four of the fields, these a full band
    band = np.array([np.pad(np.diag(precision[3:, 3:], -k), (0, k)) for k in range(4)])
    normal = Normal(precision[:3, :3], precision[3:, :3], band, gradient)
    held = np.array([False, True, False])
    step = normal.holding(held).step(np.arange(4), 0.0)
    free = np.array([0, 2, 3, 4, 5, 6])
    assert step[1] == pytest.approx(0.0, abs=1e-12)
    expected = np.linalg.solve(precision[np.ix_(free, free)], gradient[free])
    np.testing.assert_allclose(step[free], expected, rtol=1e-6)


@pytest.mark.parametrize(("depth", "size"), [(1, 3), (3, 70), (40, 200), (65, 130), (90, 90), (90, 333)])
def test_a_factor_solves_one_half_and_then_the_other(depth: int, size: int) -> None:
    # bands thinner and deeper than the blocks it is solved in, of sizes that blocks do not divide
    rng = np.random.default_rng(11)
    lower = np.tril(np.triu(rng.normal(0.0, 0.1, (size, size)), 1 - depth)) + 2.0 * np.eye(size)
    precision = lower @ lower.T
    order = rng.permutation(size)
    band = np.array([np.pad(np.diag(precision, -k), (0, k)) for k in range(depth)])
    right = rng.standard_normal((size, 5))
    factor = Factor.of(band, order)
    np.testing.assert_allclose(factor.whiten(right), np.linalg.solve(lower, right[order]), atol=1e-9)
    expected = np.empty_like(right)
    expected[order] = np.linalg.solve(precision, right[order])
    np.testing.assert_allclose(factor.solve(right), expected, atol=1e-9)
    np.testing.assert_allclose(factor.solve(right[:, 0]), expected[:, 0], atol=1e-9)


def test_a_known_blur_lies_within_the_bounds_of_the_fit() -> None:
    """A start outside is taken back by every step, at a price that no step can earn: the fit stays there."""
    known = Calibration(Blur(1.2, 7.4, -0.7, c=-0.16, d1=0.08, d2=0.15), 0.02**2 * np.eye(7))
    expected = shared_prior(known, 9500.0, 300.0).mean
    low, high = _bounds(expected, expected)
    assert expected[LIFT] == -0.16
    assert np.all(low[BLUR] <= expected[BLUR])
    assert np.all(expected[BLUR] <= high[BLUR])


def test_without_a_known_blur_no_lift_is_below_nothing() -> None:
    expected = shared_prior(None, 9500.0, 300.0).mean
    assert _bounds(expected, expected)[0][LIFT] == 0.0
