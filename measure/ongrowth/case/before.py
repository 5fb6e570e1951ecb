"""Before surgery: from a CT without metal to gap, edges and bone of both sides. Order of steps, no more."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import ongrowth
from ongrowth.bridge import measure_open_gap
from ongrowth.case.reading import Known, Tell, scan_id, silent, source_of
from ongrowth.casefile import weeks_between
from ongrowth.defect import (
    OpenDefect,
    find_open_defects,
    find_open_defects_at,
    side_doubt,
    spongy_hu,
    unsure_note,
)
from ongrowth.findings import SCREW_IN_CT, Windows, answer_before, judge_graft
from ongrowth.read import read_scan
from ongrowth.reading import (
    DefectReading,
    Finding,
    Provenance,
    Reading,
    gather_facts,
    image_noise_hu,
    libraries,
    take_defect_cuts,
)
from ongrowth.scan import Level, Problem, Refused, Scan
from ongrowth.screw import find_metal

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a CT before surgery.

    Parameters
    ----------
    point_mm : tuple of float or None
        A place in or near a defect, patient mm (LPS); None: both sides are searched.
    side : str
        "left" or "right" to look at one side alone; "" for both.
    oedema : str
        Oedema signal on MRI: "present", "absent" or "unknown".
    """

    point_mm: Point | None = None
    side: str = ""
    oedema: str = "unknown"


def run_before(
    path: Path, question: Question | None = None, known: Known | None = None, tell: Tell = silent
) -> Reading:
    """Measure the defects of an arch before surgery.

    Parameters
    ----------
    path : Path
        Folder, zip or volume file.
    question : Question, optional
        Where to look, and what MRI showed.
    known : Known, optional
        What is known beside the scan.
    tell : callable
        Told in words what is being done.

    Returns
    -------
    Reading
        Its `defects` hold the sides on which a slit was found; its scan's problems say of the others.

    Raises
    ------
    Refused
        If the scan cannot serve, or shows more than one level and no point was given (``point-needed``).
    """
    question, known = question or Question(), known or Known()
    start = time.perf_counter()
    scan = read_scan(path, series=known.series, progress=tell)
    tell("Looking for slits across the arch")
    both = _find(scan, question)
    found = {side: one for side, one in both.items() if question.side in ("", side)}
    seen = {side: one for side, one in found.items() if isinstance(one, OpenDefect)}
    told = (*_with_screw(scan), *side_doubt(scan, both, question.point_mm))
    told += tuple(one for one in found.values() if isinstance(one, Problem))
    told += tuple(note for side, one in seen.items() for note in unsure_note(one.defect, _where(side)))
    tell("Measuring gap, edges and bone")
    defects = tuple(_read(scan, side, one) for side, one in seen.items())
    weeks = weeks_between(known.surgery_date, known.scan_date or scan.acquisition.date)
    noise_hu = image_noise_hu(scan, next(iter(seen.values())).frame) if seen else math.nan
    facts = gather_facts(scan, scan_id(path, known, scan), weeks, noise_hu, told, known.birth_year)
    findings = tuple(_graft(one, question.oedema, known.windows) for one in defects)
    reading = Reading(
        scan=facts,
        implants=(),
        findings=findings,
        summary=answer_before(defects, findings, told, known.site),
        provenance=Provenance(ongrowth.__version__, libraries(), _settings(question, known), scan.digest),
        defects=defects,
        source=source_of(scan, known),
    )
    wall_s = round(time.perf_counter() - start, 3)
    return replace(reading, provenance=replace(reading.provenance, wall_s=wall_s))


def _with_screw(scan: Scan) -> tuple[Problem, ...]:
    """Return the caution that a screw lies in the CT: it may be the wrong one."""
    try:
        metal = find_metal(scan)
    except Refused:  # no metal, as it should be
        return ()
    if all(piece.kind != "screw" for piece in metal):
        return ()
    text = "A screw lies in this CT: either it is not from before surgery, or other surgery came first."
    return (Problem(SCREW_IN_CT, Level.CAUTION, text, "See ongrowth check for a CT after surgery."),)


def _where(side: str) -> str:
    return f"on the {side} side" if side in ("left", "right") else "near the point"


def _find(scan: Scan, question: Question) -> dict[str, OpenDefect | Problem]:
    if question.point_mm is None:
        return find_open_defects(scan)
    return find_open_defects_at(scan, question.point_mm, question.side)


def _read(scan: Scan, side: str, found: OpenDefect) -> DefectReading:
    return DefectReading(
        side,
        measure_open_gap(scan, found.frame, found.defect),
        spongy_hu(scan, found.frame, found.defect),
        take_defect_cuts(scan, found.frame),
        np.stack([found.frame.origin_mm, found.frame.tip_mm]),
    )


def _graft(defect: DefectReading, oedema: str, windows: Windows) -> Finding:
    return judge_graft(defect.bridge.gap_width_mean_open, oedema, windows, defect.side)


def _settings(question: Question, known: Known) -> dict[str, object]:
    place = "searched" if question.point_mm is None else "given"
    return {"site": known.site, "oedema_signal": question.oedema, "point": place, "side": question.side}
