"""The answer on one A4 sheet, as pixels: what every station can show."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

import ongrowth
from ongrowth.findings import (
    TOLD_WITH_SIDES,
    Compared,
    gap_rows,
    is_before_surgery,
    left_out_words,
    lines_of,
    metal_words,
    next_scan_words,
    no_scan_words,
    print_line,
    screw_sentence,
    sentences_before,
    side_words_before,
    thin_series_words,
)
from ongrowth.reading import Against, Case, ImplantReading, Reading
from ongrowth.reports.drawing import STYLE
from ongrowth.reports.figures import paint_cut_along, paint_map
from ongrowth.reports.template import bind_units
from ongrowth.wording import fixed_words, weeks_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SCREWS_A_SHEET = 2
_WIDTH_MM, _HEIGHT_MM, _MARGIN_MM = 210.0, 297.0, 12.0
_DPI = 150
_MM_PER_POINT = 25.4 / 72.0
_LINE = 1.28  # of the letter size, from line to line
_LETTER, _BOLD_LETTER = 0.56, 0.62  # mean width of a letter of the font used, of its size
_SMALLEST = 0.6  # below this share of the size wanted letters are not read on a station
_CAPTION = (
    "Left: cut along the screw; dashed: thread, yellow: outer edge of the halo as measured, dash-dotted: "
    "defect. Right: halo width unrolled; white line: 1 mm, hatched: not measured, grey: no bone there."
)
_COLUMNS_MM = (0.0, 52.0, 118.0, 152.0)
_SIDES_MM = (0.0, 62.0, 124.0)  # a figure, and its value on both sides


@dataclass(frozen=True, slots=True)
class Row:
    """Cells side by side: place from the left margin (mm), text; and what they look like."""

    cells: tuple[tuple[float, str], ...]
    size_pt: float = 8.0
    is_bold: bool = False
    after_mm: float = 0.8

    def wrapped(self, scale: float) -> list[tuple[float, list[str]]]:
        """Return the cells with their text in lines that fit."""
        letter_mm = self.size_pt * scale * _MM_PER_POINT * (_BOLD_LETTER if self.is_bold else _LETTER)
        ends = [x for x, _ in self.cells[1:]] + [_WIDTH_MM - 2.0 * _MARGIN_MM]
        return [
            (x, textwrap.wrap(bind_units(text), max(8, int((end - x - 2.0) / letter_mm))))
            for (x, text), end in zip(self.cells, ends, strict=True)
        ]

    def height_mm(self, scale: float) -> float:
        """Return how high it is at a scale."""
        lines = max(len(lines) for _, lines in self.wrapped(scale))
        return (lines * self.size_pt * _LINE * _MM_PER_POINT + self.after_mm) * scale


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """A cut along the screw and the unrolled halo side by side."""

    implant: ImplantReading
    full_height_mm: float = 52.0

    def height_mm(self, scale: float) -> float:
        """Return how high it is at a scale."""
        return self.full_height_mm * scale


def draw_sheets(case: Case) -> list[NDArray[np.uint8]]:
    """Return the answer of the latest CT of a case, on one sheet for up to two screws.

    Parameters
    ----------
    case : Case
        One reading or several, in time order.

    Returns
    -------
    list of ndarray of uint8, shape (1753, 1240, 3)
        RGB, A4 at 150 dots an inch.
    """
    implants = case.readings[-1].implants
    chunks = [implants[n : n + SCREWS_A_SHEET] for n in range(0, max(len(implants), 1), SCREWS_A_SHEET)]
    return [_paint(_sheet(case, chunk, f"{n} of {len(chunks)}")) for n, chunk in enumerate(chunks, start=1)]


def _sheet(case: Case, implants: Sequence[ImplantReading], number: str) -> list[Row | Pictures]:
    last, site = case.readings[-1], case.patient.site
    is_before = is_before_surgery(last)
    when = "before surgery" if is_before else weeks_words(last.scan.weeks_since_surgery)
    out: list[Row | Pictures] = [
        Row(((0.0, f"{site or 'Site not given'}, {when}"),), 14.0, is_bold=True),
        Row(((0.0, f"{_dates(last)}. {fixed_words().short}"),), 8.0, after_mm=3.0),
    ]
    if case.patient.remark:
        out.append(Row(((0.0, case.patient.remark),), 8.0))
    if is_before:
        out += _sides_before(last)
    elif not implants:
        out.append(Row(((0.0, case.summary.sentence),), 10.0, is_bold=True))
    for implant in implants:
        out += _screw(case, implant)
    out += [Row(((0.0, told),), 10.0, is_bold=True, after_mm=2.0) for told in left_out_words(last.scan)]
    out += _list("Other metal", [metal_words(metal) for metal in last.other_metal])
    out += _list("What this CT cannot tell", case.summary.cannot_tell)
    out += _list("Not looked at", [", ".join(case.summary.not_looked_at)])
    out += [] if is_before else _list("Next", _next(case))
    out += _list("Cautions", fixed_words().cautions)
    made = f"ongrowth {ongrowth.__version__}, input {last.provenance.input_digest[:12]}, sheet {number}"
    return [*out, Row(((0.0, f"{made}. Measured by software, not verified."),), 6.5)]


def _dates(reading: Reading) -> str:
    surgery, scan = reading.source.surgery_date, reading.source.scan_date
    if is_before_surgery(reading):
        return f"CT {scan.isoformat() if scan else 'of unknown date'}"
    told = f"Surgery {surgery.isoformat()}" if surgery else "Date of surgery not given"
    return f"{told}, CT {scan.isoformat() if scan else 'of unknown date'}"


def _screw(case: Case, implant: ImplantReading) -> list[Row | Pictures]:
    site = case.patient.site
    weeks = case.readings[-1].scan.weeks_since_surgery
    out: list[Row | Pictures] = [
        Row(((0.0, screw_sentence(implant, case.findings, weeks, site)),), 10.0, is_bold=True, after_mm=2.0)
    ]
    heads = (f"Surface {implant.surface}", "Measured (95 % interval)", "Expected", "Result")
    out.append(Row(tuple(zip(_COLUMNS_MM, heads, strict=True)), 7.0))
    compared = Compared.of(case, implant.id)
    for line in lines_of(implant.id, case.findings):
        printed = print_line(line, site, compared)
        words = (printed.name, printed.measured, printed.expected, f"{printed.symbol} {printed.result}")
        out.append(Row(tuple(zip(_COLUMNS_MM, words, strict=True))))
        # why a line is open stands below, with what this CT cannot tell
        reason = "" if line.result is Against.UNDECIDED else printed.reason
        beside = [told for told in (*printed.compared, reason, printed.look) if told]
        out += [Row(((_COLUMNS_MM[1], told),), 7.5) for told in beside]
    if implant.cuts:
        out += [Pictures(implant), Row(((0.0, _CAPTION),), 6.5, after_mm=3.0)]
    return out


def _sides_before(reading: Reading) -> list[Row | Pictures]:
    """Return what a CT from before surgery shows: a sentence for each side, then all figures side by side."""
    problems = [p for p in reading.scan.problems if p.code in TOLD_WITH_SIDES]
    told = sentences_before(reading.defects, reading.findings, problems)
    out: list[Row | Pictures] = [Row(((0.0, words),), 10.0, is_bold=True, after_mm=2.0) for words in told]
    heads = ["Value (95 % interval)", *(side_words_before(one.side) for one in reading.defects)]
    out.append(Row(tuple(zip(_SIDES_MM, heads, strict=False)), 7.0))
    for rows in zip(*(gap_rows(one) for one in reading.defects), strict=True):
        cells = [rows[0][0], *(value for _, value in rows)]
        out.append(Row(tuple(zip(_SIDES_MM, cells, strict=False))))
    return out


def _list(head: str, points: Sequence[str]) -> list[Row | Pictures]:
    rows = [Row(((0.0, point),), 7.5, after_mm=0.5) for point in points if point]
    return [Row(((0.0, head),), 8.0, is_bold=True, after_mm=0.3), *rows] if rows else []


def _next(case: Case) -> list[str]:
    week, scan = case.summary.next_scan_week, case.readings[-1].scan
    later = (
        no_scan_words(case.findings, scan.weeks_since_surgery) if math.isnan(week) else next_scan_words(week)
    )
    return [*thin_series_words(scan), later]


def _paint(blocks: Sequence[Row | Pictures]) -> NDArray[np.uint8]:
    """Return the sheet as pixels, all of it a little smaller where it would not fit."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    scale = _scale(blocks)
    with mpl.rc_context(STYLE | {"font.family": ["DejaVu Sans"]}):
        figure = Figure(figsize=(_WIDTH_MM / 25.4, _HEIGHT_MM / 25.4), dpi=_DPI, facecolor="white")
        canvas: Any = FigureCanvasAgg(figure)
        top = _MARGIN_MM
        for block in blocks:
            if isinstance(block, Row):
                _write(figure, block, top, scale)
            else:
                _draw(figure, block, top, scale)
            top += block.height_mm(scale)
        canvas.draw()
        return np.ascontiguousarray(np.asarray(canvas.buffer_rgba())[..., :3])


