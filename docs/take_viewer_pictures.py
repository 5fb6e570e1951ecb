"""Take the pictures of the viewer kept in this folder: a phantom, the whole chain, a window on a display.

xvfb-run -a -s "-screen 0 1600x1000x24" python docs/take_viewer_pictures.py [CASE.toml RESULTS]

CASE.toml and RESULTS (a folder written by `follow`) are made of the phantom "course" if they are not given.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import napari
from PIL import Image
from qtpy.QtCore import QEvent
from qtpy.QtWidgets import QApplication

from ongrowth.read import read_scan
from ongrowth_napari.desk import Desk
from ongrowth_napari.session import open_session
from ongrowth_napari.window import open_desk

PICTURES = Path(__file__).parent / "pictures"
ONGROWTH = Path(sys.executable).with_name("ongrowth")
WIDTH_PX = 1200
SHIFT = frozenset({"Shift"})


def make_case(folder: Path) -> tuple[Path, Path]:
    """Return the case file of the phantom and its results."""
    for command in (
        ["phantom", "course", "--out", folder / "in"],
        ["follow", folder / "in" / "case.toml", "--out", folder / "out"],
    ):
        subprocess.run([str(ONGROWTH), *map(str, command)], check=True, stdout=subprocess.DEVNULL)
    return folder / "in" / "case.toml", folder / "out"


def settle() -> None:
    """Let the window draw itself."""
    for _ in range(20):
        QApplication.processEvents()
        QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)  # no event loop does it here
        time.sleep(0.01)


def keep(viewer: Any, name: str) -> None:
    """Keep a picture of the whole window, with few colours, rare ones among them."""
    settle()
    PICTURES.mkdir(exist_ok=True)
    shot = Image.fromarray(viewer.screenshot(canvas_only=False, flash=False)).convert("RGB")
    shot.thumbnail((WIDTH_PX, WIDTH_PX))
    shot.quantize(256, method=Image.Quantize.FASTOCTREE).save(PICTURES / f"{name}.png", optimize=True)


def take(case: Path, results: Path) -> None:
    """Open the second CT of the case as a reader would, and go through the deeds."""
    session = open_session(case, "w12")
    viewer = napari.Viewer(show=True)
    viewer.window.resize(1440, 900)
    scan = read_scan(session.scan.path, series=session.scan.series)
    settle()
    desk = Desk(viewer, session, scan=scan, results=results, reads_first=True, author="reader-1")
    panel = open_desk(viewer, desk, is_own=True)
    desk.cancel()
    settle()
    viewer.reset_view(margin=0.02)
    panel.form.reader.setText("reader-1")
    panel.form.widths["head_side"].setText("0.5")
    panel.form.widths["tip_side"].setText("0.4")
    panel.form.results["head_side"].setCurrentText("as expected")
    panel.form.bridging.setCurrentIndex(1)
    navigator = desk.navigator
    navigator.go(8.0, 90.0)
    navigator.press(navigator.picture.sheet.across(2.0, 0.0), SHIFT)
    navigator.drag(navigator.picture.sheet.across(2.6, 0.0), SHIFT)
    navigator.release()
    keep(viewer, "viewer-reader-first")
    panel.form.take()
    panel.table.view.setCurrentCell(4, 0)
    keep(viewer, "viewer-sheet")
    _correct(panel)
    keep(viewer, "viewer-correct")
    desk.undo(), desk.undo(), desk.undo()
    desk.lay_over("w05")
    while desk.is_reading:
        desk.tick()
        settle()
    keep(viewer, "viewer-overlay")
    desk.lay_over("")
    desk.show_scene("space")
    keep(viewer, "viewer-space")
    desk.close()
    viewer.close()


def _correct(panel: Any) -> None:
    """Move the head end, tilt the plane, mark a sector, draw a box."""
    desk, navigator = panel.desk, panel.desk.navigator
    for name, by in (("head_mm", 1.2), ("plane_high", -2.0)):
        down, right = navigator.handles()[name]
        navigator.press((down, right))
        navigator.drag((down + by, right))
        navigator.release()
    desk.leave_out("artefact", "streak of a rod")
    sheet = navigator.picture.sheet
    navigator.press(sheet.unrolled(24.0, 100.0), SHIFT)
    navigator.drag(sheet.unrolled(31.0, 200.0), SHIFT)
    navigator.release()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        made = (Path(sys.argv[1]), Path(sys.argv[2])) if len(sys.argv) == 3 else make_case(folder)
        shutil.copytree(made[0].parent, folder / "case", dirs_exist_ok=True)  # what is written goes there
        take(folder / "case" / made[0].name, made[1])
