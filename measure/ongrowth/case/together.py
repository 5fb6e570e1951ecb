"""Widths of the CTs of a case, weighed together where they were made alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TypeVar

from ongrowth.case.reading import with_halos
from ongrowth.change import protocol_differences
from ongrowth.findings import Windows
from ongrowth.halo import Halo, weigh_together
from ongrowth.reading import Reading
from ongrowth.scan import Level, Problem

_CODE = "widths-together"
_Item = TypeVar("_Item")


def judged_together(readings: Sequence[Reading], windows: Windows, site: str) -> tuple[Reading, ...]:
    """Return the readings of a case, their widths as all CTs that were made alike tell them.

    What other CTs had a say in is told among the problems of a reading. Whatever an earlier run weighed
    together is weighed anew.

    Parameters
    ----------
    readings : sequence of Reading
        CTs of one case.
    windows : tuple of Window
        Windows table.
    site : str
        Vertebra or bone, for print.
    """
    halos: list[dict[str, Halo]] = [{one.id: one.halo for one in reading.implants} for reading in readings]
    partners: list[set[str]] = [set() for _ in readings]
    for screw in {name: None for every in halos for name in every}:
        for group in _made_alike(readings, [k for k, every in enumerate(halos) if screw in every]):
            weighed = weigh_together([halos[k][screw] for k in group])
            for k, halo in zip(group, weighed, strict=True):
                halos[k][screw] = halo
                if halo.doubt is not None and halo.doubt.is_agreed:
                    partners[k] |= {readings[j].scan.id for j in group if j != k}
    return tuple(
        _judged(reading, every, [r.scan.id for r in readings if r.scan.id in others], windows, site)
        for reading, every, others in zip(readings, halos, partners, strict=True)
    )


def _made_alike(readings: Sequence[Reading], which: Iterable[int]) -> list[list[int]]:
    return grouped(which, lambda i, k: not protocol_differences(readings[i].scan, readings[k].scan))


def grouped(items: Iterable[_Item], is_alike: Callable[[_Item, _Item], bool]) -> list[list[_Item]]:
    """Return items in groups, each like the first of its group.

    Parameters
    ----------
    items : iterable
        In order.
    is_alike : callable
        Whether the first of a group and another item belong together.
    """
    groups: list[list[_Item]] = []
    for one in items:
        group = next((g for g in groups if is_alike(g[0], one)), None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    return groups


def _judged(
    reading: Reading, halos: dict[str, Halo], others: Sequence[str], windows: Windows, site: str
) -> Reading:
    if all(halos[one.id] is one.halo for one in reading.implants):
        return reading
    kept = tuple(problem for problem in reading.scan.problems if problem.code != _CODE)
    told = (*kept, _note(others)) if others else kept
    return with_halos(replace(reading, scan=replace(reading.scan, problems=told)), halos, windows, site)


def _note(others: Sequence[str]) -> Problem:
    names = " and ".join(f"CT {name}" for name in others)
    text = f"Widths were weighed together with {names}, made alike: of the widths that this image allows, "
    return Problem(_CODE, Level.NOTE, f"{text}those count that agree with theirs in blur and metal.")
