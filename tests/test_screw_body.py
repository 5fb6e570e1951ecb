"""Where a shaft is evenly thick: closed forms of its outline."""

from __future__ import annotations

import numpy as np
import pytest

from ongrowth.geometry import Line
from ongrowth.screw.body import body_of
from ongrowth.screw.course import Course
from ongrowth.screw.profile import DEPTH_STEP_MM, Outline

SHAFT_MM, TIP_AT_MM, HEAD_AT_MM, TOP_MM = 1.8, 2.0, 30.0, 34.0


def outline(head_mm: float, edge_mm: float, *, is_turned: bool) -> Outline:
    """A shaft of even thickness, a head from 30 to 34 mm; its top falls off over `edge_mm`."""
    depth = np.arange(0.0, 38.0, DEPTH_STEP_MM)
    places = [0.0, TIP_AT_MM, HEAD_AT_MM - 0.5, HEAD_AT_MM + 0.5, TOP_MM - edge_mm, TOP_MM]
    radius = np.interp(depth, places, [0.0, SHAFT_MM, SHAFT_MM, head_mm, head_mm, 0.0])
    radius = radius[::-1] if is_turned else radius
    edge = np.repeat(radius[:, None], 24, axis=1)
    line = Line(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    hu = np.where(radius > 0.0, 3000.0, 0.0)
    return Outline(Course(line), depth, edge, hu, np.zeros((len(depth), 1)), np.zeros(1), 2500.0)


@pytest.mark.parametrize("is_turned", [False, True], ids=["tip first", "head first"])
@pytest.mark.parametrize("edge_mm", [0.2, 0.45, 0.7, 1.0, 1.5])
@pytest.mark.parametrize("head_mm", [2.4, 3.2, 4.5])
def test_no_part_of_a_head_is_shaft(head_mm: float, edge_mm: float, is_turned: bool) -> None:
    """However its far edge falls between the samples."""
    seen = outline(head_mm, edge_mm, is_turned=is_turned)
    last = float(seen.depth_mm[-1])
    run = (last - TOP_MM, last) if is_turned else (0.0, TOP_MM)
    span = body_of(seen, run).span_mm
    tip, head = (last - span[1], last - span[0]) if is_turned else span
    assert TIP_AT_MM - 0.5 < tip < TIP_AT_MM + 0.5
    assert HEAD_AT_MM - 1.0 < head < HEAD_AT_MM + 0.5
