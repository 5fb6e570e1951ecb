"""Where a defect lies: found as a slit across the bone, taken from elsewhere, or given."""

from ongrowth.defect.find import DefectSettings, find_defect
from ongrowth.defect.plane import DefectPlane, Side, given_defect, plane_through

__all__ = ["DefectPlane", "DefectSettings", "Side", "find_defect", "given_defect", "plane_through"]
