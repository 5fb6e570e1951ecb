"""Metal: threaded screws, rods and wires; and the halo round a screw as a field of widths."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.geometry import RigidTransform, unit
from ongrowth_phantoms.shapes import Real, real, smooth_step, turned

Point = tuple[float, float, float]

_CREST_SHARE, _FLANK_SHARE = 0.12, 0.28  # of the pitch; a buttress-free bone thread, invented
_TIP_RADIUS_SHARE = 0.3  # blunt tip


def screw_axes(head_mm: ArrayLike, tip_mm: ArrayLike) -> NDArray[np.float64]:
    """Return the axes of a screw as columns, patient directions (LPS), shape (3, 3).

    Third: head to tip. First: posterior made square to the screw, or cranial where the screw lies
    within 25 degrees of posterior. Second: third x first.

    Parameters
    ----------
    head_mm, tip_mm : array_like, shape (3,)
        Ends of the screw, patient mm (LPS).
    """
    third = unit(np.subtract(tip_mm, head_mm))
    up = (
        np.array([0.0, 0.0, 1.0])
        if abs(third[1]) > math.cos(math.radians(25.0))
        else np.array([0.0, 1.0, 0.0])
    )
    first = unit(up - third * np.dot(up, third))
    return np.stack([first, np.cross(third, first), third], axis=1)


@dataclass(frozen=True, slots=True)
class PhantomScrew:
    """A threaded screw; lengths in mm, points in patient mm (LPS).

    `head_mm` is the head end of the shaft (under the screw head), `tip_mm` the end of the taper; of
    a bent screw they are the ends before bending (`real_tip_mm` is where the tip went). The nominal
    diameters are those of the finished screw: a coating lies inside them. A partly threaded screw
    has `thread_start_mm` > 0 and a `shank_diameter_mm` (NaN: the root diameter); its envelope
    there is the shank. `zero_direction` is where the halo's own angle 0 points (None: by the frame
    rule). `tip_piece` is how the part beyond a break has moved, in the screw's own axes.
    """

    head_mm: Point
    tip_mm: Point
    major_diameter_mm: float = 4.0
    root_diameter_mm: float = 3.0
    pitch_mm: float = 1.5
    taper_mm: float = 3.0
    head_diameter_mm: float = 6.0
    head_height_mm: float = 3.0
    thread_start_mm: float = 0.0
    shank_diameter_mm: float = math.nan
    cannula_diameter_mm: float = 0.0
    coating_mm: float = 0.0
    material: str = "titanium"
    break_depth_mm: float = math.nan
    break_gap_mm: float = 0.0
    tip_piece: RigidTransform | None = None
    bend_depth_mm: float = math.nan
    bend_deg: float = 0.0
    bend_angle_deg: float = 0.0
    thread_phase_deg: float = 0.0
    zero_direction: Point | None = None

    @property
    def length_mm(self) -> float:
        """Length of the shaft from under the head to the tip."""
        return float(np.linalg.norm(np.subtract(self.tip_mm, self.head_mm)))

    @property
    def axes(self) -> NDArray[np.float64]:
        """The screw's own axes as columns, patient directions."""
        if self.zero_direction is None:
            return screw_axes(self.head_mm, self.tip_mm)
        third = unit(np.subtract(self.tip_mm, self.head_mm))
        first = unit(np.array(self.zero_direction) - third * np.dot(self.zero_direction, third))
        return np.stack([first, np.cross(third, first), third], axis=1)

    @property
    def real_tip_mm(self) -> NDArray[np.float64]:
        """Where the tip lies, patient mm, also of a bent screw."""
        if not self.is_bent:
            return np.array(self.tip_mm)
        swung = self._bend_rotation() @ np.array([0.0, 0.0, self.length_mm - self.bend_depth_mm])
        bend = np.array([0.0, 0.0, self.bend_depth_mm])
        return np.asarray(np.array(self.head_mm) + self.axes @ (swung + bend))

    @property
    def is_bent(self) -> bool:
        """Whether the shaft has a kink."""
        return math.isfinite(self.bend_depth_mm) and self.bend_deg != 0.0

    def moved(self, motion: RigidTransform) -> PhantomScrew:
        """Return the screw after a rigid motion; its halo's angle 0 turns with it."""
        head, tip = motion.apply([self.head_mm, self.tip_mm])
        return replace(
            self,
            head_mm=_point(head),
            tip_mm=_point(tip),
            zero_direction=_point(motion.turn(self.axes[:, 0])),
        )

    def local(self, points: Real) -> Real:
        """Return points, shape (N, 3), in the screw's own axes, mm; bend and break are put straight."""
        local = turned(points, self.head_mm, self.axes)
        if self.tip_piece is not None:
            beyond = local[:, 2] > self.break_depth_mm
            local[beyond] = self.tip_piece.inverse().apply(local[beyond]).astype(np.float32)
        if self.is_bent:
            half = self._bend_rotation(0.5)[:, 2].astype(np.float32)
            bend = np.array([0.0, 0.0, self.bend_depth_mm], dtype=np.float32)
            beyond = (local - bend) @ half > 0.0
            local[beyond] = (local[beyond] - bend) @ self._bend_rotation().astype(np.float32) + bend
        return local

    def _bend_rotation(self, share: float = 1.0) -> NDArray[np.float64]:
        from scipy.spatial.transform import Rotation

        a = math.radians(self.bend_angle_deg)
        across = np.array([-math.sin(a), math.cos(a), 0.0])
        return np.asarray(Rotation.from_rotvec(across * math.radians(self.bend_deg * share)).as_matrix())

    def envelope_radius_mm(self, depth_mm: ArrayLike) -> Real:
        """Radius of the surface through the crests where the shaft is cylindrical, mm."""
        depth = np.asarray(depth_mm, dtype=np.float32)
        major = np.float32(self.major_diameter_mm / 2.0)
        shank = self.shank_diameter_mm if math.isfinite(self.shank_diameter_mm) else self.root_diameter_mm
        return np.where(depth < self.thread_start_mm, np.float32(shank / 2.0), major)

    def envelope_distance_mm(self, radius_mm: Real, depth_mm: Real) -> Real:
        """Signed distance from the envelope (cylinder, taper, tip end) at places of the screw's frame."""
        side = radius_mm - self.envelope_radius_mm(depth_mm)
        if self.taper_mm <= 0.0:
            return real(np.maximum(side, depth_mm - np.float32(self.length_mm)))
        major = self.major_diameter_mm / 2.0
        drop = major * (1.0 - _TIP_RADIUS_SHARE)
        slope = math.hypot(drop, self.taper_mm)
        along = depth_mm - np.float32(self.length_mm - self.taper_mm)
        cone = (
            np.float32(self.taper_mm) * (radius_mm - np.float32(major)) + np.float32(drop) * along
        ) / slope
        return real(np.maximum(np.maximum(side, cone), depth_mm - np.float32(self.length_mm)))

    def metal_distance_mm(self, local: Real) -> Real:
        """Signed distance (first order) from the surface of screw and coating, own axes, (N, 3)."""
        x, y, z = local[:, 0], local[:, 1], local[:, 2]
        radius = np.sqrt(x * x + y * y)
        cut, steep = self._thread(radius, np.arctan2(y, x), z)
        shaft = np.maximum(self.envelope_distance_mm(radius, z) + cut, -z - self.head_height_mm / 2.0) / steep
        head = np.maximum(
            radius - np.float32(self.head_diameter_mm / 2.0),
            np.abs(z + np.float32(self.head_height_mm / 2.0)) - np.float32(self.head_height_mm / 2.0),
        )
        body = np.minimum(shaft, head)
        if self.cannula_diameter_mm > 0.0:
            body = np.maximum(body, np.float32(self.cannula_diameter_mm / 2.0) - radius)
        if math.isfinite(self.break_depth_mm):
            body = np.maximum(body, self.break_gap_mm / 2.0 - np.abs(z - np.float32(self.break_depth_mm)))
        return real(body)

    def _thread(self, radius: Real, angle: Real, depth: Real) -> tuple[Real, Real]:
        """Depth of the valley below the envelope, mm, and the length of the surface gradient."""
        height = np.float32((self.major_diameter_mm - self.root_diameter_mm) / 2.0)
        turn = depth / self.pitch_mm - angle / (2.0 * math.pi) - self.thread_phase_deg / 360.0
        away = np.abs(turn - np.round(turn))  # of the pitch, from the middle of the crest: 0..0.5
        rise = (away - _CREST_SHARE / 2.0) / _FLANK_SHARE
        threaded = depth >= self.thread_start_mm
        flank = (rise > 0.0) & (rise < 1.0) & threaded
        cut = np.where(threaded, height * np.clip(rise, 0.0, 1.0), 0.0).astype(np.float32)
        grade_z = height / np.float32(_FLANK_SHARE * self.pitch_mm)
        grade_a = grade_z * np.float32(self.pitch_mm / (2.0 * math.pi)) / np.maximum(radius, 0.5)
        steep = np.where(flank, np.sqrt(1.0 + grade_z**2 + grade_a**2), 1.0).astype(np.float32)
        return cut, steep


