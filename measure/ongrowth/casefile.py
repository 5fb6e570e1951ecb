"""The case file: what a person wrote about a patient, the screws and the scans, in TOML."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from ongrowth.scan import Level, Problem, Refused
from ongrowth.screw import ScrewSpec
from ongrowth.wording import is_pars_site

Millimetres = tuple[float, float, float]
ImplantSide = Literal["left", "right", "midline"]
Surface = Literal["ha-coated", "porous", "plain", "lag"]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]

WEEKS_FROM, WEEKS_TO = -520.0, 5200.0  # ten years before, a lifetime after
_HUNDRED_YEARS = 100
_MISMATCH_WEEKS = 0.2  # a day and a half: the time of day, not a mistake


class BadCaseFile(Refused):
    """A case file that cannot be used; carries every fault at once."""


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


class SurgeryEntry(_Part):
    """The operation."""

    date: dt.date | None = Field(default=None, description="day of surgery")


class DefectInfo(_Part):
    """A defect of one side, as known from elsewhere."""

    side: ImplantSide = Field(description="left, right or midline")
    oedema_signal: Literal["present", "absent", "unknown"] = Field(
        default="unknown", description="oedema signal on MRI before surgery"
    )
    graft: Literal["none", "autograft", "allograft", "enhancer"] = Field(
        default="none", description="graft laid into the defect"
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
        default=None, ge=5.0, le=160.0, description="shaft under the head to the tip"
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
        major, root = self.major_diameter_mm, self.root_diameter_mm
        if major is not None and root is not None and root >= major:
            raise ValueError("root_diameter_mm must be smaller than major_diameter_mm")
        core = root or major
        if core is not None and self.cannula_diameter_mm >= core:
            raise ValueError("cannula_diameter_mm must be smaller than the core of the screw")
        if (self.head_mm is None) != (self.tip_mm is None):
            raise ValueError("head_mm and tip_mm must be given together")
        if self.thread == "full" and self.thread_start_mm is not None:
            raise ValueError('thread_start_mm needs thread = "partial"')
        return self

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


class ReaderEntry(_Part):
    """A reader's own reading, entered before ours is shown."""

    id: str = Field(description="pseudonym of the reader")
    time: dt.datetime | None = Field(default=None, description="when it was read")
    quantity: str = Field(description="what was read, in the words of the result file")
    side: str = Field(default="", description="head_side, tip_side or empty")
    value: float | None = Field(default=None, description="number read")
    category: str = Field(default="", description="category read")


class ScanEntry(_Part):
    """One CT of the case."""

    id: Name | None = Field(default=None, description="default: name of the path")
    path: Path = Field(description="folder, zip, or one NIfTI, NRRD or MHA file, relative to the case file")
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


class Settings(_Part):
    """Where calibrations and windows come from."""

    calibration: Path | None = Field(
        default=None, description="file or folder written by `ongrowth calibrate`"
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
            *_twice("scan id", [scan.name for scan in self.scan]),
            *_twice("defect side", [defect.side for defect in self.defect]),
            *(fault for scan in self.scan for fault in _time_faults(scan, self.surgery.date)),
        ]
        if not self.scan:
            told.append("a case needs at least one [[scan]]")
        if told:
            raise ValueError("; ".join(told))
        return self

    @property
    def site_is_pars(self) -> bool:
        """Whether sides may be printed as lamina side and pedicle side."""
        return is_pars_site(self.patient.site)

    def weeks_of(self, scan: ScanEntry, header_date: dt.date | None = None) -> float:
        """Return the weeks since surgery of a scan; NaN if nothing tells.

        The entry's own weeks win, then its date, then the date of the scan's header.
        """
        if scan.weeks_since_surgery is not None:
            return scan.weeks_since_surgery
        return weeks_between(self.surgery.date, scan.date or header_date)


