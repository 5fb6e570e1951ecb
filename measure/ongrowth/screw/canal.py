"""The vertebral canal beside a screw: soft tissue in a ring of bone, which lies in the patient's middle."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from ongrowth.robust import robust_sd
from ongrowth.scan import Refused, Scan

_REACH_MM = (50.0, 25.0)  # across and along the patient, from the middle of the screw
_PIXEL_MM = 1.0
_BONE_HU = 180.0
_CLOSE_MM = 2.5  # gaps of the ring that a joint or a defect leaves
_AREA_MM2 = (90.0, 700.0)  # canals of children and adults, the sac's fat included
_CONTENT_HU = (-60.0, 130.0)
_SLENDER = 2.5
_AXIAL = 0.8  # cosine between slice normal and the patient's long axis, so that the ring is closed in a slice
_FEWEST_SLICES, _SPAN_MM, _SPREAD_MM = 4, 6.0, 3.0


def canal_x_mm(scan: Scan, near_mm: ArrayLike) -> float:
    """Return where the vertebral canal lies across the patient, near a point.

    Parameters
    ----------
    scan : Scan
        The CT.
    near_mm : array_like, shape (3,)
        Middle of the screw, patient mm (LPS).

    Returns
    -------
    float
        Patient x (LPS), mm; NaN if no canal is seen in several slices at one place.
    """
    if abs(float(scan.slice_normal[2])) < _AXIAL:
        return math.nan
    point = np.asarray(near_mm, dtype=np.float64)
    reach = np.array([_REACH_MM[0], _REACH_MM[0], _REACH_MM[1]])
    try:
        part = scan.crop(scan.box([point - reach, point + reach], 0.0))
    except Refused:
        return math.nan
    step = max(1, round(2.0 / part.slice_gap_mm))
    found = [(k, x) for k in range(0, part.hu.shape[0], step) if not math.isnan(x := _hole_x_mm(part, k))]
    if len(found) < _FEWEST_SLICES:
        return math.nan
    slices, x_mm = np.array(found).T
    is_long = np.ptp(slices) * part.slice_gap_mm >= _SPAN_MM
    spread = robust_sd(x_mm)
    return float(np.median(x_mm)) if is_long and spread < _SPREAD_MM else math.nan


def _hole_x_mm(part: Scan, k: int) -> float:
    """Patient x of the largest hole in the bone of a slice that may be a canal; NaN if there is none."""
    pool = max(1, round(_PIXEL_MM / float(part.step_mm[2])))
    image = _pooled(part.hu[k], pool)
    pixel_mm = pool * float(part.step_mm[2])
    reach = max(1, round(_CLOSE_MM / pixel_mm))
    bone = np.pad(image > _BONE_HU, reach)
    closed = ndimage.binary_closing(bone, ndimage.generate_binary_structure(2, 1), iterations=reach)
    holes = ndimage.binary_fill_holes(closed) & ~closed
    label, count = ndimage.label(holes[reach:-reach, reach:-reach])
    best = _largest_canal(label, count, image, pixel_mm)
    if best is None:
        return math.nan
    row, column = ((c + 0.5) * pool - 0.5 for c in best)
    return float(part.world_mm([k, row, column])[0])


def _largest_canal(
    label: NDArray[np.integer[Any]], count: int, image: NDArray[np.float64], pixel_mm: float
) -> tuple[float, float] | None:
    """Centre (row, column) of the largest hole of a canal's size, shape and content."""
    best, best_area = None, _AREA_MM2[0]
    for n, box in enumerate(ndimage.find_objects(label, max_label=count), start=1):
        inside = label[box] == n
        area = float(inside.sum()) * pixel_mm**2
        content = float(image[box][inside].mean())
        sides = sorted(inside.shape)
        if not (_CONTENT_HU[0] < content < _CONTENT_HU[1]) or sides[1] > _SLENDER * sides[0]:
            continue
        if best_area < area < _AREA_MM2[1]:
            rows, columns = np.nonzero(inside)
            best, best_area = (box[0].start + rows.mean(), box[1].start + columns.mean()), area
    return best


def _pooled(image: NDArray[np.int16] | NDArray[np.float32], pool: int) -> NDArray[np.float64]:
    """Mean over squares of pixels."""
    rows, columns = (n // pool * pool for n in image.shape)
    cut = image[:rows, :columns].astype(np.float64)
    return np.asarray(cut.reshape(rows // pool, pool, columns // pool, pool).mean(axis=(1, 3)))
