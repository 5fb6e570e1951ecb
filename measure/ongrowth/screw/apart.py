"""What touches a shaft taken out of the picture before the shaft is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.scan import Scan
from ongrowth.screw.segment import Segment

_TOUCHES_MM = 3.0  # nearer than this, surface to surface, blurred edges run into each other
_EDGE_MM = 1.2  # of blurred metal, beyond its radius
_PAINT_HU = 300.0  # bone and soft tissue about
_STEP_MM = 0.5


def touching(segment: Segment, others: Sequence[Segment]) -> list[Segment]:
    """Return the other stretches of metal whose edges run into those of a segment."""
    along = np.linspace(segment.start_mm, segment.end_mm, 2 + int(segment.length_mm / _STEP_MM))
    return [
        other
        for other in others
        if other is not segment
        and other.distance_mm(along).min() - other.radius_mm - segment.radius_mm < _TOUCHES_MM
    ]


def is_beside(
    points_mm: NDArray[np.float64], neighbours: Sequence[Segment], radius_mm: float
) -> NDArray[np.bool_]:
    """Return at which points of its axis, shape (N, 3), the edge of a shaft runs into other metal."""
    beside = np.zeros(len(points_mm), dtype=bool)
    for neighbour in neighbours:
        beside |= neighbour.distance_mm(points_mm) < neighbour.radius_mm + radius_mm + _EDGE_MM
    return beside


def without(crop: Scan, segment: Segment, neighbours: Sequence[Segment]) -> Scan:
    """Return a crop with tissue painted over what belongs to other metal than a segment.

    Painted is what lies within the blurred edge of a neighbour, outside the segment, and nearer to the
    neighbour's surface. Where two bars cross, both stay whole.

    Parameters
    ----------
    crop : Scan
        Part of a scan; it is left as it is.
    segment : Segment
        The metal to keep.
    neighbours : sequence of Segment
        The metal to paint over.
    """
    if not neighbours:
        return crop
    hu = crop.hu.copy()
    for k in range(hu.shape[0]):  # slice by slice, so that no array of points of the whole crop is made
        points = _slice_points_mm(crop, k)
        own = segment.distance_mm(points) - segment.radius_mm
        near = np.min([n.distance_mm(points) - n.radius_mm for n in neighbours], axis=0)
        hu[k][(near < _EDGE_MM) & (own > 0.0) & (near < own)] = _PAINT_HU
    return replace(crop, hu=hu)


def _slice_points_mm(crop: Scan, k: int) -> NDArray[np.float64]:
    """Patient mm of the voxels of a slice, shape (rows, columns, 3)."""
    j, i = np.indices(crop.hu.shape[1:])
    return crop.world_mm(np.stack([np.full_like(j, k), j, i], axis=-1))
