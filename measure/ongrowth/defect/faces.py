"""Bone | tissue | bone, blurred: the two faces of a defect as height maps, fitted to raw voxels.

Along the normal of the defect the model is, with ``l`` and ``h`` the heights of the two faces,

    HU(z) = sum_j A_j f_j(l - z) + sum_j B_j f_j(z - h) + M (1 - sum_j f_j(l - z) - sum_j f_j(z - h))

``f_j`` are hat functions of the depth behind a face, blurred by the scan; they add up to a blurred step.
Faces, shores (A, B) and the tissue (M) are maps on a grid of nodes, read bilinearly at each voxel and held
together by differences between neighbours. The fit is a damped Gauss-Newton one; its matrix is banded.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from ongrowth.defect.cells import Cells, times_banded
from ongrowth.defect.columns import BoolArray, Columns, FloatArray
from ongrowth.edge import Blur, slab_step

KNOTS_MM = (0.0, 0.7, 1.8)  # depths behind a face where its bone has a level of its own
_N_SHORE = len(KNOTS_MM)
_LOW, _HIGH, _TISSUE = 0, 1, 2 + 2 * _N_SHORE
_N = 3 + 2 * _N_SHORE  # maps
_TABLE_STEP_MM = 0.02
_TABLE_FROM_MM, _TABLE_TO_MM = -4.0, 9.0
_LARGEST_STEP_MM = 0.4
_THINNEST_MM = 0.02


@dataclass(frozen=True, slots=True)
class FacePriors:
    """What is held likely before the voxels are looked at.

    `face_step_mm`, `shore_step_hu`, `tissue_step_hu`: standard deviation of the difference between
    neighbouring nodes. `shore_depth_hu`: of the difference between neighbouring knots behind a face.
    `face_mm`: of a face against its start. `shore_sd_hu`: of bone against its start. `tissue_hu`,
    `tissue_sd_hu`: fibrous tissue; with a long tail, since there may be bone instead. `tissue_weight`: how
    often that counts.
    """

    face_step_mm: float = 0.12
    face_mm: float = 3.0
    shore_step_hu: float = 800.0
    shore_depth_hu: float = 200.0
    shore_sd_hu: float = 400.0
    tissue_hu: float = 70.0
    tissue_sd_hu: float = 40.0
    tissue_weight: float = 1.0
    tissue_step_hu: float = 200.0

    def with_tissue_held(self) -> FacePriors:
        """Return priors for a gap thinner than the blur, where only the missing bone, a length, can be known.

        Voxels of one point spread say the same thing, and would outvote what is known of fibrous tissue.
        """
        return replace(self, tissue_sd_hu=80.0, tissue_weight=6.0)


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """The fitted maps over the nodes; NaN where nothing was fitted.

    Parameters
    ----------
    low_mm, high_mm : ndarray, shape (G, G)
        Heights of the head side's and the tip side's face.
    low_shore_hu, high_shore_hu : ndarray, shape (3, G, G)
        Bone at the knots behind each face.
    tissue_hu : ndarray, shape (G, G)
        What lies between them.
    misfit : float
        Root mean square of the weighted residuals.
    """

    low_mm: FloatArray
    high_mm: FloatArray
    low_shore_hu: FloatArray
    high_shore_hu: FloatArray
    tissue_hu: FloatArray
    misfit: float

    @property
    def gap_mm(self) -> FloatArray:
        """Distance of the faces along the normal, shape (G, G)."""
        return np.asarray(self.high_mm - self.low_mm)


class Shores:
    """Blurred hat functions of the depth behind a face, and their slopes, as tables.

    Attributes
    ----------
    spread_mm : float
        Full width at half maximum of the point spread along the normal.
    """

    def __init__(self, blur: Blur, slice_cos: float) -> None:
        reach = 3.0
        inner = _steps(-reach, reach)
        step = slab_step(
            blur, slice_cos, np.append(inner - 0.5 * _TABLE_STEP_MM, inner[-1] + 0.5 * _TABLE_STEP_MM)
        )
        spread = np.diff(step) / (step[-1] - step[0])
        self.spread_mm = float(np.sum(spread >= spread.max() / 2.0)) * _TABLE_STEP_MM
        depth = _steps(_TABLE_FROM_MM - reach, _TABLE_TO_MM + reach)
        inside = np.where(
            depth > 0.5 * _TABLE_STEP_MM, 1.0, np.where(depth > -0.5 * _TABLE_STEP_MM, 0.5, 0.0)
        )
        hats = [np.interp(depth, KNOTS_MM, row) * inside for row in np.eye(_N_SHORE)]
        blurred = [np.convolve(hat, spread, mode="valid") for hat in hats]
        table = np.stack(blurred, axis=-1)
        self._table = np.concatenate([table, np.gradient(table, _TABLE_STEP_MM, axis=0)], axis=-1)

    def at(self, depth_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the hats and their slopes at depths of any shape, each shape (..., 3)."""
        x = np.clip((depth_mm - _TABLE_FROM_MM) / _TABLE_STEP_MM, 0.0, len(self._table) - 1.001)
        i = x.astype(np.intp)
        t = (x - i)[..., None]
        both = (1.0 - t) * self._table[i] + t * self._table[i + 1]
        return both[..., :_N_SHORE], both[..., _N_SHORE:]


