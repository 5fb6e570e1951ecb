"""From a scan, a screw and its defect to the halo: the order of the steps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.calibration import Calibration
from ongrowth.defect import DefectPlane, Side
from ongrowth.edge import Blur, Section
from ongrowth.frame import ScrewFrame
from ongrowth.halo.field import NodeGrid
from ongrowth.halo.fit import Fields, Prior, Problem, Solution, State, side_basis, solve, variance_by_distance
from ongrowth.halo.map import Halo, HaloMap, Rim
from ongrowth.halo.model import LAYER, N_SHARED, HaloModel, Rod, Shared
from ongrowth.halo.samples import SOFT_HU, Samples, Surroundings, gather, look_round, sides_at
from ongrowth.halo.summary import Draws, summarise
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]


_INTO_CORTEX_MM = 0.6


@dataclass(frozen=True, slots=True)
class HaloSettings:
    """How the halo is read."""

    depth_step_mm: float = 1.5  # of the width nodes; near the blur, finer tells nothing more
    n_angles: int = 16
    bone_step_mm: float = 4.0
    n_bone_angles: int = 8
    reach_mm: float = 4.5  # beyond the envelope: halos of 3 mm and the bone behind them
    head_margin_mm: float = 1.2  # the screw head's own edge reaches this far along the shaft
    taper_mm: float = 3.0  # of the tip, where the envelope is no cylinder
    bone_look_mm: float = 0.8  # beyond the halo's outer edge: what counts as bone behind
    walk_mm: float = 0.22  # how much width may differ between neighbouring nodes (SD)
    seed: int = 20260301
    draws: int = 200


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What the fit works on: voxels kept, their side, and what lies round the screw."""

    rod: Rod
    section: Section
    e1_deg: float
    around: Surroundings
    samples: Samples
    is_tip: NDArray[np.bool_]
    from_mm: float
    to_mm: float


def set_scene(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    blur: Blur,
    settings: HaloSettings,
) -> Scene:
    """Collect the voxels that can speak of the halo."""
    rod = Rod.of(screw)
    section = Section.of(frame.axis_direction, scan.slice_normal)
    e1_deg = float(
        np.degrees(np.arctan2(section.e1 @ frame.quarter_direction, section.e1 @ frame.zero_direction))
    )
    reach = rod.envelope_mm + settings.reach_mm
    around = look_round(scan, frame, rod.envelope_mm, reach)
    from_mm, to_mm = settings.head_margin_mm, frame.length_mm - settings.taper_mm
    voxels = gather(scan, frame, reach, from_mm, to_mm)
    radius = np.hypot(voxels.x_mm, voxels.y_mm)
    angle = np.degrees(np.arctan2(voxels.y_mm, voxels.x_mm)) % 360.0
    end = around.at(around.end_mm, voxels.depth_mm, angle)
    # what lies deep in dense bone or behind it says nothing of the halo
    end = np.minimum(
        end,
        around.at(around.cortex_mm, voxels.depth_mm, angle) + _INTO_CORTEX_MM + 0.6 * blur.in_plane_fwhm_mm,
    )
    in_metal = radius < rod.envelope_mm - 0.2
    with np.errstate(invalid="ignore"):
        in_bone = radius < end - 0.6 * blur.in_plane_fwhm_mm
    is_tip = np.zeros(radius.shape, bool)
    if defect is not None:
        height = defect.plane.height_mm(frame.world(radius, angle, voxels.depth_mm))
        half = 0.0 if np.isnan(defect.gap_mm) else defect.gap_mm / 2.0
        in_bone &= np.abs(height) > half + 0.8 * blur.in_plane_fwhm_mm
        is_tip = height > 0
    keep = in_metal | in_bone
    return Scene(rod, section, e1_deg, around, voxels.take(keep), is_tip[keep], from_mm, to_mm)


