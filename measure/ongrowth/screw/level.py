"""What metal reads inside a thin rod, by the tube's voltage."""

from __future__ import annotations

import math

from ongrowth.scan import Acquisition

_USUAL_KVP = 120.0
# Inside a rod of 3 to 4 mm behind 200 to 300 mm of water at 120 kVp: HU on a scale that does not stop, its
# spread, and by which power of 120 over the voltage it rises. Computed with spekpy (8 degree anode, 6 mm Al)
# and xraydb for 80 to 140 kVp and 2 to 6 mm: titanium 14 000, 11 000, 9200 and 8000 HU at 80, 100, 120 and
# 140 kVp, give or take 7 %; filters, alloys and corrections differ by as much again. Dense metals starve
# and scatter: their spread is wide.
_LEVELS = {
    "titanium": (9400.0, 0.12, 1.0),
    "steel": (19000.0, 0.2, 1.25),
    "cobalt-chrome": (21000.0, 0.2, 1.3),
}


_UNTOLD = 0.25  # by how much more it spreads where the voltage is not told, or says nothing


def metal_level_hu(material: str, made: Acquisition) -> tuple[float, float]:
    """Return what a rod of bone-screw size reads inside where no ceiling stops the scale, and the spread.

    Parameters
    ----------
    material : str
        "titanium", "steel" or "cobalt-chrome"; any other counts as titanium.
    made : Acquisition
        How the scan was made. What is calculated for one photon energy has no voltage.

    Returns
    -------
    tuple of float
        Level and its standard deviation, HU.

    Examples
    --------
    >>> [round(metal_level_hu("titanium", Acquisition(kvp=kvp))[0], -2) for kvp in (80, 100, 120, 140)]
    [14100.0, 11300.0, 9400.0, 8100.0]
    """
    usual_hu, spread, power = _LEVELS.get(material, _LEVELS["titanium"])
    if made.algorithm == "mono-energetic" or not made.kvp > 0.0:
        return usual_hu, usual_hu * math.hypot(spread, _UNTOLD)
    level_hu = usual_hu * (_USUAL_KVP / made.kvp) ** power
    return level_hu, spread * level_hu
