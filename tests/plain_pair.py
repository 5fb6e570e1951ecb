"""Pairs of CTs of screw and bone that share nothing with the code, nor with the phantoms it was made on.

Bone of irregular outline, drawn on a fine grid and blurred by a Gaussian. Between two CTs the patient lies
anew and every body may have moved by a pose that is told. Frame of a patient: the middle of the shaft at
zero, its axis along z from head to tip. Poses are 4 x 4 matrices, mm.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from plain_phantom import (
    CEILING_HU,
    CREST_MM,
    DENSE_HU,
    GAP_HU,
    LAYER_HU,
    LENGTH_MM,
    METAL_HU,
    SOFT_HU,
    outside_metal_mm,
)
from scipy import ndimage
from scipy.spatial.transform import Rotation

from ongrowth.scan import Scan

Real = NDArray[np.float32]
Pose = NDArray[np.float64]

_FINE_MM, _HALF_MM = 0.3, 32.0
_NEW_HU, _FAT_HU = 550.0, -90.0
_AROUND_MM = 5.0  # of the gap
_NEAR_MM = 3.0  # of a surface before it is made uneven


def placed(turn_deg: tuple[float, ...], shift_mm: tuple[float, ...], about: tuple[float, ...]) -> Pose:
    """Return the pose of a turn about a point by a rotation vector, then a shift."""
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec(turn_deg, degrees=True).as_matrix()
    pose[:3, 3] = np.array(about) - pose[:3, :3] @ np.array(about) + np.array(shift_mm)
    return pose


STILL = placed((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Patient:
    """Bone on both sides of a slit, and a neighbour beyond a joint.

    With `is_round` the tip side is almost a ball.
    """

    seed: int
    is_round: bool = False
    gap_mm: float = 2.0
    gap_at_mm: float = 0.0
    bone_hu: float = 280.0
    texture_hu: float = 80.0
    cortex_mm: float = 1.2
    has_rims: bool = True


@dataclass(frozen=True, slots=True)
class Look:
    """How a CT is made, and how the patient lies in it (`world_from_patient`, a pose)."""

    world_from_patient: Pose
    fwhm_mm: float = 0.8
    overshoot: float = 0.0
    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    noise_hu: float = 30.0
    gain: float = 1.0  # of all but metal: tube voltage
    seed: int = 0


@dataclass(frozen=True, slots=True)
class State:
    """What has changed since the first CT: poses in the frame of the patient, bone and its bed."""

    head: Pose = field(default_factory=lambda: STILL)
    tip: Pose = field(default_factory=lambda: STILL)
    screw: Pose = field(default_factory=lambda: STILL)
    has_screw: bool = True
    tip_piece: Pose | None = None  # of a screw that is broken
    break_mm: float = 0.0  # from the middle of the shaft
    crack_mm: float = 0.7
    neighbour: Pose = field(default_factory=lambda: STILL)
    halo_mm: tuple[float, float] = (0.0, 0.0)
    renewed: float = 0.0  # share of the variance of the texture that is new
    growth_mm: float = 0.0  # of all surfaces, on average; uneven by half of it
    bridge_deg: float = 0.0  # sector of the slit that bone has filled
    callus_mm: float = 0.0  # radius of a lump beside the slit


FIRST = State()


def drawn(patient: Patient, state: State, look: Look) -> Scan:
    """Return a CT, clipped as scanners clip."""
    rng = np.random.default_rng([look.seed, 1])
    middle = look.world_from_patient[:3, 3] + rng.uniform(-0.5, 0.5, 3)
    fine = _fine(patient, state, look, middle)
    spread = look.fwhm_mm / 2.355 / _FINE_MM
    along = max(1.1 * look.slice_mm, 0.8) / 2.355 / _FINE_MM
    fine = ndimage.gaussian_filter(fine, (along, spread, spread))
    if look.overshoot:
        fine += look.overshoot * (fine - ndimage.gaussian_filter(fine, (0.0, 1.5 * spread, 1.5 * spread)))
    step = np.array([look.slice_mm, look.pixel_mm, look.pixel_mm])
    n = (2.0 * (_HALF_MM - 2.0) / step).astype(int)
    first = -(n - 1) / 2.0 * step
    grid = np.meshgrid(*(a + b * np.arange(c) for a, b, c in zip(first, step, n, strict=True)), indexing="ij")
    hu = ndimage.map_coordinates(fine, [(g + _HALF_MM) / _FINE_MM for g in grid], order=1)
    noise = ndimage.gaussian_filter(rng.standard_normal(hu.shape, dtype=np.float32), (0.4, 0.6, 0.6))
    hu = np.clip(hu + look.noise_hu / noise.std() * noise, -1024.0, CEILING_HU)
    world_from_voxel = np.eye(4)
    world_from_voxel[:3, :3] = np.fliplr(np.diag(step[::-1]))
    world_from_voxel[:3, 3] = first[::-1] + middle
    return Scan(np.round(hu).astype(np.int16), world_from_voxel, hu_ceiling=CEILING_HU)


@dataclass(frozen=True, slots=True)
class _Canvas:
    """CT numbers on the fine grid, and where its voxels lie: along z, y, x."""

    hu: Real
    axes: tuple[Real, Real, Real]

    @classmethod
    def about(cls, middle: Pose) -> _Canvas:
        axis = np.arange(-_HALF_MM, _HALF_MM, _FINE_MM)
        z, y, x = (axis + c for c in middle[::-1])
        return cls(np.full((len(axis),) * 3, SOFT_HU, dtype=np.float32), (z, y, x))

    def near(
        self, world_from_body: Pose, outside_mm: Callable[[Real], Real]
    ) -> tuple[NDArray[np.intp], Real]:
        """Return which voxels lie in or at a body, and where in its own frame."""
        every = 4
        few = np.meshgrid(*(a[::every] for a in self.axes), indexing="ij")
        away = outside_mm(_back(world_from_body, few[::-1]))
        mask = away.reshape(few[0].shape) < _NEAR_MM + 0.9 * every * _FINE_MM * np.sqrt(3.0)
        for k, n in enumerate(self.hu.shape):
            mask = np.repeat(mask, every, axis=k).take(np.arange(n), axis=k)
        index = np.nonzero(mask)
        q = _back(world_from_body, [a[i] for a, i in zip(self.axes[::-1], index[::-1], strict=True)])
        return np.flatnonzero(mask), q

    def lay(self, where: NDArray[np.intp], hu: Real | float, share: Real) -> None:
        """Lay a body over what is there."""
        flat = self.hu.reshape(-1)
        flat[where] += (hu - flat[where]) * share


def _back(world_from_body: Pose, xyz: list[Real]) -> Real:
    places = np.stack([np.ravel(c) for c in xyz])
    back = np.linalg.inv(world_from_body)
    return np.asarray(back[:3, :3] @ places + back[:3, 3:], dtype=np.float32)


def _fine(patient: Patient, state: State, look: Look, middle: Pose) -> Real:
    world, shape, canvas = look.world_from_patient, _Shape.of(patient), _Canvas.about(middle)
    canvas.hu[:] += (_FAT_HU - SOFT_HU) * _fat_share(look, canvas.hu.shape)
    where, q = canvas.near(world @ state.neighbour, shape.neighbour_mm)
    away = shape.neighbour_mm(q) + _uneven_mm(patient, q, 40)
    canvas.lay(where, _bone(patient, state, look, q, away), _share(away))
    where, q = canvas.near(world @ state.head, shape.union_mm)
    canvas.lay(where, GAP_HU, _share(np.maximum(_uncut_mm(patient, q), _from_slit_mm(patient, q))))
    for side, pose in ((1.0, state.tip), (-1.0, state.head)):
        where, q = canvas.near(world @ pose, shape.union_mm)
        canvas.lay(where, *_fragment(patient, state, look, side, q))
    canvas.hu[:] = SOFT_HU + look.gain * (canvas.hu - SOFT_HU)
    for pose, low, high in _pieces(state):
        where, (u, v, s) = canvas.near(
            world @ pose, lambda q: np.maximum(np.hypot(*q[:2]) - 4.0, np.abs(q[2]) - 28.0)
        )
        canvas.lay(
            where, METAL_HU, _share(np.maximum(outside_metal_mm(u, v, s), np.maximum(low - s, s - high)))
        )
    return canvas.hu


def _fat_share(look: Look, shape: tuple[int, ...]) -> Real:
    """Return where fat lies in the soft tissue: anew in each CT."""
    every = 4
    white = np.random.default_rng([look.seed, 9]).standard_normal([n // every + 2 for n in shape])
    smooth = ndimage.gaussian_filter(white.astype(np.float32), 3.0 / (every * _FINE_MM))
    fat = np.clip(2.0 * smooth / smooth.std() - 2.6, 0.0, 1.0)
    fine = ndimage.zoom(fat, every, order=1)
    return np.asarray(fine[tuple(slice(n) for n in shape)])


def _held_by(state: State, side: float) -> Pose:
    return state.tip_piece if side > 0.0 and state.tip_piece is not None else state.screw


def _pieces(state: State) -> list[tuple[Pose, float, float]]:
    if not state.has_screw:
        return []
    if state.tip_piece is None:
        return [(state.screw, -np.inf, np.inf)]
    half = state.crack_mm / 2.0
    return [
        (state.screw, -np.inf, state.break_mm - half),
        (state.tip_piece, state.break_mm + half, np.inf),
    ]


def _fragment(patient: Patient, state: State, look: Look, side: float, q: Real) -> tuple[Real, Real]:
    """Return bone of one side of the slit (-1.0: head, 1.0: tip), with its bed and new bone."""
    before = _uncut_mm(patient, q)
    beyond = patient.gap_mm / 2.0 - side * _height_mm(patient, q)
    hu = _bone(patient, state, look, q, np.maximum(before, beyond) if patient.has_rims else before)
    share = _share(np.maximum(before - _growth_mm(patient, state, q), beyond))
    new = new_share(patient, state, q, before) * _share(beyond - patient.gap_mm / 2.0)  # as far as the middle
    hu, share = share * hu + (1.0 - share) * _NEW_HU, np.maximum(share, new)
    halo_mm, own = state.halo_mm[0 if side < 0.0 else 1], state.head if side < 0.0 else state.tip
    if halo_mm > 0.0 or not np.allclose(own, _held_by(state, side)):
        bed = _share(np.hypot(q[0], q[1]) - CREST_MM - halo_mm) * (np.abs(q[2]) < LENGTH_MM / 2.0)
        hu = hu + (LAYER_HU - hu) * bed
    return hu, share


def _uncut_mm(patient: Patient, q: Real) -> Real:
    """Return how far places lie outside the bone as it would be without the slit."""
    return _Shape.of(patient).union_mm(q) + _uneven_mm(patient, q, 0)


def _from_slit_mm(patient: Patient, q: Real) -> Real:
    return np.abs(_height_mm(patient, q)) - patient.gap_mm / 2.0


def new_share(patient: Patient, state: State, q: Real, before: Real) -> Real:
    """Return the share of new bone but the film; `before`: how far places lay outside the bone."""
    slit = _from_slit_mm(patient, q)
    way = float(np.random.default_rng([patient.seed, 5]).uniform(-np.pi, np.pi))
    new = np.zeros(before.shape, dtype=np.float32)
    if state.bridge_deg:
        angle = np.abs((np.arctan2(q[1], q[0]) - way + np.pi) % (2.0 * np.pi) - np.pi)
        radius = np.hypot(q[0], q[1])
        sector = np.maximum((angle - np.radians(state.bridge_deg) / 2.0) * radius, CREST_MM + 1.5 - radius)
        new = _share(np.maximum(np.maximum(sector, before), slit))
    if state.callus_mm:
        middle = _surface_place(patient, way + 0.5)
        lump = np.sqrt(sum((c - m) ** 2 for c, m in zip(q, middle, strict=True))) - state.callus_mm
        new = np.maximum(new, _share(lump) * _share(-before))
    return new


def _surface_place(patient: Patient, way: float) -> Pose:
    """Return where a ray across the axis leaves the bone, at the slit."""
    radius = np.arange(3.0, 20.0, 0.1)
    q = np.stack([radius * np.cos(way), radius * np.sin(way), np.full(radius.shape, patient.gap_at_mm)])
    q = q.astype(np.float32)
    away = _uncut_mm(patient, q)
    return np.asarray(q[:, np.argmax(away > 0.0)], dtype=np.float64)


def _bone(patient: Patient, state: State, look: Look, q: Real, away: Real) -> Real:
    """Return the CT numbers of bone under a surface: cortex of uneven thickness, and texture."""
    old, new = (_grain(seed, q) for seed in (patient.seed, look.seed + 7919))
    texture = np.sqrt(1.0 - state.renewed) * old + np.sqrt(state.renewed) * new if state.renewed else old
    thick = np.maximum(patient.cortex_mm * (1.0 + 0.3 * _smooth(patient.seed, 20, q, 2.5)), 0.3)
    dense = _share(-away - thick)
    hu = patient.bone_hu + (DENSE_HU - patient.bone_hu) * dense
    return np.asarray(hu + patient.texture_hu * texture, dtype=np.float32)


def _growth_mm(patient: Patient, state: State, q: Real) -> Real:
    if not state.growth_mm:
        return np.float32(0.0)  # type: ignore[return-value]
    """Return how far a surface has grown; what lies under it stays."""
    return np.maximum(state.growth_mm * (1.0 + 0.5 * _smooth(patient.seed, 30, q, 3.0)), 0.0)


def _uneven_mm(patient: Patient, q: Real, key: int) -> Real:
    """Return how far a surface lies below the smooth one."""
    size = 0.1 if patient.is_round else 0.5
    broad, narrow = _smooth(patient.seed, key + 1, q, 2.5), _smooth(patient.seed, key + 2, q, 1.2)
    if patient.is_round:  # the head side is as in the others
        size = np.where(q[2] < patient.gap_at_mm, 0.5, 0.1)
    return np.asarray(size * broad + 0.4 * size * narrow, dtype=np.float32)


def _height_mm(patient: Patient, q: Real) -> Real:
    normal = slit_normal(patient)
    return np.asarray(q[0] * normal[0] + q[1] * normal[1] + (q[2] - patient.gap_at_mm) * normal[2])


def slit_normal(patient: Patient) -> Pose:
    """Return the normal of the slit, from head to tip."""
    rng = np.random.default_rng([patient.seed, 4])
    tilt, way = np.radians(rng.uniform(0.0, 20.0)), rng.uniform(0.0, 2.0 * np.pi)
    return np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), np.cos(tilt)])


@dataclass(frozen=True, slots=True)
class _Shape:
    """Rods and balls (ends, radius) whose union bone is, before its surface is made uneven."""

    parts: tuple[tuple[tuple[float, ...], tuple[float, ...], float], ...]
    neighbours: tuple[tuple[tuple[float, ...], tuple[float, ...], float], ...]

    @classmethod
    @functools.lru_cache(maxsize=64)
    def of(cls, patient: Patient) -> _Shape:
        rng = np.random.default_rng([patient.seed, 3])

        def rod(a: tuple[float, ...], b: tuple[float, ...], radius: float) -> tuple[tuple[float, ...], ...]:
            off = rng.normal(0.0, 1.3, (2, 3))
            ends = (tuple(float(c) for c in np.array(e) + o) for e, o in zip((a, b), off, strict=True))
            return (*ends, float(radius * rng.uniform(0.85, 1.15)))  # type: ignore[return-value]

        end = LENGTH_MM / 2.0
        head = [
            rod((-3.0, 2.0, -end + 6.0), (5.0, -1.0, -end + 5.0), 7.0),  # lamina
            rod((-4.0, 4.0, -end + 2.0), (-15.0, 9.0, -end + 2.0), 4.5),  # process
            rod((3.0, -3.0, -end + 8.0), (11.0, -9.0, -end + 2.0), 4.5),  # facet
        ]
        tip = [
            rod((0.0, -2.0, end - 8.0), (3.0, -4.0, end - 2.0), 9.0),  # body
            rod((2.0, 4.0, 9.0), (10.0, 9.0, 14.0), 4.5),  # facet
            rod((-3.0, -2.0, 11.0), (-15.0, -6.0, 13.0), 4.0),  # transverse process
        ]
        neck = ((-0.5, 0.5, -end + 5.0), (0.5, 0.0, end - 6.0), float(rng.uniform(6.0, 7.5)))
        if patient.is_round:
            tip = [((0.0, 0.0, end - 8.0), (0.0, 0.0, end - 7.9), 11.0)]
        beside = [
            rod((15.0, -15.0, -end - 2.0), (21.0, -9.0, -end + 8.0), 5.5),
            rod((14.0, 15.0, 10.0), (20.0, 10.0, 20.0), 5.5),
        ]
        return cls((neck, *head, *tip), tuple(beside))

    def union_mm(self, q: Real) -> Real:
        return functools.reduce(np.minimum, (_rod_mm(q, *part) for part in self.parts))

    def neighbour_mm(self, q: Real) -> Real:
        """Return the distance from the neighbour, which keeps a joint's width from the bone."""
        beside = functools.reduce(np.minimum, (_rod_mm(q, *part) for part in self.neighbours))
        return np.maximum(beside, 1.8 - self.union_mm(q))


