"""Points, lines, planes and rigid transforms in patient millimetres (DICOM LPS)."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def unit(vector: ArrayLike) -> NDArray[np.float64]:
    """Return the vector scaled to length one, shape (3,).

    Raises
    ------
    ValueError
        If the vector has no length.
    """
    v = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(v))
    if not length > 0.0:
        raise ValueError("a direction needs a length above zero")
    return v / length


def frozen(array: ArrayLike) -> NDArray[np.float64]:
    """Return a read-only float copy, so that frozen types stay frozen."""
    out = np.array(array, dtype=np.float64)
    out.setflags(write=False)
    return out


def lock_arrays(thing: Any) -> None:
    """Make the arrays of a data class read-only in place, so that frozen types stay frozen without a copy.

    Parameters
    ----------
    thing : data class instance
        Called by its own ``__post_init__``.
    """
    for name in (field.name for field in dataclasses.fields(thing)):
        value = getattr(thing, name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)


def apply_affine(matrix: ArrayLike, points: ArrayLike) -> NDArray[np.float64]:
    """Map points, shape (..., 3), by a 4 x 4 homogeneous matrix."""
    m = np.asarray(matrix, dtype=np.float64)
    return np.asarray(points, dtype=np.float64) @ m[:3, :3].T + m[:3, 3]


@dataclass(frozen=True, slots=True, eq=False)
class RigidTransform:
    """Rotation and translation, named ``target_from_source``.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Proper rotation matrix.
    translation_mm : ndarray, shape (3,)
        Translation in the target frame, mm.
    """

    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "rotation", frozen(self.rotation))
        object.__setattr__(self, "translation_mm", frozen(self.translation_mm))

    @classmethod
    def identity(cls) -> RigidTransform:
        """Return the transform that moves nothing."""
        return cls(np.eye(3), np.zeros(3))

    @classmethod
    def from_rotation_vector(cls, vector_rad: ArrayLike, translation_mm: ArrayLike) -> RigidTransform:
        """Return the transform of a rotation vector (axis times angle, rad) and a translation."""
        from scipy.spatial.transform import Rotation

        return cls(Rotation.from_rotvec(np.asarray(vector_rad)).as_matrix(), np.asarray(translation_mm))

    @classmethod
    def about(cls, point_mm: ArrayLike, turn_rad: ArrayLike, shift_mm: ArrayLike) -> RigidTransform:
        """Return a turn about a point by a rotation vector (axis times angle, rad), then a shift."""
        point = np.asarray(point_mm, dtype=np.float64)
        rotation = cls.from_rotation_vector(turn_rad, np.zeros(3)).rotation
        return cls(rotation, point - rotation @ point + np.asarray(shift_mm))

    def __matmul__(self, other: RigidTransform) -> RigidTransform:
        """Chain: ``c_from_b @ b_from_a`` is ``c_from_a``."""
        return RigidTransform(
            self.rotation @ other.rotation,
            self.rotation @ other.translation_mm + self.translation_mm,
        )

    def inverse(self) -> RigidTransform:
        """Return ``source_from_target``."""
        return RigidTransform(self.rotation.T, -self.rotation.T @ self.translation_mm)

    def apply(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Map points, shape (..., 3), mm."""
        return np.asarray(points_mm, dtype=np.float64) @ self.rotation.T + self.translation_mm

    def turn(self, vectors: ArrayLike) -> NDArray[np.float64]:
        """Rotate directions, shape (..., 3), without translation."""
        return np.asarray(vectors, dtype=np.float64) @ self.rotation.T

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The 4 x 4 homogeneous matrix."""
        out = np.eye(4)
        out[:3, :3] = self.rotation
        out[:3, 3] = self.translation_mm
        return out

    @property
    def rotation_vector_rad(self) -> NDArray[np.float64]:
        """Axis times angle, rad, shape (3,)."""
        from scipy.spatial.transform import Rotation

        # a copy: older releases of SciPy refuse an array that cannot be written to
        return np.asarray(Rotation.from_matrix(self.rotation.copy()).as_rotvec(), dtype=np.float64)

    @property
    def angle_deg(self) -> float:
        """Angle of the rotation, degrees."""
        return float(np.degrees(np.linalg.norm(self.rotation_vector_rad)))


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """A plane through `point_mm` with unit `normal`, patient mm (LPS)."""

    point_mm: NDArray[np.float64]
    normal: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "point_mm", frozen(self.point_mm))
        object.__setattr__(self, "normal", frozen(unit(self.normal)))

    def height_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Signed distance of points, shape (..., 3), along the normal, mm."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) - self.point_mm) @ self.normal)

    def moved(self, target_from_source: RigidTransform) -> Plane:
        """Return the plane in another frame."""
        return Plane(target_from_source.apply(self.point_mm), target_from_source.turn(self.normal))


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line through `point_mm` along the unit `direction`, patient mm (LPS)."""

    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "point_mm", frozen(self.point_mm))
        object.__setattr__(self, "direction", frozen(unit(self.direction)))

    def depth_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Distance along the line of points, shape (..., 3), mm."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) - self.point_mm) @ self.direction)

    def distance_mm(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Distance of points, shape (..., 3), from the line, mm."""
        away = np.asarray(points_mm, dtype=np.float64) - self.point_mm
        return np.asarray(np.linalg.norm(away - (away @ self.direction)[..., None] * self.direction, axis=-1))
