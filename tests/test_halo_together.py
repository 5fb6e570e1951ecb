"""Solutions of several scans weighed together: what one scan leaves open, others may settle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from build_doubt import ANGLES, DEPTHS, PARTS, RIM, SIDE, open_halo

from ongrowth.halo import Halo, HaloSettings, measure_change, weigh_screws, weigh_together
from ongrowth.halo.believed import believing, halo_of
from ongrowth.halo.unrolled import Shaft
from ongrowth.quantity import Caution


def chances(halo: Halo) -> list[float]:
    assert halo.doubt is not None
    return [float(chance) for chance in halo.doubt.chances]


def test_a_solution_whose_blur_no_other_scan_shows_is_hardly_believed() -> None:
    open_to_doubt, sure = open_halo((0.8, 20.0, 0.6), (0.0, 0.0, 0.4)), open_halo((0.5, 0.0, 1.0))
    judged, kept = weigh_together([open_to_doubt, sure])
    # d2 = 400 / 2, over the temper 3: exp(-33) against 1
    assert chances(judged)[1] > 0.999
    assert judged.head_side.mean_width.value == pytest.approx(0.0, abs=0.01)
    assert open_to_doubt.head_side.mean_width.value == pytest.approx(0.48)
    assert judged.head_side.mean_width.high95 < 0.3 < open_to_doubt.head_side.mean_width.high95
    assert np.nanmax(judged.map.width_mm) == pytest.approx(0.0, abs=0.01)
    assert judged.blur is not None
    assert judged.blur.in_plane_mm.value == pytest.approx(0.8, abs=1e-3)
    assert kept is sure


def test_agreement_counts_by_how_far_two_solutions_lie_apart() -> None:
    """Blurs 3 U apart for one solution: d2 = 9 / 2, weight exp(-d2 / 6) beside the roots of chances."""
    judged, _ = weigh_together([open_halo((1.0, 3.0, 0.8), (0.2, 0.0, 0.2)), open_halo((0.5, 0.0, 1.0))])
    weights = np.sqrt([0.8, 0.2]) * np.exp([-0.75, 0.0])
    assert chances(judged) == pytest.approx(list(weights / weights.sum()))


def test_scans_that_are_misled_alike_say_no_more_than_one() -> None:
    """The same two solutions in each: how likely they are stays what one scan says."""
    every = [open_halo((0.0, 30.0, 0.7), (1.5, 0.0, 0.3)) for _ in range(4)]
    for judged, alone in zip(weigh_together(every), every, strict=True):
        assert chances(judged) == chances(alone)
        assert judged.head_side is alone.head_side


def test_a_scan_by_itself_is_believed_by_itself_again() -> None:
    alone, other = open_halo((0.8, 20.0, 0.6), (0.0, 0.0, 0.4)), open_halo((0.5, 0.0, 1.0))
    judged, _ = weigh_together([alone, other])
    (again,) = weigh_together([judged])
    assert repr(again.head_side) == repr(alone.head_side)  # to the bit; NaN is no equal of itself
    assert np.array_equal(again.map.width_u_mm, alone.map.width_u_mm)
    assert weigh_together([judged, other])[0] is judged  # nothing new, nothing changed


def test_a_scan_by_itself_is_what_it_was_to_the_last_digit() -> None:
    """Else its screws would be held against each other as if another scan had had its say."""
    odd = open_halo((0.8, 12.0, 0.43), (0.5, 6.0, 0.24), (0.3, 3.0, 0.17), (0.0, 0.0, 0.16))
    assert weigh_together([odd])[0] is odd


def test_a_dense_line_goes_with_the_solution_that_has_it() -> None:
    alone = open_halo((0.8, 12.0, 0.6), (0.7, 0.0, 0.4))
    judged, _ = weigh_together([alone, open_halo((0.5, 0.0, 1.0))])
    assert alone.head_side.rim == RIM
    assert judged.head_side.rim.present == "not measurable"
    assert not judged.tip_side.layer_hu.is_known


def test_what_weakens_a_halo_stays_with_it() -> None:
    halo = open_halo((0.8, 20.0, 0.6), (0.0, 0.0, 0.4))
    cautions = halo.map.cautions.copy()
    cautions[:3] = int(Caution.EXCLUDED_BY_READER)
    shaft = Shaft(DEPTHS, ANGLES, SIDE, cautions)
    assert halo.doubt is not None
    left_out = halo_of(shaft, halo.doubt, Caution.BLUR_UNKNOWN, "free", HaloSettings().seed, is_parted=True)
    judged = believing(left_out, np.array([0.1, 0.9]), np.array([0.1, 0.9]))
    told = left_out.head_side.mean_width.cautions
    assert told == Caution.BLUR_UNKNOWN | Caution.EXCLUDED_BY_READER
    assert judged.head_side.mean_width.cautions == told
    assert judged.tip_side.mean_width.cautions == Caution.BLUR_UNKNOWN
    assert np.isnan(judged.map.width_mm[:3]).all()


def test_a_halo_without_its_doubt_has_no_say() -> None:
    bare = replace(open_halo((0.5, 0.0, 1.0)), doubt=None)
    halo = open_halo((0.8, 20.0, 0.6), (0.0, 0.0, 0.4))
    assert weigh_together([halo, bare]) == (halo, bare)


def test_a_change_asks_which_solutions_go_together_not_which_are_right() -> None:
    """Two of each, equally likely, that agree crosswise: widths stay open, the change does not."""
    before, after = open_halo((0.8, 12.0, 0.5), (0.3, 0.0, 0.5)), open_halo((1.2, 12.0, 0.5), (0.7, 0.0, 0.5))
    judged = weigh_together([before, after])
    change = measure_change(*judged, is_one_protocol=True).head_side
    assert judged[0].head_side.mean_width.u > 0.2
    assert change.value == pytest.approx(0.4, abs=1e-3)
    assert change.u < 0.1


def test_a_third_scan_has_its_say_in_the_change_between_two() -> None:
    """Each of the two allows blurs of 0 and 12 U; the third was seen with 0, which settles their change."""
    before, after = open_halo((0.8, 12.0, 0.5), (0.3, 0.0, 0.5)), open_halo((0.7, 12.0, 0.5), (0.0, 0.0, 0.5))
    alone = measure_change(*weigh_together([before, after]), is_one_protocol=True).head_side
    assert alone.value == pytest.approx(-0.2, abs=1e-3)
    beside = weigh_together([before, after, open_halo((0.1, 0.0, 1.0))])
    settled = measure_change(*beside[:2], is_one_protocol=True).head_side
    assert settled.value == pytest.approx(-0.3, abs=1e-3)
    assert settled.u < alone.u


def test_screws_of_one_scan_are_weighed_by_the_blur_and_what_they_tell_is_the_scans_own() -> None:
    left, right = open_halo((0.8, 20.0, 0.6), (0.0, 0.0, 0.4)), open_halo((0.5, 0.0, 1.0))
    weighed, sure = weigh_screws([left, right])
    assert chances(weighed)[1] > 0.999
    assert weighed.doubt is not None
    assert not weighed.doubt.is_agreed
    assert [halo.blur.source for halo in (weighed, sure) if halo.blur] == ["in-scan", "in-scan"]
    assert weigh_together([weighed])[0] is weighed


def test_a_screw_says_nothing_of_the_metal_of_another() -> None:
    left, right = open_halo((0.8, 0.0, 0.6), (0.0, 0.0, 0.4)), open_halo((0.5, 0.0, 1.0))
    assert left.doubt is not None
    dense = left.doubt.solutions + np.outer([9.0, 0.0], np.array(PARTS) == "metal")
    unlike = replace(left, doubt=replace(left.doubt, solutions=dense))
    assert chances(weigh_screws([unlike, right])[0]) == pytest.approx([0.6, 0.4])
    assert chances(weigh_together([unlike, right])[0])[1] > 0.999


def test_cells_spread_by_all_that_their_widths_hang_on() -> None:
    """Noise 0.1, blur 1 mm per unit known to 0.2 and counted by 1.1, model, radius, cell model 0.1 mm."""
    bare = open_halo((0.5, 0.0, 1.0))
    assert bare.doubt is not None
    follow = np.zeros_like(bare.doubt.follow_mm)
    follow[..., 0] = 1.0
    shaft = Shaft(DEPTHS, ANGLES, SIDE, np.zeros(SIDE.shape, dtype=np.int64))
    doubt = replace(bare.doubt, follow_mm=follow)
    seed = HaloSettings().seed
    spread = halo_of(shaft, doubt, Caution.NONE, "free", seed, is_parted=True).map.width_u_mm
    stated = np.sqrt(0.1**2 + (1.1 * 0.2) ** 2 + 0.05**2 + (0.08 * 0.5) ** 2 + 0.01**2 + 0.1**2)
    # an SD from 200 draws is known to 5 %: three of them
    assert spread.mean() == pytest.approx(stated, rel=0.15)
    assert bare.map.width_u_mm.mean() < 0.7 * stated
