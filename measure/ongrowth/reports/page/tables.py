"""The tables of the page: what was measured, and the twin of every picture."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.bridge import Bridge
from ongrowth.defect import Side
from ongrowth.findings import CATEGORY_SOURCE, PLANE_WORDS, category_words, edge_words
from ongrowth.frame import ScrewFrame, direction_word
from ongrowth.halo import Halo, HaloSummary
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import ChangeRecord, Control, Cut, ImplantReading, MotionRecord, Profile, WouldShow
from ongrowth.reports.figures import Band, TimePoint, drawn_parts, nearest
from ongrowth.sentence import screw_words
from ongrowth.wording import HALO_SIDES, say, say_compact, say_count, say_short, weeks_words, with_unit

_TWIN_STEP_MM = 4.0


@dataclass(frozen=True, slots=True)
class Table:
    """A table in words: caption, column heads, rows."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


_HALO_ROWS = (
    ("mean_width", "Mean width"),
    ("p95_width", "95th percentile of the width"),
    ("max_width", "Largest width"),
    ("share_over_1mm", "Surface wider than 1 mm"),
    ("share_over_2mm", "Surface wider than 2 mm"),
    ("circumference_over_1mm_deg", "Largest circumference over 1 mm"),
    ("depth_over_1mm_mm", "Depth over 1 mm"),
    ("volume", "Volume"),
    ("no_lucency_share", "Surface with no lucency shown"),
    ("lucent_share", "Surface lucent"),
    ("undecided_share", "Surface undecided"),
    ("no_lucency_length", "Length under 0.5 mm"),
    ("longest_no_lucency", "Longest unbroken such length"),
    ("layer_hu", "CT number in the layer"),
    ("detection_limit", "Detection limit of this scan"),
)


def measured_table(halo: Halo, names: dict[str, str]) -> Table:
    """Return all that was measured on the halo, side by side."""
    parts = tuple(dict.fromkeys((*halo.parts, "whole")))
    sides = tuple(getattr(halo, part) for part in parts)
    rows = [
        (words, *(_cell(getattr(side, name), side, is_first=k == 0) for side in sides))
        for k, (name, words) in enumerate(_HALO_ROWS)
    ]
    rows.append(("Shape", *(_shape_words(side) for side in sides)))
    rows.append(("Dense rim", *(_rim_words(side) for side in sides)))
    rows.append(("Share of the surface measured", *(_share_words(side.measured_share) for side in sides)))
    head = ("", *(_capital(names[part].partition(" (")[0]) for part in parts))
    return Table("Halo: value (95 % interval)", head, tuple(rows))


def _cell(value: Measured, side: HaloSummary, *, is_first: bool) -> str:
    """Return a quantity for the table; a reason that holds for the whole side is told once."""
    is_told = not is_first and not value.is_known and value.cautions == side.mean_width.cautions
    return "not measurable" if is_told and not side.mean_width.is_known else say_compact(value)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _share_words(share: float) -> str:
    return "not measurable" if math.isnan(share) else with_unit(share, Unit.ONE)


def _shape_words(side: HaloSummary) -> str:
    return side.shape if side.mean_width.is_known else "not measurable"


def _rim_words(side: HaloSummary) -> str:
    if side.rim.present != "present":
        return side.rim.present
    return f"present, {say_compact(side.rim.thickness_mm)}"


def control_words(implant: ImplantReading, names: dict[str, str]) -> str:
    """Return other side and other screw of this scan as control, in words; "" where none compares."""
    told = [
        f"{_control_words(control, implant.id, names)} {say_compact(control.difference)}"
        for control in implant.controls
        if control.difference.is_known
    ]
    return f"Mean width against control in the same scan: {'; '.join(told)}." if told else ""


def _control_words(control: Control, implant: str, names: dict[str, str]) -> str:
    if control.other_implant == implant:
        return f"{names[control.side]} less {names[control.other_side]}"
    return f"{names[control.side]} less that of {screw_words(control.other_implant)}"


def would_show_words(implant: ImplantReading, names: dict[str, str]) -> str:
    """Return how often planted halos would be found, in a sentence; "" where none was planted."""
    sides = [names[side] for side in names if any(one.side == side for one in implant.would_show)]
    planted, none = (
        [one for one in implant.would_show if (one.width_mm > 0.0) is some] for some in (True, False)
    )
    told = []
    for shape, words in (("even", "even halos"), ("one-sided", "over half of the circumference, those")):
        rows = [one for one in planted if one.shape == shape]
        times = [
            f"of {width:g} mm found {_times([one for one in rows if one.width_mm == width])}"
            for width in sorted({one.width_mm for one in rows})
        ]
        told += [f"{words} {', '.join(times)}"] if times else []
    told += [f"where none was planted, one found {_times(none)}"] if none else []
    where = " and the ".join(sides)
    return f"Halos planted in this image, on the {where}: {'; '.join(told)}." if told else ""


