"""What may stand in a case file, entry by entry."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ongrowth.correction import ScrewCorrection, check_correction, corrections_of
from ongrowth.reading import QUANTITIES, CorrectionRecord, ReaderValue
from ongrowth.scan import Level, Problem
from ongrowth.screw import ScrewSpec
from ongrowth.wording import week_number

Millimetres = tuple[float, float, float]
ImplantSide = Literal["left", "right", "midline"]
Surface = Literal["ha-coated", "porous", "plain", "lag"]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]

WEEKS_FROM, WEEKS_TO = -520.0, 5200.0  # ten years before, a lifetime after
_SHORTEST_MM = 5.0  # of a shaft
_HUNDRED_YEARS = 100
_MISMATCH_WEEKS = 0.2  # a day and a half: the time of day, not a mistake


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)


class PatientEntry(_Part):
    """The patient, under a pseudonym."""

    id: str = Field(default="", max_length=64, description="pseudonym, never a name")
    birth_year: int | None = Field(
        default=None, ge=1900, le=2100, description="picks the k-factor row for dose"
    )
    site: str = Field(
        default="", max_length=32, description="vertebra or bone, for example L5; never inferred"
    )
    remark: str = Field(
        default="", max_length=200, description="printed under the heading; for example that it is a phantom"
    )


class SurgeryEntry(_Part):
    """The operation."""

    date: dt.date | None = Field(default=None, description="day of surgery")


class DefectInfo(_Part):
    """A defect of one side, as known from elsewhere."""

    side: ImplantSide = Field(description="left, right or midline")
    oedema_signal: Literal["present", "absent", "unknown"] = Field(
        default="unknown",
        description="oedema signal on MRI before surgery, for the record (`before` has --oedema)",
    )
    graft: Literal["none", "autograft", "allograft", "enhancer"] = Field(
        default="none", description="graft laid into the defect; its side then bears a caution"
    )


class Implant(_Part):
    """A screw, as far as it is known. Lengths in mm, points in patient mm (LPS)."""

    id: Name = Field(description="name of the screw, letters, digits, . _ -")
    side: ImplantSide | None = Field(default=None, description="left, right or midline")
    major_diameter_mm: float | None = Field(
        default=None, ge=1.0, le=14.0, description="over the thread crests"
    )
    root_diameter_mm: float | None = Field(default=None, ge=0.5, le=14.0, description="core of the thread")
    pitch_mm: float | None = Field(default=None, ge=0.2, le=8.0, description="thread pitch")
    length_mm: float | None = Field(
        default=None, ge=_SHORTEST_MM, le=160.0, description="shaft under the head to the tip"
    )
    thread: Literal["full", "partial"] = Field(default="full", description="partial: with a smooth shank")
    thread_start_mm: float | None = Field(
        default=None, ge=0.0, le=160.0, description="where a partial thread starts"
    )
    shank_diameter_mm: float | None = Field(
        default=None, ge=0.5, le=14.0, description="smooth part of the shaft"
    )
    cannula_diameter_mm: float = Field(default=0.0, ge=0.0, le=6.0, description="lumen; 0: solid")
    coating_mm: float = Field(default=0.0, ge=0.0, le=1.0, description="thickness of the coating")
    surface: Surface = Field(default="ha-coated", description="ha-coated, porous, plain or lag")
    material: Literal["titanium", "steel", "cobalt-chrome"] = Field(default="titanium", description="metal")
    head_mm: Millimetres | None = Field(default=None, description="head end of the shaft in the first scan")
    tip_mm: Millimetres | None = Field(default=None, description="tip in the first scan that shows it")

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        named = {"left", "right"} & set(re.split(r"[._-]+", self.id.lower()))
        if self.side in ("left", "right") and named and self.side not in named:
            raise ValueError(f"the id names the {named.pop()} side, but side is {self.side!r}")
        major, root = self.major_diameter_mm, self.root_diameter_mm
        if major is not None and root is not None and root >= major:
            raise ValueError("root_diameter_mm must be smaller than major_diameter_mm")
        core = root or major
        if core is not None and self.cannula_diameter_mm >= core:
            raise ValueError("cannula_diameter_mm must be smaller than the core of the screw")
        if (self.head_mm is None) != (self.tip_mm is None):
            raise ValueError("head_mm and tip_mm must be given together")
        if self.head_mm and self.tip_mm and math.dist(self.head_mm, self.tip_mm) < _SHORTEST_MM:
            raise ValueError(f"head_mm and tip_mm lie less than {_SHORTEST_MM:g} mm apart")
        self._check_shank()
        return self

    def _check_shank(self) -> None:
        """Refuse a shank that cannot be: one stated too thick hides a halo."""
        stated = {"thread_start_mm": self.thread_start_mm, "shank_diameter_mm": self.shank_diameter_mm}
        if self.thread == "full" and (told := [name for name, value in stated.items() if value is not None]):
            raise ValueError(f'{told[0]} needs thread = "partial"')
        if (self.shank_diameter_mm or 0.0) > (self.major_diameter_mm or math.inf):
            raise ValueError("shank_diameter_mm must not be above major_diameter_mm")
        if (self.thread_start_mm or 0.0) >= (self.length_mm or math.inf):
            raise ValueError("thread_start_mm must be smaller than length_mm")

    def spec(self) -> ScrewSpec:
        """Return what is known of the screw, NaN for what is not."""
        lengths = (
            "major_diameter_mm",
            "root_diameter_mm",
            "pitch_mm",
            "length_mm",
            "thread_start_mm",
            "shank_diameter_mm",
        )
        known: dict[str, Any] = {
            name: math.nan if getattr(self, name) is None else getattr(self, name) for name in lengths
        }
        same = (
            "id",
            "thread",
            "cannula_diameter_mm",
            "coating_mm",
            "surface",
            "material",
            "head_mm",
            "tip_mm",
        )
        return ScrewSpec(side=self.side or "", **known, **{name: getattr(self, name) for name in same})


class Correction(_Part):
    """A correction by hand, as the viewer writes it."""

    what: str = Field(description="what was corrected, for example left.head_mm")
    from_: Any = Field(default=None, alias="from", description="value before")
    to: Any = Field(default=None, description="value after")
    author: str = Field(default="", description="who")
    time: dt.datetime | None = Field(default=None, description="when")
    remark: str = Field(default="", description="why")

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        check_correction(self.what, self.to, self.remark)
        return self


class ReaderEntry(_Part):
    """A reader's own reading of one quantity."""

    id: str = Field(min_length=1, max_length=64, description="pseudonym of the reader")
    time: dt.datetime | None = Field(default=None, description="when it was read")
    implant: str = Field(default="", description="id of the screw; empty: the only one")
    quantity: str = Field(description="what was read, in the words of the result file")
    side: Literal["", "head_side", "tip_side", "whole", "defect", "screw"] = Field(
        default="", description="head_side, tip_side, whole, defect, screw or empty"
    )
    value: float | None = Field(default=None, description="number read, mm or a share of 1")
    category: str = Field(default="", max_length=64, description="category read")
    against_window: Literal["", "as expected", "undecided", "outside", "not measurable"] = Field(
        default="", description="as expected, undecided, outside or not measurable"
    )
    blind: bool = Field(default=False, description="true: read before ours was shown, and locked since")

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.quantity not in QUANTITIES:
            near = difflib.get_close_matches(self.quantity, QUANTITIES, n=1)
            raise ValueError(f"quantity {self.quantity!r} is not known; {_hint(near)}")
        if self.value is None and not self.category and not self.against_window:
            raise ValueError("a reading needs a value, a category or against_window")
        return self


