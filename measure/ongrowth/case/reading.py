"""From a CT to its reading. Order of steps, nothing else."""

from __future__ import annotations

import datetime as dt
import math
import time
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

import ongrowth
from ongrowth.bridge import Bridge, measure_bridge
from ongrowth.calibration import Calibration, best_match, find_bank, find_calibration, unfit_note
from ongrowth.casefile import scan_name, told_weeks, week_mismatch
from ongrowth.correction import ScrewCorrection, corrected_screw, corrections_of, unused_corrections
from ongrowth.cortex import tip_to_cortex
from ongrowth.defect import (
    DefectPlane,
    carry_defect,
    find_defect,
    given_defect,
    same_plane,
    settles,
    unsure_note,
)
from ongrowth.findings import Windows, answer, beside_its_length, judge, shipped_windows
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.halo import (
    Fitted,
    Halo,
    HaloSettings,
    Planted,
    look_ahead,
    measure_halo,
    plant,
    weigh_by_bank,
    weigh_screws,
)
from ongrowth.quantity import Measured, Unit
from ongrowth.read import read_scan
from ongrowth.reading import (
    CorrectionRecord,
    Finding,
    ImplantReading,
    Provenance,
    ReaderValue,
    Reading,
    ScanFacts,
    Source,
    WouldShow,
    gather_facts,
    image_noise_hu,
    libraries,
    take_cuts,
    take_limits,
    take_predictions,
    take_profiles,
    with_controls,
    with_halo,
)
from ongrowth.scan import Level, Problem, Refused, Scan
from ongrowth.screw import Metalwork, Screw, ScrewSpec, find_metal, find_screws
from ongrowth.sentence import screw_words
from ongrowth.wording import say_short

Tell = Callable[[str], None]
Keep = Callable[[Scan, ImplantReading, Fitted], object]


