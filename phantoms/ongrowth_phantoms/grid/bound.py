"""How well any unbiased estimator could read the width of a halo: the Cramer-Rao bound.

The phantom's own forward model is differentiated by finite differences: an even halo on either side, a
straight screw, no artefact, everything else known. Two kinds of noise:

- white noise alone, bone without texture;
- white noise and the bone's own texture, a random field of known covariance, seen through the blur: a
  Gaussian field blurred by a Gaussian, masked by the blurred bone. That the mask moves with the width is
  left out.

The shape (even) and the blur are known to it; an estimator that has to find them cannot come as near.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.scan import Scan
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.grid.phantom import protocol_of, scene_of
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene
from ongrowth_phantoms.truth import Truth, truth_of

Array = NDArray[np.float64]

_STEP_MM, _STEP_HU = 0.1, 40.0
_WINDOW_MM = 4.0  # of depth, amid a side, that is worked out and then scaled to the side's surface
_FIELD_MM = 17.0
_NEAR_MM = (-0.4, 3.0)  # from the screw's envelope inward, from the halo's edge outward
_TO_SD = 1.0 / math.sqrt(8.0 * math.log(2.0))


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch of depth amid one side, with bone round it.

    Parameters
    ----------
    truth : Truth
        What is true of the screw.
    depth_mm : float
        Its middle, from the head end.
    centre_mm : ndarray, shape (3,)
        Its middle on the axis, patient mm.
    to_side : float
        Counted surface of the whole side over that of the stretch.
    """

    truth: Truth
    depth_mm: float
    centre_mm: Array
    to_side: float

    @classmethod
    def amid(cls, truth: Truth, side: int) -> Stretch:
        """Return the stretch of a side where most of the circumference is counted."""
        counted = truth.counted & (truth.side == side)
        width = round(_WINDOW_MM / (truth.depth_mm[1] - truth.depth_mm[0]))
        within = np.convolve(counted.sum(axis=1), np.ones(width), mode="valid")
        best = np.flatnonzero(within == within.max())
        first = int(best[len(best) // 2])
        depth = float(truth.depth_mm[first : first + width].mean())
        centre = np.array(truth.head_mm) + depth * truth.axes[:, 2]
        return cls(truth, depth, centre, float(counted.sum() / within[first]))

    def voxels(self, scan: Scan, width_mm: float) -> NDArray[np.bool_]:
        """Return which voxels of a scan lie round the halo of this stretch, shape (N,)."""
        places = scan.world_mm(np.indices(scan.hu.shape).reshape(3, -1).T)
        local = (places - np.array(self.truth.head_mm)) @ self.truth.axes
        beyond = np.hypot(local[:, 0], local[:, 1]) - self.truth.screw.major_diameter_mm / 2.0
        near = (beyond > _NEAR_MM[0]) & (beyond < width_mm + _NEAR_MM[1])
        return np.asarray(near & (np.abs(local[:, 2] - self.depth_mm) < _WINDOW_MM / 2.0))


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """How the voxels of a stretch answer: HU per mm of width, HU per HU of each level; shape (N,), (4, N)."""

    places_mm: Array
    by_width: Array
    by_level: Array  # spongy bone (its blurred share of the voxel), cortex, layer, metal


def slopes_of(case: Case, stretch: Stretch) -> Slopes:
    """Return the slopes of the forward model of a case with an even halo, bone without texture or noise."""
    bare = replace(case, texture_hu=0.0)
    x, y, z = stretch.centre_mm
    protocol = protocol_of(bare, scene_of(bare))
    assert isinstance(protocol, FastProtocol)
    seen = replace(protocol, noise_hu=0.0, centre_mm=(float(x), float(y), float(z)), size_mm=(_FIELD_MM,) * 3)

    def image(scene: Scene, protocol: FastProtocol = seen) -> Array:
        return scan_fast(scene, protocol).hu.astype(np.float64).ravel()[near]

    scene, scan = scene_of(bare), scan_fast(scene_of(bare), seen)
    near = stretch.voxels(scan, case.head_mean_mm)
    here = image(scene)
    metal = {**seen.metal_hu, case.material: seen.metal_hu[case.material] + 10 * _STEP_HU}
    levels = [
        (image(scene_of(replace(bare, bone_hu=case.bone_hu + _STEP_HU))) - here) / _STEP_HU,
        (image(_with_cortex(scene, _STEP_HU)) - here) / _STEP_HU,
        (image(scene_of(replace(bare, layer_hu=case.layer_hu + _STEP_HU))) - here) / _STEP_HU,
        (image(scene, replace(seen, metal_hu=metal)) - here) / (10 * _STEP_HU),
    ]
    wider, narrower = (image(scene_of(_widened(bare, s * _STEP_MM / 2.0))) for s in (1, -1))
    places = scan.world_mm(np.indices(scan.hu.shape).reshape(3, -1).T[near])
    return Slopes(places, (wider - narrower) / _STEP_MM, np.stack(levels))


def _widened(case: Case, by_mm: float) -> Case:
    return replace(case, head_mean_mm=case.head_mean_mm + by_mm, tip_mean_mm=case.tip_mean_mm + by_mm)


def _with_cortex(scene: Scene, more_hu: float) -> Scene:
    site = scene.sites[0]
    return replace(
        scene, sites=(replace(site, arch=replace(site.arch, cortex_hu=site.arch.cortex_hu + more_hu)),)
    )


@dataclass(frozen=True, slots=True)
class Bound:
    """Smallest standard deviation of a side's mean width, mm.

    `known_mm`: white noise, all else known. `levels_mm`: the levels of bone, cortex, layer and metal
    are found from the same scan. `texture_mm`: bone has texture, levels found as well.
    """

    known_mm: float
    levels_mm: float
    texture_mm: float


def bound_of(case: Case, side: int, texture_hu: float) -> Bound:
    """Return the bounds of one side.

    Parameters
    ----------
    case : Case
        Fast scanner, even halo of one width, white noise, a kernel given by numbers with power 2 and no edge.
    side : int
        `ongrowth_phantoms.truth.HEAD` or `TIP`.
    texture_hu : float
        SD of the bone's texture.
    """
    scene = scene_of(case)
    stretch = Stretch.amid(truth_of(scene), side)
    at = slopes_of(case, stretch)
    share = at.by_level[0]
    white = case.noise_hu**2 * np.eye(len(share))
    both = np.vstack([at.by_width, at.by_level])
    texture = texture_hu**2 * share[:, None] * share * _covariance(at.places_mm, case, scene)
    scale = math.sqrt(stretch.to_side)
    return Bound(
        _smallest_sd(at.by_width[None], white) / scale,
        _smallest_sd(both, white) / scale,
        _smallest_sd(both, white + texture) / scale,
    )


def _smallest_sd(slopes: Array, covariance: Array) -> float:
    """Return the bound of the first unknown, the others being found as well (if any voxel feels them)."""
    felt = slopes[np.abs(slopes).max(axis=1) > 0.0]
    information = felt @ linalg.solve(covariance, felt.T, assume_a="pos")
    return math.sqrt(float(linalg.inv(information)[0, 0]))


def _covariance(places_mm: Array, case: Case, scene: Scene) -> Array:
    """Return the covariance, shape (N, N), of the texture (SD 1) seen through the blur, slices along z."""
    length = scene.sites[0].arch.texture_mm
    in_plane = (case.fwhm_mm * _TO_SD) ** 2
    across = case.slice_fwhm_mm**2 * (1.0 + 0.6**2) / 12.0  # two boxes, see FastProtocol.slice_boxes_mm
    a, b = length**2 + 2.0 * in_plane, length**2 + 2.0 * across
    x, y, z = places_mm.T
    apart = (np.subtract.outer(x, x) ** 2 + np.subtract.outer(y, y) ** 2) / a
    apart += np.subtract.outer(z, z) ** 2 / b
    return np.asarray(length**3 / (a * math.sqrt(b)) * np.exp(-0.5 * apart))
