"""Motion and new bone in another world: two CTs of plain bone that share nothing with the code.

How often and how far it errs there stands in docs/motion.md ("In another world").
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from plain_pair import (
    FIRST,
    STILL,
    Look,
    Patient,
    Pose,
    State,
    drawn,
    earlier_from_later,
    new_bone_mm3,
    placed,
    seen_from,
    slit_normal,
)
from plain_phantom import LENGTH_MM, PITCH_MM, SIZES
from scipy.spatial.transform import Rotation
from second_registration import put_off, registered_by_itk

from ongrowth.defect import DefectPlane, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.motion import Motion, ScrewMotion, measure_motion, measure_scale
from ongrowth.motion.register import Sight, register_metal
from ongrowth.newbone import measure_new_bone
from ongrowth.scan import Scan
from ongrowth.screw import Screw, ScrewSpec, find_screws

pytestmark = pytest.mark.slow

FloatArray = NDArray[np.float64]

PATIENT = Patient(90_001, gap_mm=1.8, gap_at_mm=-1.5)
BACK_OUT_MM = 0.6
CHANGED = State(
    tip=placed((1.2, -0.8, 0.6), (0.4, -0.3, 0.3), (0.0, 0.0, -1.5)),
    screw=placed((0.0, 0.0, 0.0), (0.0, 0.0, -BACK_OUT_MM), (0.0, 0.0, 0.0)),
    neighbour=placed((3.0, -2.0, 4.0), (1.0, 0.5, -1.0), (18.0, 0.0, 0.0)),
    halo_mm=(0.8, 0.0),
    renewed=0.3,
    growth_mm=0.15,
    bridge_deg=120.0,
    callus_mm=4.0,
)


def lying(turn_deg: tuple[float, float, float], shift_mm: tuple[float, float, float]) -> Pose:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_euler("ZYZ", [70.0, 135.0, 130.0], degrees=True).as_matrix()
    pose[:3, 3] = (25.0, -150.0, -300.0)
    return placed(turn_deg, shift_mm, (25.0, -150.0, -300.0)) @ pose


LOOKS = (
    Look(lying((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), overshoot=0.4, seed=2),
    Look(lying((-8.0, 6.0, 10.0), (30.0, -20.0, 15.0)), fwhm_mm=0.7, seed=5),
)


class Followed(NamedTuple):
    scans: list[Scan]
    screws: list[Screw]
    frame: ScrewFrame
    defect: DefectPlane
    found: ScrewMotion


@pytest.fixture(scope="module")
def followed() -> Followed:
    scans = [drawn(PATIENT, state, look) for state, look in zip((FIRST, CHANGED), LOOKS, strict=True)]
    spec = ScrewSpec(**SIZES, pitch_mm=PITCH_MM, length_mm=LENGTH_MM)
    screws = [find_screws(scan, [spec]).screws[0] for scan in scans]
    frame = ScrewFrame.of(screws[0].head_mm, screws[0].tip_mm)
    world = LOOKS[0].world_from_patient
    point = world[:3, :3] @ [0.0, 0.0, PATIENT.gap_at_mm] + world[:3, 3]
    defect = given_defect(point, world[:3, :3] @ slit_normal(PATIENT), frame, gap_mm=PATIENT.gap_mm)
    return Followed(scans, screws, frame, defect, measure_motion(*scans, *screws, defect))


def in_axes_of_the_screw(pose: Pose, at_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return by how much a place on the axis is shifted, and the turn in degrees, from the drawing."""
    world = LOOKS[0].world_from_patient
    along = world[:3, 2]
    back = np.array([0.0, 1.0, 0.0]) - along[1] * along
    back /= np.linalg.norm(back)
    axes = np.stack([back, np.cross(along, back), along])
    place = world[:3, :3] @ [0.0, 0.0, at_mm] + world[:3, 3]
    turn = Rotation.from_matrix(pose[:3, :3]).as_rotvec(degrees=True)
    return axes @ (pose[:3, :3] @ place + pose[:3, 3] - place), axes @ turn


END = LENGTH_MM / 2.0


