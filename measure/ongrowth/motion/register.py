"""Each body registered on itself between two scans."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform
from ongrowth.motion.blocks import judge_blocks, sides_of_blocks
from ongrowth.motion.fragment import Field, Pictures, find_start, take_field, take_pictures, thinned
from ongrowth.motion.metal import common_ceiling_hu, register_screw
from ongrowth.motion.mixed import MixedFit, fit_mixed
from ongrowth.motion.model import Registered
from ongrowth.motion.picture import take_bones
from ongrowth.motion.rigid import covariance_at, turn_covariance
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import Fit, fit_rigid
from ongrowth.motion.thread import missing_roll_rad, read_thread
from ongrowth.quantity import Caution
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ROUNDS = 3  # of choosing blocks and fitting again
_SEED_SAMPLES, _GROWN_SAMPLES = 12_000, 15_000
_FEWEST_BLOCKS = 6  # below, one bad block would decide
_FEWEST_SAMPLES = 1500
_SYSTEMATIC_MM = 0.005  # interpolation, grid
_SCALE = 0.0005  # how well two scanners agree on a millimetre; common practice, no source
_METAL_AXIAL_MM = 0.010  # blooming of head and tip differs with the kernel
_LEAST_CLARITY = 4.0
_PHASE_U_DEG = 8.0  # of a thread that is just clear


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """Two scans seen from one screw: the finer one is read between its voxels (fixed), the other at its own."""

    fixed: Scan
    moving: Scan
    fixed_frame: ScrewFrame
    moving_frame: ScrewFrame
    radius_mm: float
    pitch_mm: float
    is_fixed_earlier: bool

    @classmethod
    def of(cls, earlier: Scan, later: Scan, earlier_screw: Screw, later_screw: Screw) -> Sight:
        """Return the sight of two scans in which the same screw was found."""
        frames = [ScrewFrame.of(s.head_mm, s.tip_mm) for s in (earlier_screw, later_screw)]
        spec = earlier_screw.spec
        radius = earlier_screw.major_diameter_mm.value / 2.0
        if float(earlier.step_mm.max()) <= float(later.step_mm.max()):
            return cls(earlier, later, frames[0], frames[1], radius, spec.pitch_mm, True)  # noqa: FBT003
        return cls(later, earlier, frames[1], frames[0], radius, spec.pitch_mm, False)  # noqa: FBT003

    @property
    def earlier_frame(self) -> ScrewFrame:
        """Frame of the screw in the earlier scan."""
        return self.fixed_frame if self.is_fixed_earlier else self.moving_frame


def register_fragments(
    sight: Sight, plane: Plane, settings: MotionSettings
) -> tuple[Registered, Registered, RigidTransform]:
    """Register the head side and the tip side, each on its own bone.

    Parameters
    ----------
    sight : Sight
        The two scans.
    plane : Plane
        Of the defect in the earlier scan, its normal from the head side to the tip side.
    settings : MotionSettings
        How it is done.

    Returns
    -------
    Registered, Registered, RigidTransform
        Head side, tip side, and the rough pose (fixed from moving) of all bone together.
    """
    fixed = _pictures(sight.fixed, sight.fixed_frame, settings)
    moving = _pictures(sight.moving, sight.moving_frame, settings)
    coarse = take_field(moving, moving.coarse, sight.moving_frame, settings)
    start = find_start(fixed, moving, sight.fixed_frame, sight.moving_frame, coarse, settings)
    here = plane if not sight.is_fixed_earlier else _carried(plane, start.fixed_from_moving.inverse())
    middle = take_field(moving, moving.middle, sight.moving_frame, settings)
    heights = here.height_mm(middle.samples.places_mm)
    fits = [
        _seeded(fixed, moving, middle, start, (heights < -2.0), settings),
        _seeded(fixed, moving, middle, start, (heights > 2.0), settings),
    ]
    numbers: list[NDArray[np.intp]] = []
    for _ in range(_ROUNDS):
        blocks = [judge_blocks(middle, heights, fixed.middle, fit, moving.middle.normal) for fit in fits]
        chosen = sides_of_blocks(blocks[0], blocks[1], settings)
        numbers = [blocks[0].number[c] for c in chosen]
        fits = [
            _refitted(fixed, moving, middle.only(c[blocks[0].of_sample]), fit)
            for c, fit in zip(chosen, fits, strict=True)
        ]
    fine = take_field(moving, moving.fine, sight.moving_frame, settings)
    clear = fine.radius_mm > sight.radius_mm + settings.halo_margin_mm
    bodies = [
        _final(sight, fixed, moving, fine.only(clear & np.isin(fine.block, number)), fit, body, settings)
        for number, fit, body in zip(numbers, fits, ("head side", "tip side"), strict=True)
    ]
    return bodies[0], bodies[1], start.fixed_from_moving


def _pictures(scan: Scan, frame: ScrewFrame, settings: MotionSettings) -> Pictures:
    ends = np.stack([frame.origin_mm, frame.tip_mm])
    return take_pictures(take_bones(scan, ends, settings.reach_mm + 2.0), settings)


def _carried(plane: Plane, target_from_source: RigidTransform) -> Plane:
    return Plane(target_from_source.apply(plane.point_mm), target_from_source.turn(plane.normal))


def _seeded(
    fixed: Pictures, moving: Pictures, field: Field, start: Fit, side: Mask, settings: MotionSettings
) -> Fit:
    """Register the bone near the screw on one side of the defect."""
    near = field.only(side & (field.radius_mm < settings.seed_radius_mm))
    return _fitted(fixed, moving, thinned(near, _SEED_SAMPLES), start)


def _refitted(fixed: Pictures, moving: Pictures, field: Field, fit: Fit) -> Fit:
    return _fitted(fixed, moving, thinned(field, _GROWN_SAMPLES), fit)


def _fitted(fixed: Pictures, moving: Pictures, field: Field, start: Fit) -> Fit:
    if len(field.block) < _FEWEST_SAMPLES:
        return start
    return fit_rigid(fixed.middle, field.samples, start.fixed_from_moving, moving.middle.normal)


def _final(
    sight: Sight,
    fixed: Pictures,
    moving: Pictures,
    field: Field,
    fit: Fit,
    body: str,
    settings: MotionSettings,
) -> Registered:
    if len(np.unique(field.block)) < _FEWEST_BLOCKS or len(field.block) < _FEWEST_SAMPLES:
        return Registered.missing(body, Caution.NO_BONE)
    few = thinned(field, settings.most_samples)
    few = few.only(np.argsort(few.block, kind="stable"))
    voxel_mm3 = (
        abs(float(np.linalg.det(moving.fine.world_from_voxel[:3, :3]))) * len(field.block) / len(few.block)
    )
    mixed = fit_mixed(
        fixed.fine,
        few.samples,
        few.outward,
        few.block,
        fit.fixed_from_moving,
        fit.appearance,
        moving.fine.normal,
        voxel_mm3,
    )
    return _registered(sight, mixed, body)


def _registered(sight: Sight, fit: MixedFit, body: str) -> Registered:
    """Return a fit as the body's place in both scans, in axes of the earlier one."""
    covariance = fit.covariance + np.diag(np.full(6, 0.0))
    covariance[:3, :3] += _SYSTEMATIC_MM**2 * np.eye(3)
    covariance[3:, 3:] += _SCALE**2 * np.eye(3) / 3.0
    pose, centre, places = fit.fixed_from_moving, fit.centre_mm, fit.places_mm
    if not sight.is_fixed_earlier:
        back = pose.inverse()
        covariance = turn_covariance(covariance, back.rotation)
        pose, centre, places = back, back.apply(centre), back.apply(places)
    growth = fit.growth_mm if sight.is_fixed_earlier else -fit.growth_mm
    return Registered(body, pose, centre, covariance, fit.n_blocks, growth, places)


