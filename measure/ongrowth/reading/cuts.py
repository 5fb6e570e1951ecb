"""Pictures for the reader: cuts along and across the screw, and profiles outward from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame, direction_word
from ongrowth.halo import Halo
from ongrowth.reading.parts import Cut, Profile
from ongrowth.scan import Scan

_STEP_MM = 0.3  # about the pixel of a small-field CT: finer shows nothing, coarser hides the halo
_MARGIN_MM = 8.0  # shows the bone behind any halo, and the cortex of a pars
_REACH_MM = 12.0
_PROFILE_MM = (-2.0, 6.0)
_OUTSIDE_HU = -1024


def take_cuts(scan: Scan, frame: ScrewFrame, halo: Halo) -> tuple[Cut, ...]:
    """Return two cuts along the screw and one across it at the widest halo.

    Parameters
    ----------
    scan : Scan
        The CT, on its native grid; cuts are sampled linearly, for looking only.
    frame : ScrewFrame
        Frame of the screw.
    halo : Halo
        Tells where the halo is widest.

    Returns
    -------
    tuple of Cut
        "along-zero", "along-quarter" and "across".
    """
    reach = np.arange(-_REACH_MM, _REACH_MM, _STEP_MM)
    widest = widest_depth_mm(halo, frame.length_mm)
    along = (cut_along(scan, frame, name) for name in ("along-zero", "along-quarter"))
    return (*along, _across(scan, frame, widest, reach))


def cut_along(scan: Scan, frame: ScrewFrame, name: str) -> Cut:
    """Return one cut along the screw, "along-zero" or "along-quarter".

    Parameters
    ----------
    scan : Scan
        The CT; the cut is sampled linearly, for looking only.
    frame : ScrewFrame
        Frame of the screw, or of where it would lie if something else had stayed where it was.
    name : str
        Which of the two planes.
    """
    depth = np.arange(-_MARGIN_MM, frame.length_mm + _MARGIN_MM, _STEP_MM)
    up = frame.zero_direction if name == "along-zero" else frame.quarter_direction
    return _along(scan, frame, name, up, depth, np.arange(-_REACH_MM, _REACH_MM, _STEP_MM))


def take_defect_cuts(scan: Scan, frame: ScrewFrame) -> tuple[Cut, ...]:
    """Return two cuts along the bone through a defect that no screw crosses; its middle lies at 0 mm.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Runs along the bone, the defect in its middle.
    """
    depth = np.arange(0.0, frame.length_mm, _STEP_MM)
    reach = np.arange(-_REACH_MM, _REACH_MM, _STEP_MM)
    square = frame.zero_direction, frame.quarter_direction
    ends = direction_word(-frame.axis_direction, square), direction_word(frame.axis_direction, square)
    directions = {"along-zero": frame.zero_direction, "along-quarter": frame.quarter_direction}
    cuts = [_along(scan, frame, name, across, depth, reach) for name, across in directions.items()]
    middle = frame.length_mm / 2.0
    return tuple(
        replace(cut, right_mm=cut.right_mm - middle, edge_words=(*ends, *cut.edge_words[2:])) for cut in cuts
    )


def widest_depth_mm(halo: Halo, length_mm: float) -> float:
    """Return the depth at which the halo, averaged round the screw, is widest; the middle if none is."""
    width = np.where(np.isfinite(halo.map.width_mm), halo.map.width_mm, 0.0)
    measured = np.isfinite(halo.map.width_mm).sum(axis=1)
    mean = width.sum(axis=1) / np.maximum(measured, 1)
    enough = measured >= 0.5 * width.shape[1]
    if not np.any(enough):
        return length_mm / 2.0
    return float(halo.map.depth_mm[np.argmax(np.where(enough, mean, -np.inf))])


def take_profiles(scan: Scan, frame: ScrewFrame, halo: Halo, radius_mm: float) -> tuple[Profile, ...]:
    """Return the CT number against distance from the thread envelope, for each side that has cells.

    Of a shaft that no defect parts there is one, called "whole".

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Frame of the screw.
    halo : Halo
        Its map tells which places belong to which side.
    radius_mm : float
        Radius of the thread envelope (half of the major diameter), mm.
    """
    distance = np.arange(_PROFILE_MM[0], _PROFILE_MM[1], _STEP_MM / 2.0)
    depth, angle = np.meshgrid(halo.map.depth_mm, halo.map.angle_deg, indexing="ij")
    out = []
    for name, side in halo.parts.items():
        cells = halo.map.side == side
        if np.any(cells):
            radius = np.maximum(radius_mm + distance, 0.0)
            places = frame.world(radius[None, :], angle[cells][:, None], depth[cells][:, None])
            out.append(_profile(name, distance, _sample(scan, places)))
    return tuple(out)


def _profile(side: str, distance_mm: NDArray[np.float64], hu: NDArray[np.float64]) -> Profile:
    low, high = np.percentile(hu, [10.0, 90.0], axis=0)
    return Profile(side, distance_mm, hu.mean(axis=0), low, high)


def _along(
    scan: Scan,
    frame: ScrewFrame,
    name: str,
    across: NDArray[np.float64],
    depth_mm: NDArray[np.float64],
    reach_mm: NDArray[np.float64],
) -> Cut:
    """Cut in the plane of the axis and one direction; that direction points up."""
    up = reach_mm[::-1]
    places = frame.origin_mm + depth_mm[None, :, None] * frame.axis_direction + up[:, None, None] * across
    words = ("screw head", "screw tip", direction_word(across), direction_word(-across))
    return Cut(name, _sample(scan, places).astype(np.int16), depth_mm, up, words)


def _across(scan: Scan, frame: ScrewFrame, depth_mm: float, reach_mm: NDArray[np.float64]) -> Cut:
    """Cut across the axis, seen from the head: the zero direction up, the quarter direction right."""
    up = reach_mm[::-1]
    places = (
        frame.origin_mm
        + depth_mm * frame.axis_direction
        + reach_mm[None, :, None] * frame.quarter_direction
        + up[:, None, None] * frame.zero_direction
    )
    quarter, zero = frame.quarter_direction, frame.zero_direction
    words = (direction_word(-quarter), direction_word(quarter), direction_word(zero), direction_word(-zero))
    return Cut("across", _sample(scan, places).astype(np.int16), reach_mm, up, words, depth_mm)


def _sample(scan: Scan, places_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return linearly interpolated HU at patient places, shape (..., 3); air outside the scan."""
    from scipy.ndimage import map_coordinates

    flat = places_mm.reshape(-1, 3)
    part = scan.crop(scan.box(_corners(flat), margin_mm=2.0))  # copies to float only what is looked at
    index = part.voxels(flat).T
    hu = np.asarray(part.hu, dtype=np.float32)
    out = map_coordinates(hu, index, order=1, mode="constant", cval=_OUTSIDE_HU)
    return np.asarray(out, dtype=np.float64).reshape(places_mm.shape[:-1])


def _corners(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the eight corners of the box round points; all are needed where the grid is oblique."""
    low, high = points_mm.min(axis=0), points_mm.max(axis=0)
    pick = np.array(np.meshgrid(*[(0, 1)] * 3)).reshape(3, -1).T
    return np.asarray(np.where(pick == 0, low, high))
