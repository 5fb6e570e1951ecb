"""Mutants of the files that people and programs write: cases, calibrations, results, tables."""

from __future__ import annotations

import functools
import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np

from mutants.packs import sound_volume
from mutants.series import CHECK, Mutant
from mutants.sound import tiny_files
from mutants.spoil import Rng, pick, spoilt_bytes, spoilt_json, spoilt_text

CASE = """# Invented clinic
[patient]
id = "harbour-07"
birth_year = 2016
site = "L4"

[surgery]
date = 2031-03-04

[[defect]]
side = "left"
graft = "none"

[[implant]]
id = "left"
side = "left"
major_diameter_mm = 3.5
root_diameter_mm = 2.6
pitch_mm = 1.25
length_mm = 14.0
thread = "full"
surface = "ha-coated"
material = "titanium"
head_mm = [17.9, -129.2, -416.0]
tip_mm = [21.5, -146.0, -407.0]

[[scan]]
id = "w08"
path = "w08"
weeks_since_surgery = 8.0
role = "follow-up"
calibration = "bone.json"

[[scan.reader]]
id = "A"
time = 2031-05-02T10:00:00+02:00
quantity = "mean_width"
implant = "left"
side = "head_side"
value = 0.8

[settings]
windows = "windows.toml"
"""
CALIBRATION = {
    "schema": "ongrowth-calibration/2",
    "protocol": None,
    "blur": {},  # filled in below, from the class itself
    "covariance": (0.01 * np.eye(7)).tolist(),
    "metal_hu": 6000.0,
    "metal_u_hu": 300.0,
    "material": "titanium",
    "misfit_share": 0.02,
    "source": "calibration",
}
MANIFEST = """case,scan,weeks_since_surgery,implant,side,major_diameter_mm,pitch_mm,surface,reader
c01,a.nii,8,left,left,3.5,1.25,ha-coated,A
c02,b.nii,12.5,left,left,4.0,1.5,porous,B
c03,c.nii,20,right,right,,,plain,A
"""


def calibration_text() -> str:
    """A sound calibration file."""
    from dataclasses import asdict

    from ongrowth.edge import Blur

    return json.dumps(CALIBRATION | {"blur": asdict(Blur(0.7))}, indent=1)


@functools.cache
def windows_text() -> str:
    """The windows table that is shipped."""
    from importlib.resources import files

    return files("ongrowth").joinpath("data", "windows.toml").read_text(encoding="utf-8")


SAMPLES = Path(__file__).parents[1] / "samples"


def _lay(folder: Path) -> None:
    """Everything a case needs, sound."""
    (folder / "w08").mkdir()
    for k, raw in enumerate(tiny_files()):
        (folder / "w08" / f"{k:03d}.dcm").write_bytes(raw)
    (folder / "bone.json").write_text(calibration_text(), encoding="utf-8")
    (folder / "windows.toml").write_text(windows_text(), encoding="utf-8")


def case_file(folder: Path, rng: Rng) -> Mutant:
    """A case file."""
    _lay(folder)
    path = folder / "case.toml"
    path.write_bytes(spoilt_text(CASE, rng))
    return Mutant("case file", path, ("follow", str(path), "--out", str(folder / "out")))


def windows_file(folder: Path, rng: Rng) -> Mutant:
    """A windows table."""
    path = folder / "windows.toml"
    path.write_bytes(spoilt_text(windows_text(), rng))
    words = ("expect", "--weeks", str(pick(rng, (0, 5, 30))), "--windows", str(path))
    return Mutant("windows table", path, words)


def calibration_file(folder: Path, rng: Rng) -> Mutant:
    """A calibration file, with a sound CT to be used on."""
    _lay(folder)
    path = folder / "bone.json"
    path.write_bytes(spoilt_json(calibration_text(), rng))
    out = str(folder / "out")
    words = ("check", str(folder / "w08"), *CHECK, "--calibration", str(path), "--out", out)
    return Mutant("calibration file", path, words)


TOLD = {"curves": [[-0.3, 0.9, 0.4, -0.5, 0.0, 0.0, 0.0]] * 2, "chances": [0.7, 0.3],
        "covariance": (0.01 * np.eye(7)).tolist()}  # fmt: skip


def bank_text() -> str:
    """A sound bank of blurs that fits every protocol."""
    protocol = dict.fromkeys(("scanner", "kernel", "algorithm", "strength"), "")
    protocol |= {"kvp": None, "slice_thickness_mm": None}
    patients = [{"digests": ["0" * 64], "blurs": [TOLD]}, {"digests": ["1" * 64], "blurs": [TOLD, TOLD]}]
    return json.dumps({"schema": "ongrowth-bank/1", "protocol": protocol, "patients": patients}, indent=1)


