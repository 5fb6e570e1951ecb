"""From a scan to its screws: the whole way in one screen."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem, Refused, Scan, refuse
from ongrowth.screw.apart import touching
from ongrowth.screw.build import build_screw
from ongrowth.screw.join import join_broken
from ongrowth.screw.kind import Kind, kind_of
from ongrowth.screw.match import match_specs
from ongrowth.screw.metal import metal_threshold_hu, metal_voxels, pieces
from ongrowth.screw.model import DEFAULT_SETTINGS, Metalwork, OtherMetal, Screw, ScrewSettings, ScrewSpec
from ongrowth.screw.segment import Segment, segments_of, settled
from ongrowth.screw.shaft import Seen, Shaft, trace_shaft
from ongrowth.screw.side import in_order, sides_of
from ongrowth.sentence import screw_words

_SMALLEST_PIECE_MM3, _FEWEST_VOXELS = 0.5, 3
_NOISE_SPECKS = 12
_MOST_TOUCHING = 2  # where more metal than that runs into each other, a line fits it by chance
# Smoothing that calms noise and leaves a 3.5 mm screw, clipped, above this CT number.
_CALM_MM, _CALM_MARGIN_MM, _CALM_HU = 0.6, 2.0, 2300.0
_MOST_SEGMENTS = 30  # the longest; a scan with more is no case of screws
_POINT_REACH_MM = 4.0  # points given by a reader lie on the axis about this well
_USUAL_RADIUS_MM = 2.0
_OTHER_METAL_MM = 1.0  # metal that much thicker or thinner than stated of the screws is traced by itself


def find_screws(
    scan: Scan, specs: Sequence[ScrewSpec] = (), settings: ScrewSettings = DEFAULT_SETTINGS
) -> Metalwork:
    """Find the screws of a scan and all other metal.

    Parameters
    ----------
    scan : Scan
        The CT.
    specs : sequence of ScrewSpec
        What is known of the screws; may be empty. Screws found beyond them are returned as well. A single
        one without name, side and points stands for every screw.
    settings : ScrewSettings
        How metal is told apart.

    Returns
    -------
    Metalwork
        Screws (those with a spec first, in its order), other metal, and what a reader must know.

    Raises
    ------
    Refused
        ``no-metal``, ``metal-implausible``, ``no-screw`` (metal, but no screw), ``screw-cut-off``
        (no screw lies whole inside the scan), ``points-off-metal`` (and no other screw),
        ``side-mismatch``, or ``screw-unclear`` (noise, and no screw of the stated length).
    """
    survey = _survey(scan, specs, settings)
    screws = [part.shaft for part in survey.parts if part.kind is Kind.SCREW]
    whole = _whole(screws, survey)
    specs = _for_all(specs, whole)
    found, problems = _screws(scan, whole, specs, settings)
    told = [*_cut_off(screws, whole), *survey.problems, *problems]
    found, unclear, more = _sure(found, specs)
    told += more
    others = [*_others(survey), *(_other(_Part(one.shaft, Kind.PIECE)) for one in unclear)]
    told += [problem for one in found for problem in one.problems]
    return Metalwork(tuple(one.screw for one in found), tuple(others), tuple(told))


def find_metal(scan: Scan, settings: ScrewSettings = DEFAULT_SETTINGS) -> tuple[OtherMetal, ...]:
    """List all metal of a scan by kind ("screw", "rod", "wire", "piece"), whole or cut off, longest first.

    Parameters
    ----------
    scan : Scan
        The CT.
    settings : ScrewSettings
        How metal is told from bone.

    Raises
    ------
    Refused
        ``no-metal`` or ``metal-implausible``.
    """
    survey = _survey(scan, (), settings)
    parts = tuple(_other(part) for part in survey.parts)
    return tuple(sorted((*parts, *survey.lumps), key=lambda m: m.length_mm.value, reverse=True))


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A straight piece of metal and what it is."""

    shaft: Shaft
    kind: Kind


@dataclass(frozen=True, slots=True, eq=False)
class _Survey:
    """All metal: straight pieces, and lumps that have no length."""

    parts: tuple[_Part, ...]
    lumps: tuple[OtherMetal, ...]
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """Where metal is looked for (the scan, or a smoothed part of it) and the voxels that are metal there."""

    scan: Scan
    threshold_hu: float
    ceiling_hu: float
    voxels: NDArray[np.intp]
    pieces: list[NDArray[np.intp]]
    is_noisy: bool


