"""The desk: a case file, its scan, what was measured, and what of it the viewer shows. No window in here.

The panel asks `Desk.tick` several times a second; everything slow happens elsewhere: scans are read in a
thread, measurements run in a process of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ongrowth.case import is_made_of, known_of
from ongrowth.casefile import ReaderEntry
from ongrowth.correction import split_what
from ongrowth.frame import Patch
from ongrowth.read import read_scan
from ongrowth.reading import ImplantReading, Reading, read_reading, surroundings
from ongrowth.scan import Refused, Scan
from ongrowth_napari.measuring import Done, Failed, Measure, Measurement, Told, measure_whole
from ongrowth_napari.navigator import Navigator
from ongrowth_napari.opening import Opened, open_case, open_ct
from ongrowth_napari.picture import Corrected, ScrewPicture, sector_patch
from ongrowth_napari.session import (
    Session,
    add_remark,
    correct,
    in_words,
    lock_readings,
    now,
    open_session,
    redo,
    save,
    take_back,
    undo,
    value_of,
)
from ongrowth_napari.stage import WINDOWS_HU, Stage
from ongrowth_napari.table import Row, place_words, rows_of

_AROUND_MM = 18.0  # kept of the CT round a screw
_FIND_FIRST = "Measure first: then the screws are known."
_BEING_FOUND = "The screws are being looked for; until then the whole CT is shown."
_SAVE_FIRST = "Save or undo the corrections of this scan first."
_BEFORE = "These figures were measured before your correction. Measure again to renew them."
_LOCKED = "The figures are shown once your own reading is locked."


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
        self.session, self.author = session, author
        self.results, self.reads_first = results, reads_first
        self.is_shown = not reads_first
        self.measures_at_once, self.is_open = False, True
        self.stage = Stage(viewer)
        self.scan: Scan | None = None
        self.reading: Reading | None = None
        self.screw_id, self.over_id = "", ""
        self.status = ""
        self.problems: tuple[str, ...] = ()
        self.on_change: Callable[[], None] = lambda: None
        self.on_cursor: Callable[[], None] = lambda: None
        self._measure = measure
        self._measurement: Measurement | None = None
        self._kept: dict[str, Reading] = {}
        self._reader = ThreadPoolExecutor(max_workers=1)
        self._coming: Future[Opened] | None = None
        self._other: tuple[str, Future[Scan]] | None = None
        if scan is None:
            self.open_scan(session.scan_id)
        else:
            self._take_scan(session, scan)

    # ---- opening ----

    def open_scan(self, scan_id: str) -> None:
        """Read another scan of the case in a thread."""
        session = replace(self.session, scan_id=scan_id, undone=())
        self._open(
            lambda: (session, read_scan(session.scan.path, series=session.scan.series)), f"scan {scan_id}"
        )

    def open_case(self, path: Path) -> None:
        """Read the latest scan of another case in a thread."""
        self._open(lambda: open_case(path), path.name)

    def open_ct(self, path: Path) -> None:
        """Read a CT in a thread, under a case file beside it, which is written if there is none."""
        self._open(lambda: open_ct(path), path.name)

    def _open(self, read: Callable[[], Opened], what: str) -> None:
        """Start reading; refused while something is not saved. What is open stays until it is read."""
        if self.session.pending:
            self._tell(_SAVE_FIRST)
            return
        self.cancel()
        self._coming = self._reader.submit(read)
        self._tell(f"Reading {what} ...")

    def _take_coming(self, future: Future[Opened]) -> None:
        if self.session.pending:  # made while it was read
            self._tell(_SAVE_FIRST)
            return
        try:
            session, scan = future.result()
            if session.path == self.session.path:  # with what was saved and locked while it was read
                session = open_session(session.path, session.scan_id)
        except (Refused, OSError) as error:
            self._fail(_reasons(error))
            return
        if session.path != self.session.path:
            self.results, self._kept = None, {}
        self._take_scan(session, scan)

    def _take_scan(self, session: Session, scan: Scan) -> None:
        self.cancel()  # a measurement of the scan that was open till now
        self.session, self.scan, self.reading = session, scan, None
        self._other = None
        self.screw_id, self.over_id, self.problems = "", "", ()
        self.is_shown = not self.reads_first or any(entry.blind for entry in self.session.scan.reader)
        self.stage.set_scan(scan)
        found = self._reading_at_hand()
        if found is not None:
            self._take_reading(found)
            return
        self.show_scene("patient")
        self._tell("Read. Not measured yet.")
        if self.measures_at_once:
            self.measure()

    def _reading_at_hand(self) -> Reading | None:
        """Return a reading made before, if it was made of this scan and of what the case file says of it."""
        reading = self._reading_of(self.session.scan_id)
        if reading is None or self.scan is None or reading.provenance.input_digest != self.scan.digest:
            return None
        is_so = _same_corrections(reading, self.session) and (
            self.session.scan_id in self._kept or self._is_as_told(reading)
        )
        return reading if is_so else None

    def _is_as_told(self, reading: Reading) -> bool:
        """Whether `follow` made a reading under the case file as it stands, with this very program."""
        try:
            known = known_of(self.session.case, self.session.scan)
        except Refused:
            return False
        return is_made_of(reading, self.session.scan.path, known)

    def _reading_of(self, scan_id: str) -> Reading | None:
        """Return what was measured of a scan of the case, here or by `follow`."""
        if scan_id in self._kept or self.results is None:
            return self._kept.get(scan_id)
        try:
            return read_reading(self.results / scan_id)
        except (Refused, OSError):
            return None

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
    def is_current(self) -> bool:
        """Whether what is shown was measured under the corrections as they stand."""
        return self.reading is not None and _same_corrections(self.reading, self.session)

    @property
    def warning(self) -> str:
        """What must be known of the figures that are shown; empty if nothing."""
        if self.implant is None:
            return ""
        if not self.is_shown:
            return _LOCKED
        return "" if self.is_current else _BEFORE

    def measure(self) -> None:
        """Measure the scan as the case file stands, corrections not yet saved included."""
        if self._measurement is not None or self.scan is None:
            return
        case = self.session.case
        try:
            known = known_of(case, self.session.scan)
        except Refused as error:
            self._fail(_reasons(error))
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
        if self._coming is not None and self._coming.done():
            future, self._coming = self._coming, None
            self._take_coming(future)
        if self._other is not None and self._other[1].done():
            (scan_id, other), self._other = self._other, None
            self._take_other(scan_id, other)
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
        """End everything that still runs and leave the viewer as it was; once is enough."""
        if not self.is_open:
            return
        self.is_open = False
        self.cancel()
        self._reader.shutdown(wait=False, cancel_futures=True)
        self.stage.close()
        self.on_change = self.on_cursor = lambda: None

    def _take_reading(self, reading: Reading) -> None:
        self.reading, self.problems = reading, tuple(str(p) for p in reading.scan.problems)
        self._kept[self.session.scan_id] = reading
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

    @property
    def navigator(self) -> Navigator | None:
        """Cursor and cuts of the screw that is shown; None before one is known."""
        return self.stage.navigator

    def show_screw(self, screw_id: str) -> None:
        """Show one of the screws on its sheet."""
        self.screw_id, self.over_id = screw_id, ""
        implant, scan = self.implant, self.scan
        if implant is None or scan is None:
            return
        before = self.navigator
        picture = ScrewPicture(
            surroundings(scan, implant.frame, _AROUND_MM),
            implant,
            self._corrected(implant),
            is_shown=self.is_shown,
            is_current=self.is_current,
        )
        navigator = Navigator(self.stage.viewer, picture, self._cursor_moved, self.correct)
        self.stage.set_screw(navigator)
        self.stage.show("sheet")
        at = (before.depth_mm, before.angle_deg) if before else (_first_look_mm(implant), 0.0)
        navigator.go(*at)
        self.on_change()

    def show_scene(self, scene: str) -> None:
        """Show one of the scenes of the stage."""
        if scene != "patient" and self.navigator is None:
            self._tell(_FIND_FIRST)
            return
        self.stage.show(scene)
        self.on_change()

    def set_window(self, name: str) -> None:
        """Show all CTs in one of `WINDOWS_HU`."""
        self.stage.set_window(WINDOWS_HU[name])

    # ---- another CT over this one ----

    def others(self) -> list[str]:
        """Return the other scans of the case that were measured, by their ids."""
        names = [scan.name for scan in self.session.case.scan if scan.name != self.session.scan_id]
        return [name for name in names if name in self._kept or self._is_result(name)]

    def _is_result(self, scan_id: str) -> bool:
        return self.results is not None and (self.results / scan_id / "reading.json").is_file()

    def lay_over(self, scan_id: str) -> None:
        """Lay another CT of the same screw over this one, aligned by the screw; "" takes it away."""
        navigator = self.navigator
        if navigator is None:
            return
        if not scan_id:
            self.over_id = ""
            self._renew(replace(navigator.picture, earlier=None))
            self._tell("Nothing is laid over.")
            return
        entry = next(scan for scan in self.session.case.scan if scan.name == scan_id)
        self._other = (scan_id, self._reader.submit(read_scan, entry.path, series=entry.series))
        self._tell(f"Reading scan {scan_id} ...")

    def _take_other(self, scan_id: str, future: Future[Scan]) -> None:
        navigator, reading = self.navigator, self._reading_of(scan_id)
        try:
            scan = future.result()
        except (Refused, OSError) as error:
            self._fail(_reasons(error))
            return
        is_of_it = reading is not None and reading.provenance.input_digest == scan.digest
        implants = reading.implants if reading is not None and is_of_it else ()
        implant = next((one for one in implants if one.id == self.screw_id), None)
        if implant is None or navigator is None:
            why = f"shows no screw {self.screw_id}" if is_of_it else "has changed since it was measured"
            self._tell(f"Scan {scan_id} {why}.")
            return
        self.over_id = scan_id
        over = (surroundings(scan, implant.frame, _AROUND_MM), implant.frame)
        this = self.session.scan_id
        self._renew(replace(navigator.picture, earlier=over, names=(this, scan_id)))
        self._tell(f"Scan {scan_id} in orange over {this} in blue, laid screw on screw; alike is grey.")

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

    def plane_here(self, remark: str = "") -> None:
        """Put the plane of the defect to the cursor: with its tilt, or across the screw if it had none."""
        navigator = self.navigator
        if navigator is None:
            self._tell(_FIND_FIRST)
            return
        frame, plane = navigator.picture.frame, navigator.picture.corrected.plane
        point = frame.origin_mm + navigator.depth_mm * frame.axis_direction
        normal = frame.axis_direction if plane is None else plane.normal
        self.correct("defect", [float(v) for v in np.r_[point, normal]], remark)

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
            self._fail(_reasons(error))
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
        self.is_shown = True
        if self.navigator is not None:
            self._renew(replace(self.navigator.picture, is_shown=True))
        self._tell("Your reading is locked in the case file.")

    def _change(self, session: Session) -> None:
        more = len(session.pending) - len(self.session.pending)
        self.session = session
        implant = self.implant
        if self.navigator is not None and implant is not None:
            before, stands = self.navigator.picture, self._corrected(implant)
            self._renew(replace(before, corrected=stands, is_current=self.is_current))
        if more > 0:
            self._tell(f"{in_words(session.pending[-1])}; not saved yet.")
        elif more < 0:
            self._tell(f"Undone: {in_words(session.undone[0])}.")

    def _renew(self, picture: ScrewPicture) -> None:
        self.stage.renew(picture)
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
            return _BEING_FOUND if self.is_measuring else _FIND_FIRST
        if np.isfinite(self.navigator.caliper_mm):
            return f"caliper {self.navigator.caliper_mm:.2f} mm"
        return place_words(self.navigator.picture, self.navigator.depth_mm, self.navigator.angle_deg)

    def _cursor_moved(self) -> None:
        self.on_cursor()

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
    """Whether a reading was made under what the corrections of the session come to; remarks move nothing."""
    made = ((entry.what, entry.to) for entry in reading.corrections)
    return _holding(made) == _holding((entry.what, entry.to) for entry in session.scan.correction)


def _holding(corrections: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Return what holds in the end, part by part; what was taken back is as if it had never been."""
    last = {what: to for what, to in corrections if split_what(what)[1] != "remark"}
    return {what: to for what, to in last.items() if to}


def _reasons(error: Refused | OSError) -> list[str]:
    if isinstance(error, Refused):
        return [str(problem) for problem in error.problems]
    return [f"cannot-open: {error.filename or 'The file'} cannot be opened ({error.strerror or error})."]
