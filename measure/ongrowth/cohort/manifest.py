"""The manifest: a table of scans, looked through whole before anything is measured."""

from __future__ import annotations

import difflib
import hashlib
import math
import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ongrowth.case import may_lend
from ongrowth.casefile import (
    SHORT_NAMES,
    BadCaseFile,
    CaseFile,
    correction_records,
    read_case_file,
    reader_values,
    scan_name,
    week_mismatch,
    written_path,
)
from ongrowth.cohort.cells import IMPLANT_COLUMNS, Cells, Row, fault, is_name
from ongrowth.cohort.job import Job
from ongrowth.cohort.rows import UnreadableError, read_rows
from ongrowth.read import date_of
from ongrowth.reports.table import ROW_COLUMNS, SCAN_COLUMNS
from ongrowth.scan import Level, Problem
from ongrowth.screw import ScrewSpec
from ongrowth.sentence import counted

_TIME_COLUMNS = ("weeks_since_surgery", "surgery_date", "scan_date")
_SCAN_FACTS = (*_TIME_COLUMNS, "scan_id", "role", "site", "birth_year", "calibration")
KNOWN_COLUMNS = ("case_file", "case", "scan", *_SCAN_FACTS, "implant", *IMPLANT_COLUMNS)
_TAKEN = {*ROW_COLUMNS, *SCAN_COLUMNS, "case", "scan", "category", "state"} - set(KNOWN_COLUMNS)
_ROLES = ("", "pre-op", "baseline", "follow-up")
_WHAT_IT_HOLDS = {
    "case": "it holds the pseudonym of the patient, docs/cohort.md lists all columns",
    "scan": "it holds the path of the CT, relative to the manifest",
}
_ALIKE = 0.85  # two letters of seven swapped
_UNIT = re.compile(r"_(cm|m|in|inch|inches|um|micron|days?|months?|years?|percent|rad)$")


class BadManifest(BadCaseFile):
    """A manifest that cannot be used; carries every fault at once."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong with the manifest.

    Rows are counted as a spreadsheet shows them: the head is row 1; row 0 stands for the table as a whole.
    """

    row: int
    problem: Problem
    case: str = ""
    scan: str = ""


@dataclass(frozen=True, slots=True)
class MissedVisit:
    """A visit that was planned and has no scan; it is kept as missing."""

    case: str
    weeks: float
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Manifest:
    """A cohort to be measured.

    Parameters
    ----------
    jobs : tuple of Job
        One for each scan, in the order of the table.
    missed : tuple of MissedVisit
        Rows without a scan.
    extra_columns : tuple of str
        Columns that are passed through.
    faults : tuple of Fault
        What is wrong; their scans are not among the jobs.
    notes : tuple of Problem
        What a reader should know though it can be used.
    digest : str
        SHA-256 of the file.
    """

    jobs: tuple[Job, ...]
    missed: tuple[MissedVisit, ...] = ()
    extra_columns: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    notes: tuple[Problem, ...] = ()
    digest: str = ""


def read_manifest(
    path: Path, *, calibration: Path | None = None, windows: Path | None = None, skip_bad_rows: bool = False
) -> Manifest:
    """Read a manifest, CSV or Parquet.

    Parameters
    ----------
    path : Path
        The table; paths in it are relative to its folder.
    calibration : Path, optional
        Calibration file or folder for scans whose row names none.
    windows : Path, optional
        Windows table for all scans.
    skip_bad_rows : bool
        Leave scans with a fault out instead of refusing; they are among the faults.

    Raises
    ------
    BadManifest
        Every fault at once, each with its row: codes ``no-manifest``, ``missing-column``,
        ``unknown-unit``, ``misspelt-column``, ``taken-column``, ``column-not-read``, ``bad-cell``,
        ``bad-implant``, ``bad-case-file``, ``no-such-path``, ``empty-folder``, ``duplicate-scan``,
        ``rows-disagree``.
    """
    manifest = look_through(path, calibration=calibration, windows=windows)
    fatal = manifest.faults if not skip_bad_rows else [f for f in manifest.faults if f.row == 0]
    if fatal or not (manifest.jobs or manifest.faults):
        empty = fault("no-manifest", f"{path.name} names no scan.", "Give one row for each scan and implant.")
        raise BadManifest(*(told(fatal) or [empty]))
    return manifest


