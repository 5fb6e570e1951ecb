"""Pictures of change: the difference of two unrolled halos, and the same plane then and now."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.frame import ScrewFrame
from ongrowth.halo import HaloMap
from ongrowth.motion import Registered, ScrewMotion
from ongrowth.reading import ChangeMap, ImplantReading, Overlay, cut_along
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]


def change_map(
    earlier: ImplantReading, later: ImplantReading, scans: tuple[str, str], turned_deg: float
) -> ChangeMap:
    """Return the change of the halo width, cell by cell, in the frame of the earlier CT.

    Parameters
    ----------
    earlier, later : ImplantReading
        The same screw in both.
    scans : tuple of str
        Ids of the two CTs, the earlier first.
    turned_deg : float
        Where the zero direction of the earlier frame lies in the later one.
    """
    then, now = earlier.halo.map, later.halo.map
    width, u, side = _at(now, then.depth_mm, then.angle_deg + turned_deg)
    bone = (Side.HEAD, Side.TIP)
    in_both = np.isin(then.side, bone) & np.isin(side, bone)
    change = np.where(in_both, width - then.width_mm, np.nan)
    return ChangeMap(later.id, *scans, then.depth_mm, then.angle_deg, change, np.hypot(u, then.width_u_mm))


def _at(
    halo: HaloMap, depth_mm: FloatArray, angle_deg: FloatArray
) -> tuple[FloatArray, FloatArray, NDArray[np.int8]]:
    """Return width, its uncertainty and the side at other depths and angles, by the nearest cell."""
    row = np.clip(np.searchsorted(halo.depth_mm, depth_mm - _half(halo.depth_mm)), 0, len(halo.depth_mm) - 1)
    turn = 360.0 / len(halo.angle_deg)
    column = np.rint((angle_deg - halo.angle_deg[0]) / turn).astype(int) % len(halo.angle_deg)
    cells = np.ix_(row, column)
    beyond = np.abs(halo.depth_mm[row] - depth_mm) > 2.0 * _half(halo.depth_mm)
    width = np.where(beyond[:, None], np.nan, halo.width_mm[cells])
    return width, halo.width_u_mm[cells], halo.side[cells]


def _half(axis: FloatArray) -> float:
    return float(axis[1] - axis[0]) / 2.0 if axis.size > 1 else 0.5


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