class Lender(Protocol):
    """Another CT of the case, whose blur serves where no calibration is given."""

    @property
    def path(self) -> Path:
        """Where it lies."""

    @property
    def known(self) -> Known:
        """What is known beside it."""

    @property
    def blur(self) -> Calibration | None:
        """Blur of its protocol; None where it does not show it."""


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known beside the scan itself.

    Parameters
    ----------
    screws : tuple of ScrewSpec
        Screws of the case; a single one without name and side stands for every screw of the scan.
    series : str
        Number or UID of the series to measure; by default the one best for it.
    weeks : float
        Weeks since surgery; NaN: from the dates.
    surgery_date, scan_date : date or None
        Days of surgery and, where the header's is not to be used, of the scan.
    site, remark : str
        Vertebra or bone, and a remark under the heading, for print.
    birth_year : int or None
        For the dose factor.
    defect : Plane or None
        Defect plane given by the user, patient mm (LPS).
    calibration : Path or None
        Calibration or bank of blurs: file, or folder of them.
    windows : tuple of Window
        Windows table.
    scan_id : str
        Id of the scan; by default the name of its path.
    role : str
        "pre-op", "baseline", "follow-up" or "": no screw is looked for before surgery.
    preop : Path or None
        CT from before surgery, to place the defect where this CT does not show it.
    preop_series : str
        Number or UID of its series; by default the one best for measuring.
    carried : mapping of str to DefectPlane
        By the id of the screw: planes carried over from another CT of the case, used where this CT
        does not show the defect.
    corrections : tuple of CorrectionRecord
        By hand, in the order they were made; carried into the reading.
    readers : tuple of ReaderValue
        Readers' own values, carried into the reading.
    first_days : tuple of Lender
        CTs of the case from the first days: one of the same protocol lends its blur where no
        calibration is given.
    grafts : tuple of (str, str)
        Side of a defect and the graft laid into it.
    would_show : bool
        Plant halos in the image and tell how often they would be found (some seconds a screw).
    """

    screws: tuple[ScrewSpec, ...] = ()
    series: str = ""
    weeks: float = math.nan
    surgery_date: dt.date | None = None
    scan_date: dt.date | None = None
    site: str = ""
    remark: str = ""
    birth_year: int | None = None
    defect: Plane | None = None
    calibration: Path | None = None
    windows: Windows = field(default_factory=shipped_windows)
    scan_id: str = ""
    role: str = ""
    preop: Path | None = None
    preop_series: str = ""
    carried: Mapping[str, DefectPlane] = field(default_factory=dict)
    corrections: tuple[CorrectionRecord, ...] = ()
    readers: tuple[ReaderValue, ...] = ()
    first_days: tuple[Lender, ...] = ()
    grafts: tuple[tuple[str, str], ...] = ()
    would_show: bool = False

    @property
    def told_weeks(self) -> float:
        """Weeks since surgery as told beside the scan; NaN: the header must tell."""
        return told_weeks(self.weeks, self.surgery_date, self.scan_date)

    def corrected(self, screw: str) -> ScrewCorrection:
        """Return what holds of a screw after all corrections."""
        held = corrections_of((made.what, made.to) for made in self.corrections)
        return held.get(screw, ScrewCorrection())


def silent(_: str) -> None:
    """Tell nobody."""


def no_keep(_scan: Scan, _implant: ImplantReading, _fitted: Fitted) -> None:
    """Keep nothing."""


def run_reading(path: Path, known: Known | None = None, tell: Tell = silent, keep: Keep = no_keep) -> Reading:
    """Measure everything on one CT.

    Parameters
    ----------
    path : Path
        Folder, zip or volume file.
    known : Known, optional
        What is known beside the scan.
    tell : callable
        Told in words what is being done.
    keep : callable
        Given the scan, each screw as measured, and the fit of its halo.

    Raises
    ------
    Refused
        If the scan cannot serve.
    """
    known = known or Known()
    start = time.perf_counter()
    scan = read_scan(path, series=known.series, progress=tell)
    tell("Finding the metal")
    metal = _metal_of(scan, known)
    known, before = _with_planes_before(scan, metal, known, tell)
    fits = _weighed([_fit(scan, screw, metal, known, tell) for screw in metal.screws], tell)
    fits = _beside_bank(fits, scan, known)
    read = [_read_implant(scan, fit, known, tell, keep) for fit in fits]
    implants = with_controls([implant for implant, _ in read])
    of_screws = (problem for _, problems in read for problem in problems)
    unfit = unfit_note(known.calibration, scan.acquisition) if implants else ()
    told = (*metal.problems, *before, *of_screws, *unfit, *_grafted(known, implants))
    tell("Holding the figures against their windows")
    reading = _reading(path, scan, implants, told, known)
    wall_s = round(time.perf_counter() - start, 3)
    return replace(reading, other_metal=metal.other, provenance=replace(reading.provenance, wall_s=wall_s))


def _grafted(known: Known, implants: Sequence[ImplantReading]) -> tuple[Problem, ...]:
    """Return the caution that what bridges a defect may be the graft laid into it."""
    seen = {implant.side for implant in implants if implant.bridge is not None}
    return tuple(
        Problem(
            "graft-stated",
            Level.CAUTION,
            f"A graft ({graft}) was laid into the defect, {side}: what bridges it may be the graft itself.",
        )
        for side, graft in known.grafts
        if {side, "not established"} & seen
    )


def _metal_of(scan: Scan, known: Known) -> Metalwork:
    """Find the screws; before surgery none is measured, and one that lies there all the same is told."""
    if not _is_before_surgery(known, scan):
        return _corrected(find_screws(scan, known.screws), known)
    try:
        metal = find_metal(scan)
    except Refused:  # no metal, as it should be
        return Metalwork(())
    other = tuple(piece for piece in metal if piece.kind != "screw")
    return Metalwork((), other, () if other == metal else (_SCREW_BEFORE_SURGERY,))


_SCREW_BEFORE_SURGERY = Problem(
    "screw-before-surgery",
    Level.CAUTION,
    "A screw lies in this CT, though its week or its dates say that it is from before surgery.",
    "Check the week, the date of surgery and the role of the scan.",
)


def _is_before_surgery(known: Known, scan: Scan) -> bool:
    return known.role == "pre-op" or _weeks(known, scan) < 0.0


def _corrected(metal: Metalwork, known: Known) -> Metalwork:
    """Return the screws with the ends set by hand, and what a reader must know about them."""
    made = [corrected_screw(screw, known.corrected(screw.id)) for screw in metal.screws]
    told = [problem for _, problems in made for problem in problems]
    told += unused_corrections((one.what for one in known.corrections), [s.id for s in metal.screws])
    return replace(metal, screws=tuple(screw for screw, _ in made), problems=(*metal.problems, *told))


def _calibration(scan: Scan, known: Known) -> Calibration | None:
    """Return what tells the blur beside the scan: a calibration given, or a CT of the first days."""
    given = find_calibration(known.calibration, scan.acquisition)
    if given is not None:
        return given
    lent = [one.blur for one in known.first_days]
    return best_match([blur for blur in lent if blur is not None], scan.acquisition)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """The halo of one screw as fitted, and what it was fitted with."""

    screw: Screw
    frame: ScrewFrame
    defect: DefectPlane | None
    told: tuple[Problem, ...]
    calibration: Calibration | None
    halo: Halo
    fitted: Fitted


def _fit(scan: Scan, screw: Screw, metal: Metalwork, known: Known, tell: Tell) -> _Fit:
    """Find the defect across a screw, and fit its halo."""
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    tell(f"Looking for the defect across {screw_words(screw.id)}")
    defect, told = _defect(scan, screw, frame, metal, known)
    calibration = _calibration(scan, known)
    tell(f"Measuring the halo of {screw_words(screw.id)}")
    settings = HaloSettings(left_out=known.corrected(screw.id).left_out)
    fits: list[Fitted] = []
    halo = measure_halo(scan, screw, frame, defect, calibration, settings, keep=fits.append)
    return _Fit(screw, frame, defect, told, calibration, halo, fits[0])


def _weighed(fits: list[_Fit], tell: Tell) -> list[_Fit]:
    """Where nothing else tells the blur, weigh the widths of all screws by the blur they have in common."""
    if len(fits) < 2 or any(one.calibration is not None for one in fits):
        return fits
    tell("Weighing the widths of all screws together")
    halos = weigh_screws([one.halo for one in fits])
    return [replace(one, halo=halo) for one, halo in zip(fits, halos, strict=True)]


def _beside_bank(fits: list[_Fit], scan: Scan, known: Known) -> list[_Fit]:
    """Where nothing else tells the blur, weigh the widths by what CTs of other patients told of it."""
    bank = find_bank(known.calibration, scan.acquisition)
    if bank is None or any(one.calibration is not None for one in fits):
        return fits
    others = bank.beside(scan.digest)
    return [replace(one, halo=weigh_by_bank(one.halo, others, scan.nominal_slice_mm)) for one in fits]


def _read_implant(
    scan: Scan, fit: _Fit, known: Known, tell: Tell, keep: Keep
) -> tuple[ImplantReading, tuple[Problem, ...]]:
    """Measure the rest of one screw; also what a reader must know about how."""
    screw, frame, defect, halo = fit.screw, fit.frame, fit.defect, fit.halo
    is_calibrated = fit.calibration is not None
    ahead = look_ahead(fit.fitted, halo, frame, scan.nominal_slice_mm, is_calibrated=is_calibrated)
    tell(f"Measuring what bridges the defect at {screw_words(screw.id)}")
    planted: tuple[Planted, ...] = ()
    if known.would_show:
        tell(f"Planting halos round {screw_words(screw.id)}")
        planted = plant(fit.fitted, halo, frame)
    bridge = measure_bridge(scan, screw, frame, defect, lucent_mm=_lucent_mm(halo)) if defect else None
    reading = ImplantReading(
        id=screw.id,
        side=screw.side,
        surface=screw.spec.surface,
        frame=frame,
        screw=screw,
        halo=halo,
        defect=defect,
        bridge=bridge,
        tip_to_cortex_mm=tip_to_cortex(scan, frame),
        limits=take_limits(scan, screw, halo),
        predicted=take_predictions(ahead),
        would_show=tuple(WouldShow(p.width_mm, p.shape, p.side, p.found_share) for p in planted),
        cuts=take_cuts(scan, frame, halo),
        profiles=take_profiles(scan, frame, halo, screw.major_diameter_mm.value / 2.0),
    )
    keep(scan, reading, fit.fitted)
    return reading, (*fit.told, *_whole_note(screw, bridge))


def _lucent_mm(halo: Halo) -> tuple[float, float]:
    """Return how wide the halo is on the head side and on the tip side; 0 where it is not known."""
    widths = (halo.head_side.mean_width, halo.tip_side.mean_width)
    head, tip = (max(0.0, width.value) if width.is_known else 0.0 for width in widths)
    return head, tip


def _with_planes_before(
    scan: Scan, metal: Metalwork, known: Known, tell: Tell
) -> tuple[Known, tuple[Problem, ...]]:
    """Return what is known, with the planes of the CT before surgery; and why there is none."""
    if known.preop is None or known.defect is not None or not metal.screws:
        return known, ()
    tell("Carrying the defect over from the CT before surgery")
    try:
        earlier = read_scan(known.preop, series=known.preop_series, progress=tell)
    except Refused as error:
        return known, (_not_read(error),)
    found = {
        screw.id: carry_defect(scan, earlier, ScrewFrame.of(screw.head_mm, screw.tip_mm))
        for screw in metal.screws
    }
    planes = {name: plane for name, plane in found.items() if not isinstance(plane, Problem)}
    told = tuple(dict.fromkeys(one for one in found.values() if isinstance(one, Problem)))
    numbers = scan.acquisition.patient_id, earlier.acquisition.patient_id
    if all(numbers) and numbers[0] != numbers[1]:
        told = (another_patient("the CT before surgery", "this CT"), *told)
    return replace(known, carried={**known.carried, **planes}), told


def another_patient(one: str, other: str) -> Problem:
    """Return the caution that the headers of two CTs bear different patients' numbers.

    Parameters
    ----------
    one, other : str
        How they are called.
    """
    text = f"By its header {one} is of another patient than {other}."
    return Problem(
        "another-patient", Level.CAUTION, text, "Check the path: what is compared must be of one patient."
    )


def _not_read(error: Refused) -> Problem:
    why = " ".join(problem.text for problem in error.problems)
    text = f"The CT from before surgery cannot serve, no defect is carried over from it. {why}"
    return Problem("preop-not-read", Level.CAUTION, text, error.problems[0].advice)


def _defect(
    scan: Scan, screw: Screw, frame: ScrewFrame, metal: Metalwork, known: Known
) -> tuple[DefectPlane | None, tuple[Problem, ...]]:
    """Return the plane given, found or carried over, or none with the reason."""
    given = known.corrected(screw.id).defect or known.defect
    if given is not None:
        return given_defect(given.point_mm, given.normal, frame), ()
    found = find_defect(scan, screw, frame, metalwork=metal)
    carried = known.carried.get(screw.id)
    if isinstance(found, Problem):
        if carried is None:
            return None, (found,)
        seen = f"No slit crosses the bone round {screw_words(screw.id)}"
        return carried, (
            _carried_note(carried, seen, "Bone may have bridged the whole section: look at the cuts."),
        )
    if carried is not None and carried.how == "pre-op" and not same_plane(found, carried):
        return carried, (_elsewhere(screw), *unsure_note(carried, f"at {screw_words(screw.id)}"))
    if carried is not None and settles(carried, found):
        seen = f"This CT does not settle the plane of the defect at {screw_words(screw.id)}"
        return carried, (_carried_note(carried, seen, "Look whether both faces follow the slit."),)
    return found, unsure_note(found, f"at {screw_words(screw.id)}")


def _carried_note(carried: DefectPlane, seen: str, look: str) -> Problem:
    source = "the CT before surgery" if carried.how == "pre-op" else "another CT of this case"
    return Problem("defect-carried", Level.NOTE, f"{seen}; the plane was carried over from {source}.", look)


def _elsewhere(screw: Screw) -> Problem:
    return Problem(
        "defect-elsewhere",
        Level.CAUTION,
        f"A slit crosses the bone round {screw_words(screw.id)}, "
        "but not where the CT before surgery shows the defect; the plane of that CT was used.",
        "Look at the cuts: it may be a joint, a crack, or a fracture.",
    )


_WHOLE = 0.9  # project's choice
_SURELY = 0.75  # lowest share of the published category "complete"
_USED = {
    "given": "the given plane",
    "pre-op": "the plane of the CT before surgery",
    "carried": "the plane of another CT of this case",
}


def _whole_note(screw: Screw, bridge: Bridge | None) -> tuple[Problem, ...]:
    """Say that a plane which was not found in this scan is bridged all over."""
    if bridge is None or bridge.defect.how == "found":
        return ()
    share = bridge.bridged_fraction
    if not (share.value > _WHOLE and share.low95 > _SURELY):
        return ()
    where = f"Bone has bridged the whole section at {screw_words(screw.id)}"
    text = f"{where}: the plane is not seen, {_USED[bridge.defect.how]} was used."
    return (Problem("section-bridged", Level.NOTE, text, "Look at the cut along the screw."),)


def _judge(implants: Sequence[ImplantReading], weeks: float, windows: Windows) -> tuple[Finding, ...]:
    return tuple(
        finding
        for one in implants
        for finding in judge(
            one.halo,
            weeks,
            windows,
            implant=one.id,
            surface=one.surface,
            bridge=one.bridge,
            integrity=one.screw.integrity,
        )
    )


def _of_stated_length(
    findings: tuple[Finding, ...], implants: Sequence[ImplantReading]
) -> tuple[Finding, ...]:
    """Return the findings, that on a shaft much shorter than stated in doubt."""
    screws = {one.id: one.screw for one in implants if math.isfinite(one.screw.spec.length_mm)}

    def judged(finding: Finding) -> Finding:
        screw = screws.get(finding.implant)
        if screw is None or finding.quantity != "integrity":
            return finding
        stated = Measured.of(screw.spec.length_mm, 0.0, Unit.MM)
        return beside_its_length(finding, screw.length_mm, stated, f"{say_short(stated)} are stated")

    return tuple(map(judged, findings))


def _reading(
    path: Path, scan: Scan, implants: tuple[ImplantReading, ...], told: tuple[Problem, ...], known: Known
) -> Reading:
    weeks = _weeks(known, scan)
    mismatch = week_mismatch(weeks, known.surgery_date, known.scan_date, scan.acquisition.date)
    problems = (*told, *((mismatch,) if mismatch else ()))
    noise_hu = image_noise_hu(scan, implants[0].frame) if implants else math.nan
    facts = gather_facts(scan, scan_id(path, known, scan), weeks, noise_hu, problems, known.birth_year)
    facts = _with_blur(facts, implants)
    findings = _of_stated_length(_judge(implants, weeks, known.windows), implants)
    return Reading(
        scan=facts,
        implants=implants,
        findings=findings,
        summary=answer(implants, findings, facts, known.site),
        provenance=Provenance(ongrowth.__version__, libraries(), _settings(known), scan.digest),
        source=source_of(scan, known),
        corrections=known.corrections,
        readers=known.readers,
    )


def with_halos(reading: Reading, halos: Mapping[str, Halo], windows: Windows, site: str) -> Reading:
    """Return a reading with other widths of its screws, and with all that follows from them.

    Parameters
    ----------
    reading : Reading
        As measured.
    halos : mapping of str to Halo
        By the id of the screw.
    windows : tuple of Window
        Windows table.
    site : str
        Vertebra or bone, for print.
    """
    implants = with_controls([with_halo(one, halos[one.id]) for one in reading.implants])
    facts = _with_blur(reading.scan, implants)
    metal = {
        f.implant: f for f in reading.findings if f.quantity == "integrity"
    }  # a halo changes nothing of it
    judged = _judge(implants, facts.weeks_since_surgery, windows)
    findings = tuple(metal.get(f.implant, f) if f.quantity == "integrity" else f for f in judged)
    summary = answer(implants, findings, facts, site)
    return replace(reading, scan=facts, implants=implants, findings=findings, summary=summary)


def _with_blur(facts: ScanFacts, implants: tuple[ImplantReading, ...]) -> ScanFacts:
    """Return the facts with the blur as the first screw showed it."""
    blur = implants[0].halo.blur if implants else None
    if blur is None:
        return facts
    return replace(
        facts,
        blur_in_plane_mm=blur.in_plane_mm,
        blur_through_plane_mm=blur.through_plane_mm,
        blur_source=blur.source,
    )


def _weeks(known: Known, scan: Scan) -> float:
    return told_weeks(known.told_weeks, known.surgery_date, scan.acquisition.date)


def scan_id(path: Path, known: Known, scan: Scan) -> str:
    """Return the scan's id; digits of its digest where it would bear the patient's name or number."""
    lent = scan_name(path)
    name = known.scan_id or lent
    made = scan.acquisition
    has_number = len(made.patient_id) > 2 and made.patient_id.lower() in name.lower()
    # letters that do not suit a folder are gone from the name: with them it may be the patient's
    whole = unicodedata.normalize("NFC", path.name) if name == lent else name
    is_telling = has_number or any(made.printable(text) != text for text in (name, whole))
    return f"scan-{scan.digest[:8]}" if is_telling else name


def _settings(known: Known) -> dict[str, Any]:
    return {
        "site": known.site,
        "remark": known.remark,
        "surfaces": sorted({spec.surface for spec in known.screws}),
        "defect": "given" if known.defect else "pre-op" if known.preop else "found",
        "calibration": known.calibration.name if known.calibration else None,
        "windows": "shipped" if known.windows == shipped_windows() else "own",
    }


def source_of(scan: Scan, known: Known) -> Source:
    """Return what identifies a CT, for the private file."""
    made = scan.acquisition
    return Source(
        tuple(str(Path(name).absolute()) for name in scan.source_files),
        made.series_uid,
        made.study_uid,
        made.frame_of_reference_uid,
        made.patient_id,
        known.scan_date or made.date,
        known.surgery_date,
        dt.datetime.now(dt.UTC).astimezone().isoformat(timespec="seconds"),
    )
