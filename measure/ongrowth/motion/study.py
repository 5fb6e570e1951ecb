"""Motions in the terms of a migration study, and the precision that double examinations give.

Terms as in ISO 16087:2013 (radiostereometry of orthopaedic implants) and the RSA guideline of 2024
(Kaptein et al., Acta Orthop); only the first terms of the standard were read. Signs are those of the
screw's frame, not of a left or right hip.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from ongrowth.geometry import RigidTransform
from ongrowth.motion.model import Motion, Registered
from ongrowth.motion.rigid import cardan_deg, condition_number_per_m, helical_axis
from ongrowth.quantity import COVERAGE_95


@dataclass(frozen=True, slots=True)
class Migration:
    """One motion in the terms of a migration study; NaN where not measurable.

    Parameters
    ----------
    body, relative_to : str
        As in `Motion`.
    translation_x_mm, translation_y_mm, translation_z_mm : float
        Of the reference point along the axes of the screw: posterior made square to it, third x
        first, head to tip.
    rotation_x_deg, rotation_y_deg, rotation_z_deg : float
        Cardan angles in that order, R = Rz Ry Rx.
    total_translation_mm, total_rotation_deg, max_total_point_motion_mm : float
        TT, TR and MTPM of the usage; of a screw TR is the change of its axis.
    helical_angle_deg, helical_slide_mm : float
        Rotation about and translation along the helical axis.
    condition_number_per_m : float
        How poorly the blocks of bone or metal used fix a rotation (Soderkvist & Wedin 1993).
    rigid_body_error_mm : float
        Mean error of rigid body fitting: how far blocks lie off the rigid motion, RMS.
    """

    body: str
    relative_to: str
    translation_x_mm: float
    translation_y_mm: float
    translation_z_mm: float
    rotation_x_deg: float
    rotation_y_deg: float
    rotation_z_deg: float
    total_translation_mm: float
    total_rotation_deg: float
    max_total_point_motion_mm: float
    helical_angle_deg: float
    helical_slide_mm: float
    condition_number_per_m: float
    rigid_body_error_mm: float


def migration_of(motion: Motion, body: Registered | None) -> Migration:
    """Return a motion in the terms of a migration study.

    Parameters
    ----------
    motion : Motion
        As measured.
    body : Registered or None
        The body that moved, for the condition number and the error of fitting.
    """
    seen, axes = motion.fixed_from_moving, motion.axes
    turned = RigidTransform(axes @ seen.rotation @ axes.T, axes @ seen.translation_mm)
    helix = helical_axis(turned)
    known = motion.total_translation.is_known
    turn = cardan_deg(turned) if known else np.full(3, math.nan)
    x, y, z = (part.value for part in motion.translation_mm)
    return Migration(
        body=motion.body,
        relative_to=motion.relative_to,
        translation_x_mm=x,
        translation_y_mm=y,
        translation_z_mm=z,
        rotation_x_deg=float(turn[0]),
        rotation_y_deg=float(turn[1]),
        rotation_z_deg=float(turn[2]),
        total_translation_mm=motion.total_translation.value,
        total_rotation_deg=motion.total_rotation.value,
        max_total_point_motion_mm=motion.max_total_point_motion.value,
        helical_angle_deg=helix.angle_deg if known else math.nan,
        helical_slide_mm=helix.slide_mm if known else math.nan,
        condition_number_per_m=condition_number_per_m(body.places_mm) if body else math.nan,
        rigid_body_error_mm=body.rigid_body_error_mm if body else math.nan,
    )


@dataclass(frozen=True, slots=True)
class Precision:
    """Precision of one quantity from double examinations.

    Parameters
    ----------
    quantity : str
        A field of `Migration`.
    n : int
        Double examinations.
    bias : float
        Mean of the differences, mm or degrees.
    sd_about_zero : float
        Root of their mean square: truth is no motion.
    precision95 : float
        1.96 times that.
    low95, high95 : float
        95 % interval of `precision95` (chi squared with n degrees of freedom); very wide for few.
    """

    quantity: str
    n: int
    bias: float
    sd_about_zero: float
    precision95: float
    low95: float
    high95: float


SIGNED = tuple(
    f"{kind}_{axis}_{unit}" for kind, unit in (("translation", "mm"), ("rotation", "deg")) for axis in "xyz"
)


def double_examinations(pairs: Sequence[Migration]) -> tuple[Precision, ...]:
    """Return the precision of each signed quantity from pairs of scans of one body on one day.

    Parameters
    ----------
    pairs : sequence of Migration
        One for each double examination, all of the same body and reference; NaN are left out.

    Returns
    -------
    tuple of Precision
        Along and about the three axes. Form "SD about zero, times 1.96" (doi:10.2340/17453674.2022.2528).

    Raises
    ------
    ValueError
        If the pairs are of different bodies.
    """
    if len({(p.body, p.relative_to) for p in pairs}) > 1:
        raise ValueError("double examinations of different bodies")
    return tuple(_precision(name, np.array([getattr(p, name) for p in pairs])) for name in SIGNED)


def _precision(name: str, differences: np.typing.NDArray[np.float64]) -> Precision:
    d = differences[np.isfinite(differences)]
    if d.size == 0:
        return Precision(name, 0, *(math.nan,) * 5)
    sd = float(np.sqrt(np.mean(d**2)))
    low, high = (math.sqrt(d.size / float(chdtri(d.size, q))) for q in (0.025, 0.975))
    wide = COVERAGE_95 * sd
    return Precision(name, int(d.size), float(d.mean()), sd, wide, low * wide, high * wide)
