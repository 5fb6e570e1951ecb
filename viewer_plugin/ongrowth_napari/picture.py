"""What is shown of one screw, and the lines drawn on its sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.frame import Patch, ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.halo import HaloMap
from ongrowth.reading import ImplantReading
from ongrowth.scan import Scan
from ongrowth_napari.sheet import REACH_MM, Sheet

FloatArray = NDArray[np.float64]

TICK_MM = 5.0
HANDLE_MM = 9.0  # from the axis to the points that hold the plane of the defect
SECTOR_DEG = 45.0

WHITE = (1.0, 1.0, 1.0, 0.85)
THREAD = (0.35, 0.55, 1.0, 1.0)  # shows on metal as on marrow
EDGE = (1.0, 0.82, 0.25, 1.0)
STALE_EDGE = (1.0, 0.82, 0.25, 0.4)
FAINT = (1.0, 1.0, 1.0, 0.35)
PLANE = (0.8, 0.55, 1.0, 1.0)
CURSOR = (0.3, 0.9, 0.95, 0.9)


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """Where head end, tip and plane stand, and what is left out, corrections not yet measured included."""

    head_mm: FloatArray
    tip_mm: FloatArray
    plane: Plane | None
    patches: tuple[Patch, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ScrewPicture:
    """A screw as measured, the CT round it, and its corrections.

    Parameters
    ----------
    part : Scan
        The CT round the screw.
    implant : ImplantReading
        As measured last.
    corrected : Corrected
        As it stands now.
    is_shown : bool
        False as long as a reader has not locked an own reading: then no figure of ours is drawn.
    is_current : bool
        False once something was corrected that the measurement did not know of.
    earlier : tuple of (Scan, ScrewFrame), or None
        Another CT of the same screw to be laid over this one.
    names : tuple of (str, str)
        Names of this CT and of the one laid over it.
    """

    part: Scan
    implant: ImplantReading
    corrected: Corrected
    is_shown: bool = True
    is_current: bool = True
    earlier: tuple[Scan, ScrewFrame] | None = None
    names: tuple[str, str] = ("", "")

    @property
    def frame(self) -> ScrewFrame:
        """Frame of the screw as measured."""
        return self.implant.frame

    @property
    def radius_mm(self) -> float:
        """Radius of the thread envelope, mm."""
        return self.implant.screw.major_diameter_mm.value / 2.0

    @property
    def sheet(self) -> Sheet:
        """Its sheet."""
        return Sheet(self.frame.length_mm)

    @property
    def map(self) -> HaloMap:
        """Its unrolled halo."""
        return self.implant.halo.map


@dataclass(frozen=True, slots=True)
class Lines:
    """Straight strokes with colours, as the viewer's vectors want them."""

    strokes: list[FloatArray] = field(default_factory=list)
    colours: list[tuple[float, float, float, float]] = field(default_factory=list)

    def add(
        self,
        start: tuple[float, float],
        end: tuple[float, float],
        colour: tuple[float, float, float, float],
    ) -> None:
        """Add one stroke between two places of the sheet; one that is not known has no length.

        So the count of strokes is the same for every cursor, and the viewer need not lay them out anew.
        """
        a, b = np.array(start), np.array(end)
        is_known = bool(np.isfinite([a, b]).all())
        self.strokes.append(np.stack([a, b - a]) if is_known else np.zeros((2, 2)))
        self.colours.append(colour)

    def add_course(
        self, places: list[tuple[float, float]], colour: tuple[float, float, float, float]
    ) -> None:
        """Add a line through places; it is interrupted where one is not known."""
        for start, end in pairwise(places):
            self.add(start, end, colour)

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Return strokes, shape (N, 2, 2), and colours, shape (N, 4)."""
        if not self.strokes:
            return np.zeros((0, 2, 2)), np.zeros((0, 4))
        return np.stack(self.strokes), np.array(self.colours)


def direction_at(frame: ScrewFrame, angle_deg: float) -> FloatArray:
    """Return the patient direction of an angle round the screw."""
    a = math.radians(angle_deg)
    return np.asarray(math.cos(a) * frame.zero_direction + math.sin(a) * frame.quarter_direction)


def width_at(halo: HaloMap, depth_mm: float, angle_deg: float) -> tuple[int, int]:
    """Return row and column of the cell nearest to a place."""
    row = int(np.abs(halo.depth_mm - depth_mm).argmin())
    turn = np.abs((halo.angle_deg - angle_deg + 180.0) % 360.0 - 180.0)
    return row, int(turn.argmin())


def map_depths(halo: HaloMap) -> tuple[float, float]:
    """Return the depths at which a map begins and ends."""
    half = float(np.diff(halo.depth_mm[:2])[0]) / 2.0
    return float(halo.depth_mm[0]) - half, float(halo.depth_mm[-1]) + half


def draw_lines(picture: ScrewPicture, depth_mm: float, angle_deg: float) -> Lines:
    """Return outline, halo edge, ticks, sectors and plane for a cursor."""
    lines = Lines()
    _draw_along(lines, picture, angle_deg)
    _draw_map(lines, picture)
    _draw_across(lines, picture, depth_mm)
    return lines


def draw_cursor(picture: ScrewPicture, depth_mm: float, angle_deg: float) -> Lines:
    """Return the cursor: its depth through cut and map, its angle down the map and through the cut across."""
    lines, sheet = Lines(), picture.sheet
    down, at = sheet.unrolled(depth_mm, angle_deg)
    left, right = sheet.unrolled(depth_mm, -7.5)[1], sheet.unrolled(depth_mm, 352.4)[1]
    lines.add((down, -REACH_MM), (down, REACH_MM), CURSOR)
    lines.add((down, left), (down, right), CURSOR)
    top, bottom = map_depths(picture.map)
    lines.add((top, at), (bottom, at), CURSOR)
    a = math.radians(angle_deg)
    far = (REACH_MM * math.sin(a), REACH_MM * math.cos(a))
    lines.add(sheet.across(-far[0], -far[1]), sheet.across(*far), (*CURSOR[:3], 0.4))
    near = picture.radius_mm + 1.0
    lines.add(sheet.across(near * math.sin(a), near * math.cos(a)), sheet.across(*far), CURSOR)
    return lines


def _draw_along(lines: Lines, picture: ScrewPicture, angle_deg: float) -> None:
    sheet, radius, length = picture.sheet, picture.radius_mm, picture.frame.length_mm
    for sign, angle in ((1.0, angle_deg), (-1.0, angle_deg + 180.0)):
        _dashed(lines, sheet.along(0.0, sign * radius), sheet.along(length, sign * radius), THREAD)
        if picture.is_shown:
            halo = picture.map
            column = width_at(halo, 0.0, angle)[1]
            edge = radius + np.maximum(halo.width_mm[:, column], 0.0)
            places = [sheet.along(d, sign * e) for d, e in zip(halo.depth_mm, edge, strict=True)]
            lines.add_course(places, _edge_colour(picture))
    for at in np.arange(0.0, length + 0.1, TICK_MM):
        long = 1.6 if at % 10.0 < 0.1 else 0.9
        lines.add(sheet.along(float(at), -REACH_MM), sheet.along(float(at), -REACH_MM + long), WHITE)
    held = plane_handles(picture, angle_deg)
    if held is not None and picture.is_shown:
        (low, left), (high, right) = held
        for k in range(8):
            one, two = k / 8.0, (k + 0.55) / 8.0
            start = (low + one * (high - low), left + one * (right - left))
            lines.add(start, (low + two * (high - low), left + two * (right - left)), PLANE)


def _edge_colour(picture: ScrewPicture) -> tuple[float, float, float, float]:
    return EDGE if picture.is_current else STALE_EDGE


def plane_handles(
    picture: ScrewPicture, angle_deg: float
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Return the two places of the sheet that hold the plane of the defect in the cut along."""
    plane = picture.corrected.plane
    if plane is None:
        return None
    middle, slope, _ = plane_in_cut(picture.frame, plane, angle_deg)
    low, high = middle - slope * HANDLE_MM, middle + slope * HANDLE_MM
    return picture.sheet.along(low, -HANDLE_MM), picture.sheet.along(high, HANDLE_MM)


