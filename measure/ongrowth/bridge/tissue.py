"""What fills the gap where it is open, and whether its edges are sclerotic."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ongrowth.bridge.continuity import GapContent
from ongrowth.bridge.model import Edge
from ongrowth.defect.columns import BoolArray, FloatArray
from ongrowth.defect.gap import GapFit
from ongrowth.defect.section import shore_levels_hu
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.robust import robust_sd

_RESOLVED = 1.2  # gap over point spread above which the tissue between the faces is seen
_ALIKE_CELLS = 36.0  # fine cells that say the same thing
_CORTEX_MM = 1.8  # from the outline inward: what is dense there is cortex
_BEHIND_MM = (1.7, 2.6)  # behind a face, past a dense edge and its blur
_FEWEST_NODES = 8
_EDGE_U_HU = 60.0
_DENSER_HU = 160.0  # an edge that much denser than the bone behind counts as sclerotic; project's choice


def measure_tissue(content: GapContent, is_open: BoolArray) -> Measured:
    """Return the CT number of the tissue in the open gap.

    Only the middle layers of a gap wider than the point spread are read; in a thinner one the shores
    shine through and the tissue had to be assumed.
    """
    usual = float(np.median(content.usual_gap_mm[is_open])) if is_open.any() else 0.0
    n = len(content.across_hu)
    if usual < _RESOLVED * content.spread_mm or n == 0 or is_open.sum() < _ALIKE_CELLS:
        return Measured.missing(Unit.HU, Caution.LAYER_HU_ASSUMED)
    middle = content.across_hu[n // 4 : n - n // 4].mean(axis=0)[is_open & content.is_known]
    if middle.size < _ALIKE_CELLS:
        return Measured.missing(Unit.HU, Caution.NO_CONTRAST)
    spread = robust_sd(middle)
    u = float(np.hypot(spread / np.sqrt(middle.size / _ALIKE_CELLS), 15.0))
    return Measured.of(float(np.median(middle)), u, Unit.HU)


def measure_edges(gap: GapFit, beside_mm: tuple[float, float] = (0.0, 0.0)) -> tuple[Edge, Edge]:
    """Return the head side's and the tip side's edge, read inside the cortex.

    The face is read off the fit, the bone behind it off the voxels. Where the cortex leaves no room
    inside (a thin bone, or a screw in it), nothing tells a dense edge from cortex.

    Parameters
    ----------
    gap : GapFit
        The fit.
    beside_mm : tuple of float
        Radius about the middle that the screw, its halo and their foot take on either side, mm; 0 without.
    """
    columns, faces = gap.columns, gap.faces
    here = gap.shores[0] & gap.shores[1]
    away = np.hypot(columns.grid_mm[:, None], columns.grid_mm)
    inside = ndimage.binary_erosion(here, iterations=round(_CORTEX_MM / columns.step_mm))
    head, tip = (inside & (away >= radius_mm) for radius_mm in beside_mm)
    low, high = (float(np.nanmedian(np.where(here, f, np.nan))) for f in (faces.low_mm, faces.high_mm))
    behind = shore_levels_hu(columns, low, high, *_BEHIND_MM)
    return _edge(faces.low_shore_hu, behind[0], head), _edge(faces.high_shore_hu, behind[1], tip)


def _edge(shore_hu: FloatArray, behind_hu: FloatArray, inner: BoolArray) -> Edge:
    face_hu = shore_hu[:2].mean(axis=0)
    known = inner & np.isfinite(face_hu) & np.isfinite(behind_hu)
    if known.sum() < _FEWEST_NODES:
        unknown = Measured.missing(Unit.HU, Caution.LITTLE_MEASURED)
        return Edge(unknown, unknown, None)
    spongy = known & (behind_hu <= np.median(behind_hu[known]))  # the rest may be cortex, dense all along
    face, behind = float(np.median(face_hu[spongy])), float(np.median(behind_hu[spongy]))
    told = abs(face - behind - _DENSER_HU) > _EDGE_U_HU
    return Edge(
        Measured.of(face, _EDGE_U_HU, Unit.HU),
        Measured.of(behind, _EDGE_U_HU, Unit.HU),
        (face - behind > _DENSER_HU) if told else None,
    )