@dataclass(frozen=True, slots=True)
class Rod:
    """Other metal: a round rod, wire or piece along a polyline, patient mm (LPS)."""

    points_mm: tuple[Point, ...]
    diameter_mm: float
    material: str = "titanium"
    kind: str = "rod"

    def moved(self, motion: RigidTransform) -> Rod:
        """Return the rod after a rigid motion."""
        return replace(self, points_mm=tuple(_point(p) for p in motion.apply(self.points_mm)))


@dataclass(frozen=True, slots=True, eq=False)
class HaloField:
    """Width of the lucent layer over depth and angle, and what it is made of.

    Parameters
    ----------
    kind : str
        "none", "even", "crescent" (widest at `toward_deg`), "conical-head" or "conical-tip"
        (widening linearly to that end), "patchy", or "table".
    mean_mm : float
        Mean width over the shaft (of the head side where `tip_mean_mm` is given), mm.
    tip_mean_mm : float
        Mean width of the tip side, mm; NaN: the same. Zero on one side makes a one-sided halo.
    toward_deg, lopsided : float
        Direction and strength (0..1) of the crescent.
    boundary_depth_mm, boundary_tilt : float, pair of float
        Where the head side ends: depth on the axis, and its slope (mm per mm) along the screw's
        first and second axis.
    layer_hu, rim_mm, rim_hu : float
        CT number of the layer; thickness and CT number of a dense rim in the bone behind it.
    table_mm : ndarray, shape (D, S), optional
        Widths of kind "table", over depth 0..length and angle 0..360, periodic.
    seed : int
        Fixes the patches.
    """

    kind: str = "none"
    mean_mm: float = 0.0
    tip_mean_mm: float = math.nan
    toward_deg: float = 0.0
    lopsided: float = 1.0
    boundary_depth_mm: float = math.inf
    boundary_tilt: tuple[float, float] = (0.0, 0.0)
    layer_hu: float = 70.0
    rim_mm: float = 0.0
    rim_hu: float = 800.0
    table_mm: NDArray[np.float64] | None = None
    seed: int = 0

    def width_mm(
        self, depth_mm: ArrayLike, angle_deg: ArrayLike, length_mm: float, radius_mm: float = 2.0
    ) -> Real:
        """Return widths at depths and angles (broadcast) of a screw of that length and radius, mm."""
        depth, angle = np.broadcast_arrays(
            np.asarray(depth_mm, np.float32), np.radians(np.asarray(angle_deg, np.float32))
        )
        if self.kind == "none":
            return np.zeros(depth.shape, dtype=np.float32)
        share = np.clip(depth / np.float32(length_mm), 0.0, 1.0)
        shape = self._shape(real(share), real(angle), length_mm)
        return (self._level(depth, angle, radius_mm) * shape).astype(np.float32)

    def _level(self, depth: Real, angle: Real, radius_mm: float) -> Real | np.float32:
        if math.isnan(self.tip_mean_mm):
            return np.float32(self.mean_mm)
        tilt = radius_mm * (self.boundary_tilt[0] * np.cos(angle) + self.boundary_tilt[1] * np.sin(angle))
        tip = smooth_step((depth - self.boundary_depth_mm - tilt) / 0.4 + 0.5)
        return np.float32(self.mean_mm) * (1.0 - tip) + np.float32(self.tip_mean_mm) * tip

    def _shape(self, share: Real, angle: Real, length_mm: float) -> Real:
        """Width over its mean."""
        if self.kind == "even":
            return np.ones_like(share)
        if self.kind == "crescent":
            toward = np.float32(math.radians(self.toward_deg))
            return real(1.0 + np.float32(self.lopsided) * np.cos(angle - toward))
        if self.kind == "conical-head":
            return 2.0 * (1.0 - share)
        if self.kind == "conical-tip":
            return 2.0 * share
        if self.kind == "patchy":
            return _patches(self.seed, share, angle, length_mm)
        if self.kind == "table" and self.table_mm is not None:
            return _table(self.table_mm, share, angle) / np.float32(self.mean_mm or 1.0)
        raise ValueError(f"no halo of kind {self.kind!r}")


