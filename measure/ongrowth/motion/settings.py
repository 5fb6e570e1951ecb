"""How motion between two scans is measured."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MotionSettings:
    """Settings of the registration. Lengths in mm."""

    reach_mm: float = 22.0  # bone farther from the screw belongs to other joints and ribs
    seed_radius_mm: float = 10.0  # bone so near to the screw belongs to the fragment it lies in
    past_end_mm: float = 6.0  # beyond head and tip
    block_mm: float = 4.0  # trabecular texture of 0.7 mm leaves some 50 independent spots in a block
    least_correlation: float = 0.7  # of a block with the other scan
    most_displacement_mm: float = 0.3  # of a block against its fragment: more is another bone
    coarse_mm: float = 2.0  # smoothing of the first level; catches some 4 mm
    middle_mm: float = 1.0
    fine_mm: float = 0.25  # less than the blur of most kernels; thin laminae blur into each other above
    metal_margin_mm: float = 1.5  # blooming and the first streaks
    halo_margin_mm: float = 2.0  # beyond the thread: a layer that comes and goes is no landmark
    roll_step_deg: float = 6.0
    most_samples: int = 60_000
