"""Every broken or unusual series a hospital may send: the right HU at the right place, or a coded word."""

from __future__ import annotations

import gc
import random
import shutil
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ct_files import (
    Grid,
    as_bytes,
    codes,
    ct_image,
    ct_slice,
    decimal,
    enhanced,
    field_hu,
    refused,
    worst_hu,
    write_series,
)
from numpy.typing import NDArray
from pydicom import uid
from pydicom.dataset import Dataset
from scipy.spatial.transform import Rotation

from ongrowth.read import list_series, read_scan

PLAIN = Grid()
ROUNDED = 0.5 + 1e-3  # stored numbers are whole
CAUTIONS_OF_A_CLEAN_SERIES: set[str] = set()


def turn(axis: str, angle_deg: float | list[float]) -> NDArray[np.float64]:
    return Rotation.from_euler(axis, angle_deg, degrees=True).as_matrix()


# ------------------------------------------------------------------------- right HU, right place


@pytest.mark.parametrize(
    "grid",
    [
        pytest.param(PLAIN, id="axial"),
        pytest.param(PLAIN.turned(turn("zyx", [20, 10, -15])), id="oblique"),
        pytest.param(PLAIN.turned([[1, 0, 0], [0, 0, 1], [0, -1, 0]]), id="coronal"),
        pytest.param(PLAIN.turned([[0, 0, 1], [1, 0, 0], [0, 1, 0]]), id="sagittal"),
        pytest.param(PLAIN.turned(np.diag([-1, -1, 1])), id="prone"),
        pytest.param(PLAIN.turned(np.diag([-1, 1, -1])), id="feet first"),
        pytest.param(replace(PLAIN, step_mm=(0.0, 0.0, -0.625)), id="top to bottom"),
    ],
)
def test_clean_series_of_any_position(tmp_path: Path, grid: Grid) -> None:
    scan = read_scan(write_series(tmp_path / "ct", grid))
    assert scan.hu.shape == (grid.n, grid.rows, grid.columns)
    assert scan.hu.dtype == np.int16
    assert worst_hu(scan) <= ROUNDED
    assert codes(scan) == CAUTIONS_OF_A_CLEAN_SERIES
    assert scan.voxel_mm == pytest.approx((0.375, 0.5, 0.625))


def test_all_positions_give_the_same_millimetres(tmp_path: Path) -> None:
    """One thing in the patient has one place, however the patient lay and the stack runs."""
    place = np.array([-10.0, -7.0, 33.0])
    turns = {
        "supine": np.eye(3),
        "prone": np.diag([-1, -1, 1]),
        "coronal": turn("x", -90),
        "oblique": turn("y", 25),
    }
    for name, rotation in turns.items():
        base = Grid(n=20, rows=24, columns=24)
        half = base.world_of(10)[12, 12]
        moved = base.turned(rotation)
        grid = replace(moved, origin_mm=tuple(np.array(moved.origin_mm) + place - rotation @ half))
        scan = read_scan(write_series(tmp_path / name, grid))
        k, j, i = np.rint(scan.voxels(place)).astype(int)
        assert scan.world_mm((k, j, i)) == pytest.approx(place, abs=1e-4)
        assert scan.hu[k, j, i] == pytest.approx(field_hu(place), abs=ROUNDED)


def test_names_and_numbers_do_not_matter(tmp_path: Path) -> None:
    def reverse(ds: Dataset, k: int) -> None:
        ds.InstanceNumber = PLAIN.n - k

    names = [f"IM{k:05d}" for k in range(PLAIN.n)]
    random.Random(4).shuffle(names)
    scan = read_scan(write_series(tmp_path, PLAIN, reverse, names=names))
    assert worst_hu(scan) <= ROUNDED
    assert codes(scan) == CAUTIONS_OF_A_CLEAN_SERIES


