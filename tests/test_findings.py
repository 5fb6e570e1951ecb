"""The rules that hold a figure against its week."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import build_reading as build
import pytest

from ongrowth.findings import (
    SURFACES,
    Against,
    Finding,
    answer,
    bridging_category,
    expectation,
    judge,
    judge_changes,
    judge_graft,
    judge_integrity,
    judge_motions,
    line_of,
    lines_of,
    no_scan_words,
    place,
    print_line,
    read_windows,
    screw_sentence,
    shipped_windows,
    thin_series_words,
)
from ongrowth.findings.answer import NO_PROOF, next_scan_week
from ongrowth.findings.compared import Compared
from ongrowth.findings.lucency import Place, judge_width
from ongrowth.halo import HaloSummary
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import ChangeRecord, MotionRecord, Window
from ongrowth.wording import say

AS_EXPECTED, UNDECIDED = Against.AS_EXPECTED, Against.UNDECIDED
OUTSIDE, NOT_MEASURABLE = Against.OUTSIDE, Against.NOT_MEASURABLE
CRESCENT = (2.6, 2.3, 1.2, 0.5, 0.3, 0.5, 1.2, 2.3)
ONE_SIDED = (1.5, 1.3, 0.7, 0.3, 0.2, 0.3, 0.7, 1.3)


def findings_on(head: HaloSummary, tip: HaloSummary, weeks: float, **more: object) -> tuple[Finding, ...]:
    return judge(build.make_halo(head, tip), weeks, implant="left", **more)  # type: ignore[arg-type]


def tip_result(tip: HaloSummary, weeks: float, **more: object) -> Against:
    """How the tip side stands, the head side being alike."""
    line = line_of("tip_side", "left", findings_on(tip, tip, weeks, **more))
    assert line is not None
    return line.result


def one(findings: tuple[Finding, ...], quantity: str, site: str = "tip_side") -> Finding:
    return next(f for f in findings if f.quantity == quantity and f.site == site)


# ---- the table ----


def test_an_own_table_replaces_what_it_names_and_nothing_else(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(
        '[[window]]\nsurface="any"\nquantity="mean_width"\nside="any"\nfrom_weeks=0\nto_weeks=inf\n'
        'low=0.0\nhigh=0.4\nunit="mm"\nmeaning="From our own cohort."\nsource="own cohort"\n'
    )
    own = read_windows(file)
    assert {w.source for w in own if w.quantity == "mean_width"} == {"own cohort"}
    assert {w for w in own if w.quantity != "mean_width"} == {
        w for w in shipped_windows() if w.quantity != "mean_width"
    }
    assert tip_result(build.make_side(0.8), 5.0) is AS_EXPECTED
    assert tip_result(build.make_side(0.8), 5.0, windows=own) is OUTSIDE


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [(0.6, 0.1, AS_EXPECTED), (0.9, 0.1, UNDECIDED), (1.1, 0.1, UNDECIDED), (1.4, 0.1, OUTSIDE)],
)
def test_an_interval_that_spans_the_limit_is_undecided(value: float, u: float, expected: Against) -> None:
    row = Window("any", "mean_width", "any", 0, 99, 0.0, 1.0, Unit.MM, "", "")
    assert place(Measured.of(value, u, Unit.MM), row) is expected


# ---- the halo, week by week ----


@pytest.mark.parametrize(
    ("width_mm", "weeks", "expected"),
    [
        (0.1, 1.0, AS_EXPECTED),
        (1.5, 1.0, UNDECIDED),
        (1.2, 5.0, AS_EXPECTED),  # an even halo is as expected in weeks 3 to 6
        (1.2, 8.0, AS_EXPECTED),
        (2.6, 8.0, OUTSIDE),
        (0.6, 20.0, AS_EXPECTED),
        (1.5, 20.0, UNDECIDED),  # static, even, above 1 mm
        (1.5, 30.0, UNDECIDED),
        (2.6, 20.0, OUTSIDE),  # more than 2 mm
        (math.nan, 8.0, NOT_MEASURABLE),
    ],
)
def test_an_even_halo(width_mm: float, weeks: float, expected: Against) -> None:
    assert tip_result(build.make_side(width_mm), weeks) is expected


def test_one_sidedness_alone_is_undecided_before_week_12() -> None:
    for weeks in (4.0, 8.0, 11.9):
        assert tip_result(build.make_side(0.8, sectors_mm=ONE_SIDED), weeks) is UNDECIDED
        assert tip_result(build.make_side(1.3, sectors_mm=CRESCENT), weeks) is UNDECIDED


def test_a_sector_above_two_millimetres_is_outside_after_the_turn() -> None:
    side = build.make_side(1.3, sectors_mm=CRESCENT)
    assert tip_result(side, 20.0) is OUTSIDE
    assert tip_result(side, 13.0) is UNDECIDED


def test_even_means_within_u95_and_three_tenths() -> None:
    """Sector u95 is 0.196 mm: 0.45 mm beyond the mean is even, 0.55 mm is not."""
    for beyond, state in ((0.45, "even"), (0.55, "uneven")):
        sectors = (0.8 + beyond,) + (0.8 - beyond / 7,) * 7
        side = build.make_side(0.8, sectors_mm=sectors)
        assert one(findings_on(side, side, 8.0), "sector_excess").state == state


def test_evenness_needs_sectors() -> None:
    side = build.make_side(0.8, sectors_mm=(math.nan,) * 3 + (0.8,) * 5)
    found = one(findings_on(side, side, 8.0), "sector_excess")
    assert found.against_window is NOT_MEASURABLE
    assert tip_result(side, 8.0) is AS_EXPECTED


@pytest.mark.parametrize("width_mm", [0.2, 0.9, 1.3, 1.8, 2.2, 2.8, 4.0])
@pytest.mark.parametrize("surface", SURFACES)
def test_between_weeks_10_and_14_width_alone_never_turns_to_outside(width_mm: float, surface: str) -> None:
    side = build.make_side(width_mm)
    before, after = (tip_result(side, weeks, surface=surface) for weeks in (9.9, 14.1))
    for weeks in (10.0, 11.0, 12.0, 13.0, 14.0):
        now = tip_result(side, weeks, surface=surface)
        assert now is not OUTSIDE or (before is OUTSIDE and after is OUTSIDE)


def test_a_rim_counts_after_week_12_only_with_a_halo() -> None:
    rim = build.make_side(0.7, rim="present")
    assert tip_result(rim, 8.0) is UNDECIDED
    assert tip_result(rim, 12.0) is OUTSIDE
    assert tip_result(build.make_side(0.05, rim="present"), 20.0) is UNDECIDED


@pytest.mark.parametrize("weeks", [2.0, 5.0, 8.0, 20.0, 60.0])
def test_contact_lost_on_one_side_counts_in_every_phase(weeks: float) -> None:
    lost, held = build.make_side(0.9, lucent=1.0), build.make_side(0.1, lucent=0.0)
    findings = findings_on(held, lost, weeks)
    assert one(findings, "contact").against_window is OUTSIDE
    assert one(findings, "contact", "head_side").against_window is AS_EXPECTED
    assert one(findings, "contact", "head_side").why == "Part of this side shows no lucency."


def test_surface_that_is_undecided_may_be_lucent_when_contact_is_judged() -> None:
    """All but surely lucent, and nowhere shown not to be: neither outside nor as expected."""
    held, nearly = build.make_side(0.1, lucent=0.0), build.make_side(0.9, lucent=0.89)
    nothing_clear = replace(nearly, no_lucency_share=Measured.of(0.0, 0.0, Unit.ONE, floor=0.0))
    assert one(findings_on(held, nothing_clear, 5.0), "contact").against_window is UNDECIDED
    some_clear = replace(nearly, no_lucency_share=Measured.of(0.11, 0.0, Unit.ONE, floor=0.0))
    assert one(findings_on(held, some_clear, 5.0), "contact").against_window is AS_EXPECTED


def test_lucency_of_both_whole_sides_is_not_loss_of_one() -> None:
    both = build.make_side(0.9, lucent=1.0)
    assert one(findings_on(both, both, 5.0), "contact").against_window is AS_EXPECTED


def test_contact_is_open_where_the_other_side_is_not_measurable() -> None:
    findings = findings_on(build.make_side(math.nan), build.make_side(0.9, lucent=1.0), 5.0)
    assert one(findings, "contact").against_window is UNDECIDED


def test_without_a_week_nothing_is_called_usual_but_a_break_counts() -> None:
    findings = findings_on(
        build.make_side(0.6),
        build.make_side(0.6),
        math.nan,
        integrity=build.make_screw("left", "interrupted").integrity,
    )
    assert one(findings, "mean_width").against_window is UNDECIDED
    assert one(findings, "integrity", "screw").against_window is OUTSIDE


def test_a_plain_surface_is_not_granted_the_halo_of_a_coated_one() -> None:
    side = build.make_side(1.5)
    assert tip_result(side, 5.0, surface="ha-coated") is AS_EXPECTED
    assert tip_result(side, 5.0, surface="plain") is UNDECIDED


# ---- metal, motion, growth ----


@pytest.mark.parametrize(
    ("state", "expected"),
    [
        ("no interruption shown", AS_EXPECTED),
        ("interrupted", OUTSIDE),
        ("bent", UNDECIDED),
        ("not measurable", NOT_MEASURABLE),
    ],
)
def test_integrity(state: str, expected: Against) -> None:
    integrity = build.make_screw("left", state).integrity
    findings = findings_on(build.make_side(0.3), build.make_side(0.3), 5.0, integrity=integrity)
    found = one(findings, "integrity", "screw")
    assert (found.against_window, found.state) == (expected, state)


def motion(state: str, body: str = "screw") -> MotionRecord:
    far, turn = Measured.of(0.9, 0.05, Unit.MM), Measured.of(1.0, 0.1, Unit.DEG)
    return MotionRecord(
        "left", body, "head side", "w00", "w08", (far, far, far), turn, turn, far, turn, far, far, far, state
    )


def test_a_change_of_position_counts_at_any_week() -> None:
    for weeks in (1.0, 8.0, 60.0):
        moved, still = judge_motions(
            [motion("moved"), motion("not shown to have moved", "tip side")],
            weeks,
            shipped_windows(),
            "plain",
        )
        assert (moved.quantity, moved.against_window) == ("migration", OUTSIDE)
        assert (still.quantity, still.against_window) == ("interfragmentary_motion", AS_EXPECTED)
        assert moved.window is not None


# ---- bridging and graft ----


@pytest.mark.parametrize(
    ("fraction", "weeks", "expected"),
    [
        (0.0, 8.0, AS_EXPECTED),
        (0.1, 20.0, UNDECIDED),
        (0.6, 20.0, AS_EXPECTED),
        (0.1, 30.0, OUTSIDE),
        (0.27, 30.0, UNDECIDED),
        (0.4, 60.0, UNDECIDED),
        (0.7, 60.0, AS_EXPECTED),
    ],
)
def test_bridging(fraction: float, weeks: float, expected: Against) -> None:
    side = build.make_side(0.3)
    findings = findings_on(side, side, weeks, bridge=build.make_bridge(fraction))
    assert one(findings, "bridged_fraction", "defect").against_window is expected


def test_bridging_without_a_measure_is_not_measurable() -> None:
    side = build.make_side(0.3)
    assert one(findings_on(side, side, 20.0), "bridged_fraction", "defect").against_window is NOT_MEASURABLE


@pytest.mark.parametrize(
    ("gap_mm", "oedema", "state"),
    [
        (1.2, "unknown", "no graft by rule of thumb"),
        (2.5, "present", "no graft by rule of thumb"),
        (2.5, "unknown", "depends on the oedema signal"),
        (2.5, "absent", ""),
        (3.6, "absent", "graft by rule of thumb"),
        (4.0, "present", ""),
        (5.0, "unknown", "graft by rule of thumb"),
    ],
)
def test_the_graft_rule_of_thumb(gap_mm: float, oedema: str, state: str) -> None:
    found = judge_graft(Measured.of(gap_mm, 0.1, Unit.MM), oedema, shipped_windows())
    assert found.state == state
    assert "common practice, no source" in found.why


@pytest.mark.parametrize(
    ("fraction", "word"),
    [(0.1, "absent"), (0.24, "absent"), (0.25, "minimal"), (0.5, "moderate"), (0.75, "complete")],
)
def test_bridging_categories(fraction: float, word: str) -> None:
    assert bridging_category(Measured.of(fraction, 0.02, Unit.ONE)) == word


# ---- the answer ----


@pytest.mark.parametrize(
    ("weeks", "sectors", "expected"),
    [(8.0, ONE_SIDED, 14.0), (13.0, ONE_SIDED, 26.0), (20.0, ONE_SIDED, 52.0), (8.0, None, math.nan)],
)
def test_the_next_week_is_one_that_decides(
    weeks: float, sectors: tuple[float, ...] | None, expected: float
) -> None:
    side = build.make_side(0.8, sectors_mm=sectors)
    week = next_scan_week(findings_on(side, side, weeks), weeks)
    assert week == pytest.approx(expected, nan_ok=True)


def test_a_break_whose_width_is_not_measurable_is_told_in_a_whole_sentence() -> None:
    integrity = build.make_screw("left", "interrupted").integrity
    hidden = Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR)
    told = judge_integrity(
        replace(integrity, interruption_mm=hidden), 26.0, shipped_windows(), "left", "plain"
    )
    reason = "how widely is not measurable (smaller than blur)"
    assert told.why == f"The shaft is interrupted 17.0 mm from its head end; {reason}."


def test_the_interval_decides_not_what_a_scan_would_show() -> None:
    """The detection limit says which halo a scan would find; up to where this one may reach, its interval."""
    here = Place("left", "ha-coated", "head_side", 8.0, shipped_windows())
    coarse = Measured.of(0.4, 0.65, Unit.MM, floor=0.0, limit=2.11)
    told = judge_width(here, "mean_width", coarse)
    assert told.against_window is AS_EXPECTED
    excluded = "Only a halo of 2.11 mm would surely show, but the 95 % interval excludes more than 1.67 mm."
    assert told.why.startswith(excluded)
    line = line_of("head_side", "left", [told])
    assert line is not None
    assert print_line(line, "L5").reason == excluded
    fine = judge_width(here, "mean_width", Measured.of(0.4, 0.3, Unit.MM, floor=0.0, limit=0.9))
    assert fine.against_window is AS_EXPECTED
    wider = "A halo of 0.99 mm is not excluded."  # print says "below 0.90 mm", which is no bound
    assert fine.why.startswith(wider)
    line = line_of("head_side", "left", [fine])
    assert line is not None
    assert print_line(line, "L5").reason == wider
    sure = judge_width(here, "mean_width", Measured.of(0.2, 0.3, Unit.MM, floor=0.0, limit=0.9))
    assert "not excluded" not in sure.why  # here it is one
    for limit in (0.9, 2.11):
        unsure = judge_width(here, "mean_width", Measured.of(0.8, 0.9, Unit.MM, floor=0.0, limit=limit))
        assert unsure.against_window is UNDECIDED  # print leaves its interval out
        top = f"{0.8 + 1.96 * 0.9:.2f} mm"
        assert unsure.why == f"This scan does not exclude {top}; the limit expected is 2.00 mm."
    defect = Place("left", "ha-coated", "any", 30.0, shipped_windows())
    below = Measured.of(0.01, 0.02, Unit.ONE, floor=0.0, limit=0.05)
    assert judge_width(defect, "bridged_fraction", below).against_window is OUTSIDE


@pytest.mark.parametrize(
    ("step_mm", "thickness_mm", "is_thick"),
    [(0.6, 0.6, False), (1.25, math.nan, False), (3.0, math.nan, True), (0.6, 3.0, True), (2.0, 2.0, True)],
)
def test_slices_that_are_not_fit_for_it_ask_for_the_thin_series(
    step_mm: float, thickness_mm: float, *, is_thick: bool
) -> None:
    scan = build.make_reading().scan
    scan = replace(scan, voxel_mm=(0.35, 0.35, step_mm), slice_thickness_mm=thickness_mm)
    assert bool(thin_series_words(scan)) is is_thick


@pytest.mark.parametrize(("width_mm", "limit_mm"), [(0.4, 0.7), (0.8, 0.25), (2.8, 0.25)])
def test_widths_that_hang_on_a_wrong_size_are_undecided(width_mm: float, limit_mm: float) -> None:
    """A screw of 4 mm stated as 6 mm hides a halo of 1 mm: neither as expected nor outside, at any week."""
    doubtful = Measured.of(width_mm, 0.1, Unit.MM, Caution.DIAMETER_DOUBTFUL, floor=0.0, limit=limit_mm)
    side = replace(build.make_side(width_mm), mean_width=doubtful)
    findings = findings_on(side, side, 8.0)
    line = line_of("head_side", "left", findings)
    assert line is not None
    assert line.main.against_window is UNDECIDED
    assert "check the diameter" in line.main.why
    if width_mm < 1.0:
        assert math.isnan(next_scan_week(findings, 8.0))
        assert "diameter of the screw has to be checked first" in no_scan_words(findings, 8.0)


def test_no_week_is_named_where_something_is_outside() -> None:
    side = build.make_side(2.8)
    assert math.isnan(next_scan_week(findings_on(side, side, 8.0), 8.0))
    assert "already now" in no_scan_words(findings_on(side, side, 8.0), 8.0)
    assert "Nothing here" in no_scan_words((), 8.0)
    assert "not known" in no_scan_words((), math.nan)
    assert "not known" not in no_scan_words((), -3.0)
    assert "not known" in no_scan_words((), math.nan)
    wide, broken = build.make_side(1.5), build.make_screw("left", "interrupted").integrity
    assert next_scan_week(findings_on(wide, wide, 30.0), 30.0) == 52.0
    assert math.isnan(next_scan_week(findings_on(wide, wide, 30.0, integrity=broken), 30.0))


@pytest.mark.parametrize(
    ("fraction", "weeks", "is_named"),
    [(0.0, 8.0, True), (0.9, 8.0, False), (0.9, 30.0, False), (0.6, 60.0, False)],
)
def test_an_open_defect_at_an_early_week_is_not_said_to_be_settled(
    fraction: float, weeks: float, *, is_named: bool
) -> None:
    thin = build.make_side(0.3)
    findings = findings_on(thin, thin, weeks, bridge=build.make_bridge(fraction))
    assert math.isnan(next_scan_week(findings, weeks))
    told = no_scan_words(findings, weeks)
    assert ("at about week 14" in told) is is_named
    assert ("Nothing here would be decided" in told) is not is_named


def test_without_a_defect_the_whole_shaft_is_judged_in_place_of_its_sides() -> None:
    """Bone that has closed a defect leaves no sides to tell apart: that must not hide the halo."""
    none, wide = build.missing_side(Caution.NO_DEFECT), build.make_side(2.8)
    for whole, result in ((build.make_side(0.6), AS_EXPECTED), (wide, OUTSIDE)):
        implant = build.make_implant(none, none)
        findings = judge(build.make_halo(none, none, whole), 30.0, implant="left")
        lines = lines_of("left", findings)
        assert [line.key for line in lines] == ["whole", "bridging"]
        assert lines[0].result is result
        assert "halo along the whole shaft" in screw_sentence(implant, findings, 30.0, "L5")
    parted = judge(build.make_halo(wide, build.missing_side(Caution.STREAK)), 30.0, implant="left")
    assert [line.key for line in lines_of("left", parted)] == ["head_side", "tip_side", "bridging"]


@pytest.mark.parametrize(("width_mm", "share"), [(0.4, 0.6), (2.8, 0.0)])
def test_beside_a_bent_shaft_nothing_is_as_expected_or_outside(width_mm: float, share: float) -> None:
    """Halo and bridging are measured about a straight axis: metal beside it passes for bone."""
    side, bridge = build.make_side(width_mm), build.make_bridge(share)
    bent, whole = (build.make_screw("left", state).integrity for state in ("bent", "no interruption shown"))
    straight = findings_on(side, side, 40.0, bridge=bridge, integrity=whole)
    assert {f.against_window for f in straight} & {AS_EXPECTED, OUTSIDE}
    found = findings_on(side, side, 40.0, bridge=bridge, integrity=bent)
    assert {f.against_window for f in found} <= {UNDECIDED, NOT_MEASURABLE}
    assert all(
        Caution.SCREW_BENT in f.value.cautions for f in found if f.state != "bent" and f.value.is_known
    )


def test_a_bent_shaft_alone_calls_for_no_later_scan() -> None:
    side, bent = build.make_side(0.5), build.make_screw("left", "bent").integrity
    found = findings_on(side, side, 30.0, integrity=bent)
    assert math.isnan(next_scan_week(found, 30.0))
    assert "the shaft is bent" in no_scan_words(found, 30.0)


def test_the_sentence_names_screw_week_sides_bridging_and_metal() -> None:
    reading = build.make_reading(
        build.make_implant(
            build.make_side(0.3), build.make_side(0.8, sectors_mm=ONE_SIDED), bridge=build.make_bridge(0.2)
        )
    )
    sentence = screw_sentence(reading.implants[0], reading.findings, 8.0, "L5")
    assert sentence == (
        "Left screw, week 8: halo on the pedicle side (screw tip) undecided; "
        "halo on the lamina side (screw head), bridging (20 %) and metal as expected."
    )
    assert "week 14" in reading.summary.sentence
    assert len(lines_of("left", reading.findings)) == 4


def test_what_the_scan_cannot_tell_is_said_with_its_reason() -> None:
    reading = build.make_reading(
        build.make_implant(build.make_side(math.nan), build.make_side(0.3)), problems=(build.thick_slices(),)
    )
    told = " ".join(reading.summary.cannot_tell)
    assert "streak" in told
    assert "Slices of 2.0 mm" in told
    assert "no earlier CT" in told
    assert "lying still" in told
    unknown = build.make_reading(
        build.make_implant(build.make_side(0.3), build.make_side(0.3)), weeks=math.nan
    )
    assert "weeks since surgery are not known" in unknown.summary.cannot_tell[0]
    assert answer((), (), unknown.scan).sentence == "No screw was measured on this CT."


def test_earlier_cts_that_were_not_compared_are_not_denied() -> None:
    side = build.make_side(0.3)
    reading = build.make_reading(build.make_implant(side, side))
    told = answer(reading.implants, reading.findings, reading.scan, "L5", n_scans=2)
    assert "no earlier CT" not in " ".join(told.cannot_tell)
    assert "were not compared" in " ".join(told.cannot_tell)
    same = ChangeRecord("left", "tip_side", "mean_width", "w03", "w08", Measured.of(0.0, 0.05, Unit.MM), "")
    grown = (*reading.findings, *judge_changes([same], 8.0, shipped_windows(), "ha-coated"))
    told = answer(reading.implants, grown, reading.scan, "L5", n_scans=2)
    assert "compare" not in " ".join(told.cannot_tell)


# ---- expect ----


@pytest.mark.parametrize("weeks", [0.0, 2.0, 4.0, 8.0, 12.0, 20.0, 30.0, 100.0])
@pytest.mark.parametrize("surface", SURFACES)
def test_expectations_speak_of_halo_bridging_and_metal(weeks: float, surface: str) -> None:
    told = expectation(weeks, surface)
    text = " ".join(told.shown)
    for word in ("halo", "bridged fraction", "metal"):
        assert word in text
    assert told.can_answer
    assert told.cannot_answer
    assert math.isnan(told.next_week) or told.next_week > weeks


def test_a_range_of_one_side_is_told_as_that() -> None:
    """A table from a reference cohort has a row for each side."""
    rows = [w for w in shipped_windows() if w.holds("ha-coated", "mean_width", "any", 5.0)]
    table = tuple(replace(row, side=side) for row in rows for side in ("head_side", "tip_side"))
    told = expectation(5.0, "ha-coated", table).shown
    assert len(told) == 2 * len(rows)
    assert told[0].startswith("mean halo width of a side, screw-head side, up to")


def test_what_has_no_limit_is_not_said_to_lie_past_one() -> None:
    rim, wide = (
        next(line for line in expectation(5.0, "ha-coated").shown if line.startswith(start))
        for start in ("dense line", "widest sector")
    )
    assert rim.startswith("dense line round the halo (where there is one: undecided):")
    assert "up to 2.00 mm (past it: undecided)" in wide


@pytest.mark.parametrize(("weeks", "is_said"), [(4.0, False), (8.0, True), (20.0, False)])
def test_growth_since_week_six_is_no_question_before_it(weeks: float, *, is_said: bool) -> None:
    assert ("since week 6" in " ".join(expectation(weeks).can_answer)) is is_said


def test_where_no_halo_is_shown_it_is_said_that_there_may_be_one() -> None:
    thin, wide = build.make_side(0.1), build.make_side(1.2)  # the scan would show 0.25 mm
    for head, tip, is_said in ((wide, wide, False), (thin, wide, True), (wide, thin, True)):
        reading = build.make_reading(build.make_implant(head, tip))
        told = answer(reading.implants, reading.findings, reading.scan, "L5").cannot_tell
        assert (NO_PROOF in told) is is_said


@pytest.mark.parametrize(
    ("smallest_mm", "reason"),
    [
        (1.17, "An interruption of less than 1.17 mm would not show."),
        (math.nan, ""),
    ],
)
def test_metal_as_expected_is_told_with_what_this_ct_would_miss(smallest_mm: float, reason: str) -> None:
    """In slices of 2 mm a shaft interrupted by 0.8 mm passed for whole without a word."""
    side = build.make_side(0.5)
    whole = build.make_implant(side, side).screw.integrity
    seen = replace(whole, smallest_shown_mm=smallest_mm)
    found = judge(build.make_halo(side, side), 8.0, implant="left", integrity=seen)
    line = line_of("metal", "left", found)
    assert line is not None
    told = print_line(line, "L5")
    assert (told.result, told.reason) == ("metal as expected", reason)


def test_a_gap_that_decides_the_line_of_bridging_is_named() -> None:
    """The line prints the bridged share: a limit in millimetres would be read as one of that."""
    gap = Measured.of(3.6, 0.8, Unit.MM)
    bridge = replace(build.make_bridge(0.0), gap_width_mean=gap)
    side = build.make_side(0.5)
    reading = build.make_reading(build.make_implant(side, side, bridge=bridge), weeks=5.0)
    line = line_of("bridging", "left", reading.findings)
    assert line is not None
    told = print_line(line, "L5")
    assert told.result == "undecided: gap width"
    assert told.reason.startswith(f"Gap width {say(gap)}. ")


def test_a_scan_whose_id_begins_as_another_is_called_by_its_own_week() -> None:
    compared = Compared(since={"w06": "week 6", "w06.5": "week 6.5"})
    assert compared.named("It has grown since scan w06.5: 0.4 mm.") == "It has grown since week 6.5: 0.4 mm."
    assert compared.named("Nothing since scan w06. No more.") == "Nothing since week 6. No more."