def _hint(near: list[str]) -> str:
    return f"did you mean {near[0]}?" if near else f"known: {', '.join(QUANTITIES)}"


class ScanEntry(_Part):
    """One CT of the case."""

    id: Name | None = Field(default=None, description="default: name of the path")
    path: Path = Field(description="folder, zip, or one NIfTI, NRRD or MHA file, relative to the case file")
    series: str = Field(
        default="", description="number or UID of the series; default: the one best for measuring"
    )
    date: dt.date | None = Field(default=None, description="day of the scan")
    weeks_since_surgery: float | None = Field(
        default=None, ge=WEEKS_FROM, le=WEEKS_TO, description="wins over dates; negative before surgery"
    )
    role: Literal["pre-op", "baseline", "follow-up"] | None = Field(
        default=None, description="its part in the case"
    )
    calibration: Path | None = Field(default=None, description="calibration of this scan's protocol")
    correction: tuple[Correction, ...] = Field(default=(), description="corrections by hand")
    reader: tuple[ReaderEntry, ...] = Field(default=(), description="readings by readers")

    @property
    def name(self) -> str:
        """The scan's id: the one given, or the name of its path."""
        return self.id or scan_name(self.path)

    @property
    def weeks(self) -> float:
        """Weeks since surgery as given here; NaN: the dates must tell."""
        return math.nan if self.weeks_since_surgery is None else self.weeks_since_surgery

    @property
    def corrected(self) -> dict[str, ScrewCorrection]:
        """What holds of this scan after all corrections, by screw."""
        return corrections_of((entry.what, entry.to) for entry in self.correction)


