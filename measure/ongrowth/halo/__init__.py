"""The lucent layer between screw and bone: its width map, and what each side amounts to."""

from ongrowth.halo.change import HaloChange, measure_change, screw_difference, side_difference
from ongrowth.halo.doubt import Doubt
from ongrowth.halo.map import BlurFound, Halo, HaloMap, HaloSummary, Rim
from ongrowth.halo.measure import measure_halo
from ongrowth.halo.protocol import CalibrationFit, measure_calibration
from ongrowth.halo.scene import HaloSettings

__all__ = [
    "BlurFound",
    "CalibrationFit",
    "Doubt",
    "Halo",
    "HaloChange",
    "HaloMap",
    "HaloSettings",
    "HaloSummary",
    "Rim",
    "measure_calibration",
    "measure_change",
    "measure_halo",
    "screw_difference",
    "side_difference",
]
