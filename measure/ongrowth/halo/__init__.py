"""The lucent layer between screw and bone: its width map, and what each side amounts to."""

from ongrowth.halo.believed import blur_found
from ongrowth.halo.change import HaloChange, measure_change, screw_difference, side_difference
from ongrowth.halo.doubt import Doubt, Rim
from ongrowth.halo.first_days import calibrate_on_first_days
from ongrowth.halo.map import SIDES, BlurFound, Halo, HaloMap, HaloSummary
from ongrowth.halo.measure import Fitted, measure_halo
from ongrowth.halo.planted import Planted, plant
from ongrowth.halo.protocol import CalibrationFit, measure_calibration
from ongrowth.halo.scene import HaloSettings
from ongrowth.halo.summary import EVEN_MM, is_uneven, most_prominent
from ongrowth.halo.together import weigh_by_bank, weigh_screws, weigh_together
from ongrowth.halo.told import told_blur
from ongrowth.halo.whatif import Prospect, look_ahead, variance_parts

__all__ = [
    "EVEN_MM",
    "SIDES",
    "BlurFound",
    "CalibrationFit",
    "Doubt",
    "Fitted",
    "Halo",
    "HaloChange",
    "HaloMap",
    "HaloSettings",
    "HaloSummary",
    "Planted",
    "Prospect",
    "Rim",
    "blur_found",
    "calibrate_on_first_days",
    "is_uneven",
    "look_ahead",
    "measure_calibration",
    "measure_change",
    "measure_halo",
    "most_prominent",
    "plant",
    "screw_difference",
    "side_difference",
    "told_blur",
    "variance_parts",
    "weigh_by_bank",
    "weigh_screws",
    "weigh_together",
]
