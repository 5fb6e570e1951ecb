"""Each figure against the window for its week, and the answer in words."""

from __future__ import annotations

from ongrowth.bridge import Bridge
from ongrowth.findings.answer import (
    COMPARED,
    HALO_LINES,
    LINES,
    NOT_LOOKED_AT,
    THIN_SERIES_FIRST,
    Line,
    answer,
    left_out_words,
    line_of,
    line_words,
    lines_of,
    next_scan_words,
    no_scan_words,
    screw_name,
    screw_sentence,
    thin_series_words,
)
from ongrowth.findings.before import (
    SCREW_IN_CT,
    TOLD_WITH_SIDES,
    answer_before,
    edges_words,
    gap_rows,
    is_before_surgery,
    sentences_before,
    side_sentence,
    side_to_side,
    side_words_before,
)
from ongrowth.findings.bridging import (
    CATEGORY_SOURCE,
    PLANE_WORDS,
    bridging_category,
    category_words,
    edge_words,
    judge_bridging,
    judge_graft,
)
from ongrowth.findings.compared import Compared
from ongrowth.findings.expect import (
    PHASES_WEEKS,
    Expectation,
    expectation,
    phase_words,
    quantity_words,
    range_words,
)
from ongrowth.findings.lucency import judge_halo, line_result
from ongrowth.findings.metal import (
    beside_a_bent_axis,
    beside_its_length,
    judge_changes,
    judge_integrity,
    judge_motions,
)
from ongrowth.findings.printed import LOOK_AT_THE_DEFECT, SYMBOLS, PrintedLine, metal_words, print_line
from ongrowth.findings.windows import (
    SURFACES,
    BadWindows,
    Windows,
    gravest,
    parse_windows,
    place,
    quantity_unit,
    read_windows,
    rows_for,
    shipped_windows,
)
from ongrowth.halo import Halo
from ongrowth.reading import Against, Finding, Window
from ongrowth.screw import Integrity

__all__ = [
    "CATEGORY_SOURCE",
    "COMPARED",
    "HALO_LINES",
    "LINES",
    "LOOK_AT_THE_DEFECT",
    "NOT_LOOKED_AT",
    "PHASES_WEEKS",
    "PLANE_WORDS",
    "SCREW_IN_CT",
    "SURFACES",
    "SYMBOLS",
    "THIN_SERIES_FIRST",
    "TOLD_WITH_SIDES",
    "Against",
    "BadWindows",
    "Compared",
    "Expectation",
    "Finding",
    "Line",
    "PrintedLine",
    "Window",
    "Windows",
    "answer",
    "answer_before",
    "beside_its_length",
    "bridging_category",
    "category_words",
    "edge_words",
    "edges_words",
    "expectation",
    "gap_rows",
    "gravest",
    "is_before_surgery",
    "judge",
    "judge_bridging",
    "judge_changes",
    "judge_graft",
    "judge_halo",
    "judge_integrity",
    "judge_motions",
    "left_out_words",
    "line_of",
    "line_result",
    "line_words",
    "lines_of",
    "metal_words",
    "next_scan_words",
    "no_scan_words",
    "parse_windows",
    "phase_words",
    "place",
    "print_line",
    "quantity_unit",
    "quantity_words",
    "range_words",
    "read_windows",
    "rows_for",
    "screw_name",
    "screw_sentence",
    "sentences_before",
    "shipped_windows",
    "side_sentence",
    "side_to_side",
    "side_words_before",
    "thin_series_words",
]


def judge(
    halo: Halo,
    weeks: float,
    windows: Windows | None = None,
    *,
    implant: str = "",
    surface: str = "ha-coated",
    bridge: Bridge | None = None,
    integrity: Integrity | None = None,
) -> tuple[Finding, ...]:
    """Hold what one CT gave on one screw against the windows of its week.

    Parameters
    ----------
    halo : Halo
        Halo of the screw.
    weeks : float
        Weeks since surgery; NaN if not known (then no window applies, but a broken shaft counts).
    windows : tuple of Window, optional
        Windows table; the shipped one by default.
    implant : str
        Id of the screw, repeated in each finding.
    surface : str
        "ha-coated", "porous", "plain" or "lag".
    bridge : Bridge, optional
        Gap and bridging; without it bridging is "not measurable".
    integrity : Integrity, optional
        Whether the shaft is whole; without it there is no finding on it.

    Returns
    -------
    tuple of Finding
        Head side, tip side, defect, metal, in this order.
    """
    table = shipped_windows() if windows is None else windows
    findings = (
        *judge_halo(halo, weeks, table, implant, surface),
        *judge_bridging(bridge, weeks, table, implant, surface),
    )
    if integrity is None:
        return findings
    if integrity.state == "bent":
        findings = tuple(map(beside_a_bent_axis, findings))
    return (*findings, judge_integrity(integrity, weeks, table, implant, surface))