def correction_records(scan: ScanEntry) -> tuple[CorrectionRecord, ...]:
    """Return the corrections of a scan as they go into its reading.

    Parameters
    ----------
    scan : ScanEntry
        A scan of a case file.
    """
    return tuple(
        CorrectionRecord(made.what, made.from_, made.to, made.author, made.remark) for made in scan.correction
    )


def reader_values(scan: ScanEntry) -> tuple[ReaderValue, ...]:
    """Return the readers' own values of a scan as they go into its reading.

    Parameters
    ----------
    scan : ScanEntry
        A scan of a case file.
    """
    return tuple(
        ReaderValue(
            reader=read.id,
            implant=read.implant,
            site=read.side,
            quantity=read.quantity,
            value=math.nan if read.value is None else read.value,
            category=read.category,
            against_window=read.against_window,
            is_blind=read.blind,
        )
        for read in scan.reader
    )


class Settings(_Part):
    """Where calibrations and windows come from."""

    calibration: Path | None = Field(
        default=None, description="file or folder written by `ongrowth calibrate` or `ongrowth bank`"
    )
    windows: Path | None = Field(default=None, description="windows table, TOML")


class CaseFile(_Part):
    """A whole case; paths are absolute once read."""

    patient: PatientEntry = PatientEntry()
    surgery: SurgeryEntry = SurgeryEntry()
    defect: tuple[DefectInfo, ...] = ()
    implant: tuple[Implant, ...] = ()
    scan: tuple[ScanEntry, ...] = Field(description="one [[scan]] for each CT")
    settings: Settings = Settings()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        told = [
            *_twice("implant id", [implant.id for implant in self.implant]),
            *_twice("scan id", _alike([scan.name for scan in self.scan])),
            *_twice("defect side", [defect.side for defect in self.defect]),
            *(fault for scan in self.scan for fault in _time_faults(scan, self.weeks_of(scan))),
            *self._birth_faults(),
        ]
        if not self.scan:
            told.append("a case needs at least one [[scan]]")
        if told:
            raise ValueError("; ".join(told))
        return self

    def _birth_faults(self) -> list[str]:
        """Return what lies before the patient was born: a mistyped year moves every expected range."""
        days = [("the surgery", self.surgery.date), *((f"scan {one.name!r}", one.date) for one in self.scan)]
        birth = self.patient.birth_year or 0
        return [f"{what} lies before birth_year {birth}" for what, day in days if day and day.year < birth]

    @property
    def grafts(self) -> tuple[tuple[str, str], ...]:
        """Side of each grafted defect, and the graft laid into it."""
        return tuple((one.side, one.graft) for one in self.defect if one.graft != "none")

    def weeks_of(self, scan: ScanEntry) -> float:
        """Return the weeks since surgery of a scan, by its week or else its date; NaN if neither is given."""
        return told_weeks(scan.weeks, self.surgery.date, scan.date)


