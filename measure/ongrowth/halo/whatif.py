"""What limits a width on this scan, and what the same raw data would reach if reconstructed otherwise.

The fit's own information matrix answers both. Another kernel or thinner slices change the blur in the
model and leave the noise per piece of information as it is (a kernel shapes signal and noise
alike). A calibration adds its precision to the blur's. Only ratios of variances are taken from these
sums; they scale what the fit found on this scan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.special import ndtr

from ongrowth.frame import ScrewFrame
from ongrowth.halo.doubt import MODEL_SHARE, NOISE_FACTOR, Doubt
from ongrowth.halo.field import side_basis
from ongrowth.halo.fit import FieldPrior, Fields, Problem, State, Weighting, lifted, normal_at
from ongrowth.halo.map import SIDES, Halo
from ongrowth.halo.measure import Fitted
from ongrowth.halo.model import BLUR, Shared, blur_of
from ongrowth.halo.protocol import TRANSFER_SD
from ongrowth.halo.scene import HaloSettings, pose_problem
from ongrowth.halo.unrolled import DETECTION
from ongrowth.quantity import COVERAGE_95

FloatArray = NDArray[np.float64]

_THINNED = 3
_ANY_WIDTH_MM = 100.0
_THIN_MM = 0.6  # what most scanners of the last twenty years can reconstruct; common practice, no source
_THIN_ENOUGH = 0.85  # of the slice width: less gain is not worth asking for
# A sharp bone kernel, as f0 (1/mm), p and b: the middle of the tuning half's two.
_BONE_KERNEL = (0.78, 2.6, 0.6)
_SHARP_ENOUGH_MM = 0.78  # in-plane width at half height of such a kernel, and a tenth
_NOTHING_KNOWN = np.full(7, np.inf)  # of ln f0, ln p, b, ln slice width, c, d1 and d2, as standard deviations
_RIVALS_LEFT = 0.33  # of the spread over other solutions, once the blur is known; 60 sides of the tuning half


@dataclass(frozen=True, slots=True)
class Prospect:
    """What the same raw data, or a calibrated protocol, would reach on the side known less well.

    `change` is one of "calibrated", "thinner", "sharper", "thinner and sharper" and "all together".
    """

    change: str
    u95_mm: float
    detection_limit_mm: float


def variance_parts(halo: Halo, side: str = "whole") -> dict[str, float]:
    """Return the variance of a mean width by part, mm2; empty where the halo was read from a file.

    Parameters
    ----------
    halo : Halo
        The halo.
    side : str
        "head_side", "tip_side" or "whole".
    """
    doubt = halo.doubt
    weight = _weight(halo, side)
    if doubt is None or weight is None:
        return {}
    g = np.tensordot(weight, doubt.follow_mm, axes=2)
    means = (doubt.widths_mm * weight).sum(axis=(1, 2))
    mean = halo.whole.mean_width.value if side == "whole" else getattr(halo, side).mean_width.value
    parts = {"noise and texture": float((doubt.noise_mm * weight).sum(axis=(1, 2)).var())}
    parts |= {part: v * NOISE_FACTOR**2 for part, v in _shared_parts(doubt, g).items()}
    return parts | {
        "other solutions": float(doubt.chances @ (means - doubt.chances @ means) ** 2),
        "radius": float(np.nan_to_num(doubt.radius.u)) ** 2,
        "model": doubt.model_mm**2 + (MODEL_SHARE * max(float(np.nan_to_num(mean)), 0.0)) ** 2,
    }


def _weight(halo: Halo, side: str) -> FloatArray | None:
    wanted = list(SIDES.values()) if side == "whole" else [SIDES[side]]
    cells = np.isin(halo.map.side, wanted)
    return cells / cells.sum() if cells.any() else None


def _shared_parts(doubt: Doubt, g: FloatArray) -> dict[str, float]:
    """Return what each part of the shared unknowns does: what falls away once it is known, to scale."""
    total = float(g @ doubt.covariance @ g)
    gains = {}
    for part in dict.fromkeys(doubt.parts):
        index = doubt.index(part)
        inner = doubt.covariance[np.ix_(index, index)]
        cross = doubt.covariance[:, index] @ linalg.pinvh(inner + np.diag(1e-9 * np.diag(inner) + 1e-18))
        gains[part] = max(float((g @ cross) @ inner @ (cross.T @ g)), 0.0)
    scale = total / max(sum(gains.values()), 1e-12)
    return {part: gain * scale for part, gain in gains.items()}


def look_ahead(
    fitted: Fitted, halo: Halo, frame: ScrewFrame, slice_mm: float, *, is_calibrated: bool
) -> tuple[Prospect, ...]:
    """Return what would help without new dose, each change with what it would reach.

    Parameters
    ----------
    fitted : Fitted
        The solved screw.
    halo : Halo
        What it gave, with its doubt.
    frame : ScrewFrame
        Frame of the screw.
    slice_mm : float
        Nominal slice thickness of the scan, mm.
    is_calibrated : bool
        Whether the blur was known beforehand.

    Returns
    -------
    tuple of Prospect
        Only changes that can be asked for: nothing for thin slices, sharp kernel and calibrated blur, and
        nothing where no side was measured.
    """
    side = _worse_side(halo)
    if side is None or halo.doubt is None:
        return ()
    problem, state, weighting = _linearised_at(fitted, frame)
    here = _Outlook.of(problem, state, weighting, side)
    now, width_mm = variance_parts(halo, side), getattr(halo, side).mean_width.value
    changes = _changes(problem, state, slice_mm, is_calibrated=is_calibrated)
    out = []
    for name, changed, calibrate in changes:
        blur_sd = TRANSFER_SD if calibrate else _NOTHING_KNOWN
        there = _Outlook.of(problem, changed, weighting, side, blur_sd)
        out.append(_prospect(name, width_mm, now, halo.doubt.model_mm, here, there, calibrate=calibrate))
    return tuple(out)


def _linearised_at(fitted: Fitted, frame: ScrewFrame) -> tuple[Problem, State, Weighting]:
    """Return the thinned fit where the thread valleys are just empty, as for the fit's own spread."""
    problem, weighting = thinned(fitted, frame)
    return problem, lifted(problem, fitted.solution.state), weighting


