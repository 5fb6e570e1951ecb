"""What moved and grew as records, and what is carried over from one CT to another by the bone."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np

from ongrowth.change.difference import Placement
from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.motion import Motion, Registered, ScrewMotion
from ongrowth.newbone import NewBone
from ongrowth.quantity import Unit
from ongrowth.reading import BonePlace, MotionRecord, NewBoneRecord
from ongrowth.scan import Level, Problem
from ongrowth.wording import with_unit

_ONE_DAY_WEEKS = 0.1  # dates give steps of a seventh
_CARRIED_U_DEG, _CARRIED_U_MM = 0.2, 0.05  # of the registration; small beside those of the plane itself


def motion_records(implant: str, scans: tuple[str, str], moved: ScrewMotion) -> tuple[MotionRecord, ...]:
    """Return the motions of a screw and its fragments as the result file keeps them.

    Parameters
    ----------
    implant : str
        Id of the screw.
    scans : tuple of str
        Ids of the two CTs, the earlier first.
    moved : ScrewMotion
        What was measured between them.
    """
    return tuple(_record(implant, scans, motion) for motion in moved.motions)


def _record(implant: str, scans: tuple[str, str], motion: Motion) -> MotionRecord:
    return MotionRecord(
        implant,
        motion.body,
        motion.relative_to,
        *scans,
        motion.translation_mm,
        motion.axis_change_deg,
        motion.roll_deg,
        motion.total_translation,
        motion.total_rotation,
        motion.head_point,
        motion.tip_point,
        motion.max_total_point_motion,
        motion.state,
    )


def double_examination(
    scans: tuple[str, str],
    weeks: tuple[float, float],
    days: tuple[dt.date | None, dt.date | None],
    motions: Sequence[MotionRecord],
) -> tuple[Problem, ...]:
    """Say what two CTs of one day differ by: nothing can have moved, so it is error of measurement.

    Parameters
    ----------
    scans : tuple of str
        Ids of the two CTs.
    weeks : tuple of float
        When they were made, weeks since surgery.
    days : tuple of date or None
        And on which day, where that is known: whole weeks are told of CTs some days apart, too.
    motions : sequence of MotionRecord
        Between the two.
    """
    are_days_apart = None not in days and days[0] != days[1]
    if are_days_apart or not abs(weeks[1] - weeks[0]) < _ONE_DAY_WEEKS:  # also where a week is not known
        return ()
    told = [
        f"{m.body} in the {m.relative_to} {_difference(m)}" for m in motions if m.axis_change_deg.is_known
    ]
    if not told:
        return ()
    text = (
        f"CTs {scans[0]} and {scans[1]} are of one day (double examination), so what differs is error of "
        f"measurement: {', '.join(told)}."
    )
    advice = "From some ten such pairs the precision of a clinic can be worked out."
    return (Problem("double-examination", Level.NOTE, text, advice),)


def _difference(motion: MotionRecord) -> str:
    shift = math.hypot(*(part.value for part in motion.translation_mm))
    return f"{with_unit(shift, Unit.MM)} and {motion.axis_change_deg.value:.2f}°"  # whole degrees hide it


def new_bone_record(implant: str, scans: tuple[str, str], found: NewBone) -> NewBoneRecord:
    """Return the new bone round a screw as the result file keeps it.

    Parameters
    ----------
    implant : str
        Id of the screw.
    scans : tuple of str
        Ids of the earlier and the later CT.
    found : NewBone
        What was measured.
    """
    places = tuple(BonePlace(one.place, one.volume) for one in found.elsewhere)
    return NewBoneRecord(implant, *scans, found.in_defect, found.around_defect, places)


def bone_of(moved: ScrewMotion) -> Registered | None:
    """Return the fragment that ties two CTs together: the head side, else the tip side."""
    return moved.head_side or moved.tip_side


def placement(moved: ScrewMotion, earlier: ScrewFrame, later: ScrewFrame) -> Placement:
    """Return where angle 0 and depth 0 of the earlier frame lie in the later one, by the bone.

    The patient never lies twice alike, and a screw may move in its bed; cells of two CTs are the same bone
    only after this turn and slide. None of either where no fragment was followed.

    Parameters
    ----------
    moved : ScrewMotion
        How screw and fragments moved.
    earlier, later : ScrewFrame
        Frame of the screw in either CT.
    """
    bone = bone_of(moved)
    if bone is None:
        return Placement()
    later_from_earlier = bone.earlier_from_later.inverse()
    zero = later_from_earlier.turn(earlier.zero_direction)
    turn = math.atan2(float(zero @ later.quarter_direction), float(zero @ later.zero_direction))
    slide = float((later_from_earlier.apply(earlier.origin_mm) - later.origin_mm) @ later.axis_direction)
    return Placement(math.degrees(turn), slide)


def carried_defect(defect: DefectPlane, moved: ScrewMotion, later: ScrewFrame) -> DefectPlane | None:
    """Return the plane of an earlier CT as it lies in a later one; None where no bone ties the two.

    Parameters
    ----------
    defect : DefectPlane
        In the earlier CT.
    moved : ScrewMotion
        From the earlier to the later CT.
    later : ScrewFrame
        The screw in the later CT; the point of the plane is put on its axis.
    """
    bones = [bone for bone in (moved.head_side, moved.tip_side) if bone is not None]
    if not bones:
        return None
    planes = [defect.plane.moved(bone.earlier_from_later.inverse()) for bone in bones]
    point = np.mean([plane.point_mm for plane in planes], axis=0)  # midway, should the fragments have parted
    normal = np.sum([plane.normal for plane in planes], axis=0)
    plane = Plane(point, normal)
    slope = float(plane.normal @ later.axis_direction)
    depth = -float(plane.height_mm(later.origin_mm)) / slope if abs(slope) > 1e-6 else math.nan
    if not 0.0 < depth < later.length_mm:
        return None
    return DefectPlane(
        Plane(later.origin_mm + depth * later.axis_direction, plane.normal),
        defect.gap_mm,
        "carried",
        math.hypot(defect.u_angle_deg, _CARRIED_U_DEG),
        math.hypot(defect.u_offset_mm, _CARRIED_U_MM),
        defect.cautions,
    )
