"""One scan to be measured: what is known of it, and the digest that tells whether it is done."""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import ongrowth
from ongrowth.case import FirstDays, Known, run_reading
from ongrowth.casefile import told_weeks
from ongrowth.findings import read_windows, shipped_windows
from ongrowth.reading import CorrectionRecord, ReaderValue, libraries, program_digest, write_reading
from ongrowth.reports.table import ScanColumns, TableRow, reading_rows, scan_columns
from ongrowth.screw import ScrewSpec
from ongrowth.series.digest import content_digest, listing_digest


@dataclass(frozen=True, slots=True)
class Job:
    """One scan of a cohort.

    Parameters
    ----------
    case, scan : str
        Pseudonym of the patient, and id of the scan within the case.
    path : Path
        Folder, zip or volume file; absolute.
    screws : tuple of ScrewSpec
        Screws of the case as far as known.
    weeks : float
        Weeks since surgery; NaN: from the dates.
    series : str
        Number or UID of the series; by default the one best for measuring.
    surgery_date, scan_date : date or None
        Days, where known.
    site, role : str
        As in the case file.
    birth_year : int or None
        For the dose factor.
    calibration, windows : Path or None
        Calibration file or folder; windows table.
    corrections : tuple of CorrectionRecord
        By hand, from the case file.
    readers : tuple of ReaderValue
        Readers' own values, from the case file; they change no number.
    grafts : tuple of (str, str)
        Side of a defect and the graft laid into it, from the case file.
    preop : Job or None
        CT of the same case from before surgery.
    first_days : tuple of Job
        CTs of the same case from the first days, which lend their blur where no calibration is given.
    extra : tuple of pairs of str
        Columns of the manifest that are passed through, name and text.
    """

    case: str
    scan: str
    path: Path
    screws: tuple[ScrewSpec, ...] = ()
    weeks: float = math.nan
    series: str = ""
    surgery_date: dt.date | None = None
    scan_date: dt.date | None = None
    site: str = ""
    role: str = ""
    birth_year: int | None = None
    calibration: Path | None = None
    windows: Path | None = None
    corrections: tuple[CorrectionRecord, ...] = field(default=(), compare=False)
    readers: tuple[ReaderValue, ...] = field(default=(), compare=False)
    grafts: tuple[tuple[str, str], ...] = ()
    preop: Job | None = None
    first_days: tuple[Job, ...] = ()
    extra: tuple[tuple[str, str], ...] = field(default=(), compare=False)

    @property
    def told_weeks(self) -> float:
        """Weeks since surgery as told beside the scan; NaN: the header must tell."""
        return told_weeks(self.weeks, self.surgery_date, self.scan_date)

    def known(self) -> Known:
        """Return what is known beside the scan, as the recipe takes it."""
        return Known(
            screws=self.screws,
            series=self.series,
            weeks=self.weeks,
            surgery_date=self.surgery_date,
            scan_date=self.scan_date,
            site=self.site,
            birth_year=self.birth_year,
            calibration=self.calibration,
            windows=read_windows(self.windows) if self.windows else shipped_windows(),
            scan_id=self.scan,
            role=self.role,
            corrections=self.corrections,
            readers=self.readers,
            preop=self.preop.path if self.preop else None,
            preop_series=self.preop.series if self.preop else "",
            first_days=tuple(FirstDays(one.path, one.known()) for one in self.first_days),
            grafts=self.grafts,
        )


@dataclass(frozen=True, slots=True)
class Measurement:
    """What one scan gives to the tables."""

    columns: ScanColumns
    rows: tuple[TableRow, ...]


Measure = Callable[[Job, Path], Measurement]
"""Measures one scan and may write what else belongs to it into a folder of its own."""


def measure_scan(job: Job, folder: Path) -> Measurement:
    """Measure a scan and write its reading.

    Parameters
    ----------
    job : Job
        The scan.
    folder : Path
        Where ``reading.json`` and its company go.

    Raises
    ------
    Refused
        If the scan cannot serve.
    """
    reading = run_reading(job.path, job.known())
    write_reading(reading, folder)
    return Measurement(scan_columns(reading), reading_rows(reading))


def settings_digest(job: Job, measure: Measure) -> str:
    """Return the SHA-256 of everything but the images that a scan's numbers depend on.

    Files (calibrations, windows) count by their content, not by their place; so does the program, with the
    libraries it measures by and the function that measures.
    """
    facts: dict[str, Any] = {name: getattr(job, name) for name in _SETTINGS}
    facts |= {
        "screws": [dataclasses.asdict(screw) for screw in job.screws],
        "calibration": _content(job.calibration),
        "windows": _content(job.windows),
        "corrections": [(made.what, made.to) for made in job.corrections],
        "preop": _lender(job.preop, measure) if job.preop else None,
        "first_days": [_lender(one, measure) for one in job.first_days],
        "version": ongrowth.__version__,
        "program": program_digest(),
        "libraries": libraries(),
        "measure": f"{measure.__module__}.{measure.__qualname__}",
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True, default=str).encode()).hexdigest()


_SETTINGS = ("scan", "series", "weeks", "surgery_date", "scan_date", "site", "role", "birth_year", "grafts")


def _lender(job: Job, measure: Measure) -> tuple[str, str]:
    """Return what tells whether a CT that lends something has changed; its files are not read for that."""
    try:
        files = listing_digest(job.path)
    except OSError:
        files = ""
    return settings_digest(job, measure), files


def _content(path: Path | None) -> str | None:
    return None if path is None else _content_as(path, listing_digest(path))


@functools.lru_cache(maxsize=64)
def _content_as(path: Path, _listing: str) -> str:
    """Return the digest of files that many scans share; read again only when they have changed."""
    return content_digest(path)
