"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.defect.columns import assumed_blur, gather
from ongrowth.defect.faces import FaceFit, FacePriors, Shores
from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.section import bone_section
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
    n_refinements: int = 3


DEFAULT_SETTINGS = DefectSettings()
_CLEAR_MM = 1.5  # from other metal
_COARSE_SLOPES = np.linspace(-1.1, 1.1, 23)
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
    if coarse.significance < settings.least_significance:
        return _not_seen()
    plane, gap = _turned(frame.world_from_screw, coarse), coarse.width_mm
    for _ in range(settings.n_refinements):
        fitted = _refined(scan, screw, frame, plane, gap)
        if fitted is None:
            return _not_seen()
        plane, gap = fitted
    return on_screw(plane, frame, gap, "found", 1.5, 0.2)


def _refined(
    scan: Scan, screw: Screw, frame: ScrewFrame, plane: Plane, gap_mm: float
) -> tuple[Plane, float] | None:
    """Return the plane midway between the faces of the defect, and their typical distance."""
    blur = assumed_blur(scan)
    half = gap_mm / 2.0
    columns = gather(
        scan, plane, frame.axis_direction, blur, screw=screw, half_height_mm=half + 3.0, step_mm=0.9
    )
    section = bone_section(columns, -half, half, screw.major_diameter_mm.value / 2.0)
    active = ndimage.binary_dilation(section)
    fit = FaceFit(columns, active, Shores(blur, columns.slice_cos), FacePriors(face_step_mm=0.18))
    faces, _ = fit.run(fit.start(-half, half), 8)
    contrast = np.minimum(faces.low_shore_hu[0], faces.high_shore_hu[0]) - faces.tissue_hu
    is_open = section & (contrast > 120.0) & (faces.gap_mm > 0.3 * np.nanmedian(faces.gap_mm[section]))
    if is_open.sum() < 12:
        return None
    u, v = np.meshgrid(columns.grid_mm, columns.grid_mm, indexing="ij")
    middle = (faces.low_mm + faces.high_mm)[is_open] / 2.0
    level, a, b = _robust_plane(u[is_open], v[is_open], middle, np.clip(contrast[is_open] / 400.0, 0.0, 1.0))
    corners = [
        columns.world(*np.array([[x], [y], [level + a * x + b * y]]))[0] for x, y in ((0, 0), (1, 0), (0, 1))
    ]
    normal = unit(np.cross(corners[1] - corners[0], corners[2] - corners[0]))
    found = Plane(corners[0], normal if normal @ frame.axis_direction > 0 else -normal)
    depth = -float(found.height_mm(frame.origin_mm)) / float(found.normal @ frame.axis_direction)
    return Plane(frame.origin_mm + depth * frame.axis_direction, found.normal), float(
        np.median(faces.gap_mm[is_open])
    )


def _robust_plane(x: FloatArray, y: FloatArray, z: FloatArray, trust: FloatArray) -> FloatArray:
    """Return (c, a, b) of ``z = c + a x + b y``, Tukey weights."""
    design = np.column_stack([np.ones_like(x), x, y])
    fit = np.array([np.median(z), 0.0, 0.0])
    for _ in range(12):
        rest = z - design @ fit
        scale = max(4.7 * 1.4826 * float(np.median(np.abs(rest))), 0.4)
        weight = trust * np.clip(1.0 - (rest / scale) ** 2, 0.0, None) ** 2
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
    return fit


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
