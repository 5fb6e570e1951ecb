"""How well the fields are known: covariance, draws of the true field, and what limits them.

The unknowns of the whole screw (blur, metal, axis, hardening) are few; given them the fields are
nearly independent of each other. So the covariance of the fields is their own, plus what the shared
unknowns drag along; the second part falls into the named parts of the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.halo.fit import Problem, Solution, Weighting, lifted, normal_at
from ongrowth.halo.model import (
    BLUR,
    CENTRE,
    CREST,
    HARDENING,
    LAYER,
    METAL,
    N_SHARED,
    RAMP,
    RIM_HU,
    RIM_MM,
)
from ongrowth.halo.system import Factor

FloatArray = NDArray[np.float64]

# Physics outside the model (aperture averaging, scatter) pulls blur and metal along directions in which
# the data hardly resist; found on the tuning half.
_SHARED_FACTOR = 1.2
_LEAST_MM = (0.02, 0.15, 0.3, 0.45, 0.6)  # of halo, where the spread is taken

PARTS: dict[str, list[int]] = {
    "blur": list(range(BLUR.start, BLUR.stop)),
    "metal": [METAL, RAMP, CREST],
    "axis": list(range(CENTRE.start, CENTRE.stop)),
    "hardening": list(range(HARDENING.start, HARDENING.stop)),
    "layer level": list(range(LAYER.start, LAYER.stop)),
    "rim": list(range(RIM_HU.start, RIM_MM.stop)),
}


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Covariance of the width nodes, split into own and shared parts.

    Parameters
    ----------
    n_width : int
        Number of width nodes.
    own : Factor
        Factor of the fields' precision.
    drag : ndarray, shape (Q, P)
        How the fields follow the shared unknowns.
    shared_precision : ndarray, shape (P, P)
        Precision of the shared unknowns, fields solved out.
    """

    n_width: int
    own: Factor
    drag: FloatArray
    shared_precision: FloatArray

    @property
    def shared_covariance(self) -> FloatArray:
        """Covariance of the shared unknowns, widened by what the model leaves out, shape (P, P)."""
        return np.asarray(linalg.inv(self.shared_precision) * _SHARED_FACTOR**2)

    def mean_sd_mm(self, n_head: int) -> float:
        """Return the standard deviation of a side's mean over the nodes, of the side known less well, mm."""
        sides = np.arange(self.n_width) < n_head
        weights = (side / side.sum() for side in (sides, ~sides))
        return max(math.sqrt(sum(self.variance_parts(weight).values())) for weight in weights)

    def draw_own(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Return draws of what noise and texture alone do to the width nodes, shape (nodes, n), mm."""
        return self.own.scatter(rng.standard_normal((self.own.size, n)))[: self.n_width]

    def variance_parts(self, weight: FloatArray) -> dict[str, float]:
        """Return the variance of a weighted mean of the width nodes by part, mm2.

        What is left when a part is taken to be known is the others'; parts that share the blame
        share the difference by their own sizes.
        """
        full = np.zeros(self.own.size)
        full[: self.n_width] = weight
        own = self.own.solve(full)
        follow = full @ self.drag
        covariance = self.shared_covariance
        total_shared = float(follow @ covariance @ follow)
        gains = {}
        for name, index in PARTS.items():
            known = _conditioned(covariance, index)
            gains[name] = max(total_shared - float(follow @ known @ follow), 0.0)
        scale = total_shared / max(sum(gains.values()), 1e-12)
        return {"noise and texture": float(full @ own)} | {k: v * scale for k, v in gains.items()}


def symmetric_root(covariance: FloatArray) -> FloatArray:
    """Return the symmetric root of the correlations, to scale.

    Unlike a triangle or bare eigenvectors it hangs on neither order nor sign nor units of the unknowns, so
    that draws are the same whatever the last digit of a sum.
    """
    scale = np.sqrt(np.diag(covariance))
    values, vectors = linalg.eigh(covariance / np.outer(scale, scale))
    return np.asarray(scale[:, None] * ((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T))


@dataclass(frozen=True, slots=True, eq=False)
class Rivals:
    """Other solutions of a fit that go down nearly as far.

    Parameters
    ----------
    width_mm : ndarray, shape (K, nodes)
        By how much their width nodes exceed those of the best solution, mm.
    weight : ndarray, shape (K,)
        How likely each is; the best solution's own weight is what is left of 1.
    shared : ndarray, shape (K, P)
        Their shared unknowns, in the order of `Shared`.
    """

    width_mm: FloatArray
    weight: FloatArray
    shared: FloatArray

    @classmethod
    def of(
        cls,
        best_mm: FloatArray,
        others_mm: list[FloatArray],
        likelihood: list[float],
        shared: list[FloatArray],
    ) -> Rivals:
        """Return the rivals of a solution.

        Parameters
        ----------
        best_mm : ndarray, shape (nodes,)
            Width nodes of the best solution, mm.
        others_mm : list of ndarray, each of shape (nodes,)
            Those of the others.
        likelihood : list of float
            How likely each of them is; the best has 1.
        shared : list of ndarray, each of shape (P,)
            Their shared unknowns.
        """
        away = np.array([other - best_mm for other in others_mm]).reshape(-1, best_mm.size)
        chances = np.array(likelihood) / (1.0 + sum(likelihood))
        return cls(away, chances, np.array(shared).reshape(-1, N_SHARED))

    @property
    def expected_mm(self) -> FloatArray:
        """By how much the mean over the best and its rivals exceeds the best, shape (nodes,), mm."""
        return np.asarray(self.weight @ self.width_mm)


def _conditioned(covariance: FloatArray, known: list[int]) -> FloatArray:
    """Return the covariance when some unknowns are taken to be known."""
    cross = covariance[:, known]
    inner = covariance[np.ix_(known, known)] + np.diag(1e-9 * np.diag(covariance)[known] + 1e-18)
    return np.asarray(covariance - cross @ linalg.pinvh(inner) @ cross.T)


def posterior_of(problem: Problem, solution: Solution, weighting: Weighting) -> Posterior:
    """Return the posterior of a solution, so that it also holds for halos that it cannot tell from none.

    Beside metal the image hardly answers to a thin halo, but to a wider one it does: taken at none, the
    spread would reach to halos that are plain to see. So it is taken where a halo is as wide as its spread.
    """
    for least_mm in _LEAST_MM:
        state = lifted(problem, solution.state, least_mm)
        solved = normal_at(problem, state, weighting).eliminate(problem.layout.order)
        posterior = Posterior(problem.fields.n_width, *solved)
        if posterior.mean_sd_mm(problem.fields.width[0].size) < least_mm:
            break
    return posterior
