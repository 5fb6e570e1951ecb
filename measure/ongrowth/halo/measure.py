"""From a scan, a screw and its defect to the halo: the order of the steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ongrowth.calibration import Calibration
from ongrowth.defect import DefectPlane
from ongrowth.edge import Blur
from ongrowth.frame import ScrewFrame
from ongrowth.halo.believed import halo_of
from ongrowth.halo.field import NodeGrid
from ongrowth.halo.fit import (
    DATA_SHARE,
    FIELDS,
    RADII,
    FieldPrior,
    Fields,
    Prior,
    Problem,
    Solution,
    State,
    Weighting,
    comparable_cost,
    solve,
    variance_by_distance,
)
from ongrowth.halo.map import Halo
from ongrowth.halo.model import LAYER, RIM_HU, blur_of
from ongrowth.halo.posterior import Posterior, Rivals, posterior_of
from ongrowth.halo.prior import LAYER_SD_HU, RIM_SD_HU, guess_blur, metal_guess_hu, plain_curve, shared_prior
from ongrowth.halo.scene import HaloSettings, Scene, make_fields, pose_problem, set_scene
from ongrowth.halo.unrolled import unroll
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

_START_WIDTHS_MM = (0.0, 0.5, 1.3)
_TRIED_WIDTHS_MM = np.array([0.0, 0.25, 0.5, 0.8, 1.2, 1.6, 2.1, 2.7, 3.3])
_TELLING = 1e-2  # of cost: a hundredth of what one standard deviation of one voxel says
_DILUTION = 9.0  # voxels that say the same thing, at least: texture is correlated over a millimetre
# Volume within which blurred noise is alike, over the product of the blur's widths at half height: the
# integral of the autocorrelation of a Gaussian.
_ALIKE = (np.pi / (2.0 * np.log(2.0))) ** 1.5
_FEW, _ENOUGH = 4000, 15000  # voxels for the way down, and in the end: neighbours say the same thing
_LEAST_STEP = 3  # every third voxel does on the way down, however few there are
_NOISE_FLOOR_HU = 30.0
_HELD_WIDTH_SD_MM = 0.03
# Shares of the cost that a step must gain on the way down. Weights are estimated anew each time, and in the
# end costs that differ by several units count as alike, so the last thousandth would decide nothing.
_FIRST_GAIN, _NEXT_GAIN, _LAST_GAIN = 1e-2, 5e-3, 1e-3
_ROUGH_HU = 150.0  # residuals before anything is fitted
_BONE_DRIFT_HU_PER_MM = 60.0  # bone changes outward by more than any slope follows
_RIM_FROM_MM = 0.5  # mean width from which a rim is looked for
_RIM_GAIN = 20.0  # of cost, that a rim must bring
_SAME_LOOK_MM, _SAME_MEAN_MM = 0.5, 0.1  # coarse and final solutions that differ by less count once
_RIVAL_FROM_MM = 0.15  # a side's mean width from which "none" is another solution
_RIVAL_WIDER_MM = 0.7  # what the other way round is tried by
_TURNS_PER_MM = (0.28, 1.3)  # pitches of 0.8 to 3.5 mm
_CLEAR_RIPPLE = 30.0  # of the median power; chance gives about 10 over the range searched
_LEAST_THREAD_VOXELS = 200
_DEFAULTS = HaloSettings()


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A solved screw: what was fitted, how residuals counted, the solution and its posterior.

    `rivals` are other solutions of the same fit.
    """

    scene: Scene
    problem: Problem
    weighting: Weighting
    solution: Solution
    posterior: Posterior
    rivals: Rivals


