"""A bank of blurs: what CTs of other patients by the same protocol tell of the widths of one."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest
from build_doubt import open_halo
from build_steps import Steps
from click.testing import CliRunner, Result

import ongrowth.case.reading as recipe
from ongrowth.calibration import (
    Bank,
    Calibration,
    PatientBlurs,
    Protocol,
    find_bank,
    find_calibration,
    read_blur,
    unfit_note,
)
from ongrowth.case import Known, banks_of, run_reading
from ongrowth.cli import main
from ongrowth.edge import Blur
from ongrowth.halo import Halo, told_blur, weigh_by_bank
from ongrowth.reading import Reading, read_told_blurs, write_reading
from ongrowth.scan import Acquisition, Refused

SLICE_MM = 0.6
# (width in mm, blur in standard deviations, chance): a wide halo seen sharply, or none seen through more blur
OPEN = ((0.8, 3.0, 0.8), (0.0, 0.0, 0.2))
SURE = ((0.5, 0.0, 1.0),)
ELSEWHERE = ((0.5, 3.0, 1.0),)


def patient(*halos: Halo, digest: str = "") -> PatientBlurs:
    told = tuple(blur for halo in halos if (blur := told_blur(halo, SLICE_MM)) is not None)
    return PatientBlurs((digest,), told)


def chances(halo: Halo) -> list[float]:
    assert halo.doubt is not None
    return [float(chance) for chance in halo.doubt.chances]


@pytest.mark.parametrize("many", [1, 2, 7])
def test_others_have_one_vote_however_many_they_are(many: int) -> None:
    """Blurs 3 U apart for one solution: d2 = 9 / 2, so the vote is exp(-d2 / 2), against 1."""
    told = weigh_by_bank(open_halo(*OPEN), [patient(open_halo(*SURE))] * many, SLICE_MM)
    weights = np.array([0.8, 0.2]) * np.exp([-2.25, 0.0])
    assert chances(told) == pytest.approx(list(weights / weights.sum()))
    assert told.blur is not None
    assert told.blur.source == "kernel bank"


def test_a_patient_of_many_cts_says_no_more_than_another() -> None:
    often = patient(*[open_halo(*ELSEWHERE)] * 5)
    told = weigh_by_bank(open_halo(*OPEN), [often, patient(open_halo(*SURE))], SLICE_MM)
    assert chances(told) == pytest.approx([0.8, 0.2])  # both solutions lie as far from one of the two


def test_what_something_else_told_is_neither_weighed_nor_kept() -> None:
    halo = open_halo(*OPEN)
    assert halo.blur is not None
    calibrated = dataclasses.replace(halo, blur=dataclasses.replace(halo.blur, source="calibration"))
    assert weigh_by_bank(calibrated, [patient(open_halo(*SURE))], SLICE_MM) is calibrated
    assert weigh_by_bank(halo, [], SLICE_MM) is halo
    weighed = weigh_by_bank(halo, [patient(open_halo(*SURE))], SLICE_MM)
    assert told_blur(calibrated, SLICE_MM) is None
    assert told_blur(weighed, SLICE_MM) is None


def test_a_blur_is_told_in_numbers_that_name_no_base() -> None:
    """A solution at the base itself: a Gaussian of 0.8 mm, sigma = 0.8 / 2.3548, and slices as nominal."""
    told = told_blur(open_halo(*SURE), SLICE_MM)
    assert told is not None
    f0 = 1.0 / (np.sqrt(2.0) * np.pi * 0.8 / np.sqrt(8.0 * np.log(2.0)))
    assert told.curves[0] == pytest.approx([np.log(f0), np.log(2.0), 0.0, np.log(SLICE_MM), 0.0, 0.0, 0.0])


# Results on disk, a bank of them, and a CT measured with it.


def write_result(
    folder: Path, digest: str, *solutions: tuple[float, float, float], kernel: str = "sharp"
) -> None:
    """Write the reading of a CT whose image leaves these solutions open."""
    side = build.make_side(0.5)
    implant = dataclasses.replace(build.make_implant(side, side), halo=open_halo(*solutions))
    reading = build.make_reading(implant)
    write_reading(
        dataclasses.replace(
            reading,
            scan=dataclasses.replace(reading.scan, kernel=kernel),
            provenance=dataclasses.replace(reading.provenance, input_digest=digest),
        ),
        folder,
    )


def bank(*words: object) -> Result:
    return CliRunner().invoke(main, ["bank", *map(str, words)])


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """Three patients: two CTs of one, one of another, and one by another kernel."""
    write_result(tmp_path / "results" / "harbour-07" / "w05", "a" * 64, *SURE)
    write_result(tmp_path / "results" / "harbour-07" / "w12", "b" * 64, *SURE)
    write_result(tmp_path / "results" / "harbour-08" / "w05", "c" * 64, *SURE)
    write_result(tmp_path / "results" / "harbour-09" / "w05", "d" * 64, *OPEN, kernel="soft")
    return tmp_path / "results"


def test_results_make_a_bank_for_each_protocol(results: Path, tmp_path: Path) -> None:
    done = bank(results, "--out", tmp_path / "banks")
    assert done.exit_code == 0
    assert "invented scanner, sharp, filtered back-projection, 120 kVp, slices of 0.6 mm" in done.stdout
    assert "2 patients, 3 CTs" in done.stdout
    sharp, soft = (read_blur(file) for file in sorted((tmp_path / "banks").iterdir()))
    assert isinstance(sharp, Bank)
    assert isinstance(soft, Bank)
    assert [len(one.blurs) for one in sharp.patients] == [2, 1]
    assert soft.patients[0].blurs[0].chances == pytest.approx([0.8, 0.2])
    assert sharp.protocol.kernel == "sharp"
    text = "".join(file.read_text(encoding="utf-8") for file in (tmp_path / "banks").iterdir())
    assert "harbour" not in text  # no patient is named


def test_a_kept_reading_tells_its_blur(results: Path) -> None:
    (told,) = read_told_blurs(results / "harbour-09" / "w05")
    expected = told_blur(open_halo(*OPEN), SLICE_MM)
    assert expected is not None
    assert np.array_equal(told.curves, expected.curves)
    assert np.array_equal(told.covariance, expected.covariance)


def test_the_same_images_measured_twice_count_once(results: Path) -> None:
    write_result(results / "harbour-08" / "again", "c" * 64, *SURE)
    (sharp, _) = banks_of([results])
    assert [len(one.blurs) for one in sharp.patients] == [2, 1]


def test_a_ct_that_does_not_state_its_kernel_has_no_say_and_takes_none_of_a_folder(
    results: Path, tmp_path: Path
) -> None:
    write_result(tmp_path / "volume" / "w05", "e" * 64, *SURE, kernel="")
    assert [len(one.patients) for one in banks_of([results, tmp_path / "volume"])] == [2, 1]
    with pytest.raises(Refused, match="bank-empty"):
        banks_of([tmp_path / "volume"])
    file = write_bank(tmp_path / "banks" / "any.json", Acquisition(), patient(open_halo(*SURE)))
    assert find_bank(file.parent, Acquisition()) is None
    assert find_bank(file, Acquisition()) is not None
    (problem,) = unfit_note(file.parent, Acquisition())
    assert problem.code == "calibration-not-used"


def test_results_without_a_blur_of_their_own_make_no_bank(tmp_path: Path) -> None:
    side = build.make_side(0.5)
    write_reading(build.make_reading(build.make_implant(side, side)), tmp_path / "one" / "w08")
    done = bank(tmp_path / "one", "--out", tmp_path / "banks")
    assert (done.exit_code, "bank-empty" in done.stderr) == (3, True)
    (tmp_path / "nothing").mkdir()
    done = bank(tmp_path / "nothing", "--out", tmp_path / "banks")
    assert (done.exit_code, "no-reading" in done.stderr) == (3, True)
    assert not (tmp_path / "banks").exists()


@pytest.fixture
def read_with(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Measure a CT whose image leaves two widths open, with a bank or calibrations beside it."""
    stand_ins = Steps(build.make_scan(step_mm=1.0))
    stand_ins.put_in_place(monkeypatch)

    def measure_halo(*_: Any, keep: Any) -> Halo:
        keep("left")
        return open_halo(*OPEN)

    monkeypatch.setattr(recipe, "measure_halo", measure_halo)
    (tmp_path / "ct").mkdir()

    def measure(beside: Path | None) -> Reading:
        return run_reading(tmp_path / "ct", Known(weeks=12.0, calibration=beside))

    return measure


