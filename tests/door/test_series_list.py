"""`ongrowth series`: what lies in a folder, before anything is measured."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from ct_files import Grid, with_values, write_series

from ongrowth.cli import main

LOCALIZER = ["ORIGINAL", "PRIMARY", "LOCALIZER"]


@pytest.fixture
def disc(tmp_path: Path) -> Path:
    """A thin bone series, a soft one of 3 mm, a scout, and a sharper one of which a slice is lost."""
    grid = Grid()
    whom = {"PatientName": "Quill^Ada", "PatientID": "4711"}
    write_series(
        tmp_path / "a",
        grid,
        edit=with_values(
            SeriesNumber=3, ConvolutionKernel="Bv59", SeriesDescription="Bone QUILL 0.8", **whom
        ),
    )
    write_series(
        tmp_path / "b",
        grid,
        edit=with_values(
            SeriesInstanceUID="1.2.3.4",
            SeriesNumber=2,
            ConvolutionKernel="Br36",
            SliceThickness="3.0",
            **whom,
        ),
    )
    write_series(
        tmp_path / "c",
        grid,
        edit=with_values(SeriesInstanceUID="1.2.3.5", SeriesNumber=1, ImageType=LOCALIZER, **whom),
    )
    broken = write_series(
        tmp_path / "d",
        grid,
        edit=with_values(SeriesInstanceUID="1.2.3.6", SeriesNumber=4, ConvolutionKernel="Bv69", **whom),
    )
    sorted(Path(broken).iterdir())[grid.n // 2].unlink()
    return tmp_path


def listed(path: Path, *more: str) -> str:
    result = CliRunner().invoke(main, ["series", str(path), *more])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_every_series_is_told_with_what_hinders_it(disc: Path) -> None:
    told = json.loads(listed(disc, "--json"))
    by_number = {one["number"]: one for one in told["series"]}
    assert set(by_number) == {"1", "2", "3", "4"}
    assert [one["number"] for one in told["series"] if one["is_taken"]] == ["3"]
    assert {n: one["can_be_measured"] for n, one in by_number.items()} == {
        "1": False, "2": True, "3": True, "4": False,
    }  # fmt: skip
    assert by_number["1"]["problems"][0]["code"] == "localizer"
    assert "missing-slices" in {problem["code"] for problem in by_number["4"]["problems"]}
    assert by_number["4"]["gap_mm"] == by_number["4"]["thickness_mm"] == 0.625  # as elsewhere
    assert (by_number["3"]["kernel"], by_number["3"]["n_slices"]) == ("Bv59", Grid().n)
    assert by_number["2"]["thickness_mm"] == 3.0
    assert told["cautions"]


def test_words_that_name_the_patient_are_left_out(disc: Path) -> None:
    for told in (listed(disc), listed(disc, "--json")):
        assert "quill" not in told.lower()
        assert "4711" not in told
        assert "(withheld)" in told


def test_in_print_the_one_that_check_takes_comes_first_and_cautions_last(disc: Path) -> None:
    lines = listed(disc).splitlines()
    assert lines[0].startswith("Series 3, kernel Bv59")
    assert "can be measured; check takes it" in lines[2]
    assert sum("check takes it" in line for line in lines) == 1
    assert "Not a medical device" in lines[-1]


def test_two_patients_in_one_folder_leave_the_choice_to_the_user(disc: Path) -> None:
    write_series(
        disc / "e",
        Grid(),
        edit=with_values(SeriesInstanceUID="1.2.3.7", SeriesNumber=9, PatientID="other", PatientName=""),
    )
    told = json.loads(listed(disc, "--json"))
    assert not any(one["is_taken"] for one in told["series"])
    assert {"several-patients"} <= {problem["code"] for problem in told["problems"]}


def test_a_folder_without_ct_is_refused(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("no image")
    assert CliRunner().invoke(main, ["series", str(tmp_path)]).exit_code == 3
    assert CliRunner().invoke(main, ["series", str(tmp_path / "nowhere")]).exit_code == 2


def test_a_series_whose_number_does_not_name_it_is_listed_with_its_uid(disc: Path) -> None:
    """Of two examinations in one folder each has a series 2, and `--series 2` is refused."""
    assert "UID" not in listed(disc)
    twin = with_values(SeriesInstanceUID="1.2.3.7", SeriesNumber=2, AcquisitionDate="20310601")
    write_series(disc / "e", Grid(), edit=twin)
    told = listed(disc)
    assert "UID 1.2.3.4" in told
    assert "UID 1.2.3.7" in told
    assert told.count("UID") == 2
