"""The ways in: folder, zip, volume files, encodings; the ceiling, the digest, time and memory."""

from __future__ import annotations

import bz2
import gzip
import io
import os
import re
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import IO

import nibabel
import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813 - the name its users know
from ct_files import (
    Grid,
    as_bytes,
    codes,
    ct_image,
    ct_slice,
    enhanced,
    field_hu,
    pack_losslessly,
    refused,
    worst_hu,
    write_series,
)
from numpy.typing import NDArray
from pydicom import uid
from pydicom.dataset import Dataset

from ongrowth.read import list_series, read_scan
from ongrowth.read.ceiling import find_ceiling
from ongrowth.scan import Refused

PLAIN = Grid()
ROOT = Path(__file__).parents[1]
ROUNDED = 0.501


def zip_of(folder: Path, target: Path, compression: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(target, "w", compression) as archive:
        for path in sorted(folder.rglob("*")):
            archive.write(path, path.relative_to(folder.parent))
    return target


# ------------------------------------------------------------------------------- folder and zip


def test_zip_and_folder_give_the_same(tmp_path: Path) -> None:
    folder = write_series(tmp_path / "ct", PLAIN)
    a = read_scan(folder)
    b = read_scan(str(zip_of(folder, tmp_path / "ct.zip")))
    c = read_scan(zip_of(folder, tmp_path / "stored.zip", zipfile.ZIP_STORED))
    assert a.digest == b.digest == c.digest
    assert np.array_equal(a.hu, b.hu)
    assert worst_hu(b) <= ROUNDED
    assert b.source_files[0].endswith("ct.zip/ct/000.dcm")


def test_source_files_are_in_slice_order(tmp_path: Path) -> None:
    names = [f"{PLAIN.n - k:02d}.dcm" for k in range(PLAIN.n)]
    scan = read_scan(write_series(tmp_path, PLAIN, names=names))
    assert [Path(name).name for name in scan.source_files] == names


def test_digest_follows_voxels_and_geometry(tmp_path: Path) -> None:
    first = read_scan(write_series(tmp_path / "a", PLAIN)).digest
    names = [f"x{k}" for k in range(PLAIN.n)]
    assert read_scan(write_series(tmp_path / "b", PLAIN, names=names)).digest == first
    moved = replace(PLAIN, origin_mm=(-12.0, -9.5, 30.01))
    assert read_scan(write_series(tmp_path / "c", moved)).digest != first

    def brighten(ds: Dataset, k: int) -> None:
        pixels = np.frombuffer(ds.PixelData, "<u2").copy()
        pixels[0] += k == 3
        ds.PixelData = pixels.tobytes()

    assert read_scan(write_series(tmp_path / "d", PLAIN, brighten)).digest != first


def test_result_is_read_only(tmp_path: Path) -> None:
    scan = read_scan(write_series(tmp_path, PLAIN))
    with pytest.raises(ValueError, match="read-only"):
        scan.hu[0, 0, 0] = 0
    with pytest.raises(ValueError, match="read-only"):
        scan.world_from_voxel[0, 0] = 0


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[str] = []
    read_scan(write_series(tmp_path, PLAIN), progress=told.append)
    assert any(word.startswith("Reading headers") for word in told)
    assert any(word.startswith("Reading slice") for word in told)


def test_nothing_is_printed_or_warned(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    read_scan(write_series(tmp_path, CODED, jpeg2000))
    assert capfd.readouterr() == ("", "")


def test_every_code_is_explained() -> None:
    """The page on reading lists each code that reading may give."""
    sources = [
        path.read_text()
        for part in ("read", "series")
        for path in (ROOT / "measure/ongrowth" / part).glob("*.py")
    ]
    given = set(re.findall(r'(?:refuse|_caution|_refusal|Problem)\(\s*"([a-z0-9-]+)"', "\n".join(sources)))
    given |= {"not-ct", "localizer", "screen-capture", "projection", "iterative-reconstruction"}
    assert len(given) > 50
    page = (ROOT / "docs/reading.md").read_text()
    assert sorted(code for code in given if f"`{code}`" not in page) == []


# ------------------------------------------------------------------------------------ encodings


CODED = Grid(n=18, rows=64, columns=72)  # a JPEG 2000 encoder needs some pixels to halve


def implicit(ds: Dataset, _: int) -> None:
    ds.file_meta.TransferSyntaxUID = uid.ImplicitVRLittleEndian


def big_endian(ds: Dataset, _: int) -> None:
    ds.file_meta.TransferSyntaxUID = uid.ExplicitVRBigEndian
    ds.PixelData = np.frombuffer(ds.PixelData, "<u2").astype(">u2").tobytes()
    ds["PixelData"].VR = "OW"


def rle(ds: Dataset, _: int) -> None:
    ds.compress(uid.RLELossless, generate_instance_uid=False)


def jpeg_ls(ds: Dataset, _: int) -> None:
    pytest.importorskip("jpeg_ls", reason="no JPEG-LS encoder here")
    ds.compress(uid.JPEGLSLossless, generate_instance_uid=False)


def jpeg2000(ds: Dataset, _: int, compressor: str = "JPEG2000") -> None:
    pack_losslessly(ds, compressor)


def jpeg_lossless(ds: Dataset, k: int) -> None:
    jpeg2000(ds, k, "JPEG")


def twelve_bit_with_overlay(ds: Dataset, k: int) -> None:
    """Old images hide an overlay in the bits above the stored twelve."""
    pixels = np.frombuffer(ds.PixelData, "<u2").copy()
    pixels[::3] |= 0x8000
    ds.PixelData, ds.BitsStored, ds.HighBit = pixels.tobytes(), 12, 11


def signed_twelve_bit(ds: Dataset, k: int) -> None:
    """Twelve signed bits, upper bits not extended: the sign has to be spread by the reader."""
    hu = np.frombuffer(ds.PixelData, "<u2").astype(np.int32) - 1024
    ds.PixelData = (hu & 0x0FFF).astype("<u2").tobytes()
    ds.BitsStored, ds.HighBit, ds.PixelRepresentation, ds.RescaleIntercept = 12, 11, 1, "0"


def signed(ds: Dataset, k: int) -> None:
    hu = np.frombuffer(ds.PixelData, "<u2").astype(np.int32) - 1024
    ds.PixelData, ds.PixelRepresentation, ds.RescaleIntercept = hu.astype("<i2").tobytes(), 1, "0"


def thirty_two_bit(ds: Dataset, k: int) -> None:
    ds.PixelData = np.frombuffer(ds.PixelData, "<u2").astype("<u4").tobytes()
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 32, 32, 31


@pytest.mark.parametrize(
    "encode",
    [
        implicit, big_endian, rle, jpeg_ls, jpeg2000, jpeg_lossless, twelve_bit_with_overlay,
        signed_twelve_bit, signed, thirty_two_bit,
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_every_encoding_gives_the_same_voxels(tmp_path: Path, encode: Callable[[Dataset, int], None]) -> None:
    plain = read_scan(write_series(tmp_path / "plain", CODED))
    if encode is big_endian:
        (tmp_path / "coded").mkdir()
        for k in range(CODED.n):
            ds = ct_slice(CODED, k)
            big_endian(ds, k)
            ds.save_as(tmp_path / "coded" / f"{k}", implicit_vr=False, little_endian=False)
        scan = read_scan(tmp_path / "coded")
    else:
        scan = read_scan(write_series(tmp_path / "coded", CODED, encode))
    assert scan.digest == plain.digest
    assert worst_hu(scan) <= ROUNDED


def test_compressed_slices_with_fractional_slope_are_not_truncated(tmp_path: Path) -> None:
    for k in range(PLAIN.n):
        ds = ct_slice(PLAIN, k, slope=0.25)
        rle(ds, k)
        ds.save_as(tmp_path / f"{k}.dcm", enforce_file_format=True)
    scan = read_scan(tmp_path)
    assert scan.hu.dtype == np.float32
    assert worst_hu(scan) <= 0.126


def test_padding_that_would_read_as_metal_is_replaced(tmp_path: Path) -> None:
    def pad(ds: Dataset, _: int) -> None:
        pixels = np.frombuffer(ds.PixelData, "<u2").copy()
        pixels[:5] = 63536  # -2000 written into an unsigned image
        ds.PixelData, ds.PixelPaddingValue = pixels.tobytes(), 63536

    scan = read_scan(write_series(tmp_path, PLAIN, pad))
    assert scan.hu.dtype == np.int16
    assert np.all(scan.hu[:, 0, :5] == -1024)
    assert scan.hu.max() < 500
    assert "padding-replaced" in codes(scan)


def test_padding_that_reads_as_air_is_left_alone(tmp_path: Path) -> None:
    def pad(ds: Dataset, k: int) -> None:
        signed(ds, k)
        pixels = np.frombuffer(ds.PixelData, "<i2").copy()
        pixels[:5] = -2000
        ds.PixelData, ds.PixelPaddingValue = pixels.tobytes(), -2000

    scan = read_scan(write_series(tmp_path, PLAIN, pad))
    assert np.all(scan.hu[:, 0, :5] == -2000)
    assert "padding-replaced" not in codes(scan)


# --------------------------------------------------------------------------------- volume files

SHEARED = replace(PLAIN, step_mm=(0.0, 0.2, 0.6))


def field_volume(grid: Grid) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Return the field as an array (k, j, i) and its matrix from (i, j, k) to LPS."""
    hu = np.stack([np.rint(field_hu(grid.world_of(k))) for k in range(grid.n)]).astype(np.int16)
    matrix = np.eye(4)
    matrix[:3, 0] = np.array(grid.row) * grid.spacing_mm[1]
    matrix[:3, 1] = np.array(grid.column) * grid.spacing_mm[0]
    matrix[:3, 2] = grid.step_mm
    matrix[:3, 3] = grid.origin_mm
    return hu, matrix


def nifti(path: Path, grid: Grid, *, dtype: str = "i2", qform: NDArray[np.float64] | None = None) -> Path:
    hu, lps = field_volume(grid)
    ras = np.diag([-1.0, -1.0, 1.0, 1.0]) @ lps
    image = nibabel.Nifti1Image(hu.transpose(2, 1, 0).astype(dtype), ras)
    image.set_sform(ras, 1)
    image.set_qform(qform if qform is not None else None, 1 if qform is not None else 0)
    image.header.set_xyzt_units("mm")
    nibabel.save(image, path)
    return path


OBLIQUE = Grid(row=(0.8, 0.6, 0.0), column=(-0.6, 0.8, 0.0))


@pytest.mark.parametrize(
    "name", ["v.nii", "v.nii.gz", "v.nrrd", "v.nhdr", "v.mha", "v.mhd", "packed.mha", "packed.nrrd"]
)
@pytest.mark.parametrize("grid", [PLAIN, OBLIQUE], ids=["axial", "oblique"])
def test_volume_files(tmp_path: Path, name: str, grid: Grid) -> None:
    path = tmp_path / name
    if ".nii" in name:
        nifti(path, grid)
    else:
        hu, lps = field_volume(grid)
        image = sitk.GetImageFromArray(hu)
        steps = np.linalg.norm(lps[:3, :3], axis=0)
        image.SetSpacing([float(v) for v in steps])
        image.SetOrigin([float(v) for v in lps[:3, 3]])
        image.SetDirection([float(v) for v in (lps[:3, :3] / steps).ravel()])
        sitk.WriteImage(image, str(path), useCompression=name.startswith("packed"))
    scan = read_scan(path)
    assert scan.hu.shape == (grid.n, grid.rows, grid.columns)
    assert scan.hu.dtype == np.int16
    assert worst_hu(scan) <= ROUNDED + 2e-3  # NIfTI keeps the matrix in single precision
    assert "no-header" in codes(scan)
    assert list_series(path)[0].n_slices == grid.n
    assert read_scan(tmp_path).digest == scan.digest  # the folder of the file serves as well


@pytest.mark.parametrize("cube", [False, True])
@pytest.mark.parametrize("turned", ["LPS", "RIP", "SAL", "ASR", "PIR", "RPS"])
def test_however_a_volume_was_turned_it_is_read_alike(tmp_path: Path, turned: str, *, cube: bool) -> None:
    """Blur and thickness of slices are asked for along the first axis: the slices have to be there."""
    step = (0.0, 0.0, 0.5 if cube else 0.625)
    hu, lps = field_volume(replace(PLAIN, spacing_mm=(0.5, 0.5), step_mm=step))
    image = sitk.GetImageFromArray(hu)
    image.SetSpacing([0.5, 0.5, step[2]])
    image.SetOrigin([float(v) for v in lps[:3, 3]])
    sitk.WriteImage(sitk.DICOMOrient(image, turned), str(tmp_path / "v.nrrd"))
    scan = read_scan(tmp_path / "v.nrrd")
    assert np.array_equal(scan.hu, hu)
    assert scan.hu.flags.c_contiguous
    assert scan.slice_gap_mm == pytest.approx(step[2])
    assert scan.world_from_voxel == pytest.approx(lps[:, [2, 1, 0, 3]])
    assert list_series(tmp_path / "v.nrrd")[0].n_slices == PLAIN.n


def test_mirrored_volume_keeps_left_and_right(tmp_path: Path) -> None:
    """Many tools store NIfTI with the first axis running the other way: the matrix says so."""
    mirrored = replace(PLAIN, row=(-1.0, 0.0, 0.0))
    assert np.linalg.det(field_volume(mirrored)[1]) < 0.0 < np.linalg.det(field_volume(PLAIN)[1])
    for number, grid in enumerate((mirrored, PLAIN)):
        scan = read_scan(nifti(tmp_path / f"v{number}.nii.gz", grid))
        assert np.linalg.det(scan.world_from_voxel) < 0.0  # slices, rows, columns: as in DICOM
        assert worst_hu(scan) <= ROUNDED + 2e-3


def test_nifti_keeps_shear(tmp_path: Path) -> None:
    scan = read_scan(nifti(tmp_path / "v.nii.gz", SHEARED))
    assert worst_hu(scan) <= ROUNDED + 2e-3
    assert scan.world_from_voxel[:3, 0] == pytest.approx([0, 0.2, 0.6], abs=1e-6)


def test_nrrd_keeps_shear(tmp_path: Path) -> None:
    hu, lps = field_volume(SHEARED)
    axes = " ".join("(" + ",".join(f"{v:.9g}" for v in lps[:3, c]) + ")" for c in range(3))
    sizes = f"{SHEARED.columns} {SHEARED.rows} {SHEARED.n}"
    head = (
        f"NRRD0004\n# a comment\ntype: short\ndimension: 3\nspace: left-posterior-superior\nsizes: {sizes}\n"
        f"space directions: {axes}\nkinds: domain domain domain\nendian: big\nencoding: bzip2\n"
        f"space origin: ({','.join(f'{v:.9g}' for v in lps[:3, 3])})\n\n"
    )
    path = tmp_path / "v.nrrd"
    path.write_bytes(head.encode() + bz2.compress(hu.astype(">i2").tobytes()))
    assert worst_hu(read_scan(path)) <= ROUNDED
    path.write_bytes(path.read_bytes().replace(b"# a comment", b"line skip: 1"))
    with pytest.raises(Refused, match=r"bad-volume-file: .* lines"):
        read_scan(path)
    path.write_bytes(path.read_bytes().replace(b"line skip: 1", b'space units: "cm" "cm" "cm"'))
    with pytest.raises(Refused, match=r"bad-volume-file: .* in cm, not in millimetres"):
        read_scan(path)
    path.write_bytes(path.read_bytes().replace(b'"cm" "cm" "cm"', b'"mm" "mm" "mm"'))
    assert worst_hu(read_scan(path)) <= ROUNDED


def test_nifti_with_disagreeing_forms(tmp_path: Path) -> None:
    _, lps = field_volume(PLAIN)
    wrong = np.diag([-1.0, -1.0, 1.0, 1.0]) @ lps
    wrong[0, 3] += 3.0
    scan = read_scan(nifti(tmp_path / "v.nii", PLAIN, qform=wrong))
    assert worst_hu(scan) <= ROUNDED + 2e-3
    problem = next(one for one in scan.problems if one.code == "forms-disagree")
    assert "3.0 mm" in problem.text


def test_nifti_with_agreeing_forms_is_clean(tmp_path: Path) -> None:
    _, lps = field_volume(OBLIQUE)
    scan = read_scan(nifti(tmp_path / "v.nii", OBLIQUE, qform=np.diag([-1.0, -1.0, 1.0, 1.0]) @ lps))
    assert "forms-disagree" not in codes(scan)


def test_nifti_without_a_unit_is_read_in_mm_and_told(tmp_path: Path) -> None:
    path = nifti(tmp_path / "v.nii", PLAIN)
    stated = read_scan(path)
    raw = bytearray(path.read_bytes())
    raw[123] = 0
    path.write_bytes(raw)
    scan = read_scan(path)
    assert np.array_equal(scan.world_from_voxel, stated.world_from_voxel)
    assert "length-unit-not-stated" in codes(scan)
    assert "length-unit-not-stated" not in codes(stated)


def test_nifti_with_qform_only(tmp_path: Path) -> None:
    path = nifti(
        tmp_path / "v.nii", OBLIQUE, qform=np.diag([-1.0, -1.0, 1.0, 1.0]) @ field_volume(OBLIQUE)[1]
    )
    raw = bytearray(path.read_bytes())
    raw[254:256] = struct.pack("<h", 0)
    path.write_bytes(raw)
    assert worst_hu(read_scan(path)) <= ROUNDED + 2e-3


def test_nifti_without_any_form_is_refused(tmp_path: Path) -> None:
    path = nifti(tmp_path / "v.nii", PLAIN)
    raw = bytearray(path.read_bytes())
    raw[252:256] = bytes(4)
    path.write_bytes(raw)
    assert refused(lambda: read_scan(path)) == {"no-position"}


def test_nifti_scale_is_applied(tmp_path: Path) -> None:
    path = nifti(tmp_path / "v.nii", PLAIN)
    raw = bytearray(path.read_bytes())
    raw[112:120] = struct.pack("<2f", 0.5, -100.0)
    path.write_bytes(raw)
    scan = read_scan(path)
    expected = 0.5 * field_volume(PLAIN)[0] - 100.0
    assert np.array_equal(scan.hu, expected)
    assert scan.hu.dtype == np.float32


def test_float_volume_of_whole_numbers_becomes_int16(tmp_path: Path) -> None:
    scan = read_scan(nifti(tmp_path / "v.nii", PLAIN, dtype="f8"))
    assert scan.hu.dtype == np.int16
    assert worst_hu(scan) <= ROUNDED + 2e-3


def test_numbers_that_may_not_be_hu(tmp_path: Path) -> None:
    assert "hu-doubtful" in codes(read_scan(nifti(tmp_path / "v.nii", PLAIN)))


def test_two_volumes_are_refused(tmp_path: Path) -> None:
    nifti(tmp_path / "a.nii", PLAIN)
    nifti(tmp_path / "b.nii.gz", PLAIN)
    assert refused(lambda: read_scan(tmp_path)) == {"several-volumes"}


def test_volume_with_time_is_refused(tmp_path: Path) -> None:
    image = nibabel.Nifti1Image(np.zeros((4, 4, 4, 3), np.int16), np.eye(4))
    nibabel.save(image, tmp_path / "v.nii")
    assert refused(lambda: read_scan(tmp_path / "v.nii")) == {"not-one-volume"}


@pytest.mark.parametrize(("cut", "code"), [(-40, "truncated-file"), (200, "bad-volume-file")])
def test_volume_that_ends_too_early(tmp_path: Path, cut: int, code: str) -> None:
    path = nifti(tmp_path / "v.nii", PLAIN)
    path.write_bytes(path.read_bytes()[:cut])
    assert refused(lambda: read_scan(path)) == {code}


def test_packed_volume_that_ends_too_early(tmp_path: Path) -> None:
    path = nifti(tmp_path / "v.nii.gz", PLAIN)
    path.write_bytes(path.read_bytes()[:-40])
    assert refused(lambda: read_scan(path)) <= {"truncated-file", "bad-volume-file"}


# -------------------------------------------------------------------------------------- ceiling


def metal(top_hu: float, seed: int = 0) -> NDArray[np.float64]:
    """Return soft tissue with a rod whose numbers run up to `top_hu`."""
    rng = np.random.default_rng(seed)
    z, y, x = np.mgrid[:20, :40, :40]
    rod = np.exp(-(((y - 20.0) ** 2 + (x - 20.0) ** 2) / 18.0))
    return np.asarray(rng.normal(50.0, 20.0, z.shape) + top_hu * rod)


@pytest.mark.parametrize("ceiling", [3071, 3095, 2976, 7167, 30710])
def test_ceiling_is_found_wherever_it_is(ceiling: int) -> None:
    hu = np.minimum(np.rint(metal(2.0 * ceiling)), ceiling).astype(np.int16)
    found = find_ceiling(hu)
    assert found.hu == ceiling
    assert found.share == np.mean(hu >= ceiling)


@pytest.mark.parametrize("top_hu", [1400.0, 3000.0, 9000.0])
def test_no_ceiling_without_a_plateau(top_hu: float) -> None:
    found = find_ceiling(np.rint(metal(top_hu)).astype(np.int16))
    assert np.isnan(found.hu)
    assert found.share == 0.0


def test_unclipped_metal_with_a_flat_core_and_noise_is_no_ceiling() -> None:
    rng = np.random.default_rng(5)
    hu = rng.normal(50.0, 20.0, (20, 40, 40))
    hu[:, 15:25, 15:25] = rng.normal(8000.0, 40.0, (20, 10, 10))
    assert np.isnan(find_ceiling(np.rint(hu).astype(np.int16)).hu)


@pytest.mark.parametrize("step", [5, 10, 16, 7.3])
def test_numbers_that_go_in_steps_are_no_plateau_each(step: float) -> None:
    """An extended scale has a slope of 10: between its numbers nothing stands, whatever the patient holds."""
    coarse = np.rint(np.rint(metal(9000.0) / step) * step)
    assert np.isnan(find_ceiling(coarse.astype(np.int16)).hu)
    top = float(np.rint(step * 500))
    assert find_ceiling(np.minimum(coarse, top).astype(np.int16)).hu == top


def test_ceiling_smeared_by_resampling_is_found() -> None:
    """Resampled with a sinc-like spline: the plateau overshoots, the data are clipped all the same."""
    from scipy.ndimage import zoom

    clipped = np.minimum(metal(9000.0), 3071.0)
    hu = np.rint(zoom(clipped, 0.7, order=3)).astype(np.int16)
    assert hu.max() > 3071
    assert find_ceiling(hu).hu == 3071


def test_dense_bone_piles_up_without_being_a_ceiling() -> None:
    rng = np.random.default_rng(2)
    hu = np.rint(rng.normal(1500.0, 150.0, (10, 40, 40))).astype(np.int16)
    assert np.isnan(find_ceiling(hu).hu)


# ------------------------------------------------------------------------------- time and memory


def test_multiframe_in_a_zip_is_unpacked_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames are taken in the order of the file, whatever order they lie in the patient."""
    (tmp_path / "ct").mkdir()
    (tmp_path / "ct" / "one.dcm").write_bytes(as_bytes(enhanced(Grid(n=30))))
    path = zip_of(tmp_path / "ct", tmp_path / "ct.zip")
    opened = []
    genuine = zipfile.ZipFile.open

    def counting(self: zipfile.ZipFile, member: zipfile.ZipInfo) -> IO[bytes]:
        opened.append(member.filename)
        return genuine(self, member)

    monkeypatch.setattr(zipfile.ZipFile, "open", counting)
    assert worst_hu(read_scan(path)) <= ROUNDED
    assert len(opened) <= 3


# ru_maxrss would still hold what the testing process had used when it forked
_MEASURE = """
import re, sys
from pathlib import Path
from ongrowth.read import read_scan
def peak_kb():
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
before = peak_kb()
scan = read_scan(sys.argv[1])
print(scan.hu.nbytes / 1024, before, peak_kb())
"""


@pytest.mark.parametrize("packing", ["folder", "zip"])
def test_peak_memory_is_little_more_than_the_voxels(tmp_path: Path, packing: str) -> None:
    """At most 1.2 times the voxels as int16 plus 200 MB, here with 63 MB of voxels."""
    grid = Grid(n=120, rows=512, columns=512, spacing_mm=(0.4, 0.4))
    stored = np.full((512, 512), 1100.0)
    folder = tmp_path / "ct"
    folder.mkdir()
    for k in range(grid.n):
        (folder / f"{k:03d}").write_bytes(as_bytes(ct_image(stored + k, grid, k)))
    path = zip_of(folder, tmp_path / "ct.zip", zipfile.ZIP_STORED) if packing == "zip" else folder
    out = subprocess.run(
        [sys.executable, "-c", _MEASURE, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env=dict(os.environ),
    ).stdout
    voxels_kb, before_kb, after_kb = map(float, out.split())
    assert voxels_kb == 120 * 512 * 512 * 2 / 1024
    assert after_kb <= 1.2 * voxels_kb + 200 * 1024
    assert after_kb - before_kb <= 1.2 * voxels_kb + 60 * 1024


def test_gzip_of_a_stream(tmp_path: Path) -> None:
    """A volume packed by another tool in two members is read as one."""
    path = nifti(tmp_path / "v.nii", PLAIN)
    raw = path.read_bytes()
    buffer = io.BytesIO()
    for part in (raw[:1000], raw[1000:]):
        buffer.write(gzip.compress(part))
    packed = tmp_path / "w.nii.gz"
    packed.write_bytes(buffer.getvalue())
    path.unlink()
    assert worst_hu(read_scan(packed)) <= ROUNDED + 2e-3
