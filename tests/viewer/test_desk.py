"""The desk: measuring elsewhere, correcting, a reader who comes first, other scenes. No display."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_measuring
import numpy as np
import pytest
from viewer_wait import wait_for

from ongrowth.case import known_of
from ongrowth.case.reuse import made_from, stamped
from ongrowth.casefile import ReaderEntry, read_case_file
from ongrowth.quantity import Caution
from ongrowth.reading import write_reading
from ongrowth.scan import Scan
from ongrowth_napari.desk import Desk
from ongrowth_napari.scenes import halo_mesh


def values_at(desk: Desk, name: str, places_mm: np.ndarray) -> list[float]:
    """What the viewer says lies at places, each in the slice that shows it."""
    out = []
    for place in places_mm:
        desk.stage.viewer.dims.set_point(0, place[0])
        out.append(float(desk.stage.viewer.layers[name].get_value(place, world=True)))
    return out


# ---- measuring ----


def test_measuring_happens_elsewhere_and_its_steps_are_told(make_desk: Callable[..., Desk]) -> None:
    desk = make_desk()
    assert (desk.stage.scene, desk.navigator) == ("patient", None)
    told: list[str] = []
    desk.on_change = lambda: told.append(desk.status)
    start = time.process_time()
    desk.measure()
    assert time.process_time() - start < 1.0  # the measuring is not done in here
    assert desk.is_measuring
    desk.measure()  # a second press does nothing
    wait_for(desk, lambda: not desk.is_measuring)
    assert "Measuring the halo of screw left ..." in told
    assert desk.stage.scene == "sheet"
    assert desk.is_current
    assert desk.rows()[0].where.startswith("Halo")


def test_cancelling_ends_it_at_once_and_keeps_what_was_shown(make_desk: Callable[..., Desk]) -> None:
    desk = make_desk(measure=build_measuring.endless)
    desk.measure()
    wait_for(desk, lambda: "metal" in desk.status)
    process = desk._measurement._process  # type: ignore[union-attr]
    start = time.perf_counter()
    desk.cancel()
    assert time.perf_counter() - start < 60.0  # of the 600 s it would take
    assert not process.is_alive()
    assert not desk.is_measuring
    assert "Cancelled" in desk.status


@pytest.mark.parametrize(
    ("measure", "told"),
    [
        (build_measuring.refused, "no-metal: There is no metal in this scan."),
        (build_measuring.broken, "unexpected: ZeroDivisionError: surprise"),
        (build_measuring.killed, "stopped: The measurement ended by itself"),
    ],
)
def test_a_measurement_that_fails_is_told(make_desk: Callable[..., Desk], measure: Any, told: str) -> None:
    desk = make_desk(measure=measure)
    desk.measure()
    wait_for(desk, lambda: not desk.is_measuring)
    assert desk.status.startswith(told)
    assert desk.stage.scene == "patient"


def test_results_at_hand_are_shown_only_if_they_fit(make_desk: Callable[..., Desk], tmp_path: Path) -> None:
    first = make_desk()
    known = known_of(first.session.case, first.session.scan)
    reading = stamped(build_measuring.reading_of(known), made_from(first.session.scan.path, known))
    write_reading(reading, tmp_path / "out" / "w08")
    desk = make_desk(results=tmp_path / "out")
    assert desk.stage.scene == "sheet"
    assert desk.is_current
    text = desk.session.path.read_text()
    desk.session.path.write_text(text.replace("weeks_since_surgery = 8.0", "weeks_since_surgery = 26.0"))
    assert make_desk(results=tmp_path / "out").stage.scene == "patient"  # its windows would be others
    desk.session.path.write_text(text)
    desk.remark("moved in the gantry")
    assert desk.save()
    assert make_desk(results=tmp_path / "out").stage.scene == "sheet"  # moves no figure
    desk.correct("tip_mm", [1.0, 2.0, 3.0])
    assert desk.save()
    assert make_desk(results=tmp_path / "out").stage.scene == "patient"  # made without that correction
    other = replace(reading, provenance=replace(reading.provenance, input_digest="e" * 64))
    write_reading(other, tmp_path / "other" / "w08")
    assert make_desk(results=tmp_path / "other").stage.scene == "patient"  # made of another CT


def test_what_is_measured_again_is_what_the_file_will_say(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    navigator.press(navigator.handles()["head_mm"])
    navigator.drag((1.5, 0.0))
    navigator.release()
    desk.leave_out("artefact", "streak")
    assert not desk.is_current
    desk.measure()
    wait_for(desk, lambda: not desk.is_measuring)
    assert desk.reading is not None
    measured_under = desk.reading.corrections
    assert desk.save()
    entry = read_case_file(desk.session.path).scan[1]
    assert [(m.what, m.to) for m in measured_under] == [(c.what, c.to) for c in entry.correction]
    assert desk.is_current
    held = entry.corrected["left"]
    assert held.left_out[0].cautions == Caution.EXCLUDED_BY_READER | Caution.STREAK
    assert held.left_out[0].angle_deg == (337.5, 22.5)


# ---- correcting ----


def test_corrections_show_at_once_and_undo_takes_them_off(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    at = navigator.handles()["tip_mm"]
    navigator.press(at)
    navigator.drag((at[0] - 3.0, 0.0))
    navigator.release()
    assert desk.navigator is navigator
    assert navigator.handles()["tip_mm"][0] == pytest.approx(at[0] - 3.0, abs=1e-3)
    desk.undo()
    assert navigator.handles()["tip_mm"] == pytest.approx(at)
    desk.redo()
    assert navigator.handles()["tip_mm"][0] == pytest.approx(at[0] - 3.0, abs=1e-3)
    entry = desk.session.pending[0]
    assert entry.author == "reader-1"
    np.testing.assert_allclose(entry.from_, navigator.picture.frame.tip_mm)


def test_the_box_is_left_out_else_the_sector_at_the_cursor(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    sheet, shift = navigator.picture.sheet, frozenset({"Shift"})
    navigator.press(sheet.unrolled(5.0, 30.0), shift)
    navigator.drag(sheet.unrolled(9.0, 60.0), shift)
    navigator.release()
    desk.leave_out("left_out")
    navigator.go(30.0, 180.0)
    desk.leave_out("left_out")
    desk.leave_out("left_out")  # twice the same is once
    box, sector = desk.session.scan.corrected["left"].left_out
    assert (box.depth_mm, box.angle_deg) == ((5.0, 9.0), (30.0, 60.0))
    assert sector.angle_deg == (157.5, 202.5)
    assert len(desk.session.pending) == 2


def test_another_scan_waits_until_corrections_are_saved(desk: Desk) -> None:
    desk.remark("moved in the gantry")
    desk.open_scan("w03")
    assert desk.session.scan_id == "w08"
    assert "Save or undo" in desk.status
    desk.save()
    desk.open_scan("w03")
    wait_for(desk, lambda: not desk.is_reading)
    assert desk.status.startswith("empty")  # the folder holds nothing: told, not thrown
    assert (desk.session.scan_id, desk.rows() != ()) == ("w08", True)  # what was open stays


def test_what_is_done_while_another_scan_is_read_is_not_lost(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, scan: Scan
) -> None:
    is_read = threading.Event()
    monkeypatch.setattr("ongrowth_napari.desk.read_scan", lambda *_, **__: is_read.wait(60.0) and scan)
    desk.open_scan("w03")
    desk.remark("moved in the gantry")
    is_read.set()
    wait_for(desk, lambda: not desk.is_reading)
    assert (desk.session.scan_id, len(desk.session.pending)) == ("w08", 1)
    assert "Save or undo" in desk.status
    is_read.clear()
    assert desk.save()
    desk.open_scan("w03")
    desk.remark("and back")
    assert desk.save()
    is_read.set()
    wait_for(desk, lambda: not desk.is_reading)
    assert desk.session.scan_id == "w03"
    assert [c.remark for c in desk.session.case.scan[1].correction] == ["moved in the gantry", "and back"]


def test_a_measurement_never_lands_on_another_scan(
    make_desk: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch, scan: Scan
) -> None:
    desk = make_desk(measure=build_measuring.endless)
    monkeypatch.setattr("ongrowth_napari.desk.read_scan", lambda *_, **__: scan)
    desk.open_scan("w03")
    desk.measure()  # of w08, which is open until w03 is read
    wait_for(desk, lambda: not desk.is_reading)
    assert desk.session.scan_id == "w03"
    assert not desk.is_measuring
    assert (desk.reading, desk.stage.scene) == (None, "patient")


def test_a_ct_that_has_changed_is_not_laid_over(
    make_desk: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch, scan: Scan
) -> None:
    by_name = {"w03": scan, "w08": replace(scan, digest="e" * 64)}
    monkeypatch.setattr("ongrowth_napari.desk.read_scan", lambda path, **_: by_name[path.name])
    desk = make_desk()
    desk._take_reading(build_measuring.reading_of(known_of(desk.session.case, desk.session.scan)))
    desk.open_scan("w03")
    wait_for(desk, lambda: not desk.is_reading)
    desk.measure()
    wait_for(desk, lambda: not desk.is_measuring)
    desk.lay_over("w08")
    wait_for(desk, lambda: not desk.is_reading)
    assert (desk.over_id, desk.status) == ("", "Scan w08 has changed since it was measured.")


def test_a_case_file_that_is_no_text_any_more_is_told_and_left_alone(desk: Desk) -> None:
    desk.remark("a")
    broken = desk.session.path.read_bytes() + b"# \xff\n"
    desk.session.path.write_bytes(broken)
    assert not desk.save()
    assert desk.status.startswith("no-case-file")
    assert (desk.session.path.read_bytes(), len(desk.session.pending)) == (broken, 1)


def test_a_case_file_that_cannot_be_written_is_told(desk: Desk) -> None:
    desk.remark("a")
    desk.session.path.unlink()
    assert not desk.save()
    assert desk.status.startswith("cannot-write")
    assert desk.session.pending


def test_figures_from_before_a_correction_say_so_until_measured_again(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    titles = navigator._layers["words"].features["word"]
    assert desk.warning == ""
    assert "round the screw, unrolled" in list(titles)
    desk.remark("moved in the gantry")
    assert desk.warning == ""  # a remark moves no figure
    desk.leave_out("artefact")
    assert desk.warning.startswith("These figures were measured before your correction.")
    assert desk.status == "left: 1 part of the surface marked as artefact; not saved yet."
    assert "unrolled: from before the correction" in list(navigator._layers["words"].features["word"])
    desk.undo()
    assert (desk.warning, desk.status[:8]) == ("", "Undone: ")
    desk.redo()
    assert desk.warning
    desk.measure()
    wait_for(desk, lambda: not desk.is_measuring)
    assert desk.warning == ""


def test_the_plane_goes_to_the_cursor_and_keeps_its_tilt(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    before = navigator.picture.corrected.plane
    assert before is not None
    navigator.go(12.0, 60.0)
    desk.plane_here("seen on the cut")
    plane = desk.session.scan.corrected["left"].defect
    assert plane is not None
    np.testing.assert_allclose(plane.normal, before.normal, atol=2e-3)  # written to a thousandth
    on_axis = navigator.picture.frame.world(0.0, 0.0, 12.0)
    assert plane.height_mm(on_axis) == pytest.approx(0.0, abs=2e-3)


def test_a_scan_measured_before_is_shown_without_measuring_again_and_can_be_laid_over(
    make_desk: Callable[..., Desk], monkeypatch: pytest.MonkeyPatch, scan: Scan
) -> None:
    monkeypatch.setattr("ongrowth_napari.desk.read_scan", lambda *_, **__: scan)
    desk = make_desk()
    assert desk.others() == []
    for name in ("w08", "w03"):
        desk.open_scan(name)
        wait_for(desk, lambda: not desk.is_reading)
        desk.measure()
        wait_for(desk, lambda: not desk.is_measuring)
    assert desk.others() == ["w08"]
    desk.lay_over("w08")
    wait_for(desk, lambda: not desk.is_reading)
    navigator = desk.navigator
    assert navigator is not None
    assert (desk.over_id, desk.status[:27]) == ("w08", "Scan w08 in orange over w03")
    assert {"w03 blue", "w08 orange"} <= set(navigator._layers["words"].features["word"])
    desk.lay_over("")
    assert (desk.over_id, desk.status) == ("", "Nothing is laid over.")
    assert not {"w03 blue", "w08 orange"} & set(navigator._layers["words"].features["word"])
    desk.open_scan("w08")
    wait_for(desk, lambda: not desk.is_reading)
    assert (desk.stage.scene, desk.is_current, desk.is_measuring) == ("sheet", True, False)


def test_another_case_is_opened_in_the_same_window(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, scan: Scan
) -> None:
    other = tmp_path / "other.toml"
    other.write_text(build_measuring.CASE.replace("harbour-07", "harbour-08"))
    desk.open_case(tmp_path / "nowhere.toml")
    wait_for(desk, lambda: not desk.is_reading)
    assert "nowhere.toml" in desk.status
    assert desk.session.case.patient.id == "harbour-07"  # what was open stays
    monkeypatch.setattr("ongrowth_napari.opening.read_scan", lambda *_, **__: scan)
    desk.open_case(other)
    wait_for(desk, lambda: not desk.is_reading)
    assert (desk.session.path, desk.session.case.patient.id) == (other, "harbour-08")
    assert (desk.stage.scene, desk.rows()) == ("patient", ())


def test_a_closed_desk_leaves_the_viewer_as_it_was(desk: Desk) -> None:
    viewer = desk.stage.viewer
    own = viewer.add_points([[0.0, 0.0]], name="mine")
    desk.close()
    desk.close()
    assert list(viewer.layers) == [own]
    assert desk.stage._on_mouse not in viewer.mouse_drag_callbacks


# ---- the reader comes first ----


def entries() -> list[ReaderEntry]:
    return [ReaderEntry(id="r1", quantity="mean_width", side="head_side", value=0.8)]


def test_nothing_of_ours_is_shown_before_the_lock(make_desk: Callable[..., Desk]) -> None:
    desk = make_desk(reads_first=True)
    desk.measure()
    wait_for(desk, lambda: not desk.is_measuring)
    navigator = desk.navigator
    assert navigator is not None
    assert desk.rows() == ()
    assert "halo" not in desk.place()
    assert desk.warning == "The figures are shown once your own reading is locked."
    assert not navigator._layers["gap"].visible
    assert not navigator._layers["scale"].visible  # no colours where there are none
    assert len(np.unique(navigator._layers["map"].data.reshape(-1, 4), axis=0)) == 1
    assert set(navigator.handles()) == {"head_mm", "tip_mm"}
    desk.lock([])
    assert not desk.is_shown
    desk.lock(entries())
    kept = read_case_file(desk.session.path).scan[1].reader[0]
    assert kept.blind
    assert kept.time is not None
    assert desk.rows()
    assert "halo" in desk.place()
    assert set(navigator.handles()) >= {"plane_low", "plane_high"}


def test_what_is_read_after_ours_was_shown_is_not_blind(desk: Desk) -> None:
    desk.lock(entries())
    assert not read_case_file(desk.session.path).scan[1].reader[0].blind


def test_a_reader_who_has_locked_once_is_not_asked_again(make_desk: Callable[..., Desk]) -> None:
    first = make_desk(reads_first=True)
    first.lock(entries())
    assert make_desk(reads_first=True).is_shown


# ---- scenes ----


def test_each_scene_shows_the_ct_number_that_lies_there(desk: Desk, scan: Scan) -> None:
    """The viewer's own look-up at patient places against the scan, voxel by voxel."""
    index = np.array([[40, 50, 60], [60, 55, 33], [20, 80, 70]])
    truth = [float(scan.hu[tuple(k)]) for k in index]
    world = scan.world_mm(index)
    desk.show_scene("patient")
    assert values_at(desk, "CT, patient axes", world[:, ::-1]) == truth
    desk.show_scene("screw")
    navigator = desk.navigator
    assert navigator is not None
    frame = navigator.picture.frame
    inside = frame.world(np.array([1.0, 1.5]), np.array([0.0, 200.0]), np.array([20.0, 30.0]))
    local = frame.world_from_screw.inverse().apply(inside)
    places = np.stack([local[:, 2], -local[:, 0], local[:, 1]], axis=-1)
    assert min(values_at(desk, "CT, screw axes", places)) > 2500.0  # metal


