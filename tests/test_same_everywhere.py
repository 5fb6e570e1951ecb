"""The same CT gives the same number: on one thread or eight, packed or plain, in any order, by any run.

Voxels, grid and facts are compared bit by bit where the way of storing changes nothing of them; then what is
measured is the same, being a function of them. NIfTI-1 keeps places in 32 bits, where half a unit in the last
place of 400 mm is 1.5e-5 mm; on a grid that both formats hold exactly, the numbers are the same.
"""

from __future__ import annotations

import functools
import io
import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mutants
import numpy as np
import pydicom
import pytest
from ct_files import pack_losslessly
from pydicom import uid
from pydicom.dataset import Dataset

from ongrowth.case import Known, run_reading
from ongrowth.cohort import Job, measure_scan
from ongrowth.read import read_scan
from ongrowth.reading import Reading, reading_to_dict
from ongrowth.scan import Scan
from ongrowth.screw import ScrewSpec
from ongrowth_phantoms.series import write_dicom, write_nifti

SAME_MM = 1e-6
SPEC = ScrewSpec(major_diameter_mm=3.5, root_diameter_mm=2.6, pitch_mm=1.25, surface="ha-coated")
KNOWN = Known(screws=(SPEC,), weeks=8.0, scan_id="w08")


def write(folder: Path, change: Callable[[Dataset], None] | None = None) -> Path:
    folder.mkdir(parents=True)
    for k, raw in enumerate(mutants.tiny_files()):
        ds = pydicom.dcmread(io.BytesIO(raw))
        if change:
            change(ds)
        (folder / f"{k:03d}.dcm").write_bytes(mutants.as_bytes(ds))
    return folder


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("plain") / "w08")


@pytest.fixture(scope="module")
def reading(plain: Path) -> Reading:
    return run_reading(plain, KNOWN)


def assert_same_scan(one: Scan, other: Scan) -> None:
    assert one.hu.dtype == other.hu.dtype
    assert np.array_equal(one.hu, other.hu)
    assert np.array_equal(one.world_from_voxel, other.world_from_voxel)
    assert repr(one.acquisition) == repr(other.acquisition)  # what is not stated is NaN, which equals nothing
    assert one.digest == other.digest


def rle(ds: Dataset) -> None:
    ds.compress(uid.RLELossless, generate_instance_uid=False)


def by_gdcm(compressor: str) -> Callable[[Dataset], None]:
    """Pack the pixels without loss by an encoder that is not ours."""
    return functools.partial(pack_losslessly, compressor=compressor)


def implicit(ds: Dataset) -> None:
    ds.file_meta.TransferSyntaxUID = uid.ImplicitVRLittleEndian


@pytest.mark.parametrize(
    ("change", "syntax"),
    [
        (rle, uid.RLELossless),
        (by_gdcm("JPEG2000"), uid.JPEG2000Lossless),
        (by_gdcm("JPEG"), uid.JPEGLosslessSV1),
        (implicit, uid.ImplicitVRLittleEndian),
    ],
    ids=["rle", "jpeg-2000", "jpeg-lossless", "implicit"],
)
def test_packed_or_plain(plain: Path, tmp_path: Path, change: Callable[[Dataset], None], syntax: str) -> None:
    folder = write(tmp_path / "w08", change)
    assert pydicom.dcmread(folder / "000.dcm").file_meta.TransferSyntaxUID == syntax
    assert_same_scan(read_scan(folder), read_scan(plain))


def test_files_in_any_order_under_any_name_and_in_a_zip(plain: Path, tmp_path: Path) -> None:
    files = sorted(plain.iterdir())
    order = np.random.default_rng(2).permutation(len(files))
    shuffled, packed = tmp_path / "shuffled", tmp_path / "w08.zip"
    for k, file in zip(order, files, strict=True):
        (shuffled / f"part{k % 3}").mkdir(parents=True, exist_ok=True)
        (shuffled / f"part{k % 3}" / f"IM{9999 - k}").write_bytes(file.read_bytes())
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for k in order:
            archive.write(files[k], f"x/{files[k].name}")
    assert_same_scan(read_scan(shuffled), read_scan(plain))
    assert_same_scan(read_scan(packed), read_scan(plain))


def numbers(record: Any, place: str = "") -> dict[str, float]:
    """Every number of a reading under its place, without what tells of the run itself."""
    if isinstance(record, dict):
        kept = {k: v for k, v in record.items() if k not in ("provenance", "scan", "summary")}
        return {p: n for k, v in kept.items() for p, n in numbers(v, f"{place}/{k}").items()}
    if isinstance(record, list):
        return {p: n for k, v in enumerate(record) for p, n in numbers(v, f"{place}/{k}").items()}
    is_number = isinstance(record, int | float) and not isinstance(record, bool)
    return {place: float(record)} if is_number else {}


def furthest(one: dict[str, float], other: dict[str, float]) -> tuple[float, str]:
    assert one.keys() == other.keys()
    return max((abs(one[p] - other[p]), p) for p in one)


PROGRAM = """
import json, sys
from pathlib import Path
from test_same_everywhere import KNOWN
from ongrowth.case import run_reading
from ongrowth.reading import reading_to_dict
print(json.dumps(reading_to_dict(run_reading(Path(sys.argv[1]), KNOWN))))
"""


@pytest.mark.slow
def test_one_thread_or_eight(plain: Path, reading: Reading) -> None:
    """In a process of its own, for threads are set when the numerics are loaded."""
    paths = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS")
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", PROGRAM, str(plain)],
        env=os.environ | dict.fromkeys(names, "8") | {"PYTHONPATH": paths},
        check=True,
        capture_output=True,
        text=True,
    )
    far, place = furthest(numbers(json.loads(done.stdout)), numbers(reading_to_dict(reading)))
    assert far <= SAME_MM, f"{place}: {far:g}"


@pytest.mark.slow
def test_by_cohort_as_by_hand(plain: Path, reading: Reading, tmp_path: Path) -> None:
    """The executor only carries: the rows of a cohort are those of the reading."""
    from ongrowth.reports.table import reading_rows

    job = Job("c01", "w08", plain, (SPEC,), weeks=8.0)
    # as texts: a value that is not known is not even equal to itself
    assert [*map(repr, measure_scan(job, tmp_path / "w08").rows)] == [*map(repr, reading_rows(reading))]


@pytest.mark.slow
def test_dicom_or_nifti(tmp_path: Path) -> None:
    drawn = mutants.tiny_scan()
    affine = drawn.world_from_voxel.copy()
    affine[:3, 3] = np.round(64.0 * affine[:3, 3]) / 64.0  # exact in 32 bits and in a decimal string
    drawn = replace(drawn, world_from_voxel=affine)
    scans = write_dicom(drawn, tmp_path / "w08", weeks=8.0), write_nifti(drawn, tmp_path / "w08.nii.gz")
    for file in scans[0].glob("*.dcm"):  # NIfTI knows no tube voltage, which tells what metal reads
        image = pydicom.dcmread(file)
        del image.KVP
        image.save_as(file)
    one, other = (numbers(reading_to_dict(run_reading(path, KNOWN))) for path in scans)
    far, place = furthest(one, other)
    assert far <= SAME_MM, f"{place}: {far:g}"


def test_nifti_rounds_no_more_than_its_format(tmp_path: Path) -> None:
    drawn = mutants.tiny_scan()
    scan = read_scan(write_nifti(drawn, tmp_path / "w08.nii"))
    assert np.array_equal(scan.hu, drawn.hu)
    assert np.abs(scan.world_from_voxel - drawn.world_from_voxel).max() < 1.6e-5
