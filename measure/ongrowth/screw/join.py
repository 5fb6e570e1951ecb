"""Pieces that belong together: the parts of a broken screw, the stretches of a curved rod."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from ongrowth.screw.model import ScrewSettings
from ongrowth.screw.segment import Segment

_RADIUS_RATIO = 1.7


def join_broken(segments: list[Segment], settings: ScrewSettings) -> list[Segment]:
    """Return the segments with those that continue each other made one, longest first.

    Two segments continue each other if they are about equally thick, nearly parallel, end to end
    and hardly offset.
    """
    left = list(segments)
    merged = True
    while merged:
        merged = False
        for a, b in itertools.combinations(left, 2):
            if _continues(a, b, settings):
                left = [s for s in left if s is not a and s is not b] + [_joined(a, b)]
                merged = True
                break
    return sorted(left, key=lambda s: s.length_mm, reverse=True)


def _continues(a: Segment, b: Segment, settings: ScrewSettings) -> bool:
    thick, thin = max(a.radius_mm, b.radius_mm), min(a.radius_mm, b.radius_mm)
    if thick > _RADIUS_RATIO * thin:
        return False
    cosine = abs(float(a.line.direction @ b.line.direction))
    if cosine < np.cos(np.radians(settings.join_angle_deg)):
        return False
    near_a, near_b, far_a, far_b = _nearest_ends(a, b)
    between = near_b - near_a
    gap = float(np.linalg.norm(between))
    if gap > settings.join_gap_mm + settings.join_offset_mm:
        return False
    along = float(between @ a.line.direction)
    offset = float(np.sqrt(max(gap**2 - along**2, 0.0)))
    overlap = float((far_b - far_a) @ (near_a - far_a)) <= float(np.sum((near_a - far_a) ** 2)) - thick
    return abs(along) <= settings.join_gap_mm and offset <= settings.join_offset_mm and not overlap


def _nearest_ends(a: Segment, b: Segment) -> tuple[NDArray[np.float64], ...]:
    """Return the near end of each and the far end of each."""
    pairs = itertools.product(
        ((a.start_mm, a.end_mm), (a.end_mm, a.start_mm)), ((b.start_mm, b.end_mm), (b.end_mm, b.start_mm))
    )
    (near_a, far_a), (near_b, far_b) = min(pairs, key=lambda p: float(np.linalg.norm(p[0][0] - p[1][0])))
    return near_a, near_b, far_a, far_b


def _joined(a: Segment, b: Segment) -> Segment:
    _, _, far_a, far_b = _nearest_ends(a, b)
    radius = (a.radius_mm * a.length_mm + b.radius_mm * b.length_mm) / (a.length_mm + b.length_mm)
    return Segment(far_a, far_b, radius)
