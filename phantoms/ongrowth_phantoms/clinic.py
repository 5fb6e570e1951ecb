"""A cohort of an invented clinic: courses drawn as numbers and, where wanted, as CTs; with a manifest."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.bone import Bridge, Defect
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, later, pars_scene
from ongrowth_phantoms.series import write_dicom
from ongrowth_phantoms.truth import truth_of

NOTE = "Computer phantoms of the invented Harbour Athletics Clinic. No patient stands behind them."
VISITS_WEEKS = (5.0, 12.0, 26.0)
_SHARE_OF_PEAK = {5.0: 1.0, 12.0: 0.6, 26.0: 0.25}
_MISSED_SHARE = 0.08
_BRIDGED_FROM = 0.5  # of the section, by drawing: two wide bridges
_GAP_MM = 1.8
_BRIDGES = (Bridge(3.2, 0.5, 4.4), Bridge(-3.2, 0.8, 4.2), Bridge(0.3, 3.6, 3.6), Bridge(0.0, -3.4, 3.4))


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """One visit as drawn: mean widths of both sides, share of the defect bridged, whether it was missed."""

    patient: str
    id: str
    weeks: float
    head_side_mm: float
    tip_side_mm: float
    bridged: float
    is_missed: bool


def plan_clinic(n_patients: int, seed: int = 1) -> tuple[PlannedVisit, ...]:
    """Draw the courses of a clinic: even halos that fade, at a pace of their own, and gaps that bridge.

    Parameters
    ----------
    n_patients : int
        Patients, one screw each.
    seed : int
        The same seed gives the same clinic.
    """
    rng = np.random.default_rng([seed, 24])
    visits = []
    for k in range(n_patients):
        peak = float(np.exp(rng.normal(np.log(0.75), 0.25)))
        tip_share = float(np.exp(rng.normal(0.0, 0.15)))
        bridged_week = float(22.0 * rng.weibull(1.8))
        for weeks in VISITS_WEEKS:
            now = weeks + float(rng.uniform(-0.6, 0.6))
            width = peak * _SHARE_OF_PEAK[weeks] * float(np.exp(rng.normal(0.0, 0.08)))
            done = float(np.clip(now / bridged_week * _BRIDGED_FROM, 0.0, 0.95))
            missed = bool(weeks > VISITS_WEEKS[0] and rng.random() < _MISSED_SHARE)
            visits.append(
                PlannedVisit(
                    f"h{k + 1:03d}", f"w{weeks:02.0f}", round(now, 2), width, width * tip_share, done, missed
                )
            )
    return tuple(visits)


def write_clinic(
    folder: str | Path, n_patients: int = 24, *, seed: int = 1, with_images: bool = False
) -> Path:
    """Write a clinic: scans, ``manifest.csv`` and ``truth.csv``.

    Parameters
    ----------
    folder : path
        Where to write; made if missing.
    n_patients, seed
        As `plan_clinic`.
    with_images : bool
        Draw and scan every visit (about ten seconds each). Otherwise a scan is a small file that holds
        what was drawn, for `ongrowth_phantoms.stand_in.measure_plan`.

    Returns
    -------
    Path
        The manifest.
    """
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    (out / "truth.csv").unlink(missing_ok=True)
    visits = plan_clinic(n_patients, seed)
    for k in range(n_patients):
        own = visits[k * len(VISITS_WEEKS) : (k + 1) * len(VISITS_WEEKS)]
        if with_images:
            _write_images(out, own, seed + k)
        else:
            _write_plans(out, own)
    (out / "NOTE.txt").write_text(f"{NOTE}\n", encoding="utf-8")
    manifest = out / "manifest.csv"
    _write_csv(manifest, [_manifest_row(visit, with_images=with_images) for visit in visits])
    return manifest


def _manifest_row(visit: PlannedVisit, *, with_images: bool) -> dict[str, str]:
    path = f"{visit.patient}/{visit.id}" + ("" if with_images else ".json")
    return {
        "case": visit.patient,
        "scan": "" if visit.is_missed else path,
        "scan_id": "" if visit.is_missed else visit.id,
        "weeks_since_surgery": str(visit.weeks),
        "implant": "" if visit.is_missed else "left",
        "side": "" if visit.is_missed else "left",
        "major_diameter_mm": "" if visit.is_missed else "4.0",
        "root_diameter_mm": "" if visit.is_missed else "3.0",
        "surface": "" if visit.is_missed else "ha-coated",
    }


def _write_plans(out: Path, visits: tuple[PlannedVisit, ...]) -> None:
    for visit in visits:
        if not visit.is_missed:
            file = out / visit.patient / f"{visit.id}.json"
            file.parent.mkdir(exist_ok=True)
            file.write_text(json.dumps(asdict(visit), indent=1) + "\n", encoding="utf-8")
    _append_truth(out, [(v, v.head_side_mm, v.tip_side_mm, v.bridged) for v in visits if not v.is_missed])


def _write_images(out: Path, visits: tuple[PlannedVisit, ...], seed: int) -> None:
    """Draw one patient's visits as CTs, each with the truth of what was really drawn."""
    scene: Scene | None = None
    told = []
    for k, visit in enumerate(visits):
        scene = _scene(visit, scene, seed + 1000 * k)
        if visit.is_missed:
            continue
        scan = scan_fast(scene, FastProtocol(), seed=seed + 1000 * k)
        write_dicom(
            scan, out / visit.patient / visit.id, weeks=visit.weeks, patient_id=f"DRAWN-{visit.patient}"
        )
        truth = truth_of(scene)
        bridged = truth.defect.bridged_fraction if truth.defect else float("nan")
        told.append((visit, truth.head_side.mean_width_mm, truth.tip_side.mean_width_mm, bridged))
    _append_truth(out, told)


def _scene(visit: PlannedVisit, before: Scene | None, seed: int) -> Scene:
    halo = HaloField("even", visit.head_side_mm, visit.tip_side_mm)
    bridges = _BRIDGES[: round(visit.bridged * len(_BRIDGES))]
    if before is None:
        return pars_scene(seed, halo=halo, defect=Defect(gap_mm=_GAP_MM, bridges=bridges, seed=seed))
    rng = np.random.default_rng(seed)
    lies = RigidTransform.from_rotation_vector(rng.normal(0, 0.05, 3), rng.normal(0, 6.0, 3))
    return later(before, seed, halo=halo, bridges=bridges, renewed_share=0.2, lies=lies)


def _append_truth(out: Path, told: list[tuple[PlannedVisit, float, float, float]]) -> None:
    rows = [
        {
            "case": visit.patient,
            "scan": visit.id,
            "implant": "left",
            "side": side,
            "quantity": quantity,
            "truth": repr(value),
        }
        for visit, head, tip, bridged in told
        for side, quantity, value in (
            ("head_side", "mean_width", head),
            ("tip_side", "mean_width", tip),
            ("defect", "bridged_fraction", bridged),
        )
    ]
    _write_csv(out / "truth.csv", rows, append=True)


def _write_csv(path: Path, rows: list[dict[str, str]], *, append: bool = False) -> None:
    is_new = not (append and path.is_file())
    if not rows:
        return
    with path.open("w" if is_new else "a", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        if is_new:
            writer.writeheader()
        writer.writerows(rows)