def test_tilted_gantry_keeps_its_sheared_grid(tmp_path: Path) -> None:
    """Slices tilted by 15 degrees, table moving along z; the header denies the tilt."""
    grid = Grid(column=tuple(turn("x", 15) @ [0, 1, 0]))

    def deny(ds: Dataset, _: int) -> None:
        ds.GantryDetectorTilt = "0"

    scan = read_scan(write_series(tmp_path, grid, deny))
    assert worst_hu(scan) <= ROUNDED
    assert "sheared-grid" in codes(scan)
    step = scan.world_from_voxel[:3, 0]
    assert np.degrees(np.arccos(step @ scan.slice_normal / np.linalg.norm(step))) == pytest.approx(
        15, abs=0.01
    )
    assert scan.slice_gap_mm == pytest.approx(0.625 * np.cos(np.radians(15)), abs=1e-5)


def test_lost_end_slices_leave_the_rest_right(tmp_path: Path) -> None:
    scan = read_scan(write_series(tmp_path, PLAIN, skip=[0, 1, 11]))
    assert worst_hu(scan) <= ROUNDED
    assert "end-slices" in codes(scan)  # the numbering starts at 3: the only hint there is


def test_stated_count_tells_of_lost_end_slices(tmp_path: Path) -> None:
    def count(ds: Dataset, _: int) -> None:
        ds.ImagesInAcquisition = PLAIN.n

    assert "end-slices" in codes(read_scan(write_series(tmp_path, PLAIN, count, skip=[10, 11])))


def test_positions_rounded_to_a_tenth(tmp_path: Path) -> None:
    """Gaps then read 0.6 and 0.7 mm; the even step is fitted, the error stays below the rounding."""

    def rounding(ds: Dataset, k: int) -> None:
        ds.ImagePositionPatient = [decimal(v, 1) for v in PLAIN.origin_of(k)]

    scan = read_scan(write_series(tmp_path, PLAIN, rounding))
    assert "rounded-positions" in codes(scan)
    assert scan.slice_gap_mm == pytest.approx(0.625, abs=0.1 / PLAIN.n)
    assert worst_hu(scan) <= ROUNDED + 0.05 * (2 + 3 + 5)


def test_slope_that_differs_from_slice_to_slice(tmp_path: Path) -> None:
    """The first slope is whole: a reader that takes the type from it truncates the others."""
    exact = 0.0
    for k in range(PLAIN.n):
        slope = 1.0 if k == 0 else 0.25 + 0.05 * k
        ds = ct_slice(PLAIN, k, slope=slope)
        ds.save_as(tmp_path / f"{k}.dcm", enforce_file_format=True)
        exact = max(exact, 0.5 * slope)
    scan = read_scan(tmp_path)
    assert scan.hu.dtype == np.float32
    assert worst_hu(scan) <= exact + 1e-3


@pytest.mark.parametrize("top_hu", [20_000, 60_000])
@pytest.mark.parametrize(("slope", "is_signed"), [(1.0, False), (10.0, False), (10.0, True)])
def test_extended_scales(tmp_path: Path, top_hu: int, slope: float, *, is_signed: bool) -> None:
    intercept = 0.0 if is_signed else -1020.0
    for k in range(PLAIN.n):
        hu = np.round(field_hu(PLAIN.world_of(k)), -1)
        hu[3:5, 4:6] = top_hu
        stored = (hu - intercept) / slope
        ds = ct_image(stored, PLAIN, k, slope=slope, intercept=intercept)
        ds.PixelRepresentation = int(is_signed)
        ds.PixelData = stored.astype("<i2" if is_signed else "<u2").tobytes()
        ds.save_as(tmp_path / f"{k}.dcm", enforce_file_format=True)
    scan = read_scan(tmp_path)
    assert scan.hu.max() == top_hu
    assert scan.hu[0, 0, 0] == np.round(field_hu(PLAIN.world_of(0)[0, 0]), -1)
    assert scan.hu.dtype == (np.int16 if top_hu == 20_000 else np.float32)


def test_clipped_metal_is_told(tmp_path: Path) -> None:
    n_clipped = 0
    for k in range(PLAIN.n):
        hu = field_hu(PLAIN.world_of(k))
        hu[5:9, 6:10] = 3000 + 100 * np.arange(16).reshape(4, 4)
        n_clipped += int((hu >= 3071).sum())
        ct_image(np.clip(np.rint(hu) + 1024, 0, 4095), PLAIN, k).save_as(
            tmp_path / f"{k}.dcm", enforce_file_format=True
        )
    scan = read_scan(tmp_path)
    assert scan.hu_ceiling == 3071
    assert scan.ceiling_share == pytest.approx(n_clipped / scan.hu.size)
    assert "clipped" in codes(scan)


