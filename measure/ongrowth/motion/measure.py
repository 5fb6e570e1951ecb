"""From two scans of a screw to the motion of screw and fragments: the whole way in one screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.motion.displacement import motion_of
from ongrowth.motion.model import Registered, ScrewMotion
from ongrowth.motion.register import Sight, register_fragments, register_metal
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
        leaves its motions "not measurable" with the reason.
    """
    settings = settings or MotionSettings()
    sight = Sight.of(earlier, later, earlier_screw, later_screw)
    head, tip, start = register_fragments(sight, defect.plane, settings)
    screw = register_metal(sight, start)
    frame = sight.earlier_frame
    middle = frame.world(0.0, 0.0, frame.length_mm / 2.0)
    centre = frame.world(0.0, 0.0, defect.depth_mm(frame))
    return ScrewMotion(
        motion_of(screw, head, frame, middle),
        motion_of(screw, tip, frame, middle),
        motion_of(tip, head, frame, centre),
        head if head.is_known else None,
        tip if tip.is_known else None,
        screw if screw.is_known else None,
        _problems(head, tip, screw),
    )


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
