"""Where bone stands on either shore of a defect: the cross-section of the bone."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ongrowth.defect.columns import BoolArray, Columns, FloatArray
from ongrowth.defect.slit import SOFT_HU

_SHORE_MM = (0.2, 1.4)  # depths behind a face that are averaged
_LEAST_BONE_HU = 200.0
_NEIGHBOURHOOD_MM = 1.8  # about the width of a cortex with its blur
_SIGMA_MM = 0.45
_NEAR_MM = 3.0  # the bone that is meant comes this near to the middle


def bone_shores(columns: Columns, low_mm: float, high_mm: float, inner_mm: float) -> BoolArray:
    """Return the outline of the bone on the head side's and the tip side's shore, holes filled, (2, G, G).

    The outline lies at half height between soft tissue and the densest bone nearby.

    Parameters
    ----------
    columns : Columns
        The voxels.
    low_mm, high_mm : float
        Typical heights of the two faces.
    inner_mm : float
        Radius about the middle that always belongs to it (the screw), mm.
    """
    shores = shore_levels_hu(columns, low_mm, high_mm, *_SHORE_MM)
    return np.stack([_outline(columns, shore, inner_mm) for shore in shores])


def shore_levels_hu(
    columns: Columns, low_mm: float, high_mm: float, near_mm: float, far_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Return the mean CT number of both shores between two depths behind the faces, (G, G); NaN unknown."""
    height = columns.height_mm
    below = (height < low_mm - near_mm) & (height > low_mm - far_mm)
    above = (height > high_mm + near_mm) & (height < high_mm + far_mm)
    return columns.binned(below, _SIGMA_MM), columns.binned(above, _SIGMA_MM)


def _outline(columns: Columns, shore_hu: FloatArray, inner_mm: float) -> BoolArray:
    shore = np.nan_to_num(shore_hu, nan=-1000.0)
    size = 2 * round(_NEIGHBOURHOOD_MM / columns.step_mm / 2.0) + 1
    densest = ndimage.maximum_filter(shore, size)
    is_bone = shore > np.maximum((densest + SOFT_HU) / 2.0, _LEAST_BONE_HU)
    away = np.hypot(columns.grid_mm[:, None], columns.grid_mm)
    whole = ndimage.binary_closing(is_bone | (away <= inner_mm), iterations=2)
    whole = ndimage.binary_fill_holes(whole)
    pieces, _ = ndimage.label(whole)
    near = np.unique(pieces[(away < inner_mm + _NEAR_MM) & whole])
    return np.isin(pieces, near[near > 0])
