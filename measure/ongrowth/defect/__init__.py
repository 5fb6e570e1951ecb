"""Where a defect lies: found as a slit across the bone, taken from elsewhere, or given."""

from ongrowth.defect.carry import carry_defect, same_plane, settles
from ongrowth.defect.find import DefectSettings, find_defect
from ongrowth.defect.plane import (
    DefectPlane,
    Rival,
    Side,
    between_planes,
    given_defect,
    unsure_note,
)
from ongrowth.defect.preop import OpenDefect, find_open_defect
from ongrowth.defect.search import find_open_defects, find_open_defects_at, side_doubt
from ongrowth.defect.spongy import spongy_hu

__all__ = [
    "DefectPlane",
    "DefectSettings",
    "OpenDefect",
    "Rival",
    "Side",
    "between_planes",
    "carry_defect",
    "find_defect",
    "find_open_defect",
    "find_open_defects",
    "find_open_defects_at",
    "given_defect",
    "same_plane",
    "settles",
    "side_doubt",
    "spongy_hu",
    "unsure_note",
]
