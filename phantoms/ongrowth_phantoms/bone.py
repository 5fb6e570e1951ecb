"""Bone: an invented neural arch of a young vertebra, the defect across it, and one screw's site."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import Plane, RigidTransform
from ongrowth_phantoms.implants import HaloField, PhantomScrew, Point
from ongrowth_phantoms.shapes import (
    Real,
    capsule,
    coverage,
    ellipse_tube,
    ellipsoid,
    length,
    random_field,
    real,
    smooth_step,
    smooth_union,
    turned,
)

_FAR = np.float32(99.0)
_NEAR_MM = 3.0  # farther than this from all bone, the details of its surface do not matter
_VALLEY_MM = 0.1  # below this width the layer fades out of the thread valleys


@dataclass(frozen=True, slots=True)
class Callus:
    """A lump of new bone: an ellipsoid in the arch's own frame, mm."""

    centre_mm: Point
    half_mm: Point
    hu: float = 500.0


@dataclass(frozen=True, slots=True, eq=False)
class Arch:
    """One side of an invented neural arch: lamina, isthmus, pedicle, processes, part of the body.

    Own frame: origin in the isthmus, third axis from the lamina to the pedicle, first axis lateral.

    Parameters
    ----------
    world_from_arch : RigidTransform
        Patient mm (LPS) from arch mm.
    isthmus_mm : pair of float
        Full width of the isthmus along the first and second axis, mm.
    scale : float
        Size of all the rest; 1 for a grown skeleton.
    seat_mm : float
        Where the end face of the lamina lies on the third axis, mm (negative).
    cortex_mm, cortex_hu, bone_hu, bone_sd_hu, texture_mm : float
        Cortex thickness and CT number; trabecular mean, SD and correlation length.
    growth_mm : float
        Mean surface apposition since the anatomy was made, mm (negative: loss); patchy.
    remodelled_hu : float
        Mean of what was added to the trabecular bone; patchy.
    callus : tuple of Callus
        New bone on or beside the old.
    renewed_share, renewed_seed : float, int
        Share of the texture's variance that is new, and the seed of the new part.
    neighbour_shift_mm : tuple of float
        How the next vertebra has moved against this one.
    seed : int
        Fixes shape and texture.
    """

    world_from_arch: RigidTransform
    isthmus_mm: tuple[float, float] = (9.0, 8.0)
    scale: float = 1.0
    seat_mm: float = -16.0
    cortex_mm: float = 1.4
    cortex_hu: float = 1250.0
    bone_hu: float = 300.0
    bone_sd_hu: float = 110.0
    texture_mm: float = 0.7
    growth_mm: float = 0.0
    remodelled_hu: float = 0.0
    renewed_share: float = 0.0
    renewed_seed: int = 0
    callus: tuple[Callus, ...] = ()
    neighbour_shift_mm: Point = (0.0, 0.0, 0.0)
    seed: int = 0

    def local(self, points: Real) -> Real:
        """Return patient points, shape (N, 3), in the arch's own frame."""
        return turned(points, self.world_from_arch.translation_mm, self.world_from_arch.rotation)

    def tube_mm(self, q: Real) -> Real:
        """Signed distance of the part that the screw runs through (lamina, isthmus, pedicle)."""
        from scipy.interpolate import PchipInterpolator

        k, (wide, high) = self.scale, self.isthmus_mm
        along = np.linspace(-20.0, 36.0, 113)
        nodes = np.array([-20.0, -15.0, -8.0, -2.0, 2.0, 9.0, 16.0, 24.0, 36.0])
        half_x = PchipInterpolator(
            nodes, [9 * k, 8.5 * k, 6.5 * k, wide / 2, wide / 2, 5 * k, 5.5 * k, 9 * k, 14 * k]
        )
        half_y = PchipInterpolator(
            nodes, [5 * k, 5.2 * k, 4.8 * k, high / 2, high / 2, 6 * k, 7.5 * k, 9 * k, 12 * k]
        )
        s = q[:, 2] / np.float32(k)
        a = np.interp(s, along, half_x(along)).astype(np.float32)
        b = np.interp(s, along, half_y(along)).astype(np.float32)
        side = ellipse_tube(q[:, 0], q[:, 1], a, b)
        ends = np.minimum(q[:, 2] - np.float32(self.seat_mm), np.float32(52.0 * k) - q[:, 2])
        return -smooth_union(-side, ends, 1.5)

    def head_parts_mm(self, q: Real) -> Real:
        """Signed distance of what hangs on the lamina: inferior articular process, spinous process."""
        k, seat = self.scale, self.seat_mm
        inferior = capsule(q, [3 * k, -4 * k, seat + 4 * k], [9 * k, -11 * k, seat + 1 * k], 3.6 * k)
        spinous = capsule(q, [-5 * k, 1 * k, seat + 4 * k], [-16 * k, 8 * k, seat + 2 * k], 3.2 * k)
        return smooth_union(inferior, spinous, 1.0)

    def tip_parts_mm(self, q: Real) -> Real:
        """Signed distance of what hangs on the pedicle: superior and transverse process, body."""
        k = self.scale
        superior = capsule(q, [3 * k, -2 * k, 13 * k], [9 * k, 10 * k, 11 * k], 3.6 * k)
        body = ellipsoid(q, [-6 * k, 0.0, 40 * k], [20 * k, 15 * k, 17 * k])
        return smooth_union(superior, body, 2.0)

    def relief_mm(self, q: Real) -> Real:
        """Return how far the surface lies inside its smooth shape: bumps, less what has grown on it."""
        bumps = np.float32(0.25) * random_field(q, self.seed + 33, 3.0)
        if self.growth_mm:
            bumps -= np.float32(self.growth_mm) * (1.0 + 0.6 * random_field(q, self.renewed_seed + 77, 5.0))
        return real(bumps)

    def neighbour_mm(self, q: Real) -> Real:
        """Signed distance of the next vertebra's facet, a joint space away from the lower process."""
        k, seat = self.scale, self.seat_mm
        x, y, z = self.neighbour_shift_mm
        return ellipsoid(q, [17 * k + x, -17 * k + y, seat - 1 * k + z], [5 * k, 6 * k, 7 * k])

    def hu(self, q: Real, surface_mm: Real) -> Real:
        """CT number of bone at places of the own frame, `surface_mm` being the signed distance."""
        grain = self.grain(q)
        spongy = self.bone_hu + self.bone_sd_hu * grain
        if self.remodelled_hu:
            spongy = spongy + self.remodelled_hu * (1.0 + random_field(q, self.renewed_seed + 88, 4.0))
        cortex = np.float32(self.cortex_hu) + np.float32(0.8 * self.bone_sd_hu) * grain
        thick = self.cortex_mm * (1.0 + 0.2 * random_field(q, self.seed + 11, 4.0))
        return real(spongy + (cortex - spongy) * smooth_step((surface_mm + thick) / 0.4 + 0.5))

    def grain(self, q: Real) -> Real:
        """Texture (mean 0, SD 1) at places of the own frame, in part renewed."""
        old = random_field(q, self.seed, self.texture_mm)
        if self.renewed_share <= 0.0:
            return old
        new = random_field(q, self.renewed_seed + 7919, self.texture_mm)
        return old * np.float32((1 - self.renewed_share) ** 0.5) + new * np.float32(self.renewed_share**0.5)