def plane_in_cut(frame: ScrewFrame, plane: Plane, angle_deg: float) -> tuple[float, float, float]:
    """Return the depth at which a plane meets the axis, its slope in the cut, and its slope across it."""
    along = float(plane.normal @ frame.axis_direction)
    middle = -float(plane.height_mm(frame.origin_mm)) / along
    slopes = [-float(plane.normal @ direction_at(frame, a)) / along for a in (angle_deg, angle_deg + 90.0)]
    return middle, slopes[0], slopes[1]


def plane_from_cut(
    frame: ScrewFrame, angle_deg: float, middle_mm: float, slope: float, slope_across: float
) -> Plane:
    """Return the plane that `plane_in_cut` describes."""
    normal = (
        frame.axis_direction
        - slope * direction_at(frame, angle_deg)
        - slope_across * direction_at(frame, angle_deg + 90.0)
    )
    return Plane(frame.origin_mm + middle_mm * frame.axis_direction, normal)


def _dashed(
    lines: Lines,
    start: tuple[float, float],
    end: tuple[float, float],
    colour: tuple[float, float, float, float],
    dash_mm: float = 0.8,
) -> None:
    a, b = np.array(start), np.array(end)
    n = max(int(abs(b - a).max() / (2.0 * dash_mm)), 1)  # the longer way: fixed where the slope is not
    for k in range(n):
        one, two = a + (b - a) * (k / n), a + (b - a) * ((k + 0.55) / n)
        lines.add((one[0], one[1]), (two[0], two[1]), colour)


