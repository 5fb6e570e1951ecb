"""Draw random phantoms, find their screws, and print how far from the truth they were found.

    python tests/benchmarks/screw_grid.py [--draws N] [--cache DIR] [--only CLASS] [--write]

`--write` puts the table into docs/screw.md after each draw. `--cache` keeps the drawn scans, which take most
of the time, and what was found in them by this very code: a run that was stopped goes on there.
"""

from __future__ import annotations

import argparse
import dataclasses
import functools
import hashlib
import json
import math
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

import ongrowth.screw
from ongrowth.geometry import unit
from ongrowth.scan import Acquisition, Refused, Scan
from ongrowth.screw import Metalwork, ScrewSpec, find_screws
from ongrowth_phantoms.grid.table import markdown
from ongrowth_phantoms.implants import PhantomScrew, Point, Rod
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, pars_scene
from ongrowth_phantoms.tomograph import FullProtocol, scan_full

Protocol = TypeVar("Protocol", FastProtocol, FullProtocol)
NOWHERE: tuple[Point, Point] = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
PAGE = Path(__file__).parents[2] / "docs" / "screw.md"
START, END = "<!-- table: screw_grid -->", "<!-- end of table -->"


@dataclasses.dataclass(frozen=True)
class Case:
    """One draw: what lies there, how it is scanned, what the user tells."""

    name: str
    scene: Scene
    protocol: FastProtocol | FullProtocol
    is_told: bool = False


def pattern(rng: np.random.Generator, **changes: object) -> PhantomScrew:
    major = float(rng.choice([3.5, 4.0, 4.5, 5.0, 5.5, 6.5]))
    sizes: dict[str, object] = {
        "major_diameter_mm": major,
        "root_diameter_mm": major * rng.uniform(0.7, 0.8),
        "pitch_mm": rng.uniform(1.2, 2.2),
        "taper_mm": rng.uniform(2.0, 5.0),
        "head_diameter_mm": major + rng.uniform(1.6, 3.5),
        "head_height_mm": rng.uniform(2.0, 4.0),
    }
    return PhantomScrew(*NOWHERE, **(sizes | changes))  # type: ignore[arg-type]


def protocol(rng: np.random.Generator, **changes: object) -> FastProtocol:
    step = float(rng.choice([0.6, 0.8, 1.0, 1.25]))
    facts: dict[str, object] = {
        "pixel_mm": rng.uniform(0.28, 0.5),
        "slice_mm": step,
        "slice_fwhm_mm": step * rng.uniform(1.1, 1.4),
        "in_plane_fwhm_mm": rng.uniform(0.6, 1.1),
        "noise_hu": rng.uniform(20.0, 70.0),
        "clip_hu": None,
    }
    return FastProtocol(**(facts | changes))  # type: ignore[arg-type]


