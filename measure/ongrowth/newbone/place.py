"""Which way from the screw a place lies, in the words of the result file."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import unit

_LEFT = np.array([1.0, 0.0, 0.0])  # DICOM LPS
_POSTERIOR = np.array([0.0, 1.0, 0.0])
_CRANIAL = np.array([0.0, 0.0, 1.0])

# Seen from the isthmus of a lumbar arch: the canal lies inward, the foramen forward and down, the joints
# outward, the skin behind. Project's choice; a word for the direction, not a finding of what is touched.
_TOWARD = {
    "toward the canal": (-1.0, 0.3, 0.0),
    "toward the foramen": (0.3, -0.8, -0.5),
    "toward the facet": (1.0, 0.2, 0.0),
    "behind": (0.0, 1.0, 0.0),
}


def place_of(place_mm: NDArray[np.float64], frame: ScrewFrame, side: str) -> str:
    """Return the word for where a place lies, seen from the screw.

    Parameters
    ----------
    place_mm : ndarray, shape (3,)
        Patient mm (LPS).
    frame : ScrewFrame
        The screw.
    side : str
        "left" or "right"; anything else gives "other": inward and outward are then not known.
    """
    if side not in ("left", "right"):
        return "other"
    away = place_mm - frame.origin_mm
    away = away - (away @ frame.axis_direction) * frame.axis_direction
    if not np.linalg.norm(away) > 0.0:
        return "other"
    outward = _LEFT if side == "left" else -_LEFT
    seen = unit(np.array([away @ outward, away @ _POSTERIOR, away @ _CRANIAL]))
    return max(_TOWARD, key=lambda word: float(seen @ unit(_TOWARD[word])))
