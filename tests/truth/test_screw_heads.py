"""Whole screws are told whole whatever their head, and others are not, in a world that shares no code.

The cases are of the tuning lot; more of them: `tests/benchmarks/head_plain.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from plain_head import case, drawn

from ongrowth.screw import ScrewSpec, find_screws


@pytest.mark.parametrize("number", [49, 70, 112, 100], ids=lambda n: case("tuning", n).head)
def test_a_whole_screw_is_told_whole_whatever_its_head(number: int) -> None:
    headed = case("tuning", number)
    assert headed.state == "no interruption shown"
    screw = find_screws(drawn(headed), [ScrewSpec(major_diameter_mm=2.0 * headed.crest_mm)]).screws[0]
    assert screw.integrity.state == headed.state
    head, tip = headed.ends_mm
    way, true = (apart / np.linalg.norm(apart) for apart in (screw.tip_mm - screw.head_mm, tip - head))
    off_deg = float(np.degrees(np.arccos(min(1.0, float(way @ true)))))
    assert off_deg < 2.45 * screw.axis_u_deg  # 95 % of a direction's two errors


@pytest.mark.parametrize("number", [15, 79, 24], ids=["broken", "broken beside a socket", "bent"])
def test_one_that_is_not_is_told_so(number: int) -> None:
    headed = case("tuning", number)
    assert headed.state != "no interruption shown"
    screw = find_screws(drawn(headed), [ScrewSpec(major_diameter_mm=2.0 * headed.crest_mm)]).screws[0]
    assert screw.integrity.state == headed.state