def weeks_between(surgery: dt.date | None, scan: dt.date | None) -> float:
    """Return the weeks from surgery to a scan; NaN if either day is not known.

    Examples
    --------
    >>> weeks_between(dt.date(2031, 3, 4), dt.date(2031, 4, 29))
    8.0
    """
    return math.nan if surgery is None or scan is None else (scan - surgery).days / 7.0


def week_mismatch(told_weeks: float, surgery: dt.date | None, header: dt.date | None) -> Problem | None:
    """Return the note that a header's date does not fit the week that was told."""
    by_header = weeks_between(surgery, header)
    if math.isnan(by_header) or math.isnan(told_weeks) or abs(by_header - told_weeks) <= _MISMATCH_WEEKS:
        return None
    return Problem(
        "week-mismatch",
        Level.NOTE,
        f"The scan's own date gives week {by_header:.1f}, but week {told_weeks:.1f} was told and is used.",
        "Check the date of surgery and of the scan.",
    )


def scan_name(path: Path) -> str:
    """Return the default id of a scan: the name of its path, in letters that suit a folder.

    Examples
    --------
    >>> scan_name(Path("in/w08.nii.gz")), scan_name(Path("a b/"))
    ('w08', 'a-b')
    """
    name = path.name or path.resolve().name
    bare = re.sub(r"\.(nii|nrrd|nhdr|mha|mhd|zip|dcm)?(\.gz)?$", "", name, flags=re.IGNORECASE)
    slug = re.sub(r"[^A-Za-z0-9._-]+", "-", bare).strip("-._")[:64]
    return slug or "scan"


def read_case_file(path: Path) -> CaseFile:
    """Read a case file.

    Raises
    ------
    BadCaseFile
        Every fault at once: code ``no-case-file``, ``bad-toml`` or ``bad-case-file``, the place in the
        file, and what may stand there.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        what = f"The case file {path.name} cannot be read."
        raise BadCaseFile(
            _fault("no-case-file", what, "Check the path and that it is UTF-8 text.")
        ) from error
    return parse_case_file(text, path.resolve().parent)


def parse_case_file(text: str, folder: Path) -> CaseFile:
    """Return the case of a TOML text, its paths made absolute against a folder.

    Raises
    ------
    BadCaseFile
        As `read_case_file`.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what = f"The case file is no TOML: {error}."
        raise BadCaseFile(_fault("bad-toml", what, "Mend that line; texts and dates follow TOML.")) from error
    try:
        case = CaseFile.model_validate(table)
    except ValidationError as error:
        raise BadCaseFile(*(_told(fault) for fault in error.errors())) from error
    return _with_absolute_paths(case, folder)


def parse_implant(entry: dict[str, Any]) -> Implant:
    """Return a screw from its keys, as they would stand under ``[[implant]]``.

    Raises
    ------
    BadCaseFile
        Every fault at once.
    """
    try:
        return Implant.model_validate(entry)
    except ValidationError as error:
        faults = ({**fault, "loc": ("implant", *fault["loc"])} for fault in error.errors())
        raise BadCaseFile(*(_told(fault) for fault in faults)) from error


def _with_absolute_paths(case: CaseFile, folder: Path) -> CaseFile:
    def absolute(path: Path | None) -> Path | None:
        return None if path is None else (folder / path.expanduser()).resolve()

    scans = tuple(
        scan.model_copy(
            update={"id": scan.name, "path": absolute(scan.path), "calibration": absolute(scan.calibration)}
        )
        for scan in case.scan
    )
    settings = case.settings.model_copy(
        update={
            "calibration": absolute(case.settings.calibration),
            "windows": absolute(case.settings.windows),
        }
    )
    return case.model_copy(update={"scan": scans, "settings": settings})


def _twice(what: str, names: list[str]) -> list[str]:
    return [
        f"{what} {name!r} stands there more than once" for name in sorted(set(names)) if names.count(name) > 1
    ]


