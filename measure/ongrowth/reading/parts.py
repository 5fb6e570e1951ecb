"""What one CT gave, and what all CTs of a case gave, as frozen values."""

from __future__ import annotations

import datetime as dt
import enum
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.bridge import Bridge
from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import lock_arrays
from ongrowth.halo import Halo
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading.by_hand import CorrectionRecord, ReaderValue
from ongrowth.scan import Problem
from ongrowth.screw import OtherMetal, Screw

_BLUR_NOT_TOLD = Measured.missing(Unit.MM, Caution.BLUR_UNKNOWN)
_NO_BONE_READ = Measured.missing(Unit.HU, Caution.NO_BONE)
_NO_CORTEX_FOUND = Measured.missing(Unit.MM, Caution.NO_BONE)


class Against(enum.StrEnum):
    """How a finding stands against its window."""

    AS_EXPECTED = "as expected"
    UNDECIDED = "undecided"
    OUTSIDE = "outside"
    NOT_MEASURABLE = "not measurable"


@dataclass(frozen=True, slots=True)
class Window:
    """What is expected of a quantity between two weeks: one row of a windows table.

    `low` and `high` are NaN where that side has no limit. `beyond` is what a value past the limit
    amounts to: `Against.OUTSIDE`, or `Against.UNDECIDED` where such a value alone proves nothing.
    """

    surface: str
    quantity: str
    side: str  # any | head_side | tip_side
    from_weeks: float
    to_weeks: float
    low: float
    high: float
    unit: Unit
    meaning: str
    source: str
    beyond: Against = Against.OUTSIDE

    def holds(self, surface: str, quantity: str, side: str, weeks: float) -> bool:
        """Whether this row speaks of a quantity on one side at a week."""
        same = self.quantity == quantity and self.surface in (surface, "any")
        return same and self.side in ("any", side) and self.from_weeks <= weeks < self.to_weeks


@dataclass(frozen=True, slots=True)
class Finding:
    """One quantity against its window.

    Parameters
    ----------
    implant : str
        Id of the screw.
    site : str
        "head_side", "tip_side", "whole", "defect" or "screw".
    quantity : str
        One of `QUANTITIES`.
    value : Measured
        What was measured.
    window : Window or None
        The row it was held against; None where the week is not known or no row speaks of it.
    against_window : Against
        Where it stands.
    why : str
        One sentence.
    state : str
        For outcomes that are no number (integrity, change of position, graft rule); else empty.
    from_scan : str
        Id of the earlier CT it was compared with; else empty.
    relative_to : str
        Of a change of position: "head side" or "tip side"; else empty.
    """

    implant: str
    site: str
    quantity: str
    value: Measured
    window: Window | None
    against_window: Against
    why: str
    state: str = ""
    from_scan: str = ""
    relative_to: str = ""


SITES = ("head_side", "tip_side", "whole", "defect", "screw")

SIDE_QUANTITIES = (  # of one side of a halo, beside its mean width
    "p95_width",
    "max_width",
    "share_over_1mm",
    "share_over_2mm",
    "volume",
    "no_lucency_share",
    "lucent_share",
    "no_lucency_length",
    "longest_no_lucency",
    "circumference_over_1mm_deg",
    "depth_over_1mm_mm",
    "layer_hu",
)
QUANTITIES = (
    "mean_width",
    *SIDE_QUANTITIES,
    "sector_excess",
    "widest_sector",
    "rim",
    "contact",
    "gap_width_mean",
    "gap_width_max",
    "bridged_fraction",
    "integrity",
    "width_growth",
    "migration",
    "interfragmentary_motion",
    "graft_rule",
    "tip_to_cortex_mm",
)
# printed for information: nothing is expected of them, so a table of windows cannot speak of them
UNJUDGED = ("tip_to_cortex_mm",)
WINDOW_QUANTITIES = tuple(name for name in QUANTITIES if name not in UNJUDGED)


@dataclass(frozen=True, slots=True)
class Summary:
    """The answer in words; `next_scan_week` is NaN where a later scan would change nothing."""

    sentence: str
    next_scan_week: float = math.nan
    cannot_tell: tuple[str, ...] = ()
    not_looked_at: tuple[str, ...] = ()


BLUR_SOURCES = ("calibration", "in-scan", "earlier scan", "kernel bank", "free")


@dataclass(frozen=True, slots=True)
class DoseFacts:
    """Dose of one CT, or of a case up to its last one; NaN where not stated.

    `effective_msv` is an estimate for a population; `effective_basis` names its factor and table.
    Of `n_examinations`, `n_stated` state a dose-length product and `n_ctdi_stated` a CTDIvol.
    """

    ctdi_vol_mgy: float = math.nan
    dlp_mgy_cm: float = math.nan
    source: str = ""
    effective_msv: float = math.nan
    effective_basis: str = ""
    n_examinations: int = 1
    n_stated: int = 0
    n_ctdi_stated: int = 0


@dataclass(frozen=True, slots=True)
class ScanFacts:
    """How a CT was made and what it can show; names as in the result file, NaN where not stated."""

    id: str
    weeks_since_surgery: float = math.nan
    voxel_mm: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    slice_thickness_mm: float = math.nan
    kernel: str = ""
    algorithm: str = "not stated"
    kvp: float = math.nan
    scanner: str = ""
    hu_ceiling: float = math.nan
    ceiling_share: float = 0.0
    noise_hu: float = math.nan
    blur_in_plane_mm: Measured = _BLUR_NOT_TOLD
    blur_through_plane_mm: Measured = _BLUR_NOT_TOLD
    blur_source: str = "free"
    problems: tuple[Problem, ...] = ()
    others: tuple[str, ...] = ()
    dose: DoseFacts = DoseFacts()

    @property
    def nominal_slice_mm(self) -> float:
        """Slice thickness of the header, mm; where it states none, the distance of the slices."""
        stated = self.slice_thickness_mm
        return stated if stated > 0.0 else self.voxel_mm[2]


