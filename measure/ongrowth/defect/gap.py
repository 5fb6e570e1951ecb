"""From a scan and a plane to the fitted faces of the gap there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ongrowth.defect.blur import Foot
from ongrowth.defect.columns import BoolArray, Columns, FloatArray, gather
from ongrowth.defect.faces import FaceFit, FacePriors, Faces, Shores
from ongrowth.defect.section import bone_shores, shore_levels_hu
from ongrowth.edge import Blur
from ongrowth.geometry import Plane
from ongrowth.scan import Scan
from ongrowth.screw import Screw

_FEWEST_COLUMNS = 12
_LEVEL_MM = (0.6, 2.4)  # depths behind a face where the level of its bone is read
_BONE_HU = 450.0  # where nothing is read
_LEVEL_BOUNDS_HU = (50.0, 1500.0)


@dataclass(frozen=True, slots=True)
class GapGrid:
    """How finely a gap is mapped.

    Parameters
    ----------
    step_mm : float
        Distance of the nodes.
    face_step_mm : float
        Likely difference of a face's height between neighbouring nodes.
    behind_mm : float
        Depth of bone looked at behind either face.
    n_steps : int
        Steps of the fit.
    """

    step_mm: float
    face_step_mm: float
    behind_mm: float = 3.0
    n_steps: int = 8


@dataclass(frozen=True, slots=True, eq=False)
class GapFit:
    """A fitted gap.

    Parameters
    ----------
    columns : Columns
        The voxels and their frame.
    shores : ndarray of bool, shape (2, G, G)
        Columns that meet bone on the head side's and on the tip side's shore.
    faces : Faces
        The maps.
    fit, unknowns, start : FaceFit, ndarray, ndarray
        The fit itself, its result and its start.
    """

    columns: Columns
    shores: BoolArray
    faces: Faces
    fit: FaceFit
    unknowns: FloatArray
    start: FloatArray

    @property
    def contrast_hu(self) -> FloatArray:
        """How much denser the fainter shore is than what lies in the gap, shape (G, G)."""
        shores = np.minimum(self.faces.low_shore_hu[0], self.faces.high_shore_hu[0])
        return np.asarray(shores - self.faces.tissue_hu)


def fit_gap(
    scan: Scan,
    plane: Plane,
    course: FloatArray,
    gap_mm: float,
    grid: GapGrid,
    blur: Blur,
    *,
    screw: Screw | None = None,
    foot: Foot | None = None,
    is_tissue_held: bool = False,
) -> GapFit | None:
    """Fit the faces of a gap.

    Parameters
    ----------
    scan : Scan
        The CT.
    plane : Plane
        About where the gap lies; its point in the middle of the bone.
    course : ndarray, shape (3,)
        Direction of the bone through the defect.
    gap_mm : float
        About how wide it is.
    grid : GapGrid
        How finely it is mapped.
    blur : Blur
        Point spread of the scan.
    screw, foot : Screw, Foot, optional
        Metal to be taken away.
    is_tissue_held : bool
        Whether the gap is too thin for the scan to tell what fills it.

    Returns
    -------
    GapFit or None
        None where no bone stands on both shores.
    """
    half = gap_mm / 2.0
    columns = gather(
        scan,
        plane,
        course,
        screw=screw,
        foot=foot,
        half_height_mm=half + grid.behind_mm,
        step_mm=grid.step_mm,
    )
    inner = screw.major_diameter_mm.value / 2.0 if screw else 0.0
    shores = bone_shores(columns, -half, half, inner)
    if (shores[0] & shores[1]).sum() < _FEWEST_COLUMNS:
        return None
    active = ndimage.binary_dilation(shores[0] | shores[1])
    priors = FacePriors(face_step_mm=grid.face_step_mm)
    priors = priors.with_tissue_held() if is_tissue_held else priors
    fit = FaceFit(columns, active, Shores(blur, columns.slice_cos), priors)
    levels = np.stack(shore_levels_hu(columns, -half, half, *_LEVEL_MM))
    start = fit.start(-half, half, np.clip(np.nan_to_num(levels, nan=_BONE_HU), *_LEVEL_BOUNDS_HU))
    faces, unknowns = fit.run(start, grid.n_steps)
    return GapFit(columns, shores, faces, fit, unknowns, start)
