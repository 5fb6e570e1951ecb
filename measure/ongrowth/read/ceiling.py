"""Find the CT number at which a scan stops, from the data alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.read.pixels import HU
from ongrowth.scan import Level, Problem

LOWEST_HU = 1500  # no scanner stops below; cortical bone may pile up there
NEIGHBOURS_HU = 25
COARSEST_HU = 40  # step of the numbers: extended scales go by 10, volumes of 8 bits by 16 and more
FEWEST_VOXELS = 8
SPIKE = 10.0  # times the count of the neighbouring values
SMEAR_HU = 15
TWELVE_BIT_ENDS_HU = (3071, 3095)  # 4095 with the usual intercepts, -1024 and -1000


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Where the numbers stop, and the share of voxels there; NaN and 0 if they do not."""

    hu: float = math.nan
    share: float = 0.0


def find_ceiling(hu: HU) -> Ceiling:
    """Find a plateau at the top of the CT numbers.

    A single value that holds far more voxels than its neighbours is a plateau. Where resampling
    has smeared it, a narrow hump is accepted only at the end of a 12-bit scale.

    Parameters
    ----------
    hu : ndarray, shape (Z, Y, X)
        CT numbers.

    Examples
    --------
    >>> hu = np.arange(0, 4000, 4, dtype=np.int16).reshape(10, 10, 10)
    >>> find_ceiling(hu).hu, find_ceiling(np.minimum(hu, 3071)).hu
    (nan, 3071.0)
    """
    counts, lowest = _histogram(hu)
    if not counts.size:
        return Ceiling()
    place = _spike(counts)
    if place is not None:
        return Ceiling(float(lowest + place), float(counts[place:].sum() / hu.size))
    return _smeared(counts, lowest, hu.size)


def _histogram(hu: HU) -> tuple[NDArray[np.int64], int]:
    counts = np.zeros(0, dtype=np.int64)
    for plane in hu:
        high = plane[plane >= LOWEST_HU]
        if not high.size or not np.isfinite(high).all():
            continue
        # Bins of one HU up to any 16-bit scale; sums of both parts, as the top grows.
        part = np.bincount(np.rint(np.minimum(high, np.float64(2**20))).astype(np.int64) - LOWEST_HU)
        if part.size > counts.size:
            part, counts = counts, part
        counts[: part.size] += part
    return counts, LOWEST_HU


def _spike(counts: NDArray[np.int64]) -> int | None:
    step = _step(counts)
    reach = max(NEIGHBOURS_HU, 2 * step)
    running = np.concatenate([[0], np.cumsum(np.pad(counts, reach))])
    width = 2 * reach + 1
    around = (running[width:] - running[:-width] - counts) / (2 * reach // step)
    contrast = np.where(counts >= FEWEST_VOXELS, counts / (around + 0.25), 0.0)
    best = int(np.argmax(contrast))
    return best if contrast[best] >= SPIKE else None


def _step(counts: NDArray[np.int64]) -> int:
    """Return the step of the numbers, HU: a slope of 10 leaves nine of ten values without a voxel."""
    steps = np.diff(np.flatnonzero(counts))
    return min(int(steps.min()), COARSEST_HU) if steps.size else 1


def _smeared(counts: NDArray[np.int64], lowest: int, n_voxels: int) -> Ceiling:
    for end in TWELVE_BIT_ENDS_HU:
        at = end - lowest
        hump = counts[max(0, at - SMEAR_HU) : at + SMEAR_HU + 1]
        before = counts[max(0, at - 20 * SMEAR_HU) : max(0, at - 4 * SMEAR_HU)]
        beyond = counts[at + 8 * SMEAR_HU :]
        if hump.size < 2 * SMEAR_HU or hump.sum() < 2 * FEWEST_VOXELS or not before.size:
            continue
        if hump.mean() >= 4 * before.mean() and beyond.sum() < 0.2 * hump.sum():
            return Ceiling(float(end), float(counts[at - SMEAR_HU :].sum() / n_voxels))
    return Ceiling()


def ceiling_problems(ceiling: Ceiling) -> list[Problem]:
    """Say that metal is cut off, if it is."""
    if math.isnan(ceiling.hu):
        return []
    text = f"CT numbers stop at {ceiling.hu:.0f} HU ({100 * ceiling.share:.2g} % of the voxels stand there)."
    return [
        Problem(
            "clipped", Level.CAUTION, text, "Ask for the extended HU scale; the edge of metal is modelled."
        )
    ]
