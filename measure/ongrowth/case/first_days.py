"""From a CT of the first days to the blur of its protocol."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ongrowth.calibration import Calibration
from ongrowth.case.reading import Tell, silent
from ongrowth.defect import find_defect
from ongrowth.frame import ScrewFrame
from ongrowth.halo import Fitted, calibrate_on_first_days, measure_halo
from ongrowth.read import read_scan
from ongrowth.scan import Problem, Scan, refuse
from ongrowth.screw import Metalwork, Screw, ScrewSpec, find_screws


def run_first_days(path: Path, spec: ScrewSpec, tell: Tell = silent) -> Calibration:
    """Measure the blur of a protocol on a CT of the first days, when no screw has a halo yet.

    Of several screws the one that tells the blur best counts.

    Parameters
    ----------
    path : Path
        Folder, zip or volume file.
    spec : ScrewSpec
        Sizes of the screws.
    tell : callable
        Told in words what is being done.

    Raises
    ------
    Refused
        ``calibration-rod`` where there is no screw, or as `read_scan` and `measure_halo` do.
    """
    scan = read_scan(path, progress=tell)
    tell("Finding the metal")
    metal = find_screws(scan, (spec,))
    if len(metal.screws) > 1:
        metal = find_screws(scan, (spec,) * len(metal.screws))
    if not metal.screws:
        raise refuse(
            "calibration-rod",
            "No screw was found on this CT.",
            "Give a CT of the patient from the first days after surgery.",
        )
    told = [_told_by(scan, screw, metal, tell) for screw in metal.screws]
    return min(told, key=lambda one: float(np.linalg.slogdet(one.covariance)[1]))


def _told_by(scan: Scan, screw: Screw, metal: Metalwork, tell: Tell) -> Calibration:
    tell(f"Measuring the blur on screw {screw.id}")
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    defect = find_defect(scan, screw, frame, metalwork=metal)
    fits: list[Fitted] = []
    measure_halo(scan, screw, frame, None if isinstance(defect, Problem) else defect, keep=fits.append)
    return calibrate_on_first_days(fits[0], scan, screw, frame)
