"""The desk: a case file, its scan, what was measured, and what of it the viewer shows. No window in here.

The panel asks `Desk.tick` several times a second; everything slow happens elsewhere: scans are read in a
thread, measurements run in a process of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from napari.layers import Layer

from ongrowth.case import known_of
from ongrowth.casefile import ReaderEntry
from ongrowth.frame import Patch, ScrewFrame
from ongrowth.read import read_scan
from ongrowth.reading import ImplantReading, Reading, read_reading, surroundings
from ongrowth.reports.figures import BONE_WINDOW_HU
from ongrowth.scan import Refused, Scan
from ongrowth_napari import scenes
from ongrowth_napari.measuring import Done, Failed, Measure, Measurement, Told, measure_whole
from ongrowth_napari.navigator import Navigator
from ongrowth_napari.picture import Corrected, ScrewPicture, sector_patch
from ongrowth_napari.session import (
    Session,
    add_remark,
    correct,
    lock_readings,
    now,
    redo,
    save,
    take_back,
    undo,
    value_of,
)
from ongrowth_napari.table import Row, place_words, rows_of

SCENES = {
    "sheet": "map and cuts",
    "patient": "whole CT, patient axes",
    "screw": "CT along the screw axes",
}
WINDOWS_HU = {"bone window": BONE_WINDOW_HU, "wide window (metal)": (-1000.0, 3071.0)}
_AROUND_MM = 18.0  # kept of the CT round a screw
_FIND_FIRST = "Measure first: then the screws are known."


class Desk:
    """What is open, and what is done with it.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
        The viewer, or its model alone.
    session : Session
        The case file and its scan.
    scan : Scan, optional
        That scan, where it was read already.
    results : Path, optional
        Folder of an earlier `follow`: what fits the case file as it stands is shown at once.
    reads_first : bool
        Whether a reader gives an own reading before ours is shown.
    author : str
        Who corrects.
    measure : callable
        Measures one scan, in a process of its own.
    """

    def __init__(
        self,
        viewer: Any,
        session: Session,
        *,
        scan: Scan | None = None,
        results: Path | None = None,
        reads_first: bool = False,
        author: str = "",
        measure: Measure = measure_whole,
    ) -> None:
        self.viewer, self.session, self.author = viewer, session, author
        self.results, self.reads_first = results, reads_first
        self.is_shown = not reads_first
        self.scan: Scan | None = None
        self.reading: Reading | None = None
        self.screw_id = ""
        self.scene = "patient"
        self.navigator: Navigator | None = None
        self.status = ""
        self.problems: tuple[str, ...] = ()
        self.on_change: Callable[[], None] = lambda: None
        self.on_cursor: Callable[[], None] = lambda: None
        self._measure = measure
        self._measurement: Measurement | None = None
        self._reader = ThreadPoolExecutor(max_workers=1)
        self._coming: tuple[str, Future[Scan]] | None = None
        self._other: tuple[str, Future[Scan]] | None = None
        self.over_id = ""
        self._scenes: dict[str, list[Layer]] = {}
        self._letters: Any = None
        viewer.mouse_drag_callbacks.append(self._on_mouse)
        viewer.dims.events.current_step.connect(self._move_letters)
        viewer.dims.events.order.connect(self._move_letters)
        viewer.dims.events.ndisplay.connect(self._move_letters)
        if scan is None:
            self.open_scan(session.scan_id)
        else:
            self._take_scan(scan)

    # ---- opening ----

    def open_scan(self, scan_id: str) -> None:
        """Read another scan of the case in a thread; refused while something is not saved."""
        if self.session.pending:
            self._tell("Save or undo the corrections of this scan first.")
            return
        self.cancel()
        entry = next(scan for scan in self.session.case.scan if scan.name == scan_id)
        self.session = replace(self.session, scan_id=scan_id, undone=())
        self._coming = (scan_id, self._reader.submit(read_scan, entry.path))
        self._tell(f"Reading scan {scan_id} ...")

    def _take_scan(self, scan: Scan) -> None:
        self.scan, self.reading, self.over_id = scan, None, ""
        self.screw_id, self.navigator, self.problems = "", None, ()
        self.is_shown = not self.reads_first or any(entry.blind for entry in self.session.scan.reader)
        self._forget_scenes()
        found = self._results_at_hand()
        if found is not None:
            self._take_reading(found)
        else:
            self.show_scene("patient")
            self._tell("Read. Not measured yet.")

    def _results_at_hand(self) -> Reading | None:
        """Return the reading on disk, if it was made of this scan under these corrections."""
        if self.results is None or self.scan is None:
            return None
        try:
            reading = read_reading(self.results / self.session.scan_id)
        except (Refused, OSError):
            return None
        same = reading.provenance.input_digest == self.scan.digest
        return reading if same and _same_corrections(reading, self.session) else None

    # ---- measuring ----

    @property
    def is_measuring(self) -> bool:
        """Whether a measurement is under way."""
        return self._measurement is not None

    @property
    def is_reading(self) -> bool:
        """Whether a scan is being read."""
        return self._coming is not None or self._other is not None

    @property
    def hint(self) -> str:
        """What to do where there is no cursor yet."""
        return "" if self.navigator is not None else _FIND_FIRST

    @property
    def is_current(self) -> bool:
        """Whether what is shown was measured under the corrections as they stand."""
        return self.reading is not None and _same_corrections(self.reading, self.session)

    def measure(self) -> None:
        """Measure the scan as the case file stands, corrections not yet saved included."""
        if self._measurement is not None or self.scan is None:
            return
        case = self.session.case
        try:
            known = known_of(case, self.session.scan)
        except Refused as error:
            self._fail(str(problem) for problem in error.problems)
            return
        self._measurement = Measurement(self.session.scan.path, known, self._measure)
        self._tell("Starting ...")

    def cancel(self) -> None:
        """End a measurement at once; what was shown before stays."""
        if self._measurement is not None:
            self._measurement.cancel()
            self._measurement = None
            self._tell("Cancelled; nothing was changed.")

    def tick(self) -> None:
        """Take up what happened elsewhere; called again and again."""
        if self._coming is not None and self._coming[1].done():
            _, future = self._coming
            self._coming = None
            self._take_coming(future)
        if self._other is not None and self._other[1].done():
            scan_id, future = self._other
            self._other = None
            self._take_other(scan_id, future)
        for event in self._measurement.poll() if self._measurement is not None else []:
            if isinstance(event, Told):
                self._tell(f"{event.text} ...")
            elif isinstance(event, Done):
                self._measurement = None
                self._take_reading(event.reading)
            elif isinstance(event, Failed):
                self._measurement = None
                self._fail(event.reasons)

    def close(self) -> None:
        """End everything that still runs."""
        self.cancel()
        self._reader.shutdown(wait=False, cancel_futures=True)

    def _take_coming(self, future: Future[Scan]) -> None:
        try:
            self._take_scan(future.result())
        except Refused as error:
            self.scan = None
            self._fail(str(problem) for problem in error.problems)
        except OSError as error:
            self._fail([f"cannot-read: {error.strerror or error}."])

    def _take_reading(self, reading: Reading) -> None:
        self.reading, self.problems = reading, tuple(str(p) for p in reading.scan.problems)
        ids = [implant.id for implant in reading.implants]
        if not ids:
            self.show_scene("patient")
            self._tell("Measured. No screw in this scan.")
            return
        kept = self.screw_id if self.screw_id in ids else ids[0]
        self._tell("Measured." if self.is_shown else "Measured; shown once your reading is locked.")
        self.show_screw(kept)

    # ---- what is shown ----

    @property
    def implant(self) -> ImplantReading | None:
        """The screw that is shown."""
        implants = self.reading.implants if self.reading is not None else ()
        return next((implant for implant in implants if implant.id == self.screw_id), None)

    def show_screw(self, screw_id: str) -> None:
        """Show one of the screws on its sheet."""
        self.screw_id, self.over_id = screw_id, ""
        implant, scan = self.implant, self.scan
        if implant is None or scan is None:
            return
        at = (self.navigator.depth_mm, self.navigator.angle_deg) if self.navigator else None
        part = surroundings(scan, implant.frame, _AROUND_MM)
        picture = ScrewPicture(part, implant, self._corrected(implant), is_shown=self.is_shown)
        self.navigator = Navigator(self.viewer, picture, self._cursor_moved, self._dragged)
        self._forget_scenes()
        self.show_scene("sheet")
        self.navigator.go(*(at or (_first_look_mm(implant), 0.0)))
        self.on_change()

    def show_scene(self, scene: str) -> None:
        """Show the sheet, the whole CT or the CT along the screw; layers of others are not touched."""
        if scene != "patient" and self.navigator is None:
            self._tell(_FIND_FIRST)
            return
        if scene not in self._scenes:
            self._scenes[scene] = self._layers_of(scene)
        for name, layers in self._scenes.items():
            if name != scene:
                for layer in layers:
                    if layer in self.viewer.layers:
                        self.viewer.layers.remove(layer)
        for layer in self._scenes[scene]:
            if layer not in self.viewer.layers:
                self.viewer.layers.append(layer)
        self.scene = scene
        self._set_view()
        self.on_change()

    def _set_view(self) -> None:
        self.viewer.dims.ndisplay = 2
        is_sheet = self.scene == "sheet"
        camera = getattr(self.viewer, "scene", self.viewer).camera  # it moved with napari 0.9
        camera.mouse_pan = not is_sheet  # on the sheet the mouse moves the cursor
        if not is_sheet:
            image = self._scenes[self.scene][0]
            middle = scenes.middle_slice(image)
            implant = self.implant
            if self.scene == "patient" and implant is not None:
                centre = (implant.frame.origin_mm + implant.frame.tip_mm) / 2.0
                middle = (float(centre[2]), float(centre[1]), float(centre[0]))
            for axis, value in enumerate(middle):
                self.viewer.dims.set_point(axis, value)
        self.viewer.reset_view(margin=0.02)
        self._move_letters()

    def _layers_of(self, scene: str) -> list[Layer]:
        assert self.scan is not None
        picture = self.navigator.picture if self.navigator is not None else None
        if scene == "sheet":
            assert self.navigator is not None
            return self.navigator.layers
        if scene == "patient":
            layers, turn = scenes.patient_layers(self.scan, picture), scenes.Turn()
            letters = scenes.letter_layer(layers[0], turn, None)
        else:
            assert picture is not None
            layers, turn = scenes.screw_layers(picture), scenes.Turn(picture)
            letters = scenes.letter_layer(layers[0], turn, picture)
        return [*layers, letters]

    def _move_letters(self, _: Any = None) -> None:
        """Keep the patient letters at the rims of the slice that is shown."""
        layers = self._scenes.get(self.scene, [])
        if self.scene == "sheet" or len(layers) < 2 or self.viewer.dims.ndim != 3:
            return
        picture = self.navigator.picture if self.scene == "screw" and self.navigator else None
        words, places = scenes.letters_at(
            layers[0], self.viewer.dims.displayed, self.viewer.dims.point, picture
        )
        letters = layers[-1]
        letters.data = places
        letters.features = {"word": words}
        letters.refresh_text()

    def _forget_scenes(self) -> None:
        for layers in self._scenes.values():
            for layer in layers:
                if layer in self.viewer.layers:
                    self.viewer.layers.remove(layer)
        self._scenes = {}

    def set_window(self, name: str) -> None:
        """Show all CTs in one of `WINDOWS_HU`."""
        limits = WINDOWS_HU[name]
        if self.navigator is not None:
            self.navigator.set_window(limits)
        for layers in self._scenes.values():
            for layer in layers:
                if layer.name.startswith(("CT", "other CT")):
                    layer.contrast_limits = limits

    # ---- another CT over this one ----

    def others(self) -> list[str]:
        """Return the other scans of the case that were measured, by their ids."""
        if self.results is None:
            return []
        names = [scan.name for scan in self.session.case.scan if scan.name != self.session.scan_id]
        return [name for name in names if (self.results / name / "reading.json").is_file()]

    def lay_over(self, scan_id: str) -> None:
        """Lay another CT of the same screw over this one, aligned by the screw; "" takes it away."""
        if self.navigator is None:
            return
        if not scan_id:
            self._show_other("", None)
            return
        entry = next(scan for scan in self.session.case.scan if scan.name == scan_id)
        self._other = (scan_id, self._reader.submit(read_scan, entry.path))
        self._tell(f"Reading scan {scan_id} ...")

    def _take_other(self, scan_id: str, future: Future[Scan]) -> None:
        assert self.results is not None
        try:
            scan, reading = future.result(), read_reading(self.results / scan_id)
        except Refused as error:
            self._fail(str(problem) for problem in error.problems)
            return
        implant = next((one for one in reading.implants if one.id == self.screw_id), None)
        if implant is None:
            self._tell(f"Scan {scan_id} shows no screw {self.screw_id}.")
            return
        self._show_other(scan_id, (surroundings(scan, implant.frame, _AROUND_MM), implant.frame))
        self._tell(
            f"Scan {scan_id} in orange, {self.session.scan_id} in blue, laid screw on screw; grey: alike."
        )

    def _show_other(self, scan_id: str, over: tuple[Scan, ScrewFrame] | None) -> None:
        assert self.navigator is not None
        self.over_id = scan_id
        self._renew(replace(self.navigator.picture, earlier=over))

    # ---- correcting ----

    def _corrected(self, implant: ImplantReading) -> Corrected:
        """Return where everything of a screw stands: as corrected, else as measured."""
        held = self.session.scan.corrected.get(implant.id)
        plane = implant.defect.plane if implant.defect is not None else None
        head, tip = implant.frame.origin_mm, implant.frame.tip_mm
        if held is None:
            return Corrected(head, tip, plane)
        return Corrected(
            head if held.head_mm is None else np.array(held.head_mm),
            tip if held.tip_mm is None else np.array(held.tip_mm),
            plane if held.defect is None else held.defect,
            held.left_out,
        )

    def _found(self, part: str) -> Any:
        """Return the value of a part as shown before it was corrected."""
        implant = self.implant
        if implant is None or part in ("left_out", "artefact"):
            return None
        if part == "defect":
            plane = implant.defect.plane if implant.defect else None
            return None if plane is None else [float(v) for v in np.r_[plane.point_mm, plane.normal]]
        point = implant.frame.origin_mm if part == "head_mm" else implant.frame.tip_mm
        return [float(v) for v in point]

    def _dragged(self, part: str, to: list[float]) -> None:
        self.correct(part, to)

    def correct(self, part: str, to: Any, remark: str = "") -> None:
        """Correct a part of the screw that is shown."""
        what = f"{self.screw_id}.{part}"
        self._change(correct(self.session, what, to, self._found(part), self.author, now(), remark))

    def leave_out(self, part: str, remark: str = "") -> None:
        """Leave out the box drawn on the map, or the sector at the cursor; `part` is left_out or artefact."""
        navigator = self.navigator
        if navigator is None:
            self._tell(_FIND_FIRST)
            return
        patch = navigator.box or sector_patch(navigator.picture, navigator.depth_mm, navigator.angle_deg)
        so_far = list(value_of(self.session, f"{self.screw_id}.{part}") or [])
        if _entry(patch) not in so_far:
            navigator.box = None
            self.correct(part, [*so_far, _entry(patch)], remark)

    def remark(self, text: str) -> None:
        """Add a remark on the screw that is shown, or on the scan."""
        if text.strip():
            self._change(add_remark(self.session, self.screw_id, text.strip(), self.author, now()))

    def undo(self) -> None:
        """Undo the last correction that is not saved."""
        self._change(undo(self.session))

    def redo(self) -> None:
        """Do again what was undone last."""
        self._change(redo(self.session))

    def take_back(self, what: str) -> None:
        """Take back the last correction of a part, saved or not."""
        self._change(take_back(self.session, what, self.author, now()))

    def save(self) -> bool:
        """Write the corrections into the case file; tells and returns whether it could."""
        try:
            self.session = save(self.session)
        except Refused as error:
            self._fail(str(problem) for problem in error.problems)
            return False
        except OSError as error:
            self._fail([f"cannot-write: {self.session.path} ({error.strerror})."])
            return False
        self._tell(f"Saved in {self.session.path.name}.")
        return True

    def lock(self, entries: Sequence[ReaderEntry]) -> None:
        """Write a reader's own values into the case file, then show ours."""
        if not entries:
            self._tell("Enter at least one value of your own.")
            return
        blind = [entry.model_copy(update={"blind": not self.is_shown, "time": now()}) for entry in entries]
        try:
            self.session = lock_readings(self.session, blind)
        except (Refused, OSError) as error:
            self._fail([str(error)])
            return
        self.reveal("Your reading is locked in the case file.")

    def reveal(self, told: str) -> None:
        """Show our figures."""
        self.is_shown = True
        if self.navigator is not None:
            self._renew(replace(self.navigator.picture, is_shown=True))
        self._tell(told)

    def _change(self, session: Session) -> None:
        self.session = session
        implant = self.implant
        if self.navigator is not None and implant is not None:
            self._renew(replace(self.navigator.picture, corrected=self._corrected(implant)))
        self.on_change()

    def _renew(self, picture: ScrewPicture) -> None:
        """Show another state of the screw; scenes that are not open are made anew when asked for."""
        assert self.navigator is not None
        self.navigator.show(picture)
        for name in [name for name in self._scenes if name not in ("sheet", self.scene)]:
            del self._scenes[name]
        if self.scene != "sheet":
            layers = self._scenes.pop(self.scene)
            for layer in layers:
                self.viewer.layers.remove(layer)
            self.show_scene(self.scene)
        elif "sheet" in self._scenes:
            self._scenes["sheet"] = self.navigator.layers
        self.on_change()

    # ---- words ----

    def rows(self) -> tuple[Row, ...]:
        """Return the table under the map; empty until a reader has locked an own reading."""
        implant = self.implant
        if implant is None or self.reading is None or not self.is_shown:
            return ()
        return rows_of(implant, self.reading.findings, self.session.case.patient.site)

    def place(self) -> str:
        """Return what stands at the cursor."""
        if self.navigator is None:
            return ""
        if np.isfinite(self.navigator.caliper_mm):
            return f"caliper {self.navigator.caliper_mm:.2f} mm"
        return place_words(self.navigator.picture, self.navigator.depth_mm, self.navigator.angle_deg)

    def _cursor_moved(self) -> None:
        self.on_cursor()

    def _on_mouse(self, viewer: Any, event: Any) -> Any:
        if self.scene == "sheet" and self.navigator is not None:
            yield from self.navigator.on_mouse(viewer, event)

    def _tell(self, text: str) -> None:
        self.status = text
        self.on_change()

    def _fail(self, reasons: Any) -> None:
        self.problems = tuple(reasons)
        self._tell(self.problems[0] if self.problems else "failed")


def _entry(patch: Patch) -> dict[str, list[float]]:
    return {"depth_mm": list(patch.depth_mm), "angle_deg": list(patch.angle_deg)}


def _first_look_mm(implant: ImplantReading) -> float:
    """Return the depth the cursor starts at: the middle of the screw-head side."""
    if implant.defect is None:
        return implant.frame.length_mm / 2.0
    return implant.defect.depth_mm(implant.frame) / 2.0


def _same_corrections(reading: Reading, session: Session) -> bool:
    """Whether a reading was made under the corrections of the session as they stand."""
    made = [(entry.what, entry.to) for entry in reading.corrections]
    return made == [(entry.what, entry.to) for entry in session.scan.correction]
