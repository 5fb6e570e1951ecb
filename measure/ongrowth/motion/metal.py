"""The screw between two scans: metal on metal, with what lies round it kept out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, apply_affine
from ongrowth.motion.fragment import Field, thinned
from ongrowth.motion.mixed import MixedFit, fit_mixed
from ongrowth.motion.picture import Picture, Spline, smooth_values, splined
from ongrowth.motion.solve import START, Samples, fit_rigid
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]

# Only the steep upper part of the edge is used: bone or a halo beside the metal hardly moves it.
_LOW_HU, _LOW_SHARE = 2000.0, 0.65  # the share of a ceiling that lies lower
_HIGH_HU = 6000.0
_COARSE_MM, _FINE_MM = 0.8, 0.35
_MARGIN_MM = 1.2  # beyond the outer diameter
_PAST_HEAD_MM, _PAST_TIP_MM = 6.0, 2.0
# The two ends, each by itself: so much of the shaft, smoothed so far that the thread hardly counts
_HEAD_END_MM, _TIP_END_MM = 6.0, 14.0
_END_MM, _END_SLICES = 0.45, 0.4
_FEWEST_AT_END = 500
# A tip is slender and blooms less surely than a head, by so much; what the two disagree about adds this share
# to u, since they need not bloom alike. From phantoms (tuning half).
_HEAD_SHARE, _LEFT_SHARE = 0.7, 0.2
_BLOCK_MM = 4.0
_MOST_SAMPLES = 40_000
_FLAT_HU_PER_MM = 50.0  # flatter places have no normal
_SHORTEST_MM, _BREAK_STEP_MM, _FEW_SAMPLES = 8.0, 2.0, 12_000  # of a piece; where a break is looked for
WHOLE = (-math.inf, math.inf)


def register_screw(
    fixed: Scan,
    moving: Scan,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    radius_mm: float,
    start: RigidTransform,
    span_mm: tuple[float, float] = WHOLE,
) -> MixedFit:
    """Register a screw, or a piece of a broken one, on itself.

    Parameters
    ----------
    fixed, moving : Scan
        The two CTs.
    fixed_frame, moving_frame : ScrewFrame
        The screw in each.
    radius_mm : float
        Outer radius of the thread.
    start : RigidTransform
        ``fixed_from_moving`` of the bone, for the roll; a piece may lie as the bone does, or on the axis.
    span_mm : pair of float
        Depths in the moving scan between which the metal is used.

    Returns
    -------
    MixedFit
        Pose with covariance. Turning and sliding along the thread look almost alike; only the ends
        and the head tell them apart, so the roll is the weakest figure.

    Notes
    -----
    Of a whole screw the place along its axis lies between what head and tip say, each registered by itself:
    another kernel lets the two bloom away from each other.
    """
    ceiling = common_ceiling_hu(fixed, moving)
    on_axis = _on_axis(fixed_frame, moving_frame, start)
    there = splined(metal_picture(fixed, fixed_frame, ceiling, _COARSE_MM))
    here = metal_picture(moving, moving_frame, ceiling, _COARSE_MM)
    field = _field(here, moving_frame, radius_mm, span_mm)
    starts = (on_axis,) if span_mm == WHOLE else (on_axis, start)
    rough = max(
        (fit_rigid(there, field.samples, pose, here.normal) for pose in starts), key=lambda f: f.correlation
    )
    pose = _unrolled(rough.fixed_from_moving, fixed_frame, moving_frame, start)
    there = splined(metal_picture(fixed, fixed_frame, ceiling, _FINE_MM))
    here = metal_picture(moving, moving_frame, ceiling, _FINE_MM)
    guess = replace(rough, fixed_from_moving=pose, appearance=START)
    fine = _field(here, moving_frame, radius_mm, span_mm)
    fit = fit_mixed(there, fine, guess, here.normal, here.voxel_mm3, held_axis=fixed_frame.axis_direction)
    if span_mm != WHOLE:
        return fit
    sigma = max(_END_MM, _END_SLICES * max(fixed.slice_gap_mm, moving.slice_gap_mm))
    there = splined(metal_picture(fixed, fixed_frame, ceiling, sigma))
    here = metal_picture(moving, moving_frame, ceiling, sigma)
    return _between_ends(fit, there, here, fixed_frame, moving_frame, radius_mm)


def find_break_mm(
    fixed: Scan,
    moving: Scan,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    radius_mm: float,
    whole: RigidTransform,
) -> float:
    """Return the depth, mm, at which a shaft is best taken for two pieces, each rigid.

    Parameters
    ----------
    fixed, moving : Scan
        The two CTs.
    fixed_frame, moving_frame : ScrewFrame
        The screw in each.
    radius_mm : float
        Outer radius of the thread.
    whole : RigidTransform
        ``fixed_from_moving`` of the shaft taken for one piece.
    """
    ceiling = common_ceiling_hu(fixed, moving)
    there = splined(metal_picture(fixed, fixed_frame, ceiling, _FINE_MM))
    here = metal_picture(moving, moving_frame, ceiling, _FINE_MM)
    field = thinned(_field(here, moving_frame, radius_mm, WHOLE), _FEW_SAMPLES)

    def left_over(depth_mm: float) -> float:
        parts = (
            field.only(field.depth_mm < depth_mm).samples,
            field.only(field.depth_mm >= depth_mm).samples,
        )
        fits = [fit_rigid(there, part, whole, here.normal) for part in parts]
        return sum(
            len(part) * float(np.var(part.values_hu)) * (1.0 - fit.correlation**2)
            for part, fit in zip(parts, fits, strict=True)
        )

    depths = np.arange(_SHORTEST_MM, moving_frame.length_mm - _SHORTEST_MM, _BREAK_STEP_MM)
    return float(min(depths, key=left_over, default=moving_frame.length_mm / 2.0))


def _between_ends(
    fit: MixedFit,
    there: Spline,
    here: Picture,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    radius_mm: float,
) -> MixedFit:
    """Move a screw along its axis to between what head and tip say; their disagreement adds to u."""
    axis, length = fixed_frame.axis_direction, moving_frame.length_mm
    spans = ((-math.inf, _HEAD_END_MM), (length - _TIP_END_MM, math.inf))
    fields = [_field(here, moving_frame, radius_mm, span) for span in spans]
    if min(len(f.block) for f in fields) < _FEWEST_AT_END:
        return fit
    guess = replace(fit, appearance=START)
    ends = [fit_mixed(there, f, guess, here.normal, here.voxel_mm3, held_axis=axis) for f in fields]
    middle = moving_frame.world_from_screw.apply([0.0, 0.0, length / 2.0])
    head, tip = (
        float(axis @ (end.fixed_from_moving.apply(middle) - fit.fixed_from_moving.apply(middle)))
        for end in ends
    )
    slide = (_HEAD_SHARE * head + (1.0 - _HEAD_SHARE) * tip) * axis
    pose, covariance = fit.fixed_from_moving, fit.covariance.copy()
    covariance[:3, :3] += (_LEFT_SHARE * (head - tip)) ** 2 * np.outer(axis, axis)
    moved = RigidTransform(pose.rotation, pose.translation_mm + slide)
    return replace(fit, fixed_from_moving=moved, centre_mm=fit.centre_mm + slide, covariance=covariance)


def bloom_mm(
    fixed: Scan,
    moving: Scan,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
    radius_mm: float,
    span_mm: tuple[float, float],
) -> float:
    """Return by how much the shaft looks thicker in one scan than in the other, mm: kernels bloom unlike.

    Parameters
    ----------
    fixed, moving : Scan
        The two CTs.
    fixed_frame, moving_frame : ScrewFrame
        The screw in each.
    radius_mm : float
        Outer radius of the thread.
    span_mm : pair of float
        Depths between which the shaft is looked at, clear of its ends.
    """
    ceiling = common_ceiling_hu(fixed, moving)
    low_hu = _low_hu(ceiling)
    radii = []
    for scan, frame in ((fixed, fixed_frame), (moving, moving_frame)):
        field = _field(metal_picture(scan, frame, ceiling, _FINE_MM), frame, radius_mm, span_mm)
        metal = (field.samples.values_hu - low_hu) / (ceiling - low_hu)
        radii.append((radius_mm + _MARGIN_MM) * math.sqrt(max(float(np.mean(metal)), 0.0)))
    return abs(radii[0] - radii[1])


def common_ceiling_hu(*scans: Scan) -> float:
    """Return where metal is cut so that it looks alike in all scans, HU."""
    return min(_HIGH_HU, *(s.hu_ceiling for s in scans if math.isfinite(s.hu_ceiling)), math.inf)


def _low_hu(ceiling_hu: float) -> float:
    """Return below what nothing is metal, HU."""
    return min(_LOW_HU, _LOW_SHARE * ceiling_hu)


def metal_picture(scan: Scan, frame: ScrewFrame, ceiling_hu: float, sigma_mm: float) -> Picture:
    """Return the smoothed metal of a screw: all below bone's densest cut away, and the ceiling above."""
    ends = np.stack([frame.origin_mm - _PAST_HEAD_MM * frame.axis_direction, frame.tip_mm])
    crop = scan.crop(scan.box(ends, 7.0))
    hu = np.clip(crop.hu, _low_hu(ceiling_hu), ceiling_hu).astype(np.float32)
    return smooth_values(hu, np.ones(hu.shape, dtype=bool), crop, sigma_mm)


