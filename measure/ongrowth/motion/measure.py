"""From two scans of a screw to the motion of screw and fragments: the whole way in one screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.motion.displacement import motion_of
from ongrowth.motion.model import Registered, ScrewMotion
from ongrowth.motion.register import Sight, in_pieces, register_fragments, register_metal
from ongrowth.motion.settings import MotionSettings
from ongrowth.scan import Level, Problem, Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]


def measure_motion(
    earlier: Scan,
    later: Scan,
    earlier_screw: Screw,
    later_screw: Screw,
    defect: DefectPlane,
    *,
    settings: MotionSettings | None = None,
) -> ScrewMotion:
    """Measure how a screw and the two fragments it holds have moved against each other.

    Each fragment is registered rigidly on its own bone, the screw on itself; nothing is resampled,
    nobody sets a point. Kernel, tube voltage, voxels, gantry tilt and the patient's position may
    differ between the scans.

    Parameters
    ----------
    earlier, later : Scan
        The two CTs.
    earlier_screw, later_screw : Screw
        The same screw as found in each.
    defect : DefectPlane
        Defect in the earlier scan.
    settings : MotionSettings, optional
        How it is done.

    Returns
    -------
    ScrewMotion
        Three motions in the screw's frame of the earlier scan; a body that cannot be registered
        leaves its motions "not measurable" with the reason. Of a screw that is broken in one of the
        scans, or whose ends have moved against each other, the head piece is followed in the head side
        and the tip piece in the tip side.
    """
    settings = settings or MotionSettings()
    sight = Sight.of(earlier, later, earlier_screw, later_screw)
    head, tip, start = register_fragments(sight, defect.plane, settings)
    frame = sight.earlier_frame
    depth = defect.depth_mm(frame)
    centre = frame.world(0.0, 0.0, depth)
    told = (_IN_PIECES,) if sight.is_broken else ()
    if not sight.is_broken:
        screw = tip_piece = register_metal(sight, start)
        sight = in_pieces(sight, screw)
        told = (_NOT_ONE_PIECE,) if sight.is_broken else ()
    screw_frame = tip_frame = frame
    if sight.is_broken:
        screw, tip_piece = (register_metal(sight, start, f"{end} piece") for end in ("head", "tip"))
        screw_frame, tip_frame = _piece_frames(frame, sight.break_mm)
    return ScrewMotion(
        motion_of(screw, head, screw_frame, _middle(frame, 0.0, depth)),
        motion_of(tip_piece, tip, tip_frame, _middle(frame, depth, frame.length_mm)),
        motion_of(tip, head, frame, centre),
        head if head.is_known else None,
        tip if tip.is_known else None,
        screw if screw.is_known else None,
        tip_piece if sight.is_broken and tip_piece.is_known else None,
        (*_problems(head, tip, screw), *told),
    )


_NOT_ONE_PIECE = Problem(
    "screw-not-rigid",
    Level.CAUTION,
    "The two ends of the shaft have moved against each other, as in a screw that has broken or bent, though "
    "no interruption shows: its head end is measured against the head side, its tip end against the tip "
    "side.",
    "Look at the whole shaft in both CTs.",
)
_IN_PIECES = Problem(
    "screw-in-pieces",
    Level.CAUTION,
    "The shaft is interrupted: its head piece is measured against the head side, its tip piece against "
    "the tip side.",
    "Look at the break on the page of the scan that shows it.",
)


def _piece_frames(frame: ScrewFrame, break_mm: float) -> tuple[ScrewFrame, ScrewFrame]:
    at = frame.world(0.0, 0.0, break_mm)
    return ScrewFrame.of(frame.origin_mm, at), ScrewFrame.of(at, frame.tip_mm)


def _middle(frame: ScrewFrame, low_mm: float, high_mm: float) -> FloatArray:
    """Return the middle of the part of the shaft that a fragment holds."""
    return frame.world(0.0, 0.0, (low_mm + high_mm) / 2.0)


def _problems(*bodies: Registered) -> tuple[Problem, ...]:
    return tuple(
        Problem(
            "not-registered",
            Level.CAUTION,
            f"The {body.body} could not be followed from one scan to the other ({body.cautions.words}).",
            "Look at both scans side by side; a scan that shows more of the bone would help.",
        )
        for body in bodies
        if not body.is_known
    )
