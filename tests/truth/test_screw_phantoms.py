"""Screws of drawn scenes, found again: a fixed slice of the grid in tests/benchmarks/screw_grid.py."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest


def _load() -> ModuleType:
    place = Path(__file__).parents[1] / "benchmarks" / "screw_grid.py"
    spec = importlib.util.spec_from_file_location("screw_grid", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["screw_grid"] = module
    spec.loader.exec_module(module)
    return module


grid = _load()
SLICE = ("thick-4", "partly-1", "broken-1", "bent-0")


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for key, make in grid.cases(5):
        if key in SLICE:
            case = make()
            rows += grid.rows_of(key, case, grid.scanned(case))
    return pd.DataFrame(rows).set_index("key")


def test_every_screw_is_found_the_right_way_round(table: pd.DataFrame) -> None:
    assert table.is_found.all()
    assert not table.is_turned.any()


def test_axis_within_its_figure(table: pd.DataFrame) -> None:
    whole = table.drop(index=["broken-1", "bent-0"])
    assert whole.axis_deg.max() < 0.2
    assert whole.lateral_mm.max() < 0.1
    assert table.axis_deg.max() < 0.4
    assert table.axis_in.all()


def test_ends_within_half_a_millimetre(table: pd.DataFrame) -> None:
    assert table.head_mm.abs().max() < 0.5
    assert table.tip_mm.abs().max() < 0.5
    assert table.length_in.mean() > 0.8


def test_diameters_within_their_intervals(table: pd.DataFrame) -> None:
    assert table.major_in.mean() > 0.8
    assert np.sqrt((table.major_mm**2).mean()) < 0.3


def test_whole_broken_and_bent_are_told_apart(table: pd.DataFrame) -> None:
    assert table.state_ok.all()
    assert table.gap_mm["broken-1"] == pytest.approx(table.gap_true_mm["broken-1"], abs=0.5)
    assert table.bend_deg["bent-0"] == pytest.approx(table.bend_true_deg["bent-0"], abs=0.6)


def test_no_other_metal_is_made_up(table: pd.DataFrame) -> None:
    assert table.counts_ok.all()
    assert table.kinds_ok.all()
