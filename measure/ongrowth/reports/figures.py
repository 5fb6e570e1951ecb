"""The pictures of print: drawn on axes, or as inline SVG with rasterised maps; no colour that judges."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.bridge import BridgeMap
from ongrowth.defect import DefectPlane, Side
from ongrowth.findings import Windows, rows_for
from ongrowth.frame import ScrewFrame, direction_word
from ongrowth.halo import Halo, HaloMap
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Cut, ImplantReading, Profile
from ongrowth.reports.drawing import inline, settle, sized_figure
from ongrowth.wording import HALO_SIDES, with_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BONE_WINDOW_HU = (-450.0, 1350.0)  # level 450, width 1800: a usual bone window
WIDTH_SCALE_MM = (0.0, 2.0)  # 1 mm, the usual criterion of a halo, lies in the middle
_SLIT_MM = 8.0  # to each side of the defect: the bone round the screw at a pars
_FACES_REACH_MM = 9.0
_CASED = 2.4  # width of the dark casing under a light line, points
_ON_A_PICTURE: dict[str, Any] = {
    "fontsize": 6.5,
    "color": "white",
    "bbox": {"facecolor": "black", "alpha": 0.55, "edgecolor": "none", "pad": 1.0},
}
NOT_TOLD = Measured.missing(Unit.MM, Caution.NONE)
HALO_EDGE = "#ffd23f"
DEPTH_WORDS = "depth from the head end of the shaft, mm"
COMPETITION_WEEKS = 13.0  # about three months, common practice, no source

SIDE_STYLE = {
    "whole": {"marker": "D", "color": "black", "mfc": "black", "ls": "-"},
    "head_side": {"marker": "o", "color": "black", "mfc": "black", "ls": "-"},
    "tip_side": {"marker": "s", "color": "0.35", "mfc": "white", "ls": "--"},
}


@dataclass(frozen=True, slots=True)
class TimePoint:
    """Mean widths of one screw at one week; of the whole shaft only where no defect parts it."""

    weeks: float
    head_side: Measured
    tip_side: Measured
    whole: Measured = NOT_TOLD


def drawn_parts(points: Sequence[TimePoint]) -> tuple[str, ...]:
    """Return the parts of the shaft that have a width at some week; both sides where none has."""
    return tuple(part for part in SIDE_STYLE if any(getattr(p, part).is_known for p in points)) or HALO_SIDES


def draw_cut_along(cut: Cut, implant: ImplantReading, alt: str, width_mm: float) -> str:
    """Return a cut along the screw with envelope, measured halo edge and defect."""
    with sized_figure(width_mm, along_height_mm(cut, width_mm)) as (figure, out):
        paint_cut_along(figure.add_subplot(), cut, implant)
    return inline(out, alt)


def paint_cut_along(axes: Axes, cut: Cut, implant: ImplantReading) -> None:
    """Draw a cut along the screw with envelope, measured halo edge and defect on axes."""
    show_cut(axes, cut)
    _outline_along(axes, implant, 0.0 if cut.name == "along-zero" else 90.0)
    axes.set_xlabel(DEPTH_WORDS, labelpad=1.0)
    write_edge_words(axes, cut)


def along_height_mm(cut: Cut, width_mm: float) -> float:
    """Return the height that leaves no blank round a cut along the screw with its axis labels."""
    aspect = abs(float((cut.down_mm[-1] - cut.down_mm[0]) / (cut.right_mm[-1] - cut.right_mm[0])))
    return (width_mm - 7.0) * aspect + 8.0


def show_cut(axes: Axes, cut: Cut) -> None:
    """Show a cut in a bone window, in millimetres of the screw's frame."""
    step_x = abs(float(cut.right_mm[1] - cut.right_mm[0])) / 2.0
    step_y = abs(float(cut.down_mm[1] - cut.down_mm[0])) / 2.0
    extent = (
        cut.right_mm[0] - step_x,
        cut.right_mm[-1] + step_x,
        cut.down_mm[-1] - step_y,
        cut.down_mm[0] + step_y,
    )
    axes.imshow(
        _grey(cut.hu),
        cmap="gray",
        extent=extent,
        vmin=0,
        vmax=255,
        interpolation="none",
        aspect="equal",
    )
    axes.tick_params(length=2.0, pad=1.5)


