"""What limits a width, what would help, and planted halos: one phantom, and what a second fit says of it."""

from dataclasses import replace

import numpy as np
import pytest

from ongrowth.calibration import Calibration
from ongrowth.frame import ScrewFrame
from ongrowth.halo import Fitted, Halo, look_ahead, measure_halo, plant, variance_parts
from ongrowth.halo.fit import lifted, normal_at
from ongrowth.halo.posterior import Posterior
from ongrowth.halo.protocol import TRANSFER_SD
from ongrowth.halo.whatif import spread_above_zero
from ongrowth.reading import take_limits
from ongrowth.screw import Screw
from ongrowth_phantoms.grid import phantom_of, slice_cases
from ongrowth_phantoms.grid.measure import ARMS, known_calibration, place_of
from ongrowth_phantoms.grid.phantom import Phantom, protocol_of, scene_of

Measured = tuple[Halo, Fitted, Halo, ScrewFrame, float, Phantom, Screw]


@pytest.fixture(scope="module")
def measured() -> Measured:
    """A phantom without a halo, measured without and with its blur known."""
    case = replace(slice_cases()[0], slice_mm=1.0, id="slice-thicker")
    phantom = phantom_of(case)
    at = place_of(case, ARMS["given, free"], phantom)
    fits: list[Fitted] = []
    free = measure_halo(phantom.scan, at.screw, at.frame, at.defect, keep=fits.append)
    # the true blur, believed as a calibration on a rod in water is
    true = known_calibration(protocol_of(case, scene_of(case)))
    calibration = Calibration(true.blur, np.diag(TRANSFER_SD**2))
    known = measure_halo(phantom.scan, at.screw, at.frame, at.defect, calibration)
    return free, fits[0], known, at.frame, case.slice_mm, phantom, at.screw


def test_the_parts_of_the_variance_make_up_the_uncertainty(measured: Measured) -> None:
    free, _, known, _, _, phantom, screw = measured
    for halo in (free, known):
        for side in ("head_side", "tip_side"):
            mean = getattr(halo, side).mean_width
            whole = spread_above_zero(mean.value, np.sqrt(sum(variance_parts(halo, side).values())))
            # draws of the one and closed sums of the other; 200 draws know an SD to 5 %
            assert whole == pytest.approx(mean.u, rel=0.2)
    told = take_limits(phantom.scan, screw, free)
    assert {limit.part for limit in told} == set(variance_parts(free))
    assert all(limit.words for limit in told)
    assert sum(limit.share_of_variance for limit in told) == pytest.approx(1.0)
    assert "not calibrated" in next(limit.words for limit in told if limit.part == "blur")
    blur = variance_parts(free, "head_side")["blur"]
    assert blur > variance_parts(known, "head_side")["blur"]


def test_the_spread_of_none_is_taken_where_a_halo_is_as_wide_as_it(measured: Measured) -> None:
    """At none the image hardly answers: the spread would reach to halos that are plain to see."""
    fitted = measured[1]
    problem, n_head = fitted.problem, fitted.problem.fields.width[0].size
    at_none = lifted(problem, fitted.solution.state)
    solved = normal_at(problem, at_none, fitted.weighting).eliminate(problem.layout.order)
    sd_mm = fitted.posterior.mean_sd_mm(n_head)
    assert sd_mm < 0.8 * Posterior(problem.fields.n_width, *solved).mean_sd_mm(n_head)
    assert sd_mm > float(problem.fields.width_mm(fitted.solution.state).mean())


def test_the_spread_of_a_variate_cut_at_zero() -> None:
    draws = np.maximum(np.random.default_rng(4).normal(0.3, 0.5, 400_000), 0.0)
    assert spread_above_zero(0.3, 0.5) == pytest.approx(draws.std(), rel=0.01)
    assert spread_above_zero(3.0, 0.2) == pytest.approx(0.2, rel=1e-6)


def test_what_is_predicted_of_a_calibration_is_what_a_calibration_reaches(measured: Measured) -> None:
    free, fitted, known, frame, slice_mm, *_ = measured
    ahead = {p.change: p for p in look_ahead(fitted, free, frame, slice_mm, is_calibrated=False)}
    worse = max((free.head_side, free.tip_side), key=lambda s: s.mean_width.u)
    reached = max((known.head_side, known.tip_side), key=lambda s: s.mean_width.u)
    assert ahead["calibrated"].u95_mm == pytest.approx(reached.mean_width.u95, rel=0.4)
    assert ahead["calibrated"].u95_mm < worse.mean_width.u95
    assert ahead["all together"].u95_mm <= min(p.u95_mm for p in ahead.values())
    assert ahead["calibrated"].detection_limit_mm == pytest.approx(reached.detection_limit.value, rel=0.4)
    assert ahead["thinner"].detection_limit_mm < worse.detection_limit.value
    after = look_ahead(fitted, known, frame, 0.6, is_calibrated=True)
    assert not {"calibrated", "thinner", "all together"} & {p.change for p in after}


def test_planted_halos_are_read_as_planted_and_the_wider_are_found_more_often(measured: Measured) -> None:
    _, fitted, known, frame, *_ = measured
    planted = plant(fitted, known, frame, widths_mm=(0.0, 2.0))
    none, wide = ([p for p in planted if p.width_mm == w and p.shape == "even"] for w in (0.0, 2.0))
    half = [p for p in planted if p.shape == "one-sided"]
    assert {p.side for p in wide} == {"head_side", "tip_side"}
    assert all(p.found_share < 0.05 for p in none)
    assert all(p.found_share > 0.95 for p in wide)
    assert np.mean([p.read_mm for p in wide]) == pytest.approx(2.0, abs=0.35)  # the free fit's own u95
    # the mean of a cosine over one half of the circumference: 2 / pi
    assert np.mean([p.read_mm for p in half]) == pytest.approx(2.0 / np.pi, abs=0.35)
    assert {p.width_mm for p in half} == {2.0}
