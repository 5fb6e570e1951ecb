"""A reading as plain records, and back: the names of ``reading.json``."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from ongrowth.defect import Side
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.halo import Halo, HaloMap, HaloSummary, Rim, most_prominent
from ongrowth.quantity import Caution, Measured, Unit, plain, real
from ongrowth.reading.by_hand import (
    correction_from_dict,
    correction_to_dict,
    reader_from_dict,
    reader_to_dict,
)
from ongrowth.reading.defect_record import (
    bridge_from_dict,
    defect_to_dict,
    open_defect_from_dict,
    open_defect_to_dict,
    plane_from_dict,
)
from ongrowth.reading.parts import (
    Against,
    Control,
    DoseFacts,
    Finding,
    ImplantReading,
    Limit,
    Prediction,
    Provenance,
    Reading,
    ScanFacts,
    Summary,
    Window,
    WouldShow,
)
from ongrowth.reading.plain import Record, array_of, rows_of
from ongrowth.scan import Level, Problem
from ongrowth.screw import Integrity, OtherMetal, Screw, ScrewSpec
from ongrowth.wording import fixed_words

READING_SCHEMA = "ongrowth-reading/1"
_SIDE_WORDS = tuple(side.word for side in Side)


def reading_to_dict(reading: Reading) -> Record:
    """Return a reading as it stands in ``reading.json``, without pictures and without its source.

    Parameters
    ----------
    reading : Reading
        The reading.
    """
    return {
        "schema": READING_SCHEMA,
        "cautions": list(fixed_words().cautions),
        "provenance": provenance_to_dict(reading.provenance),
        "scan": _scan_to_dict(reading.scan),
        "implants": [_implant_to_dict(implant) for implant in reading.implants],
        "defects": [open_defect_to_dict(d) for d in reading.defects],
        "other_metal": [_metal_to_dict(metal) for metal in reading.other_metal],
        "findings": [finding_to_dict(finding) for finding in reading.findings],
        "summary": summary_to_dict(reading.summary),
        "corrections": [correction_to_dict(made) for made in reading.corrections],
        "readers": [reader_to_dict(read) for read in reading.readers],
    }


def reading_from_dict(record: Record) -> Reading:
    """Return the reading written by `reading_to_dict` (pictures and source are kept elsewhere).

    Parameters
    ----------
    record : dict
        As it stands in ``reading.json``.
    """
    return Reading(
        scan=_scan_from_dict(record["scan"]),
        implants=tuple(_implant_from_dict(r) for r in record["implants"]),
        findings=tuple(finding_from_dict(r) for r in record["findings"]),
        summary=summary_from_dict(record["summary"]),
        provenance=provenance_from_dict(record["provenance"]),
        defects=tuple(open_defect_from_dict(r) for r in record["defects"]),
        other_metal=tuple(_metal_from_dict(r) for r in record["other_metal"]),
        corrections=tuple(correction_from_dict(r) for r in record.get("corrections", [])),
        readers=tuple(reader_from_dict(r) for r in record.get("readers", [])),
    )


def _scalars(record: Any) -> Record:
    """Return the quantities, numbers and words of a dataclass under their own names."""
    out: Record = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if isinstance(value, Measured):
            out[field.name] = value.as_dict()
        elif isinstance(value, float):
            out[field.name] = plain(value)
        else:
            out[field.name] = value
    return out


def provenance_to_dict(provenance: Provenance) -> Record:
    """Return what made a result, as written."""
    return _scalars(provenance)


def provenance_from_dict(record: Record) -> Provenance:
    """Return what `provenance_to_dict` wrote."""
    return Provenance(**(record | {"wall_s": real(record["wall_s"])}))


def summary_to_dict(summary: Summary) -> Record:
    """Return the answer in words, as written."""
    return _scalars(summary) | {
        "cannot_tell": list(summary.cannot_tell),
        "not_looked_at": list(summary.not_looked_at),
    }


def summary_from_dict(record: Record) -> Summary:
    """Return what `summary_to_dict` wrote."""
    return Summary(
        record["sentence"],
        real(record["next_scan_week"]),
        tuple(record["cannot_tell"]),
        tuple(record["not_looked_at"]),
    )


def finding_to_dict(finding: Finding) -> Record:
    """Return one finding, as written."""
    return {
        "implant": finding.implant,
        "site": finding.site,
        "quantity": finding.quantity,
        "value": finding.value.as_dict(),
        "window": _window_to_dict(finding.window) if finding.window else None,
        "against_window": finding.against_window.value,
        "why": finding.why,
        "state": finding.state or None,
        "from_scan": finding.from_scan or None,
        "relative_to": finding.relative_to or None,
    }


def finding_from_dict(record: Record) -> Finding:
    """Return what `finding_to_dict` wrote."""
    return Finding(
        record["implant"],
        record["site"],
        record["quantity"],
        Measured.from_dict(record["value"]),
        _window_from_dict(record["window"]) if record["window"] else None,
        Against(record["against_window"]),
        record["why"],
        record["state"] or "",
        record.get("from_scan") or "",
        record.get("relative_to") or "",
    )


def _window_to_dict(window: Window) -> Record:
    return _scalars(window) | {"unit": window.unit.value, "beyond": window.beyond.value}


def _window_from_dict(record: Record) -> Window:
    ends = {
        "from_weeks": -math.inf if record["from_weeks"] is None else record["from_weeks"],
        "to_weeks": math.inf if record["to_weeks"] is None else record["to_weeks"],
        "low": real(record["low"]),
        "high": real(record["high"]),
        "unit": Unit(record["unit"]),
        "beyond": Against(record["beyond"]),
    }
    return Window(**(record | ends))


def problem_to_dict(problem: Problem) -> Record:
    """Return a coded problem, as written."""
    return {
        "code": problem.code,
        "level": problem.level.value,
        "text": problem.text,
        "advice": problem.advice,
    }


def problem_from_dict(record: Record) -> Problem:
    """Return what `problem_to_dict` wrote."""
    return Problem(record["code"], Level(record["level"]), record["text"], record["advice"])


def dose_to_dict(dose: DoseFacts) -> Record:
    """Return the dose a scan states, as written."""
    return _scalars(dose)


def dose_from_dict(record: Record) -> DoseFacts:
    """Return what `dose_to_dict` wrote."""
    numbers = ("ctdi_vol_mgy", "dlp_mgy_cm", "effective_msv")
    return DoseFacts(**(record | {name: real(record[name]) for name in numbers}))


def _scan_to_dict(facts: ScanFacts) -> Record:
    return _scalars(facts) | {
        "voxel_mm": [plain(v) for v in facts.voxel_mm],
        "problems": [problem_to_dict(p) for p in facts.problems],
        "others": list(facts.others),
        "dose": dose_to_dict(facts.dose),
    }


def _scan_from_dict(record: Record) -> ScanFacts:
    x, y, z = (real(v) for v in record["voxel_mm"])
    numbers = ("weeks_since_surgery", "slice_thickness_mm", "kvp", "hu_ceiling", "ceiling_share", "noise_hu")
    quantities = ("blur_in_plane_mm", "blur_through_plane_mm")
    facts: Record = record | {name: real(record[name]) for name in numbers}
    facts |= {name: Measured.from_dict(record[name]) for name in quantities}
    return ScanFacts(
        **(
            facts
            | {
                "voxel_mm": (x, y, z),
                "problems": tuple(problem_from_dict(p) for p in record["problems"]),
                "others": tuple(record["others"]),
                "dose": dose_from_dict(record["dose"]),
            }
        )
    )


def _implant_to_dict(implant: ImplantReading) -> Record:
    screw = implant.screw
    return {
        "id": implant.id,
        "side": implant.side,
        "surface": implant.surface,
        "frame": _frame_to_dict(implant.frame),
        "major_diameter_mm": screw.major_diameter_mm.as_dict(),
        "root_diameter_mm": plain(screw.root_diameter_mm),
        "thread": screw.spec.thread,
        "thread_start_mm": plain(screw.spec.thread_start_mm),
        "shank_diameter_mm": plain(screw.spec.shank_diameter_mm),
        "length_mm": screw.length_mm.as_dict(),
        "diameter_source": screw.diameter_source,
        "cautions": list(screw.cautions.codes),
        "tip_to_cortex_mm": implant.tip_to_cortex_mm.as_dict(),
        "integrity": _scalars(screw.integrity),
        "halo": _halo_to_dict(implant.halo),
        "limits": [_scalars(limit) for limit in implant.limits],
        "predicted": [_scalars(prediction) for prediction in implant.predicted],
        "controls": [_scalars(control) for control in implant.controls],
        "would_show": [_scalars(one) for one in implant.would_show],
        "defect": defect_to_dict(implant.defect, implant.bridge),
    }


def _implant_from_dict(record: Record) -> ImplantReading:
    defect = record["defect"]
    return ImplantReading(
        id=record["id"],
        side=record["side"],
        surface=record["surface"],
        frame=_frame_from_dict(record["frame"]),
        screw=_screw_from_dict(record),
        halo=_halo_from_dict(record["halo"]),
        defect=plane_from_dict(defect) if defect else None,
        bridge=bridge_from_dict(defect) if defect and defect["map"] else None,
        tip_to_cortex_mm=Measured.from_dict(record["tip_to_cortex_mm"]),
        limits=tuple(
            Limit(r["part"], real(r["share_of_variance"]), r.get("words", "")) for r in record["limits"]
        ),
        predicted=tuple(
            Prediction(r["change"], real(r["u95_mm"]), real(r["detection_limit_mm"]))
            for r in record["predicted"]
        ),
        controls=tuple(
            Control(r["side"], r["other_implant"], r["other_side"], Measured.from_dict(r["difference"]))
            for r in record.get("controls", ())
        ),
        would_show=tuple(
            WouldShow(r["width_mm"], r["shape"], r["side"], r["found_share"])
            for r in record.get("would_show", ())
        ),
    )


def _frame_to_dict(frame: ScrewFrame) -> Record:
    names = ("origin_mm", "tip_mm", "zero_direction", "quarter_direction", "axis_direction")
    return {name: [float(v) for v in getattr(frame, name)] for name in names}


def _frame_from_dict(record: Record) -> ScrewFrame:
    names = ("zero_direction", "quarter_direction", "axis_direction")
    rotation = np.column_stack([record[name] for name in names])
    origin = np.array(record["origin_mm"])
    length = float(np.linalg.norm(np.array(record["tip_mm"]) - origin))
    return ScrewFrame(RigidTransform(rotation, origin), length)


def _screw_from_dict(record: Record) -> Screw:
    whole = record["integrity"]
    return Screw(
        id=record["id"],
        side=record["side"],
        head_mm=np.array(record["frame"]["origin_mm"]),
        tip_mm=np.array(record["frame"]["tip_mm"]),
        major_diameter_mm=Measured.from_dict(record["major_diameter_mm"]),
        root_diameter_mm=real(record["root_diameter_mm"]),
        length_mm=Measured.from_dict(record["length_mm"]),
        diameter_source=record["diameter_source"],
        integrity=Integrity(
            whole["state"],
            real(whole["smallest_shown_mm"]),
            real(whole["at_depth_mm"]),
            Measured.from_dict(whole["interruption_mm"]),
            Measured.from_dict(whole["bend_deg"]),
        ),
        spec=ScrewSpec(
            id=record["id"],
            surface=record["surface"],
            thread=record.get("thread", "full"),
            thread_start_mm=real(record.get("thread_start_mm")),
            shank_diameter_mm=real(record.get("shank_diameter_mm")),
        ),
        cautions=Caution.from_codes(record["cautions"]),
    )


def _metal_to_dict(metal: OtherMetal) -> Record:
    return _scalars(metal) | {"points_mm": rows_of(metal.points_mm)}


def _metal_from_dict(record: Record) -> OtherMetal:
    return OtherMetal(
        record["kind"],
        array_of(record["points_mm"]).reshape(-1, 3),
        Measured.from_dict(record["length_mm"]),
        Measured.from_dict(record["diameter_mm"]),
    )


def _halo_to_dict(halo: Halo) -> Record:
    sides = {name: _side_to_dict(getattr(halo, name)) for name in ("whole", "head_side", "tip_side")}
    return sides | {"map": _map_to_dict(halo.map)}


def _halo_from_dict(record: Record) -> Halo:
    return Halo(
        map=_map_from_dict(record["map"]),
        whole=_side_from_dict(record["whole"]),
        head_side=_side_from_dict(record["head_side"]),
        tip_side=_side_from_dict(record["tip_side"]),
    )


def _side_to_dict(side: HaloSummary) -> Record:
    rim = {
        "present": side.rim.present,
        "thickness": side.rim.thickness_mm.as_dict(),
        "hu": side.rim.hu.as_dict(),
    }
    return _scalars(side) | {
        "rim": rim,
        "sector_mean_width": [sector.as_dict() for sector in side.sector_mean_width],
    }


def _side_from_dict(record: Record) -> HaloSummary:
    rim = record["rim"]
    values = {
        name: Measured.from_dict(value)
        for name, value in record.items()
        if isinstance(value, dict) and name != "rim"
    }
    sectors = tuple(Measured.from_dict(r) for r in record["sector_mean_width"])
    values.setdefault("sector_excess", _excess_of(sectors, values["mean_width"]))
    return HaloSummary(
        **values,
        rim=Rim(rim["present"], Measured.from_dict(rim["thickness"]), Measured.from_dict(rim["hu"])),
        shape=record["shape"],
        counting_area_mm2=real(record["counting_area_mm2"]),
        measured_share=real(record["measured_share"]),
        sector_mean_width=sectors,
    )


def _excess_of(sectors: Iterable[Measured], mean: Measured) -> Measured:
    """Return the excess that files before it was kept imply: with the uncertainty of the sector alone."""
    exact = Measured.of(mean.value, 0.0, Unit.MM, mean.cautions)
    return most_prominent((sector.less(exact) for sector in sectors), mean.cautions)


def _map_to_dict(halo_map: HaloMap) -> Record:
    return {
        "depth_mm": rows_of(halo_map.depth_mm),
        "angle_deg": rows_of(halo_map.angle_deg),
        "width_mm": rows_of(halo_map.width_mm),
        "u_mm": rows_of(halo_map.width_u_mm),
        "side": [[_SIDE_WORDS[cell] for cell in row] for row in halo_map.side],
        "cautions": [[list(Caution(int(cell)).codes) for cell in row] for row in halo_map.cautions],
    }


def _map_from_dict(record: Record) -> HaloMap:
    cautions = [[int(Caution.from_codes(cell)) for cell in row] for row in record["cautions"]]
    return HaloMap(
        array_of(record["depth_mm"]),
        array_of(record["angle_deg"]),
        array_of(record["width_mm"]),
        array_of(record["u_mm"]),
        np.array([[_SIDE_WORDS.index(cell) for cell in row] for row in record["side"]], dtype=np.int8),
        np.array(cautions, dtype=np.int64),
    )
