"""Phantoms on disk: DICOM, NIfTI, truth and case files, and the commands that write them."""

import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pydicom
import pytest
from click.testing import CliRunner

from ongrowth.cli import main
from ongrowth.scan import Scan
from ongrowth_phantoms import catalogue
from ongrowth_phantoms.catalogue import NOTE, PHANTOMS, case_file, write_phantom
from ongrowth_phantoms.commands import make_demo, phantom
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import HaloField, pars_scene, truth_of
from ongrowth_phantoms.series import write_dicom, write_nifti, write_truth


@pytest.fixture(scope="module")
def scan() -> Scan:
    scene = pars_scene(2, halo=HaloField("even", 1.0))
    return scan_fast(scene, FastProtocol(size_mm=(14.0, 12.0, 5.0), tilt_deg=12.0))


@pytest.mark.parametrize("compressed", [False, True])
def test_dicom_series_reads_back(scan: Scan, tmp_path: Path, compressed: bool) -> None:
    folder = write_dicom(scan, tmp_path / "ct", weeks=5.0, compressed=compressed)
    files = sorted(folder.iterdir())
    assert len(files) == scan.hu.shape[0]
    images = [pydicom.dcmread(f) for f in files]
    assert np.array_equal(np.stack([i.pixel_array for i in images]), scan.hu)
    for k, image in enumerate(images):
        assert np.array(image.ImagePositionPatient, float) == pytest.approx(
            scan.world_mm([k, 0, 0]), abs=1e-5
        )
        across, down = np.array(image.ImageOrientationPatient, float).reshape(2, 3)
        assert across @ down == pytest.approx(0.0, abs=1e-8)
        far = scan.world_mm([k, 3, 2]) - scan.world_mm([k, 0, 0])
        rows, columns = map(float, image.PixelSpacing)
        assert 3 * rows * down + 2 * columns * across == pytest.approx(far, abs=1e-6)
        assert image.file_meta.TransferSyntaxUID.is_compressed == compressed
    first = images[0]
    assert len({i.SOPInstanceUID for i in images}) == len(images)
    assert len({i.SeriesInstanceUID for i in images}) == 1
    assert first.StudyDate == "20310408"  # five weeks after the invented surgery
    assert "invented" in first.InstitutionName
    assert first.SOPClassUID == pydicom.uid.CTImageStorage
    assert float(first.GantryDetectorTilt) == pytest.approx(12.0)
    for element in first.iterall():
        if element.VR == "DS":
            values = element.value if element.VM > 1 else [element.value]
            assert all(len(str(v)) <= 16 for v in values)


def test_nifti_reads_back(scan: Scan, tmp_path: Path) -> None:
    nibabel = pytest.importorskip("nibabel")
    for name in ("ct.nii", "ct.nii.gz"):
        image = nibabel.load(write_nifti(scan, tmp_path / name))
        assert np.array_equal(np.asarray(image.dataobj).transpose(2, 1, 0), scan.hu)
        assert image.header.get_xyzt_units()[0] == "mm"
        ras = image.affine @ [3.0, 4.0, 5.0, 1.0]
        lps = scan.world_mm([5, 4, 3])
        assert ras[:3] == pytest.approx([-lps[0], -lps[1], lps[2]], abs=1e-3)


def test_truth_is_plain_json(tmp_path: Path) -> None:
    truth = truth_of(pars_scene(2, halo=HaloField("even", 1.0)))
    record = json.loads(write_truth(truth, tmp_path / "truth.json").read_text())
    screw = record["screws"][0]
    assert np.array(screw["width_mm"]).shape == np.array(screw["counted"]).shape == truth.width_mm.shape
    assert screw["head_side"]["mean_width_mm"] == pytest.approx(1.0)
    assert screw["screw"]["shank_diameter_mm"] is None


@pytest.mark.parametrize("name", list(PHANTOMS))
def test_every_named_phantom_can_be_drawn_and_described(name: str) -> None:
    visits = PHANTOMS[name].visits(1)
    assert len(PHANTOMS[name].shows) > 10
    for visit in visits:
        if visit.scene.screws:
            size = np.array(visit.protocol.size_mm)
            axes = visit.protocol.field_of_view().axes()
            ends = np.array([p for s in visit.scene.screws for p in (s.head_mm, s.real_tip_mm)])
            assert (np.abs((ends - visit.scene.focus_mm) @ axes) < size / 2.0).all()
    if visits[0].scene.sites and not math.isnan(visits[0].weeks):
        case = tomllib.loads(case_file(name, visits))
        assert [s["id"] for s in case["scan"]] == [v.id for v in visits]
        assert len(case.get("implant", [])) == len(visits[0].scene.screws)


def test_a_phantom_folder_is_complete(tmp_path: Path) -> None:
    write_phantom("calibration-rod", tmp_path / "rod")
    assert len(list((tmp_path / "rod" / "calibration").glob("*.dcm"))) == 67
    assert (tmp_path / "rod" / "NOTE.txt").read_text().startswith(NOTE)


def test_demo_series(tmp_path: Path) -> None:
    series, weeks, implant = make_demo(tmp_path / "demo")
    assert weeks == 5.0
    assert implant["major_diameter_mm"] == 4.0
    assert len(list(series.glob("*.dcm"))) > 60
    case = tomllib.loads((tmp_path / "demo" / "case.toml").read_text())
    assert case["implant"][0]["length_mm"] == implant["length_mm"] == 42.0
    truth = json.loads((tmp_path / "demo" / "w05-truth.json").read_text())
    assert truth["screws"][0]["whole"]["mean_width_mm"] == pytest.approx(0.7)


def test_phantom_command_lists_and_refuses(tmp_path: Path) -> None:
    listed = CliRunner().invoke(phantom, [])
    assert listed.exit_code == 0
    assert all(name in listed.output for name in PHANTOMS)
    wrong = CliRunner().invoke(phantom, ["no-such", "--out", str(tmp_path)])
    assert wrong.exit_code == 2
    assert "no-such" in wrong.output
    assert CliRunner().invoke(phantom, ["even-halo"]).exit_code == 2


def test_no_phantom_takes_the_place_of_a_ct(tmp_path: Path) -> None:
    """A CT whose folder and files bear the names of the phantom's; one drawn before gives way."""
    out, ct = tmp_path / "out", tmp_path / "theirs" / "w05" / "0001.dcm"
    ct.parent.mkdir(parents=True)
    ct.write_text("a CT")
    told = CliRunner().invoke(main, ["phantom", "even-halo", "--out", str(tmp_path / "theirs")])
    assert told.exit_code == 2, told.output
    assert told.stderr.startswith("not-ours: ")
    assert [path.name for path in (tmp_path / "theirs").rglob("*")] == ["w05", "0001.dcm"]
    for _ in range(2):
        assert CliRunner().invoke(main, ["phantom", "even-halo", "--out", str(out)]).exit_code == 0


def test_a_phantom_that_is_stopped_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(catalogue, "write_truth", stop)  # the series is written, its truth not yet
    told = CliRunner().invoke(phantom, ["calibration-rod", "--out", str(tmp_path / "rod")])
    assert told.exit_code == 1
    assert not (tmp_path / "rod").exists()