def _scale(blocks: Sequence[Row | Pictures]) -> float:
    room = _HEIGHT_MM - 2.0 * _MARGIN_MM
    scales = np.arange(1.0, _SMALLEST - 1e-9, -0.02)
    fitting = (s for s in scales if sum(block.height_mm(float(s)) for block in blocks) <= room)
    return float(next(fitting, _SMALLEST))


def _write(figure: Figure, row: Row, top_mm: float, scale: float) -> None:
    size = row.size_pt * scale
    step_mm = size * _LINE * _MM_PER_POINT
    weight = "bold" if row.is_bold else "normal"
    for x, lines in row.wrapped(scale):
        for n, line in enumerate(lines, start=1):
            place = (_MARGIN_MM + x) / _WIDTH_MM, 1.0 - (top_mm + n * step_mm) / _HEIGHT_MM
            figure.text(*place, line, fontsize=size, fontweight=weight, va="baseline")


def _draw(figure: Figure, pictures: Pictures, top_mm: float, scale: float) -> None:
    height = pictures.height_mm(scale)
    bottom = 1.0 - (top_mm + height - 10.0 * scale) / _HEIGHT_MM
    tall = (height - 13.0 * scale) / _HEIGHT_MM
    implant = pictures.implant
    left = figure.add_axes((20.0 / _WIDTH_MM, bottom, 82.0 / _WIDTH_MM, tall))
    paint_cut_along(left, implant.cuts[0], implant)
    right = figure.add_axes((122.0 / _WIDTH_MM, bottom, 68.0 / _WIDTH_MM, tall))
    paint_map(figure, right, implant)
