"""The table of what is expected: the one shipped, and what may stand in one's own."""

from __future__ import annotations

import math
from pathlib import Path

import build_reading as build
import pytest

from ongrowth.findings import (
    SURFACES,
    BadWindows,
    parse_windows,
    quantity_unit,
    read_windows,
    rows_for,
    shipped_windows,
)
from ongrowth.quantity import Unit
from ongrowth.reading import SIDE_QUANTITIES


def test_each_phase_of_each_surface_speaks_of_the_halo_and_of_bridging() -> None:
    for surface in SURFACES:
        for weeks in (0.0, 2.9, 3.0, 5.9, 6.0, 11.9, 12.0, 25.9, 26.0, 51.9, 52.0, 400.0):
            for quantity in ("mean_width", "bridged_fraction", "rim", "contact", "integrity", "migration"):
                assert rows_for(shipped_windows(), surface, quantity, "tip_side", weeks), (
                    surface,
                    quantity,
                    weeks,
                )


def test_the_shipped_spans_are_the_usual_phases() -> None:
    edges = {w.from_weeks for w in shipped_windows() if w.quantity == "mean_width"}
    assert edges == {0, 3, 6, 12, 26, 52}


def test_every_limit_in_millimetres_has_a_source_or_is_marked_as_ours() -> None:
    for row in shipped_windows():
        assert row.source, row
        if row.unit is Unit.MM and not (math.isnan(row.high) and math.isnan(row.low)):
            marked = "project's choice" in row.source or "common practice" in row.source
            published = any(year in row.source for year in ("2009", "2014", "2019"))
            assert marked or published, row


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ('quantity = "luck"', "quantity"),
        ('surface = "wood"', "surface"),
        ('quantity = "tip_to_cortex_mm"', "quantity"),  # never judged: a row on it would be lost in silence
        ("from_weeks = 30", "from_weeks is not before"),
        ('high = "much"', "no number"),
        ("hihg = 2.0", "unknown key hihg"),
        ('beyond = "bad"', "beyond"),
        ("low = 3.0\nhigh = 2.0", "low is above high"),
        ("meaning = 3", "meaning is no text"),
        ('unit = "1"', "unit is '1', not one of mm"),
    ],
)
def test_a_faulty_table_is_told(change: str, told: str) -> None:
    row = {
        "surface": '"any"',
        "quantity": '"mean_width"',
        "side": '"any"',
        "from_weeks": "0",
        "to_weeks": "12",
        "unit": '"mm"',
        "meaning": '""',
        "source": '""',
    }
    changes = dict(line.split(" = ") for line in change.splitlines())
    text = "[[window]]\n" + "\n".join(f"{k} = {v}" for k, v in (row | changes).items())
    with pytest.raises(BadWindows, match=told):
        parse_windows(text)


def test_a_window_is_in_the_unit_that_its_quantity_has() -> None:
    side, bridge = build.make_side(0.5), build.make_bridge(0.2)
    for name in ("mean_width", *SIDE_QUANTITIES):
        assert getattr(side, name).unit is quantity_unit(name), name
    for name in ("bridged_fraction", "gap_width_mean", "gap_width_max"):
        assert getattr(bridge, name).unit is quantity_unit(name), name
    assert side.lucent_share.unit is quantity_unit("contact")
    assert all(row.unit is quantity_unit(row.quantity) for row in shipped_windows())


def test_an_empty_or_broken_table_is_told(tmp_path: Path) -> None:
    for text in ("", "window = [", "window = [1]", '[window]\nsurface = "any"'):
        with pytest.raises(BadWindows, match="bad-windows"):
            parse_windows(text)
    with pytest.raises(BadWindows, match="no-windows"):
        read_windows(tmp_path / "nowhere.toml")
