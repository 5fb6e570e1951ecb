"""The answer in words: one sentence per screw, its lines, what the scan cannot tell, and when one would."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ongrowth.findings.lucency import line_result
from ongrowth.findings.windows import gravest
from ongrowth.quantity import Caution
from ongrowth.reading import Against, Finding, ImplantReading, ScanFacts, Summary
from ongrowth.scan import Level, Problem
from ongrowth.wording import say_short, side_words, weeks_words

LINES = ("whole", "head_side", "tip_side", "bridging", "metal")
HALO_LINES = LINES[:3]  # the whole shaft in place of its sides where no defect parts them

NOT_LOOKED_AT = (
    "disc",
    "facet joints",
    "other levels",
    "contact of screw and nerve",
    "soft tissue",
)

LYING = "Movement under load: the CT was taken lying still."
NO_EARLIER = "Growth of a halo or change of position: there is no earlier CT to compare with."
NOT_COMPARED = "Growth of a halo or change of position: the CTs of this case were not compared."
NO_PROOF = (  # 3 and 4 of 28 sides, docs/accuracy.md; 11 of 30 in a lot of cases before it
    "That there is no halo: in simulated scans (titanium, thin slices) one in nine to one in three of the "
    "halos of 0.7 to 1.5 mm were read below the detection limit."
)
NOT_SURELY_EVEN = (  # tuning half, screw found, blur free: docs/findings.md
    "That a halo is even: in simulated scans ten of twelve halos with a sector more than 0.3 mm wider than "
    "the mean read as even. Look at the unrolled halo."
)
CAUSE = "The cause of a lucency, where there is one."
WEEK_UNKNOWN = "Whether anything is usual for its time: the weeks since surgery are not known."

_LATER_WEEKS = (26.0, 52.0, 104.0)
THIN_SERIES_FIRST = "Ask for the thin series of this CT first: it costs no dose."
_THICK_MM = 2.0  # from here on the plane of the defect was seldom found within bounds on phantoms
_FIRST_DECIDING_WEEK = 14.0  # the end of the turn round week 12
_HALF = 0.5  # of the section: the most used mark of union, as in the table of windows
_MIN_INTERVAL_WEEKS = 8.0  # sooner, bone has hardly changed; common practice, no source

NO_SCREW = "No screw was measured on this CT."
BEFORE_SURGERY = (
    "This CT is from before surgery: there is no screw to measure. See ongrowth before for the gap."
)
SCREW_BEFORE_SURGERY = (
    "By its week or its dates this CT is from before surgery, yet a screw lies in it: nothing was measured. "
    "Check the week and the dates."
)

_LEFT_OUT = ("screw-not-found", "screw-cut-off", "screw-unclear")
COMPARED = ("width_growth", "migration", "interfragmentary_motion")  # quantities that need an earlier CT

_METAL = ("integrity", "migration", "interfragmentary_motion")
_BRIDGING = ("bridged_fraction", "gap_width_mean", "gap_width_max")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the answer.

    `key` is one of `LINES`; `main` the finding whose value is printed; `deciding` the one that decided
    the result; `result` where the line stands.
    """

    key: str
    main: Finding
    deciding: Finding
    result: Against
    findings: tuple[Finding, ...]


def line_of(key: str, implant: str, findings: Iterable[Finding]) -> Line | None:
    """Return one line of a screw's answer, or None where nothing speaks of it.

    Parameters
    ----------
    key : str
        Of `LINES`.
    implant : str
        Id of the screw.
    findings : iterable of Finding
        Of the whole scan.
    """
    own = tuple(f for f in findings if f.implant == implant and _belongs(key, f))
    if not own:
        return None
    result = line_result(own) if key in HALO_LINES else _result(own)
    main = next((f for f in own if f.quantity == _main_quantity(key)), own[0])
    deciding = next((f for f in (main, *own) if f.against_window is result), main)
    return Line(key, main, deciding, result, own)


