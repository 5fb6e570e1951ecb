"""Screws with heads of many shapes in plain bone, whole, interrupted or bent: the scanner of `plain_phantom`.

A threaded rod in a round neck of bone that is dense on one side of the head, or not; under a ceiling, or on a
scale that holds the metal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from plain_phantom import (
    CEILING_HU,
    SOFT_HU,
    FloatArray,
    Scanner,
    along_and_across,
    course_of,
    fine_grid,
    grain_hu,
    scanned,
    share_inside,
)

from ongrowth.scan import Scan

HEADS = ("round", "hexagonal", "disc", "none", "conical", "countersunk", "cannulated", "socket")
_BOX_MM = (25.0, 25.0, 25.0)
_ROOT_SHARE, _PITCH_MM, _BONE_MM, _WIDE_HU = 0.75, 1.5, 7.5, 30000.0
_METAL_HU = {"titanium": 9000.0, "steel": 19000.0}
_USUAL = Scanner()


@dataclass(frozen=True, slots=True)
class Headed:
    """A phantom: mm, degrees and HU. What breaks or bends lies at a share of the shaft, from the head."""

    head: str = "disc"
    head_mm: tuple[float, float] = (6.4, 4.0)  # diameter and height
    crest_mm: float = 2.0
    length_mm: float = 30.0
    gap_mm: float = 0.0
    step_mm: float = 0.0
    bend_deg: float = 0.0
    at: float = 0.5
    material: str = "titanium"
    is_clipped: bool = True
    is_dense: bool = False
    tilt_deg: float = 40.0
    turn_deg: float = 60.0
    scanner: Scanner = _USUAL
    seed: int = 0

    @property
    def state(self) -> str:
        """What is true of the shaft, in the words of the estimator."""
        if self.gap_mm:
            return "interrupted"
        return "bent" if self.bend_deg else "no interruption shown"

    @property
    def course(self) -> FloatArray:
        """Direction from head to tip, patient axes; the middle of the shaft lies at zero."""
        return course_of(self.tilt_deg, self.turn_deg)

    @property
    def ends_mm(self) -> tuple[FloatArray, FloatArray]:
        """Underside of the head and tip, patient mm."""
        aside = np.cross(self.course, [0.0, 0.0, 1.0])
        aside /= np.linalg.norm(aside)
        beyond = math.tan(math.radians(self.bend_deg)) * (1.0 - self.at) * self.length_mm
        half = self.length_mm / 2.0 * self.course
        return -half, half + (self.step_mm + beyond) * aside


def drawn(headed: Headed) -> Scan:
    """Return the phantom's CT."""
    rng = np.random.default_rng(headed.seed)
    u, v, s = along_and_across(fine_grid(_BOX_MM), headed.course)
    bone = 300.0 + grain_hu(s.shape, 80.0, rng)
    if headed.is_dense:
        above = np.abs(s + headed.length_mm / 2.0) - 6.0
        bone += (1400.0 - bone) * share_inside(np.maximum(above, headed.crest_mm + 0.5 - u))
    neck = np.maximum(np.hypot(u, v) - _BONE_MM, np.abs(s) - headed.length_mm / 2.0 - 2.0)
    hu = SOFT_HU + (bone - SOFT_HU) * share_inside(neck)
    hu += (_METAL_HU[headed.material] - hu) * share_inside(_outside_mm(headed, u, v, s))
    scale = CEILING_HU if headed.is_clipped else _WIDE_HU
    return scanned(hu.astype(np.float32), _BOX_MM, headed.scanner, rng, scale)


