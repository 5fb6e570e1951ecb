"""Halos of one screw whose solutions are known, each with a width, a blur and a chance."""

from __future__ import annotations

import numpy as np

from ongrowth.defect import Side
from ongrowth.halo import Doubt, Halo, HaloSettings, Rim
from ongrowth.halo.believed import halo_of
from ongrowth.halo.unrolled import Shaft
from ongrowth.quantity import Caution, Measured, Unit

DEPTHS, ANGLES = np.arange(0.5, 20.0), np.arange(0.0, 360.0, 15.0)
SHAPE = (len(DEPTHS), len(ANGLES))
SIDE = np.where(DEPTHS[:, None] < 10.0, Side.HEAD, Side.TIP).astype(np.int8) * np.ones(SHAPE, dtype=np.int8)
PARTS = ("blur",) * 7 + ("metal", "axis")
U = np.array([0.2] + [0.1] * 8)
RIM = Rim("present", Measured.of(0.3, 0.1, Unit.MM), Measured.of(900.0, 50.0, Unit.HU))


def open_halo(*solutions: tuple[float, float, float]) -> Halo:
    """A halo of that scan; each solution is (width in mm, blur in U, chance), the best one first."""
    rng = np.random.default_rng(len(solutions))
    widths, blurs, chances = (np.array(part) for part in zip(*solutions, strict=True))
    doubt = Doubt(
        parts=PARTS,
        solutions=np.outer(blurs, U * (np.arange(len(U)) == 0)),
        widths_mm=widths[:, None, None] * np.ones(SHAPE),
        blur_mm=np.outer(0.8 + 0.01 * blurs, [1.0, 1.0]),
        chances=chances,
        alone=chances,
        paired=chances,
        covariance=np.diag(U**2),
        blur_u_mm=np.array([0.05, 0.1]),
        follow_mm=np.zeros((*SHAPE, len(PARTS))),
        noise_mm=rng.normal(0.0, 0.1, (200, *SHAPE)).astype(np.float32).astype(float),
        envelope_mm=np.full(len(DEPTHS), 2.0),
        limit_mm=(0.3, 0.3),
        layer_hu=(Measured.of(60.0, 20.0, Unit.HU),) * 2,
        rims=(RIM, RIM),
        radius=Measured.of(2.0, 0.01, Unit.MM),
        model_mm=0.05,
    )
    shaft = Shaft(DEPTHS, ANGLES, SIDE, np.zeros(SHAPE, dtype=np.int64))
    return halo_of(shaft, doubt, Caution.BLUR_UNKNOWN, "free", HaloSettings().seed, is_parted=True)
