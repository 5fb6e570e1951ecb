"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.slit import Block, darkness_hu, slant_stack
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform, unit
from ongrowth.scan import Level, Problem, Scan
from ongrowth.screw import Metalwork, OtherMetal, Screw

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DefectSettings:
    """How a defect is searched for. Lengths in mm.

    `widest_mm` is the widest slit along the screw; `reach_mm` how far from the axis bone is looked
    at; `ends_mm` the part of the shaft at either end where no defect is looked for;
    `steepest_slope` the tangent of the largest tilt; `least_dark_hu` what a slit must lack against the bone
    beside it; `least_share` the share of the section that must be open for a plane to be seen.
    """

    widest_mm: float = 9.0
    reach_mm: float = 9.0
    ends_mm: float = 4.0
    steepest_slope: float = 1.1
    least_dark_hu: float = 100.0
    least_significance: float = 3.0


DEFAULT_SETTINGS = DefectSettings()
_CLEAR_MM = 1.5  # from other metal
_COARSE_SLOPES = np.linspace(-1.1, 1.1, 23)
_FINE_SLOPES = np.linspace(-0.3, 0.3, 21)
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
    envelope = screw.major_diameter_mm.value / 2.0
    other = metalwork.other if metalwork else ()
    coarse = _search(
        _clear_of(_along_screw(scan, frame, settings), other),
        _COARSE_SLOPES,
        _WIDTHS_MM,
        settings.ends_mm,
        envelope,
    )
    plane = _turned(frame.world_from_screw, coarse)
    for slopes in (_FINE_SLOPES, _FINE_SLOPES):
        around = _across(plane, frame)
        widths = coarse.width_mm * np.array([0.7, 1.0, 1.4])
        fine = _search(_clear_of(_near_plane(scan, around, settings), other), slopes, widths, 3.0, envelope)
        plane = _turned(around, fine)
    if coarse.significance < settings.least_significance:
        return _not_seen()
    return on_screw(plane, frame, fine.width_mm, "found", 1.5, 0.2)


@dataclass(frozen=True, slots=True)
class _Slit:
    """The best plane ``z = d + a x + b y`` of a block, and how far it stands out of all planes tried."""

    a: float
    b: float
    d_mm: float
    width_mm: float
    significance: float


def _search(
    block: Block, slopes: FloatArray, widths_mm: FloatArray, ends_mm: float, envelope_mm: float
) -> _Slit:
    weight = _weight(block, envelope_mm)
    inner = (block.z_mm > block.z_mm[0] + ends_mm) & (block.z_mm < block.z_mm[-1] - ends_mm)
    best = _Slit(0.0, 0.0, 0.0, 0.0, -np.inf)
    for width in widths_mm:
        dark = darkness_hu(block, width) * weight
        sums = slant_stack(dark, block.x_mm, block.y_mm, block.z_mm, slopes)[:, :, inner]
        middle = float(np.median(sums))
        spread = 1.4826 * float(np.median(np.abs(sums - middle)))
        a, b, d = np.unravel_index(int(np.argmax(sums)), sums.shape)
        significance = (float(sums[a, b, d]) - middle) / spread
        if significance > best.significance:
            best = _Slit(slopes[a], slopes[b], block.z_mm[inner][d], width, significance)
    return best


def _weight(block: Block, envelope_mm: float) -> NDArray[np.float32]:
    """Full weight near the screw: farther out lie notches between the processes of the bone."""
    away = np.hypot(block.x_mm[:, None], block.y_mm) - envelope_mm
    return np.clip((5.0 - away) / 3.0, 0.0, 1.0).astype(np.float32)[..., None]


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


def _turned(world_from_block: RigidTransform, slit: _Slit) -> Plane:
    normal = world_from_block.turn(unit([-slit.a, -slit.b, 1.0]))
    return Plane(world_from_block.apply(np.array([0.0, 0.0, slit.d_mm])), normal)


def _across(plane: Plane, frame: ScrewFrame) -> RigidTransform:
    """Return block axes whose third is the plane's normal, origin where the plane meets the screw."""
    depth = -float(plane.height_mm(frame.origin_mm)) / float(plane.normal @ frame.axis_direction)
    first = unit(np.cross(plane.normal, np.eye(3)[int(np.argmin(np.abs(plane.normal)))]))
    rotation = np.column_stack([first, np.cross(plane.normal, first), plane.normal])
    return RigidTransform(rotation, frame.origin_mm + depth * frame.axis_direction)


def _near_plane(scan: Scan, world_from_block: RigidTransform, settings: DefectSettings) -> Block:
    side = np.arange(-settings.reach_mm, settings.reach_mm + 0.1, 0.5)
    return Block.of(scan, world_from_block, side, side, np.arange(-8.0, 8.01, 0.2))


def _not_seen() -> Problem:
    return Problem(
        "defect-not-seen",
        Level.NOTE,
        "No slit crosses the bone round this screw: bone may have bridged the whole section, or the gap is "
        "too thin for this scan.",
        "Give the plane of the defect, or the scan before surgery.",
    )


def _along_screw(scan: Scan, frame: ScrewFrame, settings: DefectSettings) -> Block:
    side = np.arange(-settings.reach_mm, settings.reach_mm + 0.1, 0.5)
    depth = np.arange(0.0, frame.length_mm, 0.4)
    return Block.of(scan, frame.world_from_screw, side, side, depth)