def make_fields(scene: Scene, defect_depth_mm: float, settings: HaloSettings, *, coarse: bool) -> Fields:
    """Return node grids and priors; coarse ones for the first look."""
    reach = 4.0
    low, high = scene.from_mm, scene.to_mm
    cut_head, cut_tip = min(defect_depth_mm + reach, high), max(defect_depth_mm - reach, low)
    step, n_angles = (12.0, 4) if coarse else (settings.depth_step_mm, settings.n_angles)
    bone_step, n_bone = (12.0, 4) if coarse else (settings.bone_step_mm, settings.n_bone_angles)
    cut_head, cut_tip = max(cut_head, low + 2.0), min(cut_tip, high - 2.0)
    width = (
        NodeGrid.spanning(low, cut_head, step, n_angles),
        NodeGrid.spanning(cut_tip, high, step, n_angles),
    )
    bone = (
        NodeGrid.spanning(low, cut_head, bone_step, n_bone),
        NodeGrid.spanning(cut_tip, high, bone_step, n_bone),
    )
    walk = settings.walk_mm * (2.5 if coarse else 1.0)
    width_precision = linalg.block_diag(*(g.smoothness(walk, walk) for g in width))
    width_precision += np.eye(len(width_precision)) * 1e-4
    bone_smooth = linalg.block_diag(*(g.smoothness(60.0, 60.0) for g in bone))
    n = len(bone_smooth)
    slope_smooth = linalg.block_diag(*(g.smoothness(40.0, 40.0) for g in bone))
    cortex = np.concatenate([_node_values(scene, g) for g in width])
    cortex_smooth = linalg.block_diag(*(g.smoothness(0.5, 0.5) for g in width))
    rise_smooth = linalg.block_diag(*(g.smoothness(150.0, 150.0) for g in bone))
    around = scene.around
    return Fields(
        width,
        bone,
        width_precision,
        bone_smooth + np.eye(n) / 70.0**2,
        slope_smooth + np.eye(n) / 30.0**2,
        cortex_smooth + np.eye(len(cortex)) / 0.4**2,
        rise_smooth + np.eye(n) / 300.0**2,
        np.full(n, around.bone_hu),
        cortex,
        np.full(n, around.cortex_hu - around.bone_hu),
    )


def _node_values(scene: Scene, grid: NodeGrid) -> FloatArray:
    """Return where dense bone begins at the nodes, mm; the reach where there is none."""
    depth, angle = (a.ravel() for a in np.meshgrid(grid.depth_mm, grid.angle_deg, indexing="ij"))
    return np.minimum(scene.around.at(scene.around.cortex_mm, depth, angle), scene.around.radius_mm[-1] + 0.2)


def shared_prior(calibration: Calibration | None, screw: Screw, metal_hu: float, metal_sd_hu: float) -> Prior:
    """Return the prior of the shared unknowns; a calibration pins the blur."""
    mean = Shared(metal_hu=metal_hu)
    sd = Shared(
        0.15, 0.15, 0.15, 0.15, metal_sd_hu, 0.25, 0.12, 0.5, 0.3, 1.0, 0.3, 3.0, 3.0, 0.7, 0.7, 1.0, 1.0
    ).vector()
    precision = np.diag(1.0 / sd**2)
    mean_vector = replace(mean, log_slice=0.15, overshoot=0.3).vector()
    if calibration is not None:
        mean_vector[7:11] = [0.0, 0.0, calibration.blur.b, 0.0]
        precision[7:11, 7:11] = linalg.inv(calibration.covariance)
    return Prior(mean_vector, precision)


def _problem(
    scene: Scene,
    fields: Fields,
    base: Blur,
    prior: Prior,
    length_mm: float,
    hardening: FloatArray,
    settings: HaloSettings,
) -> Problem:
    s = scene.samples
    angle = np.degrees(np.arctan2(s.y_mm, s.x_mm)) % 360.0
    model = HaloModel(
        s,
        scene.is_tip,
        scene.rod,
        base,
        scene.section,
        scene.e1_deg,
        length_mm,
        scene.rod.envelope_mm + settings.reach_mm,
        hardening,
    )
    return Problem(
        model,
        fields,
        side_basis(fields.width, s.depth_mm, angle, scene.is_tip),
        side_basis(fields.bone, s.depth_mm, angle, scene.is_tip),
        prior,
    )