def _grey(hu: NDArray[np.int16]) -> NDArray[np.uint8]:
    low, high = BONE_WINDOW_HU
    return np.clip((hu.astype(np.float64) - low) / (high - low) * 255.0, 0.0, 255.0).astype(np.uint8)


def write_edge_words(axes: Axes, cut: Cut) -> None:
    """Write at each edge of a cut where it looks."""
    left, right, top, bottom = cut.edge_words
    style = {"transform": axes.transAxes, **_ON_A_PICTURE}
    axes.text(0.01, 0.5, left, ha="left", va="center", rotation=90, **style)
    axes.text(0.99, 0.5, right, ha="right", va="center", rotation=90, **style)
    axes.text(0.5, 0.98, top, ha="center", va="top", **style)
    axes.text(0.5, 0.02, bottom, ha="center", va="bottom", **style)


def _outline_along(axes: Axes, implant: ImplantReading, angle_deg: float) -> None:
    radius = implant.screw.major_diameter_mm.value / 2.0
    halo = implant.halo.map
    for sign, angle in ((1.0, angle_deg), (-1.0, angle_deg + 180.0)):
        _line(
            axes, [0.0, implant.frame.length_mm], [sign * radius] * 2, color="white", lw=0.7, ls=(0, (4, 3))
        )
        edge = radius + width_along(halo, angle)
        _line(axes, halo.depth_mm, sign * edge, color=HALO_EDGE, lw=1.0)
    _faces_along(axes, implant, angle_deg, lw=0.6)


def _faces_along(axes: Axes, implant: ImplantReading, angle_deg: float, lw: float) -> None:
    """Draw both faces of the defect, so that the slit between is seen; its middle where no gap is known."""
    if implant.defect is None:
        return
    paint_faces(axes, implant.defect, implant.frame, angle_deg, implant.defect.depth_mm(implant.frame), lw)


def paint_faces(
    axes: Axes, defect: DefectPlane, frame: ScrewFrame, angle_deg: float, middle_mm: float, lw: float = 0.8
) -> None:
    """Draw both faces of a defect on a cut along a line, in the plane of one direction away from it.

    `middle_mm` is where on the cut the plane crosses the line.
    """
    slope, half = _defect_slope(defect, frame, angle_deg), _half_gap_mm(defect, frame)
    reach = np.array([-_FACES_REACH_MM, _FACES_REACH_MM])
    for face in {middle_mm - half, middle_mm + half}:
        _line(axes, face + slope * reach, reach, color="white", lw=lw, ls=(0, (6, 2, 1, 2)))


def _half_gap_mm(defect: DefectPlane, frame: ScrewFrame) -> float:
    """Return half of the gap along the axis of a frame, mm; 0 where it is not known."""
    cosine = abs(float(defect.plane.normal @ frame.axis_direction))
    return 0.0 if math.isnan(defect.gap_mm) else defect.gap_mm / 2.0 / cosine


def draw_slit(cuts: Sequence[Cut], implant: ImplantReading, alt: str, size_mm: tuple[float, float]) -> str:
    """Return the defect enlarged in the planes of the cuts along the screw, with its two faces."""
    assert implant.defect is not None
    middle = implant.defect.depth_mm(implant.frame)
    with sized_figure(*size_mm) as (figure, out):
        for axes, cut in zip(figure.subplots(1, len(cuts), squeeze=False)[0], cuts, strict=True):
            show_cut(axes, cut)
            _faces_along(axes, implant, 0.0 if cut.name == "along-zero" else 90.0, lw=0.8)
            axes.set_xlim(middle - _SLIT_MM, middle + _SLIT_MM)
            axes.set_ylim(-_SLIT_MM, _SLIT_MM)
            axes.set_xlabel("depth, mm", labelpad=1.0)
            write_edge_words(axes, cut)
    return inline(out, alt)


def _defect_slope(defect: DefectPlane, frame: ScrewFrame, angle_deg: float) -> float:
    """Return how far the defect plane runs along the axis per mm away from it, in one direction."""
    normal = defect.plane.normal
    a = math.radians(angle_deg)
    away = math.cos(a) * frame.zero_direction + math.sin(a) * frame.quarter_direction
    return float(-(normal @ away) / (normal @ frame.axis_direction))


