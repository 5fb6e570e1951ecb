"""Where a shaft ends: a tapered tip, or the step to a head, behind the blur and the ceiling."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import chndtr, ndtr

from ongrowth.screw.section import Section

_FINE_MM = 0.1
_STEPS = np.array([0.02, 0.02, 0.01, 5.0, 5.0])
_SCALES = np.array([0.5, 1.0, 0.3, 300.0, 300.0])
_OUTSIDE_HU = 50.0  # a head lies in soft tissue
_DISC_STEP_MM = 0.08
_MODEL_ERROR_HU = 300.0
_FREE_PLACES = 30.0
# Tips of bone screws: cones some millimetres long that end blunt at about a seventh of the radius
# (common practice, no source); the prior is wide.
_TAPER_MM, _TAPER_SD_MM = 3.0, 1.5
_BLUNT, _BLUNT_SD = 0.15, 0.1


@dataclass(frozen=True, slots=True)
class Ending:
    """A fitted end.

    Parameters
    ----------
    at_mm, u_mm : float
        Place of the end along the axis, counted outward, and its standard uncertainty.
    """

    at_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Mean CT number round the axis, over distance outward and radius, as the scan shows it.

    Parameters
    ----------
    outward_mm : ndarray, shape (D,)
        Distance outward along the axis, mm, rising, evenly spaced.
    radius_mm : ndarray, shape (R,)
        Distance from the axis, mm.
    hu : ndarray, shape (D, R)
        CT numbers.
    blur_along_mm : float
        Standard deviation of the blur along the axis, mm.
    ceiling_hu : float
        Where the scan stops, NaN if above the metal.
    """

    outward_mm: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    hu: NDArray[np.float64]
    blur_along_mm: float
    ceiling_hu: float


Shape = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


