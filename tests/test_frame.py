"""The frame of a screw: worked cases."""

from __future__ import annotations

import numpy as np
import pytest

from ongrowth.frame import ScrewFrame


def test_angle_zero_is_posterior_made_square_to_the_screw() -> None:
    frame = ScrewFrame.of((0.0, 0.0, 0.0), (0.0, 0.0, 40.0))  # straight up
    assert frame.zero_direction == pytest.approx((0.0, 1.0, 0.0))
    assert frame.quarter_direction == pytest.approx((-1.0, 0.0, 0.0))  # up x posterior = patient right
    assert frame.length_mm == pytest.approx(40.0)


def test_angle_zero_is_cranial_where_the_screw_runs_to_the_front() -> None:
    frame = ScrewFrame.of((0.0, 0.0, 0.0), (0.0, -40.0, 5.0))
    assert frame.words_at(0.0) == "cranial"
    assert frame.words_at(180.0) == "caudal"


@pytest.mark.parametrize(("degrees", "height"), [(24.9, 1.0), (25.1, 0.0)])
def test_the_change_of_zero_direction_lies_at_25_degrees(degrees: float, height: float) -> None:
    tilt = np.radians(degrees)
    frame = ScrewFrame.of((0.0, 0.0, 0.0), (np.sin(tilt), -np.cos(tilt), 0.0))
    assert frame.zero_direction[2] == pytest.approx(height)


def test_words_name_the_patient_directions() -> None:
    frame = ScrewFrame.of((0.0, 0.0, 0.0), (0.0, 0.0, 40.0))
    assert [frame.words_at(a) for a in (0.0, 90.0, 180.0, 270.0)] == [
        "posterior",
        "right",
        "anterior",
        "left",
    ]


def test_depth_runs_from_head_to_tip() -> None:
    head, tip = np.array([1.0, 2.0, 3.0]), np.array([11.0, -18.0, 23.0])
    frame = ScrewFrame.of(head, tip)
    radius, _, depth = frame.cylindrical(np.stack([head, tip, (head + tip) / 2.0]))
    assert depth == pytest.approx((0.0, 30.0, 15.0))
    assert radius == pytest.approx(np.zeros(3), abs=1e-12)
    assert frame.tip_mm == pytest.approx(tip)


def test_two_equal_points_make_no_frame() -> None:
    with pytest.raises(ValueError, match="length"):
        ScrewFrame.of((1.0, 1.0, 1.0), (1.0, 1.0, 1.0))
