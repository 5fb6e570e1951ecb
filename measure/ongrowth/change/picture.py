"""Pictures of change: the same plane along the screw then and now."""

from __future__ import annotations

import numpy as np

from ongrowth.frame import ScrewFrame
from ongrowth.motion import Registered, ScrewMotion
from ongrowth.reading import Overlay, cut_along
from ongrowth.scan import Scan


def overlays(
    earlier: Scan,
    later: Scan,
    frame: ScrewFrame,
    moved: ScrewMotion,
    implant: str,
    scans: tuple[str, str],
) -> tuple[Overlay, ...]:
    """Return the plane along the screw in both CTs, once with the screw held still, once each fragment.

    They tell different stories: with the screw held still its bed is seen to move, with a fragment held
    still the screw is.

    Parameters
    ----------
    earlier, later : Scan
        The two CTs.
    frame : ScrewFrame
        The screw in the earlier one.
    moved : ScrewMotion
        How each body lies in both.
    implant : str
        Id of the screw.
    scans : tuple of str
        Ids of the two CTs, the earlier first.
    """
    name = _telling_plane(frame, moved)
    then = cut_along(earlier, frame, name)
    bodies = (moved.screw, moved.head_side, moved.tip_side)
    return tuple(
        Overlay(implant, *scans, body.body, then, cut_along(later, _carried(frame, body), name))
        for body in bodies
        if body is not None
    )


def _carried(frame: ScrewFrame, body: Registered) -> ScrewFrame:
    return ScrewFrame(body.earlier_from_later.inverse() @ frame.world_from_screw, frame.length_mm)


def _telling_plane(frame: ScrewFrame, moved: ScrewMotion) -> str:
    """Return the plane along the screw in which its ends have moved more."""
    motion = moved.screw_in_head_side
    ends = np.array([frame.origin_mm, frame.tip_mm])
    shift = (motion.fixed_from_moving.apply(ends) - ends) @ frame.world_from_screw.rotation
    sideways = np.abs(shift[:, :2]).max(axis=0)
    return "along-quarter" if sideways[1] > sideways[0] else "along-zero"