def register_metal(sight: Sight, start: RigidTransform) -> Registered:
    """Register the screw on itself: all but the roll by the metal's edge, the roll by the thread.

    Parameters
    ----------
    sight : Sight
        The two scans.
    start : RigidTransform
        Rough pose (fixed from moving) of the bone, for the roll.
    """
    fit = register_screw(
        sight.fixed, sight.moving, sight.fixed_frame, sight.moving_frame, sight.radius_mm, start
    )
    axis = sight.fixed_frame.axis_direction
    middle = sight.fixed_frame.world(0.0, 0.0, sight.fixed_frame.length_mm / 2.0)
    covariance = covariance_at(fit.covariance, fit.centre_mm, middle)
    covariance[:3, :3] += _METAL_AXIAL_MM**2 * np.outer(axis, axis)
    roll = _roll_by_thread(sight, fit.fixed_from_moving)
    turn = RigidTransform.from_rotation_vector(roll.turn_rad * axis, np.zeros(3))
    pose = RigidTransform(turn.rotation, middle - turn.rotation @ middle) @ fit.fixed_from_moving
    slide = float(axis @ covariance[:3, :3] @ axis)
    covariance[3:, 3:] += (roll.u_rad**2 + roll.per_mm**2 * slide) * np.outer(axis, axis)
    covariance[:3, 3:] += roll.per_mm * slide * np.outer(axis, axis)
    covariance[3:, :3] += roll.per_mm * slide * np.outer(axis, axis)
    rolled = replace(fit, fixed_from_moving=pose, centre_mm=middle, covariance=covariance)
    return _registered(sight, rolled, "screw")


@dataclass(frozen=True, slots=True)
class _Roll:
    """Turn to be added, rad; its own uncertainty; and how it leans on the place along the screw, rad/mm."""

    turn_rad: float
    u_rad: float
    per_mm: float


def _roll_by_thread(sight: Sight, pose: RigidTransform) -> _Roll:
    ceiling = common_ceiling_hu(sight.fixed, sight.moving)
    there = read_thread(sight.fixed, sight.fixed_frame, sight.radius_mm, ceiling, sight.pitch_mm)
    pitch = sight.pitch_mm if math.isfinite(sight.pitch_mm) else there.pitch_mm
    here = read_thread(sight.moving, sight.moving_frame, sight.radius_mm, ceiling, pitch)
    clarity = min(there.clarity, here.clarity)
    if clarity < _LEAST_CLARITY:
        return _Roll(0.0, math.pi, 0.0)
    turn = missing_roll_rad(there, here, pose, sight.fixed_frame, sight.moving_frame)
    return _Roll(turn, math.radians(_PHASE_U_DEG) * _LEAST_CLARITY / clarity + 0.01, 2.0 * math.pi / pitch)