def thinned(fitted: Fitted, frame: ScrewFrame, walk_mm: float | None = None) -> tuple[Problem, Weighting]:
    """Return the fit on every third voxel, each counting three times: a third of the work.

    With `walk_mm`, under another prior of how much width may differ between neighbouring nodes.
    """
    old = fitted.problem
    fields = old.fields if walk_mm is None else _walking(old.fields, walk_mm)
    thin, settings = fitted.scene.every(_THINNED), HaloSettings()
    problem = pose_problem(thin, fields, old.model.base, old.prior, frame.length_mm, settings)
    w = fitted.weighting
    return problem, replace(w, variance=w.variance[::_THINNED], dilution=w.dilution / _THINNED)


def _walking(fields: Fields, walk_mm: float) -> Fields:
    smooth = linalg.block_diag(*(grid.smoothness(walk_mm, walk_mm) for grid in fields.width))
    prior = FieldPrior(np.zeros(fields.n_width), smooth + np.eye(fields.n_width) / _ANY_WIDTH_MM**2)
    return replace(fields, priors=fields.priors | {"lucent_mm": prior})


def _worse_side(halo: Halo) -> str | None:
    known = {s: getattr(halo, s).mean_width.u for s in SIDES if getattr(halo, s).mean_width.is_known}
    return max(known, key=lambda s: known[s]) if known else None


def _changes(
    problem: Problem, state: State, slice_mm: float, *, is_calibrated: bool
) -> list[tuple[str, State, bool]]:
    """Return the changes that can be asked for: name, state under the changed blur, whether calibrated."""
    blur = blur_of(problem.model.base, state.shared)
    may_thin = _THIN_ENOUGH * slice_mm > _THIN_MM
    may_sharpen = blur.in_plane_fwhm_mm > _SHARP_ENOUGH_MM
    thin = _thinner(state, slice_mm) if may_thin else state
    sharp = _sharper(problem, state) if may_sharpen else state
    both = _sharper(problem, thin) if may_sharpen else thin
    out = [] if is_calibrated else [("calibrated", state, True)]
    out += [("thinner", thin, False)] if may_thin else []
    out += [("sharper", sharp, False)] if may_sharpen else []
    out += [("thinner and sharper", both, False)] if may_thin and may_sharpen else []
    if not is_calibrated and (may_thin or may_sharpen):
        out.append(("all together", both, True))
    return out


