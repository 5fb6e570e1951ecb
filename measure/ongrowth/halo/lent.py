"""The blur of a scan as one screw tells it, lent to another screw of the same scan."""

from __future__ import annotations

import numpy as np

from ongrowth.calibration import Calibration
from ongrowth.halo.measure import Fitted
from ongrowth.halo.model import BLUR, blur_of

# A fit may stand at a wrong solution (a halo for a softer kernel): its standard uncertainties count double.
# On 24 sides of six scans with two screws, of the lot that is worked on, so and without the factor alike.
_DOUBT = 2.0
# what may differ between two places of one scan, as SD of ln f0, ln p, b, ln slice width, c, d1 and d2;
# project's choice, as between two scans of one protocol
_ELSEWHERE_SD = np.array([0.02, 0.03, 0.05, 0.03, 0.05, 0.01, 0.02])


def lend_blur(fitted: Fitted) -> Calibration:
    """Return the blur of a scan as the fit of one screw tells it.

    Parameters
    ----------
    fitted : Fitted
        The screw as solved by itself, the blur unknown.
    """
    covariance = _DOUBT**2 * fitted.posterior.shared_covariance[BLUR, BLUR] + np.diag(_ELSEWHERE_SD**2)
    blur = blur_of(fitted.problem.model.base, fitted.solution.state.shared)
    return Calibration(blur, covariance, source="in-scan")