@dataclass(frozen=True, slots=True)
class Bridge:
    """Bone in the gap: round, at (u, v) mm in the defect plane from its point.

    `reach` is the share of the gap it spans: 1 bridges; less is a spur, from the head side when
    positive, from the tip side when negative. A `chip` floats free in the middle.
    """

    u_mm: float
    v_mm: float
    diameter_mm: float
    reach: float = 1.0
    is_chip: bool = False


@dataclass(frozen=True, slots=True)
class Defect:
    """A rough gap across the arch, in the arch's own frame (mm).

    Parameters
    ----------
    point_mm, normal : tuple of float
        A point of the middle plane; its normal, pointing from the head side to the tip side.
    gap_mm : float
        Mean gap width along the normal.
    roughness_mm : float
        SD of the height of each face.
    wedge_deg : float
        Opening angle between the faces along the plane's u direction.
    bridges, bridge_hu : tuple of Bridge, float
        Bone inside the gap and its CT number.
    sclerosis_mm, sclerotic_hu : float
        Depth and CT number of dense edges.
    tissue_hu : float
        What fills the gap.
    seed : int
        Fixes the faces.
    """

    point_mm: Point = (0.0, 0.0, 0.0)
    normal: Point = (0.0, 0.0, 1.0)
    gap_mm: float = 2.0
    roughness_mm: float = 0.2
    wedge_deg: float = 0.0
    bridges: tuple[Bridge, ...] = ()
    bridge_hu: float = 600.0
    sclerosis_mm: float = 0.8
    sclerotic_hu: float = 850.0
    tissue_hu: float = 70.0
    seed: int = 0

    @property
    def axes(self) -> NDArray[np.float64]:
        """The u, v and normal directions as columns, arch frame."""
        n = np.array(self.normal) / np.linalg.norm(self.normal)
        u = np.array([1.0, 0.0, 0.0]) - n * n[0]
        u /= np.linalg.norm(u)
        return np.stack([u, np.cross(n, u), n], axis=1)

    def local(self, q: Real) -> Real:
        """Return arch points as (u, v, height) of the defect, mm."""
        return turned(q, self.point_mm, self.axes)

    def faces_mm(self, places: Real) -> tuple[Real, Real]:
        """Heights of the head side's and the tip side's face over (u, v), bridges left out, mm."""
        flat = places.copy()
        flat[:, 2] = 0.0
        half = (self.gap_mm + np.float32(np.tan(np.radians(self.wedge_deg))) * places[:, 0]) / 2.0
        low = -half + self.roughness_mm * random_field(flat, self.seed + 101, 1.8)
        high = half + self.roughness_mm * random_field(flat, self.seed + 202, 1.8)
        middle = (low + high) / 2.0
        open_by = np.maximum(high - low, 0.15) / 2.0  # the faces never cross
        return middle - open_by, middle + open_by


