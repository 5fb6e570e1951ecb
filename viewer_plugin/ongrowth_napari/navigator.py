"""The sheet of a screw in the viewer: its cursor, its cuts, and the points that are dragged.

Works on any viewer model, with a window or without.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from napari.layers import Layer
from numpy.typing import NDArray

from ongrowth.frame import Patch
from ongrowth.reading import plane_across, plane_along
from ongrowth_napari.layers import (
    cut_layer,
    handle_layer,
    picture_layer,
    set_data,
    set_handles,
    set_strokes,
    set_words,
    stroke_layer,
    word_layer,
)
from ongrowth_napari.lettering import Word, point_names, sheet_words
from ongrowth_napari.paint import FINE, OVER, UNDER, blank_map, paint_gap, paint_map, paint_scale
from ongrowth_napari.picture import (
    CURSOR,
    EDGE,
    Corrected,
    Lines,
    ScrewPicture,
    direction_at,
    draw_cursor,
    draw_lines,
    plane_from_cut,
    plane_handles,
    plane_in_cut,
)
from ongrowth_napari.sheet import (
    ACROSS_RIGHT_MM,
    MAP_LEFT_MM,
    MAP_WIDTH_MM,
    MARGIN_MM,
    REACH_MM,
    SCALE_LEFT_MM,
    SCALE_WIDTH_MM,
    STEP_MM,
    Pane,
    Place,
)

_GRASP_MM = 1.5  # how near to a point a press must be to take hold of it


@dataclass(slots=True)
class _Drag:
    """What is being dragged: a handle, the cursor, a caliper or a box on the map."""

    kind: str
    start: Place
    pane: Pane


class Navigator:
    """Cursor, cuts and points of one screw.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
        The viewer, or its model alone.
    picture : ScrewPicture
        What is shown.
    on_cursor : callable
        Told when the cursor has moved.
    on_corrected : callable
        Told the part ("head_mm", "tip_mm", "defect") and its new value when a point was let go.
    """

    def __init__(
        self,
        viewer: Any,
        picture: ScrewPicture,
        on_cursor: Callable[[], None],
        on_corrected: Callable[[str, list[float]], None],
    ) -> None:
        self.viewer, self.picture = viewer, picture
        self.depth_mm, self.angle_deg = picture.frame.length_mm / 2.0, 0.0
        self.box: Patch | None = None
        self.caliper_mm = math.nan
        self._on_cursor, self._on_corrected = on_cursor, on_corrected
        self._drag: _Drag | None = None
        self._caliper: tuple[Place, Place] | None = None
        self._layers = self._make_layers()

    @property
    def layers(self) -> list[Layer]:
        """The layers of the sheet, the lowest first."""
        return [layer for layer in self._layers.values() if layer is not None]

    # ---- moving ----

    def go(self, depth_mm: float = math.nan, angle_deg: float = math.nan) -> None:
        """Move the cursor; NaN leaves that part of it where it is. A caliper is gone then."""
        self._caliper, self.caliper_mm = None, math.nan
        if math.isfinite(depth_mm):
            margin, length = MARGIN_MM, self.picture.frame.length_mm
            self.depth_mm = min(max(depth_mm, -margin), length + margin)
        turned = math.isfinite(angle_deg) and angle_deg % 360.0 != self.angle_deg
        if math.isfinite(angle_deg):
            self.angle_deg = angle_deg % 360.0
        self._show_cursor(turned=turned)
        self._on_cursor()

    def show(self, picture: ScrewPicture) -> None:
        """Show another state of the same screw (corrected, locked, laid over) at the same cursor."""
        self.picture = picture
        self._layers["map"].data = self._map()
        for name in ("gap", "scale"):
            if self._layers[name] is not None:
                self._layers[name].visible = picture.is_shown
        self._show_earlier()
        self._show_cursor(turned=True)

    def set_window(self, limits_hu: tuple[float, float]) -> None:
        """Show the cuts between two CT numbers."""
        for name in ("along", "across"):
            self._layers[name].contrast_limits = limits_hu

    # ---- the mouse ----

    def on_mouse(self, _: Any, event: Any) -> Iterator[None]:
        """Follow a drag with the left button; the viewer calls this as a generator."""
        if event.button not in (None, 1):
            return
        self.press(_place(event.position), _modifiers(event))
        yield
        while event.type == "mouse_move":
            self.drag(_place(event.position), _modifiers(event))
            yield
        self.release()

    def press(self, place: Place, modifiers: frozenset[str] = frozenset()) -> None:
        """Take hold of what is at a place: a point, or the cursor; with Shift a caliper or a box."""
        spot = self.picture.sheet.spot(*place)
        handle = self._handle_at(place)
        self._caliper, self.caliper_mm = None, math.nan
        if handle and "Shift" not in modifiers:
            self._drag = _Drag(handle, place, spot.pane)
        elif "Shift" in modifiers and spot.pane is not Pane.NONE:
            self._drag = _Drag("box" if spot.pane is Pane.MAP else "caliper", place, spot.pane)
        elif spot.pane is not Pane.NONE:
            self.box = None
            self._drag = _Drag("cursor", place, spot.pane)
            self.drag(place, modifiers)
        else:
            self._drag = None

    def drag(self, place: Place, modifiers: frozenset[str] = frozenset()) -> None:
        """Go on to a place with what is held."""
        held = self._drag
        if held is None:
            return
        if held.kind == "cursor":
            spot = self.picture.sheet.spot(*place)
            if spot.pane is held.pane:
                self.go(spot.depth_mm, spot.angle_deg)
        elif held.kind == "caliper":
            self._caliper = (held.start, place)
            self.caliper_mm = math.dist(held.start, place)
            self._show_cursor(turned=False)
            self._on_cursor()
        elif held.kind == "box":
            self._stretch_box(held.start, place)
        else:
            self._move_handle(held.kind, place, is_free="Control" in modifiers)

    def release(self) -> None:
        """Let go; a point that was dragged is told as a correction."""
        held, self._drag = self._drag, None
        if held is None or held.kind in ("cursor", "caliper", "box"):
            return
        now = self.picture.corrected
        if held.kind == "head_mm":
            self._on_corrected("head_mm", [float(v) for v in now.head_mm])
        elif held.kind == "tip_mm":
            self._on_corrected("tip_mm", [float(v) for v in now.tip_mm])
        elif now.plane is not None:
            numbers = np.r_[now.plane.point_mm, now.plane.normal]
            self._on_corrected("defect", [float(v) for v in numbers])

    def _stretch_box(self, start: Place, end: Place) -> None:
        one, two = (self.picture.sheet.spot(*place) for place in (start, end))
        if one.pane is not Pane.MAP or two.pane is not Pane.MAP:
            return
        low, high = sorted((one.depth_mm, two.depth_mm))
        angles = (one.angle_deg, two.angle_deg) if start[1] <= end[1] else (two.angle_deg, one.angle_deg)
        if high - low > 0.2:
            self.box = Patch((round(low, 1), round(high, 1)), (round(angles[0], 1), round(angles[1], 1)))
            self._show_cursor(turned=False)

    # ---- the points ----

    def handles(self) -> dict[str, Place]:
        """Return where the points to drag lie on the sheet."""
        now, sheet = self.picture.corrected, self.picture.sheet
        out: dict[str, Place] = {}
        for name, point in (("head_mm", now.head_mm), ("tip_mm", now.tip_mm)):
            depth, right, _ = self._in_cut(point)
            out[name] = sheet.along(depth, right)
        held = plane_handles(self.picture, self.angle_deg) if self.picture.is_shown else None
        if held is not None:
            out["plane_low"], out["plane_high"] = held
        return out

    def _in_cut(self, point_mm: NDArray[np.float64]) -> tuple[float, float, float]:
        """Return depth, distance within the cut along, and distance out of it."""
        frame = self.picture.frame
        away = point_mm - frame.origin_mm
        right = direction_at(frame, self.angle_deg)
        out = direction_at(frame, self.angle_deg + 90.0)
        return float(away @ frame.axis_direction), float(away @ right), float(away @ out)

    def _handle_at(self, place: Place) -> str:
        near = [(math.dist(place, at), name) for name, at in self.handles().items()]
        distance, name = min(near, default=(math.inf, ""))
        return name if distance <= _GRASP_MM else ""

    def _move_handle(self, name: str, place: Place, *, is_free: bool) -> None:
        """Move a point; ends slide along the axis, unless they are moved freely."""
        frame, now = self.picture.frame, self.picture.corrected
        depth, right = place
        if name in ("head_mm", "tip_mm"):
            at = now.head_mm if name == "head_mm" else now.tip_mm
            was_depth, was_right, _ = self._in_cut(at)
            moved = at + (depth - was_depth) * frame.axis_direction
            if is_free:
                moved = moved + (right - was_right) * direction_at(frame, self.angle_deg)
            now = replace(now, head_mm=moved) if name == "head_mm" else replace(now, tip_mm=moved)
        elif now.plane is not None:
            now = replace(now, plane=self._turned_plane(name, depth))
        self.picture = replace(self.picture, corrected=now)
        self._show_cursor(turned=False)

    def _turned_plane(self, name: str, depth: float) -> Any:
        """Return the plane through both points of the cut; out of the cut it keeps its slope."""
        held = plane_handles(self.picture, self.angle_deg)
        plane = self.picture.corrected.plane
        assert held is not None
        assert plane is not None
        (low, left), (high, right) = held
        low, high = (depth, high) if name == "plane_low" else (low, depth)
        across = plane_in_cut(self.picture.frame, plane, self.angle_deg)[2]
        slope = (high - low) / (right - left)
        return plane_from_cut(self.picture.frame, self.angle_deg, (low + high) / 2.0, slope, across)

    # ---- drawing ----

    def _make_layers(self) -> dict[str, Any]:
        sheet, picture = self.picture.sheet, self.picture
        cell_mm = float(np.diff(picture.map.depth_mm[:2])[0]) / FINE
        turn_mm = MAP_WIDTH_MM / (picture.map.angle_deg.size * FINE)
        first = float(picture.map.depth_mm[0]) - cell_mm * (FINE - 1) / 2.0
        across_at = (sheet.across_down_mm - REACH_MM, ACROSS_RIGHT_MM - REACH_MM)
        scale = paint_scale()
        scale_step = sheet.scale_down_mm / len(scale)
        scale_at = (scale_step / 2.0, SCALE_LEFT_MM + SCALE_WIDTH_MM / 2.0)
        out: dict[str, Any] = {
            "along": cut_layer("CT along the screw", self._along(), (-MARGIN_MM, -REACH_MM)),
            "across": cut_layer("CT across the screw", self._across(), across_at),
            "earlier_along": None,
            "earlier_across": None,
            "map": picture_layer(
                "unrolled halo", self._map(), (cell_mm, turn_mm), (first, MAP_LEFT_MM + turn_mm / 2.0)
            ),
            "scale": picture_layer("scale of widths", scale, (scale_step, SCALE_WIDTH_MM), scale_at),
            "gap": self._gap_layer(),
            "lines": stroke_layer(
                "thread, halo edge, ticks", draw_lines(picture, self.depth_mm, self.angle_deg)
            ),
            "cursor": stroke_layer("cursor", self._cursor_lines()),
            "words": word_layer("letters and numbers", self._words()),
            "names": word_layer("names of the points", point_names(self.handles())),
            "handles": handle_layer("points to drag", list(self.handles().values())),
        }
        out["scale"].visible = picture.is_shown
        return out

    def _words(self) -> list[Word]:
        return sheet_words(self.picture, self.depth_mm, self.angle_deg)

    def _gap_layer(self) -> Any:
        bridge, sheet = self.picture.implant.bridge, self.picture.sheet
        if bridge is None:
            return None
        steps = [abs(float(np.diff(axis[:2])[0])) / FINE for axis in (bridge.map.v_mm, bridge.map.u_mm)]
        painted = paint_gap(bridge.map)
        size = np.array(painted.shape[:2]) * steps
        corner = (sheet.gap_down_mm - size[0] / 2.0, ACROSS_RIGHT_MM - size[1] / 2.0)
        layer = picture_layer("gap map", painted, (steps[0], steps[1]), corner)
        layer.visible = self.picture.is_shown
        return layer

    def _show_earlier(self) -> None:
        """Add, exchange or hide the earlier CT laid over the cuts."""
        earlier = self.picture.earlier
        for name in ("along", "across"):
            self._layers[name].colormap = "gray" if earlier is None else UNDER
        if earlier is None:
            for name in ("earlier_along", "earlier_across"):
                if self._layers[name] is not None:
                    self._layers[name].visible = False
            return
        along, across = self._cuts(*earlier)
        for name, data, base in (
            ("earlier_along", along, "along"),
            ("earlier_across", across, "across"),
        ):
            layer = self._layers[name]
            if layer is None:
                under = self._layers[base]
                layer = cut_layer(f"other {under.name}", data, tuple(under.translate))
                layer.colormap, layer.blending = OVER, "additive"
                layer.contrast_limits = under.contrast_limits
                self._layers[name] = layer
                if under in self.viewer.layers:
                    self.viewer.layers.insert(self.viewer.layers.index(under) + 1, layer)
            layer.data, layer.visible = data, True

    def _cuts(self, part: Any, frame: Any) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        depth = np.arange(-MARGIN_MM, self.picture.frame.length_mm + MARGIN_MM + STEP_MM / 2.0, STEP_MM)
        reach = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2.0, STEP_MM)
        along = plane_along(part, frame, self.angle_deg, depth, reach)
        return along, plane_across(part, frame, self.depth_mm, reach)

    def _along(self) -> NDArray[np.float32]:
        return self._cuts(self.picture.part, self.picture.frame)[0]

    def _across(self) -> NDArray[np.float32]:
        return self._cuts(self.picture.part, self.picture.frame)[1]

    def _map(self) -> NDArray[np.float32]:
        now = self.picture
        return paint_map(now.map, now.corrected.patches) if now.is_shown else blank_map(now.map)

    def _show_cursor(self, *, turned: bool) -> None:
        layers, picture = self._layers, self.picture
        along, across = self._cuts(picture.part, picture.frame)
        set_data(layers["across"], across)
        if turned:
            set_data(layers["along"], along)
        if picture.earlier is not None:
            self._show_earlier()
        for name, lines in (
            ("lines", draw_lines(picture, self.depth_mm, self.angle_deg)),
            ("cursor", self._cursor_lines()),
        ):
            set_strokes(layers[name], lines)
        handles = self.handles()
        set_words(layers["words"], self._words())
        set_words(layers["names"], point_names(handles))
        set_handles(layers["handles"], list(handles.values()))

    def _cursor_lines(self) -> Lines:
        lines = draw_cursor(self.picture, self.depth_mm, self.angle_deg)
        if self._caliper is not None:
            lines.add(*self._caliper, EDGE)
        if self.box is not None:
            sheet, (top, bottom), (left, right) = self.picture.sheet, self.box.depth_mm, self.box.angle_deg
            corners = [(top, left), (top, right), (bottom, right), (bottom, left), (top, left)]
            lines.add_course([sheet.unrolled(*corner) for corner in corners], CURSOR)
        return lines


def _place(position: Any) -> Place:
    return float(position[-2]), float(position[-1])


def _modifiers(event: Any) -> frozenset[str]:
    return frozenset(str(getattr(key, "name", key)) for key in event.modifiers)


__all__ = ["Corrected", "Navigator"]