def told(faults: Iterable[Fault]) -> list[Problem]:
    """Return the problems of faults with their rows in front; what is wrong on several rows is told once.

    Parameters
    ----------
    faults : iterable of Fault
        By row.
    """
    rows: dict[tuple[Problem, str, str], list[int]] = {}
    for one in faults:
        rows.setdefault((one.problem, one.case, one.scan), []).append(one.row)
    return [replace(key[0], text=f"{_rows_words(found)}{key[0].text}") for key, found in rows.items()]


def _rows_words(rows: Sequence[int]) -> str:
    """Return the place of a fault.

    Examples
    --------
    >>> _rows_words([7]), _rows_words([2, 3, 9]), _rows_words([0])
    ('Row 7: ', 'Rows 2, 3, 9: ', '')
    """
    named = ", ".join(str(row) for row in dict.fromkeys(rows) if row)
    return f"Row{'s' if ',' in named else ''} {named}: " if named else ""


def look_through(path: Path, *, calibration: Path | None = None, windows: Path | None = None) -> Manifest:
    """Read a manifest and collect everything that is wrong with it, without refusing.

    Parameters
    ----------
    path : Path
        CSV or Parquet.
    calibration, windows : Path, optional
        Hold for every row that names none of its own.
    """
    try:
        return _looked_through(path, calibration, windows)
    except UnreadableError as error:
        return Manifest((), faults=(Fault(0, error.problem),))


def _looked_through(path: Path, calibration: Path | None, windows: Path | None) -> Manifest:
    columns, rows = read_rows(path)
    faults = [Fault(0, problem) for problem in _column_faults(columns)]
    if faults:
        return Manifest((), faults=tuple(faults))
    folder = path.resolve().parent
    reader = _Reader(folder, tuple(c for c in columns if c not in KNOWN_COLUMNS), calibration, windows)
    by_file = "case_file" in columns
    for number, row in rows:
        reader.take_case_file(number, row) if by_file else reader.take(number, row)
    return replace(reader.manifest(), digest=hashlib.sha256(path.read_bytes()).hexdigest())


def _column_faults(columns: Sequence[str]) -> Iterator[Problem]:
    """Tell what is wrong with the head of the table."""
    if "case_file" not in columns:
        for name in ("case", "scan"):
            if name not in columns:
                near = difflib.get_close_matches(name, columns, n=1, cutoff=0.7)
                hint = f"Is it {near[0]}?" if near else f"Add it; {_WHAT_IT_HOLDS[name]}."
                yield fault("missing-column", f"The column {name} is missing.", hint)
    elif beside := [name for name in columns if name in KNOWN_COLUMNS and name != "case_file"]:
        what = f"Beside case_file nothing is read from {', '.join(beside)}."
        yield fault("column-not-read", what, "Say it in the case files, or leave case_file out.")
    for place, name in enumerate(columns, start=1):
        if not name:
            yield fault("bad-cell", f"Column {place} has no name.", "Name it, or delete it.")
    for name in sorted({c for c in columns if c and columns.count(c) > 1}):
        yield fault("bad-cell", f"The column {name} stands there twice.", "Name it apart.")
    for name in columns:
        if name and name not in KNOWN_COLUMNS:
            yield from _strange_column(name)


