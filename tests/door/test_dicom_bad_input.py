"""What a hospital's images lack or spoil: a plain sentence and the right exit status, or a clean export."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import time
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import build_export
import build_reading as build
import numpy as np
import pytest
from click.testing import CliRunner, Result
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.uid import EnhancedCTImageStorage

from ongrowth.cli import main
from ongrowth.defect import DefectPlane, Side
from ongrowth.files import finish_results
from ongrowth.geometry import Plane
from ongrowth.halo import HaloMap
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.read import read_scan
from ongrowth.reading import Case, DefectReading, Patient, Source, read_reading, write_reading
from ongrowth.reports.dicom import Wanted, export_case, write_objects
from ongrowth.series import tolerant
from ongrowth_phantoms.series import write_nifti

MADE = dt.datetime(2031, 4, 30, 9, 30, tzinfo=dt.UTC)
DCIODVFY = shutil.which("dciodvfy")


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, ["dicom", *(str(arg) for arg in args)])


def refused(told: Result, code: str) -> str:
    """The one line of a refusal."""
    assert told.exit_code == 3, told.output
    assert told.stdout == ""
    line = told.stderr.strip().splitlines()[-1]
    assert line.startswith(f"{code}: "), line
    return line


def errors_of(file: Path) -> list[str]:
    """What the conformance checker calls an error."""
    told = subprocess.run([str(DCIODVFY), str(file)], capture_output=True, text=True, check=False)
    return [line for line in (told.stdout + told.stderr).splitlines() if line.startswith("Error")]


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> build_export.Exported:
    return build_export.export_on("axial", tmp_path_factory.mktemp("master"), screws=1)


@pytest.fixture
def made(master: build_export.Exported, tmp_path: Path) -> build_export.Exported:
    """A copy of its own, to be spoiled."""
    shutil.copytree(master.images, tmp_path / "ct")
    return build_export.keep(master.reading, tmp_path)


def change_all(folder: Path, change: Callable[[Dataset], None]) -> None:
    with tolerant():
        for file in folder.glob("*.dcm"):
            image = dcmread(file)
            change(image)
            image.save_as(file)


# ---- the source ----


def test_a_reading_without_its_source_images_says_so(made: build_export.Exported) -> None:
    shutil.rmtree(made.images)
    line = refused(run(made.reading_folder), "source-missing")
    assert "76 of 76 source images" in line
    assert "--images" in line


def test_images_that_were_moved_are_found_where_they_are_now(made: build_export.Exported) -> None:
    moved = made.images.rename(made.folder / "elsewhere")
    told = run(made.reading_folder, "--seg", "--images", moved)
    assert told.exit_code == 0, told.stderr
    line = refused(run(made.reading_folder, "--images", made.folder / "case"), "source-missing")
    assert "is not at" in line


def test_one_missing_slice_is_noticed(made: build_export.Exported) -> None:
    next(made.images.glob("*.dcm")).unlink()
    assert "1 of 76" in refused(run(made.reading_folder), "source-missing")


def test_a_reading_without_its_private_source_says_so(made: build_export.Exported) -> None:
    (made.reading_folder / "source.json").unlink()
    assert "--images" in refused(run(made.reading_folder), "no-source")
    told = run(made.reading_folder, "--seg", "--images", made.images)
    assert told.exit_code == 0, told.stderr


def test_objects_of_earlier_results_are_told(made: build_export.Exported) -> None:
    out = made.folder / "dicom"
    first = run(made.reading_folder, "--seg", "--images", made.images, "--out", out)
    assert first.exit_code == 0, first.stderr
    assert "older-objects" not in first.stderr
    file = made.reading_folder / "reading.json"
    (old,) = out.glob("*.dcm")
    os.utime(old, (file.stat().st_mtime - 60.0,) * 2)  # as if it had been measured again since
    later = run(made.reading_folder, "--sr", "--images", made.images, "--out", out)
    assert later.exit_code == 0, later.stderr
    (told,) = (line for line in later.stderr.splitlines() if line.startswith("older-objects: "))
    assert told.count(".dcm") == 1
    assert old.name in told


def test_objects_hang_neither_on_place_nor_on_time(
    made: build_export.Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Copied, exported in another time zone, and with others beside it, an object stays what it was."""
    source = replace(made.reading.source, measured="2031-04-30T23:30:00+02:00")
    file = write_reading(replace(made.reading, source=source), made.folder / "again" / "w08")
    images = ("--images", made.images)
    out = made.folder / "again" / "dicom"
    try:
        for zone, kinds in (("UTC", ("--sr", "--seg")), ("Pacific/Auckland", ())):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            told = run(file, *kinds, *images, "--out", out / zone[:3])
            assert told.exit_code == 0, told.stderr
            os.utime(file, (1e9, 1e9))  # as a copy may be
    finally:
        monkeypatch.undo()
        time.tzset()
    for kind in ("sr", "seg"):
        first, second = (dcmread(out / zone / f"w08-{kind}.dcm") for zone in ("UTC", "Pac"))
        assert first == second
        assert (first.ContentDate, first.ContentTime) == ("20310430", "233000")
    alone = run(file, "--sr", *images, "--out", out / "alone")
    assert alone.exit_code == 0, alone.stderr
    # a report that refers to no segmentation is another one
    uids = {dcmread(out / folder / "w08-sr.dcm").SOPInstanceUID for folder in ("alone", "UTC")}
    assert len(uids) == 2


