"""Bone across a defect: gap width, bridges, bridged fraction, over the cross-section without the metal."""

from ongrowth.bridge.measure import measure_bridge, measure_open_gap
from ongrowth.bridge.model import Bridge, BridgeMap, BridgePiece, Edge

__all__ = [
    "Bridge",
    "BridgeMap",
    "BridgePiece",
    "Edge",
    "measure_bridge",
    "measure_open_gap",
]
