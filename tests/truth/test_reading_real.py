"""Real CT files of several makers: read right, or refused in plain words.

The files are not part of this repository; see `shared_data` for where they are looked for.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest
from ct_files import codes, refused

from ongrowth.dose import read_dose_report
from ongrowth.geometry import unit
from ongrowth.read import list_series, read_scan
from ongrowth.read.pixels import read_hu
from ongrowth.series.header import read_image, slices_of, tolerant
from ongrowth.series.source import FileEntry


def data(name: str) -> Path:
    """Return a file or folder of the real data, or skip."""
    root = Path(os.environ.get("ONGROWTH_SHARED") or Path(__file__).parents[2].parent / "shared")
    path = root / "data" / name
    if not path.exists():
        pytest.skip(f"{name} is an open CT outside the repository (set ONGROWTH_SHARED to the folder)")
    return path


# ---------------------------------------------------------------------- rigid plastic head, tilted


@pytest.mark.parametrize(
    ("name", "shape", "step_mm", "pixel_mm", "kernel"),
    [
        ("soft_1mm", (29, 512, 512), 1.0, 0.451171875, "UB"),
        ("bone_1mm", (29, 512, 512), 1.0, 0.451171875, "YA"),
        ("soft_1mm_tubes", (7, 512, 512), 1.0, 0.451171875, "UB"),
        ("bone_1mm_tubes", (7, 512, 512), 1.0, 0.451171875, "YA"),
    ],
)
def test_plastic_head(
    name: str, shape: tuple[int, ...], step_mm: float, pixel_mm: float, kernel: str
) -> None:
    scan = read_scan(data(f"plastic_head/{name}.zip"))
    assert scan.hu.shape == shape
    assert scan.step_mm == pytest.approx([step_mm, pixel_mm, pixel_mm], abs=1e-4)
    assert scan.acquisition.kernel == kernel
    assert (scan.acquisition.kvp, scan.acquisition.date) == (120.0, dt.date(2015, 2, 6))
    assert np.isnan(scan.hu_ceiling)
    assert not any(problem.level == "refuse" for problem in scan.problems)


@pytest.mark.parametrize(("kernel", "noise_hu"), [("soft", 4.0), ("bone", 18.7)])
def test_plastic_head_noise(kernel: str, noise_hu: float) -> None:
    """Standard deviation in the central solid cylinder; both kernels agree on its mean (97.6 and 97.7)."""
    scan = read_scan(data(f"plastic_head/{kernel}_1mm_tubes.zip"))
    j, i = np.mgrid[:512, :512]
    part = scan.hu[3][(j - 282.6) ** 2 + (i - 248.5) ** 2 < 15**2]
    assert part.mean() == pytest.approx(97.65, abs=1.5)
    assert part.std() == pytest.approx(noise_hu, abs=1.1)


@pytest.mark.parametrize(("name", "tilt_deg"), [("tilt_minus", 18.5), ("tilt_plus", 16.5)])
def test_plastic_head_tilted_gantry(name: str, tilt_deg: float) -> None:
    scan = read_scan(data(f"plastic_head/{name}.zip"))
    cosine = unit(scan.world_from_voxel[:3, 0]) @ scan.slice_normal
    assert np.degrees(np.arccos(cosine)) == pytest.approx(tilt_deg, abs=0.01)
    assert scan.slice_gap_mm == pytest.approx(2.5 * np.cos(np.radians(tilt_deg)), abs=0.01)
    assert "sheared-grid" in codes(scan)


def test_plastic_head_last_corner_is_where_its_header_says() -> None:
    """The far end of a tilted stack: a reader that ignores the shear is 42.6 mm off."""
    import pydicom

    path = data("plastic_head/tilt_minus.zip")
    scan = read_scan(path)
    with zipfile.ZipFile(path) as archive:
        headers = [
            pydicom.dcmread(archive.open(name), stop_before_pixels=True)
            for name in archive.namelist()
            if name.endswith(".dcm")
        ]
    corners = np.array([header.ImagePositionPatient for header in headers], dtype=float)
    ours = np.array([scan.world_mm((k, 0, 0)) for k in range(scan.hu.shape[0])])
    apart = np.linalg.norm(corners[:, None] - ours, axis=-1).min(axis=1)
    assert apart.max() < 0.02


def test_plastic_head_kernels_share_their_places(tmp_path: Path) -> None:
    soft, bone = data("plastic_head/soft_1mm.zip"), data("plastic_head/bone_1mm.zip")
    for path in (soft, bone):
        with zipfile.ZipFile(path) as archive:
            archive.extractall(tmp_path)
    shutil.copy(data("plastic_head/dose_page.dcm"), tmp_path)
    scan = read_scan(tmp_path)
    assert scan.acquisition.kernel == "YA"  # the sharper one
    assert scan.digest == read_scan(bone).digest
    assert any("sharper kernel" in other for other in scan.others)
    assert scan.acquisition.dose.dlp_mgy_cm == 277.1
    assert scan.acquisition.dose.ctdi_vol_mgy == pytest.approx(14.92, abs=0.01)
    assert np.allclose(scan.world_from_voxel, read_scan(soft).world_from_voxel)


def test_plastic_head_dose_page() -> None:
    with data("plastic_head/dose_page.dcm").open("rb") as file:
        report = read_dose_report(file)
    assert report is not None
    spiral = report.events[1]
    assert (spiral.ctdi_vol_mgy, spiral.dlp_mgy_cm, report.dlp_total_mgy_cm) == (14.0, 274.9, 277.1)
    assert refused(lambda: read_scan(data("plastic_head/dose_page.dcm"))) == {"screen-capture"}


# ------------------------------------------------------------------------------- quality phantom


def test_quality_phantom_oblique_slices() -> None:
    scan = read_scan(data("quality_phantom/slices_27_to_49.zip"))
    assert scan.hu.shape == (23, 512, 512)
    assert scan.step_mm == pytest.approx([2.5, 0.48828125, 0.48828125], abs=1e-4)
    lean_deg = np.degrees(np.arccos(abs(scan.slice_normal[2])))
    assert lean_deg == pytest.approx(0.3, abs=0.01)
    assert (scan.acquisition.kernel, scan.acquisition.kvp) == ("Ram-Lak", 100.0)


def test_quality_phantom_hole_distance() -> None:
    """Four 3 mm holes on a square of 50 mm (published): our millimetres against it, in one insert slice."""
    scan = read_scan(data("quality_phantom/slices_27_to_49.zip"))
    index = np.rint(scan.voxels(scan.world_mm((4, 255.5, 255.5)))).astype(int)
    plane = scan.hu[4].astype(float)
    centres = []
    for dy in (-25.0, 25.0):
        for dx in (-25.0, 25.0):
            j = index[1] + round(dy / 0.48828125)
            i = index[2] + round(dx / 0.48828125)
            part = plane[j - 9 : j + 10, i - 9 : i + 10]
            weight = np.abs(part - np.median(part))
            weight[weight < 0.4 * weight.max()] = 0
            jj, ii = np.mgrid[j - 9 : j + 10, i - 9 : i + 10]
            centre = (4, (weight * jj).sum() / weight.sum(), (weight * ii).sum() / weight.sum())
            centres.append(scan.world_mm(centre))
    sides = [np.linalg.norm(centres[a] - centres[b]) for a, b in ((0, 1), (2, 3), (0, 2), (1, 3))]
    assert sides == pytest.approx([50.0] * 4, abs=0.2)


# ------------------------------------------------------------------------------------- hospitals


def test_mixed_spacing_is_refused() -> None:
    assert refused(lambda: read_scan(data("tilted_head/tilt_mixed_spacing.zip"))) == {"uneven-spacing"}


def test_hip_nail_resampled_and_clipped() -> None:
    scan = read_scan(data("hip_nail"))
    assert scan.hu.shape == (112, 101, 122)
    assert scan.hu.dtype == np.int16
    assert int((scan.hu > 2000).sum()) >= 529
    assert int((scan.hu >= 3071).sum()) == 119
    assert scan.hu.max() == 3382
    assert scan.hu_ceiling == pytest.approx(3071, abs=1)
    assert {"coarse-pixels", "clipped", "no-header"} <= codes(scan)
    # where the file's first voxel lies: its axes run to the right and to the front, ours the other way
    first = scan.world_from_voxel @ [0, 100, 121, 1]
    assert first[:3] == pytest.approx([177.95633, -11.319, 94.30176], abs=1e-4)


@pytest.mark.parametrize("case", ["A046441", "A056642", "A067967"])
def test_single_slices_are_refused(case: str) -> None:
    path = data(f"two_dates/{case}.zip")
    assert refused(lambda: read_scan(path)) == {"single-slice"}
    assert len(list_series(path)) == 4


@pytest.mark.parametrize(
    ("case", "part", "highest_hu"),
    [
        ("A046441", "axial_19010101", 5622),
        ("A067967", "axial_", 4481),
        ("A056642", "sagittal_", 3071),
    ],
)
def test_highest_hu_differs_by_maker(tmp_path: Path, case: str, part: str, highest_hu: int) -> None:
    with zipfile.ZipFile(data(f"two_dates/{case}.zip")) as archive:
        archive.extractall(tmp_path)
    with tolerant():
        tops = [_highest(path) for path in sorted(tmp_path.rglob(f"{part}*.dcm"))]
    assert highest_hu in tops


def _highest(path: Path) -> int:
    image = read_image(FileEntry(path, path.stat().st_size))
    return int(read_hu(slices_of(image), lambda _: None).max())


def test_sharper_kernel_of_a_chest_is_taken(tmp_path: Path) -> None:
    for kernel in "BL":
        with zipfile.ZipFile(data(f"two_kernels_chest/kernel_{kernel}.zip")) as archive:
            archive.extractall(tmp_path)
    scan = read_scan(tmp_path)
    assert scan.acquisition.kernel == "L"
    assert scan.acquisition.dose.ctdi_vol_mgy == pytest.approx(10.6, abs=0.1)
    assert {"thick-slices", "coarse-pixels", "series-chosen"} <= codes(scan)
    told = next(problem for problem in scan.problems if problem.code == "thick-slices")
    assert "Ask radiology" in told.advice


def test_emptied_identifiers() -> None:
    scan = read_scan(data("blank_identifiers"))
    assert scan.hu.shape == (20, 512, 512)
    assert (scan.hu.min(), scan.hu.max()) == (-1024, 1839)
    assert scan.step_mm[0] == pytest.approx(2.0, abs=0.01)
    assert scan.acquisition.kernel == "Br38f\\3"
    assert (scan.acquisition.algorithm, scan.acquisition.strength) == ("iterative", "3")
    assert scan.acquisition.slice_thickness_mm == 3.0
    assert scan.acquisition.dose.ctdi_vol_mgy > 0
    assert scan.acquisition.series_uid == ""


def test_enhanced_multiframe() -> None:
    """Two frames whose rows run toward the patient's right; the numbers are marked as no HU."""
    scan = read_scan(data("enhanced_multiframe/enhanced_ct.zip"))
    assert scan.hu.shape == (2, 512, 512)
    assert scan.step_mm == pytest.approx([10.0, 0.388672, 0.388672], abs=1e-5)
    assert scan.world_from_voxel[:3, 2] == pytest.approx([-0.388672, 0, 0], abs=1e-6)
    assert (scan.hu.min(), scan.hu.max()) == (-1024, 172)  # stored 0 to 1196, intercept -1024
    assert {"thick-slices", "derived-images", "unit-unspecified"} <= codes(scan)


