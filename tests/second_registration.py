"""A second way to register bone, sharing no code with the first: mean squares by SimpleITK."""

from __future__ import annotations

import numpy as np
import SimpleITK as sitk  # noqa: N813 - the name its users know
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.spatial import cKDTree

from ongrowth.geometry import RigidTransform
from ongrowth.scan import Scan
from ongrowth.screw import metal_mask

FloatArray = NDArray[np.float64]

_LOW_HU, _HIGH_HU = -250.0, 2000.0
_SMOOTHED_MM = 0.5
_BLOCK_REACH_MM = 2.3  # about the middles of blocks of 4 mm
_CLEAR_MM = 3.0  # of metal


def put_off(pose: RigidTransform, places_mm: FloatArray) -> RigidTransform:
    """Return a start 0.8 mm and 0.9 degrees away from a pose."""
    turn = RigidTransform.from_rotation_vector(np.radians([0.6, -0.5, 0.4]), np.zeros(3))
    middle = places_mm.mean(axis=0)
    off = RigidTransform(turn.rotation, middle - turn.rotation @ middle + [0.4, -0.4, 0.4])
    return pose @ off


def registered_by_itk(
    fixed: Scan, moving: Scan, places_mm: FloatArray, start: RigidTransform
) -> RigidTransform:
    """Return ``moving_from_fixed``, found over spheres about places of the fixed scan, metal left out."""
    part = fixed.box(places_mm, _BLOCK_REACH_MM + 1.0)
    fixed = fixed.crop(part)
    mask = _mask(fixed, places_mm)
    images = [sitk.SmoothingRecursiveGaussian(_image(s, s.hu), _SMOOTHED_MM) for s in (fixed, moving)]
    transform = sitk.Euler3DTransform()
    transform.SetMatrix(start.rotation.ravel().tolist())
    centre = places_mm.mean(axis=0)
    transform.SetCenter(centre.tolist())
    transform.SetTranslation((start.apply(centre) - centre).tolist())
    method = sitk.ImageRegistrationMethod()
    method.SetMetricAsMeanSquares()
    method.SetMetricFixedMask(_image(fixed, mask.astype(np.float32)) > 0.5)
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(0.2, 1e-4, 100)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetInitialTransform(transform, inPlace=True)
    method.Execute(*images)
    rotation = np.array(transform.GetMatrix()).reshape(3, 3)
    return RigidTransform(rotation, np.array(transform.TransformPoint((0.0, 0.0, 0.0))))


def _mask(scan: Scan, places_mm: FloatArray) -> NDArray[np.bool_]:
    everything = (slice(None), slice(None), slice(None))
    index = np.indices(scan.hu.shape).reshape(3, -1).T
    near = cKDTree(places_mm).query(scan.world_mm(index))[0] < _BLOCK_REACH_MM
    metal = metal_mask(scan, everything)
    if not metal.any():
        return np.asarray(near.reshape(scan.hu.shape))
    away = distance_transform_edt(~metal, sampling=scan.step_mm)
    return np.asarray(near.reshape(scan.hu.shape) & (away > _CLEAR_MM))


def _image(scan: Scan, values: NDArray[np.float32]) -> sitk.Image:
    image = sitk.GetImageFromArray(np.clip(values, _LOW_HU, _HIGH_HU).astype(np.float32))
    a, steps = scan.world_from_voxel, scan.step_mm[::-1]
    image.SetSpacing([float(s) for s in steps])
    image.SetOrigin([float(v) for v in a[:3, 3]])
    image.SetDirection((a[:3, [2, 1, 0]] / steps).ravel().tolist())
    return image
