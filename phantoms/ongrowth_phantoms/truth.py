"""What is true of a screw in a scene, drawn from the shapes themselves on a fine grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import Plane, RigidTransform
from ongrowth_phantoms.bone import Fragment, Site
from ongrowth_phantoms.implants import PhantomScrew, screw_axes
from ongrowth_phantoms.shapes import Real, real

if TYPE_CHECKING:
    from ongrowth_phantoms.scenes import Scene

OUTSIDE, HEAD, GAP, TIP = 0, 1, 2, 3
_BEHIND_MM = 0.8  # a cell belongs to the bone this far beyond the halo's outer edge
_PAST_FACE_MM = 0.4  # a normal that meets bone later than this runs out at the side of the bone
_NEAR_OUTLINE_MM = 2.0  # farther out no bump of the surface reaches
_DEPTH_STEP_MM, _ANGLE_STEP_DEG = 0.25, 5.0


@dataclass(frozen=True, slots=True)
class SideTruth:
    """Area-weighted truth over the counted cells of a side (or of both)."""

    area_mm2: float
    mean_width_mm: float
    p95_width_mm: float
    max_width_mm: float
    share_over_1mm: float
    share_over_2mm: float
    volume_mm3: float
    sector_mean_width_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class DefectTruth:
    """Truth of the defect over its cross-section: metal left out, and the halo, where no bone stands.

    The mean gap is given over all places (bridged ones count as 0) and over the open ones.
    """

    point_mm: tuple[float, ...]
    normal: tuple[float, ...]
    cross_section_mm2: float
    gap_width_mean_mm: float
    gap_width_mean_open_mm: float
    gap_width_max_mm: float
    bridged_fraction: float
    bridge_count: int


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is true of one screw.

    `depth_mm` (D,) and `angle_deg` (S,) are cell centres in the frame of the screw; `width_mm`,
    `side` (0 outside, 1 head, 2 gap, 3 tip) and `counted` have shape (D, S). Sector k is centred on
    45 k degrees.
    """

    screw: PhantomScrew
    head_mm: tuple[float, ...]
    tip_mm: tuple[float, ...]
    axes: NDArray[np.float64]
    depth_mm: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    side: NDArray[np.int8]
    counted: NDArray[np.bool_]
    whole: SideTruth
    head_side: SideTruth
    tip_side: SideTruth
    defect: DefectTruth | None

    def as_dict(self) -> dict[str, Any]:
        """Return the truth as plain lists and numbers (NaN becomes None)."""
        from dataclasses import asdict

        fields = ("screw", "whole", "head_side", "tip_side", "defect")
        out: dict[str, Any] = {n: asdict(v) if (v := getattr(self, n)) is not None else None for n in fields}
        for name in ("head_mm", "tip_mm", "axes", "depth_mm", "angle_deg", "side", "counted"):
            out[name] = np.asarray(getattr(self, name)).tolist()
        out["width_mm"] = np.round(self.width_mm, 4).tolist()
        plain: dict[str, Any] = _plain(out)
        return plain


def truth_of(scene: Scene, screw_index: int = 0) -> Truth:
    """Return the truth of one screw of a scene.

    Parameters
    ----------
    scene : Scene
        The drawing.
    screw_index : int
        Which of its screws.
    """
    site = scene.screw_sites[screw_index]
    screw = site.screw
    assert screw is not None
    axes = screw_axes(screw.head_mm, screw.tip_mm)
    depth = np.arange(_DEPTH_STEP_MM / 2.0, screw.length_mm, _DEPTH_STEP_MM)
    angle = np.arange(0.0, 360.0, _ANGLE_STEP_DEG)
    radius = screw.envelope_radius_mm(depth).astype(np.float64)
    width = _widths(site, screw, axes, depth, angle, radius)
    side = _sides(scene, site, _places(screw, axes, depth, angle, radius[:, None] + width + _BEHIND_MM))
    on_shaft = (depth < screw.length_mm - screw.taper_mm)[:, None]
    on_shaft &= (depth < _straight_to_mm(screw))[:, None]
    counted = on_shaft & ((side == HEAD) | (side == TIP))
    area = np.broadcast_to(radius[:, None] * math.radians(_ANGLE_STEP_DEG) * _DEPTH_STEP_MM, width.shape)
    parts = [_summary(width, area, radius, angle, counted & m) for m in (side > 0, side == HEAD, side == TIP)]
    tip = screw.real_tip_mm
    return Truth(
        screw, tuple(map(float, screw.head_mm)), tuple(map(float, tip)), axes,
        depth, angle, width, side, counted, parts[0], parts[1], parts[2], defect_truth(site),
    )  # fmt: skip


