"""The lucent layer between screw and bone: its width map, and what each side amounts to."""

from ongrowth.halo.map import Halo, HaloMap, HaloSummary, Rim
from ongrowth.halo.measure import HaloSettings, measure_halo

__all__ = ["Halo", "HaloMap", "HaloSettings", "HaloSummary", "Rim", "measure_halo"]