@pytest.mark.parametrize(
    ("motion", "fixed", "moving", "at_mm"),
    [
        ("screw_in_head_side", STILL, CHANGED.screw, (PATIENT.gap_at_mm - END) / 2.0),
        ("screw_in_tip_side", CHANGED.tip, CHANGED.screw, (PATIENT.gap_at_mm + END) / 2.0),
        ("tip_side_in_head_side", STILL, CHANGED.tip, PATIENT.gap_at_mm),
    ],
)
def test_each_motion_is_told_with_its_signs(
    followed: Followed, motion: str, fixed: Pose, moving: Pose, at_mm: float
) -> None:
    found: Motion = getattr(followed.found, motion)
    shift, turn = in_axes_of_the_screw(seen_from(fixed, moving, LOOKS[0]), at_mm)
    assert found.state == "moved"
    for told, true in zip(found.translation_mm, shift, strict=True):
        assert told.low95 <= true <= told.high95
        assert abs(told.value - true) < 0.15
    assert found.axis_change_deg.low95 <= np.hypot(*turn[:2]) <= found.axis_change_deg.high95
    assert found.roll_deg.low95 <= turn[2] <= found.roll_deg.high95


def test_fragments_are_found_as_surely_as_by_another_registration(followed: Followed) -> None:
    ends = followed.frame.origin_mm, followed.frame.tip_mm
    for body, pose, own in zip(
        (followed.found.head_side, followed.found.tip_side), (STILL, CHANGED.tip), ends, strict=True
    ):
        assert body is not None
        true = earlier_from_later(pose, *LOOKS)
        later = np.linalg.inv(true)[:3, :3] @ own + np.linalg.inv(true)[:3, 3]
        start = put_off(body.earlier_from_later.inverse(), body.places_mm)
        theirs = registered_by_itk(*followed.scans, body.places_mm, start).inverse()
        ours_mm, theirs_mm = (
            float(np.linalg.norm(p.apply(later) - own)) for p in (body.earlier_from_later, theirs)
        )
        assert ours_mm < 0.1
        assert ours_mm < theirs_mm + 0.03


def test_new_bone_is_that_which_was_drawn(followed: Followed) -> None:
    poses = (b.earlier_from_later for b in (followed.found.head_side, followed.found.tip_side) if b)
    bone = measure_new_bone(*followed.scans, followed.frame, followed.defect, *poses, side="left")
    true = new_bone_mm3(PATIENT, CHANGED)
    for told, mm3 in ((bone.in_defect, true["in"]), (bone.around_defect, true["around"])):
        assert told.low95 <= mm3 <= told.high95
        assert abs(told.value - mm3) < 0.1 * mm3 + 30.0


def test_ends_of_a_shaft_that_moved_against_each_other_are_followed_apart(followed: Followed) -> None:
    """Broken, the pieces pressed together: no gap shows. As one body the shaft seemed to have moved."""
    tip = placed((0.8, 0.5, 0.0), (0.6, -0.3, -0.55), (0.0, 0.0, -1.5))
    state = State(tip=tip, tip_piece=tip, break_mm=1.0, crack_mm=0.6)
    scan = drawn(PATIENT, state, LOOKS[1])
    screw = find_screws(scan, [followed.screws[0].spec]).screws[0]
    found = measure_motion(followed.scans[0], scan, followed.screws[0], screw, followed.defect)
    assert screw.integrity.state != "interrupted"
    assert [p.code for p in found.problems] == ["screw-not-rigid"]
    assert [m.state for m in found.motions] == [*["not shown to have moved"] * 2, "moved"]
    shift, _ = in_axes_of_the_screw(seen_from(STILL, tip, LOOKS[0]), PATIENT.gap_at_mm)
    for told, true in zip(found.tip_side_in_head_side.translation_mm, shift, strict=True):
        assert told.low95 <= true <= told.high95


def test_slices_that_cut_each_turn_of_the_thread_alike_do_not_change_the_scale(followed: Followed) -> None:
    """A turn holds two slices of the later CT: its pitch seemed shorter by 0.2 %, and certain."""
    scale = measure_scale(*followed.scans, *followed.screws)
    assert scale.low95 <= 1.0 <= scale.high95


def test_a_piece_is_known_less_surely_between_scans_that_blur_metal_unlike(followed: Followed) -> None:
    """The end of a piece may be off along the screw by about what the shaft looks thicker."""
    soft = drawn(PATIENT, FIRST, replace(LOOKS[0], fwhm_mm=1.2, overshoot=0.0, seed=7))
    again = drawn(PATIENT, FIRST, replace(LOOKS[0], seed=8))
    u_mm = []
    for other in (again, soft):
        screw = find_screws(other, [followed.screws[0].spec]).screws[0]
        sight = replace(Sight.of(followed.scans[0], other, followed.screws[0], screw), break_mm=18.0)
        start = RigidTransform.identity()
        piece = register_metal(sight, start, "tip piece")
        axis = followed.frame.axis_direction
        u_mm.append(float(np.sqrt(axis @ piece.covariance[:3, :3] @ axis)))
    assert u_mm[0] < 0.06
    assert u_mm[1] > 0.1