def _belongs(key: str, finding: Finding) -> bool:
    if key == "metal":
        return finding.quantity in _METAL
    if key == "bridging":
        return finding.quantity in _BRIDGING
    return finding.site == key


def _main_quantity(key: str) -> str:
    return {"bridging": "bridged_fraction", "metal": "integrity"}.get(key, "mean_width")


def _result(findings: tuple[Finding, ...]) -> Against:
    """Return the gravest result; what is not measurable does not hide what is."""
    return gravest(f.against_window for f in findings if f.against_window is not Against.NOT_MEASURABLE)


def lines_of(implant: str, findings: Sequence[Finding]) -> tuple[Line, ...]:
    """Return the lines of a screw's answer, in the order of `LINES`.

    Parameters
    ----------
    implant : str
        Id of the screw.
    findings : sequence of Finding
        Of the whole scan.
    """
    lines = tuple(line for key in LINES if (line := line_of(key, implant, findings)) is not None)
    is_one = any(line.key == "whole" for line in lines)
    return tuple(line for line in lines if not (is_one and line.key.endswith("_side")))


_SENTENCE_ORDER = (Against.OUTSIDE, Against.UNDECIDED, Against.AS_EXPECTED, Against.NOT_MEASURABLE)

_SENTENCE_WORDS = {Against.OUTSIDE: "outside what is expected"}


def screw_sentence(implant: ImplantReading, findings: Sequence[Finding], weeks: float, site: str) -> str:
    """Return the answer on one screw as one sentence, the gravest first.

    Parameters
    ----------
    implant : ImplantReading
        The screw.
    findings : sequence of Finding
        Of the whole scan.
    weeks : float
        Weeks since surgery; NaN: not known.
    site : str
        Vertebra or bone, "" if not told.
    """
    lines = lines_of(implant.id, findings)
    groups = []
    for result in _SENTENCE_ORDER:
        names = _names([line for line in lines if line.result is result], site)
        if names:
            groups.append(f"{_listed(names)} {_SENTENCE_WORDS.get(result, result.value)}")
    return f"{screw_name(implant)}, {weeks_words(weeks)}: {'; '.join(groups)}."


def _names(lines: list[Line], site: str) -> list[str]:
    """Return what some lines are about; both sides of the halo become one name."""
    by_key = {line.key: line for line in lines}
    names = []
    if "whole" in by_key:
        names.append("halo along the whole shaft")
    elif "head_side" in by_key and "tip_side" in by_key:
        names.append("halo on both sides")
    else:
        names += [f"halo on the {side_words(key, site)}" for key in HALO_LINES if key in by_key]
    if "bridging" in by_key:
        names.append(_bridging_name(by_key["bridging"]))
    if "metal" in by_key:
        is_grave = by_key["metal"].result is Against.OUTSIDE  # broken or moved: told first
        names.insert(0 if is_grave else len(names), _metal_name(by_key["metal"]))
    return names


def _bridging_name(line: Line) -> str:
    value = line.main.value
    return f"bridging ({say_short(value)})" if value.is_known else "bridging"


def _metal_name(line: Line) -> str:
    states = [f.state for f in line.findings]
    moved = [f.quantity for f in line.findings if f.state == "moved"]
    if "interrupted" in states or "bent" in states:
        return f"metal ({'interrupted' if 'interrupted' in states else 'bent'})"
    if moved:
        bodies = {"migration": "screw", "interfragmentary_motion": "fragments"}
        return f"position ({' and '.join(word for name, word in bodies.items() if name in moved)} moved)"
    return "metal and position" if "not shown to have moved" in states else "metal"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def screw_name(implant: ImplantReading) -> str:
    """Return the printed name of a screw: its side, and its id where that says more.

    Parameters
    ----------
    implant : ImplantReading
        The screw.
    """
    name = implant.id.replace("-", " ").capitalize()
    if implant.side == "not established":
        return f"{name or 'Screw'} (side not established)"
    side = f"{implant.side.capitalize()} screw"
    return side if implant.id in ("", implant.side) else f"{side} ({implant.id})"


