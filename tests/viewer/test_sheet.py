"""The sheet: places and what they mean, the cursor, the cuts and the points that are dragged. No display."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import build_reading as build
import numpy as np
import pytest
from napari.components import ViewerModel

from ongrowth.defect import Side
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import plane_across, plane_along, surroundings
from ongrowth.scan import Scan
from ongrowth_napari.lettering import EM_MM, Word, point_names, sheet_words, width_mm
from ongrowth_napari.navigator import Navigator
from ongrowth_napari.paint import FINE, blank_map, cividis, paint_map
from ongrowth_napari.picture import (
    Corrected,
    ScrewPicture,
    draw_cursor,
    draw_lines,
    plane_from_cut,
    plane_in_cut,
    sector_patch,
)
from ongrowth_napari.sheet import MARGIN_MM, REACH_MM, STEP_MM, Pane, Sheet
from ongrowth_napari.table import place_words, rows_of


@pytest.fixture
def picture(scan: Scan) -> ScrewPicture:
    head = build.make_side(0.7, sectors_mm=(0.7, 0.6, 0.5, 0.6, 0.9, 1.4, 1.0, 0.8))
    implant = build.make_implant(head, build.make_side(1.1), bridge=build.make_bridge(0.3))
    assert implant.defect is not None
    corrected = Corrected(implant.frame.origin_mm, implant.frame.tip_mm, implant.defect.plane)
    return ScrewPicture(surroundings(scan, implant.frame, 16.0), implant, corrected)


class Told:
    """A navigator over a viewer model, and what it told."""

    def __init__(self, picture: ScrewPicture) -> None:
        self.viewer = ViewerModel()
        self.moves = 0
        self.corrected: list[tuple[str, list[float]]] = []
        self.navigator = Navigator(
            self.viewer, picture, self._moved, lambda what, to: self.corrected.append((what, to))
        )
        for layer in self.navigator.layers:
            self.viewer.layers.append(layer)

    def _moved(self) -> None:
        self.moves += 1

    def layer(self, name: str) -> Any:
        return self.viewer.layers[name]


@pytest.fixture
def told(picture: ScrewPicture) -> Told:
    return Told(picture)


# ---- places ----


def test_a_place_means_what_was_put_there() -> None:
    sheet = Sheet(42.0)
    for depth, angle in ((0.5, 0.0), (20.0, 350.0), (41.0, 123.0)):
        spot = sheet.spot(*sheet.unrolled(depth, angle))
        assert (spot.pane, spot.depth_mm) == (Pane.MAP, depth)
        assert spot.angle_deg == pytest.approx(angle)
    assert sheet.spot(*sheet.along(12.0, -3.0)).depth_mm == 12.0
    for right, up, angle in ((0.0, 5.0, 0.0), (5.0, 0.0, 90.0), (0.0, -5.0, 180.0), (-5.0, 0.0, 270.0)):
        spot = sheet.spot(*sheet.across(right, up))
        assert (spot.pane, spot.angle_deg) == (Pane.ACROSS, pytest.approx(angle))
    assert sheet.spot(200.0, 0.0).pane is Pane.NONE


def test_the_panes_do_not_overlap() -> None:
    sheet = Sheet(42.0)
    top, bottom, left, right = sheet.box_mm
    panes = [
        [sheet.spot(down, at).pane for at in np.arange(left, right, 0.5)]
        for down in np.arange(top, bottom, 0.5)
    ]
    flat = [pane for row in panes for pane in row]
    assert {flat.count(pane) > 100 for pane in Pane} == {True}
    assert all(row[0] is Pane.NONE and row[-1] is Pane.NONE for row in panes)


def test_the_scale_of_widths_ends_above_the_words_under_the_map() -> None:
    assert [Sheet(length_mm).scale_down_mm for length_mm in (9.0, 40.0)] == [9.0, 14.0]


def test_a_plane_and_its_trace_in_a_cut_are_the_same_thing(picture: ScrewPicture) -> None:
    tilt = np.array([0.2, -0.1, 0.3])
    plane = Plane(picture.frame.world(0.0, 0.0, 15.0), picture.frame.axis_direction + tilt)
    for angle in (0.0, 33.0, 270.0):
        again = plane_from_cut(picture.frame, angle, *plane_in_cut(picture.frame, plane, angle))
        np.testing.assert_allclose(again.normal, plane.normal, atol=1e-12)
        np.testing.assert_allclose(again.height_mm(plane.point_mm), 0.0, atol=1e-12)
        middle, slope, _ = plane_in_cut(picture.frame, plane, angle)
        on_it = picture.frame.world(7.0, angle, middle + 7.0 * slope)
        assert plane.height_mm(on_it) == pytest.approx(0.0, abs=1e-9)


def test_the_sector_at_the_cursor_runs_over_its_side(picture: ScrewPicture) -> None:
    head, tip = sector_patch(picture, 5.0, 350.0), sector_patch(picture, 30.0, 100.0)
    assert head.angle_deg == (337.5, 22.5)
    assert head.depth_mm == pytest.approx((0.0, build.DEFECT_DEPTH_MM), abs=0.1)
    assert tip.angle_deg == (67.5, 112.5)
    assert tip.depth_mm == pytest.approx((build.DEFECT_DEPTH_MM, picture.frame.length_mm), abs=0.1)
    whole = replace(picture, corrected=replace(picture.corrected, plane=None))
    assert sector_patch(whole, 5.0, 0.0).depth_mm == (0.0, pytest.approx(picture.frame.length_mm, abs=0.1))


# ---- pictures ----


def test_the_map_is_painted_in_even_steps_of_lightness(picture: ScrewPicture) -> None:
    """Luminance weights of sRGB (IEC 61966-2-1), as used for the same claim about the page's pictures."""
    colours = cividis(np.linspace(0.0, 2.0, 20), (0.0, 2.0))
    assert (np.diff(colours @ [0.2126, 0.7152, 0.0722]) > 0.0).all()
    painted = paint_map(picture.map)
    assert painted.shape == (picture.map.depth_mm.size * FINE, picture.map.angle_deg.size * FINE, 4)
    gap = np.argwhere(picture.map.side == Side.GAP)[0] * FINE
    np.testing.assert_allclose(painted[gap[0], gap[1], :3], 0.27, atol=1e-6)


