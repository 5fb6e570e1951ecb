"""Growth of a halo between two CTs against its week."""

from __future__ import annotations

import math
from dataclasses import replace

import build_reading as build
import pytest

from ongrowth.findings import (
    Against,
    Compared,
    Finding,
    answer,
    judge,
    judge_changes,
    line_of,
    print_line,
    shipped_windows,
)
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Case, ChangeRecord, Patient

AS_EXPECTED, UNDECIDED = Against.AS_EXPECTED, Against.UNDECIDED
OUTSIDE, NOT_MEASURABLE = Against.OUTSIDE, Against.NOT_MEASURABLE


def growth(value: Measured, weeks: float) -> Finding:
    change = ChangeRecord("left", "tip_side", "mean_width", "w03", "w08", value, "grown")
    return judge_changes([change], weeks, shipped_windows(), "ha-coated")[0]


def test_growth_counts_after_week_6() -> None:
    grown = Measured.of(0.3, 0.05, Unit.MM)
    assert growth(grown, 5.0).against_window is AS_EXPECTED
    assert growth(grown, 6.0).against_window is OUTSIDE
    assert growth(grown, math.nan).against_window is UNDECIDED
    assert growth(Measured.of(0.02, 0.05, Unit.MM), 8.0).against_window is AS_EXPECTED
    assert growth(Measured.of(0.2, 0.3, Unit.MM), 8.0).against_window is UNDECIDED
    assert growth(Measured.of(0.2, 0.3, Unit.MM), 5.0).against_window is AS_EXPECTED  # as if it were shown
    missing = Measured.missing(Unit.MM, Caution.PROTOCOL_CHANGED)
    assert growth(missing, 8.0).against_window is NOT_MEASURABLE


@pytest.mark.parametrize(
    ("grown_mm", "expected"), [(0.1, NOT_MEASURABLE), (0.6, UNDECIDED), (1.2, OUTSIDE), (-0.9, AS_EXPECTED)]
)
def test_an_earlier_ct_made_otherwise_that_tells_nothing_of_growth_leaves_the_answer_of_the_later_one(
    grown_mm: float, expected: Against
) -> None:
    unlike = growth(Measured.of(grown_mm, 0.45, Unit.MM, Caution.PROTOCOL_CHANGED), 26.0)
    assert unlike.against_window is expected
    side = build.make_side(0.4)
    line = line_of("tip_side", "left", (*judge(build.make_halo(side, side), 26.0, implant="left"), unlike))
    assert line is not None
    assert line.result is (AS_EXPECTED if expected is NOT_MEASURABLE else expected)
    reading = build.make_reading(build.make_implant(side, side))
    told = answer(reading.implants, (*reading.findings, unlike), reading.scan, "L5").cannot_tell
    assert (any(unlike.why in point for point in told)) is (expected in (NOT_MEASURABLE, UNDECIDED))


@pytest.mark.parametrize(
    ("value", "result", "reason"),
    [
        (
            Measured.of(0.4, 0.28, Unit.MM),
            "undecided: growth",
            "The comparison with week 3 does not exclude 0.50 mm.",
        ),
        (Measured.of(0.8, 0.2, Unit.MM), "outside: grown", "A halo must not grow after week 6"),
    ],
)
def test_growth_that_is_not_excluded_is_not_called_grown(value: Measured, result: str, reason: str) -> None:
    """The line beside it says "no change of width shown"."""
    side = build.make_side(0.5)
    found = (*judge(build.make_halo(side, side), 20.0, implant="left"), growth(value, 20.0))
    line = line_of("tip_side", "left", found)
    assert line is not None
    told = print_line(line, "L5", Compared(since={"w03": "week 3"}))
    assert told.result == result
    assert told.reason.startswith(reason)


@pytest.mark.parametrize(
    ("change_mm", "is_told"), [(0.4, False), (0.8, True), (-0.8, False), (-1.2, True), (0.05, False)]
)
def test_a_change_that_exceeds_its_width_says_why(change_mm: float, *, is_told: bool) -> None:
    """The earlier CT shows 0.9 mm, the later 0.6; a change hangs on one blur, each width on its own."""
    readings = [
        replace(made, scan=replace(made.scan, id=name))
        for name, width in (("w03", 0.9), ("w08", 0.6))
        for made in [build.make_reading(build.make_implant(build.make_side(width), build.make_side(width)))]
    ]
    value = Measured.of(change_mm, 0.05, Unit.MM)
    change = ChangeRecord("left", "tip_side", "mean_width", "w03", "w08", value, "grown")
    case = Case(Patient(), tuple(readings), readings[-1].findings, readings[-1].summary, changes=(change,))
    (told,) = Compared.of(case, "left").lines("tip_side", "L5")
    assert ("one blur for both CTs" in told) is is_told
