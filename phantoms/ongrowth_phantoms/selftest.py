"""Phantoms through the whole chain at the user's own site: every figure beside its truth."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ongrowth.case import Known, run_reading
from ongrowth.casefile import parse_case_file
from ongrowth.quantity import Measured
from ongrowth.reading import ImplantReading, Reading
from ongrowth.scan import Refused, Scan
from ongrowth.screw import ScrewSpec
from ongrowth_phantoms.catalogue import PHANTOMS, Visit, case_file
from ongrowth_phantoms.scanner import scan_fast
from ongrowth_phantoms.series import write_dicom
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
from ongrowth_phantoms.truth import Truth, truth_of

CASES = ("even-halo", "no-halo", "one-sided", "crescent", "bridged", "child", "tilted", "two-screws")

# what counts as passed: the screw's place as a navigation user would ask, the width as one scan without
# calibration can give it; the share inside is that of a 95 % interval on few cases
LIMITS = {"axis direction": 0.2, "axis offset": 0.1, "head end": 0.5, "tip": 0.5, "mean width": 0.45}
INSIDE_AT_LEAST = 0.8


@dataclass(frozen=True, slots=True)
class Line:
    """One figure: what is true, what was read, and its interval (NaN where the chain gives none)."""

    case: str
    screw: str
    quantity: str
    unit: str
    truth: float
    value: float
    low95: float = math.nan
    high95: float = math.nan

    @property
    def error(self) -> float:
        """Read minus true; NaN if nothing was read."""
        return self.value - self.truth

    @property
    def is_inside(self) -> bool | None:
        """Whether the interval holds the truth; None without an interval."""
        if math.isnan(self.low95):
            return None
        slack = 1e-6 + 1e-6 * abs(self.truth)
        return self.low95 - slack <= self.truth <= self.high95 + slack


def run_selftest(
    cases: Sequence[str] = CASES,
    *,
    seed: int = 1,
    is_full: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[Line, ...]:
    """Draw, scan, write, read and measure named phantoms.

    Parameters
    ----------
    cases : sequence of str
        Names of `ongrowth_phantoms.catalogue.PHANTOMS`.
    seed : int
        Which invented patients.
    is_full : bool
        Use the polychromatic scanner (slower) instead of the fast one.
    tell : callable
        Told in words what is being done.
    """
    lines: list[Line] = []
    for name in cases:
        visit = PHANTOMS[name].visits(seed)[0]
        tell(f"{name}: {PHANTOMS[name].shows}")
        scan = _scan(visit, seed, is_full=is_full)
        with tempfile.TemporaryDirectory() as folder:
            lines += _measured(name, visit, write_dicom(scan, folder, weeks=visit.weeks))
    return tuple(lines)


def _scan(visit: Visit, seed: int, *, is_full: bool) -> Scan:
    if not is_full:
        return scan_fast(visit.scene, visit.protocol, seed=seed)
    fast = visit.protocol
    full = FullProtocol(
        size_mm=fast.size_mm, pixel_mm=fast.pixel_mm, slice_mm=fast.slice_mm, turn_deg=fast.turn_deg,
        tilt_deg=fast.tilt_deg,
    )  # fmt: skip
    return scan_full(visit.scene, full, seed=seed)


def _measured(name: str, visit: Visit, folder: Path) -> list[Line]:
    truths = [truth_of(visit.scene, k) for k in range(len(visit.scene.screws))]
    try:
        reading = run_reading(folder, Known(screws=(told_of(name, visit),), weeks=visit.weeks))
    except Refused as refused:
        return [Line(name, "", f"refused: {refused.problems[0].code}", "", math.nan, math.nan)]
    return [line for truth in truths for line in _compared(name, truth, reading)]


def told_of(name: str, visit: Visit) -> ScrewSpec:
    """Return what the case file of a phantom tells of its screws, which are alike."""
    return replace(parse_case_file(case_file(name, (visit,)), Path()).implant[0].spec(), id="", side="")


def _compared(name: str, truth: Truth, reading: Reading) -> Iterator[Line]:
    """Yield every figure of the screw that lies nearest to the true one."""
    if not reading.implants:
        yield Line(name, "", "mean width", "mm", truth.whole.mean_width_mm, math.nan)
        return
    one = min(
        reading.implants, key=lambda i: float(np.linalg.norm(i.screw.head_mm - np.array(truth.head_mm)))
    )
    yield from _place(name, truth, one)
    for side, true, read in (
        ("head", truth.head_side, one.halo.head_side),
        ("tip", truth.tip_side, one.halo.tip_side),
    ):
        yield _line(name, one, f"{side}-side mean width", "mm", true.mean_width_mm, read.mean_width)
        yield _line(name, one, f"{side}-side share over 1 mm", "1", true.share_over_1mm, read.share_over_1mm)
    if one.bridge is not None and truth.defect is not None:
        yield _line(name, one, "gap width", "mm", truth.defect.gap_width_mean_mm, one.bridge.gap_width_mean)
        yield _line(
            name, one, "bridged fraction", "1", truth.defect.bridged_fraction, one.bridge.bridged_fraction
        )


def _place(name: str, truth: Truth, one: ImplantReading) -> Iterator[Line]:
    axis = truth.axes[:, 2]
    found = np.asarray(one.screw.tip_mm) - np.asarray(one.screw.head_mm)
    cosine = float(found @ axis / np.linalg.norm(found))
    middle = (np.asarray(one.screw.tip_mm) + np.asarray(one.screw.head_mm)) / 2.0 - np.array(truth.head_mm)
    offset = float(np.linalg.norm(middle - axis * (middle @ axis)))
    yield Line(name, one.id, "axis direction", "deg", 0.0, math.degrees(math.acos(min(1.0, cosine))))
    yield Line(name, one.id, "axis offset", "mm", 0.0, offset)
    for end, true, read in (
        ("head end", truth.head_mm, one.screw.head_mm),
        ("tip", truth.tip_mm, one.screw.tip_mm),
    ):
        yield Line(name, one.id, end, "mm", 0.0, abs(float((np.asarray(read) - np.array(true)) @ axis)))


def _line(name: str, one: ImplantReading, quantity: str, unit: str, truth: float, read: Measured) -> Line:
    return Line(name, one.id, quantity, unit, truth, read.value, read.low95, read.high95)


def share_inside(lines: Sequence[Line]) -> float:
    """Return the share of 95 % intervals that hold the truth."""
    held = [line.is_inside for line in lines if line.is_inside is not None]
    return float(np.mean(held)) if held else math.nan


def failures(lines: Sequence[Line]) -> list[str]:
    """Return one sentence for everything that passed no limit; empty when all is well."""
    out = []
    for line in lines:
        limit = next((v for k, v in LIMITS.items() if line.quantity.endswith(k)), math.inf)
        if math.isnan(line.value) or abs(line.error) > limit:
            said = "nothing" if math.isnan(line.value) else f"{line.value:.2f}"
            out.append(
                f"{line.case}: {line.quantity} read {said} where {line.truth:.2f} {line.unit} is true."
            )
    share = share_inside(lines)
    if not share >= INSIDE_AT_LEAST:
        out.append(f"Only {100 * share:.0f} % of the 95 % intervals hold the truth.")
    return out


def table(lines: Sequence[Line]) -> str:
    """Return the figures as a plain table."""
    rows = [f"{'phantom':15} {'screw':8} {'quantity':27} {'true':>7} {'read':>7}  95 % interval"]
    for line in lines:
        between = "" if math.isnan(line.low95) else f"{line.low95:.2f} to {line.high95:.2f}"
        mark = "  outside" if line.is_inside is False else ""
        read = "  none" if math.isnan(line.value) else f"{line.value:7.2f}"
        unit = "" if line.unit in ("", "1") else f", {line.unit}"
        what = f"{line.case:15} {line.screw:8} {line.quantity + unit:27}"
        rows.append(f"{what} {line.truth:7.2f} {read:>7}  {between}{mark}".rstrip())
    return "\n".join(rows)
