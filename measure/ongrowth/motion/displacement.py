"""Two registered bodies put together: how one was displaced as seen from the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.motion.model import MOVED, NOT_MEASURABLE, NOT_SHOWN, Motion, Registered
from ongrowth.motion.rigid import covariance_at, measured_length, point_motions_mm, turn_covariance
from ongrowth.quantity import Caution, Measured, Unit

FloatArray = NDArray[np.float64]

_CHANCE = 0.003  # of calling a body moved that has not: small, because one false alarm may cost a scan
_AXIS = slice(0, 5)  # translation and the two rotations across the axis
_SHAFT_POINTS = 9


def motion_of(body: Registered, reference: Registered, frame: ScrewFrame, point_mm: FloatArray) -> Motion:
    """Return the displacement of a body seen from another.

    Parameters
    ----------
    body, reference : Registered
        The two bodies.
    frame : ScrewFrame
        The screw in the earlier scan: its axes are those of the result.
    point_mm : ndarray, shape (3,)
        Point whose translation is reported, patient mm of the earlier scan.
    """
    cautions = body.cautions | reference.cautions
    if not (body.is_known and reference.is_known):
        return _missing(body.body, reference.body, point_mm, frame, cautions)
    seen = reference.earlier_from_later @ body.earlier_from_later.inverse()
    axes = frame.world_from_screw.rotation.T
    patient = covariance_at(reference.covariance, reference.centre_mm, point_mm)
    patient = patient + covariance_at(body.covariance, body.centre_mm, point_mm)
    covariance = turn_covariance(patient, axes)
    shift = axes @ (seen.apply(point_mm) - point_mm)
    turn = axes @ seen.rotation_vector_rad
    is_screw = body.body == "screw"
    tilt = measured_length(np.degrees(turn[:2]), _square_deg(covariance[3:5, 3:5]), Unit.DEG, cautions)
    whole = measured_length(np.degrees(turn), _square_deg(covariance[3:, 3:]), Unit.DEG, cautions)
    ends = [_point(seen, p, point_mm, patient, cautions) for p in (frame.origin_mm, frame.tip_mm)]
    points = _shaft(frame) if is_screw else body.places_mm
    farthest = points[int(np.argmax(point_motions_mm(seen, points)))]
    return Motion(
        body.body,
        reference.body,
        seen,
        covariance,
        _along(shift, covariance, cautions),
        tilt,
        _roll(turn[2], covariance[5, 5], cautions, is_known=body.is_roll_known),
        measured_length(shift, covariance[:3, :3], Unit.MM, cautions),
        tilt if is_screw else whole,
        ends[0],
        ends[1],
        _point(seen, farthest, point_mm, patient, cautions),
        _state(np.r_[shift, turn], covariance, is_roll_known=body.is_roll_known),
        point_mm,
        axes,
    )


def _shaft(frame: ScrewFrame) -> FloatArray:
    return frame.world(0.0, 0.0, np.linspace(0.0, frame.length_mm, _SHAFT_POINTS))


def _square_deg(covariance_rad2: FloatArray) -> FloatArray:
    return np.degrees(np.degrees(covariance_rad2))


def _along(
    shift: FloatArray, covariance: FloatArray, cautions: Caution
) -> tuple[Measured, Measured, Measured]:
    x, y, z = (
        Measured.of(float(shift[a]), float(np.sqrt(covariance[a, a])), Unit.MM, cautions) for a in range(3)
    )
    return x, y, z


def _roll(turn_rad: float, variance_rad2: float, cautions: Caution, *, is_known: bool) -> Measured:
    if not is_known:
        return Measured.missing(Unit.DEG, cautions | Caution.SMALLER_THAN_BLUR)
    u = float(np.degrees(np.sqrt(variance_rad2)))
    return Measured.of(float(np.degrees(turn_rad)), u, Unit.DEG, cautions)


def _point(
    seen: RigidTransform,
    point_mm: FloatArray,
    centre_mm: FloatArray,
    covariance: FloatArray,
    cautions: Caution,
) -> Measured:
    here = covariance_at(covariance, centre_mm, point_mm)[:3, :3]
    return measured_length(seen.apply(point_mm) - point_mm, here, Unit.MM, cautions)


def _state(change: FloatArray, covariance: FloatArray, *, is_roll_known: bool) -> str:
    """Say "moved" if the pose, or the roll alone, differs from none beyond chance."""
    distance = float(change[_AXIS] @ np.linalg.solve(covariance[_AXIS, _AXIS], change[_AXIS]))
    roll = float(change[5] ** 2 / covariance[5, 5])
    is_moved = distance > chdtri(5, _CHANCE) or (is_roll_known and roll > chdtri(1, _CHANCE))
    return MOVED if is_moved else NOT_SHOWN


def _missing(body: str, reference: str, point_mm: FloatArray, frame: ScrewFrame, cautions: Caution) -> Motion:
    mm, deg = Measured.missing(Unit.MM, cautions), Measured.missing(Unit.DEG, cautions)
    unknown, still = np.full((6, 6), np.nan), RigidTransform.identity()
    lengths = (deg, deg, mm, deg, mm, mm, mm)
    return Motion(
        body, reference, still, unknown, (mm, mm, mm), *lengths, NOT_MEASURABLE,
        point_mm, frame.world_from_screw.rotation.T,
    )  # fmt: skip
