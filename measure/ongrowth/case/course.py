"""From a case file to its case: every CT in time, each compared with the first that shows the screw."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from ongrowth.case.compare import Comparison, Kept, compare, kept_comparison, surroundings
from ongrowth.case.first_days import FirstDays, dated, may_lend
from ongrowth.case.reading import Known, Tell, another_patient, run_reading, silent
from ongrowth.case.reuse import is_carried, made_from, reference_before, stamp_of, stamped, unchanged
from ongrowth.case.together import judged_together
from ongrowth.casefile import CaseFile, ScanEntry, correction_records, reader_values
from ongrowth.defect import DefectPlane, settles
from ongrowth.findings import (
    Windows,
    answer,
    beside_its_length,
    judge_changes,
    judge_motions,
    read_windows,
    shipped_windows,
)
from ongrowth.memory import give_back
from ongrowth.reading import Case, ComparisonNote, Finding, Patient, Reading, case_dose
from ongrowth.scan import Level, Problem, Refused, Scan, refuse
from ongrowth.wording import say_short

Keep = Callable[[Reading], object]
_TOLD_OF_EARLIER = ("screw-before-surgery", "week-mismatch", "diameter-differs")
_BY_ROLE = {"pre-op": -math.inf, "baseline": 0.0}
Refusals = list[tuple[str, tuple[Problem, ...]]]


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """One CT of the case as measured, or as an earlier run left it (`is_kept`: where its results stand).

    `around` is the CT round its screws, where it was read in this run.
    """

    entry: ScanEntry
    known: Known
    reading: Reading
    is_kept: bool
    around: Scan | None = None


def run_case(
    case_file: CaseFile,
    tell: Tell = silent,
    keep: Keep = lambda _: None,
    before: Case | None = None,
    begun: Sequence[Reading] = (),
) -> Case:
    """Measure every CT of a case and compare them; a scan that is refused does not stop the others.

    Parameters
    ----------
    case_file : CaseFile
        The case, its paths absolute.
    tell : callable
        Told in words what is being done.
    keep : callable
        Given each reading as soon as it is there, so that it can be written.
    before : Case, optional
        What an earlier run gave; what has not changed since is kept.
    begun : sequence of Reading
        What a run that was stopped had measured; what has not changed since is not measured again.

    Raises
    ------
    Refused
        If no scan of the case could be read; ``before-surgery`` if its dates put every CT with a screw
        before surgery.
    """
    refused: Refusals = []
    case_file = dated(case_file)
    taken = sorted(_take_all(case_file, before, begun, tell, keep, refused), key=_when)
    if not taken:
        raise Refused(*(problem for _, problems in refused for problem in problems))
    _must_be_after_surgery(taken)
    with_screw = _freed([one for one in taken if one.reading.implants], before, tell, keep)
    compared: list[Comparison] = []
    for k, one in enumerate(with_screw[1:], start=1):
        pair = _compared(with_screw[0], one, before, tell)
        with_screw[k] = _with_carried_defects(with_screw[0], one, pair, tell, keep)
        compared.append(pair)
        if k > 1:
            compared.append(_compared(with_screw[k - 1], with_screw[k], before, tell))
    final = _judged_together(case_file, [one.reading for one in with_screw], tell, keep)
    readings = tuple(final.get(one.reading.scan.id, one.reading) for one in taken)
    told = [pair.with_changes(final[pair.from_scan], final[pair.to_scan]) for pair in compared]
    return _case(case_file, readings, told, refused)


def _must_be_after_surgery(taken: Sequence[Taken]) -> None:
    """Refuse a case whose week or dates leave no CT in which its screws may lie."""
    early = [one for one in taken if one.entry.role != "pre-op" and _is_doubted(one.reading)]
    if early and not any(one.reading.implants for one in taken):
        text = "By its weeks or dates no CT of this case is from after surgery, yet screws lie in them."
        raise refuse("before-surgery", text, "Check the date of surgery, and the weeks and dates of the CTs.")


def _is_doubted(reading: Reading) -> bool:
    return any(problem.code == "screw-before-surgery" for problem in reading.scan.problems)


def _judged_together(
    case_file: CaseFile, readings: Sequence[Reading], tell: Tell, keep: Keep
) -> dict[str, Reading]:
    """Return the readings by the id of their CT, widths weighed together where CTs were made alike."""
    if len(readings) > 1:
        tell("Weighing the widths of all CTs together")
    judged = judged_together(readings, windows_of(case_file), case_file.patient.site)
    for before, after in zip(readings, judged, strict=True):
        if after is not before:
            keep(after)
    return {reading.scan.id: reading for reading in judged}


def _take_all(
    case_file: CaseFile,
    before: Case | None,
    begun: Sequence[Reading],
    tell: Tell,
    keep: Keep,
    refused: Refusals,
) -> Iterable[Taken]:
    lent = first_days_of(case_file, tell)
    names: dict[str, str] = {}
    for entry in case_file.scan:
        try:
            taken = _take(entry, known_of(case_file, entry, lent), before, begun, tell)
            _must_be_another(names.setdefault(taken.reading.provenance.input_digest, entry.name), entry.name)
        except Refused as error:
            refused.append((entry.name, error.problems))
            continue
        if not taken.is_kept:
            keep(taken.reading)
        yield taken


def _must_be_another(twin: str, name: str) -> None:
    """Refuse the images of another scan of the case: against itself a screw has never moved."""
    if twin != name:
        text = f"Scan {name} holds the same images as scan {twin}."
        raise refuse("same-images", text, "Give each CT once, each path its own CT.")


def _take(entry: ScanEntry, known: Known, before: Case | None, begun: Sequence[Reading], tell: Tell) -> Taken:
    made = made_from(entry.path, known)
    for readings, is_kept in ((before.readings if before else (), True), (begun, False)):
        stored = unchanged(readings, made, known)
        if stored is not None:
            tell(f"Scan {entry.name}: nothing has changed, its reading is kept")
            return Taken(entry, known, stored, is_kept)
    tell(f"Scan {entry.name}")
    return _measured(entry, known, made, tell)


def _measured(entry: ScanEntry, known: Known, made: str, tell: Tell) -> Taken:
    """Measure a CT, and keep of it what a comparison looks at: to read it again may take longer than that."""
    seen: list[Scan] = []
    reading = run_reading(entry.path, known, tell, keep=lambda scan, _implant, _fitted: seen.append(scan))
    around = surroundings(seen[0], reading) if seen else None
    seen.clear()
    give_back()  # the next CT comes on top of what is held
    return Taken(entry, known, stamped(reading, made), is_kept=False, around=around)


def _freed(with_screw: list[Taken], before: Case | None, tell: Tell, keep: Keep) -> list[Taken]:
    """Measure by themselves the CTs to which another reference, or another state of it, lent its planes."""
    if not with_screw:
        return []
    reference = with_screw[0]
    is_same = reference.is_kept and reference.reading.scan.id == reference_before(before)
    return [
        one if (is_same and one.is_kept) or not is_carried(one.reading) else _taken_anew(one, tell, keep)
        for one in with_screw
    ]


def _taken_anew(taken: Taken, tell: Tell, keep: Keep) -> Taken:
    tell(f"Scan {taken.entry.name}: its defect was carried over from a CT that has changed")
    anew = _measured(taken.entry, taken.known, made_from(taken.entry.path, taken.known), tell)
    keep(anew.reading)
    return anew


def _when(taken: Taken) -> float:
    """Return the week of a CT; where none is known its role tells whether it comes before the others."""
    weeks = taken.reading.scan.weeks_since_surgery
    return _BY_ROLE.get(taken.entry.role or "", math.inf) if math.isnan(weeks) else weeks


def _compared(earlier: Taken, later: Taken, before: Case | None, tell: Tell) -> Comparison:
    if earlier.is_kept and later.is_kept and before is not None:
        stored = kept_comparison(before, earlier.reading.scan.id, later.reading.scan.id)
        if stored is not None:
            return stored
    tell(f"Comparing {later.entry.name} with {earlier.entry.name}")
    then, now = (Kept(one.entry.path, one.reading, one.entry.series, one.around) for one in (earlier, later))
    return compare(then, now, tell)


def _with_carried_defects(reference: Taken, later: Taken, pair: Comparison, tell: Tell, keep: Keep) -> Taken:
    """Measure a CT again with the planes of the reference where it does not show the defect, or not well."""
    own = {one.id: one.defect for one in later.reading.implants}
    planes = {k: plane for k, plane in pair.carried.items() if k in own and _is_wanted(plane, own[k])}
    if not planes:
        return later
    tell(f"Measuring {later.entry.name} with the defect as {reference.entry.name} shows it")
    reading = run_reading(later.entry.path, replace(later.known, carried=planes), tell)
    again = replace(later, reading=stamped(reading, stamp_of(later.reading)))
    keep(again.reading)
    return again


def _is_wanted(carried: DefectPlane, own: DefectPlane | None) -> bool:
    return own is None or (own.how == "found" and settles(carried, own))


def first_days_of(case_file: CaseFile, tell: Tell = silent) -> tuple[FirstDays, ...]:
    """Return the CTs of a case that were made in the first days, as far as the case file tells when.

    Parameters
    ----------
    case_file : CaseFile
        The case.
    tell : callable
        Told in words what is being done.
    """
    every = ((entry.path, known_of(case_file, entry, ())) for entry in case_file.scan)
    return tuple(FirstDays(path, known, tell) for path, known in every if may_lend(known.told_weeks))


def windows_of(case_file: CaseFile) -> Windows:
    """Return the windows table a case is held against: its own, or the one shipped."""
    path = case_file.settings.windows
    return read_windows(path) if path else shipped_windows()


def known_of(case_file: CaseFile, scan: ScanEntry, lent: Sequence[FirstDays] | None = None) -> Known:
    """Return what a case file says of one of its scans.

    Parameters
    ----------
    case_file : CaseFile
        The case.
    scan : ScanEntry
        One of its scans.
    lent : sequence of FirstDays, optional
        CTs of the first days, to share what they tell; by default those of the case.
    """
    settings = case_file.settings
    preop = next((one for one in case_file.scan if one.role == "pre-op" and one is not scan), None)
    known = Known(
        screws=tuple(implant.spec() for implant in case_file.implant),
        series=scan.series,
        weeks=scan.weeks,
        surgery_date=case_file.surgery.date,
        scan_date=scan.date,
        site=case_file.patient.site,
        remark=case_file.patient.remark,
        birth_year=case_file.patient.birth_year,
        calibration=scan.calibration or settings.calibration,
        windows=windows_of(case_file),
        scan_id=scan.name,
        role=scan.role or "",
        corrections=correction_records(scan),
        readers=reader_values(scan),
        preop=preop.path if preop else None,
        preop_series=preop.series if preop else "",
        grafts=case_file.grafts,
    )
    every = first_days_of(case_file) if lent is None else lent
    earlier = tuple(one for one in every if may_lend(one.known.told_weeks, known.told_weeks))
    return replace(known, first_days=earlier)


def _case(
    case_file: CaseFile, readings: tuple[Reading, ...], compared: Sequence[Comparison], refused: Refusals
) -> Case:
    patient, last = case_file.patient, readings[-1]
    found = _of_earlier_length(last, readings)
    findings = (*found, *_change_findings(last, compared, windows_of(case_file)))
    of_last = (problem for pair in compared if pair.to_scan == last.scan.id for problem in pair.told)
    told = (*of_last, *_told_of_earlier(readings))
    return Case(
        patient=Patient(patient.id, patient.birth_year, patient.site, patient.remark),
        readings=readings,
        findings=findings,
        summary=answer(
            last.implants, findings, last.scan, patient.site, n_scans=len(readings), compared=told
        ),
        motions=tuple(record for pair in compared for record in pair.motions),
        new_bone=tuple(record for pair in compared for record in pair.new_bone),
        changes=tuple(record for pair in compared for record in pair.changes),
        refused=tuple(refused),
        dose_total=case_dose(readings),
        change_maps=tuple(one for pair in compared for one in pair.change_maps),
        overlays=tuple(one for pair in compared for one in pair.overlays),
        new_bone_cells=tuple(one for pair in compared for one in pair.new_bone_cells),
        notes=tuple(
            ComparisonNote(pair.from_scan, pair.to_scan, problem)
            for pair in compared
            for problem in pair.told
        ),
    )


def of_another_patient(readings: Sequence[Reading]) -> tuple[Problem, ...]:
    """Return the caution that CTs of a case bear another patient's number than the first that bears one.

    Parameters
    ----------
    readings : sequence of Reading
        CTs of one case.
    """
    numbered = [one for one in readings if one.source.patient_id]
    if not numbered:
        return ()
    first = numbered[0]
    return tuple(
        another_patient(f"CT {one.scan.id}", f"CT {first.scan.id}")
        for one in numbered[1:]
        if one.source.patient_id != first.source.patient_id
    )


def _told_of_earlier(readings: tuple[Reading, ...]) -> Iterable[Problem]:
    """Return what does not fit of CTs of a case; what the page tells of the latest alone is left out."""
    yield from of_another_patient(readings)
    for one in readings[:-1]:
        for problem in one.scan.problems:
            if problem.code in _TOLD_OF_EARLIER:
                yield replace(problem, text=f"CT {one.scan.id}: {problem.text}")
    for one, two in itertools.pairwise(readings):
        days = one.source.scan_date, two.source.scan_date
        if days[0] and days[1] and days[1] < days[0]:
            text = f"By its date CT {two.scan.id} was made before CT {one.scan.id}, by its week after it."
            yield Problem("order-mismatch", Level.CAUTION, text, "Check which CT is which, and the weeks.")


def _of_earlier_length(last: Reading, readings: Sequence[Reading]) -> Iterable[Finding]:
    """Return the findings on the last CT, that on a shaft much shorter than it was in doubt."""
    now = {implant.id: implant.screw.length_mm for implant in last.implants}
    then = {implant.id: (one, implant) for one in reversed(readings[:-1]) for implant in one.implants}
    for finding in last.findings:
        if finding.quantity == "integrity" and finding.implant in then:
            one, implant = then[finding.implant]
            was = implant.screw.length_mm
            told = f"it measured {say_short(was)} in scan {one.scan.id}"
            yield beside_its_length(finding, now[finding.implant], was, told)
        else:
            yield finding


def _change_findings(last: Reading, compared: Sequence[Comparison], windows: Windows) -> Iterable[Finding]:
    """Return the findings on the last CT against the reference and against the one before it."""
    weeks = last.scan.weeks_since_surgery
    for pair in compared:
        if pair.to_scan == last.scan.id:
            for implant in last.implants:
                motions = [m for m in pair.motions if m.implant == implant.id]
                changes = [c for c in pair.changes if c.implant == implant.id]
                yield from judge_motions(motions, weeks, windows, implant.surface)
                yield from judge_changes(changes, weeks, windows, implant.surface)
