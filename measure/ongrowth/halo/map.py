"""The lucent layer between screw and bone: its width map, and what each side amounts to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.geometry import lock_arrays
from ongrowth.halo.doubt import Doubt, Rim
from ongrowth.quantity import Caution, Measured

SIDES = {"head_side": Side.HEAD, "tip_side": Side.TIP}  # by their names in `Halo` and in the results


@dataclass(frozen=True, slots=True, eq=False)
class HaloMap:
    """Halo width over the unrolled shaft.

    Parameters
    ----------
    depth_mm : ndarray, shape (D,)
        Depth of cell centres from the head end of the shaft, mm.
    angle_deg : ndarray, shape (S,)
        Angle of cell centres, degrees.
    width_mm, width_u_mm : ndarray, shape (D, S)
        Width from the thread envelope to the bone and its standard uncertainty, mm; NaN where not
        measured. Unclamped.
    side : ndarray of int8, shape (D, S)
        `ongrowth.defect.Side` of each cell, by geometry.
    cautions : ndarray of int64, shape (D, S)
        `ongrowth.quantity.Caution` flags of each cell.
    """

    depth_mm: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    width_u_mm: NDArray[np.float64]
    side: NDArray[np.int8]
    cautions: NDArray[np.int64]

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True)
class HaloSummary:
    """What the halo amounts to over one side, or the whole shaft; names as in the result file."""

    mean_width: Measured
    p95_width: Measured
    max_width: Measured
    share_over_1mm: Measured
    share_over_2mm: Measured
    volume: Measured
    no_lucency_share: Measured
    lucent_share: Measured
    undecided_share: Measured
    no_lucency_length: Measured
    longest_no_lucency: Measured
    circumference_over_1mm_deg: Measured
    depth_over_1mm_mm: Measured
    layer_hu: Measured
    rim: Rim
    sector_excess: Measured  # the sector that stands out most, less the mean: what decides on "even"
    shape: str  # none | even | one-sided | widening to head | widening to tip | patchy
    counting_area_mm2: float
    measured_share: float
    detection_limit: Measured
    sector_mean_width: tuple[Measured, ...]  # 8, sector k centred on 45 k degrees


@dataclass(frozen=True, slots=True)
class BlurFound:
    """Blur of the scan as fitted: widths at half height, and what pinned it, in the result file's word."""

    in_plane_mm: Measured
    through_plane_mm: Measured
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Halo:
    """The halo of one screw.

    `doubt` is what the widths hang on, for comparisons; None, as `blur`, where a file does not tell it.
    """

    map: HaloMap
    whole: HaloSummary
    head_side: HaloSummary
    tip_side: HaloSummary
    blur: BlurFound | None = None
    doubt: Doubt | None = None

    @property
    def is_parted(self) -> bool:
        """Whether a defect parts the shaft into two sides; without one the map calls all of it head side."""
        return Caution.NO_DEFECT not in self.head_side.mean_width.cautions

    @property
    def parts(self) -> dict[str, Side]:
        """The parts of the shaft that are told apart, each with what the map calls it."""
        return SIDES if self.is_parted else {"whole": Side.HEAD}
