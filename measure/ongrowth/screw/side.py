"""Which end is the head, and which side of the patient a screw is on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ongrowth.scan import Scan
from ongrowth.screw.canal import canal_x_mm
from ongrowth.screw.model import UNKNOWN_SIDE
from ongrowth.screw.shaft import Shaft

_BESIDE_CANAL_MM = 5.0
_APART_MM = 8.0  # two screws nearer than this across the patient do not tell left from right
_LEVEL_MM = 25.0
_MIRROR_DEG = 40.0
_CLEAR_MM = 3.0


def sides_of(scan: Scan, shafts: Sequence[Shaft]) -> list[str]:
    """Return "left", "right" or "not established" for each screw.

    A screw's side is told by the vertebral canal beside it. Two screws tell each other's side if
    they lie at one level, apart across the patient, and are about mirror images of each other
    (parallel screws in one bone are not). Where canal and pair disagree, nothing is established.
    """
    sides = []
    for shaft in shafts:
        told = {_side_by_canal(scan, shaft), *_sides_by_pair(shaft, shafts)} - {UNKNOWN_SIDE}
        sides.append(told.pop() if len(told) == 1 else UNKNOWN_SIDE)
    return sides


def in_order(shafts: Sequence[Shaft], sides: Sequence[str]) -> tuple[list[Shaft], list[str]]:
    """Return screws and their sides in an order that the patient gives, not the storage of the scan.

    Left, right, then those whose side is not established; of each the most cranial first.
    """
    rank = {"left": 0, "right": 1}
    pairs = zip(shafts, sides, strict=True)
    ordered = sorted(pairs, key=lambda one: (rank.get(one[1], 2), -float(one[0].middle_mm[2])))
    return [shaft for shaft, _ in ordered], [side for _, side in ordered]


def _side_by_canal(scan: Scan, shaft: Shaft) -> str:
    away = float(shaft.middle_mm[0]) - canal_x_mm(scan, shaft.middle_mm)
    if not abs(away) > _BESIDE_CANAL_MM:
        return UNKNOWN_SIDE
    return "left" if away > 0.0 else "right"  # LPS: x grows to the left


def _sides_by_pair(shaft: Shaft, shafts: Sequence[Shaft]) -> set[str]:
    partners = [other for other in shafts if other is not shaft and _is_mirror_pair(shaft, other)]
    return {"left" if shaft.middle_mm[0] > other.middle_mm[0] else "right" for other in partners}


def _is_mirror_pair(a: Shaft, b: Shaft) -> bool:
    between = a.middle_mm - b.middle_mm
    if abs(between[0]) < _APART_MM or np.hypot(between[1], between[2]) > _LEVEL_MM:
        return False
    mirrored = b.line.direction * np.array([-1.0, 1.0, 1.0])
    return bool(abs(a.line.direction @ mirrored) > np.cos(np.radians(_MIRROR_DEG)))


def outer_end_first(start_mm: NDArray[np.float64], end_mm: NDArray[np.float64], middle_x_mm: float) -> bool:
    """Whether the first of two ends is the one a surgeon reaches: the back, else the outside.

    Parameters
    ----------
    start_mm, end_mm : ndarray, shape (3,)
        The two ends, patient mm (LPS).
    middle_x_mm : float
        Where the patient's middle is taken to be across the scan, mm.
    """
    back = float(start_mm[1] - end_mm[1])
    if abs(back) > _CLEAR_MM:
        return back > 0.0
    return abs(float(start_mm[0]) - middle_x_mm) > abs(float(end_mm[0]) - middle_x_mm)
