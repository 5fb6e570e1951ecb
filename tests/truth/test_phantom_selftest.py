"""The self-test tells right from wrong figures."""

import math
from dataclasses import replace

import pytest
from click.testing import CliRunner

from ongrowth_phantoms.commands import selftest
from ongrowth_phantoms.selftest import Line, failures, share_inside, table

GOOD = Line("even-halo", "left", "head-side mean width", "mm", 0.7, 0.75, 0.6, 0.9)


def test_a_figure_within_its_interval_passes() -> None:
    assert GOOD.error == pytest.approx(0.05)
    assert GOOD.is_inside is True
    assert share_inside([GOOD]) == 1.0
    assert failures([GOOD]) == []


def test_a_wrong_figure_a_missing_one_and_a_wrong_interval_are_told() -> None:
    wrong = replace(GOOD, value=1.4, low95=1.3, high95=1.5)
    missing = replace(GOOD, value=math.nan, low95=math.nan, high95=math.nan)
    assert missing.is_inside is None
    told = failures([wrong, missing])
    assert told[0] == "even-halo: head-side mean width read 1.40 where 0.70 mm is true."
    assert told[1].startswith("even-halo: head-side mean width read nothing")
    assert told[2] == "Only 0 % of the 95 % intervals hold the truth."
    text = table([GOOD, wrong, missing])
    assert "0.60 to 0.90" in text
    assert text.splitlines()[2].endswith("outside")
    assert "none" in text.splitlines()[3]
    assert "head-side mean width, mm" in text


def test_a_place_has_its_own_limit() -> None:
    assert failures([GOOD, Line("a", "left", "axis direction", "deg", 0.0, 0.19)]) == []
    assert len(failures([GOOD, Line("a", "left", "axis direction", "deg", 0.0, 0.21)])) == 1
    assert len(failures([GOOD, Line("a", "left", "tip", "mm", 0.0, 0.6)])) == 1


def test_unknown_names_are_refused() -> None:
    assert CliRunner().invoke(selftest, ["no-such"]).exit_code == 2