def _survey(scan: Scan, specs: Sequence[ScrewSpec], settings: ScrewSettings) -> _Survey:
    shown = _shown(scan)
    segments, lumps = _segments(shown)
    at_edge = np.any((shown.voxels == 0) | (shown.voxels == np.array(shown.scan.hu.shape) - 1), axis=1)
    seen = Seen(
        shown.threshold_hu, shown.ceiling_hu, shown.scan.world_mm(shown.voxels[at_edge]), shown.is_noisy
    )
    common = _common(specs)
    trace = partial(trace_shaft, shown.scan, seen=seen, spec=common)
    joined = join_broken(segments, settings)
    longest = joined[:_MOST_SEGMENTS]
    traced = _distinct([(s, trace(s, touching(s, joined))) for s in longest])

    parts = []
    for segment, shaft in traced:
        if shaft is not None:
            again = partial(trace, segment, touching(segment, joined), spec=ScrewSpec())
            parts.append(_part_of(shaft, again, common, settings))
    lumps += [_untraced(segment) for segment, shaft in traced if shaft is None]
    problems = [_noisy()] if shown.is_noisy else []
    for spec in specs:
        parts, problem = _pointed_out(parts, spec, trace)
        problems += problem
    return _Survey(tuple(parts), tuple(lumps), tuple(problems))


def _part_of(
    shaft: Shaft, again: Callable[[], Shaft | None], spec: ScrewSpec, settings: ScrewSettings
) -> _Part:
    """Return what a piece is; no screw and of another thickness than stated of them, it is traced anew."""
    part = _Part(shaft, kind_of(shaft, settings))
    free = None if _is_alike(shaft, spec) else again()
    if free is None:
        return part
    kind = kind_of(free, settings)
    return part if kind is Kind.SCREW else _Part(free, kind)


def _is_alike(shaft: Shaft, spec: ScrewSpec) -> bool:
    """Whether metal is about as thick as stated of the screws, so that this may help to trace it."""
    stated_mm = spec.major_diameter_mm
    if not math.isfinite(stated_mm):
        return True
    return abs(shaft.outer_diameter_mm(spec.root_share) - stated_mm) < _OTHER_METAL_MM


def _distinct(traced: list[tuple[Segment, Shaft | None]]) -> list[tuple[Segment, Shaft | None]]:
    """Leave out what strayed to the metal of another stretch while it was traced."""
    return [
        (segment, shaft)
        for segment, shaft in traced
        if shaft is None
        or not any(
            other is not None and other is not shaft and _strays_more(segment, shaft, beside, other)
            for beside, other in traced
        )
    ]


def _strays_more(segment: Segment, shaft: Shaft, beside: Segment, other: Shaft) -> bool:
    """Whether two shafts are of the same metal, and the first lies farther from where it was looked for."""
    places = [_quarters_mm(s) for s in (shaft, other)]
    is_same = all(other.distance_mm(point) < other.radius_mm for point in places[0])
    return is_same and segment.distance_mm(places[0]).max() > beside.distance_mm(places[1]).max()


def _quarters_mm(shaft: Shaft) -> NDArray[np.float64]:
    return shaft.course.points_mm(np.linspace(shaft.first.depth_mm, shaft.last.depth_mm, 5)[1:-1])


def _pointed_out(
    parts: list[_Part], spec: ScrewSpec, trace: Callable[[Segment], Shaft | None]
) -> tuple[list[_Part], list[Problem]]:
    """Take as a screw what the user points at: a piece found there, or one traced from the points."""
    if spec.head_mm is None or spec.tip_mm is None:
        return parts, []
    ends = np.array(spec.head_mm), np.array(spec.tip_mm)
    near = [
        k
        for k, part in enumerate(parts)
        if max(part.shaft.distance_mm(end) for end in ends) < _POINT_REACH_MM
    ]
    if near:
        at = min(near, key=lambda k: sum(parts[k].shaft.distance_mm(end) for end in ends))
        return [_Part(p.shaft, Kind.SCREW) if k == at else p for k, p in enumerate(parts)], []
    shaft = trace(Segment(ends[0], ends[1], _USUAL_RADIUS_MM))
    if shaft is not None and max(shaft.distance_mm(end) for end in ends) < _POINT_REACH_MM:
        return [*parts, _Part(shaft, Kind.SCREW)], []
    text = f"No metal was found between the points given for {screw_words(spec.id)}."
    return parts, [Problem("points-off-metal", Level.CAUTION, text, "Check the points: patient mm (LPS).")]


def _ceiling_hu(scan: Scan, voxels: NDArray[np.intp]) -> float:
    """Return the scan's ceiling; where reading did not tell, a value that much of the metal shares."""
    if math.isfinite(scan.hu_ceiling):
        return scan.hu_ceiling
    hu = scan.hu[tuple(voxels.T)]
    top = float(hu.max())
    return top if np.mean(hu >= top) > 0.1 else math.nan