@dataclass(frozen=True, slots=True, eq=False)
class Fragment:
    """A fragment as seen from given points: all shape (N,), mm.

    `distance_mm` signed distance of its bone (bridges that hang on it included); `surface_mm` the
    same without the cut of the defect; `face_mm` how far behind its defect face a place lies.
    """

    local_mm: Real
    distance_mm: Real
    surface_mm: Real
    face_mm: Real


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """One screw's surroundings: arch, defect, screw, halo, and how the fragments moved.

    Parameters
    ----------
    arch : Arch
        The bone.
    defect : Defect or None
        The gap across it.
    screw : PhantomScrew or None
        The metal; None before surgery.
    halo : HaloField
        The lucent layer round it.
    head_motion, tip_motion : RigidTransform
        Motion of each fragment since the anatomy was made, patient mm.
    hole : PhantomScrew or None
        The screw as it lay when the halo formed (before `head_motion` and `tip_motion`), if it has
        moved in the bone since; None: where the screw is.
    """

    arch: Arch
    defect: Defect | None = None
    screw: PhantomScrew | None = None
    halo: HaloField = field(default_factory=HaloField)
    head_motion: RigidTransform = field(default_factory=RigidTransform.identity)
    tip_motion: RigidTransform = field(default_factory=RigidTransform.identity)
    hole: PhantomScrew | None = None

    @property
    def is_rigid(self) -> bool:
        """Whether both fragments still lie as they were to each other."""
        return bool(np.allclose(self.head_motion.matrix, self.tip_motion.matrix, rtol=0.0, atol=1e-7))

    def plane(self) -> Plane | None:
        """Return the middle plane of the defect where the fragments lie now, patient mm."""
        if self.defect is None:
            return None
        moved = [m @ self.arch.world_from_arch for m in (self.head_motion, self.tip_motion)]
        points = [m.apply(self.defect.point_mm) for m in moved]
        normals = [m.turn(self.defect.axes[:, 2]) for m in moved]
        return Plane((points[0] + points[1]) / 2.0, normals[0] + normals[1])

    def fragments(self, points: Real) -> tuple[Fragment, Fragment]:
        """Return the head-side and the tip-side fragment as seen from patient points, (N, 3)."""
        head = self._fragments_after(points, self.head_motion)
        tip = head if self.is_rigid else self._fragments_after(points, self.tip_motion)
        return head[0], tip[1]

    def _fragments_after(self, points: Real, motion: RigidTransform) -> tuple[Fragment, Fragment]:
        arch = self.arch
        q = arch.local(_back(points, motion))
        tube, head_parts, tip_parts = arch.tube_mm(q), arch.head_parts_mm(q), arch.tip_parts_mm(q)
        near = np.flatnonzero(np.minimum(np.minimum(tube, head_parts), tip_parts) < _NEAR_MM)
        bumps = np.zeros_like(tube)
        bumps[near] = arch.relief_mm(q[near])
        head_surface = smooth_union(tube, head_parts, 2.0) + bumps
        tip_surface = smooth_union(tube, tip_parts, 2.0) + bumps
        if self.defect is None:
            whole = np.minimum(head_surface, tip_surface)
            none = np.full_like(whole, _FAR)
            return Fragment(q, whole, whole, none), Fragment(q, none, tip_surface, none)
        places = self.defect.local(q)
        low, high = np.zeros_like(tube), np.zeros_like(tube)
        low[near], high[near] = self.defect.faces_mm(places[near])
        below, above = places[:, 2] - low, high - places[:, 2]
        head = smooth_union(np.maximum(tube + bumps, below), head_parts + bumps, 2.0)
        tip = smooth_union(np.maximum(tube + bumps, above), tip_parts + bumps, 2.0)
        for bridge in self.defect.bridges:
            if bridge.is_chip:
                continue
            column = np.maximum(_column_mm(bridge, places, low, high), tube + bumps)
            if bridge.reach > 0.0:
                head = np.minimum(head, column)
            else:
                tip = np.minimum(tip, column)
        return Fragment(q, head, head_surface, -below), Fragment(q, tip, tip_surface, -above)

    def tissue_hu(self, points: Real, background_hu: Real, ramp_mm: float) -> Real:
        """CT number of all that is not metal at patient points, shape (N,), over a background."""
        out = background_hu.copy()
        reach = self.arch.local(points)
        near = np.flatnonzero(length(reach[:, 0], reach[:, 1], reach[:, 2]) < 58.0 * self.arch.scale)
        out[near] = self._tissue_near(points[near], background_hu[near], ramp_mm)
        return out

    def _tissue_near(self, points: Real, background: Real, ramp: float) -> Real:
        """Layers from the outside in: soft tissue, neighbour, gap tissue, chips, the two fragments."""
        head, tip = self.fragments(points)
        hu = background.copy()
        self._paint(hu, self.arch.neighbour_mm(head.local_mm), head.local_mm, ramp)
        if self.defect is not None:
            gap = np.minimum(head.surface_mm, tip.surface_mm)
            hu += (np.float32(self.defect.tissue_hu) - hu) * coverage(gap, ramp)
            self._paint_chips(hu, head.local_mm, ramp)
        self._paint_callus(hu, head.local_mm, ramp)
        for fragment, motion in ((head, self.head_motion), (tip, self.tip_motion)):
            where = np.flatnonzero(fragment.distance_mm < ramp)
            self._paint_fragment(hu, where, fragment, points, motion, ramp)
        return self._fill_bore(hu, points, ramp)

    def _paint(self, hu: Real, distance: Real, q: Real, ramp: float) -> None:
        where = np.flatnonzero(distance < ramp)
        bone = self.arch.hu(q[where], distance[where])
        hu[where] += (bone - hu[where]) * coverage(distance[where], ramp)

    def _paint_chips(self, hu: Real, q: Real, ramp: float) -> None:
        assert self.defect is not None
        places = self.defect.local(q)
        for chip in self.defect.bridges:
            if chip.is_chip:
                share = coverage(_chip_mm(chip, self.defect, places), ramp)
                hu += (np.float32(self.defect.bridge_hu) - hu) * share

    def _paint_callus(self, hu: Real, q: Real, ramp: float) -> None:
        for lump in self.arch.callus:
            where = np.flatnonzero((distance := ellipsoid(q, lump.centre_mm, lump.half_mm)) < ramp)
            bone = np.float32(lump.hu) + np.float32(0.4) * (self.arch.grain(q[where]) * self.arch.bone_sd_hu)
            hu[where] += (bone - hu[where]) * coverage(distance[where], ramp)

    def is_bone(self, points: Real) -> NDArray[np.bool_]:
        """Whether patient points, shape (N, 3), lie in bone: fragments, bridges, chips or callus."""
        head, tip = self.fragments(points)
        inside = np.minimum(head.distance_mm, tip.distance_mm) < 0.0
        for lump in self.arch.callus:
            inside |= ellipsoid(head.local_mm, lump.centre_mm, lump.half_mm) < 0.0
        if self.defect is not None:
            places = self.defect.local(head.local_mm)
            for chip in self.defect.bridges:
                if chip.is_chip:
                    inside |= _chip_mm(chip, self.defect, places) < 0.0
        return np.asarray(inside)

    def _paint_fragment(
        self,
        hu: Real,
        where: NDArray[np.intp],
        part: Fragment,
        points: Real,
        motion: RigidTransform,
        ramp: float,
    ) -> None:
        bone = self.arch.hu(part.local_mm[where], part.surface_mm[where])
        if self.defect is not None:
            d = self.defect
            in_gap = part.face_mm[where] < 0.0
            edge = smooth_step((d.sclerosis_mm - part.face_mm[where]) / 0.4 + 0.5) * (d.sclerosis_mm > 0)
            bone += np.where(in_gap, 0.0, (d.sclerotic_hu - bone) * edge)
            if d.bridges:
                bone[in_gap] = d.bridge_hu + 0.4 * (bone[in_gap] - self.arch.bone_hu)
        bone = self.layered(bone, _back(points[where], motion), ramp)
        hu[where] += (bone - hu[where]) * coverage(part.distance_mm[where], ramp)

    def layered(self, bone: Real, points: Real, ramp: float) -> Real:
        """Cut the halo and its rim into bone of given CT numbers, places before any motion."""
        bed = self.hole or self.screw
        if bed is None:
            return bone
        clear, behind = self.clear_mm(points, bed)
        layer = coverage(-clear, ramp)
        if self.hole is None:
            layer = layer * smooth_step((clear + behind) / _VALLEY_MM)
        halo = self.halo
        if halo.rim_mm > 0.0:
            rim = coverage(-clear - halo.rim_mm, ramp) * smooth_step((clear + behind) / _VALLEY_MM)
            bone = bone + (np.float32(halo.rim_hu) - bone) * rim
        return bone + (np.float32(halo.layer_hu) - bone) * layer

    def clear_mm(self, points: Real, bed: PhantomScrew) -> tuple[Real, Real]:
        """Return how far inside the halo's outer edge places lie, and their distance from the envelope."""
        local = bed.local(points)
        depth = local[:, 2]
        radius = np.hypot(local[:, 0], local[:, 1])
        angle = np.degrees(np.arctan2(local[:, 1], local[:, 0]))
        away = bed.envelope_distance_mm(radius, depth)
        width = np.full_like(away, 0.0)
        near = np.flatnonzero(away < 8.0)
        width[near] = self.halo.width_mm(depth[near], angle[near], bed.length_mm, bed.major_diameter_mm / 2.0)
        below = np.minimum(depth, 0.0)  # no halo above the head end of the shaft
        return np.where(depth < 0.0, np.minimum(width - away, below), width - away), away

    def _fill_bore(self, hu: Real, points: Real, ramp: float) -> Real:
        """Put soft tissue into a cannula and a broken shaft, where no bone can be."""
        screw = self.screw
        if screw is None or not (screw.cannula_diameter_mm > 0.0 or screw.break_gap_mm > 0.0):
            return hu
        local = screw.local(points)
        radius = np.hypot(local[:, 0], local[:, 1])
        core = np.maximum(
            radius - np.float32(screw.root_diameter_mm / 2.0 - 0.05),
            np.abs(local[:, 2] - np.float32(screw.length_mm / 2.0)) - np.float32(screw.length_mm / 2.0),
        )
        return hu + (np.float32(50.0) - hu) * coverage(core, ramp)


