"""The blur of a protocol, measured once on a screw or rod in water."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """A known blur.

    Parameters
    ----------
    blur : Blur
        Point spread of the protocol.
    covariance : ndarray, shape (4, 4)
        Of ln f0, ln p, b and ln slice width.
    """

    blur: Blur
    covariance: NDArray[np.float64]
