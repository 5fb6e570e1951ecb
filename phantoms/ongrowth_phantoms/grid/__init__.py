"""The grid that measures us: cases drawn by number, measured in several ways, set beside the truth."""

from ongrowth_phantoms.grid.caliper import CALIPERS
from ongrowth_phantoms.grid.draw import PLANS, Case, draw_case, slice_cases
from ongrowth_phantoms.grid.measure import ARMS, code_version
from ongrowth_phantoms.grid.phantom import phantom_of
from ongrowth_phantoms.grid.run import read_records, run_case, run_cases

__all__ = [
    "ARMS",
    "CALIPERS",
    "PLANS",
    "Case",
    "code_version",
    "draw_case",
    "phantom_of",
    "read_records",
    "run_case",
    "run_cases",
    "slice_cases",
]
