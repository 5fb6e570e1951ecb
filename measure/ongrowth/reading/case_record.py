"""A case as plain records, and back: the names of ``case.json``."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from ongrowth.quantity import Measured, plain
from ongrowth.reading.case_parts import (
    BonePlace,
    Case,
    ChangeRecord,
    ComparisonNote,
    MotionRecord,
    NewBoneRecord,
    Patient,
)
from ongrowth.reading.facts import dose_over_time
from ongrowth.reading.parts import DoseFacts, ImplantReading, Reading
from ongrowth.reading.plain import Record
from ongrowth.reading.record import (
    dose_from_dict,
    dose_to_dict,
    finding_from_dict,
    finding_to_dict,
    problem_from_dict,
    problem_to_dict,
    summary_from_dict,
    summary_to_dict,
)
from ongrowth.wording import fixed_words

CASE_SCHEMA = "ongrowth-case/1"


def case_to_dict(case: Case) -> Record:
    """Return a case as it stands in ``case.json``: paths and key figures of its readings, and changes."""
    return {
        "schema": CASE_SCHEMA,
        "cautions": list(fixed_words().cautions),
        "patient": dataclasses.asdict(case.patient),
        "readings": [_key_figures(reading) for reading in case.readings],
        "refused": [
            {"scan": scan, "problems": [problem_to_dict(p) for p in problems]}
            for scan, problems in case.refused
        ],
        "dose_total": dose_to_dict(case.dose_total),
        "dose_over_time": [_dose_so_far(*step) for step in dose_over_time(case.readings)],
        "motions": [_flat(motion) for motion in case.motions],
        "new_bone": [_flat(bone) for bone in case.new_bone],
        "changes": [_flat(change) for change in case.changes],
        "findings": [finding_to_dict(finding) for finding in case.findings],
        "summary": summary_to_dict(case.summary),
        "comparison_notes": [
            {"from_scan": n.from_scan, "to_scan": n.to_scan} | problem_to_dict(n.problem) for n in case.notes
        ],
    }


def case_from_dict(record: Record, readings: Sequence[Reading]) -> Case:
    """Return the case written by `case_to_dict`, given its readings in the order they are listed."""
    return Case(
        patient=Patient(**record["patient"]),
        readings=tuple(readings),
        findings=tuple(finding_from_dict(r) for r in record["findings"]),
        summary=summary_from_dict(record["summary"]),
        motions=tuple(_motion_from_dict(r) for r in record["motions"]),
        new_bone=tuple(_bone_from_dict(r) for r in record["new_bone"]),
        changes=tuple(ChangeRecord(**_measured(r)) for r in record["changes"]),
        refused=tuple(
            (r["scan"], tuple(problem_from_dict(p) for p in r["problems"])) for r in record["refused"]
        ),
        dose_total=dose_from_dict(record["dose_total"]),
        notes=tuple(
            ComparisonNote(r["from_scan"], r["to_scan"], problem_from_dict(r))
            for r in record.get("comparison_notes", [])
        ),
    )


def reading_path(scan_id: str) -> str:
    """Return where a case keeps the reading of a scan, relative to the case's folder."""
    return f"{scan_id}/reading.json"


def _key_figures(reading: Reading) -> Record:
    return {
        "path": reading_path(reading.scan.id),
        "scan": reading.scan.id,
        "weeks_since_surgery": plain(reading.scan.weeks_since_surgery),
        "input_digest": reading.provenance.input_digest,
        "implants": [_implant_figures(implant) for implant in reading.implants],
    }


def _dose_so_far(reading: Reading, total: DoseFacts) -> Record:
    return {
        "scan": reading.scan.id,
        "weeks_since_surgery": plain(reading.scan.weeks_since_surgery),
        "ctdi_vol_mgy": plain(reading.scan.dose.ctdi_vol_mgy),
        "dlp_mgy_cm": plain(reading.scan.dose.dlp_mgy_cm),
        "total_ctdi_vol_mgy": plain(total.ctdi_vol_mgy),
        "total_dlp_mgy_cm": plain(total.dlp_mgy_cm),
    }


def _implant_figures(implant: ImplantReading) -> Record:
    bridged = implant.bridge.bridged_fraction.as_dict() if implant.bridge else None
    return {
        "id": implant.id,
        "side": implant.side,
        "integrity": implant.screw.integrity.state,
        "head_side_mean_width": implant.halo.head_side.mean_width.as_dict(),
        "tip_side_mean_width": implant.halo.tip_side.mean_width.as_dict(),
        "bridged_fraction": bridged,
    }


def _flat(thing: Any) -> Any:
    """Return a record of quantities as written, under its own names."""
    if isinstance(thing, Measured):
        return thing.as_dict()
    if dataclasses.is_dataclass(thing):
        return {field.name: _flat(getattr(thing, field.name)) for field in dataclasses.fields(thing)}
    if isinstance(thing, tuple):
        return [_flat(part) for part in thing]
    return thing


def _measured(record: Record) -> Record:
    """Return a record with its quantities made `Measured` again."""
    return {name: Measured.from_dict(v) if isinstance(v, dict) else v for name, v in record.items()}


def _motion_from_dict(record: Record) -> MotionRecord:
    x, y, z = (Measured.from_dict(r) for r in record["translation_mm"])
    return MotionRecord(**(_measured(record) | {"translation_mm": (x, y, z)}))


def _bone_from_dict(record: Record) -> NewBoneRecord:
    places = tuple(BonePlace(r["place"], Measured.from_dict(r["volume"])) for r in record["elsewhere"])
    return NewBoneRecord(**(_measured(record) | {"elsewhere": places}))
