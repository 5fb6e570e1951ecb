"""Paste-ready text: the radiologist's note, its short form, and the sheet for patient and family."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable

from ongrowth.bridge import Bridge
from ongrowth.findings import (
    CATEGORY_SOURCE,
    HALO_LINES,
    PLANE_WORDS,
    TOLD_WITH_SIDES,
    Compared,
    Expectation,
    Line,
    category_words,
    edge_words,
    gap_rows,
    is_before_surgery,
    left_out_words,
    lines_of,
    metal_words,
    next_scan_words,
    print_line,
    screw_name,
    screw_sentence,
    sentences_before,
    side_to_side,
    side_words_before,
    thin_series_words,
)
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import Against, Case, DefectReading, ImplantReading, Reading
from ongrowth.scan import Level
from ongrowth.wording import (
    HALO_SIDES,
    blur_source_words,
    fixed_words,
    plain_ascii,
    say,
    say_compact,
    say_count,
    say_short,
    side_words,
    span,
    thickness_words,
    week_number,
    weeks_words,
    with_unit,
)

WIDTH = 72
_TIE = "\u00a0"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:mm|HU|%|mGy|mSv|kVp|weeks?)\b|%)")
_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\.?[\w/-])")  # a number by itself: no name, version or DOI
_NO_DIAGNOSIS = "The figures are measurements with their 95 % interval. They are no diagnosis."
_CLOSING = (
    "The figures are measurements with their 95 % interval, held against what is expected at this week. "
    "They are no diagnosis."
)


def render_note(
    case: Case,
    *,
    short: bool = False,
    plain: bool = False,
    only_ascii: bool = False,
    decimal_comma: bool = False,
) -> str:
    """Return the note on the latest CT of a case.

    Parameters
    ----------
    case : Case
        One reading or several, in time order.
    short : bool
        One sentence per screw, what is open, and the caution.
    plain : bool
        The sheet for patient and family, in plain words, instead.
    only_ascii : bool
        7-bit characters only.
    decimal_comma : bool
        0,62 instead of 0.62.

    Returns
    -------
    str
        Text of at most 72 columns.
    """
    forms = _BEFORE_SURGERY if is_before_surgery(case.readings[-1]) else _FOLLOW_UP
    write = forms["plain" if plain else "short" if short else "full"]
    text = "\n".join(_wrapped(write(case))) + "\n"
    if decimal_comma:
        text = _DECIMAL.sub(r"\1,\2", text)
    return plain_ascii(text) if only_ascii else text


def _wrapped(paragraphs: Iterable[str]) -> list[str]:
    """Return paragraphs in lines of at most 72 columns; a dash starts a hanging line."""
    lines: list[str] = []
    for paragraph in paragraphs:
        hang = "  " if paragraph.startswith("- ") else ""
        tied = _BEFORE_UNIT.sub(_TIE, paragraph)  # no line ends between a number and its unit
        lines += textwrap.wrap(tied, WIDTH, subsequent_indent=hang, break_on_hyphens=False) or [""]
    return [line.replace(_TIE, " ") for line in lines]


def _full_note(case: Case) -> list[str]:
    last, site = case.readings[-1], case.patient.site
    weeks = last.scan.weeks_since_surgery
    when = f"{weeks_words(weeks)} after surgery" if weeks >= 0 else weeks_words(weeks)
    out = [
        f"MEASUREMENTS ON A {'CT BEFORE SURGERY' if weeks < 0 else 'FOLLOW-UP CT'}",
        f"{site or 'Site not given'}, {when}.",
        *([case.patient.remark] if case.patient.remark else []),
        "",
        "TECHNIQUE AND LIMITS",
        *_technique(last, site),
        "",
        "COMPARISON",
        _comparison(case),
        *_on_comparison(case),
    ]
    for implant in last.implants:
        out += ["", screw_name(implant).upper(), *_screw(implant, case, site)]
    if last.other_metal:
        out += ["", "OTHER METAL", *(f"- {_sentence(metal_words(metal))}" for metal in last.other_metal)]
    out += ["", "NOT TOLD BY THIS CT", *(f"- {point}" for point in case.summary.cannot_tell)]
    out += ["", "NOT LOOKED AT", f"{', '.join(case.summary.not_looked_at).capitalize()}."]
    out += ["", "IMPRESSION", *_impression(case), _CLOSING, "", *fixed_words().cautions]
    return [*out, "", fixed_words().neutral]


def _technique(reading: Reading, site: str) -> list[str]:
    scan = reading.scan
    voxel = " x ".join(f"{v:.2f}" for v in scan.voxel_mm)
    thick = thickness_words(scan.slice_thickness_mm, scan.voxel_mm[2])
    made = [f"Voxels {voxel} mm", *([thick] if thick else [])]
    made.append(f"kernel {scan.kernel}" if scan.kernel else "kernel not stated")
    made.append(f"reconstruction: {scan.algorithm}")
    made.append(f"{scan.kvp:.0f} kVp" if scan.kvp > 0 else "kVp not stated")
    if scan.dose.ctdi_vol_mgy >= 0:
        made.append(f"CTDIvol {with_unit(scan.dose.ctdi_vol_mgy, Unit.MGY)}")
    out = [f"{'; '.join(made)}."]
    if scan.blur_in_plane_mm.is_known:
        source = blur_source_words(scan.blur_source)
        out.append(f"Blur in plane {say(scan.blur_in_plane_mm)}, known from {source}.")
    for one in reading.implants:
        limits = (
            f"{side_words(part, site)} {say_compact(getattr(one.halo, part).detection_limit)}"
            for part in one.halo.parts
        )
        out.append(f"Detection limit of the halo, {screw_name(one).lower()}: {', '.join(limits)}.")
    return out + [f"- {p.text} {p.advice}" for p in scan.problems if p.level is Level.CAUTION]


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _comparison(case: Case) -> str:
    earlier = case.readings[:-1]
    if not earlier:
        return "None available."
    told = ", ".join(f"{r.scan.id} ({weeks_words(r.scan.weeks_since_surgery)})" for r in earlier)
    return f"{told}."


def _on_comparison(case: Case) -> list[str]:
    """Return what a reader must know of the comparison with earlier CTs; changes stand with the findings."""
    last = case.readings[-1].scan.id
    return [f"- {n.problem.text} {n.problem.advice}".strip() for n in case.notes if n.to_scan == last]


def _screw(implant: ImplantReading, case: Case, site: str) -> list[str]:
    out = [_line(line, site, Compared.of(case, implant.id)) for line in lines_of(implant.id, case.findings)]
    for side in HALO_LINES if implant.defect is None else HALO_SIDES:
        out += _side(implant, side, site)
    if implant.bridge is not None:
        out += _defect(implant.bridge, site)
    screw = implant.screw
    sizes = f"diameter {say(screw.major_diameter_mm)}, {screw.diameter_source}; length {say(screw.length_mm)}"
    out.append(f"- Screw: {sizes}; surface {implant.surface}.")
    return [
        *out,
        f"- Tip to far cortex {say(implant.tip_to_cortex_mm)}; for information, no range is expected.",
    ]


def _defect(bridge: Bridge, site: str) -> list[str]:
    """Return gap, bridges, and edges of the defect a screw crosses."""
    shown = bridge.smallest_bridge_shown_mm
    smallest = "" if math.isnan(shown) else f", smallest this scan shows {with_unit(shown, Unit.MM)}"
    places = "; ".join(f"{with_unit(p.area_mm2, Unit.MM2)} {p.place}, {p.direction}" for p in bridge.bridges)
    return [
        f"- Gap width {say(bridge.gap_width_mean)}, largest {say(bridge.gap_width_max)}.",
        f"- Gap width where it is not bridged {say(bridge.gap_width_mean_open)}.",
        f"- Category of bridging: {category_words(bridge.bridged_fraction)}; {CATEGORY_SOURCE}.",
        f"- Bridges: {say_count(bridge.bridge_count)}{smallest}{'. ' if places else ''}{places}.",
        f"- Tissue in the open gap {say(bridge.tissue_hu)}.",
        f"- Edge, {side_words('head_side', site)}: {edge_words(bridge.head_edge)}.",
        f"- Edge, {side_words('tip_side', site)}: {edge_words(bridge.tip_edge)}.",
        f"- Plane of the defect: {PLANE_WORDS[bridge.defect.how]}.",
    ]


def _line(line: Line, site: str, compared: Compared) -> str:
    told = print_line(line, site, compared)
    first = f"{told.name}: {told.measured}, expected: {told.expected}. Result: {told.result}."
    changes = (f"{words}." for words in told.compared)
    return f"- {' '.join(words for words in (first, *changes, told.reason, told.look) if words)}"


def _side(implant: ImplantReading, side: str, site: str) -> list[str]:
    """Return what more was measured on one side."""
    halo = getattr(implant.halo, side)
    if not halo.mean_width.is_known:
        return []
    name = side_words(side, site)
    told = (
        f"wider than 1 mm on {say(halo.share_over_1mm)} of the surface",
        f"under 0.5 mm on a length of {say(halo.no_lucency_length)}",
        f"shape {halo.shape}",
        f"dense rim {halo.rim.present}",
        f"{with_unit(halo.measured_share, Unit.ONE)} of the surface measured",
    )
    return [f"- {name[0].upper()}{name[1:]}: {'; '.join(told)}."]


def _impression(case: Case) -> list[str]:
    last, site = case.readings[-1], case.patient.site
    weeks = last.scan.weeks_since_surgery
    return [
        *(screw_sentence(implant, case.findings, weeks, site) for implant in last.implants),
        *left_out_words(last.scan),
        *_next_scan(case),
    ]


def _next_scan(case: Case) -> list[str]:
    week = case.summary.next_scan_week
    later = [] if math.isnan(week) else [next_scan_words(week)]
    return [*thin_series_words(case.readings[-1].scan), *later]


def _short_note(case: Case) -> list[str]:
    last, site = case.readings[-1], case.patient.site
    weeks = last.scan.weeks_since_surgery
    compared = _comparison(case)
    place = f"{site or 'Site not given'}, {weeks_words(weeks)}."
    out = [f"{place} Comparison: {compared[0].lower()}{compared[1:]}"]
    for implant in last.implants:
        out.append(screw_sentence(implant, case.findings, weeks, site))
        halo = implant.halo
        told = [line.key for line in lines_of(implant.id, case.findings) if line.key in HALO_LINES]
        widths = (f"{side_words(s, site)} {say(getattr(halo, s).mean_width)}" for s in told)
        out.append(f"Halo: {', '.join(widths)}.")
    remark = [case.patient.remark] if case.patient.remark else []
    return [*remark, *out, *left_out_words(last.scan), *_next_scan(case), fixed_words().short]


_PLAIN_RESULT = {
    Against.AS_EXPECTED: "This is usual at this time.",
    Against.UNDECIDED: "We cannot say yet if this is usual.",
    Against.OUTSIDE: "This is not usual at this time. Please talk with your doctor about it.",
    Against.NOT_MEASURABLE: "The pictures could not show this.",
}


def _family_sheet(case: Case) -> list[str]:
    """Return what was measured, what is usual at this week, and what is not known, in plain words."""
    last = case.readings[-1]
    weeks = last.scan.weeks_since_surgery
    remark = ["", case.patient.remark] if case.patient.remark else []
    start = _plain_start(weeks, len(last.implants))
    out = ["ABOUT YOUR CT PICTURES", *remark, "", *start, "", "WHAT WAS MEASURED"]
    for implant in last.implants:
        out += ["", f"{_plain_side(implant)}:", *_plain_lines(implant, case)]
    out += ["", "WHAT IS USUAL AT THIS TIME", *_plain_usual(weeks)]
    out += ["", "WHAT IS NOT KNOWN", *_plain_unknown(case)]
    return [*out, "", "PLEASE NOTE", *(f"- {line}" for line in fixed_words().plain)]


def _plain_time(weeks: float) -> str:
    whole = round(weeks)
    return ("a few days", "about 1 week")[whole] if whole < 2 else f"about {whole} weeks"


def _plain_start(weeks: float, n_screws: int) -> list[str]:
    when = [f"They were taken {_plain_time(weeks)} after your surgery."] if weeks >= 0 else []
    what = (
        "You have a screw that holds a gap in a bone. A program measured the screw and the bone "
        "around it. It looked at a dark line around the screw, at the gap, and at the metal."
        if n_screws == 1
        else "You have screws that hold a gap in a bone. A program measured the screws and the bone "
        "around them. It looked at a dark line around each screw, at the gap, and at the metal."
    )
    return ["A CT takes pictures of the inside of your body.", *when, what]


def _plain_side(implant: ImplantReading) -> str:
    return {"left": "Left screw", "right": "Right screw"}.get(implant.side, "The screw")


_PLAIN_NAMES = {
    "whole": "The dark line along the screw",
    "head_side": "The dark line near the head of the screw",
    "tip_side": "The dark line near the tip of the screw",
    "bridging": "New bone across the gap",
    "metal": "The metal",
}


def _plain_lines(implant: ImplantReading, case: Case) -> list[str]:
    return [_plain_line(line) for line in lines_of(implant.id, case.findings)]


def _plain_line(line: Line) -> str:
    name, result = _PLAIN_NAMES[line.key], _PLAIN_RESULT[line.result]
    if line.key == "metal":
        told = {
            "no interruption shown": "No break can be seen",
            "interrupted": "There is a break in the metal",
            "bent": "The screw is bent",
        }.get(line.main.state, "The pictures could not show it")
        moved = _plain_position(line)
        return f"- {name}: {told}. {moved}{'' if line.main.state == 'not measurable' else result}".rstrip()
    value = line.main.value
    if not value.is_known:
        return f"- {name}: {_PLAIN_RESULT[Against.NOT_MEASURABLE]}"
    if line.key == "bridging":
        seen = say_short(value)
        told = "None was seen" if seen == "0 %" else f"It fills {seen} of the gap"
        return f"- {name}: {told}{_plain_doubt(value)}. {result}"
    if math.isfinite(value.below_limit):
        limit = with_unit(max(value.below_limit, value.high95), value.unit)
        return f"- {name}: None was seen (one thinner than {limit} may be missed). {result}"
    return f"- {name}: {say_short(value)} wide on average{_plain_doubt(value)}. {_plain_growth(line)}{result}"


def _plain_doubt(value: Measured) -> str:
    """Return the 95 % interval of a value that is told, in plain words."""
    return f" (it could be {span(value)})"


def _plain_growth(line: Line) -> str:
    """Return in plain words whether a dark line has changed since the older pictures."""
    states = [f.state for f in line.findings if f.quantity == "width_growth"]
    if "grown" in states:
        return "It is wider than on older pictures. "
    return "It is thinner than on older pictures. " if "shrunk" in states else ""


def _plain_position(line: Line) -> str:
    """Return in plain words whether the screw and the bone lie where they lay on the older pictures."""
    states = {f.quantity: f.state for f in line.findings if f.state in ("moved", "not shown to have moved")}
    for f in line.findings:
        if f.state == "moved":
            states[f.quantity] = "moved"
    if "moved" in states.values():
        what = "The screw" if states.get("migration") == "moved" else "The bone"
        return f"{what} does not lie just where it lay on the older pictures. "
    return (
        "We do not see that the screw has moved since the older pictures. " if states.get("migration") else ""
    )


_USUAL_EARLY = (
    "In the first weeks the bone around a screw changes. A thin dark line is often seen then, "
    "and most of the time it goes away. New bone across the gap takes months. It is often not there yet."
)
_USUAL_LATER = (
    "After three months the dark line should not grow any more. Most lines get thinner in the "
    "first year. New bone should start to grow across the gap."
)


def _plain_usual(weeks: float) -> list[str]:
    if not weeks >= 0:
        return ["We do not know how long ago your surgery was, so we cannot say what is usual."]
    return [_USUAL_EARLY if weeks < 12 else _USUAL_LATER]


def _plain_unknown(case: Case) -> list[str]:
    out = [
        "- Why there is a dark line. The pictures cannot tell.",
        "- If the screw moves when you move. You lay still.",
    ]
    if len(case.readings) == 1:
        out.append("- If anything has changed. There are no older pictures to look at.")
    if not math.isnan(case.summary.next_scan_week):
        out.append("- Some things cannot be said yet. Your doctor knows if and when new pictures help.")
    return out


def _full_note_before(case: Case) -> list[str]:
    """Return the note on a CT from before surgery."""
    last = case.readings[-1]
    out = [
        "MEASUREMENTS ON A CT BEFORE SURGERY",
        f"{case.patient.site or 'Site not given'}, before surgery.",
        *([case.patient.remark] if case.patient.remark else []),
        "",
        "TECHNIQUE AND LIMITS",
        *_technique(last, case.patient.site),
    ]
    for defect in last.defects:
        out += ["", side_words_before(defect.side).upper(), *(f"- {n}: {v}." for n, v in gap_rows(defect))]
    between = side_to_side(last.defects)
    if between:
        out += ["", "SIDE TO SIDE", *(f"- {name}: {say_compact(value)}." for name, value in between)]
    out += ["", "NOT TOLD BY THIS CT", *(f"- {point}" for point in case.summary.cannot_tell)]
    out += ["", "NOT LOOKED AT", f"{', '.join(case.summary.not_looked_at).capitalize()}."]
    out += ["", "IMPRESSION", *_sides_before(last), _NO_DIAGNOSIS, "", *fixed_words().cautions]
    return out


def _sides_before(reading: Reading) -> list[str]:
    """Return a sentence for each side: the gap and the rule of thumb, or why none was found."""
    told = [p for p in reading.scan.problems if p.code in TOLD_WITH_SIDES]
    return list(sentences_before(reading.defects, reading.findings, told))


def _short_note_before(case: Case) -> list[str]:
    place = f"{case.patient.site or 'Site not given'}, before surgery."
    return [place, *_sides_before(case.readings[-1]), fixed_words().short]


def _family_sheet_before(case: Case) -> list[str]:
    """Return what was measured before surgery, and what is not known, in plain words."""
    return [
        "ABOUT YOUR CT PICTURES",
        "",
        "A CT takes pictures of the inside of your body.",
        "They were taken before surgery.",
        "You have a gap in a bone. A program measured how wide it is.",
        "",
        "WHAT WAS MEASURED",
        *(_plain_gap(defect) for defect in case.readings[-1].defects),
        "",
        "WHAT IS NOT KNOWN",
        "- How old the gap is. The pictures cannot tell.",
        "- If the bone moves when you move. You lay still.",
        "",
        "PLEASE NOTE",
        *(f"- {line}" for line in fixed_words().plain),
    ]


def _plain_gap(defect: DefectReading) -> str:
    side = {"left": "on the left", "right": "on the right"}.get(defect.side, "in the bone")
    width = defect.bridge.gap_width_mean_open
    if not width.is_known:
        return f"- The gap {side}: {_PLAIN_RESULT[Against.NOT_MEASURABLE]}"
    return f"- The gap {side}: {say_short(width)} wide on average{_plain_doubt(width)}."


_FOLLOW_UP = {"full": _full_note, "short": _short_note, "plain": _family_sheet}
_BEFORE_SURGERY = {
    "full": _full_note_before,
    "short": _short_note_before,
    "plain": _family_sheet_before,
}


def render_expectation(told: Expectation) -> str:
    """Return what a CT at a week is expected to show, as text of at most 72 columns."""
    week = f"A CT would tell more at about week {told.next_week:.0f}, if the clinician wants one at all."
    out = [
        f"WEEK {week_number(told.weeks)} AFTER SURGERY, SURFACE {told.surface.upper()} ({told.phase})",
        "",
        "EXPECTED",
        *(f"- {line}" for line in told.shown),
        "",
        "A CT NOW CAN ANSWER",
        *(f"- {line}" for line in told.can_answer),
        "",
        "A CT NOW CANNOT ANSWER",
        *(f"- {line}" for line in told.cannot_answer),
        "",
        week if not math.isnan(told.next_week) else "A later CT is not expected to tell more.",
        "",
        *fixed_words().cautions[:3],
    ]
    return "\n".join(_wrapped(out)) + "\n"