def _steps(low: float, high: float) -> FloatArray:
    first, last = round(low / _TABLE_STEP_MM), round(high / _TABLE_STEP_MM)
    return np.arange(first, last + 1, dtype=np.float64) * _TABLE_STEP_MM


class FaceFit:
    """The fit of one defect.

    Parameters
    ----------
    columns : Columns
        The voxels.
    active : ndarray of bool, shape (G, G)
        Nodes to fit.
    shores : Shores
        Blurred hats.
    priors : FacePriors
        What is held likely.
    """

    def __init__(self, columns: Columns, active: BoolArray, shores: Shores, priors: FacePriors) -> None:
        self.cells = Cells(columns, active)
        self.shores = shores
        self._priors = priors
        self._plan = self.cells.scatter_plan(_N)
        self._prior = self.cells.prior(*_prior_terms(priors))

    def with_shores(self, shores: Shores) -> FaceFit:
        """Return the same fit under another blur."""
        other = copy.copy(self)
        other.shores = shores
        return other

    def with_free_shores(self) -> FaceFit:
        """Return the same fit with bone behind the faces that may change four times as much with depth."""
        other = copy.copy(self)
        depth_hu = 4.0 * self._priors.shore_depth_hu
        other._prior = self.cells.prior(*_prior_terms(replace(self._priors, shore_depth_hu=depth_hu)))
        return other

    def start(
        self, low_mm: FloatArray | float, high_mm: FloatArray | float, shores_hu: FloatArray
    ) -> FloatArray:
        """Return unknowns, shape (nodes, maps): where the fit starts, and what it holds likely.

        Parameters
        ----------
        low_mm, high_mm : float or ndarray, shape (G, G)
            Heights of the faces.
        shores_hu : ndarray, shape (2, G, G)
            Bone behind either face.
        """
        out = np.empty((self.cells.n_nodes, _N))
        for k, face in ((_LOW, low_mm), (_HIGH, high_mm)):
            out[:, k] = np.broadcast_to(face, self.cells.active.shape)[self.cells.active]
        for shore, first in zip(shores_hu, (2, 2 + _N_SHORE), strict=True):
            out[:, first : first + _N_SHORE] = shore[self.cells.active][:, None]
        out[:, _TISSUE] = self._priors.tissue_hu
        return out

    def run(self, start: FloatArray, n_steps: int) -> tuple[Faces, FloatArray]:
        """Return the maps after a number of steps from a start, and the unknowns themselves."""
        unknowns = start.copy()
        for _ in range(n_steps):
            band, gradient = self._normal(unknowns, start)
            change = linalg.solveh_banded(band, gradient, lower=True, check_finite=False)
            unknowns += _limited(change.reshape(unknowns.shape))
            _keep_apart(unknowns)
        loss = self._residual(unknowns)[0] ** 2 * self.cells.precision
        misfit = float(np.sqrt(loss.sum() / max(1, np.count_nonzero(self.cells.precision))))
        return self._faces(unknowns, misfit), unknowns

    def gap_sd_mm(self, unknowns: FloatArray, start: FloatArray, chosen: BoolArray) -> float:
        """Return the standard deviation of the mean gap over chosen nodes, (G, G), from noise and priors."""
        band = self._normal(unknowns, start)[0]
        weight = np.zeros_like(unknowns)
        rows = self.cells.number[chosen & self.cells.active]
        weight[rows, _HIGH], weight[rows, _LOW] = 1.0 / len(rows), -1.0 / len(rows)
        flat = weight.ravel()
        return float(np.sqrt(flat @ linalg.solveh_banded(band, flat, lower=True, check_finite=False)))

    def _normal(self, unknowns: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the banded normal matrix and the downhill gradient."""
        cells = self.cells
        rest, slopes = self._residual(unknowns)
        weight = cells.precision / (1.0 + rest**2 * cells.precision / 9.0)
        rows = cells.rows(slopes)
        band = self._prior + self._plan.matrix(rows, weight)
        gradient = self._plan.vector(rows, weight * rest) + self._prior_pull(unknowns, start, band)
        return band, gradient

    def _residual(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        here = self.cells.at_voxels(unknowns)
        below, below_slope = self.shores.at(here[..., _LOW] - self.cells.height_mm)
        above, above_slope = self.shores.at(self.cells.height_mm - here[..., _HIGH])
        low, high = here[..., 2 : 2 + _N_SHORE], here[..., 2 + _N_SHORE : _TISSUE]
        tissue = here[..., _TISSUE]
        between = 1.0 - np.einsum("...k->...", below + above)
        model = _dot(low, below) + _dot(high, above) + tissue * between
        by_low = _dot(low - tissue[..., None], below_slope)
        by_high = -_dot(high - tissue[..., None], above_slope)
        slopes = np.concatenate(
            [by_low[..., None], by_high[..., None], below, above, between[..., None]], axis=-1
        )
        return self.cells.hu - model, slopes

    def shore_hu(self, unknowns: FloatArray) -> FloatArray:
        """Return what the shores alone give at the voxels, shape (C, 32), HU."""
        here = self.cells.at_voxels(unknowns)
        below, _ = self.shores.at(here[..., _LOW] - self.cells.height_mm)
        above, _ = self.shores.at(self.cells.height_mm - here[..., _HIGH])
        low, high = here[..., 2 : 2 + _N_SHORE], here[..., 2 + _N_SHORE : _TISSUE]
        return np.asarray((low * below).sum(axis=-1) + (high * above).sum(axis=-1))

    def _prior_pull(self, unknowns: FloatArray, start: FloatArray, band: FloatArray) -> FloatArray:
        """Add the long-tailed prior of the tissue to the matrix, and return the pull of all priors."""
        p = self._priors
        away = start - unknowns
        pull = times_banded(self._prior, away.ravel())
        tail = 3.0 * p.tissue_weight / (2.0 * p.tissue_sd_hu**2 + away[:, _TISSUE] ** 2)
        band[0, _TISSUE::_N] += tail
        pull[_TISSUE::_N] += tail * away[:, _TISSUE]
        return pull

    def _faces(self, unknowns: FloatArray, misfit: float) -> Faces:
        maps = self.cells.over_nodes(unknowns)
        low, high = maps[2 : 2 + _N_SHORE], maps[2 + _N_SHORE : _TISSUE]
        return Faces(maps[_LOW], maps[_HIGH], low, high, maps[_TISSUE], misfit)


def face_heights(cells: Cells, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the heights of both faces at the voxels, each shape (C, 32), mm."""
    here = cells.at_voxels(unknowns[:, [_LOW, _HIGH]])
    return here[..., 0], here[..., 1]


def _prior_terms(p: FacePriors) -> tuple[FloatArray, FloatArray, dict[tuple[int, int], float]]:
    steps = np.full(_N, p.shore_step_hu)
    steps[[_LOW, _HIGH]], steps[_TISSUE] = p.face_step_mm, p.tissue_step_hu
    own = np.full(_N, p.shore_sd_hu)
    own[[_LOW, _HIGH]], own[_TISSUE] = p.face_mm, np.inf
    shores = (2, 2 + _N_SHORE)
    links = {(k, k + 1): p.shore_depth_hu for s in shores for k in range(s, s + _N_SHORE - 1)}
    return steps, own, links


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the scalar products along the last axis, which is short."""
    return np.asarray(np.einsum("...k,...k->...", a, b))


def _limited(change: FloatArray) -> FloatArray:
    change[:, [_LOW, _HIGH]] = np.clip(change[:, [_LOW, _HIGH]], -_LARGEST_STEP_MM, _LARGEST_STEP_MM)
    return change


def _keep_apart(unknowns: FloatArray) -> None:
    """Let the faces meet, but never cross."""
    middle = unknowns[:, [_LOW, _HIGH]].mean(axis=1)
    half = np.maximum((unknowns[:, _HIGH] - unknowns[:, _LOW]) / 2.0, _THINNEST_MM / 2.0)
    unknowns[:, _LOW], unknowns[:, _HIGH] = middle - half, middle + half