def test_missing_class_and_numbers_do_not_matter(tmp_path: Path) -> None:
    def strip(ds: Dataset, _: int) -> None:
        del ds.SOPClassUID, ds.InstanceNumber

    assert worst_hu(read_scan(write_series(tmp_path, PLAIN, strip))) <= ROUNDED


def test_nested_folders_and_junk(tmp_path: Path) -> None:
    write_series(tmp_path / "a" / "b", PLAIN, skip=range(6))
    write_series(tmp_path / "a" / "c", PLAIN, skip=range(6, 12))
    (tmp_path / "notes.txt").write_text("nothing")
    (tmp_path / "DICOMDIR").write_bytes(bytes(128) + b"DICM" + b"\x04\x00 garbage that is no directory")
    (tmp_path / "empty").touch()
    scan = read_scan(tmp_path)
    assert worst_hu(scan) <= ROUNDED
    assert "other-files" in codes(scan)
    assert len(scan.source_files) == PLAIN.n


def test_real_directory_file_is_passed_over(tmp_path: Path) -> None:
    from pydicom.fileset import FileSet

    def complete(ds: Dataset, _: int) -> None:
        ds.PatientName, ds.StudyTime, ds.StudyID = "Invented", "101500", "1"

    write_series(tmp_path / "src", PLAIN, complete)
    files = FileSet()
    for path in sorted((tmp_path / "src").iterdir()):
        files.add(path)
    files.write(tmp_path / "out")
    with warnings.catch_warnings():  # the file set leaves its own scratch folder to the collector
        warnings.simplefilter("ignore", ResourceWarning)
        del files
        gc.collect()
    assert (tmp_path / "out" / "DICOMDIR").is_file()
    assert worst_hu(read_scan(tmp_path / "out")) <= ROUNDED


def test_localizer_inside_the_series_stays_apart(tmp_path: Path) -> None:
    write_series(tmp_path, PLAIN)
    view = Grid(n=1, rows=30, columns=40, row=(0, 1, 0), column=(0, 0, -1), spacing_mm=(1.0, 1.0))
    ds = ct_slice(view, 0)
    ds.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    ds.save_as(tmp_path / "scout.dcm", enforce_file_format=True)
    scan = read_scan(tmp_path)
    assert worst_hu(scan) <= ROUNDED
    assert any("localizer" in other for other in scan.others)


def test_two_series_in_one_folder(tmp_path: Path) -> None:
    def soft(ds: Dataset, _: int) -> None:
        ds.SeriesInstanceUID, ds.ConvolutionKernel = "2.25.9", "SOFT"

    write_series(tmp_path / "bone", PLAIN)
    write_series(tmp_path / "soft", PLAIN, soft)
    scan = read_scan(tmp_path)
    assert worst_hu(scan) <= ROUNDED
    assert scan.acquisition.kernel == "BONE"
    assert "series-chosen" in codes(scan)
    assert len(scan.others) == 1
    other = read_scan(tmp_path, series="2.25.9")
    assert other.acquisition.kernel == "SOFT"


def test_two_acquisitions_in_one_series(tmp_path: Path) -> None:
    """Same positions, told apart by the acquisition number: one is read, the caution says so."""
    write_series(tmp_path / "1", PLAIN)

    def second(ds: Dataset, _: int) -> None:
        ds.AcquisitionNumber = 2
        ds.PixelData = (np.frombuffer(ds.PixelData, "<u2") + 7).astype("<u2").tobytes()

    write_series(tmp_path / "2", PLAIN, second)
    scan = read_scan(tmp_path)
    assert worst_hu(scan) <= ROUNDED or worst_hu(scan) == pytest.approx(7, abs=ROUNDED)
    assert (
        np.ptp(scan.hu - field_hu(scan.world_mm(np.argwhere(scan.hu > -9999))).reshape(scan.hu.shape)) <= 1.01
    )
    assert "series-split" in codes(scan)