def would_show_table(implant: ImplantReading, names: dict[str, str]) -> Table | None:
    """Return how often planted halos would be found, side by side; None where none was planted."""
    sides = [side for side in names if any(one.side == side for one in implant.would_show)]
    shares = {(one.shape, one.width_mm, one.side): one.found_share for one in implant.would_show}
    planted = dict.fromkeys((one.shape, one.width_mm) for one in implant.would_show)
    rows = tuple(
        (_planted_words(*halo), *(_found(shares.get((*halo, side), math.nan)) for side in sides))
        for halo in sorted(planted, key=lambda halo: (halo[1] > 0.0, halo[0], halo[1]))
    )
    head = ("Planted", *(_capital(names[side].partition(" (")[0]) for side in sides))
    return Table("Would it have shown? Share found", head, rows) if rows else None


def _planted_words(shape: str, width_mm: float) -> str:
    if width_mm == 0.0:
        return "None (false call)"
    return f"{'Even' if shape == 'even' else 'One half'}, {width_mm:g} mm"


def _found(share: float) -> str:
    return "-" if math.isnan(share) else with_unit(share, Unit.ONE)


def _times(planted: Sequence[WouldShow]) -> str:
    times = [f"{round(100 * one.found_share)}" for one in planted]
    each = times[0] if len(set(times)) == 1 else " and ".join(times)
    return f"{each} of 100 times"


_OUTLOOK = "What would make the widths more certain without new dose (predicted)"


def outlook_table(implant: ImplantReading) -> Table | None:
    """Return what would help without new dose: the three best changes; None where none is predicted to."""
    sides = [s for s in (implant.halo.head_side, implant.halo.tip_side) if s.mean_width.is_known]
    if not sides:
        return None
    worse = max(sides, key=lambda side: side.mean_width.u)
    now_mm = worse.mean_width.u95
    best = sorted((p for p in implant.predicted if p.u95_mm < now_mm), key=lambda p: -p.u95_mm)[-3:]
    if not best:
        return None
    rows = [("Now", now_mm, worse.detection_limit.value)]
    rows += [(_capital(p.change), p.u95_mm, p.detection_limit_mm) for p in best]
    told = tuple((what, *(with_unit(v, Unit.MM) for v in values)) for what, *values in rows)
    return Table(_OUTLOOK, ("", "Mean of a side, ± 95 %", "Detection limit"), told)


def defect_table(bridge: Bridge, names: dict[str, str]) -> Table:
    """Return what was measured on the defect, in few rows; `gap_twin` has them all."""
    head, tip = (names[side].partition(" (")[0] for side in HALO_SIDES)
    fraction, hidden = say_compact(bridge.bridged_fraction), say_short(bridge.hidden_by_metal)
    rows = (
        ("Gap width, mean", say_compact(bridge.gap_width_mean)),
        ("Gap width, largest", say_compact(bridge.gap_width_max)),
        ("Tissue in the open gap", say_compact(bridge.tissue_hu)),
        ("Bridged fraction", fraction),
        ("Category*", category_words(bridge.bridged_fraction)),
        ("Bridges", f"{say_count(bridge.bridge_count)}; smallest shown {_shown(bridge)}"),
        ("Section without the metal", f"{say_compact(bridge.cross_section_mm2)}, {hidden} hidden by metal"),
        (f"Edge, {head}", edge_words(bridge.head_edge)),
        (f"Edge, {tip}", edge_words(bridge.tip_edge)),
        ("Plane", PLANE_WORDS[bridge.defect.how]),
        ("*Source", CATEGORY_SOURCE),
    )
    return Table("Defect: value (95 % interval)", ("", ""), rows)


def plane_twin(implant: ImplantReading) -> Table:
    """Return where the plane of the defect lies and how well it is known: the twin of the enlarged defect."""
    defect = implant.defect
    assert defect is not None
    cosine = abs(float(defect.plane.normal @ implant.frame.axis_direction))
    tilt_deg = math.degrees(math.acos(min(cosine, 1.0)))
    rows = (
        ("Plane", PLANE_WORDS[defect.how]),
        ("Depth where it crosses the screw", with_unit(defect.depth_mm(implant.frame), Unit.MM)),
        ("Its tilt against square to the screw", with_unit(tilt_deg, Unit.DEG)),
        ("Distance of the faces drawn", _length(defect.gap_mm)),
        ("Standard uncertainty of the tilt", with_unit(defect.u_angle_deg, Unit.DEG)),
        ("Standard uncertainty of the place", with_unit(defect.u_offset_mm, Unit.MM)),
    )
    return Table("Plane of the defect", ("", ""), rows)