def _common(specs: Sequence[ScrewSpec]) -> ScrewSpec:
    """Return what is known of every screw before they are told apart: a spec, if all are of one kind."""
    kinds = {(s.material, s.major_diameter_mm, s.root_diameter_mm) for s in specs}
    return specs[0] if len(kinds) == 1 else ScrewSpec()


def _shown(scan: Scan) -> _Shown:
    threshold = metal_threshold_hu(scan)
    voxels = metal_voxels(scan, threshold)
    ceiling = _ceiling_hu(scan, voxels)
    scattered = pieces(voxels, scan.hu.shape)
    if not _is_noisy(scan, scattered):
        return _Shown(scan, threshold, ceiling, voxels, scattered, is_noisy=False)
    calm = _calm(scan, voxels)
    voxels = np.argwhere(calm.hu > _CALM_HU)
    return _Shown(calm, _CALM_HU, ceiling, voxels, pieces(voxels, calm.hu.shape), is_noisy=True)


def _is_noisy(scan: Scan, scattered: list[NDArray[np.intp]]) -> bool:
    """Whether noise between metal passes for metal: it comes in specks, which no implant does."""
    return sum(_is_speck(piece, scan.voxel_mm3) for piece in scattered) >= _NOISE_SPECKS


def _noisy() -> Problem:
    text = "The metal of this scan is noisy: screws were looked for in a smoothed copy, small metal was not."
    return Problem(
        "metal-noisy", Level.CAUTION, text, "Check head and tip on the cuts, or give their points."
    )


def _calm(scan: Scan, voxels: NDArray[np.intp]) -> Scan:
    """Return the part of a scan that holds its metal, smoothed."""
    reach = np.ceil(_CALM_MARGIN_MM / scan.step_mm).astype(int)
    low = np.maximum(voxels.min(axis=0) - reach, 0)
    high = np.minimum(voxels.max(axis=0) + reach + 1, scan.hu.shape)
    crop = scan.crop((slice(low[0], high[0]), slice(low[1], high[1]), slice(low[2], high[2])))
    hu = gaussian_filter(crop.hu, _CALM_MM / crop.step_mm, output=np.float32, truncate=3.0)
    return replace(crop, hu=hu)


def _segments(shown: _Shown) -> tuple[list[Segment], list[OtherMetal]]:
    """Return the straight stretches of all metal, and the lumps that have none."""
    scan = shown.scan
    volume = scan.voxel_mm3
    reach = float(scan.step_mm.max())
    segments: list[Segment] = []
    lumps: list[OtherMetal] = []
    for piece in shown.pieces:
        if _is_speck(piece, volume):
            continue
        points = scan.world_mm(piece)
        straight, clear = segments_of(points, volume, reach)
        segments += settled(straight, points, volume)
        rest = pieces(piece[clear], scan.hu.shape) if clear.any() else []
        lumps += [_lump(scan.world_mm(part), volume) for part in rest if not _is_speck(part, volume)]
    return segments, lumps


def _is_speck(piece: NDArray[np.intp], voxel_mm3: float) -> bool:
    return len(piece) < _FEWEST_VOXELS or len(piece) * voxel_mm3 < _SMALLEST_PIECE_MM3


def _lump(points_mm: NDArray[np.float64], voxel_mm3: float) -> OtherMetal:
    centre = points_mm.mean(axis=0)
    size = 2.0 * float(np.linalg.norm(points_mm - centre, axis=1).max())
    wide = 2.0 * float(np.cbrt(0.75 * len(points_mm) * voxel_mm3 / np.pi))
    length = Measured.of(size, 0.5, Unit.MM, Caution.SMALLER_THAN_BLUR, floor=0.0)
    return OtherMetal("piece", centre[None], length, Measured.of(wide, 0.5, Unit.MM, floor=0.0))


def _untraced(segment: Segment) -> OtherMetal:
    """Return a stretch too short or too faint to be measured any closer."""
    course = np.stack([segment.start_mm, segment.end_mm])
    length = Measured.of(segment.length_mm, 1.0, Unit.MM, Caution.POOR_FIT, floor=0.0)
    wide = Measured.of(2.0 * segment.radius_mm, 0.7, Unit.MM, Caution.POOR_FIT, floor=0.0)
    return OtherMetal(Kind.PIECE.value, course, length, wide)


def _others(survey: _Survey) -> tuple[OtherMetal, ...]:
    parts = tuple(_other(part) for part in survey.parts if part.kind is not Kind.SCREW)
    return (*parts, *survey.lumps)


def _other(part: _Part) -> OtherMetal:
    shaft = part.shaft
    course = np.vstack(
        [shaft.point_mm(shaft.first.depth_mm), shaft.centres.points_mm, shaft.point_mm(shaft.last.depth_mm)]
    )
    length = Measured.of(shaft.length_mm, 0.4, Unit.MM, floor=0.0)
    return OtherMetal(
        part.kind.value, course, length, Measured.of(2.0 * shaft.radius_mm, 0.3, Unit.MM, floor=0.0)
    )


