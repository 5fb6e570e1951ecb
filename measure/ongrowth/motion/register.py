"""Each body registered on itself between two scans."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform
from ongrowth.motion.blocks import Blocks, judge_blocks, sides_of_blocks
from ongrowth.motion.fragment import Field, Ground, find_ground, find_start, take_field, thinned
from ongrowth.motion.metal import WHOLE, bloom_mm, common_ceiling_hu, find_break_mm, register_screw
from ongrowth.motion.mixed import MixedFit, fit_mixed
from ongrowth.motion.model import Registered
from ongrowth.motion.picture import Bones, Picture, Spline, smooth_bones, splined, take_bones
from ongrowth.motion.rigid import covariance_at, turn_covariance
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.solve import START, Fit, Start, blur_between
from ongrowth.motion.thread import missing_roll_rad, read_thread
from ongrowth.quantity import Caution
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ROUNDS = 3  # of choosing blocks and fitting again
_GROWN_SAMPLES = 15_000
_QUICK_ROUNDS, _FINAL_ROUNDS = 4, 8
_CLEAR_OF_GAP_MM = 2.0
_FEWEST_BLOCKS = 6  # below, one bad block would decide
_FEWEST_SAMPLES = 1500
_SYSTEMATIC_MM = 0.005  # interpolation, grid
_SCALE = 0.0005  # how well two scanners agree on a millimetre; common practice, no source
# Blooming of the metal differs with kernel, slice and what lies beside it; a piece of a broken screw has only
# one end, whose bloom nothing cancels: it is off by one to three times what the radius of the shaft differs
# by between the scans. From phantoms (tuning half, and plain bone).
_METAL_MM, _ONE_END_MM, _END_SHARE = 0.012, 0.050, 1.5
_CLEAR_OF_ENDS_MM, _LEAST_SHAFT_MM = 5.0, 2.0  # where that radius is read
# A rigid head in slices of 2.5 mm, gantry tilted, seemed bent by 0.3 mm: tests/truth/test_motion_head.py
_STEP_SHARE, _THIN_MM, _UPRIGHT = 0.1, 1.0, 0.9998
_LEAST_CLARITY = 4.0
_CLEAR_OF_BREAK_MM = 1.5  # blur of the broken ends
# Blocks of a whole screw lie on one pose to 0.005 mm, those of pieces that moved apart by 0.5 mm are 0.12 mm
# and more off it (plain bone, tuning half). The second: how well the place of a break shows.
_RIGID_MM, _BREAK_U_MM = 0.06, 1.0
_PHASE_U_DEG = 6.0  # of a thread that is just clear
_ANY_ROLL_RAD = math.pi / math.sqrt(3.0)  # spread of an angle of which nothing is known


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """Two scans of one screw: the finer is read between its voxels (fixed), the other at its own (moving)."""

    fixed: Scan
    moving: Scan
    fixed_frame: ScrewFrame
    moving_frame: ScrewFrame
    radius_mm: float
    pitch_mm: float
    is_fixed_earlier: bool
    break_mm: float = math.nan  # depth at which the shaft is in two pieces
    break_u_mm: float = 0.0  # how well that is known

    @classmethod
    def of(cls, earlier: Scan, later: Scan, earlier_screw: Screw, later_screw: Screw) -> Sight:
        """Return the sight of two scans in which the same screw was found."""
        frames = [ScrewFrame.of(s.head_mm, s.tip_mm) for s in (earlier_screw, later_screw)]
        spec = earlier_screw.spec
        radius = earlier_screw.major_diameter_mm.value / 2.0
        broken = next((s.integrity for s in (later_screw, earlier_screw) if _is_broken(s)), None)
        is_finer = float(earlier.step_mm.max()) <= float(later.step_mm.max())
        scans = (earlier, later) if is_finer else (later, earlier)
        frames = frames if is_finer else frames[::-1]
        at_mm = broken.at_depth_mm if broken else math.nan
        return cls(scans[0], scans[1], frames[0], frames[1], radius, spec.pitch_mm, is_finer, at_mm)

    @property
    def pairs(self) -> tuple[tuple[Scan, ScrewFrame], tuple[Scan, ScrewFrame]]:
        """Fixed and moving scan, each with the frame of the screw."""
        return (self.fixed, self.fixed_frame), (self.moving, self.moving_frame)

    @property
    def is_broken(self) -> bool:
        """Whether one of the scans shows the shaft interrupted."""
        return math.isfinite(self.break_mm)

    def span_mm(self, part: str) -> tuple[float, float]:
        """Return the depths of a part of the screw: "whole", "head piece" or "tip piece"."""
        clear_mm = _CLEAR_OF_BREAK_MM + self.break_u_mm
        before, beyond = self.break_mm - clear_mm, self.break_mm + clear_mm
        return {"whole": WHOLE, "head piece": (-math.inf, before), "tip piece": (beyond, math.inf)}[part]

    @property
    def step_u_mm(self) -> float:
        """How well the steps of the table place the slices, both scans together."""
        return math.hypot(_step_u_mm(self.fixed), _step_u_mm(self.moving))

    @property
    def earlier_frame(self) -> ScrewFrame:
        """Frame of the screw in the earlier scan."""
        return self.fixed_frame if self.is_fixed_earlier else self.moving_frame


def _step_u_mm(scan: Scan) -> float:
    """Slices taken one by one lie where the table stopped; thin untilted ones come from a spiral."""
    along = scan.world_from_voxel[:3, 0] / scan.step_mm[0]
    is_tilted = abs(float(along @ scan.slice_normal)) < _UPRIGHT
    coarse_mm = max(scan.slice_gap_mm - _THIN_MM, 0.0)
    return _STEP_SHARE * coarse_mm if is_tilted or scan.slice_gap_mm > 2.0 * _THIN_MM else 0.0


def _is_broken(screw: Screw) -> bool:
    return screw.integrity.state == "interrupted" and math.isfinite(screw.integrity.at_depth_mm)


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
    fixed, moving = (_bones(s, f, settings) for s, f in sight.pairs)
    level = smooth_bones(moving, settings.middle_mm)
    ground = find_ground(moving, level, settings)
    start = _started(sight, fixed, moving, ground, settings)
    here = plane if not sight.is_fixed_earlier else plane.moved(start.fixed_from_moving.inverse())
    field = take_field(ground, level, sight.moving_frame, settings)
    heights = here.height_mm(field.samples.places_mm)
    sides = _grown(splined(smooth_bones(fixed, settings.middle_mm)), level, field, heights, start, settings)
    head, tip = _finished(sight, fixed, moving, ground, sides, settings)
    return head, tip, start.fixed_from_moving


def _bones(scan: Scan, frame: ScrewFrame, settings: MotionSettings) -> Bones:
    ends = np.stack([frame.origin_mm, frame.tip_mm])
    return take_bones(scan, ends, settings.reach_mm + 2.0)


def _started(sight: Sight, fixed: Bones, moving: Bones, ground: Ground, settings: MotionSettings) -> Fit:
    """Return the rough pose of all bone together."""
    there = splined(smooth_bones(fixed, settings.coarse_mm))
    here = smooth_bones(moving, settings.coarse_mm)
    field = take_field(ground, here, sight.moving_frame, settings)
    return find_start(there, here.normal, sight.fixed_frame, sight.moving_frame, field, settings)


def _finished(
    sight: Sight, fixed: Bones, moving: Bones, ground: Ground, sides: list[_Side], settings: MotionSettings
) -> tuple[Registered, Registered]:
    """Return both sides registered at the finest level."""
    more, less = _evened(sides, sight)
    there = splined(smooth_bones(fixed, settings.fine_mm, more))
    here = smooth_bones(moving, settings.fine_mm, less)
    field = take_field(ground, here, sight.moving_frame, settings)
    field = field.only(field.radius_mm > sight.radius_mm + settings.halo_margin_mm)
    head, tip = (
        _final(sight, there, here, field.only(np.isin(field.block, side.blocks)), side.fit, body, settings)
        for side, body in zip(sides, ("head side", "tip side"), strict=True)
    )
    return head, tip


def _evened(sides: list[_Side], sight: Sight) -> tuple[FloatArray, FloatArray]:
    """Return by how much each scan is to be blurred, own axes, for the two to look alike."""
    fits = [side.fit for side in sides if side.fit]
    if not fits:
        return np.zeros((3, 3)), np.zeros((3, 3))
    pose = fits[0].fixed_from_moving
    look = np.average([f.appearance for f in fits], axis=0, weights=[f.n_blocks for f in fits])
    more, less = blur_between(look, sight.fixed.slice_normal, pose.turn(sight.moving.slice_normal))
    return more, pose.rotation.T @ less @ pose.rotation


def _grown(
    fixed: Spline, moving: Picture, field: Field, heights: FloatArray, start: Fit, settings: MotionSettings
) -> list[_Side]:
    """Choose the blocks of each side and fit again, a few times, from the bone near the screw outward."""
    near = field.radius_mm < settings.seed_radius_mm
    sides = [
        _side(fixed, moving, field, near & (heights < -_CLEAR_OF_GAP_MM), start),
        _side(fixed, moving, field, near & (heights > _CLEAR_OF_GAP_MM), start),
    ]
    for _ in range(_ROUNDS):
        if not all(side.fit for side in sides):
            return sides
        blocks = [_judged(fixed, moving, field, heights, side.fit) for side in sides if side.fit]
        chosen = sides_of_blocks(blocks[0], blocks[1], settings)
        sides = [
            _side(fixed, moving, field, c[blocks[0].of_sample], side.fit or start)
            for c, side in zip(chosen, sides, strict=True)
        ]
    return sides


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """The blocks of one fragment and their fit; None if there are too few."""

    blocks: NDArray[np.intp]
    fit: MixedFit | None


def _side(fixed: Spline, moving: Picture, field: Field, chosen: Mask, start: Start) -> _Side:
    own = field.only(chosen)
    numbers = np.unique(own.block)
    if len(numbers) < _FEWEST_BLOCKS or len(own.block) < _FEWEST_SAMPLES:
        return _Side(numbers, None)
    return _Side(numbers, _fitted(fixed, moving, own, start, _GROWN_SAMPLES, _QUICK_ROUNDS))


def _judged(fixed: Spline, moving: Picture, field: Field, heights: FloatArray, fit: MixedFit) -> Blocks:
    return judge_blocks(field, heights, fixed, fit, moving.normal, moving.voxel_mm3)


def _fitted(fixed: Spline, moving: Picture, field: Field, start: Start, most: int, rounds: int) -> MixedFit:
    few = thinned(field, most)
    voxel_mm3 = moving.voxel_mm3 * len(field.block) / len(few.block)
    return fit_mixed(fixed, few, start, moving.normal, voxel_mm3, rounds=rounds)


def _final(
    sight: Sight,
    fixed: Spline,
    moving: Picture,
    field: Field,
    start: MixedFit | None,
    body: str,
    settings: MotionSettings,
) -> Registered:
    if start is None or len(field.block) < _FEWEST_SAMPLES:
        return Registered.missing(body, Caution.NO_BONE)
    evened = replace(start, appearance=np.r_[start.appearance[:2], START[2:]])
    fit = _fitted(fixed, moving, field, evened, settings.most_samples, _FINAL_ROUNDS)
    return _registered(sight, fit, body)


def _registered(sight: Sight, fit: MixedFit, body: str) -> Registered:
    """Return a fit as the body's place in both scans, in axes of the earlier one."""
    covariance = fit.covariance.copy()
    covariance[:3, :3] += (_SYSTEMATIC_MM**2 + sight.step_u_mm**2) * np.eye(3)
    covariance[3:, 3:] += _SCALE**2 * np.eye(3) / 3.0
    pose, centre, places = fit.fixed_from_moving, fit.centre_mm, fit.places_mm
    if not sight.is_fixed_earlier:
        back = pose.inverse()
        covariance = turn_covariance(covariance, back.rotation)
        pose, centre, places = back, back.apply(centre), back.apply(places)
    growth = fit.growth_mm if sight.is_fixed_earlier else -fit.growth_mm
    off = float(np.linalg.norm(fit.spread[:3]))
    return Registered(body, pose, centre, covariance, fit.n_blocks, growth, places, rigid_body_error_mm=off)