def _moved(state: State, blur: FloatArray) -> State:
    values = state.shared.vector()
    values[BLUR] = blur
    return replace(state, shared=Shared.from_vector(values))


def _thinner(state: State, slice_mm: float) -> State:
    blur = state.shared.vector()[BLUR]
    blur[3] += np.log(_THIN_MM / slice_mm)
    return _moved(state, blur)


def _sharper(problem: Problem, state: State) -> State:
    base, blur = problem.model.base, state.shared.vector()[BLUR]
    f0, p, b = _BONE_KERNEL
    blur[[0, 1, 2]] = np.log(f0 / base.f0_per_mm), np.log(p / base.p), b
    blur[4:] = 0.0
    return _moved(state, blur)


@dataclass(frozen=True, slots=True)
class _Outlook:
    """Variance of a side's mean width by noise and by the shared unknowns, as the fit's sums have it, mm2."""

    own: float
    shared: float

    @classmethod
    def of(
        cls,
        problem: Problem,
        state: State,
        weighting: Weighting,
        side: str,
        blur_sd: FloatArray = _NOTHING_KNOWN,
    ) -> _Outlook:
        own, follow, shared = normal_at(problem, state, weighting).eliminate(problem.layout.order)
        shared[BLUR, BLUR] += np.diag(1.0 / blur_sd**2)
        weight = np.zeros(own.size)
        weight[: problem.fields.n_width] = node_weight(problem, side)
        moves = weight @ follow
        return cls(
            float(weight @ own.solve(weight)), float(moves @ linalg.solve(shared, moves, assume_a="pos"))
        )


def node_weight(problem: Problem, side: str) -> FloatArray:
    """Return the weights of the width nodes in a side's mean, over all of its cylinder, shape (nodes,)."""
    grid = problem.fields.width[0 if side == "head_side" else 1]
    depth = np.arange(grid.depth_mm[0], grid.depth_mm[-1], 1.0)
    z, a = (x.ravel() for x in np.meshgrid(depth, np.arange(0.0, 360.0, 15.0), indexing="ij"))
    basis = side_basis(problem.fields.width, z, a, np.full(z.shape, side == "tip_side"))
    return np.asarray(basis.sum(axis=0)).ravel() / len(z)


_NOT_SHARED = ("noise and texture", "other solutions", "radius", "model", "layer level")


def _prospect(
    name: str,
    width_mm: float,
    now: dict[str, float],
    model_mm: float,
    here: _Outlook,
    there: _Outlook,
    *,
    calibrate: bool,
) -> Prospect:
    noise = now["noise and texture"] * there.own / here.own
    shared = sum(v for part, v in now.items() if part not in _NOT_SHARED) * there.shared / here.shared
    other = now["other solutions"] * (_RIVALS_LEFT**2 if calibrate else 1.0)
    whole = noise + shared + now["model"] + other + now["radius"] + now["layer level"]
    u_mm = spread_above_zero(width_mm, float(np.sqrt(whole)))
    # where there is no halo, the model's share of the width is none
    limit_mm = DETECTION * float(np.sqrt(noise + shared + model_mm**2))
    return Prospect(name, COVERAGE_95 * u_mm, limit_mm)


def spread_above_zero(mean: float, sd: float) -> float:
    """Return the standard deviation of a normal variate cut at zero, as that of a mean width is.

    Parameters
    ----------
    mean, sd : float
        Of the variate before it is cut.
    """
    z = mean / sd
    share, density = float(ndtr(z)), float(np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))
    first = mean * share + sd * density
    second = (mean**2 + sd**2) * share + mean * sd * density
    return float(np.sqrt(max(second - first**2, 0.0)))