def framed(scene: Scene, seen: Protocol, turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Protocol:
    """The protocol with a field of all screws, wires and pieces and 9 mm round them; rods may leave it."""
    seen = dataclasses.replace(seen, turn_deg=turn_deg)
    wires = [p for r in scene.other_metal if r.kind != "rod" for p in r.points_mm]
    ends = np.array([p for s in scene.screws for p in (s.head_mm, s.real_tip_mm)] + wires)
    placed = ends @ seen.field_of_view().axes()
    middle = seen.field_of_view().axes() @ (placed.min(axis=0) + placed.max(axis=0)) / 2.0
    span = np.ptp(placed, axis=0) + 18.0
    size, centre = (tuple(float(v) for v in values) for values in (span, middle))
    return dataclasses.replace(seen, size_mm=size, centre_mm=centre)


def turned_to(scene: Scene, rng: np.random.Generator, from_normal_deg: float) -> tuple[float, float, float]:
    """A turn of the stack that lays the slice normal at an angle to the first screw."""
    screw = scene.screws[0]
    axis = unit(np.subtract(screw.tip_mm, screw.head_mm))
    aside = unit(np.cross(axis, rng.normal(size=3)))
    tilt = np.radians(from_normal_deg)
    normal = np.cos(tilt) * axis + np.sin(tilt) * aside
    turn, _ = Rotation.align_vectors(normal[None], np.array([[0.0, 0.0, 1.0]]))
    return tuple(float(v) for v in np.degrees(turn.as_rotvec()))  # type: ignore[return-value]


def beside(scene: Scene, rng: np.random.Generator) -> tuple[Rod, ...]:
    """A rod, a wire and a short piece near the first screw, at 7 to 12 mm from it."""
    screw = scene.screws[0]
    axes = screw.axes
    middle = np.array(screw.head_mm) + 0.5 * screw.length_mm * axes[:, 2]
    start = rng.uniform(0, 2 * np.pi)
    parts = []
    for k, (kind, wide, long) in enumerate((("rod", 5.5, 40.0), ("wire", 1.0, 22.0), ("piece", 1.2, 5.0))):
        angle = start + 2.1 * k
        away = np.cos(angle) * axes[:, 0] + np.sin(angle) * axes[:, 1]
        course = unit(axes[:, 2] + 0.2 * rng.normal(size=3))
        course = course - (course @ away) * away  # runs past the screw, not into it
        place = middle + rng.uniform(9.0, 12.0) * away
        ends = place - 0.5 * long * course, place + 0.5 * long * course
        parts.append(Rod(tuple(tuple(float(v) for v in p) for p in ends), wide, kind=kind))  # type: ignore[misc]
    return tuple(parts)


def plain(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    return Case("titanium", scene, framed(scene, protocol(rng)))


def clipped(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    return Case("clipped at 3071", scene, framed(scene, protocol(rng, clip_hu=3071.0)))


def steel(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng, material="steel"))
    return Case("steel", scene, framed(scene, protocol(rng, clip_hu=clip)))


def thick(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng))
    seen = protocol(rng, slice_mm=3.0, slice_fwhm_mm=3.0, clip_hu=clip)
    return Case("3 mm slices", scene, framed(scene, seen))


def smooth(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    clip = 3071.0 if seed % 2 else None
    return Case("smooth kernel", scene, framed(scene, protocol(rng, in_plane_fwhm_mm=1.3, clip_hu=clip)))


def sharp(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    clip = 3071.0 if seed % 2 else None
    kernel = {"in_plane_fwhm_mm": 0.6, "edge_enhancement": rng.uniform(1.0, 2.5), "noise_hu": 80.0}
    return Case("edge-enhancing kernel", scene, framed(scene, protocol(rng, clip_hu=clip, **kernel)))


def pair(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng), n_screws=2)
    seen = protocol(rng, clip_hu=clip, pixel_mm=0.45)
    return Case("two screws", scene, framed(scene, seen))


def crowded(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng))
    scene = dataclasses.replace(scene, other_metal=beside(scene, rng))
    return Case("rod, wire, piece beside", scene, framed(scene, protocol(rng, clip_hu=clip)))


def partly(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    start = rng.uniform(14.0, 24.0)
    scene = pars_scene(seed, screw=pattern(rng, thread_start_mm=start))
    return Case("partly threaded", scene, framed(scene, protocol(rng, clip_hu=clip)))


def cannulated(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(
        seed, screw=pattern(rng, major_diameter_mm=4.5, cannula_diameter_mm=rng.uniform(1.2, 1.5))
    )
    return Case("cannulated", scene, framed(scene, protocol(rng, clip_hu=clip)))


def lying(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng))
    turn = turned_to(scene, rng, 90.0 - rng.uniform(0.0, 6.0))
    return Case("in the slice plane", scene, framed(scene, protocol(rng, clip_hu=clip), turn))


def standing(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng))
    turn = turned_to(scene, rng, rng.uniform(0.0, 6.0))
    return Case("square to the slices", scene, framed(scene, protocol(rng, clip_hu=clip), turn))


def headless(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    made = pattern(rng)
    made = dataclasses.replace(made, head_diameter_mm=made.major_diameter_mm, head_height_mm=0.05)
    scene = pars_scene(seed, screw=made)
    return Case("no head", scene, framed(scene, protocol(rng, clip_hu=clip)))


def broken(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    made = pattern(rng, break_depth_mm=rng.uniform(14.0, 26.0), break_gap_mm=rng.uniform(0.5, 2.0))
    scene = pars_scene(seed, screw=made)
    return Case("broken, 0.5 to 2 mm", scene, framed(scene, protocol(rng, clip_hu=clip)))


def bent(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    made = pattern(
        rng,
        bend_depth_mm=rng.uniform(15, 25),
        bend_deg=rng.uniform(2.5, 9),
        bend_angle_deg=rng.uniform(0, 360),
    )
    scene = pars_scene(seed, screw=made)
    return Case("bent, 2.5 to 9 degrees", scene, framed(scene, protocol(rng, clip_hu=clip)))


def told(seed: int, rng: np.random.Generator) -> Case:
    clip = 3071.0 if seed % 2 else None
    scene = pars_scene(seed, screw=pattern(rng))
    return Case("sizes told", scene, framed(scene, protocol(rng, clip_hu=clip)), is_told=True)


def full_protocol(rng: np.random.Generator, seed: int) -> FullProtocol:
    """The polychromatic scanner: hardening, streaks, scatter, photon noise."""
    slice_mm = float(rng.choice([0.6, 0.75, 1.0, 1.25]))
    kernel = str(
        rng.choice(
            ["hann-soft", "hann-medium", "hann-bone", "power-medium", "kaiser-bone", "butterworth-edge"]
        )
    )
    clip = 3071.0 if seed % 2 else None
    return FullProtocol(
        kernel=kernel, kvp=float(rng.choice([100.0, 120.0])), slice_mm=slice_mm, pixel_mm=0.4, clip_hu=clip
    )


def full_titanium(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    return Case("full scanner, titanium", scene, framed(scene, full_protocol(rng, seed)))


def full_steel(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng, material="steel"))
    return Case("full scanner, steel", scene, framed(scene, full_protocol(rng, seed)))


def full_lying(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    turn = turned_to(scene, rng, 90.0 - rng.uniform(0.0, 15.0))
    return Case("full scanner, in the slice plane", scene, framed(scene, full_protocol(rng, seed), turn))


def full_crowded(seed: int, rng: np.random.Generator) -> Case:
    scene = pars_scene(seed, screw=pattern(rng))
    scene = dataclasses.replace(scene, other_metal=beside(scene, rng))
    return Case("full scanner, rod, wire, piece beside", scene, framed(scene, full_protocol(rng, seed)))


CLASSES: tuple[Callable[[int, np.random.Generator], Case], ...] = (
    plain, clipped, steel, thick, smooth, sharp, pair, crowded, partly, cannulated, lying, standing, headless,
    broken, bent, told, full_titanium, full_steel, full_lying, full_crowded,
)  # fmt: skip


def cases(draws: int, only: str = "") -> Iterator[tuple[str, Callable[[], Case]]]:
    """Yield a key and a maker of each case, one of every class before the next of any."""
    for n in range(draws):
        for k, make in enumerate(CLASSES):
            if only and make.__name__ not in only.split(","):
                continue
            seed = 1000 * (k + 1) + n
            yield f"{make.__name__}-{n}", lambda make=make, seed=seed: make(seed, np.random.default_rng(seed))


def specs_of(case: Case) -> tuple[ScrewSpec, ...]:
    if not case.is_told:
        return ()
    return tuple(
        ScrewSpec(
            id=f"screw-{k}",
            major_diameter_mm=s.major_diameter_mm,
            root_diameter_mm=s.root_diameter_mm,
            pitch_mm=s.pitch_mm,
            length_mm=s.length_mm,
        )
        for k, s in enumerate(case.scene.screws)
    )


def rows_of(key: str, case: Case, scan: Scan) -> Iterator[dict[str, object]]:
    """Yield one row per true screw."""
    started = time.perf_counter()
    try:
        found = find_screws(scan, specs_of(case))
    except Refused as error:
        yield {"class": case.name, "key": key, "is_found": False, "why": error.problems[0].code}
        return
    seconds = time.perf_counter() - started
    for k, truth in enumerate(case.scene.screws):
        yield {"class": case.name, "key": key, "seconds": seconds} | _row(found, truth, k, case)


def _row(found: Metalwork, truth: PhantomScrew, k: int, case: Case) -> dict[str, object]:
    head, tip = np.array(truth.head_mm), truth.real_tip_mm
    middle = (head + tip) / 2.0
    near = min(found.screws, key=lambda s: float(np.linalg.norm((s.head_mm + s.tip_mm) / 2.0 - middle)))
    axis = unit(tip - head)
    seen = unit(near.tip_mm - near.head_mm)
    is_turned = float(seen @ axis) < 0.0
    counts = (len(found.screws), len(found.other)) == (len(case.scene.screws), len(case.scene.other_metal))
    side = {2: ("left", "right")[k], 1: "left"}[len(case.scene.screws)]
    kinds = sorted(o.kind for o in found.other) == sorted(o.kind for o in case.scene.other_metal)
    return {
        "is_found": True,
        "is_turned": is_turned,
        "axis_deg": _across_deg(seen, axis),
        "axis_in": _across_deg(seen, axis) < 2.45 * near.axis_u_deg,
        "axis_u_deg": near.axis_u_deg,
        "length_in": near.length_mm.low95 <= float(np.linalg.norm(tip - head)) <= near.length_mm.high95,
        "lateral_mm": max(_lateral(near.head_mm, head, axis), _lateral(near.tip_mm, tip, axis)),
        "head_mm": float((near.head_mm - head) @ axis),
        "tip_mm": float((near.tip_mm - tip) @ axis),
        "major_mm": near.major_diameter_mm.value - truth.major_diameter_mm,
        "major_in": near.major_diameter_mm.low95 <= truth.major_diameter_mm <= near.major_diameter_mm.high95,
        "major_u_mm": near.major_diameter_mm.u,
        "side_ok": near.side == side,
        "side_wrong": near.side not in (side, "not established"),
        "counts_ok": counts,
        "kinds_ok": kinds,
        "state": near.integrity.state,
        "state_ok": near.integrity.state == _true_state(truth),
        "gap_mm": near.integrity.interruption_mm.value,
        "gap_true_mm": truth.break_gap_mm,
        "smallest_mm": near.integrity.smallest_shown_mm,
        "bend_deg": near.integrity.bend_deg.value,
        "bend_u_deg": near.integrity.bend_deg.u,
        "bend_true_deg": truth.bend_deg,
    }


def _across_deg(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return math.degrees(math.acos(min(abs(float(a @ b)), 1.0)))


def _true_state(truth: PhantomScrew) -> str:
    if math.isfinite(truth.break_depth_mm):
        return "interrupted"
    return "bent" if truth.is_bent else "no interruption shown"


def _lateral(point: NDArray[np.float64], truth: NDArray[np.float64], axis: NDArray[np.float64]) -> float:
    away = point - truth
    return float(np.linalg.norm(away - (away @ axis) * axis))


def scanned(case: Case) -> Scan:
    if isinstance(case.protocol, FullProtocol):
        return scan_full(case.scene, case.protocol, seed=1)
    return scan_fast(case.scene, case.protocol, seed=1)


def scan_of(key: str, case: Case, cache: Path | None) -> Scan:
    """Scan a case, or take it from the cache."""
    if cache is None:
        return scanned(case)
    kept = cache / f"{key}.npz"
    if not kept.exists():
        scan = scanned(case)
        np.savez_compressed(kept, hu=scan.hu, affine=scan.world_from_voxel, ceiling=scan.hu_ceiling)
    stored = np.load(kept)
    return Scan(
        stored["hu"],
        stored["affine"],
        Acquisition(kvp=case.protocol.kvp),
        hu_ceiling=float(stored["ceiling"]),
    )


def known_rows(key: str, make: Callable[[], Case], cache: Path | None) -> list[dict[str, object]]:
    """Rows of a case; those this very code has made before are taken from the cache."""
    if cache is None:
        case = make()
        return list(rows_of(key, case, scan_of(key, case, cache)))
    kept = cache / f"{key}-{measuring_code()}.json"
    if not kept.exists():
        case = make()
        rows = list(rows_of(key, case, scan_of(key, case, cache)))
        kept.write_text(json.dumps(rows, default=np.generic.item), encoding="utf-8")
    return list(json.loads(kept.read_text(encoding="utf-8")))


@functools.cache
def measuring_code() -> str:
    """Digest of what finds screws, and of this script."""
    folder = Path(ongrowth.screw.__file__).parent
    files = [*sorted(folder.glob("*.py")), folder.parent / "geometry.py", Path(__file__)]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line per class: worst of each error, shares that were right."""
    lines = []
    for name, part in table.groupby("class", sort=False):
        seen = part[part.is_found]
        lines.append(
            {
                "class": name,
                "screws": len(part),
                "found": f"{seen.shape[0]}",
                "all metal named": f"{int((seen.counts_ok & seen.kinds_ok).sum())}",
                "axis deg, median (max)": _spread(seen.axis_deg),
                "beside the axis mm": _spread(seen.lateral_mm),
                "head end mm": _spread(seen.head_mm.abs()),
                "tip mm": _spread(seen.tip_mm.abs()),
                "axis, length inside their 95 %": f"{int(seen.axis_in.sum())}, {int(seen.length_in.sum())}",
                "outer diameter mm, RMSE": f"{math.sqrt((seen.major_mm**2).mean()):.2f}",
                "inside its 95 %": f"{int(seen.major_in.sum())}",
                "side right / wrong": f"{int(seen.side_ok.sum())} / {int(seen.side_wrong.sum())}",
                "integrity right": f"{int(seen.state_ok.sum())}",
                "head and tip swapped": f"{int(seen.is_turned.sum())}",
                "s": f"{seen.seconds.median():.1f}",
            }
        )
    return pd.DataFrame(lines)


def _spread(values: pd.Series) -> str:
    return f"{values.median():.2f} ({values.max():.2f})"


def write_page(text: str) -> None:
    page = PAGE.read_text(encoding="utf-8")
    before, rest = page.split(START)
    PAGE.write_text(f"{before}{START}\n{text}{END}{rest.split(END)[1]}", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=5, help="per class")
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--only", default="")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--each", action="store_true", help="print every screw")
    given = parser.parse_args()
    if given.cache:
        given.cache.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, object]] = []
    for key, make in cases(given.draws, given.only):
        rows += known_rows(key, make, given.cache)
        if given.write:
            write_page(markdown(summary(pd.DataFrame(rows))))
    table = pd.DataFrame(rows)
    if given.each:
        print(table.round(3).to_string())  # noqa: T201
    print(markdown(summary(table)))  # noqa: T201


if __name__ == "__main__":
    main()
