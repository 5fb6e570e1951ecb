"""Which slit is the defect: the gap is fitted at each, and the one that most speaks for is kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ongrowth.defect.gap import GapGrid
from ongrowth.defect.middle import Middle, alike, weigh, with_rivals
from ongrowth.defect.slit import Slit, distinct
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane

Fit = Callable[[Plane, float, GapGrid], Middle | None]

_COARSE, _FINE = GapGrid(0.9, 0.4), GapGrid(0.6, 0.3)
# Found on phantoms of the tuning half and the seen lot: true slits reach 0.7 and more, all but one; where the
# bone is whole 0.5.
_LEAST_WORTH = 0.6
# Residuals of this many standard deviations are still those of a scan without streaks, by the same phantoms.
# Beyond, streaks are what no fit explains; so far beyond that nothing can be told, the last.
_USUAL_MISFIT, _MOST_EXCESS = 1.8, 3.5
_MOST_FITTED, _MOST_REFINED, _N_REFINEMENTS = 9, 4, 3


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """What was fitted where a slit was seen, what fits there, and how far the slit stands out."""

    middle: Middle
    fit: Fit
    significance: float

    @property
    def worth(self) -> float:
        """How much speaks for it."""
        return self.significance * self.middle.worth

    @property
    def clarity(self) -> float:
        """How far it stands out of what texture alone makes, and how much of the bone it severs.

        How well the model fits has no say: it tells which slit is likelier, not whether there is one.
        """
        return float(self.significance * self.middle.severed**0.5)


def choose(
    slits: Sequence[Slit],
    frame: ScrewFrame,
    fit_at: Callable[[Plane, float], Fit],
    severs: Callable[[Middle], bool],
    *,
    least_share: float,
    slice_mm: float,
    has_streaks: bool = False,
) -> Candidate | None:
    """Return the likeliest plane of a defect, the others as its rivals.

    Parameters
    ----------
    slits : sequence of Slit
        Where one may lie, in the block of the frame.
    frame : ScrewFrame
        Runs along the screw, or the bone.
    fit_at : callable
        Given the plane and the width of a slit, returns what fits the gap near a plane, about so wide, on a
        grid, and tells the plane midway between its faces.
    severs : callable
        Whether a plane severs bone by another look at the image; others are dropped.
    least_share : float
        Share of the section that must be open for a plane to be seen.
    slice_mm : float
        Thickness of the slices.
    has_streaks : bool
        Whether residuals beyond the usual are put down to streaks: they then speak against no plane, and
        widen the uncertainty of all (the ratio of Birge RT, Phys Rev 1932;40:207-227, from memory).
    """
    near = [one for one in fit_coarsely(slits, frame, fit_at) if severs(one.middle)]
    return settle(near, least_share=least_share, slice_mm=slice_mm, has_streaks=has_streaks)


def fit_coarsely(
    slits: Sequence[Slit], frame: ScrewFrame, fit_at: Callable[[Plane, float], Fit]
) -> list[Candidate]:
    """Return what fits at slits that differ, the worthiest first; see `choose`."""
    coarse = []
    for slit in distinct(slits, _MOST_FITTED):
        plane = slit.plane(frame.world_from_screw)
        fit = fit_at(plane, slit.width_mm)
        middle = fit(plane, slit.width_mm, _COARSE)
        if middle is not None:
            coarse.append(Candidate(middle, fit, slit.significance))
    return _different(coarse)[:_MOST_REFINED]


def settle(
    candidates: Sequence[Candidate], *, least_share: float, slice_mm: float, has_streaks: bool = False
) -> Candidate | None:
    """Refine what was fitted coarsely, and return the likeliest, the others as its rivals; see `choose`."""
    fine = _different([_refined(one) for one in candidates])
    if has_streaks and fine:
        excess = max(1.0, min(one.middle.misfit for one in fine) / _USUAL_MISFIT)
        fine = [replace(one, middle=one.middle.in_noise(excess)) for one in fine if excess < _MOST_EXCESS]
    fine = [one for one in fine if one.middle.open_share >= least_share and one.worth > _LEAST_WORTH]
    if not fine or not fine[0].middle.is_slit:  # what explains the image best is no gap
        return None
    fine = [one for one in fine if one.middle.is_slit]
    likely = weigh([one.worth for one in fine])
    middles = [one.middle for one in fine]
    return replace(fine[0], middle=with_rivals(middles[0], middles[1:], likely, slice_mm))


def _different(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return those that differ, the worthiest first."""
    kept: list[Candidate] = []
    for one in sorted(candidates, key=lambda c: -c.worth):
        if not any(alike(one.middle, k.middle) for k in kept):
            kept.append(one)
    return kept


def _refined(candidate: Candidate) -> Candidate:
    middle = candidate.middle
    for _ in range(_N_REFINEMENTS):
        middle = candidate.fit(middle.plane, middle.gap_mm, _FINE) or middle
    return replace(candidate, middle=middle)
