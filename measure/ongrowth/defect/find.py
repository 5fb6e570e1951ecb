"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.bare import find_bare
from ongrowth.defect.blur import fit_foot, thickness_mm
from ongrowth.defect.choice import Fit, choose
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.middle import Middle, fit_middle
from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.slit import Block, find_slits
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution
from ongrowth.scan import Level, Problem, Scan
from ongrowth.screw import Metalwork, OtherMetal, Screw
from ongrowth.sentence import screw_words

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DefectSettings:
    """How a defect is searched for. Lengths in mm.

    `reach_mm`: how far from the axis bone is looked at. `ends_mm`: part of the shaft at either end where no
    defect is looked for. `least_significance`: how far a slit must stand out of all planes tried, in robust
    standard deviations; `share_of_clearest`: and as a share of what the clearest slit does. `least_share`:
    share of the section that must be open for a plane to be seen.
    """

    reach_mm: float = 9.0
    ends_mm: float = 4.0
    least_significance: float = 2.5
    share_of_clearest: float = 0.6  # by phantoms of the tuning half: the defect's own had 0.7 and more
    least_share: float = 0.22


DEFAULT_SETTINGS = DefectSettings()
_CLEAR_MM = 1.5  # from other metal
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

    def fit_at(slit: Plane, width_mm: float) -> Fit:
        foot = fit_foot(scan, screw, slit, width_mm)

        def fit(plane: Plane, gap_mm: float, grid: GapGrid) -> Middle | None:
            course = frame.axis_direction
            gap = fit_gap(scan, plane, course, gap_mm, grid, foot.blur, screw=screw, foot=foot)
            return fit_middle(gap, outer) if gap else None

        return fit

    is_dense = Caution.DENSE_METAL in screw.cautions
    found = choose(
        [slit for slit in slits if slit.significance > least],
        frame,
        fit_at,
        least_share=settings.least_share,
        slice_mm=thickness_mm(scan),
        has_streaks=not is_dense,  # with dense metal no true plane was found so
    )
    slit = _of_slit(found.middle, frame) if found else None
    bare = None if is_dense else find_bare(block, inner, outer)
    if bare is None:
        return slit or _not_seen(screw)
    plane = on_screw(bare.plane, frame, bare.gap_mm, "found", bare.u_angle_deg, bare.u_offset_mm)
    # no bone crosses a bare shaft: a slit elsewhere is noise, one inside tells where the faces are
    return slit if slit is not None and slit.agrees(plane) else plane


def _of_slit(middle: Middle, frame: ScrewFrame) -> DefectPlane:
    return on_screw(
        middle.plane, frame, middle.gap_mm, "found", middle.u_angle_deg, middle.u_offset_mm, middle.rivals
    )


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