@dataclass(frozen=True, slots=True)
class Limit:
    """A part of the uncertainty of the mean width over the shaft: its share of the variance, and in words."""

    part: str
    share_of_variance: float
    words: str = ""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the same raw data, or a calibrated protocol, would reach on the side known less well."""

    change: str
    u95_mm: float
    detection_limit_mm: float


@dataclass(frozen=True, slots=True)
class WouldShow:
    """How often a planted halo would be found on a side of this scan; names as in the result file.

    `shape` is "even", or "one-sided" (over one half of the circumference).
    """

    width_mm: float
    shape: str
    side: str
    found_share: float


@dataclass(frozen=True, slots=True)
class Control:
    """Mean halo width of a side, less that of another side or screw in the same scan.

    Both were seen through the same blur, so the difference is better known than either. `side` and
    `other_side` are "head_side" or "tip_side"; `other_implant` is the id of the other screw, or of the same.
    """

    side: str
    other_implant: str
    other_side: str
    difference: Measured


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A picture cut along or across the screw.

    Parameters
    ----------
    name : str
        "along-zero" (plane of depth and angle 0), "along-quarter" (depth and angle 90), or
        "across" (at the widest halo).
    hu : ndarray of int16, shape (H, W)
        CT numbers; rows run along `down_mm`, columns along `right_mm`.
    right_mm, down_mm : ndarray, shape (W,), (H,)
        Places of the columns and rows in the screw's frame, mm. In cuts along the screw the columns
        are depth and the rows distance from the axis; across it both are distance from the axis.
    edge_words : tuple of str
        Patient directions at the left, right, top and bottom edge.
    at_depth_mm : float
        Depth of a cut across; NaN for cuts along.
    """

    name: str
    hu: NDArray[np.int16]
    right_mm: NDArray[np.float64]
    down_mm: NDArray[np.float64]
    edge_words: tuple[str, str, str, str]
    at_depth_mm: float = math.nan

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """CT number against distance from the thread envelope, averaged over one side.

    Parameters
    ----------
    side : str
        "head_side" or "tip_side".
    distance_mm : ndarray, shape (N,)
        Distance outward from the envelope, mm (negative: inside the screw).
    hu_mean, hu_low, hu_high : ndarray, shape (N,)
        Mean, and 10th and 90th percentile over the cells of the side, HU.
    """

    side: str
    distance_mm: NDArray[np.float64]
    hu_mean: NDArray[np.float64]
    hu_low: NDArray[np.float64]
    hu_high: NDArray[np.float64]

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class ImplantReading:
    """Everything measured on one screw in one CT."""

    id: str
    side: str
    surface: str
    frame: ScrewFrame
    screw: Screw
    halo: Halo
    defect: DefectPlane | None = None
    bridge: Bridge | None = None
    tip_to_cortex_mm: Measured = _NO_CORTEX_FOUND
    limits: tuple[Limit, ...] = ()
    predicted: tuple[Prediction, ...] = ()
    controls: tuple[Control, ...] = ()
    would_show: tuple[WouldShow, ...] = ()
    cuts: tuple[Cut, ...] = ()
    profiles: tuple[Profile, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class DefectReading:
    """A defect that no screw crosses.

    Parameters
    ----------
    side : str
        "left", "right", "midline" or "not established".
    bridge : Bridge
        Gap, edges and bridges.
    bone_hu : Measured
        CT number of the spongy bone on both sides of it.
    cuts : tuple of Cut
        Pictures along the bone through it; the middle of the defect lies at 0 mm.
    course_mm : ndarray, shape (2, 3), optional
        Two ends of a line along the bone, the defect in its middle, patient mm (LPS); the cuts lie along it.
    """

    side: str
    bridge: Bridge
    bone_hu: Measured = _NO_BONE_READ
    cuts: tuple[Cut, ...] = ()
    course_mm: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        lock_arrays(self)


@dataclass(frozen=True, slots=True)
class Provenance:
    """What made a result: version, libraries, settings, digest of the input, seed, time taken."""

    version: str
    libraries: dict[str, str]
    settings: dict[str, Any]
    input_digest: str
    seed: int = 0
    wall_s: float = math.nan


@dataclass(frozen=True, slots=True)
class Source:
    """What identifies a CT; stays in the private ``source.json`` and never in a shareable file."""

    paths: tuple[str, ...] = ()
    series_uid: str = ""
    study_uid: str = ""
    frame_of_reference_uid: str = ""
    patient_id: str = ""
    scan_date: dt.date | None = None
    surgery_date: dt.date | None = None
    measured: str = ""  # when, as ISO 8601 with the distance from UTC


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What one CT gave."""

    scan: ScanFacts
    implants: tuple[ImplantReading, ...]
    findings: tuple[Finding, ...]
    summary: Summary
    provenance: Provenance
    defects: tuple[DefectReading, ...] = ()
    other_metal: tuple[OtherMetal, ...] = ()
    source: Source = field(default_factory=Source)
    corrections: tuple[CorrectionRecord, ...] = ()
    readers: tuple[ReaderValue, ...] = ()
