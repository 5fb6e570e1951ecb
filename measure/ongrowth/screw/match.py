"""Which screw of the scan is which of the case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from ongrowth.scan import Level, Problem, refuse
from ongrowth.screw.model import UNKNOWN_SIDE, ScrewSpec
from ongrowth.screw.shaft import Shaft
from ongrowth.sentence import screw_words

_WRONG_SIDE = 1000.0
_FAR_OFF = 4000.0
_POINT_REACH_MM = 8.0
_PER_MM_THICKER = 5.0  # a millimetre of diameter tells as much as five of length


@dataclass(frozen=True, slots=True)
class Match:
    """A screw of the scan (its number), its name, side and what is known of it."""

    shaft: int
    id: str
    side: str
    spec: ScrewSpec


def match_specs(
    shafts: Sequence[Shaft], sides: Sequence[str], specs: Sequence[ScrewSpec]
) -> tuple[list[Match], list[Problem]]:
    """Match what is known to what was found, by points, side and length.

    Raises
    ------
    Refused
        ``side-mismatch`` if a screw is stated on the other side than the scan shows it.
    """
    problems: list[Problem] = []
    matches: list[Match] = []
    cost = np.array([[_cost(spec, s, side) for s, side in zip(shafts, sides, strict=True)] for spec in specs])
    rows, columns = linear_sum_assignment(cost) if len(specs) else ((), ())
    taken = dict(zip(map(int, rows), map(int, columns), strict=True))
    for n, spec in enumerate(specs):
        at = taken.get(n)
        if at is None or cost[n, at] >= _FAR_OFF / 2.0:
            problems.append(_not_found(spec, n))
            continue
        if cost[n, at] >= _WRONG_SIDE:
            raise _side_mismatch(spec, sides[at])
        problems += _unproven_side(spec, sides[at])
        side = spec.side or sides[at]
        matches.append(Match(at, spec.id or _name(side, at), side, spec))
    used = {m.shaft for m in matches}
    names = {m.id for m in matches}
    for at, side in enumerate(sides):
        if at not in used:
            name = _name(side, at) if _name(side, at) not in names else f"screw-{at + 1}"
            names.add(name)
            matches.append(Match(at, name, side, ScrewSpec(id=name)))
    if not any(spec.id for spec in specs):  # else in the order of the case
        matches.sort(key=lambda match: match.shaft)
    return matches, problems


def _cost(spec: ScrewSpec, shaft: Shaft, side: str) -> float:
    cost = 0.0
    if spec.side in ("left", "right") and side != UNKNOWN_SIDE and side != spec.side:
        cost += _WRONG_SIDE
    for point in (spec.head_mm, spec.tip_mm):
        if point is not None:
            away = shaft.distance_mm(np.array(point))
            cost += away if away < _POINT_REACH_MM else _FAR_OFF / 2.0 + away
    if np.isfinite(spec.length_mm):
        cost += min(abs(shaft.length_mm - spec.length_mm), 30.0)
    if np.isfinite(spec.major_diameter_mm):
        thicker = abs(shaft.outer_diameter_mm(spec.root_share) - spec.major_diameter_mm)
        cost += _PER_MM_THICKER * min(thicker, 3.0)
    return cost


def _name(side: str, at: int) -> str:
    return side if side in ("left", "right") else f"screw-{at + 1}"


def _not_found(spec: ScrewSpec, n: int) -> Problem:
    text = f"In this scan {screw_words(spec.id or f'number {n + 1}')} of the case was not found."
    return Problem(
        "screw-not-found", Level.CAUTION, text, "Give its head and tip points if the scan shows it."
    )


def _side_mismatch(spec: ScrewSpec, side: str) -> Exception:
    return refuse(
        "side-mismatch",
        f"The case has {screw_words(spec.id)} on the {spec.side}, the scan shows it on the {side}.",
        "Check the side in the case file and that the scan is of this patient.",
    )


def _unproven_side(spec: ScrewSpec, side: str) -> list[Problem]:
    if not spec.side or spec.side == side or side != UNKNOWN_SIDE:
        return []
    text = f"The side of {screw_words(spec.id)} is as stated ({spec.side}); this scan alone does not show it."
    return [Problem("side-not-shown", Level.NOTE, text)]
