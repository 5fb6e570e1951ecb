"""Solve for shared unknowns and smooth fields together, with their covariance.

Damped Gauss-Newton on a penalised least-squares problem. Weights come from the residuals
themselves, by distance from the metal's edge, so that model error near the metal and the bone's own
texture weigh in as what they are. Texture is correlated: the data are diluted by the number of
voxels that say the same thing.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from ongrowth.halo.field import NodeGrid
from ongrowth.halo.model import (
    BLUR,
    CREST,
    LAYER,
    LIFT,
    N_SHARED,
    RAMP,
    RIM_HU,
    HaloModel,
    Linearised,
    Local,
    Rendered,
    Shared,
    lucent_of,
    widening,
    width_of,
)
from ongrowth.halo.system import Corners, Layout, Normal
from ongrowth.robust import robust_sd

FloatArray = NDArray[np.float64]

HUBER = 3.5  # residuals beyond this many SD count linearly
RADII = ("lucent_mm", "cortex_mm", "end_mm")  # fields on the width grids
FIELDS = (*RADII, "bone_hu", "slope_hu_per_mm", "rise_hu", "soft_hu")
_NEGATIVE_SD_MM = 0.15  # of lucent thickness below zero
_DARK_LAYER_SD_HU = 25.0  # of layer levels below the usual one
_DARK_RIM_SD_HU = 30.0
_HELD_RIM = 0.1  # 1/HU^2; known better than 3 HU a rim is none
_HELD_BLUR = 1e5  # known to 0.003
_N_LEANING = 4  # one-sided shared unknowns: two layer levels, two rims
_RINGS_MM = np.array(
    [-1.2, -0.8, -0.5, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 3.0]
)  # of distance from the metal's edge, in which residuals spread alike
_TRIES = 5  # of a step, each damped more
_DAMPING, _LEAST_DAMPING = 1e-3, 1e-7  # at first; of the diagonal
_GOOD, _POOR = 0.75, 0.25  # of the gain a step promised
_WORTH = 0.3  # a step that promises less than this share of the least gain is not tried
_STILL_MM = 2e-3
_TAIL = 4.0  # degrees of freedom: how far residuals stray beyond a normal spread
_LEAST_SPREAD_HU = 30.0
_SLIVER_SD_MM = 0.2
_LIFTED_MM = 0.02
_NO_SLIVER = 0.3  # weight of "any thickness" beside "none"
_SLIVER_WEIGHT = 0.11  # nine neighbouring nodes say the same thing, as voxels do
# What counts of data and nodes when solutions are compared, see `comparable_cost`; other fields do not.
DATA_SHARE = 1.0 / 9.0
_JUDGED = {"lucent_mm": 0.25, "bone_hu": DATA_SHARE, "slope_hu_per_mm": 1.0}


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Normal prior of the shared unknowns: mean and precision, shapes (P,), (P, P)."""

    mean: FloatArray
    precision: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class FieldPrior:
    """Normal prior of the nodes of one field, both sides: mean (n,) and precision (n, n)."""

    mean: FloatArray
    precision: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """Node grids for both sides, and the priors of the fields on them.

    Nodes of both sides stand one after the other: head side, then tip side. Radii (width, where dense
    bone begins, where bone ends) live on the width grids, levels on the bone grids; see `Local`.

    Parameters
    ----------
    width, bone : tuple of NodeGrid
        Grids of the head side and the tip side.
    priors : dict of str to FieldPrior
        By field, in the order of `FIELDS`.
    outer_mm : ndarray
        Radius of the envelope at the width nodes, mm.
    valley_mm : ndarray
        What the thread valleys are worth there, see `Rod.valley_mm`.
    no_sliver : ndarray
        How strongly width nodes expect no sliver of spongy bone between halo and dense bone, 0 to 1.
    """

    width: tuple[NodeGrid, NodeGrid]
    bone: tuple[NodeGrid, NodeGrid]
    priors: dict[str, FieldPrior]
    outer_mm: FloatArray
    valley_mm: FloatArray
    no_sliver: FloatArray

    def width_mm(self, state: State) -> FloatArray:
        """Halo width at the width nodes of a solution, mm."""
        return width_of(state.lucent_mm, self.valley_mm)

    def lucent_mm(self, width_mm: FloatArray | float) -> FloatArray:
        """Lucent thickness of halo widths at the width nodes, mm."""
        return lucent_of(np.broadcast_to(width_mm, self.valley_mm.shape), self.valley_mm)

    @property
    def n_width(self) -> int:
        """Number of width nodes."""
        return self.width[0].size + self.width[1].size

    @property
    def n_bone(self) -> int:
        """Number of bone nodes."""
        return self.bone[0].size + self.bone[1].size

    @property
    def precision(self) -> sparse.csr_matrix:
        """Prior precision of all field unknowns, stacked."""
        parts = [sparse.csr_matrix(self.priors[name].precision) for name in FIELDS]
        return sparse.csr_matrix(sparse.block_diag(parts))

    @property
    def mean(self) -> FloatArray:
        """Prior mean of all field unknowns, stacked."""
        return np.concatenate([self.priors[name].mean for name in FIELDS])

    @property
    def depth_mm(self) -> FloatArray:
        """Depth of the node of each field unknown, stacked, mm."""
        return np.concatenate(
            [np.repeat(g.depth_mm, g.n_angles) for name in FIELDS for g in self._grids(name)]
        )

    @property
    def is_tip(self) -> NDArray[np.bool_]:
        """Side of the node of each field unknown, stacked."""
        return np.concatenate(
            [np.full(g.size, bool(side)) for name in FIELDS for side, g in enumerate(self._grids(name))]
        )

    def _grids(self, name: str) -> tuple[NodeGrid, NodeGrid]:
        return self.width if name in RADII else self.bone

    def place(self, name: str) -> slice:
        """Return where the nodes of a field stand among all field unknowns."""
        sizes = [len(self.priors[n].mean) for n in FIELDS]
        at = FIELDS.index(name)
        return slice(sum(sizes[:at]), sum(sizes[: at + 1]))


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Current solution: shared unknowns and the nodes of the fields (see `Local` for units)."""

    shared: Shared
    lucent_mm: FloatArray
    cortex_mm: FloatArray
    end_mm: FloatArray
    bone_hu: FloatArray
    slope_hu_per_mm: FloatArray
    rise_hu: FloatArray
    soft_hu: FloatArray

    def stacked(self) -> FloatArray:
        """Return everything as one vector."""
        return np.concatenate([self.shared.vector(), *(getattr(self, name) for name in FIELDS)])

    @classmethod
    def from_stacked(cls, values: FloatArray, fields: Fields) -> State:
        """Return the solution of a vector."""
        starts = np.cumsum([N_SHARED, *(len(fields.priors[name].mean) for name in FIELDS)])
        return cls(Shared.from_vector(values[:N_SHARED]), *np.split(values, starts)[1:-1])

    @classmethod
    def expected(cls, prior: Prior, fields: Fields) -> State:
        """Return the prior means."""
        return cls(Shared.from_vector(prior.mean), *(fields.priors[name].mean for name in FIELDS))


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """A solved screw: the estimate, its penalised cost, and the voxels for one piece of information."""

    state: State
    cost: float
    dilution: float


class Problem:
    """One fit: model, bases, priors. `weights` are per-voxel inverse variances, 1/HU^2."""

    def __init__(self, model: HaloModel, fields: Fields, width: Corners, bone: Corners, prior: Prior) -> None:
        self.model, self.fields, self.prior = model.with_rims(_are_rims_free(prior)), fields, prior
        self._corners = {name: width if name in RADII else bone for name in FIELDS}
        self._width_basis, self._bone_basis = width.matrix, bone.matrix
        self._mean = fields.mean
        self._precision = fields.precision
        starts = tuple(fields.place(name).start for name in FIELDS)
        self.layout = Layout(
            fields.depth_mm, fields.is_tip, tuple(self._corners.values()), starts, self._precision, N_SHARED
        )
        # one-sided priors: a width below zero, a layer darker than tissue, a dark rim are hardly possible
        where = [np.arange(LAYER.start, LAYER.stop), np.arange(RIM_HU.start, RIM_HU.stop)]
        where.append(N_SHARED + np.arange(fields.n_width))
        self._leaning = np.concatenate(where)
        self._least = np.concatenate([prior.mean[LAYER], prior.mean[RIM_HU], np.zeros(fields.n_width)])
        sd = np.repeat([_DARK_LAYER_SD_HU, _DARK_RIM_SD_HU, _NEGATIVE_SD_MM], [len(w) for w in where])
        self._lean = 1.0 / sd**2

    def believing(self, prior: Prior, no_sliver: FloatArray | None = None) -> Problem:
        """Return the same fit under another prior of the shared unknowns, and of slivers where given."""
        other = copy.copy(self)
        other.prior, other.model = prior, self.model.with_rims(_are_rims_free(prior))
        if no_sliver is not None:
            other.fields = replace(self.fields, no_sliver=no_sliver)
        return other

    def with_thread_of(self, state: State) -> Problem:
        """Return the same fit, with the ripple of the thread as at a state but for its amplitude."""
        other = copy.copy(self)
        other.model = self.model.with_thread_of(state.shared, self.local(state))
        return other

    def local(self, state: State) -> Local:
        """Return field values at the voxels."""
        names = RADII, FIELDS[len(RADII) :]
        bases = self._width_basis, self._bone_basis
        values = [
            basis @ np.stack([getattr(state, name) for name in some], axis=1)
            for basis, some in zip(bases, names, strict=True)
        ]
        return Local(*np.concatenate(values, axis=1).T.copy())

    def render(self, state: State) -> Rendered:
        """Return the model's image at a state."""
        return self.model.render(state.shared, self.local(state))

    def blur_slopes(self, seen: Rendered) -> FloatArray:
        """Return the slopes of the image by the blur unknowns; those that are held have none."""
        free = np.flatnonzero(np.diag(self.prior.precision)[BLUR] < _HELD_BLUR)
        return self.model.blur_slopes(seen, free.tolist())

    def residual(self, image: FloatArray) -> FloatArray:
        """Return data minus model; a clipped voxel only complains of a model below the ceiling."""
        r = self.model.samples.hu - image
        return np.where(self.model.samples.is_clipped, np.maximum(r, 0.0), r)

    def penalty(self, state: State) -> float:
        """Return the prior's share of the cost."""
        nodes = state.stacked()[N_SHARED:] - self._mean
        slivers = _SLIVER_WEIGHT * float(self.fields.no_sliver @ _sliver_cost(self._sliver_mm(state)))
        return self._known_cost(state) + float(nodes @ (self._precision @ nodes)) + slivers

    def judged_penalty(self, state: State) -> float:
        """Return what of the penalty counts when solutions are compared, see `comparable_cost`."""
        cost = self._known_cost(state)
        for name, weight in _JUDGED.items():
            off = getattr(state, name) - self.fields.priors[name].mean
            cost += weight * float(off @ self.fields.priors[name].precision @ off)
        return cost

    def _known_cost(self, state: State) -> float:
        """Return the penalty of the shared unknowns, and of what is hardly possible."""
        shared = state.shared.vector() - self.prior.mean
        below = np.minimum(state.stacked()[self._leaning] - self._least, 0.0)
        return float(shared @ self.prior.precision @ shared + self._lean @ below**2)

    def normal(self, state: State, at: Linearised, weights: FloatArray, *, one_sided: bool = True) -> Normal:
        """Return the normal equations of data and priors at a state.

        Without the one-sided priors they tell what can still vary upward.
        """
        residual = self.residual(at.image)
        # a clipped voxel that is content has no say
        active = np.where(self.model.samples.is_clipped & (residual <= 0.0), 0.0, weights)
        data = self.layout.normal(at.by_field, at.by_shared, active, residual)
        values = state.stacked()
        shared, band, gradient = data.shared + self.prior.precision, data.band, data.gradient
        band += self.layout.prior_band
        gradient[:N_SHARED] += self.prior.precision @ (self.prior.mean - values[:N_SHARED])
        gradient[N_SHARED:] += np.asarray(self._precision @ (self._mean - values[N_SHARED:]))
        if one_sided:
            below = np.minimum(values[self._leaning] - self._least, 0.0)
            gradient[self._leaning] -= self._lean * below
            more = self._lean * (below < 0.0)
            for at_unknown, extra in zip(self._leaning[:_N_LEANING], more[:_N_LEANING], strict=True):
                shared[at_unknown, at_unknown] += extra
            band[0, self.layout.position[self._leaning[_N_LEANING:] - N_SHARED]] += more[_N_LEANING:]
        self._add_slivers(state, band, gradient)
        return Normal(shared, data.cross, band, gradient)

    def _add_slivers(self, state: State, band: FloatArray, gradient: FloatArray) -> None:
        sliver = self._sliver_mm(state)
        pull = _SLIVER_WEIGHT * self.fields.no_sliver * _sliver_share(sliver) / _SLIVER_SD_MM**2
        node = np.arange(len(sliver))
        w, c = (self.fields.place(name).start + node for name in ("lucent_mm", "cortex_mm"))
        by_lucent = widening(state.lucent_mm, self.fields.valley_mm)
        gradient[N_SHARED + w] += pull * sliver * by_lucent
        gradient[N_SHARED + c] -= pull * sliver
        i, j = self.layout.position[w], self.layout.position[c]
        band[0, i] += pull * by_lucent**2
        band[0, j] += pull
        band[np.abs(i - j), np.minimum(i, j)] -= pull * by_lucent

    def _sliver_mm(self, state: State) -> FloatArray:
        """Return the thickness of spongy bone between halo and dense bone at the width nodes, mm."""
        return state.cortex_mm - self.fields.outer_mm - self.fields.width_mm(state)

    def node_costs(self, state: State, variance: FloatArray, dilution: float) -> FloatArray:
        """Return the data cost near each width node, the bone level solved for, shape (nodes,)."""
        seen = self.render(state)
        residual = self.residual(seen.image)
        weights = 1.0 / (variance * dilution)
        slope, basis = self.model.field_slopes(seen)[FIELDS.index("bone_hu")], self._bone_basis
        bone = self.fields.priors["bone_hu"]
        hessian = self._corners["bone_hu"].gram(weights * slope**2) + bone.precision
        pull = basis.T @ (slope * weights * residual) + bone.precision @ (bone.mean - state.bone_hu)
        residual = residual - slope * (basis @ linalg.solve(hessian, pull, assume_a="pos"))
        return np.asarray(self._width_basis.T @ np.minimum(residual**2 / variance, HUBER**2))