def _on_axis(fixed_frame: ScrewFrame, moving_frame: ScrewFrame, start: RigidTransform) -> RigidTransform:
    """Axis on axis, with the roll of the bone."""
    turned = start.turn(moving_frame.zero_direction)
    x, y = turned @ fixed_frame.zero_direction, turned @ fixed_frame.quarter_direction
    roll = RigidTransform.from_rotation_vector([0.0, 0.0, math.atan2(y, x)], np.zeros(3))
    return fixed_frame.world_from_screw @ roll @ moving_frame.world_from_screw.inverse()


def _unrolled(
    pose: RigidTransform, fixed_frame: ScrewFrame, moving_frame: ScrewFrame, start: RigidTransform
) -> RigidTransform:
    """Give a pose of the screw the roll of the bone again."""
    away = pose @ _on_axis(fixed_frame, moving_frame, start).inverse()
    twist = away.rotation_vector_rad @ fixed_frame.axis_direction
    back = RigidTransform.from_rotation_vector(-twist * fixed_frame.axis_direction, np.zeros(3))
    middle = pose.apply(moving_frame.world_from_screw.apply([0.0, 0.0, moving_frame.length_mm / 2.0]))
    return RigidTransform(back.rotation, middle - back.rotation @ middle) @ pose


def _field(picture: Picture, frame: ScrewFrame, radius_mm: float, span_mm: tuple[float, float]) -> Field:
    """Return the voxels of the screw and of its edge, in blocks along it."""
    index = np.indices(picture.values.shape).reshape(3, -1).T
    places = apply_affine(picture.world_from_voxel, index)
    local = frame.world_from_screw.inverse().apply(places)
    radius, depth = np.hypot(local[:, 0], local[:, 1]), local[:, 2]
    wide = np.where(depth < 0.0, 2.0 * radius_mm, radius_mm) + _MARGIN_MM
    low, high = max(span_mm[0], -_PAST_HEAD_MM), min(span_mm[1], frame.length_mm + _PAST_TIP_MM)
    keep = (radius < wide) & (depth > low) & (depth < high)
    if keep.sum() > _MOST_SAMPLES:
        keep &= np.random.default_rng(0).random(len(keep)) < _MOST_SAMPLES / keep.sum()
    gradient = np.stack([np.asarray(g) for g in np.gradient(picture.values)], axis=-1).reshape(-1, 3)[keep]
    slope = gradient @ np.linalg.inv(picture.world_from_voxel)[:3, :3].astype(np.float32)
    steep = np.maximum(np.linalg.norm(slope, axis=1), _FLAT_HU_PER_MM)
    block = np.floor(depth[keep] / _BLOCK_MM).astype(np.intp)
    samples = Samples(places[keep], picture.values.reshape(-1)[keep])
    return Field(samples, radius[keep], depth[keep], block, (-slope / steep[:, None]).astype(np.float32))
