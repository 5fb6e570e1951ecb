"""Where the bone of an earlier CT without metal lies in a later one: the pose that carries a plane over.

The start is a masked correlation over all shifts (by Fourier transform) and a few small rotations; from
there a rigid registration of the bone round the screw, its metal left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from ongrowth.defect.slit import METAL_HU
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.scan import Level, Problem, Refused, Scan

if TYPE_CHECKING:
    import SimpleITK

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_CLEAR_MM = 3.0  # of metal: its streaks and any halo
_BONE_HU = (50.0, 1200.0)
_COARSE_MM, _FINE_MM = 2.0, 0.8
_NEAR_MM = 16.0  # of the screw: one vertebra, not the next
_MOST_SLICES_MM = 160.0  # of the earlier CT along each axis, about the screw's place or its own middle
_TURNS_DEG = (-12.0, 0.0, 12.0)
_LEAST_ALIKE = 0.5  # correlation of the bone; two different vertebrae reach about 0.3
_TRIED = 3


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """How the later CT's patient mm follow from the earlier one's.

    Parameters
    ----------
    later_from_earlier : RigidTransform
        Patient mm (LPS).
    alike : float
        Correlation of the bone of both in that pose, -1 to 1.
    """

    later_from_earlier: RigidTransform
    alike: float


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Values on a straight grid along the patient axes (x, y, z), and how much each counts."""

    corner_mm: FloatArray
    step_mm: float
    hu: NDArray[np.float32]
    weight: NDArray[np.float32]

    @property
    def centre_mm(self) -> FloatArray:
        return np.asarray(self.corner_mm + self.step_mm * (np.array(self.hu.shape) - 1) / 2.0)

    def image(self) -> SimpleITK.Image:
        return _as_image(self.hu, self)

    def mask(self) -> SimpleITK.Image:
        import SimpleITK

        mask: SimpleITK.Image = SimpleITK.Cast(
            _as_image((self.weight > 0.5).astype(np.float32), self), SimpleITK.sitkUInt8
        )
        return mask


def find_pose(later: Scan, earlier: Scan, frame: ScrewFrame) -> Pose | Problem:
    """Find where the bone round a screw lies in a CT from before surgery.

    Parameters
    ----------
    later : Scan
        The CT with the screw.
    earlier : Scan
        The CT without.
    frame : ScrewFrame
        Frame of the screw in the later CT.

    Returns
    -------
    Pose or Problem
        The pose, or code ``preop-not-matched`` where the bone is not alike in any.
    """
    starts = _starts(_round_screw(later, frame, _COARSE_MM), _whole(earlier, _COARSE_MM))
    fixed, moving = _round_screw(later, frame, _FINE_MM), _whole(earlier, _FINE_MM)
    tried = [_registered(fixed, moving, start) for start in starts]
    best = max(tried, key=lambda pose: pose.alike, default=None)
    if best is None or best.alike < _LEAST_ALIKE:
        return Problem(
            "preop-not-matched",
            Level.CAUTION,
            "The bone round the screw was not found in the CT from before surgery.",
            "Check that it shows the same level of the same patient, or give the plane of the defect.",
        )
    return best


def _round_screw(scan: Scan, frame: ScrewFrame, step_mm: float) -> _Grid:
    """Return the bone round a screw; metal, its surroundings and what lies far count nothing."""
    ends = np.stack([frame.origin_mm, frame.tip_mm])
    low, high = ends.min(axis=0) - _NEAR_MM, ends.max(axis=0) + _NEAR_MM
    hu = _sampled(scan, low, high, step_mm)
    metal = np.nan_to_num(hu) > METAL_HU
    clear = ndimage.distance_transform_edt(~metal, sampling=step_mm) if metal.any() else np.inf
    places = low + step_mm * np.stack(np.meshgrid(*map(np.arange, hu.shape), indexing="ij"), axis=-1)
    radius, _, depth = frame.cylindrical(places)
    beyond = np.maximum(np.maximum(-depth, depth - frame.length_mm), 0.0)
    near = np.hypot(radius, beyond) < _NEAR_MM
    return _grid(low, step_mm, hu, near & (clear > _CLEAR_MM))


def _whole(scan: Scan, step_mm: float) -> _Grid:
    corners = scan.world_mm(
        np.array(list(itertools.product(*[(0, n - 1) for n in scan.hu.shape])), dtype=np.float64)
    )
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, half = (low + high) / 2.0, np.minimum((high - low) / 2.0, _MOST_SLICES_MM / 2.0)
    hu = _sampled(scan, middle - half, middle + half, step_mm)
    return _grid(middle - half, step_mm, hu, np.ones(hu.shape, dtype=bool))


def _grid(corner_mm: FloatArray, step_mm: float, hu: NDArray[np.float32], counts: BoolArray) -> _Grid:
    known = np.isfinite(hu)
    bone = np.where(known, np.clip(np.nan_to_num(hu), *_BONE_HU), _BONE_HU[0]).astype(np.float32)
    return _Grid(corner_mm, step_mm, bone, (counts & known).astype(np.float32))


def _sampled(scan: Scan, low_mm: FloatArray, high_mm: FloatArray, step_mm: float) -> NDArray[np.float32]:
    """Return CT numbers between two corners along the patient axes, averaged to the step; NaN outside."""
    axes = [np.arange(a, b + 1e-6, step_mm) for a, b in zip(low_mm, high_mm, strict=True)]
    box = np.array(list(itertools.product(*zip(low_mm, high_mm, strict=True))))
    try:
        part = scan.crop(scan.box(box, 2.0))
    except Refused:
        return np.full([len(axis) for axis in axes], np.nan, dtype=np.float32)
    sigma = [max(0.0, 0.35 * step_mm / s) for s in part.step_mm]
    smooth = ndimage.gaussian_filter(part.hu.astype(np.float32), sigma)
    affine = part.voxel_from_world
    x, y, z = axes[0][:, None, None], axes[1][:, None], axes[2]
    index = [row[0] * x + row[1] * y + row[2] * z + row[3] for row in affine[:3]]
    out = ndimage.map_coordinates(smooth, index, order=1, cval=np.nan, output=np.float32)
    return np.asarray(out, dtype=np.float32)


