"""Whole scenes: arch, screws, halos, defects, other metal and soft tissue, in patient mm (LPS)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.bone import Arch, Bridge, Callus, Defect, Site
from ongrowth_phantoms.implants import HaloField, PhantomScrew, Point, Rod, screw_axes
from ongrowth_phantoms.shapes import Real, capsule, coverage, random_field, smooth_step
from ongrowth_phantoms.truth import Truth, motion_between, new_bone, truth_of

__all__ = [
    "Arch",
    "Bridge",
    "Callus",
    "Defect",
    "HaloField",
    "PhantomScrew",
    "Rod",
    "Scene",
    "Site",
    "Truth",
    "later",
    "motion_between",
    "new_bone",
    "pars_scene",
    "screw_axes",
    "truth_of",
    "water_rod_scene",
]

MATERIALS = ("titanium", "steel", "cobalt-chrome", "coating")
T = TypeVar("T", HaloField, Defect)
_COATING_MATERIAL = "coating"


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything a scanner can see.

    Parameters
    ----------
    sites : tuple of Site
        One per side: arch, defect, screw, halo.
    other_metal : tuple of Rod
        Rods, wires, pieces.
    soft_hu, fat_hu, fat_level : float
        Muscle; fat; a place is fat where a smooth random field passes the level (inf: no fat).
    focus_mm : tuple of float
        Where a scanner aims when told nothing, patient mm.
    seed : int
        Fixes the soft tissue.
    """

    sites: tuple[Site, ...] = ()
    other_metal: tuple[Rod, ...] = ()
    soft_hu: float = 50.0
    fat_hu: float = -90.0
    fat_level: float = 1.3
    focus_mm: Point = (0.0, 0.0, 0.0)
    seed: int = 0

    @property
    def screws(self) -> tuple[PhantomScrew, ...]:
        """The screws, in the order of their sites."""
        return tuple(s.screw for s in self.sites if s.screw is not None)

    @property
    def screw_sites(self) -> tuple[Site, ...]:
        """The sites that hold a screw."""
        return tuple(s for s in self.sites if s.screw is not None)

    @property
    def halos(self) -> tuple[HaloField, ...]:
        """The halo of each screw."""
        return tuple(s.halo for s in self.screw_sites)

    @property
    def defects(self) -> tuple[Defect | None, ...]:
        """The defect of each screw."""
        return tuple(s.defect for s in self.screw_sites)

    def moved(self, motion: RigidTransform) -> Scene:
        """Return the scene after the patient lay down anew: everything moved by one rigid motion."""
        return replace(
            self,
            sites=tuple(_moved_site(s, motion) for s in self.sites),
            other_metal=tuple(r.moved(motion) for r in self.other_metal),
            focus_mm=_point(motion.apply(self.focus_mm)),
        )

    def without_metal(self) -> Scene:
        """Return the scene before surgery: no screw, no halo, no other metal."""
        bare = tuple(replace(s, screw=None, halo=HaloField(), hole=None) for s in self.sites)
        return replace(self, sites=bare, other_metal=())

    def tissue_hu(self, points: Real, cell_mm: float) -> Real:
        """Return the CT number of all but metal at points, each averaged over a small cell.

        Parameters
        ----------
        points : ndarray of float32, shape (N, 3)
            Patient mm.
        cell_mm : float
            Size of the cell.
        """
        hu = self._background(points)
        for site in self.sites:
            hu = site.tissue_hu(points, hu, cell_mm)
        return hu

    def _background(self, points: Real) -> Real:
        if math.isinf(self.fat_level):
            return np.full(len(points), self.soft_hu, dtype=np.float32)
        fat = smooth_step((random_field(points, self.seed + 55, 6.0) - self.fat_level) / 0.15 + 0.5)
        return np.float32(self.soft_hu) + np.float32(self.fat_hu - self.soft_hu) * fat

    def near_metal(self, points: Real) -> NDArray[np.intp]:
        """Return which points, shape (N, 3), lie near any metal."""
        near = np.zeros(len(points), dtype=bool)
        for screw in self.screws:
            near |= capsule(points, screw.head_mm, screw.real_tip_mm, _reach(screw)) < 0.0
        for rod in self.other_metal:
            for start, end in zip(rod.points_mm[:-1], rod.points_mm[1:], strict=True):
                near |= capsule(points, start, end, rod.diameter_mm / 2.0 + 0.6) < 0.0
        return np.flatnonzero(near)

    def metal_share(self, points: Real, cell: NDArray[np.float32]) -> dict[str, Real]:
        """Return the share of a cell that each metal (and "coating") takes, by material, shape (N,).

        Parameters
        ----------
        points : ndarray of float32, shape (N, 3)
            Cell centres, patient mm.
        cell : ndarray of float32, shape (3, 3)
            Edges of the cell as rows, patient mm.
        """
        ramp = float(np.cbrt(abs(np.linalg.det(cell.astype(np.float64)))))
        shares: dict[str, Real] = {}
        for screw in self.screws:
            near = _near_segment(points, screw.head_mm, screw.real_tip_mm, _reach(screw))
            full = _refined(partial(_shell_mm, screw, 0.0), points[near], cell, ramp)
            metal = full
            if screw.coating_mm > 0.0:
                metal = _refined(partial(_shell_mm, screw, screw.coating_mm), points[near], cell, ramp)
                _add(shares, _COATING_MATERIAL, len(points), near, full - metal)
            _add(shares, screw.material, len(points), near, metal)
        for rod in self.other_metal:
            radius = rod.diameter_mm / 2.0
            for start, end in zip(rod.points_mm[:-1], rod.points_mm[1:], strict=True):
                near = _near_segment(points, start, end, radius + 0.6)
                shape = partial(capsule, start_mm=start, end_mm=end, radius_mm=radius)
                _add(shares, rod.material, len(points), near, _refined(shape, points[near], cell, ramp))
        return shares


