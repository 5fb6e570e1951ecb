"""The unrolled shaft: its cells, the fragment behind each, and what their widths hang on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ongrowth.defect import DefectPlane, Side
from ongrowth.edge import Blur
from ongrowth.frame import ScrewFrame, patch_cautions
from ongrowth.halo.doubt import NOISE_FACTOR, Doubt, Rim
from ongrowth.halo.field import side_basis
from ongrowth.halo.fit import Problem, Solution
from ongrowth.halo.model import BLUR, LAYER, N_SHARED, RIM_HU, RIM_MM, Shared, blur_of
from ongrowth.halo.posterior import PARTS, Posterior, Rivals
from ongrowth.halo.prior import LAYER_SD_HU
from ongrowth.halo.samples import sides_at
from ongrowth.halo.scene import HaloSettings, Scene
from ongrowth.quantity import Caution, Measured, Unit

FloatArray = NDArray[np.float64]

_CELL_MM, _CELL_DEG = 1.0, 15.0
_LEAST_CONTRAST_HU = 80.0
DETECTION = 3.29  # 5 % false calls and 95 % found: twice the one-sided normal quantile (Currie 1968)
# What the model leaves out, as SD of a side's mean: found on phantoms of the tuning half.
_MODEL_SD_MM = 0.08
_RIM_SHOWN_SD, _LEAST_RIM_HU = 3.0, 100.0  # excess that counts as a rim
_RIM_FROM_MM = 0.5  # a thinner halo tells nothing of a rim
_RIM_TELLS_HU = 150.0  # a scan that leaves the excess less well known does not tell
_LEVEL_SHOWN = 0.6  # of what was known of the layer beforehand must be left at most


@dataclass(frozen=True, slots=True, eq=False)
class Shaft:
    """The cells of the unrolled shaft.

    Parameters
    ----------
    depth_mm, angle_deg : ndarray, shapes (D,), (S,)
        Cell centres.
    side : ndarray of int8, shape (D, S)
        `Side` of each cell of the counting set, OUTSIDE or GAP elsewhere.
    cautions : ndarray of int64, shape (D, S)
        Why a cell is not measured.
    """

    depth_mm: FloatArray
    angle_deg: FloatArray
    side: NDArray[np.int8]
    cautions: NDArray[np.int64]


def unroll(
    scene: Scene,
    problem: Problem,
    solution: Solution,
    posterior: Posterior,
    rivals: Rivals,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    settings: HaloSettings,
    radius: Measured,
) -> tuple[Shaft, Doubt]:
    """Return the cells of the shaft, and what their widths hang on.

    Parameters
    ----------
    scene, problem, solution, posterior, rivals
        The solved screw.
    frame : ScrewFrame
        Frame of the screw.
    defect : DefectPlane or None
        Where the sides part.
    settings : HaloSettings
        How the halo is read.
    radius : Measured
        Major radius of the screw, mm: an error of it is an error of every width.
    """
    depth = np.arange(_CELL_MM / 2.0, scene.to_mm, _CELL_MM)
    angle = np.arange(0.0, 360.0, _CELL_DEG)
    shape = len(depth), len(angle)
    z, a = (g.ravel() for g in np.meshgrid(depth, angle, indexing="ij"))
    label, is_tip = _label(scene, problem, solution, rivals, frame, defect, settings, z, a)
    cautions = _cell_cautions(scene, problem, solution, label, z, a, settings)
    both = (Side.HEAD, Side.TIP)
    shaft = Shaft(depth, angle, label.reshape(shape), cautions.reshape(shape))
    basis = side_basis(problem.fields.width, z, a, is_tip)
    area = scene.rod.outer_mm(z)
    head_limit, tip_limit = (_limit(posterior, basis, area * (label == side), _MODEL_SD_MM) for side in both)
    best = problem.fields.width_mm(solution.state)
    nodes = np.vstack([best, best + rivals.width_mm])
    chances = np.append(1.0 - rivals.weight.sum(), rivals.weight)
    solutions = [solution.state.shared, *(Shared.from_vector(v) for v in rivals.shared)]
    part_of = {index: part for part, indices in PARTS.items() for index in indices}
    noise = basis @ posterior.draw_own(settings.draws, np.random.default_rng(settings.seed)) * NOISE_FACTOR
    noise = noise.astype(np.float32).astype(float)  # as it is stored
    doubt = Doubt(
        parts=tuple(part_of.get(i, "thread") for i in range(N_SHARED)),
        solutions=np.array([_absolute(problem, one) for one in solutions]),
        widths_mm=np.asarray((basis @ nodes.T).T).reshape(-1, *shape),
        blur_mm=_blurs(problem, solutions),
        chances=chances,
        alone=chances,
        paired=chances,
        covariance=posterior.shared_covariance,
        blur_u_mm=_blur_u(problem, solution.state.shared, posterior),
        follow_mm=np.asarray(basis @ posterior.drag[: posterior.n_width]).reshape(*shape, N_SHARED),
        noise_mm=np.asarray(noise.T).reshape(-1, *shape),
        envelope_mm=scene.rod.outer_mm(depth),
        limit_mm=(head_limit, tip_limit),
        layer_hu=(_layer(solution, posterior, Side.HEAD), _layer(solution, posterior, Side.TIP)),
        rims=(_rim(problem, solution, posterior, Side.HEAD), _rim(problem, solution, posterior, Side.TIP)),
        radius=radius,
        model_mm=_MODEL_SD_MM,
    )
    return shaft, doubt


def _label(
    scene: Scene,
    problem: Problem,
    solution: Solution,
    rivals: Rivals,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    settings: HaloSettings,
    z: FloatArray,
    a: FloatArray,
) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """Return the `Side` of each cell, and whether its width is read on the tip side's nodes."""
    expected = problem.fields.width_mm(solution.state) + rivals.expected_mm
    behind = {}
    for side in (Side.HEAD, Side.TIP):
        basis = side_basis(problem.fields.width, z, a, np.full(z.shape, side == Side.TIP))
        width, end = basis @ expected, basis @ solution.state.end_mm
        behind[side] = _belongs(scene, frame, defect, side, z, a, width, end, settings)
    label = np.where(behind[Side.HEAD], Side.HEAD, np.where(behind[Side.TIP], Side.TIP, Side.OUTSIDE))
    middle = sides_at(frame, defect, scene.rod.outer_mm(z), a, z)
    label = np.where((label == Side.OUTSIDE) & (middle == Side.GAP), Side.GAP, label).astype(np.int8)
    return label, (label == Side.TIP) | ((label != Side.HEAD) & (middle == Side.TIP))


