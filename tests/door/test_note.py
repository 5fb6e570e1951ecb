"""The texts: columns, characters, and words a twelve-year-old can read."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import build_reading as build
import pytest

from ongrowth.findings import answer
from ongrowth.reading import Case, Patient
from ongrowth.reports.note import render_note
from ongrowth.scan import Level, Problem
from ongrowth.wording import fixed_words, say, say_compact, say_short, side_words, span

ONE_SIDED = (2.0, 1.9, 1.1, 0.6, 0.4, 0.5, 0.8, 1.4)


@pytest.fixture(scope="module")
def case() -> Case:
    left = build.make_implant(
        build.make_side(0.1), build.make_side(1.1, sectors_mm=ONE_SIDED), bridge=build.make_bridge(0.2)
    )
    right = build.make_implant(
        build.make_side(0.7), build.make_side(math.nan), side="right", state="interrupted"
    )
    reading = build.make_reading(left, right, problems=(build.thick_slices(),))
    return Case(Patient("harbour-07", 2016, "L5"), (reading,), reading.findings, reading.summary)


@pytest.mark.parametrize("form", [{}, {"short": True}, {"plain": True}])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_lines_have_at_most_72_columns(case: Case, form: dict[str, bool], ascii_only: bool) -> None:
    text = render_note(case, only_ascii=ascii_only, **form)
    assert max(len(line) for line in text.splitlines()) <= 72
    assert text.endswith("\n")


def test_ascii_is_ascii_and_nothing_is_lost_to_a_question_mark(case: Case) -> None:
    text = render_note(case, only_ascii=True)
    assert text.isascii()
    assert "?" not in text


def test_the_decimal_comma_reaches_every_number(case: Case) -> None:
    text = render_note(case, decimal_comma=True)
    assert "1,10 mm (1,00 to 1,20 mm)" in " ".join(text.split())
    assert not re.search(r"\d\.\d", text)


def test_the_decimal_comma_leaves_names_and_sources_alone(case: Case) -> None:
    (last,) = case.readings
    named = replace(last, scan=replace(last.scan, kernel="Br59.3"))
    patient = replace(case.patient, remark="Protocol v1.2, see doi:10.1177/0284185120903446 and 1.2.840.113.")
    text = " ".join(
        render_note(replace(case, readings=(named,), patient=patient), decimal_comma=True).split()
    )
    assert "kernel Br59.3" in text
    assert "Protocol v1.2, see doi:10.1177/0284185120903446 and 1.2.840.113." in text
    assert "1,10 mm (1,00 to 1,20 mm)" in text


def test_a_screw_that_is_not_in_the_answer_stands_where_the_answer_stands() -> None:
    """The right screw of the case is gone: the headline spoke of the left one as if it were alone."""
    text = "In this scan the right screw of the case was not found."
    gone = Problem(
        "screw-not-found", Level.CAUTION, text, "Give its head and tip points if the scan shows it."
    )
    side = build.make_side(0.5)
    reading = build.make_reading(build.make_implant(side, side), problems=(gone,))
    case = Case(Patient("harbour-07", 2016, "L5"), (reading,), reading.findings, reading.summary)
    assert text in case.summary.sentence
    full = " ".join(render_note(case).split())
    assert text in full[full.index("IMPRESSION") :]
    assert text in " ".join(render_note(case, short=True).split())
    page = build.plain_page(case)
    assert f'<p class="sentence">{text}</p>' in page
    assert page.index(text) < page.index("What this CT cannot tell")


def test_metal_that_is_no_screw_is_told_below_the_screws(case: Case) -> None:
    text = render_note(case)
    told = " ".join(text[text.index("OTHER METAL") :].split())
    assert told.startswith("OTHER METAL - Wire, length 7.20 mm (6.42 to 7.98 mm), diameter 0.90 mm")
    assert text.index("RIGHT SCREW") < text.index("OTHER METAL") < text.index("NOT TOLD")
    (reading,) = case.readings
    assert "OTHER METAL" not in render_note(replace(case, readings=(replace(reading, other_metal=()),)))


@pytest.mark.parametrize(
    ("thickness_mm", "words"), [(1.25, "mm; slices 1.25 mm thick; kernel"), (0.6, "0.60 mm; kernel")]
)
def test_slices_thicker_than_their_distance_and_a_missing_voltage_are_told(
    case: Case, thickness_mm: float, words: str
) -> None:
    (reading,) = case.readings
    scan = replace(reading.scan, slice_thickness_mm=thickness_mm, kvp=math.nan)
    told = replace(case, readings=(replace(reading, scan=scan),))
    note = " ".join(render_note(told).split())
    assert words in note
    assert "kVp not stated" in note
    page = re.sub(r"<[^>]+>", " ", build.plain_page(told))
    assert ("slices 1.25 mm thick" in page) is (thickness_mm > 0.6)


def test_the_note_has_technique_comparison_findings_per_side_and_impression(case: Case) -> None:
    text = render_note(case)
    heads = [
        "TECHNIQUE AND LIMITS",
        "COMPARISON",
        "LEFT SCREW",
        "RIGHT SCREW",
        "NOT TOLD",
        "NOT LOOKED AT",
        "IMPRESSION",
    ]
    places = [text.index(head) for head in heads]
    assert places == sorted(places)
    assert "None available." in text
    assert "lamina side (screw head)" in text.lower()
    assert "Slices of 2.0 mm" in text
    screw = case.readings[0].implants[0].screw
    sizes = f"diameter {say(screw.major_diameter_mm)}, given; length {say(screw.length_mm)}"
    assert f"- Screw: {sizes}; surface ha-coated." in " ".join(text.split())


def test_the_detection_limit_is_told_of_each_side(case: Case) -> None:
    """Of the whole shaft it may lie above the width of a side, as if that could not be seen."""
    halo = case.readings[0].implants[0].halo
    text = " ".join(render_note(case).split())
    told = ", ".join(
        f"{side_words(part, 'L5')} {say_compact(getattr(halo, part).detection_limit)}" for part in halo.parts
    )
    assert len(halo.parts) == 2
    assert f"Detection limit of the halo, left screw: {told}." in text


def test_an_earlier_ct_is_named_as_comparison(case: Case) -> None:
    first = build.make_reading(*case.readings[0].implants, weeks=2.0, scan_id="w02")
    both = Case(case.patient, (first, case.readings[0]), case.findings, case.summary)
    assert "w02 (week 2)." in render_note(both)
    assert "no older pictures" not in render_note(both, plain=True)


@pytest.mark.parametrize(
    ("weeks", "words"), [(0.3, "a few days"), (1.2, "about 1 week"), (16.0, "about 16 weeks")]
)
def test_the_family_sheet_says_how_long_ago_surgery_was(case: Case, weeks: float, words: str) -> None:
    reading = build.make_reading(*case.readings[0].implants, weeks=weeks)
    text = render_note(Case(case.patient, (reading,), case.findings, case.summary), plain=True)
    assert f"taken {words} after your surgery." in " ".join(text.split()).replace("\u00a0", " ")


def test_what_the_family_sheet_says_may_be_missed_is_all_that_is_not_excluded() -> None:
    """A line is below the detection limit of 0.8 mm, yet its interval goes to 1.08 mm."""
    drawn = build.make_side(0.1, u_mm=0.5)
    side = replace(drawn, mean_width=replace(drawn.mean_width, below_limit=0.8))
    reading = build.make_reading(build.make_implant(side, side))
    text = render_note(Case(Patient(), (reading,), reading.findings, reading.summary), plain=True)
    assert " ".join(text.split()).count("one thinner than 1.08 mm may be missed") == 2


def test_elsewhere_than_the_pars_sides_are_named_by_the_screw(case: Case) -> None:
    reading = case.readings[0]
    summary = answer(reading.implants, reading.findings, reading.scan, "scaphoid")
    text = render_note(Case(Patient(site="scaphoid"), (reading,), reading.findings, summary))
    assert "screw-head side" in text
    assert "lamina" not in text


def test_the_short_note_is_short(case: Case) -> None:
    assert len(render_note(case, short=True).splitlines()) <= 16


@pytest.mark.parametrize("form", [{"short": True}, {"plain": True}])
def test_no_width_is_told_without_its_doubt(case: Case, form: dict[str, bool]) -> None:
    text = " ".join(render_note(case, **form).split())
    left, right = case.readings[0].implants
    for width in (left.halo.tip_side.mean_width, right.halo.head_side.mean_width):
        assert f"{say_short(width)} (" in text or f"{say_short(width)} wide on average (it" in text
        assert f"{span(width)})" in text


def syllables(word: str) -> int:
    groups = re.findall(r"[aeiouy]+", word.lower())
    silent = word.lower().endswith("e") and not word.lower().endswith("le") and len(groups) > 1
    return max(1, len(groups) - silent)


def reading_grade(text: str) -> float:
    """School grade by the formula of Kincaid JP et al., Navy research branch report 8-75, 1975."""
    sentences = [s for s in re.split(r"[.!?:]\s|\n\n", text) if re.search(r"[a-z]", s)]
    words = re.findall(r"[A-Za-z']+", " ".join(sentences))
    return 0.39 * len(words) / len(sentences) + 11.8 * sum(map(syllables, words)) / len(words) - 15.59


def test_the_grade_formula_tells_easy_from_hard() -> None:
    assert reading_grade("The cat sat on the mat. It was a big red cat. It ran.") < 2.0
    assert reading_grade("Periprosthetic radiolucency necessitates multidisciplinary interpretation. ") > 15.0


def test_the_family_sheet_can_be_read_at_twelve(case: Case) -> None:
    """Age 12 is the sixth grade."""
    text = "\n\n".join(
        " ".join(p.split()) for p in render_note(case, plain=True).split("\n\n") if not p.isupper()
    )
    assert reading_grade(text) <= 6.0


def test_the_family_sheet_tells_measured_usual_and_unknown(case: Case) -> None:
    text = render_note(case, plain=True)
    for head in ("WHAT WAS MEASURED", "WHAT IS USUAL AT THIS TIME", "WHAT IS NOT KNOWN"):
        assert head in text
    assert "None was seen" in text
    assert "There is a break in the metal" in text
    assert all(line in " ".join(text.split()) for line in fixed_words().plain)
