"""Where things lie on the sheet of a screw.

The cut along the screw, the unrolled map beside it on the same depths, and the cut across with the gap
map under it. Sheet coordinates are millimetres, (down, right), as the viewer wants them: down is depth
along the screw.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

REACH_MM = 12.0  # of the cuts from the axis: any halo and the bone behind it
MARGIN_MM = 6.0  # of the cut along, before the head end and beyond the tip
STEP_MM = 0.25  # of the cuts
MAP_LEFT_MM = 19.0
MAP_WIDTH_MM = 36.0
SCALE_LEFT_MM, SCALE_WIDTH_MM = 57.5, 1.4
ACROSS_RIGHT_MM = 79.5  # middle of the cut across
GAP_DOWN_MM = 17.0  # from the middle of the cut across to the top of the gap map
_SCALE_DOWN_MM = 14.0
_TOP_MM = REACH_MM - MARGIN_MM  # middle of the cut across: its top is level with that of the cut along


Place = tuple[float, float]


class Pane(enum.Enum):
    """Part of the sheet."""

    ALONG = "along"
    MAP = "map"
    ACROSS = "across"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the sheet: its pane, and what it means there.

    `depth_mm` and `angle_deg` are NaN where the pane does not tell them.
    """

    pane: Pane
    depth_mm: float = float("nan")
    angle_deg: float = float("nan")


@dataclass(frozen=True, slots=True)
class Sheet:
    """The sheet of a screw of some length, mm."""

    length_mm: float

    @property
    def across_down_mm(self) -> float:
        """Middle of the cut across, down."""
        return _TOP_MM

    @property
    def gap_down_mm(self) -> float:
        """Middle of the gap map, down."""
        return _TOP_MM + GAP_DOWN_MM + 9.0

    @property
    def scale_down_mm(self) -> float:
        """Height of the scale of widths: no more than the map's, under which words stand."""
        return min(_SCALE_DOWN_MM, self.length_mm)

    def along(self, depth_mm: float, right_mm: float) -> Place:
        """Return where a place of the cut along lies."""
        return depth_mm, right_mm

    def unrolled(self, depth_mm: float, angle_deg: float) -> Place:
        """Return where a place of the map lies; angles run from -7.5 to 352.5 degrees, cell by cell."""
        return depth_mm, MAP_LEFT_MM + ((angle_deg + 7.5) % 360.0) / 360.0 * MAP_WIDTH_MM

    def across(self, right_mm: float, up_mm: float) -> Place:
        """Return where a place of the cut across lies."""
        return self.across_down_mm - up_mm, ACROSS_RIGHT_MM + right_mm

    def spot(self, down_mm: float, right_mm: float) -> Spot:
        """Return what a place of the sheet means."""
        in_depth = -MARGIN_MM <= down_mm <= self.length_mm + MARGIN_MM
        if in_depth and abs(right_mm) <= REACH_MM:
            return Spot(Pane.ALONG, depth_mm=down_mm)
        if 0.0 <= down_mm <= self.length_mm and 0.0 <= right_mm - MAP_LEFT_MM <= MAP_WIDTH_MM:
            angle = ((right_mm - MAP_LEFT_MM) / MAP_WIDTH_MM * 360.0 - 7.5) % 360.0
            return Spot(Pane.MAP, depth_mm=down_mm, angle_deg=angle)
        across, up = right_mm - ACROSS_RIGHT_MM, self.across_down_mm - down_mm
        if max(abs(across), abs(up)) <= REACH_MM:
            # seen from the head: angle 0 up, angle 90 right
            angle = math.degrees(math.atan2(across, up)) % 360.0
            return Spot(Pane.ACROSS, angle_deg=angle)
        return Spot(Pane.NONE)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Top, bottom, left and right of all that is shown, words included."""
        bottom = max(self.length_mm + MARGIN_MM + 5.0, self.gap_down_mm + 12.0)
        return -MARGIN_MM - 5.5, bottom, -REACH_MM - 9.0, ACROSS_RIGHT_MM + REACH_MM + 3.5
