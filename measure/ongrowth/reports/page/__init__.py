"""The surgeon's page: one HTML file, the answer first."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

import ongrowth
from ongrowth.findings import (
    HALO_LINES,
    Compared,
    PrintedLine,
    Windows,
    left_out_words,
    line_words,
    lines_of,
    metal_words,
    no_scan_words,
    phase_words,
    print_line,
    screw_name,
    screw_sentence,
    shipped_windows,
    thin_series_words,
)
from ongrowth.quantity import Unit
from ongrowth.reading import (
    Case,
    ChangeMap,
    Cut,
    Finding,
    ImplantReading,
    MotionRecord,
    Overlay,
    Reading,
    ScanFacts,
    dose_over_time,
)
from ongrowth.reports import figures, then_and_now
from ongrowth.reports.figures import TimePoint
from ongrowth.reports.page import tables
from ongrowth.reports.page.by_hand import corrections_told, reader_table
from ongrowth.reports.page.tables import Table
from ongrowth.reports.template import fill_template
from ongrowth.scan import Level
from ongrowth.wording import (
    blur_source_words,
    fixed_words,
    say,
    say_short,
    side_words,
    thickness_words,
    weeks_words,
    with_unit,
)

_ANCHOR = re.compile(r"[^A-Za-z0-9]+")  # what may not stand in the target of a link


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure as wide as it is drawn, with its caption and its table twin; `anchor` is "" or its id."""

    width_mm: float
    caption: str
    svg: Markup
    twin: Table
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class ScrewView:
    """All that is printed of one screw."""

    name: str
    surface: str
    sentence: str
    lines: tuple[PrintedLine, ...]
    pictures: tuple[Picture, ...]
    slit: str
    halo: Table
    beside: tuple[Table, ...]
    outlook: Table | None
    limits: str


def render_page(case: Case, windows: Windows | None = None) -> str:
    """Return the page of a case as one self-contained HTML text.

    Parameters
    ----------
    case : Case
        One reading or several, in time order; the last one is the answer.
    windows : tuple of Window, optional
        Table drawn behind the time line; the shipped one by default.

    Returns
    -------
    str
        HTML with inline pictures: no script, no network.
    """
    table = shipped_windows() if windows is None else windows
    return fill_template("ongrowth.reports.page", "page.html", _view(case, table))


def _view(case: Case, windows: Windows) -> dict[str, Any]:
    last = case.readings[-1]
    site = case.patient.site
    return {
        "patient": case.patient.id,
        "remark": case.patient.remark,
        "kind": "CT before surgery" if last.scan.weeks_since_surgery < 0 else "follow-up CT",
        "title": _title(last, site),
        "dates": _dates(last),
        "week_doubt": next((str(p.text) for p in last.scan.problems if p.code == "week-mismatch"), ""),
        "sentence": case.summary.sentence,
        "screws": [_screw(implant, case, site, windows) for implant in last.implants],
        "left_out": left_out_words(last.scan),
        "cannot_tell": _cannot_tell(case, last, site),
        "not_looked_at": case.summary.not_looked_at,
        "next_scan": _next_scan(case, last),
        "phase": _phase(last.scan.weeks_since_surgery),
        "scan_facts": _scan_facts(last),
        "dose": _dose_words(case),
        "problems": [p for p in last.scan.problems if p.level is not Level.CAUTION],  # those stand above
        "refused": case.refused,
        "corrections": corrections_told(last),
        "readers": reader_table(last, site),
        "other_metal": [metal_words(metal) for metal in last.other_metal],
        "sources": _sources(case.findings),
        "words": fixed_words(),
        "version": ongrowth.__version__,
        "digest": last.provenance.input_digest[:12],
    }


def _cannot_tell(case: Case, last: Reading, site: str) -> list[str]:
    """Return what cannot be told; lines whose reason stands above are named together, once."""
    is_alone = len(last.implants) == 1
    repeated = {}
    for implant in last.implants:
        for line in lines_of(implant.id, case.findings):
            words = line_words(line.key, site)
            name = f"{screw_name(implant)}, {words}"
            repeated[f"{name}: {line.deciding.why}"] = words if is_alone else name
    named = [repeated[point] for point in case.summary.cannot_tell if point in repeated]
    rest = [point for point in case.summary.cannot_tell if point not in repeated]
    together = f"Whether these are as expected, for the reasons above: {'; '.join(named)}."
    return [together, *rest] if named else rest