def _chip_mm(chip: Bridge, defect: Defect, places: Real) -> Real:
    """Signed distance of a chip that floats in the middle of the gap."""
    half = chip.diameter_mm / 2.0
    flat = min(half, abs(chip.reach) * defect.gap_mm / 2.0)
    return ellipsoid(places, [chip.u_mm, chip.v_mm, 0.0], [half, half, flat])


def _column_mm(bridge: Bridge, places: Real, low: Real, high: Real) -> Real:
    """Signed distance of a bridge or spur that stands on one of the faces."""
    aside = np.hypot(places[:, 0] - np.float32(bridge.u_mm), places[:, 1] - np.float32(bridge.v_mm))
    span = np.float32(abs(bridge.reach)) * (high - low) + np.float32(0.3 if abs(bridge.reach) >= 1.0 else 0.0)
    rise = places[:, 2] - low if bridge.reach > 0.0 else high - places[:, 2]
    beyond = np.maximum(rise - span, -rise - np.float32(0.6))
    return real(np.maximum(aside - np.float32(bridge.diameter_mm / 2.0), beyond))


def _back(points: Real, motion: RigidTransform) -> Real:
    """Undo a motion of patient points, shape (N, 3)."""
    if not np.any(motion.translation_mm) and np.array_equal(motion.rotation, np.eye(3)):
        return points
    return turned(points, motion.translation_mm, motion.rotation)
