"""The calibration file, and which scan it fits."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest

from ongrowth.calibration import Calibration, Protocol, find_calibration, read_blur, unfit_note
from ongrowth.edge import Blur
from ongrowth.scan import Acquisition, Refused

SCAN = Acquisition(kernel="Sharp-3", scanner="Harbour One", kvp=120.0, slice_thickness_mm=0.6)


def calibration(**changes: object) -> Calibration:
    protocol = dataclasses.replace(Protocol.of(SCAN), **changes)  # type: ignore[arg-type]
    return Calibration(
        Blur(0.7, 2.2, 0.8, 0.9, 0.5, 0.1, 0.02, 0.03),
        np.diag([1e-4, 4e-4, 1e-3, 2e-4, 1e-3, 1e-4, 1e-4]),
        protocol,
        9500.0,
        400.0,
    )


def written(path: Path, content: Calibration) -> Path:
    path.write_text(json.dumps(content.as_dict()), encoding="utf-8")
    return path


def test_file_gives_back_what_was_written(tmp_path: Path) -> None:
    back = read_blur(written(tmp_path / "a.json", calibration()))
    assert back.blur == calibration().blur
    assert back.protocol == calibration().protocol
    np.testing.assert_array_equal(back.covariance, calibration().covariance)
    assert math.isnan(back.misfit_share)


def test_nothing_given_is_nothing_found() -> None:
    assert find_calibration(None, SCAN) is None


def test_folder_gives_the_protocol_of_the_scan_or_nothing(tmp_path: Path) -> None:
    (empty,) = unfit_note(tmp_path, SCAN)
    assert "holds none; none was used" in empty.text
    written(tmp_path / "soft.json", calibration(kernel="Smooth-1"))
    assert find_calibration(tmp_path, SCAN) is None
    (unfit,) = unfit_note(tmp_path, SCAN)
    assert "differs: kernel" in unfit.text
    written(tmp_path / "sharp.json", calibration())
    assert unfit_note(tmp_path, SCAN) == ()
    found = find_calibration(tmp_path, SCAN)
    assert found is not None
    assert found.protocol == Protocol.of(SCAN)


@pytest.mark.parametrize(
    ("change", "word"),
    [({"kernel": "Smooth-1"}, "kernel"), ({"kvp": 100.0}, "kvp"), ({"slice_thickness_mm": 1.0}, "slice")],
)
def test_file_of_another_protocol_is_refused(tmp_path: Path, change: dict[str, object], word: str) -> None:
    path = written(tmp_path / "other.json", calibration(**change))
    with pytest.raises(Refused, match="calibration-mismatch") as caught:
        find_calibration(path, SCAN)
    assert word in str(caught.value)


def test_algorithm_never_matches_another(tmp_path: Path) -> None:
    path = written(tmp_path / "iterative.json", calibration(algorithm="iterative", strength="3"))
    scan = dataclasses.replace(SCAN, algorithm="iterative", strength="4")
    with pytest.raises(Refused, match="strength"):
        find_calibration(path, scan)


def test_header_that_cannot_tell_takes_the_file_named(tmp_path: Path) -> None:
    path = written(tmp_path / "bone.json", calibration())
    assert find_calibration(path, Acquisition()) is not None


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "ongrowth-calibration/9"}', "not json"])
def test_no_calibration_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bad.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refused, match="calibration-unreadable"):
        read_blur(path)