def next_scan_week(findings: Sequence[Finding], weeks: float) -> float:
    """Return the week at which a scan would decide what is open now; NaN where it would change nothing.

    Something outside its window, or nothing open, calls for no date: the clinician has the answer.
    """
    # An earlier CT decides a bent shaft, and the right size what hangs on a wrong one; not a later CT.
    results = [
        f.against_window
        for f in findings
        if f.state != "bent" and not _hangs_on(Caution.DIAMETER_DOUBTFUL | Caution.SCREW_BENT, f)
    ]
    if not weeks >= 0.0 or Against.OUTSIDE in results or Against.UNDECIDED not in results:
        return math.nan
    if weeks < _FIRST_DECIDING_WEEK - 2.0:
        return _FIRST_DECIDING_WEEK
    later = (week for week in _LATER_WEEKS if week - weeks >= _MIN_INTERVAL_WEEKS)
    return next(later, math.nan)


def left_out_words(scan: ScanFacts) -> tuple[str, ...]:
    """Return what is said of screws that are in the case, or in the CT, and not in the answer.

    Parameters
    ----------
    scan : ScanFacts
        The latest CT.
    """
    return tuple(p.text for p in scan.problems if p.code in _LEFT_OUT and p.level is Level.CAUTION)


def thin_series_words(scan: ScanFacts) -> tuple[str, ...]:
    """Return the advice that comes before any later CT where the slices are thick; none elsewhere.

    Parameters
    ----------
    scan : ScanFacts
        The latest CT.
    """
    is_thick = max(scan.voxel_mm[2], scan.slice_thickness_mm) >= _THICK_MM  # a thickness not stated is NaN
    return (THIN_SERIES_FIRST,) if is_thick else ()


def next_scan_words(week: float) -> str:
    """Return the sentence that names the week at which a further CT would decide something.

    Parameters
    ----------
    week : float
        As `next_scan_week` gives it, not NaN.
    """
    return (
        f"What is undecided now could be decided by a CT at about week {week:.0f}, "
        "if the clinician wants one at all."
    )


def no_scan_words(findings: Sequence[Finding], weeks: float) -> str:
    """Return why no week is named at which a further CT would decide something.

    Parameters
    ----------
    findings : sequence of Finding
        Of the whole scan.
    weeks : float
        Weeks since surgery; NaN: not known.
    """
    if math.isnan(weeks):
        return "No week can be named: the weeks since surgery are not known."
    if weeks < 0.0:
        return "Before surgery no week is named."
    if any(f.against_window is Against.OUTSIDE for f in findings):
        return "No week is named: something is outside what is expected already now."
    if any(_hangs_on(Caution.DIAMETER_DOUBTFUL, f) for f in findings):
        return "No week is named: the stated diameter of the screw has to be checked first."
    if any(_hangs_on(Caution.SCREW_BENT, f) for f in findings):
        return "No week is named: the shaft is bent, and a later CT of it would be measured no better."
    if any(_may_bridge(f) for f in findings):
        return (
            "Nothing measured here is undecided. No bridging is expected yet: a CT at about week "
            f"{_FIRST_DECIDING_WEEK:.0f} would tell more of it, if the clinician wants one at all."
        )
    return "Nothing here would be decided by a further CT at a later week."


def _hangs_on(why: Caution, finding: Finding) -> bool:
    """Whether a finding is undecided for what no later CT would change, as a wrong diameter."""
    return finding.against_window is Against.UNDECIDED and bool(finding.value.cautions & why)


def _may_bridge(finding: Finding) -> bool:
    """Whether a defect is open at a week at which no bridging is expected yet."""
    window = finding.window
    if finding.quantity != "bridged_fraction" or window is None or window.low > 0.0:
        return False
    return bool(finding.value.low95 < _HALF)


