"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.bare import Lines, find_bare, lines_beside
from ongrowth.defect.blur import fit_foot
from ongrowth.defect.choice import Fit, choose
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.middle import Middle, fit_middle
from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.slit import Block, Slit, find_slits
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution
from ongrowth.scan import Level, Problem, Refused, Scan
from ongrowth.screw import Metalwork, OtherMetal, Screw
from ongrowth.sentence import screw_words

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DefectSettings:
    """How a defect is searched for. Lengths in mm.

    `reach_mm`: how far from the axis bone is looked at. `ends_mm`: part of the shaft at either end where no
    defect is looked for. `least_significance`: how far a slit must stand out of all planes tried, in robust
    standard deviations; `share_of_clearest`: and as a share of what the clearest slit does. `least_share`:
    share of the section that must be open for a plane to be seen. `faint_significance`: what will do where
    nothing else is found, if it is no wider than `widest_faint_mm` and severs `least_severed` of the lines
    beside the shaft.
    """

    reach_mm: float = 9.0
    ends_mm: float = 4.0
    least_significance: float = 2.5
    share_of_clearest: float = 0.6  # by phantoms of the tuning half: the defect's own had 0.7 and more
    least_share: float = 0.22
    # by phantoms of both halves: planes of defects severed 0.60 to 0.97, false ones in whole bone up to 0.56
    faint_significance: float = 1.5
    least_severed: float = 0.58
    widest_faint_mm: float = 4.0


DEFAULT_SETTINGS = DefectSettings()
_CLEAR_MM = 1.5  # from other metal
# A gap of more than two slices (2 mm at least) shows along lines as well: by phantoms of the tuning half at
# least 0.55 of what is open, at false planes 0.01.
_WIDE_SLICES, _LEAST_OF_OPEN, _FEWEST_LINES = 2.0, 0.3, 40
_SLOPES = np.linspace(-1.1, 1.1, 23)
_WIDTHS_MM = np.array([0.8, 1.6, 2.4, 3.6, 5.2, 7.2])


def find_defect(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    *,
    metalwork: Metalwork | None = None,
    settings: DefectSettings = DEFAULT_SETTINGS,
) -> DefectPlane | Problem:
    """Find the defect a screw crosses: a slit across the shaft that reaches past the halo to the cortex.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        The screw.
    frame : ScrewFrame
        Its frame.
    metalwork : Metalwork, optional
        All metal; what lies near a rod or a wire is left out.
    settings : DefectSettings
        How it is searched.

    Returns
    -------
    DefectPlane or Problem
        The plane (how "found"), or the reason why there is none to be seen.
    """
    outer = screw.major_diameter_mm.value / 2.0
    block = _clear_of(_along_screw(scan, frame, settings), metalwork.other if metalwork else ())
    inner = (block.z_mm > settings.ends_mm) & (block.z_mm < frame.length_mm - settings.ends_mm)
    slits = find_slits(block, _SLOPES, _WIDTHS_MM, inner, outer)
    clearest = max((slit.significance for slit in slits), default=0.0)
    least = max(settings.least_significance, settings.share_of_clearest * clearest)
    is_dense = Caution.DENSE_METAL in screw.cautions  # its streaks hide where bone ends

    def among(some: Sequence[Slit], severs: Callable[[Middle], bool]) -> DefectPlane | None:
        found = choose(
            some,
            frame,
            partial(_fit_at, scan, screw, frame.axis_direction),
            severs,
            least_share=settings.least_share,
            slice_mm=scan.nominal_slice_mm,
            has_streaks=not is_dense,  # with dense metal no true plane was found so
        )
        return _of_slit(found.middle, frame) if found else None

    clear = [one for one in slits if one.significance > least]
    if is_dense:
        return among(clear, lambda _: True) or _not_seen(screw)
    lines = lines_beside(block, outer)
    wide_mm = _WIDE_SLICES * max(1.0, scan.nominal_slice_mm)
    slit = among(clear, lambda middle: middle.gap_mm < wide_mm or _is_open(middle, lines))
    bare = find_bare(lines, block.z_mm[inner])
    if bare is not None:
        plane = on_screw(bare.plane, frame, bare.gap_mm, "found", bare.u_angle_deg, bare.u_offset_mm)
        # no bone crosses a bare shaft: a slit elsewhere is noise, one inside tells where the faces are
        return slit if slit is not None and slit.agrees(plane) else plane
    faint = [one for one in slits if settings.faint_significance < one.significance <= least]
    return slit or among(faint, partial(_severs, lines, settings)) or _not_seen(screw)