def _patches(seed: int, share: Real, angle: Real, length_mm: float) -> Real:
    """Random patches, a few mm long and wide, of mean about 1 and never below 0."""
    rng = np.random.default_rng(seed)
    total = np.zeros_like(share)
    for order in range(4):
        for _ in range(3):
            waves = rng.uniform(0.5, length_mm / 8.0)
            phase = rng.uniform(0.0, 2.0 * math.pi, 2)
            total += (
                rng.normal()
                * np.cos(order * angle + phase[0])
                * np.cos(2 * math.pi * waves * share + phase[1])
            )
    # 12 terms of variance 1/4 (1/2 for order 0): SD 1.94; the mean of max(0, 1 + 1.2 n) is 1.13
    return real(np.maximum(0.0, 1.0 + 1.2 * total / 1.94) / np.float32(1.13))


def _table(table_mm: NDArray[np.float64], share: Real, angle: Real) -> Real:
    from scipy.ndimage import map_coordinates

    table = np.asarray(table_mm, dtype=np.float32)
    closed = np.concatenate([table, table[:, :1]], axis=1)
    where = [share * (table.shape[0] - 1), (angle / (2 * math.pi) % 1.0) * table.shape[1]]
    return np.asarray(map_coordinates(closed, where, order=1, mode="nearest"), dtype=np.float32)


def _point(values: ArrayLike) -> Point:
    x, y, z = np.asarray(values, dtype=np.float64)
    return float(x), float(y), float(z)