def test_matrix_that_changes_splits_the_series(tmp_path: Path) -> None:
    write_series(tmp_path / "1", replace(PLAIN, n=8))
    lower = replace(PLAIN, n=4, rows=16, columns=20, origin_mm=(-12.0, -9.5, 35.0))
    write_series(tmp_path / "2", lower)
    scan = read_scan(tmp_path)
    assert scan.hu.shape == (8, 14, 18)
    assert worst_hu(scan) <= ROUNDED
    assert "series-split" in codes(scan)


def test_pixel_size_that_changes_splits_the_series(tmp_path: Path) -> None:
    write_series(tmp_path / "1", replace(PLAIN, n=8))
    write_series(tmp_path / "2", replace(PLAIN, n=4, spacing_mm=(0.55, 0.4), origin_mm=(-12.0, -9.5, 35.0)))
    scan = read_scan(tmp_path)
    assert scan.hu.shape[0] == 8
    assert worst_hu(scan) <= ROUNDED
    assert "series-split" in codes(scan)


def test_the_same_file_copied_is_dropped(tmp_path: Path) -> None:
    write_series(tmp_path, PLAIN)
    for k in (3, 7):
        shutil.copy(tmp_path / f"{k:03d}.dcm", tmp_path / f"copy{k}.dcm")
    scan = read_scan(tmp_path)
    assert scan.hu.shape[0] == PLAIN.n
    assert worst_hu(scan) <= ROUNDED
    assert "duplicate-slices" in codes(scan)


def test_deflated_files(tmp_path: Path) -> None:
    def deflate(ds: Dataset, _: int) -> None:
        ds.file_meta.TransferSyntaxUID = uid.DeflatedExplicitVRLittleEndian

    assert worst_hu(read_scan(write_series(tmp_path, PLAIN, deflate))) <= ROUNDED


def test_empty_identifiers(tmp_path: Path) -> None:
    def blank(ds: Dataset, _: int) -> None:
        ds.StudyInstanceUID = ds.SeriesInstanceUID = ds.SOPInstanceUID = ds.SOPClassUID = ds.PatientID = ""

    assert worst_hu(read_scan(write_series(tmp_path, PLAIN, blank))) <= ROUNDED


def test_no_preamble(tmp_path: Path) -> None:
    """Old archives write the data set alone, implicit little endian."""
    for k in range(PLAIN.n):
        raw = ct_slice(PLAIN, k)
        del raw.file_meta
        raw.save_as(tmp_path / f"{k}.ima", implicit_vr=True, little_endian=True)
    assert worst_hu(read_scan(tmp_path)) <= ROUNDED


# --------------------------------------------------------------------------- enhanced multi-frame


@pytest.mark.parametrize("legacy", [False, True])
@pytest.mark.parametrize("grid", [PLAIN, PLAIN.turned(turn("zyx", [170, 5, 3]))], ids=["axial", "flipped"])
def test_enhanced_multiframe(tmp_path: Path, grid: Grid, *, legacy: bool) -> None:
    path = tmp_path / "one.dcm"
    path.write_bytes(as_bytes(enhanced(grid, legacy=legacy)))
    scan = read_scan(path)
    assert scan.hu.shape == (grid.n, grid.rows, grid.columns)
    assert worst_hu(scan) <= ROUNDED
    assert scan.acquisition.slice_thickness_mm == 0.625


def test_enhanced_multiframe_that_ends_too_early(tmp_path: Path) -> None:
    path = tmp_path / "one.dcm"
    path.write_bytes(as_bytes(enhanced(PLAIN))[:-1000])
    assert refused(lambda: read_scan(path)) == {"truncated-file"}


# ------------------------------------------------------------------------------------ refusals


def _new_uid(ds: Dataset, k: int) -> None:
    ds.SOPInstanceUID = f"2.25.77{k}"


def missing_one(folder: Path) -> None:
    write_series(folder, PLAIN, skip=[5])


def missing_four(folder: Path) -> None:
    write_series(folder, replace(PLAIN, n=20), skip=[5, 6, 12, 15])


def spacing_doubles(folder: Path) -> None:
    write_series(folder, replace(PLAIN, offsets_mm={k: (0, 0, 0.625 * (k - 6)) for k in range(7, 12)}))


def origin_jumps(folder: Path) -> None:
    write_series(folder, replace(PLAIN, offsets_mm=dict.fromkeys(range(6, 12), (4.0, 0, 0))))


