"""The course of a neck of bone: the middle of the bone round a point, and which way it runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import unit
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]

HALF_LENGTH_MM = 15.0
_REACH_MM, _FADES_MM = 10.0, 2.0  # a pars is about 8 mm thick, and a gap takes up to 6 mm of its length
_SOFT_HU, _BONE_HU = 100.0, 250.0  # nothing below the first is bone, all above the second is
_N_ROUNDS = 4
_ANTERIOR = np.array([0.0, -1.0, 0.0])


def bone_course(scan: Scan, point_mm: ArrayLike) -> ScrewFrame | None:
    """Return a frame whose axis runs along the bone near a point, as a screw through it would.

    The axis is that of least inertia of the bone in a ball, which is moved across it to the middle of the
    bone. Cortex counts as much as spongy bone, so that a slit or a lacking wall turns it little.

    Parameters
    ----------
    scan : Scan
        A CT without metal there.
    point_mm : array_like, shape (3,)
        A place in or near the bone, patient mm (LPS).

    Returns
    -------
    ScrewFrame or None
        30 mm long, the point at half its length, its head end behind; None where there is no bone.

    Raises
    ------
    Refused
        If the point lies outside the scan (code ``out-of-scan``).
    """
    middle = np.array(point_mm, dtype=np.float64)
    scan.box(middle, 0.0)
    axis = _ANTERIOR
    for _ in range(_N_ROUNDS):
        part = scan.crop(scan.box(middle, _REACH_MM + 1.0))
        places = part.world_mm(np.indices(part.hu.shape).reshape(3, -1).T)
        share = np.clip((part.hu.reshape(-1) - _SOFT_HU) / (_BONE_HU - _SOFT_HU), 0.0, 1.0)
        away = np.linalg.norm(places - middle, axis=1)
        weight = share * np.clip((_REACH_MM - away) / _FADES_MM, 0.0, 1.0)
        if weight.sum() <= 0.0:
            return None
        centre = weight @ places / weight.sum()
        spread = (places - centre) * weight[:, None]
        axis = np.linalg.eigh(spread.T @ (places - centre))[1][:, -1]
        middle = middle + (centre - middle) - ((centre - middle) @ axis) * axis
    axis = unit(axis) * (1.0 if axis @ _ANTERIOR >= 0.0 else -1.0)
    return ScrewFrame.of(middle - HALF_LENGTH_MM * axis, middle + HALF_LENGTH_MM * axis)
