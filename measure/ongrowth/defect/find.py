"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.blur import Foot, fit_foot, thickness_mm
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.middle import Middle, alike, fit_middle, weigh, with_rivals
from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.slit import Block, distinct, find_slits
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.scan import Level, Problem, Scan
from ongrowth.screw import Metalwork, OtherMetal, Screw

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DefectSettings:
    """How a defect is searched for. Lengths in mm.

    `reach_mm`: how far from the axis bone is looked at. `ends_mm`: part of the shaft at either end where no
    defect is looked for. `least_significance`: how far a slit must stand out of all planes tried, in robust
    standard deviations. `least_share`: share of the section that must be open for a plane to be seen.
    """

    reach_mm: float = 9.0
    ends_mm: float = 4.0
    least_significance: float = 3.0
    least_share: float = 0.15
    n_refinements: int = 2


DEFAULT_SETTINGS = DefectSettings()
_CLEAR_MM = 1.5  # from other metal
_COARSE, _FINE = GapGrid(0.9, 0.4), GapGrid(0.6, 0.3)
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
    likely = [slit for slit in slits if slit.significance > settings.least_significance]
    coarse: list[_Tried] = []
    for slit in distinct(likely):
        plane = slit.plane(frame.world_from_screw)
        foot = fit_foot(scan, screw, plane, slit.width_mm)
        fit = _middle(scan, screw, frame, plane, slit.width_mm, _COARSE, foot)
        if fit is not None:
            coarse.append(_Tried(fit, foot, slit.significance))
    fine = [_refined(scan, screw, frame, one, settings) for one in _different(coarse)]
    fine = [one for one in _different(fine) if one.middle.open_share >= settings.least_share]
    if not fine:
        return _not_seen()
    middles = [one.middle for one in fine]
    best = with_rivals(middles[0], middles[1:], weigh([one.worth for one in fine]), thickness_mm(scan))
    return on_screw(best.plane, frame, best.gap_mm, "found", best.u_angle_deg, best.u_offset_mm, best.rivals)


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """A fit where a slit was seen, the foot of the metal there, and how far the slit stands out."""

    middle: Middle
    foot: Foot
    significance: float

    @property
    def worth(self) -> float:
        """How much speaks for it."""
        return self.significance * self.middle.worth


def _different(tried: list[_Tried]) -> list[_Tried]:
    """Return those that differ, the worthiest first."""
    kept: list[_Tried] = []
    for one in sorted(tried, key=lambda t: -t.worth):
        if not any(alike(one.middle, k.middle) for k in kept):
            kept.append(one)
    return kept


def _refined(scan: Scan, screw: Screw, frame: ScrewFrame, tried: _Tried, settings: DefectSettings) -> _Tried:
    middle = tried.middle
    for _ in range(settings.n_refinements):
        middle = _middle(scan, screw, frame, middle.plane, middle.gap_mm, _FINE, tried.foot) or middle
    return replace(tried, middle=middle)


def _middle(
    scan: Scan, screw: Screw, frame: ScrewFrame, plane: Plane, gap_mm: float, grid: GapGrid, foot: Foot
) -> Middle | None:
    """Fit the gap near a plane and return the plane midway between its faces."""
    gap = fit_gap(scan, plane, frame.axis_direction, gap_mm, grid, foot.blur, screw=screw, foot=foot)
    return fit_middle(gap, screw.major_diameter_mm.value / 2.0) if gap else None


def _not_seen() -> Problem:
    return Problem(
        "defect-not-seen",
        Level.NOTE,
        "No slit crosses the bone round this screw: bone may have bridged the whole section, or the gap is "
        "too thin for this scan.",
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
