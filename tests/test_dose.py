"""Dose: structured reports written here by the standard (PS3.16, TID 10011), pages, estimates, totals."""

from __future__ import annotations

import io
import math
from pathlib import Path

import pytest
from ct_files import Grid, as_bytes, write_series
from pydicom import uid
from pydicom.dataset import Dataset, FileMetaDataset

from ongrowth.dose import K_TABLES, dose_region, effective_dose, read_dose_report, scan_dose
from ongrowth.read import read_scan
from ongrowth.scan import Dose

# ------------------------------------------------------------------ a dose report by the standard


def code(value: str, meaning: str, scheme: str = "DCM") -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def content(kind: str, name: Dataset, *children: Dataset) -> Dataset:
    item = Dataset()
    item.RelationshipType, item.ValueType = "CONTAINS", kind
    item.ConceptNameCodeSequence = [name]
    if children:
        item.ContentSequence = list(children)
    return item


def num(value: str, meaning: str, number: float, unit: str) -> Dataset:
    item = content("NUM", code(value, meaning))
    measured = Dataset()
    measured.NumericValue = f"{number:g}"
    measured.MeasurementUnitsCodeSequence = [code(unit, unit, "UCUM")]
    item.MeasuredValueSequence = [measured]
    return item


def acquisition(region: tuple[str, str], event_uid: str, ctdi: float, dlp: float) -> Dataset:
    """TID 10013, CT irradiation event data."""
    target = content("CODE", code("123014", "Target Region"))
    target.ConceptCodeSequence = [code(*region, "SCT")]
    event = content("UIDREF", code("113769", "Irradiation Event UID"))
    event.UID = event_uid
    kind = content("CODE", code("113820", "CT Acquisition Type"))
    kind.ConceptCodeSequence = [code("116152004", "Spiral Acquisition", "SCT")]
    dose = content(
        "CONTAINER",
        code("113829", "CT Dose"),
        num("113830", "Mean CTDIvol", ctdi, "mGy"),
        num("113838", "DLP", dlp, "mGy.cm"),
    )
    return content("CONTAINER", code("113819", "CT Acquisition"), target, kind, event, dose)


def dose_report(*, study_uid: str = "2.25.1", total: float | None = 95.5, unit: str = "mGy.cm") -> Dataset:
    """X-Ray Radiation Dose Report of two events; the accumulated data come first, as by TID 10011."""
    root = content("CONTAINER", code("113701", "X-Ray Radiation Dose Report"))
    del root.RelationshipType
    root.file_meta = FileMetaDataset()
    root.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    root.file_meta.MediaStorageSOPClassUID = root.SOPClassUID = uid.XRayRadiationDoseSRStorage
    root.file_meta.MediaStorageSOPInstanceUID = root.SOPInstanceUID = uid.UID("2.25.900")
    root.Modality, root.StudyInstanceUID, root.SeriesInstanceUID = "SR", study_uid, "2.25.901"
    totals = [num("113812", "Total Number of Irradiation Events", 2, "{events}")]
    if total is not None:
        totals.append(num("113813", "CT Dose Length Product Total", total, unit))
    lumbar = ("122496007", "Lumbar spine")
    root.ContentSequence = [
        content("CONTAINER", code("113811", "CT Accumulated Dose Data"), *totals),
        acquisition(lumbar, "2.25.911", 0.12, 4.5),
        acquisition(lumbar, "2.25.912", 6.5, 91.0),
    ]
    return root


def test_dose_report_by_the_standard() -> None:
    report = read_dose_report(io.BytesIO(as_bytes(dose_report())))
    assert report is not None
    assert report.kind == "dose report"
    assert report.study_uid == "2.25.1"
    assert report.dlp_total_mgy_cm == 95.5
    assert [event.dlp_mgy_cm for event in report.events] == [4.5, 91.0]
    assert [event.ctdi_vol_mgy for event in report.events] == [0.12, 6.5]
    assert {event.region for event in report.events} == {"Lumbar spine"}
    assert [event.event_uid for event in report.events] == ["2.25.911", "2.25.912"]


def test_total_is_summed_where_it_is_not_stated() -> None:
    report = read_dose_report(io.BytesIO(as_bytes(dose_report(total=None))))
    assert report is not None
    assert report.dlp_total_mgy_cm == pytest.approx(95.5)


