"""A screw whose ends a person set by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import unit
from ongrowth.quantity import Measured, Unit
from ongrowth.screw.model import Screw

_SET_U_MM = 0.3  # project's choice: how well an end is set by hand on a cut


def with_ends(screw: Screw, head_mm: NDArray[np.float64], tip_mm: NDArray[np.float64]) -> Screw:
    """Return a screw with other ends, held as given; what counts from the head end moves with it.

    Parameters
    ----------
    screw : Screw
        As found.
    head_mm, tip_mm : ndarray, shape (3,)
        Head end of the shaft and tip, patient mm (LPS), at least one of them set by hand.
    """
    axis, found = unit(tip_mm - head_mm), unit(screw.tip_mm - screw.head_mm)
    shift = float((head_mm - screw.head_mm) @ axis)
    length = float(np.linalg.norm(tip_mm - head_mm))
    seen = screw.integrity
    thread_start = max(screw.thread_start_mm - shift, 0.0) if screw.thread_start_mm else 0.0
    is_axis_kept = float(axis @ found) > math.cos(math.radians(0.05))  # ends slid along the axis
    u_deg = 0.0 if is_axis_kept else math.degrees(math.sqrt(2.0) * _SET_U_MM / length)
    return replace(
        screw,
        head_mm=head_mm,
        tip_mm=tip_mm,
        length_mm=Measured.of(length, max(screw.length_mm.u, _SET_U_MM), Unit.MM, floor=0.0),
        integrity=replace(seen, at_depth_mm=seen.at_depth_mm - shift),
        thread_start_mm=thread_start,
        axis_u_deg=math.hypot(screw.axis_u_deg, u_deg),
    )
