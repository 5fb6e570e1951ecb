"""What a search for new bone gives."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import frozen
from ongrowth.quantity import Caution, Measured, Unit

PLACES = ("toward the canal", "toward the foramen", "toward the facet", "behind", "other")


@dataclass(frozen=True, slots=True)
class NewBoneSettings:
    """How new bone is told from the bone and the tissue that were there. Lengths in mm."""

    step_mm: float = 0.5  # of the grid: half of a usual blur
    reach_mm: float = 18.0  # farther from the screw lie other joints and ribs
    past_end_mm: float = 4.0  # beyond head and tip
    around_mm: float = 5.0  # "round the defect" ends here
    metal_mm: float = 1.2  # blooming and the first streaks
    bed_mm: float = 4.5  # from the axis: thread, halo and streaks; old bone there counts for nothing
    smooth_mm: float = 0.5  # standard deviation, before a lump is looked for
    bone_hu: float = 250.0  # half way from soft tissue up to young bone
    least_rise_hu: float = 120.0  # a third of the rise from soft tissue to young bone
    least_mm3: float = 6.0  # a smaller lump is noise, or a film on a surface
    young_hu: float = 550.0  # of new bone too thin to show its own CT number
    film_mm: float = 0.8  # so near to old bone a change may be a shift of its surface


@dataclass(frozen=True, slots=True, eq=False)
class NewBonePlace:
    """New bone away from the defect.

    Parameters
    ----------
    place : str
        One of `PLACES`.
    volume : Measured
        mm3.
    centre_mm : ndarray, shape (3,)
        Middle of the largest lump there, patient mm (LPS) of the earlier scan.
    """

    place: str
    volume: Measured
    centre_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre_mm", frozen(self.centre_mm))


@dataclass(frozen=True, slots=True, eq=False)
class NewBone:
    """Bone of the later scan where the earlier one shows none; names as in the result file.

    Parameters
    ----------
    in_defect : Measured
        Between the two faces of the defect, mm3.
    around_defect : Measured
        Outside the bone, within 5 mm of the gap, mm3.
    elsewhere : tuple of NewBonePlace
        Lumps farther off, by place, the largest first.
    cells_mm : ndarray, shape (N, 3)
        Middles of the cells that are mostly new bone, patient mm (LPS) of the later scan.
    cell_mm : float
        Edge of a cell.
    """

    in_defect: Measured
    around_defect: Measured
    elsewhere: tuple[NewBonePlace, ...] = ()
    cells_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))
    cell_mm: float = float("nan")

    def __post_init__(self) -> None:
        object.__setattr__(self, "cells_mm", frozen(self.cells_mm))

    @classmethod
    def missing(cls, cautions: Caution) -> NewBone:
        """Return "not measurable" with the reasons."""
        none = Measured.missing(Unit.MM3, cautions)
        return cls(none, none)
