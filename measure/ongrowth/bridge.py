"""The gap across the defect, and the bone that bridges it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.quantity import Measured


@dataclass(frozen=True, slots=True, eq=False)
class BridgeMap:
    """Gap and bridging over the cross-section, on a grid in the defect plane.

    Parameters
    ----------
    u_mm, v_mm : ndarray, shape (U,), (V,)
        Grid in the plane, mm from its point, along `u_direction` and `v_direction`.
    u_direction, v_direction : ndarray, shape (3,)
        Unit directions of the grid, patient axes.
    gap_width_mm, gap_width_u_mm : ndarray, shape (V, U)
        Gap width along the normal and its standard uncertainty; NaN outside the cross-section, 0
        where bridged.
    bridged : ndarray of bool, shape (V, U)
        Bone is continuous from edge to edge there.
    inside : ndarray of bool, shape (V, U)
        Part of the cross-section (metal excluded).
    hidden : ndarray of bool, shape (V, U)
        Part of the cross-section that metal artefact hides.
    """

    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    u_direction: NDArray[np.float64]
    v_direction: NDArray[np.float64]
    gap_width_mm: NDArray[np.float64]
    gap_width_u_mm: NDArray[np.float64]
    bridged: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    hidden: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Bridge:
    """What crosses one defect; names as in the result file."""

    defect: DefectPlane
    gap_width_mean: Measured
    gap_width_max: Measured
    bridged_fraction: Measured
    bridge_count: Measured
    smallest_bridge_shown_mm: float
    cross_section_mm2: Measured
    hidden_by_metal: Measured
    map: BridgeMap
