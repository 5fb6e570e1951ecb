"""From a traced shaft and what is known of it to a screw."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem
from ongrowth.screw.ending import Ending, View, fit_shoulder, fit_tip
from ongrowth.screw.integrity import examine
from ongrowth.screw.match import Match
from ongrowth.screw.model import Screw, ScrewSettings, ScrewSpec
from ongrowth.screw.shaft import Shaft, ShaftEnd
from ongrowth.screw.side import outer_end_first

_U_FLOOR_MM = 0.15  # ends move by this much with the kernel alone
_U_STATED_LENGTH_MM = 0.25
_TIP_WINDOW_MM, _BEYOND_MM = 6.0, 2.5
_SHOULDER_WINDOW_MM = 2.0  # what lies right under the head counts, not what lies deeper
_U_UNKNOWN_THREAD = 0.025  # height and shape of the thread not known: share of the diameter
_U_MAJOR_FLOOR_MM = 0.05


def build_screw(
    shaft: Shaft, match: Match, middle_x_mm: float, settings: ScrewSettings
) -> tuple[Screw, list[Problem]]:
    """Return a screw with head and tip told apart, and what a reader must know about it."""
    spec = match.spec
    head_first, problems = _head_first(shaft, match, middle_x_mm)
    way = 1.0 if head_first else -1.0
    head, tip, more = _ends(shaft, way, spec, settings, match.id)
    problems += more
    major = _major(shaft, spec)
    root = spec.root_diameter_mm
    if math.isnan(root):
        root = spec.root_share * major.value
    length = Measured.of(way * (tip.at_mm - head.at_mm), math.hypot(head.u_mm, tip.u_mm), Unit.MM, floor=0.0)
    return Screw(
        id=match.id,
        side=match.side,
        head_mm=shaft.point_mm(head.at_mm),
        tip_mm=shaft.point_mm(tip.at_mm),
        major_diameter_mm=major,
        length_mm=length,
        root_diameter_mm=float(root),
        diameter_source="given" if math.isfinite(spec.major_diameter_mm) else "estimated",
        integrity=examine(shaft, head.at_mm, way),
        spec=spec,
        cautions=_cautions(shaft, spec),
    ), problems


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
    shaft: Shaft, way: float, spec: ScrewSpec, settings: ScrewSettings, name: str
) -> tuple[Ending, Ending, list[Problem]]:
    """Return head end and tip as depths; a stated length is weighed with what is seen."""
    head_end, tip_end = (shaft.first, shaft.last) if way > 0 else (shaft.last, shaft.first)
    head, tip = _head(shaft, head_end, -way), _tip(shaft, tip_end, way)
    if math.isnan(spec.length_mm):
        return head, tip, []
    excess = way * (tip.at_mm - head.at_mm) - spec.length_mm
    if abs(excess) > settings.length_differs_mm:
        seen = excess + spec.length_mm
        text = (
            f"Screw {name} measures {seen:.1f} mm, stated are {spec.length_mm:.1f} mm; the scan was believed."
        )
        return head, tip, [Problem("length-differs", Level.CAUTION, text, "Check the stated length.")]
    variances = np.array([head.u_mm, tip.u_mm, _U_STATED_LENGTH_MM]) ** 2
    share = variances / variances.sum()
    head = replace(
        head, at_mm=head.at_mm + way * share[0] * excess, u_mm=head.u_mm * math.sqrt(1.0 - share[0])
    )
    tip = replace(tip, at_mm=tip.at_mm - way * share[1] * excess, u_mm=tip.u_mm * math.sqrt(1.0 - share[1]))
    return head, tip, []


def _head(shaft: Shaft, end: ShaftEnd, outward: float) -> Ending:
    """Find the underside of the head; without a head, the end of the metal."""
    if not end.has_head:
        return Ending(end.depth_mm, math.hypot(0.3 * shaft.blur_along_mm, _U_FLOOR_MM), math.nan)
    view = _view(shaft, end.shoulder_mm, outward, _SHOULDER_WINDOW_MM, end.head_radius_mm)
    rough, out = outward * end.shoulder_mm, outward * end.depth_mm
    return _depth(fit_shoulder(view, shaft.section, rough, out, end.head_radius_mm), outward)


def _tip(shaft: Shaft, end: ShaftEnd, outward: float) -> Ending:
    view = _view(shaft, end.depth_mm, outward, _TIP_WINDOW_MM, shaft.section.radius_mm)
    return _depth(fit_tip(view, shaft.section, outward * end.depth_mm), outward)


def _view(shaft: Shaft, at_mm: float, outward: float, window_mm: float, radius_mm: float) -> View:
    """Cut the outline to an end: from some way inside to a little beyond, out to the foot of the edge."""
    outline = shaft.outline
    place = outward * outline.depth_mm
    near = (place > outward * at_mm - window_mm) & (place < outward * at_mm + _BEYOND_MM)
    order = np.argsort(place[near])
    wide = outline.radius_mm < radius_mm + 1.0
    hu = outline.profile_hu[near][order][:, wide]
    return View(place[near][order], outline.radius_mm[wide], hu, shaft.blur_along_mm, shaft.ceiling_hu)


def _depth(ending: Ending, outward: float) -> Ending:
    return replace(ending, at_mm=outward * ending.at_mm, u_mm=math.hypot(ending.u_mm, _U_FLOOR_MM))


def _major(shaft: Shaft, spec: ScrewSpec) -> Measured:
    if math.isfinite(spec.major_diameter_mm):
        return Measured.of(spec.major_diameter_mm, 0.02, Unit.MM, floor=0.0)
    value, u = 2.0 * shaft.section.radius_mm, 2.0 * shaft.section.radius_u_mm
    if math.isnan(spec.root_diameter_mm):
        u = math.hypot(u, _U_UNKNOWN_THREAD * value)
    return Measured.of(
        value, math.hypot(u, _U_MAJOR_FLOOR_MM), Unit.MM, Caution.DIAMETER_ESTIMATED, floor=0.0
    )


def _cautions(shaft: Shaft, spec: ScrewSpec) -> Caution:
    cautions = Caution.NONE
    if shaft.is_clipped:
        cautions |= Caution.METAL_CLIPPED
    if math.isnan(spec.major_diameter_mm):
        cautions |= Caution.DIAMETER_ESTIMATED
    if spec.material != "titanium" or (not shaft.is_clipped and shaft.section.core_hu > 13000.0):
        cautions |= Caution.DENSE_METAL
    return cautions
