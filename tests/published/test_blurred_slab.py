"""A slab thinner than the resolution: closed forms and a published measurement.

Peak contrast of a slab of width w behind a Gaussian of FWHM F is ``erf(w / (2 sqrt(2) sigma))``; its
integral over the full contrast is w whatever F (closed form). The table holds contrast fraction and
apparent FWHM (mm) computed from that closed form.
"""

import numpy as np
import pytest

from ongrowth.edge import Blur, slab_step

TABLE = [  # w, F, contrast fraction, apparent FWHM
    (0.1, 0.5, 0.186, 0.505),
    (0.3, 0.7, 0.386, 0.730),
    (0.5, 0.7, 0.600, 0.786),
    (1.0, 0.7, 0.907, 1.069),
    (0.3, 1.0, 0.276, 1.021),
    (0.5, 1.0, 0.444, 1.059),
    (1.0, 1.0, 0.761, 1.249),
    (1.0, 1.4, 0.600, 1.573),
    (2.0, 0.7, 0.999, 2.001),
]
X = np.arange(-6.0, 6.0, 0.005)


def slab(width_mm: float, fwhm_mm: float) -> np.ndarray:
    blur = Blur.gaussian(fwhm_mm, fwhm_mm)
    return slab_step(blur, 0.0, X + width_mm / 2.0) - slab_step(blur, 0.0, X - width_mm / 2.0)


@pytest.mark.parametrize(("width", "fwhm", "contrast", "apparent"), TABLE)
def test_slab_table(width: float, fwhm: float, contrast: float, apparent: float) -> None:
    image = slab(width, fwhm)
    above = X[image > image.max() / 2.0]
    assert image.max() == pytest.approx(contrast, abs=1.5e-3)
    assert np.ptp(above) == pytest.approx(apparent, abs=0.011)


@pytest.mark.parametrize(("width", "fwhm"), [(0.2, 0.5), (0.5, 1.0), (1.5, 1.4)])
def test_integral_over_contrast_is_the_width(width: float, fwhm: float) -> None:
    assert slab(width, fwhm).sum() * 0.005 == pytest.approx(width, abs=2e-3)


def test_clipped_metal_edge_moves_outward() -> None:
    """Metal 9000, background 400, FWHM 0.7 mm, threshold half-way to 3071 HU: 0.3014 mm (closed form)."""
    x = np.arange(-2.0, 2.0, 0.0005)
    hu = 400.0 + 8600.0 * slab_step(Blur.gaussian(0.7, 0.7), 0.0, x)
    half = 0.5 * (400.0 + 3071.0)
    assert -x[np.argmax(hu > half)] == pytest.approx(0.3014, abs=2e-3)