def _line(axes: Axes, x: Any, y: Any, **style: Any) -> None:
    """Draw a light line with a dark casing, so that it shows on metal and on air."""
    dark = style | {"color": "black", "lw": _CASED * style["lw"], "ls": "-", "alpha": 0.5}
    axes.plot(x, y, **dark, solid_capstyle="butt")
    axes.plot(x, y, **style)


def nearest(halo: HaloMap, angle_deg: float) -> NDArray[np.bool_]:
    """Return which cells of each depth lie nearest to an angle: one, or two where it lies between them."""
    away = np.abs((halo.angle_deg - angle_deg + 180.0) % 360.0 - 180.0)
    return np.asarray(away <= away.min() + 1e-9)


def width_along(halo: HaloMap, angle_deg: float) -> NDArray[np.float64]:
    """Return the halo width (never below 0) along the depth at the cells nearest to an angle, mm."""
    near = nearest(halo, angle_deg)
    mean = np.ma.masked_invalid(halo.width_mm[:, near]).mean(axis=1).filled(np.nan)
    return np.asarray(np.maximum(mean, 0.0))


def draw_cut_across(cut: Cut, implant: ImplantReading, alt: str, size_mm: tuple[float, float]) -> str:
    """Return the cut across the screw at the widest halo, seen from the head."""
    with sized_figure(*size_mm) as (figure, out):
        axes = figure.add_subplot()
        show_cut(axes, cut)
        angle = np.radians(np.arange(0.0, 361.0, 5.0))
        radius = implant.screw.major_diameter_mm.value / 2.0
        _line(axes, radius * np.sin(angle), radius * np.cos(angle), color="white", lw=0.7, ls=(0, (4, 3)))
        around, edge = width_around(implant.halo.map, cut.at_depth_mm)
        turn = np.radians(around)
        _line(axes, (radius + edge) * np.sin(turn), (radius + edge) * np.cos(turn), color=HALO_EDGE, lw=1.0)
        axes.set_xlabel("mm from the axis", labelpad=1.0)
        write_edge_words(axes, cut)
    return inline(out, alt)


