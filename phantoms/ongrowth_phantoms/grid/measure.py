"""Measure one case in one way, and set what was measured beside the truth: one plain record."""

from __future__ import annotations

import functools
import math
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

import ongrowth
from ongrowth.calibration import Calibration
from ongrowth.defect import DefectPlane, find_defect, given_defect
from ongrowth.edge import Blur
from ongrowth.frame import ScrewFrame
from ongrowth.halo import Halo, HaloSummary, measure_halo
from ongrowth.halo.protocol import measure_calibration
from ongrowth.quantity import Measured, Unit
from ongrowth.scan import Problem, Refused
from ongrowth.screw import Integrity, Screw, ScrewSpec, find_screws
from ongrowth_phantoms.grid.caliper import CALIPERS, Reading, read_sides
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.grid.phantom import (
    Phantom,
    Protocol,
    calibration_scan,
    files_digest,
    protocol_of,
    scene_of,
)
from ongrowth_phantoms.tomograph import FullProtocol
from ongrowth_phantoms.truth import SideTruth, Truth

Record = dict[str, Any]

_ROD_MM = 2.0
SIDES = ("head_side", "tip_side", "whole")
# parts of the package that come after screw, defect and halo, or beside them
NOT_MEASURING = {
    "__main__.py", "agreement", "bridge", "case", "casefile", "change", "cli", "cohort", "correction.py",
    "cortex.py", "dose.py", "estimate.py", "files.py", "findings", "motion", "newbone", "read", "reading",
    "reports", "series", "tidy.py", "trajectory", "wording.py",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Arm:
    """How a case is measured.

    Parameters
    ----------
    place : str
        "given": the true screw and the true plane of the defect are handed over. "found": both from
        the image.
    blur : str
        "known": the blur the scan was made with. "calibrated": measured on a rod in water scanned by
        the same protocol. "free": from the scan itself.
    """

    place: str
    blur: str

    @property
    def name(self) -> str:
        """Both words."""
        return f"{self.place}, {self.blur}"


ARMS = {a.name: a for a in (Arm(p, b) for p in ("given", "found") for b in ("known", "calibrated", "free"))}


@functools.cache
def code_version() -> str:
    """Return a digest of the code that finds screw and defect and measures the halo, as first asked for."""
    root = Path(ongrowth.__file__).parent
    return files_digest(p for p in root.rglob("*.py") if p.relative_to(root).parts[0] not in NOT_MEASURING)


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """The screw, its frame and the defect that a halo is measured with."""

    screw: Screw
    frame: ScrewFrame
    defect: DefectPlane | None


def measure_case(case: Case, arm: Arm, phantom: Phantom, cache: Path | None = None) -> Record:
    """Measure a case one way.

    A refusal and a crash are results: they come back in ``refused`` and ``crashed``. Where the tool refuses
    the calibration, the case is measured without, and ``calibration`` holds the reason.
    """
    record: Record = {"case": case.id, "arm": arm.name, "refused": "", "crashed": "", "sides": {}}
    try:
        calibration, record["calibration"] = calibration_of(case, arm.blur, cache)
        started = time.process_time()
        placed = place_of(case, arm, phantom)
        record["place_s"] = time.process_time() - started
        started = time.process_time()
        halo = measure_halo(phantom.scan, placed.screw, placed.frame, placed.defect, calibration)
        record["halo_s"] = time.process_time() - started
        record |= {"place": _misplaced(placed, phantom.truth), "cells": _cells(halo, phantom.truth)}
        record["sides"] = {name: _side(getattr(halo, name)) for name in SIDES}
    except Refused as error:
        record["refused"] = error.problems[0].code
    except Exception as error:  # noqa: BLE001 - a crash is a result of the grid, to be counted and shown
        last = traceback.extract_tb(error.__traceback__)[-1]
        record["crashed"] = f"{type(error).__name__}: {error} ({Path(last.filename).name}:{last.lineno})"
    return record


def caliper_record(case: Case, name: str, phantom: Phantom) -> Record:
    """Read a case with a caliper."""
    readings = read_sides(phantom.scan, phantom.truth, CALIPERS[name])
    sides = {side: _caliper_side(reading) for side, reading in readings.items()}
    return {"case": case.id, "arm": name, "refused": "", "crashed": "", "sides": sides}


def truth_record(truth: Truth) -> Record:
    """Return the truth of the sides in plain values."""
    return {name: _true_side(getattr(truth, name)) for name in SIDES}


def _true_side(side: SideTruth) -> Record:
    return {
        "area_mm2": side.area_mm2,
        "mean_mm": side.mean_width_mm,
        "p95_mm": side.p95_width_mm,
        "share_1mm": side.share_over_1mm,
        "volume_mm3": side.volume_mm3,
        "sectors_mm": list(side.sector_mean_width_mm),
    }


def _side(found: HaloSummary) -> Record:
    return {
        "mean": _plain(found.mean_width),
        "p95": _plain(found.p95_width),
        "share_1mm": _plain(found.share_over_1mm),
        "volume": _plain(found.volume),
        "sectors": [_plain(m) for m in found.sector_mean_width],
        "limit_mm": found.detection_limit.value,
        "area_mm2": found.counting_area_mm2,
        "measured_share": found.measured_share,
        "shape": found.shape,
    }


def _plain(m: Measured) -> list[float]:
    """Return value, u, low95, high95, below_limit."""
    return [m.value, m.u, m.low95, m.high95, m.below_limit]


def _caliper_side(reading: Reading) -> Record:
    def bare(value: float) -> list[float]:
        return [value, math.nan, math.nan, math.nan, math.nan]

    return {
        "mean": bare(reading.mean_mm),
        "share_1mm": bare(reading.share_over_1mm),
        "sectors": [bare(v) for v in reading.sector_means_mm()],
        "measured_share": 1.0,
    }


def place_of(case: Case, arm: Arm, phantom: Phantom) -> Placed:
    """Return the screw, its frame and the defect of a case, as an arm takes them."""
    return _given(case, phantom.truth) if arm.place == "given" else _found(case, phantom)


def told_of(case: Case, truth: Truth) -> ScrewSpec:
    """Return what may be told of the screw: its sizes and its metal."""
    return ScrewSpec(
        major_diameter_mm=case.major_mm,
        root_diameter_mm=case.root_mm,
        pitch_mm=case.pitch_mm,
        length_mm=truth.screw.length_mm,
        cannula_diameter_mm=case.cannula_mm,
        coating_mm=case.coating_mm,
        material=case.material,
    )


def _given(case: Case, truth: Truth) -> Placed:
    def exact(value: float, unit: Unit = Unit.MM) -> Measured:
        return Measured.of(value, 0.02, unit)

    length = truth.screw.length_mm
    whole = Integrity("no interruption shown", 0.5, math.nan, exact(0.0), exact(0.0, Unit.DEG))
    screw = Screw(
        "screw", "left", np.array(truth.head_mm), np.array(truth.tip_mm), exact(case.major_mm), case.root_mm,
        exact(length), "given", whole, told_of(case, truth),
    )  # fmt: skip
    frame = ScrewFrame.of(truth.head_mm, truth.tip_mm)
    true = truth.defect
    defect = given_defect(true.point_mm, true.normal, frame, true.gap_width_mean_open_mm) if true else None
    return Placed(screw, frame, defect)


def _found(case: Case, phantom: Phantom) -> Placed:
    """Return the screw found nearest to the true one, and the defect found across it."""
    truth = phantom.truth
    metal = find_screws(phantom.scan, (told_of(case, truth),) if case.is_told else ())
    middle = (np.array(truth.head_mm) + np.array(truth.tip_mm)) / 2.0
    screw = min(metal.screws, key=lambda s: float(np.linalg.norm((s.head_mm + s.tip_mm) / 2.0 - middle)))
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    defect = find_defect(phantom.scan, screw, frame, metalwork=metal)
    return Placed(screw, frame, None if isinstance(defect, Problem) else defect)


def _misplaced(placed: Placed, truth: Truth) -> Record:
    """Return how far screw and plane lie from the truth."""
    axis = truth.axes[:, 2]
    out: Record = {"has_defect": placed.defect is not None}
    for name, found, true in (
        ("head", placed.screw.head_mm, truth.head_mm),
        ("tip", placed.screw.tip_mm, truth.tip_mm),
    ):
        away = np.asarray(found) - np.array(true)
        out[f"{name}_along_mm"] = float(away @ axis)
        out[f"{name}_aside_mm"] = float(np.linalg.norm(away - (away @ axis) * axis))
    if placed.defect is not None and truth.defect is not None:
        normal = np.array(truth.defect.normal)
        cosine = abs(float(placed.defect.plane.normal @ normal))
        out["plane_deg"] = math.degrees(math.acos(min(cosine, 1.0)))
        out["plane_mm"] = float((placed.defect.plane.point_mm - np.array(truth.defect.point_mm)) @ normal)
    return out


def _cells(halo: Halo, truth: Truth) -> Record:
    """Return bias, RMSE and coverage over the cells that both the map and the truth count."""
    found = halo.map
    i = np.abs(found.depth_mm[:, None] - truth.depth_mm).argmin(axis=1)
    turn = np.abs((found.angle_deg[:, None] - truth.angle_deg + 180.0) % 360.0 - 180.0)
    at = np.ix_(i, turn.argmin(axis=1))
    both = truth.counted[at] & np.isfinite(found.width_mm) & (found.cautions == 0)
    error = (found.width_mm - truth.width_mm[at])[both]
    if not error.size:
        return {"n": 0}
    inside = np.abs(error) <= 1.96 * found.width_u_mm[both]
    return {
        "n": int(error.size),
        "bias_mm": float(error.mean()),
        "rmse_mm": float(np.sqrt(np.mean(error**2))),
        "inside": float(inside.mean()),
    }


Curve = Callable[[NDArray[np.float64]], NDArray[np.floating]]


def calibration_of(case: Case, blur: str, cache: Path | None) -> tuple[Calibration | None, str]:
    """Return the calibration of an arm, and why there is none though one was tried."""
    if blur == "free":
        return None, ""
    if blur == "known":
        return known_calibration(protocol_of(case, scene_of(case))), ""
    scan, rod = calibration_scan(case, cache)
    try:
        return measure_calibration(scan, rod).calibration, ""
    except Refused as error:
        return None, error.problems[0].code


def known_calibration(protocol: Protocol) -> Calibration:
    """Return the blur a scan is made with, fitted by the parameters of `Blur`; small uncertainty."""
    if isinstance(protocol, FullProtocol):
        from ongrowth_phantoms.kernels import KERNELS

        wide = protocol.profile_fwhm_mm
        # a raised cosine has the variance of two convolved boxes of 1 and 0.75 times its width at half height
        blur = _fitted(KERNELS[protocol.kernel].mtf, wide, 0.75 * wide)
        return Calibration(blur, np.diag([0.02, 0.03, 0.05, 0.03, 0.05, 0.02, 0.03]) ** 2)
    blur = _fitted(protocol.mtf, *protocol.slice_boxes_mm())
    return Calibration(blur, np.diag([0.01, 0.01, 0.02, 0.02, 0.02, 0.01, 0.01]) ** 2)


def _fitted(mtf: Curve, box_mm: float, second_box_mm: float) -> Blur:
    """Return the blur by which a metal rod looks most like itself through an MTF.

    First the curve is fitted, then, from there, the profile of a rod of 2 mm radius.
    """
    f = np.arange(0.01, 2.4, 0.01)
    curve = np.asarray(mtf(f), dtype=np.float64)
    r = np.arange(0.0, 6.0, 0.1)
    disc = 2.0 * np.pi * 0.01 * _ROD_MM * special.j1(2.0 * np.pi * f * _ROD_MM)
    profile = special.j0(2.0 * np.pi * np.outer(r, f)) * disc

    def blur(x: NDArray[np.float64]) -> Blur:
        f0, p = math.exp(x[0]), math.exp(np.clip(x[1], -0.5, 2.0))
        return Blur(f0, p, float(x[2]), box_mm, second_box_mm, float(x[3]), float(x[4]), float(x[5]))

    def miss(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return blur(x).in_plane(f) - curve

    def rod_miss(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([profile @ miss(x), 1e-3 * x])  # what the rod cannot tell stays small

    starts = [[math.log(0.6), math.log(2.0), b, 0.0, 0.0, 0.0] for b in (0.0, 1.0, 2.5)]
    rods = [optimize.least_squares(rod_miss, optimize.least_squares(miss, start).x) for start in starts]
    return blur(min(rods, key=lambda t: float(t.cost)).x)
