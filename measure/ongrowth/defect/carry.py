"""The plane of a defect carried from the CT before surgery into a later one."""

from __future__ import annotations

import math

from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.pose import Pose, find_pose
from ongrowth.defect.preop import find_defect_along
from ongrowth.frame import ScrewFrame
from ongrowth.scan import Level, Problem, Refused, Scan

# Found on phantoms of the tuning half: how well the pose carries a plane over the size of a pars.
_POSE_U_DEG, _POSE_U_MM = 1.0, 0.2
_MOVED_DEG, _MOVED_MM = 10.0, 2.0  # by surgery; project's choice


def carry_defect(later: Scan, earlier: Scan, frame: ScrewFrame) -> DefectPlane | Problem:
    """Find the defect before surgery along the later course of a screw, and carry its plane over.

    Parameters
    ----------
    later : Scan
        The CT with the screw.
    earlier : Scan
        The CT before surgery.
    frame : ScrewFrame
        Frame of the screw in the later CT.

    Returns
    -------
    DefectPlane or Problem
        How "pre-op", in patient mm of the later CT; or why there is none.
    """
    pose = find_pose(later, earlier, frame)
    if isinstance(pose, Problem):
        return pose
    back = pose.later_from_earlier.inverse()
    course = ScrewFrame.of(back.apply(frame.origin_mm), back.apply(frame.tip_mm))
    try:
        found = find_defect_along(earlier, course)
        if isinstance(found, Problem):
            return _not_seen_before()
        return _carried(found.defect, pose, frame)
    except Refused:  # the course leaves the earlier CT, or the slit lies beside it
        return _not_seen_before()


def _carried(defect: DefectPlane, pose: Pose, frame: ScrewFrame) -> DefectPlane:
    plane = defect.plane.moved(pose.later_from_earlier)
    u_angle = math.hypot(defect.u_angle_deg, _POSE_U_DEG)
    u_offset = math.hypot(defect.u_offset_mm, _POSE_U_MM)
    return on_screw(plane, frame, defect.gap_mm, "pre-op", u_angle, u_offset)


def _not_seen_before() -> Problem:
    return Problem(
        "preop-defect-not-seen",
        Level.CAUTION,
        "No slit crosses the bone along the later course of the screw in the CT from before surgery.",
        "Give the plane of the defect, or a CT with thinner slices from before surgery.",
    )


def same_plane(one: DefectPlane, other: DefectPlane) -> bool:
    """Return whether two planes of a screw's defect agree within what they may be off.

    Both may be off by their own 95 % interval; surgery may have drawn the fragments together by 2 mm.

    Parameters
    ----------
    one, other : DefectPlane
        Planes of one screw's defect, patient mm (LPS).
    """
    return one.agrees(other, _MOVED_DEG, _MOVED_MM)


def settles(carried: DefectPlane, found: DefectPlane) -> bool:
    """Return whether a plane of another CT tells better where a defect lies that this CT leaves open.

    Parameters
    ----------
    carried, found : DefectPlane
        Planes of one screw's defect, patient mm (LPS): of another CT, and as this one shows it.
    """
    return found.is_unsure and not carried.is_unsure and same_plane(found, carried)
