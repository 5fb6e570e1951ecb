"""Screw, rod, wire or piece: what a straight piece of metal is."""

from __future__ import annotations

import enum

from ongrowth.screw.model import ScrewSettings
from ongrowth.screw.shaft import Shaft

_TAPERED = 0.75


class Kind(enum.Enum):
    """What a straight piece of metal is; the words of the result files where it is no screw."""

    SCREW = "screw"
    ROD = "rod"
    WIRE = "wire"
    PIECE = "piece"


def kind_of(shaft: Shaft, settings: ScrewSettings) -> Kind:
    """Return what a straight piece of metal is, from its size and the shape of its ends.

    A screw has a head or a tapered tip. A bar of even thickness with blunt ends is a rod.
    """
    thickness = 2.0 * shaft.radius_mm
    is_thin = thickness < settings.thinnest_screw_mm
    if shaft.length_mm < (settings.shortest_wire_mm if is_thin else settings.shortest_screw_mm):
        return Kind.PIECE
    if is_thin:
        return Kind.WIRE
    if thickness > settings.thickest_screw_mm or shaft.length_mm > settings.longest_screw_mm:
        return Kind.ROD
    ends = (shaft.first, shaft.last)
    is_screw = any(end.has_head or end.taper_ratio < _TAPERED for end in ends if not end.is_cut)
    return Kind.SCREW if is_screw else Kind.ROD