def fit_tip(view: View, section: Section, rough_mm: float) -> Ending:
    """Fit a blunt cone at the end of the shaft and return where it ends.

    Parameters
    ----------
    view : View
        The end as the scan shows it.
    section : Section
        Cross-section of the shaft.
    rough_mm : float
        First guess of the end.
    """
    prior = np.array([rough_mm, _TAPER_MM, _BLUNT, section.background_hu])
    sd = np.array([1e6, _TAPER_SD_MM, _BLUNT_SD, 500.0])

    def radius_at(x: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
        share = np.clip((x[0] - at) / x[1], 0.0, 1.0)
        radius = section.mean_radius_mm * (x[2] + (1.0 - x[2]) * share)
        return np.asarray(radius * np.sqrt(_inside(x[0] - at)))

    bounds = np.array([[rough_mm - 4.0, 0.3, 0.02, -1500.0], [rough_mm + 4.0, 9.0, 1.0, 2500.0]])
    return _fit(view, section, radius_at, prior, sd, bounds)


def fit_shoulder(
    view: View, section: Section, rough_mm: float, head_mm: float, head_radius_mm: float
) -> Ending:
    """Fit the step from shaft to head and return where it is.

    Parameters
    ----------
    view : View
        The end as the scan shows it.
    section : Section
        Cross-section of the shaft.
    rough_mm : float
        First guess of the underside of the head.
    head_mm : float
        First guess of the outer end of the head.
    head_radius_mm : float
        First guess of its radius.
    """
    height = max(head_mm - rough_mm, 0.5)
    prior = np.array([rough_mm, height, head_radius_mm, section.background_hu, _OUTSIDE_HU])
    sd = np.array([1e6, 3.0, 1.5, 500.0, 500.0])

    def radius_at(x: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
        area = section.mean_radius_mm**2 + _inside(at - x[0]) * (x[2] ** 2 - section.mean_radius_mm**2)
        return np.asarray(np.sqrt(np.maximum(area, 0.0) * _inside(x[0] + x[1] - at)))

    low = [rough_mm - 2.5, 0.3, section.mean_radius_mm, -1500.0, -1500.0]
    bounds = np.array([low, [rough_mm + 2.5, 12.0, 9.0, 2500.0, 2500.0]])
    return _fit(view, section, radius_at, prior, sd, bounds)


def _inside(depth_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1 inside, 0 outside, with a ramp of one fine step that keeps the model smooth in its ends."""
    return np.clip(depth_mm / _FINE_MM + 0.5, 0.0, 1.0)


def _fit(
    view: View,
    section: Section,
    radius_at: Shape,
    prior: NDArray[np.float64],
    sd: NDArray[np.float64],
    bounds: NDArray[np.float64],
) -> Ending:
    """Fit the unknowns of an end, the first of which is where it lies, from the middle of their prior."""
    scale = _MODEL_ERROR_HU * math.sqrt(view.hu.size / _FREE_PLACES)
    discs = _Discs.of(view.radius_mm, float(bounds[1, 2]) + 0.5, section)

    def misfit(x: NDArray[np.float64]) -> NDArray[np.float64]:
        rest = (_seen(view, section, discs, radius_at, x) - view.hu) / scale
        return np.concatenate([rest.ravel(), (x - prior) / sd])

    def slopes(x: NDArray[np.float64]) -> NDArray[np.float64]:
        # steps in millimetres and HU: the model is drawn on a grid that finer steps would not cross
        here = misfit(x)
        return np.stack(
            [(misfit(x + step) - here) / step.sum() for step in np.diag(_STEPS[: len(x)])], axis=1
        )

    start = np.clip(prior, bounds[0] + 1e-6, bounds[1] - 1e-6)
    fit = least_squares(
        misfit, start, bounds=(bounds[0], bounds[1]), x_scale=_SCALES[: len(start)], jac=slopes
    )
    rest = float(np.std(_seen(view, section, discs, radius_at, fit.x) - view.hu))
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    u = float(np.sqrt(covariance[0, 0])) * max(1.0, rest / _MODEL_ERROR_HU)
    return Ending(float(fit.x[0]), u)


@dataclass(frozen=True, slots=True, eq=False)
class _Discs:
    """Blurred discs of all radii up to a largest, a lumen taken out, over distance; shape (A, R)."""

    share: NDArray[np.float64]

    @classmethod
    def of(cls, away_mm: NDArray[np.float64], largest_mm: float, section: Section) -> _Discs:
        radii = np.arange(0.0, max(largest_mm, section.mean_radius_mm + 0.5) + _DISC_STEP_MM, _DISC_STEP_MM)
        share = blurred_round(away_mm, radii, section.smooth_blur_mm)
        if section.lumen_mm > 0.0:
            share = np.maximum(
                share - blurred_round(away_mm, np.array([section.lumen_mm]), section.smooth_blur_mm), 0.0
            )
        return cls(share)

    def at(self, radius_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the row of each radius, between the rows of the table."""
        place = np.clip(radius_mm / _DISC_STEP_MM, 0.0, len(self.share) - 1.001)
        row = place.astype(int)
        part = (place - row)[:, None]
        return np.asarray((1.0 - part) * self.share[row] + part * self.share[row + 1])


def _seen(
    view: View, section: Section, discs: _Discs, radius_at: Shape, x: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CT numbers of a body of revolution seen through the blur, shape (D, R)."""
    reach = 3.0 * view.blur_along_mm
    at = np.arange(view.outward_mm[0] - reach, view.outward_mm[-1] + reach, _FINE_MM)
    share = discs.at(radius_at(x, at))
    kernel = np.exp(-0.5 * ((view.outward_mm[:, None] - at) / view.blur_along_mm) ** 2)
    kernel *= _FINE_MM / (view.blur_along_mm * math.sqrt(2.0 * math.pi))
    around = np.full((len(view.outward_mm), 1), x[3])
    if len(x) > 4:  # other surroundings beyond the end
        around += (x[4] - x[3]) * ndtr((view.outward_mm[:, None] - x[0]) / view.blur_along_mm)
    hu = around + (section.core_hu - around) * (kernel @ share)
    return hu if math.isnan(view.ceiling_hu) else np.minimum(hu, view.ceiling_hu)


def blurred_round(
    away_mm: NDArray[np.float64], radius_mm: NDArray[np.float64], blur_mm: float
) -> NDArray[np.float64]:
    """Return discs of height one, blurred by a round Gaussian, at distances, shape (discs, distances).

    The blurred disc is the chance that a point displaced by the blur lands inside it: a
    non-central chi-square distribution with two degrees of freedom.
    """
    reach = (radius_mm[:, None] / blur_mm) ** 2
    return np.asarray(chndtr(reach, 2.0, (away_mm[None, :] / blur_mm) ** 2))
