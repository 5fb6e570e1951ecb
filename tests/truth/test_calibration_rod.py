"""A rod in water calibrates its protocol, and a wrong diameter is not made up for by blur and level."""

from __future__ import annotations

import pytest

from ongrowth.halo import measure_calibration
from ongrowth.read import read_scan
from ongrowth.scan import Refused, Scan
from ongrowth.screw import ScrewSpec
from ongrowth_phantoms.catalogue import write_phantom


@pytest.fixture(scope="module")
def rod(tmp_path_factory: pytest.TempPathFactory) -> Scan:
    return read_scan(write_phantom("calibration-rod", tmp_path_factory.mktemp("rod")))


def test_the_rod_reads_as_titanium_with_its_own_diameter(rod: Scan) -> None:
    fit = measure_calibration(rod, ScrewSpec(major_diameter_mm=4.0))
    assert fit.calibration.metal_hu == pytest.approx(9400.0, rel=0.12)  # spread of metal_level_hu
    assert 0.0 <= fit.calibration.misfit_share < 0.02


@pytest.mark.parametrize("diameter_mm", [3.0, 5.0])
def test_a_wrong_diameter_is_refused(rod: Scan, diameter_mm: float) -> None:
    with pytest.raises(Refused, match="calibration-metal"):
        measure_calibration(rod, ScrewSpec(major_diameter_mm=diameter_mm))