def reweigh(problem: Problem, state: State, floor_hu: float) -> FloatArray:
    """Return voxel variances from the residuals of a state, plus what the bone model cannot follow."""
    model = problem.model
    local = problem.local(state)
    residual = problem.residual(model.linearise(state.shared, local).image)
    radius, _ = model.polar(state.shared)
    outer = model.rod.outer_mm(model.samples.depth_mm)
    spread = variance_by_distance(residual, radius - outer, floor_hu, model.samples.is_clipped)
    beyond = np.maximum(radius - outer - local.width_mm - 0.5, 0.0)
    return spread + (60.0 * beyond) ** 2  # bone changes by tens of HU per mm that no slope follows


def _carry_over(coarse: Fields, fine: Fields, state: State) -> State:
    """Return a coarse solution on the fine nodes."""
    return State(
        state.shared,
        _resample(coarse.width, fine.width, state.width_mm),
        _resample(coarse.bone, fine.bone, state.bone_hu),
        _resample(coarse.bone, fine.bone, state.slope),
        fine.cortex_mean_mm,
        _resample(coarse.bone, fine.bone, state.rise_hu),
    )


def _resample(
    source: tuple[NodeGrid, NodeGrid], target: tuple[NodeGrid, NodeGrid], values: FloatArray
) -> FloatArray:
    out, start = [], 0
    for old, new in zip(source, target, strict=True):
        depth, angle = np.meshgrid(new.depth_mm, new.angle_deg, indexing="ij")
        out.append(old.basis(depth.ravel(), angle.ravel()) @ values[start : start + old.size])
        start += old.size
    return np.concatenate(out)


def _thinned(scene: Scene, keep_every: int) -> Scene:
    """Return the scene with every n-th voxel, for the first look."""
    chosen = np.zeros(scene.is_tip.shape, bool)
    chosen[::keep_every] = True
    return replace(scene, samples=scene.samples.take(chosen), is_tip=scene.is_tip[chosen])


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """The solved screw: scene, fields, solution and the problem it solves."""

    scene: Scene
    problem: Problem
    solution: Solution


_START_WIDTHS_MM = (0.0, 0.5, 1.3)
_DILUTION = 6.0
_NOISE_FLOOR_HU = 30.0


def first_look(
    scene: Scene, base: Blur, prior: Prior, length_mm: float, depth_mm: float, settings: HaloSettings
) -> tuple[Fields, State]:
    """Return coarse fields and the best coarse solution over several starting widths.

    An even halo and an edge-enhancing kernel look alike, so a descent from one start may stop at
    the wrong one.
    """
    thin = _thinned(scene, 3)
    fields = make_fields(thin, depth_mm, settings, coarse=True)
    problem = _problem(thin, fields, base, prior, length_mm, _no_hardening(thin), settings)
    best: Solution | None = None
    for width in _START_WIDTHS_MM:
        state = State(
            Shared.from_vector(prior.mean),
            np.full(fields.n_width, width),
            fields.bone_mean_hu,
            np.zeros(fields.n_bone),
            fields.cortex_mean_mm,
            fields.rise_mean_hu,
        )
        rough = np.full(len(thin.samples.hu), 150.0**2)
        state = solve(problem, state, rough, _DILUTION / 3.0, steps=5, blur_every=2).state
        variance = reweigh(problem, state, _NOISE_FLOOR_HU) if best is None else variance
        found = solve(problem, state, variance, _DILUTION / 3.0, steps=6, blur_every=2)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    return fields, best.state


def _no_hardening(scene: Scene) -> FloatArray:
    return np.zeros((2, len(scene.samples.hu)))