def _for_all(specs: Sequence[ScrewSpec], shafts: Sequence[Shaft]) -> Sequence[ScrewSpec]:
    """Return the specs; a single one without name, side and points stands for every screw."""
    if len(specs) != 1 or specs[0].id or specs[0].side or specs[0].head_mm or specs[0].tip_mm:
        return specs
    return tuple(specs) * len(shafts)


def _whole(screws: list[Shaft], survey: _Survey) -> list[Shaft]:
    """Return the screws that lie whole inside the scan.

    Raises
    ------
    Refused
        If there is none.
    """
    if not screws:
        raise _no_screw(survey)
    whole = [s for s in screws if not _is_cut(s)]
    if not whole and screws[0].is_noisy:
        raise _unclear("a screw")
    if not whole:
        raise refuse(
            "screw-cut-off",
            "The screw runs out of the scan.",
            "Export or make a scan that holds the whole screw and 1 cm beyond each end.",
        )
    return whole


def _is_cut(shaft: Shaft) -> bool:
    return shaft.first.is_cut or shaft.last.is_cut


def _no_screw(survey: _Survey) -> Refused:
    """Return why no metal is a screw; a bar that is cut at both ends shows neither head nor tip."""
    if any(part.kind is Kind.ROD and _is_cut(part.shaft) for part in survey.parts):
        return refuse(
            "screw-cut-off",
            "Metal as thick as a screw runs out of the scan, and no screw lies whole inside it.",
            "Export or make a scan that holds the whole screw and 1 cm beyond each end.",
        )
    off = [problem for problem in survey.problems if problem.code == "points-off-metal"]
    if off:
        return refuse(off[0].code, off[0].text, off[0].advice)
    return refuse(
        "no-screw",
        "There is metal in this scan, but nothing shaped like a screw.",
        "Give head and tip points, or check that the scan shows the screw.",
    )


def _cut_off(screws: list[Shaft], whole: list[Shaft]) -> list[Problem]:
    count = len(screws) - len(whole)
    if not count:
        return []
    text = f"Screws that run out of the scan and are left out: {count} of {len(screws)}."
    return [Problem("screw-cut-off", Level.CAUTION, text, "Use a scan that holds the whole screw.")]


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """A screw, the shaft it was made from, and what a reader must know about it."""

    screw: Screw
    shaft: Shaft
    problems: list[Problem]


def _screws(
    scan: Scan, shafts: list[Shaft], specs: Sequence[ScrewSpec], settings: ScrewSettings
) -> tuple[list[_Found], list[Problem]]:
    shafts, sides = in_order(shafts, sides_of(scan, shafts))
    matches, problems = match_specs(shafts, sides, specs)
    middle_x = float(np.mean([s.middle_mm[0] for s in shafts]))
    found = []
    for match in matches:
        shaft = shafts[match.shaft]
        screw, told = build_screw(scan, shaft, match, middle_x, settings)
        found.append(_Found(screw, shaft, told))
    return found, problems


def _sure(
    found: list[_Found], specs: Sequence[ScrewSpec]
) -> tuple[list[_Found], list[_Found], list[Problem]]:
    """Tell screws from lines that noise and touching metal only happen to hold.

    Raises
    ------
    Refused
        ``screw-unclear`` if none is sure.
    """
    sure = [one for one in found if _stands_out(one, specs)]
    unclear = [one for one in found if one not in sure]
    names = [one.screw.id for one in unclear if not specs or one.screw.spec in specs]
    told = _unclear(" and ".join(map(screw_words, names)) or "a screw").problems[0]
    if not sure:
        raise Refused(told)
    return sure, unclear, [replace(told, level=Level.CAUTION)] if names else []


def _unclear(what: str) -> Refused:
    return refuse(
        "screw-unclear",
        f"Noise and touching metal hide {what}: its place is not sure.",
        "Give head and tip points of the screw, or read this scan by eye.",
    )


def _stands_out(one: _Found, specs: Sequence[ScrewSpec]) -> bool:
    """Whether a screw was pointed at or has an end clear of other metal; in noise: is as stated."""
    shaft = one.shaft
    if one.screw.spec.head_mm is not None:
        return True
    is_covered = shaft.first.is_hidden and shaft.last.is_hidden
    is_crowded = shaft.touching > _MOST_TOUCHING
    if not shaft.is_noisy:
        return not (is_covered and is_crowded)
    doubts = {"length-differs", "head-assumed"} & {p.code for p in one.problems}
    is_alike = not doubts and one.screw.integrity.state != "bent"
    return is_alike and not is_covered and not is_crowded and (not specs or one.screw.spec in specs)
