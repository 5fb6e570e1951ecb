"""A straight piece of metal measured: axis, outline, both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ongrowth.geometry import Line
from ongrowth.scan import Scan
from ongrowth.screw.axis import CentreLine, centre_line
from ongrowth.screw.profile import DEPTH_STEP_MM, Outline, outline_of
from ongrowth.screw.segment import Segment

_MARGIN_MM = 10.0
_BACKGROUND_HU = 300.0  # bone and soft tissue about; 300 HU more move the edge of metal by 0.01 mm
_CLIPPED_FROM = 0.97  # share of the ceiling from which a core counts as clipped
_HEAD_REACH_MM = 9.0
_HEAD_RATIO = 1.22
# The lower this level, the more of the blurred edge carries the centre: steady on coarse grids.
_LOW_SHARE = 0.3
# Reading of a 4 mm rod inside, on a scale that does not stop: titanium 8800-9400 HU (computed, and an
# independent simulation 9750-10700); steel and cobalt-chrome about twice that.
CORE_HU = {"titanium": 9500.0, "steel": 17000.0, "cobalt-chrome": 17000.0}


@dataclass(frozen=True, slots=True)
class Metal:
    """How metal looks in this scan.

    Parameters
    ----------
    core_hu : float
        CT number inside the shaft as the scan would show it without a ceiling, HU.
    ceiling_hu : float
        Where the scan stops, NaN if the core lies below it.
    level_hu : float
        The level that draws outlines, HU.
    blur_mm : float
        Standard deviation of the blur across the shaft, mm.
    """

    core_hu: float
    ceiling_hu: float
    level_hu: float
    blur_mm: float

    @property
    def is_clipped(self) -> bool:
        """Whether the core is cut off by the scan's ceiling."""
        return math.isfinite(self.ceiling_hu)

    @property
    def bloom_mm(self) -> float:
        """How far outside a flat metal edge the level lies, mm; 0 at half height."""
        share = (self.level_hu - _BACKGROUND_HU) / (self.core_hu - _BACKGROUND_HU)
        return float(-self.blur_mm * ndtri(np.clip(share, 0.01, 0.99)))


@dataclass(frozen=True, slots=True)
class ShaftEnd:
    """One end of a shaft.

    Parameters
    ----------
    depth_mm : float
        Where the metal ends, mm along the axis.
    shoulder_mm : float
        Where a head, if there is one, meets the shaft, mm along the axis; else `depth_mm`.
    head_ratio : float
        Widest radius near this end over the radius of the shaft.
    taper_ratio : float
        Radius 1.5 mm inside the end over the radius of the shaft.
    is_cut : bool
        Whether the scan ends here.
    """

    depth_mm: float
    shoulder_mm: float
    head_ratio: float
    taper_ratio: float
    is_cut: bool

    @property
    def has_head(self) -> bool:
        """Whether the metal is wider here than along the shaft."""
        return self.head_ratio > _HEAD_RATIO


@dataclass(frozen=True, slots=True, eq=False)
class Shaft:
    """A straight piece of metal with its axis and outline; depth runs from `first` to `last`."""

    line: Line
    centres: CentreLine
    outline: Outline
    metal: Metal
    radius_mm: float
    first: ShaftEnd
    last: ShaftEnd

    @property
    def length_mm(self) -> float:
        """Metal from end to end, mm."""
        return self.last.depth_mm - self.first.depth_mm

    @property
    def middle_mm(self) -> NDArray[np.float64]:
        """Middle of the piece, patient mm (LPS)."""
        return self.point_mm((self.first.depth_mm + self.last.depth_mm) / 2.0)

    def point_mm(self, depth_mm: float) -> NDArray[np.float64]:
        """Return a point of the axis, patient mm (LPS)."""
        return self.outline.point_mm(depth_mm)


