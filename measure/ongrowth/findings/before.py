"""The answer before surgery, in words: gap and edges of each side, side to side, and what is not told."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ongrowth.bridge import Bridge
from ongrowth.findings.bridging import GRAFT_RULE, edge_words
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import DefectReading, Finding, Reading, Summary
from ongrowth.scan import Level, Problem
from ongrowth.wording import say_compact, say_short, with_unit

JOINT = (
    "Whether a slit is the defect or a joint: a facet joint may look alike. Compare the place with the "
    "pictures; otherwise give a point in the defect."
)
STILL = "Movement of the defect: the CT was taken lying still."
STAGE = "Oedema, and how old the defect is: MRI shows the signal, CT does not."
SCREW_IN_CT = "screw-in-ct"
TOLD_WITH_SIDES = (SCREW_IN_CT, "defect-not-seen", "side-not-shown")  # problems that stand beside the sides
_NOT_LOOKED_AT = ("disc", "facet joints", "other levels", "nerve roots", "soft tissue", "course of a screw")


def is_before_surgery(reading: Reading) -> bool:
    """Whether a reading is one of `ongrowth before`: gap and edges, no screw.

    Parameters
    ----------
    reading : Reading
        Of one CT.
    """
    return "oedema_signal" in reading.provenance.settings


def side_words_before(side: str) -> str:
    """Return how a side is called at the head of a sentence.

    Parameters
    ----------
    side : str
        "left", "right" or "not established".

    Examples
    --------
    >>> side_words_before("left"), side_words_before("not established")
    ('Left side', 'Side not established')
    """
    return "Side not established" if side == "not established" else f"{side.capitalize()} side"


def edges_words(bridge: Bridge) -> str:
    """Return whether the edges of a gap are sclerotic, both together.

    Parameters
    ----------
    bridge : Bridge
        The gap, with both of its edges.
    """
    told = (bridge.head_edge.is_sclerotic, bridge.tip_edge.is_sclerotic)
    if told == (True, True):
        return "both edges sclerotic"
    if told == (False, False):
        return "no edge sclerotic"
    names = [name for name, edge in zip(("rear", "front"), told, strict=True) if edge]
    unknown = [name for name, edge in zip(("rear", "front"), told, strict=True) if edge is None]
    parts = [f"{' and '.join(names)} edge sclerotic"] if names else []
    parts += [f"sclerosis of the {' and '.join(unknown)} edge undecided"] if unknown else []
    return ", ".join(parts)


def side_sentence(defect: DefectReading, graft: Finding | None) -> str:
    """Return one side in a sentence, with the rule of thumb.

    Parameters
    ----------
    defect : DefectReading
        An open defect of one side.
    graft : Finding or None
        The rule of thumb on grafting, where it speaks.
    """
    bridge = defect.bridge
    gap, largest = say_short(bridge.gap_width_mean_open), say_short(bridge.gap_width_max)
    most = f"{largest} at most" if is_largest_told(bridge) else NOT_TOLD_APART
    told = f"{side_words_before(defect.side)}: gap {gap} on average, {most}; {edges_words(bridge)}."
    return f"{told} {graft.why}" if graft is not None else told


NOT_TOLD_APART = "the largest not told apart from it"


def is_largest_told(bridge: Bridge) -> bool:
    """Whether the largest gap may be printed: noise can leave its estimate below that of the mean.

    Parameters
    ----------
    bridge : Bridge
        The gap.
    """
    return not bridge.gap_width_max.value < bridge.gap_width_mean_open.value


_QUANTITIES = (
    ("gap_width_mean_open", "Gap width, mean"),
    ("gap_width_max", "Gap width, largest"),
    ("bridged_fraction", "Bone across the gap"),
    ("cross_section_mm2", "Cross-section of the bone"),
    ("tissue_hu", "Tissue in the gap"),
)


def gap_rows(defect: DefectReading) -> tuple[tuple[str, str], ...]:
    """Return all figures of one side as printed: name and value.

    Parameters
    ----------
    defect : DefectReading
        An open defect of one side.
    """
    bridge = defect.bridge
    shown = bridge.smallest_bridge_shown_mm
    return (
        *((words, _figure_words(bridge, name)) for name, words in _QUANTITIES),
        ("Edge, rear (lamina)", edge_words(bridge.head_edge)),
        ("Edge, front (pedicle)", edge_words(bridge.tip_edge)),
        ("Spongy bone beside it", say_compact(defect.bone_hu)),
        ("Smallest bridge this scan shows", "not told" if math.isnan(shown) else with_unit(shown, Unit.MM)),
        (
            "Middle of the defect, patient mm (LPS)",
            ", ".join(f"{v:.1f} mm" for v in bridge.defect.plane.point_mm),
        ),
    )


def _figure_words(bridge: Bridge, name: str) -> str:
    if name == "gap_width_max" and not is_largest_told(bridge):
        return "not told apart from the mean"
    return say_compact(getattr(bridge, name))


def side_to_side(defects: Sequence[DefectReading]) -> tuple[tuple[str, Measured], ...]:
    """Return what the left side has more than the right; empty unless both were measured.

    Parameters
    ----------
    defects : sequence of DefectReading
        Open defects of one scan.
    """
    by_side = {defect.side: defect for defect in defects}
    if not {"left", "right"} <= set(by_side):
        return ()
    left, right = by_side["left"], by_side["right"]
    gap, other_gap = left.bridge.gap_width_mean_open, right.bridge.gap_width_mean_open
    return (
        ("Mean gap, left less right", gap.less(other_gap)),
        ("Spongy bone, left less right", left.bone_hu.less(right.bone_hu)),
    )


def sentences_before(
    defects: Sequence[DefectReading], findings: Sequence[Finding], told: Sequence[Problem]
) -> tuple[str, ...]:
    """Return a sentence for each side and each problem; a screw in the CT puts all the rest in question.

    Parameters
    ----------
    defects : sequence of DefectReading
        The sides on which a slit was found.
    findings : sequence of Finding
        The rule of thumb for each, named by its side.
    told : sequence of Problem
        What else is to be said.
    """
    graft = {finding.implant: finding for finding in findings}
    sides = _rule_named_once([side_sentence(defect, graft.get(defect.side)) for defect in defects])
    first = (problem.text for problem in told if problem.code == SCREW_IN_CT)
    last = (problem.text for problem in told if problem.code != SCREW_IN_CT)
    return (*first, *sides, *last)


def _rule_named_once(sentences: Sequence[str]) -> list[str]:
    """Return the sentences; after the first that names the rule of thumb the others point back to it."""
    out: list[str] = []
    for sentence in sentences:
        is_named = any(GRAFT_RULE in earlier for earlier in out)
        out.append(sentence.replace(GRAFT_RULE, "By the same rule") if is_named else sentence)
    return out


def answer_before(
    defects: Sequence[DefectReading], findings: Sequence[Finding], told: Sequence[Problem], site: str
) -> Summary:
    """Return the answer before surgery.

    Parameters
    ----------
    defects : sequence of DefectReading
        The sides on which a slit was found.
    findings : sequence of Finding
        The rule of thumb for each, named by its side.
    told : sequence of Problem
        Why a side shows none.
    site : str
        Vertebra or bone, for print.
    """
    sentences = sentences_before(defects, findings, [p for p in told if p.level is not Level.REFUSE])
    cannot_tell = [JOINT, STAGE, STILL] if defects else [STAGE]
    level = [] if site else ["Which level this is: it is not inferred from the images."]
    return Summary(" ".join(sentences), math.nan, tuple(level + cannot_tell), _NOT_LOOKED_AT)
