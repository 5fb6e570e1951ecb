"""Rigid-body figures of migration studies against worked values.

Terms as in ISO 16087:2013 (radiostereometry of orthopaedic implants) and the RSA guideline of 2024
(Kaptein et al., Acta Orthop): maximum total point motion is the displacement of the point that moved
most; a high condition number means markers that fix a rotation poorly. Worked numbers: closed forms,
computed apart from this code.
"""

from __future__ import annotations

import numpy as np
import pytest

from ongrowth.geometry import RigidTransform
from ongrowth.motion.rigid import cardan_deg, condition_number_per_m, helical_axis, point_motions_mm

TURN_ABOUT_Z = RigidTransform.from_rotation_vector([0.0, 0.0, np.radians(2.0)], [0.3, -0.2, 0.1])
POINTS_MM = [(0, 0, 0), (0, 0, 30), (2, 0, 0), (0, 2, 15), (-2, 0, 30)]
OBLIQUE = RigidTransform.from_rotation_vector(np.radians(3.0) * np.array([1, 2, 2]) / 3.0, [0.5, -0.25, 0.75])


def test_largest_displacement_of_a_body() -> None:
    assert point_motions_mm(TURN_ABOUT_Z, POINTS_MM).max() == pytest.approx(0.4165621068, abs=1e-9)


def test_displacement_of_each_point() -> None:
    worked = [0.37416574, 0.37416574, 0.34091462, 0.32168514, 0.41656211]
    assert point_motions_mm(TURN_ABOUT_Z, POINTS_MM) == pytest.approx(worked, abs=1e-7)


def test_tip_of_a_screw_that_toggles_about_its_head() -> None:
    toggle = RigidTransform.from_rotation_vector([np.radians(1.7), 0.0, 0.0], np.zeros(3))
    aside = toggle.apply([0.0, 0.0, 30.0])[:2]
    assert np.linalg.norm(aside) == pytest.approx(0.8899873226, abs=1e-9)  # 30 sin(1.7 deg)


def test_helical_axis() -> None:
    axis = helical_axis(OBLIQUE)
    assert axis.angle_deg == pytest.approx(3.0, abs=1e-9)
    assert axis.direction == pytest.approx(np.array([1, 2, 2]) / 3.0, abs=1e-9)
    assert axis.slide_mm == pytest.approx(0.5, abs=1e-9)
    moved = OBLIQUE.apply(axis.point_mm) - axis.point_mm
    assert moved == pytest.approx(axis.slide_mm * axis.direction, abs=1e-12)  # what an axis is


def test_rotation_matrix_of_an_oblique_turn() -> None:
    worked = [
        [0.99878181, -0.03458609, 0.03519519],
        [0.03519519, 0.99923863, -0.01683622],
        [-0.03458609, 0.01805441, 0.99923863],
    ]
    assert OBLIQUE.rotation == pytest.approx(np.array(worked), abs=1e-7)


def test_cardan_angles() -> None:
    assert cardan_deg(OBLIQUE) == pytest.approx([1.03511731, 1.98203225, 2.01816004], abs=1e-7)


def _screw_surface() -> np.ndarray:
    angle, z = np.meshgrid(np.arange(8) * np.pi / 4.0, np.arange(0.0, 35.0, 5.0))
    return np.stack([2.25 * np.cos(angle), 2.25 * np.sin(angle), z], axis=-1).reshape(-1, 3)


@pytest.mark.parametrize(
    ("points_mm", "worked_per_m", "tolerance"),
    [
        ([(0, 0, 0), (20, 0, 0), (10, 17.3205081, 0)], 70.7106781187, 1e-6),
        (20.0 * np.indices((2, 2, 2)).reshape(3, -1).T, 25.0, 1e-9),
        (_screw_surface(), 59.3913870916, 1e-6),
        ([(0, 0, 0), (10, 0.5, 0), (20, -0.5, 0), (30, 0, 0.5)], 1380.18289, 1e-4),
    ],
    ids=["triangle", "cube", "screw", "nearly-on-a-line"],
)
def test_condition_number(points_mm: np.ndarray, worked_per_m: float, tolerance: float) -> None:
    """Soderkvist & Wedin, J Biomech 1993;26:1473-1477 (formula from memory)."""
    assert condition_number_per_m(points_mm) == pytest.approx(worked_per_m, abs=tolerance)
