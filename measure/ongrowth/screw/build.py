"""From a traced shaft and what is known of it to a screw."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem, Scan
from ongrowth.screw.ending import Ending, View, fit_shoulder, fit_tip
from ongrowth.screw.integrity import examine
from ongrowth.screw.level import metal_level_hu
from ongrowth.screw.match import Match
from ongrowth.screw.model import Screw, ScrewSettings, ScrewSpec
from ongrowth.screw.shaft import Shaft, ShaftEnd
from ongrowth.screw.side import outer_end_first
from ongrowth.sentence import screw_words

_U_FLOOR_MM = 0.15  # ends move by this much with the kernel alone
_U_STATED_LENGTH_MM = 0.25
_U_HIDDEN_MM = 3.0  # an end that other metal covers
_U_NOISY_MM = 0.4  # an end seen in noise
_TIP_WINDOW_MM, _BEYOND_MM = 6.0, 2.5
_SHOULDER_WINDOW_MM = 2.0  # what lies right under the head counts, not what lies deeper
_U_UNKNOWN_THREAD = 0.025  # height and shape of the thread not known: share of the diameter
_U_MAJOR_FLOOR_MM = 0.05
_DIAMETER_DIFFERS_MM = 0.7
_DENSE_SHARE = 1.5  # of what titanium reads; steel reads twice as much
_IN_SLICE_PLANE = 0.26  # within 15 degrees
# Found on phantoms: what pulls all centres of a shaft one way.
_PULL_MM, _PULL_OF_SLICE, _PULL_LYING_MM, _PULL_PARTS_MM = 0.01, 0.02, 0.1, 0.04
_UNKNOWN_TILT_DEG = 1.0
_HEADS_DIFFER = 0.25  # of the thickness of the shaft: two ends that differ by less look alike
_NOISY_TILT_DEG = 0.5  # noise of metal goes along its rays, so neighbouring sections err alike


def build_screw(
    scan: Scan, shaft: Shaft, match: Match, middle_x_mm: float, settings: ScrewSettings
) -> tuple[Screw, list[Problem]]:
    """Return a screw with head and tip told apart, and what a reader must know about it."""
    spec = match.spec
    if math.isnan(spec.major_diameter_mm):  # it may have been traced with the size stated of another screw
        shaft = replace(shaft, section=shaft.free)
    head_first, problems = _head_first(shaft, match, middle_x_mm)
    way = 1.0 if head_first else -1.0
    head, tip, more = _ends(shaft, way, spec, settings, match.id)
    major = _major(shaft, spec)
    start_mm, shank_mm = _thread(shaft, spec, head.at_mm, way)
    axis_u_deg, axis_u_mm = _axis_u(scan, shaft)
    reduced = Caution.PROCESSED_IMAGE if scan.acquisition.is_metal_reduced else Caution.NONE
    integrity = examine(shaft, head.at_mm, way, reduced)
    bent = Caution.SCREW_BENT if integrity.state == "bent" else Caution.NONE
    screw = Screw(
        id=match.id,
        side=match.side,
        head_mm=shaft.point_mm(head.at_mm),
        tip_mm=shaft.point_mm(tip.at_mm),
        major_diameter_mm=major,
        length_mm=_length(head, tip, way),
        root_diameter_mm=_root_mm(spec, major),
        diameter_source="given" if math.isfinite(spec.major_diameter_mm) else "estimated",
        integrity=integrity,
        spec=spec,
        cautions=_cautions(scan, shaft, spec) | bent,
        axis_u_deg=axis_u_deg,
        axis_u_mm=axis_u_mm,
        thread_start_mm=start_mm,
        shank_diameter_mm=shank_mm,
        cannula_diameter_mm=spec.cannula_diameter_mm or 2.0 * shaft.section.lumen_mm,
    )
    problems += more + _diameter_differs(shaft, spec, match.id)
    return _at_given_points(screw, settings, problems)


def _length(head: Ending, tip: Ending, way: float) -> Measured:
    return Measured.of(way * (tip.at_mm - head.at_mm), math.hypot(head.u_mm, tip.u_mm), Unit.MM, floor=0.0)


def _root_mm(spec: ScrewSpec, major: Measured) -> float:
    return spec.root_diameter_mm if math.isfinite(spec.root_diameter_mm) else spec.root_share * major.value


def _thread(shaft: Shaft, spec: ScrewSpec, head_at_mm: float, way: float) -> tuple[float, float]:
    """Return where the thread begins and how thick the shank before it is, as stated or else as seen, mm."""
    if spec.thread == "partial" and math.isfinite(spec.thread_start_mm):
        return spec.thread_start_mm, spec.shank_diameter_mm
    body = shaft.body
    is_partial = math.isfinite(body.step_mm) and way * (body.even_mm[0] - body.step_mm) > 0.0
    if not is_partial:
        return 0.0, math.nan
    return float(way * (body.step_mm - head_at_mm)), 2.0 * (shaft.radius_mm - body.thinner_mm)


def _axis_u(scan: Scan, shaft: Shaft) -> tuple[float, float]:
    """Return the standard uncertainty of tilt (degrees) and place (mm) of the axis, per direction.

    Scatter of the centres, and what pulls them all: bone on one side, the more so where the ceiling
    hides the core; the grid where a slice is thicker than the blur; and hardening along a screw that
    lies in the slices, which makes the slices of its middle darker than those of its ends.
    """
    slice_mm = scan.slice_gap_mm
    steep = abs(float(shaft.course.line.direction @ scan.slice_normal))
    pull_mm = _PULL_MM + _PULL_OF_SLICE * max(slice_mm - 1.0, 0.0) + _PULL_LYING_MM * (1.0 - steep**2) ** 3
    if shaft.is_clipped:
        pull_mm += _PULL_MM + _PULL_OF_SLICE * slice_mm
    if shaft.gap.is_shown or not shaft.course.is_straight:
        pull_mm += _PULL_PARTS_MM
    tilt_deg = math.degrees(2.0 * pull_mm / max(shaft.length_mm, 1.0))
    scatter_deg = shaft.fit.turn_u_deg if math.isfinite(shaft.fit.turn_u_deg) else _UNKNOWN_TILT_DEG
    noise_deg = _NOISY_TILT_DEG if shaft.is_noisy else 0.0
    return math.hypot(scatter_deg, tilt_deg, noise_deg), pull_mm


def _diameter_differs(shaft: Shaft, spec: ScrewSpec, name: str) -> list[Problem]:
    """Tell that a stated diameter does not fit the image."""
    if not _differs(shaft, spec):
        return []
    seen_mm = 2.0 * shaft.free.radius_mm
    text = (
        f"The thread of {screw_words(name)} looks about {seen_mm:.1f} mm thick, stated are "
        f"{spec.major_diameter_mm:.1f} mm; what was stated was used, and every halo width hangs on it."
    )
    return [Problem("diameter-differs", Level.CAUTION, text, "Check the stated outer diameter.")]


def _differs(shaft: Shaft, spec: ScrewSpec) -> bool:
    """Whether a stated diameter is far from the cross-section as it is seen where none is stated."""
    seen_mm = 2.0 * shaft.free.radius_mm
    return abs(seen_mm - spec.major_diameter_mm) > max(_DIAMETER_DIFFERS_MM, 0.2 * seen_mm)


def _at_given_points(
    screw: Screw, settings: ScrewSettings, problems: list[Problem]
) -> tuple[Screw, list[Problem]]:
    """Keep the points that a reader gave where the scan leads too far from them."""
    head, tip = screw.spec.head_mm, screw.spec.tip_mm
    if head is None or tip is None:
        return screw, problems
    moved_mm = max(_distance(head, screw.head_mm), _distance(tip, screw.tip_mm))
    given = np.subtract(tip, head)
    cosine = float(given @ (screw.tip_mm - screw.head_mm)) / (
        float(np.linalg.norm(given)) * float(np.linalg.norm(screw.tip_mm - screw.head_mm))
    )
    if moved_mm <= settings.refine_reach_mm and cosine > math.cos(math.radians(settings.refine_turn_deg)):
        return screw, problems
    text = (
        f"The points given for {screw_words(screw.id)} were kept: "
        f"the metal found ends {moved_mm:.1f} mm from them."
    )
    problem = Problem("points-not-refined", Level.CAUTION, text, "Check the points, or leave them out.")
    length = Measured.of(float(np.linalg.norm(given)), 1.0, Unit.MM, Caution.POOR_FIT, floor=0.0)
    kept = replace(
        screw,
        head_mm=np.array(head),
        tip_mm=np.array(tip),
        length_mm=length,
        cautions=screw.cautions | Caution.POOR_FIT,
    )
    return kept, [*problems, problem]


def _head_first(shaft: Shaft, match: Match, middle_x_mm: float) -> tuple[bool, list[Problem]]:
    given, seen = _head_given_first(shaft, match.spec), _head_seen_first(shaft)
    if given is not None:
        return given, [] if seen in (given, None) else [_points_turned(match.id)]
    if seen is not None:
        return seen, []
    first, last = shaft.first, shaft.last
    if abs(first.taper_ratio - last.taper_ratio) > 0.15:
        return first.taper_ratio > last.taper_ratio, []
    name = screw_words(match.id)
    text = f"No head is seen on {name}: its end at the back or outside was taken for the head end."
    problem = Problem("head-assumed", Level.CAUTION, text, "Give head and tip points if that is wrong.")
    start, end = shaft.point_mm(first.depth_mm), shaft.point_mm(last.depth_mm)
    return outer_end_first(start, end, middle_x_mm), [problem]


def _head_given_first(shaft: Shaft, spec: ScrewSpec) -> bool | None:
    """Whether the points of a reader put the head at the first end; None without points."""
    start, end = shaft.point_mm(shaft.first.depth_mm), shaft.point_mm(shaft.last.depth_mm)
    for point, is_head in ((spec.head_mm, True), (spec.tip_mm, False)):
        if point is not None:
            return (_distance(point, start) < _distance(point, end)) == is_head
    return None


def _head_seen_first(shaft: Shaft) -> bool | None:
    """Whether the metal shows its head at the first end; None if both ends look alike."""
    first, last = shaft.first, shaft.last
    if first.has_head != last.has_head:
        return first.has_head
    if first.has_head and abs(first.head_ratio - last.head_ratio) > _HEADS_DIFFER:
        return first.head_ratio > last.head_ratio
    return None


def _points_turned(name: str) -> Problem:
    """Tell that head and tip may have been given for each other; a reader may know better, so they count."""
    text = (
        f"The head of {screw_words(name)} is seen at the end that was given as its tip; what was given was "
        "used, and which side of the defect is which hangs on it."
    )
    return Problem("points-turned", Level.CAUTION, text, "Check that head and tip are not exchanged.")


def _distance(a: tuple[float, float, float], b: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(np.array(a) - b))


def _ends(
    shaft: Shaft, way: float, spec: ScrewSpec, settings: ScrewSettings, name: str
) -> tuple[Ending, Ending, list[Problem]]:
    """Return head end and tip as depths; a stated length is weighed with what is seen."""
    head_end, tip_end = (shaft.first, shaft.last) if way > 0 else (shaft.last, shaft.first)
    head = _weakened(_head(shaft, head_end, -way), head_end, shaft)
    tip = _weakened(_tip(shaft, tip_end, way), tip_end, shaft)
    if math.isnan(spec.length_mm):
        return head, tip, _hidden(head_end, tip_end, name)
    excess = way * (tip.at_mm - head.at_mm) - spec.length_mm
    if abs(excess) > max(settings.length_differs_mm, 2.0 * math.hypot(head.u_mm, tip.u_mm)):
        seen = excess + spec.length_mm
        text = (
            f"The shaft of {screw_words(name)} measures {seen:.1f} mm, stated are {spec.length_mm:.1f} mm; "
            "the scan was believed."
        )
        return head, tip, [Problem("length-differs", Level.CAUTION, text, "Check the stated length.")]
    variances = np.array([head.u_mm, tip.u_mm, _U_STATED_LENGTH_MM]) ** 2
    share = variances / variances.sum()
    head = replace(
        head, at_mm=head.at_mm + way * share[0] * excess, u_mm=head.u_mm * math.sqrt(1.0 - share[0])
    )
    tip = replace(tip, at_mm=tip.at_mm - way * share[1] * excess, u_mm=tip.u_mm * math.sqrt(1.0 - share[1]))
    return head, tip, []


def _weakened(ending: Ending, end: ShaftEnd, shaft: Shaft) -> Ending:
    """Return an ending as unsure as other metal and noise make it."""
    hidden_mm = _U_HIDDEN_MM if end.is_hidden else 0.0
    noise_mm = _U_NOISY_MM if shaft.is_noisy else 0.0
    return replace(ending, u_mm=math.hypot(ending.u_mm, hidden_mm, noise_mm))


def _hidden(head: ShaftEnd, tip: ShaftEnd, name: str) -> list[Problem]:
    return [
        Problem(
            "end-hidden",
            Level.CAUTION,
            f"Other metal covers the {word} of {screw_words(name)}: where it ends is a guess within "
            f"{2.0 * _U_HIDDEN_MM:.0f} mm.",
            "State the length of the screw, or give its points.",
        )
        for end, word in ((head, "head end"), (tip, "tip"))
        if end.is_hidden
    ]


def _head(shaft: Shaft, end: ShaftEnd, outward: float) -> Ending:
    """Find the underside of the head; without a head, the end of the metal."""
    if not end.has_head:
        return Ending(end.depth_mm, math.hypot(0.3 * shaft.blur_along_mm, _U_FLOOR_MM))
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


def _cautions(scan: Scan, shaft: Shaft, spec: ScrewSpec) -> Caution:
    steep = abs(float(shaft.course.line.direction @ scan.slice_normal))
    dense_hu = _DENSE_SHARE * metal_level_hu("titanium", scan.acquisition)[0]
    is_dense = spec.material != "titanium" or (not shaft.is_clipped and shaft.section.core_hu > dense_hu)
    told = (
        (Caution.METAL_CLIPPED, shaft.is_clipped),
        (Caution.DIAMETER_ESTIMATED, math.isnan(spec.major_diameter_mm)),
        (Caution.DIAMETER_DOUBTFUL, _differs(shaft, spec)),
        (Caution.DENSE_METAL, is_dense),
        (Caution.SCREW_IN_SLICE_PLANE, steep < _IN_SLICE_PLANE),
    )
    cautions = Caution.NONE
    for caution, holds in told:
        cautions |= caution if holds else Caution.NONE
    return cautions
