"""What fills the gap where it is open, and whether its edges are sclerotic."""

from __future__ import annotations

import numpy as np

from ongrowth.bridge.continuity import GapContent
from ongrowth.bridge.model import Edge
from ongrowth.defect.columns import BoolArray, FloatArray
from ongrowth.defect.gap import GapFit
from ongrowth.quantity import Caution, Measured, Unit

_RESOLVED = 1.2  # gap over point spread above which the tissue between the faces is seen
_ALIKE_CELLS = 36.0  # fine cells that say the same thing
_EDGE_U_HU = 60.0
_DENSER_HU = 120.0


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
    spread = 1.4826 * float(np.median(np.abs(middle - np.median(middle))))
    u = float(np.hypot(spread / np.sqrt(middle.size / _ALIKE_CELLS), 15.0))
    return Measured.of(float(np.median(middle)), u, Unit.HU)


def measure_edges(gap: GapFit) -> tuple[Edge, Edge]:
    """Return the head side's and the tip side's edge."""
    return (
        _edge(gap.faces.low_shore_hu, gap.shores[0] & gap.shores[1]),
        _edge(gap.faces.high_shore_hu, gap.shores[0] & gap.shores[1]),
    )


def _edge(shore_hu: FloatArray, here: BoolArray) -> Edge:
    face = shore_hu[:2].mean(axis=0)[here]
    behind = shore_hu[2][here]
    denser = float(np.median(face - behind))
    u = _EDGE_U_HU
    told = abs(denser - _DENSER_HU) > u
    return Edge(
        Measured.of(float(np.median(face)), u, Unit.HU),
        Measured.of(float(np.median(behind)), u, Unit.HU),
        (denser > _DENSER_HU) if told else None,
    )
