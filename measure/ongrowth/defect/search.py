"""Find the open defects of one vertebra before surgery, on both sides, without a point to start from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.spatial.transform import Rotation

from ongrowth.defect.preop import (
    OpenDefect,
    PreopSettings,
    Prospect,
    Sighting,
    decide,
    find_open_defect,
    fit_slits,
    look_near,
)
from ongrowth.defect.slit import Block, darkness_hu
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, unit
from ongrowth.scan import Level, Problem, Refused, Scan, refuse
from ongrowth.screw.canal import canal_x_mm

FloatArray = NDArray[np.float64]

SIDES = ("left", "right")
# From the lamina to the pedicle: forward and up, a little outward. Anatomy of the lumbar arch; the angles
# tried about it cover the tilt of a defect and of the pose.
_COURSE = np.array([0.18, -0.72, 0.67])
_TURNS_DEG = (-28.0, 0.0, 28.0)
_WIDTHS_MM = (1.0, 2.4, 4.4, 6.4)
_STEP_MM = 0.9
_HALF_SQUARE_MM = 3.0  # about the section of a pars
_MARGIN_MM = 6.5  # about the box looked through: the square, the shores and the distance of peaks reach out
_LEAST_DARK_HU = 15.0  # a thin gap between dense rims is hardly darker than the bone behind them
_FROM_MIDDLE_MM = (6.0, 32.0)  # how far from the canal's middle a pars lies, child to grown
_MOST_MM = 75.0  # a taller CT shows more than one level
_BONE_HU = 180.0
# Notches and joints may be darker than a defect with bone in it, and slits may stand out farther there. Gaps
# are fitted along courses at the darkest places, and of the others along those with the clearest slits.
_PEAKS, _DARKEST, _CLEAREST = 16, 3, 3
_ALIKE_MM, _ALIKE_DEG = 1.0, 6.0  # courses that show the same slits
# More is asked where no point says that there is a defect. On tuning phantoms of two kinds slits of whole
# sides had a clarity of up to 3.4, but for one (3.7) and one full of callus (4.3); defects had 3.5 and more,
# but for one that is bridged to three fifths (3.0).
_LEAST_WORTH, _LEAST_CLARITY = 1.0, 3.5
# Of the worth of the best slit so far: what is worth less when fitted coarsely is neither chosen nor a rival.
# On phantoms, true slits gained up to 1.9 times by being refined.
_SHARE_REFINED, _SHARE_CLEAR = 0.35, 0.5
_APART_MM = 5.0
_AROUND_MM = 6.0  # half the section of a pars and the bone behind its faces
_MIRRORED = PreopSettings(near_mm=8.0)  # the two sides of an arch differ by some millimetres


@dataclass(frozen=True, slots=True)
class _Peak:
    place_mm: FloatArray
    dark_hu: float


def find_open_defects(scan: Scan) -> dict[str, OpenDefect | Problem]:
    """Find the slit across the arch on the left and on the right.

    A slit is looked for across the course of the pars; joints look alike where they lie so, and only a
    reader can tell them apart.

    Parameters
    ----------
    scan : Scan
        A CT of one level without metal.

    Returns
    -------
    dict
        For "left" and "right" the defect, or the reason why there is none to be seen.

    Raises
    ------
    Refused
        Code ``point-needed`` where the CT shows more than one level.
    """
    low, high = _bone_box(scan)
    if high[2] - low[2] > _MOST_MM:
        raise refuse(
            "point-needed",
            f"This CT shows {high[2] - low[2]:.0f} mm of spine, more than one level.",
            "Give a point in or near the defect with --point X,Y,Z, or a series of the one level.",
        )
    middle_x = canal_x_mm(scan, (low + high) / 2.0)
    middle_x = float((low[0] + high[0]) / 2.0) if np.isnan(middle_x) else middle_x
    return {side: _on_side(scan, side, low, high, middle_x) for side in SIDES}


def find_open_defects_at(
    scan: Scan, point_mm: ArrayLike, stated_side: str = ""
) -> dict[str, OpenDefect | Problem]:
    """Find the slit near a point, and the one on the other side where the arch mirrors it.

    Parameters
    ----------
    scan : Scan
        A CT without metal there.
    point_mm : array_like, shape (3,)
        A place in or near the defect, patient mm (LPS).
    stated_side : str
        The side of the point, "left" or "right", as a reader states it; "" where it is not stated.

    Returns
    -------
    dict
        By "left" and "right"; where no canal tells the middle, by the side stated or "not established" alone.

    Raises
    ------
    Refused
        If the point lies outside the scan (code ``out-of-scan``) or on the other side (``side-mismatch``).
    """
    point = np.asarray(point_mm, dtype=np.float64)
    here = find_open_defect(scan, point)
    middle_x = canal_x_mm(scan, point)
    if np.isnan(middle_x):
        return {stated_side or "not established": here}
    side, other = SIDES if point[0] > middle_x else SIDES[::-1]
    if stated_side not in ("", side):
        raise refuse(
            "side-mismatch",
            f"The point lies on the {side} of the canal, stated is {stated_side}.",
            "Check the point and its side.",
        )
    mirrored = point * [-1.0, 1.0, 1.0] + [2.0 * middle_x, 0.0, 0.0]
    try:
        there = find_open_defect(scan, mirrored, settings=_MIRRORED)
    except Refused:
        there = _none_seen(other)
    is_seen = not isinstance(there, Problem) and there.worth > _LEAST_WORTH and there.clarity > _LEAST_CLARITY
    found = {side: here, other: there if is_seen else _none_seen(other)}
    return {name: found[name] for name in SIDES}


def side_doubt(
    scan: Scan, found: Mapping[str, OpenDefect | Problem], point_mm: ArrayLike | None = None
) -> tuple[Problem, ...]:
    """Return the caution that no canal tells left from right, so that a side is as stated, or guessed.

    Parameters
    ----------
    scan : Scan
        The CT.
    found : mapping
        What was found on each side.
    point_mm : array_like, shape (3,), optional
        The place a reader gave, patient mm (LPS).
    """
    seen = [one for one in found.values() if isinstance(one, OpenDefect)]
    if "not established" in found or len(seen) == len(SIDES):  # two tell each other's side
        return ()
    near = np.mean(_bone_box(scan), axis=0) if point_mm is None else point_mm
    if not np.isnan(canal_x_mm(scan, near)):
        return ()
    if point_mm is None:
        how = "left and right are told by the middle of the bone it shows, and may be wrong"
        advice = "Compare the place with the pictures, or give a point in the defect and its side."
    else:
        how, advice = "the side is as stated", "Compare the place with the pictures."
    return (Problem("side-not-shown", Level.CAUTION, f"This CT shows no canal: {how}.", advice),)


def _bone_box(scan: Scan) -> tuple[FloatArray, FloatArray]:
    """Return two corners of the box that holds the bone, patient mm."""
    step = [max(1, round(2.0 / s)) for s in scan.step_mm]
    k, j, i = np.nonzero(scan.hu[:: step[0], :: step[1], :: step[2]] > _BONE_HU)
    if k.size == 0:
        raise refuse("no-bone", "No bone is seen in this CT.", "Check that it is the right series.")
    places = scan.world_mm(np.column_stack([k, j, i]) * np.array(step))
    return np.percentile(places, 0.5, axis=0), np.percentile(places, 99.5, axis=0)


def _on_side(
    scan: Scan, side: str, low: FloatArray, high: FloatArray, middle_x: float
) -> OpenDefect | Problem:
    sign = 1.0 if side == "left" else -1.0
    edges = middle_x + sign * np.array(_FROM_MIDDLE_MM)
    corners = np.array([[edges.min(), *low[1:]], [edges.max(), *high[1:]]])
    best: OpenDefect | None = None
    most = _LEAST_WORTH
    for prospect in _prospects(scan, _peaks(scan, sign, corners)):
        if prospect.clarity < _SHARE_CLEAR * _LEAST_CLARITY:  # none of its slits will be clear enough
            continue
        found = decide(scan, prospect.worth_more_than(_SHARE_REFINED * most))
        if isinstance(found, Problem) or found.clarity < _LEAST_CLARITY:
            continue
        if not _is_within(scan, found.defect.plane.point_mm):
            continue
        away = np.abs(found.defect.plane.point_mm[0] - middle_x)
        if found.worth > most and _FROM_MIDDLE_MM[0] / 2.0 < away < _FROM_MIDDLE_MM[1] + 4.0:
            best, most = found, found.worth
    return best or _none_seen(side)


def _prospects(scan: Scan, peaks: Sequence[_Peak]) -> list[Prospect]:
    """Return the slits near the peaks, those of most worth first; a few courses alone are fitted."""
    seen = _sightings(scan, peaks)
    others = sorted(seen[_DARKEST:], key=lambda one: -one.clearest)
    chosen = (*seen[:_DARKEST], *others[:_CLEAREST])
    found = [fit_slits(scan, one) for one in chosen if one.clearest > _LEAST_CLARITY]
    return sorted(found, key=lambda one: -one.worth)


def _sightings(scan: Scan, peaks: Sequence[_Peak]) -> list[Sighting]:
    """Return what stands out along the courses of bone near the peaks, in their order, each course once."""
    kept: list[Sighting] = []
    for peak in peaks:
        try:
            one = look_near(scan, peak.place_mm)
        except Refused:
            continue
        if one is not None and not any(_is_one_course(one.frame, k.frame) for k in kept):
            kept.append(one)
    return kept


def _is_one_course(one: ScrewFrame, other: ScrewFrame) -> bool:
    apart = (one.origin_mm + one.tip_mm - other.origin_mm - other.tip_mm) / 2.0
    cosine = float(one.axis_direction @ other.axis_direction)
    return float(np.linalg.norm(apart)) < _ALIKE_MM and cosine > math.cos(math.radians(_ALIKE_DEG))


def _is_within(scan: Scan, point: FloatArray) -> bool:
    """Whether the scan shows what lies about a place: bone cut off by its edge ends like a face."""
    around = point + _AROUND_MM * np.vstack([np.eye(3), -np.eye(3)])
    index = scan.voxels(around)
    return bool(np.all((index >= 0.0) & (index <= np.array(scan.hu.shape) - 1.0)))


def _none_seen(side: str) -> Problem:
    return Problem(
        "defect-not-seen",
        Level.NOTE,
        f"No slit crosses the arch on the {side} side.",
        "Give a point inside the defect with --point, if there is one.",
    )


def _peaks(scan: Scan, sign: float, corners: FloatArray) -> list[_Peak]:
    """Return the places with the darkest squares across the course of the pars, the darkest first."""
    middle, size = corners.mean(axis=0), np.ptp(corners, axis=0)
    half = float(np.linalg.norm(size)) / 2.0
    grid = np.arange(-half, half + _STEP_MM / 2.0, _STEP_MM)
    found: list[_Peak] = []
    for axes in _ways(sign):
        reach = np.abs(axes).T @ (size / 2.0) + _MARGIN_MM
        x, y, z = (grid[np.abs(grid) <= r] for r in reach)
        block = Block.of(scan, RigidTransform(axes, middle), x, y, z)
        for width in _WIDTHS_MM:
            found += _darkest(block, width, corners)
    found.sort(key=lambda peak: -peak.dark_hu)
    kept: list[_Peak] = []
    for peak in found:
        if all(np.linalg.norm(peak.place_mm - k.place_mm) > _APART_MM for k in kept):
            kept.append(peak)
    return kept[:_PEAKS]


def _ways(sign: float) -> list[FloatArray]:
    """Return the axes of blocks whose third axis runs along the pars, tilted a few ways."""
    course = unit(_COURSE * np.array([sign, 1.0, 1.0]))
    first = unit(np.cross([0.0, 0.0, 1.0], course))
    axes = np.column_stack([first, np.cross(course, first), course])
    tilts = [(a, b) for a in _TURNS_DEG for b in _TURNS_DEG]
    return [axes @ Rotation.from_euler("xy", tilt, degrees=True).as_matrix() for tilt in tilts]


def _darkest(block: Block, width_mm: float, corners: FloatArray) -> list[_Peak]:
    """Return the local maxima of the darkness averaged over a square across the third axis."""
    size = round(2.0 * _HALF_SQUARE_MM / _STEP_MM)
    dark = ndimage.uniform_filter(darkness_hu(block, width_mm), (size, size, 1), mode="constant")
    at = _tops(dark, _LEAST_DARK_HU, round(_APART_MM / _STEP_MM))
    places = block.world_from_block.apply(
        np.column_stack([block.x_mm[at[:, 0]], block.y_mm[at[:, 1]], block.z_mm[at[:, 2]]])
    )
    inside = np.all((places > corners.min(axis=0)) & (places < corners.max(axis=0)), axis=1)
    return [_Peak(place, float(dark[tuple(k)])) for place, k in zip(places[inside], at[inside], strict=True)]


def _tops(values: NDArray[np.float32], least: float, size: int) -> NDArray[np.intp]:
    """Return where values above `least` are the largest of the cube about them, shape (N, 3).

    Few places pass the first neighbours, so that most of the cubes are never looked at.
    """
    reach = size // 2
    padded = np.pad(values, reach, constant_values=-np.inf)
    flat, strides = padded.ravel(), np.array(padded.strides) // padded.itemsize
    left = np.flatnonzero(flat > least)
    around = np.stack(np.meshgrid(*[np.arange(-reach, size - reach)] * 3, indexing="ij"), axis=-1).reshape(
        -1, 3
    )
    for away in around[np.argsort(np.abs(around).sum(axis=1), kind="stable")] @ strides:
        left = left[flat[left] >= flat[left + away]]
    return np.stack(np.unravel_index(left, padded.shape), axis=1) - reach
