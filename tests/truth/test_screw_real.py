"""Metal in a real CT: a nail and a lag screw in a hip, both cut off by the field of view."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from ongrowth.geometry import unit
from ongrowth.read import read_scan
from ongrowth.scan import Refused, Scan
from ongrowth.screw import find_metal, find_screws

SHARED = Path(os.environ.get("ONGROWTH_SHARED", Path(__file__).parents[3] / "shared"))
HIP = SHARED / "data" / "hip_nail" / "hip_nail_3mm.nii.gz"


@pytest.fixture(scope="module")
def hip() -> Scan:
    if not HIP.exists():
        pytest.skip("the real CT of a hip is not here (ONGROWTH_SHARED)")
    return read_scan(HIP)


def test_a_screw_that_leaves_the_field_is_refused_in_words(hip: Scan) -> None:
    with pytest.raises(Refused) as raised:
        find_screws(hip)
    assert raised.value.problems[0].code == "screw-cut-off"


def test_nail_and_lag_screw_come_apart(hip: Scan) -> None:
    lag, nail = find_metal(hip)
    assert (lag.kind, nail.kind) == ("screw", "rod")
    nail_course, lag_course = (unit(m.points_mm[-1] - m.points_mm[0]) for m in (nail, lag))
    # read off projections of the same scan by eye: the nail leans 24 degrees to the front going down,
    # the lag screw rises 50 degrees towards the middle of the body and a little to the front
    assert abs(nail_course @ unit((0.0, 0.42, 0.91))) > np.cos(np.radians(8.0))
    assert abs(lag_course @ unit((-0.63, -0.19, 0.75))) > np.cos(np.radians(8.0))
    assert nail.diameter_mm.value > lag.diameter_mm.value
