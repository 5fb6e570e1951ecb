"""What is known of a screw's image before it is looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.calibration import Calibration
from ongrowth.edge import Blur
from ongrowth.halo.fit import Prior
from ongrowth.halo.model import BENDS, BLUR, LIFT, Shared
from ongrowth.halo.samples import Samples
from ongrowth.scan import Acquisition, Scan
from ongrowth.screw import metal_level_hu

_LAYER_PIN_HU = 3.0  # layer levels are held while widths are looked for
_RIM_PIN_HU = 1.0  # no rim while widths are looked for: it would pass for the ring of a sharp kernel
RIM_SD_HU = 200.0
LAYER_SD_HU = 60.0  # upward: fibrous tissue that mineralises; downward see `fit`


# In-plane curves of kernels from smooth to edge-enhancing, as ln f0 (1/mm), ln p and b: mean, standard
# deviations and the correlation of f0 with p, from eight invented kernels of two families on which
# the fit was tuned; spread by half again for kernels of other families.
_KERNEL_MEAN = np.array([-0.34, 0.94, 0.39])
_KERNEL_SD = 1.4 * np.array([0.22, 0.19, 1.0])
_KERNEL_CORRELATION = 0.6
_LIFT_SD = 0.8  # project's choice: most kernels leave frequency 0 flat, some do not
_FIRST_BEND_SD, _SECOND_BEND_SD = 0.1, 0.15  # what kernels of four families leave the curve by
_HELD_SD = 1e-3
_LYING_MORE, _LYING_COS = 24.0, 0.25  # by phantoms


MIDDLING = Blur.gaussian(0.8, 1.0)  # the blur that fitted ones are relative to


def _kernel_covariance() -> NDArray[np.float64]:
    correlation = np.eye(3)
    correlation[0, 1] = correlation[1, 0] = _KERNEL_CORRELATION
    return np.asarray(correlation * np.outer(_KERNEL_SD, _KERNEL_SD))


def guess_blur(scan: Scan) -> Blur:
    """Return a middling in-plane blur, and a slice profile as wide as the header says.

    Parameters
    ----------
    scan : Scan
        The CT.
    """
    thickness = scan.nominal_slice_mm
    return replace(MIDDLING, box_mm=thickness, second_box_mm=0.6 * thickness)


def metal_guess_hu(
    samples: Samples,
    root_mm: float,
    material: str,
    made: Acquisition,
    calibration: Calibration | None = None,
) -> tuple[float, float]:
    """Return the expected level of the metal and its spread, HU.

    From its core; where that is clipped, from a calibration on the same metal, or by material and voltage.
    """
    core = np.hypot(samples.x_mm, samples.y_mm) < 0.5 * root_mm
    if core.any() and not samples.is_clipped[core].any():
        return float(np.median(samples.hu[core])), 1500.0
    if calibration is not None and calibration.material == material and np.isfinite(calibration.metal_hu):
        return calibration.metal_hu, calibration.metal_u_hu
    return metal_level_hu(material, made)


def shared_prior(
    calibration: Calibration | None, metal_hu: float, metal_u_hu: float, cos_tilt: float = 1.0
) -> Prior:
    """Return the prior of the shared unknowns; a calibration pins the blur, less so of a screw that lies.

    Without one, in-plane curves of smooth to edge-enhancing kernels span the prior, and slice
    profiles are up to half wider than nominal (0.66 to 0.69 mm at nominal 0.6 mm in a published
    measurement, more with wide helical interpolation).
    """
    mean = Shared(metal_hu=metal_hu, log_slice=0.2).vector()
    spread = Shared(
        x0_mm=0.15, y0_mm=0.15, x1_mm=0.15, y1_mm=0.15,
        metal_hu=metal_u_hu, ramp=0.25, crest=0.12,
        log_f0=1.0, log_p=1.0, overshoot=1.0, log_slice=0.2, lift=_LIFT_SD,
        first_bend=_FIRST_BEND_SD, second_bend=_SECOND_BEND_SD,
        head_layer_hu=_LAYER_PIN_HU, tip_layer_hu=_LAYER_PIN_HU,
        ripple_cos=0.7, ripple_sin=0.7, hardening_2=120.0, hardening_3=120.0,
        streak_cos_1=60.0, streak_sin_1=60.0, streak_cos_2=60.0, streak_sin_2=60.0,
        head_rim_hu=_RIM_PIN_HU, tip_rim_hu=_RIM_PIN_HU, head_rim_mm=0.12, tip_rim_mm=0.12,
    ).vector()  # fmt: skip
    precision = np.diag(1.0 / spread**2)
    curve = slice(BLUR.start, BLUR.start + 3)
    base = np.array([np.log(MIDDLING.f0_per_mm), np.log(MIDDLING.p), 0.0])
    mean[curve] = _KERNEL_MEAN - base
    precision[curve, curve] = linalg.inv(_kernel_covariance())
    if calibration is not None:
        blur = calibration.blur
        mean[BLUR] = 0.0, 0.0, blur.b, 0.0, blur.c, blur.d1, blur.d2
        precision[BLUR, BLUR] = linalg.inv(calibration.covariance * _doubted(calibration, cos_tilt))
    return Prior(mean, precision)


def _doubted(calibration: Calibration, cos_tilt: float) -> float:
    """Return by how much the variance of a blur calibrated on a tilted rod grows for a screw that lies.

    Rays through a screw from end to end are all but stopped, and within a detector cell it is the rays
    that add up, not their logarithms: its edge looks sharper than that of a tilted rod. A blur that a
    screw has told needs no more doubt: it lay in the same way.
    """
    if calibration.source != "calibration":
        return 1.0
    return 1.0 + _LYING_MORE * float(np.exp(-((cos_tilt / _LYING_COS) ** 2)))


def plain_curve(prior: Prior) -> Prior:
    """Return a prior that holds lift and bends of the blur's curve where they are expected.

    While widths are looked for they would pass for a halo.
    """
    precision = prior.precision.copy()
    for index in (LIFT, *range(BENDS.start, BENDS.stop)):
        precision[index, index] += 1.0 / _HELD_SD**2
    return Prior(prior.mean, precision)
