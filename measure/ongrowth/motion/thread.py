"""How far a screw has turned, from the phase of its thread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, apply_affine
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]

_PITCHES_MM = np.arange(0.8, 3.5, 0.01)  # of bone screws
_INNER_MM, _OUTER_MM = 0.7, 0.5  # shell about the crests in which the ripple shows
_END_MM = 3.0  # head and taper have no clean thread
_LOW_HU = 800.0
_EDGE_ORDER = 6  # of the curve across the shell
_CLEAR = 5.0  # a true thread stands out by so much from the other frequencies


@dataclass(frozen=True, slots=True)
class Ripple:
    """The helical harmonic of a thread: pitch, mm; phase, rad, at a depth, mm; how far it stands out.

    `span_mm` is the length of shaft on which it was read.
    """

    pitch_mm: float
    depth_mm: float
    phase_rad: float
    clarity: float
    span_mm: float


def read_thread(
    scan: Scan,
    frame: ScrewFrame,
    radius_mm: float,
    ceiling_hu: float,
    pitch_mm: float,
    span_mm: tuple[float, float] = (-math.inf, math.inf),
) -> Ripple:
    """Return the ripple of a thread in the raw voxels of a shell round the crests.

    The phase is that of ``2 pi depth / pitch - angle`` in the given frame.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        In which phase and depth count.
    radius_mm : float
        Outer radius of the thread.
    ceiling_hu : float
        Where values are cut, alike in all scans compared.
    pitch_mm : float
        Pitch; NaN: looked for.
    span_mm : pair of float
        Depths between which the thread is read.
    """
    crop = scan.crop(scan.box(np.stack([frame.origin_mm, frame.tip_mm]), radius_mm + 2.0))
    index = np.indices(crop.hu.shape).reshape(3, -1).T
    radius, angle, depth = frame.cylindrical(apply_affine(crop.world_from_voxel, index))
    keep = (radius > radius_mm - _INNER_MM) & (radius < radius_mm + _OUTER_MM)
    low, high = max(_END_MM, span_mm[0]), min(frame.length_mm - _END_MM - 1.0, span_mm[1])
    keep &= (depth > low) & (depth < high)
    hu = np.clip(crop.hu.reshape(-1)[keep].astype(np.float64), _LOW_HU, ceiling_hu)
    radius, angle, depth = radius[keep], np.radians(angle[keep]), depth[keep]
    rest = _without_slow(hu, radius, angle, depth)
    pitches = _PITCHES_MM if math.isnan(pitch_mm) else np.array([pitch_mm])
    power = np.array([abs(_wave(rest, angle, depth, p)) for p in pitches])
    best = float(pitches[int(np.argmax(power))])
    middle = (low + high) / 2.0
    if math.isnan(pitch_mm):
        bounds = (best - 0.01, best + 0.01)
        best = float(optimize.minimize_scalar(lambda p: -abs(_wave(rest, angle, depth, p)), bounds=bounds).x)
    wave = _wave(rest, angle, depth - middle, best)
    noise = float(np.sqrt(np.mean(rest**2) / max(len(rest), 1)))
    return Ripple(best, middle, float(np.angle(wave)), abs(wave) / noise, high - low)


def missing_roll_rad(
    fixed: Ripple,
    moving: Ripple,
    fixed_from_moving: RigidTransform,
    fixed_frame: ScrewFrame,
    moving_frame: ScrewFrame,
) -> float:
    """Return the roll about the screw's axis, rad, that a pose lacks for the threads to lie on each other."""
    pose = fixed_frame.world_from_screw.inverse() @ fixed_from_moving @ moving_frame.world_from_screw
    turned = math.atan2(pose.rotation[1, 0], pose.rotation[0, 0])
    moved_mm = float(pose.apply([0.0, 0.0, moving.depth_mm])[2]) - fixed.depth_mm
    away = moving.phase_rad - fixed.phase_rad + 2.0 * math.pi * moved_mm / fixed.pitch_mm - turned
    return math.remainder(away, 2.0 * math.pi)


def _wave(rest: FloatArray, angle: FloatArray, depth: FloatArray, pitch_mm: float) -> complex:
    return complex(np.mean(rest * np.exp(1j * (2.0 * np.pi * depth / pitch_mm - angle))))


def _without_slow(hu: FloatArray, radius: FloatArray, angle: FloatArray, depth: FloatArray) -> FloatArray:
    """Take out what depends on the radius, the side (off-centre, oblique blur) and slowly on the depth."""
    turn = [np.cos(k * angle) for k in range(3)] + [np.sin(k * angle) for k in (1, 2)]
    # the edge of metal is steep: what a stiffer curve leaves of it beats with the voxels, much like a thread
    middle, half = (radius.max() + radius.min()) / 2.0, max(float(np.ptp(radius)) / 2.0, 1e-6)
    reach = list(np.polynomial.chebyshev.chebvander((radius - middle) / half, _EDGE_ORDER).T)
    length = max(float(np.ptp(depth)), 1.0)
    slow = [np.cos(np.pi * k * (depth - depth.min()) / length) for k in range(1, 5)]
    columns = [t * r for t in turn for r in reach] + [s * r for s in slow for r in reach[:3]]
    design = np.stack(columns, axis=1)
    coefficients = np.linalg.lstsq(design, hu, rcond=None)[0]
    return np.asarray(hu - design @ coefficients)
