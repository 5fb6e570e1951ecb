"""The blur of a protocol from a CT of the first days, when there is no halo yet.

What an even halo and a sharp kernel have in common is what keeps the blur open. Where it is known
that there is no halo, the same fit with its widths held at nothing measures the blur on the patient's own
screw, in bone, as well as a rod in water would.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import linalg

from ongrowth.calibration import Calibration, Protocol
from ongrowth.frame import ScrewFrame
from ongrowth.halo.field import NodeGrid
from ongrowth.halo.fit import FieldPrior, Fields, solve
from ongrowth.halo.measure import Fitted
from ongrowth.halo.model import BLUR, blur_of
from ongrowth.halo.posterior import posterior_of
from ongrowth.halo.scene import HaloSettings, pose_problem
from ongrowth.scan import Scan
from ongrowth.screw import Screw

_NONE_MM = 0.1  # a fresh bed is wider than the screw by about so much at most (SD); project's choice
_WALK_MM = 0.01  # and evenly so
# what may differ between two scans of one protocol, as SD of ln f0, ln p, b, ln slice width, c, d1 and d2
_BETWEEN_SD = np.array([0.02, 0.03, 0.05, 0.03, 0.05, 0.01, 0.02])


def calibrate_on_first_days(fitted: Fitted, scan: Scan, screw: Screw, frame: ScrewFrame) -> Calibration:
    """Return the blur of a scan, it being known that there is no halo on it.

    Parameters
    ----------
    fitted : Fitted
        The screw as solved with the blur unknown.
    scan : Scan
        The CT of the first days.
    screw : Screw
        The screw.
    frame : ScrewFrame
        Its frame.
    """
    old = fitted.problem
    fields = _without_halo(old.fields)
    problem = pose_problem(fitted.scene, fields, old.model.base, old.prior, frame.length_mm, HaloSettings())
    start = replace(fitted.solution.state, lucent_mm=np.zeros(fields.n_width))
    found = solve(problem, start, fitted.weighting, steps=12, blur_every=2)
    covariance = posterior_of(problem, found, fitted.weighting).shared_covariance[BLUR, BLUR]
    shared = found.state.shared
    return Calibration(
        blur_of(old.model.base, shared),
        covariance + np.diag(_BETWEEN_SD**2),
        Protocol.of(scan.acquisition),
        metal_hu=float(shared.metal_hu),
        metal_u_hu=0.05 * float(shared.metal_hu),
        material=screw.spec.material,
        source="earlier scan",
    )


def _without_halo(fields: Fields) -> Fields:
    """Return the fields with widths held at nothing, evenly a little more or less on each side."""
    spread = [_held(grid) for grid in fields.width]
    width = FieldPrior(np.zeros(fields.n_width), np.asarray(linalg.block_diag(*spread)))
    return replace(fields, priors=fields.priors | {"lucent_mm": width}, no_sliver=np.zeros(fields.n_width))


def _held(grid: NodeGrid) -> np.ndarray:
    return grid.smoothness(_WALK_MM, _WALK_MM) + np.eye(grid.size) / (grid.size * _NONE_MM**2)
