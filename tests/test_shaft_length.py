"""A shaft that is not as long as it should be: part of it may be gone, and its ends are other places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import build_reading as build
import pytest
from build_steps import Steps, two_scans

import ongrowth.case.reading as recipe
from ongrowth.case import Known, run_case, run_reading
from ongrowth.change import Placement, changes_between
from ongrowth.findings import line_of, print_line
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import Against, Finding
from ongrowth.scan import Scan
from ongrowth.screw import Metalwork, ScrewSpec


@pytest.fixture
def lengths(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Lengths that the shaft is found to have, CT by CT; the last one holds for all that follow."""
    steps, told = Steps(build.make_scan(step_mm=1.0)), [42.0]
    steps.put_in_place(monkeypatch)

    def find_screws(_: Scan, specs: tuple[ScrewSpec, ...]) -> Metalwork:
        length = Measured.of(told.pop(0) if len(told) > 1 else told[0], 0.3, Unit.MM)
        return Metalwork((replace(build.make_screw(), length_mm=length, spec=specs[0]),))

    monkeypatch.setattr(recipe, "find_screws", find_screws)
    return told


def metal(findings: tuple[Finding, ...]) -> Finding:
    return next(f for f in findings if f.quantity == "integrity")


@pytest.mark.parametrize(
    ("seen_mm", "against"),
    [(20.3, Against.UNDECIDED), (37.5, Against.AS_EXPECTED), (48.0, Against.AS_EXPECTED)],
)
def test_a_shaft_much_shorter_than_stated_is_not_shown_whole(
    lengths: list[float], seen_mm: float, against: Against
) -> None:
    """Half a millimetre less than a head is a head counted with the length."""
    lengths[:] = [seen_mm]
    spec = ScrewSpec(id="left", side="left", length_mm=42.0)
    reading = run_reading(Path("in/w08"), Known(screws=(spec,), weeks=8.0))
    assert metal(reading.findings).against_window is against
    line = line_of("metal", "left", reading.findings)
    assert line is not None
    reason = print_line(line, "L5").reason
    is_told = reason.startswith("The shaft measures 20.3 mm (19.7 to 20.9 mm); 42.0 mm are stated.")
    assert is_told is (against is Against.UNDECIDED)
    assert ("metal undecided" in reading.summary.sentence) is (against is Against.UNDECIDED)


def test_a_shaft_shorter_than_in_an_earlier_ct_is_in_doubt_and_not_followed(
    lengths: list[float], tmp_path: Path
) -> None:
    lengths[:] = [42.0, 20.3]
    case_file = two_scans(tmp_path)
    case = run_case(case_file)
    found = metal(case.findings)
    assert found.against_window is Against.UNDECIDED
    assert "; it measured 42.0 mm in scan w04. Part of it may be gone" in found.why
    assert case.motions == ()
    assert [note.problem.code for note in case.notes] == ["position-not-compared"]
    again = run_case(case_file, before=case)  # everything is kept
    assert metal(again.findings) == found


def test_a_shaft_that_keeps_its_length_is_followed(lengths: list[float], tmp_path: Path) -> None:
    lengths[:] = [42.0, 41.2]
    case = run_case(two_scans(tmp_path))
    assert metal(case.findings).against_window is Against.AS_EXPECTED
    assert case.motions


def test_what_is_stated_still_counts_when_widths_are_weighed_anew(lengths: list[float]) -> None:
    lengths[:] = [20.3]
    spec = ScrewSpec(id="left", side="left", length_mm=42.0)
    reading = run_reading(Path("in/w08"), Known(screws=(spec,), weeks=8.0))
    bare = replace(reading.implants[0].screw, spec=ScrewSpec(id="left"))  # as it is read back
    stored: Any = replace(reading, implants=(replace(reading.implants[0], screw=bare),))
    judged = recipe.with_halos(stored, {"left": stored.implants[0].halo}, Known().windows, "L5")
    assert metal(judged.findings).against_window is Against.UNDECIDED


def test_no_change_of_a_share_is_beyond_what_both_shares_allow() -> None:
    """The share bridged now is 98 % (19 to 100 %): it cannot have grown by 177 points."""
    side = build.make_side(0.5)
    none, most = (replace(build.make_bridge(0.0), bridged_fraction=share) for share in (
        Measured.of(0.0, 0.03, Unit.ONE, floor=0.0, ceiling=1.0),
        Measured.of(0.98, 0.4, Unit.ONE, floor=0.0, ceiling=1.0),
    ))  # fmt: skip
    then, now = (build.make_implant(side, side, bridge=bridge) for bridge in (none, most))
    records, _ = changes_between(then, now, ("a", "b"), Placement(), is_same_protocol=True)
    (change,) = (r.value for r in records if r.quantity == "bridged_fraction")
    assert change.value == pytest.approx(0.98)
    assert (change.low95, change.high95) == pytest.approx((0.19, 1.0), abs=0.02)