def test_ct_beside_segmentations_and_reports(tmp_path: Path) -> None:
    folder = data("seg_and_reports")
    with zipfile.ZipFile(folder / "ct_3_slices.zip") as archive:
        archive.extractall(tmp_path)
    for name in ("seg_liver.dcm", "tid1500_sr.dcm"):
        shutil.copy(folder / name, tmp_path)
    scan = read_scan(tmp_path)
    assert scan.hu.shape == (3, 512, 512)
    assert scan.step_mm == pytest.approx([1.0, 0.810547, 0.810547], abs=1e-4)
    assert scan.acquisition.patient_position == "FFS"
    assert scan.acquisition.slice_thickness_mm == 1.25
    assert any("modality SEG" in other for other in scan.others)


# ------------------------------------------------------------------------------------- encodings

LOSSLESS = "implicit_le explicit_be deflated rle jpeg_lossless_p14 jpeg_lossless_sv1 jpegls_lossless"


def pixels_of(name: str) -> np.ndarray:
    path = data(f"transfer_syntaxes/{name}.dcm")
    with tolerant():
        return read_hu(slices_of(read_image(FileEntry(path, path.stat().st_size))), lambda _: None)


@pytest.mark.parametrize("name", [*LOSSLESS.split(), "jpeg2000_lossless"])
def test_lossless_encodings_are_equal(name: str) -> None:
    hu = pixels_of(name)
    assert (hu.min(), hu.max()) == (-2000 - 1024, 2402 - 1024)
    assert np.array_equal(hu, pixels_of("implicit_le"))


@pytest.mark.parametrize(("name", "worst"), [("jpeg2000_lossy", 5), ("jpegls_near", 1), ("jpeg_12bit", 60)])
def test_lossy_encodings_are_near_and_flagged(name: str, worst: int) -> None:
    hu, truth = pixels_of(name).astype(int), pixels_of("implicit_le").astype(int)
    inside = truth > -1024
    assert np.abs(hu - truth)[0][inside[0]].max() <= worst
    listed = list_series(data(f"transfer_syntaxes/{name}.dcm"))[0]
    assert "lossy" in {problem.code for problem in listed.problems}


def test_one_slice_in_eleven_encodings_is_no_scan() -> None:
    assert "single-slice" in refused(lambda: read_scan(data("transfer_syntaxes")))
