"""What lies inside a gap, layer by layer, its faces being known: a linear problem."""

from __future__ import annotations

import itertools

import numpy as np
from scipy import linalg

from ongrowth.defect.columns import FloatArray
from ongrowth.defect.faces import FaceFit, face_heights

# What is held likely, as standard deviations: of the difference between neighbouring nodes, between
# neighbouring layers, and of what fills the gap about soft tissue.
_NODE_SD_HU, _LAYER_SD_HU, _FILLING_SD_HU = 200.0, 400.0, 1000.0
_TISSUE_HU = 70.0


def fit_layers(fit: FaceFit, unknowns: FloatArray, n_layers: int) -> FloatArray:
    """Return the CT number of equal layers of the gap, from the low face to the high one, (layers, G, G).

    Parameters
    ----------
    fit, unknowns : FaceFit, ndarray
        A fit of the faces and its result.
    n_layers : int
        Layers between the faces; thinner than the blur they cannot be told apart.
    """
    cells = fit.cells
    low, high = face_heights(cells, unknowns)
    cuts = [_step(fit, cells.height_mm - low - (high - low) * (k / n_layers)) for k in range(n_layers + 1)]
    slopes = np.stack([a - b for a, b in itertools.pairwise(cuts)], axis=-1)
    rows = cells.rows(slopes)
    plan = cells.scatter_plan(n_layers)
    links = {(k, k + 1): _LAYER_SD_HU for k in range(n_layers - 1)}
    prior = cells.prior(np.full(n_layers, _NODE_SD_HU), np.full(n_layers, _FILLING_SD_HU), links)
    rest = cells.hu - fit.shore_hu(unknowns) - _TISSUE_HU * slopes.sum(axis=-1)
    right = plan.vector(rows, cells.precision * rest)
    band = prior + plan.matrix(rows, cells.precision)
    away = linalg.solveh_banded(band, right, lower=True, check_finite=False)
    return cells.over_nodes(_TISSUE_HU + away.reshape(-1, n_layers))


def _step(fit: FaceFit, height_mm: FloatArray) -> FloatArray:
    return np.asarray(fit.shores.at(height_mm)[0].sum(axis=-1))
