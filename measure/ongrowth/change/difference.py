"""Differences of what two CTs measured on one screw, each with its own uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from ongrowth.halo import Halo, HaloChange, measure_change
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import ChangeMap, ChangeRecord, ImplantReading
from ongrowth.wording import HALO_SIDES

GROWN, SHRUNK, SAME, NOT_MEASURABLE = "grown", "shrunk", "not shown to have changed", "not measurable"

_ON_DEFECT = ("gap_width_mean", "gap_width_max", "bridged_fraction")


@dataclass(frozen=True, slots=True)
class Placement:
    """Where angle 0 and depth 0 of the earlier frame lie in the later one, by the bone."""

    turn_deg: float = 0.0
    slide_mm: float = 0.0


def changes_between(
    earlier: ImplantReading,
    later: ImplantReading,
    scans: tuple[str, str],
    placement: Placement,
    *,
    is_same_protocol: bool,
) -> tuple[tuple[ChangeRecord, ...], ChangeMap]:
    """Return what has changed on one screw between two CTs, and the change of its halo cell by cell.

    Parameters
    ----------
    earlier, later : ImplantReading
        The same screw in both.
    scans : tuple of str
        Ids of the two CTs, the earlier first.
    placement : Placement
        Makes the cells of both the same bone.
    is_same_protocol : bool
        Whether both were made alike; then the errors they have in common drop out of the difference.
    """
    halo = measure_change(
        earlier.halo,
        later.halo,
        is_one_protocol=is_same_protocol,
        turn_deg=placement.turn_deg,
        slide_mm=placement.slide_mm,
    )
    values = (
        *((part, "mean_width", getattr(halo, part)) for part in _parts_told(later.halo)),
        *_defect_changes(earlier, later),
        ("screw", "tip_to_cortex_mm", later.tip_to_cortex_mm.less(earlier.tip_to_cortex_mm)),
    )
    records = (
        ChangeRecord(later.id, side, name, *scans, value, state_of(value)) for side, name, value in values
    )
    return tuple(records), _change_map(halo, later.id, scans, placement)


def state_of(change: Measured) -> str:
    """Return what a change amounts to: beyond its 95 % interval, or not shown.

    Parameters
    ----------
    change : Measured
        Later less earlier.

    Examples
    --------
    >>> [state_of(Measured.of(v, 0.05, Unit.MM)) for v in (0.3, -0.3, 0.05)]
    ['grown', 'shrunk', 'not shown to have changed']
    """
    if not change.is_known:
        return NOT_MEASURABLE
    if change.low95 > 0.0:
        return GROWN
    return SHRUNK if change.high95 < 0.0 else SAME


def _parts_told(halo: Halo) -> tuple[str, ...]:
    """Return the parts that the answer has a line for: the whole shaft only where no defect parts it."""
    is_whole = not halo.is_parted and halo.whole.mean_width.is_known
    return ("whole",) if is_whole else HALO_SIDES


def _change_map(halo: HaloChange, implant: str, scans: tuple[str, str], placement: Placement) -> ChangeMap:
    grid, lies = halo.map, (placement.turn_deg, placement.slide_mm)
    return ChangeMap(implant, *scans, grid.depth_mm, grid.angle_deg, grid.width_mm, grid.width_u_mm, *lies)


def _defect_changes(earlier: ImplantReading, later: ImplantReading) -> Iterator[tuple[str, str, Measured]]:
    for name in _ON_DEFECT:
        then = getattr(earlier.bridge, name) if earlier.bridge else None
        now = getattr(later.bridge, name) if later.bridge else None
        if then is None or now is None:
            unit = Unit.ONE if name == "bridged_fraction" else Unit.MM
            yield "defect", name, Measured.missing(unit, Caution.NO_DEFECT)
        else:
            yield "defect", name, _within(now.less(then), then, now)


def _within(change: Measured, then: Measured, now: Measured) -> Measured:
    """Return a change whose interval ends where those of the two values end it: no share is above 100 %."""
    low, high = now.low95 - then.high95, now.high95 - then.low95
    return replace(change, low95=max(change.low95, low), high95=min(change.high95, high))
