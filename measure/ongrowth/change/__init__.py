"""What two readings of one screw say of change: widths, bridging, protocol, position, and pictures of it."""

from ongrowth.change.difference import changes_between, state_of
from ongrowth.change.picture import change_map, overlays
from ongrowth.change.position import carried_defect, motion_records, turned_deg
from ongrowth.change.protocol import protocol_differences

__all__ = [
    "carried_defect",
    "change_map",
    "changes_between",
    "motion_records",
    "overlays",
    "protocol_differences",
    "state_of",
    "turned_deg",
]
