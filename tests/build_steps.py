"""Stand-ins for the steps of the recipe: what they return is ready, what they were asked is kept."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest

import ongrowth.case.compare as compare
import ongrowth.case.reading as recipe
from ongrowth.casefile import CaseFile, parse_case_file
from ongrowth.newbone import NewBone, NewBonePlace
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem, Scan, refuse
from ongrowth.screw import Metalwork, ScrewSpec


class Steps:
    """Stand-ins for the measuring steps; they keep what they were asked.

    Every path has images of its own, but for one that ends in "-copy".
    """

    def __init__(self, scan: Scan) -> None:
        self.scan = scan
        self.sides = ("left",)
        self.defect: Any = build.make_defect()
        self.asked: dict[str, list[Any]] = defaultdict(list)
        self.motion: Any = build.make_motion()
        self.width_mm = 0.7
        self.is_parted = True
        self.date = scan.acquisition.date
        self.dates: dict[str, dt.date] = {}
        self.patients: dict[str, str] = {}

    def put_in_place(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Let the recipe and the comparison of two CTs take these steps."""
        for name in ("read_scan", "find_screws", "find_defect", "measure_halo", "measure_bridge"):
            monkeypatch.setattr(recipe, name, getattr(self, name))
        monkeypatch.setattr(recipe, "look_ahead", lambda *_, **__: ())
        for name in ("read_scan", "measure_motion", "measure_new_bone"):
            monkeypatch.setattr(compare, name, getattr(self, name))

    def read_scan(self, path: Path, *, series: str = "", **_: Any) -> Scan:
        self.asked["series"].append((path.name, series))
        if "broken" in str(path):
            raise refuse("empty-folder", "The folder is empty.", "Give the folder of the scan.")
        kernel = "soft" if "soft" in str(path) else self.scan.acquisition.kernel
        digest = hashlib.sha256(path.name.removesuffix("-copy").encode()).hexdigest()
        acquisition = replace(
            self.scan.acquisition,
            kernel=kernel,
            date=self.dates.get(path.name, self.date),
            patient_id=self.patients.get(path.name, self.scan.acquisition.patient_id),
        )
        return replace(self.scan, acquisition=acquisition, digest=digest)

    def find_screws(self, scan: Scan, specs: tuple[ScrewSpec, ...]) -> Metalwork:
        self.asked["screws"].append(specs)
        screws = tuple(build.make_screw(side) for side in self.sides)
        return Metalwork(screws, (), (Problem("head-assumed", Level.NOTE, "No head is seen."),))

    def find_defect(self, *_: Any, **__: Any) -> Any:
        return self.defect

    def measure_halo(self, scan: Any, screw: Any, frame: Any, defect: Any, *more: Any, keep: Any) -> Any:
        keep(screw.id)
        self.asked["halo"].append(defect)
        self.asked["settings"].append(more[-1])
        self.asked["calibration"].append(more[0])
        side = build.make_side(self.width_mm)
        if self.is_parted:
            return build.make_halo(side, side)
        none = build.missing_side(Caution.NO_DEFECT)
        return build.make_halo(none, none, whole=side)

    def measure_bridge(
        self, scan: Any, screw: Any, frame: Any, defect: Any, *, lucent_mm: tuple[float, float]
    ) -> Any:
        self.asked["bridge"].append(defect)
        self.asked["lucent"].append(lucent_mm)
        return replace(build.make_bridge(0.3), defect=defect)

    def measure_motion(self, earlier: Scan, later: Scan, *_: Any, **__: Any) -> Any:
        self.asked["motion"].append((earlier, later))
        return self.motion

    def measure_new_bone(self, *_: Any, **__: Any) -> NewBone:
        found = Measured.of(120.0, 12.0, Unit.MM3)
        return NewBone(found, found, (NewBonePlace("toward the canal", found, np.zeros(3)),))


def case_text(*scans: str) -> str:
    head = '[patient]\nid = "harbour-07"\nsite = "L5"\nbirth_year = 2016\n[surgery]\ndate = 2031-03-04\n'
    implant = '[[implant]]\nid = "left"\nside = "left"\nmajor_diameter_mm = 4.0\n'
    return head + implant + "\n".join(scans)


def two_scans(folder: Path) -> CaseFile:
    for name in ("w04", "w13"):
        (folder / name).mkdir(parents=True)
        (folder / name / "1.dcm").write_bytes(name.encode())
    text = case_text('[[scan]]\npath = "w04"\ndate = 2031-04-01', '[[scan]]\npath = "w13"\ndate = 2031-06-03')
    return parse_case_file(text, folder)


def lending_case(folder: Path) -> CaseFile:
    """Three CTs, not in the order of time: of the first days, of week 8, and of week 8 by another kernel."""
    scans = {"w08": 8.0, "w01": 1.0, "soft": 8.2}
    for name in scans:
        (folder / name).mkdir(parents=True)
        (folder / name / "1.dcm").write_bytes(name.encode())
    entries = (f'[[scan]]\npath = "{name}"\nweeks_since_surgery = {weeks}' for name, weeks in scans.items())
    return parse_case_file(case_text(*entries), folder)


def replace_scans(case_file: CaseFile, *names: str) -> CaseFile:
    return case_file.model_copy(update={"scan": [s for s in case_file.scan if s.name in names]})