def trace_shaft(scan: Scan, segment: Segment, threshold_hu: float, ceiling_hu: float) -> Shaft | None:
    """Measure the straight piece of metal near a rough segment.

    Parameters
    ----------
    scan : Scan
        The CT.
    segment : Segment
        Rough place, within a few millimetres.
    threshold_hu : float
        CT number of metal.
    ceiling_hu : float
        Where the scan stops, NaN if nowhere.

    Returns
    -------
    Shaft or None
        None if no straight shaft is there.
    """
    crop = scan.crop(scan.box([segment.start_mm, segment.end_mm], _MARGIN_MM))
    line, span = segment.line, (0.0, segment.length_mm)
    tube = 1.4 * segment.radius_mm + 0.5 * float(crop.step_mm.max())
    rough = centre_line(crop, line, span, tube, (threshold_hu, _top(crop, threshold_hu, ceiling_hu)))
    line = rough.line if rough is not None else line
    metal = _metal(crop, line, span, threshold_hu, ceiling_hu)
    low_hu = max(threshold_hu, _LOW_SHARE * metal.core_hu) if not metal.is_clipped else threshold_hu
    fine = centre_line(crop, line, span, tube, (low_hu, _top(crop, low_hu, ceiling_hu)))
    if fine is None:
        return None
    outline = _outline(crop, fine.line, span, metal, segment.radius_mm)
    return _measured(crop, fine, outline, metal, span)


def _top(crop: Scan, low_hu: float, ceiling_hu: float) -> float:
    """Return the value above which more metal adds no weight: a plateau, so that the rim decides."""
    if math.isfinite(ceiling_hu):
        return ceiling_hu
    metal = crop.hu[crop.hu > low_hu]
    return float(np.quantile(metal, 0.9)) if metal.size else low_hu + 1.0


def _metal(
    crop: Scan, line: Line, span: tuple[float, float], threshold_hu: float, ceiling_hu: float
) -> Metal:
    """Tell core, level and blur from the middle of the shaft."""
    outline = outline_of(crop, line, (0.15 * span[1], 0.85 * span[1]), threshold_hu, core_mm=1.5)
    core = float(np.median(outline.core_hu))
    if math.isfinite(ceiling_hu) and core > _CLIPPED_FROM * ceiling_hu:
        level = max(threshold_hu, 0.9 * ceiling_hu)
        return Metal(CORE_HU["titanium"], ceiling_hu, level, _default_blur_mm(crop))
    level = max(threshold_hu, (core + _BACKGROUND_HU) / 2.0) if core > threshold_hu else threshold_hu
    return Metal(core, math.nan, level, _blur_mm(outline, core))


def _default_blur_mm(crop: Scan) -> float:
    return 0.35 + 0.25 * max(float(crop.step_mm.max()) - 1.0, 0.0)


def _blur_mm(outline: Outline, core_hu: float) -> float:
    """Blur from the outer half of the edge, where neither lumen nor core plateau matters."""
    profile = np.median(outline.profile_hu, axis=0)
    outer = np.arange(len(profile)) >= int(np.argmax(profile))
    height = (profile - _BACKGROUND_HU) / (core_hu - _BACKGROUND_HU)
    half, foot = (_crossing_mm(outline.radius_mm[outer], height[outer], at) for at in (0.5, 0.2))
    return float(np.clip((foot - half) / 0.8416, 0.15, 1.5)) if math.isfinite(foot - half) else 0.4


def _crossing_mm(x: NDArray[np.float64], y: NDArray[np.float64], level: float) -> float:
    """First place where a falling curve meets a level, between samples."""
    below = np.flatnonzero(y < level)
    if below.size == 0 or below[0] == 0:
        return math.nan
    k = int(below[0])
    return float(x[k - 1] + (y[k - 1] - level) / (y[k - 1] - y[k]) * (x[k] - x[k - 1]))


