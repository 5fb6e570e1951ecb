"""From a scan to its screws: the whole way in one screen."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Level, Problem, Scan, refuse
from ongrowth.screw.build import build_screw
from ongrowth.screw.join import join_broken
from ongrowth.screw.kind import Kind, kind_of
from ongrowth.screw.match import match_specs
from ongrowth.screw.metal import metal_threshold_hu, metal_voxels, pieces
from ongrowth.screw.model import DEFAULT_SETTINGS, Metalwork, OtherMetal, Screw, ScrewSettings, ScrewSpec
from ongrowth.screw.segment import Segment, segments_of
from ongrowth.screw.shaft import Seen, Shaft, trace_shaft
from ongrowth.screw.side import sides_of

_SMALLEST_PIECE_MM3, _FEWEST_VOXELS = 0.5, 3
_MOST_SEGMENTS = 30  # the longest; a scan with more is no case of screws
_POINT_REACH_MM = 4.0  # points given by a reader lie on the axis about this well
_USUAL_RADIUS_MM = 2.0


def find_screws(
    scan: Scan, specs: Sequence[ScrewSpec] = (), settings: ScrewSettings = DEFAULT_SETTINGS
) -> Metalwork:
    """Find the screws of a scan and all other metal.

    Parameters
    ----------
    scan : Scan
        The CT.
    specs : sequence of ScrewSpec
        What is known of the screws; may be empty. Screws found beyond them are returned as well.
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
        (no screw lies whole inside the scan) or ``side-mismatch``.
    """
    survey = _survey(scan, specs, settings)
    screws = [part.shaft for part in survey.parts if part.kind is Kind.SCREW]
    whole = _whole(screws)
    screws_found, problems = _screws(scan, whole, _for_all(specs, whole), settings)
    told = (*_cut_off(screws, whole), *survey.problems, *problems)
    return Metalwork(tuple(screws_found), _others(survey), told)


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


def _survey(scan: Scan, specs: Sequence[ScrewSpec], settings: ScrewSettings) -> _Survey:
    threshold = metal_threshold_hu(scan)
    voxels = metal_voxels(scan, threshold)
    segments, lumps = _segments(scan, voxels)
    at_edge = np.any((voxels == 0) | (voxels == np.array(scan.hu.shape) - 1), axis=1)
    seen = Seen(threshold, _ceiling_hu(scan, voxels), scan.world_mm(voxels[at_edge]))
    trace = partial(trace_shaft, scan, seen=seen, spec=_common(specs))
    joined = join_broken(segments, settings)
    traced = [(segment, trace(segment)) for segment in joined[:_MOST_SEGMENTS]]
    parts = [_Part(shaft, kind_of(shaft, settings)) for _, shaft in traced if shaft is not None]
    lumps += [_untraced(segment) for segment, shaft in traced if shaft is None]
    problems: list[Problem] = []
    for spec in specs:
        parts, problem = _pointed_out(parts, spec, trace)
        problems += problem
    return _Survey(tuple(parts), tuple(lumps), tuple(problems))


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
    text = f"No metal was found between the points given for screw {spec.id}."
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


def _segments(scan: Scan, voxels: NDArray[np.intp]) -> tuple[list[Segment], list[OtherMetal]]:
    """Return the straight stretches of all metal, and the lumps that have none."""
    volume = float(abs(np.linalg.det(scan.world_from_voxel[:3, :3])))
    reach = float(scan.step_mm.max())
    segments: list[Segment] = []
    lumps: list[OtherMetal] = []
    for piece in pieces(voxels, scan.hu.shape):
        if _is_speck(piece, volume):
            continue
        straight, clear = segments_of(scan.world_mm(piece), volume, reach)
        segments += straight
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


def _whole(screws: list[Shaft]) -> list[Shaft]:
    """Return the screws that lie whole inside the scan.

    Raises
    ------
    Refused
        If there is none.
    """
    if not screws:
        raise refuse(
            "no-screw",
            "There is metal in this scan, but nothing shaped like a screw.",
            "Give head and tip points, or check that the scan shows the screw.",
        )
    whole = [s for s in screws if not (s.first.is_cut or s.last.is_cut)]
    if not whole:
        raise refuse(
            "screw-cut-off",
            "The screw runs out of the scan.",
            "Export or make a scan that holds the whole screw and 1 cm beyond each end.",
        )
    return whole


def _cut_off(screws: list[Shaft], whole: list[Shaft]) -> list[Problem]:
    count = len(screws) - len(whole)
    if not count:
        return []
    text = f"{count} of {len(screws)} screws run out of the scan and are left out."
    return [Problem("screw-cut-off", Level.CAUTION, text, "Use a scan that holds the whole screw.")]


def _screws(
    scan: Scan, shafts: list[Shaft], specs: Sequence[ScrewSpec], settings: ScrewSettings
) -> tuple[list[Screw], list[Problem]]:
    sides = sides_of(scan, shafts)
    matches, problems = match_specs(shafts, sides, specs)
    middle_x = float(np.mean([s.middle_mm[0] for s in shafts]))
    screws: list[Screw] = []
    for match in matches:
        screw, more = build_screw(scan, shafts[match.shaft], match, middle_x, settings)
        screws.append(screw)
        problems += more
    return screws, problems
