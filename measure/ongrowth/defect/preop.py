"""Find a defect that no screw crosses, near a point: before surgery, or on the other side."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ongrowth.defect.blur import thickness_mm, usual_blur
from ongrowth.defect.columns import Columns, FloatArray
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.middle import Middle, alike, fit_middle, weigh, with_rivals
from ongrowth.defect.plane import DefectPlane
from ongrowth.defect.section import bone_shores
from ongrowth.defect.slit import Block, Slit, distinct, find_slits
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform, unit
from ongrowth.scan import Level, Problem, Scan

_ANTERIOR = np.array([0.0, -1.0, 0.0])
_REACH_MM = 8.0
_HALF_HEIGHT_MM = 13.0
_SLOPES = np.linspace(-1.1, 1.1, 19)
_WIDTHS_MM = np.array([0.8, 1.6, 2.8, 4.8])
_COARSE, _FINE = GapGrid(0.9, 0.4), GapGrid(0.6, 0.3)
_DEPTHS_MM = (0.0, 1.2, 2.4)  # behind a face, where the middle of the bone is looked for
_MOST_CANDIDATES = 10
_MOST_REFINED = 3
_HALF_FRAME_MM = 15.0
_ENDS_MM = 4.0  # of a screw's course, where no defect is looked for
_HALF = 0.5**0.5
# the ways of looking: each patient axis in turn, and the diagonals of the sagittal plane, run across the slit
_WAYS = (
    *(np.roll(np.eye(3), k, axis=1) for k in range(3)),
    np.array([[1.0, 0.0, 0.0], [0.0, _HALF, -_HALF], [0.0, _HALF, _HALF]]),
    np.array([[1.0, 0.0, 0.0], [0.0, _HALF, _HALF], [0.0, -_HALF, _HALF]]),
)


@dataclass(frozen=True, slots=True, eq=False)
class OpenDefect:
    """A defect without a screw.

    Parameters
    ----------
    defect : DefectPlane
        How "pre-op"; its point in the middle of the bone; its normal points to the front, as a screw
        from the lamina to the pedicle would cross it.
    frame : ScrewFrame
        Runs along the bone through the defect, head end behind it.
    worth : float
        How much speaks for it, to compare candidates: larger is likelier.
    """

    defect: DefectPlane
    frame: ScrewFrame
    worth: float = math.nan


@dataclass(frozen=True, slots=True)
class PreopSettings:
    """How a defect is searched for near a point.

    `near_mm`: how far from the point the slit may lie. `least_significance`, `least_share`: as for a
    defect with a screw.
    """

    near_mm: float = 6.0
    least_significance: float = 2.6
    least_share: float = 0.15
    n_refinements: int = 3


DEFAULT_SETTINGS = PreopSettings()


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """A middle plane, the course of the bone through it, and how far its slit stands out."""

    middle: Middle
    course: FloatArray
    significance: float

    @property
    def worth(self) -> float:
        """How much speaks for it."""
        return self.significance * self.middle.worth


def find_open_defect(
    scan: Scan, point_mm: ArrayLike, *, settings: PreopSettings = DEFAULT_SETTINGS
) -> OpenDefect | Problem:
    """Find the slit across a neck of bone near a point.

    Parameters
    ----------
    scan : Scan
        A CT without metal there.
    point_mm : array_like, shape (3,)
        A place in or near the defect, patient mm (LPS).
    settings : PreopSettings
        How it is searched.

    Returns
    -------
    OpenDefect or Problem
        The defect, or the reason why there is none to be seen.

    Raises
    ------
    Refused
        If the point lies outside the scan (code ``out-of-scan``).
    """
    point = np.asarray(point_mm, dtype=np.float64)
    scan.box(point, 0.0)
    return _best_of(scan, _candidates(scan, point, settings), settings)


def find_defect_along(
    scan: Scan, frame: ScrewFrame, *, settings: PreopSettings = DEFAULT_SETTINGS
) -> OpenDefect | Problem:
    """Find the slit across the bone along the course that a screw takes later.

    Parameters
    ----------
    scan : Scan
        A CT without metal there.
    frame : ScrewFrame
        Course of the screw, patient mm (LPS) of this CT.
    settings : PreopSettings
        How it is searched.

    Returns
    -------
    OpenDefect or Problem
        The defect, or the reason why there is none to be seen.

    Raises
    ------
    Refused
        If the course lies outside the scan (code ``out-of-scan``).
    """
    side = np.arange(-_REACH_MM, _REACH_MM + 0.1, 0.5)
    block = Block.of(scan, frame.world_from_screw, side, side, np.arange(0.0, frame.length_mm, 0.4))
    inner = (block.z_mm > _ENDS_MM) & (block.z_mm < frame.length_mm - _ENDS_MM)
    slits = find_slits(block, _SLOPES, _WIDTHS_MM, inner, 0.0)
    likely = [slit for slit in slits if slit.significance > settings.least_significance]
    found = [(slit, slit.plane(frame.world_from_screw)) for slit in distinct(likely)]
    return _best_of(scan, found, settings)


def _best_of(
    scan: Scan, candidates: list[tuple[Slit, Plane]], settings: PreopSettings
) -> OpenDefect | Problem:
    """Fit the gap at each candidate, refine those that differ, and take the worthiest."""
    coarse = [
        _fitted(scan, plane, plane.normal, slit.width_mm, _COARSE, slit.significance)
        for slit, plane in candidates
    ]
    different = _different([one for one in coarse if one is not None])
    fine = _different([_refined(scan, one, settings) for one in different[:_MOST_REFINED]])
    fine = [one for one in fine if one.middle.open_share >= settings.least_share]
    if not fine:
        return _not_seen()
    middles = [one.middle for one in fine]
    middle = with_rivals(middles[0], middles[1:], weigh([one.worth for one in fine]), thickness_mm(scan))
    return _open_defect(replace(fine[0], middle=middle))


def _different(candidates: list[_Candidate]) -> list[_Candidate]:
    """Return those that differ, the worthiest first."""
    kept: list[_Candidate] = []
    for one in sorted(candidates, key=lambda c: -c.worth):
        if not any(alike(one.middle, k.middle) for k in kept):
            kept.append(one)
    return kept


def _refined(scan: Scan, candidate: _Candidate, settings: PreopSettings) -> _Candidate:
    for _ in range(settings.n_refinements):
        middle = candidate.middle
        candidate = (
            _fitted(scan, middle.plane, candidate.course, middle.gap_mm, _FINE, candidate.significance)
            or candidate
        )
    return candidate


def _not_seen() -> Problem:
    return Problem(
        "defect-not-seen",
        Level.NOTE,
        "No slit crosses the bone near this point.",
        "Give a point inside the defect, or its plane by three points.",
    )


def _candidates(scan: Scan, point: FloatArray, settings: PreopSettings) -> list[tuple[Slit, Plane]]:
    """Return slits near the point, looked for along each patient axis, the likeliest first."""
    side = np.arange(-_REACH_MM, _REACH_MM + 0.1, 0.5)
    along = np.arange(-_HALF_HEIGHT_MM, _HALF_HEIGHT_MM + 0.1, 0.4)
    found = []
    for axes in _WAYS:
        world_from_block = RigidTransform(axes, point)
        block = Block.of(scan, world_from_block, side, side, along)
        slits = find_slits(block, _SLOPES, _WIDTHS_MM, np.abs(along) <= settings.near_mm, 0.0)
        likely = [s for s in slits if s.significance > settings.least_significance]
        found += [(s, s.plane(world_from_block)) for s in distinct(likely)]
    found.sort(key=lambda one: -one[0].significance)
    return found[:_MOST_CANDIDATES]


def _fitted(
    scan: Scan, plane: Plane, course: FloatArray, gap_mm: float, grid: GapGrid, significance: float
) -> _Candidate | None:
    """Fit the gap; move the point to the middle of the bone, and turn the course along it."""
    gap = fit_gap(scan, plane, course, gap_mm, grid, usual_blur(scan))
    middle = fit_middle(gap) if gap else None
    if gap is None or middle is None:
        return None
    centre, turned = _course(gap.columns, middle.gap_mm)
    away = (centre - middle.plane.point_mm) @ middle.plane.normal
    moved = Plane(centre - away * middle.plane.normal, middle.plane.normal)
    return _Candidate(replace(middle, plane=moved), turned, significance)


def _course(columns: Columns, gap_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return the middle of the bone in the plane, and the direction of the bone through it."""
    u, v = np.meshgrid(columns.grid_mm, columns.grid_mm, indexing="ij")
    heights, centres = [], []
    for depth in _DEPTHS_MM:
        half = gap_mm / 2.0 + depth
        for height, shore in zip((-half, half), bone_shores(columns, -half, half, 0.0), strict=True):
            if shore.any():
                heights.append(height)
                centres.append((u[shore].mean(), v[shore].mean()))
    design = np.column_stack([np.ones(len(heights)), heights])
    fit = np.linalg.lstsq(design, np.array(centres), rcond=None)[0]
    at = np.array([0.0, 1.0])
    place = columns.world(fit[0, 0] + fit[1, 0] * at, fit[0, 1] + fit[1, 1] * at, at)
    return place[0], unit(place[1] - place[0])


def _open_defect(found: _Candidate) -> OpenDefect:
    plane, course = found.middle.plane, found.course
    sign = 1.0 if plane.normal @ _ANTERIOR >= 0.0 else -1.0
    course = course * np.sign(course @ plane.normal) * sign
    ends = plane.point_mm - _HALF_FRAME_MM * course, plane.point_mm + _HALF_FRAME_MM * course
    defect = DefectPlane(
        Plane(plane.point_mm, sign * plane.normal),
        found.middle.gap_mm,
        "pre-op",
        found.middle.u_angle_deg,
        found.middle.u_offset_mm,
        rivals=found.middle.rivals,
    )
    return OpenDefect(defect, ScrewFrame.of(*ends), found.worth / found.significance)
