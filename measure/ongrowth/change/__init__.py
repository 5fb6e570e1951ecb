"""What two readings of one screw say of change: widths, bridging, protocol, position, and pictures of it."""

from ongrowth.change.difference import Placement, changes_between, state_of
from ongrowth.change.picture import overlays
from ongrowth.change.position import (
    carried_defect,
    double_examination,
    motion_records,
    new_bone_record,
    placement,
)
from ongrowth.change.protocol import protocol_differences

__all__ = [
    "Placement",
    "carried_defect",
    "changes_between",
    "double_examination",
    "motion_records",
    "new_bone_record",
    "overlays",
    "placement",
    "protocol_differences",
    "state_of",
]
