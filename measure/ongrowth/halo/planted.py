"""Would this scan have shown it? Halos planted in the user's own image, and measured again.

The image of a planted halo is the image as it is, less the model as fitted, plus the model with the planted
width: noise, streaks and bone texture stay the user's own. It is then measured again, from a start
that knows nothing of it, on every third voxel, with the fit's own weights. What this image alone
cannot show, another noise and an error of the blur, is added from the fit's own uncertainty.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ongrowth.frame import ScrewFrame
from ongrowth.halo.fit import Problem, State, Weighting, comparable_cost, solve
from ongrowth.halo.map import SIDES, Halo
from ongrowth.halo.measure import Fitted
from ongrowth.halo.samples import Samples
from ongrowth.halo.scene import HaloSettings
from ongrowth.halo.whatif import node_weight, thinned, variance_parts

FloatArray = NDArray[np.float64]

WIDTHS_MM = (0.0, 0.5, 1.0, 2.0)  # none: what is found all the same is a false call
SHAPES = ("even", "one-sided")
_TRIED_MM = np.array([0.1, 0.5, 1.0, 1.5, 2.1, 2.8])  # everywhere: the edge is multimodal
_STEPS = 4


@dataclass(frozen=True, slots=True)
class Planted:
    """A planted halo, and how often it would be found.

    Parameters
    ----------
    width_mm : float
        Planted width, mm.
    shape : str
        "even", or "one-sided": of that width over one half of the circumference, falling to nothing.
    side : str
        "head_side" or "tip_side".
    read_mm : float
        Mean width of the side as measured again, mm.
    found_share : float
        Share of scans like this one in which the side would read above its detection limit.
    """

    width_mm: float
    shape: str
    side: str
    read_mm: float
    found_share: float


def plant(
    fitted: Fitted,
    halo: Halo,
    frame: ScrewFrame,
    widths_mm: tuple[float, ...] = WIDTHS_MM,
    shapes: tuple[str, ...] = SHAPES,
) -> tuple[Planted, ...]:
    """Plant halos in the image of a screw and measure them again.

    Parameters
    ----------
    fitted, halo, frame
        As for `look_ahead`.
    widths_mm : tuple of float
        Widths planted, each in place of what is there; 0: none, only once.
    shapes : tuple of str
        Of `SHAPES`.

    Returns
    -------
    tuple of Planted
        For each shape and width, the sides that were measured.
    """
    sides = [s for s in SIDES if getattr(halo, s).mean_width.is_known and variance_parts(halo, s)]
    if not sides:
        return ()
    settings = HaloSettings()
    ways = [thinned(fitted, frame, walk) for walk in (settings.walk_mm, settings.rough_walk_mm)]
    problem = ways[0][0]
    bare = _with_width(problem, fitted.solution.state, 0.0, "even")
    out = []
    for shape in shapes:
        for width in (w for w in widths_mm if w > 0.0 or shape == "even"):
            state = _with_width(problem, bare, width, shape)
            found = _measured_again(ways, fitted.solution.state, state)
            for side in sides:
                read = float(node_weight(problem, side) @ problem.fields.width_mm(found))
                out.append(Planted(width, shape, side, read, _found_share(halo, side, read)))
    return tuple(out)


def _with_width(problem: Problem, state: State, width_mm: float, shape: str) -> State:
    angle = np.concatenate([np.tile(g.angle_deg, len(g.depth_mm)) for g in problem.fields.width])
    profile = np.maximum(np.cos(np.radians(angle)), 0.0) if shape == "one-sided" else np.ones(angle.shape)
    # dense bone gives way to a halo: it begins no nearer than the halo ends
    outer = problem.model.rod.envelope_mm + width_mm * profile
    lucent = problem.fields.lucent_mm(width_mm * profile)
    return replace(state, lucent_mm=lucent, cortex_mm=np.maximum(state.cortex_mm, outer))


def _measured_again(ways: list[tuple[Problem, Weighting]], seen: State, planted: State) -> State:
    """Return what is read of the image in which a halo was planted, smooth or in patches as it asks for."""
    problem = ways[0][0]
    change = problem.render(planted).image - problem.render(seen).image
    samples = replace(problem.model.samples, hu=problem.model.samples.hu + change)
    reads = [_read(_showing(way, samples), weighting, seen) for way, weighting in ways]
    return min(reads, key=lambda read: read[0])[1]


def _showing(problem: Problem, samples: Samples) -> Problem:
    again = copy.copy(problem)
    again.model = copy.copy(problem.model)
    again.model.samples = samples
    return again


def _read(problem: Problem, weighting: Weighting, seen: State) -> tuple[float, State]:
    """Return the cost that compares, and the solution."""
    trials = [replace(seen, lucent_mm=problem.fields.lucent_mm(w)) for w in _TRIED_MM]
    costs = np.array([problem.node_costs(t, weighting.variance, weighting.dilution) for t in trials])
    starts = [replace(seen, lucent_mm=problem.fields.lucent_mm(_TRIED_MM[costs.argmin(axis=0)])), trials[0]]
    tries = [solve(problem, start, weighting, steps=_STEPS, blur_every=3) for start in starts]
    best = min(tries, key=lambda t: t.cost)
    return comparable_cost(problem, best, weighting), best.state


def _found_share(halo: Halo, side: str, read_mm: float) -> float:
    """Return how often a reading about `read_mm` would lie above the detection limit."""
    parts = variance_parts(halo, side)
    spread = np.sqrt(sum(v for part, v in parts.items() if part not in ("layer level", "radius")))
    limit = getattr(halo, side).detection_limit.value
    return float(ndtr((read_mm - limit) / spread))