def _shell_mm(screw: PhantomScrew, inward_mm: float, points: Real) -> Real:
    return screw.metal_distance_mm(screw.local(points)) + np.float32(inward_mm)


def _refined(distance: Callable[[Real], Real], points: Real, cell: NDArray[np.float32], ramp: float) -> Real:
    """Coverage of each cell, the cells at the surface cut in 4 x 4 x 4."""
    coarse = distance(points)
    share = coverage(coarse, ramp)
    edge = np.flatnonzero(np.abs(coarse) < 1.2 * ramp)
    if edge.size == 0:
        return share
    steps = (np.arange(4, dtype=np.float32) - 1.5) / 4.0
    total = np.zeros(edge.size, dtype=np.float32)
    for i in steps:
        for j in steps:
            for k in steps:
                total += coverage(
                    distance(points[edge] + np.array([i, j, k], dtype=np.float32) @ cell), ramp / 4.0
                )
    share[edge] = total / 64.0
    return share


def _reach(screw: PhantomScrew) -> float:
    """Radius of a round-ended rod about the shaft that holds all of the screw, bent or not, mm."""
    corner = math.hypot(screw.head_diameter_mm / 2.0, screw.head_height_mm)
    sag = 0.25 * screw.length_mm * math.radians(abs(screw.bend_deg)) if screw.is_bent else 0.0
    return max(corner, screw.major_diameter_mm / 2.0) + sag + 0.6


def _near_segment(points: Real, start: ArrayLike, end: ArrayLike, margin_mm: float) -> NDArray[np.intp]:
    return np.flatnonzero(capsule(points, start, end, margin_mm) < 0.0)


def _add(shares: dict[str, Real], material: str, n: int, where: NDArray[np.intp], share: Real) -> None:
    if where.size == 0:
        return
    total = shares.setdefault(material, np.zeros(n, dtype=np.float32))
    total[where] = np.minimum(total[where] + share, 1.0)


def _moved_site(site: Site, motion: RigidTransform) -> Site:
    back = motion.inverse()
    return replace(
        site,
        arch=replace(site.arch, world_from_arch=motion @ site.arch.world_from_arch),
        screw=site.screw.moved(motion) if site.screw else None,
        hole=site.hole.moved(motion) if site.hole else None,
        head_motion=motion @ site.head_motion @ back,
        tip_motion=motion @ site.tip_motion @ back,
    )


def _point(values: ArrayLike) -> Point:
    x, y, z = np.asarray(values, dtype=np.float64)
    return float(x), float(y), float(z)


