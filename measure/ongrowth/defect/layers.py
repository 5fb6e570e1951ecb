"""What lies inside a gap, layer by layer, its faces being known: a linear problem."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from ongrowth.defect.columns import FloatArray
from ongrowth.defect.faces import FaceFit, face_heights


@dataclass(frozen=True, slots=True)
class LayerPriors:
    """What is held likely: standard deviation of the difference between neighbouring nodes, and layers."""

    step_hu: float = 200.0
    layer_hu: float = 400.0
    tissue_hu: float = 70.0
    own_hu: float = 1000.0


def fit_layers(
    fit: FaceFit, unknowns: FloatArray, n_layers: int, priors: LayerPriors | None = None
) -> FloatArray:
    """Return the CT number of equal layers of the gap, from the low face to the high one, (layers, G, G).

    Parameters
    ----------
    fit, unknowns : FaceFit, ndarray
        A fit of the faces and its result.
    n_layers : int
        Layers between the faces; thinner than the blur they cannot be told apart.
    priors : LayerPriors, optional
        What holds them together.
    """
    p = priors or LayerPriors()
    cells = fit.cells
    low, high = face_heights(cells, unknowns)
    cuts = [_step(fit, cells.height_mm - low - (high - low) * (k / n_layers)) for k in range(n_layers + 1)]
    slopes = np.stack([a - b for a, b in itertools.pairwise(cuts)], axis=-1)
    rows = cells.rows(slopes)
    plan = cells.scatter_plan(n_layers)
    links = {(k, k + 1): p.layer_hu for k in range(n_layers - 1)}
    prior = cells.prior(np.full(n_layers, p.step_hu), np.full(n_layers, p.own_hu), links)
    rest = cells.hu - fit.shore_hu(unknowns) - p.tissue_hu * slopes.sum(axis=-1)
    right = plan.vector(rows, cells.precision * rest)
    band = prior + plan.matrix(rows, cells.precision)
    away = linalg.solveh_banded(band, right, lower=True, check_finite=False)
    return cells.over_nodes(p.tissue_hu + away.reshape(-1, n_layers))


def _step(fit: FaceFit, height_mm: FloatArray) -> FloatArray:
    return np.asarray(fit.shores.at(height_mm)[0].sum(axis=-1))
