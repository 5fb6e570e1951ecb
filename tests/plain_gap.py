"""Gaps in plain bone, with bridges of known area: the world of `plain_phantom`, before surgery and after.

A neck of bone round a screw, or an arch with a neck on either side and no metal; each neck severed or whole.
What stands in a gap are round pillars along its normal: bridges go from edge to edge, spurs and chips do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from plain_phantom import (
    CREST_MM,
    LAYER_HU,
    METAL_HU,
    SOFT_HU,
    FloatArray,
    Scanner,
    along_and_across,
    course_of,
    fine_grid,
    grain_hu,
    outside_metal_mm,
    scanned,
    share_inside,
)
from scipy import ndimage

from ongrowth.scan import Scan

LENGTH_MM = 32.0  # of the shaft
_SCREW_BOX_MM, _ARCH_BOX_MM = (26.0, 24.0, 24.0), (24.0, 28.0, 31.0)  # half, along z, y and x
_NECK_MM = 8.5  # half the length of a neck in an arch
_ROUGH_MM, _STEP_MM = 0.7, 0.1  # a face wavers over the first; truth is read on a grid of the second
_TRUTH_MM, _HEIGHTS, _TOUCHING = 10.0, 96, 0.3
_LEAST_MM = 0.15
_USUAL = Scanner()


@dataclass(frozen=True, slots=True)
class Pillar:
    """Bone in a gap: place in its plane, radius, and from where to where, in shares of the gap."""

    u_mm: float
    v_mm: float
    radius_mm: float
    low: float = 0.0
    high: float = 1.0


@dataclass(frozen=True, slots=True)
class Neck:
    """A neck of bone and its gap; `gap_mm` 0: whole. The section is an ellipse about the course."""

    gap_mm: float = 2.0
    tilt_deg: float = 15.0
    turn_deg: float = 0.0
    rough_mm: float = 0.0
    wedge_deg: float = 0.0
    pillars: tuple[Pillar, ...] = ()
    pillar_hu: float = 600.0
    tissue_hu: float = 60.0
    dense_mm: float = 0.0
    dense_hu: float = 900.0
    section_mm: tuple[float, float] = (6.5, 5.5)
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Gapped:
    """A phantom: one neck round a screw, or the left and the right neck of an arch. HU, mm and degrees."""

    necks: tuple[Neck, ...]
    halo_mm: float = 0.0
    course: tuple[float, float] = (35.0, 60.0)
    bone_hu: float = 300.0
    texture_hu: float = 60.0
    cortex_mm: float = 0.0
    cortex_hu: float = 900.0
    scanner: Scanner = _USUAL
    seed: int = 0

    @property
    def has_screw(self) -> bool:
        return len(self.necks) == 1

    def place(self, k: int) -> Place:
        """Return where a neck lies, and how."""
        neck = self.necks[k]
        if self.has_screw:
            return Place(neck, np.zeros(3), course_of(*self.course))
        sign = 1.0 if k == 0 else -1.0
        up, out = np.radians(self.course)
        way = np.array([sign * np.sin(out), -np.cos(out) * np.cos(up), np.cos(out) * np.sin(up)])
        return Place(neck, np.array([sign * 14.0, 3.0, -2.0]), way)


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A neck in space: its middle, patient mm (LPS), and its course towards the front or the screw's tip."""

    neck: Neck
    middle_mm: FloatArray
    course: FloatArray

    @property
    def axes(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """First and second direction of the plane of the gap, and its normal."""
        tilt, turn = np.radians([self.neck.tilt_deg, self.neck.turn_deg])
        first, second = self.across
        lean = np.cos(turn) * first + np.sin(turn) * second
        normal = np.cos(tilt) * self.course + np.sin(tilt) * lean
        u = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
        u /= np.linalg.norm(u)
        return u, np.cross(normal, u), normal

    @property
    def across(self) -> tuple[FloatArray, FloatArray]:
        """Long and short direction of the section."""
        first = np.cross(self.course, [0.0, 0.0, 1.0])
        first /= np.linalg.norm(first)
        return first, np.cross(self.course, first)

    def outside_mm(self, places: Sequence[FloatArray]) -> FloatArray:
        """Return how far places, given by x, y and z, lie outside the section; negative within."""
        away, (a, b) = self.away(places), self.neck.section_mm
        long, short = (_dot(away, way) for way in self.across)
        return (np.hypot(long / a, short / b) - 1.0) * min(a, b)

    def away(self, places: Sequence[FloatArray]) -> list[FloatArray]:
        """Return places from the middle of the neck."""
        return [p - np.float32(m) for p, m in zip(places, self.middle_mm, strict=True)]

    def faces(self, u_mm: FloatArray, v_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the heights of both faces at places of the plane."""
        neck = self.neck
        half = neck.gap_mm / 2.0 * np.ones(np.broadcast(u_mm, v_mm).shape)
        half = half + math.tan(math.radians(neck.wedge_deg)) * u_mm / 2.0
        low, high = -half, half
        if neck.rough_mm:
            rough_low, rough_high = (neck.rough_mm * _read(field, u_mm, v_mm) for field in _fields(neck.seed))
            low, high = low + rough_low, high + rough_high
        middle, apart = (low + high) / 2.0, np.maximum(high - low, max(_TOUCHING * neck.gap_mm, _LEAST_MM))
        return middle - apart / 2.0, middle + apart / 2.0


def drawn(gapped: Gapped) -> Scan:
    """Return the phantom's CT."""
    rng = np.random.default_rng(gapped.seed)
    half_mm = _SCREW_BOX_MM if gapped.has_screw else _ARCH_BOX_MM
    z, y, x = fine_grid(half_mm)
    places = [gapped.place(k) for k in range(len(gapped.necks))]
    outside = _outside_mm(gapped, places, (x, y, z))
    bone = np.full(outside.shape, gapped.bone_hu, dtype=np.float32)
    bone += grain_hu(outside.shape, gapped.texture_hu, rng)
    if gapped.cortex_mm:
        half = gapped.cortex_mm / 2.0
        bone += (gapped.cortex_hu - bone) * share_inside(np.abs(outside + half) - half)
    inside = share_inside(outside)
    hu = SOFT_HU + (bone - SOFT_HU) * inside
    for place in places:
        if place.neck.gap_mm:
            hu = _severed(hu, inside, place, (x, y, z))
    if gapped.has_screw:
        u, v, s = along_and_across((z, y, x), places[0].course)
        if gapped.halo_mm:
            hu += (LAYER_HU - hu) * share_inside(np.hypot(u, v) - CREST_MM - gapped.halo_mm) * inside
        hu = hu + (METAL_HU - hu) * share_inside(outside_metal_mm(u, v, s, LENGTH_MM))
    return scanned(hu.astype(np.float32), half_mm, gapped.scanner, rng)


def _outside_mm(gapped: Gapped, places: Sequence[Place], xyz: Sequence[FloatArray]) -> FloatArray:
    """Return how far places lie outside the bone."""
    x, y, z = xyz
    if gapped.has_screw:
        along = _dot(xyz, places[0].course)
        return np.maximum(places[0].outside_mm(xyz), np.abs(along) - LENGTH_MM / 2.0 - 2.0)
    body = np.maximum(np.hypot(x / 1.25, y + 30.0) - 15.0, np.abs(z - 9.0) - 13.0)
    out = [body]
    for place in places:
        along = np.abs(_dot(place.away(xyz), place.course))
        out.append(np.maximum(place.outside_mm(xyz), along - _NECK_MM))
        front, back = (place.middle_mm + t * place.course for t in (_NECK_MM, -_NECK_MM))
        sign = float(np.sign(place.middle_mm[0]))
        radius = min(place.neck.section_mm)
        for start, end in (
            (front, np.array([sign * 12.0, -22.0, 9.0])),
            (front, front + np.array([sign * 3.0, 3.0, 9.0])),
            (back, np.array([0.0, 19.0, -10.0])),
            (back, back + np.array([sign * 1.0, 2.0, -10.0])),
        ):
            out.append(_rod_mm(xyz, start, end) - radius)
    return np.minimum.reduce(out)


def _rod_mm(xyz: Sequence[FloatArray], start: FloatArray, end: FloatArray) -> FloatArray:
    way = end - start
    away = [p - np.float32(s) for p, s in zip(xyz, start, strict=True)]
    t = np.clip(_dot(away, way / (way @ way)), 0.0, 1.0)
    return np.sqrt(sum((p - t * np.float32(w)) ** 2 for p, w in zip(away, way, strict=True)))


def _dot(places: Sequence[FloatArray], way: FloatArray) -> FloatArray:
    """Return the share of places, given by x, y and z, along a way; single precision stays so."""
    return sum(p * np.float32(w) for p, w in zip(places, way, strict=True))


def _severed(hu: FloatArray, inside: FloatArray, place: Place, xyz: Sequence[FloatArray]) -> FloatArray:
    """Return an image with the gap of a neck in it, its dense edges and its pillars."""
    away = place.away(xyz)
    u, v, h = (_dot(away, axis) for axis in place.axes)
    near = (np.sqrt(u**2 + v**2) < _TRUTH_MM) & (np.abs(h) < 7.0)
    u, v, h, was, here = u[near], v[near], h[near], hu[near], inside[near]
    low, high = place.faces(u, v)
    neck = place.neck
    if neck.dense_mm:
        edge = share_inside(np.maximum(low - h, h - high) - neck.dense_mm) * here
        was = was + (neck.dense_hu - was) * edge
    slit = share_inside(np.maximum(low - h, h - high))
    was = was + (neck.tissue_hu - was) * slit * here
    for p in neck.pillars:
        # what begins at a face grows out of the bone behind it
        bottom = low - 0.5 if p.low <= 0.0 else low + p.low * (high - low)
        top = high + 0.5 if p.high >= 1.0 else low + p.high * (high - low)
        apart = np.maximum(np.hypot(u - p.u_mm, v - p.v_mm) - p.radius_mm, np.maximum(bottom - h, h - top))
        was = was + (neck.pillar_hu - was) * share_inside(apart) * slit * here
    out = hu.copy()
    out[near] = was
    return out


def _fields(seed: int) -> list[FloatArray]:
    rng = np.random.default_rng([seed, 17])
    n = round(2.0 * _TRUTH_MM / _STEP_MM) + 1
    out = [ndimage.gaussian_filter(rng.standard_normal((n, n)), _ROUGH_MM / _STEP_MM) for _ in range(2)]
    return [field / field.std() for field in out]


def _read(field: FloatArray, u_mm: FloatArray, v_mm: FloatArray) -> FloatArray:
    at = [(p + _TRUTH_MM) / _STEP_MM for p in np.broadcast_arrays(u_mm, v_mm)]
    return ndimage.map_coordinates(field, at, order=1, mode="nearest")


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is true of a severed neck: its plane, and maps over a fine grid in it.

    The plane lies midway between the faces. The section holds what is bone behind both faces along the
    normal, without metal and halo. `left_mm` is what lacks from the last bone of one side to the first of the
    other.
    """

    point_mm: FloatArray
    normal: FloatArray
    places_mm: FloatArray
    section: NDArray[np.bool_]
    bridged: NDArray[np.bool_]
    left_mm: FloatArray

    @property
    def gap_mm(self) -> float:
        """Mean gap; what is bridged counts as 0."""
        return float(np.where(self.bridged, 0.0, self.left_mm)[self.section].mean())

    @property
    def share(self) -> float:
        """Bridged share of the section."""
        return float(self.bridged[self.section].mean())


def truth(gapped: Gapped, k: int = 0) -> Truth:
    """Return what is true of the gap of a neck."""
    place = gapped.place(k)
    side = np.arange(-_TRUTH_MM, _TRUTH_MM + _STEP_MM / 2.0, _STEP_MM)
    u, v = np.meshgrid(side, side, indexing="ij")
    first, second, normal = place.axes
    low, high = place.faces(u, v)
    in_plane = place.middle_mm + u[..., None] * first + v[..., None] * second
    section = np.ones(u.shape, dtype=bool)
    for height in (low - 0.2, high + 0.2):
        at = in_plane + height[..., None] * normal
        section &= place.outside_mm(np.moveaxis(at, -1, 0)) < 0.0
        if gapped.has_screw:
            along = (at @ place.course)[..., None] * place.course
            section &= np.linalg.norm(at - along, axis=-1) > CREST_MM + gapped.halo_mm
    bridged, left = _crossed(place.neck, u, v, high - low)
    design = np.column_stack([np.ones(int(section.sum())), u[section], v[section]])
    c, a, b = np.linalg.lstsq(design, ((low + high) / 2.0)[section], rcond=None)[0]
    tilted = normal - a * first - b * second
    tilted = tilted / np.linalg.norm(tilted)
    places = in_plane + (c + a * u + b * v)[..., None] * normal
    return Truth(place.middle_mm + c * normal, tilted, places, section, bridged, left)


def _crossed(
    neck: Neck, u: FloatArray, v: FloatArray, gap_mm: FloatArray
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Return where bone goes from face to face, and what lacks between the two sides."""
    t = (np.arange(_HEIGHTS) + 0.5) / _HEIGHTS
    full = np.zeros((_HEIGHTS, *u.shape), dtype=bool)
    for p in neck.pillars:
        full |= ((t > p.low) & (t < p.high))[:, None, None] & (np.hypot(u - p.u_mm, v - p.v_mm) < p.radius_mm)
    from_low = np.cumprod(full, axis=0).sum(axis=0)
    from_high = np.cumprod(full[::-1], axis=0).sum(axis=0)
    lacking = np.maximum(_HEIGHTS - from_low - from_high, 0) / _HEIGHTS
    return full.all(axis=0), gap_mm * lacking


def case(lot: str, number: int) -> Gapped:
    """Return a phantom: the same lot and number always give the same; every third is one before surgery."""
    rng = np.random.default_rng([20261129, ("tuning", "test").index(lot), number])
    slice_mm = rng.choice([0.6, 0.8, 1.0, 1.25, 2.0, 3.0], p=[0.28, 0.22, 0.2, 0.14, 0.08, 0.08])
    scanner = Scanner(
        *(
            float(v)
            for v in (rng.uniform(0.6, 1.4), slice_mm, rng.uniform(0.28, 0.5), rng.uniform(15.0, 60.0))
        )
    )
    common = {
        "bone_hu": float(rng.uniform(180.0, 450.0)),
        "texture_hu": float(rng.choice([40.0, 80.0, 120.0])),
        "cortex_mm": float(rng.choice([0.0, 1.0, 1.8])),
        "cortex_hu": float(rng.uniform(700.0, 1200.0)),
        "scanner": scanner,
        "seed": int(rng.integers(1, 2**31)),
    }
    if number % 3 != 2:
        way = float(rng.uniform(20.0, 65.0)), float(rng.uniform(0.0, 360.0))
        halo_mm = float(rng.choice([0.0, 0.0, rng.uniform(0.3, 1.2)]))
        return Gapped((_neck(rng, inner_mm=CREST_MM + halo_mm),), halo_mm, way, **common)
    way = float(rng.uniform(30.0, 55.0)), float(rng.uniform(5.0, 20.0))
    necks = [_neck(rng, inner_mm=0.0) for _ in range(2)]
    broken = rng.choice(["both", "left", "right", "none"], p=[0.45, 0.2, 0.2, 0.15])
    if broken != "both":
        necks = [
            n if broken == side else replace(n, gap_mm=0.0)
            for n, side in zip(necks, ("left", "right"), strict=True)
        ]
    return Gapped(tuple(necks), 0.0, way, **common)


def _neck(rng: np.random.Generator, inner_mm: float) -> Neck:
    """Return a drawn neck; round a screw it may be whole."""
    gap_mm = float(rng.uniform(0.5, 6.0) if rng.random() < 0.5 else rng.uniform(0.5, 2.5))
    low, high = (5.5, 8.0) if inner_mm else (4.5, 6.5)
    section = float(rng.uniform(low, high)), float(rng.uniform(low, high))
    neck = Neck(
        gap_mm=0.0 if inner_mm and rng.random() < 0.15 else gap_mm,
        tilt_deg=float(rng.uniform(0.0, 40.0)),
        turn_deg=float(rng.uniform(0.0, 360.0)),
        rough_mm=float(rng.choice([0.0, rng.uniform(0.05, 0.25)])),
        wedge_deg=float(rng.choice([0.0, rng.uniform(-8.0, 8.0)])) * min(1.0, gap_mm / 2.0),
        pillar_hu=float(rng.uniform(480.0, 800.0)),
        tissue_hu=float(rng.uniform(40.0, 100.0)),
        dense_mm=float(rng.choice([0.0, rng.uniform(0.5, 1.2)])),
        dense_hu=float(rng.uniform(700.0, 1100.0)),
        section_mm=section,
        seed=int(rng.integers(1, 2**31)),
    )
    return replace(neck, pillars=_pillars(rng, section, inner_mm))


def _pillars(
    rng: np.random.Generator, section_mm: tuple[float, float], inner_mm: float
) -> tuple[Pillar, ...]:
    """Return what stands in a gap: nothing, spurs, chips, bridges, all of these, or bone everywhere."""
    kind = rng.choice(
        ["open", "spurs", "chips", "bridges", "all", "filled"], p=[0.2, 0.17, 0.13, 0.3, 0.14, 0.06]
    )
    if kind == "filled":
        return (Pillar(0.0, 0.0, 40.0),)

    def some(most: int, radius: tuple[float, float], reach: str) -> list[Pillar]:
        out = []
        for _ in range(int(rng.integers(1, most + 1))):
            r, turn = float(rng.uniform(*radius)), float(rng.uniform(0.0, 2.0 * math.pi))
            outer = min(section_mm)
            away = {"outer": outer - 0.5 * r, "inner": (inner_mm + outer) / 2.0, "near": inner_mm + 0.5 * r}[
                str(rng.choice(["outer", "inner", "near"]))
            ]
            low, high = 0.0, 1.0
            if reach == "spur":
                share = float(rng.uniform(0.3, 0.75))
                low, high = (0.0, share) if rng.random() < 0.5 else (1.0 - share, 1.0)
            elif reach == "chip":
                half = float(rng.uniform(0.15, 0.35))
                low, high = 0.5 - half, 0.5 + half
            out.append(Pillar(away * math.cos(turn), away * math.sin(turn), r, low, high))
        return out

    out = some(4, (0.7, 2.0), "spur") if kind in ("spurs", "all") else []
    out += some(3, (0.7, 1.5), "chip") if kind in ("chips", "all") else []
    out += some(4, (0.6, 3.0), "bridge") if kind in ("bridges", "all") else []
    return tuple(out)
