"""A stand-in for measuring, to try a cohort in seconds: what was drawn, with the scatter of a measurement."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path

import numpy as np

from ongrowth.cohort import Job, Measurement
from ongrowth.quantity import COVERAGE_95
from ongrowth.reports.table import ScanColumns, TableRow
from ongrowth.scan import refuse

WIDTH_U_MM, BRIDGED_U = 0.08, 0.05


def measure_plan(job: Job, folder: Path) -> Measurement:  # noqa: ARG001  # as `measure_scan`
    """Return the widths and the bridged share of a visit written without images, with random errors added.

    Parameters
    ----------
    job : Job
        A scan whose file was written by `ongrowth_phantoms.clinic.write_clinic`.
    folder : Path
        Not used: there are no pictures.

    Raises
    ------
    Refused
        Code ``no-plan`` if the file is something else.
    """
    try:
        plan = json.loads(job.path.read_text(encoding="utf-8"))
        drawn = {name: float(plan[name]) for name in ("head_side_mm", "tip_side_mm", "bridged")}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise refuse(
            "no-plan", f"{job.path.name} holds no drawn visit.", "Write the clinic again."
        ) from error
    seed = int(hashlib.sha256(f"{job.case}/{job.scan}".encode()).hexdigest()[:12], 16)
    strayed = np.random.default_rng(seed).normal(0.0, 1.0, 3)
    rows = (
        _row("head_side", "mean_width", drawn["head_side_mm"] + WIDTH_U_MM * strayed[0], WIDTH_U_MM, "mm"),
        _row("tip_side", "mean_width", drawn["tip_side_mm"] + WIDTH_U_MM * strayed[1], WIDTH_U_MM, "mm"),
        _row("defect", "bridged_fraction", drawn["bridged"] + BRIDGED_U * strayed[2], BRIDGED_U, "1"),
    )
    columns = ScanColumns(job.weeks, "invented scanner", "sharp", "not stated", 120.0, 0.6, 0.35, "in-scan")
    return Measurement(columns, rows)


def _row(side: str, quantity: str, value: float, u: float, unit: str) -> TableRow:
    half = COVERAGE_95 * u
    return TableRow(
        implant="left",
        implant_side="left",
        surface="ha-coated",
        side=side,
        quantity=quantity,
        value=float(value),
        u95=half,
        low95=max(float(value) - half, 0.0),
        high95=float(value) + half,
        below_limit=math.nan,
        unit=unit,
        category="",
        against_window="",
        cautions="",
    )
