"""The sheet of a screw in the viewer: its cursor, its cuts, and the points that are dragged.

Works on any viewer model, with a window or without.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from napari.layers import Image, Layer, Points, Vectors
from numpy.typing import NDArray

from ongrowth.frame import Patch
from ongrowth.reading import patient_letters, plane_across, plane_along
from ongrowth.reports.figures import BONE_WINDOW_HU
from ongrowth_napari.paint import (
    FINE,
    OVER,
    UNDER,
    WIDTH_SCALE_MM,
    blank_map,
    paint_gap,
    paint_map,
    paint_scale,
)
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
    Pane,
)

STEP_MM = 0.25
_GRASP_MM = 1.5  # how near to a point a press must be to take hold of it
_EDGE_MM = 0.16
_UNITS = ("mm", "mm")
_AXES = ("down", "right")
_HANDLE_COLOUR = (1.0, 0.45, 0.2, 1.0)
_HANDLE_WORDS = {"head_mm": "head end", "tip_mm": "tip", "plane_low": "", "plane_high": "defect"}

Place = tuple[float, float]


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
        """Move the cursor; NaN leaves that part of it where it is."""
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
        if self._layers["gap"] is not None:
            self._layers["gap"].visible = picture.is_shown
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
        map_at = (first, MAP_LEFT_MM + turn_mm / 2.0)
        scale_step = 14.0 / 64
        out: dict[str, Any] = {
            "along": _cut_layer("CT along the screw", self._along(), (-MARGIN_MM, -REACH_MM)),
            "across": _cut_layer(
                "CT across the screw",
                self._across(),
                (sheet.across_down_mm - REACH_MM, ACROSS_RIGHT_MM - REACH_MM),
            ),
            "earlier_along": None,
            "earlier_across": None,
            "map": _picture_layer("unrolled halo", self._map(), (cell_mm, turn_mm), map_at),
            "scale": _picture_layer(
                "scale of widths", paint_scale(), (scale_step, 1.6), (scale_step / 2.0, SCALE_LEFT_MM + 0.8)
            ),
            "gap": self._gap_layer(),
        }
        lines, colours = draw_lines(picture, self.depth_mm, self.angle_deg).arrays()
        out["lines"] = _stroke_layer("thread, halo edge, ticks", lines, colours)
        lines, colours = self._cursor_lines().arrays()
        out["cursor"] = _stroke_layer("cursor", lines, colours)
        out["words"] = _word_layer("letters and numbers", self._words())
        out["handles"] = _handle_layer(self.handles())
        return out

    def _gap_layer(self) -> Any:
        bridge, sheet = self.picture.implant.bridge, self.picture.sheet
        if bridge is None:
            return None
        steps = [abs(float(np.diff(axis[:2])[0])) / FINE for axis in (bridge.map.v_mm, bridge.map.u_mm)]
        painted = paint_gap(bridge.map)
        size = np.array(painted.shape[:2]) * steps
        corner = (sheet.gap_down_mm - size[0] / 2.0, ACROSS_RIGHT_MM - size[1] / 2.0)
        layer = _picture_layer("gap map", painted, (steps[0], steps[1]), corner)
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
                layer = _cut_layer(f"other {under.name}", data, tuple(under.translate))
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
        _set_data(layers["across"], across)
        if turned:
            _set_data(layers["along"], along)
        if picture.earlier is not None:
            self._show_earlier()
        for name, lines in (
            ("lines", draw_lines(picture, self.depth_mm, self.angle_deg)),
            ("cursor", self._cursor_lines()),
        ):
            _set_strokes(layers[name], lines)
        _set_words(layers["words"], self._words())
        _set_handles(layers["handles"], self.handles())

    def _cursor_lines(self) -> Lines:
        lines = draw_cursor(self.picture, self.depth_mm, self.angle_deg)
        if self._caliper is not None:
            lines.add(*self._caliper, EDGE)
        if self.box is not None:
            sheet, (top, bottom), (left, right) = self.picture.sheet, self.box.depth_mm, self.box.angle_deg
            corners = [(top, left), (top, right), (bottom, right), (bottom, left), (top, left)]
            lines.add_course([sheet.unrolled(*corner) for corner in corners], CURSOR)
        return lines

    def _gap_words(self) -> str:
        bridge = self.picture.implant.bridge
        if bridge is None or not self.picture.is_shown:
            return ""
        widest = max(float(np.nan_to_num(bridge.map.gap_width_mm).max()), 1.0)
        return f"gap, 0 to {widest:.1f} mm"

    def _words(self) -> list[tuple[str, Place]]:
        """Return all words on the sheet; their number is the same for every cursor."""
        sheet, frame, length = self.picture.sheet, self.picture.frame, self.picture.frame.length_mm
        right, axis = direction_at(frame, self.angle_deg), frame.axis_direction
        far = REACH_MM - 1.3
        words: list[tuple[str, Place]] = [
            (patient_letters(-right), sheet.along(-MARGIN_MM + 1.6, -far)),
            (patient_letters(right), sheet.along(-MARGIN_MM + 1.6, far)),
            (patient_letters(-axis), (-MARGIN_MM + 1.6, 0.0)),
            (patient_letters(axis), (length + MARGIN_MM - 1.4, 0.0)),
            (patient_letters(frame.zero_direction), sheet.across(0.0, far)),
            (patient_letters(-frame.zero_direction), sheet.across(0.0, -far)),
            (patient_letters(frame.quarter_direction), sheet.across(far, 0.0)),
            (patient_letters(-frame.quarter_direction), sheet.across(-far, 0.0)),
            ("5 mm", sheet.across(-REACH_MM + 7.6, -REACH_MM - 1.2)),
            ("along the screw", (-MARGIN_MM - 2.0, 0.0)),
            ("unrolled: round the screw", (-MARGIN_MM - 2.0, MAP_LEFT_MM + MAP_WIDTH_MM / 2.0)),
            (f"across at {self.depth_mm:.1f} mm", (-MARGIN_MM - 2.0, ACROSS_RIGHT_MM)),
        ]
        words += [(f"{at:.0f}", (at, MAP_LEFT_MM - 3.2)) for at in np.arange(0.0, length + 0.1, 10.0)]
        for angle in (0.0, 90.0, 180.0, 270.0):
            where = sheet.unrolled(-2.2, angle)
            words.append((frame.words_at(angle), where))
        for value, share in ((WIDTH_SCALE_MM[1], 0.0), (1.0, 0.5), (WIDTH_SCALE_MM[0], 1.0)):
            words.append((f"{value:.0f} mm", (14.0 * share, SCALE_LEFT_MM + 4.6)))
        if self.picture.implant.bridge is not None:
            words.append((self._gap_words(), (sheet.gap_down_mm - 9.6, ACROSS_RIGHT_MM)))
        return words


def _place(position: Any) -> Place:
    return float(position[-2]), float(position[-1])


def _modifiers(event: Any) -> frozenset[str]:
    return frozenset(str(getattr(key, "name", key)) for key in event.modifiers)


def _cut_layer(name: str, data: NDArray[np.float32], at: Any) -> Image:
    return Image(
        data,
        name=name,
        scale=(STEP_MM, STEP_MM),
        translate=tuple(at),
        units=_UNITS,
        axis_labels=_AXES,
        contrast_limits=BONE_WINDOW_HU,
        colormap="gray",
        interpolation2d="linear",
    )


def _picture_layer(name: str, data: NDArray[np.float32], step: Place, at: Place) -> Image:
    return Image(
        data,
        name=name,
        rgb=True,
        contrast_limits=(0.0, 1.0),  # else the viewer would stretch the colours
        scale=step,
        translate=at,
        units=_UNITS,
        axis_labels=_AXES,
    )


def _stroke_layer(name: str, strokes: NDArray[np.float64], colours: NDArray[np.float64]) -> Vectors:
    return Vectors(
        strokes,
        name=name,
        edge_color=colours,
        edge_width=_EDGE_MM,
        vector_style="line",
        units=_UNITS,
        axis_labels=_AXES,
    )


def _word_layer(name: str, words: list[tuple[str, Place]]) -> Points:
    layer = Points(
        np.array([place for _, place in words]),
        name=name,
        size=0.1,
        face_color="transparent",
        border_color="transparent",
        features={"word": [word for word, _ in words]},
        text={"string": "{word}", "color": "white", "size": 10, "anchor": "center"},
        units=_UNITS,
        axis_labels=_AXES,
    )
    layer.editable = False
    return layer


def _set_data(layer: Any, data: NDArray[Any]) -> None:
    """Exchange what a layer shows; in place where the size is the same, which is far quicker."""
    if layer.data.shape != data.shape:
        layer.data = data
    elif not np.array_equal(layer.data, data):
        layer.data[...] = data
        layer.refresh(thumbnail=False, extent=False, highlight=False)


def _set_strokes(layer: Vectors, lines: Lines) -> None:
    strokes, colours = lines.arrays()
    is_new = layer.data.shape != strokes.shape
    _set_data(layer, strokes)
    if is_new:
        layer.edge_color = colours


def _set_words(layer: Points, words: list[tuple[str, Place]]) -> None:
    """Exchange the words of a layer whose places stay."""
    told = [word for word, _ in words]
    if list(layer.features["word"]) != told:
        layer.features = {"word": told}
        layer.refresh_text()


def _set_handles(layer: Points, handles: dict[str, Place]) -> None:
    """Move the points to drag; they are made anew where there are more or fewer than before."""
    is_new = len(layer.data) != len(handles)
    _set_data(layer, np.array(list(handles.values())))
    if is_new:
        layer.border_color = np.tile(_HANDLE_COLOUR, (len(handles), 1))
        _set_words(layer, [(_HANDLE_WORDS[name], place) for name, place in handles.items()])


def _handle_layer(handles: dict[str, Place]) -> Points:
    layer = Points(
        np.array(list(handles.values())),
        name="points to drag",
        size=1.3,
        face_color="transparent",
        border_color=np.tile(_HANDLE_COLOUR, (len(handles), 1)),
        border_width=0.25,
        features={"word": [_HANDLE_WORDS[name] for name in handles]},
        text={
            "string": "{word}",
            "color": _HANDLE_COLOUR,
            "size": 9,
            "anchor": "upper_left",
            "translation": np.array([0.4, 1.0]),
        },
        units=_UNITS,
        axis_labels=_AXES,
    )
    layer.editable = False
    return layer


__all__ = ["Corrected", "Navigator"]