def test_a_scene_takes_only_its_own_layers_away(desk: Desk) -> None:
    own = desk.stage.viewer.add_points([[0.0, 0.0]], name="mine")
    for scene in ("patient", "screw", "sheet"):
        desk.show_scene(scene)
        assert own in desk.stage.viewer.layers
        assert {
            str(unit) for layer in desk.stage.viewer.layers if layer is not own for unit in layer.units
        } == {"millimeter"}
    assert "CT, patient axes" not in desk.stage.viewer.layers


def test_the_surface_lies_where_the_halo_ends_and_has_holes_where_nothing_is_known(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    picture = navigator.picture
    places, faces, width = halo_mesh(picture)
    radius, _, _ = picture.frame.cylindrical(places[np.unique(faces)])
    np.testing.assert_allclose(radius, picture.radius_mm + width[np.unique(faces)], atol=1e-9)
    hidden = np.flatnonzero((picture.map.cautions != 0).ravel())
    assert not np.isin(faces, hidden).any()


def test_the_lines_in_a_slice_lie_where_the_slice_meets_thread_and_halo(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    navigator.go(30.0, 0.0)
    desk.show_scene("screw")
    layers, picture = desk.stage.viewer.layers, navigator.picture
    thread, halo = (layers[f"{name} in the slice"].data[:, 0] for name in ("thread", "halo edge"))
    np.testing.assert_allclose(thread[:, 0], 30.0, atol=0.2)  # the slice nearest to the cursor
    np.testing.assert_allclose(np.hypot(thread[:, 1], thread[:, 2]), picture.radius_mm, rtol=3e-3)
    beyond = np.hypot(halo[:, 1], halo[:, 2]) - picture.radius_mm
    row = int(np.abs(picture.map.depth_mm - 30.0).argmin())
    measured = picture.map.width_mm[row - 1 : row + 2]
    assert np.nanmin(measured) - 0.05 <= beyond.min()
    assert beyond.max() <= np.nanmax(measured) + 0.05
    desk.stage.viewer.dims.set_point(0, 45.0)  # beyond the tip there is no screw
    assert len(layers["thread in the slice"].data) == 1


def test_the_halo_in_space_is_not_hidden_by_the_bone(desk: Desk) -> None:
    desk.show_scene("space")
    viewer = desk.stage.viewer
    assert viewer.dims.ndisplay == 3
    names = [layer.name for layer in viewer.layers]
    surface = viewer.layers["halo surface, coloured by width"]
    assert names.index("CT, screw axes") < names.index(surface.name)
    assert viewer.layers["CT, screw axes"].blending == "translucent_no_depth"  # leaves no depth behind
    assert {"sectors", "defect plane"} <= set(names)
    desk.show_scene("sheet")
    assert viewer.dims.ndisplay == 2


def test_letters_follow_the_axes_that_are_shown(desk: Desk) -> None:
    desk.show_scene("patient")
    letters = desk.stage.viewer.layers["patient letters"]
    assert sorted(word for word in letters.features["word"] if word) == ["A", "L", "P", "R"]
    desk.stage.viewer.dims.order = (1, 0, 2)  # coronal
    assert sorted(word for word in letters.features["word"] if word) == ["F", "H", "L", "R"]
    left = letters.data[list(letters.features["word"]).index("L")]
    right = letters.data[list(letters.features["word"]).index("R")]
    assert left[2] > right[2]  # x grows to the patient's left (LPS)


def test_windows_reach_every_ct(desk: Desk) -> None:
    desk.set_window("wide window (metal)")
    assert desk.stage.viewer.layers["CT along the screw"].contrast_limits == [-1000.0, 3071.0]
    desk.show_scene("screw")  # made later
    assert desk.stage.viewer.layers["CT, screw axes"].contrast_limits == [-1000.0, 3071.0]