def _are_rims_free(prior: Prior) -> bool:
    return bool((np.diag(prior.precision)[RIM_HU] < _HELD_RIM).any())


def _sliver_share(thickness_mm: FloatArray) -> FloatArray:
    near = np.exp(-0.5 * (thickness_mm / _SLIVER_SD_MM) ** 2)
    return np.asarray(near / (near + _NO_SLIVER))


def _sliver_cost(thickness_mm: FloatArray) -> FloatArray:
    """Minus twice the logarithm of the prior of spongy bone between halo and dense bone.

    A halo often ends at dense bone; a sliver much thinner than the blur seldom lies between, but the
    image hardly tells it from a thinner halo. So: none, give or take `_SLIVER_SD_MM`, or any thickness.
    """
    near = np.exp(-0.5 * (thickness_mm / _SLIVER_SD_MM) ** 2)
    return np.asarray(-2.0 * np.log((near + _NO_SLIVER) / (1.0 + _NO_SLIVER)))


@dataclass(frozen=True, slots=True, eq=False)
class Weighting:
    """How residuals count.

    Voxel variances (HU^2), voxels for one piece of information, and where residuals
    begin to count linearly (SD): without a limit while the blur itself is still being found.
    """

    variance: FloatArray
    dilution: float
    huber: float = HUBER

    def weights(self, residual: FloatArray) -> FloatArray:
        """Return the weight of each residual, 1/HU^2."""
        z = np.abs(residual) / np.sqrt(self.variance)
        return np.asarray(np.minimum(1.0, self.huber / np.maximum(z, 1e-9)) / (self.variance * self.dilution))

    def loss(self, residual: FloatArray) -> float:
        """Return the data's share of the cost."""
        z = np.abs(residual) / np.sqrt(self.variance)
        bent = (
            np.where(z < self.huber, z**2, 2.0 * self.huber * z - self.huber**2)
            if np.isfinite(self.huber)
            else z**2
        )
        return float(bent.sum() / self.dilution)


