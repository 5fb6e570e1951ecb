"""The other side and the other screw of the same scan as control."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ongrowth.halo import screw_difference, side_difference
from ongrowth.reading.parts import Control, ImplantReading
from ongrowth.wording import HALO_SIDES


def with_controls(implants: Sequence[ImplantReading]) -> tuple[ImplantReading, ...]:
    """Return the screws of one scan, each with its sides set against each other and the other screws.

    Parameters
    ----------
    implants : sequence of ImplantReading
        All screws of one scan.
    """
    return tuple(replace(one, controls=_controls(one, implants)) for one in implants)


def _controls(one: ImplantReading, implants: Sequence[ImplantReading]) -> tuple[Control, ...]:
    own = Control("tip_side", one.id, "head_side", side_difference(one.halo))
    others = (other for other in implants if other is not one)
    return (
        own,
        *(
            Control(side, other.id, side, screw_difference(other.halo, one.halo, side))
            for other in others
            for side in HALO_SIDES
        ),
    )
