"""Find the plane of the defect that a screw crosses, from the image alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect.blur import Foot, fit_foot
from ongrowth.defect.columns import Columns
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.plane import DefectPlane, on_screw
from ongrowth.defect.slit import Block, darkness_hu, slant_stack
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, unit
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
    least_share: float = 0.15
    n_refinements: int = 2


DEFAULT_SETTINGS = DefectSettings()
_PATCH_MM = 1.8  # the roughness of a face, and what a fit makes of it, is alike over this length
_LEAST_CONTRAST_HU = 120.0
_LEAST_GAP_MM = 0.15
_FEWEST_COLUMNS = 12
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
    block = _clear_of(_along_screw(scan, frame, settings), metalwork.other if metalwork else ())
    slits = _search(block, _COARSE_SLOPES, _WIDTHS_MM, settings.ends_mm, envelope)
    likely = [slit for slit in slits if slit.significance > settings.least_significance]
    best, most = None, 0.0
    for slit in _distinct(likely):
        fit = _fitted(scan, screw, frame, _turned(frame, slit), slit.width_mm, _COARSE, None)
        worth = slit.significance * fit.openness**0.5 / fit.misfit if fit else 0.0
        if worth > most:
            best, most = fit, worth
    for _ in range(settings.n_refinements):
        best = best and (_fitted(scan, screw, frame, best.plane, best.gap_mm, _FINE, best.foot) or best)
    if best is None or best.open_share < settings.least_share:
        return _not_seen()
    return on_screw(best.plane, frame, best.gap_mm, "found", best.u_angle_deg, best.u_offset_mm)


_COARSE, _FINE = GapGrid(0.9, 0.4), GapGrid(0.6, 0.3)


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """A plane midway between two fitted faces, how far these are apart, and how open the section is.

    `openness` is what the section lacks against bone, HU mm3; `open_share` the share of its columns that
    show a gap.
    """

    plane: Plane
    gap_mm: float
    openness: float
    open_share: float
    misfit: float
    u_angle_deg: float
    u_offset_mm: float
    foot: Foot


def _fitted(
    scan: Scan, screw: Screw, frame: ScrewFrame, plane: Plane, gap_mm: float, grid: GapGrid, foot: Foot | None
) -> _Fitted | None:
    foot = foot or fit_foot(scan, screw, plane, gap_mm)
    gap = fit_gap(scan, plane, frame.axis_direction, gap_mm, grid, foot.blur, screw=screw, foot=foot)
    if gap is None:
        return None
    columns, faces, contrast = gap.columns, gap.faces, gap.contrast_hu
    away = np.hypot(columns.grid_mm[:, None], columns.grid_mm)
    section = gap.shores[0] & gap.shores[1] & (away > screw.major_diameter_mm.value / 2.0)
    typical = np.median(faces.gap_mm[section]) if section.any() else 0.0
    is_open = section & (contrast > _LEAST_CONTRAST_HU) & (faces.gap_mm > max(0.3 * typical, _LEAST_GAP_MM))
    if is_open.sum() < _FEWEST_COLUMNS:
        return None
    trust = np.clip(contrast[is_open] / 400.0, 0.0, 1.0)
    u, v = np.meshgrid(columns.grid_mm, columns.grid_mm, indexing="ij")
    middle = (faces.low_mm + faces.high_mm)[is_open] / 2.0
    tilted, u_angle, u_offset = _robust_plane(u[is_open], v[is_open], middle, trust, grid.step_mm)
    openness = float(np.sum(trust * np.minimum(faces.gap_mm[is_open], 1.0)))
    width = float(np.median(faces.gap_mm[is_open]))
    share = float(is_open.sum() / section.sum())
    plane = _through(columns, tilted, frame)
    return _Fitted(plane, width, openness, share, faces.misfit, u_angle, u_offset, foot)


def _through(columns: Columns, tilted: FloatArray, frame: ScrewFrame) -> Plane:
    """Return the plane of heights ``c + a u + b v`` over the columns, its point on the screw."""
    u, v = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    corner = columns.world(u, v, tilted[0] + tilted[1] * u + tilted[2] * v)
    normal = unit(np.cross(corner[1] - corner[0], corner[2] - corner[0]))
    normal = normal * np.sign(normal @ frame.axis_direction)
    depth = float((corner[0] - frame.origin_mm) @ normal / (normal @ frame.axis_direction))
    return Plane(frame.origin_mm + depth * frame.axis_direction, normal)


def _robust_plane(
    x: FloatArray, y: FloatArray, z: FloatArray, trust: FloatArray, step_mm: float
) -> tuple[FloatArray, float, float]:
    """Return (c, a, b) of ``z = c + a x + b y`` by Tukey weights; uncertainty of its normal and place."""
    design = np.column_stack([np.ones_like(x), x, y])
    fit = np.array([np.median(z), 0.0, 0.0])
    for _ in range(12):
        rest = z - design @ fit
        scale = max(4.7 * 1.4826 * float(np.median(np.abs(rest))), 0.4)
        weight = trust * np.clip(1.0 - (rest / scale) ** 2, 0.0, None) ** 2
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
    spread = (weight @ rest**2 / weight.sum()) ** 0.5
    alike = max(1.0, (_PATCH_MM / step_mm) ** 2)
    covariance = spread**2 * alike * np.linalg.pinv((design * weight[:, None]).T @ design)
    angle = float(np.degrees(np.sqrt(covariance[1, 1] + covariance[2, 2])))
    return fit, angle, float(np.sqrt(covariance[0, 0]))


@dataclass(frozen=True, slots=True)
class _Slit:
    """The best plane ``z = d + a x + b y`` for one width, and how far it stands out of all planes tried."""

    a: float
    b: float
    d_mm: float
    width_mm: float
    significance: float


def _search(
    block: Block, slopes: FloatArray, widths_mm: FloatArray, ends_mm: float, envelope_mm: float
) -> list[_Slit]:
    """Return the best slit of each width, the most significant first."""
    weight = _weight(block, envelope_mm)
    inner = (block.z_mm > block.z_mm[0] + ends_mm) & (block.z_mm < block.z_mm[-1] - ends_mm)
    found = []
    for width in widths_mm:
        dark = darkness_hu(block, width) * weight
        sums = slant_stack(dark, block.x_mm, block.y_mm, block.z_mm, slopes)[:, :, inner]
        middle = float(np.median(sums))
        spread = 1.4826 * float(np.median(np.abs(sums - middle)))
        a, b, d = np.unravel_index(int(np.argmax(sums)), sums.shape)
        significance = (float(sums[a, b, d]) - middle) / spread
        found.append(_Slit(slopes[a], slopes[b], block.z_mm[inner][d], width, significance))
    return sorted(found, key=lambda slit: -slit.significance)


def _distinct(slits: list[_Slit]) -> list[_Slit]:
    """Return at most three slits that differ in place, tilt or width."""
    kept: list[_Slit] = []
    for slit in slits:
        alike = any(
            abs(slit.d_mm - k.d_mm) < 1.0
            and np.hypot(slit.a - k.a, slit.b - k.b) < 0.3
            and slit.width_mm < 2.0 * k.width_mm < 4.0 * slit.width_mm
            for k in kept
        )
        if not alike:
            kept.append(slit)
    return kept[:3]


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


def _turned(frame: ScrewFrame, slit: _Slit) -> Plane:
    normal = frame.world_from_screw.turn(unit([-slit.a, -slit.b, 1.0]))
    return Plane(frame.origin_mm + slit.d_mm * frame.axis_direction, normal)


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
