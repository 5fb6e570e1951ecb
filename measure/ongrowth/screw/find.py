"""From a scan to its screws: the whole way in one screen."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
from ongrowth.screw.shaft import Shaft, trace_shaft
from ongrowth.screw.side import sides_of

_SMALLEST_PIECE_MM3 = 0.5


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
    threshold = metal_threshold_hu(scan)
    voxels = metal_voxels(scan, threshold)
    ceiling = _ceiling_hu(scan, voxels)
    segments, lumps = _segments(scan, voxels)
    segments = join_broken(segments, settings)
    known = _common(specs)
    traced = (trace_shaft(scan, segment, threshold, ceiling, known) for segment in segments)
    shafts = [shaft for shaft in traced if shaft is not None]
    kinds = [kind_of(shaft, settings) for shaft in shafts]
    screws = [shaft for shaft, kind in zip(shafts, kinds, strict=True) if kind is Kind.SCREW]
    others = [_other(s, k) for s, k in zip(shafts, kinds, strict=True) if k is not Kind.SCREW]
    whole = _whole(screws)
    problems = _cut_off(screws, whole)
    found, more = _screws(whole, specs, settings)
    return Metalwork(tuple(found), tuple(others + lumps), tuple(problems + more))


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
        if len(piece) < 3 or len(piece) * volume < _SMALLEST_PIECE_MM3:
            continue
        points = scan.world_mm(piece)
        straight = segments_of(points, volume, reach)
        segments += straight
        if not straight:
            lumps.append(_lump(points, volume))
    return segments, lumps


def _lump(points_mm: NDArray[np.float64], voxel_mm3: float) -> OtherMetal:
    centre = points_mm.mean(axis=0)
    size = 2.0 * float(np.linalg.norm(points_mm - centre, axis=1).max())
    wide = 2.0 * float(np.cbrt(0.75 * len(points_mm) * voxel_mm3 / np.pi))
    length = Measured.of(size, 0.5, Unit.MM, Caution.SMALLER_THAN_BLUR, floor=0.0)
    return OtherMetal("piece", centre[None], length, Measured.of(wide, 0.5, Unit.MM, floor=0.0))


def _other(shaft: Shaft, kind: Kind) -> OtherMetal:
    ends = [shaft.point_mm(shaft.first.depth_mm), shaft.point_mm(shaft.last.depth_mm)]
    course = np.vstack([ends[0], shaft.centres.points_mm, ends[1]])
    length = Measured.of(shaft.length_mm, 0.4, Unit.MM, floor=0.0)
    return OtherMetal(kind.value, course, length, Measured.of(2.0 * shaft.radius_mm, 0.3, Unit.MM, floor=0.0))


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
    shafts: list[Shaft], specs: Sequence[ScrewSpec], settings: ScrewSettings
) -> tuple[list[Screw], list[Problem]]:
    sides = sides_of(shafts)
    matches, problems = match_specs(shafts, sides, specs)
    middle_x = float(np.mean([s.middle_mm[0] for s in shafts]))
    screws: list[Screw] = []
    for match in matches:
        screw, more = build_screw(shafts[match.shaft], match, middle_x, settings)
        screws.append(screw)
        problems += more
    return screws, problems