def bank_file(folder: Path, rng: Rng) -> Mutant:
    """A bank of blurs, with a sound CT to be used on; or a result that a bank is to be made of."""
    if rng.random() < 0.6:
        _lay(folder)
        path, out = folder / "bank.json", str(folder / "out")
        path.write_bytes(spoilt_json(bank_text(), rng))
        words = ("check", str(folder / "w08"), *CHECK, "--calibration", str(path), "--out", out)
        return Mutant("bank of blurs", path, words)
    (folder / "w08").mkdir()
    (folder / "w08" / "reading.json").write_bytes((SAMPLES / "reading-1.json").read_bytes())
    path, buffer = folder / "w08" / "map.npz", io.BytesIO()
    name, wrong = pick(rng, list(TOLD)), pick(rng, (np.nan, [["x"]], np.zeros((3, 7)), [1e9] * 2, []))
    told = TOLD | ({name: wrong} if rng.random() < 0.5 else {})
    np.savez_compressed(buffer, **{f"left.blur.{key}": np.asarray(value) for key, value in told.items()})
    path.write_bytes(spoilt_bytes(buffer.getvalue(), rng) if rng.random() < 0.5 else buffer.getvalue())
    return Mutant("bank of blurs", path, ("bank", str(folder), "--out", str(folder / "banks")))


def reading_file(folder: Path, rng: Rng) -> Mutant:
    """A reading.json for the note in one of its forms."""
    path = folder / "reading.json"
    path.write_bytes(spoilt_json((SAMPLES / "reading-1.json").read_text(encoding="utf-8"), rng))
    form = pick(rng, ((), ("--short",), ("--plain",), ("--ascii",), ("--decimal-comma",)))
    return Mutant("reading.json", path, ("note", str(path), *form))


def pictures_file(folder: Path, rng: Rng) -> Mutant:
    """A sound reading beside a spoilt map.npz or source.json."""
    (folder / "reading.json").write_bytes((SAMPLES / "reading-1.json").read_bytes())
    name = pick(rng, ("map.npz", "doubt.npz", "source.json"))
    path = folder / name
    if name == "source.json":
        source = {"paths": ["x"], "series_uid": "1.2", "study_uid": "1.3", "frame_of_reference_uid": "1.4",
                  "patient_id": "p", "scan_date": "2031-04-29", "surgery_date": None}  # fmt: skip
        path.write_bytes(spoilt_json(json.dumps(source), rng))
    else:
        buffer = io.BytesIO()
        key = "left.cut.along" if name == "map.npz" else "left.doubt"
        np.savez_compressed(
            buffer, **{f"{key}.hu": np.ones((4, 4)), f"{key}.edge_words": np.array(["a"] * 4)}
        )
        path.write_bytes(spoilt_bytes(buffer.getvalue(), rng))
    return Mutant("files beside reading.json", path, ("note", str(folder)))


def manifest_file(folder: Path, rng: Rng) -> Mutant:
    """A manifest as CSV or Parquet."""
    for name in "abc":
        (folder / f"{name}.nii").write_bytes(sound_volume(".nii"))
    if rng.random() < 0.7:
        path = folder / "manifest.csv"
        path.write_bytes(spoilt_text(MANIFEST, rng, ",;\t\n\"'"))
    else:
        import pandas as pd

        path, table = folder / "manifest.parquet", pd.read_csv(io.StringIO(MANIFEST))
        for _ in range(int(rng.integers(0, 3))):
            column = pick(rng, list(table.columns))
            table[column] = pick(rng, ([None] * 3, [b"\xff\xfe"] * 3, [1e300] * 3, ["x"] * 3, [[1, 2]] * 3))
        table.to_parquet(path)
        if rng.random() < 0.6:
            path.write_bytes(spoilt_bytes(path.read_bytes(), rng, most=5))
    return Mutant("manifest", path, ("cohort", str(path), "--dry-run", "--out", str(folder / "out")))


WORDS: tuple[Callable[[Path, Rng], Mutant], ...] = (
    case_file, case_file, calibration_file, bank_file, reading_file, reading_file, pictures_file,
    manifest_file, manifest_file, windows_file,
)  # fmt: skip


def make_words(folder: Path, number: int) -> Mutant:
    """Make mutant number so-and-so of the files that hold words and numbers."""
    rng = np.random.default_rng([number, 15])
    return pick(rng, WORDS)(folder, rng)
