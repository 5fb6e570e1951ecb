"""Find a defect that no screw crosses, near a point: before surgery, or on the other side."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ongrowth.defect.blur import usual_blur
from ongrowth.defect.choice import Candidate, fit_coarsely, settle
from ongrowth.defect.course import HALF_LENGTH_MM, bone_course
from ongrowth.defect.gap import GapGrid, fit_gap
from ongrowth.defect.middle import Middle, fit_middle
from ongrowth.defect.plane import DefectPlane
from ongrowth.defect.slit import Block, Slit, find_slits
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.scan import Level, Problem, Scan

_REACH_MM = 8.0
_SLOPES = np.linspace(-1.1, 1.1, 19)
_WIDTHS_MM = np.array([0.8, 1.6, 2.8, 4.8, 6.8])
_ENDS_MM = 4.0  # of a screw's course, where no defect is looked for
# Slits count in full up to 2 mm beyond it, over most of a pars: a bridge in its middle must not hide a gap.
_CORE_MM = 2.0


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
    clarity : float
        How far it stands out of what texture makes, and how much it severs, to tell whether there is one.
    """

    defect: DefectPlane
    frame: ScrewFrame
    worth: float = math.nan
    clarity: float = math.nan


@dataclass(frozen=True, slots=True)
class PreopSettings:
    """How a defect is searched for near a point.

    `near_mm`: how far from the point the slit may lie. `least_significance`, `share_of_clearest`,
    `least_share`: as for a defect with a screw.
    """

    near_mm: float = 6.0
    least_significance: float = 3.0
    share_of_clearest: float = 0.6
    least_share: float = 0.22


DEFAULT_SETTINGS = PreopSettings()


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """Slits that stand out along one course of the bone, the clearest first."""

    frame: ScrewFrame
    slits: tuple[Slit, ...]

    @property
    def clearest(self) -> float:
        """How far the clearest stands out; 0 where there is none."""
        return self.slits[0].significance if self.slits else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Prospect:
    """Slits along one course of the bone, fitted coarsely, the worthiest first."""

    frame: ScrewFrame
    candidates: tuple[Candidate, ...]

    @property
    def worth(self) -> float:
        """Of the worthiest; 0 where there is none."""
        return self.candidates[0].worth if self.candidates else 0.0

    @property
    def clarity(self) -> float:
        """Of the clearest; 0 where there is none."""
        return max((one.clarity for one in self.candidates), default=0.0)

    def worth_more_than(self, least: float) -> Prospect:
        """Return the same course with those slits alone."""
        return replace(self, candidates=tuple(one for one in self.candidates if one.worth > least))


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
    seen = look_near(scan, point_mm, settings)
    return decide(scan, fit_slits(scan, seen), settings) if seen else _not_seen()


def look_near(scan: Scan, point_mm: ArrayLike, settings: PreopSettings = DEFAULT_SETTINGS) -> Sighting | None:
    """Look for slits across a neck of bone near a point, as `find_open_defect` does first; None: no bone."""
    frame = bone_course(scan, point_mm)
    return _look_along(scan, frame, HALF_LENGTH_MM - settings.near_mm, settings) if frame else None


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
    return decide(scan, fit_slits(scan, _look_along(scan, frame, _ENDS_MM, settings)), settings)


def _look_along(scan: Scan, frame: ScrewFrame, ends_mm: float, settings: PreopSettings) -> Sighting:
    """Look for slits along a course."""
    side = np.arange(-_REACH_MM, _REACH_MM + 0.1, 0.5)
    block = Block.of(scan, frame.world_from_screw, side, side, np.arange(0.0, frame.length_mm, 0.4))
    inner = (block.z_mm > ends_mm) & (block.z_mm < frame.length_mm - ends_mm)
    slits = find_slits(block, _SLOPES, _WIDTHS_MM, inner, _CORE_MM)
    clearest = max((slit.significance for slit in slits), default=0.0)
    least = max(settings.least_significance, settings.share_of_clearest * clearest)
    return Sighting(frame, tuple(slit for slit in slits if slit.significance > least))


def fit_slits(scan: Scan, seen: Sighting) -> Prospect:
    """Fit the gap at each slit of a course coarsely."""
    blur = usual_blur(scan)

    def fit(plane: Plane, gap_mm: float, grid: GapGrid) -> Middle | None:
        gap = fit_gap(scan, plane, seen.frame.axis_direction, gap_mm, grid, blur)
        middle = fit_middle(gap) if gap else None
        return middle.no_better_than_noise() if middle else None

    return Prospect(seen.frame, tuple(fit_coarsely(seen.slits, seen.frame, lambda *_: fit)))


def decide(
    scan: Scan, prospect: Prospect, settings: PreopSettings = DEFAULT_SETTINGS
) -> OpenDefect | Problem:
    """Refine the slits of a course, and return the worthiest as the defect."""
    found = settle(prospect.candidates, least_share=settings.least_share, slice_mm=scan.nominal_slice_mm)
    return _open_defect(found, prospect.frame) if found else _not_seen()


def _not_seen() -> Problem:
    return Problem(
        "defect-not-seen",
        Level.NOTE,
        "No slit crosses the bone near this point.",
        "Give a point in the middle of the defect, if there is one.",
    )


def _open_defect(found: Candidate, frame: ScrewFrame) -> OpenDefect:
    middle = found.middle
    along = HALF_LENGTH_MM * frame.axis_direction
    defect = DefectPlane(
        middle.plane, middle.gap_mm, "pre-op", middle.u_angle_deg, middle.u_offset_mm, rivals=middle.rivals
    )
    centred = ScrewFrame.of(middle.plane.point_mm - along, middle.plane.point_mm + along)
    return OpenDefect(defect, centred, found.worth, found.clarity)