def test_what_is_not_measured_is_hatched_and_a_blank_map_tells_nothing(picture: ScrewPicture) -> None:
    streak = np.argwhere((picture.map.cautions & int(Caution.STREAK)) != 0)[0] * FINE
    cell = paint_map(picture.map)[streak[0] : streak[0] + FINE, streak[1] : streak[1] + FINE, :3]
    assert len(np.unique(cell.reshape(-1, 3), axis=0)) == 2
    blank = blank_map(picture.map)
    assert len(np.unique(blank.reshape(-1, 4), axis=0)) == 1
    patched = paint_map(picture.map, (sector_patch(picture, 5.0, 90.0),))
    assert (patched != paint_map(picture.map)).any()


def test_lines_are_as_many_for_every_cursor(picture: ScrewPicture) -> None:
    counts = {
        (len(draw_lines(picture, d, a).strokes), len(draw_cursor(picture, d, a).strokes))
        for d in (-5.0, 3.3, 16.0, 41.0, 47.0)
        for a in (0.0, 77.0, 200.0)
    }
    assert len(counts) == 1
    blind = replace(picture, is_shown=False)
    assert len(draw_lines(blind, 3.0, 0.0).strokes) < next(iter(counts))[0]


# ---- the navigator ----


def test_every_layer_is_in_millimetres(told: Told) -> None:
    assert {str(unit) for layer in told.navigator.layers for unit in layer.units} == {"millimeter"}
    assert told.viewer.dims.ndim == 2


