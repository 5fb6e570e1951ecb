"""What crosses a defect: the map of the gap, the bridges, and the figures of the result file."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.geometry import lock_arrays
from ongrowth.quantity import Caution, Measured, Unit


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

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class BridgePiece:
    """One bridge.

    Parameters
    ----------
    area_mm2 : float
        Its area in the plane of the defect.
    centre_mm : ndarray, shape (3,)
        Its middle, patient mm (LPS).
    place : str
        "outer cortex" where it reaches the outline of the bone, "near the screw" where it reaches the
        metal, "inner" elsewhere.
    direction : str
        Which way it lies from the middle, an anatomical word such as "posterior".
    """

    area_mm2: float
    centre_mm: NDArray[np.float64]
    place: str
    direction: str

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of the gap: CT number of the bone at its face, and of the bone behind it.

    `is_sclerotic` : the face is denser than the bone behind it, beyond the uncertainty; None where the
    scan does not tell.
    """

    face_hu: Measured
    behind_hu: Measured
    is_sclerotic: bool | None


def _unknown() -> Measured:
    return Measured.missing(Unit.HU, Caution.NONE)


def _no_edge() -> Edge:
    return Edge(_unknown(), _unknown(), None)


@dataclass(frozen=True, slots=True, eq=False)
class Bridge:
    """What crosses one defect; names as in the result file.

    Parameters
    ----------
    defect : DefectPlane
        The plane it was measured in.
    gap_width_mean, gap_width_max : Measured
        Over the cross-section, bridged places counting as 0; the largest, mm.
    bridged_fraction : Measured
        Bridged area over the area of the cross-section without the metal, 0..1.
    bridge_count : Measured
        How many separate bridges.
    smallest_bridge_shown_mm : float
        Diameter of the thinnest bridge this scan can show.
    cross_section_mm2 : Measured
        Area of the bone in the plane, metal left out.
    hidden_by_metal : Measured
        Share of the cross-section that the metal hides, 0..1.
    map : BridgeMap
        The maps behind the figures.
    gap_width_mean_open : Measured
        Mean gap over the places that are not bridged, mm.
    tissue_hu : Measured
        CT number of what fills the gap where it is open.
    bridges : tuple of BridgePiece
        The bridges, the largest first.
    head_edge, tip_edge : Edge
        The two edges of the gap.
    """

    defect: DefectPlane
    gap_width_mean: Measured
    gap_width_max: Measured
    bridged_fraction: Measured
    bridge_count: Measured
    smallest_bridge_shown_mm: float
    cross_section_mm2: Measured
    hidden_by_metal: Measured
    map: BridgeMap
    gap_width_mean_open: Measured = field(default_factory=lambda: Measured.missing(Unit.MM, Caution.NONE))
    tissue_hu: Measured = field(default_factory=_unknown)
    bridges: tuple[BridgePiece, ...] = ()
    head_edge: Edge = field(default_factory=_no_edge)
    tip_edge: Edge = field(default_factory=_no_edge)

    @property
    def largest_bridge_mm2(self) -> float:
        """Area of the largest bridge, mm2; NaN where there is none."""
        return self.bridges[0].area_mm2 if self.bridges else math.nan
