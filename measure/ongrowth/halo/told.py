"""What a fit tells of the blur, in terms that CTs of one protocol have in common."""

from __future__ import annotations

import numpy as np

from ongrowth.calibration import ToldBlur
from ongrowth.halo.map import Halo
from ongrowth.halo.prior import MIDDLING

_BY_ITSELF = ("free", "in-scan")  # blurs that nothing beside the CT has told


def told_blur(halo: Halo, nominal_slice_mm: float) -> ToldBlur | None:
    """Return what a screw tells of the blur by its CT alone; None where something else told it.

    Parameters
    ----------
    halo : Halo
        Its halo, with its doubt.
    nominal_slice_mm : float
        Slice thickness that the fit began from, see `Scan.nominal_slice_mm`, mm.
    """
    doubt = halo.doubt
    if doubt is None or halo.blur is None or halo.blur.source not in _BY_ITSELF:
        return None
    index = doubt.index("blur")
    begun = np.zeros(len(index))
    begun[[0, 1, 3]] = np.log([MIDDLING.f0_per_mm, MIDDLING.p, nominal_slice_mm])
    return ToldBlur(doubt.solutions[:, index] + begun, doubt.alone, doubt.covariance[np.ix_(index, index)])
