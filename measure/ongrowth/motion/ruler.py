"""The thread as a ruler: its crests lie where they were cut, so they tell a scanner's millimetre."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.motion.thread import Ripple, read_thread
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

_LEAST_CLARITY = 6.0  # a pitch that is looked for needs a thread clearer than one that is told
_NOT_THE_THREAD = 0.05  # farther from the stated pitch than any scanner is wrong: another ripple was found
# Bound of Cramer and Rao for the frequency of a sinusoid in noise, from how far it stands out; errors of 39
# scans of the tuning half are 1.05 of it (root mean square).
_BOUND = math.sqrt(24.0) / 2.0
# Where a turn of the thread holds just one slice or two, each turn is cut at almost the same places, and its
# phase bends along the shaft by so much. From phantoms of plain bone (tuning half, and one case by hand).
_BENT_RAD, _SLOW_BEAT = 0.3, 1.5  # the second: beats of thread and slices on the whole shaft
_SIGNIFICANT = 3.0  # standard uncertainties: scans of one case are many, and a false correction does harm


def measure_pitch(scan: Scan, screw: Screw) -> Measured:
    """Measure the pitch of a screw's thread in the millimetres of a scan.

    Not biased by blooming, which moves every crest alike; the ends take no part.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        As found in it; a stated pitch only tells whether the thread was mistaken.

    Returns
    -------
    Measured
        In mm; missing where the thread does not show ("smaller than blur"), and where the shaft is bent or in
        pieces ("screw bent"): pieces that have moved apart are no ruler.
    """
    if screw.integrity.state in ("interrupted", "bent"):
        return Measured.missing(Unit.MM, Caution.SCREW_BENT)
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    ceiling = scan.hu_ceiling if math.isfinite(scan.hu_ceiling) else math.inf
    thread = read_thread(scan, frame, screw.major_diameter_mm.value / 2.0, ceiling, math.nan)
    told = screw.spec.pitch_mm
    is_other = math.isfinite(told) and abs(thread.pitch_mm / told - 1.0) > _NOT_THE_THREAD
    if is_other or not thread.clarity > _LEAST_CLARITY:
        return Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR)
    turns = thread.span_mm / thread.pitch_mm
    bent = _BENT_RAD if _beats_slowly(scan, frame, thread) else 0.0
    u = thread.pitch_mm / (2.0 * np.pi * turns) * math.hypot(_BOUND / thread.clarity, bent)
    return Measured.of(thread.pitch_mm, float(u), Unit.MM)


def _beats_slowly(scan: Scan, frame: ScrewFrame, thread: Ripple) -> bool:
    """Whether the slices cut each turn of a thread at the same places all along the shaft, or almost."""
    slices = thread.span_mm * abs(float(frame.axis_direction @ scan.slice_normal)) / scan.slice_gap_mm
    turns = thread.span_mm / thread.pitch_mm
    return min(abs(slices - turns), abs(slices - 2.0 * turns)) < _SLOW_BEAT


def measure_scale(earlier: Scan, later: Scan, earlier_screw: Screw, later_screw: Screw) -> Measured:
    """Measure how long a screw is in the later scan, as a share of its length in the earlier one.

    Parameters
    ----------
    earlier, later : Scan
        The two CTs.
    earlier_screw, later_screw : Screw
        The same screw as found in each.

    Returns
    -------
    Measured
        Of unit 1: 1 where both scanners agree on a millimetre; missing where a thread does not show.
    """
    then, now = measure_pitch(earlier, earlier_screw), measure_pitch(later, later_screw)
    if not (then.is_known and now.is_known):
        return Measured.missing(Unit.ONE, then.cautions | now.cautions)
    ratio = now.value / then.value
    return Measured.of(ratio, ratio * math.hypot(now.u / now.value, then.u / then.value), Unit.ONE)


def common_scale(scales: Sequence[Measured]) -> Measured:
    """Return what several screws say of one scale: the weighted mean of those that show their thread.

    Parameters
    ----------
    scales : sequence of Measured
        One a screw, as shares of 1.
    """
    known = [scale for scale in scales if scale.is_known]
    if not known:
        return Measured.missing(Unit.ONE, Caution.SMALLER_THAN_BLUR)
    weight = np.array([scale.u**-2 for scale in known])
    mean = float(weight @ [scale.value for scale in known] / weight.sum())
    return Measured.of(mean, float(weight.sum() ** -0.5), Unit.ONE)


def stretched(point_mm: FloatArray, about_mm: FloatArray, factor: float) -> FloatArray:
    """Return places, shape (..., 3), with all distances from a point multiplied.

    Parameters
    ----------
    point_mm : ndarray, shape (..., 3)
        Places, patient mm (LPS).
    about_mm : ndarray, shape (3,)
        The point that stays, patient mm (LPS).
    factor : float
        What distances are multiplied by.
    """
    return np.asarray(about_mm + factor * (np.asarray(point_mm) - about_mm))


def stretched_scan(scan: Scan, about_mm: FloatArray, factor: float) -> Scan:
    """Return a scan whose millimetre is another one, a point of it staying where it is.

    Parameters
    ----------
    scan : Scan
        The CT.
    about_mm : ndarray, shape (3,)
        The point that stays, patient mm (LPS).
    factor : float
        What distances are multiplied by.
    """
    affine = scan.world_from_voxel.copy()
    affine[:3, :3] *= factor
    affine[:3, 3] = stretched(affine[:3, 3], about_mm, factor)
    return replace(scan, world_from_voxel=affine)


def is_off(scale: Measured) -> bool:
    """Whether a scale differs from 1 beyond chance.

    Parameters
    ----------
    scale : Measured
        Share of 1.
    """
    return scale.is_known and abs(scale.value - 1.0) > _SIGNIFICANT * scale.u
