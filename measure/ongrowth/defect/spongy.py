"""The bone behind a defect: the CT number of the spongy bone on both sides of it."""

from __future__ import annotations

import math

import numpy as np

from ongrowth.defect.plane import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.robust import robust_sd
from ongrowth.scan import Refused, Scan

_BEHIND_MM = (2.5, 10.0)  # behind a dense edge, before the bone widens
_RADIUS_MM = 2.2  # inside the cortex of a pars
_BONE_HU = (-100.0, 1800.0)
_FEWEST = 60
_ALIKE_MM3 = 4.0  # of spongy bone that says the same thing: its texture is about 1 mm coarse
_SCALE_U_HU = 15.0  # how far CT numbers of two scanners differ; common practice, no source


def spongy_hu(scan: Scan, frame: ScrewFrame, defect: DefectPlane) -> Measured:
    """Return the median CT number of the bone in the middle of the arch, before and behind a defect.

    A CT number is no density: it depends on the tube voltage and the scanner.

    Parameters
    ----------
    scan : Scan
        A CT without metal there.
    frame : ScrewFrame
        Runs along the bone through the defect.
    defect : DefectPlane
        The defect; bone nearer than 2.5 mm to its faces does not count.
    """
    half = 0.0 if math.isnan(defect.gap_mm) else defect.gap_mm / 2.0
    reach = half + _BEHIND_MM[1]
    ends = [defect.plane.point_mm + sign * reach * frame.axis_direction for sign in (-1.0, 1.0)]
    try:
        part = scan.crop(scan.box(ends, _RADIUS_MM + 0.5))
    except Refused:
        return Measured.missing(Unit.HU, Caution.OUT_OF_SCAN)
    places = part.world_mm(np.indices(part.hu.shape).reshape(3, -1).T)
    radius = frame.cylindrical(places)[0]
    height = np.abs(defect.plane.height_mm(places))
    inside = (radius < _RADIUS_MM) & (height > half + _BEHIND_MM[0]) & (height < reach)
    hu = part.hu.reshape(-1)[inside].astype(np.float64)
    hu = hu[(hu > _BONE_HU[0]) & (hu < _BONE_HU[1])]
    if hu.size < _FEWEST:
        return Measured.missing(Unit.HU, Caution.NO_BONE)
    middle = float(np.median(hu))
    spread = robust_sd(hu, middle)
    n_apart = max(1.0, hu.size * scan.voxel_mm3 / _ALIKE_MM3)
    return Measured.of(middle, math.hypot(1.25 * spread / math.sqrt(n_apart), _SCALE_U_HU), Unit.HU)
