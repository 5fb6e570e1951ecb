"""Blurs told by CTs of other patients, on phantoms seen through one sharp kernel: against their truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ongrowth.calibration import PatientBlurs
from ongrowth.halo import Halo, measure_halo, told_blur, weigh_by_bank
from ongrowth_phantoms.grid import phantom_of, slice_cases
from ongrowth_phantoms.grid.measure import ARMS, place_of
from ongrowth_phantoms.grid.phantom import Phantom

WIDTHS_MM = (0.0, 1.2, 0.8)
SIDES = ("head_side", "tip_side")


@pytest.fixture(scope="module")
def alone() -> list[tuple[Phantom, Halo]]:
    """Three patients, of whom the first has no halo; each measured by itself."""
    common = replace(slice_cases()[0], sharpness="edge", fwhm_mm=0.65, edge=1.6)
    out = []
    for n, width_mm in enumerate(WIDTHS_MM):
        case = replace(
            common, id=f"bank-{n}", seed=31 + n, shape="even" if width_mm else "none",
            head_mean_mm=width_mm, tip_mean_mm=width_mm,
        )  # fmt: skip
        phantom = phantom_of(case)
        at = place_of(case, ARMS["found, free"], phantom)
        out.append((phantom, measure_halo(phantom.scan, at.screw, at.frame, at.defect)))
    return out


@pytest.fixture(scope="module")
def beside(alone: list[tuple[Phantom, Halo]]) -> list[Halo]:
    """The same, each weighed by what the two others tell."""
    patients = []
    for phantom, halo in alone:
        blur = told_blur(halo, phantom.scan.nominal_slice_mm)
        assert blur is not None
        patients.append(PatientBlurs((phantom.scan.digest,), (blur,)))
    return [
        weigh_by_bank(halo, patients[:n] + patients[n + 1 :], phantom.scan.nominal_slice_mm)
        for n, (phantom, halo) in enumerate(alone)
    ]


@pytest.mark.slow
def test_others_settle_whether_a_sharp_kernel_or_a_halo_is_seen(
    alone: list[tuple[Phantom, Halo]], beside: list[Halo]
) -> None:
    """Without a halo its own image allows one of a millimetre; not with the blur that others saw."""
    for side in SIDES:
        before, after = (getattr(halo, side).mean_width for halo in (alone[0][1], beside[0]))
        assert before.high95 > 0.8
        assert after.high95 < 0.7 * before.high95
        assert after.value < 0.15


@pytest.mark.slow
def test_widths_by_a_bank_are_near_the_truth_and_their_intervals_hold_it(
    alone: list[tuple[Phantom, Halo]], beside: list[Halo]
) -> None:
    told = [
        (getattr(halo, side).mean_width, getattr(phantom.truth, side).mean_width_mm)
        for (phantom, _), halo in zip(alone, beside, strict=True)
        for side in SIDES
    ]
    assert np.sqrt(np.mean([(width.value - true) ** 2 for width, true in told])) < 0.1
    assert all(width.low95 <= true <= width.high95 for width, true in told)
