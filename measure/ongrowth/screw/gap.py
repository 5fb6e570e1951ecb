"""A break in a shaft: where metal is missing, how much, and the least that this scan would show."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from ongrowth.robust import robust_sd
from ongrowth.screw.ending import blurred_round
from ongrowth.screw.profile import DEPTH_STEP_MM, Outline
from ongrowth.screw.section import Section

_SIGMAS = 5.0
_LEAST_DIP = 0.04  # of the shaft's brightness: streaks and hardening come to that
_NEAR_MM, _TREND_MM = 1.0, 8.0  # a side reaches from the first to the second
_SIDE_QUANTILE = 0.7
_WIDTHS_MM = np.r_[np.arange(0.05, 1.0, 0.05), np.arange(1.0, 6.1, 0.25)]
_OFF_ENDS_MM = 2.5
_FOOT = 0.05
_WIDTH_U_SHARE = 0.1  # the blur along the axis is known to about that


@dataclass(frozen=True, slots=True)
class Gap:
    """Missing metal inside a shaft.

    Parameters
    ----------
    width_mm, width_u_mm : float
        How much is missing along the axis, and its standard uncertainty; NaN if nothing is shown.
    at_mm : float
        Middle of it, mm along the course; NaN if nothing is shown.
    smallest_mm : float
        The least that would have been told from noise in this scan.
    """

    width_mm: float
    width_u_mm: float
    at_mm: float
    smallest_mm: float

    @property
    def is_shown(self) -> bool:
        """Whether the shaft is interrupted."""
        return math.isfinite(self.width_mm)

    def not_shown(self) -> Gap:
        """Return what is left of a gap that proved to be something else."""
        return replace(self, width_mm=math.nan, width_u_mm=math.nan, at_mm=math.nan)


@dataclass(frozen=True, slots=True, eq=False)
class GapModel:
    """What gaps of rising width would look like in a shaft: depth and area of their dips.

    Parameters
    ----------
    depth, area_mm : ndarray, shape (W,)
        Deepest point, and area, of the dip of each of the widths of this module.
    away_mm : ndarray, shape (R,)
        Distances from the axis over which the brightness is averaged, mm.
    blur_along_mm : float
        Standard deviation of the blur along the axis, mm.
    """

    depth: NDArray[np.float64]
    area_mm: NDArray[np.float64]
    away_mm: NDArray[np.float64]
    blur_along_mm: float

    @classmethod
    def of(
        cls, radius_mm: NDArray[np.float64], section: Section, blur_along_mm: float, ceiling_hu: float
    ) -> GapModel:
        """Return the model for a shaft.

        Parameters
        ----------
        radius_mm : ndarray
            Distances from the axis at which the outline is sampled, mm.
        section : Section
            Cross-section of the shaft.
        blur_along_mm : float
            Standard deviation of the blur along the axis, mm.
        ceiling_hu : float
            Where the scan stops, NaN if above the metal.
        """
        away = radius_mm[radius_mm < section.mean_radius_mm + 0.2]
        dips = [_dip_of(width, away, section, blur_along_mm, ceiling_hu) for width in _WIDTHS_MM]
        depth = np.array([dip.max() for dip in dips])
        area = np.array([_area_mm(dip, int(np.argmax(dip))) for dip in dips])
        return cls(depth, area, away, blur_along_mm)


def find_gap(outline: Outline, model: GapModel, run_mm: tuple[float, float]) -> Gap:
    """Look for a break along a shaft.

    The mean CT number over the cross-section is followed along the axis; a break is a dip. How deep
    a dip a gap of each width makes follows from the blur and the ceiling, so that a dip is turned
    into a width, and the noise along the shaft into the smallest width that would be told.

    Parameters
    ----------
    outline : Outline
        The shaft as seen from its axis.
    model : GapModel
        What gaps would look like.
    run_mm : tuple of float
        Where the metal begins and ends.
    """
    inside = (outline.depth_mm > run_mm[0] + _OFF_ENDS_MM) & (outline.depth_mm < run_mm[1] - _OFF_ENDS_MM)
    if inside.sum() * DEPTH_STEP_MM < _TREND_MM:
        return Gap(math.nan, math.nan, math.nan, math.nan)
    brightness = _mean_over_disc(outline.profile_hu[:, : len(model.away_mm)], model.away_mm)
    dip = _dips(brightness, model.blur_along_mm)[inside]
    noise = max(robust_sd(dip), 1e-4)
    told = _SIGMAS * noise + _LEAST_DIP
    smallest = float(np.interp(told, model.depth, _WIDTHS_MM))
    deepest = int(np.argmax(dip))
    if dip[deepest] < told:
        return Gap(math.nan, math.nan, math.nan, smallest)
    # the depth of a wide gap's dip no longer grows; its area does
    found = float(np.interp(_area_mm(dip, deepest), model.area_mm, _WIDTHS_MM))
    u = math.hypot(noise * _TREND_MM, _WIDTH_U_SHARE * found)
    return Gap(found, u, float(outline.depth_mm[inside][deepest]), smallest)


def _area_mm(dip: NDArray[np.float64], deepest: int) -> float:
    """Area of a dip out to where it ends on either side, mm."""
    shallow = np.flatnonzero(dip < _FOOT * dip[deepest])
    low = shallow[shallow < deepest].max(initial=0)
    high = shallow[shallow > deepest].min(initial=len(dip))
    return float(dip[low:high].sum() * DEPTH_STEP_MM)


def _dips(brightness: NDArray[np.float64], blur_along_mm: float) -> NDArray[np.float64]:
    """Return how much darker each place is than both its sides, as a share.

    Both sides: a tip grows darker, and a head brighter, on one side only.
    """
    smooth = gaussian_filter1d(brightness, max(blur_along_mm / DEPTH_STEP_MM, 1.0))
    near, far = round(_NEAR_MM / DEPTH_STEP_MM), round(_TREND_MM / DEPTH_STEP_MM)
    padded = np.pad(smooth, far, mode="edge")
    sides = np.lib.stride_tricks.sliding_window_view(padded, 2 * far + 1)
    left = np.quantile(sides[:, : far - near], _SIDE_QUANTILE, axis=1)
    right = np.quantile(sides[:, far + near + 1 :], _SIDE_QUANTILE, axis=1)
    return np.asarray(1.0 - smooth / np.maximum(np.minimum(left, right), 1.0))


def _mean_over_disc(hu: NDArray[np.float64], away_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over the cross-section of rings, each by its area."""
    weight = away_mm + 0.25 * (away_mm[1] - away_mm[0])
    return np.asarray(hu @ weight / weight.sum())


def _dip_of(
    gap_mm: float, away_mm: NDArray[np.float64], section: Section, blur_mm: float, ceiling_hu: float
) -> NDArray[np.float64]:
    """Return the dip that a gap makes along the axis, as a share of the usual brightness."""
    disc = blurred_round(away_mm, np.array([section.mean_radius_mm]), section.smooth_blur_mm)[0]
    if section.lumen_mm > 0.0:
        disc = disc - blurred_round(away_mm, np.array([section.lumen_mm]), section.smooth_blur_mm)[0]
    along = np.arange(-10.0, 10.0 + DEPTH_STEP_MM / 2, DEPTH_STEP_MM)
    missing = ndtr((along + gap_mm / 2.0) / blur_mm) - ndtr((along - gap_mm / 2.0) / blur_mm)
    hu = section.background_hu + (section.core_hu - section.background_hu) * disc * (1.0 - missing[:, None])
    if math.isfinite(ceiling_hu):
        hu = np.minimum(hu, ceiling_hu)
    brightness = _mean_over_disc(hu, away_mm)
    return _dips(brightness, blur_mm)
