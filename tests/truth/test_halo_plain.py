"""Halos in another world: phantoms that share nothing with the code, nor with those it was worked on with.

What is read wrongly there stands in docs/accuracy.md ("In another world"): bone without a halo, above all.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from plain_phantom import SIZES, Plain, drawn

from ongrowth.defect import DefectPlane, find_defect
from ongrowth.frame import ScrewFrame
from ongrowth.halo import Halo, measure_halo
from ongrowth.screw import ScrewSpec, find_screws

ONE_SIDED = Plain(1.5, 0.0, seed=4)


@functools.cache
def measured(plain: Plain) -> tuple[DefectPlane, Halo]:
    scan = drawn(plain)
    screw = find_screws(scan, [ScrewSpec(**SIZES)]).screws[0]
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    assert frame.axis_direction @ plain.course > 0.9999
    found = find_defect(scan, screw, frame)
    assert isinstance(found, DefectPlane), found
    return found, measure_halo(scan, screw, frame, found)


@pytest.mark.parametrize(
    "plain",
    [Plain(0.5, 0.5, gap_mm=4.0, seed=3), ONE_SIDED, Plain(1.0, 1.0, overshoot=0.5, seed=5)],
    ids=["thin", "one side", "edge-enhancing kernel"],
)
def test_plane_and_widths_lie_within_their_intervals(plain: Plain) -> None:
    plane, halo = measured(plain)
    assert np.degrees(np.arccos(plane.plane.normal @ plain.course)) < 1.5
    assert abs(plane.plane.point_mm @ plain.course) < 0.2
    assert plane.gap_mm == pytest.approx(plain.gap_mm, abs=0.3)
    for side, true_mm in ((halo.head_side, plain.head_mm), (halo.tip_side, plain.tip_mm)):
        assert side.mean_width.low95 - 1e-9 <= true_mm <= side.mean_width.high95


def test_a_wide_halo_on_one_side_is_told_from_none_on_the_other() -> None:
    _, halo = measured(ONE_SIDED)
    assert halo.head_side.mean_width.low95 > max(halo.tip_side.mean_width.high95, 0.8)
