"""The gap and the bone across it against the windows, and the rule of thumb on grafting."""

from __future__ import annotations

import math
from dataclasses import replace

from ongrowth.bridge import Bridge, Edge
from ongrowth.findings.lucency import Place, judge_width
from ongrowth.findings.windows import Windows, rows_for
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Against, Finding
from ongrowth.wording import say, say_compact

# Rule of thumb, common practice, no source: above 4 mm a graft; without oedema signal from 2 to 3 mm on.
GRAFT_RULE = "Rule of thumb (common practice, no source)"
_GRAFT_MM = 4.0
_GRAFT_NO_OEDEMA_MM = (2.0, 3.0)

_BRIDGE_QUANTITIES = ("gap_width_mean", "gap_width_max")

# Categories of osseous bridging on CT in use for hindfoot and ankle fusion (Glazebrook M et al.).
_CATEGORIES = ((0.25, "absent"), (0.5, "minimal"), (0.75, "moderate"), (math.inf, "complete"))
CATEGORY_SOURCE = "categories 0-24, 25-49, 50-74, 75-100 %: Glazebrook M et al., hindfoot and ankle fusion"


def bridging_category(fraction: Measured) -> str:
    """Return the published category of a bridged fraction, or "" where it is not measurable.

    Parameters
    ----------
    fraction : Measured
        Bridged share of the section, 0 to 1.

    Examples
    --------
    >>> bridging_category(Measured.of(0.38, 0.02, Unit.ONE))
    'minimal'
    """
    if not fraction.is_known:
        return ""
    return next(word for end, word in _CATEGORIES if round(fraction.value, 2) < end)


_CATEGORY_RANGES = ("0-24 %", "25-49 %", "50-74 %", "75-100 %")

PLANE_WORDS = {
    "found": "found in this scan",
    "pre-op": "from the CT before surgery",
    "given": "given",
    "carried": "carried over from another CT of this case",
}


def category_words(fraction: Measured) -> str:
    """Return the published category as printed beside the number, with its range.

    Parameters
    ----------
    fraction : Measured
        Bridged share of the section, 0 to 1.

    Examples
    --------
    >>> category_words(Measured.of(0.38, 0.02, Unit.ONE))
    'minimal (25-49 %)'
    """
    word = bridging_category(fraction)
    if not word:
        return "not measurable"
    n = next(k for k, (_, name) in enumerate(_CATEGORIES) if name == word)
    return f"{word} ({_CATEGORY_RANGES[n]})"


def edge_words(edge: Edge) -> str:
    """Return whether an edge of the gap is sclerotic, with its CT number beside that of the bone behind.

    Parameters
    ----------
    edge : Edge
        Edge of the gap, HU.
    """
    if not edge.face_hu.is_known:
        return say(edge.face_hu)
    told = {True: "sclerotic", False: "not sclerotic", None: "sclerosis undecided"}[edge.is_sclerotic]
    face, behind = (say_compact(hu) for hu in (edge.face_hu, edge.behind_hu))
    return f"{told}: {face}, bone behind it {behind}"


def judge_bridging(
    bridge: Bridge | None, weeks: float, windows: Windows, implant: str, surface: str
) -> tuple[Finding, ...]:
    """Return the findings on the defect a screw crosses; without a bridge measure it is not measurable.

    Parameters
    ----------
    bridge : Bridge or None
        What was measured.
    weeks : float
        Weeks since surgery; NaN: not known.
    windows : tuple of Window
        What is expected.
    implant, surface : str
        Id of the screw; its surface.
    """
    here = Place(implant, surface, "any", weeks, windows)
    if bridge is None:
        nothing = Measured.missing(Unit.ONE, Caution.NO_DEFECT)
        return (_on_defect(judge_width(here, "bridged_fraction", nothing)),)
    values = {"bridged_fraction": bridge.bridged_fraction}
    values |= {name: getattr(bridge, name) for name in _BRIDGE_QUANTITIES if here.rows(name)}
    return tuple(_on_defect(judge_width(here, name, value)) for name, value in values.items())


def _on_defect(finding: Finding) -> Finding:
    return replace(finding, site="defect")


def judge_graft(gap: Measured, oedema: str, windows: Windows, implant: str = "") -> Finding:
    """Apply the rule of thumb on grafting to a gap measured before surgery.

    Parameters
    ----------
    gap : Measured
        Mean gap width, mm.
    oedema : str
        Oedema signal on MRI: "present", "absent" or "unknown".
    windows : tuple of Window
        Table that names the rule and its source.
    implant : str
        Id of the screw or side it concerns.
    """
    rows = rows_for(windows, "any", "graft_rule", "any", -1.0)
    window = rows[0] if rows else None
    if not gap.is_known:
        why = f"This scan does not tell: {gap.cautions.words}."
        return Finding(
            implant, "defect", "graft_rule", gap, window, Against.NOT_MEASURABLE, why, "not measurable"
        )
    against, state, why = _graft(gap, oedema)
    return Finding(implant, "defect", "graft_rule", gap, window, against, why, state)


def _graft(gap: Measured, oedema: str) -> tuple[Against, str, str]:
    low_mm, high_mm = _graft_limits_mm(oedema)
    rule = GRAFT_RULE
    if gap.high95 <= low_mm:
        return (
            Against.AS_EXPECTED,
            "no graft by rule of thumb",
            f"{rule}: the gap is not above {low_mm:.0f} mm.",
        )
    if gap.low95 > high_mm:
        return Against.OUTSIDE, "graft by rule of thumb", f"{rule}: the gap is above {high_mm:.0f} mm."
    if oedema == "unknown" and gap.high95 <= _GRAFT_MM:
        why = f"{rule}: with oedema signal no graft, without it a graft from 2 to 3 mm on."
        return Against.UNDECIDED, "depends on the oedema signal", why
    why = f"{rule}: the 95 % interval reaches into the range of {low_mm:.0f} to {high_mm:.0f} mm."
    return Against.UNDECIDED, "depends on the oedema signal" if oedema == "unknown" else "", why


def _graft_limits_mm(oedema: str) -> tuple[float, float]:
    """Return below which width no graft, and above which one, by the rule."""
    if oedema == "present":
        return _GRAFT_MM, _GRAFT_MM
    if oedema == "absent":
        return _GRAFT_NO_OEDEMA_MM
    return _GRAFT_NO_OEDEMA_MM[0], _GRAFT_MM
