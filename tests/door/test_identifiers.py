"""Who the patient is stays out of every output: words planted in all text of the header are looked for.

The private ``source.json`` holds paths, UIDs and the patient's number, and DICOM objects carry the patient's
module, for which they are made (PS3.3, C.7.1.1); nothing else may.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import mutants
import numpy as np
import pandas as pd
import pydicom
import pytest
from click.testing import CliRunner
from pydicom import config
from pydicom.datadict import DicomDictionary, keyword_for_tag
from pydicom.dataset import Dataset

from ongrowth.cli import main

NAME, NUMBER, ACCESSION = "Quillfeather^Zoranda", "QF-471193", "ACC8842761"
UID_ROOT = "1.2.826.0.1.99471"
WHO = (
    "quillfeather",
    "zoranda",
    NUMBER.lower(),
    "471193",
    ACCESSION.lower(),
    "20110214",
    "2011-02-14",
    UID_ROOT,
)
TOKEN = re.compile(rb"zq[0-9a-f]{8}")  # every planted text bears the number of its tag
TEXT = {"LO", "SH", "ST", "LT", "UT", "UC", "PN", "AE", "UR"}
DEVICE = ("Manufacturer", "ManufacturerModelName", "ConvolutionKernel")  # printed, but never with the name
MEANT = (
    *DEVICE,
    "RescaleType",
    "FilterType",
    "PatientID",
    "AccessionNumber",
    "PatientName",
    "OtherPatientIDs",
)
FILES = "Quillfeather_Zoranda"  # hospitals name exported folders and files after the patient


def burnt() -> Dataset:
    """Every text element there is, with the patient's name and a token of its own; private ones too."""
    ds = Dataset()
    for tag, entry in DicomDictionary.items():
        if entry[0] in TEXT and not entry[3] and keyword_for_tag(tag) not in MEANT and tag >> 16 > 2:
            ds.add_new(tag, entry[0], f"{NAME} zq{tag:08x}")
    ds.PatientName, ds.PatientID, ds.AccessionNumber, ds.OtherPatientIDs = NAME, NUMBER, ACCESSION, "OTHER-1"
    ds.PatientBirthDate = "20110214"
    ds.Manufacturer, ds.ManufacturerModelName = "Invented", "Ring Zoranda 1"
    ds.ConvolutionKernel = "BONE Quillfeather"
    block = ds.private_block(0x0029, "zq00290010 HOUSE", create=True)
    block.add_new(1, "LO", f"{NAME} zq00291001")
    block.add_new(2, "OB", f"{NAME} zq00291002".encode())
    return ds


def write_burnt(folder: Path, date: str, series: int, *, cut_off: bool = False) -> Path:
    folder.mkdir(parents=True)
    with config.disable_value_validation():
        planted = burnt()
    for k, raw in enumerate(mutants.tiny_files()):
        ds = pydicom.dcmread(io.BytesIO(raw))
        with config.disable_value_validation():
            ds.update(planted)
        for keyword in ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"):
            setattr(ds, keyword, date)
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"{UID_ROOT}.{series}.9.{k + 1}"
        ds.SeriesInstanceUID, ds.StudyInstanceUID = f"{UID_ROOT}.{series}.1", f"{UID_ROOT}.{series}.2"
        ds.FrameOfReferenceUID = f"{UID_ROOT}.{series}.3"
        whole = mutants.as_bytes(ds)
        (folder / f"{FILES}_{k:03d}.dcm").write_bytes(whole[:-500] if cut_off and k == 4 else whole)
    return folder


CASE = """
[patient]
id = "harbour-07"
site = "L5"
[surgery]
date = 2031-03-04
[[implant]]
id = "left"
side = "left"
major_diameter_mm = 3.5
root_diameter_mm = 2.6
pitch_mm = 1.25
surface = "ha-coated"
[[scan]]
path = "Quillfeather_Zoranda/w08"
[[scan]]
path = "Quillfeather_Zoranda/w12"
[[scan]]
path = "Quillfeather_Zoranda/w20"
"""
MANIFEST = """case,scan,weeks_since_surgery,implant,side,major_diameter_mm,surface
c01,Quillfeather_Zoranda/w08,8,left,left,3.5,ha-coated
c02,Quillfeather_Zoranda/w20,20,left,left,3.5,ha-coated
"""