def test_the_cursor_moves_both_cuts(told: Told, picture: ScrewPicture) -> None:
    navigator, sheet = told.navigator, picture.sheet
    navigator.press(sheet.unrolled(8.0, 120.0))
    navigator.release()
    assert (navigator.depth_mm, navigator.angle_deg) == (8.0, pytest.approx(120.0))
    assert told.moves == 1
    depth = np.arange(-MARGIN_MM, picture.frame.length_mm + MARGIN_MM + STEP_MM / 2, STEP_MM)
    reach = np.arange(-REACH_MM, REACH_MM + STEP_MM / 2, STEP_MM)
    across, along = told.layer("CT across the screw").data, told.layer("CT along the screw").data
    np.testing.assert_array_equal(across, plane_across(picture.part, picture.frame, 8.0, reach))
    np.testing.assert_array_equal(
        along, plane_along(picture.part, picture.frame, navigator.angle_deg, depth, reach)
    )
    before = along.copy()
    navigator.press(sheet.across(6.0, 0.0))  # turns the cut along to 90 degrees, the depth stays
    assert (navigator.depth_mm, navigator.angle_deg) == (8.0, 90.0)
    assert (told.layer("CT along the screw").data != before).any()
    navigator.press(sheet.along(20.0, 6.0))
    assert (navigator.depth_mm, navigator.angle_deg) == (20.0, 90.0)


def test_the_cuts_lie_where_the_sheet_says(told: Told, picture: ScrewPicture) -> None:
    """The CT number under a place of the sheet is that of the scan at the place of the patient."""
    navigator, sheet, frame = told.navigator, picture.sheet, picture.frame
    navigator.go(10.0, 30.0)
    layer = told.layer("CT along the screw")
    for depth, right in ((12.0, 5.0), (30.0, -7.0), (0.0, 0.0)):
        truth = plane_along(picture.part, frame, 30.0, [depth], [right])[0, 0]
        assert layer.get_value(sheet.along(depth, right), world=True) == pytest.approx(truth, abs=1.0)
    layer = told.layer("CT across the screw")
    for right, up in ((5.0, 0.0), (0.0, 6.0), (-4.0, -3.0)):
        angle, radius = np.degrees(np.arctan2(right, up)), np.hypot(right, up)
        truth = plane_along(picture.part, frame, float(angle), [10.0], [radius])[0, 0]
        assert layer.get_value(sheet.across(right, up), world=True) == pytest.approx(truth, abs=1.0)


def test_letters_turn_with_the_cut(told: Told, picture: ScrewPicture) -> None:
    frame = picture.frame  # runs from posterior to anterior, a little left and up

    def letters(angle: float) -> dict[str, str]:
        told.navigator.go(10.0, angle)
        words = sheet_words(picture, 10.0, angle)
        shown = list(told.layer("letters and numbers").features["word"])
        assert shown == [word.text for word in words]
        top = sorted((word.at[1], word.text) for word in words if word.at[0] == -MARGIN_MM - 1.5)
        (bottom,) = [word.text for word in words if word.at == (frame.length_mm + MARGIN_MM + 1.5, 0.0)]
        told_there = [*(text for at, text in top if abs(at) < REACH_MM), bottom]
        return dict(zip(("left", "head", "right", "tip"), told_there, strict=True))

    first, turned = letters(0.0), letters(90.0)
    assert (first["head"], first["tip"]) == ("P", "A")
    assert frame.words_at(0.0) == "cranial"
    assert (first["left"][0], first["right"][0]) == ("F", "H")
    assert {turned["left"][0], turned["right"][0]} == {"L", "R"}
    assert turned["right"].startswith({"left": "L", "right": "R"}[frame.words_at(90.0)])


@pytest.mark.parametrize("state", ["as found", "blind", "corrected", "laid over", "short"])
def test_no_word_runs_into_another_or_over_a_cut(picture: ScrewPicture, state: str) -> None:
    """Letters are as high and wide as the typeface says; a cut is what a press on it means."""
    over = (picture.part, picture.frame)
    states = {
        "blind": {"is_shown": False},
        "corrected": {"is_current": False},
        "laid over": {"earlier": over, "names": ("week-12", "week-05")},
    }
    shown = replace(picture, **states.get(state, {}))
    handles = {"head_mm": (0.0, 0.0), "plane_low": (1.0, -9.0), "tip_mm": (picture.frame.length_mm, 0.0)}
    if state == "short":
        handles["tip_mm"] = (2.0, 0.0)
    for depth, angle in ((-6.0, 0.0), (15.5, 45.0), (picture.frame.length_mm + 6.0, 300.0)):
        words = [word for word in [*sheet_words(shown, depth, angle), *point_names(handles)] if word.text]
        boxes = [_box(word) for word in words]
        top, bottom, left, right = picture.sheet.box_mm
        for n, (low, high, near, far) in enumerate(boxes):
            assert top <= low, words[n]
            assert high <= bottom, words[n]
            assert left <= near, words[n]
            assert far <= right, words[n]
            grid = [(d, r) for d in np.linspace(low, high, 5) for r in np.linspace(near, far, 9)]
            assert {picture.sheet.spot(*place).pane for place in grid} == {Pane.NONE}, words[n]
            for m, other in enumerate(boxes[:n]):
                meets = low < other[1] and other[0] < high and near < other[3] and other[2] < far
                assert not meets, (words[n], words[m])


