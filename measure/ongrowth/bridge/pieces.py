"""The separate bridges: size and place."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ongrowth.bridge.continuity import GapContent
from ongrowth.bridge.model import BridgePiece
from ongrowth.defect.columns import BoolArray, Columns
from ongrowth.frame import ScrewFrame

_TOUCHES_MM = 0.8
_EIGHT = np.ones((3, 3), dtype=bool)


def find_pieces(
    content: GapContent, section: BoolArray, bridged: BoolArray, columns: Columns, frame: ScrewFrame
) -> tuple[BridgePiece, ...]:
    """Return the bridges, the largest first."""
    labels, n = ndimage.label(bridged, _EIGHT)
    if n == 0:
        return ()
    outline = ndimage.binary_fill_holes(section)
    from_outside = ndimage.distance_transform_edt(outline) * content.step_mm
    metal = outline & ~section
    from_metal = (
        ndimage.distance_transform_edt(~metal) * content.step_mm
        if metal.any()
        else np.full(outline.shape, np.inf)
    )
    pieces = []
    for k in range(1, n + 1):
        here = labels == k
        place = _place(float(from_outside[here].min()), float(np.nanmin(from_metal[here])))
        i, j = (float(np.mean(a)) for a in np.nonzero(here))
        step = content.step_mm
        u, v = content.grid_mm[0] + i * step, content.grid_mm[0] + j * step
        centre = columns.world(np.array(u), np.array(v), np.array(0.0))
        _, angle, _ = frame.cylindrical(centre)
        pieces.append(BridgePiece(float(here.sum()) * step**2, centre, place, frame.words_at(float(angle))))
    return tuple(sorted(pieces, key=lambda p: -p.area_mm2))


def _place(from_outside_mm: float, from_metal_mm: float) -> str:
    if from_outside_mm < _TOUCHES_MM:
        return "outer cortex"
    return "near the screw" if from_metal_mm < _TOUCHES_MM else "inner"
