"""The defect a screw crosses: its plane, and the two fragments as the screw sees them."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import COVERAGE_95, Caution
from ongrowth.scan import Level, Problem, refuse

_GIVEN_U_DEG, _GIVEN_U_MM = 5.0, 0.5  # project's choice: how well a plane set by hand lies
_LEAST_SLOPE = 0.17  # sine of 10 degrees: a flatter plane runs along the screw instead of across it
_UNSURE_DEG, _UNSURE_MM = 3.0, 0.4  # standard uncertainty from which a reader is told; project's choice
_ANY_DIRECTION_DEG = 90.0  # two planes cannot differ by more


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
        "found", "pre-op" (from the CT before surgery), "carried" (from another CT of the case) or "given".
    u_angle_deg, u_offset_mm : float
        Standard uncertainty of the normal and of the place along it.
    cautions : Caution
        What weakens the plane.
    rivals : tuple of Rival
        Other planes that the image does not rule out; `u_angle_deg` and `u_offset_mm` hold them too.
    """

    plane: Plane
    gap_mm: float
    how: str
    u_angle_deg: float
    u_offset_mm: float
    cautions: Caution = Caution.NONE
    rivals: tuple[Rival, ...] = ()

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

    @property
    def is_unsure(self) -> bool:
        """Whether the image leaves open where the plane lies: thick slices, or a rival."""
        return self.u_angle_deg > _UNSURE_DEG or self.u_offset_mm > _UNSURE_MM

    def agrees(self, other: DefectPlane, more_deg: float = 0.0, more_mm: float = 0.0) -> bool:
        """Return whether two planes differ by no more than their 95 % intervals, and some more."""
        off_deg, off_mm = between_planes(self.plane, other.plane)
        u_deg = math.hypot(self.u_angle_deg, other.u_angle_deg)
        u_mm = math.hypot(self.u_offset_mm, other.u_offset_mm)
        return off_deg < COVERAGE_95 * u_deg + more_deg and off_mm < COVERAGE_95 * u_mm + more_mm

    def depth_mm(self, frame: ScrewFrame) -> float:
        """Depth at which the screw axis crosses the plane, mm."""
        slope = float(self.plane.normal @ frame.axis_direction)
        return float(-self.plane.height_mm(frame.origin_mm) / slope)


@dataclass(frozen=True, slots=True, eq=False)
class Rival:
    """Another plane that a defect may lie in, the gap there, and how likely it is beside the one chosen."""

    plane: Plane
    gap_mm: float
    probability: float


def unsure_note(defect: DefectPlane, where: str) -> tuple[Problem, ...]:
    """Return what a reader must know of a found plane that the image does not settle; nothing of others.

    Parameters
    ----------
    defect : DefectPlane
        The plane.
    where : str
        Which defect, such as "at screw A".
    """
    if defect.how == "given" or not defect.is_unsure:
        return ()
    why = (
        "Another slit is not ruled out"
        if defect.rivals
        else "Thick slices, streaks, uneven faces or bone lost beside the screw leave it open"
    )
    angle_deg = COVERAGE_95 * defect.u_angle_deg
    turned = f"{angle_deg:.0f} degrees" if angle_deg < _ANY_DIRECTION_DEG else "any angle"
    off = f"{turned} and {COVERAGE_95 * defect.u_offset_mm:.1f} mm"
    return (
        Problem(
            "defect-unsure",
            Level.CAUTION,
            f"The plane of the defect {where} is not settled. {why}: it may be off by {off} (95 %).",
            "Look whether both faces follow the slit; if not, give the plane by hand and measure again.",
        ),
    )


def between_planes(one: Plane, other: Plane) -> tuple[float, float]:
    """Return the angle between two planes, degrees, and how far the second's point lies off the first, mm.

    Parameters
    ----------
    one, other : Plane
        Planes in one frame; which way their normals point does not matter.
    """
    cosine = min(1.0, abs(float(one.normal @ other.normal)))
    return math.degrees(math.acos(cosine)), abs(float(one.height_mm(other.point_mm)))


def given_defect(
    point_mm: ArrayLike, normal: ArrayLike, frame: ScrewFrame, gap_mm: float = math.nan
) -> DefectPlane:
    """Return the defect plane that a reader or a case file gives.

    Parameters
    ----------
    point_mm, normal : array_like, shape (3,)
        Any point of the plane and its normal, patient mm (LPS); the normal may point either way.
    frame : ScrewFrame
        Frame of the screw that crosses it.
    gap_mm : float
        Gap width if it is known.

    Returns
    -------
    DefectPlane
        How "given", its point on the screw axis, its normal from the head side to the tip side.

    Raises
    ------
    Refused
        If the plane does not cross the screw (code ``defect-off-screw``).
    """
    plane = Plane(np.asarray(point_mm), np.asarray(normal))
    return on_screw(plane, frame, gap_mm, "given", _GIVEN_U_DEG, _GIVEN_U_MM)


def on_screw(
    plane: Plane,
    frame: ScrewFrame,
    gap_mm: float,
    how: str,
    u_angle_deg: float,
    u_offset_mm: float,
    rivals: tuple[Rival, ...] = (),
) -> DefectPlane:
    """Return a plane as the defect a screw crosses: point on its axis, normal from head to tip.

    Raises
    ------
    Refused
        If the plane does not cross the screw (code ``defect-off-screw``).
    """
    slope = float(plane.normal @ frame.axis_direction)
    depth = -float(plane.height_mm(frame.origin_mm)) / slope if abs(slope) > _LEAST_SLOPE else math.nan
    if not 0.0 < depth < frame.length_mm:
        raise refuse(
            "defect-off-screw",
            "The plane of the defect does not cross the shaft of the screw.",
            "Check the point and the normal of the defect; patient millimetres (LPS) are expected.",
        )
    point = frame.origin_mm + depth * frame.axis_direction
    placed = Plane(point, np.sign(slope) * plane.normal)
    return DefectPlane(placed, gap_mm, how, u_angle_deg, u_offset_mm, rivals=rivals)
