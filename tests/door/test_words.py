"""Every state of every finding, on every output: no diagnosis, no bare number, no value below its limit."""

from __future__ import annotations

import html
import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import build_reading as build
import pytest

import ongrowth
from ongrowth.findings import (
    SURFACES,
    answer,
    answer_before,
    expectation,
    judge_changes,
    judge_graft,
    judge_motions,
    shipped_windows,
)
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Case, ChangeRecord, DefectReading, MotionRecord, Patient, Reading
from ongrowth.reports.before import render_before
from ongrowth.reports.note import render_expectation, render_note
from ongrowth.reports.request import render_request
from ongrowth.scan import Level, Problem
from ongrowth.wording import fixed_words, week_number, weeks_words

DIAGNOSIS = re.compile(
    r"\b(loos\w*|heal\w*|infect\w*|septic\w*|non-?unions?|pseud\w*arthros\w*|fail\w*|osteoly\w*|stable|unstable)\b",
    re.IGNORECASE,
)
CRESCENT = (2.6, 2.3, 1.2, 0.5, 0.3, 0.5, 1.2, 2.3)
SIDES = {
    "below limit": build.make_side(0.137),
    "even": build.make_side(0.7),
    "wide": build.make_side(2.9),
    "spanning": build.make_side(1.0, 0.2),
    "crescent": build.make_side(1.3, sectors_mm=CRESCENT),
    "rim": build.make_side(0.8, rim="present"),
    "lucent all over": build.make_side(0.9, lucent=1.0),
    "not measurable": build.make_side(math.nan),
}
METAL = ("no interruption shown", "interrupted", "bent", "not measurable")
WEEKS = (math.nan, -3.0, 1.0, 4.0, 8.0, 13.0, 20.0, 60.0)


def fixed_sentences() -> list[str]:
    words = fixed_words()
    return [*words.cautions, words.short, words.neutral, *words.plain]


def without_fixed(text: str) -> str:
    """Text without the sentences that alone may speak of diagnoses; white space evened."""
    even = " ".join(text.split())
    for sentence in sorted(fixed_sentences(), key=len, reverse=True):
        even = even.replace(" ".join(sentence.split()), " ")
    return even


def visible(page: str) -> str:
    """What a page shows as words, pictures left out (their axes carry the unit in the label)."""
    body = page[page.index("<body>") :]
    body = re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", body))


def spoken(page: str) -> str:
    """The words for screen readers."""
    return " ".join(html.unescape(text) for text in re.findall(r'aria-label="([^"]*)"', page))


def motions(state: str) -> list[MotionRecord]:
    far = (
        Measured.of(0.9, 0.05, Unit.MM)
        if state != "not measurable"
        else Measured.missing(Unit.MM, Caution.POOR_FIT)
    )
    turn = Measured.of(1.0, 0.1, Unit.DEG)
    return [
        MotionRecord(
            "left", body, "head side", "w00", "w08", (far,) * 3, turn, turn, far, turn, far, far, far, state
        )
        for body in ("screw", "tip side")
    ]


def changes(value: Measured) -> list[ChangeRecord]:
    return [ChangeRecord("left", "tip_side", "mean_width", "w00", "w08", value, "grown")]


Earlier = tuple[tuple[MotionRecord, ...], tuple[ChangeRecord, ...]]


def since_an_earlier_scan() -> list[Earlier]:
    """What two scans may say of change, in every state; the first: nothing."""
    grown = [Measured.of(v, u, Unit.MM) for v, u in ((0.4, 0.05), (0.02, 0.05), (0.2, 0.4), (-0.4, 0.05))]
    grown.append(Measured.missing(Unit.MM, Caution.PROTOCOL_CHANGED))
    states = ("moved", "not shown to have moved", "not measurable")
    moved: list[Earlier] = [(tuple(motions(state)), ()) for state in states]
    return [((), ()), *moved, *(((), tuple(changes(value))) for value in grown)]


def pages_before() -> list[str]:
    """Page and notes before surgery: every state of the rule of thumb, both sides seen or one of them not."""
    out = []
    for k, (oedema, gap) in enumerate(itertools.product(("present", "absent", "unknown"), GAPS)):
        sides = ("left", "right")[: 1 + k % 2]
        defects = tuple(
            DefectReading(side, replace(build.make_bridge((0.0, 0.3)[k % 2], side), gap_width_mean_open=gap))
            for side in sides
        )
        found = tuple(judge_graft(gap, oedema, shipped_windows(), side) for side in sides)
        missing = (
            Problem("defect-not-seen", Level.CAUTION, "No slit is seen on this side.", "Give a point."),
        )
        told = missing if len(sides) == 1 else ()
        site = ("L5", "")[k % 2]
        blank = build.make_reading(weeks=-2.0)
        settings = blank.provenance.settings | {"oedema_signal": oedema}
        reading = replace(
            blank,
            findings=found,
            defects=defects,
            provenance=replace(blank.provenance, settings=settings),
            summary=answer_before(defects, found, told, site),
        )
        reading = replace(reading, scan=replace(reading.scan, problems=told))
        page = render_before(reading, site)
        out += [visible(page), spoken(page), reading.summary.sentence]
        case = Case(Patient("case", None, site), (reading,), found, reading.summary)
        out += [render_note(case, short=short, plain=plain) for short, plain in FORMS]
    return out


