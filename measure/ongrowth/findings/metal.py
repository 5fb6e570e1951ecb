"""The metal against the windows: whole, where it was."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from ongrowth.findings.lucency import no_window_reason
from ongrowth.findings.windows import Windows, rows_for
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Against, ChangeRecord, Finding, MotionRecord, Window
from ongrowth.screw import Integrity, falls_short
from ongrowth.wording import say, with_unit

NONE_SHOWN = "No interruption is shown."
BENT_AXIS = "The shaft is bent; this was measured about a straight axis, so look at the cuts."
_CLEAR_GROWTH_MM = 0.5  # a comparison that cannot exclude this much growth decides nothing; project's choice


def judge_integrity(
    integrity: Integrity, weeks: float, windows: Windows, implant: str, surface: str
) -> Finding:
    """Say whether the shaft is shown whole; a break counts at any week, also an unknown one.

    Parameters
    ----------
    integrity : Integrity
        What was seen of the shaft.
    weeks : float
        Weeks since surgery; NaN: not known.
    windows : tuple of Window
        What is expected.
    implant, surface : str
        Id of the screw; its surface.
    """
    window = _row(windows, surface, "integrity", weeks)
    against, why = _integrity(integrity)
    return Finding(
        implant, "screw", "integrity", integrity.interruption_mm, window, against, why, integrity.state
    )


def _integrity(integrity: Integrity) -> tuple[Against, str]:
    if integrity.state == "interrupted":
        where, width = f"{integrity.at_depth_mm:.1f} mm from its head end", say(integrity.interruption_mm)
        if not integrity.interruption_mm.is_known:
            return Against.OUTSIDE, f"The shaft is interrupted {where}; how widely is {width}."
        return Against.OUTSIDE, f"The shaft is interrupted by {width}, {where}."
    if integrity.state == "bent":
        why = f"The shaft is bent: {say(integrity.bend_deg)}. An earlier CT would tell whether it always was."
        return Against.UNDECIDED, why
    if integrity.state == "not measurable":
        return Against.NOT_MEASURABLE, "This scan does not tell whether the shaft is whole."
    smallest = integrity.smallest_shown_mm
    missed = (
        f" An interruption of less than {with_unit(smallest, Unit.MM)} would not show."
        if smallest > 0.0
        else ""
    )
    return Against.AS_EXPECTED, f"{NONE_SHOWN}{missed}"


def beside_its_length(finding: Finding, length: Measured, full: Measured, told: str) -> Finding:
    """Return the finding on a shaft that may not be all there: whole it is not shown to be.

    Parameters
    ----------
    finding : Finding
        On integrity, as it would stand of a shaft of the right length.
    length, full : Measured
        Length of the shaft; what it should be.
    told : str
        What is known of that, "42.0 mm are stated" for example.
    """
    if finding.against_window is not Against.AS_EXPECTED or not falls_short(length, full):
        return finding
    why = f"The shaft measures {say(length)}; {told}. "
    why += "Part of it may be gone, or an end lies elsewhere: look at the cuts."
    return replace(finding, against_window=Against.UNDECIDED, why=why)


def beside_a_bent_axis(finding: Finding) -> Finding:
    """Return a finding on halo or defect of a bent screw: metal beside the axis passes for halo and bone.

    Parameters
    ----------
    finding : Finding
        As it would stand of a straight screw.
    """
    if finding.against_window is Against.NOT_MEASURABLE:
        return finding
    value = replace(finding.value, cautions=finding.value.cautions | Caution.SCREW_BENT)
    return replace(finding, value=value, against_window=Against.UNDECIDED, why=BENT_AXIS)


def judge_motions(
    motions: Iterable[MotionRecord], weeks: float, windows: Windows, surface: str
) -> tuple[Finding, ...]:
    """Return the findings on changes of position; motion beyond its uncertainty counts at any week.

    Parameters
    ----------
    motions : iterable of MotionRecord
        Motions between two CTs.
    weeks : float
        Weeks since surgery; NaN: not known.
    windows : tuple of Window
        What is expected.
    surface : str
        Surface of the screw.
    """
    return tuple(_judge_motion(motion, weeks, windows, surface) for motion in motions)


def _judge_motion(motion: MotionRecord, weeks: float, windows: Windows, surface: str) -> Finding:
    is_screw = motion.body == "screw"
    quantity = "migration" if is_screw else "interfragmentary_motion"
    value = motion.max_total_point_motion if is_screw else motion.total_translation
    against = {"moved": Against.OUTSIDE, "not shown to have moved": Against.AS_EXPECTED}.get(
        motion.state, Against.NOT_MEASURABLE
    )
    what = "screw" if is_screw else "tip-side fragment"
    why = f"The {what} against the {motion.relative_to} since scan {motion.from_scan}: {motion.state}"
    why += f", {say(value)}." if value.is_known else "."
    window = _row(windows, surface, quantity, weeks)
    site = "screw" if is_screw else "defect"
    told = (motion.state, motion.from_scan, motion.relative_to)
    return Finding(motion.implant, site, quantity, value, window, against, why, *told)


def judge_changes(
    changes: Iterable[ChangeRecord], weeks: float, windows: Windows, surface: str
) -> tuple[Finding, ...]:
    """Return the findings on growth of a halo between two scans.

    Parameters
    ----------
    changes : iterable of ChangeRecord
        Later less earlier, one record a side and quantity.
    weeks : float
        Weeks since surgery; NaN: not known.
    windows : tuple of Window
        What is expected.
    surface : str
        Surface of the screw.
    """
    widths = (change for change in changes if change.quantity == "mean_width")
    return tuple(_judge_growth(change, weeks, windows, surface) for change in widths)


def _judge_growth(change: ChangeRecord, weeks: float, windows: Windows, surface: str) -> Finding:
    window = _row(windows, surface, "width_growth", weeks, change.side)
    against, why = _growth(change, window, weeks)
    told = (change.state, change.from_scan)
    found = Finding(change.implant, change.side, "width_growth", change.value, window, against, why, *told)
    return beside_a_bent_axis(found) if Caution.SCREW_BENT in change.value.cautions else found


def _growth(change: ChangeRecord, window: Window | None, weeks: float) -> tuple[Against, str]:
    value = change.value
    if not value.is_known:
        return Against.NOT_MEASURABLE, f"The two scans cannot be compared: {value.cautions.words}."
    since = f"since scan {change.from_scan}: {say(value)}"
    if value.low95 > 0.0:
        if window is None:
            return Against.UNDECIDED, f"The halo has widened {since}. {no_window_reason(weeks)}"
        if window.beyond is Against.UNDECIDED:
            return Against.AS_EXPECTED, f"The halo has widened {since}. {window.meaning}"
        return Against.OUTSIDE, f"The halo has widened {since}. {window.meaning}"
    if value.high95 > _CLEAR_GROWTH_MM and (window is None or window.beyond is not Against.UNDECIDED):
        limit = with_unit(_CLEAR_GROWTH_MM, value.unit)
        if _is_of_two_protocols(value) and value.value < _CLEAR_GROWTH_MM:
            told = f"not told, as the CTs were not made alike; {limit} is not excluded"
            return Against.NOT_MEASURABLE, f"Growth since scan {change.from_scan}: {told}."
        return Against.UNDECIDED, f"Growth {since}: the comparison does not exclude {limit}."
    return Against.AS_EXPECTED, f"The halo is not shown to have grown {since}."


def _is_of_two_protocols(change: Measured) -> bool:
    """Whether nothing cancels in a difference: unless it shows growth it tells no more than the later CT."""
    return Caution.PROTOCOL_CHANGED in change.cautions


def _row(windows: Windows, surface: str, quantity: str, weeks: float, side: str = "any") -> Window | None:
    rows = rows_for(windows, surface, quantity, side, weeks)
    return rows[0] if rows else None
