"""Drawn CTs in which a wide halo has taken the bone of the head side up to the defect."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ongrowth_phantoms.grid.draw import draw_case
from ongrowth_phantoms.grid.measure import ARMS, measure_case, place_of, truth_record
from ongrowth_phantoms.grid.phantom import phantom_of


@pytest.mark.parametrize(("number", "shape", "mean_mm"), [(5, "even", 2.5), (6, "one-sided", 2.5)])
def test_both_sides_are_measured_where_no_slit_is_left(number: int, shape: str, mean_mm: float) -> None:
    case = replace(
        draw_case("plain", "tuning", "fast", number),
        shape=shape, head_mean_mm=mean_mm, tip_mean_mm=mean_mm, major_mm=5.0, root_mm=3.95,
    )  # fmt: skip
    phantom = phantom_of(case)
    found, given = (place_of(case, ARMS[f"{place}, known"], phantom).defect for place in ("found", "given"))
    assert found is not None
    assert given is not None
    assert found.is_unsure
    assert found.agrees(given)
    record = measure_case(case, ARMS["found, known"], phantom)
    assert not record["refused"] + record["crashed"]
    for side in ("head_side", "tip_side"):
        _, _, low95, high95, _ = record["sides"][side]["mean"]
        assert low95 <= truth_record(phantom.truth)[side]["mean_mm"] <= high95