FORMS = ((False, False), (True, False), (False, True))
GAPS = (
    *(Measured.of(g, 0.2, Unit.MM) for g in (1.0, 2.6, 3.5, 5.0)),
    Measured.missing(Unit.MM, Caution.POOR_FIT),
)


def readings() -> Iterator[Reading]:
    """Readings that together show every state."""
    keys = list(SIDES)
    for k, (weeks, head) in enumerate(itertools.product(WEEKS, keys)):
        tip = SIDES[keys[(k + k // len(keys)) % len(keys)]]
        bridge = None if k % 5 == 0 else build.make_bridge((0.0, 0.1, 0.27, 0.6)[k % 4])
        if k % 7 == 3 and bridge is not None:
            below = Measured.of(0.013, 0.02, Unit.ONE, floor=0.0, limit=0.05)
            bridge = replace(bridge, bridged_fraction=below)
        implant = build.make_implant(SIDES[head], tip, bridge=bridge, state=METAL[k % 4])
        yield build.make_reading(
            replace(implant, surface=SURFACES[k % 4]),
            weeks=weeks,
            site=("L5", "", "scaphoid")[k % 3],
            problems=(build.thick_slices(),) if k % 2 else (),
        )


def cases() -> list[Case]:
    out = []
    earlier, windows = since_an_earlier_scan(), shipped_windows()
    for k, reading in enumerate(readings()):
        moved, changed = earlier[k % len(earlier)]
        weeks, site = reading.scan.weeks_since_surgery, str(reading.provenance.settings["site"])
        found = (
            *reading.findings,
            *judge_motions(moved, weeks, windows, "ha-coated"),
            *judge_changes(changed, weeks, windows, "ha-coated"),
        )
        summary = answer(reading.implants, found, reading.scan, site)
        patient = Patient("case", None, site)
        out.append(Case(patient, (reading,), found, summary, motions=moved, changes=changed))
    return [*out, build.make_case(), build.make_case(moved_mm=0.0)]


@pytest.fixture(scope="module")
def texts() -> list[str]:
    """Everything that any output says, in every state. Pages are costly: every seventh is rendered."""
    out: list[str] = []
    for k, case in enumerate(cases()):
        out += [render_note(case), render_note(case, short=True), render_note(case, plain=True)]
        out += [f.why for f in case.findings] + [case.summary.sentence, *case.summary.cannot_tell]
        if k % 7 == 0 or len(case.readings) > 1:
            page = build.plain_page(case)
            out += [visible(page), spoken(page)]
    out += [render_expectation(expectation(w, s)) for w in WEEKS if w >= 0 for s in SURFACES]
    return [*out, *pages_before(), render_request("L5"), visible(render_request("L5", as_page=True))]


def test_every_state_is_there() -> None:
    """The list above would prove nothing if a state were missing from it."""
    found = [f for case in cases() for f in case.findings]
    assert {f.against_window.value for f in found} == {
        "as expected",
        "undecided",
        "outside",
        "not measurable",
    }
    assert {f.state for f in found if f.quantity == "integrity"} == set(METAL)
    assert {f.state for f in found if f.quantity == "migration"} == {
        "moved",
        "not shown to have moved",
        "not measurable",
    }
    for quantity in ("mean_width", "sector_excess", "rim", "contact", "bridged_fraction", "width_growth"):
        against = {f.against_window.value for f in found if f.quantity == quantity}
        assert {"as expected", "undecided"} <= against, (quantity, against)


def test_no_output_speaks_of_diagnoses_outside_the_fixed_words(texts: list[str]) -> None:
    for text in texts:
        told = DIAGNOSIS.search(without_fixed(text))
        assert told is None, (told, text)


def test_the_fixed_words_would_be_caught() -> None:
    assert DIAGNOSIS.search(fixed_words().neutral)
    assert DIAGNOSIS.search(" ".join(fixed_words().plain))


def test_the_words_stand_in_one_file_of_the_program() -> None:
    root = Path(ongrowth.__file__).parent
    words = re.compile(r"\b(loose|healed|infected)\b", re.IGNORECASE)
    files = [path for path in root.rglob("*") if path.suffix in (".py", ".toml", ".json", ".html", ".css")]
    assert len(files) > 30
    guilty = [path.name for path in files if words.search(path.read_text(encoding="utf-8"))]
    assert guilty == ["cautions.toml"]


UNIT = r"(?:mm²|mm³|mm|HU|%|°|mSv|mGy|kVp|weeks?|degrees|percentage points|cm|bit|columns)"
NUMBER = r"[−-]?\d+(?:\.\d+)?"
ALLOWED = [
    r"\d{4}-\d{2}-\d{2}",  # dates
    r"doi:\S+|\b10\.\d{4,}/\S+",
    r"\[[^\]]*(?:source|practice|choice|\d{4})[^\]]*\]",  # a source in brackets
    r"\*?categories .*?fusion",
    r"\(\d+-\d+ %\)",  # the range of a category
    r"extraction torque: .*?\)",
    rf"{NUMBER} \({NUMBER} to {NUMBER}\) ?{UNIT}",
    rf"{NUMBER}(?: to {NUMBER})? ?{UNIT}",
    rf"{NUMBER}(?: [x×] {NUMBER})+ mm",
    rf"\b[Ww](?:eeks?|EEK) {NUMBER}(?: to {NUMBER})?",
    r"from week \d+ on",
    r"[Bb]ridges:? \d+ \(\d+ to \d+\)|\b\d+ \(\d+ to \d+\)(?= Smallest)",
    r"95th percentile",
    r"found \d+(?: and \d+)? of 100 times",
    r"\bL5\b|\bharbour-\d\d\b|\bw\d\d\b|\binput \w{12}\b|ongrowth \d+\.\d+\.\d+|case/\d",
    r"(?:about )?(?:three|3) months|\b6 months|\b1 year",
]


def test_no_number_stands_without_its_unit(texts: list[str]) -> None:
    allowed = re.compile("|".join(f"(?:{pattern})" for pattern in ALLOWED))
    sources = [" ".join(f"{row.meaning} Source: {row.source}.".split()) for row in shipped_windows()]
    for text in texts:
        even = without_fixed(text)
        for source in sources:
            even = even.replace(source, " ")
        rest = allowed.sub(" ", even)
        bare = re.search(r".{0,60}\d.{0,40}", rest)
        assert bare is None, (bare, text)


def test_a_bare_number_would_be_caught() -> None:
    allowed = re.compile("|".join(f"(?:{pattern})" for pattern in ALLOWED))
    assert re.search(r"\d", allowed.sub(" ", "the halo is 0.62 wide"))
    assert not re.search(r"\d", allowed.sub(" ", "0.62 mm (0.51 to 0.73 mm) at week 8"))


def test_a_whole_week_is_printed_without_decimals(texts: list[str]) -> None:
    assert [weeks_words(w) for w in (16.0, 6.43, 0.0, -3.0, math.nan)] == [
        "week 16",
        "week 6.4",
        "week 0",
        "before surgery",
        "week not known",
    ]
    assert week_number(-0.04) == "0"
    assert any("week 8" in text for text in texts)
    for text in texts:
        assert not re.search(r"week \d+\.0\b", text, re.IGNORECASE)


def test_no_value_below_its_limit_is_printed(texts: list[str]) -> None:
    """0.137 mm lies below the limit of 0.25 mm; 1.3 % below that of 5 %."""
    side = build.make_side(0.137)
    implant = build.make_implant(side, side, scan=build.make_scan(step_mm=0.8))
    reading = build.make_reading(implant)
    case = Case(Patient(site="L5"), (reading,), reading.findings, reading.summary)
    page = build.plain_page(case)
    own = [render_note(case), render_note(case, short=True), render_note(case, plain=True)]
    own += [visible(page), spoken(page)]
    for text in own:
        assert not re.search(r"0[.,]1[34]\d? ?mm", text)
        assert "0.25 mm" in text
    for text in texts:
        assert not re.search(r"\b1(\.3)? % \(0", text)


def test_every_page_and_note_carries_the_cautions() -> None:
    case = cases()[9]
    for text in (visible(build.plain_page(case)), render_note(case)):
        even = " ".join(text.split())
        for caution in fixed_words().cautions:
            assert caution in even
        assert " ".join(fixed_words().neutral.split()) in even
    for text in (render_note(case, short=True), render_request()):
        assert fixed_words().short in " ".join(text.split())
    for caution in fixed_words().plain:
        assert caution in " ".join(render_note(case, plain=True).replace("\n- ", " ").split())
