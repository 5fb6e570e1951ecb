"""A path becomes a case with one of its scans read; what cannot serve leaves nothing behind."""

from __future__ import annotations

from pathlib import Path

from ongrowth.read import read_scan
from ongrowth.scan import Scan
from ongrowth_napari.session import Session, case_file_of, new_case_file, open_session, scan_id_in

Opened = tuple[Session, Scan]


def open_case(path: Path, scan_id: str = "") -> Opened:
    """Return a case file and one of its scans, by default the latest.

    Raises
    ------
    Refused
        If the case file or its scan cannot serve.
    OSError
        If the case file cannot be read.
    """
    session = open_session(path, scan_id)
    return session, read_scan(session.scan.path, series=session.scan.series)


def open_ct(path: Path, weeks: float | None = None, site: str = "") -> Opened:
    """Return a CT under the case file beside it, which is written if there is none.

    Read first: for a CT that cannot serve no case file is written.

    Raises
    ------
    Refused
        If the CT cannot serve, or the case file that stands there already.
    OSError
        If the folder of the CT cannot be written to.
    """
    if case_file_of(path).exists():
        return open_case(case_file_of(path), scan_id_in(case_file_of(path), path))
    scan = read_scan(path)
    case = new_case_file(path, weeks, site)
    return open_session(case, scan_id_in(case, path)), scan
