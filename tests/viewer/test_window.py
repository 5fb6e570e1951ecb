"""Only the wiring: buttons, lists and the table do what the desk offers. Needs a display (xvfb)."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_measuring
import numpy as np
import pytest
from viewer_wait import wait_for

from ongrowth.casefile import read_case_file
from ongrowth.scan import Scan

pytestmark = [
    pytest.mark.viewer,
    pytest.mark.skipif(
        sys.platform.startswith("linux") and not os.environ.get("DISPLAY"), reason="no display"
    ),
]


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory, scan: Scan) -> Iterator[Any]:
    """One window for all tests here: to open one takes seconds."""
    import napari

    from ongrowth_napari.desk import Desk
    from ongrowth_napari.session import open_session
    from ongrowth_napari.window import open_desk

    folder = tmp_path_factory.mktemp("case")
    case = folder / "case.toml"
    case.write_text(build_measuring.CASE)
    os.environ[build_measuring.SEEN] = str(folder / "seen")
    viewer = napari.Viewer(show=True)
    viewer.window.resize(1000, 640)
    desk = Desk(
        viewer,
        open_session(case),
        scan=scan,
        author="reader-1",
        reads_first=True,
        measure=build_measuring.once_seen,
    )
    panel = open_desk(viewer, desk)
    yield panel
    panel.desk.close()
    viewer.close()


def spin() -> None:
    from qtpy.QtWidgets import QApplication

    for _ in range(5):
        QApplication.processEvents()


def test_it_measures_by_itself_and_the_window_stays_alive(window: Any) -> None:
    assert window.cancel.isEnabled()
    assert window.progress.maximum() == 0  # busy
    turns = 0

    def turned() -> bool:
        nonlocal turns
        turns += 1
        spin()
        if turns == 6 and window.desk.is_measuring:
            Path(os.environ[build_measuring.SEEN]).touch()
        return not window.desk.is_measuring

    wait_for(window.desk, turned)
    assert Path(os.environ[build_measuring.SEEN]).exists()  # else it waited for the measuring
    assert not window.cancel.isEnabled()
    assert window.screws.currentText() == "Left screw"


def test_the_reader_locks_first(window: Any) -> None:
    form = window.form
    assert form.widget.isVisible()
    assert window.table.view.rowCount() == 0
    form.lock.click()
    assert form.told.text() == "Enter a pseudonym."
    form.reader.setText("r1")
    form.widths["head_side"].setText("0,8 mm")
    form.widths["tip_side"].setText("wide")
    form.lock.click()
    assert "no width" in form.told.text()
    form.widths["tip_side"].setText("")
    form.results["head_side"].setCurrentText("as expected")
    form.bridging.setCurrentIndex(2)
    form.lock.click()
    spin()
    width, bridged = read_case_file(window.desk.session.path).scan[1].reader
    assert (width.value, width.against_window, width.implant, width.blind) == (
        0.8,
        "as expected",
        "left",
        True,
    )
    assert (bridged.quantity, bridged.side, bridged.category) == ("bridged_fraction", "defect", "minimal")
    assert not form.widget.isVisible()
    assert window.table.view.rowCount() == 22


def test_what_was_typed_of_one_scan_is_not_locked_for_another(window: Any) -> None:
    form, desk = window.form, window.desk
    session = desk.session
    form.widths["head_side"].setText("0.8")
    form.results["head_side"].setCurrentText("as expected")
    form.refresh()
    assert form.widths["head_side"].text() == "0.8"
    try:
        desk.session = replace(session, scan_id="w03")
        form.refresh()
        assert (form.widths["head_side"].text(), form.results["head_side"].currentText()) == ("", "")
        assert form.reader.text() == "r1"  # who reads is the same
    finally:
        desk.session = session
        form.refresh()


def test_a_list_shows_the_words_of_the_case_that_is_open() -> None:
    from qtpy.QtWidgets import QComboBox

    from ongrowth_napari.panel import _fill

    combo = QComboBox()
    _fill(combo, [("first, week 4", "first"), ("last, week 26", "last")], "last")
    _fill(combo, [("first, week 6", "first"), ("last, week 12", "last")], "last")
    assert [combo.itemText(n) for n in range(2)] == ["first, week 6", "last, week 12"]
    assert combo.currentIndex() == 1


def test_a_row_moves_the_cursor(window: Any) -> None:
    navigator = window.desk.navigator
    window.table.view.setCurrentCell(8, 0)
    row = window.table._rows[8]
    assert (navigator.depth_mm, navigator.angle_deg) == (row.depth_mm, row.angle_deg)
    assert window.table.place.text().startswith("depth")


def test_correcting_undoing_and_saving(window: Any) -> None:
    window.remark.setText("streak of a rod")
    window.artefact.click()
    window.leave_out.click()
    assert window.corrections.count() == 2
    assert "streak of a rod" in window.corrections.item(0).text()
    assert "not saved" in window.corrections.item(1).text()
    assert window.measure.text() == "Measure again"
    assert window.table.warning.isVisible()
    window.undo.click()
    assert window.corrections.count() == 1
    window.author.setText("")
    assert not window.save.isEnabled()  # nobody corrects without a name
    window.author.setText("reader-2")
    window.save.click()
    assert not window.save.isEnabled()
    entry = read_case_file(window.desk.session.path).scan[1].correction[0]
    assert (entry.what, entry.remark) == ("left.artefact", "streak of a rod")
    window.corrections.setCurrentRow(0)
    window.take_back.click()
    assert window.corrections.count() == 2
    assert not window.table.warning.isVisible()  # as it was when it was measured
    window.undo.click()


def test_only_whole_rows_are_in_sight(window: Any) -> None:
    view = window.table.view
    for height in (200, 233, 310):
        window.table.resize(window.table.width(), height)
        spin()
        bare = view.height() - 2 * view.frameWidth() - view.horizontalHeader().height()
        assert bare % view.rowHeight(0) == 0
        assert view.geometry().bottom() <= window.table.height()


def test_closing_asks_before_something_unsaved_is_lost(window: Any) -> None:
    from qtpy.QtGui import QCloseEvent
    from qtpy.QtWidgets import QMessageBox

    guard, desk = window.guard, window.desk
    asked: list[str] = []

    def answer(choice: Any) -> Any:
        asked.append(desk.status)
        return choice

    guard.ask = lambda: answer(QMessageBox.StandardButton.Cancel)
    desk.remark("not saved")
    assert guard.eventFilter(guard.window, QCloseEvent())
    assert (len(asked), desk.is_open) == (1, True)
    path = desk.session.path
    text = path.read_text()
    path.unlink()
    guard.ask = lambda: answer(QMessageBox.StandardButton.Save)
    assert guard.eventFilter(guard.window, QCloseEvent())  # could not be saved: stays open
    assert desk.is_open
    path.write_text(text)
    desk.undo()


def test_words_are_as_wide_as_the_sheet_reckons(window: Any) -> None:
    """The layout trusts the widths of a typeface; here they are counted in dots of the screen."""
    from ongrowth_napari.layers import word_layer
    from ongrowth_napari.lettering import Word, width_mm

    viewer, text = window.desk.stage.viewer, "unrolled: from before the correction"
    shown = [layer for layer in viewer.layers if layer.visible]
    for layer in shown:
        layer.visible = False
    words = word_layer("probe", [Word(text, (15.0, 30.0))])
    viewer.layers.append(words)
    spin()
    picture = np.asarray(viewer.screenshot(canvas_only=True, flash=False))[..., :3]
    viewer.layers.remove(words)
    for layer in shown:
        layer.visible = True
    columns = np.flatnonzero((picture.max(axis=2) > 60).any(axis=0))
    camera = getattr(viewer, "scene", viewer).camera
    assert (columns[-1] - columns[0]) / camera.zoom == pytest.approx(width_mm(text), rel=0.08)


def test_scenes_are_drawn(window: Any) -> None:
    viewer = window.desk.stage.viewer
    for n in (1, 2, 3, 0):
        window.scenes.setCurrentIndex(n)
        window.scenes.activated.emit(n)
        spin()
        picture = np.asarray(viewer.screenshot(canvas_only=True, flash=False))[..., :3]
        assert len(np.unique(picture.reshape(-1, 3), axis=0)) > 100


def test_arrow_keys_step_the_cursor(window: Any) -> None:
    from napari.utils.key_bindings import KeyBinding

    viewer, navigator = window.desk.stage.viewer, window.desk.navigator
    navigator.go(10.0, 0.0)
    viewer.keymap[KeyBinding.from_str("Down")](viewer)
    viewer.keymap[KeyBinding.from_str("Left")](viewer)
    assert (navigator.depth_mm, navigator.angle_deg) == (11.0, 345.0)


def test_the_manifest_is_valid_and_its_functions_are_there() -> None:
    import npe2

    import ongrowth_napari

    path = Path(ongrowth_napari.__file__).with_name("napari.yaml")
    manifest = npe2.PluginManifest.from_file(path)
    manifest.validate_imports()


def test_the_reader_of_the_manifest_gives_a_layer_in_millimetres(scan: Scan) -> None:
    from ongrowth_napari.plugin import get_reader, scan_layer

    data, how, kind = scan_layer(scan, "w08")
    assert (data.shape, kind) == (scan.hu.shape, "image")
    assert how["units"] == ("mm", "mm", "mm")
    assert get_reader("/nowhere/at/all") is None


def test_a_first_window_is_not_the_small_one_of_napari() -> None:
    import napari
    from napari.settings import get_settings

    from ongrowth_napari.window import show_window

    get_settings().application.first_time = True
    viewer = napari.Viewer(show=False)
    show_window(viewer)
    spin()
    window = viewer.window._qt_window
    room = window.screen().availableGeometry()
    assert window.width() >= min(1500, room.width())
    assert window.height() >= min(940, room.height())
    viewer.close()