@pytest.mark.parametrize(("unit", "factor"), [("mGy.cm", 1.0), ("mGycm", 1.0), ("Gy.cm", 1000.0)])
def test_units_are_read(unit: str, factor: float) -> None:
    report = read_dose_report(io.BytesIO(as_bytes(dose_report(total=2.0, unit=unit))))
    assert report is not None
    assert report.dlp_total_mgy_cm == 2.0 * factor


def test_unknown_unit_counts_as_not_stated() -> None:
    report = read_dose_report(io.BytesIO(as_bytes(dose_report(total=7.0, unit="rem"))))
    assert report is not None
    assert report.dlp_total_mgy_cm == pytest.approx(95.5)


@pytest.mark.parametrize("written", ["1234.5", "1234,5", "1,234.5", "1.234,5"])
def test_thousands_are_not_taken_for_decimals(written: str) -> None:
    page = dose_report()
    del page.ConceptNameCodeSequence
    page.ExposureDoseSequence = [Dataset()]
    page.CommentsOnRadiationDose = f"Total DLP = {written} mGy cm"
    report = read_dose_report(io.BytesIO(as_bytes(page)))
    assert report is not None
    assert report.dlp_total_mgy_cm == 1234.5


def test_other_files_are_no_reports() -> None:
    other = dose_report()
    other.ConceptNameCodeSequence = [code("126000", "Imaging Measurement Report")]
    assert read_dose_report(io.BytesIO(as_bytes(other))) is None
    assert read_dose_report(io.BytesIO(b"nothing")) is None
    assert read_dose_report(io.BytesIO(b"")) is None


def nested(depth: int) -> bytes:
    inner = b""
    for _ in range(depth):
        item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff" + inner + b"\xfe\xff\x0d\xe0\0\0\0\0"
        inner = b"\x40\x00\x30\xa7SQ\0\0\xff\xff\xff\xff" + item + b"\xfe\xff\xdd\xe0\0\0\0\0"
    empty = Dataset()
    empty.file_meta = FileMetaDataset()
    empty.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    empty.file_meta.MediaStorageSOPClassUID = empty.file_meta.MediaStorageSOPInstanceUID = uid.UID("1.2")
    return as_bytes(empty) + inner


def test_endless_nesting_is_no_report() -> None:
    assert read_dose_report(io.BytesIO(nested(2000))) is None


def dose_page() -> Dataset:
    page = Dataset()
    page.file_meta = FileMetaDataset()
    page.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    page.file_meta.MediaStorageSOPClassUID = page.SOPClassUID = uid.SecondaryCaptureImageStorage
    page.file_meta.MediaStorageSOPInstanceUID = page.SOPInstanceUID = uid.UID("2.25.920")
    page.Modality, page.StudyInstanceUID, page.SeriesInstanceUID = "CT", "2.25.1", "2.25.921"
    page.ImageType, page.ConversionType = ["DERIVED", "SECONDARY", "DOSE_INFO"], "WSD"
    page.PatientID = "harbour-07"
    event = Dataset()
    event.CTDIvol, event.CommentsOnRadiationDose = 6.5, "CTDIvol=6.5 DLP=91"
    page.ExposureDoseSequence = [event]
    page.CommentsOnRadiationDose = "Series #1 Average CTDIvol=6.5 DLP=91\r\nTotal DLP=93.2"
    page.Rows, page.Columns, page.SamplesPerPixel, page.BitsAllocated = 8, 8, 1, 8
    page.BitsStored, page.HighBit, page.PixelRepresentation = 8, 7, 0
    page.PixelData = bytes(64)
    page["PixelData"].VR = "OB"
    return page


def test_dose_page() -> None:
    report = read_dose_report(io.BytesIO(as_bytes(dose_page())))
    assert report is not None
    assert (report.kind, report.dlp_total_mgy_cm) == ("dose page", 93.2)
    assert report.events[0].dlp_mgy_cm == 91.0


# ----------------------------------------------------------------------------- joined to the scan


def test_scan_carries_the_dose_of_its_examination(tmp_path: Path) -> None:
    write_series(tmp_path, Grid(n=4), lambda ds, k: setattr(ds, "CTDIvol", 5.0 + k))
    (tmp_path / "sr.dcm").write_bytes(as_bytes(dose_report()))
    (tmp_path / "page.dcm").write_bytes(as_bytes(dose_page()))
    dose = read_scan(tmp_path).acquisition.dose
    assert dose.ctdi_vol_mgy == pytest.approx(6.5)
    assert dose.dlp_mgy_cm == 95.5  # the structured report goes before the page
    assert "dose report" in dose.source