def _straight_to_mm(screw: PhantomScrew) -> float:
    """Depth up to which the frame of the head end holds: a bend ends it."""
    return screw.bend_depth_mm - 1.0 if screw.is_bent else math.inf


def _places(
    screw: PhantomScrew, axes: NDArray[np.float64], depth: NDArray[np.float64],
    angle: NDArray[np.float64], radius: NDArray[np.float64],
) -> NDArray[np.float64]:  # fmt: skip
    """Return patient mm, shape (D, S, 3), of cylindrical places in the frame of a screw."""
    a = np.radians(angle)
    radius = np.broadcast_to(radius, (len(depth), len(angle)))
    local = np.stack(
        [radius * np.cos(a), radius * np.sin(a), np.broadcast_to(depth[:, None], radius.shape)], axis=-1
    )
    return np.asarray(np.array(screw.head_mm) + local @ axes.T)


def _widths(
    site: Site, screw: PhantomScrew, axes: NDArray[np.float64], depth: NDArray[np.float64],
    angle: NDArray[np.float64], radius: NDArray[np.float64],
) -> NDArray[np.float64]:  # fmt: skip
    """Width at each cell; searched along the normal where the screw has left its bed."""
    if site.hole is None and not screw.is_bent:
        own = screw.axes.T @ axes[:, 0]
        turned = math.degrees(math.atan2(own[1], own[0]))
        wide = site.halo.width_mm(
            depth[:, None], angle[None, :] + turned, screw.length_mm, screw.major_diameter_mm / 2.0
        )
        return wide.astype(np.float64)
    return _searched(site, screw, axes, depth, angle, radius)


def _searched(
    site: Site, screw: PhantomScrew, axes: NDArray[np.float64], depth: NDArray[np.float64],
    angle: NDArray[np.float64], radius: NDArray[np.float64], step_mm: float = 0.04, reach_mm: float = 6.0,
) -> NDArray[np.float64]:  # fmt: skip
    """First place outward from the screw's envelope that is not lucent, per cell, mm."""
    width = np.full((len(depth), len(angle)), np.nan)
    for reach in np.arange(0.0, reach_mm, step_mm):
        points = _places(screw, axes, depth, angle, radius[:, None] + reach).reshape(-1, 3).astype(np.float32)
        solid = ~_is_lucent(site, points).reshape(width.shape)
        width = np.where(np.isnan(width) & solid, max(reach - step_mm / 2.0, 0.0), width)
    return np.asarray(np.nan_to_num(width, nan=reach_mm))


def _is_lucent(site: Site, points: Real) -> NDArray[np.bool_]:
    """Whether places lie in the halo or the metal's old bed, of whichever fragment they belong to."""
    bed = site.hole or site.screw
    assert bed is not None
    head, tip = site.fragments(points)
    is_tip = tip.distance_mm < head.distance_mm
    inside = np.empty(len(points), dtype=bool)
    for which, motion in ((~is_tip, site.head_motion), (is_tip, site.tip_motion)):
        back = motion.inverse().apply(points[which]).astype(np.float32)
        inside[which] = site.clear_mm(back, bed)[0] > 0.0
    return inside


