"""Which screw of the scan is which of the case."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
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
    known: dict[int, ScrewSpec] = {}
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
        known[at] = spec
    matches = _named(sides, known, {spec.id for spec in specs if spec.id})
    if any(spec.id for spec in specs):  # in the order of the case; else in that of the patient
        order = {at: n for n, at in enumerate(known)}
        matches.sort(key=lambda match: order.get(match.shaft, len(order)))
    return matches, problems


def _named(sides: Sequence[str], known: Mapping[int, ScrewSpec], names: set[str]) -> list[Match]:
    """Return the screws with what is known of them, each under a name of its own."""
    matches = []
    for at, seen in enumerate(sides):
        spec = known.get(at, ScrewSpec())
        side = spec.side or seen
        name = spec.id or next(name for name in _names(side, at) if name not in names)
        names = names | {name}
        matches.append(Match(at, name, side, spec if at in known else ScrewSpec(id=name)))
    return matches


def _names(side: str, at: int) -> Iterator[str]:
    """Give what a screw without a name may be called, the best first: by its side, then by its number."""
    yield from (side,) if side in ("left", "right") else ()
    yield from (f"screw-{number}" for number in itertools.count(at + 1))


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
