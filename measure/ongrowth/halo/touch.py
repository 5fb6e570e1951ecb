"""Edges that do not pass each other: halo, dense bone, end of the bone.

Where two of them meet they push each other softly: the fit stops short at a corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_TOUCH_MM = 0.1  # over which two edges come to touch, well below any blur


@dataclass(frozen=True, slots=True, eq=False)
class Touch:
    """How far the edges of bone and of dense bone move with each of the three edges, shape (N,)."""

    end_by_halo: FloatArray
    end_by_end: FloatArray
    dense_by_halo: FloatArray
    dense_by_dense: FloatArray
    dense_by_end: FloatArray


def ordered(
    halo_mm: FloatArray, dense_mm: FloatArray, end_mm: FloatArray, last_mm: float
) -> tuple[FloatArray, FloatArray, Touch]:
    """Return where bone ends and where dense bone begins, neither before the halo ends, mm.

    Parameters
    ----------
    halo_mm, dense_mm, end_mm : ndarray, shape (N,)
        Radii at which the halo ends, dense bone begins and bone ends, as the fields have them, mm.
    last_mm : float
        Beyond this radius nothing shows.
    """
    end_mm, by_end = _not_below(end_mm, halo_mm)
    is_near = end_mm < last_mm
    end_mm = np.minimum(end_mm, last_mm)
    dense_mm, by_dense = _not_below(dense_mm, halo_mm)
    below_mm, by_inner = _not_below(-dense_mm, -end_mm)
    end_by_halo, end_by_end = (1.0 - by_end) * is_near, by_end * is_near
    touch = Touch(
        end_by_halo,
        end_by_end,
        by_inner * (1.0 - by_dense) + (1.0 - by_inner) * end_by_halo,
        by_inner * by_dense,
        (1.0 - by_inner) * end_by_end,
    )
    return end_mm, -below_mm, touch


def _not_below(edge_mm: FloatArray, least_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return an edge that stays above another, rounded where they meet, and its slope by its own place."""
    away = edge_mm - least_mm
    root = np.hypot(away, _TOUCH_MM)
    return least_mm + 0.5 * (away + root), 0.5 * (1.0 + away / root)