def answer(
    implants: Sequence[ImplantReading],
    findings: Sequence[Finding],
    scan: ScanFacts,
    site: str = "",
    *,
    n_scans: int = 1,
    compared: Sequence[Problem] = (),
) -> Summary:
    """Return the answer in words.

    Parameters
    ----------
    implants : sequence of ImplantReading
        Screws of the latest CT.
    findings : sequence of Finding
        All findings on it, those against earlier CTs among them.
    scan : ScanFacts
        The latest CT.
    site : str
        Vertebra or bone, for print.
    n_scans : int
        How many CTs the case has.
    compared : sequence of Problem
        What a reader must know of the comparisons with earlier CTs.
    """
    weeks = scan.weeks_since_surgery
    sentences = [screw_sentence(implant, findings, weeks, site) for implant in implants]
    sentences += left_out_words(scan)
    if not implants:
        sentences = [_why_no_screw(scan)]
    week = next_scan_week(findings, weeks)
    if not math.isnan(week):
        sentences += [*thin_series_words(scan), next_scan_words(week)]
    unknown = [WEEK_UNKNOWN] if math.isnan(weeks) else []
    open_points = [point for implant in implants for point in _open_points(implant, findings, site)]
    unproved = [NO_PROOF] if any(_shows_none(implant) for implant in implants) else []
    unproved += [NOT_SURELY_EVEN] if any(map(_may_be_uneven, findings)) else []
    comparison = [*_comparison(findings, n_scans), *_cautions(compared)]
    told = [*unknown, *open_points, *unproved, *comparison, *_cautions(scan.problems), LYING, CAUSE]
    return Summary(" ".join(sentences), week, tuple(dict.fromkeys(told)), NOT_LOOKED_AT)


def _shows_none(implant: ImplantReading) -> bool:
    """Whether a side, or the shaft that no defect parts, reads below what this scan would show."""
    halo = implant.halo
    parts = (halo.whole,) if implant.defect is None else (halo.head_side, halo.tip_side)
    return any(part.mean_width.value < part.detection_limit.value for part in parts)


def _may_be_uneven(finding: Finding) -> bool:
    """Whether a halo passed as even though the scan does not exclude that a sector is wider."""
    window = finding.window
    if finding.quantity != "sector_excess" or finding.state != "even" or window is None:
        return False
    return bool(finding.value.high95 > window.high)


def _why_no_screw(scan: ScanFacts) -> str:
    if any(problem.code == "screw-before-surgery" for problem in scan.problems):
        return SCREW_BEFORE_SURGERY
    return BEFORE_SURGERY if scan.weeks_since_surgery < 0.0 else NO_SCREW


def _comparison(findings: Sequence[Finding], n_scans: int) -> list[str]:
    """Return what is missing of a comparison with earlier CTs."""
    if any(f.quantity in COMPARED for f in findings):
        return []
    return [NO_EARLIER if n_scans == 1 else NOT_COMPARED]


def _open_points(implant: ImplantReading, findings: Sequence[Finding], site: str) -> list[str]:
    """Return what cannot be told on one screw, with the reason; growth also beside a halo as expected."""
    open_results = (Against.UNDECIDED, Against.NOT_MEASURABLE)
    lines = lines_of(implant.id, findings)
    deciding = [(line.key, line.deciding) for line in lines if line.result in open_results]
    growth = [
        (line.key, finding)
        for line in lines
        for finding in line.findings
        if finding.quantity == "width_growth" and finding.against_window is Against.NOT_MEASURABLE
    ]
    return [f"{screw_name(implant)}, {line_words(key, site)}: {f.why}" for key, f in (*deciding, *growth)]


def line_words(key: str, site: str) -> str:
    """Return the printed name of a line.

    Parameters
    ----------
    key : str
        Of `LINES`.
    site : str
        Vertebra or bone, "" if not told.
    """
    if key in HALO_LINES:
        return f"halo, {side_words(key, site)}"
    return {"bridging": "bridging", "metal": "metal and position"}[key]


def _cautions(problems: Sequence[Problem]) -> list[str]:
    return [f"{p.text} {p.advice}".strip() for p in problems if p.level is Level.CAUTION]