def _absolute(problem: Problem, shared: Shared) -> FloatArray:
    """Return the shared unknowns with the blur no longer relative to a base."""
    blur, values = blur_of(problem.model.base, shared), shared.vector()
    values[[BLUR.start, BLUR.start + 1]] = np.log(blur.f0_per_mm), np.log(blur.p)
    values[BLUR.start + 3] = np.log(blur.box_mm)
    return values


def _belongs(
    scene: Scene,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    side: Side,
    z: FloatArray,
    a: FloatArray,
    width: FloatArray,
    end: FloatArray,
    settings: HaloSettings,
) -> NDArray[np.bool_]:
    """Whether the bone just beyond the halo is there and belongs to a side's fragment."""
    r = scene.rod.outer_mm(z) + np.maximum(width, 0.0) + settings.bone_look_mm
    start = scene.around.at(scene.around.start_mm, z, a)
    with np.errstate(invalid="ignore"):
        is_bone = (r < end) & (r > start - 0.5)
    return np.asarray((sides_at(frame, defect, r, a, z) == side) & is_bone)


def _cell_cautions(
    scene: Scene,
    problem: Problem,
    solution: Solution,
    label: NDArray[np.int8],
    z: FloatArray,
    a: FloatArray,
    settings: HaloSettings,
) -> NDArray[np.int64]:
    left_out = patch_cautions(settings.left_out, z, a)
    cautions = left_out.copy()
    cautions[z < scene.from_mm] |= int(Caution.NEAR_END)
    cautions[label == Side.OUTSIDE] |= int(Caution.NO_BONE)
    cautions[label == Side.GAP] |= int(Caution.NEAR_GAP)
    bone = side_basis(problem.fields.bone, z, a, label == Side.TIP) @ solution.state.bone_hu
    shared = solution.state.shared
    layer = np.where(label == Side.TIP, shared.tip_layer_hu, shared.head_layer_hu)
    cautions[bone - layer < _LEAST_CONTRAST_HU] |= int(Caution.NO_CONTRAST)
    near_gap = (_voxel_count(scene, z, a) == 0) & (left_out == 0)
    cautions[near_gap & np.isin(label, [Side.HEAD, Side.TIP])] |= int(Caution.NEAR_GAP)
    return cautions


