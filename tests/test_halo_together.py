"""Solutions of several scans weighed together: what one scan leaves open, others may settle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ongrowth.defect import Side
from ongrowth.halo import Doubt, Halo, HaloSettings, Rim, measure_change, weigh_together
from ongrowth.halo.believed import believing, halo_of
from ongrowth.halo.unrolled import Shaft
from ongrowth.quantity import Caution, Measured, Unit

DEPTHS, ANGLES = np.arange(0.5, 20.0), np.arange(0.0, 360.0, 15.0)
SHAPE = (len(DEPTHS), len(ANGLES))
SIDE = np.where(DEPTHS[:, None] < 10.0, Side.HEAD, Side.TIP).astype(np.int8) * np.ones(SHAPE, dtype=np.int8)
PARTS = ("blur", "metal", "axis")
U = np.array([0.2, 0.1, 0.1])
RIM = Rim("present", Measured.of(0.3, 0.1, Unit.MM), Measured.of(900.0, 50.0, Unit.HU))


def scan(*solutions: tuple[float, float, float]) -> Halo:
    """A halo of that scan; each solution is (width in mm, blur in U, chance), the best one first."""
    rng = np.random.default_rng(len(solutions))
    widths, blurs, chances = (np.array(part) for part in zip(*solutions, strict=True))
    doubt = Doubt(
        parts=PARTS,
        solutions=np.outer(blurs, [U[0], 0.0, 0.0]),
        widths_mm=widths[:, None, None] * np.ones(SHAPE),
        blur_mm=np.outer(0.8 + 0.01 * blurs, [1.0, 1.0]),
        chances=chances,
        alone=chances,
        covariance=np.diag(U**2),
        blur_u_mm=np.array([0.05, 0.1]),
        follow_mm=np.zeros((*SHAPE, len(PARTS))),
        noise_mm=rng.normal(0.0, 0.1, (200, *SHAPE)).astype(np.float32).astype(float),
        envelope_mm=np.full(len(DEPTHS), 2.0),
        limit_mm=(0.3, 0.3),
        layer_hu=(Measured.of(60.0, 20.0, Unit.HU),) * 2,
        rims=(RIM, RIM),
        radius=Measured.of(2.0, 0.01, Unit.MM),
        model_mm=0.05,
    )
    shaft = Shaft(DEPTHS, ANGLES, SIDE, np.zeros(SHAPE, dtype=np.int64))
    return halo_of(shaft, doubt, Caution.BLUR_UNKNOWN, "free", HaloSettings().seed, is_parted=True)


def chances(halo: Halo) -> list[float]:
    assert halo.doubt is not None
    return [float(chance) for chance in halo.doubt.chances]


def test_a_solution_whose_blur_no_other_scan_shows_is_hardly_believed() -> None:
    open_to_doubt, sure = scan((0.8, 12.0, 0.6), (0.0, 0.0, 0.4)), scan((0.5, 0.0, 1.0))
    judged, kept = weigh_together([open_to_doubt, sure])
    # d2 = 144 / 2, halved again by the temper: exp(-18) against 1
    assert chances(judged)[1] > 0.999
    assert judged.head_side.mean_width.value == pytest.approx(0.0, abs=0.01)
    assert open_to_doubt.head_side.mean_width.value == pytest.approx(0.48)
    assert judged.head_side.mean_width.high95 < 0.3 < open_to_doubt.head_side.mean_width.high95
    assert np.nanmax(judged.map.width_mm) == pytest.approx(0.0, abs=0.01)
    assert judged.blur is not None
    assert judged.blur.in_plane_mm.value == pytest.approx(0.8, abs=1e-3)
    assert kept is sure


def test_agreement_counts_by_the_root_of_half_its_distance() -> None:
    """Blurs 3 U apart for one solution: d2 = 9 / 2, weight exp(-9 / 8) beside the roots of chances."""
    judged, _ = weigh_together([scan((1.0, 3.0, 0.8), (0.2, 0.0, 0.2)), scan((0.5, 0.0, 1.0))])
    weights = np.sqrt([0.8, 0.2]) * np.exp([-9.0 / 8.0, 0.0])
    assert chances(judged) == pytest.approx(list(weights / weights.sum()))


def test_scans_that_are_misled_alike_say_no_more_than_one() -> None:
    """The same two solutions in each: how likely they are stays what one scan says."""
    every = [scan((0.0, 30.0, 0.7), (1.5, 0.0, 0.3)) for _ in range(4)]
    assert all(judged is alone for judged, alone in zip(weigh_together(every), every, strict=True))


def test_a_scan_by_itself_is_believed_by_itself_again() -> None:
    alone, other = scan((0.8, 12.0, 0.6), (0.0, 0.0, 0.4)), scan((0.5, 0.0, 1.0))
    judged, _ = weigh_together([alone, other])
    (again,) = weigh_together([judged])
    assert repr(again.head_side) == repr(alone.head_side)  # to the bit; NaN is no equal of itself
    assert np.array_equal(again.map.width_u_mm, alone.map.width_u_mm)
    assert weigh_together([judged, other])[0] is judged  # nothing new, nothing changed


def test_a_dense_line_goes_with_the_solution_that_has_it() -> None:
    alone = scan((0.8, 12.0, 0.6), (0.7, 0.0, 0.4))
    judged, _ = weigh_together([alone, scan((0.5, 0.0, 1.0))])
    assert alone.head_side.rim == RIM
    assert judged.head_side.rim.present == "not measurable"
    assert not judged.tip_side.layer_hu.is_known


def test_what_weakens_a_halo_stays_with_it() -> None:
    halo = scan((0.8, 12.0, 0.6), (0.0, 0.0, 0.4))
    cautions = halo.map.cautions.copy()
    cautions[:3] = int(Caution.EXCLUDED_BY_READER)
    shaft = Shaft(DEPTHS, ANGLES, SIDE, cautions)
    assert halo.doubt is not None
    left_out = halo_of(shaft, halo.doubt, Caution.BLUR_UNKNOWN, "free", HaloSettings().seed, is_parted=True)
    judged = believing(left_out, np.array([0.1, 0.9]))
    told = left_out.head_side.mean_width.cautions
    assert told == Caution.BLUR_UNKNOWN | Caution.EXCLUDED_BY_READER
    assert judged.head_side.mean_width.cautions == told
    assert judged.tip_side.mean_width.cautions == Caution.BLUR_UNKNOWN
    assert np.isnan(judged.map.width_mm[:3]).all()


def test_a_halo_without_its_doubt_has_no_say() -> None:
    bare = replace(scan((0.5, 0.0, 1.0)), doubt=None)
    halo = scan((0.8, 12.0, 0.6), (0.0, 0.0, 0.4))
    assert weigh_together([halo, bare]) == (halo, bare)


def test_the_change_is_that_of_the_widths_as_believed() -> None:
    every = [
        scan((0.8, 12.0, 0.5), (0.3, 0.0, 0.5)),
        scan((0.5, 1.0, 0.7), (1.0, 14.0, 0.3)),
        scan((0.2, 0.0, 1.0)),
    ]
    judged = weigh_together(every)
    for one, two in ((0, 1), (0, 2), (1, 2)):
        change = measure_change(judged[one], judged[two], is_one_protocol=True).head_side
        step = judged[two].head_side.mean_width.value - judged[one].head_side.mean_width.value
        assert change.value == pytest.approx(step, abs=1e-3)
    apart = measure_change(every[0], judged[2], is_one_protocol=False).head_side
    assert apart.value == pytest.approx(0.2 - 0.55)