def _strange_column(name: str) -> Iterator[Problem]:
    """Tell if a column that is not ours looks as if it was meant to be, or takes a name of the results."""
    if name in _TAKEN:
        yield fault("taken-column", f"The column {name} is a name of the results.", f"Call it my_{name}.")
        return
    bare = _UNIT.sub("", name)
    if meant := SHORT_NAMES.get(re.sub(r"_mm$", "", bare)):
        yield fault("misspelt-column", f"The column {name} is not known.", f"Did you mean {meant}?")
        return
    with_unit = [
        c for c in KNOWN_COLUMNS if bare in (c, re.sub(r"_mm$", "", c), c.removesuffix("_since_surgery"))
    ]
    if with_unit and (bare != name or with_unit[0] != name):
        advice = f"Lengths are in mm, times in weeks: give {with_unit[0]}."
        yield fault("unknown-unit", f"The unit of column {name} is not the one expected.", advice)
    elif re.search(r"_since_surgery$|^(weeks?|months?|days?)$", name):
        advice = "Give weeks_since_surgery, or surgery_date and scan_date."
        yield fault("unknown-unit", f"The unit of column {name} is not the one expected.", advice)
    elif near := difflib.get_close_matches(name, KNOWN_COLUMNS, n=1, cutoff=_ALIKE):
        yield fault("misspelt-column", f"The column {name} is not known.", f"Did you mean {near[0]}?")


@dataclass(slots=True)
class _Draft:
    """A scan that may stand on several rows, one for each implant."""

    row: int
    job: Job
    facts: dict[str, str]
    implants: list[str]


