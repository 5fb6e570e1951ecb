"""One CT: HU on its native grid, where that grid lies, and the facts of the scan."""

from __future__ import annotations

import datetime as dt
import enum
import math
import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import apply_affine, frozen
from ongrowth.sentence import one_line


class Level(enum.StrEnum):
    """How much a problem matters."""

    REFUSE = "refuse"
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Problem:
    """Something a reader of the result must know: a code, one sentence, and what to do."""

    code: str
    level: Level
    text: str
    advice: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", one_line(self.text))  # names in it may come from anywhere

    def __str__(self) -> str:
        return f"{self.code}: {self.text} {self.advice}".rstrip()


class Refused(Exception):  # noqa: N818 - it reads as a sentence: the scan is refused
    """Data that cannot serve. Carries every problem found, not only the first.

    Parameters
    ----------
    *problems : Problem
        What is wrong and what to do.
    """

    def __init__(self, *problems: Problem) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


def refuse(code: str, text: str, advice: str = "") -> Refused:
    """Return the error of a single problem, to be raised."""
    return Refused(Problem(code, Level.REFUSE, text, advice))


@dataclass(frozen=True, slots=True)
class Dose:
    """Radiation dose as stated by the scan; NaN where not stated."""

    ctdi_vol_mgy: float = math.nan
    dlp_mgy_cm: float = math.nan
    source: str = ""


@dataclass(frozen=True, slots=True)
class Acquisition:
    """How the scan was made, as its header tells. Empty or NaN where it does not.

    `algorithm` is one of "filtered back-projection", "iterative", "deep-learning",
    "mono-energetic", "photon-counting", "not stated"; `strength` is the vendor's own text.
    `patient_words` are the words that name the patient (name, numbers, day of birth), in lower case:
    they are there to be kept out of what is printed, see `printable`.
    """

    modality: str = ""
    kernel: str = ""
    algorithm: str = "not stated"
    strength: str = ""
    kvp: float = math.nan
    slice_thickness_mm: float = math.nan
    scanner: str = ""
    body_part: str = ""
    patient_position: str = ""
    series_description: str = ""
    series_uid: str = ""
    study_uid: str = ""
    frame_of_reference_uid: str = ""
    patient_id: str = ""
    patient_words: tuple[str, ...] = ()
    date: dt.date | None = None
    birth_year: int | None = None
    is_metal_reduced: bool = False
    is_lossy: bool = False
    dose: Dose = field(default_factory=Dose)

    def printable(self, text: str) -> str:
        """Return a text of the header without the words that name the patient.

        Examples
        --------
        >>> Acquisition(patient_words=("quill", "4711")).printable("BONE, Quill 4711")
        'BONE, (withheld) (withheld)'
        """
        for word in self.patient_words:
            text = re.sub(rf"(?<![^\W_]){re.escape(word)}(?![^\W_])", "(withheld)", text, flags=re.IGNORECASE)
        return text