def pars_scene(
    seed: int,
    *,
    n_screws: int = 1,
    screw: PhantomScrew | None = None,
    halo: HaloField | Sequence[HaloField] | None = None,
    defect: Defect | Sequence[Defect] | None = None,
    child: bool = False,
    bone_hu: float = 300.0,
    length_mm: float = math.nan,
    other_metal: tuple[Rod, ...] = (),
    pose_sd_deg: float = 6.0,
) -> Scene:
    """Return an invented pars repair: a screw from the lamina through the isthmus to the pedicle.

    Parameters
    ----------
    seed : int
        Varies pose, shape, place of the screw in the isthmus, texture, defect.
    n_screws : int
        1 (left side) or 2 (left, then right).
    screw : PhantomScrew, optional
        A pattern: its sizes, material and damage are used, its ends are not.
    halo, defect : HaloField, Defect or a sequence of one per screw, optional
        As drawn; none, and a gap of 1 to 3 mm tilted by 15 to 40 degrees, when left out. A halo with
        two means gets its boundary from the defect.
    child : bool
        The size of a 10 to 12-year-old, with thinner, softer cortex.
    bone_hu : float
        Mean of the trabecular bone.
    length_mm : float
        Length of the screw shaft; NaN: 42 mm (36 mm for a child).
    other_metal : tuple of Rod
        Added as it is.
    pose_sd_deg : float
        How much the course of the screw varies between seeds.
    """
    rng = np.random.default_rng([seed, 4711])
    centre = np.array([0.0, rng.uniform(-20, 20), rng.uniform(-60, 60)]) + np.array([0.0, -150.0, -400.0])
    sites = []
    for k in range(n_screws):
        arch = _draw_arch(rng, centre, child=child, bone_hu=bone_hu, is_left=k == 0, pose_sd_deg=pose_sd_deg)
        drawn = _draw_defect(rng)
        own = _pick(defect, k) or drawn
        placed = _place_screw(rng, arch, screw or _pattern(child=child), length_mm, child=child)
        sites.append(Site(arch, own, placed, _bounded(_pick(halo, k) or HaloField(), placed, arch, own)))
    ends = np.array([p for s in sites if s.screw for p in (s.screw.head_mm, s.screw.tip_mm)])
    focus = (ends.min(axis=0) + ends.max(axis=0)) / 2.0
    return Scene(tuple(sites), other_metal, focus_mm=_point(focus), seed=seed)


def _pattern(*, child: bool) -> PhantomScrew:
    nowhere = (0.0, 0.0, 0.0)
    if child:
        return PhantomScrew(
            nowhere, (0.0, 0.0, 1.0), major_diameter_mm=3.5, root_diameter_mm=2.6, pitch_mm=1.25
        )
    return PhantomScrew(nowhere, (0.0, 0.0, 1.0))


def _pick(given: T | Sequence[T] | None, k: int) -> T | None:
    return given[k] if isinstance(given, Sequence) else given


def _draw_arch(
    rng: np.random.Generator,
    centre: NDArray[np.float64],
    *,
    child: bool,
    bone_hu: float,
    is_left: bool,
    pose_sd_deg: float,
) -> Arch:
    from scipy.spatial.transform import Rotation

    out = 1.0 if is_left else -1.0
    course = np.array([0.18 * out, -0.72, 0.67])  # a little outward, forward and up
    third = course / np.linalg.norm(course)
    first = np.array([out, 0.0, 0.0]) - third * third[0] * out
    first /= np.linalg.norm(first)
    rotation = np.stack([first, np.cross(third, first), third], axis=1)
    wobble = Rotation.from_rotvec(np.radians(rng.normal(0.0, pose_sd_deg, 3))).as_matrix()
    wide = rng.uniform(7.6, 8.6) if child else rng.uniform(8.4, 10.0)
    return Arch(
        RigidTransform(wobble @ rotation, centre + np.array([out * rng.uniform(17, 20), 0.0, 0.0])),
        isthmus_mm=(wide, wide * rng.uniform(0.86, 0.98)),
        scale=0.86 if child else 1.0,
        seat_mm=-13.5 if child else -16.0,
        cortex_mm=rng.uniform(0.8, 1.2) if child else rng.uniform(1.1, 1.8),
        cortex_hu=rng.uniform(850, 1000) if child else rng.uniform(1100, 1400),
        bone_hu=bone_hu,
        texture_mm=rng.uniform(0.5, 0.9),
        seed=int(rng.integers(1, 1_000_000)),
    )


def _draw_defect(rng: np.random.Generator) -> Defect:
    tilt, turn = np.radians(rng.uniform(15, 40)), rng.uniform(0, 2 * np.pi)
    normal = (math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), math.cos(tilt))
    return Defect(
        (0.0, 0.0, float(rng.uniform(-1.0, 1.0))),
        normal,
        gap_mm=float(rng.uniform(1.0, 3.0)),
        roughness_mm=float(rng.uniform(0.1, 0.3)),
        wedge_deg=float(rng.normal(0.0, 4.0)),
        seed=int(rng.integers(1, 1_000_000)),
    )


def _place_screw(
    rng: np.random.Generator, arch: Arch, pattern: PhantomScrew, length_mm: float, *, child: bool
) -> PhantomScrew:
    length = (36.0 if child else 42.0) if math.isnan(length_mm) else length_mm
    aside = rng.normal(0.0, 0.4, 2)
    slope = np.radians(rng.normal(0.0, 2.0, 2))
    course = np.array([slope[0], slope[1], 1.0])
    course /= np.linalg.norm(course)
    through = np.array([aside[0], aside[1], 0.0])
    head = through + course * ((arch.seat_mm + 0.4) / course[2])
    ends = arch.world_from_arch.apply([head, head + length * course])
    return replace(
        pattern,
        head_mm=_point(ends[0]),
        tip_mm=_point(ends[1]),
        thread_phase_deg=float(rng.uniform(0, 360)),
        zero_direction=None,
    )