def variance_by_distance(
    residual: FloatArray, distance_mm: FloatArray, floor_hu: float, clipped: NDArray[np.bool_]
) -> FloatArray:
    """Return each voxel's residual variance, from bins of distance from the metal's edge.

    Parameters
    ----------
    residual : ndarray, shape (N,)
        Data minus model, HU.
    distance_mm : ndarray, shape (N,)
        Distance from the envelope, mm, negative inside.
    floor_hu : float
        Smallest standard deviation believed, HU.
    clipped : ndarray of bool, shape (N,)
        Voxels at the ceiling, left out.
    """
    which = np.digitize(distance_mm, _RINGS_MM)
    variance = np.full(residual.shape, floor_hu**2)
    for b in range(len(_RINGS_MM) + 1):
        inside = which == b
        heard = inside & ~clipped
        if heard.sum() > 20:
            spread = robust_sd(residual[heard], 0.0)
            variance[inside] = max(spread, floor_hu) ** 2
    return variance


def solve(
    problem: Problem,
    start: State,
    weighting: Weighting,
    *,
    steps: int = 12,
    blur_every: int = 1,
    least_gain: float = 1e-4,
) -> Solution:
    """Return the best state near `start`.

    Parameters
    ----------
    problem : Problem
        What is fitted.
    start : State
        Where to begin.
    weighting : Weighting
        How residuals count.
    steps : int
        Most Gauss-Newton steps taken.
    blur_every : int
        Slopes by the blur are renewed at every so many steps.
    least_gain : float
        Stop when a step gains less, as a share of the cost; at ten times that if no width node moves by 2 um.
    """
    problem = problem.with_thread_of(start)
    state, damping = start, _DAMPING
    seen = problem.render(state)
    at = _with_blur(problem, seen)
    cost = weighting.loss(problem.residual(at.image)) + problem.penalty(state)
    for step in range(1, steps + 1):
        taken, damping = _damped_step(problem, state, at, weighting, cost, damping, _WORTH * least_gain)
        if taken is None:
            break
        moved, better, seen = taken
        change = float(np.max(np.abs(moved.lucent_mm - state.lucent_mm)))
        gain = cost - better
        state, cost = moved, better
        is_still = change < _STILL_MM and gain < 10.0 * least_gain * cost
        if step == steps or is_still or gain < least_gain * cost:
            break
        # slopes by the blur change slowly and cost most
        at = _with_blur(problem, seen) if step % blur_every == 0 else _with_blur(problem, seen, at)
    return Solution(state, cost, weighting.dilution)