def measure_halo(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    calibration: Calibration | None = None,
    settings: HaloSettings = _DEFAULTS,
    keep: Callable[[Fitted], object] = lambda _: None,
) -> Halo:
    """Measure the halo of one screw.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        The screw, with its diameters.
    frame : ScrewFrame
        Its frame.
    defect : DefectPlane or None
        Where the sides part; without it only the whole shaft is summarised.
    calibration : Calibration or None
        Known blur of the protocol.
    settings : HaloSettings
        How the halo is read.
    keep : callable
        Given the fit itself, for questions of what would be seen otherwise.

    Returns
    -------
    Halo
        Map and summaries; every figure is unclamped, with its uncertainty and cautions.

    Raises
    ------
    Refused
        If the screw lies outside the scan.
    """
    base = calibration.blur if calibration is not None else guess_blur(scan)
    scene = set_scene(scan, screw, frame, defect, base, settings)
    metal_hu = metal_guess_hu(
        scene.samples, scene.rod.root_mm, screw.spec.material, scan.acquisition, calibration
    )
    prior = shared_prior(calibration, *metal_hu, scene.section.cos_tilt)
    depth_mm = scene.to_mm if defect is None else defect.depth_mm(frame)
    fitted = fit_halo(scene, base, prior, frame.length_mm, depth_mm, settings)
    keep(fitted)
    shaft, doubt = unroll(
        fitted.scene, fitted.problem, fitted.solution, fitted.posterior, fitted.rivals, frame, defect,
        settings, _radius(screw),
    )  # fmt: skip
    cautions = screw.cautions | _cautions(scene, is_blur_known=calibration is not None)
    source = calibration.source if calibration is not None else "free"
    return halo_of(shaft, doubt, cautions, source, settings.seed, is_parted=defect is not None)


def _radius(screw: Screw) -> Measured:
    diameter = screw.major_diameter_mm
    return Measured.of(diameter.value / 2.0, float(np.nan_to_num(diameter.u)) / 2.0, Unit.MM)


def _cautions(scene: Scene, *, is_blur_known: bool) -> Caution:
    blur = Caution.NONE if is_blur_known else Caution.BLUR_UNKNOWN
    clipped = Caution.METAL_CLIPPED if scene.samples.is_clipped.any() else Caution.NONE
    return blur | clipped