def _draw_map(lines: Lines, picture: ScrewPicture) -> None:
    sheet, length = picture.sheet, picture.frame.length_mm
    top, bottom = map_depths(picture.map)
    for border in np.arange(SECTOR_DEG / 2.0, 360.0, SECTOR_DEG):
        _dashed(lines, sheet.unrolled(top, float(border)), sheet.unrolled(bottom, float(border)), FAINT, 0.5)
    left = sheet.unrolled(0.0, -7.5)[1]
    for at in np.arange(0.0, length + 0.1, TICK_MM):
        long = 1.4 if at % 10.0 < 0.1 else 0.8
        lines.add((float(at), left - long), (float(at), left), WHITE)
    plane = picture.corrected.plane
    if plane is not None and picture.is_shown:
        angles = np.arange(-7.0, 352.5, 7.5)
        course = []
        for angle in angles:
            middle, slope, _ = plane_in_cut(picture.frame, plane, float(angle))
            course.append(sheet.unrolled(middle + slope * picture.radius_mm, float(angle)))
        for start, end in zip(course[0::2], course[1::2], strict=False):
            lines.add(start, end, PLANE)


def _draw_across(lines: Lines, picture: ScrewPicture, depth_mm: float) -> None:
    sheet, radius = picture.sheet, picture.radius_mm
    turn = np.radians(np.arange(0.0, 360.1, 7.5))
    thread = radius if 0.0 <= depth_mm <= picture.frame.length_mm else math.nan
    circle = [sheet.across(thread * math.sin(a), thread * math.cos(a)) for a in turn]
    for start, end in zip(circle[0::2], circle[1::2], strict=False):
        lines.add(start, end, THREAD)
    halo = picture.map
    row = width_at(halo, depth_mm, 0.0)[0]
    if picture.is_shown:
        is_near = abs(halo.depth_mm[row] - depth_mm) <= 1.0
        edge = radius + np.maximum(halo.width_mm[row] if is_near else np.nan * halo.width_mm[row], 0.0)
        angles, edge = np.r_[halo.angle_deg, halo.angle_deg[0]], np.r_[edge, edge[0]]
        radians = np.radians(angles)
        course = [sheet.across(e * math.sin(a), e * math.cos(a)) for e, a in zip(edge, radians, strict=True)]
        lines.add_course(course, _edge_colour(picture))
    lines.add(sheet.across(2.4, -REACH_MM - 1.5), sheet.across(7.4, -REACH_MM - 1.5), WHITE)


def sector_patch(picture: ScrewPicture, depth_mm: float, angle_deg: float) -> Patch:
    """Return the sector at a place, over the depths of its side."""
    sector = round(angle_deg / SECTOR_DEG) % 8
    start = (sector * SECTOR_DEG - SECTOR_DEG / 2.0) % 360.0
    end = sector * SECTOR_DEG + SECTOR_DEG / 2.0
    return Patch(side_span(picture, depth_mm), (start, end))


def side_span(picture: ScrewPicture, depth_mm: float) -> tuple[float, float]:
    """Return the depths of the side a place lies on: from the head end to the defect, or on to the tip."""
    plane, length = picture.corrected.plane, picture.frame.length_mm
    if plane is None:
        return 0.0, round(length, 1)
    middle = plane_in_cut(picture.frame, plane, 0.0)[0]
    return (0.0, round(middle, 1)) if depth_mm < middle else (round(middle, 1), round(length, 1))


def counted_middle_mm(halo: HaloMap, side: Side) -> float:
    """Return the middle depth of the cells of a side; NaN where there are none."""
    rows = np.flatnonzero((halo.side == side).any(axis=1))
    return float(halo.depth_mm[rows].mean()) if rows.size else math.nan