def test_an_older_reading_that_does_not_say_when_it_was_made(made: build_export.Exported) -> None:
    """The file's own time serves as the date of the content, but has no say in identifiers."""
    uids = set()
    for n in (1, 2):
        os.utime(made.reading_folder / "reading.json", (n * 1e9, n * 1e9))
        out = made.folder / f"dicom-{n}"
        assert run(made.reading_folder, "--sr", "--images", made.images, "--out", out).exit_code == 0
        uids.add(dcmread(out / "w08-sr.dcm").SOPInstanceUID)
    assert dcmread(made.folder / "dicom-1" / "w08-sr.dcm").ContentDate == "20010909"
    assert len(uids) == 1


def test_changed_voxels_are_noticed(made: build_export.Exported) -> None:
    file = sorted(made.images.glob("*.dcm"))[30]
    image = dcmread(file)
    pixels = image.pixel_array.copy()
    pixels[5, 5] += 1
    image.PixelData = pixels.tobytes()
    image.save_as(file)
    assert "voxels or places differ" in refused(run(made.reading_folder), "source-changed")


def test_changed_places_are_noticed(made: build_export.Exported) -> None:
    def shift(image: Dataset) -> None:
        image.ImagePositionPatient = [float(v) + 1.0 for v in image.ImagePositionPatient]

    change_all(made.images, shift)
    refused(run(made.reading_folder), "source-changed")


@pytest.mark.parametrize(
    ("keyword", "value", "code"),
    [
        ("PatientID", "SOMEBODY-ELSE", "other-patient"),
        ("PatientID", "", "other-patient"),
        ("StudyInstanceUID", "1.2.3.4", "source-changed"),
        ("SeriesInstanceUID", "1.2.3.4", "source-changed"),
    ],
)
def test_another_patient_or_study_is_refused(
    made: build_export.Exported, keyword: str, value: str, code: str
) -> None:
    change_all(made.images, lambda image: setattr(image, keyword, value))
    refused(run(made.reading_folder), code)


def test_images_with_a_series_uid_each_have_no_object_of_their_own(made: build_export.Exported) -> None:
    change_all(made.images, lambda image: setattr(image, "SeriesInstanceUID", f"2.25.{image.InstanceNumber}"))
    refused(run(made.reading_folder), "no-common-series")


def test_one_image_of_another_patient_is_refused(made: build_export.Exported) -> None:
    file = sorted(made.images.glob("*.dcm"))[38]
    image = dcmread(file)
    image.PatientID = "SOMEBODY-ELSE"
    image.save_as(file)
    refused(run(made.reading_folder), "source-changed")


def test_a_volume_file_has_no_patient_to_write_for(made: build_export.Exported) -> None:
    volume = write_nifti(build_export.make_scan("axial"), made.folder / "ct.nii.gz")
    scan = read_scan(volume)
    reading = replace(
        made.reading,
        source=Source(scan.source_files),
        provenance=replace(made.reading.provenance, input_digest=scan.digest),
    )
    write_reading(reading, made.reading_folder)
    refused(run(made.reading_folder), "no-dicom-source")


def test_nothing_measured_is_nothing_to_export(made: build_export.Exported) -> None:
    write_reading(replace(made.reading, implants=()), made.reading_folder)
    refused(run(made.reading_folder), "nothing-measured")


def test_no_reading_there(tmp_path: Path) -> None:
    assert run(tmp_path / "nowhere").exit_code == 2
    refused(run(tmp_path), "no-reading")