def _outside_mm(headed: Headed, u: FloatArray, v: FloatArray, s: FloatArray) -> FloatArray:
    """Return about how far places lie outside the metal."""
    depth = s + headed.length_mm / 2.0
    beyond = depth - headed.at * headed.length_mm
    away_u = u - np.where(beyond > 0.0, headed.step_mm, 0.0)
    away_u = away_u - math.tan(math.radians(headed.bend_deg)) * np.maximum(beyond, 0.0)
    radius = np.hypot(away_u, v)
    turn = (s / _PITCH_MM - np.arctan2(v, away_u) / (2.0 * math.pi)) % 1.0
    root = _ROOT_SHARE * headed.crest_mm
    thread = root + (headed.crest_mm - root) * np.clip(2.6 * np.abs(turn - 0.5) - 0.15, 0.0, 1.0)
    left = headed.length_mm - depth
    tapered = np.minimum(thread, np.clip(left / 2.0, 0.0, 1.0) * headed.crest_mm)
    shaft = np.maximum(radius - tapered, np.maximum(-left, -depth))
    if headed.gap_mm:
        shaft = np.maximum(shaft, headed.gap_mm / 2.0 - np.abs(beyond))
    metal = shaft if headed.head == "none" else np.minimum(shaft, _outside_head_mm(headed, u, v, depth))
    if headed.head == "cannulated":
        metal = np.maximum(metal, 0.6 - np.hypot(u, v))
    return metal


def _outside_head_mm(headed: Headed, u: FloatArray, v: FloatArray, depth: FloatArray) -> FloatArray:
    """Return about how far places lie outside the head, which ends at depth zero."""
    wide, tall = headed.head_mm[0] / 2.0, headed.head_mm[1]
    radius, up = np.hypot(u, v), -depth
    ends = np.abs(up - tall / 2.0) - tall / 2.0
    if headed.head == "round":
        return np.maximum((np.hypot(radius / wide, up / tall) - 1.0) * min(wide, tall), -up)
    if headed.head == "hexagonal":
        sides = [np.abs(math.cos(a) * u + math.sin(a) * v) for a in np.radians([0.0, 60.0, 120.0])]
        return np.maximum(np.maximum.reduce(sides) - wide, ends)
    if headed.head in ("conical", "countersunk"):
        lowest = headed.crest_mm if headed.head == "countersunk" else 0.7 * wide
        return np.maximum(radius - lowest - (wide - lowest) * np.clip(up / tall, 0.0, 1.0), ends)
    disc = np.maximum(radius - wide, ends)
    if headed.head == "socket":
        disc = np.maximum(disc, -np.maximum(radius - 0.5 * wide, 0.5 * tall - up))
    return disc


def case(lot: str, number: int) -> Headed:
    """Return a phantom: the same lot and number always give the same. Half are whole."""
    rng = np.random.default_rng([20261130, ("tuning", "test").index(lot), number])
    head, state = HEADS[number % len(HEADS)], ("whole", "gap", "whole", "bend")[number // len(HEADS) % 4]
    crest = float(rng.uniform(1.75, 2.75))
    wide = max(float(rng.uniform(6.0, 9.0)), 2.0 * crest + 1.5)
    tall = float(rng.uniform(1.5, 3.0) if head in ("disc", "countersunk") else rng.uniform(2.5, 5.0))
    scanner = Scanner(*(float(rng.uniform(*r)) for r in ((0.6, 1.2), (0.6, 2.0), (0.28, 0.5), (15.0, 60.0))))
    return Headed(
        head=head,
        head_mm=(wide, tall),
        crest_mm=crest,
        length_mm=float(rng.uniform(22.0, 32.0)),
        gap_mm=float(rng.uniform(0.8, 2.5)) if state == "gap" else 0.0,
        step_mm=float(rng.choice([0.0, rng.uniform(0.5, 1.5)])) if state == "gap" else 0.0,
        bend_deg=float(rng.uniform(4.0, 12.0)) if state == "bend" else 0.0,
        at=float(rng.uniform(0.3, 0.7)),
        material=str(rng.choice(["titanium", "steel"])),
        is_clipped=bool(rng.random() < 0.6),
        is_dense=bool(rng.random() < 0.4),
        tilt_deg=float(np.degrees(np.arccos(rng.uniform(0.0, 1.0)))),
        turn_deg=float(rng.uniform(0.0, 360.0)),
        scanner=scanner,
        seed=int(rng.integers(1, 2**31)),
    )
