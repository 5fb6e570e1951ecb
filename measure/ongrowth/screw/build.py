"""From a traced shaft and what is known of it to a screw."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem
from ongrowth.screw.integrity import examine
from ongrowth.screw.match import Match
from ongrowth.screw.model import Integrity, Screw, ScrewSettings, ScrewSpec
from ongrowth.screw.shaft import Shaft, ShaftEnd
from ongrowth.screw.side import outer_end_first

_U_TIP_MM = 0.25
_U_HEAD_MM = 0.35
_U_STATED_LENGTH_MM = 0.25
# Mean thread of cortical and pars screws: outer diameter over that of a rod of equal cross-section.
_MAJOR_FROM_MEAN = 1.12
_U_MAJOR_SHARE = 0.06
_ROOT_FROM_MAJOR = 0.74


def build_screw(
    shaft: Shaft, match: Match, middle_x_mm: float, settings: ScrewSettings
) -> tuple[Screw, list[Problem]]:
    """Return a screw with head and tip told apart, and what a reader must know about it."""
    spec = match.spec
    head_first, problems = _head_first(shaft, match, middle_x_mm)
    head, tip = (shaft.first, shaft.last) if head_first else (shaft.last, shaft.first)
    way = 1.0 if head_first else -1.0
    head_at, tip_at, more = _ends(head, tip, way, spec, settings, match.id)
    problems += more
    major, source = _major(shaft, spec)
    root = spec.root_diameter_mm
    if math.isnan(root):
        root = _ROOT_FROM_MAJOR * major.value
    cautions = _cautions(shaft, spec)
    integrity = _oriented(examine(shaft), shaft, head_at, way)
    length = way * (tip_at - head_at)
    screw = Screw(
        id=match.id,
        side=match.side,
        head_mm=shaft.point_mm(head_at),
        tip_mm=shaft.point_mm(tip_at),
        major_diameter_mm=major,
        length_mm=Measured.of(length, math.hypot(_U_TIP_MM, _U_HEAD_MM), Unit.MM, floor=0.0),
        root_diameter_mm=float(root),
        diameter_source="given" if source else "estimated",
        integrity=integrity,
        spec=spec,
        cautions=cautions,
    )
    return screw, problems


def _head_first(shaft: Shaft, match: Match, middle_x_mm: float) -> tuple[bool, list[Problem]]:
    spec = match.spec
    start, end = shaft.point_mm(shaft.first.depth_mm), shaft.point_mm(shaft.last.depth_mm)
    for point, is_head in ((spec.head_mm, True), (spec.tip_mm, False)):
        if point is not None:
            nearer_start = _distance(point, start) < _distance(point, end)
            return nearer_start == is_head, []
    first, last = shaft.first, shaft.last
    if first.has_head != last.has_head:
        return first.has_head, []
    if first.has_head and abs(first.head_ratio - last.head_ratio) > 0.25:
        return first.head_ratio > last.head_ratio, []
    if abs(first.taper_ratio - last.taper_ratio) > 0.15:
        return first.taper_ratio > last.taper_ratio, []
    text = f"No head is seen on screw {match.id}: its end at the back or outside was taken for the head end."
    problem = Problem("head-assumed", Level.CAUTION, text, "Give head and tip points if that is wrong.")
    return outer_end_first(start, end, middle_x_mm), [problem]


def _distance(a: tuple[float, float, float], b: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(np.array(a) - b))


def _ends(
    head: ShaftEnd, tip: ShaftEnd, way: float, spec: ScrewSpec, settings: ScrewSettings, name: str
) -> tuple[float, float, list[Problem]]:
    """Return depths of head end and tip; a stated length is weighed with what is seen."""
    head_at, tip_at = head.shoulder_mm, tip.depth_mm
    if math.isnan(spec.length_mm):
        return head_at, tip_at, []
    seen = way * (tip_at - head_at)
    excess = seen - spec.length_mm
    if abs(excess) > settings.length_differs_mm:
        text = (
            f"Screw {name} measures {seen:.1f} mm, stated are {spec.length_mm:.1f} mm; the scan was believed."
        )
        return head_at, tip_at, [Problem("length-differs", Level.CAUTION, text, "Check the stated length.")]
    variances = np.array([_U_HEAD_MM, _U_TIP_MM, _U_STATED_LENGTH_MM]) ** 2
    share = variances / variances.sum()
    return head_at + way * share[0] * excess, tip_at - way * share[1] * excess, []


def _major(shaft: Shaft, spec: ScrewSpec) -> tuple[Measured, bool]:
    if math.isfinite(spec.major_diameter_mm):
        return Measured.of(spec.major_diameter_mm, 0.02, Unit.MM, floor=0.0), True
    value = 2.0 * shaft.radius_mm * _MAJOR_FROM_MEAN
    u = math.hypot(_U_MAJOR_SHARE * value, 0.5 * shaft.metal.blur_mm if shaft.metal.is_clipped else 0.1)
    return Measured.of(value, u, Unit.MM, Caution.DIAMETER_ESTIMATED, floor=0.0), False


def _cautions(shaft: Shaft, spec: ScrewSpec) -> Caution:
    cautions = Caution.NONE
    if shaft.metal.is_clipped:
        cautions |= Caution.METAL_CLIPPED
    if math.isnan(spec.major_diameter_mm):
        cautions |= Caution.DIAMETER_ESTIMATED
    if spec.material != "titanium" or (not shaft.metal.is_clipped and shaft.metal.core_hu > 13000.0):
        cautions |= Caution.DENSE_METAL
    return cautions


def _oriented(integrity: Integrity, shaft: Shaft, head_at: float, way: float) -> Integrity:
    """Count the depth of an interruption from the head end."""
    at = shaft.first.shoulder_mm + integrity.at_depth_mm
    return Integrity(
        integrity.state,
        integrity.smallest_shown_mm,
        float(way * (at - head_at)),
        integrity.interruption_mm,
        integrity.bend_deg,
    )