def _rod_mm(q: Real, a: tuple[float, ...], b: tuple[float, ...], radius: float) -> Real:
    start, course = (
        np.array(a, dtype=np.float32),
        np.array(b, dtype=np.float32) - np.array(a, dtype=np.float32),
    )
    away = [c - s for c, s in zip(q, start, strict=True)]
    along = sum(c * d for c, d in zip(away, course, strict=True)) / np.float32(course @ course)
    along = np.clip(along, 0.0, 1.0)
    return np.asarray(np.sqrt(sum((c - along * d) ** 2 for c, d in zip(away, course, strict=True))) - radius)


def _share(outside_mm: Real) -> Real:
    return np.clip(0.5 - outside_mm / np.float32(_FINE_MM), 0.0, 1.0)


def _smooth(seed: int, key: int, q: Real, spread_mm: float) -> Real:
    """Return a random field of mean 0 and standard deviation 1, smooth over so much, at places (3, N)."""
    return _read(
        _field(seed, key, spread_mm, 0.6 if spread_mm < 2.0 else 1.0), q, 0.6 if spread_mm < 2.0 else 1.0
    )


def _grain(seed: int, q: Real) -> Real:
    return _read(_field(seed, 0, 0.5, 0.35), q, 0.35)


@functools.lru_cache(maxsize=24)
def _field(seed: int, key: int, spread_mm: float, step_mm: float) -> Real:
    n = round(64.0 / step_mm)
    white = np.random.default_rng([seed, 100 + key]).standard_normal((n, n, n), dtype=np.float32)
    smooth = ndimage.gaussian_filter(white, spread_mm / step_mm, mode="wrap")
    return np.asarray((smooth - smooth.mean()) / smooth.std(), dtype=np.float32)


