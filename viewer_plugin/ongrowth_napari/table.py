"""The table under the map: each row a figure, its window, and the place the cursor goes to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ongrowth.defect import Side
from ongrowth.findings import lines_of, print_line
from ongrowth.quantity import COVERAGE_95, Caution, Unit
from ongrowth.reading import Finding, ImplantReading
from ongrowth.wording import say, say_compact, side_words, with_unit
from ongrowth_napari.picture import ScrewPicture, counted_middle_mm, width_at

_MM = Unit.MM
HEAD = ("Where", "Measured (95 % interval)", "Expected", "Result")


@dataclass(frozen=True, slots=True)
class Row:
    """One row; the cursor goes to its depth and angle, NaN: stays where it is."""

    where: str
    measured: str
    expected: str = ""
    result: str = ""
    depth_mm: float = math.nan
    angle_deg: float = math.nan


def rows_of(implant: ImplantReading, findings: Sequence[Finding], site: str) -> tuple[Row, ...]:
    """Return the rows of a screw: the lines of its answer, then the sectors of its sides."""
    answers = tuple(_answer_rows(implant, findings, site))
    sectors = tuple(row for part in implant.halo.parts for row in _sector_rows(implant, part, site))
    return (*answers, *_widest_rows(implant, site), *sectors)


def _answer_rows(implant: ImplantReading, findings: Sequence[Finding], site: str) -> list[Row]:
    rows = []
    for line in lines_of(implant.id, findings):
        printed = print_line(line, site)
        depth = _line_depth_mm(implant, line.key)
        result = f"{printed.symbol} {printed.result}".strip()
        rows.append(Row(_capital(printed.name), printed.measured, printed.expected, result, depth))
    return rows


def _line_depth_mm(implant: ImplantReading, key: str) -> float:
    if key in implant.halo.parts:
        return counted_middle_mm(implant.halo.map, implant.halo.parts[key])
    if key == "bridging" and implant.defect is not None:
        return implant.defect.depth_mm(implant.frame)
    at = implant.screw.integrity.at_depth_mm
    return at if key == "metal" and math.isfinite(at) else math.nan


def _widest_rows(implant: ImplantReading, site: str) -> list[Row]:
    """Return the widest measured place of each side, or of the shaft that no defect parts."""
    halo, rows = implant.halo.map, []
    for name, side in implant.halo.parts.items():
        seen = (halo.side == side) & (halo.cautions == 0) & np.isfinite(halo.width_mm)
        if seen.any():
            at = np.unravel_index(np.where(seen, halo.width_mm, -np.inf).argmax(), seen.shape)
            depth, angle = float(halo.depth_mm[at[0]]), float(halo.angle_deg[at[1]])
            word = implant.frame.words_at(angle)
            largest = say_compact(getattr(implant.halo, name).max_width)
            where = f"Widest place, {side_words(name, site)}: {word}"
            rows.append(Row(where, f"largest width {largest}", depth_mm=depth, angle_deg=angle))
    return rows


def _sector_rows(implant: ImplantReading, side: str, site: str) -> list[Row]:
    depth = counted_middle_mm(implant.halo.map, implant.halo.parts[side])
    means = getattr(implant.halo, side).sector_mean_width
    return [
        Row(
            f"{_capital(side_words(side, site))}, {implant.frame.sector_words(k)}",
            f"mean width {say_compact(mean)}" if mean.is_known else say(mean),
            depth_mm=depth,
            angle_deg=45.0 * k,
        )
        for k, mean in enumerate(means)
    ]


def place_words(picture: ScrewPicture, depth_mm: float, angle_deg: float) -> str:
    """Return where the cursor stands and what was measured there."""
    implant, halo = picture.implant, picture.map
    place = f"depth {with_unit(depth_mm, _MM)}, {implant.frame.words_at(angle_deg)} ({angle_deg:.0f}°)"
    if not picture.is_shown:
        return place
    row, column = width_at(halo, depth_mm, angle_deg)
    side = Side(int(halo.side[row, column]))
    if abs(halo.depth_mm[row] - depth_mm) > 1.0 or side in (Side.OUTSIDE, Side.GAP):
        return f"{place}: {'in the gap' if side is Side.GAP else 'no bone behind'}"
    width, u = float(halo.width_mm[row, column]), float(halo.width_u_mm[row, column])
    told = Caution(int(halo.cautions[row, column]))
    if not math.isfinite(width):
        return f"{place}: not measured ({told.words})"
    why = f" ({told.words})" if told else ""
    return f"{place}: halo {with_unit(width, _MM)} ± {with_unit(COVERAGE_95 * u, _MM)} (95 %){why}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
