"""The plane midway between the two fitted faces of a gap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ongrowth.defect.columns import Columns, FloatArray
from ongrowth.defect.gap import GapFit
from ongrowth.defect.plane import Rival, between_planes
from ongrowth.defect.slit import SOFT_HU
from ongrowth.geometry import Plane, unit
from ongrowth.robust import robust_sd

_LEAST_CONTRAST_HU = 120.0
_LEAST_GAP_MM = 0.15
_FEWEST_COLUMNS = 12
_PATCH_MM = 1.8  # the roughness of a face, and what a fit makes of it, is alike over this length
# Cuts of the Tukey weights, in spreads: 4.7 is the usual one (95 % efficient); the inner is smaller because
# what stands into the gap is mostly no face (project's choice). No face is smoother than the floor.
_INWARD, _OUTWARD, _LEAST_SCALE_MM = 3.0, 4.7, 0.3
# Found on phantoms of the tuning half: the scatter of the columns tells about half of the error; the rest
# grows with the point spread.
_SCATTER_SHARE, _ANGLE_FLOOR_DEG, _OFFSET_FLOOR_MM = 1.6, 0.8, 0.05
# Thick slices, by the same phantoms: partial volume shifts a face here and there, which tilts it. In 2 mm
# planes were off by 4 degrees; 3 mm leave three slices of a pars. Per mm of the thickness beyond, to a power
# of 1.5 for the tilt, and to the square for the place.
_THICK_MM, _THICK_DEG, _THICK_OFFSET = 1.25, 6.6, 0.3
# A gap wider than 1.5 point spreads shows what fills it: soft tissue at most places, or over much of the
# section. Callus between dense faces, or spongy bone between cortex, is dark against its shores and no gap.
# On phantoms of the tuning half 0.82 and more of true gaps was empty, or 0.45 of the section where bridges
# filled the rest; of false ones up to 0.72 and, but for one, 0.33.
_TOLD, _LEAST_EMPTY, _LEAST_OF_SECTION = 1.5, 0.77, 0.4
# In a thinner one only the lacking bone is known. On the same phantoms the texture of whole bone lacked
# up to 0.11 mm of the section's mean, in all but two; true gaps lacked 0.17 mm and more.
_LEAST_LACKING_MM = 0.14
_ALIKE_DEG, _ALIKE_MM, _ALIKE_GAP = 6.0, 0.4, 0.35  # two fits that will end in one plane
_SHARPNESS = 3.0  # of what speaks for a plane: half as much is an eighth as likely
_LEAST_PROBABILITY = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Middle:
    """A plane midway between two faces, how far these are apart, and how open the section is.

    Parameters
    ----------
    plane : Plane
        Patient mm (LPS); its point on the column of the origin, its normal along the columns.
    gap_mm : float
        Median distance of the faces where the section is open.
    severed : float
        Share of the bone on either shore that a gap severs, each column by its contrast and, below a
        millimetre, by the root of its width; 0..1.
    open_share : float
        Share of the columns of the section that show a gap.
    empty_share : float
        Share of those in which what lies between the faces is nearer to soft tissue than to the fainter face.
    gap_in_spreads : float
        The gap over the point spread along its normal.
    misfit : float
        Of the fit, in standard deviations.
    u_angle_deg, u_offset_mm : float
        Standard uncertainty of the normal, and of the place along it.
    rivals : tuple of Rival
        Other planes that are not ruled out.
    """

    plane: Plane
    gap_mm: float
    severed: float
    open_share: float
    empty_share: float
    gap_in_spreads: float
    misfit: float
    u_angle_deg: float
    u_offset_mm: float
    rivals: tuple[Rival, ...] = ()

    @property
    def worth(self) -> float:
        """How much of the bone is severed, and how well the model of a slit fits."""
        return float(self.severed**0.5 / self.misfit**2)

    @property
    def is_slit(self) -> bool:
        """Whether soft tissue parts the bone, as far as the point spread lets the image tell."""
        if self.gap_in_spreads < _TOLD:
            return self.open_share * self.gap_mm > _LEAST_LACKING_MM
        return self.empty_share > _LEAST_EMPTY or self.empty_share * self.open_share > _LEAST_OF_SECTION

    def no_better_than_noise(self) -> Middle:
        """Return it without credit for a fit closer than noise and model allow: it bears no slit out."""
        return replace(self, misfit=max(1.0, self.misfit))

    def in_noise(self, excess: float) -> Middle:
        """Return what the same plane is worth where noise is so many times what the fit took it for."""
        return replace(
            self,
            misfit=self.misfit / excess,
            u_angle_deg=self.u_angle_deg * excess,
            u_offset_mm=self.u_offset_mm * excess,
        )


def fit_middle(gap: GapFit, inner_mm: float = 0.0) -> Middle | None:
    """Return the plane midway between the faces of a fit, or None where too few columns show a gap.

    Parameters
    ----------
    gap : GapFit
        The fit.
    inner_mm : float
        Columns nearer to the middle are left out (the screw).
    """
    columns, faces, contrast = gap.columns, gap.faces, gap.contrast_hu
    away = np.hypot(columns.grid_mm[:, None], columns.grid_mm)
    bone = (gap.shores[0] | gap.shores[1]) & (away > inner_mm)
    section = bone & gap.shores[0] & gap.shores[1]
    if section.sum() < _FEWEST_COLUMNS:
        return None
    least_gap = max(0.3 * float(np.median(faces.gap_mm[section])), _LEAST_GAP_MM)
    is_open = section & (contrast > _LEAST_CONTRAST_HU) & (faces.gap_mm > least_gap)
    if is_open.sum() < _FEWEST_COLUMNS:
        return None
    fainter = faces.tissue_hu + contrast
    is_empty = is_open & (faces.tissue_hu < (fainter + SOFT_HU) / 2.0)
    trust = np.clip(contrast[is_open] / 400.0, 0.0, 1.0)
    u, v = np.meshgrid(columns.grid_mm, columns.grid_mm, indexing="ij")
    places = u[is_open], v[is_open]
    low, *low_off = _robust_plane(*places, faces.low_mm[is_open], trust, columns.step_mm, 1.0)
    high, *high_off = _robust_plane(*places, faces.high_mm[is_open], trust, columns.step_mm, -1.0)
    tilted = (low + high) / 2.0
    angle, offset = (float(np.hypot(a, b)) / 2.0 for a, b in zip(low_off, high_off, strict=True))
    gap_mm = float(np.median(faces.gap_mm[is_open]))
    return Middle(
        plane=_plane(columns, tilted),
        gap_mm=gap_mm,
        severed=float(np.sum(trust * np.minimum(faces.gap_mm[is_open], 1.0) ** 0.5) / bone.sum()),
        open_share=float(is_open.sum() / section.sum()),
        empty_share=float(is_empty.sum() / is_open.sum()),
        gap_in_spreads=gap_mm / gap.fit.shores.spread_mm,
        misfit=faces.misfit,
        u_angle_deg=float(np.hypot(_SCATTER_SHARE * angle, _ANGLE_FLOOR_DEG)),
        u_offset_mm=float(np.hypot(_SCATTER_SHARE * offset, _OFFSET_FLOOR_MM)),
    )


def alike(one: Middle, other: Middle) -> bool:
    """Return whether two fits have come to the same plane and gap."""
    angle_deg, offset_mm = between_planes(one.plane, other.plane)
    return (
        angle_deg < _ALIKE_DEG
        and offset_mm < _ALIKE_MM
        and abs(one.gap_mm - other.gap_mm) < _ALIKE_GAP * max(one.gap_mm, other.gap_mm)
    )


def weigh(worths: Sequence[float]) -> FloatArray:
    """Return how likely each of some planes is, the most likely first, from how much speaks for each."""
    share = (np.asarray(worths) / worths[0]) ** _SHARPNESS
    return np.asarray(share / share.sum())


def with_rivals(best: Middle, others: Sequence[Middle], probabilities: FloatArray, slice_mm: float) -> Middle:
    """Return the best plane with an uncertainty that holds the other ones, and thick slices, too.

    Parameters
    ----------
    best, others : Middle
        The planes.
    probabilities : ndarray, shape (1 + others,)
        How likely each is, the best first.
    slice_mm : float
        Thickness of the slices.
    """
    thick = max(0.0, slice_mm - _THICK_MM)
    rivals = tuple(
        Rival(o.plane, o.gap_mm, float(p))
        for o, p in zip(others, probabilities[1:], strict=True)
        if p > _LEAST_PROBABILITY
    )
    away = np.array([between_planes(best.plane, r.plane) for r in rivals]).reshape(-1, 2)
    more = np.array([r.probability for r in rivals]) @ away**2
    return replace(
        best,
        u_angle_deg=float(np.sqrt(best.u_angle_deg**2 + more[0] + (_THICK_DEG * thick**1.5) ** 2)),
        u_offset_mm=float(np.sqrt(best.u_offset_mm**2 + more[1] + (_THICK_OFFSET * thick**2) ** 2)),
        rivals=rivals,
    )


def _plane(columns: Columns, tilted: FloatArray) -> Plane:
    """Return the plane of heights ``c + a u + b v`` over the columns."""
    u, v = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    corner = columns.world(u, v, tilted[0] + tilted[1] * u + tilted[2] * v)
    normal = unit(np.cross(corner[1] - corner[0], corner[2] - corner[0]))
    return Plane(corner[0], normal * np.sign(normal @ columns.course))


def _robust_plane(
    x: FloatArray, y: FloatArray, z: FloatArray, trust: FloatArray, step_mm: float, inward: float
) -> tuple[FloatArray, float, float]:
    """Return (c, a, b) of a face ``z = c + a x + b y``; the scatter of its normal (deg) and of its place.

    Tukey weights; what stands into the gap (`inward` 1: up, -1: down) may be a spur, a bridge or a chip
    and counts for less than a hollow of the same depth.
    """
    design = np.column_stack([np.ones_like(x), x, y])
    fit = np.array([np.median(z), 0.0, 0.0])
    for _ in range(15):
        rest = z - design @ fit
        spread = robust_sd(rest, 0.0)
        scale = np.where(rest * inward > 0.0, _INWARD * spread, _OUTWARD * spread)
        weight = trust * np.clip(1.0 - (rest / np.maximum(scale, _LEAST_SCALE_MM)) ** 2, 0.0, None) ** 2
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(design * root[:, None], z * root, rcond=None)[0]
    spread = (weight @ rest**2 / weight.sum()) ** 0.5
    alike = max(1.0, (_PATCH_MM / step_mm) ** 2)
    covariance = spread**2 * alike * np.linalg.pinv((design * weight[:, None]).T @ design)
    angle = float(np.degrees(np.sqrt(covariance[1, 1] + covariance[2, 2])))
    return fit, angle, float(np.sqrt(covariance[0, 0]))