def _outline(crop: Scan, line: Line, span: tuple[float, float], metal: Metal, radius_mm: float) -> Outline:
    wide = (span[0] - _MARGIN_MM, span[1] + _MARGIN_MM)
    return outline_of(crop, line, wide, metal.level_hu, core_mm=max(0.6, 0.7 * radius_mm))


def _measured(
    crop: Scan, centres: CentreLine, outline: Outline, metal: Metal, span: tuple[float, float]
) -> Shaft | None:
    run = _metal_run(outline, (span[0] + span[1]) / 2.0)
    if run is None:
        return None
    low, high = run
    area_radius = outline.radius_of_area_mm
    inner = (outline.depth_mm > low + 0.2 * (high - low)) & (outline.depth_mm < high - 0.2 * (high - low))
    radius = float(np.median(area_radius[inner & (area_radius > 0)]))
    first = _end(crop, outline, area_radius, radius, metal, low, -1)
    last = _end(crop, outline, area_radius, radius, metal, high, +1)
    return Shaft(centres.line, centres, outline, metal, radius - metal.bloom_mm, first, last)


def _metal_run(outline: Outline, middle_mm: float) -> tuple[float, float] | None:
    """Return where the metal on the axis ends at the level; holes to 8 mm are bridged (a broken shaft)."""
    above = np.flatnonzero(outline.core_hu >= outline.level_hu)
    if above.size == 0:
        return None
    cuts = np.flatnonzero(np.diff(above) * DEPTH_STEP_MM > 8.0)
    starts, ends = np.r_[above[0], above[cuts + 1]], np.r_[above[cuts], above[-1]]
    centre = (outline.depth_mm[starts] + outline.depth_mm[ends]) / 2.0
    k = int(np.argmin(np.abs(centre - middle_mm) - 0.5 * (outline.depth_mm[ends] - outline.depth_mm[starts])))
    return _between(outline, int(starts[k]), -1), _between(outline, int(ends[k]), +1)


def _between(outline: Outline, k: int, way: int) -> float:
    """Depth at which the core meets the level, beyond sample k, between samples."""
    other = k + way
    if not 0 <= other < len(outline.depth_mm):
        return float(outline.depth_mm[k])
    inside, outside = outline.core_hu[k], outline.core_hu[other]
    share = (inside - outline.level_hu) / max(inside - outside, 1e-6)
    return float(outline.depth_mm[k] + way * share * DEPTH_STEP_MM)


def _end(
    crop: Scan,
    outline: Outline,
    area_radius: NDArray[np.float64],
    radius: float,
    metal: Metal,
    at: float,
    way: int,
) -> ShaftEnd:
    inward = way * (at - outline.depth_mm)  # distance inside the metal
    near = (inward > 0.0) & (inward < _HEAD_REACH_MM)
    order = np.argsort(inward[near])
    depth_in, wide = inward[near][order], area_radius[near][order]
    peak = int(np.argmax(wide)) if wide.size else 0
    ratio = float(wide[peak] / radius) if wide.size else 1.0
    shoulder = at
    if ratio > _HEAD_RATIO:
        halfway = (radius**2 + wide[peak] ** 2) / 2.0
        fall = _crossing_mm(depth_in[peak:], wide[peak:] ** 2, halfway)
        shoulder = at - way * fall if math.isfinite(fall) else at
    taper = float(np.interp(1.5, depth_in, wide) / radius) if wide.size else 1.0
    end_mm = at - way * metal.bloom_mm
    if shoulder == at:
        shoulder = end_mm
    beyond = outline.point_mm(at + way * 1.0)
    return ShaftEnd(end_mm, shoulder, ratio, taper, _leaves(crop, beyond))


def _leaves(crop: Scan, point_mm: NDArray[np.float64]) -> bool:
    """Whether a point lies outside the crop; the crop has a margin except where the scan ends."""
    index = crop.voxels(point_mm)
    return bool(np.any(index < 0.0) or np.any(index > np.array(crop.hu.shape) - 1))