def _time_faults(scan: ScanEntry, surgery: dt.date | None) -> list[str]:
    weeks = scan.weeks_since_surgery
    if weeks is None:
        weeks = weeks_between(surgery, scan.date)
    if scan.role == "pre-op" and weeks >= 0.0:
        return [f"scan {scan.name!r} is pre-op, but lies {weeks:.1f} weeks after surgery"]
    if abs(weeks) > _HUNDRED_YEARS * 52.2:
        return [f"scan {scan.name!r} lies {weeks:.0f} weeks from surgery"]
    return []


def _fault(code: str, text: str, advice: str) -> Problem:
    return Problem(code, Level.REFUSE, text, advice)


def _told(fault: Any) -> Problem:
    """Return one fault of the case file as a sentence with its place and a suggestion."""
    place = _place(fault["loc"])
    kind, given = fault["type"], fault.get("input")
    if kind == "extra_forbidden":
        known = _known_keys(fault["loc"])
        near = difflib.get_close_matches(str(fault["loc"][-1]), known, n=1)
        advice = f"Did you mean {near[0]}?" if near else f"Known there: {', '.join(known)}."
        return _fault("bad-case-file", f"{place}: this key is not known.", advice)
    if kind == "missing":
        return _fault("bad-case-file", f"{place}: this key is missing.", _describe(fault["loc"]))
    if kind == "literal_error":
        words = re.findall(r"'([^']+)'", fault["ctx"]["expected"])
        near = difflib.get_close_matches(str(given), words, n=1)
        advice = f"Did you mean {near[0]}?" if near else f"It may be {', '.join(words)}."
        return _fault("bad-case-file", f"{place}: {given!r} is not one of {', '.join(words)}.", advice)
    said = _plain_message(fault)
    return _fault("bad-case-file", f"{place}: {said}.", _describe(fault["loc"]))


def _plain_message(fault: Any) -> str:
    kind, context, given = fault["type"], fault.get("ctx", {}), fault.get("input")
    if kind == "value_error":
        return str(context["error"])
    if kind in ("greater_than_equal", "less_than_equal"):
        bound = context.get("ge", context.get("le"))
        word = "below" if kind == "greater_than_equal" else "above"
        return f"{given!r} is {word} {bound:g}"
    if kind == "string_pattern_mismatch":
        return f"{given!r} may hold only letters, digits, dot, dash and underscore"
    message: str = fault["msg"]
    return f"{given!r} does not fit ({message[0].lower() + message[1:]})"


def _place(location: tuple[str | int, ...]) -> str:
    """Return a place in the file, for example ``implant 2, pitch_mm``."""
    out: list[str] = []
    for part in location:
        if isinstance(part, int) and out:
            out[-1] = f"{out[-1]} {part + 1}"
        else:
            out.append(str(part))
    return ", ".join(out) or "the case file"


def _model_at(location: tuple[str | int, ...]) -> type[BaseModel]:
    """Return the part of the case file that holds the key at the end of a location."""
    parts: dict[str, type[BaseModel]] = {
        "patient": PatientEntry,
        "surgery": SurgeryEntry,
        "defect": DefectInfo,
        "implant": Implant,
        "scan": ScanEntry,
        "settings": Settings,
        "correction": Correction,
        "reader": ReaderEntry,
    }
    words = [part for part in location[:-1] if isinstance(part, str)]
    return parts.get(words[-1], CaseFile) if words else CaseFile


def _known_keys(location: tuple[str | int, ...]) -> list[str]:
    fields = _model_at(location).model_fields
    return [field.alias or name for name, field in fields.items()]


def _describe(location: tuple[str | int, ...]) -> str:
    """Return what may stand at a place, as the case file's own description says."""
    words = [part for part in location if isinstance(part, str)]
    field = _model_at((*words[:-1], "")).model_fields.get(words[-1]) if words else None
    return (
        f"Expected: {field.description}."
        if field is not None and field.description
        else "See the case file page."
    )