def in_pieces(sight: Sight, whole: Registered) -> Sight:
    """Return two scans of a screw with the depth at which it is in pieces, if it does not fit as one.

    Parameters
    ----------
    sight : Sight
        The two scans.
    whole : Registered
        The screw registered as if it were one piece.
    """
    if sight.is_broken or not whole.rigid_body_error_mm > _RIGID_MM:
        return sight
    pose = whole.earlier_from_later
    pose = pose if sight.is_fixed_earlier else pose.inverse()
    at_mm = find_break_mm(
        sight.fixed, sight.moving, sight.fixed_frame, sight.moving_frame, sight.radius_mm, pose
    )
    return replace(sight, break_mm=at_mm, break_u_mm=_BREAK_U_MM)


def register_metal(sight: Sight, start: RigidTransform, part: str = "whole") -> Registered:
    """Register the screw on itself: all but the roll by the metal's edge, the roll by the thread.

    Parameters
    ----------
    sight : Sight
        The two scans.
    start : RigidTransform
        Rough pose (fixed from moving) of the bone, for the roll.
    part : str
        "whole", or "head piece" or "tip piece" of a broken screw.
    """
    span = sight.span_mm(part)
    fit = register_screw(
        sight.fixed, sight.moving, sight.fixed_frame, sight.moving_frame, sight.radius_mm, start, span
    )
    # the axis as the earlier scan has it, so that the poorly known roll does not leak into the tilt
    turned = fit.fixed_from_moving.turn(sight.moving_frame.axis_direction)
    axis = sight.fixed_frame.axis_direction if sight.is_fixed_earlier else turned
    low, high = max(span[0], 0.0), min(span[1], sight.fixed_frame.length_mm)
    middle = sight.fixed_frame.world(0.0, 0.0, (low + high) / 2.0)
    covariance = covariance_at(fit.covariance, fit.centre_mm, middle)
    along_u_mm = 0.0 if span == WHOLE else _one_end_u_mm(sight, span)
    covariance[:3, :3] += _METAL_MM**2 * np.eye(3) + along_u_mm**2 * np.outer(axis, axis)
    roll = _roll_by_thread(sight, fit.fixed_from_moving, span)
    pose = RigidTransform.about(middle, roll.turn_rad * axis, np.zeros(3)) @ fit.fixed_from_moving
    slide_mm2 = float(axis @ covariance[:3, :3] @ axis) + sight.step_u_mm**2
    covariance = covariance + _roll_covariance(roll, axis, slide_mm2)
    rolled = replace(fit, fixed_from_moving=pose, centre_mm=middle, covariance=covariance)
    return replace(_registered(sight, rolled, "screw"), is_roll_known=roll.is_known)


