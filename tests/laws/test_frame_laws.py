"""What holds for the frame of any screw."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
from hypothesis import assume, given
from numpy.typing import NDArray

from ongrowth.frame import CRANIAL, POSTERIOR, ScrewFrame

coordinate = st.floats(-400.0, 400.0, allow_nan=False)
point = st.tuples(coordinate, coordinate, coordinate).map(np.array)
Point = NDArray[np.float64]


def frame_of(head: Point, tip: Point) -> ScrewFrame:
    assume(np.linalg.norm(tip - head) > 1.0)
    return ScrewFrame.of(head, tip)


@given(point, point)
def test_axes_are_orthonormal_and_right_handed(head: Point, tip: Point) -> None:
    rotation = frame_of(head, tip).world_from_screw.rotation
    assert np.allclose(rotation.T @ rotation, np.eye(3), atol=1e-9)
    assert np.linalg.det(rotation) > 0.0


@given(point, point)
def test_zero_direction_leans_posterior_or_cranial(head: Point, tip: Point) -> None:
    frame = frame_of(head, tip)
    leaning = max(frame.zero_direction @ POSTERIOR, frame.zero_direction @ CRANIAL)
    assert leaning > np.sin(np.radians(24.9))


@given(point, point, st.lists(point, min_size=1, max_size=5))
def test_cylindrical_and_back(head: Point, tip: Point, points: list[Point]) -> None:
    frame = frame_of(head, tip)
    world = np.array(points)
    assert np.allclose(frame.world(*frame.cylindrical(world)), world, atol=1e-8)


@given(point, point, point)
def test_moving_the_patient_moves_nothing_in_the_frame(head: Point, tip: Point, shift: Point) -> None:
    here, there = frame_of(head, tip), ScrewFrame.of(head + shift, tip + shift)
    place = head + 0.3 * (tip - head) + np.array([1.0, 2.0, -0.5])
    for a, b in zip(here.cylindrical(place), there.cylindrical(place + shift), strict=True):
        assert np.allclose(np.exp(1j * np.radians(a)), np.exp(1j * np.radians(b)), atol=1e-6)


@given(point, point)
def test_a_mirrored_patient_has_mirrored_angles(head: Point, tip: Point) -> None:
    mirror = np.array([-1.0, 1.0, 1.0])
    here, there = frame_of(head, tip), ScrewFrame.of(head * mirror, tip * mirror)
    place = head + 0.3 * (tip - head) + np.array([1.0, 2.0, -0.5])
    radius, angle, depth = here.cylindrical(place)
    other_radius, other_angle, other_depth = there.cylindrical(place * mirror)
    assert np.allclose((radius, depth), (other_radius, other_depth), atol=1e-8)
    if radius > 1e-3:
        assert np.isclose(np.cos(np.radians(angle + other_angle)), 1.0, atol=1e-6)


@given(point, point)
def test_head_and_tip_exchanged_keep_the_zero_direction(head: Point, tip: Point) -> None:
    here, back = frame_of(head, tip), ScrewFrame.of(tip, head)
    assert np.allclose(here.zero_direction, back.zero_direction, atol=1e-9)
    assert np.allclose(here.quarter_direction, -back.quarter_direction, atol=1e-9)