def _box(word: Word) -> tuple[float, float, float, float]:
    """From the top of the capitals to below the line, and from left to right, mm."""
    (down, right), half = word.at, width_mm(word.text) / 2.0
    return down - EM_MM * 0.45, down + EM_MM * 0.45, right - half, right + half


def test_an_end_slides_along_the_axis_and_is_told_once_let_go(told: Told, picture: ScrewPicture) -> None:
    navigator, frame = told.navigator, picture.frame
    navigator.go(10.0, 40.0)
    navigator.press(navigator.handles()["tip_mm"])
    navigator.drag((picture.frame.length_mm - 3.0, 5.0))
    assert told.corrected == []
    navigator.drag((picture.frame.length_mm - 2.0, 4.0))
    navigator.release()
    (part, to), *more = told.corrected
    assert (part, more) == ("tip_mm", [])
    np.testing.assert_allclose(to, frame.tip_mm - 2.0 * frame.axis_direction, atol=1e-9)


def test_an_end_moves_freely_with_control(told: Told, picture: ScrewPicture) -> None:
    navigator, frame = told.navigator, picture.frame
    navigator.go(10.0, 90.0)
    navigator.press(navigator.handles()["head_mm"], frozenset({"Control"}))
    navigator.drag((1.0, 0.5), frozenset({"Control"}))
    navigator.release()
    np.testing.assert_allclose(told.corrected[0][1], frame.world(0.5, 90.0, 1.0), atol=1e-9)


def test_two_points_tilt_the_plane_within_the_cut_only(told: Told, picture: ScrewPicture) -> None:
    navigator, frame = told.navigator, picture.frame
    navigator.go(10.0, 0.0)
    low, high = navigator.handles()["plane_low"], navigator.handles()["plane_high"]
    navigator.press(high)
    navigator.drag((high[0] + 3.0, high[1]))
    navigator.release()
    part, to = told.corrected[0]
    plane = Plane(np.array(to[:3]), np.array(to[3:]))
    assert part == "defect"
    before = plane_in_cut(frame, picture.corrected.plane, 0.0)
    middle, slope, across = plane_in_cut(frame, plane, 0.0)
    assert middle == pytest.approx(before[0] + 1.5)
    assert middle - 9.0 * slope == pytest.approx(low[0])
    assert across == pytest.approx(before[2])


def test_shift_draws_a_caliper_on_a_cut_and_a_box_on_the_map(told: Told, picture: ScrewPicture) -> None:
    navigator, sheet, shift = told.navigator, picture.sheet, frozenset({"Shift"})
    navigator.press(sheet.across(2.0, 0.0), shift)
    navigator.drag(sheet.across(2.9, 0.0), shift)
    assert navigator.caliper_mm == pytest.approx(0.9)
    navigator.release()
    navigator.press(sheet.unrolled(5.0, 300.0), shift)
    navigator.drag(sheet.unrolled(9.0, 340.0), shift)
    navigator.release()
    assert navigator.box is not None
    assert navigator.box.depth_mm == (5.0, 9.0)
    assert navigator.box.angle_deg == pytest.approx((300.0, 340.0))
    navigator.press(sheet.unrolled(20.0, 100.0))  # a plain press goes there and forgets the box
    assert navigator.box is None
    assert told.corrected == []