def _one_end_u_mm(sight: Sight, span_mm: tuple[float, float]) -> float:
    """Return how well a piece of a screw is known along its axis by its one end."""
    low = max(span_mm[0], _CLEAR_OF_ENDS_MM)
    high = min(span_mm[1], sight.fixed_frame.length_mm - _CLEAR_OF_ENDS_MM)
    if high - low < _LEAST_SHAFT_MM:
        return _ONE_END_MM
    frames = sight.fixed_frame, sight.moving_frame
    differs_mm = bloom_mm(sight.fixed, sight.moving, *frames, sight.radius_mm, (low, high))
    return math.hypot(_ONE_END_MM, _END_SHARE * differs_mm)


@dataclass(frozen=True, slots=True)
class _Roll:
    """Turn to be added, rad; its own uncertainty; and how it leans on the place along the screw, rad/mm."""

    turn_rad: float
    u_rad: float
    per_mm: float
    is_known: bool = True


def _roll_covariance(roll: _Roll, axis: FloatArray, slide_mm2: float) -> FloatArray:
    """Return what the roll adds to a covariance: a screw that slides by a pitch looks as if it had turned."""
    along = np.outer(axis, axis)
    leaning = roll.per_mm * slide_mm2 * along
    own = (roll.u_rad**2 + roll.per_mm**2 * slide_mm2) * along
    return np.block([[np.zeros((3, 3)), leaning], [leaning, own]])


def _roll_by_thread(sight: Sight, pose: RigidTransform, span_mm: tuple[float, float]) -> _Roll:
    ceiling = common_ceiling_hu(sight.fixed, sight.moving)
    there = read_thread(sight.fixed, sight.fixed_frame, sight.radius_mm, ceiling, sight.pitch_mm, span_mm)
    pitch = sight.pitch_mm if math.isfinite(sight.pitch_mm) else there.pitch_mm
    here = read_thread(sight.moving, sight.moving_frame, sight.radius_mm, ceiling, pitch, span_mm)
    clarity = min(there.clarity, here.clarity)
    if clarity < _LEAST_CLARITY:
        return _Roll(0.0, _ANY_ROLL_RAD, 0.0, is_known=False)
    turn = missing_roll_rad(there, here, pose, sight.fixed_frame, sight.moving_frame)
    return _Roll(turn, math.radians(_PHASE_U_DEG) * _LEAST_CLARITY / clarity + 0.01, 2.0 * math.pi / pitch)
