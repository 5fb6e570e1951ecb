"""The gap across the defect, and the bone that bridges it."""

from ongrowth.bridge.measure import BridgeSettings, measure_bridge
from ongrowth.bridge.model import Bridge, BridgeMap, BridgePiece, Edge

__all__ = ["Bridge", "BridgeMap", "BridgePiece", "BridgeSettings", "Edge", "measure_bridge"]
