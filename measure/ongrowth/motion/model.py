"""What a comparison of two scans gives: each body's displacement seen from another."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import RigidTransform, frozen
from ongrowth.quantity import Caution, Measured
from ongrowth.scan import Problem

FloatArray = NDArray[np.float64]

MOVED, NOT_SHOWN, NOT_MEASURABLE = "moved", "not shown to have moved", "not measurable"


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """How one body lies in two scans.

    Parameters
    ----------
    body : str
        "screw", "head side" or "tip side".
    earlier_from_later : RigidTransform
        Maps patient mm of the later scan to those of the earlier one, by this body.
    centre_mm : ndarray, shape (3,)
        Point of the earlier scan about which the rotations of `covariance` turn.
    covariance : ndarray, shape (6, 6)
        Of translation (mm) and rotation (rad), patient axes of the earlier scan.
    n_blocks : int
        Blocks of bone or metal used.
    growth_mm : float
        Mean shift of the body's surface outward (bone only; blurring and growth look alike).
    places_mm : ndarray, shape (N, 3)
        Middles of the blocks, earlier scan.
    cautions : Caution
        What weakens it.
    is_roll_known : bool
        False for a screw whose thread does not show; its roll is then taken to be the bone's.
    rigid_body_error_mm : float
        How far the blocks lie off the rigid motion, root mean square over the three axes together.
    """

    body: str
    earlier_from_later: RigidTransform
    centre_mm: FloatArray
    covariance: FloatArray
    n_blocks: int
    growth_mm: float
    places_mm: FloatArray
    cautions: Caution = Caution.NONE
    is_roll_known: bool = True
    rigid_body_error_mm: float = math.nan

    def __post_init__(self) -> None:
        for name in ("centre_mm", "covariance", "places_mm"):
            object.__setattr__(self, name, frozen(getattr(self, name)))

    @classmethod
    def missing(cls, body: str, cautions: Caution) -> Registered:
        """Return a body that could not be registered, with the reason."""
        nowhere, unknown = np.full(3, np.nan), np.full((6, 6), np.nan)
        return cls(body, RigidTransform.identity(), nowhere, unknown, 0, np.nan, np.zeros((0, 3)), cautions)

    @property
    def is_known(self) -> bool:
        """Whether the body was registered."""
        return self.n_blocks > 0


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Displacement of one body between two scans, seen from another that is held still.

    Two lying scans: a change of position, which says nothing of movement under load.

    Parameters
    ----------
    body, relative_to : str
        "screw" or "tip side"; "head side" or "tip side".
    fixed_from_moving : RigidTransform
        Takes a point of the body from where it was to where it is, patient mm of the earlier scan,
        `relative_to` being held still.
    covariance : ndarray, shape (6, 6)
        Of translation (mm) of the reference point and rotation (rad), in the screw's axes.
    translation_mm : tuple of Measured
        Of the reference point along the screw's axes.
    axis_change_deg, roll_deg : Measured
        Rotation across the screw's axis (its length) and about it (signed).
    total_translation, total_rotation : Measured
        Length of the translation; angle of the rotation (for the screw: the axis change, its roll
        being far less well known).
    head_point, tip_point : Measured
        Lengths of the displacement of the two ends of the shaft.
    max_total_point_motion : Measured
        Largest displacement over the points of the body (for the screw: of its axis).
    state : str
        "moved", "not shown to have moved" or "not measurable".
    point_mm : ndarray, shape (3,)
        Reference point, patient mm of the earlier scan: for the screw the middle of the
        part of the shaft that the fragment holds, for a fragment the middle of the defect on the screw.
    axes : ndarray, shape (3, 3)
        The screw's axes in the earlier scan as rows, patient directions.
    """

    body: str
    relative_to: str
    fixed_from_moving: RigidTransform
    covariance: FloatArray
    translation_mm: tuple[Measured, Measured, Measured]
    axis_change_deg: Measured
    roll_deg: Measured
    total_translation: Measured
    total_rotation: Measured
    head_point: Measured
    tip_point: Measured
    max_total_point_motion: Measured
    state: str
    point_mm: FloatArray = field(default_factory=lambda: np.full(3, np.nan))
    axes: FloatArray = field(default_factory=lambda: np.eye(3))

    def __post_init__(self) -> None:
        for name in ("point_mm", "axes", "covariance"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False)
class ScrewMotion:
    """Everything two scans say of the position of one screw and the two fragments it holds.

    Parameters
    ----------
    screw_in_head_side, screw_in_tip_side, tip_side_in_head_side : Motion
        The three pairs of bodies.
    head_side, tip_side, screw : Registered or None
        How each body lies in the two scans; None where it could not be told. `screw` is the head
        piece of a broken one.
    tip_piece : Registered or None
        The tip piece of a broken screw.
    problems : tuple of Problem
        What a reader must know.
    """

    screw_in_head_side: Motion
    screw_in_tip_side: Motion
    tip_side_in_head_side: Motion
    head_side: Registered | None
    tip_side: Registered | None
    screw: Registered | None
    tip_piece: Registered | None = None
    problems: tuple[Problem, ...] = ()

    @property
    def motions(self) -> tuple[Motion, Motion, Motion]:
        """The three motions, in the order of the result file."""
        return self.screw_in_head_side, self.screw_in_tip_side, self.tip_side_in_head_side