def write_bank(file: Path, scan: Acquisition, *patients: PatientBlurs) -> Path:
    file.parent.mkdir(exist_ok=True)
    file.write_text(json.dumps(Bank(Protocol.of(scan), patients).as_dict()), encoding="utf-8")
    return file


def test_a_ct_is_measured_with_the_bank_of_its_protocol(read_with: Any, tmp_path: Path) -> None:
    alone = read_with(None)
    made = build.make_scan(step_mm=1.0).acquisition
    file = write_bank(tmp_path / "banks" / "sharp.json", made, patient(open_halo((0.5, -6.0, 1.0))))
    told = read_with(file.parent)
    assert alone.scan.blur_source == "free"
    assert told.scan.blur_source == "kernel bank"
    assert (
        told.implants[0].halo.head_side.mean_width.value < alone.implants[0].halo.head_side.mean_width.value
    )
    blur = next(limit for limit in told.implants[0].limits if limit.part == "blur")
    assert "other patients" in blur.words


def test_a_ct_has_no_say_in_itself(read_with: Any, tmp_path: Path) -> None:
    made = build.make_scan(step_mm=1.0).acquisition
    own = read_with(None).provenance.input_digest
    file = write_bank(tmp_path / "own.json", made, patient(open_halo((0.5, -6.0, 1.0)), digest=own))
    assert read_with(file).scan.blur_source == "free"