def fit_halo(
    scene: Scene, base: Blur, prior: Prior, length_mm: float, depth_mm: float, settings: HaloSettings
) -> Fitted:
    """Return the fitted screw."""
    coarse, state = first_look(scene, base, prior, length_mm, depth_mm, settings)
    fields = make_fields(scene, depth_mm, settings, coarse=False)
    problem = _problem(scene, fields, base, prior, length_mm, _no_hardening(scene), settings)
    smooth = _carry_over(coarse, fields, state)
    variance = reweigh(problem, smooth, _NOISE_FLOOR_HU)
    searched = replace(smooth, width_mm=search_widths(problem, smooth, variance))
    tries = [
        solve(problem, start, variance, _DILUTION, steps=6, blur_every=3) for start in (smooth, searched)
    ]
    found = min(tries, key=lambda t: t.cost)
    variance = reweigh(problem, found.state, _NOISE_FLOOR_HU)
    found = solve(problem, found.state, variance, _DILUTION, steps=6, blur_every=3)
    return Fitted(scene, problem, found)


_TRIED_WIDTHS_MM = np.array([0.0, 0.25, 0.5, 0.8, 1.2, 1.6, 2.1, 2.7, 3.3])


def search_widths(problem: Problem, state: State, variance: FloatArray) -> FloatArray:
    """Return width nodes by trying widths everywhere and keeping what fits best near each node.

    The edge is multimodal (a cortex behind the halo, a shell of trabeculae), so a descent alone may
    stop at the wrong one. Bone levels are solved in closed form, pulled toward their prior.
    """
    trials = [replace(state, width_mm=np.full_like(state.width_mm, w)) for w in _TRIED_WIDTHS_MM]
    costs = np.array([problem.node_costs(t, variance, _DILUTION) for t in trials])
    return np.asarray(_TRIED_WIDTHS_MM[costs.argmin(axis=0)], dtype=np.float64)


