"""How well the fields are known: covariance, draws of the true field, and what limits them.

The unknowns of the whole screw (blur, metal, axis, hardening) are few; given them the fields are
nearly independent of each other. So the covariance of the fields is their own, plus what the shared
unknowns drag along; the second part falls into the named parts of the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.halo.fit import Problem, Solution, Weighting, posterior_precision
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
    VALLEY_MM,
)

FloatArray = NDArray[np.float64]

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
    own : ndarray, shape (Q, Q)
        Lower Cholesky factor of the fields' precision.
    drag : ndarray, shape (Q, P)
        How the fields follow the shared unknowns.
    shared_precision : ndarray, shape (P, P)
        Precision of the shared unknowns, fields solved out.
    shared_factor : float
        How much wider the shared unknowns are taken to be than the fit says.
    """

    n_width: int
    own: FloatArray
    drag: FloatArray
    shared_precision: FloatArray
    shared_factor: float = 1.0

    @property
    def shared_covariance(self) -> FloatArray:
        """Covariance of the shared unknowns, shape (P, P)."""
        return np.asarray(linalg.inv(self.shared_precision) * self.shared_factor**2)

    def draw(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Return draws of the width nodes' deviation, shape (nodes, n), mm."""
        own = self.draw_own(n, rng)
        values, vectors = linalg.eigh(self.shared_covariance)
        shared = (vectors * np.sqrt(np.maximum(values, 0.0))) @ rng.standard_normal((N_SHARED, n))
        return np.asarray(own + self.drag[: self.n_width] @ shared)

    def draw_own(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Return draws of what noise and texture alone do to the width nodes, shape (nodes, n), mm."""
        white = rng.standard_normal((len(self.own), n))
        own = linalg.solve_triangular(self.own, white, lower=True, trans="T", check_finite=False)
        return np.asarray(own[: self.n_width])

    def variance_parts(self, weight: FloatArray) -> dict[str, float]:
        """Return the variance of a weighted mean of the width nodes by part, mm2.

        What is left when a part is taken to be known is the others'; parts that share the blame
        share the difference by their own sizes.
        """
        full = np.zeros(len(self.own))
        full[: self.n_width] = weight
        own = linalg.cho_solve((self.own, True), full, check_finite=False)
        follow = full @ self.drag
        covariance = self.shared_covariance
        total_shared = float(follow @ covariance @ follow)
        gains = {}
        for name, index in PARTS.items():
            known = _conditioned(covariance, index)
            gains[name] = max(total_shared - float(follow @ known @ follow), 0.0)
        scale = total_shared / max(sum(gains.values()), 1e-12)
        return {"noise and texture": float(full @ own)} | {k: v * scale for k, v in gains.items()}


def _conditioned(covariance: FloatArray, known: list[int]) -> FloatArray:
    """Return the covariance when some unknowns are taken to be known."""
    cross = covariance[:, known]
    inner = covariance[np.ix_(known, known)] + np.diag(1e-9 * np.diag(covariance)[known] + 1e-18)
    return np.asarray(covariance - cross @ linalg.pinvh(inner) @ cross.T)


def posterior_of(problem: Problem, solution: Solution, weighting: Weighting) -> Posterior:
    """Return the posterior of a solution.

    Near zero the thread valleys make the image respond more to width than any real halo would; the
    spread is therefore taken where the valleys are already empty, so that it also holds for bone
    that fills them only in part.
    """
    state = solution.state
    lifted = replace(state, width_mm=np.maximum(state.width_mm, VALLEY_MM + 0.02))
    precision = posterior_precision(problem, lifted, weighting)
    fields = precision[N_SHARED:, N_SHARED:]
    cross = precision[N_SHARED:, :N_SHARED]
    own = linalg.cholesky(fields, lower=True, check_finite=False)
    drag = -linalg.cho_solve((own, True), cross, check_finite=False)
    shared = precision[:N_SHARED, :N_SHARED] + cross.T @ drag
    return Posterior(problem.fields.n_width, own, drag, 0.5 * (shared + shared.T))