def _starts(fixed: _Grid, moving: _Grid) -> list[RigidTransform]:
    """Return the likeliest moving-from-fixed poses: every shift, a few turns; none where nothing is alike."""
    shape = [
        fft.next_fast_len(a + b - 1, real=True) for a, b in zip(fixed.hu.shape, moving.hu.shape, strict=True)
    ]
    first, second = (fft.rfftn(moving.hu.astype(np.float64) ** power, shape) for power in (1, 2))
    found = []
    for turn_deg in itertools.product(_TURNS_DEG, repeat=3):
        about = RigidTransform.from_rotation_vector(np.radians(turn_deg), np.zeros(3))
        hu, weight = _turned(fixed, about)
        alike = _correlation(hu, weight, first, second, shape, moving.hu.shape)
        at = np.unravel_index(int(np.argmax(alike)), alike.shape)
        if alike[at] <= 0.0:
            continue
        shift = np.array([i if i < m else i - n for i, m, n in zip(at, moving.hu.shape, shape, strict=True)])
        offset = moving.corner_mm + fixed.step_mm * shift - fixed.corner_mm
        # a place of the turned fixed grid, moved by the offset, lies on its like in the moving one
        turned_back = _about(about, fixed.centre_mm)
        found.append((float(alike[at]), RigidTransform(np.eye(3), offset) @ turned_back))
    found.sort(key=lambda one: -one[0])
    return [pose for _, pose in found[:_TRIED]]


def _about(turn: RigidTransform, centre_mm: FloatArray) -> RigidTransform:
    to_centre = RigidTransform(np.eye(3), centre_mm)
    return to_centre @ turn @ to_centre.inverse()


def _turned(grid: _Grid, turn: RigidTransform) -> tuple[FloatArray, FloatArray]:
    """Return values and weights of a grid whose content was turned about its middle."""
    back = turn.rotation.T
    centre = (np.array(grid.hu.shape) - 1) / 2.0
    offset = centre - back @ centre
    hu = ndimage.affine_transform(grid.hu, back, offset, order=1, mode="nearest")
    weight = ndimage.affine_transform(grid.weight, back, offset, order=1, mode="constant")
    return hu.astype(np.float64), np.where(weight > 0.5, 1.0, 0.0)


def _correlation(
    hu: FloatArray,
    weight: FloatArray,
    first: NDArray[np.complex128],
    second: NDArray[np.complex128],
    shape: list[int],
    moving_shape: tuple[int, ...],
) -> FloatArray:
    """Return the correlation coefficient over the weighted places, for every whole shift that fits."""
    total = max(float(weight.sum()), 1.0)
    away = weight * (hu - float((weight * hu).sum()) / total)
    spread = max(float((away**2).sum()), 1e-9)
    one, mask = np.conj(fft.rfftn(away, shape)), np.conj(fft.rfftn(weight, shape))
    cross = fft.irfftn(first * one, shape)
    mean = fft.irfftn(first * mask, shape) / total
    square = fft.irfftn(second * mask, shape) / total
    inside = fft.irfftn(fft.rfftn(np.ones(moving_shape), shape) * mask, shape) / total
    variance = np.maximum(square - mean**2, 1.0) * total
    return np.asarray(np.where(inside > 0.7, cross / np.sqrt(spread * variance), -1.0))


def _registered(fixed: _Grid, moving: _Grid, moving_from_fixed: RigidTransform) -> Pose:
    """Refine a pose by the correlation of the bone round the screw."""
    import SimpleITK  # 0.3 s, and only a CT from before surgery needs it

    pose = SimpleITK.Euler3DTransform()
    pose.SetCenter([float(v) for v in fixed.centre_mm])
    pose.SetMatrix(moving_from_fixed.rotation.ravel().tolist())
    shift = moving_from_fixed.apply(fixed.centre_mm) - fixed.centre_mm
    pose.SetTranslation([float(v) for v in shift])
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetMetricFixedMask(fixed.mask())
    method.SetMetricSamplingStrategy(method.NONE)
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(
        learningRate=1.0, minStep=1e-4, numberOfIterations=80, gradientMagnitudeTolerance=1e-7
    )
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([2, 1])
    method.SetSmoothingSigmasPerLevel([1.0, 0.4])
    method.SetSmoothingSigmasAreSpecifiedInPhysicalUnits(True)  # noqa: FBT003
    method.SetInitialTransform(pose, inPlace=True)
    method.SetNumberOfThreads(1)
    method.Execute(fixed.image(), moving.image())
    rotation = np.array(pose.GetMatrix()).reshape(3, 3)
    centre = fixed.centre_mm
    moved = RigidTransform(rotation, centre + np.array(pose.GetTranslation()) - rotation @ centre)
    return Pose(moved.inverse(), -float(method.GetMetricValue()))


def _as_image(values: NDArray[np.generic], grid: _Grid) -> SimpleITK.Image:
    import SimpleITK

    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(values.astype(np.float32).transpose(2, 1, 0)))
    image.SetOrigin([float(v) for v in grid.corner_mm])
    image.SetSpacing([grid.step_mm] * 3)
    return image
