"""How far the tip of a screw is from the outer surface of the bone ahead of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan

_REACH_MM = 25.0
_STEP_MM = 0.1
_GLARE_MM = 1.5  # ahead of the tip the metal's blur hides what is there
_SOFT_HU = 150.0  # above soft tissue and fluid, below spongy bone
_CORTEX_HU = 300.0  # a shell this dense is wanted before its edge is believed
_SOFT_RUN_MM = 3.0  # so that a marrow space is not taken for the outside
_SHELL_MM = 4.0
_U_EDGE_MM = 0.45  # half-height edge of a thin shell, met obliquely, and the tip itself


def tip_to_cortex(scan: Scan, frame: ScrewFrame) -> Measured:
    """Return the distance from the tip, along the screw, to the outer surface of the far cortex.

    The surface is where the mean over a small disc falls to half between the shell and what lies
    beyond. For looking ahead, not for a plan: one direction, no thin breach is seen.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Frame of the screw.

    Returns
    -------
    Measured
        mm; not measurable with `Caution.NO_BONE` where no shell lies ahead within 25 mm (or the tip
        has passed it), with `Caution.OUT_OF_SCAN` where the scan ends before.
    """
    ahead = np.arange(_GLARE_MM, _REACH_MM, _STEP_MM)
    hu = _disc_mean_hu(scan, frame, ahead)
    last = int(np.argmax(~np.isfinite(hu))) if np.any(~np.isfinite(hu)) else hu.size
    start = _soft_start(hu[:last])
    if start is None:
        return Measured.missing(Unit.MM, Caution.OUT_OF_SCAN if last < hu.size else Caution.NO_BONE)
    edge = _outer_edge(hu[:last], start)
    if edge is None:
        return Measured.missing(Unit.MM, Caution.NO_BONE)
    return Measured.of(float(np.interp(edge, np.arange(ahead.size), ahead)), _U_EDGE_MM, Unit.MM, floor=0.0)


def _disc_mean_hu(scan: Scan, frame: ScrewFrame, ahead_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean over a disc of 1 mm radius at each distance; NaN outside the scan."""
    from scipy.ndimage import map_coordinates

    angle = np.arange(0.0, 360.0, 45.0)
    radius = np.r_[0.0, np.full(8, 0.6), np.full(8, 1.0)]
    turn = np.r_[0.0, angle, angle]
    depth = frame.length_mm + ahead_mm
    places = scan.voxels(frame.world(radius[None, :], turn[None, :], depth[:, None]))
    inside = np.all((places >= 0) & (places <= np.array(scan.hu.shape) - 1), axis=(1, 2))
    if not np.any(inside):
        return np.full(ahead_mm.shape, np.nan)
    low = np.floor(places[inside].min(axis=(0, 1))).astype(int)
    high = np.ceil(places[inside].max(axis=(0, 1))).astype(int) + 1
    part = np.asarray(scan.hu[low[0] : high[0], low[1] : high[1], low[2] : high[2]], dtype=np.float32)
    hu = map_coordinates(part, np.moveaxis(places - low, -1, 0), order=1, mode="nearest")
    return np.where(inside, hu.mean(axis=1), np.nan)


def _soft_start(hu: NDArray[np.float64]) -> int | None:
    """Return where the first long run of soft tissue starts, or None."""
    run = round(_SOFT_RUN_MM / _STEP_MM)
    if hu.size < run:
        return None
    soft = np.convolve(hu < _SOFT_HU, np.ones(run), mode="valid") >= run - 0.5
    return int(np.argmax(soft)) if np.any(soft) else None


def _outer_edge(hu: NDArray[np.float64], start: int) -> float | None:
    """Return the fractional index of the half-height edge before soft tissue, or None without a shell."""
    first = max(0, start - round(_SHELL_MM / _STEP_MM))
    if start - first < 2 or hu[first:start].max() < _CORTEX_HU:
        return None
    peak = first + int(np.argmax(hu[first:start]))
    beyond = float(hu[start : start + round(_SOFT_RUN_MM / _STEP_MM)].mean())
    half = (float(hu[peak]) + beyond) / 2.0
    below = peak + int(np.argmax(hu[peak:] < half))
    return float(below - 1 + (hu[below - 1] - half) / (hu[below - 1] - hu[below]))
