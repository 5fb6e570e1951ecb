"""The metal of a scan: screws with axis, ends and integrity, and other metal."""

from ongrowth.screw.ends import with_ends
from ongrowth.screw.find import find_metal, find_screws
from ongrowth.screw.integrity import falls_short
from ongrowth.screw.level import metal_level_hu
from ongrowth.screw.metal import metal_mask, metal_threshold_hu
from ongrowth.screw.model import Integrity, Metalwork, OtherMetal, Screw, ScrewSettings, ScrewSpec

__all__ = [
    "Integrity",
    "Metalwork",
    "OtherMetal",
    "Screw",
    "ScrewSettings",
    "ScrewSpec",
    "falls_short",
    "find_metal",
    "find_screws",
    "metal_level_hu",
    "metal_mask",
    "metal_threshold_hu",
    "with_ends",
]
