"""Differences of what two CTs measured on one screw, each with its own uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterator

from ongrowth.halo import HaloSummary
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import ChangeRecord, ImplantReading

GROWN, SHRUNK, SAME, NOT_MEASURABLE = "grown", "shrunk", "not shown to have changed", "not measurable"

_COMMON_PARTS = ("blur", "metal", "hardening", "layer level")
_COMMON_ALIKE = 0.8  # how far both widths follow a common error alike; project's choice
_WIDTHS = ("mean_width", "p95_width", "max_width")
_ON_DEFECT = ("gap_width_mean", "gap_width_max", "bridged_fraction")


def changes_between(
    earlier: ImplantReading,
    later: ImplantReading,
    scans: tuple[str, str],
    *,
    is_same_protocol: bool,
) -> tuple[ChangeRecord, ...]:
    """Return what has changed on one screw between two CTs.

    Parameters
    ----------
    earlier, later : ImplantReading
        The same screw in both.
    scans : tuple of str
        Ids of the two CTs, the earlier first.
    is_same_protocol : bool
        Whether both were made alike; then the errors they have in common drop out of the difference.
    """
    return tuple(
        ChangeRecord(later.id, side, quantity, *scans, value, state_of(value))
        for side, quantity, value in (
            *_width_changes(earlier, later, is_same_protocol=is_same_protocol),
            *_defect_changes(earlier, later),
            ("screw", "tip_to_cortex", _difference(earlier.tip_to_cortex_mm, later.tip_to_cortex_mm)),
        )
    )


def state_of(change: Measured) -> str:
    """Return what a change amounts to: beyond its 95 % interval, or not shown.

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


def _width_changes(
    earlier: ImplantReading, later: ImplantReading, *, is_same_protocol: bool
) -> Iterator[tuple[str, str, Measured]]:
    more = Caution.NONE if is_same_protocol else Caution.PROTOCOL_CHANGED
    common = (_common_share(earlier), _common_share(later)) if is_same_protocol else (0.0, 0.0)
    for side in ("head_side", "tip_side"):
        then: HaloSummary = getattr(earlier.halo, side)
        now: HaloSummary = getattr(later.halo, side)
        for name in _WIDTHS:
            yield side, name, _width_difference(getattr(then, name), getattr(now, name), common, more)


def _common_share(implant: ImplantReading) -> float:
    """Return the share of the variance of the mean widths that another CT of this protocol repeats."""
    return sum(limit.share_of_variance for limit in implant.limits if limit.part in _COMMON_PARTS)


def _width_difference(then: Measured, now: Measured, common: tuple[float, float], more: Caution) -> Measured:
    """Return later less earlier; the common parts of both errors are taken to be correlated."""
    covariance = _COMMON_ALIKE * math.sqrt(common[0] * common[1]) * then.u * now.u
    return _difference(then, now, covariance, more)


def _defect_changes(earlier: ImplantReading, later: ImplantReading) -> Iterator[tuple[str, str, Measured]]:
    for name in _ON_DEFECT:
        then = getattr(earlier.bridge, name) if earlier.bridge else None
        now = getattr(later.bridge, name) if later.bridge else None
        if then is None or now is None:
            unit = Unit.ONE if name == "bridged_fraction" else Unit.MM
            yield "defect", name, Measured.missing(unit, Caution.NO_DEFECT)
        else:
            yield "defect", name, _difference(then, now)


def _difference(
    then: Measured, now: Measured, covariance: float = 0.0, more: Caution = Caution.NONE
) -> Measured:
    cautions = then.cautions | now.cautions | more
    if not (then.is_known and now.is_known):
        return Measured.missing(now.unit, cautions)
    variance = then.u**2 + now.u**2 - 2.0 * covariance
    return Measured.of(now.value - then.value, math.sqrt(max(variance, 0.0)), now.unit, cautions)
