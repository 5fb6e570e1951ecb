"""The blur of a scan as far as a defect needs it: assumed, or read off the metal inside the gap.

Inside the gap the shaft lies in fibrous tissue: no bone, hence no halo, and the foot of the metal shows
the point spread alone.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur, Places, RodResponse, Section
from ongrowth.geometry import Plane, unit
from ongrowth.scan import Scan
from ongrowth.screw import Screw, metal_level_hu

FloatArray = NDArray[np.float64]

METAL_LIKE_HU = 2500.0  # no bone is that dense
FOOT_REACH_MM = 8.0

_IN_PLANE_MM = 0.85  # bone and medium kernels, common practice, no source
_IN_PLANE_SPREAD = 0.3  # standard deviation of its logarithm
# Rows of the detector and the focal spot blur the thinnest slice by about this much; the profile is a bell,
# as wide as both together. Common practice, no source.
_ROW_MM = 0.6
_WIDTHS_MM = tuple(float(w) for w in np.geomspace(0.5, 1.5, 14))
_ENHANCEMENTS = (0.0, 0.8)
_CORES_MM = (-0.12, -0.06, 0.0, 0.06, 0.12)
_CORE_SD_MM = 0.06
_TISSUE_HU, _TISSUE_SD_HU = 70.0, 80.0
_ALIKE = 6.0  # voxels that say the same thing


def usual_blur(scan: Scan, in_plane_mm: float = _IN_PLANE_MM, enhancement: float = 0.0) -> Blur:
    """Return the blur of a scan of which only the slice thickness is known.

    Parameters
    ----------
    scan : Scan
        The CT.
    in_plane_mm : float
        Full width at half maximum in the slice plane, mm.
    enhancement : float
        Of an edge-enhancing kernel; 0 for none.
    """
    profile = math.hypot(scan.nominal_slice_mm, _ROW_MM)
    f0 = _unit_width(enhancement) / in_plane_mm
    return Blur(f0, 2.0, enhancement, profile, profile)


@functools.lru_cache(maxsize=8)
def _unit_width(enhancement: float) -> float:
    return Blur(1.0, 2.0, enhancement).in_plane_fwhm_mm


@dataclass(frozen=True, slots=True, eq=False)
class Foot:
    """What the metal of a screw adds to its surroundings.

    Parameters
    ----------
    blur : Blur
        Point spread of the scan.
    core_mm : float
        Radius of the rod that stands for the threaded shaft, mm.
    metal_hu : float
        CT number of the metal.
    """

    blur: Blur
    core_mm: float
    metal_hu: float

    def at(
        self, screw: Screw, places_mm: FloatArray, slice_normal: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the foot at places, shape (N, 3), HU, and their distance from the thread crests, mm."""
        radius, direction, section = _around(screw, places_mm, slice_normal)
        table = RodResponse(self.blur, section, FOOT_REACH_MM).discs([self.core_mm])
        near = radius < FOOT_REACH_MM - 0.2
        out = np.zeros(radius.shape)
        out[near] = self.metal_hu * Places(radius[near], direction[near], FOOT_REACH_MM).read(table)[0]
        return out, radius - screw.major_diameter_mm.value / 2.0


def _around(
    screw: Screw, places_mm: FloatArray, slice_normal: FloatArray
) -> tuple[FloatArray, FloatArray, Section]:
    axis = unit(screw.tip_mm - screw.head_mm)
    section = Section.of(axis, slice_normal)
    away = places_mm - screw.head_mm
    away = away - (away @ axis)[:, None] * axis
    direction = np.arctan2(away @ section.e2, away @ section.e1)
    return np.linalg.norm(away, axis=1), direction, section


def usual_foot(scan: Scan, screw: Screw, blur: Blur | None = None) -> Foot:
    """Return the foot of a screw when nothing was read off the image."""
    # threads fill about half of the space between root and crest
    core = (screw.major_diameter_mm.value + screw.root_diameter_mm) / 4.0
    return Foot(blur or usual_blur(scan), core, metal_level_hu(screw.spec.material, scan.acquisition)[0])


def fit_foot(scan: Scan, screw: Screw, plane: Plane, gap_mm: float, blur: Blur | None = None) -> Foot:
    """Read the blur off the metal inside the gap.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        The screw.
    plane : Plane
        Plane of the defect, patient mm (LPS), its point on the screw.
    gap_mm : float
        About how wide the gap is.
    blur : Blur, optional
        Known already: only the radius of the core is fitted.

    Returns
    -------
    Foot
        The likeliest on a grid of widths, enhancements and core radii; the usual one where too few voxels
        lie in the gap.
    """
    usual = usual_foot(scan, screw, blur)
    outer = screw.major_diameter_mm.value / 2.0
    part = scan.crop(scan.box(plane.point_mm, outer + 4.0))
    places = part.world_mm(np.indices(part.hu.shape).reshape(3, -1).T)
    hu = part.hu.reshape(-1).astype(np.float64)
    radius, direction, section = _around(screw, places, scan.slice_normal)
    in_gap = np.abs(plane.height_mm(places)) < max(0.3, 0.3 * gap_mm)
    seen = in_gap & (radius < outer + 2.0) & (radius > outer - 0.3) & (hu < METAL_LIKE_HU)
    if seen.sum() < 3 * _ALIKE:
        return usual
    where = Places(radius[seen], direction[seen], FOOT_REACH_MM)
    best, least = usual, np.inf
    for candidate, doubt in _candidates(scan, blur):
        discs = RodResponse(candidate, section, FOOT_REACH_MM).discs(usual.core_mm + np.array(_CORES_MM))
        for core, foot in zip(_CORES_MM, usual.metal_hu * where.read(discs), strict=True):
            cost = _cost(hu[seen], foot) + doubt + 0.5 * (core / _CORE_SD_MM) ** 2
            if cost < least:
                best, least = Foot(candidate, usual.core_mm + core, usual.metal_hu), cost
    return best


def _candidates(scan: Scan, blur: Blur | None) -> list[tuple[Blur, float]]:
    """Return the blurs to try, each with minus the logarithm of its prior."""
    if blur is not None:
        return [(blur, 0.0)]
    return [
        (usual_blur(scan, w, b), 0.5 * (float(np.log(w / _IN_PLANE_MM)) / _IN_PLANE_SPREAD) ** 2)
        for b in _ENHANCEMENTS
        for w in _WIDTHS_MM
    ]


def _cost(hu: FloatArray, foot_hu: FloatArray) -> float:
    """Minus the log-likelihood of even tissue plus a foot; bone that bridges counts little."""
    sd = np.hypot(60.0, 0.1 * np.abs(foot_hu))
    rest = hu - foot_hu
    level = _TISSUE_HU
    for _ in range(3):
        weight = 1.0 / (1.0 + ((rest - level) / (2.0 * sd)) ** 2) / sd**2 / _ALIKE
        level = float((weight @ rest + _TISSUE_HU / _TISSUE_SD_HU**2) / (weight.sum() + _TISSUE_SD_HU**-2.0))
    away = (rest - level) / sd
    spread = np.sum(2.0 * np.log1p(away**2 / 4.0) + np.log(sd)) / _ALIKE
    return float(spread + 0.5 * ((level - _TISSUE_HU) / _TISSUE_SD_HU) ** 2)