def _sides(scene: Scene, site: Site, places: NDArray[np.float64]) -> NDArray[np.int8]:
    """Which fragment places belong to; other metal and other screws' envelopes count as outside."""
    points = places.reshape(-1, 3).astype(np.float32)
    head, tip = site.fragments(points)
    side = np.zeros(len(points), dtype=np.int8)
    side[np.minimum(head.surface_mm, tip.surface_mm) < 0.0] = GAP
    side[_own(head)] = HEAD
    side[_own(tip)] = TIP
    for other in scene.screws:
        if other is not site.screw:
            local = other.local(points)
            radius = np.hypot(local[:, 0], local[:, 1])
            side[other.envelope_distance_mm(radius, local[:, 2]) < 0.0] = OUTSIDE
    return side.reshape(places.shape[:2])


def _own(part: Fragment) -> NDArray[np.bool_]:
    """Bone of a fragment behind its defect face: a bridge in the gap is not counted to it."""
    return (part.distance_mm < 0.0) & (part.face_mm > 0.0)


def _summary(
    width: NDArray[np.float64], area: NDArray[np.float64], radius: NDArray[np.float64],
    angle: NDArray[np.float64], mask: NDArray[np.bool_],
) -> SideTruth:  # fmt: skip
    if not mask.any():
        nan = math.nan
        return SideTruth(0.0, nan, nan, nan, nan, nan, nan, (nan,) * 8)
    w, a = width[mask], area[mask]
    r = np.broadcast_to(radius[:, None], width.shape)[mask]
    order = np.argsort(w)
    rank = (np.cumsum(a[order]) - a[order] / 2.0) / a.sum()
    sector = np.round(angle / 45.0).astype(int) % 8
    each = np.broadcast_to(sector, width.shape)[mask]
    means = tuple(
        float(np.average(w[each == k], weights=a[each == k])) if np.any(each == k) else math.nan
        for k in range(8)
    )
    return SideTruth(
        area_mm2=float(a.sum()),
        mean_width_mm=float(np.average(w, weights=a)),
        p95_width_mm=float(np.interp(0.95, rank, w[order])),
        max_width_mm=float(w.max()),
        share_over_1mm=float(a[w > 1.0].sum() / a.sum()),
        share_over_2mm=float(a[w > 2.0].sum() / a.sum()),
        volume_mm3=float(np.sum(a * w * (1.0 + w / (2.0 * r)))),
        sector_mean_width_mm=means,
    )


def defect_truth(site: Site, step_mm: float = 0.2, fine_mm: float = 0.04) -> DefectTruth | None:
    """Return the truth of a site's defect, with or without a screw; None where there is none.

    Each place of the cross-section is walked through along the normal, edge to edge.

    Parameters
    ----------
    site : Site
        Where the defect lies.
    step_mm, fine_mm : float
        Steps over the section, and along the normal.
    """
    plane = site.plane()
    if plane is None or site.defect is None:
        return None
    turned = site.head_motion @ site.arch.world_from_arch
    u = turned.turn(site.defect.axes[:, 0])
    u = u - plane.normal * (u @ plane.normal)
    u /= np.linalg.norm(u)
    v = np.cross(plane.normal, u)
    side = np.arange(-14.0, 14.0, step_mm)
    flat = (plane.point_mm + side[:, None, None] * v + side[None, :, None] * u).reshape(-1, 3)
    inside = _in_section(site, flat)
    heights = np.arange(-site.defect.gap_mm - 3.0, site.defect.gap_mm + 3.0, fine_mm)
    gap = np.zeros(inside.shape)
    gap[inside] = _gaps(site, flat[inside], plane.normal, heights)
    known = inside & np.isfinite(gap) & (gap < _face_to_face(site, flat) + _PAST_FACE_MM)
    known &= ~_in_halo(site, flat)
    point, normal = tuple(map(float, plane.point_mm)), tuple(map(float, plane.normal))
    if not known.any():  # screw and halo fill the whole section of a small bone
        return DefectTruth(point, normal, 0.0, math.nan, math.nan, math.nan, math.nan, 0)
    bridged = known & (gap <= fine_mm)
    from scipy.ndimage import label

    pieces = label(bridged.reshape(len(side), len(side)), np.ones((3, 3)))[1]
    still_open = known & ~bridged
    return DefectTruth(
        point_mm=point,
        normal=normal,
        cross_section_mm2=float(known.sum() * step_mm**2),
        gap_width_mean_mm=float(np.where(bridged, 0.0, gap)[known].mean()),
        gap_width_mean_open_mm=float(gap[still_open].mean()) if still_open.any() else 0.0,
        gap_width_max_mm=float(gap[known].max()),
        bridged_fraction=float(bridged.sum() / known.sum()),
        bridge_count=int(pieces),
    )


