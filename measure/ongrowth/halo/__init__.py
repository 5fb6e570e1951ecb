"""The lucent layer between screw and bone: its width map, and what each side amounts to."""

from ongrowth.halo.map import BlurFound, Halo, HaloMap, HaloSummary, Rim
from ongrowth.halo.measure import measure_halo
from ongrowth.halo.protocol import CalibrationFit, measure_calibration
from ongrowth.halo.scene import HaloSettings

__all__ = [
    "BlurFound",
    "CalibrationFit",
    "Halo",
    "HaloMap",
    "HaloSettings",
    "HaloSummary",
    "Rim",
    "measure_calibration",
    "measure_halo",
]