def same_place_other_pixels(folder: Path) -> None:
    write_series(folder, PLAIN)
    other = ct_slice(PLAIN, 4)
    _new_uid(other, 4)
    other.PixelData = (np.frombuffer(other.PixelData, "<u2") + 5).astype("<u2").tobytes()
    other.save_as(folder / "again.dcm", enforce_file_format=True)


def without(*keywords: str) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        def strip(ds: Dataset, _: int) -> None:
            for keyword in keywords:
                del ds[keyword]

        write_series(folder, PLAIN, strip)

    return write


def with_value(keyword: str, value: object) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        write_series(folder, PLAIN, lambda ds, _: setattr(ds, keyword, value))

    return write


def truncated(folder: Path) -> None:
    write_series(folder, PLAIN)
    victim = folder / "006.dcm"
    victim.write_bytes(victim.read_bytes()[:-100])


def cut_in_the_header(folder: Path) -> None:
    write_series(folder, PLAIN)
    victim = folder / "006.dcm"
    victim.write_bytes(victim.read_bytes()[:400])


def drifting(folder: Path) -> None:
    """Each gap is within 1 % of the others, yet the stack bends by most of a slice."""
    offsets = {k: (0.0, 0.0, 0.006 * abs(k - 60)) for k in range(120)}
    write_series(folder, Grid(n=120, rows=4, columns=5, offsets_mm=offsets))


@pytest.mark.parametrize(
    ("write", "code"),
    [
        (missing_one, "missing-slices"),
        (missing_four, "missing-slices"),
        (spacing_doubles, "uneven-spacing"),
        (drifting, "uneven-spacing"),
        (origin_jumps, "slices-off-line"),
        (same_place_other_pixels, "duplicate-slices"),
        (without("ImagePositionPatient"), "no-position"),
        (without("ImageOrientationPatient"), "no-position"),
        (without("PixelSpacing"), "no-pixel-size"),
        (without("RescaleSlope"), "no-rescale"),
        (without("RescaleIntercept"), "no-rescale"),
        (with_value("PixelSpacing", ["0", "0"]), "no-pixel-size"),
        (with_value("ImageOrientationPatient", ["1", "0", "0", "0.5", "0.8", "0"]), "bad-orientation"),
        (with_value("ImagePositionPatient", ["nan", "nan", "nan"]), "no-position"),
        (with_value("RescaleType", "MGML"), "not-hu"),
        (with_value("Modality", "MR"), "not-ct"),
        (truncated, "truncated-file"),
        (cut_in_the_header, "missing-slices"),
    ],
    ids=lambda value: value if isinstance(value, str) else getattr(value, "__name__", "edit"),
)
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")  # writing nonsense on purpose
def test_refused(tmp_path: Path, write: Callable[[Path], None], code: str) -> None:
    write(tmp_path)
    assert code in refused(lambda: read_scan(tmp_path))
    listed = list_series(tmp_path)  # listing never refuses what is there
    assert len(listed) == 1
    if code != "duplicate-slices":  # pixels are compared only on reading
        assert not listed[0].is_usable


def test_refusal_says_where(tmp_path: Path) -> None:
    missing_four(tmp_path)
    listed = list_series(tmp_path)[0]
    assert (
        "4 slices are missing: 1.88 mm between two slices, 0.62 mm elsewhere (after slice 5 of 16)"
        in listed.reason
    )


def test_unit_left_open_is_a_caution(tmp_path: Path) -> None:
    with_value("RescaleType", "US")(tmp_path)
    scan = read_scan(tmp_path)
    assert worst_hu(scan) <= ROUNDED
    assert "unit-unspecified" in codes(scan)


def test_modified_unit_is_a_caution(tmp_path: Path) -> None:
    with_value("RescaleType", "HU_MOD")(tmp_path)
    assert "unit-modified" in codes(read_scan(tmp_path))


def test_misspelt_unit_is_accepted(tmp_path: Path) -> None:
    with_value("RescaleType", "Houndsfield Unit")(tmp_path)
    assert codes(read_scan(tmp_path)) == CAUTIONS_OF_A_CLEAN_SERIES
