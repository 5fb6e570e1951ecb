"""The desk: measuring elsewhere, correcting, a reader who comes first, other scenes. No display."""

from __future__ import annotations

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
        desk.viewer.dims.set_point(0, place[0])
        out.append(float(desk.viewer.layers[name].get_value(place, world=True)))
    return out


# ---- measuring ----


def test_measuring_happens_elsewhere_and_its_steps_are_told(make_desk: Callable[..., Desk]) -> None:
    desk = make_desk()
    assert (desk.scene, desk.navigator) == ("patient", None)
    told: list[str] = []
    desk.on_change = lambda: told.append(desk.status)
    start = time.perf_counter()
    desk.measure()
    assert time.perf_counter() - start < 1.0  # the process starts on its own
    assert desk.is_measuring
    desk.measure()  # a second press does nothing
    wait_for(desk, lambda: not desk.is_measuring)
    assert "Measuring the halo of screw left ..." in told
    assert desk.scene == "sheet"
    assert desk.is_current
    assert desk.rows()[0].where.startswith("Halo")


def test_cancelling_ends_it_at_once_and_keeps_what_was_shown(make_desk: Callable[..., Desk]) -> None:
    desk = make_desk(measure=build_measuring.endless)
    desk.measure()
    wait_for(desk, lambda: "metal" in desk.status)
    process = desk._measurement._process  # type: ignore[union-attr]
    start = time.perf_counter()
    desk.cancel()
    assert time.perf_counter() - start < 5.0
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
    assert desk.scene == "patient"


def test_results_at_hand_are_shown_only_if_they_fit(make_desk: Callable[..., Desk], tmp_path: Path) -> None:
    first = make_desk()
    reading = build_measuring.reading_of(known_of(first.session.case, first.session.scan))
    write_reading(reading, tmp_path / "out" / "w08")
    desk = make_desk(results=tmp_path / "out")
    assert desk.scene == "sheet"
    assert desk.is_current
    desk.correct("tip_mm", [1.0, 2.0, 3.0])
    assert desk.save()
    assert make_desk(results=tmp_path / "out").scene == "patient"  # made without that correction
    other = replace(reading, provenance=replace(reading.provenance, input_digest="e" * 64))
    write_reading(other, tmp_path / "other" / "w08")
    assert make_desk(results=tmp_path / "other").scene == "patient"  # made of another CT


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
    assert desk.session.scan_id == "w03"
    assert desk.status.startswith("empty")  # the folder holds nothing: told, not thrown


def test_a_case_file_that_cannot_be_written_is_told(desk: Desk) -> None:
    desk.remark("a")
    desk.session.path.unlink()
    assert not desk.save()
    assert desk.status.startswith("cannot-write")
    assert desk.session.pending


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
    assert not navigator._layers["gap"].visible
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
    own = desk.viewer.add_points([[0.0, 0.0]], name="mine")
    for scene in ("patient", "screw", "sheet"):
        desk.show_scene(scene)
        assert own in desk.viewer.layers
        assert {str(unit) for layer in desk.viewer.layers if layer is not own for unit in layer.units} == {
            "millimeter"
        }
    assert "CT, patient axes" not in desk.viewer.layers


def test_the_surface_lies_where_the_halo_ends_and_has_holes_where_nothing_is_known(desk: Desk) -> None:
    navigator = desk.navigator
    assert navigator is not None
    picture = navigator.picture
    places, faces, width = halo_mesh(picture)
    radius, _, _ = picture.frame.cylindrical(places[np.unique(faces)])
    np.testing.assert_allclose(radius, picture.radius_mm + width[np.unique(faces)], atol=1e-9)
    hidden = np.flatnonzero((picture.map.cautions != 0).ravel())
    assert not np.isin(faces, hidden).any()


def test_letters_follow_the_axes_that_are_shown(desk: Desk) -> None:
    desk.show_scene("patient")
    letters = desk.viewer.layers["patient letters"]
    assert sorted(word for word in letters.features["word"] if word) == ["A", "L", "P", "R"]
    desk.viewer.dims.order = (1, 0, 2)  # coronal
    assert sorted(word for word in letters.features["word"] if word) == ["F", "H", "L", "R"]
    left = letters.data[list(letters.features["word"]).index("L")]
    right = letters.data[list(letters.features["word"]).index("R")]
    assert left[2] > right[2]  # x grows to the patient's left (LPS)


def test_windows_reach_every_ct(desk: Desk) -> None:
    desk.set_window("wide window (metal)")
    assert desk.viewer.layers["CT along the screw"].contrast_limits == [-1000.0, 3071.0]
