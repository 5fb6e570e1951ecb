"""The cross-section of a shaft: its radius behind the blur, with the scan's ceiling in the model."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

_BIN_MM = 0.18
_BEYOND_MM = 1.8  # the edge's foot; further out there is bone, halo or other metal
_NODES, _WEIGHTS = (values[8:] for values in np.polynomial.legendre.leggauss(16))  # the others mirror these
# Over a turn of the thread the radius runs from root to crest: how deep below the crest, as a share of
# the thread's height, and for which share of the turn (common practice for bone threads, no source).
_VALLEY = ((0.03, 0.17), (0.3, 0.25), (0.7, 0.25), (1.0, 0.33))
# The model leaves out hardening, thread and texture: about this much, over about so many free places.
_MODEL_ERROR_HU = 250.0
_FREE_PLACES = 60.0
_BACKGROUND_HU, _BACKGROUND_SD_HU = 300.0, 300.0
_BLUR_SD_SHARE = 0.35
_MOST_BOX = 0.9  # of the blur across; the rest is focus, motion, thread


@dataclass(frozen=True, slots=True)
class Section:
    """Blurred discs fitted to the cross-section of a threaded shaft.

    Parameters
    ----------
    radius_mm, radius_u_mm : float
        Radius through the crests of the thread, and its standard uncertainty.
    height_share : float
        Height of the thread over that radius; 0 for a smooth rod.
    lumen_mm : float
        Radius of a lumen, 0 if none was seen.
    blur_in_plane_mm, blur_across_mm : float
        Standard deviation of the blur along the two axes of the cross-section: within the slice,
        and square to that.
    box_mm : float
        Width of the box that is part of the second.
    core_hu, background_hu : float
        CT number of the metal (as a scale without ceiling would show it) and round it.
    """

    radius_mm: float
    radius_u_mm: float
    height_share: float
    lumen_mm: float
    blur_in_plane_mm: float
    blur_across_mm: float
    box_mm: float
    core_hu: float
    background_hu: float

    def share(self, u_mm: NDArray[np.float64], v_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how much of the metal is seen at places of the cross-section, shape (N,), 0 to 1."""
        blur = self.blur_in_plane_mm, self.blur_across_mm, self.box_mm
        return threaded_disc(u_mm, v_mm, self.radius_mm, self.height_share, self.lumen_mm, blur)

    @property
    def mean_radius_mm(self) -> float:
        """Radius of a smooth rod of the same mean cross-section, mm."""
        area = sum(part * (1.0 - depth * self.height_share) ** 2 for depth, part in _VALLEY)
        return self.radius_mm * math.sqrt(area)

    @property
    def smooth_blur_mm(self) -> float:
        """Blur that makes a smooth rod look like the threaded one on average, mm."""
        mean = sum(part * depth for depth, part in _VALLEY)
        spread = math.sqrt(sum(part * (depth - mean) ** 2 for depth, part in _VALLEY))
        return math.hypot(self.blur_mm, spread * self.height_share * self.radius_mm)

    @property
    def blur_mm(self) -> float:
        """Mean blur in the cross-section, mm."""
        return math.hypot(self.blur_in_plane_mm, self.blur_across_mm) / math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Guess:
    """Where the fit starts, and what is known beforehand."""

    radius_mm: float
    radius_sd_mm: float  # infinite if the radius is not known beforehand
    height_share: float
    lumen_mm: float
    blur_in_plane_mm: float
    blur_across_mm: float
    core_hu: float
    core_sd_hu: float  # infinite if the image tells it
    ceiling_hu: float  # NaN if the core lies below it
    box_mm: float  # slice profile, as seen in the cross-section


def blurred_disc(
    u_mm: NDArray[np.float64],
    v_mm: NDArray[np.float64],
    radius_mm: float,
    blur_u_mm: float,
    blur_v_mm: float,
    box_mm: float,
) -> NDArray[np.float64]:
    """Return a blurred disc of height one at places, shape (N,).

    Strips of the disc along `u` are blurred in closed form and added along `v`, with their mirror images.
    The blur is a Gaussian along `u`; along `v` a Gaussian and a box, of standard deviation `blur_v_mm`
    together, since a slice profile is flatter than a Gaussian.
    """
    strip = radius_mm * np.sin(np.pi / 2.0 * _NODES)  # nodes crowd where the strips get short
    half = radius_mm * np.cos(np.pi / 2.0 * _NODES)
    box = min(box_mm, _MOST_BOX * math.sqrt(12.0) * blur_v_mm) + 1e-3
    bell = math.sqrt(blur_v_mm**2 - box**2 / 12.0)
    weight = _WEIGHTS * half * np.pi / 2.0 / box
    along = ndtr((u_mm[:, None] + half) / blur_u_mm) - ndtr((u_mm[:, None] - half) / blur_u_mm)
    across = np.zeros_like(along)
    for away in (v_mm[:, None] - strip, v_mm[:, None] + strip):
        across += ndtr((away + box / 2.0) / bell) - ndtr((away - box / 2.0) / bell)
    return np.asarray((along * across) @ weight)


