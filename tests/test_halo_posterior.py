"""Draws of the posterior: spread as stated, the same whatever the last digit of a sum; weights of rivals."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ongrowth.halo import measure
from ongrowth.halo.model import N_SHARED
from ongrowth.halo.posterior import Posterior, symmetric_root
from ongrowth.halo.system import Factor

_N = 5
_SCALE = np.logspace(-3.0, 3.0, N_SHARED)  # HU beside logarithms: units far apart


def posterior(nudge: float = 0.0) -> Posterior:
    """A posterior whose shared unknowns are correlated, its precision wrong by a last digit."""
    rng = np.random.default_rng(1)
    mix = np.eye(N_SHARED) + 0.3 * rng.standard_normal((N_SHARED, N_SHARED))
    precision = mix @ mix.T / np.outer(_SCALE, _SCALE)
    off = np.random.default_rng(2).standard_normal(precision.shape)
    own = Factor.of(np.full((1, _N), 100.0), np.arange(_N))
    drag = rng.standard_normal((_N, N_SHARED)) / _SCALE
    return Posterior(_N, own, drag, precision * (1.0 + nudge * (off + off.T)))


def test_draws_spread_as_the_covariance_says() -> None:
    known = posterior()
    n = 20_000
    draws = known.draw_own(n, np.random.default_rng(3))
    # a sampled variance is known to a share of sqrt(2 / n): four of them
    np.testing.assert_allclose(draws.var(axis=1), np.full(_N, 0.01), rtol=4.0 * np.sqrt(2.0 / n))
    root = symmetric_root(known.shared_covariance)
    np.testing.assert_allclose(root @ root.T, known.shared_covariance, rtol=1e-6)


def test_draws_do_not_hang_on_rounding() -> None:
    first, again = (symmetric_root(posterior(nudge).shared_covariance) for nudge in (0.0, 1e-14))
    assert np.abs((again - first) / _SCALE[:, None]).max() < 1e-9


def test_a_rival_counts_by_what_it_costs_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Widths stand in for solutions: one node a side. A near twin of the best counts as the best."""
    fields = SimpleNamespace(width_mm=lambda widths: widths, width=(SimpleNamespace(size=1),))
    problem = SimpleNamespace(fields=fields)

    def descent(head_mm: float, cost: float) -> Any:
        solution = SimpleNamespace(state=np.array([head_mm, 0.3]))
        return SimpleNamespace(problem=problem, solution=solution, comparable_cost=cost)

    best, twin, rival = descent(0.8, 100.0), descent(0.85, 101.0), descent(0.0, 106.0)
    monkeypatch.setattr(measure, "_asked_again", lambda *_: [best])
    found, others, chances = measure._against_rivals(best, [twin, rival], measure.comparable_cost)
    assert found is best.solution
    assert [float(o[0]) for o in others] == [0.0]  # type: ignore[index]
    assert chances == pytest.approx([np.exp(-6.0 / 2.0)])  # costs are minus twice a logarithm


@pytest.mark.parametrize(
    ("rimmed_cost", "is_asked_for", "counts"),
    [(300.0, True, 300.0 + 20.0 / 9.0), (399.0, True, 400.0), (0.0, False, 400.0)],
)
def test_a_solution_is_judged_with_the_rim_it_asks_for(
    monkeypatch: pytest.MonkeyPatch, rimmed_cost: float, counts: float, *, is_asked_for: bool
) -> None:
    """A rim must bring 20 of the cost it is solved by; that much is not given to the halo inside it."""
    bare, rimmed = SimpleNamespace(name="bare"), SimpleNamespace(name="rimmed")
    found: Any = SimpleNamespace()
    costs = {"bare": 400.0, "rimmed": rimmed_cost}
    monkeypatch.setattr(measure, "comparable_cost", lambda problem, *_: costs[problem.name])
    monkeypatch.setattr(measure, "_with_rims", lambda *_: (rimmed if is_asked_for else bare, found))
    assert measure._cost_with_rims(bare, found, found) == pytest.approx(counts)  # type: ignore[arg-type]


@pytest.mark.parametrize(("thin_cost", "is_asked_for"), [(390.0, True), (390.0, False), (410.0, True)])
def test_the_likeliest_wide_halo_tells_whether_rims_are_asked_for(
    monkeypatch: pytest.MonkeyPatch, thin_cost: float, *, is_asked_for: bool
) -> None:
    """Also where a thin halo seems likelier without a rim: that is what is in question."""
    fields = SimpleNamespace(width_mm=lambda widths: widths, width=(SimpleNamespace(size=1),))
    bare: Any = SimpleNamespace(fields=fields)

    def descent(width_mm: float, cost: float) -> Any:
        solution = SimpleNamespace(state=np.array([width_mm, width_mm]))
        return SimpleNamespace(problem=bare, solution=solution, weighting=None, comparable_cost=cost)

    thin, wide, wider = descent(0.2, thin_cost), descent(0.9, 400.0), descent(1.4, 405.0)

    def with_rims(problem: Any, found: Any, _: Any) -> Any:
        assert found is wide.solution
        return (SimpleNamespace() if is_asked_for else problem, found)

    monkeypatch.setattr(measure, "_with_rims", with_rims)
    assert measure._asks_for_rims([thin, wider, wide]) == is_asked_for
    assert not measure._asks_for_rims([thin])
