"""The page before surgery: gap, edges and bone on both sides on one sheet, the answer first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

import ongrowth
from ongrowth.findings import (
    LOOK_AT_THE_DEFECT,
    TOLD_WITH_SIDES,
    gap_rows,
    side_sentence,
    side_to_side,
    side_words_before,
)
from ongrowth.frame import ScrewFrame
from ongrowth.reading import Cut, DefectReading, Finding, Reading
from ongrowth.reports.drawing import svg_of
from ongrowth.reports.figures import (
    BONE_WINDOW_HU,
    HALO_EDGE,
    draw_gap_map,
    paint_faces,
    write_edge_words,
)
from ongrowth.reports.template import fill_template
from ongrowth.wording import fixed_words, say_compact, say_short, thickness_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RULE = (
    "Rule of thumb on grafting: a gap above 4 mm is grafted; without oedema signal on MRI one above "
    "2 to 3 mm already. Common practice, no source."
)
_OEDEMA_WORDS = {
    "present": "Oedema signal on MRI: present.",
    "absent": "Oedema signal on MRI: absent.",
    "unknown": "Oedema signal on MRI: not known.",
}
_FIRST = (*TOLD_WITH_SIDES, "defect-unsure")  # told at the head of the page
_CUT_MM, _GAP_MM = (58.0, 38.0), (60.0, 44.0)


@dataclass(frozen=True, slots=True)
class SideView:
    """What is printed of one side: its sentence and its pictures, each with a caption."""

    name: str
    sentence: str
    rule: str
    pictures: tuple[tuple[Markup, str], ...]


Rows = tuple[tuple[str, tuple[str, ...]], ...]


def render_before(reading: Reading, site: str = "") -> str:
    """Return the page of a CT before surgery as one self-contained HTML text.

    Parameters
    ----------
    reading : Reading
        As `run_before` gives it.
    site : str
        Vertebra or bone, for print.

    Returns
    -------
    str
        HTML with inline pictures: no script, no network; one sheet of A4.
    """
    return fill_template("ongrowth.reports.before", "before.html", _view(reading, site))


def _view(reading: Reading, site: str) -> dict[str, Any]:
    graft = {finding.implant: finding for finding in reading.findings}
    oedema = str(reading.provenance.settings.get("oedema_signal", "unknown"))
    scan = reading.scan
    thick = thickness_words(scan.slice_thickness_mm, scan.voxel_mm[2])
    facts = [" × ".join(f"{v:.2f}" for v in scan.voxel_mm) + " mm voxels", *([thick] if thick else [])]
    facts += [f"kernel {scan.kernel}"] if scan.kernel else ["kernel not stated"]
    return {
        "title": f"{site or 'Site not given'}, before surgery",
        "date": f"CT {reading.source.scan_date.isoformat()}" if reading.source.scan_date else "",
        "sides": [_side(defect, graft.get(defect.side)) for defect in reading.defects],
        "missing": [problem for problem in scan.problems if problem.code in _FIRST],
        "problems": [problem for problem in scan.problems if problem.code not in _FIRST],
        "columns": [side_words_before(defect.side) for defect in reading.defects],
        "rows": _rows(reading.defects),
        "between": [(name, say_compact(value)) for name, value in side_to_side(reading.defects)],
        "rule": RULE,
        "oedema": _OEDEMA_WORDS[oedema],
        "cannot_tell": reading.summary.cannot_tell,
        "not_looked_at": reading.summary.not_looked_at,
        "facts": "; ".join(facts),
        "look": LOOK_AT_THE_DEFECT if reading.defects else "",
        "words": fixed_words(),
        "version": ongrowth.__version__,
        "digest": reading.provenance.input_digest[:12],
    }


def _side(defect: DefectReading, graft: Finding | None) -> SideView:
    cuts = [(Markup(_cut_svg(cut, defect)), _cut_caption(cut)) for cut in defect.cuts]
    bridge = defect.bridge
    alt = f"Gap width over the section: mean {say_short(bridge.gap_width_mean_open)}."
    gap = (Markup(draw_gap_map(bridge.map, alt, _GAP_MM)), "Gap over the section (crossed: bone across)")
    return SideView(
        side_words_before(defect.side),
        side_sentence(defect, None),
        _rule_words(graft) if graft else "",
        (*cuts, gap),
    )


_STATE_WORDS = {
    "graft by rule of thumb": "graft",
    "no graft by rule of thumb": "no graft",
    "depends on the oedema signal": "depends on the oedema signal",
    "not measurable": "not measurable",
}


def _rule_words(graft: Finding) -> str:
    """Return what the rule of thumb gives, its standing named once."""
    why = graft.why.split(": ", 1)[-1]
    state = _STATE_WORDS.get(graft.state, "not decided")
    return f"By rule of thumb: {state}; {why}"


def _cut_caption(cut: Cut) -> str:
    return f"Along the arch, {cut.edge_words[0]} to {cut.edge_words[1]}; {cut.edge_words[2]} up"


def _cut_svg(cut: Cut, defect: DefectReading) -> str:
    """Draw a cut along the bone in a bone window, with the two faces of the gap."""
    low, high = BONE_WINDOW_HU
    extent = (cut.right_mm[0], cut.right_mm[-1], cut.down_mm[-1], cut.down_mm[0])

    def draw(axes: Axes) -> None:
        axes.imshow(cut.hu, cmap="gray", vmin=low, vmax=high, extent=extent, interpolation="bilinear")
        _mark_plane(axes, cut, defect)
        axes.set_xlim(extent[0], extent[1])
        axes.set_ylim(extent[2], extent[3])
        axes.set_xlabel("mm from the middle of the defect", labelpad=1.0)
        write_edge_words(axes, cut)

    words = (
        f"CT cut along the bone through the defect, {side_words_before(defect.side)}; dash-dotted: its faces "
        "as found, which must follow the dark slit."
    )
    return svg_of(draw, words, _CUT_MM)


def _mark_plane(axes: Axes, cut: Cut, defect: DefectReading) -> None:
    """Draw the faces of the gap as found; the files of the first version tell no course, only the middle."""
    if defect.course_mm is None:
        axes.plot([0.0], [0.0], marker="+", ms=9.0, mew=0.8, color=HALO_EDGE)
        return
    frame, found = ScrewFrame.of(*defect.course_mm), defect.bridge.defect
    middle = found.depth_mm(frame) - frame.length_mm / 2.0
    paint_faces(axes, found, frame, 0.0 if cut.name == "along-zero" else 90.0, middle)


def _rows(defects: Sequence[DefectReading]) -> Rows:
    """Return the table of both sides: name, and a cell for each."""
    by_side = [gap_rows(defect) for defect in defects]
    return tuple((rows[0][0], tuple(cell for _, cell in rows)) for rows in zip(*by_side, strict=True))
