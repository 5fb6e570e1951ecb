"""Edges of the gap beside a screw with a halo: what is lucent is no edge."""

from __future__ import annotations

import pytest

from ongrowth.bridge import measure_bridge
from ongrowth.defect import DefectPlane, find_defect
from ongrowth.frame import ScrewFrame
from ongrowth.screw import ScrewSpec, find_screws
from ongrowth_phantoms.bone import Defect
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import pars_scene


@pytest.mark.parametrize(
    ("halo_mm", "told"),
    [((0.0, 0.0), [True, True]), ((1.2, 1.2), [None, None]), ((1.2, 0.0), [None, True])],
)
def test_dense_edges_are_told_or_left_open_and_never_called_soft_for_the_halo(
    halo_mm: tuple[float, float], told: list[bool | None]
) -> None:
    """Without its width the halo of 1.2 mm was read as edges of 200 HU, though both are drawn with 850 HU."""
    halo = HaloField("even" if any(halo_mm) else "none", *halo_mm)
    defect = Defect(normal=(0.3, 0.2, 0.9), gap_mm=1.9, sclerosis_mm=0.8, seed=53)
    scan = scan_fast(pars_scene(53, halo=halo, defect=defect), FastProtocol(), seed=53)
    screw = find_screws(scan, [ScrewSpec(major_diameter_mm=4.0, root_diameter_mm=3.0)]).screws[0]
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    found = find_defect(scan, screw, frame)
    assert isinstance(found, DefectPlane)
    bridge = measure_bridge(scan, screw, frame, found, lucent_mm=halo_mm)
    assert [edge.is_sclerotic for edge in (bridge.head_edge, bridge.tip_edge)] == told
