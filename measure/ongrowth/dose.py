"""Radiation dose: what reports and dose pages state, and an estimate for a population from it.

A dose-length product times a factor says what a standard person of that age would receive; it is
no patient's dose. The factors are published tables, see `K_TABLES`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Any

import pydicom
from pydicom.dataset import Dataset

from ongrowth.scan import Dose

ADULT_YEARS = 18
MAX_TREE_DEPTH = 12  # a dose report by the standard is 4 deep
_TAGS: list[Any] = [
    "SOPClassUID", "StudyInstanceUID", "ContentSequence", "ConceptNameCodeSequence",
    "ExposureDoseSequence", "CommentsOnRadiationDose",
]  # fmt: skip

# Codes of DICOM PS3.16, TID 10011 ff.
_ACCUMULATED, _DLP_TOTAL = "113811", "113813"
_ACQUISITION, _CT_DOSE, _CTDI_VOL, _DLP = "113819", "113829", "113830", "113838"
_EVENT_UID, _REGION = "113769", "123014"
_DOSE_REPORT = "113701"

_DLP_TEXT = re.compile(r"\bDLP\s*[=:]\s*(\d+(?:[.,]\d+)*)", re.IGNORECASE)
_TOTAL_TEXT = re.compile(r"\bTotal\s+DLP\s*[=:]\s*(\d+(?:[.,]\d+)*)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class DoseEvent:
    """One irradiation of an examination; NaN where not stated."""

    event_uid: str
    region: str
    ctdi_vol_mgy: float
    dlp_mgy_cm: float


@dataclass(frozen=True, slots=True)
class DoseReport:
    """Dose of one examination, from a structured report or a dose page."""

    study_uid: str
    kind: str  # "dose report" or "dose page"
    events: tuple[DoseEvent, ...]
    dlp_total_mgy_cm: float


def read_dose_report(file: IO[bytes]) -> DoseReport | None:
    """Read a dose report, if the file is one.

    Parameters
    ----------
    file : binary file
        An X-Ray Radiation Dose SR (DICOM PS3.16, TID 10011) or a dose page (a captured page that
        carries an exposure dose sequence).

    Returns
    -------
    DoseReport or None
        None if the file holds neither, or is broken.
    """
    try:
        header = pydicom.dcmread(file, stop_before_pixels=True, specific_tags=_TAGS, force=True)
        if _code(header) == _DOSE_REPORT:
            return _structured(header)
        return _page(header) if header.get("ExposureDoseSequence") else None
    except (RecursionError, Exception):  # noqa: BLE001 - a foreign file may break the parser in any way
        return None


def _structured(root: Dataset) -> DoseReport:
    events = tuple(_event(item) for item in _children(root, _ACQUISITION))
    totals = (_value(item, _DLP_TOTAL) for item in _children(root, _ACCUMULATED))
    total = next((value for value in totals if not math.isnan(value)), math.nan)
    return DoseReport(str(root.get("StudyInstanceUID", "")), "dose report", events, _total(events, total))


def _event(item: Dataset) -> DoseEvent:
    dose = next(iter(_children(item, _CT_DOSE)), Dataset())
    uid = next((str(part.get("UID", "")) for part in _children(item, _EVENT_UID)), "")
    region = next((_meaning(part) for part in _children(item, _REGION)), "")
    return DoseEvent(uid, region, _value(dose, _CTDI_VOL), _value(dose, _DLP))


def _page(header: Dataset) -> DoseReport:
    events = tuple(_page_event(item) for item in header.ExposureDoseSequence)
    found = _TOTAL_TEXT.search(str(header.get("CommentsOnRadiationDose", "")))
    total = _decimal(found[1]) if found else math.nan
    return DoseReport(str(header.get("StudyInstanceUID", "")), "dose page", events, _total(events, total))


def _page_event(item: Dataset) -> DoseEvent:
    found = _DLP_TEXT.search(str(item.get("CommentsOnRadiationDose", "")))
    return DoseEvent(
        event_uid=str(item.get("IrradiationEventUID", "")),
        region=str(item.get("BodyPartExamined", "")),
        ctdi_vol_mgy=_decimal(str(item.get("CTDIvol", ""))),
        dlp_mgy_cm=_decimal(found[1]) if found else math.nan,
    )


def _total(events: Sequence[DoseEvent], stated: float) -> float:
    """Return the stated total, else the sum over the events that state a DLP."""
    if not math.isnan(stated):
        return stated
    known = [event.dlp_mgy_cm for event in events if not math.isnan(event.dlp_mgy_cm)]
    return sum(known) if known else math.nan


def _decimal(written: str) -> float:
    """Return a number as written: its last point or comma parts the decimals, those before it thousands."""
    *thousands, last = re.split("[.,]", written)
    try:
        return float(f"{''.join(thousands)}.{last}" if thousands else last)
    except ValueError:
        return math.nan


def _code(item: Dataset) -> str:
    names = item.get("ConceptNameCodeSequence")
    return str(names[0].get("CodeValue", "")) if names else ""


def _meaning(item: Dataset) -> str:
    codes = item.get("ConceptCodeSequence")
    return str(codes[0].get("CodeMeaning", "")) if codes else ""


def _children(item: Dataset, code: str, depth: int = 0) -> Iterator[Dataset]:
    """Yield the content items of one concept below an item."""
    if depth > MAX_TREE_DEPTH:
        return
    for child in item.get("ContentSequence") or ():
        if _code(child) == code:
            yield child
        else:
            yield from _children(child, code, depth + 1)


_FACTOR = {"mgy.cm": 1.0, "mgycm": 1.0, "mgy*cm": 1.0, "gy.cm": 1000.0, "mgy": 1.0, "gy": 1000.0}


def _value(item: Dataset, code: str) -> float:
    """Return a number in mGy or mGy cm; NaN if absent or of another unit."""
    for child in _children(item, code):
        for measured in child.get("MeasuredValueSequence") or ():
            units = measured.get("MeasurementUnitsCodeSequence")
            unit = str(units[0].get("CodeValue", "")).lower() if units else ""
            return _decimal(str(measured.get("NumericValue", ""))) * _FACTOR.get(unit, math.nan)
    return math.nan


def scan_dose(images: Dose, reports: Sequence[DoseReport], study_uid: str) -> Dose:
    """Join what images and reports say of one examination.

    Parameters
    ----------
    images : Dose
        CTDIvol as the images state it.
    reports : sequence of DoseReport
        Found beside them; those of another examination are ignored.
    study_uid : str
        Examination of the images.

    Returns
    -------
    Dose
        DLP of the whole examination: that is what the patient received. A structured report goes
        before a page.
    """
    own = [one for one in reports if one.study_uid == study_uid and not math.isnan(one.dlp_total_mgy_cm)]
    if not own:
        return images
    best = min(own, key=lambda one: one.kind != "dose report")
    stated = [event.ctdi_vol_mgy for event in best.events if not math.isnan(event.ctdi_vol_mgy)]
    has_image_ctdi = not math.isnan(images.ctdi_vol_mgy)
    ctdi = images.ctdi_vol_mgy if has_image_ctdi else max(stated, default=math.nan)
    first = f"CTDIvol: {images.source}; " if has_image_ctdi else "CTDIvol: largest of the examination; "
    return Dose(ctdi, best.dlp_total_mgy_cm, f"{first}DLP: {best.kind}, whole examination")


@dataclass(frozen=True, slots=True)
class KTable:
    """Effective dose per dose-length product, mSv/(mGy cm), by region and age row (years)."""

    source: str
    rows: dict[str, dict[int, float]]


_MED_PHYS = "Table XII, Med Phys 2012;39:2129, doi:10.1118/1.3693052"
K_TABLES = {
    "Shrimpton": KTable(
        f"Shrimpton rows of {_MED_PHYS}",
        {
            "abdomen-pelvis": {0: 0.049, 1: 0.030, 5: 0.020, 10: 0.015, ADULT_YEARS: 0.015},
            "trunk": {0: 0.044, 1: 0.028, 5: 0.019, 10: 0.014, ADULT_YEARS: 0.015},
            "chest": {0: 0.039, 1: 0.026, 5: 0.018, 10: 0.013, ADULT_YEARS: 0.014},
            "head": {0: 0.011, 1: 0.0067, 5: 0.0040, 10: 0.0032, ADULT_YEARS: 0.0021},
        },
    ),
    "ICRP 103": KTable(
        f"ICRP 103 Monte Carlo rows of {_MED_PHYS}; adult lumbar spine: PMC7554984",
        {
            "abdomen-pelvis": {
                0: 0.0475, 1: 0.0309, 5: 0.0221, 10: 0.0142, 15: 0.0114, ADULT_YEARS: 0.0179,
            },
            "lumbar spine": {ADULT_YEARS: 0.01843},
        },
    ),
}  # fmt: skip

_REGIONS = {
    "head": ("HEAD", "BRAIN", "SKULL"),
    "chest": ("CHEST", "THORAX", "TSPINE", "LUNG"),
    "trunk": ("TRUNK", "WHOLEBODY", "SPINE"),
}


def dose_region(body_part: str) -> str:
    """Return the region of the k tables for a body part of the header; the lumbar spine's by default."""
    part = body_part.upper().replace(" ", "")
    return next((region for region, words in _REGIONS.items() if part in words), "abdomen-pelvis")