def fit_halo(
    scene: Scene,
    base: Blur,
    prior: Prior,
    length_mm: float,
    depth_mm: float,
    settings: HaloSettings,
) -> Fitted:
    """Solve for the widths of one screw.

    Parameters
    ----------
    scene : Scene
        Voxels and surroundings.
    base : Blur
        Blur the shared unknowns are relative to.
    prior : Prior
        Of the shared unknowns.
    length_mm, depth_mm : float
        Length of the shaft; depth of the defect.
    settings : HaloSettings
        How the halo is read.
    """
    n = scene.is_tip.size
    thin, scene = scene.every(max(_LEAST_STEP, n // _FEW)), scene.every(max(1, round(n / _ENOUGH)))
    coarse, looks, pitch_mm = _first_look(thin, base, plain_curve(prior), length_mm, depth_mm, settings)
    if not np.isfinite(scene.rod.pitch_mm):
        scene, thin = (replace(s, rod=replace(s.rod, pitch_mm=pitch_mm)) for s in (scene, thin))
    pose = partial(pose_problem, thin, base=base, length_mm=length_mm, settings=settings)
    fields = make_fields(scene, depth_mm, settings)
    blur = blur_of(base, looks[0].shared)
    starts = [_carry_over(coarse, fields, look) for look in looks]
    plain = pose(fields, prior=plain_curve(prior))
    smooth = [_descend(plain, prior, start, _dilution(thin, blur)) for start in starts]
    start, _ = min(zip(starts, smooth, strict=True), key=lambda pair: pair[1].comparable_cost)
    patchy = pose(make_fields(scene, depth_mm, settings, rough=True), prior=plain_curve(prior))
    descents = [*smooth, _descend(patchy, prior, start, _dilution(thin, blur))]
    judge = _cost_with_rims if _asks_for_rims(descents) else comparable_cost
    descents = [d.judged(judge) for d in descents]
    best = min(descents, key=lambda d: d.comparable_cost)
    found, others, chances = _against_rivals(best, descents, judge)
    problem = pose_problem(scene, best.problem.fields, base, _free_layers(prior), length_mm, settings)
    weighting = Weighting(_variance(problem, found.state), _dilution(scene, blur))
    found = solve(problem, found.state, weighting, steps=12, blur_every=2)
    problem, found = _with_rims(problem, found, weighting)
    posterior = posterior_of(problem, found, weighting)
    rivals = Rivals.of(
        problem.fields.width_mm(found.state),
        [fields.width_mm(other) for other in others],
        chances,
        [other.shared.vector() for other in others],
    )
    return Fitted(scene, problem, weighting, found, posterior, rivals)


_Judge = Callable[[Problem, Solution, Weighting], float]
"""How likely a solution is, as `comparable_cost`."""


@dataclass(frozen=True, slots=True, eq=False)
class _Descent:
    """Where the fit went down to under one prior of the fields, on some of the voxels."""

    problem: Problem
    weighting: Weighting
    solution: Solution
    comparable_cost: float

    def judged(self, judge: _Judge) -> _Descent:
        """Return the same, with another measure of how likely it is."""
        return replace(self, comparable_cost=judge(self.problem, self.solution, self.weighting))


def _descend(problem: Problem, prior: Prior, start: State, dilution: float) -> _Descent:
    """Go down from a start whose widths are first searched place by place."""
    weighting = Weighting(_variance(problem, start), dilution)
    searched = replace(start, lucent_mm=_search_widths(problem, start, weighting))
    found = solve(problem, searched, weighting, steps=6, blur_every=3, least_gain=_FIRST_GAIN)
    problem = problem.believing(_free_layers(prior), no_sliver=_slivers_missed(problem.fields, found.state))
    for steps, gain in ((6, _NEXT_GAIN), (3, _LAST_GAIN)):
        weighting = Weighting(_variance(problem, found.state), dilution)
        found = solve(problem, found.state, weighting, steps=steps, blur_every=3, least_gain=gain)
    return _Descent(problem, weighting, found, comparable_cost(problem, found, weighting))


def _dilution(scene: Scene, blur: Blur) -> float:
    """Return how many voxels say the same thing: what the fit leaves is as alike as the blur makes it."""
    volume_mm3 = _ALIKE * blur.in_plane_fwhm_mm**2 * blur.slice_fwhm_mm
    return float(max(volume_mm3 / scene.voxel_mm3, _DILUTION)) / scene.one_of


def _first_look(
    scene: Scene, base: Blur, prior: Prior, length_mm: float, depth_mm: float, settings: HaloSettings
) -> tuple[Fields, list[State], float]:
    """Return coarse fields, the coarse solutions from several starts, the best first, and the pitch.

    An even halo and an edge-enhancing kernel look alike, so a descent from one start may stop at
    the wrong one.
    """
    fields = make_fields(scene, depth_mm, settings, coarse=True)
    dilution = _DILUTION / scene.one_of
    rough = Weighting(np.full(len(scene.samples.hu), _ROUGH_HU**2), dilution, huber=np.inf)
    looks = []
    for width_mm in _START_WIDTHS_MM:
        tried = _without_halo(fields) if width_mm == 0.0 else fields
        problem = pose_problem(scene, tried, base, prior, length_mm, settings)
        state = solve(problem, _start(problem, width_mm), rough, steps=6, blur_every=2).state
        fine = Weighting(_variance(problem, state), dilution)
        looks.append(solve(problem, state, fine, steps=6, blur_every=2).state)
    return fields, [s for n, s in enumerate(looks) if _is_new(s, looks[:n])], find_pitch(problem, looks[0])


def _without_halo(fields: Fields) -> Fields:
    """Return the fields with all widths held at nothing: what the rest would have to be."""
    n = fields.n_width
    held = FieldPrior(np.zeros(n), np.eye(n) / _HELD_WIDTH_SD_MM**2)
    return replace(fields, priors=fields.priors | {"lucent_mm": held})


def _is_new(state: State, others: Sequence[State]) -> bool:
    return all(np.abs(state.lucent_mm - other.lucent_mm).max() > _SAME_LOOK_MM for other in others)


def _against_rivals(
    best: _Descent, others: Sequence[_Descent], judge: _Judge
) -> tuple[Solution, list[State], list[float]]:
    """Return the best of a solution and its rivals, the rivals, and how likely each is beside the best."""
    problem = best.problem
    tries = sorted([*_asked_again(best, judge), *others], key=lambda d: d.comparable_cost)
    found = next(t for t in tries if t.problem is problem)
    kept, chances = [found.solution.state], [1.0]
    for other in tries:
        state, behind = other.solution.state, other.comparable_cost - found.comparable_cost
        if all(_mean_apart_mm(problem, state, k) > _SAME_MEAN_MM for k in kept):
            kept.append(state)
            chances.append(float(np.exp(-0.5 * behind)))
    return found.solution, kept[1:], chances[1:]


def _asked_again(descent: _Descent, judge: _Judge) -> list[_Descent]:
    """Return a solution gone down further, and its rivals.

    A thin even halo looks like a little more blur, or darker hardening; so each side, and both together,
    are asked again whether there is no halo, and each whether it has a wider one.
    """
    problem, found, weighting = descent.problem, descent.solution, descent.weighting
    widths, first = problem.fields.width_mm(found.state), problem.fields.width[0].size
    head, tip = np.arange(widths.size) < first, np.arange(widths.size) >= first
    starts = [widths, *(widths + _RIVAL_WIDER_MM * side for side in (head, tip))]
    lucent = [side for side in (head, tip) if widths[side].mean() > _RIVAL_FROM_MM]
    starts += [widths * ~side for side in (*lucent, *([head | tip] if len(lucent) == 2 else []))]
    out = []
    for start in starts:
        state = replace(found.state, lucent_mm=problem.fields.lucent_mm(start))
        tried = solve(problem, state, weighting, steps=4, blur_every=2, least_gain=_LAST_GAIN)
        out.append(replace(descent, solution=tried).judged(judge))
    return out


def _mean_apart_mm(problem: Problem, first: State, second: State) -> float:
    """Return by how much the mean width of either side differs between two solutions, mm."""
    apart = problem.fields.width_mm(first) - problem.fields.width_mm(second)
    return max(abs(float(half.mean())) for half in np.split(apart, [problem.fields.width[0].size]))


def find_pitch(problem: Problem, state: State) -> float:
    """Return the pitch of the thread from the helical ripple of the residuals, mm; NaN where none shows.

    The first harmonic of a right-handed thread is a wave ``cos(angle - 2 pi depth / pitch)``.
    """
    model = problem.model
    radius, angle = model.polar(state.shared)
    s = model.samples
    near = (radius > model.rod.root_mm - 0.2) & (radius < model.rod.envelope_mm + 0.4) & ~s.is_clipped
    if near.sum() < _LEAST_THREAD_VOXELS:
        return float("nan")
    residual = problem.residual(problem.render(state).image)[near]
    wave = (residual - residual.mean()) * np.exp(-1j * angle[near])
    depth = s.depth_mm[near]
    turns = np.arange(*_TURNS_PER_MM, 0.1 / np.ptp(depth))
    power = np.abs(np.exp(2j * np.pi * np.outer(turns, depth)) @ wave) ** 2
    is_clear = power.max() > _CLEAR_RIPPLE * np.median(power)
    return float(1.0 / turns[power.argmax()]) if is_clear else float("nan")


def _start(problem: Problem, width_mm: float) -> State:
    start = State.expected(problem.prior, problem.fields)
    return replace(start, lucent_mm=problem.fields.lucent_mm(width_mm))


def _variance(problem: Problem, state: State) -> FloatArray:
    """Return voxel variances from the residuals of a state, plus what the bone model cannot follow."""
    model, local = problem.model, problem.local(state)
    residual = problem.residual(model.render(state.shared, local).image)
    radius, _ = model.polar(state.shared)
    outer = model.rod.outer_mm(model.samples.depth_mm)
    spread = variance_by_distance(residual, radius - outer, _NOISE_FLOOR_HU, model.samples.is_clipped)
    beyond = np.maximum(radius - outer - model.width_mm(local) - 0.5, 0.0)
    return spread + (_BONE_DRIFT_HU_PER_MM * beyond) ** 2


def _carry_over(coarse: Fields, fine: Fields, state: State) -> State:
    """Return a coarse solution on the fine nodes."""
    grids = {"lucent_mm": "width"} | dict.fromkeys(FIELDS[len(RADII) :], "bone")
    nodes = {
        name: _resample(getattr(coarse, grid), getattr(fine, grid), getattr(state, name))
        for name, grid in grids.items()
    }
    edges = {name: fine.priors[name].mean for name in RADII[1:]}
    return State(state.shared, **(edges | nodes))


def _resample(
    source: tuple[NodeGrid, NodeGrid], target: tuple[NodeGrid, NodeGrid], values: FloatArray
) -> FloatArray:
    halves = np.split(values, [source[0].size])
    out = []
    for old, new, half in zip(source, target, halves, strict=True):
        depth, angle = (a.ravel() for a in np.meshgrid(new.depth_mm, new.angle_deg, indexing="ij"))
        out.append(old.basis(depth, angle) @ half)
    return np.concatenate(out)


def _search_widths(problem: Problem, state: State, weighting: Weighting) -> FloatArray:
    """Return lucent nodes by trying widths everywhere and keeping what fits best near each node.

    The edge is multimodal (a cortex behind the halo, a shell of trabeculae), so a descent alone may
    stop at the wrong one. Bone levels are solved in closed form, pulled toward their prior. Where no
    voxel speaks the width stays as it is: the last digit of a sum would choose another.
    """
    problem = problem.with_thread_of(state)  # no width changes it
    trials = [replace(state, lucent_mm=problem.fields.lucent_mm(w)) for w in _TRIED_WIDTHS_MM]
    costs = np.array([problem.node_costs(t, weighting.variance, weighting.dilution) for t in trials])
    is_told = np.ptp(costs, axis=0) > _TELLING
    least = (costs <= costs.min(axis=0) + _TELLING).argmax(axis=0)  # the last digit of a sum does not choose
    return np.where(is_told, problem.fields.lucent_mm(_TRIED_WIDTHS_MM[least]), state.lucent_mm)


def _free_layers(prior: Prior) -> Prior:
    """Let the layer levels go: a wide halo shows its level, a thin one only level times width."""
    precision = prior.precision.copy()
    precision[LAYER, LAYER] = np.eye(2) / LAYER_SD_HU**2
    return Prior(prior.mean, precision)


def _with_rims(problem: Problem, found: Solution, weighting: Weighting) -> tuple[Problem, Solution]:
    """Let halos have dense rims, and keep them if the image asks for it."""
    is_wide = _is_wide(problem, found)
    if not is_wide.any():
        return problem, found
    precision = problem.prior.precision.copy()
    for index in np.arange(RIM_HU.start, RIM_HU.stop)[is_wide]:
        precision[index, index] = RIM_SD_HU**-2.0
    rimmed = problem.believing(Prior(problem.prior.mean, precision))
    better = solve(rimmed, found.state, weighting, steps=6, blur_every=3)
    return (rimmed, better) if better.cost < found.cost - _RIM_GAIN else (problem, found)


def _asks_for_rims(descents: Sequence[_Descent]) -> bool:
    """Whether the likeliest halo that is wide enough for a rim asks for one; if not, no other is asked."""
    wide = [d for d in descents if _is_wide(d.problem, d.solution).any()]
    likeliest = min(wide, key=lambda d: d.comparable_cost, default=None)
    if likeliest is None:
        return False
    rimmed, _ = _with_rims(likeliest.problem, likeliest.solution, likeliest.weighting)
    return rimmed is not likeliest.problem


def _is_wide(problem: Problem, found: Solution) -> NDArray[np.bool_]:
    """Whether the halo of each side is wide enough for a rim, shape (2,)."""
    halves = np.split(problem.fields.width_mm(found.state), [problem.fields.width[0].size])
    return np.array([half.mean() > _RIM_FROM_MM for half in halves])


def _cost_with_rims(problem: Problem, found: Solution, weighting: Weighting) -> float:
    """Return how likely a solution is with dense rims, where the image asks for them, as `comparable_cost`.

    Widths are found without rims, but held against "none" so, a halo with a rim would answer for a picture
    that leaves its rim out. What a rim must bring does not count.
    """
    bare = comparable_cost(problem, found, weighting)
    rimmed, better = _with_rims(problem, found, weighting)
    if rimmed is problem:
        return bare
    return min(bare, comparable_cost(rimmed, better, weighting) + DATA_SHARE * _RIM_GAIN)


def _slivers_missed(fields: Fields, state: State) -> FloatArray:
    """Return how strongly width nodes expect that a halo which comes near dense bone reaches it.

    Only once the halo has been found, and nothing where there is none: as a guide to the search it would
    invent halos.
    """
    is_dense = fields.priors["cortex_mm"].mean < fields.priors["cortex_mm"].mean.max()
    return np.asarray(is_dense * np.clip((fields.width_mm(state) - 0.3) / 0.4, 0.0, 1.0))
