"""Every number of the structured report is the one of the result file, for three readers."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import build_export
import build_reading as build
import pytest
from highdicom.sr import Comprehensive3DSR, srread
from pydicom import dcmread
from pydicom.dataset import Dataset

from ongrowth.quantity import Measured, Unit
from ongrowth.reading import (
    BonePlace,
    Case,
    ChangeRecord,
    MotionRecord,
    NewBoneRecord,
    Patient,
    Reading,
    read_reading,
    reading_to_dict,
)
from ongrowth.reports.dicom import Wanted, export_case, write_objects
from ongrowth.wording import fixed_words, plain_ascii

MADE = dt.datetime(2031, 4, 30, 9, 30, tzinfo=dt.UTC)
OWN = "99ONGROWTH"
MEAN, P95, MOST = "373098007", "371889001", "56851009"

# name in reading.json: (code, scheme, code of the derivation); written here once more, by hand
HALO = {
    "sector_excess": ("115", OWN, ""),
    "mean_width": ("103355008", "SCT", MEAN),
    "p95_width": ("103355008", "SCT", P95),
    "max_width": ("103355008", "SCT", MOST),
    "share_over_1mm": ("101", OWN, ""),
    "share_over_2mm": ("102", OWN, ""),
    "volume": ("118565006", "SCT", ""),
    "no_lucency_share": ("103", OWN, ""),
    "lucent_share": ("104", OWN, ""),
    "undecided_share": ("105", OWN, ""),
    "no_lucency_length": ("106", OWN, ""),
    "longest_no_lucency": ("107", OWN, ""),
    "circumference_over_1mm_deg": ("108", OWN, ""),
    "depth_over_1mm_mm": ("109", OWN, ""),
    "layer_hu": ("112031", "DCM", ""),
    "detection_limit": ("114", OWN, ""),
}
RIM = {"thickness": ("110", OWN, ""), "hu": ("111", OWN, "")}
PLAIN_HALO = {"counting_area_mm2": ("112", OWN, "mm2"), "measured_share": ("113", OWN, "1")}
SCREW = {
    "major_diameter_mm": ("81827009", "SCT", ""),
    "length_mm": ("410668003", "SCT", ""),
    "tip_to_cortex_mm": ("202", OWN, ""),
}
INTEGRITY = {"interruption_mm": ("205", OWN, ""), "bend_deg": ("206", OWN, "")}
DEFECT = {
    "gap_width_mean": ("301", OWN, MEAN),
    "gap_width_max": ("301", OWN, MOST),
    "bridged_fraction": ("302", OWN, ""),
    "bridge_count": ("303", OWN, ""),
    "cross_section_mm2": ("305", OWN, ""),
    "hidden_by_metal": ("306", OWN, ""),
    "tissue_hu": ("311", OWN, ""),
    "gap_width_mean_open": ("312", OWN, ""),
}
SCAN = {"blur_in_plane_mm": ("501", OWN, ""), "blur_through_plane_mm": ("502", OWN, "")}
FINDING_ONLY = {
    "widest_sector": ("116", OWN, ""),
    "contact": ("117", OWN, ""),
    "rim": ("118", OWN, ""),
    "integrity": ("207", OWN, ""),
}
AGAINST = {"as expected": "736", "undecided": "737", "outside": "738", "not measurable": "709"}
INDETERMINATE = ("114011", "DCM")

Key = tuple[str, str, str, str]  # code, scheme, derivation, sector


@dataclass(frozen=True)
class Group:
    """A measurement group as read from the data set alone."""

    tracking_uid: str
    tracking_id: str
    template: str
    side: str
    topography: str
    numbers: dict[Key, Dataset]
    missing: dict[Key, Dataset]
    answers: dict[str, str]
    item: Dataset


def code(sequence: Any) -> tuple[str, str]:
    return str(sequence[0].CodeValue), str(sequence[0].CodingSchemeDesignator)


def children(item: Dataset) -> list[Dataset]:
    return list(item.get("ContentSequence", []))


def child(item: Dataset, value: str) -> Dataset | None:
    return next((c for c in children(item) if code(c.ConceptNameCodeSequence)[0] == value), None)


def answer_of(item: Dataset, value: str) -> str:
    found = child(item, value)
    return "" if found is None else code(found.ConceptCodeSequence)[0]


def containers(item: Dataset, value: str) -> Iterator[Dataset]:
    for one in children(item):
        if one.ValueType == "CONTAINER":
            if code(one.ConceptNameCodeSequence)[0] == value:
                yield one
            yield from containers(one, value)


def key_of(item: Dataset) -> Key:
    return (*code(item.ConceptNameCodeSequence), answer_of(item, "121401"), answer_of(item, "611"))


def read_group(item: Dataset) -> Group:
    uid, words = child(item, "112040"), child(item, "112039")
    site = child(item, "363698007")
    assert uid is not None
    assert words is not None
    assert site is not None
    numbers = [c for c in children(item) if c.ValueType == "NUM" and c.RelationshipType == "CONTAINS"]
    coded = [c for c in children(item) if c.ValueType == "CODE" and c.RelationshipType == "CONTAINS"]
    missing = [c for c in coded if code(c.ConceptCodeSequence) == INDETERMINATE]
    assert len({key_of(n) for n in numbers + missing}) == len(numbers + missing)
    return Group(
        str(uid.UID),
        str(words.TextValue),
        str(item.ContentTemplateSequence[0].TemplateIdentifier),
        answer_of(site, "272741003"),
        answer_of(site, "106233006"),
        {key_of(n): n for n in numbers},
        {key_of(m): m for m in missing},
        {code(c.ConceptNameCodeSequence)[0]: code(c.ConceptCodeSequence)[0] for c in coded},
        item,
    )


def read_groups(document: Dataset) -> dict[str, Group]:
    groups = [read_group(item) for item in containers(document, "125007")]
    assert len({g.tracking_uid for g in groups}) == len(groups)
    return {group.tracking_id: group for group in groups}


@dataclass(frozen=True)
class Report:
    """A report on disk, what it was made of, and its groups by their tracking identifier."""

    file: Path
    document: Dataset
    record: dict[str, Any]
    groups: dict[str, Group]
    images: Path


def case_of(*readings: Reading) -> Case:
    last = readings[-1]
    return Case(Patient(site="L5"), readings, last.findings, last.summary)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    made = build_export.export_on("axial", tmp_path_factory.mktemp("report"))
    export = export_case(case_of(read_reading(made.reading_folder)), MADE, Wanted(("seg", "sr")))
    files = write_objects(export.objects, made.folder / "out")
    document = dcmread(files[-1])
    record = json.loads((made.reading_folder / "reading.json").read_text(encoding="utf-8"))
    return Report(files[-1], document, record, read_groups(document), made.images)


def assert_same(group: Group, key: Key, quantity: dict[str, Any]) -> None:
    """The item of a group tells all that a quantity of the result file holds."""
    if quantity["value"] is None:
        assert key in group.missing, key
        item = group.missing[key]
    else:
        item = group.numbers[key]
        stated = item.MeasuredValueSequence[0]
        assert stated.FloatingPointValue == quantity["value"]
        assert float(stated.NumericValue) == pytest.approx(quantity["value"], rel=1e-12, abs=1e-15)
        assert code(stated.MeasurementUnitsCodeSequence) == (quantity["unit"], "UCUM")
        assert_uncertainty(item, quantity)
        method, version = child(item, "370129005"), child(item, "111003")
        assert method is not None
        assert version is not None
    told = [c for c in children(item) if code(c.ConceptNameCodeSequence) == ("610", OWN)]
    words = [c.ConceptCodeSequence[0].CodeMeaning.lower().split()[0] for c in told]
    assert words == [c.split("-")[0].replace("layer", "attenuation") for c in quantity.get("cautions", ())]


def assert_uncertainty(item: Dataset, quantity: dict[str, Any]) -> None:
    names = {"371884006": "u95", "371886008": "high95", "371885007": "low95", "506": "below_limit"}
    for value, name in names.items():
        found = child(item, value)
        if quantity.get(name) is None:
            assert found is None
            continue
        assert found is not None, name
        stated = found.MeasuredValueSequence[0]
        assert code(stated.MeasurementUnitsCodeSequence) == (quantity["unit"], "UCUM")
        sign = {"high95": 1.0, "low95": -1.0}.get(name)
        told = (
            stated.FloatingPointValue
            if sign is None
            else quantity["value"] + sign * stated.FloatingPointValue
        )
        assert told == pytest.approx(quantity[name], rel=1e-12, abs=1e-12)


def assert_plain(group: Group, key: Key, unit: str, value: float | None) -> None:
    assert_same(group, key, {"value": value, "unit": unit})


SIDE_GROUPS = [
    (side, part, f"L5 {side} {words}")
    for side in ("left", "right")
    for part, words in (
        ("head_side", "halo, lamina side (screw head)"),
        ("tip_side", "halo, pedicle side (screw tip)"),
        ("whole", "halo, whole screw"),
    )
]


@pytest.mark.parametrize(("side", "part", "name"), SIDE_GROUPS)
def test_every_number_of_a_halo_is_read_back(report: Report, side: str, part: str, name: str) -> None:
    implant = next(i for i in report.record["implants"] if i["id"] == side)
    summary, group = implant["halo"][part], report.groups[name]
    for quantity, (value, scheme, derived) in HALO.items():
        assert_same(group, (value, scheme, derived, ""), summary[quantity])
    for quantity, (value, scheme, derived) in RIM.items():
        assert_same(group, (value, scheme, derived, ""), summary["rim"][quantity])
    for quantity, (value, scheme, unit) in PLAIN_HALO.items():
        assert_plain(group, (value, scheme, "", ""), unit, summary[quantity])
    for k, sector in enumerate(summary["sector_mean_width"]):
        assert_same(group, ("103355008", "SCT", MEAN, str(750 + k)), sector)
    findings = [f for f in report.record["findings"] if (f["implant"], f["site"]) == (side, part)]
    extra = {f["quantity"] for f in findings} - set(HALO)
    told = len(group.numbers) + len(group.missing)
    assert told == len(HALO) + len(RIM) + len(PLAIN_HALO) + 8 + len(extra)
    names = {q for q, v in summary.items() if isinstance(v, dict) and "u95" in v}
    assert names == set(HALO)  # a new name of the result file must come into the report


@pytest.mark.parametrize("side", ["left", "right"])
def test_every_number_of_a_screw_is_read_back(report: Report, side: str) -> None:
    implant = next(i for i in report.record["implants"] if i["id"] == side)
    group = report.groups[f"L5 {side} screw"]
    for quantity, (value, scheme, derived) in SCREW.items():
        assert_same(group, (value, scheme, derived, ""), implant[quantity])
    for quantity, (value, scheme, derived) in INTEGRITY.items():
        assert_same(group, (value, scheme, derived, ""), implant["integrity"][quantity])
    assert_plain(group, ("201", OWN, "", ""), "mm", implant["root_diameter_mm"])
    assert_plain(group, ("203", OWN, "", ""), "mm", implant["integrity"]["smallest_shown_mm"])
    assert_plain(group, ("204", OWN, "", ""), "mm", implant["integrity"]["at_depth_mm"])
    assert (
        group.answers["603"]
        == {"no interruption shown": "710", "interrupted": "711"}[implant["integrity"]["state"]]
    )
    assert {q for q, v in implant.items() if isinstance(v, dict) and "u95" in v} == set(SCREW)
    assert {q for q, v in implant["integrity"].items() if isinstance(v, dict)} == set(INTEGRITY)


@pytest.mark.parametrize("side", ["left", "right"])
def test_every_number_of_a_defect_is_read_back(report: Report, side: str) -> None:
    defect = next(i for i in report.record["implants"] if i["id"] == side)["defect"]
    gap, rest = report.groups[f"L5 {side} gap"], report.groups[f"L5 {side} defect"]
    for quantity, (value, scheme, derived) in DEFECT.items():
        assert_same(gap if value == "301" else rest, (value, scheme, derived, ""), defect[quantity])
    plain = {"smallest_bridge_shown_mm": "304", "gap_mm": "307", "u_angle_deg": "308", "u_offset_mm": "309"}
    for quantity, value in plain.items():
        assert_plain(rest, (value, OWN, "", ""), "deg" if "deg" in quantity else "mm", defect[quantity])
    assert {q for q, v in defect.items() if isinstance(v, dict) and "u95" in v} == set(DEFECT)


def test_what_the_scan_can_show_and_other_metal_are_read_back(report: Report) -> None:
    scan, group = report.record["scan"], report.groups["L5 what the scan can show"]
    for quantity, (value, scheme, derived) in SCAN.items():
        assert_same(group, (value, scheme, derived, ""), scan[quantity])
    assert_plain(group, ("503", OWN, "", ""), "[hnsf'U]", scan["noise_hu"])
    assert_plain(group, ("504", OWN, "", ""), "[hnsf'U]", scan["hu_ceiling"])
    assert_plain(group, ("505", OWN, "", ""), "1", scan["ceiling_share"])
    metal = report.groups["L5 other metal 1"]
    assert_same(metal, ("410668003", "SCT", "", ""), report.record["other_metal"][0]["length_mm"])
    assert_same(metal, ("81827009", "SCT", "", ""), report.record["other_metal"][0]["diameter_mm"])
    assert metal.answers["608"] == "729"


def test_every_finding_stands_at_the_number_it_speaks_of(report: Report) -> None:
    names = {(side, part): name for side, part, name in SIDE_GROUPS}
    for side in ("left", "right"):
        names |= {(side, "screw"): f"L5 {side} screw", (side, "defect"): f"L5 {side} defect"}
    seen = 0
    for finding in report.record["findings"]:
        quantity = finding["quantity"]
        value = (HALO | DEFECT | FINDING_ONLY)[quantity]
        name = names[finding["implant"], finding["site"]]
        name = name.replace("defect", "gap") if value[0] == "301" else name
        group = report.groups[name]
        key = (*value, "")
        if finding["value"]["value"] is not None:
            assert_same(group, key, finding["value"])
        item = (group.numbers | group.missing)[key]
        assert answer_of(item, "121402") == AGAINST[finding["against_window"]]
        window = finding["window"]
        high = child(item, "371933006")
        if window and window["high"] is not None and finding["value"]["value"] is not None:
            if window["unit"] == finding["value"]["unit"]:
                assert high is not None
                assert high.MeasuredValueSequence[0].FloatingPointValue == window["high"]
                seen += 1
        else:
            assert high is None
    assert seen >= 4


def test_sides_are_coded_and_segments_are_referred_to(report: Report) -> None:
    seg = dcmread(report.file.with_name("w08-seg.dcm"))
    by_uid = {s.TrackingUID: s for s in seg.SegmentSequence}
    for name, group in report.groups.items():
        if name.startswith("L5 left"):
            assert group.side == "7771000"
        if name.startswith("L5 right"):
            assert group.side == "24028007"
        reference = child(group.item, "121191")
        assert (group.template == "1411") == (reference is not None) == (group.tracking_uid in by_uid)
        if reference is not None:
            sop = reference.ReferencedSOPSequence[0]
            assert sop.ReferencedSOPInstanceUID == seg.SOPInstanceUID
            assert sop.ReferencedSegmentNumber == by_uid[group.tracking_uid].SegmentNumber
            assert by_uid[group.tracking_uid].SegmentLabel == name
    assert report.groups["L5 left halo, lamina side (screw head)"].topography == "89340005"
    assert report.groups["L5 left halo, pedicle side (screw tip)"].topography == "78972004"
    assert report.groups["L5 right halo, pedicle side (screw tip)"].template == "1501"


def test_the_report_is_preliminary_and_of_the_same_patient_and_study(report: Report) -> None:
    document = report.document
    source = dcmread(next(report.images.glob("*.dcm")), stop_before_pixels=True)
    assert document.SOPClassUID.name == "Comprehensive 3D SR Storage"
    assert (document.PreliminaryFlag, document.VerificationFlag) == ("PRELIMINARY", "UNVERIFIED")
    for keyword in (
        "PatientName",
        "PatientID",
        "PatientBirthDate",
        "PatientSex",
        "StudyInstanceUID",
        "StudyDate",
    ):
        assert document[keyword].value == source[keyword].value
    assert document.SeriesInstanceUID != source.SeriesInstanceUID
    scheme = document.CodingSchemeIdentificationSequence[0]
    assert (scheme.CodingSchemeDesignator, scheme.CodingSchemeVersion) == (OWN, "1")


def test_only_the_slices_used_stand_in_the_image_library(report: Report) -> None:
    library = next(containers(report.document, "111028"))
    images = [i for g in children(library) for i in children(g) if i.ValueType == "IMAGE"]
    listed = {i.ReferencedSOPSequence[0].ReferencedSOPInstanceUID for i in images}
    headers = [dcmread(f, stop_before_pixels=True) for f in sorted(report.images.glob("*.dcm"))]
    reach = build.RADIUS_MM + 5.0 + build_export.GAP_MM
    ends = [z for side in build.HEADS for z in (build.HEADS[side][2], build.TIPS[side][2])]
    near = {
        h.SOPInstanceUID for h in headers if min(ends) - 2.0 < h.ImagePositionPatient[2] < max(ends) + 2.0
    }
    far = {
        h.SOPInstanceUID
        for h in headers
        if not min(ends) - reach <= h.ImagePositionPatient[2] <= max(ends) + reach
    }
    assert near <= listed
    assert not listed & far
    assert len(far) > 5
    evidence = {
        sop.ReferencedSOPInstanceUID
        for study in report.document.CurrentRequestedProcedureEvidenceSequence
        for series in study.ReferencedSeriesSequence
        for sop in series.ReferencedSOPSequence
    }
    assert listed < evidence


def test_time_point_and_weeks_since_surgery_stand_in_every_group(report: Report) -> None:
    for group in report.groups.values():
        point, offset = child(group.item, "C2348792"), child(group.item, "128740")
        assert point is not None
        assert point.TextValue == "w08"
        assert answer_of(group.item, "126072") == "262061000"
        assert offset is not None
        assert offset.MeasuredValueSequence[0].FloatingPointValue == 8.0
        assert code(offset.MeasuredValueSequence[0].MeasurementUnitsCodeSequence)[0] == "wk"
        assert answer_of(offset, "128741") == "951"


def test_the_cautions_and_the_answer_stand_in_words(report: Report) -> None:
    box = next(containers(report.document, "C0034375"))
    told = [str(c.TextValue) for c in children(box)]
    assert told[0] == plain_ascii(report.record["summary"]["sentence"])
    assert set(map(plain_ascii, fixed_words().cautions)) <= set(told)


def test_the_second_reader_reads_the_same_numbers(report: Report) -> None:
    document = srread(report.file)
    assert isinstance(document, Comprehensive3DSR)
    content = document.content
    seen = 0
    for name, group in report.groups.items():
        take = (
            content.get_volumetric_roi_measurement_groups
            if group.template == "1411"
            else content.get_image_measurement_groups
        )
        (found,) = take(tracking_uid=group.tracking_uid)
        assert found.tracking_identifier == name
        measured = [m for m in found.get_measurements() if m.name.value != "128740"]  # weeks, no measurement
        values = [(m.name.value, m.value, m.unit.value) for m in measured]
        expected = [
            (k[0], float(n.MeasuredValueSequence[0].FloatingPointValue), code_unit(n))
            for k, n in group.numbers.items()
        ]
        assert sorted(values) == sorted(expected)
        seen += len(values)
    assert seen > 150


def code_unit(item: Dataset) -> str:
    return code(item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence)[0]


@pytest.mark.skipif(shutil.which("dsrdump") is None, reason="dsrdump is not installed (Debian package dcmtk)")
def test_the_third_reader_prints_the_same_tree(report: Report) -> None:
    told = subprocess.run(
        ["dsrdump", "+Pc", "-Ei", "+Pl", str(report.file)], capture_output=True, text=True, check=True
    )
    assert "PRELIMINARY" in told.stdout
    assert "UNVERIFIED" in told.stdout
    assert not re.search(r"^[EW]:", told.stderr, re.MULTILINE)
    line = re.compile(r'<contains NUM:\(([^,]+),([^,]+),"[^"]*"\)="([^"]+)" \(([^,]+),')
    printed = sorted((m[1], m[2], float(m[3]), m[4]) for m in line.finditer(told.stdout))
    expected = sorted(
        (k[0], k[1], float(n.MeasuredValueSequence[0].NumericValue), code_unit(n))
        for group in report.groups.values()
        for k, n in group.numbers.items()
    )
    assert printed == expected


@pytest.mark.skipif(
    shutil.which("dciodvfy") is None, reason="dciodvfy is not installed (Debian package dicom3tools)"
)
def test_report_and_segmentation_have_no_error(report: Report) -> None:
    for file in report.file.parent.glob("*.dcm"):
        told = subprocess.run(["dciodvfy", str(file)], capture_output=True, text=True, check=False)
        lines = (told.stdout + told.stderr).splitlines()
        assert any(name in lines for name in ("Comprehensive3DSR", "Segmentation"))
        assert [line for line in lines if line.startswith("Error")] == []
        warnings = {line for line in lines if line.startswith("Warning")}
        assert all(f"<{OWN}>" in line for line in warnings), warnings


def test_the_same_screw_is_tracked_by_the_same_identifier_at_every_visit(
    tmp_path: Path, report: Report
) -> None:
    later = build_export.export_on("oblique", tmp_path, weeks=26.0, screws=1)
    groups = read_groups(export_case(case_of(later.reading), MADE, Wanted(("sr",))).objects[0].dataset)
    assert set(groups) == {name for name in report.groups if "right" not in name}
    assert all(groups[name].tracking_uid == report.groups[name].tracking_uid for name in groups)
    assert all(group.tracking_uid.startswith("2.25.") for group in groups.values())
    assert all(group.template == "1501" for group in groups.values())  # no segmentation was asked for


def test_screws_of_other_patients_and_levels_have_other_identifiers(tmp_path: Path) -> None:
    uids = set()
    for patient, site in (("PHANTOM-01", "L5"), ("PHANTOM-02", "L5"), ("PHANTOM-01", "L4")):
        made = build_export.export_on("axial", tmp_path / patient / site, patient_id=patient, screws=1)
        case = replace(case_of(made.reading), patient=Patient(site=site))
        seg = export_case(case, MADE, Wanted(("seg",))).objects[0].dataset
        uids |= {segment.TrackingUID for segment in seg.SegmentSequence}
    assert len(uids) == 3 * len(seg.SegmentSequence)


def test_the_same_reading_gives_the_same_objects(tmp_path: Path) -> None:
    made = build_export.export_on("axial", tmp_path, screws=1)
    case = case_of(made.reading)
    first, second = (export_case(case, MADE, Wanted()).objects for _ in range(2))
    for one, two in zip(first, second, strict=True):
        assert one.dataset == two.dataset
    changed = replace(case, summary=replace(case.summary, sentence="Measured again."))
    one, two = (export_case(c, MADE, Wanted(("seg",))).objects[0].dataset for c in (case, changed))
    assert one.SOPInstanceUID != two.SOPInstanceUID


def moved(value: float) -> Measured:
    return Measured.of(value, 0.02, Unit.MM)


def test_what_was_compared_with_an_earlier_scan_is_read_back(tmp_path: Path) -> None:
    made = build_export.export_on("axial", tmp_path, screws=1)
    turn = Measured.of(0.4, 0.1, Unit.DEG)
    motion = MotionRecord(
        "left",
        "screw",
        "head side",
        "w05",
        "w08",
        (moved(0.1), moved(-0.2), moved(0.3)),
        turn,
        Measured.of(0.2, 0.3, Unit.DEG),
        moved(0.37),
        turn,
        moved(0.5),
        moved(0.6),
        moved(0.7),
        "moved",
    )
    bone = NewBoneRecord(
        "left",
        "w05",
        "w08",
        Measured.of(31.0, 4.0, Unit.MM3),
        Measured.of(12.0, 3.0, Unit.MM3),
        (BonePlace("toward the canal", Measured.of(5.0, 1.0, Unit.MM3)),),
    )
    change = ChangeRecord("left", "tip_side", "mean_width", "w05", "w08", moved(0.31), "grown")
    old = replace(change, to_scan="w05", from_scan="w02")
    case = replace(case_of(made.reading), motions=(motion,), new_bone=(bone,), changes=(change, old))
    groups = read_groups(export_case(case, MADE, Wanted(("sr",))).objects[0].dataset)
    record = json.loads(json.dumps(reading_to_dict(made.reading)))
    assert record["implants"]
    move = groups["L5 left screw against head side, since scan w05"]
    for value, scheme, expected in (
        ("402", OWN, moved(0.1)),
        ("403", OWN, moved(-0.2)),
        ("404", OWN, moved(0.3)),
        ("405", OWN, turn),
        ("406", OWN, motion.roll_deg),
        ("110856", "DCM", moved(0.37)),
        ("130523", "DCM", turn),
        ("407", OWN, moved(0.5)),
        ("408", OWN, moved(0.6)),
        ("409", OWN, moved(0.7)),
    ):
        assert_same(move, (value, scheme, "", ""), expected.as_dict())
    assert move.answers["609"] == "731"
    new = groups["L5 left new bone since scan w05"]
    for value, expected in (
        ("410", bone.in_defect),
        ("411", bone.around_defect),
        ("412", bone.elsewhere[0].volume),
    ):
        assert_same(new, (value, OWN, "", ""), expected.as_dict())
    growth = groups["L5 left growth since scan w05"]
    assert len(growth.numbers) == 1
    key = ("401", OWN, MEAN, "")
    assert_same(growth, key, change.value.as_dict())
    assert answer_of(growth.numbers[key], "612") == "103355008"
    assert answer_of(growth.numbers[key], "615") == "960"
    assert answer_of(growth.numbers[key], "609") == "733"