def _voxel_count(scene: Scene, z: FloatArray, a: FloatArray) -> NDArray[np.int_]:
    """Count the voxels outside the envelope that each cell rests on."""
    s = scene.samples
    radius = np.hypot(s.x_mm, s.y_mm)
    outside = radius > scene.rod.outer_mm(s.depth_mm)
    n_z = round(z.max() / _CELL_MM + 0.5)
    i = np.floor(s.depth_mm[outside] / _CELL_MM).astype(int)
    angle = np.degrees(np.arctan2(s.y_mm[outside], s.x_mm[outside]))
    j = np.rint(angle / _CELL_DEG).astype(int) % round(360.0 / _CELL_DEG)
    count = np.zeros((n_z, round(360.0 / _CELL_DEG)), dtype=int)
    inside = (i >= 0) & (i < n_z)
    np.add.at(count, (i[inside], j[inside]), 1)
    return np.asarray(
        count[np.floor(z / _CELL_MM).astype(int), np.rint(a / _CELL_DEG).astype(int) % count.shape[1]]
    )


def _limit(posterior: Posterior, basis: sparse.csr_matrix, area_mm2: FloatArray, model_sd_mm: float) -> float:
    """Smallest mean width of a side that this scan would show, mm.

    The level inside the layer has no part in it: where there is no layer it changes nothing.
    """
    if not area_mm2.any():
        return float("nan")
    parts = posterior.variance_parts(np.asarray(basis.T @ (area_mm2 / area_mm2.sum())))
    variance = sum(v for name, v in parts.items() if name != "layer level") * NOISE_FACTOR**2
    return float(DETECTION * np.sqrt(variance + model_sd_mm**2))


def _layer(solution: Solution, posterior: Posterior, side: Side) -> Measured:
    """Level inside the layer, where it is wide enough to show it."""
    index = int(side == Side.TIP)
    value = solution.state.shared.vector()[LAYER][index]
    u = np.sqrt(posterior.shared_covariance[LAYER, LAYER][index, index])
    if u > _LEVEL_SHOWN * LAYER_SD_HU:
        return Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR)
    return Measured.of(float(value), float(u), Unit.HU)


def _rim(problem: Problem, solution: Solution, posterior: Posterior, side: Side) -> Rim:
    """Dense line round the halo of a side: its excess over the bone, averaged over the side.

    A rim thinner than the blur shows thickness times excess only, so its thickness carries what was known
    of it beforehand.
    """
    index = int(side == Side.TIP)
    width = np.split(problem.fields.width_mm(solution.state), [problem.fields.width[0].size])[index]
    values = solution.state.shared.vector()
    u = np.sqrt(np.diag(posterior.shared_covariance))
    (hu, u_hu), (mm, u_mm) = ((values[w][index], u[w][index]) for w in (RIM_HU, RIM_MM))
    if float(width.mean()) < _RIM_FROM_MM or u_hu > _RIM_TELLS_HU:
        why = Caution.SMALLER_THAN_BLUR
        return Rim("not measurable", Measured.missing(Unit.MM, why), Measured.missing(Unit.HU, why))
    if hu < max(_RIM_SHOWN_SD * u_hu, _LEAST_RIM_HU):
        none = Caution.NOT_SHOWN
        return Rim("not shown", Measured.missing(Unit.MM, none), Measured.missing(Unit.HU, none))
    bone = np.split(solution.state.bone_hu, [problem.fields.bone[0].size])[index].mean()
    return Rim(
        "present",
        Measured.of(float(mm), float(u_mm), Unit.MM, floor=0.0),
        Measured.of(float(bone + hu), float(u_hu), Unit.HU),
    )


def _blurs(problem: Problem, shared: list[Shared]) -> FloatArray:
    """Return the widths at half height of each blur, in the slice and across, shape (n, 2), mm."""
    blurs = [blur_of(problem.model.base, one) for one in shared]
    return np.array([(blur.in_plane_fwhm_mm, blur.slice_fwhm_mm) for blur in blurs])


def _blur_u(problem: Problem, shared: Shared, posterior: Posterior) -> FloatArray:
    """Return the standard uncertainties of the two widths of a blur, mm."""
    covariance = posterior.shared_covariance[BLUR, BLUR]
    slopes = np.array([_width_slope(problem.model.base, shared, n) for n in range(BLUR.stop - BLUR.start)])
    through_mm = blur_of(problem.model.base, shared).slice_fwhm_mm
    return np.array([np.sqrt(slopes @ covariance @ slopes), through_mm * np.sqrt(covariance[3, 3])])


def _width_slope(base: Blur, shared: Shared, n: int) -> float:
    moved = shared.vector()
    moved[BLUR.start + n] += 0.01
    wider = blur_of(base, Shared.from_vector(moved)).in_plane_fwhm_mm
    return (wider - blur_of(base, shared).in_plane_fwhm_mm) / 0.01
