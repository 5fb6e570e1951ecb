"""The blur from a CT of the first days, or from another screw: as good as told, and named as what it is."""

from dataclasses import replace

import numpy as np

from ongrowth.calibration import Calibration
from ongrowth.halo import Fitted, Halo, calibrate_on_first_days, measure_halo
from ongrowth_phantoms.grid import phantom_of, slice_cases
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.grid.measure import ARMS, known_calibration, place_of
from ongrowth_phantoms.grid.phantom import protocol_of, scene_of

# an edge-enhancing kernel, whose dark ring beside metal looks like an even halo
FIRST = replace(slice_cases()[0], id="first-days", fwhm_mm=0.65, edge=2.0, slice_mm=1.0)
LATER = replace(FIRST, id="first-days-later", repeat=1)  # another position and noise, still no halo


def measure(case: Case, calibration: Calibration | None = None) -> tuple[Halo, Calibration]:
    phantom, fits = phantom_of(case), list[Fitted]()
    at = place_of(case, ARMS["given, free"], phantom)
    halo = measure_halo(phantom.scan, at.screw, at.frame, at.defect, calibration, keep=fits.append)
    return halo, calibrate_on_first_days(fits[0], phantom.scan, at.screw, at.frame)


_MOST_OFF = 24.3  # chi-square with 7 degrees of freedom, 99.9 %


def off_by(found: Calibration) -> float:
    """By how much a blur is off, in its own covariance; its seven numbers trade against each other."""
    true = known_calibration(protocol_of(FIRST, scene_of(FIRST))).blur
    away = np.array(
        [
            np.log(found.blur.f0_per_mm / true.f0_per_mm),
            np.log(found.blur.p / true.p),
            found.blur.b - true.b,
            np.log(found.blur.box_mm / true.box_mm),
            found.blur.c - true.c,
            found.blur.d1 - true.d1,
            found.blur.d2 - true.d2,
        ]
    )
    return float(away @ np.linalg.solve(found.covariance, away))


def test_a_ct_of_the_first_days_tells_the_blur_for_the_later_ones() -> None:
    _, found = measure(FIRST)
    assert off_by(found) < _MOST_OFF
    again = Calibration.from_dict(found.as_dict())
    assert again.source == "earlier scan"
    free, told = measure(LATER)[0], measure(LATER, again)[0]
    assert (free.blur.source, told.blur.source) == ("free", "earlier scan")
    assert told.blur.in_plane_mm.u < free.blur.in_plane_mm.u
    assert told.blur.through_plane_mm.u < free.blur.through_plane_mm.u
    for halo in (free, told):  # nothing lies round the screw, and nothing is seen
        assert halo.whole.mean_width.low95 == 0.0
        assert np.isfinite(halo.whole.mean_width.below_limit)