class _Reader:
    """Takes the rows one by one and keeps what they say."""

    def __init__(
        self, folder: Path, extra: tuple[str, ...], calibration: Path | None, windows: Path | None
    ) -> None:
        self.folder, self.extra = folder, extra
        self.calibration, self.windows = calibration, windows
        self.drafts: dict[tuple[str, Path], _Draft] = {}
        self.missed: dict[str, MissedVisit] = {}  # by what they print: NaN equals nothing
        self.faults: list[Fault] = []
        self.notes: list[Problem] = []
        self.case_of: dict[Path, str] = {}
        self.bad: set[tuple[str, Path]] = set()

    def take(self, number: int, row: Row) -> None:
        """Take a row that describes a scan and, if it names one, an implant."""
        case, scan = row.get("case", ""), row.get("scan", "")
        cells = Cells(row)
        if "" in row:
            cells.faults.append(
                fault("bad-cell", "The row has more or fewer cells than the head.", "Mend it.")
            )
        if not is_name(case):
            advice = "Use letters a to z, digits, dot, dash, underscore; a pseudonym."
            cells.faults.append(fault("bad-cell", f"case: {case!r} cannot be used as a name.", advice))
        if not scan:
            self._take_missed(number, case, cells)
            return
        draft, spec = self._draft(number, case, scan, cells), cells.screw()
        if cells.faults:
            self._refuse(draft, cells.faults)
        else:
            self._join(draft, spec)

    def _refuse(self, draft: _Draft, problems: Sequence[Problem]) -> None:
        """Keep what is wrong; the whole scan is left out."""
        job = draft.job
        self.faults += [Fault(draft.row, problem, job.case, job.scan) for problem in problems]
        self.bad.add((job.case, job.path))

    def _take_missed(self, number: int, case: str, cells: Cells) -> None:
        missed = MissedVisit(case, cells.number("weeks_since_surgery"), self._extra(cells.row))
        self.faults += [Fault(number, problem, case) for problem in cells.faults]
        if not cells.faults:
            self.missed.setdefault(repr(missed), missed)

    def _extra(self, row: Row) -> tuple[tuple[str, str], ...]:
        return tuple((name, " ".join(row.get(name, "").split())) for name in self.extra)

    def _draft(self, number: int, case: str, scan: str, cells: Cells) -> _Draft:
        path = written_path(self.folder, scan)
        cells.faults += _path_faults(path, scan)
        row = cells.row
        job = Job(
            case=case,
            scan=cells.name("scan_id") or scan_name(path),
            path=path,
            weeks=cells.weeks(),
            surgery_date=cells.date("surgery_date"),
            scan_date=cells.date("scan_date"),
            site=row.get("site", "")[:32],
            role=cells.word("role", _ROLES),
            birth_year=cells.year("birth_year"),
            calibration=self._calibration(cells),
            windows=self.windows,
            extra=self._extra(row),
        )
        facts = {name: row.get(name, "") for name in (*_SCAN_FACTS, *self.extra)}
        return _Draft(number, job, facts, [])

    def _calibration(self, cells: Cells) -> Path | None:
        name = cells.row.get("calibration", "")
        if not name:
            return self.calibration
        path = written_path(self.folder, name)
        if not os.path.exists(path):  # noqa: PTH110 - of odd paths Path would raise
            cells.faults.append(fault("no-such-path", f"calibration: there is nothing at {name}."))
        return path

    def _join(self, draft: _Draft, spec: ScrewSpec | None) -> None:
        """Add an implant to a scan already there, or the scan itself."""
        job = draft.job
        here = self.drafts.setdefault((job.case, job.path), draft)
        problems = [*self._shared(here, draft), *_disagreement(here, draft), *_twice(here, spec)]
        if problems:
            self._refuse(draft, problems)
            return
        here.implants.append(spec.id if spec else "")
        if spec is not None:
            here.job = replace(here.job, screws=(*here.job.screws, spec))

    def _shared(self, here: _Draft, draft: _Draft) -> Iterator[Problem]:
        """Tell of a scan that another patient has too."""
        owner = self.case_of.setdefault(draft.job.path, draft.job.case)
        if here is draft and owner != draft.job.case:
            yield fault(
                "duplicate-scan",
                f"The scan {draft.job.path.name} is also a scan of {owner}.",
                "One scan belongs to one patient.",
            )

    def take_case_file(self, number: int, row: Row) -> None:
        """Take a row that names a case file; each of its scans is a job."""
        name = row.get("case_file", "")
        path = written_path(self.folder, name)
        try:
            case_file = read_case_file(path)
        except BadCaseFile as error:
            told = [replace(p, text=f"{name}: {p.text}") for p in error.problems]
            self.faults += [Fault(number, problem) for problem in told]
            return
        case = case_file.patient.id or path.stem
        if not is_name(case):
            advice = "Use letters a to z, digits, dot, dash, underscore."
            self.faults.append(Fault(number, fault("bad-cell", f"patient id {case!r} is no name.", advice)))
            return
        for job in _case_jobs(case, case_file, self.windows, self.calibration):
            draft = _Draft(number, replace(job, extra=self._extra(row)), {}, [])
            files = {"path": job.path, "calibration": job.calibration, "windows table": job.windows}
            lost = [what for what, file in files.items() if file and not os.path.exists(file)]  # noqa: PTH110
            if lost:
                texts = (f"{name}: there is nothing at the {what} of scan {job.scan}." for what in lost)
                self._refuse(draft, [fault("no-such-path", text, "Check the path.") for text in texts])
            else:
                self._join(draft, None)

    def manifest(self) -> Manifest:
        """Return what the rows say together."""
        jobs = [draft.job for key, draft in self.drafts.items() if key not in self.bad]
        jobs = _with_lenders(_dated(_with_own_names(jobs, self._name_fault)))
        self._note_times(jobs)
        faults = sorted(self.faults, key=lambda fault: fault.row)
        return Manifest(
            tuple(jobs), tuple(self.missed.values()), self.extra, tuple(faults), tuple(self.notes)
        )

    def _name_fault(self, job: Job, other: Job) -> None:
        problem = fault(
            "duplicate-scan",
            f"Two scans would both be called {job.case}, {job.scan} (the other: {other.case}, {other.scan}).",
            "Tell them apart with the column scan_id.",
        )
        self.faults.append(Fault(self.drafts[job.case, job.path].row, problem, job.case, job.scan))

    def _note_times(self, jobs: Sequence[Job]) -> None:
        for job in jobs:
            if doubt := week_mismatch(job.weeks, job.surgery_date, job.scan_date):
                self.notes.append(replace(doubt, text=f"{job.case}, {job.scan}: {doubt.text}"))
        timeless = [job for job in jobs if math.isnan(job.weeks) and job.surgery_date is None]
        if timeless:
            self.notes.append(
                Problem(
                    "no-weeks",
                    Level.NOTE,
                    f"No window applies to {counted(len(timeless), 'scan')}: no week is told.",
                    "Add the column weeks_since_surgery or surgery_date.",
                )
            )