def ran(*words: str, expect: tuple[int, ...] = (0,)) -> str:
    done = CliRunner().invoke(main, list(words))
    assert done.exit_code in expect, done.stderr
    return f"{done.stdout}\n{done.stderr}"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every command that writes or prints, run once; what they printed lies in ``printed``."""
    home = tmp_path_factory.mktemp("home")
    for week, date, series in (("w08", "20310429", 1), ("w12", "20310527", 2), ("w20", "20310722", 3)):
        write_burnt(home / "in" / FILES / week, date, series, cut_off=week == "w20")
    (home / "in" / "case.toml").write_text(CASE, encoding="utf-8")
    (home / "in" / "manifest.csv").write_text(MANIFEST, encoding="utf-8")
    printed = home / "printed"
    printed.mkdir()

    def keep(name: str, told: str) -> None:
        (printed / name).write_text(told, encoding="utf-8")

    scan = write_burnt(home / "in" / f"{FILES}_{NUMBER}", "20310429", 4)
    checked = str(home / "checked")
    keep("check", ran("check", str(scan), "--weeks", "8", "--diameter", "3.5", "--json", "--out", checked))
    for form in ("--plain", "--short", "--ascii"):
        keep(f"note{form}", ran("note", checked, form))
    followed = str(home / "followed")
    keep("follow", ran("follow", str(home / "in" / "case.toml"), "--json", "--out", followed, expect=(4,)))
    keep("note", ran("note", followed))
    cohort = ("cohort", str(home / "in" / "manifest.csv"), "--in-process", "--out", str(home / "cohort"))
    keep("cohort", ran(*cohort, expect=(4,)))
    return home


def texts_of(path: Path) -> Iterator[bytes]:
    """All that a file holds, unpacked."""
    if path.suffix == ".npz":
        with np.load(path) as arrays:
            yield " ".join(arrays.files).encode()
            yield from (
                " ".join(map(str, a.ravel())).encode() for a in arrays.values() if a.dtype.kind in "US"
            )
    elif path.suffix == ".parquet":
        yield pd.read_parquet(path).to_csv().encode()
    else:
        yield path.read_bytes()


def is_in(word: str, whole: bytes) -> bool:
    """Whether a text holds a word; one of digits alone may stand by chance within a longer number."""
    apart = rf"(?<!\d){word}(?!\d)" if word.isdigit() else re.escape(word)
    return re.search(apart.encode(), whole) is not None


def leaks(folder: Path, *, except_for: str = "") -> dict[str, list[str]]:
    """Planted words by the file in which they were found, in its name or inside."""
    found: dict[str, list[str]] = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.name != except_for):
        whole = b" ".join((str(path.relative_to(folder)).encode(), *texts_of(path))).lower()
        words = [word for word in WHO if is_in(word, whole)]
        words += sorted({token.decode() for token in TOKEN.findall(whole)})
        if words:
            found[str(path.relative_to(folder))] = words
    return found


def test_the_words_are_planted_and_would_be_found(home: Path) -> None:
    """The test can fail: the input is full of them, and the private file holds what it must."""
    planted = leaks(home / "in" / FILES / "w08")
    assert len(planted) == len(mutants.tiny_files())
    assert all(len(words) > 500 for words in planted.values())
    (file,) = (home / "checked").glob("scan-*/source.json")
    private = file.read_text(encoding="utf-8")
    assert NUMBER in private
    assert UID_ROOT in private


@pytest.mark.parametrize("where", ["checked", "followed", "cohort"])
def test_no_file_names_the_patient(home: Path, where: str) -> None:
    assert sum(path.is_file() for path in (home / where).rglob("*")) > 3
    assert leaks(home / where, except_for="source.json") == {}


def test_nothing_printed_names_the_patient(home: Path) -> None:
    """On stdout and stderr alike; the paths that the user gave are the user's own words."""
    for file in (home / "printed").iterdir():
        told = file.read_text(encoding="utf-8")
        file.write_text(told.replace(str(home), ""), encoding="utf-8")
    assert leaks(home / "printed") == {}


def test_dicom_objects_carry_the_patient_module_and_no_other_words(home: Path) -> None:
    pytest.importorskip("highdicom")
    ran("dicom", str(home / "checked"))
    files = sorted((home / "checked" / "dicom").iterdir())
    assert len(files) == 3
    for file in files:
        ds = pydicom.dcmread(file)
        assert str(ds.PatientName) == NAME
        assert ds.PatientID == NUMBER
        found = {int(token[2:], 16) for token in TOKEN.findall(file.read_bytes())}
        assert {hex(tag) for tag in found - STUDY if tag >> 16 not in (0x0010, 0x0012)} == set()
        assert FILES.encode() not in file.read_bytes().replace(NAME.encode(), b"")


# Modules that an object takes over from its patient and study (PS3.3, C.7.1 and C.7.2), and the label of the
# frame of reference (C.7.4.1), as far as they are text; a container (C.7.6.22) is no person's.
STUDY = {
    pydicom.datadict.tag_for_keyword(word)
    for word in (
        "ReferringPhysicianName", "ConsultingPhysicianName", "StudyDescription", "PhysiciansOfRecord",
        "NameOfPhysiciansReadingStudy", "AdmittingDiagnosesDescription", "StudyID", "RequestingService",
        "ReasonForVisit", "AdmissionID", "ServiceEpisodeID", "ServiceEpisodeDescription", "PatientState",
        "PositionReferenceIndicator", "ContainerIdentifier", "ContainerDescription",
    )
}  # fmt: skip


def test_a_page_escapes_whatever_the_data_hold(tmp_path: Path) -> None:
    """Kernel, scanner and the case file's own texts as markup: shown as text, never as an element."""
    evil = "<script>alert(1)</script>"
    folder = tmp_path / "ct"
    folder.mkdir()
    for k, raw in enumerate(mutants.tiny_files()):
        ds = pydicom.dcmread(io.BytesIO(raw))
        ds.PatientID, ds.Manufacturer, ds.ConvolutionKernel = evil, evil, "<blink>X"
        ds.SeriesDescription = evil
        (folder / f"{k:03d}.dcm").write_bytes(mutants.as_bytes(ds))
    words = ("--weeks", "8", "--diameter", "3.5", "--site", "<blink>L5", "--remark", evil)
    ran("check", str(folder), *words, "--out", str(tmp_path / "out"))
    page = (tmp_path / "out" / "page.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "<blink" not in page
    assert "&lt;script&gt;" in page
    assert "&lt;blink&gt;" in page