def _with_blur(problem: Problem, seen: Rendered, before: Linearised | None = None) -> Linearised:
    """Return all slopes, those by the blur taken over from before where they are given."""
    at = problem.model.linearise(seen)
    at.by_shared[:, BLUR] = problem.blur_slopes(seen) if before is None else before.by_shared[:, BLUR]
    return at


def comparable_cost(problem: Problem, solution: Solution, weighting: Weighting) -> float:
    """Return minus twice the logarithm of how likely a solution is, up to a constant.

    Unlike the cost it was solved by, it can be compared between priors, and between solutions that left
    residuals of another spread. Texture, and what the model leaves out, is alike over wider regions than the
    blur makes noise alike: voxels and levels of bone count a ninth, and widths, which follow them, a quarter
    beside what is known of scanner, metal and hardening. Where dense bone lies and how dense it is does not
    count at all: a first look saw it through the blur, off alike at all nodes, and a halo that ends there
    would pay for each. The slope of bone does in full, else bone that darkens toward the screw passes for a
    wide halo. Slivers are left out: they are expected only where a halo was found. So are the volumes of a
    Laplace approximation: widths near zero are not normal, and phantoms were told apart worse with them.
    """
    state, model = solution.state, problem.model
    residual = problem.residual(problem.render(state).image)
    distance = model.polar(state.shared)[0] - model.rod.outer_mm(model.samples.depth_mm)
    heard = ~model.samples.is_clipped
    misfit = _misfit(residual[heard], np.digitize(distance[heard], _RINGS_MM))
    return DATA_SHARE * misfit / weighting.dilution + problem.judged_penalty(state)


