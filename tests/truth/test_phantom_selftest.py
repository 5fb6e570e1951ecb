"""The self-test tells right from wrong figures."""

import math
from dataclasses import replace

import pytest
from click.testing import CliRunner

from ongrowth_phantoms.catalogue import PHANTOMS
from ongrowth_phantoms.commands import selftest
from ongrowth_phantoms.selftest import Line, failures, share_inside, table, told_of

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


@pytest.mark.parametrize("name", ["no-such", "pre-op", "calibration-rod"])
def test_names_that_give_nothing_to_measure_are_refused(name: str) -> None:
    assert CliRunner().invoke(selftest, [name]).exit_code == 2


def test_what_is_told_of_a_screw_is_what_its_case_file_tells() -> None:
    """A shank, a cannula or another metal that is drawn but not told would be measured as something else."""
    told = told_of("partly-threaded", PHANTOMS["partly-threaded"].visits(1)[0])
    assert (told.id, told.side, told.thread) == ("", "", "partial")
    assert (told.thread_start_mm, told.shank_diameter_mm, told.cannula_diameter_mm) == (20.0, 2.8, 1.2)
    assert told_of("steel", PHANTOMS["steel"].visits(1)[0]).material == "steel"
