"""What all CTs of a case gave, and what two of them say of change, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import lock_arrays
from ongrowth.quantity import Measured
from ongrowth.reading.parts import Cut, DoseFacts, Finding, Reading, Summary
from ongrowth.scan import Problem

_NO_DOSE = DoseFacts(n_examinations=0)


@dataclass(frozen=True, slots=True)
class MotionRecord:
    """Displacement of one body seen from another between two scans; names as in the result file."""

    implant: str
    body: str  # screw | tip side
    relative_to: str  # head side | tip side
    from_scan: str
    to_scan: str
    translation_mm: tuple[Measured, Measured, Measured]
    axis_change_deg: Measured
    roll_deg: Measured
    total_translation: Measured
    total_rotation: Measured
    head_point: Measured
    tip_point: Measured
    max_total_point_motion: Measured
    state: str  # moved | not shown to have moved | not measurable


@dataclass(frozen=True, slots=True)
class BonePlace:
    """New bone at a named place."""

    place: str
    volume: Measured


@dataclass(frozen=True, slots=True)
class NewBoneRecord:
    """Bone that an earlier scan did not show."""

    implant: str
    from_scan: str
    to_scan: str
    in_defect: Measured
    around_defect: Measured
    elsewhere: tuple[BonePlace, ...] = ()


@dataclass(frozen=True, slots=True)
class ChangeRecord:
    """Change of a quantity of one side between two scans."""

    implant: str
    side: str  # head_side | tip_side | whole | defect | screw
    quantity: str
    from_scan: str
    to_scan: str
    value: Measured
    state: str  # grown | shrunk | not shown to have changed | not measurable


@dataclass(frozen=True, slots=True, eq=False)
class ChangeMap:
    """How the halo width of one screw has changed from one CT to a later one, cell by cell.

    Parameters
    ----------
    implant, from_scan, to_scan : str
        Which screw, and which two CTs.
    depth_mm, angle_deg : ndarray, shapes (D,), (S,)
        Cell centres in the screw's frame of the earlier CT.
    change_mm, change_u_mm : ndarray, shape (D, S)
        Width in the later CT less that in the earlier one, and its standard uncertainty; NaN where a
        cell was not measured in both.
    turn_deg, slide_mm : float
        Where angle 0 and depth 0 of the earlier frame lie in the later one, by the bone.
    """

    implant: str
    from_scan: str
    to_scan: str
    depth_mm: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    change_mm: NDArray[np.float64]
    change_u_mm: NDArray[np.float64]
    turn_deg: float = 0.0
    slide_mm: float = 0.0

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class NewBoneCells:
    """Where the new bone of a comparison lies in the later CT.

    Parameters
    ----------
    implant, from_scan, to_scan : str
        Which screw, and which two CTs.
    cells_mm : ndarray, shape (N, 3)
        Middles of the cells, patient mm (LPS) of the later CT.
    cell_mm : float
        Edge of a cell.
    """

    implant: str
    from_scan: str
    to_scan: str
    cells_mm: NDArray[np.float64]
    cell_mm: float

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """The same plane along the screw in two CTs, laid on each other by one body that is held still.

    `held` is "screw", "head side" or "tip side"; `then` and `now` share their axes.
    """

    implant: str
    from_scan: str
    to_scan: str
    held: str
    then: Cut
    now: Cut


@dataclass(frozen=True, slots=True)
class ComparisonNote:
    """What a reader must know of the comparison of two CTs."""

    from_scan: str
    to_scan: str
    problem: Problem


@dataclass(frozen=True, slots=True)
class Patient:
    """The pseudonym and what else the case file says of the patient."""

    id: str = ""
    birth_year: int | None = None
    site: str = ""
    remark: str = ""  # printed under the heading


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What all CTs of one patient gave, in time order."""

    patient: Patient
    readings: tuple[Reading, ...]
    findings: tuple[Finding, ...]
    summary: Summary
    motions: tuple[MotionRecord, ...] = ()
    new_bone: tuple[NewBoneRecord, ...] = ()
    changes: tuple[ChangeRecord, ...] = ()
    refused: tuple[tuple[str, tuple[Problem, ...]], ...] = ()  # scan id, what was wrong
    dose_total: DoseFacts = _NO_DOSE
    change_maps: tuple[ChangeMap, ...] = ()
    overlays: tuple[Overlay, ...] = ()
    new_bone_cells: tuple[NewBoneCells, ...] = ()
    notes: tuple[ComparisonNote, ...] = ()
