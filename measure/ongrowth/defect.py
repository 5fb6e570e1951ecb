"""The defect a screw crosses: its plane, and the two fragments as the screw sees them."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution


class Side(enum.IntEnum):
    """Which part a place on the screw belongs to."""

    OUTSIDE = 0  # no bone of either fragment behind
    HEAD = 1
    GAP = 2
    TIP = 3

    @property
    def word(self) -> str:
        """The word of the result files: "head", "tip", "gap", "outside"."""
        return self.name.lower()


@dataclass(frozen=True, slots=True, eq=False)
class DefectPlane:
    """Plane of the defect; its normal points from the head side to the tip side.

    Parameters
    ----------
    plane : Plane
        Patient mm (LPS); point on the screw axis where the screw is known.
    gap_mm : float
        First estimate of the gap width along the normal, mm (NaN: not estimated).
    how : str
        "found", "pre-op" or "given".
    u_angle_deg, u_offset_mm : float
        Standard uncertainty of the normal and of the place along it.
    cautions : Caution
        What weakens the plane.
    """

    plane: Plane
    gap_mm: float
    how: str
    u_angle_deg: float
    u_offset_mm: float
    cautions: Caution = Caution.NONE

    def side_of(self, world_mm: ArrayLike) -> NDArray[np.int8]:
        """Return `Side` values (HEAD, GAP or TIP) of patient points, shape (..., 3).

        Examples
        --------
        >>> defect = DefectPlane(Plane(np.zeros(3), np.array([0.0, 0.0, 1.0])), 2.0, "given", 0.0, 0.0)
        >>> defect.side_of([[0.0, 0.0, -3.0], [0.0, 0.0, 0.5], [0.0, 0.0, 3.0]])
        array([1, 2, 3], dtype=int8)
        """
        height = self.plane.height_mm(world_mm)
        half = 0.0 if np.isnan(self.gap_mm) else self.gap_mm / 2.0
        side = np.where(height < -half, Side.HEAD, np.where(height > half, Side.TIP, Side.GAP))
        return side.astype(np.int8)

    def depth_mm(self, frame: ScrewFrame) -> float:
        """Depth at which the screw axis crosses the plane, mm."""
        slope = float(self.plane.normal @ frame.axis_direction)
        return float(-self.plane.height_mm(frame.origin_mm) / slope)