def gap_twin(bridge: Bridge) -> Table:
    """Return the gap map in words: its figures, and every bridge with its size and place."""
    pieces = [
        (
            "Further bridge" if n else "Largest bridge",
            f"{with_unit(piece.area_mm2, Unit.MM2)}, {piece.place}, {piece.direction}",
        )
        for n, piece in enumerate(bridge.bridges)
    ]
    rows = (
        ("Gap width, mean over the section", say_compact(bridge.gap_width_mean)),
        ("Gap width, mean where it is not bridged", say_compact(bridge.gap_width_mean_open)),
        ("Gap width, largest", say_compact(bridge.gap_width_max)),
        ("Bridged fraction", say_compact(bridge.bridged_fraction)),
        *pieces,
        ("Smallest bridge this scan shows", _shown(bridge)),
        ("Hidden by metal", say_compact(bridge.hidden_by_metal)),
        *_parts_of_the_map(bridge),
    )
    return Table("Gap over the section: value (95 % interval)", ("", ""), rows)


def _parts_of_the_map(bridge: Bridge) -> Iterator[tuple[str, str]]:
    """Return the mean gap of each quarter of the section, bridged places counting as 0."""
    grid = bridge.map
    u, v = np.meshgrid(grid.u_mm, grid.v_mm)
    for is_u, positive in ((True, True), (True, False), (False, True), (False, False)):
        along, across = (u, v) if is_u else (v, u)
        ahead = along > np.abs(across) if positive else -along > np.abs(across)
        here = grid.gap_width_mm[ahead & grid.inside & np.isfinite(grid.gap_width_mm)]
        direction = (grid.u_direction if is_u else grid.v_direction) * (1.0 if positive else -1.0)
        mean = float(here.mean()) if here.size else math.nan
        yield f"Mean gap, {direction_word(direction)} quarter", _width_words(mean)


def _shown(bridge: Bridge) -> str:
    return _length(bridge.smallest_bridge_shown_mm)


def _length(value_mm: float) -> str:
    return "not told" if math.isnan(value_mm) else with_unit(value_mm, Unit.MM)


def _width_words(width_mm: float) -> str:
    return "not measured" if math.isnan(width_mm) else with_unit(float(width_mm), Unit.MM)


def cut_along_twin(cut: Cut, implant: ImplantReading) -> Table:
    """Return the halo width on both sides of the screw in the plane of a cut along it."""
    angle = 0.0 if cut.name == "along-zero" else 90.0
    halo = implant.halo.map
    up, down = (nearest(halo, towards) for towards in (angle, angle + 180.0))
    rows = tuple(
        (
            with_unit(float(halo.depth_mm[k]), Unit.MM),
            _place_words(implant, k, up),
            _place_words(implant, k, down),
        )
        for k in _every(halo.depth_mm)
    )
    head = ("Depth", f"Halo width, {cut.edge_words[2]}", f"Halo width, {cut.edge_words[3]}")
    return Table("Halo width along the cut: value (95 % interval)", head, rows)


def _place_words(implant: ImplantReading, row: int, cells: NDArray[np.bool_]) -> str:
    """Return the width at cells of one depth, taken to err alike; it may lie below the limit of its side."""
    halo, grid = implant.halo, implant.halo.map
    known = cells & np.isfinite(grid.width_mm[row])
    if not known.any():
        return "not measured"
    parts = {Side.HEAD: halo.head_side, Side.TIP: halo.tip_side} if halo.is_parted else {}
    part = parts.get(Side(int(grid.side[row, known][0])), halo.whole)
    width, u = (float(of[row, known].mean()) for of in (grid.width_mm, grid.width_u_mm))
    place = Measured.of(max(width, 0.0), u, Unit.MM, floor=0.0, limit=part.mean_width.below_limit)
    return say_compact(place)


def _every(depth_mm: np.ndarray) -> list[int]:
    """Return row numbers about 4 mm apart."""
    step = float(depth_mm[1] - depth_mm[0]) if depth_mm.size > 1 else _TWIN_STEP_MM
    return list(range(0, depth_mm.size, max(1, round(_TWIN_STEP_MM / step))))


def cut_across_twin(cut: Cut, implant: ImplantReading) -> Table:
    """Return the halo width round the screw at the depth of the cut across it."""
    grid = implant.halo.map
    row = int(np.argmin(np.abs(grid.depth_mm - cut.at_depth_mm)))
    rows = []
    for sector in range(8):
        near = np.abs((grid.angle_deg - 45.0 * sector + 180.0) % 360.0 - 180.0) <= 22.5
        rows.append((implant.frame.sector_words(sector), _place_words(implant, row, near)))
    title = (
        f"Halo width round the screw at depth {with_unit(cut.at_depth_mm, Unit.MM)}: value (95 % interval)"
    )
    return Table(title, ("Sector of 45°", "Halo width"), tuple(rows))