def measure_halo(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    calibration: Calibration | None = None,
    settings: HaloSettings = HaloSettings(),  # noqa: B008 - frozen
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
    """
    base = calibration.blur if calibration is not None else _guess(scan)
    scene = set_scene(scan, screw, frame, defect, base, settings)
    prior = shared_prior(calibration, screw, *_metal_guess(scan, screw, scene))
    depth = frame.length_mm / 2.0 if defect is None else defect.depth_mm(frame)
    fitted = fit_halo(scene, base, prior, frame.length_mm, depth, settings)
    draws = draw_fields(fitted, frame, defect, settings)
    cautions = screw.cautions | (Caution.NONE if calibration else Caution.BLUR_UNKNOWN)
    cautions |= Caution.METAL_CLIPPED if scene.samples.is_clipped.any() else Caution.NONE
    none = replace(draws, side=np.zeros_like(draws.side))
    sided = draws if defect is not None else none
    lost = cautions | (Caution.NO_DEFECT if defect is None else Caution.NONE)
    return Halo(
        HaloMap(
            draws.depth_mm, draws.angle_deg, draws.width_mm, draws.width_u_mm, draws.side, draws.cautions
        ),
        summarise(draws, (Side.HEAD, Side.TIP), cautions),
        summarise(sided, (Side.HEAD,), lost),
        summarise(sided, (Side.TIP,), lost),
    )


def _guess(scan: Scan) -> Blur:
    thickness = scan.acquisition.slice_thickness_mm
    thickness = thickness if np.isfinite(thickness) and thickness > 0 else scan.slice_gap_mm
    return Blur.gaussian(0.8, 1.0).__class__(
        Blur.gaussian(0.8, 1.0).f0_per_mm, 2.0, 0.0, thickness, 0.6 * thickness
    )


def _metal_guess(scan: Scan, screw: Screw, scene: Scene) -> tuple[float, float]:
    s = scene.samples
    core = np.hypot(s.x_mm, s.y_mm) < 0.5 * scene.rod.root_mm
    if not s.is_clipped[core].any():
        return float(np.median(s.hu[core])), 1500.0
    return {"titanium": 9300.0}.get(screw.spec.material, 18000.0), 2000.0


def draw_fields(
    fitted: Fitted, frame: ScrewFrame, defect: DefectPlane | None, settings: HaloSettings
) -> Draws:
    """Return the unrolled shaft: estimate, uncertainty and draws of the true field."""
    scene, problem, solution = fitted.scene, fitted.problem, fitted.solution
    state, fields = solution.state, problem.fields
    depth = np.arange(0.5, scene.to_mm, 1.0)
    angle = np.arange(24) * 15.0
    grid_z, grid_a = (g.ravel() for g in np.meshgrid(depth, angle, indexing="ij"))
    outer = scene.rod.outer_mm(grid_z)
    nodes, factor = _posterior(solution, fields)
    rng = np.random.default_rng(settings.seed)
    noise = factor @ rng.standard_normal((factor.shape[1], settings.draws))
    per_side = {}
    for side, is_tip in ((Side.HEAD, False), (Side.TIP, True)):
        basis = side_basis(fields.width, grid_z, grid_a, np.full(grid_z.shape, is_tip))
        width = basis @ state.width_mm
        spread = basis @ noise
        r = outer + width + settings.bone_look_mm
        where = sides_at(frame, defect, r, grid_a, grid_z)
        start, end = (
            scene.around.at(a, grid_z, grid_a) for a in (scene.around.start_mm, scene.around.end_mm)
        )
        with np.errstate(invalid="ignore"):
            bone = (r < end) & (r > start - 0.5)
        per_side[side] = (width, spread, (where == side) & bone)
    head, tip = per_side[Side.HEAD], per_side[Side.TIP]
    is_tip = tip[2] & ~head[2]
    label = np.where(head[2], Side.HEAD, np.where(tip[2], Side.TIP, Side.OUTSIDE)).astype(np.int8)
    # a cell of neither fragment shows the field of the nearer one
    middle = sides_at(frame, defect, outer, grid_a, grid_z)
    in_gap = (label == Side.OUTSIDE) & (middle == Side.GAP)
    label[in_gap] = Side.GAP
    width = np.where(is_tip, tip[0], head[0])
    spread = np.where(is_tip[:, None], tip[1], head[1])
    cautions = np.zeros(grid_z.shape, dtype=np.int64)
    cautions[grid_z < scene.from_mm] |= int(Caution.NEAR_END)
    cautions[label == Side.OUTSIDE] |= int(Caution.NO_BONE)
    cautions[label == Side.GAP] |= int(Caution.NEAR_GAP)
    shape = (len(depth), len(angle))
    u = spread.std(axis=1)
    shown = np.isin(label, [int(Side.HEAD), int(Side.TIP)])
    return Draws(
        depth,
        angle,
        scene.rod.outer_mm(depth),
        np.where(shown, width, np.nan).reshape(shape),
        np.where(shown, u, np.nan).reshape(shape),
        (width[:, None] + spread).T.reshape(-1, *shape),
        label.reshape(shape),
        cautions.reshape(shape),
        {s: Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR) for s in (Side.HEAD, Side.TIP)},
        {
            s: Rim(
                "not measurable",
                Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR),
                Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR),
            )
            for s in (Side.HEAD, Side.TIP)
        },
        dict.fromkeys((Side.HEAD, Side.TIP), 0.25),
    )


_LAYER_SD_HU = 35.0  # fibrous tissue and fluid, 0 to 140 HU, where the halo is too thin to tell


def _posterior(solution: Solution, fields: Fields) -> tuple[int, FloatArray]:
    """Return the width nodes' covariance factor, shape (nodes, Q), and their count.

    Layer levels are not estimated but carried: their spread enters through the slope of the
    solution by their prior.
    """
    covariance = linalg.inv(solution.hessian)
    nodes = slice(N_SHARED, N_SHARED + fields.n_width)
    pinned = np.diag(solution.hessian)[LAYER]
    own = covariance[nodes, nodes]
    extra = covariance[nodes, LAYER] * (_LAYER_SD_HU / 3.0**2)
    del pinned
    own = own + extra @ extra.T
    values, vectors = linalg.eigh(own)
    return fields.n_width, vectors * np.sqrt(np.maximum(values, 0.0))