def test_dose_page_serves_where_there_is_no_report(tmp_path: Path) -> None:
    write_series(tmp_path, Grid(n=4))
    (tmp_path / "page.dcm").write_bytes(as_bytes(dose_page()))
    dose = read_scan(tmp_path).acquisition.dose
    assert dose.dlp_mgy_cm == 93.2
    assert dose.ctdi_vol_mgy == 6.5


def test_report_of_another_examination_is_ignored(tmp_path: Path) -> None:
    write_series(tmp_path, Grid(n=4))
    (tmp_path / "sr.dcm").write_bytes(as_bytes(dose_report(study_uid="2.25.4")))
    dose = read_scan(tmp_path).acquisition.dose
    assert math.isnan(dose.dlp_mgy_cm)
    assert dose.source == ""


def test_nothing_stated_stays_nothing() -> None:
    images = Dose()
    assert scan_dose(images, [], "2.25.1") is images


# -------------------------------------------------------------------------------------- estimates

# Table XII of Med Phys 2012;39:2129, doi:10.1118/1.3693052; adult lumbar spine: PMC7554984.
PUBLISHED = [
    ("Shrimpton", "abdomen-pelvis", 0, 0.049), ("Shrimpton", "abdomen-pelvis", 1, 0.030),
    ("Shrimpton", "abdomen-pelvis", 5, 0.020), ("Shrimpton", "abdomen-pelvis", 10, 0.015),
    ("Shrimpton", "abdomen-pelvis", 30, 0.015), ("Shrimpton", "trunk", 1, 0.028),
    ("Shrimpton", "trunk", 30, 0.015),
    ("Shrimpton", "chest", 5, 0.018), ("Shrimpton", "head", 10, 0.0032), ("Shrimpton", "head", 40, 0.0021),
    ("ICRP 103", "abdomen-pelvis", 0, 0.0475), ("ICRP 103", "abdomen-pelvis", 1, 0.0309),
    ("ICRP 103", "abdomen-pelvis", 5, 0.0221), ("ICRP 103", "abdomen-pelvis", 10, 0.0142),
    ("ICRP 103", "abdomen-pelvis", 15, 0.0114), ("ICRP 103", "abdomen-pelvis", 30, 0.0179),
    ("ICRP 103", "lumbar spine", 30, 0.01843),
]  # fmt: skip


@pytest.mark.parametrize(("table", "region", "age", "factor"), PUBLISHED)
def test_published_factors(table: str, region: str, age: float, factor: float) -> None:
    assert effective_dose(100.0, age, region, table).value_msv == pytest.approx(100.0 * factor, abs=1e-12)


def test_worked_examples() -> None:
    assert effective_dose(400.0, 30.0).value_msv == pytest.approx(6.0, abs=1e-12)
    assert effective_dose(400.0, 30.0, "lumbar spine", "ICRP 103").value_msv == pytest.approx(
        7.372, abs=1e-12
    )


def test_age_takes_the_next_younger_row() -> None:
    assert effective_dose(1.0, 9.9).age_row_years == 5
    assert effective_dose(1.0, 17.9).age_row_years == 10
    assert effective_dose(1.0, 18.0).age_row_years == 18


def test_estimate_says_what_it_is() -> None:
    child, adult, unknown = effective_dose(90.0, 12.0), effective_dose(90.0, 40.0), effective_dose(90.0, None)
    for one in (child, adult, unknown):
        assert "not for this patient" in one.caveat
        assert one.source == K_TABLES["Shrimpton"].source
    assert "16 cm phantom" in child.caveat
    assert "age unknown" in unknown.caveat
    assert "16 cm" not in adult.caveat


def test_no_dlp_no_estimate() -> None:
    assert math.isnan(effective_dose(math.nan, 12.0).value_msv)


def test_missing_row_is_an_error() -> None:
    with pytest.raises(KeyError, match="no factor for lumbar spine at 12 years"):
        effective_dose(90.0, 12.0, "lumbar spine", "ICRP 103")


@pytest.mark.parametrize(
    ("part", "region"),
    [
        ("LSPINE", "abdomen-pelvis"),
        ("", "abdomen-pelvis"),
        ("HEAD", "head"),
        ("TSPINE", "chest"),
        ("Whole Body", "trunk"),
    ],
)
def test_region_of_a_body_part(part: str, region: str) -> None:
    assert dose_region(part) == region
