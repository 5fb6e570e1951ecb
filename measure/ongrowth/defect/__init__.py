"""Where a defect lies: found as a slit across the bone, taken from elsewhere, or given."""

from ongrowth.defect.find import DefectSettings, find_defect
from ongrowth.defect.plane import DefectPlane, Side, given_defect, plane_through
from ongrowth.defect.preop import OpenDefect, find_open_defect

__all__ = [
    "DefectPlane",
    "DefectSettings",
    "OpenDefect",
    "Side",
    "find_defect",
    "find_open_defect",
    "given_defect",
    "plane_through",
]