@pytest.mark.parametrize("how", ["row", "press"])
def test_a_caliper_is_gone_once_the_cursor_moves(told: Told, picture: ScrewPicture, how: str) -> None:
    navigator, sheet, shift = told.navigator, picture.sheet, frozenset({"Shift"})
    bare = told.layer("cursor").data.shape
    navigator.press(sheet.across(2.0, 0.0), shift)
    navigator.drag(sheet.across(2.6, 0.0), shift)
    navigator.release()
    assert told.layer("cursor").data.shape != bare
    if how == "row":
        navigator.go(20.0)
    else:
        navigator.press(sheet.unrolled(8.0, 120.0))
    assert np.isnan(navigator.caliper_mm)
    assert told.layer("cursor").data.shape == bare


def test_the_viewers_mouse_reaches_the_cursor(told: Told, picture: ScrewPicture) -> None:
    event = SimpleNamespace(
        type="mouse_press", button=1, position=picture.sheet.unrolled(8.0, 120.0), modifiers=()
    )
    steps = told.navigator.on_mouse(told.viewer, event)
    next(steps)
    assert told.navigator.depth_mm == 8.0
    event.type, event.position = "mouse_move", picture.sheet.unrolled(9.5, 120.0)
    next(steps)
    assert told.navigator.depth_mm == 9.5
    event.type = "mouse_release"
    assert list(steps) == []


# ---- the table ----


def test_each_row_of_the_table_leads_to_its_place(picture: ScrewPicture) -> None:
    reading = build.make_reading(picture.implant)
    rows = rows_of(picture.implant, reading.findings, "L5")
    names = [row.where for row in rows]
    assert len(rows) == 4 + 2 + 16
    assert names[0].startswith("Halo, lamina side")
    assert rows[0].result.endswith("undecided: uneven")  # one sector wider, at week 8
    sector = next(row for row in rows if row.where == "Lamina side (screw head), caudal")
    assert sector.angle_deg == 180.0
    assert 0.0 < sector.depth_mm < build.DEFECT_DEPTH_MM
    widest = next(row for row in rows if row.where.startswith("Widest place, lamina"))
    assert widest.angle_deg == pytest.approx(225.0, abs=20.0)  # sector 5 is drawn widest
    bridging = next(row for row in rows if row.where == "Bridging")
    assert bridging.depth_mm == pytest.approx(build.DEFECT_DEPTH_MM)


def test_a_shaft_that_no_defect_parts_has_rows_of_the_whole(picture: ScrewPicture) -> None:
    none = build.missing_side(Caution.NO_DEFECT)
    halo = replace(picture.implant.halo, whole=build.make_side(0.6), head_side=none, tip_side=none)
    implant = replace(picture.implant, halo=halo, defect=None, bridge=None)
    rows = rows_of(implant, build.make_reading(implant).findings, "L5")
    assert rows[0].where == "Halo, whole shaft"
    assert rows[0].depth_mm > 0.0
    assert not [row for row in rows if "side" in row.where]


def test_the_map_says_where_its_colours_lie_below_the_limit(picture: ScrewPicture) -> None:
    thin = replace(build.make_side(0.1), mean_width=Measured.of(0.1, 1.2, Unit.MM, floor=0.0, limit=3.95))
    halo = replace(picture.implant.halo, tip_side=thin)
    told = replace(picture, implant=replace(picture.implant, halo=halo))
    said = [word for word in sheet_words(told, 10.0, 0.0) if word.text.startswith("below")]
    assert [word.text for word in said] == ["below 3.95 mm"]
    assert told.implant.defect is not None
    assert said[0].at[0] > told.implant.defect.depth_mm(told.frame)  # over the tip side
    assert not [
        w for w in sheet_words(replace(told, is_shown=False), 10.0, 0.0) if w.text.startswith("below")
    ]
    assert len(sheet_words(told, 10.0, 0.0)) == len(sheet_words(picture, 10.0, 0.0))


def test_the_place_of_the_cursor_is_told(picture: ScrewPicture) -> None:
    told = place_words(picture, 8.5, 7.5)
    assert told.startswith("depth 8.50 mm, cranial (8°): halo 0.")
    assert re.search(r"± \d+\.\d\d mm \(95 %\)", told)
    assert "streak" in place_words(picture, 35.0, 200.0)
    assert "in the gap" in place_words(picture, 16.0, 0.0)
    assert "halo" not in place_words(replace(picture, is_shown=False), 8.5, 7.5)
