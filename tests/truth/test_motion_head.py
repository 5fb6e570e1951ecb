"""A rigid plastic head, scanned with two kernels and with the gantry tilted: truth is no motion.

One half of the skull against the other. Facts of the scans: README of the data; a plain registration
(inner bodies against skull) reads 0.05 mm between the kernels and 0.40 and 0.33 mm against the tilted
slices of 2.5 mm.
"""

from __future__ import annotations

import functools
import math
import os
from pathlib import Path

import numpy as np
import pytest

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.motion import Motion, MotionSettings
from ongrowth.motion.displacement import motion_of
from ongrowth.motion.register import Sight, register_fragments
from ongrowth.read import read_scan
from ongrowth.scan import Scan

HEAD = Path(os.environ.get("ONGROWTH_SHARED", Path(__file__).parents[2].parent / "shared")) / (
    "data/plastic_head"
)
pytestmark = [
    pytest.mark.skipif(not HEAD.exists(), reason="the scans of the plastic head are not here"),
    pytest.mark.slow,
]

FRAME = ScrewFrame.of([-66.0, 113.0, 766.0], [66.0, 113.0, 766.0])  # across the head, as a screw might lie
MIDDLE = FRAME.world(0.0, 0.0, 66.0)
SETTINGS = MotionSettings(reach_mm=45.0, seed_radius_mm=45.0)
PART_MM = [[-72.0, 25.0, 752.0], [72.0, 205.0, 780.0]]


@functools.cache
def head(name: str) -> Scan:
    scan = read_scan(HEAD / f"{name}.zip")
    return scan.crop(scan.box(PART_MM, 1.0))


def halves(name: str) -> Motion:
    """Return the motion of the left half of the skull seen from the right."""
    sight = Sight(head("soft_1mm"), head(name), FRAME, FRAME, 0.0, math.nan, is_fixed_earlier=True)
    right, left, _ = register_fragments(sight, Plane(MIDDLE, FRAME.axis_direction), SETTINGS)
    return motion_of(left, right, FRAME, MIDDLE)


def test_two_kernels_of_one_scan_show_no_motion() -> None:
    """Reach: within 0.05 mm."""
    motion = halves("bone_1mm")
    assert np.linalg.norm([m.value for m in motion.translation_mm]) < 0.05
    assert motion.state == "not shown to have moved"


@pytest.mark.parametrize("name", ["tilt_minus", "tilt_plus"])
def test_a_tilted_gantry_stays_inside_its_own_uncertainty(name: str) -> None:
    motion = halves(name)
    for part in motion.translation_mm:
        assert abs(part.value) < part.u95
        assert part.u95 < 0.7  # and that says something
    assert motion.state == "not shown to have moved"
