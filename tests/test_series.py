"""Facts read from headers, and the choice of the series to measure."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813 - the name its users know
from ct_files import Grid, codes, ct_slice, refused, with_values, worst_hu, write_series
from pydicom.dataset import Dataset

from ongrowth.read import date_of, list_series, read_scan
from ongrowth.scan import Acquisition, Refused, Scan
from ongrowth.series import kernel_sharpness

DATES = ("AcquisitionDate", "ContentDate", "SeriesDate", "StudyDate")
SHORT = Grid(n=4, rows=6, columns=7)
LONG = Grid(n=32, rows=6, columns=7, step_mm=(0.0, 0.0, 1.0))  # 32 mm: covers a screw


def scan_with(folder: Path, **values: object) -> Scan:
    return read_scan(write_series(folder, SHORT, with_values(**values)))


# ----------------------------------------------------------------------------------------- facts


def test_facts_of_a_scan(tmp_path: Path) -> None:
    facts = scan_with(
        tmp_path,
        Manufacturer="Invented",
        ManufacturerModelName="Ring 1",
        SeriesDescription="L4 thin",
        BodyPartExamined="LSPINE",
        PatientBirthDate="20160214",
        CTDIvol=5.5,
    ).acquisition
    assert facts.modality == "CT"
    assert (facts.kernel, facts.kvp, facts.slice_thickness_mm) == ("BONE", 120.0, 0.625)
    assert (facts.scanner, facts.series_description, facts.body_part) == (
        "Invented Ring 1",
        "L4 thin",
        "LSPINE",
    )
    assert (facts.date, facts.birth_year, facts.patient_id) == (dt.date(2031, 4, 29), 2016, "harbour-07")
    assert (facts.series_uid, facts.study_uid, facts.frame_of_reference_uid) == ("2.25.2", "2.25.1", "2.25.3")
    assert facts.dose.ctdi_vol_mgy == pytest.approx(5.5)
    assert facts.patient_position == "HFS"


def test_facts_that_are_absent_stay_empty(tmp_path: Path) -> None:
    def strip(ds: Dataset, _: int) -> None:
        for keyword in (
            "ConvolutionKernel",
            "KVP",
            "SliceThickness",
            "AcquisitionDate",
            "StudyDate",
            "PatientID",
        ):
            del ds[keyword]

    scan = read_scan(write_series(tmp_path, SHORT, strip))
    facts = scan.acquisition
    assert facts.kernel == ""
    assert math.isnan(facts.kvp)
    assert math.isnan(facts.slice_thickness_mm)
    assert facts.date is None
    assert math.isnan(facts.dose.ctdi_vol_mgy)
    assert facts.algorithm == "not stated"
    assert "no-date" in codes(scan)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"AcquisitionDate": "20310501"}, dt.date(2031, 5, 1)),
        ({"AcquisitionDateTime": "20310502101500.5"}, dt.date(2031, 5, 2)),
        ({"AcquisitionDate": "", "ContentDate": "20310503"}, dt.date(2031, 5, 3)),
        ({"AcquisitionDate": "", "StudyDate": "2031.05.04"}, dt.date(2031, 5, 4)),
        ({"AcquisitionDate": "20311399", "StudyDate": "20310505"}, dt.date(2031, 5, 5)),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_date(tmp_path: Path, values: dict[str, str], expected: dt.date) -> None:
    assert scan_with(tmp_path, **values).acquisition.date == expected


@pytest.mark.parametrize(
    ("study", "told"),
    [
        ("20310501", ""),
        ("20310430", ""),  # begun before midnight
        ("20310403", "28 days after"),
        ("20310605", "35 days before"),
        ("19001111", ""),
        ("", ""),
    ],
)
def test_a_study_of_another_day_is_told(tmp_path: Path, study: str, told: str) -> None:
    scan = scan_with(tmp_path, AcquisitionDate="20310501", StudyDate=study)
    assert scan.acquisition.date == dt.date(2031, 5, 1)
    texts = [problem.text for problem in scan.problems if problem.code == "dates-differ"]
    assert len(texts) == bool(told)
    assert all(told in text and "2031" not in text for text in texts)  # dates stay in the private file


@pytest.mark.parametrize(
    ("maker", "model", "scanner"),
    [
        ("Invented", "Ring 1", "Invented Ring 1"),
        ("Invented", "Invented Ring 1", "Invented Ring 1"),
        ("INVENTED", "Invented", "Invented"),
        ("Invent", "Invented Ring 1", "Invent Invented Ring 1"),  # another word
        ("Invented", "", "Invented"),
        ("", "Ring 1", "Ring 1"),
        ("", "", ""),
    ],
)
def test_a_maker_whom_the_model_names_stands_there_once(
    tmp_path: Path, maker: str, model: str, scanner: str
) -> None:
    scan = scan_with(tmp_path, Manufacturer=maker, ManufacturerModelName=model)
    assert scan.acquisition.scanner == scanner


def test_date_before_there_was_ct(tmp_path: Path) -> None:
    made_up = dict.fromkeys(DATES, "19001111")
    scan = scan_with(tmp_path / "all", **made_up)
    assert "date-implausible" in codes(scan)
    assert scan.acquisition.date is None  # else a follow-up CT would lie before its surgery
    scan = scan_with(tmp_path / "one", **(made_up | {"StudyDate": "20310429"}))
    assert "date-implausible" not in codes(scan)
    assert scan.acquisition.date == dt.date(2031, 4, 29)


@pytest.mark.parametrize(("age", "year"), [("015Y", 2016), ("030M", 2029), ("", None), ("old", None)])
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_birth_year_from_the_age(tmp_path: Path, age: str, year: int | None) -> None:
    assert scan_with(tmp_path, PatientAge=age).acquisition.birth_year == year


def multi_energy(detector: str = "INTEGRATING", kev: float | None = None) -> dict[str, object]:
    inner, outer, traits = Dataset(), Dataset(), Dataset()
    inner.MultienergyDetectorType = detector
    outer.MultienergyCTXRayDetectorSequence = [inner]
    values: dict[str, object] = {
        "MultienergyCTAcquisitionSequence": [outer],
        "MultienergyCTAcquisition": "YES",
    }
    if kev:
        traits.MonoenergeticEnergyEquivalent = kev
        values["MultienergyCTCharacteristicsSequence"] = [traits]
    return values


@pytest.mark.parametrize(
    ("values", "algorithm", "strength", "code"),
    [
        ({}, "not stated", "", None),
        ({"ReconstructionAlgorithm": "FILTER_BACK_PROJ"}, "filtered back-projection", "", None),
        ({"ReconstructionAlgorithm": "ITERATIVE"}, "iterative", "", "iterative-reconstruction"),
        ({"ConvolutionKernel": ["Br64f", "3"]}, "iterative", "3", "iterative-reconstruction"),
        ({"ConvolutionKernel": ["Hr60", "", "x"]}, "not stated", "", None),
        (
            {"SeriesDescription": "bone, Iterative 4"},
            "iterative",
            "ITERATIV",
            "iterative-reconstruction",
        ),
        ({"SeriesDescription": "L spine DLIR-H"}, "deep-learning", "DLIR", "deep-learning-reconstruction"),
        ({"ImageComments": "deep learning recon"}, "deep-learning", "DEEP", "deep-learning-reconstruction"),
        ({"SeriesDescription": "Mono 130 keV bone"}, "mono-energetic", "130 keV", "mono-energetic"),
        ({"ImageType": ["DERIVED", "PRIMARY", "AXIAL", "VMI"]}, "mono-energetic", "", "mono-energetic"),
        (multi_energy(kev=70.0), "mono-energetic", "70 keV", "mono-energetic"),
        (multi_energy("PHOTON_COUNTING"), "photon-counting", "", "photon-counting"),
        (multi_energy("PHOTON_COUNTING", 60.0), "photon-counting", "60 keV", "photon-counting"),
        (multi_energy("MULTILAYER"), "not stated", "", None),
        ({"SeriesDescription": "Spine monitoring"}, "not stated", "", None),
    ],
)
def test_reconstruction(
    tmp_path: Path, values: dict[str, object], algorithm: str, strength: str, code: str | None
) -> None:
    scan = scan_with(tmp_path, **values)
    facts = scan.acquisition
    assert facts.algorithm == algorithm
    assert facts.strength == strength
    kinds = {"iterative-reconstruction", "deep-learning-reconstruction", "mono-energetic", "photon-counting"}
    assert codes(scan) & kinds == ({code} if code else set())


@pytest.mark.parametrize(
    ("description", "is_reduced"),
    [
        ("L4 bone 0.6 iMAR", True),
        ("SPINE O-MAR", True),
        ("MAR", True),
        ("metal artifact reduction", True),
        ("Metal artefact corr", True),
        ("bone without MAR", False),
        ("noMAR bone", False),
        ("NO METAL ARTIFACT REDUCTION", False),
        ("seen 12 MAR 2031", False),
        ("12MAR31", False),
        ("PALMAR view", False),
        ("lumbar spine", False),
        ("metal screw L4", False),
    ],
)
def test_metal_artefact_reduction(tmp_path: Path, description: str, *, is_reduced: bool) -> None:
    scan = scan_with(tmp_path, SeriesDescription=description)
    assert scan.acquisition.is_metal_reduced is is_reduced
    assert ("metal-artefact-reduced" in codes(scan)) is is_reduced


@pytest.mark.parametrize(
    ("kernel", "low", "high"),
    [
        ("Br38f\\3", 30, 45), ("B70f", 65, 75), ("Hr64", 60, 70), ("STANDARD", 30, 45), ("BONEPLUS", 65, 100),
        ("Bone Plus", 65, 100), ("FC08", 0, 20), ("FC30", 60, 80), ("FC81", 70, 90), ("YA", 60, 70),
        ("B", 20, 40),
    ],
)  # fmt: skip
def test_kernel_sharpness(kernel: str, low: float, high: float) -> None:
    assert low <= kernel_sharpness(kernel) <= high


@pytest.mark.parametrize("kernel", ["", "own recipe", "Q"])
def test_unknown_kernels_are_not_guessed(kernel: str) -> None:
    assert math.isnan(kernel_sharpness(kernel))


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"SliceThickness": "5"}, "thick-slices"),
        ({"PixelSpacing": ["0.9", "0.9"]}, "coarse-pixels"),
        ({"ConvolutionKernel": "SOFT"}, "smooth-kernel"),
        ({"LossyImageCompression": "01"}, "lossy"),
        ({"ImageType": ["DERIVED", "SECONDARY", "MPR"]}, "derived-images"),
    ],
)
def test_what_weakens_a_scan_is_a_caution(tmp_path: Path, values: dict[str, object], code: str) -> None:
    scan = scan_with(tmp_path, **values)
    found = [problem for problem in scan.problems if problem.code == code]
    assert [problem.level for problem in found] == ["caution"]
    assert found[0].advice


def test_thick_slices_say_what_to_ask_for(tmp_path: Path) -> None:
    scan = scan_with(tmp_path, SliceThickness="5")
    told = next(str(problem) for problem in scan.problems if problem.code == "thick-slices")
    for word in (
        "5 mm",
        "0.75 mm",
        "bone kernel",
        "small field",
        "extended HU scale",
        "without metal artefact",
    ):
        assert word in told


def test_slices_of_several_thicknesses_are_told_and_the_thickest_counts(tmp_path: Path) -> None:
    def thicker_above(ds: Dataset, k: int) -> None:
        ds.SliceThickness = "0.625" if k < 3 else "3.5"

    scan = read_scan(write_series(tmp_path, SHORT, thicker_above))
    assert {"mixed-thickness", "thick-slices"} <= codes(scan)
    assert scan.acquisition.slice_thickness_mm == 3.5
    (told,) = (problem.text for problem in scan.problems if problem.code == "mixed-thickness")
    assert "0.625 to 3.5 mm" in told


@pytest.mark.parametrize(("thickness", "is_told"), [("0.3", True), ("0.6", False), ("1.25", False)])
def test_bone_between_slices_that_was_not_imaged(tmp_path: Path, thickness: str, *, is_told: bool) -> None:
    scan = scan_with(tmp_path, SliceThickness=thickness)  # every 0.625 mm
    assert ("slices-apart" in codes(scan)) is is_told
    assert "mixed-thickness" not in codes(scan)


def test_three_mm_and_point_eight_are_still_allowed(tmp_path: Path) -> None:
    scan = scan_with(tmp_path, SliceThickness="3", PixelSpacing=["0.8", "0.8"])
    assert not codes(scan) & {"thick-slices", "coarse-pixels"}


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"SOPClassUID": "1.2.840.10008.5.1.4.1.1.7"}, "screen-capture"),
        ({"ConversionType": "WSD"}, "screen-capture"),
        ({"ImageType": ["ORIGINAL", "PRIMARY", "LOCALIZER"]}, "localizer"),
        ({"ImageType": ["DERIVED", "SECONDARY", "MIP"]}, "projection"),
        ({"ImageType": ["DERIVED", "SECONDARY", "REFORMATTED", "MAX_IP"]}, "projection"),
        ({"SamplesPerPixel": 3}, "not-grey"),
    ],
)
def test_pictures_are_refused(tmp_path: Path, values: dict[str, object], code: str) -> None:
    assert refused(lambda: scan_with(tmp_path, **values)) == {code}


# ---------------------------------------------------------------------------------------- choice


BEST = {"ConvolutionKernel": "BONE", "SliceThickness": "1"}
REFORMAT = ["DERIVED", "SECONDARY", "MPR"]
THICK = replace(LONG, n=26, step_mm=(0.0, 0.0, 1.25))


@pytest.mark.parametrize(
    ("grid", "values", "reason"),
    [
        (LONG, {"ConvolutionKernel": "SOFT"}, "sharper kernel"),
        (replace(LONG, n=11, step_mm=(0, 0, 3)), {"SliceThickness": "3"}, "thinner slices"),
        (THICK, {"SliceThickness": "1.25"}, "thinner slices"),
        (replace(LONG, spacing_mm=(0.7, 0.7)), {}, "smaller pixels"),
        (LONG, {"SeriesDescription": "thin MAR"}, "without metal artefact reduction"),
        (LONG, {"ImageType": REFORMAT, "ConvolutionKernel": "EDGE"}, "original, not derived"),
        (LONG, {"LossyImageCompression": "01", "ConvolutionKernel": "EDGE"}, "not compressed with loss"),
        (LONG, {"SeriesDescription": "mono 130 keV", "ConvolutionKernel": "EDGE"}, "ordinary spectrum"),
        (replace(LONG, n=8), {"ConvolutionKernel": "EDGE"}, "covers enough"),
        (SHORT, {"ConversionType": "WSD"}, "captured pages"),
        (LONG, {"ImageType": ["DERIVED", "SECONDARY", "MIP"], "ConvolutionKernel": "EDGE"}, "projections"),
    ],
)  # fmt: skip
def test_the_best_series_is_taken_and_named(
    tmp_path: Path, grid: Grid, values: dict[str, object], reason: str
) -> None:
    write_series(tmp_path / "z_best", LONG, with_values(**BEST, SeriesInstanceUID="2.25.50"))
    write_series(tmp_path / "a_other", grid, with_values(**(BEST | values), SeriesInstanceUID="2.25.51"))
    scan = read_scan(tmp_path)
    assert scan.acquisition.series_uid == "2.25.50"
    assert worst_hu(scan) <= 0.501
    assert len(scan.others) == 1
    assert reason in scan.others[0]
    chosen = [problem for problem in scan.problems if problem.code == "series-chosen"]
    assert [problem.level for problem in chosen] == ["note"]
    listed = list_series(tmp_path)
    assert [one.series_uid for one in listed] == ["2.25.50", "2.25.51"]
    assert listed[0].reason in chosen[0].text


def test_where_nothing_can_be_read_the_longest_series_says_why(tmp_path: Path) -> None:
    """A slice of another patient lies in the folder: not its being alone is what is wrong."""

    def one_strays(ds: Dataset, k: int) -> None:
        ds.PatientID = "another" if k == 5 else "P-1"

    folder = write_series(tmp_path, LONG, one_strays)
    assert refused(lambda: read_scan(folder)) == {"missing-slices"}
    assert [one.n_slices for one in list_series(folder)] == [LONG.n - 1, 1]


def test_the_day_of_the_images_that_are_taken_is_told_without_reading_them(tmp_path: Path) -> None:
    for name, number, day in (("best", 3, "20310306"), ("other", 7, "20310401")):
        own = {"SeriesNumber": number, "SeriesInstanceUID": f"2.25.{number}", "AcquisitionDate": day}
        write_series(tmp_path / name, LONG, with_values(**BEST, **own, StudyDate=day))
    assert date_of(tmp_path / "best") == dt.date(2031, 3, 6)
    assert date_of(tmp_path) is None  # two examinations: `read_scan` refuses
    assert date_of(tmp_path, series="7") == dt.date(2031, 4, 1)
    assert date_of(tmp_path / "nowhere") is None


def test_images_with_a_series_uid_each_are_read_as_one_series(tmp_path: Path) -> None:
    """Some tools that take identities out give every image UIDs of its own."""

    def scattered(ds: Dataset, k: int) -> None:
        ds.SeriesInstanceUID = f"2.25.{1000 + k}"
        ds.StudyInstanceUID = f"2.25.{2000 + k}"
        ds.FrameOfReferenceUID = f"2.25.{3000 + k}"

    scan = read_scan(write_series(tmp_path / "all", LONG, scattered))
    assert scan.hu.shape[0] == LONG.n
    assert worst_hu(scan) <= 0.501
    assert "series-joined" in codes(scan)
    missing = write_series(tmp_path / "gap", LONG, scattered, skip=[9])
    assert refused(lambda: read_scan(missing)) == {"missing-slices"}
    assert refused(lambda: read_scan(write_series(tmp_path / "few", SHORT, scattered))) == {"single-slice"}


def test_rounded_directions_are_no_shear(tmp_path: Path) -> None:
    rounded = with_values(ImageOrientationPatient=["0.9999", "0", "0", "0", "0.9998", "0"])
    assert "sheared-grid" not in codes(read_scan(write_series(tmp_path, LONG, rounded)))


def test_two_series_as_good_as_each_other(tmp_path: Path) -> None:
    write_series(tmp_path / "a", LONG, with_values(SeriesInstanceUID="2.25.50", SeriesNumber=3))
    write_series(tmp_path / "b", LONG, with_values(SeriesInstanceUID="2.25.51", SeriesNumber=4))
    first, second = list_series(tmp_path)
    assert first.reason == "as good for measuring as the next, and the first to come"
    assert second.reason == "not taken; as good as the other, which came first"


def test_a_poor_series_alone_is_still_read(tmp_path: Path) -> None:
    poor = {
        "ImageType": ["DERIVED", "SECONDARY", "MPR"],
        "LossyImageCompression": "01",
        "SliceThickness": "5",
    }
    scan = read_scan(write_series(tmp_path, SHORT, with_values(**poor)))
    assert {"derived-images", "lossy", "thick-slices"} <= codes(scan)
    assert scan.acquisition.is_lossy


def test_a_broken_better_series_is_pointed_out(tmp_path: Path) -> None:
    write_series(tmp_path / "bone", LONG, with_values(SeriesInstanceUID="2.25.50"), skip=[20])
    write_series(tmp_path / "soft", LONG, with_values(SeriesInstanceUID="2.25.51", ConvolutionKernel="SOFT"))
    scan = read_scan(tmp_path)
    assert scan.acquisition.kernel == "SOFT"
    assert "better-series-broken" in codes(scan)
    assert "1 slice is missing" in scan.others[0]
    assert refused(lambda: read_scan(tmp_path, series="2.25.50")) == {"missing-slices"}


def test_a_broken_worse_series_is_not(tmp_path: Path) -> None:
    write_series(tmp_path / "bone", LONG, with_values(SeriesInstanceUID="2.25.50"))
    write_series(
        tmp_path / "soft", LONG, with_values(SeriesInstanceUID="2.25.51", ConvolutionKernel="SOFT"), skip=[9]
    )
    assert "better-series-broken" not in codes(read_scan(tmp_path))


def test_two_patients_are_refused(tmp_path: Path) -> None:
    write_series(tmp_path / "a", SHORT)
    write_series(tmp_path / "b", SHORT, with_values(PatientID="harbour-08", SeriesInstanceUID="2.25.9"))
    assert refused(lambda: read_scan(tmp_path)) == {"several-patients"}
    assert read_scan(tmp_path, series="2.25.9").acquisition.patient_id == "harbour-08"


def test_two_dates_are_refused(tmp_path: Path) -> None:
    write_series(tmp_path / "a", SHORT)
    write_series(tmp_path / "b", SHORT, with_values(AcquisitionDate="20310701", SeriesInstanceUID="2.25.9"))
    assert refused(lambda: read_scan(tmp_path)) == {"several-dates"}


def test_a_series_that_is_not_there(tmp_path: Path) -> None:
    write_series(tmp_path, SHORT)
    assert refused(lambda: read_scan(tmp_path, series="2.25.404")) == {"no-such-series"}


def test_a_series_is_taken_by_its_number(tmp_path: Path) -> None:
    write_series(tmp_path / "bone", LONG, with_values(SeriesInstanceUID="2.25.50", SeriesNumber=3))
    soft = with_values(SeriesInstanceUID="2.25.51", SeriesNumber=4, ConvolutionKernel="SOFT")
    write_series(tmp_path / "soft", LONG, soft)
    assert read_scan(tmp_path).acquisition.series_uid == "2.25.50"
    asked = read_scan(tmp_path, series="4")
    assert asked.acquisition.series_uid == "2.25.51"
    (chosen,) = (problem.text for problem in asked.problems if problem.code == "series-chosen")
    assert "taken: series 4, kernel SOFT, as asked for." in chosen
    assert asked.others[0].endswith("not taken; another was asked for")
    with pytest.raises(Refused, match=r"series 3, .*series 4, kernel SOFT"):
        read_scan(tmp_path, series="5")


def test_a_volume_file_has_no_series(tmp_path: Path) -> None:
    file = tmp_path / "w08.nii.gz"
    sitk.WriteImage(sitk.GetImageFromArray(np.full((6, 7, 8), 40, dtype=np.int16)), str(file))
    assert read_scan(file, series=" ").hu.shape == (6, 7, 8)
    assert refused(lambda: read_scan(file, series="3")) == {"no-such-series"}


def test_a_number_that_two_series_bear_is_not_enough(tmp_path: Path) -> None:
    write_series(tmp_path / "a", LONG, with_values(SeriesInstanceUID="2.25.50", SeriesNumber=3))
    write_series(tmp_path / "b", LONG, with_values(SeriesInstanceUID="2.25.51", SeriesNumber=3))
    assert refused(lambda: read_scan(tmp_path, series="3")) == {"series-number-twice"}
    assert read_scan(tmp_path, series="2.25.51").acquisition.series_uid == "2.25.51"


def test_listing_tells_sizes(tmp_path: Path) -> None:
    (one,) = list_series(
        write_series(tmp_path, THICK, with_values(SliceThickness="2", SeriesDescription="L4"))
    )
    assert (one.n_slices, one.kernel, one.description) == (26, "BONE", "L4")
    assert (one.thickness_mm, one.gap_mm, one.pixel_mm) == pytest.approx((2.0, 1.25, 0.5))
    assert one.is_usable
    assert str(one) == "series 2, kernel BONE (26 slices, 2 mm thick): the only series"


def test_default_acquisition_is_empty() -> None:
    assert Acquisition().algorithm == "not stated"


def test_one_series_without_uid_beside_another(tmp_path: Path) -> None:
    """Blank identifiers: the kernel tells two reconstructions of one place apart."""
    blank = {"SeriesInstanceUID": "", "StudyInstanceUID": ""}
    write_series(tmp_path / "a", SHORT, with_values(**blank))
    write_series(tmp_path / "b", SHORT, with_values(**blank, ConvolutionKernel="SOFT"))
    scan = read_scan(tmp_path)
    assert scan.acquisition.kernel == "BONE"
    assert worst_hu(scan) <= 0.501


def test_what_is_shared_names_no_path_uid_or_date(tmp_path: Path) -> None:
    """Problems and the list of other series go into result files that may be passed on."""
    folder = tmp_path / "Secret^Name"
    nameless = {"SeriesDescription": "", "ConvolutionKernel": "", **dict.fromkeys(DATES, "19001231")}
    write_series(folder / "a", LONG, with_values(**nameless))
    write_series(folder / "b", LONG, with_values(**nameless, SeriesInstanceUID="2.25.777"), skip=[9])
    write_series(folder / "c", SHORT, with_values(**nameless, SeriesInstanceUID="2.25.778"))
    for name in ("b/003.dcm", "c/000.dcm", "c/001.dcm"):
        (folder / name).write_bytes((folder / name).read_bytes()[: 400 if "c/000" in name else -10])
    scan = read_scan(folder)
    assert {"damaged-files", "date-implausible", "series-chosen"} <= codes(scan)
    shared = " ".join([*map(str, scan.problems), *scan.others])
    assert len(scan.others) == 2
    for secret in ("Secret", "^Name", ".dcm", "2.25.", "1231", str(tmp_path)):
        assert secret not in shared


def test_a_single_slice_is_refused(tmp_path: Path) -> None:
    ct_slice(SHORT, 0).save_as(tmp_path / "one.dcm", enforce_file_format=True)
    assert refused(lambda: read_scan(tmp_path / "one.dcm")) == {"single-slice"}