def _title(reading: Reading, site: str) -> str:
    sides = [implant.side for implant in reading.implants]
    known = [side for side in ("left", "right", "midline") if side in sides]
    if len(sides) == 1:
        screws = f"{known[0]} screw" if known else "screw (side not established)"
    else:
        screws = f"{' and '.join(known)} screws" if len(known) == len(sides) else f"{len(sides)} screws"
    place = site[:1].upper() + site[1:] or "Site not given"
    week = weeks_words(reading.scan.weeks_since_surgery)
    return f"{place}, {screws}, {week}" if sides else f"{place}, {week}"


def _dates(reading: Reading) -> tuple[str, str]:
    surgery, scan = reading.source.surgery_date, reading.source.scan_date
    return (
        f"Surgery {surgery.isoformat()}" if surgery else "Date of surgery not given",
        f"CT {scan.isoformat()}" if scan else "date of CT not given",
    )


def _phase(weeks: float) -> str:
    return "week not known" if math.isnan(weeks) or weeks < 0 else phase_words(weeks)


def _screw(implant: ImplantReading, case: Case, site: str, windows: Windows) -> ScrewView:
    weeks = case.readings[-1].scan.weeks_since_surgery
    names = {part: side_words(part, site) for part in HALO_LINES}
    pictures = tuple(_pictures(implant, case, names, windows))
    return ScrewView(
        name=screw_name(implant),
        surface=implant.surface,  # what is expected depends on it, and it may be no more than the default
        sentence=screw_sentence(implant, case.findings, weeks, site),
        lines=tuple(
            print_line(line, site, Compared.of(case, implant.id))
            for line in lines_of(implant.id, case.findings)
        ),
        pictures=pictures,
        slit=next((picture.anchor for picture in pictures if picture.anchor), ""),
        halo=tables.measured_table(implant.halo, names),
        beside=_tables_beside(implant, names),
        outlook=tables.outlook_table(implant),
        limits=" ".join(_remarks(implant, names)),
    )


def _tables_beside(implant: ImplantReading, names: dict[str, str]) -> tuple[Table, ...]:
    defect = None if implant.bridge is None else tables.defect_table(implant.bridge, names)
    every = (defect, tables.screw_table(implant), tables.would_show_table(implant, names))
    return tuple(table for table in every if table is not None)


def _remarks(implant: ImplantReading, names: dict[str, str]) -> list[str]:
    told = (tables.control_words(implant, names), _limits(implant))
    return [sentence for sentence in told if sentence]


