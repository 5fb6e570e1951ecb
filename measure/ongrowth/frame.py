"""The frame of a screw: depth from the head end of the shaft, angle from patient posterior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import RigidTransform, unit
from ongrowth.quantity import Caution

POSTERIOR = np.array([0.0, 1.0, 0.0])  # DICOM LPS: y grows to the back
CRANIAL = np.array([0.0, 0.0, 1.0])
_NEARLY_POSTERIOR_DEG = 25.0  # nearer than this, posterior made perpendicular would be ill-defined
_WITHIN_60_DEG = 0.5

_DIRECTION_WORDS = (
    ("left", (1.0, 0.0, 0.0)),
    ("right", (-1.0, 0.0, 0.0)),
    ("posterior", (0.0, 1.0, 0.0)),
    ("anterior", (0.0, -1.0, 0.0)),
    ("cranial", (0.0, 0.0, 1.0)),
    ("caudal", (0.0, 0.0, -1.0)),
)


def direction_word(direction: NDArray[np.float64], beside: Sequence[NDArray[np.float64]] = ()) -> str:
    """Return the anatomical word nearest to a patient direction (LPS), shape (3,).

    Every picture and table names directions by it, so one direction has one name.

    Parameters
    ----------
    direction : ndarray, shape (3,)
        The direction.
    beside : sequence of ndarray
        Directions square to it that the same picture names: their words are theirs, as far as another one
        lies within 60 degrees.

    Examples
    --------
    >>> direction_word(np.array([0.1, -0.9, 0.2]))
    'anterior'
    >>> direction_word(np.array([0.0, -0.71, 0.7]), beside=[np.array([0.1, 0.7, 0.69])])
    'cranial'
    """
    taken = {direction_word(sign * one) for one in beside for sign in (1.0, -1.0)}
    along = {word: float(direction @ np.array(axis)) for word, axis in _DIRECTION_WORDS}
    free = {word: share for word, share in along.items() if word not in taken and share > _WITHIN_60_DEG}
    return max(free or along, key=along.__getitem__)


@dataclass(frozen=True, slots=True, eq=False)
class ScrewFrame:
    """Right-handed frame of a screw.

    Origin: head end of the shaft. Third axis: head to tip. First axis (angle 0): patient posterior
    made perpendicular to the screw, or cranial where the screw runs within 25 degrees of posterior.
    Second axis (angle 90): third x first.

    Parameters
    ----------
    world_from_screw : RigidTransform
        Patient mm (LPS) from screw mm.
    length_mm : float
        Length of the shaft, mm.
    """

    world_from_screw: RigidTransform
    length_mm: float

    @classmethod
    def of(cls, head_mm: ArrayLike, tip_mm: ArrayLike) -> ScrewFrame:
        """Return the frame of a screw given its two ends, patient mm (LPS), shape (3,) each.

        Raises
        ------
        ValueError
            If the two points coincide.
        """
        head = np.asarray(head_mm, dtype=np.float64)
        tip = np.asarray(tip_mm, dtype=np.float64)
        axis = unit(tip - head)
        near_posterior = abs(axis @ POSTERIOR) > np.cos(np.radians(_NEARLY_POSTERIOR_DEG))
        start = CRANIAL if near_posterior else POSTERIOR
        zero = unit(start - (start @ axis) * axis)
        rotation = np.column_stack([zero, np.cross(axis, zero), axis])
        return cls(RigidTransform(rotation, head), float(np.linalg.norm(tip - head)))

    @property
    def origin_mm(self) -> NDArray[np.float64]:
        """Head end of the shaft, patient mm (LPS)."""
        return self.world_from_screw.translation_mm

    @property
    def tip_mm(self) -> NDArray[np.float64]:
        """Tip, patient mm (LPS)."""
        return self.origin_mm + self.length_mm * self.axis_direction

    @property
    def zero_direction(self) -> NDArray[np.float64]:
        """Direction of angle 0, patient axes."""
        return self.world_from_screw.rotation[:, 0]

    @property
    def quarter_direction(self) -> NDArray[np.float64]:
        """Direction of angle 90, patient axes."""
        return self.world_from_screw.rotation[:, 1]

    @property
    def axis_direction(self) -> NDArray[np.float64]:
        """Direction from head to tip, patient axes."""
        return self.world_from_screw.rotation[:, 2]

    def cylindrical(self, world_mm: ArrayLike) -> tuple[NDArray[np.float64], ...]:
        """Return radius (mm), angle (degrees, 0..360) and depth (mm) of patient points, shape (..., 3)."""
        local = self.world_from_screw.inverse().apply(world_mm)
        radius = np.hypot(local[..., 0], local[..., 1])
        angle = np.degrees(np.arctan2(local[..., 1], local[..., 0])) % 360.0
        return radius, angle, local[..., 2]

    def world(self, radius_mm: ArrayLike, angle_deg: ArrayLike, depth_mm: ArrayLike) -> NDArray[np.float64]:
        """Return patient mm (LPS), shape (..., 3), of cylindrical places (broadcast)."""
        radius, angle, depth = np.broadcast_arrays(radius_mm, np.radians(angle_deg), depth_mm)
        local = np.stack([radius * np.cos(angle), radius * np.sin(angle), depth], axis=-1)
        return self.world_from_screw.apply(local)

    def words_at(self, angle_deg: float) -> str:
        """Return the anatomical word nearest to the direction at an angle, for example "posterior"."""
        a = np.radians(angle_deg)
        return direction_word(np.cos(a) * self.zero_direction + np.sin(a) * self.quarter_direction)

    def sector_words(self, sector: int) -> str:
        """Return a sector of 45 degrees in words, for example "posterior" or "posterior and left"."""
        angle = 45.0 * sector
        if sector % 2 == 0:
            return self.words_at(angle)
        before, after = self.words_at(angle - 45.0), self.words_at(angle + 45.0)
        return before if before == after else f"{before} and {after}"


@dataclass(frozen=True, slots=True)
class Patch:
    """A part of the unrolled shaft that is left out, and why.

    Parameters
    ----------
    depth_mm : tuple of float
        From and to, mm from the head end of the shaft.
    angle_deg : tuple of float
        From and to, degrees, going up; ``(337.5, 22.5)`` runs over 0, and ``(0.0, 360.0)`` all round.
    cautions : Caution
        Why it is left out.

    Examples
    --------
    >>> Patch((0.0, 10.0), (337.5, 22.5)).holds([5.0, 5.0, 12.0], [350.0, 30.0, 0.0])
    array([ True, False, False])
    """

    depth_mm: tuple[float, float]
    angle_deg: tuple[float, float]
    cautions: Caution = Caution.EXCLUDED_BY_READER

    def holds(self, depth_mm: ArrayLike, angle_deg: ArrayLike) -> NDArray[np.bool_]:
        """Whether places of the shaft (broadcast) lie in it."""
        depth = np.asarray(depth_mm, dtype=np.float64)
        start, end = self.angle_deg
        span = end - start if end - start >= 360.0 else (end - start) % 360.0
        turn = (np.asarray(angle_deg, dtype=np.float64) - start) % 360.0
        return np.asarray((depth >= self.depth_mm[0]) & (depth <= self.depth_mm[1]) & (turn <= span))


def patch_cautions(
    patches: tuple[Patch, ...], depth_mm: ArrayLike, angle_deg: ArrayLike
) -> NDArray[np.int64]:
    """Return the `Caution` flags that patches put on places of the shaft (broadcast)."""
    depth, angle = np.broadcast_arrays(depth_mm, angle_deg)
    flags = np.zeros(depth.shape, dtype=np.int64)
    for patch in patches:
        flags[patch.holds(depth, angle)] |= int(patch.cautions)
    return flags