def _fit_at(scan: Scan, screw: Screw, course: FloatArray, slit: Plane, width_mm: float) -> Fit:
    """Return how planes near a slit are fitted, by the blur and the metal's surroundings there."""
    foot = fit_foot(scan, screw, slit, width_mm)

    def fit(plane: Plane, gap_mm: float, grid: GapGrid) -> Middle | None:
        gap = fit_gap(scan, plane, course, gap_mm, grid, foot.blur, screw=screw, foot=foot)
        return fit_middle(gap, screw.major_diameter_mm.value / 2.0) if gap else None

    return fit


def _severs(lines: Lines, settings: DefectSettings, middle: Middle) -> bool:
    """Whether a faint slit is seen along lines; a wide one would not be faint."""
    return (
        middle.gap_mm < settings.widest_faint_mm
        and lines.severed_share(middle.plane) > settings.least_severed
    )


def _is_open(middle: Middle, lines: Lines) -> bool:
    """Whether a wide gap is seen along lines, too, as far as the fit holds the section to be open.

    Dense bone hides a gap that shows in spongy bone; where too few lines would show it they have no say.
    """
    severed, crossed = lines.that_show(middle.gap_mm, middle.plane).met(middle.plane)
    n = severed + crossed
    return n < _FEWEST_LINES or severed > _LEAST_OF_OPEN * middle.open_share * n


def _of_slit(middle: Middle, frame: ScrewFrame) -> DefectPlane | None:
    """Return a fitted slit as the defect; None where the fit has left the shaft."""
    u_deg, u_mm = middle.u_angle_deg, middle.u_offset_mm
    try:
        return on_screw(middle.plane, frame, middle.gap_mm, "found", u_deg, u_mm, middle.rivals)
    except Refused:
        return None


def _not_seen(screw: Screw) -> Problem:
    return Problem(
        "defect-not-seen",
        Level.CAUTION,
        f"No slit crosses the bone round {screw_words(screw.id)}: bone may have bridged the whole section, "
        "the screw may not cross the defect, or the gap is too thin for this scan.",
        "Give the plane of the defect, or the scan before surgery.",
    )


def _clear_of(block: Block, metal: tuple[OtherMetal, ...]) -> Block:
    """Leave out what lies near other metal: its streaks look like slits."""
    if not metal:
        return block
    grid = np.stack(np.meshgrid(block.x_mm, block.y_mm, block.z_mm, indexing="ij"), axis=-1)
    places = block.world_from_block.apply(grid)
    hu = block.hu.copy()
    for piece in metal:
        for start, end in zip(piece.points_mm[:-1], piece.points_mm[1:], strict=True):
            along = np.clip(
                (places - start) @ (end - start) / max(float((end - start) @ (end - start)), 1e-9), 0.0, 1.0
            )
            away = np.linalg.norm(places - start - along[..., None] * (end - start), axis=-1)
            hu[away < piece.diameter_mm.value / 2.0 + _CLEAR_MM] = np.nan
    return replace(block, hu=hu)


def _along_screw(scan: Scan, frame: ScrewFrame, settings: DefectSettings) -> Block:
    side = np.arange(-settings.reach_mm, settings.reach_mm + 0.1, 0.5)
    depth = np.arange(0.0, frame.length_mm, 0.4)
    return Block.of(scan, frame.world_from_screw, side, side, depth)
