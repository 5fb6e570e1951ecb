"""A case file being corrected: what is on disk, what was corrected since, undo, and saving."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ongrowth.casefile import (
    CaseFile,
    Correction,
    ReaderEntry,
    ScanEntry,
    add_entries,
    new_case_text,
    parse_case_file,
    read_case_file,
    scan_name,
    write_case_text,
)
from ongrowth.correction import correction_words, split_what
from ongrowth.scan import refuse


@dataclass(frozen=True, slots=True)
class Session:
    """A case file with one scan open. Frozen: every deed returns a new one.

    Parameters
    ----------
    path : Path
        The case file.
    text : str
        Its text when it was read last.
    scan_id : str
        The scan that is open.
    pending : tuple of Correction
        Made since, not saved.
    undone : tuple of Correction
        Taken back by undo, the last one first; a new correction forgets them.
    """

    path: Path
    text: str
    scan_id: str
    pending: tuple[Correction, ...] = ()
    undone: tuple[Correction, ...] = ()

    @property
    def case(self) -> CaseFile:
        """The case as it would be after saving: what is measured in the viewer is what the file says."""
        text = add_entries(self.text, self.scan_id, self.pending)
        return parse_case_file(text, self.path.resolve().parent)

    @property
    def scan(self) -> ScanEntry:
        """The scan that is open, corrections not yet saved included."""
        return next(scan for scan in self.case.scan if scan.name == self.scan_id)


def open_session(path: Path, scan_id: str = "") -> Session:
    """Open a case file at one of its scans, by default the last one after surgery.

    Raises
    ------
    BadCaseFile
        If it cannot be read.
    Refused
        Code ``no-such-scan`` if the case has no scan of that name.
    """
    case = read_case_file(path)
    names = [scan.name for scan in case.scan]
    if scan_id and scan_id not in names:
        raise refuse(
            "no-such-scan", f"The case has no scan {scan_id!r}.", f"Its scans are {', '.join(names)}."
        )
    after = [scan for scan in case.scan if scan.role != "pre-op"] or list(case.scan)
    latest = max(after, key=lambda scan: _week(case, scan))
    return Session(path, _text_of(path), scan_id or latest.name)


def _text_of(path: Path) -> str:
    """Return the text of a case file as it stands on disk."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        what = f"The case file {path.name} is no UTF-8 text any more."
        raise refuse("no-case-file", what, "Mend it in an editor; nothing was written.") from error


def _week(case: CaseFile, scan: ScanEntry) -> float:
    weeks = case.weeks_of(scan)
    return -math.inf if math.isnan(weeks) else weeks


def case_file_of(scan: Path) -> Path:
    """Return where the case file of a scan stands: beside it.

    Examples
    --------
    >>> case_file_of(Path("/in/w08.nii.gz")).name, case_file_of(Path("/in/ct.2")).name
    ('w08.case.toml', 'ct.2.case.toml')
    """
    whole = scan.resolve()
    return whole.parent / f"{scan_name(whole)}.case.toml"


def scan_id_in(case: Path, scan: Path) -> str:
    """Return the id that a scan has in a case file.

    Raises
    ------
    Refused
        Code ``another-case`` if that case does not name the scan.
    """
    for entry in read_case_file(case).scan:
        if entry.path.resolve() == scan.resolve():
            return entry.name
    raise refuse(
        "another-case",
        f"The case file {case.name} beside {scan.name} does not name this scan.",
        f"Add a [[scan]] for {scan.name} to it and open the case file, or move the scan.",
    )


def new_case_file(scan: Path, weeks: float | None = None, site: str = "") -> Path:
    """Write a case file beside a scan, or return the one that stands there already.

    Raises
    ------
    OSError
        If that folder cannot be written to.
    """
    path = case_file_of(scan)
    if not path.exists():
        write_case_text(path, new_case_text(Path(scan.resolve().name), weeks, site))
    return path


def now() -> dt.datetime:
    """Return the time, to the second, with its zone."""
    return dt.datetime.now().astimezone().replace(microsecond=0)


def value_of(session: Session, what: str) -> Any:
    """Return the value that the last correction of a part gave it; None: as found."""
    values = [entry.to for entry in session.scan.correction if entry.what == what]
    return values[-1] if values else None


def made_correction(
    what: str, before: Any, to: Any, author: str, time: dt.datetime, remark: str = ""
) -> Correction:
    """Return a correction as it goes into the case file."""
    fields = {"what": what, "from": before, "to": to, "author": author, "time": time, "remark": remark}
    return Correction.model_validate(fields)


def correct(
    session: Session, what: str, to: Any, found: Any, author: str, time: dt.datetime, remark: str = ""
) -> Session:
    """Return the session with one more correction.

    Parameters
    ----------
    session : Session
        So far.
    what : str
        Part that is corrected, for example ``left.head_mm``.
    to : Any
        Its new value; None: as found again.
    found : Any
        Its value as found, told as the one before where none was set.
    author, remark : str
        Who, and why.
    time : datetime
        When.
    """
    before = value_of(session, what)
    entry = made_correction(what, found if before is None else before, to, author, time, remark)
    return replace(session, pending=(*session.pending, entry), undone=())


def add_remark(session: Session, screw: str, text: str, author: str, time: dt.datetime) -> Session:
    """Return the session with a remark on a screw, or on the scan where none is named."""
    what = f"{screw}.remark" if screw else "remark"
    return correct(session, what, None, None, author, time, text)


def undo(session: Session) -> Session:
    """Return the session without its last correction not saved."""
    if not session.pending:
        return session
    *kept, last = session.pending
    return replace(session, pending=tuple(kept), undone=(last, *session.undone))


def redo(session: Session) -> Session:
    """Return the session with what was undone last."""
    if not session.undone:
        return session
    first, *rest = session.undone
    return replace(session, pending=(*session.pending, first), undone=tuple(rest))


def take_back(session: Session, what: str, author: str, time: dt.datetime) -> Session:
    """Return the session with a part as it was before its last correction, saved ones included.

    The file keeps both: what was done, and that it was taken back.
    """
    entries = [entry for entry in session.scan.correction if entry.what == what]
    if not entries:
        return session
    if session.pending and session.pending[-1] is entries[-1]:
        return undo(session)
    earlier = entries[-2].to if len(entries) > 1 else None
    return correct(session, what, earlier, entries[-1].from_, author, time, "taken back")


def save(session: Session) -> Session:
    """Write what is pending into the case file, as it stands on disk now; returns the session after it.

    Raises
    ------
    Refused
        If the file was broken meanwhile; then nothing is written.
    """
    text = add_entries(_text_of(session.path), session.scan_id, session.pending)
    write_case_text(session.path, text)
    return replace(session, text=text, pending=(), undone=())


def lock_readings(session: Session, readings: Sequence[ReaderEntry]) -> Session:
    """Write a reader's own readings into the file at once, before anything of ours is shown."""
    text = add_entries(_text_of(session.path), session.scan_id, (), readings)
    write_case_text(session.path, text)
    return replace(session, text=text)


def in_words(entry: Correction) -> str:
    """Return a correction in a line of words."""
    screw, part = split_what(entry.what)
    name = f"{screw}: " if screw else ""
    if part == "remark":
        return f"{name}remark: {entry.remark}"
    why = f" ({entry.remark})" if entry.remark else ""
    return f"{name}{correction_words(entry.what, entry.to)}{why}"
