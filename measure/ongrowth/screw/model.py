"""The metal of a scan: screws with axis, ends and integrity, and other metal."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import frozen, lock_arrays
from ongrowth.quantity import Caution, Measured
from ongrowth.scan import Problem

UNKNOWN_SIDE = "not established"


@dataclass(frozen=True, slots=True)
class ScrewSpec:
    """What is known of a screw before the scan is looked at. NaN: not known.

    Lengths in mm; points in patient mm (LPS). `length_mm` is the shaft under the head to the tip.
    """

    id: str = ""
    side: str = ""  # left | right | midline | "" (not stated)
    major_diameter_mm: float = math.nan
    root_diameter_mm: float = math.nan
    pitch_mm: float = math.nan
    length_mm: float = math.nan
    thread: str = "full"  # full | partial
    thread_start_mm: float = math.nan
    shank_diameter_mm: float = math.nan
    cannula_diameter_mm: float = 0.0
    coating_mm: float = 0.0
    surface: str = "ha-coated"  # ha-coated | porous | plain | lag
    material: str = "titanium"  # titanium | steel | cobalt-chrome
    head_mm: tuple[float, float, float] | None = None
    tip_mm: tuple[float, float, float] | None = None

    @property
    def root_share(self) -> float:
        """Root over major diameter; where not known 0.75, the middle of bone screws (no source)."""
        share = self.root_diameter_mm / self.major_diameter_mm
        return share if math.isfinite(share) else 0.75


@dataclass(frozen=True, slots=True)
class Integrity:
    """Whether the shaft is whole: state in the words of the result file, and where not."""

    state: str  # no interruption shown | interrupted | bent | not measurable
    smallest_shown_mm: float
    at_depth_mm: float
    interruption_mm: Measured
    bend_deg: Measured


@dataclass(frozen=True, slots=True, eq=False)
class Screw:
    """A screw found in a scan.

    Parameters
    ----------
    id, side : str
        Name; side "left", "right", "midline" or "not established".
    head_mm, tip_mm : ndarray, shape (3,)
        Head end of the shaft (under the head) and tip, patient mm (LPS).
    major_diameter_mm, length_mm : Measured
        Outer diameter of the thread; length of the shaft.
    root_diameter_mm : float
        Core diameter used by the models, mm.
    diameter_source : str
        "given" or "estimated".
    integrity : Integrity
        Interruption or bend of the shaft.
    spec : ScrewSpec
        What was known beforehand.
    cautions : Caution
        What weakens everything measured on this screw.
    axis_u_deg, axis_u_mm : float
        Standard uncertainty of the axis, per direction across it: its tilt, and its place midway.
    thread_start_mm, shank_diameter_mm : float
        Depth at which the thread begins (0 if it begins at the head end, as far as is known), and
        the diameter of the shank before it, mm (NaN if there is none). As stated, else as seen.
    cannula_diameter_mm : float
        Diameter of the lumen, mm; 0 if there is none. As stated, else as seen.
    """

    id: str
    side: str
    head_mm: NDArray[np.float64]
    tip_mm: NDArray[np.float64]
    major_diameter_mm: Measured
    root_diameter_mm: float
    length_mm: Measured
    diameter_source: str
    integrity: Integrity
    spec: ScrewSpec = field(default_factory=ScrewSpec)
    cautions: Caution = Caution.NONE
    axis_u_deg: float = math.nan
    axis_u_mm: float = math.nan
    thread_start_mm: float = 0.0
    shank_diameter_mm: float = math.nan
    cannula_diameter_mm: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "head_mm", frozen(self.head_mm))
        object.__setattr__(self, "tip_mm", frozen(self.tip_mm))


@dataclass(frozen=True, slots=True, eq=False)
class OtherMetal:
    """Metal that is no screw: kind "rod", "wire" or "piece"; course in patient mm, shape (N, 3)."""

    kind: str
    points_mm: NDArray[np.float64]
    length_mm: Measured
    diameter_mm: Measured

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True)
class Metalwork:
    """All metal of a scan, and what a reader must know about how it was found."""

    screws: tuple[Screw, ...]
    other: tuple[OtherMetal, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class ScrewSettings:
    """How metal is told apart. Lengths in mm, angles in degrees."""

    shortest_screw_mm: float = 12.0  # shorter metal is a piece, not a bone screw
    shortest_wire_mm: float = 8.0
    thinnest_screw_mm: float = 2.2  # thinner is a wire; bone screws start at about 2.7
    thickest_screw_mm: float = 14.0  # lag screws of a hip reach 11 to 13
    longest_screw_mm: float = 130.0  # longer is a rod or a nail
    join_gap_mm: float = 6.0  # parts of one broken screw lie nearer than this
    join_angle_deg: float = 20.0
    join_offset_mm: float = 3.5
    refine_reach_mm: float = 4.0  # points given by a reader move no further than this
    refine_turn_deg: float = 12.0
    length_differs_mm: float = 2.0  # a length given and a length seen that differ by more are told


DEFAULT_SETTINGS = ScrewSettings()