def test_a_calibration_goes_before_a_bank(tmp_path: Path) -> None:
    made = build.make_scan(step_mm=1.0).acquisition
    write_bank(tmp_path / "bank.json", made, patient(open_halo(*SURE)))
    calibration = Calibration(Blur(0.7, 2.2), np.eye(7) * 1e-4, Protocol.of(made))
    (tmp_path / "rod.json").write_text(json.dumps(calibration.as_dict()), encoding="utf-8")
    assert find_calibration(tmp_path, made) is not None
    assert find_bank(tmp_path, made) is not None
    assert find_calibration(tmp_path / "bank.json", made) is None
    assert find_bank(tmp_path / "rod.json", made) is None


def test_a_bank_of_another_protocol_is_refused_or_told(read_with: Any, tmp_path: Path) -> None:
    file = write_bank(tmp_path / "banks" / "x.json", Acquisition(kernel="other"), patient(open_halo(*SURE)))
    with pytest.raises(Refused, match="calibration-mismatch"):
        read_with(file)
    assert "calibration-not-used" in [problem.code for problem in read_with(file.parent).scan.problems]


@pytest.mark.parametrize(
    "fault",
    [
        {"patients": [{"digests": [], "blurs": []}]},
        {"patients": [{"digests": []}]},
        {"chances": [0.5, 0.6]},
        {"curves": [[900.0] * 7] * 2},
        {"curves": [[0.0] * 6] * 2},
        {"covariance": [[0.0] * 7] * 7},
        {"covariance": "none"},
    ],
)
def test_a_damaged_bank_is_refused(fault: dict[str, Any], tmp_path: Path) -> None:
    file = write_bank(tmp_path / "bank.json", Acquisition(), patient(open_halo(*OPEN)))
    record = json.loads(file.read_text(encoding="utf-8"))
    place = record if "patients" in fault else record["patients"][0]["blurs"][0]
    place.update(fault)
    file.write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(Refused, match="calibration-unreadable"):
        read_blur(file)