@dataclass(frozen=True, slots=True, eq=False)
class Scan:
    """A CT volume on its native grid.

    Parameters
    ----------
    hu : ndarray, shape (Z, Y, X), int16 or float32
        CT numbers, read-only. ``hu[k, j, i]``: slice, row, column.
    world_from_voxel : ndarray, shape (4, 4)
        Maps homogeneous array indices ``(k, j, i, 1)`` (in the order of the array axes) to
        patient mm (LPS). May be sheared (gantry tilt); never resampled.
    acquisition : Acquisition
        Facts of the scan.
    problems : tuple of Problem
        Cautions and notes found on reading (what is refused raises instead).
    hu_ceiling : float
        CT number at which the scan stops (for example 3071), NaN if none was met.
    ceiling_share : float
        Share of all voxels at that ceiling.
    source_files : tuple of str
        Paths read, in slice order where the source is a stack of files.
    others : tuple of str
        Other series that were there, each with the reason it was not taken.
    digest : str
        SHA-256 of voxels and geometry: same input, same digest.
    """

    hu: NDArray[np.int16] | NDArray[np.float32]
    world_from_voxel: NDArray[np.float64]
    acquisition: Acquisition = field(default_factory=Acquisition)
    problems: tuple[Problem, ...] = ()
    hu_ceiling: float = math.nan
    ceiling_share: float = 0.0
    source_files: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    digest: str = ""

    def __post_init__(self) -> None:
        self.hu.setflags(write=False)
        object.__setattr__(self, "world_from_voxel", frozen(self.world_from_voxel))

    @property
    def voxel_from_world(self) -> NDArray[np.float64]:
        """Maps patient mm to array indices ``(k, j, i)``; shape (4, 4)."""
        return frozen(np.linalg.inv(self.world_from_voxel))

    @property
    def step_mm(self) -> NDArray[np.float64]:
        """Length of one step along each array axis ``(k, j, i)``, mm, shape (3,)."""
        return frozen(np.linalg.norm(self.world_from_voxel[:3, :3], axis=0))

    @property
    def slice_normal(self) -> NDArray[np.float64]:
        """Unit normal of the slices, pointing the way the slice index grows, shape (3,)."""
        a = self.world_from_voxel[:3, :3]
        normal = np.cross(a[:, 2], a[:, 1])
        normal /= np.linalg.norm(normal)
        return np.asarray(normal if normal @ a[:, 0] >= 0 else -normal)

    @property
    def slice_gap_mm(self) -> float:
        """Distance between neighbouring slices along their normal, mm."""
        return float(self.world_from_voxel[:3, 0] @ self.slice_normal)

    @property
    def nominal_slice_mm(self) -> float:
        """Slice thickness of the header, mm; where it states none, the distance of the slices."""
        stated = self.acquisition.slice_thickness_mm
        return stated if math.isfinite(stated) and stated > 0.0 else self.slice_gap_mm

    @property
    def voxel_mm(self) -> tuple[float, float, float]:
        """Pixel width, pixel height, slice gap, mm (the order of the result files: x, y, z)."""
        step = self.step_mm
        return float(step[2]), float(step[1]), self.slice_gap_mm

    @property
    def voxel_mm3(self) -> float:
        """Volume of a voxel, mm3; also on a sheared grid."""
        return abs(float(np.linalg.det(self.world_from_voxel[:3, :3])))

    def world_mm(self, voxels: ArrayLike) -> NDArray[np.float64]:
        """Patient mm of array indices ``(k, j, i)``, shape (..., 3)."""
        return apply_affine(self.world_from_voxel, voxels)

    def voxels(self, world_mm: ArrayLike) -> NDArray[np.float64]:
        """Array indices ``(k, j, i)``, fractional, of patient mm, shape (..., 3)."""
        return apply_affine(self.voxel_from_world, world_mm)

    def box(self, points_mm: ArrayLike, margin_mm: float) -> tuple[slice, slice, slice]:
        """Return the array slices that hold all points plus a margin, cut at the scan's edge.

        Parameters
        ----------
        points_mm : array_like, shape (N, 3)
            Patient mm.
        margin_mm : float
            Added all round, mm.

        Raises
        ------
        Refused
            If no voxel of the scan lies there (code ``out-of-scan``).
        """
        points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        corners = np.array(np.meshgrid(*[(-margin_mm, margin_mm)] * 3)).reshape(3, -1).T
        index = self.voxels((points[:, None, :] + corners).reshape(-1, 3))
        low = np.maximum(np.floor(index.min(axis=0)).astype(int), 0)
        high = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 1, self.hu.shape)
        if np.any(high <= low):
            raise refuse(
                "out-of-scan",
                "The place asked for lies outside the scan.",
                f"Check the coordinates: {self._extent_words()}.",
            )
        return (
            slice(int(low[0]), int(high[0])),
            slice(int(low[1]), int(high[1])),
            slice(int(low[2]), int(high[2])),
        )

    def _extent_words(self) -> str:
        last = np.array(self.hu.shape) - 1
        ends = self.world_mm([last * np.array(corner) for corner in np.ndindex(2, 2, 2)])
        spans = zip("xyz", ends.min(axis=0), ends.max(axis=0), strict=True)
        return "the scan has " + ", ".join(f"{axis} {low:.0f} to {high:.0f} mm" for axis, low, high in spans)

    def crop(self, where: tuple[slice, slice, slice]) -> Scan:
        """Return the part of the scan given by array slices (a view, not a copy)."""
        from dataclasses import replace

        shifted = self.world_from_voxel.copy()
        shifted[:3, 3] = self.world_mm([s.start or 0 for s in where])
        return replace(self, hu=self.hu[where], world_from_voxel=shifted)