def sector_twin(halo: Halo, frame: ScrewFrame, names: dict[str, str]) -> Table:
    """Return the mean width of each sector, side by side: the twin of the unrolled map."""
    rows = tuple(
        (frame.sector_words(k), *(say(getattr(halo, part).sector_mean_width[k]) for part in halo.parts))
        for k in range(8)
    )
    head = ("Sector of 45°", *(_capital(names[part]) for part in halo.parts))
    return Table("Mean halo width of each sector", head, rows)


def profile_twin(profiles: Sequence[Profile], names: dict[str, str]) -> Table:
    """Return the CT numbers of the profiles at whole half millimetres."""
    at = np.arange(-1.0, 5.01, 0.5)
    columns = [np.interp(at, p.distance_mm, p.hu_mean) for p in profiles]
    rows = tuple(
        (f"{d:.1f} mm", *(with_unit(float(column[k]), Unit.HU) for column in columns))
        for k, d in enumerate(at)
    )
    head = ("Distance from the thread", *(_capital(names[p.side]) for p in profiles))
    return Table("Mean CT number against distance", head, rows)


def time_twin(points: Sequence[TimePoint], bands: Sequence[Band], names: dict[str, str]) -> Table:
    """Return the mean widths and their expected range, week by week."""
    parts = drawn_parts(points)
    rows = tuple(
        (weeks_words(p.weeks), *(say(getattr(p, part)) for part in parts), _band_words(bands, p.weeks))
        for p in points
    )
    head = ("Week", *(_capital(names[part]) for part in parts), "Expected range")
    return Table("Mean halo width over time", head, rows)


def _band_words(bands: Sequence[Band], weeks: float) -> str:
    band = next((b for b in bands if b.from_weeks <= weeks < b.to_weeks), None)
    return "none" if band is None else f"up to {with_unit(band.high_mm, Unit.MM)}"


def change_twin(changes: Sequence[ChangeRecord], names: dict[str, str], since: str) -> Table:
    """Return all changes between two CTs: the twin of the map of change."""
    rows = tuple(
        (
            f"{_CHANGED.get(c.quantity, c.quantity)}{f', {names[c.side]}' if c.side in names else ''}",
            say(c.value),
            c.state,
        )
        for c in changes
    )
    return Table(f"Change since {since}", ("", "Later less earlier (95 % interval)", "State"), rows)


_CHANGED = {
    "mean_width": "Mean halo width",
    "gap_width_mean": "Mean gap width",
    "gap_width_max": "Largest gap width",
    "bridged_fraction": "Bridged share of the section",
    "tip_to_cortex_mm": "Tip to far cortex",
}


def motion_twin(motions: Sequence[MotionRecord], names: dict[str, str]) -> Table:
    """Return the displacements between two CTs: the twin of an overlay."""
    sides = {"head side": names["head_side"], "tip side": names["tip_side"]}
    rows = tuple(
        (
            f"{sides.get(m.body, m.body)} against {sides[m.relative_to]}",
            m.state,
            say(m.total_translation),
            say(m.max_total_point_motion),
            say(m.axis_change_deg),
            say(m.roll_deg),
        )
        for m in motions
    )
    head = ("Displacement of", "State", "Translation", "Farthest point", "Tilt of the axis", "Roll")
    return Table("Change of position between two lying scans", head, rows)


def screw_table(implant: ImplantReading) -> Table:
    """Return what is told of the screw itself."""
    screw = implant.screw
    rows = (
        ("Major diameter", f"{say_compact(screw.major_diameter_mm)}, {screw.diameter_source}"),
        ("Length", say_compact(screw.length_mm)),
        ("Tip to far cortex", say_compact(implant.tip_to_cortex_mm)),
        ("Metal", _metal_words(implant)),
        ("Surface", implant.surface),
    )
    return Table("Screw: value (95 % interval)", ("", ""), rows)


def _metal_words(implant: ImplantReading) -> str:
    integrity = implant.screw.integrity
    if integrity.state == "interrupted":
        at = with_unit(integrity.at_depth_mm, Unit.MM)
        return f"interrupted at depth {at}, width {say_compact(integrity.interruption_mm)}"
    if integrity.state == "bent":
        return f"bent: {say_compact(integrity.bend_deg)}"
    if integrity.state == "no interruption shown" and integrity.smallest_shown_mm > 0.0:
        return f"{integrity.state} (smallest shown {with_unit(integrity.smallest_shown_mm, Unit.MM)})"
    return integrity.state
