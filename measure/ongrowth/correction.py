"""What a person corrected by hand on one CT: ends of a screw, plane of the defect, places left out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ongrowth.frame import Patch
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution
from ongrowth.scan import Level, Problem, refuse
from ongrowth.screw import Screw, with_ends
from ongrowth.sentence import screw_words

PARTS = ("head_mm", "tip_mm", "defect", "left_out", "artefact", "remark")
_REASONS = {
    "left_out": Caution.EXCLUDED_BY_READER,
    "artefact": Caution.EXCLUDED_BY_READER | Caution.STREAK,
}
_COUNTS = {"head_mm": 3, "tip_mm": 3, "defect": 6}
_LEAST_LENGTH_MM = 5.0  # as in the case file
_EXPECTED = {
    3: "three numbers, patient mm (LPS)",
    6: "six numbers: a point of the plane and its normal, patient mm (LPS)",
}
_PATCH_KEYS = {"depth_mm", "angle_deg"}
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class ScrewCorrection:
    """What was corrected on one screw of one CT; None or empty: as found.

    Parameters
    ----------
    head_mm, tip_mm : tuple of float or None
        Head end of the shaft and tip, patient mm (LPS), held as set.
    defect : Plane or None
        Plane of the defect, patient mm (LPS).
    left_out : tuple of Patch
        Parts of the shaft that count as not measured.
    """

    head_mm: Point | None = None
    tip_mm: Point | None = None
    defect: Plane | None = None
    left_out: tuple[Patch, ...] = ()


def split_what(what: str) -> tuple[str, str]:
    """Return the screw and the part that a correction names.

    Raises
    ------
    ValueError
        With the words that may stand there.

    Examples
    --------
    >>> split_what("left.head_mm")
    ('left', 'head_mm')
    """
    screw, dot, part = what.rpartition(".")
    if part == "remark" or (dot and screw and part in PARTS):
        return screw, part
    raise ValueError(f"{what!r} names no part; it is the id of a screw, a dot, and one of {', '.join(PARTS)}")


def check_correction(what: str, to: Any, remark: str = "") -> None:
    """Check one correction as it stands in a case file; without ``to`` the part is as found again.

    Raises
    ------
    ValueError
        With a sentence on what may stand there.
    """
    _, part = split_what(what)
    if part == "remark":
        if not remark:
            raise ValueError("a remark needs its text in remark")
    elif to is not None:
        _value(part, to)


def corrections_of(entries: Iterable[tuple[str, Any]]) -> dict[str, ScrewCorrection]:
    """Return what holds in the end, by screw, of corrections in the order they were made.

    Parameters
    ----------
    entries : iterable of (what, to)
        As they stand in the case file; a later one of the same part takes the place of the earlier.

    Raises
    ------
    ValueError
        If one is no correction.
    """
    last: dict[tuple[str, str], Any] = {}
    for what, to in entries:
        screw, part = split_what(what)
        if part != "remark":
            last[screw, part] = None if to is None else _value(part, to)
    out: dict[str, ScrewCorrection] = {}
    for (screw, part), value in last.items():
        if value is not None:
            so_far = out.get(screw, ScrewCorrection())
            is_patch = part in _REASONS
            change: dict[str, Any] = {"left_out": (*so_far.left_out, *value)} if is_patch else {part: value}
            out[screw] = replace(so_far, **change)
    return out


def _value(part: str, to: Any) -> Any:
    if part in _REASONS:
        return _patches(to, _REASONS[part])
    numbers = _numbers(to, _COUNTS[part])
    return Plane(np.array(numbers[:3]), np.array(numbers[3:])) if part == "defect" else numbers


def _numbers(value: Any, count: int) -> Any:
    is_row = isinstance(value, list | tuple) and len(value) == count
    if not is_row or not all(_is_number(number) for number in value):
        raise ValueError(f"{value!r} is not {_EXPECTED.get(count, f'{count} numbers')}")
    return tuple(float(number) for number in value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _patches(value: Any, cautions: Caution) -> tuple[Patch, ...]:
    if not isinstance(value, list | tuple):
        raise ValueError(f"{value!r} is no list of parts {{depth_mm = [from, to], angle_deg = [from, to]}}")
    return tuple(_patch(entry, cautions) for entry in value)


def _patch(entry: Any, cautions: Caution) -> Patch:
    if not isinstance(entry, Mapping) or set(entry) != _PATCH_KEYS:
        raise ValueError(f"{entry!r} is no part {{depth_mm = [from, to], angle_deg = [from, to]}}")
    depth, angle = _numbers(entry["depth_mm"], 2), _numbers(entry["angle_deg"], 2)
    if depth[1] <= depth[0]:
        raise ValueError(f"depth_mm {list(depth)} does not go from less to more")
    return Patch(depth, angle, cautions)


def corrected_screw(screw: Screw, correction: ScrewCorrection) -> tuple[Screw, tuple[Problem, ...]]:
    """Return a screw with the ends that were set by hand, and the note that says so.

    Raises
    ------
    Refused
        Code ``ends-too-near`` if the ends lie nearer than 5 mm to each other.
    """
    head, tip = (
        np.array(found if given is None else given)
        for given, found in ((correction.head_mm, screw.head_mm), (correction.tip_mm, screw.tip_mm))
    )
    moved = [
        f"{name} {np.linalg.norm(set_ - found):.1f} mm"
        for name, set_, found in (("head end", head, screw.head_mm), ("tip", tip, screw.tip_mm))
        if not np.array_equal(set_, found)
    ]
    if not moved:
        return screw, ()
    if np.linalg.norm(tip - head) < _LEAST_LENGTH_MM:
        raise refuse(
            "ends-too-near",
            f"The corrected ends of {screw_words(screw.id)} lie {np.linalg.norm(tip - head):.1f} mm apart.",
            "Correct them again, or take the correction back.",
        )
    text = f"By hand, {screw_words(screw.id)}: {' and '.join(moved)} from where found."
    return with_ends(screw, head, tip), (Problem("ends-by-hand", Level.NOTE, text),)


def unused_corrections(what: Iterable[str], screws: Iterable[str]) -> tuple[Problem, ...]:
    """Return the cautions on corrections that name no screw of the scan."""
    found = sorted(screws)
    named = dict.fromkeys(screw for screw, part in map(split_what, what) if part != "remark")
    return tuple(
        Problem(
            "correction-without-screw",
            Level.CAUTION,
            f"There is a correction for screw {name}, but this scan shows no screw of that name.",
            f"Screws found: {', '.join(found) or 'none'}.",
        )
        for name in named
        if name not in found
    )


_PART_WORDS = {
    "head_mm": "head end",
    "tip_mm": "tip",
    "defect": "plane of the defect",
    "left_out": "left out by the reader",
    "artefact": "marked as artefact",
}


def correction_words(what: str, to: Any) -> str:
    """Return a correction in words, without its screw; empty for a remark.

    Examples
    --------
    >>> correction_words("left.head_mm", [1.0, 2.0, 3.0])
    'head end set by hand'
    >>> correction_words("left.artefact", [])
    'nothing marked as artefact any more'
    """
    _, part = split_what(what)
    if part == "remark":
        return ""
    words = _PART_WORDS[part]
    if part in _REASONS:
        count = len(to or [])
        parts = "1 part of the surface" if count == 1 else f"{count} parts of the surface"
        return f"{parts} {words}" if count else f"nothing {words} any more"
    return f"{words} as found again" if to is None else f"{words} set by hand"
