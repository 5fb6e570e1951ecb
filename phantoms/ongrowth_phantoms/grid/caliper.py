"""What a reader with a caliper reads: radial profiles at eight directions and some depths.

The reader is given more than a reader has: the true axis of the screw, its nominal radius, the side and
the places where bone lies behind. Profiles are read on a reformat square to the screw, 1 mm thick,
interpolated linearly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.scan import Scan
from ongrowth_phantoms.truth import HEAD, TIP, Truth

Array = NDArray[np.float64]

_DEPTHS = 6  # read on each side
_STEP_MM = 0.05
_REACH_MM = 6.0
_SLAB_MM = (-0.5, 0.0, 0.5)
_METAL_MM = 1.5  # beyond the envelope, the foot of the metal is over by here
_FAR_MM = 3.0  # a first minimum beyond is not beside the metal
_EYE_MM = 0.4  # the eye does not follow a profile finer than the pixels
_LEAST_STEP_HU = 80.0  # less is no edge to the eye
_BONE_HU = 150.0


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """Widths read, mm, shape (places,), and the sector (0..7) of each."""

    width_mm: Array
    sector: NDArray[np.intp]

    @property
    def mean_mm(self) -> float:
        """Mean over all places."""
        return float(self.width_mm.mean())

    @property
    def share_over_1mm(self) -> float:
        """Share of places wider than 1 mm."""
        return float(np.mean(self.width_mm > 1.0))

    def sector_means_mm(self) -> list[float]:
        """Mean of each sector; NaN where nothing was read."""
        return [
            float(self.width_mm[self.sector == k].mean()) if np.any(self.sector == k) else float("nan")
            for k in range(8)
        ]


Caliper = Callable[[Array, Array], float]


def half_height_mm(away_mm: Array, hu: Array) -> float:
    """Distance from the envelope to half height between the dark line beside the metal and the bone behind.

    Parameters
    ----------
    away_mm, hu : ndarray, shape (N,)
        A profile outward from the envelope, evenly spaced.

    Notes
    -----
    The eye takes the first minimum outward, and for the bone the first maximum behind it that stands out.
    """
    seen = ndimage.uniform_filter1d(hu, max(1, round(_EYE_MM / (away_mm[1] - away_mm[0]))), mode="nearest")
    turns = np.diff(np.sign(np.diff(seen)))
    valleys, hills = np.flatnonzero(turns > 0) + 1, np.flatnonzero(turns < 0) + 1
    if not valleys.size or away_mm[valleys[0]] > _FAR_MM:
        return 0.0
    dark = int(valleys[0])
    tops = [*hills[hills > dark], dark + int(np.argmax(seen[dark:]))]  # the last: bone that goes on level
    bright = next((seen[top] for top in tops if seen[top] - seen[dark] >= _LEAST_STEP_HU), None)
    if bright is None:
        return 0.0
    return _first_rise_mm(away_mm[dark:], seen[dark:], float(seen[dark] + bright) / 2.0)


def threshold_mm(away_mm: Array, hu: Array) -> float:
    """Distance from the envelope to where the CT number, once below that of bone, rises to it again."""
    near = away_mm <= _METAL_MM
    below = np.flatnonzero(near & (hu < _BONE_HU))
    return _first_rise_mm(away_mm[below[0] :], hu[below[0] :], _BONE_HU) if below.size else 0.0


def _first_rise_mm(away_mm: Array, hu: Array, level: float) -> float:
    above = np.flatnonzero(hu >= level)
    if not above.size:
        return float(away_mm[-1])
    i = int(above[0])
    if i == 0:
        return float(away_mm[0])
    share = (level - hu[i - 1]) / (hu[i] - hu[i - 1])
    return float(away_mm[i - 1] + share * (away_mm[i] - away_mm[i - 1]))


CALIPERS: dict[str, Caliper] = {"half-height": half_height_mm, "fixed threshold": threshold_mm}


def read_sides(scan: Scan, truth: Truth, caliper: Caliper) -> dict[str, Reading]:
    """Return what a caliper reads on the head side and the tip side, where there is bone to read."""
    out = {}
    for name, side in (("head_side", HEAD), ("tip_side", TIP)):
        counted = truth.counted & (truth.side == side)
        depth, angle = _places(truth, counted)
        hu = _profiles(scan, truth, depth, angle)
        inside = np.isfinite(hu).all(axis=1)
        if inside.any():
            away = np.arange(0.0, _REACH_MM, _STEP_MM)
            widths = np.array([caliper(away, row) for row in hu[inside]])
            out[name] = Reading(widths, np.rint(angle[inside] / 45.0).astype(np.intp) % 8)
    return out


def _places(truth: Truth, counted: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return depths and angles read: evenly spaced depths, each direction where bone lies behind."""
    rows = np.flatnonzero(counted.any(axis=1))
    if not rows.size:
        return np.zeros(0), np.zeros(0)
    chosen = np.unique(rows[np.linspace(0, len(rows) - 1, _DEPTHS + 2).round().astype(int)[1:-1]])
    columns = [int(np.argmin(np.abs(truth.angle_deg - 45.0 * k))) for k in range(8)]
    i, j = (a.ravel() for a in np.meshgrid(chosen, columns, indexing="ij"))
    return truth.depth_mm[i][counted[i, j]], truth.angle_deg[j][counted[i, j]]


def _profiles(scan: Scan, truth: Truth, depth_mm: Array, angle_deg: Array) -> Array:
    """Return CT numbers outward from the envelope, shape (places, N); NaN outside the scan."""
    angle = np.radians(angle_deg)[:, None]
    envelope = truth.screw.envelope_radius_mm(depth_mm).astype(np.float64)
    radius = envelope[:, None] + np.arange(0.0, _REACH_MM, _STEP_MM)
    out = np.zeros(radius.shape)
    for aside in _SLAB_MM:
        local = np.stack(
            [
                radius * np.cos(angle),
                radius * np.sin(angle),
                np.broadcast_to(depth_mm[:, None] + aside, radius.shape),
            ],
            axis=-1,
        )
        world = np.array(truth.head_mm) + local @ truth.axes.T
        index = scan.voxels(world.reshape(-1, 3)).T
        hu = ndimage.map_coordinates(scan.hu.astype(np.float32), index, order=1, mode="constant", cval=np.nan)
        out += hu.reshape(radius.shape) / len(_SLAB_MM)
    return out