def plane_of_faces(site: Site, step_mm: float = 0.2) -> Plane | None:
    """Return the plane through the middle of the faces as drawn, by least squares over the section.

    Rough faces lean by a degree or two from the smooth plane that they were drawn about (`Site.plane`);
    bridges, spurs and chips do not count. For fragments that have not moved; None without a defect.
    """
    plane = site.plane()
    if plane is None or site.defect is None:
        return None
    u, v = site.arch.world_from_arch.turn(site.defect.axes[:, :2].T)
    side = np.arange(-14.0, 14.0, step_mm)
    flat = (plane.point_mm + side[:, None, None] * v + side[None, :, None] * u).reshape(-1, 3)
    flat = flat[_in_section(site, flat) & ~_in_halo(site, flat)]
    places = site.defect.local(site.arch.local(flat.astype(np.float32)))
    low, high = site.defect.faces_mm(places)
    design = np.column_stack([np.ones(len(flat)), places[:, :2]]).astype(np.float64)
    height, a, b = np.linalg.lstsq(design, (low + high).astype(np.float64) / 2.0, rcond=None)[0]
    return Plane(plane.point_mm + height * plane.normal, plane.normal - a * u - b * v)


def _face_to_face(site: Site, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of the two faces at places of the middle plane, and how far the fragments moved apart, mm."""
    assert site.defect is not None
    q = site.arch.local(site.head_motion.inverse().apply(points).astype(np.float32))
    low, high = site.defect.faces_mm(site.defect.local(q))
    middle = site.arch.world_from_arch.apply(site.defect.point_mm)
    apart = float(np.linalg.norm(site.head_motion.apply(middle) - site.tip_motion.apply(middle)))
    return np.asarray(high - low, dtype=np.float64) + apart


@dataclass(frozen=True, slots=True)
class NewBoneTruth:
    """Bone that was not there before, mm3: in the gap, within 5 mm of it, and farther off."""

    in_gap_mm3: float
    around_mm3: float
    elsewhere_mm3: float


def new_bone(before: Site, after: Site, *, step_mm: float = 0.3, reach_mm: float = 22.0) -> NewBoneTruth:
    """Return the new bone of a site between two scans, counted on a grid in the frame of the arch.

    Parameters
    ----------
    before, after : Site
        The same site; patient and fragments may lie elsewhere (the head side's motion is undone).
    step_mm, reach_mm : float
        Grid step, and how far from the defect is looked.
    """
    assert before.defect is not None
    side = np.arange(-reach_mm, reach_mm, step_mm)
    q = np.stack(np.meshgrid(side, side, side, indexing="ij"), axis=-1).reshape(-1, 3).astype(np.float32)
    was, now = (
        s.is_bone((s.head_motion @ s.arch.world_from_arch).apply(q).astype(np.float32))
        for s in (before, after)
    )
    away = _away_from_gap(before, q, step_mm)[now & ~was]
    in_gap, near = away <= 0.0, (away > 0.0) & (away <= 5.0)
    in_gap_mm3, around_mm3, elsewhere_mm3 = (
        float(part.sum() * step_mm**3) for part in (in_gap, near, away > 5.0)
    )
    return NewBoneTruth(in_gap_mm3, around_mm3, elsewhere_mm3)


def _away_from_gap(site: Site, q: Real, step_mm: float) -> Real:
    """Distance of the cells of a cubic grid, arch mm, from the gap between the faces, in the outline."""
    from scipy.ndimage import distance_transform_edt

    assert site.defect is not None
    outline = site.arch.tube_mm(q)
    near = np.flatnonzero(outline < _NEAR_OUTLINE_MM)
    places = site.defect.local(q[near])
    low, high = site.defect.faces_mm(places)
    between = (places[:, 2] >= low) & (places[:, 2] <= high)
    gap = np.zeros(len(q), dtype=bool)
    gap[near] = between & (outline[near] + site.arch.relief_mm(q[near]) <= 0.0)
    side = round(len(q) ** (1 / 3))
    return real(distance_transform_edt(~gap.reshape(side, side, side), sampling=step_mm).reshape(-1))


@dataclass(frozen=True, slots=True, eq=False)
class MotionTruth:
    """Rigid motions between two scans, each seen from a body held still, in the first scan's patient mm."""

    screw_in_head_side: RigidTransform
    screw_in_tip_side: RigidTransform
    tip_side_in_head_side: RigidTransform


def motion_between(first: Site, second: Site) -> MotionTruth:
    """Return how screw and tip side moved from one scan to another, the patient's own pose left out.

    Of a broken screw the head piece is seen from the head side, the tip piece from the tip side.

    Parameters
    ----------
    first, second : Site
        One site as it was, and as it is.
    """
    assert first.screw is not None
    assert second.screw is not None
    screw = _pose(second.screw) @ _pose(first.screw).inverse()
    head, tip = (
        getattr(second, part)
        @ second.arch.world_from_arch
        @ (getattr(first, part) @ first.arch.world_from_arch).inverse()
        for part in ("head_motion", "tip_motion")
    )
    piece = _piece_pose(second.screw) @ _piece_pose(first.screw).inverse()
    return MotionTruth(head.inverse() @ screw, tip.inverse() @ piece, head.inverse() @ tip)


def _pose(screw: PhantomScrew) -> RigidTransform:
    return RigidTransform(screw.axes, np.array(screw.head_mm))


def _piece_pose(screw: PhantomScrew) -> RigidTransform:
    """Pose of the tip piece of a broken screw; of a whole one that of the screw."""
    return _pose(screw) @ screw.tip_piece if screw.tip_piece else _pose(screw)


def _in_section(site: Site, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether places of the middle plane lie in the isthmus and not in the screw's envelope."""
    p = points.astype(np.float32)
    q = site.arch.local(site.head_motion.inverse().apply(p).astype(np.float32))
    inside = site.arch.tube_mm(q) < 0.0
    if site.screw is not None:
        local = site.screw.local(p)
        inside &= site.screw.envelope_distance_mm(np.hypot(local[:, 0], local[:, 1]), local[:, 2]) > 0.0
    return inside


def _in_halo(site: Site, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether places of the middle plane lie in the halo of either fragment."""
    bed = site.hole or site.screw
    if bed is None:
        return np.zeros(len(points), dtype=bool)
    moved = [m.inverse().apply(points).astype(np.float32) for m in (site.head_motion, site.tip_motion)]
    return np.asarray(np.any([site.clear_mm(p, bed)[0] > 0.0 for p in moved], axis=0))


def _gaps(
    site: Site, points: NDArray[np.float64], normal: NDArray[np.float64], heights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance from the last bone of the head side to the first of the tip side beyond it, per place."""
    low = np.full(len(points), np.nan)
    high = np.full(len(points), np.nan)
    for h in heights:
        head, tip = site.fragments((points + h * normal).astype(np.float32))
        low = np.where(head.distance_mm < 0.0, h, low)
        high = np.where(np.isnan(high) & (tip.distance_mm < 0.0), h, high)
    step = heights[1] - heights[0]
    return np.asarray(np.maximum(high - low - step, 0.0))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if isinstance(value, np.generic) else value