def weeks_between(surgery: dt.date | None, scan: dt.date | None) -> float:
    """Return the weeks from surgery to a scan; NaN if either day is not known.

    Parameters
    ----------
    surgery, scan : date or None
        Day of surgery; day of the scan.

    Examples
    --------
    >>> weeks_between(dt.date(2031, 3, 4), dt.date(2031, 4, 29))
    8.0
    """
    return math.nan if surgery is None or scan is None else (scan - surgery).days / 7.0


def told_weeks(weeks: float, surgery: dt.date | None, scan: dt.date | None) -> float:
    """Return the weeks since surgery of a scan, by its week or else its date; NaN if neither is known.

    Parameters
    ----------
    weeks : float
        As told; NaN: not told.
    surgery, scan : date or None
        Day of surgery; day of the scan.

    Examples
    --------
    >>> told_weeks(5.0, dt.date(2031, 3, 4), dt.date(2031, 4, 29))
    5.0
    """
    return weeks_between(surgery, scan) if math.isnan(weeks) else weeks


def week_mismatch(told_weeks: float, surgery: dt.date | None, *scan: dt.date | None) -> Problem | None:
    """Return the caution that a date of the scan does not fit the week that was told, or any life.

    Parameters
    ----------
    told_weeks : float
        Weeks since surgery as told; NaN: not told.
    surgery, scan : date or None
        Day of surgery; day of the scan as it was told, and as its header has it.
    """
    by_dates = [weeks_between(surgery, day) for day in scan]
    far = [weeks for weeks in (told_weeks, *by_dates) if abs(weeks) > WEEKS_TO]  # never NaN
    if far:
        text = (
            f"By its dates the scan is of week {week_number(far[0])}: more than a hundred years from surgery."
        )
        return Problem("week-mismatch", Level.CAUTION, text, "Check the date of surgery and of the scan.")
    other = [weeks for weeks in by_dates if abs(weeks - told_weeks) > _MISMATCH_WEEKS]  # never of NaN
    if not other:
        return None
    return Problem(
        "week-mismatch",
        Level.CAUTION,
        f"The date of the scan gives week {week_number(other[0])}, "
        f"but week {week_number(told_weeks)} was told and is used.",
        "Check the date of surgery and of the scan.",
    )


def scan_name(path: Path) -> str:
    """Return the default id of a scan: the name of its path, in letters that suit a folder.

    Parameters
    ----------
    path : Path
        Folder or file of the scan.

    Examples
    --------
    >>> scan_name(Path("in/w08.nii.gz")), scan_name(Path("a b/"))
    ('w08', 'a-b')
    """
    name = path.name or path.resolve().name
    bare = re.sub(r"\.(nii|nrrd|nhdr|mha|mhd|zip|dcm)?(\.gz)?$", "", name, flags=re.IGNORECASE)
    slug = re.sub(r"[^A-Za-z0-9._-]+", "-", bare).strip("-._")[:64]
    return slug or "scan"


def _alike(names: list[str]) -> list[str]:
    """Return names with those that differ in capitals alone made one: on some systems they are one folder."""
    first = {name.lower(): name for name in reversed(names)}
    return [first[name.lower()] for name in names]


def _twice(what: str, names: list[str]) -> list[str]:
    return [
        f"{what} {name!r} stands there more than once" for name in sorted(set(names)) if names.count(name) > 1
    ]


def _time_faults(scan: ScanEntry, weeks: float) -> list[str]:
    if scan.role == "pre-op" and weeks >= 0.0:
        return [f"scan {scan.name!r} is pre-op, but lies at week {week_number(weeks)} after surgery"]
    if abs(weeks) > _HUNDRED_YEARS * 52.2:
        return [f"scan {scan.name!r} lies {weeks:.0f} weeks from surgery"]
    return []
