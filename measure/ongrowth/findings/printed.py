"""The four lines of the answer as they are printed."""

from __future__ import annotations

from dataclasses import dataclass

from ongrowth.findings.answer import Line, line_words
from ongrowth.findings.compared import Compared
from ongrowth.findings.expect import range_words
from ongrowth.findings.lucency import excluded_words
from ongrowth.findings.metal import NONE_SHOWN
from ongrowth.reading import Against, Finding
from ongrowth.screw import OtherMetal
from ongrowth.wording import say

# The plane of the defect is found; where it was found wrong, the stated uncertainty did not always show it.
LOOK_AT_THE_DEFECT = (
    "Look at the cut through the defect: the figure holds only if the plane found follows the slit."
)

SYMBOLS = {
    Against.AS_EXPECTED: "✓",
    Against.UNDECIDED: "?",
    Against.OUTSIDE: "!",
    Against.NOT_MEASURABLE: "–",
}


@dataclass(frozen=True, slots=True)
class PrintedLine:
    """One of the four lines as printed.

    `compared` holds a sentence for each earlier CT; `look` tells what the reader must see for himself
    before he trusts the value, "" where there is nothing.
    """

    name: str
    measured: str
    expected: str
    symbol: str
    result: str
    reason: str
    compared: tuple[str, ...] = ()
    look: str = ""


def print_line(line: Line, site: str, compared: Compared | None = None) -> PrintedLine:
    """Return a line in words: what was measured, what is expected, where it stands, and why.

    Parameters
    ----------
    line : Line
        One of the four.
    site : str
        Vertebra or bone.
    compared : Compared, optional
        What earlier CTs of this screw add.
    """
    name = line_words(line.key, site)
    # "not measurable (reason)" stands in the line already
    needs_reason = line.result in (Against.UNDECIDED, Against.OUTSIDE)
    return PrintedLine(
        name=name[0].upper() + name[1:],
        measured=_measured_words(line),
        expected=_expected_words(line),
        symbol=SYMBOLS[line.result],
        result=_result_words(line),
        reason=_reason(line, compared) if needs_reason else _left_open(line),
        compared=compared.lines(line.key, site) if compared else (),
        look=LOOK_AT_THE_DEFECT if line.key == "bridging" and line.main.value.is_known else "",
    )


def metal_words(metal: OtherMetal) -> str:
    """Return what metal that is no screw is, and how large.

    Parameters
    ----------
    metal : OtherMetal
        A rod, a wire, a piece.
    """
    return f"{metal.kind}, length {say(metal.length_mm)}, diameter {say(metal.diameter_mm)}"


def _reason(line: Line, compared: Compared | None) -> str:
    """Return why a line stands where it does; what has changed is told beside it already."""
    deciding = line.deciding
    why = _without_value(deciding, line)
    if compared is None:
        return why
    if deciding.quantity == "width_growth" and deciding.window is not None:
        return _growth_reason(deciding, compared)
    return "" if line.key == "metal" and deciding.from_scan else compared.named(why)


def _growth_reason(deciding: Finding, compared: Compared) -> str:
    """Return why growth decides a line; how much it is stands beside it."""
    if _is_grown(deciding) and deciding.window is not None:
        return deciding.window.meaning
    doubt = deciding.why.rsplit(": ", 1)[-1]
    return doubt.replace("the comparison", f"The comparison with {compared.name(deciding.from_scan)}")


def _is_grown(finding: Finding) -> bool:
    return finding.value.low95 > 0.0


def _left_open(line: Line) -> str:
    """Return what is excluded, or not, of a line that is as expected, where its value does not tell."""
    if line.key == "metal":
        why = next((f.why for f in line.findings if f.state == _WHOLE), "")
        return why.removeprefix(NONE_SHOWN).strip()  # that none is shown stands above it
    window = line.main.window
    return "" if window is None else excluded_words(line.main.value, window)


def _without_value(deciding: Finding, line: Line) -> str:
    """Return the reason; where it starts with the value that stands above it, without that."""
    told = f"{say(deciding.value)} is "
    if deciding.quantity in _GAP_WIDTHS:  # the line itself tells the bridged share
        return f"Gap width {say(deciding.value)}. {deciding.why}"
    if deciding is not line.main or not deciding.why.startswith(told):
        return deciding.why
    rest = deciding.why.removeprefix(told)
    return rest[0].upper() + rest[1:]


def _measured_words(line: Line) -> str:
    if line.key == "metal":
        is_compared = any(f.quantity in _POSITION for f in line.findings)
        return _integrity_words(line) + ("" if is_compared else "; position not compared")
    words = say(line.main.value)
    return f"{words} of the section" if line.key == "bridging" and line.main.value.is_known else words


def _integrity_words(line: Line) -> str:
    return next((f.state for f in line.findings if f.quantity == "integrity"), "metal not looked at")


def _result_words(line: Line) -> str:
    """Return the result, and in a word the rule that gave it where that is not the range beside it.

    Where position could not be compared, the result speaks of the metal alone.
    """
    is_compared = any(f.quantity in _POSITION for f in line.findings)
    if line.key == "metal":
        return line.result.value if is_compared else f"metal {line.result.value}"
    rule = _rule_words(line.deciding) if line.result in (Against.UNDECIDED, Against.OUTSIDE) else None
    return f"{line.result.value}: {rule}" if rule else line.result.value


def _rule_words(deciding: Finding) -> str | None:
    """Return the rule; of growth that is not shown, only that it is growth that is open."""
    is_open = deciding.quantity == "width_growth" and not _is_grown(deciding)
    return "growth" if is_open else _RULES.get(deciding.quantity)


# A halo within the range of its mean width may stand out by another rule; "one side" is the whole of it.
_RULES = {
    "width_growth": "grown",
    "sector_excess": "uneven",
    "rim": "rim",
    "contact": "one side",
    "gap_width_mean": "gap width",
    "gap_width_max": "gap width",
}
_GAP_WIDTHS = ("gap_width_mean", "gap_width_max")

_WHOLE = "no interruption shown"
_POSITION = ("migration", "interfragmentary_motion")


def _expected_words(line: Line) -> str:
    if line.key == "metal":
        return "whole, where it was"
    window = line.main.window
    if window is None:
        return "no range known"
    is_even = any(f.quantity == "sector_excess" and f.window is not None for f in line.findings)
    return f"even, {range_words(window)}" if is_even else range_words(window)