def test_a_folder_that_cannot_be_written_to_is_told_before_the_work(made: build_export.Exported) -> None:
    blocked = made.folder / "file"
    blocked.write_text("no folder", encoding="utf-8")
    told = run(made.reading_folder, "--out", blocked / "out")
    assert told.exit_code == 2
    assert told.stderr.startswith("unwritable-output: ")


# ---- images from a zip, and one multi-frame image ----


def test_images_in_a_zip_serve_as_well(made: build_export.Exported) -> None:
    with zipfile.ZipFile(made.folder / "ct.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(made.images.glob("*.dcm")):
            archive.write(file, f"inside/{file.name}")
    scan = read_scan(made.folder / "ct.zip")
    write_reading(
        replace(made.reading, source=replace(made.reading.source, paths=scan.source_files)),
        made.reading_folder,
    )
    shutil.rmtree(made.images)
    told = run(made.reading_folder, "--seg", "--out", made.folder / "out")
    assert told.exit_code == 0, told.stderr


def enhanced(folder: Path) -> Path:
    """The same CT as one enhanced multi-frame image, its frames from last to first."""
    files = sorted(folder.glob("*.dcm"), reverse=True)
    images = [dcmread(file) for file in files]
    out = images[0]
    out.SOPClassUID = out.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    out.NumberOfFrames = len(images)
    out.PixelData = b"".join(image.PixelData for image in images)
    shared = Dataset()
    measures, orientation, values = Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, measures.SliceThickness = out.PixelSpacing, out.SliceThickness
    orientation.ImageOrientationPatient = out.ImageOrientationPatient
    values.RescaleIntercept, values.RescaleSlope, values.RescaleType = "0", "1", "HU"
    shared.PixelMeasuresSequence = [measures]
    shared.PlaneOrientationSequence = [orientation]
    shared.PixelValueTransformationSequence = [values]
    out.SharedFunctionalGroupsSequence = [shared]
    out.PerFrameFunctionalGroupsSequence = []
    for image in images:
        frame, position = Dataset(), Dataset()
        position.ImagePositionPatient = image.ImagePositionPatient
        frame.PlanePositionSequence = [position]
        out.PerFrameFunctionalGroupsSequence.append(frame)
    for keyword in ("PixelSpacing", "SliceThickness", "ImageOrientationPatient", "ImagePositionPatient"):
        delattr(out, keyword)
    path = folder.parent / "enhanced" / "ct.dcm"
    path.parent.mkdir()
    out.save_as(path)
    return path.parent


def test_a_multi_frame_image_gives_the_same_segmentation(made: build_export.Exported) -> None:
    single = export_case(case_of(made), MADE, Wanted(("seg",))).objects[0].dataset
    shutil.move(enhanced(made.images), made.folder / "multi")
    shutil.rmtree(made.images)
    shutil.move(made.folder / "multi", made.images)
    multi = build_export.keep(made.reading, made.folder)
    export = export_case(case_of(multi), MADE, Wanted(("seg", "sr")))
    seg, report = (one.dataset for one in export.objects)
    assert seg.NumberOfFrames == single.NumberOfFrames
    assert int(seg.pixel_array.sum()) == int(single.pixel_array.sum())
    for one, two in zip(by_place(seg), by_place(single), strict=True):
        assert one[0] == two[0]
        assert np.array_equal(one[1], two[1])
    assert report.SOPClassUID.name == "Comprehensive 3D SR Storage"


def by_place(seg: Dataset) -> list[tuple[tuple[int, float], np.ndarray]]:
    """Frames of a segmentation by part and height."""
    found = []
    for frame, pixels in zip(seg.PerFrameFunctionalGroupsSequence, seg.pixel_array, strict=True):
        part = int(frame.SegmentIdentificationSequence[0].ReferencedSegmentNumber)
        found.append(((part, float(frame.PlanePositionSequence[0].ImagePositionPatient[2])), pixels))
    return sorted(found, key=lambda item: item[0])


# ---- missing and odd elements of the header ----


def case_of(made: build_export.Exported, site: str = "L5") -> Case:
    reading = read_reading(made.reading_folder)
    return Case(Patient(site=site), (reading,), reading.findings, reading.summary)


def without(*keywords: str) -> Callable[[Dataset], None]:
    def change(image: Dataset) -> None:
        for keyword in keywords:
            if keyword in image:
                delattr(image, keyword)

    return change


def with_values(**values: object) -> Callable[[Dataset], None]:
    def change(image: Dataset) -> None:
        for keyword, value in values.items():
            setattr(image, keyword, value)

    return change


EMPTY_ALLOWED = (
    "PatientName",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
HEADERS = {
    "no body part": (without("BodyPartExamined", "Laterality"), "L5"),
    "no body part, no site": (without("BodyPartExamined", "Laterality"), ""),
    "a paired part without a side": (with_values(BodyPartExamined="HIP"), "hip"),
    "a paired part with a side": (with_values(BodyPartExamined="FEMUR", Laterality="L"), ""),
    "nothing that may be empty": (without(*EMPTY_ALLOWED), "L5"),
    "no slice thickness": (without("SliceThickness"), "L5"),
    "no series number": (without("SeriesNumber"), "L5"),
    "a series number as large as may be": (with_values(SeriesNumber=2**31 - 1), "L5"),
    "sex unknown": (with_values(PatientSex="U"), "L5"),
    "dates nobody can read": (with_values(PatientBirthDate="around 2015", StudyTime="morning"), "L5"),
    "latin letters": (with_values(SpecificCharacterSet="ISO_IR 100", PatientName="Müller^Jörg"), "L5"),
    "japanese letters": (
        with_values(
            SpecificCharacterSet=["", "ISO 2022 IR 87"], PatientName="Yamada^Tarou=山田^太郎=やまだ^たろう"
        ),
        "L5",
    ),
    "unicode letters": (with_values(SpecificCharacterSet="ISO_IR 192", PatientName="Γιάννης"), "L5"),
}


def test_objects_take_their_places_all_or_none(
    made: build_export.Exported, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that ends between two of them leaves nothing that the next command does not put right."""
    out = made.folder / "out"
    objects = export_case(case_of(made, "L5"), MADE, Wanted()).objects
    old = write_objects(objects, out)
    new = [replace(one, dataset=dcmread(file)) for one, file in zip(objects, old, strict=True)]
    for one in new:
        one.dataset.SeriesDescription = "new"
    replaced, left = Path.replace, [1]

    def stopped(path: Path, target: Path) -> Path:
        if not left:
            raise KeyboardInterrupt
        left.pop()
        return replaced(path, target)

    monkeypatch.setattr(Path, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_objects(new, out)
    monkeypatch.setattr(Path, "replace", replaced)
    finish_results(out)
    assert {dcmread(file).SeriesDescription for file in old} == {"new"}
    assert sorted(out.iterdir()) == sorted(old)
    assert {file.stat().st_mode & 0o777 for file in old} == {0o600}


@pytest.mark.parametrize("name", HEADERS)
def test_odd_headers_give_clean_objects_of_the_same_patient(made: build_export.Exported, name: str) -> None:
    change, site = HEADERS[name]
    change_all(made.images, change)
    with tolerant():
        source = dcmread(next(made.images.glob("*.dcm")), stop_before_pixels=True)
    export = export_case(case_of(made, site), MADE, Wanted())
    for file in write_objects(export.objects, made.folder / "out"):
        written = dcmread(file)
        assert written.PatientName == source.get("PatientName", "")
        assert written.PatientID == source.PatientID
        assert written.StudyInstanceUID == source.StudyInstanceUID
        assert written.get("SpecificCharacterSet") == source.get("SpecificCharacterSet")
        if DCIODVFY is not None:
            inherited = ("Patient's Birth Date", "Study Time") if "nobody" in name else ()
            assert [line for line in errors_of(file) if not any(word in line for word in inherited)] == []


def test_images_without_a_frame_of_reference_carry_no_segmentation(made: build_export.Exported) -> None:
    change_all(made.images, without("FrameOfReferenceUID"))
    made = build_export.keep(made.reading, made.folder)
    refused(run(made.reading_folder, "--seg"), "no-frame-of-reference")
    told = run(made.reading_folder, "--page", "--out", made.folder / "out")
    assert told.exit_code == 0, told.stderr


def test_a_patient_without_an_id_is_told_that_nothing_is_tracked(made: build_export.Exported) -> None:
    change_all(made.images, with_values(PatientID=""))
    made = build_export.keep(made.reading, made.folder)
    told = run(made.reading_folder, "--seg", "--out", made.folder / "out")
    assert told.exit_code == 0
    assert "note: The images carry no patient id" in told.stderr


# ---- odd readings ----


def test_a_defect_without_a_screw_is_exported_too(made: build_export.Exported) -> None:
    bridge = build.make_bridge(0.3)
    plane = DefectPlane(
        Plane(bridge.defect.plane.point_mm, bridge.defect.plane.normal), 2.4, "given", 5.0, 0.5, Caution.NONE
    )
    defect = DefectReading("left", replace(bridge, defect=plane))
    reading = replace(made.reading, implants=(), defects=(defect,))
    write_reading(reading, made.reading_folder)
    export = export_case(case_of(made), MADE, Wanted())
    kinds = {one.kind: one.dataset for one in export.objects}
    labels = [segment.SegmentLabel for segment in kinds["seg"].SegmentSequence]
    assert labels == ["L5 defect-left bridged bone", "L5 defect-left gap"]
    for file in write_objects(export.objects, made.folder / "out"):
        assert DCIODVFY is None or errors_of(file) == []


def test_a_halo_thinner_than_a_voxel_is_said_to_have_no_segment(made: build_export.Exported) -> None:
    thin = build.make_side(0.0, sectors_mm=(0.0,) * 8)
    implant = build.make_implant(thin, build.make_side(0.9))
    flat = replace(
        implant.halo.map, width_mm=np.where(implant.halo.map.depth_mm < 16.0, 0.0, 0.9)[:, None] * np.ones(24)
    )
    implant = replace(implant, halo=replace(implant.halo, map=flat))
    write_reading(replace(made.reading, implants=(implant,)), made.reading_folder)
    told = run(made.reading_folder, "--seg", "--out", made.folder / "out")
    assert told.exit_code == 0, told.stderr
    assert (
        "halo, lamina side (screw head): no voxel's centre lies inside, so it has no segment." in told.stderr
    )


def test_a_shaft_that_no_defect_parts_has_one_halo_and_no_gap(made: build_export.Exported) -> None:
    none = build.missing_side(Caution.NO_DEFECT)
    implant = replace(build.make_implant(none, none), defect=None, bridge=None)
    whole = replace(implant.halo, whole=build.make_side(0.9), map=_all_head(0.9, implant.halo.map))
    write_reading(replace(made.reading, implants=(replace(implant, halo=whole),)), made.reading_folder)
    told = run(made.reading_folder, "--seg", "--out", made.folder / "unparted")
    assert told.exit_code == 0, told.stderr
    (file,) = (made.folder / "unparted").glob("*.dcm")
    labels = [segment.SegmentLabel for segment in dcmread(file).SegmentSequence]
    assert labels == ["L5 left screw", "L5 left halo, whole screw"]
    assert "no segment" not in told.stderr


def _all_head(width_mm: float, unrolled: HaloMap) -> HaloMap:
    shape = unrolled.side.shape
    return replace(unrolled, width_mm=np.full(shape, width_mm), side=np.full(shape, Side.HEAD, dtype=np.int8))


def test_a_defect_without_a_bridge_has_no_segment_of_one(made: build_export.Exported) -> None:
    side = build.make_side(0.9)
    implant = build.make_implant(side, side, bridge=build.make_bridge(0.0))
    write_reading(replace(made.reading, implants=(implant,)), made.reading_folder)
    told = run(made.reading_folder, "--seg", "--out", made.folder / "open")
    assert told.exit_code == 0, told.stderr
    assert "bridged bone" not in told.stderr


def test_a_week_that_is_not_known_leaves_the_offset_out(made: build_export.Exported) -> None:
    reading = replace(made.reading, scan=replace(made.reading.scan, weeks_since_surgery=float("nan")))
    write_reading(reading, made.reading_folder)
    report = export_case(case_of(made), MADE, Wanted(("sr",))).objects[0].dataset
    assert "128740" not in str(report)


def test_values_at_the_ends_of_what_a_decimal_string_holds(made: build_export.Exported) -> None:
    long = Measured(0.1234567890123456789, 1e-17, 0.12345678901234567, 0.1234567890123457, Unit.MM)
    side = replace(made.reading.implants[0].halo.head_side, mean_width=long)
    implant = made.reading.implants[0]
    implant = replace(implant, halo=replace(implant.halo, head_side=side))
    write_reading(replace(made.reading, implants=(implant,)), made.reading_folder)
    export = export_case(case_of(made), MADE, Wanted(("sr",)))
    (file,) = write_objects(export.objects, made.folder / "out")
    assert DCIODVFY is None or errors_of(file) == []
    assert str(long.value) in str(dcmread(file))
