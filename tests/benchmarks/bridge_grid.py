"""The grid that measures defects against known truth: plane, gap, bridges; beside a fixed-threshold reader.

    python tests/benchmarks/bridge_grid.py run --half tuning --cases 40
    python tests/benchmarks/bridge_grid.py report --half tuning
    python tests/benchmarks/bridge_grid.py report --half test --write     # tables of docs/bridging.md

Everything is scanned by the full scanner. Tuning and test half are apart in seeds and in families of
kernels. Scans are kept in the work folder, so that a change of the measuring code costs no new scan.
"""

from __future__ import annotations

import dataclasses
import math
import pickle
import tempfile
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ongrowth.scan import Scan
from ongrowth_phantoms import bone
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scenes import Scene, pars_scene
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
from ongrowth_phantoms.truth import DefectTruth, defect_truth

FloatArray = NDArray[np.float64]
PAGE = Path(__file__).parents[2] / "docs" / "bridging.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-bridge-grid"
FAMILIES = {"tuning": ("hann", "power"), "test": ("butterworth", "kaiser")}
SHARPNESS = {"soft": 0.15, "medium": 0.3, "bone": 0.4, "edge": 0.15}
CONTENTS = ("open", "spurs", "chips", "bridges", "thin bridges", "all of these", "whole")
NOTHING_BRIDGES = ("open", "spurs", "chips")
THRESHOLD_HU = 200.0  # of the fixed-threshold reader: bone above, common practice, no source
AROUND_MM = 14.5


@dataclasses.dataclass(frozen=True)
class Case:
    """One draw: what lies in the defect and how it is scanned."""

    id: str
    half: str
    number: int
    has_screw: bool
    content: str
    gap_mm: float
    tilt_deg: float
    kernel: str
    slice_mm: float
    scene: Scene
    protocol: FullProtocol

    @property
    def is_thin(self) -> bool:
        return self.slice_mm <= 1.25


def draw_case(half: str, number: int) -> Case:
    """Return a case: the same half and number always give the same one; every third has no screw."""
    rng = np.random.default_rng([zlib.crc32(f"bridge/{half}".encode()), number])
    has_screw = number % 3 != 2
    content = str(rng.choice(CONTENTS, p=[0.2, 0.18, 0.14, 0.18, 0.12, 0.12, 0.06]))
    gap = float(rng.uniform(0.5, 6.0)) if rng.random() < 0.5 else float(rng.uniform(0.5, 2.5))
    tilt = float(rng.uniform(0.0, 40.0))
    child = bool(rng.random() < 0.25)
    defect = drawn_defect(rng, content, gap, tilt, has_screw=has_screw)
    scene = pars_scene(
        int(rng.integers(1, 2**31)),
        halo=HaloField("even", mean_mm=float(rng.choice([0.0, rng.uniform(0.2, 1.5)]))),
        defect=defect,
        child=child,
        bone_hu=float(rng.uniform(200, 420)),
    )
    family, sharpness = rng.choice(FAMILIES[half]), rng.choice(list(SHARPNESS), p=list(SHARPNESS.values()))
    kernel = f"{family}-{sharpness}"
    step = float(rng.choice([0.6, 0.75, 1.0, 1.25, 2.0, 3.0], p=[0.27, 0.27, 0.18, 0.12, 0.08, 0.08]))
    protocol = FullProtocol(
        kernel,
        kvp=float(rng.choice([80.0, 100.0, 120.0, 140.0])),
        dose_mgy=float(rng.uniform(4.0, 16.0)),
        pixel_mm=float(rng.uniform(0.28, 0.5)),
        slice_mm=step,
        n_views=300,  # plenty for so small a field
        clip_hu=3071.0 if rng.random() < 0.5 else None,
    )
    protocol = framed(scene, protocol)
    name = f"{half}-{number:03d}"
    return Case(name, half, number, has_screw, content, gap, tilt, kernel, step, scene, protocol)


def drawn_defect(
    rng: np.random.Generator, content: str, gap_mm: float, tilt_deg: float, *, has_screw: bool
) -> bone.Defect:
    tilt, turn = math.radians(tilt_deg), rng.uniform(0, 2 * np.pi)
    normal = (math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), math.cos(tilt))
    is_dense = rng.random() < 0.6
    return bone.Defect(
        (0.0, 0.0, float(rng.uniform(-1.5, 1.5))),
        normal,
        gap_mm=gap_mm,
        roughness_mm=float(rng.uniform(0.05, 0.3)),
        wedge_deg=float(np.clip(rng.normal(0.0, 4.0), -8.0, 8.0)) * min(1.0, gap_mm / 2.0),
        bridges=drawn_bridges(rng, content, has_screw=has_screw),
        bridge_hu=float(rng.uniform(480, 800)),
        sclerosis_mm=float(rng.uniform(0.5, 1.2)) if is_dense else 0.0,
        sclerotic_hu=float(rng.uniform(700, 1100)),
        tissue_hu=float(rng.uniform(40, 100)),
        seed=int(rng.integers(1, 1_000_000)),
    )


def drawn_bridges(rng: np.random.Generator, content: str, *, has_screw: bool) -> tuple[bone.Bridge, ...]:
    """Return what stands or floats in the gap, each beside the screw."""

    def at() -> tuple[float, float]:
        away = rng.uniform(2.4 if has_screw else 0.0, 4.2)
        angle = rng.uniform(0, 2 * np.pi)
        return float(away * math.cos(angle)), float(away * math.sin(angle))

    def several(most: int, wide: tuple[float, float], *, reach: str, chip: bool = False) -> list[bone.Bridge]:
        out = []
        for _ in range(int(rng.integers(1, most + 1))):
            span = 1.0 if reach == "whole" else float(rng.uniform(0.3, 0.8)) * rng.choice([-1, 1])
            out.append(bone.Bridge(*at(), float(rng.uniform(*wide)), span, chip))
        return out

    if content == "open":
        return ()
    if content == "whole":
        return (bone.Bridge(0.0, 0.0, 40.0),)
    out: list[bone.Bridge] = []
    if content in ("spurs", "all of these"):
        out += several(4, (1.5, 4.0), reach="part")
    if content in ("chips", "all of these"):
        out += several(3, (1.5, 3.0), reach="part", chip=True)
    if content in ("bridges", "all of these"):
        out += several(3, (2.0, 6.0), reach="whole")
    if content == "thin bridges":
        out += several(4, (0.8, 2.0), reach="whole")
    return tuple(out)


def framed(scene: Scene, protocol: FullProtocol) -> FullProtocol:
    """Return the protocol with a small field round the defect: the oblique shaft runs through it."""
    centre = scene.sites[0].plane().point_mm
    size = (2.0 * AROUND_MM,) * 3
    return dataclasses.replace(protocol, size_mm=size, centre_mm=tuple(map(float, centre)))


def scan_of(case: Case, work: Path) -> tuple[Scan, DefectTruth]:
    """Return the scan of a case and the truth of its defect, kept once they are made."""
    kept = work / "scans" / f"{case.id}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    scene = case.scene if case.has_screw else case.scene.without_metal()
    made = scan_full(scene, case.protocol, seed=case.number), defect_truth(scene.sites[0])
    kept.parent.mkdir(parents=True, exist_ok=True)
    beside = kept.with_suffix(".part")
    beside.write_bytes(pickle.dumps(made))
    beside.replace(kept)
    return made