def _limits(implant: ImplantReading) -> str:
    """Return what limits the widths most, in one sentence."""
    parts = sorted(implant.limits, key=lambda limit: -limit.share_of_variance)[:2]
    told = ", then ".join(
        f"{p.words or p.part} ({with_unit(p.share_of_variance, Unit.ONE)} of the variance)" for p in parts
    )
    return f"What limits the widths most: {told}." if told else ""


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Printed sizes, mm; smaller where the pictures of change stand on the same sheet."""

    along: float
    across: tuple[float, float]
    map: tuple[float, float]
    slit: tuple[float, float]
    gap: tuple[float, float]
    curve: tuple[float, float]
    time: tuple[float, float]


_ALONE = _Sizes(
    along=90.0,
    across=(36.0, 38.0),
    map=(102.0, 42.0),
    slit=(78.0, 40.0),
    gap=(41.0, 38.0),
    curve=(43.0, 38.0),
    time=(54.0, 38.0),
)
_FOLLOWED = _Sizes(
    along=68.0,
    across=(36.0, 31.0),
    map=(90.0, 33.0),
    slit=(68.0, 33.0),
    gap=(40.0, 33.0),
    curve=(48.0, 33.0),
    time=(61.0, 33.0),
)


def _pictures(implant: ImplantReading, case: Case, names: dict[str, str], windows: Windows) -> list[Picture]:
    change = _latest(case.change_maps, implant.id, case)
    laid = [one for one in case.overlays if _is_latest(one, implant.id, case, change)]
    sizes = _FOLLOWED if change else _ALONE
    cuts = {cut.name: cut for cut in implant.cuts}
    out = [_cut_along(cuts[n], implant, sizes) for n in ("along-zero", "along-quarter") if n in cuts]
    if change is None:
        out.append(_map(implant, names, sizes))
        out += _slit(list(cuts.values()), implant, sizes)
    if "across" in cuts:
        out.append(_cut_across(cuts["across"], implant, sizes))
    if change is not None:
        out += [_overlay(one, case, names, sizes) for one in laid if one.held != "tip side"]
    if implant.bridge is not None:
        out.append(_gap_map(implant, sizes))
    if change is not None:
        out.append(_map(implant, names, sizes))
        out.append(_change_map(change, implant, case, names, sizes))
        out += _slit(list(cuts.values()), implant, sizes)
    if implant.profiles:
        out.append(_profiles(implant, names, sizes))
    points = _time_points(implant.id, case)
    if points:
        out.append(_time_line(points, implant, names, windows, sizes))
    return out


def _latest(maps: tuple[ChangeMap, ...], implant: str, case: Case) -> ChangeMap | None:
    """Return the change of a screw up to the latest CT, from the first CT that shows it."""
    last = case.readings[-1].scan.id
    return next((one for one in maps if one.implant == implant and one.to_scan == last), None)


def _is_latest(overlay: Overlay, implant: str, case: Case, change: ChangeMap | None) -> bool:
    last = case.readings[-1].scan.id
    same = overlay.implant == implant and overlay.to_scan == last
    return same and change is not None and overlay.from_scan == change.from_scan


def _picture(width_mm: float, caption: str, svg: str, twin: Table, anchor: str = "") -> Picture:
    return Picture(width_mm, caption, Markup(svg), twin, anchor)  # drawn by us; data in it are escaped


def _cut_along(cut: Cut, implant: ImplantReading, sizes: _Sizes) -> Picture:
    alt = (
        f"CT cut along the screw, {cut.edge_words[2]} up, bone window. Dashed: thread. "
        f"Yellow: outer edge of the halo as measured. Dash-dotted: the faces of the defect."
    )
    caption = f"Along the screw, {cut.edge_words[2]} up"
    svg = figures.draw_cut_along(cut, implant, alt, sizes.along)
    return _picture(sizes.along, caption, svg, tables.cut_along_twin(cut, implant))


def _slit(cuts: list[Cut], implant: ImplantReading, sizes: _Sizes) -> list[Picture]:
    """Return the defect enlarged, so that a reader can see whether its plane was found right."""
    along = [cut for cut in cuts if cut.name != "across"]
    if implant.defect is None or not along:
        return []
    twin = tables.plane_twin(implant)
    told = "; ".join(f"{name}: {value}" for name, value in twin.rows)
    alt = (
        "The defect enlarged in the two planes along the screw, the faces as found drawn as lines: they must "
        f"follow the dark slit. {told}."
    )
    svg = figures.draw_slit(along, implant, alt, sizes.slit)
    caption = "The defect enlarged. Do the lines (its faces as found) follow the dark slit?"
    return [_picture(sizes.slit[0], caption, svg, twin, f"slit-{_ANCHOR.sub('-', implant.id)}")]


def _cut_across(cut: Cut, implant: ImplantReading, sizes: _Sizes) -> Picture:
    at = with_unit(cut.at_depth_mm, Unit.MM)
    alt = (
        f"CT cut across the screw at depth {at}, seen from the head, bone window, with thread and halo edge."
    )
    svg = figures.draw_cut_across(cut, implant, alt, sizes.across)
    twin = tables.cut_across_twin(cut, implant)
    return _picture(sizes.across[0], f"Across, at the widest halo (depth {at})", svg, twin)


def _map(implant: ImplantReading, names: dict[str, str], sizes: _Sizes) -> Picture:
    halo = implant.halo
    widths = (f"{say(getattr(halo, part).mean_width)} on the {names[part]}" for part in halo.parts)
    alt = (
        "Unrolled halo: depth along the screw from left to right, direction round it from bottom to top. "
        f"Mean width {', '.join(widths)}."
    )
    caption = "Unrolled halo (line: 1 mm; hatched: not measured; grey: no bone)"
    svg = figures.draw_map(implant, alt, sizes.map)
    return _picture(sizes.map[0], caption, svg, tables.sector_twin(halo, implant.frame, names))


def _change_map(
    change: ChangeMap, implant: ImplantReading, case: Case, names: dict[str, str], sizes: _Sizes
) -> Picture:
    since = _since(change.from_scan, case)
    changes = [c for c in Compared.of(case, implant.id).changes if c.from_scan == change.from_scan]
    twin = tables.change_twin(changes, names, since)
    alt = f"Change of the halo width since {since}, unrolled like the halo. " + "; ".join(
        f"{row[0]}: {row[1]}" for row in twin.rows
    )
    before = next(
        one
        for reading in case.readings
        if reading.scan.id == change.from_scan
        for one in reading.implants
        if one.id == implant.id
    )
    svg = then_and_now.draw_change_map(change, before, alt, sizes.map)
    caption = f"Change since {since} (within lines: beyond its 95 % interval)"
    return _picture(sizes.map[0], caption, svg, twin)


def _overlay(overlay: Overlay, case: Case, names: dict[str, str], sizes: _Sizes) -> Picture:
    since, now = _since(overlay.from_scan, case), _since(overlay.to_scan, case)
    sides = {"head side": names["head_side"], "tip side": names["tip_side"], "screw": "screw"}
    held = sides[overlay.held]
    alt = (
        f"The plane along the screw, {overlay.now.edge_words[2]} up, laid on each other with the {held} held "
        f"still: grey is {now}, yellow are the outlines of bone and metal at {since}."
    )
    caption = f"Grey: {now}. Yellow: outlines at {since}. Held still: the {held}"
    svg = then_and_now.draw_overlay(overlay, alt, sizes.along)
    twin = tables.motion_twin([m for m in case.motions if _is_same_pair(m, overlay)], names)
    return _picture(sizes.along, caption, svg, twin)


def _is_same_pair(motion: MotionRecord, overlay: Overlay) -> bool:
    return (motion.implant, motion.from_scan, motion.to_scan) == (
        overlay.implant,
        overlay.from_scan,
        overlay.to_scan,
    )


def _since(scan: str, case: Case) -> str:
    weeks = next(r.scan.weeks_since_surgery for r in case.readings if r.scan.id == scan)
    return f"scan {scan}" if math.isnan(weeks) else weeks_words(weeks)


def _profiles(implant: ImplantReading, names: dict[str, str], sizes: _Sizes) -> Picture:
    alt = "CT number against distance from the thread on both sides, mean and 10th to 90th percentile."
    caption = "Profiles outward (marks: mean width, 95 % interval)"
    svg = figures.draw_profiles(implant.profiles, implant, names, alt, sizes.curve)
    return _picture(sizes.curve[0], caption, svg, tables.profile_twin(implant.profiles, names))


def _gap_map(implant: ImplantReading, sizes: _Sizes) -> Picture:
    bridge = implant.bridge
    assert bridge is not None
    alt = (
        f"Gap width over the section of the defect: mean {say_short(bridge.gap_width_mean)}; "
        f"bridged {say_short(bridge.bridged_fraction)}, crossed hatching."
    )
    caption = "Gap (crossed: bridged; hatched: hidden by metal)"
    svg = figures.draw_gap_map(bridge.map, alt, sizes.gap)
    return _picture(sizes.gap[0], caption, svg, tables.gap_twin(bridge))


def _time_points(implant: str, case: Case) -> list[TimePoint]:
    return [
        TimePoint(
            r.scan.weeks_since_surgery,
            one.halo.head_side.mean_width,
            one.halo.tip_side.mean_width,
            figures.NOT_TOLD if one.halo.is_parted else one.halo.whole.mean_width,
        )
        for r in case.readings
        for one in r.implants
        if one.id == implant and r.scan.weeks_since_surgery >= 0.0
    ]


def _time_line(
    points: list[TimePoint], implant: ImplantReading, names: dict[str, str], windows: Windows, sizes: _Sizes
) -> Picture:
    bands = figures.expected_bands(windows, implant.surface)
    twin = tables.time_twin(points, bands, names)
    alt = "Mean halo width against weeks since surgery, with the expected range in grey. " + "; ".join(
        f"{row[0]}: {' and '.join(row[1:-1])}" for row in twin.rows
    )
    svg = figures.draw_time_line(points, windows, implant.surface, names, alt, sizes.time)
    is_below = any(math.isfinite(getattr(p, part).below_limit) for p in points for part in HALO_LINES)
    below = " (▼: below the detection limit)" if is_below else ""
    caption = (
        f"Mean halo width over time{below}. *About three months, common practice; it never clears an athlete"
    )
    return _picture(sizes.time[0], caption, svg, twin)


def _next_scan(case: Case, last: Reading) -> str:
    week = case.summary.next_scan_week
    thin = thin_series_words(last.scan)
    if math.isnan(week):
        return " ".join([*thin, no_scan_words(case.findings, last.scan.weeks_since_surgery)])
    dose = last.scan.dose
    told = ""
    if not math.isnan(dose.effective_msv):
        told = f" A CT like this one: about {with_unit(dose.effective_msv, Unit.MSV)} (population estimate)."
    elif not math.isnan(dose.ctdi_vol_mgy):
        told = f" A CT like this one: CTDIvol {with_unit(dose.ctdi_vol_mgy, Unit.MGY)}."
    return " ".join([*thin, f"At about week {week:.0f}, if the clinician wants a CT at all.{told}"])


def _scan_facts(reading: Reading) -> str:
    scan = reading.scan
    told = [
        " × ".join(f"{v:.2f}" for v in scan.voxel_mm) + " mm voxels",
        thickness_words(scan.slice_thickness_mm, scan.voxel_mm[2]),
        f"kernel {scan.kernel}" if scan.kernel else "kernel not stated",
        f"reconstruction {scan.algorithm}",
        f"{scan.kvp:.0f} kVp" if scan.kvp > 0 else "kVp not stated",
        f"noise {with_unit(scan.noise_hu, Unit.HU)}" if scan.noise_hu >= 0 else "",
        *_blur_words(scan),
    ]
    return "; ".join(part for part in told if part)


def _blur_words(scan: ScanFacts) -> tuple[str, ...]:
    """Return the blur and what it is known from; without a screw it is not looked for."""
    if not scan.blur_in_plane_mm.is_known:
        return ()
    return (
        f"blur in plane {say(scan.blur_in_plane_mm)}",
        f"blur through plane {say(scan.blur_through_plane_mm)}",
        f"blur known from {blur_source_words(scan.blur_source)}",
    )


def _dose_words(case: Case) -> str:
    """Return the dose of all CTs of a case, in sum and over time; those that state none are counted."""
    dose = case.dose_total
    n = dose.n_examinations
    if n < 2:
        return ""
    told = [_sum_told("CTDIvol", dose.ctdi_vol_mgy, Unit.MGY, dose.n_ctdi_stated, n)]
    product = _sum_told("dose-length product", dose.dlp_mgy_cm, Unit.MGY_CM, dose.n_stated, n)
    if not math.isnan(dose.effective_msv):
        product += f", about {with_unit(dose.effective_msv, Unit.MSV)} (population estimate)"
    told.append(product)
    return f"Dose of the {n} CTs of this case: {'; '.join(told)}.{_dose_course(case)}"


def _sum_told(name: str, total: float, unit: Unit, stated: int, n: int) -> str:
    if math.isnan(total):
        return f"{name} not stated"
    missing = "" if stated in (0, n) else f" ({n - stated} of them do not state it)"
    return f"{name} {with_unit(total, unit)} in sum{missing}"


def _until(weeks: float) -> str:
    return weeks_words(weeks) if weeks < 0.0 else f"by {weeks_words(weeks)}"


def _dose_course(case: Case) -> str:
    """Return the sum of CTDIvol up to each week, as far as weeks and doses are stated."""
    steps = [
        f"{total.ctdi_vol_mgy:.0f} {_until(one.scan.weeks_since_surgery)}"
        for one, total in dose_over_time(case.readings)
        if not (math.isnan(total.ctdi_vol_mgy) or math.isnan(one.scan.weeks_since_surgery))
    ]
    return f" CTDIvol added up, mGy: {', '.join(steps)}." if len(steps) > 1 else ""


def _sources(findings: tuple[Finding, ...]) -> tuple[str, ...]:
    """Return the sources of the windows used, each once."""
    rows = [f.window for f in findings if f.window is not None]
    return tuple(dict.fromkeys(f"{row.meaning} Source: {row.source}." for row in rows))
