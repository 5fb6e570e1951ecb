"""The grid that measures defects against known truth: plane, gap, bridges; beside a fixed-threshold reader.

    python tests/benchmarks/bridge_grid.py run --half tuning --cases 40
    python tests/benchmarks/bridge_grid.py report --half tuning
    python tests/benchmarks/bridge_grid.py report --half test --write     # tables of docs/bridging.md

Everything is scanned by the full scanner. Tuning and test half are apart in seeds and in families of
kernels; so is the lot "seen". Scans are kept in the work folder, so that a change of the measuring code
costs no new scan; a row is kept for each case and version of the measuring code, and a report shows one
version alone.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import pickle
import tempfile
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

import ongrowth
from ongrowth.bridge import Bridge, measure_bridge, measure_open_gap
from ongrowth.defect import DefectPlane, between_planes, find_defect, find_open_defect, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Problem, Scan
from ongrowth.screw import Integrity, Screw, ScrewSpec
from ongrowth_phantoms import bone, truth
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scenes import Scene, pars_scene
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
from ongrowth_phantoms.truth import DefectTruth, defect_truth, plane_of_faces

Row = dict[str, Any]
FloatArray = NDArray[np.float64]
PAGE = Path(__file__).parents[2] / "docs" / "bridging.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-bridge-grid"
# Families of kernels, and seeds. "seen" was the test half of an earlier version: worked on since.
FAMILIES = {"tuning": ("hann", "power"), "seen": ("butterworth", "kaiser"), "test": ("sinc", "fermi")}
SEEDS = {"tuning": "bridge/tuning", "seen": "bridge/test", "test": "bridge/later"}
SHARPNESS = {"soft": 0.15, "medium": 0.3, "bone": 0.4, "edge": 0.15}
CONTENTS = ("open", "spurs", "chips", "bridges", "thin bridges", "all of these", "whole")
NOTHING_BRIDGES = ("open", "spurs", "chips")
THRESHOLD_HU = 200.0  # of the fixed-threshold reader: bone above, common practice, no source
AROUND_MM = 14.5
WHOLE = 0.97  # bridged: no plane is left to be seen
START, END = "<!-- table: bridge_grid -->", "<!-- end of table -->"


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
    rng = np.random.default_rng([zlib.crc32(SEEDS[half].encode()), number])
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
    """Return the scan of a case, kept once it is made, and the truth of its defect."""
    kept = work / "scans" / f"{case.id}.pickle"
    scene = case.scene if case.has_screw else case.scene.without_metal()
    true = defect_truth(scene.sites[0])
    assert true is not None
    if kept.exists():
        return pickle.loads(kept.read_bytes())[0], true
    made = scan_full(scene, case.protocol, seed=case.number), true
    kept.parent.mkdir(parents=True, exist_ok=True)
    beside = kept.with_suffix(".part")
    beside.write_bytes(pickle.dumps(made))
    beside.replace(kept)
    return made


def version() -> str:
    """Return a digest of the code that measures, and of what is true."""
    root = Path(ongrowth.__file__).parent
    files = [f for room in ("bridge", "defect") for f in sorted((root / room).glob("*.py"))]
    files += [root / "edge.py", Path(truth.__file__)]
    return hashlib.sha256(b"".join(f.read_bytes() for f in files)).hexdigest()[:8]


def screw_of(case: Case) -> Screw:
    """Return the screw as it was drawn: finding it has a grid of its own."""
    drawn = case.scene.screws[0]
    unknown = Measured.missing(Unit.MM, Caution.NONE)
    return Screw(
        id="screw",
        side="left",
        head_mm=np.array(drawn.head_mm),
        tip_mm=np.array(drawn.real_tip_mm),
        major_diameter_mm=Measured.of(drawn.major_diameter_mm, 0.02, Unit.MM),
        root_diameter_mm=drawn.root_diameter_mm,
        length_mm=Measured.of(drawn.length_mm, 0.1, Unit.MM),
        diameter_source="given",
        integrity=Integrity("no interruption shown", math.nan, math.nan, unknown, unknown),
        spec=ScrewSpec(material=drawn.material),
    )


def measure_case(case: Case, work: Path) -> Row:
    """Return what was found and measured beside the truth, and what the fixed threshold reads."""
    scan, true = scan_of(case, work)
    start = time.perf_counter()
    site = case.scene.sites[0] if case.has_screw else case.scene.without_metal().sites[0]
    true_plane, drawn = plane_of_faces(site), Plane(np.array(true.point_mm), np.array(true.normal))
    assert true_plane is not None
    if case.has_screw:
        screw = screw_of(case)
        frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
        found = find_defect(scan, screw, frame)
        defect = found if isinstance(found, DefectPlane) else given_defect(*_point_normal(true_plane), frame)
        bridge = measure_bridge(scan, screw, frame, defect)
    else:
        rng = np.random.default_rng([case.number, 5])
        seen = find_open_defect(scan, true_plane.point_mm + rng.uniform(-2.0, 2.0, 3))
        if isinstance(seen, Problem):
            frame = ScrewFrame.of(*(true_plane.point_mm + s * 15.0 * true_plane.normal for s in (-1.0, 1.0)))
            found, defect = seen, given_defect(*_point_normal(true_plane), frame)
        else:
            found, frame, defect = seen.defect, seen.frame, seen.defect
        bridge = measure_open_gap(scan, frame, defect)
    row: Row = {
        name: getattr(case, name)
        for name in ("id", "half", "has_screw", "content", "gap_mm", "tilt_deg", "kernel", "slice_mm")
    }
    row |= plane_row(found, true_plane, drawn) | bridge_row(bridge) | threshold_row(case, scan, true_plane)
    row |= {
        "true_sclerosis_mm": case.scene.sites[0].defect.sclerosis_mm,
        "true_bone_hu": case.scene.sites[0].arch.bone_hu,
        "true_sclerotic_hu": case.scene.sites[0].defect.sclerotic_hu,
        "true_tissue_hu": case.scene.sites[0].defect.tissue_hu,
        "true_gap_mm": true.gap_width_mean_mm,
        "true_open_mm": true.gap_width_mean_open_mm,
        "true_max_mm": true.gap_width_max_mm,
        "true_fraction": true.bridged_fraction,
        "true_count": true.bridge_count,
        "true_section_mm2": true.cross_section_mm2,
        "wall_s": round(time.perf_counter() - start, 2),
    }
    return row


def _point_normal(plane: Plane) -> tuple[FloatArray, FloatArray]:
    return plane.point_mm, plane.normal


def plane_row(found: DefectPlane | Problem, true: Plane, drawn: Plane) -> Row:
    """Return how far a plane is from the middle of the faces, and from the plane they were drawn about."""
    if isinstance(found, Problem):
        return {"is_found": False, "is_unsure": True}
    (angle, offset), (from_drawn, aside) = (between_planes(found.plane, one) for one in (true, drawn))
    return {
        "is_found": True,
        "angle_deg": angle,
        "offset_mm": offset,
        "drawn_angle_deg": from_drawn,
        "drawn_offset_mm": aside,
        "n_rivals": len(found.rivals),
        "is_unsure": found.is_unsure,
        "u_angle_deg": found.u_angle_deg,
        "u_offset_mm": found.u_offset_mm,
    }


def bridge_row(bridge: Bridge) -> Row:
    out: Row = {"smallest_mm": bridge.smallest_bridge_shown_mm}
    for name in (
        "gap_width_mean",
        "gap_width_mean_open",
        "gap_width_max",
        "bridged_fraction",
        "bridge_count",
    ):
        value = getattr(bridge, name)
        out |= {
            name: value.value,
            f"{name}_u": value.u,
            f"{name}_low": value.low95,
            f"{name}_high": value.high95,
        }
    out |= {"section_mm2": bridge.cross_section_mm2.value, "tissue_hu": bridge.tissue_hu.value}
    edges = (bridge.head_edge.is_sclerotic, bridge.tip_edge.is_sclerotic)
    out |= {"face_hu": [e.face_hu.value for e in (bridge.head_edge, bridge.tip_edge)]}
    out |= {"behind_hu": [e.behind_hu.value for e in (bridge.head_edge, bridge.tip_edge)]}
    return out | {"edges": [None if e is None else bool(e) for e in edges]}


def threshold_row(case: Case, scan: Scan, plane: Plane) -> Row:
    """Read the gap as a caliper with a fixed threshold would, in the TRUE plane and section."""
    u = np.cross(plane.normal, np.eye(3)[int(np.argmin(np.abs(plane.normal)))])
    u /= np.linalg.norm(u)
    v = np.cross(plane.normal, u)
    side, height = np.arange(-7.0, 7.01, 0.3), np.arange(-6.0, 6.01, 0.1)
    a, b, h = np.meshgrid(side, side, height, indexing="ij")
    places = plane.point_mm + a[..., None] * u + b[..., None] * v + h[..., None] * plane.normal
    hu = ndimage.map_coordinates(
        scan.hu.astype(np.float32), scan.voxels(places.reshape(-1, 3)).T, order=1, cval=-1000.0
    ).reshape(a.shape)
    is_bone = hu > THRESHOLD_HU
    if case.has_screw:
        drawn = case.scene.screws[0]
        radius = ScrewFrame.of(drawn.head_mm, drawn.real_tip_mm).cylindrical(places)[0]
        free = radius[..., height.size // 2] > drawn.major_diameter_mm / 2.0
    else:
        free = np.ones(a.shape[:2], dtype=bool)
    last = np.where(is_bone & (h < 0.0), h, -np.inf).max(axis=-1)
    first = np.where(is_bone & (h > 0.0), h, np.inf).min(axis=-1)
    section = free & np.isfinite(last) & np.isfinite(first) & (np.hypot(*np.meshgrid(side, side)) < 6.5)
    gap = np.maximum(first - last - 0.2, 0.0)[section]
    bridged = gap <= 0.05
    return {
        "threshold_gap_mm": float(gap.mean()) if gap.size else math.nan,
        "threshold_fraction": float(bridged.mean()) if gap.size else math.nan,
    }


def results_of(half: str, work: Path) -> pd.DataFrame:
    """Return the rows of a half, in order, of the version of the code that measured last."""
    file = work / f"{half}.jsonl"
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    newest = [row for row in lines if row.get("version") == lines[-1]["version"]]
    return pd.DataFrame(sorted(newest, key=lambda row: str(row["id"])))


CLASSES: dict[str, Callable[[pd.DataFrame], pd.Series]] = {
    "all": lambda t: t["slice_mm"] > 0.0,
    "slices <= 1.25 mm": lambda t: t["slice_mm"] <= 1.25,
    "- with screw": lambda t: (t["slice_mm"] <= 1.25) & t["has_screw"],
    "- without screw": lambda t: (t["slice_mm"] <= 1.25) & ~t["has_screw"],
    "- gap below 1 mm": lambda t: (t["slice_mm"] <= 1.25) & (t["true_open_mm"] < 1.0),
    "- gap 1 to 2.5 mm": lambda t: (t["slice_mm"] <= 1.25) & t["true_open_mm"].between(1.0, 2.5),
    "- gap above 2.5 mm": lambda t: (t["slice_mm"] <= 1.25) & (t["true_open_mm"] > 2.5),
    "- soft kernel": lambda t: (t["slice_mm"] <= 1.25) & t["kernel"].str.endswith("soft"),
    "- edge-enhancing kernel": lambda t: (t["slice_mm"] <= 1.25) & t["kernel"].str.endswith("edge"),
    "slices 2 to 3 mm": lambda t: t["slice_mm"] > 1.25,
}


def tables(table: pd.DataFrame) -> str:
    """Return the tables of the page."""
    seen = table[(table["true_fraction"] < WHOLE) & (table["content"] != "whole")]
    return "\n\n".join((plane_table(seen), gap_table(table), fraction_table(table), nothing_table(table)))


def plane_table(table: pd.DataFrame) -> str:
    lines = head("plane", "cases", "found", "angle, 95th percentile", "offset, 95th percentile",
                 "within 3° and 0.4 mm", "or said to be unsure or not seen", "said in all",
                 "of the smooth plane", "u95 of angle / offset holds")  # fmt: skip
    for name, rows in classes(table):
        hit = rows[rows["is_found"]]
        near, smooth = (
            (hit[f"{which}angle_deg"] <= 3.0) & (hit[f"{which}offset_mm"] <= 0.4) for which in ("", "drawn_")
        )
        told = rows["is_unsure"].astype(bool)
        right = near.reindex(rows.index, fill_value=False) | told
        held = [(hit[it] <= 1.96 * hit[f"u_{it}"]).mean() for it in ("angle_deg", "offset_mm")]
        angle, offset = (hit[column].quantile(0.95) for column in ("angle_deg", "offset_mm"))
        lines.append(
            f"| {name} | {len(rows)} | {share(rows['is_found'].mean())} | {angle:.1f}° | {offset:.2f} mm "
            f"| {share(near.mean())} | {share(right.mean())} | {share(told.mean())} "
            f"| {share(smooth.mean())} | {share(held[0])} / {share(held[1])} |"
        )
    return "\n".join(lines)


def gap_table(table: pd.DataFrame) -> str:
    lines = head("mean gap, mm", "cases", "answered", "bias", "RMSE", "u95 holds", "median u95",
                 "fixed threshold: bias", "RMSE")  # fmt: skip
    for name, rows in classes(table):
        known = rows[rows["gap_width_mean"].notna()]
        away = known["gap_width_mean"] - known["true_gap_mm"]
        held = known["true_gap_mm"].between(known["gap_width_mean_low"], known["gap_width_mean_high"])
        other = (known["threshold_gap_mm"] - known["true_gap_mm"]).dropna()
        lines.append(
            f"| {name} | {len(rows)} | {share(len(known) / len(rows))} "
            f"| {away.mean():+.2f} | {rms(away):.2f} | {share(held.mean())} "
            f"| {1.96 * known['gap_width_mean_u'].median():.2f} "
            f"| {other.mean():+.2f} | {rms(other):.2f} |"
        )
    return "\n".join(lines)


def fraction_table(table: pd.DataFrame) -> str:
    lines = head("bridged, points", "cases", "bias", "RMSE", "u95 holds", "median u95",
                 "fixed threshold: bias", "RMSE")  # fmt: skip
    for name, rows in classes(table):
        known = rows[rows["bridged_fraction"].notna()]
        away = 100.0 * (known["bridged_fraction"] - known["true_fraction"])
        held = known["true_fraction"].between(
            known["bridged_fraction_low"] - 1e-9, known["bridged_fraction_high"] + 1e-9
        )
        other = 100.0 * (known["threshold_fraction"] - known["true_fraction"]).dropna()
        lines.append(
            f"| {name} | {len(known)} | {away.mean():+.1f} | {rms(away):.1f} | {share(held.mean())} "
            f"| {196 * known['bridged_fraction_u'].median():.1f} | {other.mean():+.1f} | {rms(other):.1f} |"
        )
    return "\n".join(lines)


def nothing_table(table: pd.DataFrame) -> str:
    """What is read where nothing bridges: a spur, chip or thin slit that is counted is a false bridge."""
    lines = head("nothing bridges", "cases", "a bridge is read in", "largest share read",
                 "fixed threshold: in", "largest")  # fmt: skip
    none = table[(table["true_fraction"] == 0.0) & table["bridged_fraction"].notna()]
    for content in NOTHING_BRIDGES:
        for name, rows in classes(
            none[none["content"] == content], ("slices <= 1.25 mm", "slices 2 to 3 mm")
        ):
            ours, other = rows["bridged_fraction"], rows["threshold_fraction"].dropna()
            lines.append(
                f"| {content}, {name} | {len(rows)} | {int((ours > 0).sum())} | {share(ours.max())} "
                f"| {int((other > 0.005).sum())} | {share(other.max())} |"
            )
    return "\n".join(lines)


def head(*names: str) -> list[str]:
    return [f"| {' | '.join(names)} |", "|---" * len(names) + "|"]


def classes(table: pd.DataFrame, names: Iterable[str] = tuple(CLASSES)) -> Iterator[tuple[str, pd.DataFrame]]:
    for name in names:
        rows = table[CLASSES[name](table)]
        if len(rows):
            yield name, rows


def share(value: float) -> str:
    return f"{100.0 * value:.0f} %"


def rms(values: pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else math.nan


@click.group(help=__doc__)
def cli() -> None:
    pass


half_option = click.option("--half", type=click.Choice(list(FAMILIES)), default="tuning", show_default=True)
work_option = click.option(
    "--work", type=click.Path(path_type=Path), default=WORK, show_default=True, help="Scans and results."
)


@cli.command()
@half_option
@click.option("--cases", default=40, show_default=True)
@click.option("--first", default=0, show_default=True)
@click.option("--kept-only", is_flag=True, help="Only cases whose scan is there already.")
@work_option
def run(half: str, cases: int, first: int, kept_only: bool, work: Path) -> None:
    """Scan and measure cases; one line of JSON each."""
    work.mkdir(parents=True, exist_ok=True)
    rows, this = work / f"{half}.jsonl", version()
    lines = rows.read_text(encoding="utf-8").splitlines() if rows.exists() else []
    done = {row["id"] for row in map(json.loads, lines) if row.get("version") == this}
    for number in range(first, first + cases):
        case = draw_case(half, number)
        if case.id in done or (kept_only and not (work / "scans" / f"{case.id}.pickle").exists()):
            continue
        row = measure_case(case, work) | {"version": this}
        with rows.open("a", encoding="utf-8") as out:
            out.write(json.dumps(row) + "\n")
        click.echo(f"{case.id}: gap {row['gap_width_mean']:.2f} of {row['true_gap_mm']:.2f} mm", err=True)


@cli.command()
@half_option
@click.option("--write", is_flag=True, help="Into docs/bridging.md.")
@work_option
def report(half: str, write: bool, work: Path) -> None:
    """Print the tables of a half, or write them into the page."""
    told = tables(results_of(half, work))
    if not write:
        click.echo(told)
        return
    page = PAGE.read_text(encoding="utf-8")
    before, rest = page.split(START, 1)
    after = rest.split(END, 1)[1]
    PAGE.write_text(f"{before}{START}\n{told}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    cli()
