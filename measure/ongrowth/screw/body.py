"""The body of a shaft: where it is evenly thick, and whether only a part of it is threaded."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.robust import robust_sd
from ongrowth.screw.profile import DEPTH_STEP_MM, Outline

HEAD_RATIO = 1.22  # thicker near an end is head
_END_SHARE = 0.2  # of the metal, at either end
_BODY_RATIO = (0.6, 1.45)  # thinner is tip or gap, thicker is head
_NEARLY = (0.93, 1.1)  # of the thickness: nearer an end than the first such place is head or taper
_SHORTEST_PART_MM = 5.0
_LEAST_STEP_MM = 0.1
_STEP_SIGMAS = 5.0
_INSET_MM = 1.2


@dataclass(frozen=True, slots=True)
class Body:
    """The evenly thick part of a shaft, as its outline shows it.

    Parameters
    ----------
    radius_mm : float
        Radius of the outline along the (threaded) body, blooming included.
    even_mm : tuple of float
        Stretch of the threaded part, kept off head, taper and shank.
    span_mm : tuple of float
        Stretch between head and taper, thread and shank.
    step_mm : float
        Where thread and shank meet, mm along the course; NaN if the body is of one thickness.
    thinner_mm : float
        How much thinner the shank is (radius), mm; 0 if there is none.
    """

    radius_mm: float
    even_mm: tuple[float, float]
    span_mm: tuple[float, float]
    step_mm: float = math.nan
    thinner_mm: float = 0.0


def body_of(outline: Outline, run_mm: tuple[float, float]) -> Body:
    """Return the body of a shaft between the ends of its metal.

    Parameters
    ----------
    outline : Outline
        The shaft as seen from its axis.
    run_mm : tuple of float
        Where the metal begins and ends.
    """
    low, high = run_mm
    radius, depth = outline.radius_of_area_mm, outline.depth_mm
    end_mm = _END_SHARE * (high - low)
    middle = (depth > low + end_mm) & (depth < high - end_mm) & (radius > 0.0)
    usual = float(np.median(radius[middle])) if middle.any() else 1.0
    metal = (depth > low) & (depth < high)
    plain = metal & (radius > _BODY_RATIO[0] * usual) & (radius < _BODY_RATIO[1] * usual)
    if plain.sum() * DEPTH_STEP_MM < 2.0 * _SHORTEST_PART_MM:
        inner = low + 0.25 * (high - low), high - 0.25 * (high - low)
        return Body(usual, inner, inner)
    places, widths = depth[plain], radius[plain]
    split = _split(places, widths)
    if split is None:
        thick = float(np.median(widths))
        span = _trimmed(depth[metal], radius[metal], thick, thick)
        return Body(thick, _inset(span), span)
    at, before, after = split
    span = _trimmed(depth[metal], radius[metal], before, after)
    thread = (span[0], at) if before > after else (at, span[1])
    return Body(max(before, after), _inset(thread), span, at, abs(before - after))


def _trimmed(
    depth: NDArray[np.float64], radius: NDArray[np.float64], first: float, last: float
) -> tuple[float, float]:
    """Return the stretch between the first and last place of nearly full thickness, heads left out.

    A head is as thick as the shaft at one place of its blurred far edge: nothing beyond it is shaft.
    """
    end_mm = _END_SHARE * (depth[-1] - depth[0])
    low = depth[(radius > HEAD_RATIO * first) & (depth < depth[0] + end_mm)].max(initial=depth[0])
    high = depth[(radius > HEAD_RATIO * last) & (depth > depth[-1] - end_mm)].min(initial=depth[-1])
    from_first = depth[(depth >= low) & (radius > _NEARLY[0] * first) & (radius < _NEARLY[1] * first)]
    to_last = depth[(depth <= high) & (radius > _NEARLY[0] * last) & (radius < _NEARLY[1] * last)]
    return float(from_first.min(initial=depth[-1])), float(to_last.max(initial=depth[0]))


def _inset(span_mm: tuple[float, float]) -> tuple[float, float]:
    inset = min(_INSET_MM, 0.2 * (span_mm[1] - span_mm[0]))
    return span_mm[0] + inset, span_mm[1] - inset


def _split(depth: NDArray[np.float64], radius: NDArray[np.float64]) -> tuple[float, float, float] | None:
    """Return place and radii of the best step between two levels, None if there is no clear step."""
    places = range(2, len(radius) - 2, 2)
    rest = [
        float(
            np.abs(radius[:k] - np.median(radius[:k])).sum()
            + np.abs(radius[k:] - np.median(radius[k:])).sum()
        )
        for k in places
    ]
    k = places[int(np.argmin(rest))]
    if min(k, len(radius) - k) * DEPTH_STEP_MM < _SHORTEST_PART_MM:
        return None  # a low head, or a taper
    before, after = float(np.median(radius[:k])), float(np.median(radius[k:]))
    left = np.r_[radius[:k] - before, radius[k:] - after]
    scatter = robust_sd(left, 0.0)
    one_level = float(np.abs(radius - np.median(radius)).sum())
    is_clear = abs(after - before) > max(_LEAST_STEP_MM, _STEP_SIGMAS * scatter)
    return (float(depth[k]), before, after) if is_clear and min(rest) < 0.5 * one_level else None