def width_around(halo: HaloMap, depth_mm: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return angles (closed) and halo widths round the screw at a depth; NaN where not measured."""
    row = int(np.argmin(np.abs(halo.depth_mm - depth_mm)))
    width = np.maximum(halo.width_mm[row], 0.0)
    return np.r_[halo.angle_deg, halo.angle_deg[0] + 360.0], np.r_[width, width[0]]


def draw_map(implant: ImplantReading, alt: str, size_mm: tuple[float, float]) -> str:
    """Return the unrolled halo: depth along, angle up, aligned with the cuts along the screw."""
    with sized_figure(*size_mm) as (figure, out):
        paint_map(figure, figure.add_subplot(), implant)
    return inline(out, alt)


def paint_map(figure: Figure, axes: Axes, implant: ImplantReading) -> None:
    """Draw the unrolled halo with the defect, the line of 1 mm and its scale on axes of a figure."""
    grid = implant.halo.map
    extent = _map_extent(grid)
    axes.set_facecolor("0.88")
    image = axes.imshow(
        np.ma.masked_invalid(np.maximum(grid.width_mm.T, 0.0)),
        origin="lower",
        extent=extent,
        aspect="auto",
        cmap="cividis",
        vmin=WIDTH_SCALE_MM[0],
        vmax=WIDTH_SCALE_MM[1],
        interpolation="none",
    )
    _mark_unmeasured(axes, grid, extent)
    _mark_limit(axes, grid)
    mark_defect(axes, implant)
    _mark_below(axes, implant.halo)
    angle_axis(axes, implant.frame)
    axes.set_ylim(extent[2], extent[3])
    axes.set_xlabel(DEPTH_WORDS, labelpad=1.0)
    axes.tick_params(length=2.0, pad=1.5)
    bar = figure.colorbar(image, ax=axes, extend="max", pad=0.01, fraction=0.05)
    bar.set_label("halo width, mm")
    bar.outline.set_linewidth(0.4)


def _map_extent(grid: HaloMap) -> tuple[float, float, float, float]:
    half_depth, half_angle = half_step(grid.depth_mm), half_step(grid.angle_deg)
    return (
        float(grid.depth_mm[0]) - half_depth,
        float(grid.depth_mm[-1]) + half_depth,
        float(grid.angle_deg[0]) - half_angle,
        float(grid.angle_deg[-1]) + half_angle,
    )


def half_step(axis: NDArray[np.float64]) -> float:
    """Return half the distance of two cells along an axis of a map."""
    return float(axis[1] - axis[0]) / 2.0 if axis.size > 1 else 0.5


def _mark_unmeasured(axes: Axes, grid: HaloMap, extent: tuple[float, ...]) -> None:
    """Hatch the cells of bone that this scan does not tell."""
    bone = (grid.side == Side.HEAD) | (grid.side == Side.TIP)
    missing = bone & ~np.isfinite(grid.width_mm)
    depth = np.linspace(extent[0], extent[1], grid.depth_mm.size + 1)
    angle = np.linspace(extent[2], extent[3], grid.angle_deg.size + 1)
    if np.any(missing):
        cells = np.ma.masked_where(~missing.T, np.ones(missing.T.shape))
        axes.pcolor(depth, angle, cells, hatch="/////", cmap="gray", vmin=0, vmax=1.1, lw=0, edgecolor="0.4")


def _mark_limit(axes: Axes, grid: HaloMap) -> None:
    """Draw the line of 1 mm, the usual criterion of a halo."""
    width = np.ma.masked_invalid(grid.width_mm)
    if width.count() and width.min() < 1.0 < width.max():
        axes.contour(grid.depth_mm, grid.angle_deg, width.T, levels=[1.0], colors="white", linewidths=1.0)


def _mark_below(axes: Axes, halo: Halo) -> None:
    """Write over a side whose mean lies below the detection limit that it does: its colours show no less."""
    for part, side in halo.parts.items():
        limit_mm = getattr(halo, part).mean_width.below_limit
        depth_mm = halo.map.depth_mm[np.any(halo.map.side == side, axis=1)]
        if math.isfinite(limit_mm) and depth_mm.size:
            words = f"below {with_unit(limit_mm, Unit.MM)}"
            axes.text(float(depth_mm.mean()), 180.0, words, ha="center", va="center", **_ON_A_PICTURE)


def mark_defect(axes: Axes, implant: ImplantReading) -> None:
    """Draw where the defect meets the thread, both edges where its width is known."""
    if implant.defect is None:
        return
    angle = np.arange(0.0, 361.0, 5.0)
    radius = implant.screw.major_diameter_mm.value / 2.0
    slope = np.array([_defect_slope(implant.defect, implant.frame, float(a)) for a in angle])
    middle = implant.defect.depth_mm(implant.frame) + radius * slope
    half = _half_gap_mm(implant.defect, implant.frame)
    axes.fill_betweenx(angle, middle - half, middle + half, color="white", lw=0)
    for edge in (middle - half, middle + half):
        axes.plot(edge, angle, color="black", lw=0.8)
    style: dict[str, Any] = {"rotation": 90, "ha": "center", "va": "center", "fontsize": 6.5}
    axes.text(float(middle[angle == 180.0][0]), 180.0, "defect", **style)


def angle_axis(axes: Axes, frame: ScrewFrame) -> None:
    """Name the four directions round the screw on the upright axis."""
    ticks = [0.0, 90.0, 180.0, 270.0]
    axes.set_yticks(ticks, [frame.words_at(angle) for angle in ticks])


def draw_profiles(
    profiles: Sequence[Profile],
    implant: ImplantReading,
    names: dict[str, str],
    alt: str,
    size_mm: tuple[float, float],
) -> str:
    """Return CT number against distance from the thread, with the width found on each side."""
    with sized_figure(*size_mm) as (figure, out):
        axes = figure.add_subplot()
        for profile in profiles:
            style = SIDE_STYLE[profile.side]
            axes.fill_between(
                profile.distance_mm, profile.hu_low, profile.hu_high, color="0.5", alpha=0.18, lw=0
            )
            axes.plot(
                profile.distance_mm,
                profile.hu_mean,
                color=style["color"],
                ls=style["ls"],
                lw=1.1,
                label=names[profile.side].partition(" (")[0],
            )
            _mark_width(axes, getattr(implant.halo, profile.side).mean_width, style)
        axes.axvline(0.0, color="0.6", lw=0.6)
        axes.set_ylim(-300.0, 1600.0)
        axes.set_xlim(-1.0, 6.0)
        axes.set_xticks((0.0, 2.0, 4.0, 6.0))
        axes.set_xlabel("mm from the thread", labelpad=1.0)
        axes.set_ylabel("CT number, HU", labelpad=1.0)
        axes.legend(frameon=False, loc="upper right", fontsize=6.0, handlelength=1.6, borderaxespad=0.0)
    return inline(out, alt)


def _mark_width(axes: Axes, width: Measured, style: dict[str, str]) -> None:
    """Mark the fitted edge and its 95 % interval under the curves."""
    if width.is_known and math.isnan(width.below_limit):
        at = -220.0 if style["ls"] == "-" else -140.0
        axes.plot([width.low95, width.high95], [at, at], color=style["color"], lw=1.0)
        axes.plot([width.value], [at], marker=style["marker"], color=style["color"], mfc=style["mfc"], ms=4.0)


def draw_gap_map(bridge_map: BridgeMap, alt: str, size_mm: tuple[float, float]) -> str:
    """Return the gap width over the section of the defect; bridged places are hatched."""
    with sized_figure(*size_mm) as (figure, out):
        axes = figure.add_subplot()
        half = half_step(bridge_map.u_mm)
        u, v = bridge_map.u_mm, bridge_map.v_mm
        extent = (u[0] - half, u[-1] + half, v[0] - half, v[-1] + half)
        shown = np.ma.masked_invalid(np.where(bridge_map.bridged, np.nan, bridge_map.gap_width_mm))
        top = max(4.0, float(np.nanmax(np.append(bridge_map.gap_width_mm, 0.0))))
        image = axes.imshow(
            shown, origin="lower", extent=extent, cmap="cividis", vmin=0.0, vmax=top, interpolation="none"
        )
        _hatch(axes, bridge_map.bridged, extent, "xxxx")
        _hatch(axes, bridge_map.hidden, extent, "////")
        axes.locator_params(
            nbins=5, steps=[1, 2, 5, 10], integer=True
        )  # whole mm: a small picture has no room
        axes.set_xlabel(f"mm toward {direction_word(bridge_map.u_direction)}", labelpad=1.0)
        axes.set_ylabel(f"mm toward {direction_word(bridge_map.v_direction)}", labelpad=1.0)
        axes.tick_params(length=2.0, pad=1.5)
        bar = figure.colorbar(image, ax=axes, pad=0.02, fraction=0.06)
        bar.set_label("gap width, mm")
        bar.outline.set_linewidth(0.4)
        settle(figure)
    return inline(out, alt)


def _hatch(axes: Axes, cells: NDArray[np.bool_], extent: tuple[float, ...], hatch: str) -> None:
    if np.any(cells):
        u = np.linspace(extent[0], extent[1], cells.shape[1] + 1)
        v = np.linspace(extent[2], extent[3], cells.shape[0] + 1)
        shown = np.ma.masked_where(~cells, np.ones(cells.shape))
        axes.pcolor(u, v, shown, hatch=hatch, cmap="gray", vmin=0, vmax=1.05, lw=0, edgecolor="black")


def draw_time_line(
    points: Sequence[TimePoint],
    windows: Windows,
    surface: str,
    names: dict[str, str],
    alt: str,
    size_mm: tuple[float, float],
) -> str:
    """Return the mean widths against the windows of their weeks; the words stand clear of the drawing."""
    with sized_figure(*size_mm) as (figure, out):
        axes = figure.add_subplot()
        first, last = weeks_drawn(points)
        _window_bands(axes, windows, surface, last)
        for part in drawn_parts(points):
            _time_series(axes, points, part, SIDE_STYLE[part], names[part].partition(" (")[0])
        axes.set_xlim(first, last)
        axes.set_ylim(0.0, _time_top_mm(points, windows, surface))
        axes.locator_params(axis="y", integer=True)  # finer ones come and go with the room the words leave
        _mark_competition(axes)
        axes.set_xlabel("weeks since surgery", labelpad=1.0)
        axes.set_ylabel("mean width, mm", labelpad=1.0)
        axes.tick_params(length=2.0, pad=1.5)
        figure.legend(
            *axes.get_legend_handles_labels(),
            frameon=False,
            loc="outside upper center",
            ncols=2,  # three in a row are wider than the figure
            fontsize=6.0,
            handlelength=1.6,
            columnspacing=0.9,
            handletextpad=0.4,
            borderaxespad=0.0,
        )
        settle(figure)
    return inline(out, alt)


def weeks_drawn(points: Sequence[TimePoint]) -> tuple[float, float]:
    """Return the first and the last week of the time line: no mark is cut by its edge.

    Parameters
    ----------
    points : sequence of TimePoint
        What is drawn.
    """
    weeks = [point.weeks for point in points]
    return min([0.0, *(w - 1.0 for w in weeks)]), max([28.0, *(w + 4.0 for w in weeks)])


def _time_top_mm(points: Sequence[TimePoint], windows: Windows, surface: str) -> float:
    """Return the top of the time line: above all bands and intervals, with room for a word."""
    bands = [band.high_mm for band in expected_bands(windows, surface)]
    ends = [m.high95 for p in points for m in (p.head_side, p.tip_side, p.whole) if m.is_known]
    return 1.25 * max([1.0, *bands, *ends])


def _mark_competition(axes: Axes) -> None:
    axes.axvline(COMPETITION_WEEKS, color="0.4", lw=0.7, ls=(0, (2, 2)))
    axes.annotate(
        "usual return to\ncompetition*",
        (COMPETITION_WEEKS, 1.0),
        xycoords=axes.get_xaxis_transform(),
        xytext=(2.0, -1.0),
        textcoords="offset points",
        va="top",
        fontsize=6.0,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
    )


@dataclass(frozen=True, slots=True)
class Band:
    """The expected range of the mean width between two weeks."""

    from_weeks: float
    to_weeks: float
    low_mm: float
    high_mm: float


def expected_bands(windows: Windows, surface: str) -> tuple[Band, ...]:
    """Return the expected range of the mean width over the weeks; the narrowest row rules.

    Weeks that follow each other with one range are one band: no seam is drawn where nothing changes.
    """
    rows = [w for w in windows if w.quantity == "mean_width" and w.surface in (surface, "any")]
    edges = sorted({edge for row in rows for edge in (row.from_weeks, row.to_weeks)})
    bands: list[Band] = []
    for start, end in itertools.pairwise(edges):
        here = [w for w in rows_for(rows, surface, "mean_width", "any", start) if not math.isnan(w.high)]
        if here:
            low = max(0.0 if math.isnan(w.low) else w.low for w in here)
            high = min(w.high for w in here)
            goes_on = bands and (bands[-1].to_weeks, bands[-1].low_mm, bands[-1].high_mm) == (
                start,
                low,
                high,
            )
            if goes_on:
                start = bands.pop().from_weeks
            bands.append(Band(start, end, low, high))
    return tuple(bands)


def _window_bands(axes: Axes, windows: Windows, surface: str, last_week: float) -> None:
    shown = [band for band in expected_bands(windows, surface) if band.from_weeks < last_week]
    for k, band in enumerate(shown):
        axes.fill_between(
            [band.from_weeks, min(band.to_weeks, last_week)],
            [band.low_mm] * 2,
            [band.high_mm] * 2,
            color="0.86",
            lw=0,
            label="expected" if k == 0 else None,
            zorder=0,
        )


def _time_series(
    axes: Axes, points: Sequence[TimePoint], side: str, style: dict[str, str], name: str
) -> None:
    shift = 0.12 if side == "tip_side" else -0.12
    widths = [(point.weeks + shift, getattr(point, side)) for point in points]
    shown = [(week, m) for week, m in widths if m.is_known and math.isnan(m.below_limit)]
    below = [(week, m) for week, m in widths if math.isfinite(m.below_limit)]
    value = np.array([m.value for _, m in shown])
    bars = np.array([[m.value - m.low95 for _, m in shown], [m.high95 - m.value for _, m in shown]])
    axes.errorbar(
        [week for week, _ in shown],
        value,
        yerr=np.maximum(bars, 0.0),
        marker=style["marker"],
        color=style["color"],
        mfc=style["mfc"],
        ls=style["ls"],
        lw=0.9,
        ms=5.0,
        capsize=2.0,
        label=name,
    )
    for week, width in below:  # an arrow down from the limit: a value there would be none
        axes.plot([week], [width.below_limit], marker=11, color=style["color"], mfc=style["mfc"], ms=6.0)