def _bounded(halo: HaloField, screw: PhantomScrew, arch: Arch, defect: Defect) -> HaloField:
    """Give a halo of two means its boundary where the defect crosses the screw."""
    if math.isnan(halo.tip_mean_mm) or math.isfinite(halo.boundary_depth_mm):
        return halo
    normal = screw.axes.T @ arch.world_from_arch.turn(defect.axes[:, 2])
    away = arch.world_from_arch.apply(defect.point_mm) - np.array(screw.head_mm)
    depth = float(normal @ (screw.axes.T @ away) / normal[2])
    return replace(
        halo,
        boundary_depth_mm=depth,
        boundary_tilt=(float(-normal[0] / normal[2]), float(-normal[1] / normal[2])),
    )


def later(
    scene: Scene,
    seed: int,
    *,
    halo: HaloField | Sequence[HaloField] | None = None,
    bridges: tuple[Bridge, ...] | None = None,
    callus: tuple[Callus, ...] = (),
    renewed_share: float = 0.3,
    growth_mm: float = 0.15,
    remodelled_hu: float = 15.0,
    screw_motion: RigidTransform | None = None,
    tip_motion: RigidTransform | None = None,
    lies: RigidTransform | None = None,
    neighbour_shift_mm: Point = (0.0, 0.0, 0.0),
) -> Scene:
    """Return a scene as it is some weeks later: bone never stays as it was.

    Parameters
    ----------
    scene : Scene
        How it was.
    seed : int
        Fixes what is renewed.
    halo : HaloField or a sequence of one per site, optional
        The halo now.
    bridges, callus
        Bone in the gap now; new bone elsewhere.
    renewed_share, growth_mm, remodelled_hu : float
        Share of the texture that is new, mean apposition on all surfaces, mean change of the trabecular bone.
    screw_motion, tip_motion : RigidTransform, optional
        How the screw moved in its bed, and the tip-side fragment, patient mm of the old scene.
    lies : RigidTransform, optional
        How the patient lies anew, applied last.
    neighbour_shift_mm : tuple of float
        How the next vertebra moved against this one.
    """
    still = RigidTransform.identity()
    sites = []
    for k, site in enumerate(scene.sites):
        arch = replace(
            site.arch, renewed_share=renewed_share, renewed_seed=seed, growth_mm=growth_mm,
            remodelled_hu=remodelled_hu, callus=callus, neighbour_shift_mm=neighbour_shift_mm,
        )  # fmt: skip
        defect = replace(site.defect, bridges=bridges) if site.defect and bridges is not None else site.defect
        moved = site.screw.moved(screw_motion) if site.screw and screw_motion else site.screw
        now = replace(
            site, arch=arch, defect=defect, halo=_pick(halo, k) or site.halo, screw=moved,
            hole=site.screw if screw_motion else site.hole,
            tip_motion=(tip_motion or still) @ site.tip_motion,
        )  # fmt: skip
        sites.append(now)
    return replace(scene, sites=tuple(sites)).moved(lies or still)


def water_rod_scene(
    diameter_mm: float = 4.0,
    *,
    screw: PhantomScrew | None = None,
    material: str = "titanium",
    direction: ArrayLike = (0.3, -0.6, 0.74),
    length_mm: float = 60.0,
) -> Scene:
    """Return a rod, or a screw, in water: what a site scans once to learn the blur of a protocol.

    Parameters
    ----------
    diameter_mm : float
        Of the rod, mm.
    screw : PhantomScrew, optional
        Scanned instead of the rod.
    material : str
        Of the rod.
    direction : array_like, shape (3,)
        Course of the rod, patient axes.
    length_mm : float
        Of the rod, mm.
    """
    water = Scene(soft_hu=0.0, fat_level=math.inf)
    if screw is not None:
        middle = (np.array(screw.head_mm) + np.array(screw.tip_mm)) / 2.0
        return replace(water, sites=(Site(_no_bone(), None, screw),), focus_mm=_point(middle))
    half = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction) * length_mm / 2.0
    return replace(water, other_metal=(Rod((_point(-half), _point(half)), diameter_mm, material),))


def _no_bone() -> Arch:
    """Return an arch far away: a screw in water has none."""
    return Arch(RigidTransform(np.eye(3), np.array([0.0, 0.0, 1e5])))