def _read(values: Real, q: Real, step_mm: float) -> Real:
    return np.asarray(
        ndimage.map_coordinates(values, q / step_mm, order=1, mode="grid-wrap"), dtype=np.float32
    )


def earlier_from_later(pose: Pose, first: Look, second: Look) -> Pose:
    """Return by which pose a body of the second CT is laid on itself in the first."""
    return first.world_from_patient @ np.linalg.inv(second.world_from_patient @ pose)


def seen_from(fixed: Pose, moving: Pose, first: Look) -> Pose:
    """Return how a body was displaced as seen from another, in the world of the first CT."""
    world = first.world_from_patient
    return world @ np.linalg.inv(fixed) @ moving @ np.linalg.inv(world)


def new_bone_mm3(patient: Patient, state: State, step_mm: float = 0.3) -> dict[str, float]:
    """Return the true new bone, film counted: between the faces, within 5 mm of that, and elsewhere."""
    axis = np.arange(-24.0, 24.0, step_mm, dtype=np.float32)
    q = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"))
    flat = q.reshape(3, -1)
    union = _Shape.of(patient).union_mm(flat)
    near = np.flatnonzero(union < _NEAR_MM + state.callus_mm)
    before = np.full(len(union), 99.0, dtype=np.float32)
    before[near] = _uncut_mm(patient, flat[:, near])
    slit = _from_slit_mm(patient, flat)
    gap = ((before < 0.0) & (slit < 0.0)).reshape(q.shape[1:])
    away = ndimage.distance_transform_edt(~gap, sampling=step_mm).reshape(-1)
    new = np.zeros(len(union), dtype=np.float32)
    new[near] = new_share(patient, state, flat[:, near], before[near])
    film = _share(before - _growth_mm(patient, state, flat)) - _share(before)
    new = np.maximum(new, film * (slit > 0.0))
    cell = step_mm**3
    return {
        "in": float(new[gap.reshape(-1)].sum() * cell),
        "around": float(new[(away > 0.0) & (away <= _AROUND_MM)].sum() * cell),
        "elsewhere": float(new[away > _AROUND_MM].sum() * cell),
    }