def _path_faults(path: Path, scan: str) -> Iterator[Problem]:
    """Tell of a scan that is not there, or of a folder without a file."""
    if not os.path.exists(path):  # noqa: PTH110
        yield fault("no-such-path", f"scan: there is nothing at {scan}.", "Check the path.")
    elif path.is_dir() and not any(names for _, _, names in os.walk(path)):
        yield fault("empty-folder", f"scan: the folder {scan} holds no file.", "Give the folder of the scan.")


def _twice(here: _Draft, spec: ScrewSpec | None) -> Iterator[Problem]:
    """Tell of an implant, or a scan, that is there already."""
    name = spec.id if spec else ""
    if name in here.implants or ("" in here.implants and here.implants):
        what = f"The implant {name!r}" if name else "The scan"
        yield fault(
            "duplicate-scan",
            f"{what} of {here.job.case}, {here.job.scan} stands there twice.",
            f"It is on row {here.row} already; leave one out.",
        )


def _disagreement(here: _Draft, draft: _Draft) -> Iterator[Problem]:
    """Tell where two rows of one scan say different things of it."""
    for name, value in draft.facts.items():
        if here is not draft and here.facts.get(name, "") != value:
            yield fault(
                "rows-disagree",
                f"{name} is {value!r} here and {here.facts[name]!r} on row {here.row}, for the same scan.",
                "Give the same on every row of a scan.",
            )


def _case_jobs(
    case: str, case_file: CaseFile, windows: Path | None, calibration: Path | None
) -> Iterator[Job]:
    settings = case_file.settings
    for scan in case_file.scan:
        yield Job(
            case=case,
            scan=scan.name,
            path=scan.path,
            series=scan.series,
            screws=tuple(implant.spec() for implant in case_file.implant),
            weeks=scan.weeks,
            surgery_date=case_file.surgery.date,
            scan_date=scan.date,
            site=case_file.patient.site,
            role=scan.role or "",
            birth_year=case_file.patient.birth_year,
            calibration=scan.calibration or settings.calibration or calibration,
            windows=settings.windows or windows,
            corrections=correction_records(scan),
            readers=reader_values(scan),
            grafts=case_file.grafts,
        )


def _dated(jobs: Sequence[Job]) -> list[Job]:
    """Return the jobs with the day that a header alone tells, where CTs of one case may serve each other."""
    size = Counter(job.case for job in jobs)
    return [
        replace(job, scan_date=date_of(job.path, series=job.series))
        if job.surgery_date and size[job.case] > 1 and math.isnan(job.told_weeks)
        else job
        for job in jobs
    ]


def _with_lenders(jobs: Sequence[Job]) -> list[Job]:
    """Return the jobs with the other CTs of their case that serve them, as `follow` takes them."""
    before = {job.case: job for job in reversed(jobs) if job.role == "pre-op"}
    placed = [
        job if before.get(job.case, job) is job else replace(job, preop=before[job.case]) for job in jobs
    ]
    fresh: dict[str, list[Job]] = {}
    for job in placed:
        if may_lend(job.told_weeks):
            fresh.setdefault(job.case, []).append(job)
    return [
        replace(
            job,
            first_days=tuple(o for o in fresh.get(job.case, ()) if may_lend(o.told_weeks, job.told_weeks)),
        )
        for job in placed
    ]


def _with_own_names(jobs: Sequence[Job], clash: Callable[[Job, Job], None]) -> list[Job]:
    """Return the jobs with ids that no other scan of the case has, also where case does not count."""
    taken: dict[tuple[str, str], Job] = {}
    out = []
    for job in jobs:
        for candidate in (job, replace(job, scan=_longer_name(job))):
            key = (candidate.case.lower(), candidate.scan.lower())
            other = taken.setdefault(key, candidate)
            if other is candidate:
                out.append(candidate)
                break
        else:
            clash(job, taken[job.case.lower(), job.scan.lower()])
    return out


def _longer_name(job: Job) -> str:
    """Return an id made of the last two names of the path, where folders below visits bear one name."""
    return scan_name(Path(f"{job.path.parent.name}-{scan_name(job.path)}"))


__all__ = [
    "KNOWN_COLUMNS",
    "BadManifest",
    "Fault",
    "Manifest",
    "MissedVisit",
    "look_through",
    "read_manifest",
    "told",
]