def _misfit(residual: FloatArray, ring: NDArray[np.intp]) -> float:
    """Return minus twice the log likelihood of residuals with heavy tails, the spread of each ring its own.

    Student's t; its scale by expectation and maximisation (Lange KL et al., J Am Stat Assoc
    1989;84:881-896, from memory). A robust spread would forgive a solution the places where it is wrong.
    """
    total = 0.0
    for which in np.unique(ring):
        square = residual[ring == which] ** 2
        scale = float(square.mean()) + 1.0
        for _ in range(20):
            weight = (_TAIL + 1.0) / (_TAIL + square / scale)
            scale = max(float((weight * square).mean()), _LEAST_SPREAD_HU**2)
        total += float((_TAIL + 1.0) * np.log1p(square / (_TAIL * scale)).sum()) + len(square) * np.log(scale)
    return total


def lifted(problem: Problem, state: State, least_mm: float = _LIFTED_MM) -> State:
    """Return a state with the thread valleys empty and at least so wide a halo.

    What the image answers to the filling of valleys hangs on the thread's form; what it answers to a halo
    does not.
    """
    least = problem.fields.valley_mm + least_mm
    return replace(state, lucent_mm=np.maximum(state.lucent_mm, least))


def normal_at(problem: Problem, state: State, weighting: Weighting, *, one_sided: bool = False) -> Normal:
    """Return the precision of all unknowns at a state, with or without the one-sided priors."""
    at = _with_blur(problem, problem.render(state))
    weights = weighting.weights(problem.residual(at.image))
    return problem.normal(state, at, weights, one_sided=one_sided)


