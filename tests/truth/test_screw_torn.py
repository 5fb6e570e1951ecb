"""A broken screw whose parts lie far aside of each other is interrupted, not bent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from ongrowth.geometry import RigidTransform
from ongrowth.screw import find_screws
from ongrowth_phantoms.scanner import scan_fast
from ongrowth_phantoms.scenes import pars_scene


@pytest.mark.parametrize(("aside_mm", "turned_deg"), [(2.8, 0.0), (2.6, 5.0)])
def test_parts_far_aside_of_each_other_are_an_interruption(aside_mm: float, turned_deg: float) -> None:
    scene = pars_scene(16)
    (site,) = scene.sites
    assert site.screw is not None
    turn = Rotation.from_euler("y", turned_deg, degrees=True).as_matrix()
    at = np.array([0.0, 0.0, 20.0])
    piece = RigidTransform(turn, at - turn @ at + np.array([aside_mm, 0.0, 0.0]))
    broken = replace(site.screw, break_depth_mm=20.0, break_gap_mm=0.8, tip_piece=piece)
    found = find_screws(scan_fast(replace(scene, sites=(replace(site, screw=broken),))))
    assert len(found.screws) == 1
    integrity = found.screws[0].integrity
    assert integrity.state == "interrupted"
    assert integrity.at_depth_mm == pytest.approx(20.0, abs=1.5)