def threaded_disc(
    u_mm: NDArray[np.float64],
    v_mm: NDArray[np.float64],
    radius_mm: float,
    height_share: float,
    lumen_mm: float,
    blur_mm: tuple[float, float, float],
) -> NDArray[np.float64]:
    """Return the blurred cross-section averaged over a turn of the thread, a lumen taken out, shape (N,)."""
    parts = _VALLEY if height_share > 0.0 else ((0.0, 1.0),)
    share = np.zeros_like(u_mm)
    for depth, part in parts:
        share += part * blurred_disc(u_mm, v_mm, radius_mm * (1.0 - depth * height_share), *blur_mm)
    return share - blurred_disc(u_mm, v_mm, lumen_mm, *blur_mm) if lumen_mm > 0.0 else share


def fit_section(
    u_mm: NDArray[np.float64], v_mm: NDArray[np.float64], hu: NDArray[np.float64], guess: Guess
) -> Section:
    """Fit the blurred cross-section to raw voxels of the straight shaft.

    Parameters
    ----------
    u_mm, v_mm : ndarray, shape (N,)
        Places of the voxels from the axis: in the slice plane, and square to it.
    hu : ndarray, shape (N,)
        Their CT numbers; those at the ceiling tell only that the metal reaches it.
    guess : Guess
        Start, and what is known beforehand.
    """
    near = np.hypot(u_mm, v_mm) < guess.radius_mm + _BEYOND_MM
    u, v, mean = _binned(np.abs(u_mm[near]), np.abs(v_mm[near]), hu[near])
    start = np.array(
        [guess.radius_mm, guess.blur_in_plane_mm, guess.blur_across_mm, guess.core_hu, _BACKGROUND_HU]
    )
    if guess.lumen_mm > 0.0:
        start = np.append(start, guess.lumen_mm)
    prior, prior_sd = _priors(guess, len(start))
    scale = _MODEL_ERROR_HU * math.sqrt(len(u) / _FREE_PLACES)

    def misfit(x: NDArray[np.float64]) -> NDArray[np.float64]:
        model = _seen(u, v, x, guess)
        return np.concatenate([(model - mean) / scale, (x - prior) / prior_sd])

    low = np.array([0.3, 0.1, 0.1, 2000.0, -1500.0, 0.2])[: len(start)]
    high = np.array([9.0, 2.5, 2.5, 40000.0, 2500.0, 3.0])[: len(start)]
    fit = least_squares(misfit, np.clip(start, low, high), bounds=(low, high), x_scale=np.abs(start) + 0.1)
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    rest = (_seen(u, v, fit.x, guess) - mean).std()
    return Section(
        radius_mm=float(fit.x[0]),
        radius_u_mm=float(np.sqrt(covariance[0, 0]) * max(1.0, rest / _MODEL_ERROR_HU)),
        height_share=guess.height_share,
        lumen_mm=float(fit.x[5]) if len(start) > 5 else 0.0,
        blur_in_plane_mm=float(fit.x[1]),
        blur_across_mm=float(fit.x[2]),
        box_mm=guess.box_mm,
        core_hu=float(fit.x[3]),
        background_hu=float(fit.x[4]),
    )


def _priors(guess: Guess, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return prior means and standard deviations; what the image tells by itself is left free."""
    free = 1e6
    blur_u, blur_v = guess.blur_in_plane_mm, guess.blur_across_mm
    mean = [guess.radius_mm, blur_u, blur_v, guess.core_hu, _BACKGROUND_HU, guess.lumen_mm]
    sd = [
        min(guess.radius_sd_mm, free),
        _BLUR_SD_SHARE * blur_u,
        _BLUR_SD_SHARE * blur_v,
        min(guess.core_sd_hu, free),
        _BACKGROUND_SD_HU,
        0.5,
    ]
    return np.array(mean[:count]), np.array(sd[:count])


def _seen(
    u: NDArray[np.float64], v: NDArray[np.float64], x: NDArray[np.float64], guess: Guess
) -> NDArray[np.float64]:
    lumen_mm = float(x[5]) if len(x) > 5 else 0.0
    share = threaded_disc(u, v, float(x[0]), guess.height_share, lumen_mm, (x[1], x[2], guess.box_mm))
    hu = x[4] + (x[3] - x[4]) * share
    return np.asarray(hu if math.isnan(guess.ceiling_hu) else np.minimum(hu, guess.ceiling_hu))


def _binned(
    u: NDArray[np.float64], v: NDArray[np.float64], hu: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    """Return mean place and CT number in small cells of the quarter plane."""
    cell = (u / _BIN_MM).astype(int) * 1000 + (v / _BIN_MM).astype(int)
    _, label = np.unique(cell, return_inverse=True)
    count = np.bincount(label)
    return tuple(np.bincount(label, values) / count for values in (u, v, hu))