def _damped_step(
    problem: Problem,
    state: State,
    at: Linearised,
    weighting: Weighting,
    cost: float,
    damping: float,
    least_gain: float,
) -> tuple[tuple[State, float, Rendered] | None, float]:
    """Return the improved state with cost and image, and the next damping; None when nothing improves.

    Damping follows how well the last step kept what it promised (Levenberg and Marquardt).
    """
    normal = problem.normal(state, at, weighting.weights(problem.residual(at.image)))
    expected = problem.prior.mean
    normal = normal.holding(_is_stopped(state.shared.vector(), expected, normal.gradient[:N_SHARED]))
    for again in range(1, _TRIES + 1):
        delta = normal.step(problem.layout.order, damping)
        promised = float(normal.gradient @ delta)
        if promised < least_gain * cost:
            break
        moved = _bounded(State.from_stacked(state.stacked() + delta, problem.fields), expected)
        there = problem.render(moved)
        better = weighting.loss(problem.residual(there.image)) + problem.penalty(moved)
        if better < cost:
            return (moved, better, there), _next_damping(damping, (cost - better) / promised)
        damping *= 10.0 * again
    return None, damping


def _next_damping(damping: float, kept: float) -> float:
    """Return the damping after a step that kept this share of what it promised."""
    change = 0.2 if kept > _GOOD else 1.0 if kept > _POOR else 5.0
    return max(damping * change, _LEAST_DAMPING)


def _bounds(shared: FloatArray, expected: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return within what the shared unknowns mean something: a blur that passes something, a thread.

    A blur that is expected lies within: where every step had to take it back, none would be taken.
    """
    low, high = np.full(N_SHARED, -np.inf), np.full(N_SHARED, np.inf)
    # curves that fall off more slowly than exp(-f^1.7) are no kernel's, but mimic a halo's dark ring
    low[BLUR], high[BLUR] = [-1.2, -0.16, -0.6, -1.0, 0.0, -0.6, -0.6], [1.2, 0.9, 6.0, 1.0, 4.0, 0.6, 0.6]
    low[BLUR.start + 2] -= max(shared[LIFT], 0.0)  # what a lift adds the overshoot may take back
    low[[RAMP, CREST]], high[[RAMP, CREST]] = [-0.2, -0.4], [1.5, 0.9]
    low[BLUR], high[BLUR] = np.minimum(low[BLUR], expected[BLUR]), np.maximum(high[BLUR], expected[BLUR])
    return low, high


def _is_stopped(shared: FloatArray, expected: FloatArray, uphill: FloatArray) -> NDArray[np.bool_]:
    """Return which shared unknowns stand at a bound and would go past it."""
    low, high = _bounds(shared, expected)
    return np.asarray(((shared <= low) & (uphill < 0.0)) | ((shared >= high) & (uphill > 0.0)))


def _bounded(state: State, expected: FloatArray) -> State:
    """Keep unknowns where the model means something; no width goes much below 0."""
    v = state.shared.vector()
    v = np.clip(v, *_bounds(v, expected))
    return replace(state, shared=Shared.from_vector(v), lucent_mm=np.clip(state.lucent_mm, -0.3, 5.5))
