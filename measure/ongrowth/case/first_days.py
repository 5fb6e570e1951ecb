"""From a CT of the first days to the blur of its protocol, for the later CTs."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ongrowth.calibration import Calibration
from ongrowth.case.reading import Known, Tell, run_reading, silent
from ongrowth.casefile import CaseFile, told_weeks
from ongrowth.halo import Fitted, calibrate_on_first_days
from ongrowth.read import date_of
from ongrowth.reading import ImplantReading
from ongrowth.scan import Refused, Scan, refuse
from ongrowth.sentence import screw_words

_UNTIL_WEEKS = 10.0 / 7.0  # ten days: bone has not drawn back yet; project's choice
_HALO_MM = 0.2  # twice the play of a fresh bed: more is a halo all the same


@dataclass(frozen=True, eq=False)
class FirstDays:
    """A CT of a case from the first days: what it lends to the later ones.

    Parameters
    ----------
    path : Path
        Folder, zip or volume file.
    known : Known
        What is known beside it.
    tell : callable
        Told in words what is being done.
    """

    path: Path
    known: Known
    tell: Tell = silent

    @functools.cached_property
    def blur(self) -> Calibration | None:
        """Blur of its protocol, measured once it is asked for; None where it does not show it."""
        try:
            return run_first_days(self.path, self.known, self.tell)
        except Refused as error:
            self.tell(f"It lends no blur: {error.problems[0].text}")
            return None


def may_lend(weeks: float, to_weeks: float = math.nan) -> bool:
    """Whether a CT is of the first days, and so lends its blur to a later one.

    Parameters
    ----------
    weeks : float
        Its weeks since surgery; NaN: not told.
    to_weeks : float
        Those of the other CT.

    Examples
    --------
    >>> may_lend(0.3), may_lend(0.3, 5.0), may_lend(2.0, 5.0), may_lend(0.3, 0.3)
    (True, True, False, False)
    """
    return 0.0 <= weeks <= _UNTIL_WEEKS and not to_weeks <= weeks


def dated(case_file: CaseFile) -> CaseFile:
    """Return a case whose CTs bear the day that only their headers tell: which may lend hangs on it.

    Parameters
    ----------
    case_file : CaseFile
        The case.
    """
    surgery, scans = case_file.surgery.date, case_file.scan
    if surgery is None or len(scans) < 2:
        return case_file
    told = (
        one.model_copy(update={"date": date_of(one.path, series=one.series)})
        if math.isnan(told_weeks(one.weeks, surgery, one.date))
        else one
        for one in scans
    )
    return case_file.model_copy(update={"scan": tuple(told)})


def run_first_days(path: Path, known: Known, tell: Tell = silent) -> Calibration:
    """Return the blur of a CT, it being known that no screw has a halo; of several screws the best counts.

    Parameters
    ----------
    path : Path
        Folder, zip or volume file.
    known : Known
        What is known beside the CT.
    tell : callable
        Told in words what is being done.

    Raises
    ------
    Refused
        ``calibration-rod`` where there is no screw, ``calibration-halo`` where each has a halo all the
        same, or as `read_scan` and `measure_halo` do.
    """
    told: list[Calibration] = []

    def keep(scan: Scan, implant: ImplantReading, fitted: Fitted) -> None:
        if not _has_halo(implant):
            tell(f"Measuring the blur on {screw_words(implant.id)}")
            told.append(calibrate_on_first_days(fitted, scan, implant.screw, implant.frame))

    reading = run_reading(path, known, tell, keep)
    if not reading.implants:
        raise refuse(
            "calibration-rod",
            "No screw was found on this CT.",
            "Give a CT of the patient from the first days after surgery.",
        )
    if not told:
        raise refuse(
            "calibration-halo",
            "Every screw of this CT has a halo, so its blur is not told as by a CT of the first days.",
            "Give a CT of the first days, or calibrate the protocol on a rod in water.",
        )
    return min(told, key=lambda one: float(np.linalg.slogdet(one.covariance)[1]))


def _has_halo(implant: ImplantReading) -> bool:
    halo = implant.halo
    return any(getattr(halo, part).mean_width.low95 > _HALO_MM for part in halo.parts)