@dataclass(frozen=True, slots=True)
class EffectiveDose:
    """Estimate for a population, not for a patient; NaN where no DLP is stated."""

    value_msv: float
    factor: float  # mSv/(mGy cm)
    region: str
    age_row_years: int
    table: str
    source: str
    caveat: str


def effective_dose(
    dlp_mgy_cm: float, age_years: float | None, region: str = "abdomen-pelvis", table: str = "Shrimpton"
) -> EffectiveDose:
    """Estimate the effective dose of a population from a dose-length product.

    Parameters
    ----------
    dlp_mgy_cm : float
        Dose-length product, mGy cm.
    age_years : float or None
        Age at the scan; the next younger row of the table is taken. None: adult row.
    region : str
        A region of the table.
    table : str
        A name of `K_TABLES`.

    Raises
    ------
    KeyError
        If there is no such table, region, or row for that age.

    Examples
    --------
    >>> effective_dose(400.0, 30.0).value_msv
    6.0
    >>> effective_dose(400.0, 12.0).age_row_years
    10
    """
    rows = K_TABLES[table].rows[region]
    age = ADULT_YEARS if age_years is None else age_years
    fitting = [row for row in rows if row <= age]
    if not fitting:
        raise KeyError(f"the table {table} has no factor for {region} at {age:g} years")
    row = max(fitting)
    caveat = "estimate for a population, not for this patient"
    if age_years is None:
        caveat += "; age unknown, adult factor"
    elif row < ADULT_YEARS:
        # From memory of the report that repeats these rows: child factors go with the 16 cm phantom.
        caveat += "; child factors suppose a DLP for the 16 cm phantom"
    return EffectiveDose(
        dlp_mgy_cm * rows[row], rows[row], region, row, table, K_TABLES[table].source, caveat
    )
