"""CT numbers on grids for looking at: along the patient's axes, along a screw, and on single planes.

A picture program shows only grids whose axes run along its own. An oblique or sheared scan is therefore
sampled anew, for looking only: nothing is measured on these grids.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import lock_arrays
from ongrowth.scan import Scan

OUTSIDE_HU = -1024
_ALIGNED = 1e-4  # of a unit direction: 0.03 mm over 300 mm
_MOST_VOXELS = 60_000_000
_FINEST_MM = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """CT numbers on a grid with square corners.

    Parameters
    ----------
    hu : ndarray, shape (K, J, I)
        CT numbers.
    first_mm, step_mm : ndarray, shape (3,)
        Place of the first voxel's centre and steps, in the order of the array axes, mm.
    """

    hu: NDArray[np.int16] | NDArray[np.float32]
    first_mm: NDArray[np.float64]
    step_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        lock_arrays(self)


def sample_hu(scan: Scan, places_mm: ArrayLike) -> NDArray[np.float32]:
    """Return linearly interpolated CT numbers at patient places, shape (..., 3); air outside the scan."""
    from scipy.ndimage import map_coordinates

    places = np.asarray(places_mm, dtype=np.float64)
    index = scan.voxels(places.reshape(-1, 3)).T
    out = map_coordinates(
        scan.hu, index, output=np.float32, order=1, mode="constant", cval=float(OUTSIDE_HU)
    )  # linear: no copy of the scan is made
    return np.asarray(out, dtype=np.float32).reshape(places.shape[:-1])


def surroundings(scan: Scan, frame: ScrewFrame, reach_mm: float) -> Scan:
    """Return the part of a scan round a screw, copied, so that planes can be cut from it at once.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Frame of the screw.
    reach_mm : float
        How far round the shaft, mm.
    """
    ends = np.stack([frame.origin_mm, frame.tip_mm])
    part = scan.crop(scan.box(ends, reach_mm))
    return replace(part, hu=part.hu.copy())


def plane_along(
    part: Scan, frame: ScrewFrame, angle_deg: float, depth_mm: ArrayLike, reach_mm: ArrayLike
) -> NDArray[np.float32]:
    """Return the plane of the axis and one angle, shape (D, R): rows depth, columns distance.

    Parameters
    ----------
    part : Scan
        From `surroundings`.
    frame : ScrewFrame
        Frame of the screw.
    angle_deg : float
        Direction of positive distances; negative ones lie on the other side of the axis.
    depth_mm, reach_mm : array_like, shape (D,), (R,)
        Depths and distances from the axis.
    """
    places = frame.world(np.asarray(reach_mm)[None, :], angle_deg, np.asarray(depth_mm)[:, None])
    return sample_hu(part, places)


def plane_across(part: Scan, frame: ScrewFrame, depth_mm: float, reach_mm: ArrayLike) -> NDArray[np.float32]:
    """Return the plane across the axis, shape (R, R), as seen from the head: angle 0 up, angle 90 right.

    Parameters
    ----------
    part : Scan
        What lies round the screw.
    frame : ScrewFrame
        Frame of the screw.
    depth_mm : float
        Where along the shaft, mm.
    reach_mm : array_like, shape (R,)
        Distances from the axis either way at which the plane is read, mm.
    """
    reach = np.asarray(reach_mm, dtype=np.float64)
    places = (
        frame.origin_mm
        + depth_mm * frame.axis_direction
        - reach[:, None, None] * frame.zero_direction
        + reach[None, :, None] * frame.quarter_direction
    )
    return sample_hu(part, places)


def screw_grid(part: Scan, frame: ScrewFrame, margin_mm: float, reach_mm: float, step_mm: float) -> Grid:
    """Return the grid of a screw: axes depth, against angle 0 (so that it points up), and angle 90.

    Parameters
    ----------
    part : Scan
        What lies round the screw.
    frame : ScrewFrame
        Frame of the screw.
    margin_mm, reach_mm, step_mm : float
        Beyond both ends; to all sides of the axis; between places; mm.
    """
    depth = np.arange(-margin_mm, frame.length_mm + margin_mm, step_mm)
    reach = np.arange(-reach_mm, reach_mm + step_mm / 2.0, step_mm)
    hu = np.stack([plane_across(part, frame, at, reach) for at in depth])
    return Grid(hu.astype(np.int16), np.array([depth[0], reach[0], reach[0]]), np.full(3, step_mm))


def patient_grid(scan: Scan) -> Grid:
    """Return a scan on axes (z, y, x) along the patient's, mm (LPS).

    A scan whose axes run that way already is only turned about; another is sampled anew, with a
    coarser step where it would not fit into memory.

    Parameters
    ----------
    scan : Scan
        The CT.
    """
    directions = scan.world_from_voxel[:3, :3] / scan.step_mm
    axis_of = np.abs(directions).argmax(axis=0)  # patient axis of each array axis
    is_aligned = len(set(axis_of)) == 3 and bool(np.all(np.abs(directions).max(axis=0) > 1.0 - _ALIGNED))
    return _turned(scan, axis_of, directions) if is_aligned else _sampled(scan)


def _turned(scan: Scan, axis_of: NDArray[np.intp], directions: NDArray[np.float64]) -> Grid:
    order = [int(np.flatnonzero(axis_of == axis)[0]) for axis in (2, 1, 0)]
    is_back = [bool(directions[axis_of[k], k] < 0.0) for k in order]
    hu = scan.hu.transpose(order)[tuple(slice(None, None, -1) if back else slice(None) for back in is_back)]
    corner = [0, 0, 0]
    for k, back in zip(order, is_back, strict=True):
        corner[k] = scan.hu.shape[k] - 1 if back else 0
    return Grid(hu, scan.world_mm(corner)[::-1].copy(), scan.step_mm[order])


def _sampled(scan: Scan) -> Grid:
    corners = scan.world_mm(np.array(np.meshgrid(*[(0, n - 1) for n in scan.hu.shape])).reshape(3, -1).T)
    low, high = corners.min(axis=0), corners.max(axis=0)
    step = max(float(scan.step_mm.min()), _FINEST_MM)
    step *= max(1.0, math.prod((high - low) / step) / _MOST_VOXELS) ** (1.0 / 3.0)
    z, y, x = (np.arange(low[k], high[k] + step / 2.0, step) for k in (2, 1, 0))
    plane = np.stack(np.broadcast_arrays(x[None, :], y[:, None], 0.0), axis=-1)
    up = np.array([0.0, 0.0, 1.0])
    hu = np.stack([sample_hu(scan, plane + height * up).astype(np.int16) for height in z])
    return Grid(hu, np.array([low[2], low[1], low[0]]), np.full(3, step))


_LETTERS = (("L", "R"), ("P", "A"), ("H", "F"))  # along x, y, z of LPS: toward more, toward less
_SECOND_LETTER = 0.4  # share of the direction from which a second letter is worth its place


def patient_letters(direction: ArrayLike) -> str:
    """Return the letters of a patient direction, the nearest axis first, at most two.

    L, R, A, P, H, F as in the DICOM standard (PS3.3, Patient Orientation).

    Parameters
    ----------
    direction : array_like, shape (3,)
        Patient axes (LPS), of any length.

    Examples
    --------
    >>> patient_letters((0.9, -0.1, 0.2)), patient_letters((0.0, -0.7, 0.7))
    ('L', 'AH')
    """
    vector = np.asarray(direction, dtype=np.float64)
    order = np.argsort(-np.abs(vector), kind="stable")[:2]
    length = np.linalg.norm(vector)
    kept = [k for n, k in enumerate(order) if n == 0 or abs(vector[k]) > _SECOND_LETTER * length]
    return "".join(_LETTERS[k][0 if vector[k] > 0 else 1] for k in kept)
