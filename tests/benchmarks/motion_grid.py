"""Motion and new bone between two CTs against known truth, on serial phantoms of the full scanner.

    python tests/benchmarks/motion_grid.py draw --half test --cases 20     draws and keeps the scans
    python tests/benchmarks/motion_grid.py run --half test --cases 20      measures every pair of visits
    python tests/benchmarks/motion_grid.py beside --half test --cases 20   SimpleITK on the same bone; memory
    python tests/benchmarks/motion_grid.py report --half test [--write]    tables; --write fills the pages

Scans and records are kept in the work folder; a pair that has a record of this version of the code is not
measured again.
"""

from __future__ import annotations

import functools
import hashlib
import itertools
import json
import math
import pickle
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd

import ongrowth
from ongrowth.defect import DefectPlane, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.motion import Motion, Registered, ScrewMotion, measure_motion
from ongrowth.newbone import measure_new_bone
from ongrowth.scan import Refused, Scan
from ongrowth.screw import Screw, ScrewSpec, find_screws
from ongrowth_phantoms.grid.serial import VISITS, Visit, draw_visits
from ongrowth_phantoms.tomograph import scan_full
from ongrowth_phantoms.truth import motion_between, new_bone

sys.path.insert(0, str(Path(__file__).parents[1]))

from second_registration import put_off, registered_by_itk  # lies beside the tests

DOCS = Path(__file__).parents[2] / "docs"
WORK = Path(tempfile.gettempdir()) / "ongrowth-motion"
PAIRS = (*itertools.combinations(range(len(VISITS) - 1), 2), (0, len(VISITS) - 1))
STILL = RigidTransform.identity()

work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)
half_option = click.option("--half", type=click.Choice(["tuning", "test"]), default="tuning")
cases_option = click.option("--cases", default=8, show_default=True)
first_option = click.option("--first", default=0, show_default=True)


@click.group(help=__doc__)
def cli() -> None:
    pass


@cli.command()
@half_option
@cases_option
@first_option
@work_option
def draw(half: str, cases: int, first: int, work: Path) -> None:
    """Draw the scans."""
    for number in range(first, first + cases):
        for visit in draw_visits(half, number):
            scan_of(visit, half, number, work)


def scan_of(visit: Visit, half: str, number: int, work: Path) -> Scan:
    """Return a scan from the work folder, drawn if it is not there."""
    kept = work / f"{half}-{number:03d}-{visit.name}.pkl"
    if not kept.exists():
        work.mkdir(parents=True, exist_ok=True)
        scan = scan_full(visit.scene, visit.protocol, seed=visit.seed)
        kept.with_suffix(".tmp").write_bytes(
            pickle.dumps(
                {
                    "hu": scan.hu,
                    "affine": scan.world_from_voxel,
                    "ceiling": scan.hu_ceiling,
                    "share": scan.ceiling_share,
                    "acq": scan.acquisition,
                }
            )
        )
        kept.with_suffix(".tmp").rename(kept)
        click.echo(kept.name, err=True)
    d = pickle.loads(kept.read_bytes())
    return Scan(d["hu"], d["affine"], d["acq"], hu_ceiling=d["ceiling"], ceiling_share=d["share"])


@cli.command()
@half_option
@cases_option
@first_option
@click.option("--pairs", default=len(PAIRS), help="How many of the pairs of visits.")
@click.option("--without-bone", is_flag=True, help="Leave out new bone.")
@work_option
def run(half: str, cases: int, first: int, pairs: int, work: Path, *, without_bone: bool) -> None:
    """Measure pairs of visits whose scans are there."""
    records = work / f"records-{half}.jsonl"
    done = {(r["number"], r["pair"]) for r in read_records(records, version())}
    for number in range(first, first + cases):
        visits = draw_visits(half, number)
        for a, b in PAIRS[:pairs]:
            pair = f"{VISITS[a]}-{VISITS[b]}"
            if (number, pair) in done:
                continue
            record = measure_pair(visits[a], visits[b], half, number, work, with_bone=not without_bone)
            record |= {"version": version(), "half": half, "number": number, "pair": pair}
            with records.open("a", encoding="utf-8") as out:
                out.write(json.dumps(record) + "\n")
            click.echo(f"{half} {number} {pair} {record.get('seconds', record.get('refused'))}", err=True)


@cli.command()
@half_option
@cases_option
@first_option
@work_option
def beside(half: str, cases: int, first: int, work: Path) -> None:
    """Register again, by SimpleITK on the bone found, from 0.8 mm off; and take the memory of a pair."""
    records = work / f"beside-{half}.jsonl"
    done = {(r["number"], r["pair"]) for r in read_records(records, version())}
    for number in range(first, first + cases):
        visits = draw_visits(half, number)
        for a, b in ((0, k) for k in range(1, len(VISITS))):
            pair = f"{VISITS[a]}-{VISITS[b]}"
            if (number, pair) in done:
                continue
            record = beside_pair(visits[a], visits[b], half, number, work)
            record |= {"version": version(), "half": half, "number": number, "pair": pair}
            with records.open("a", encoding="utf-8") as out:
                out.write(json.dumps(record) + "\n")
            click.echo(f"{half} {number} {pair} {record.get('peak_mb', '')}", err=True)


def beside_pair(a: Visit, b: Visit, half: str, number: int, work: Path) -> dict[str, Any]:
    """Return the errors of both ways to register, and the memory ours takes."""
    scans = [scan_of(v, half, number, work) for v in (a, b)]
    try:
        screws = [screw_of(v, half, number, work) for v in (a, b)]
    except Refused as refused:
        return {"refused": str(refused.problems[0].code)}
    frame = ScrewFrame.of(screws[0].head_mm, screws[0].tip_mm)
    tracemalloc.start()
    found = measure_motion(*scans, *screws, plane_of(a, frame, number))
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    bodies = []
    for body, part, own, far in bodies_of(found, frame):
        if body is None:
            continue
        true = fragment_motion(a, b, part)
        start = put_off(body.earlier_from_later.inverse(), body.places_mm)
        theirs = registered_by_itk(*scans, body.places_mm, start).inverse()
        both = (("ours", body.earlier_from_later), ("theirs", theirs))
        bodies.append({name: pose_errors(pose, true, own, far) for name, pose in both})
    return {"peak_mb": round(peak, 1), "bodies": bodies}


def version() -> str:
    """Return a digest of the code that measures."""
    root = Path(ongrowth.__file__).parent
    parts = [p for name in ("motion", "newbone") for p in sorted((root / name).glob("*.py"))]
    return hashlib.sha256(b"".join(p.read_bytes() for p in parts)).hexdigest()[:8]


def read_records(path: Path, of_version: str = "") -> list[dict[str, Any]]:
    """Return the records of a version; by default those of the last one written."""
    if not path.exists():
        return []
    records = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    wanted = of_version or (records[-1]["version"] if records else "")
    return [r for r in records if r["version"] == wanted]


def measure_pair(
    a: Visit, b: Visit, half: str, number: int, work: Path, *, with_bone: bool
) -> dict[str, Any]:
    """Return everything found and true of two visits, as plain numbers."""
    scans = [scan_of(v, half, number, work) for v in (a, b)]
    try:
        screws = [screw_of(v, half, number, work) for v in (a, b)]
    except Refused as refused:
        return {"refused": str(refused.problems[0].code)}
    frame = ScrewFrame.of(screws[0].head_mm, screws[0].tip_mm)
    defect = plane_of(a, frame, number)
    start = time.process_time()
    found = measure_motion(*scans, *screws, defect)
    out: dict[str, Any] = {"seconds": round(time.process_time() - start, 2), "story": b.story or a.story}
    out["protocols"] = [protocol_record(v) for v in (a, b)]
    out["motions"] = motion_records(found, a, b, frame)
    out["bodies"] = body_records(found, a, b, frame)
    if with_bone and found.head_side and found.tip_side:
        out["bone"] = bone_record(found, a, b, scans, frame, defect)
    return out


def protocol_record(visit: Visit) -> dict[str, Any]:
    p = visit.protocol
    return {"kernel": p.kernel, "slice_mm": p.slice_mm, "tilt_deg": p.tilt_deg, "smoothing": p.smoothing}


@functools.lru_cache(maxsize=len(VISITS))
def screw_of(visit: Visit, half: str, number: int, work: Path) -> Screw:
    """Find the screw of a visit, its sizes told."""
    drawn = visit.scene.screws[0]
    spec = ScrewSpec(
        id="left",
        major_diameter_mm=drawn.major_diameter_mm,
        root_diameter_mm=drawn.root_diameter_mm,
        pitch_mm=drawn.pitch_mm,
        length_mm=drawn.length_mm,
    )
    return find_screws(scan_of(visit, half, number, work), (spec,)).screws[0]


def plane_of(visit: Visit, frame: ScrewFrame, number: int) -> DefectPlane:
    """Return the true plane of the defect, off by as much as a found one is."""
    rng = np.random.default_rng([number, 7])
    plane, drawn = visit.site.plane(), visit.site.defect
    assert plane is not None
    assert drawn is not None
    off = RigidTransform.from_rotation_vector(np.radians(rng.normal(0.0, 2.0, 3)), np.zeros(3))
    point = plane.point_mm + rng.normal(0.0, 0.2) * plane.normal
    return given_defect(point, off.turn(plane.normal), frame, gap_mm=drawn.gap_mm)


def motion_records(found: ScrewMotion, a: Visit, b: Visit, frame: ScrewFrame) -> list[dict[str, Any]]:
    truth = motion_between(a.site, b.site)
    true = (truth.screw_in_head_side, truth.screw_in_tip_side, truth.tip_side_in_head_side)
    return [_motion_record(m, t, found, frame) for m, t in zip(found.motions, true, strict=True)]


def _motion_record(
    motion: Motion, true: RigidTransform, found: ScrewMotion, frame: ScrewFrame
) -> dict[str, Any]:
    """Set a motion beside the truth, in the axes of the screw."""
    name = f"{motion.body} in {motion.relative_to}"
    if not motion.total_translation.is_known:
        return {"name": name, "state": motion.state}
    axes = frame.world_from_screw.rotation.T
    point = motion.point_mm
    seen = motion.fixed_from_moving
    turn, true_turn = axes @ seen.rotation_vector_rad, axes @ true.rotation_vector_rad
    true_mm = axes @ (true.apply(point) - point)
    ends = np.stack([frame.origin_mm, frame.tip_mm])
    if motion.body == "screw":
        body = frame.world(0.0, 0.0, np.linspace(0.0, frame.length_mm, 9))
    else:
        assert found.tip_side is not None
        body = found.tip_side.places_mm
    true_points = np.linalg.norm(true.apply(ends) - ends, axis=1)
    lengths = {
        "axis_change_deg": (
            motion.axis_change_deg,
            math.degrees(float(np.linalg.norm(true_turn[:2]))),
        ),
        "total_translation": (motion.total_translation, float(np.linalg.norm(true_mm))),
        "head_point": (motion.head_point, float(true_points[0])),
        "tip_point": (motion.tip_point, float(true_points[1])),
        "max_total_point_motion": (
            motion.max_total_point_motion,
            float(np.linalg.norm(true.apply(body) - body, axis=1).max()),
        ),
    }
    return {
        "name": name,
        "state": motion.state,
        "error_mm": [m.value - t for m, t in zip(motion.translation_mm, true_mm, strict=True)],
        "u_mm": [m.u for m in motion.translation_mm],
        "error_deg": [_wrapped(math.degrees(float(d))) for d in turn - true_turn],
        "u_deg": [math.degrees(float(u)) for u in np.sqrt(np.diag(motion.covariance)[3:])],
        "is_roll_known": motion.roll_deg.is_known,
        "true_mm": float(np.linalg.norm(true_mm)),
        "true_most_mm": lengths["max_total_point_motion"][1],
        "true_roll_deg": math.degrees(float(true_turn[2])),
        "lengths": {k: [m.value, m.low95, m.high95, t] for k, (m, t) in lengths.items()},
    }


def _wrapped(angle_deg: float) -> float:
    return (angle_deg + 180.0) % 360.0 - 180.0


def bodies_of(
    found: ScrewMotion, frame: ScrewFrame
) -> tuple[tuple[Registered | None, str, np.ndarray, np.ndarray], ...]:
    """Return both fragments, their names in the drawing, their own end of the screw and the far one."""
    return (
        (found.head_side, "head_motion", frame.origin_mm, frame.tip_mm),
        (found.tip_side, "tip_motion", frame.tip_mm, frame.origin_mm),
    )


def fragment_motion(a: Visit, b: Visit, part: str) -> RigidTransform:
    """Return the true pose of a fragment, earlier from later."""
    then, now = (getattr(v.site, part) @ v.site.arch.world_from_arch for v in (a, b))
    return then @ now.inverse()


def pose_errors(
    pose: RigidTransform, true: RigidTransform, own: np.ndarray, far: np.ndarray
) -> dict[str, float]:
    """Return the errors of a pose at two places of the earlier scan, mm, and of its rotation, degrees."""
    ends = true.inverse().apply(np.stack([own, far]))
    off = np.linalg.norm(pose.apply(ends) - true.apply(ends), axis=1)
    turned = (pose @ true.inverse()).angle_deg
    return {"own_mm": float(off[0]), "far_mm": float(off[1]), "turned_deg": turned}


def body_records(found: ScrewMotion, a: Visit, b: Visit, frame: ScrewFrame) -> list[dict[str, Any]]:
    return [
        {"name": part}
        if body is None
        else {"name": part, "blocks": body.n_blocks, "growth_mm": body.growth_mm}
        | pose_errors(body.earlier_from_later, fragment_motion(a, b, part), own, far)
        for body, part, own, far in bodies_of(found, frame)
    ]


def bone_record(
    found: ScrewMotion, a: Visit, b: Visit, scans: list[Scan], frame: ScrewFrame, defect: DefectPlane
) -> dict[str, Any]:
    """Set new bone beside the truth, each fragment laid on itself."""
    assert found.head_side is not None
    assert found.tip_side is not None
    start = time.process_time()
    bone = measure_new_bone(
        *scans,
        frame,
        defect,
        found.head_side.earlier_from_later,
        found.tip_side.earlier_from_later,
        side="left",
    )
    unmoved = {"head_motion": STILL, "tip_motion": STILL, "hole": None}
    before = replace(a.site, **unmoved)
    arch = replace(b.site.arch, world_from_arch=a.site.arch.world_from_arch)
    true = new_bone(before, replace(b.site, arch=arch, screw=a.site.screw, **unmoved))
    gone = new_bone(replace(b.site, arch=arch, screw=a.site.screw, **unmoved), before)
    elsewhere = sum(p.volume.value for p in bone.elsewhere)
    return {
        "seconds": round(time.process_time() - start, 2),
        "in": [bone.in_defect.value, bone.in_defect.u, true.in_gap_mm3, gone.in_gap_mm3],
        "around": [bone.around_defect.value, bone.around_defect.u, true.around_mm3, gone.around_mm3],
        "elsewhere": [elsewhere, math.nan, true.elsewhere_mm3, gone.elsewhere_mm3],
        "places": [[p.place, p.volume.value] for p in bone.elsewhere],
    }


@cli.command()
@half_option
@click.option("--write", is_flag=True, help="Fill docs/motion.md and docs/newbone.md.")
@work_option
def report(half: str, work: Path, *, write: bool) -> None:
    """Print the tables of the last version measured."""
    records = read_records(work / f"records-{half}.jsonl")
    tables = tables_of(records, read_records(work / f"beside-{half}.jsonl"))
    for name, text in tables.items():
        click.echo(f"\n{name}\n{text}")
    if write:
        for page in (DOCS / "motion.md", DOCS / "newbone.md"):
            page.write_text(filled(page.read_text(encoding="utf-8"), tables), encoding="utf-8")


def filled(page: str, tables: dict[str, str]) -> str:
    """Put tables between their marks in a page."""
    for name, text in tables.items():
        start, end = f"<!-- table: {name} -->", "<!-- end of table -->"
        if start in page:
            before, rest = page.split(start, 1)
            page = f"{before}{start}\n\n{text}\n\n{end}{rest.split(end, 1)[1]}"
    return page


def tables_of(records: list[dict[str, Any]], both: list[dict[str, Any]]) -> dict[str, str]:
    measured = [r for r in records if "motions" in r]
    return {
        "counts": counts(records, measured, both),
        "errors": markdown(error_rows(measured)),
        "coverage": markdown(coverage_rows(measured)),
        "states": markdown(state_rows(measured)),
        "beside": markdown(beside_rows(both)),
        "bone": markdown(bone_rows(measured)),
    }


def markdown(rows: list[dict[str, Any]]) -> str:
    table = pd.DataFrame(rows)
    lines = ["| " + " | ".join(map(str, table.columns)) + " |", "|" + "---|" * len(table.columns)]
    lines += ["| " + " | ".join(map(str, row)) + " |" for row in table.to_numpy()]
    return "\n".join(lines)


def counts(records: list[dict[str, Any]], measured: list[dict[str, Any]], both: list[dict[str, Any]]) -> str:
    seconds = np.array([r["seconds"] for r in measured])
    peak = np.array([r["peak_mb"] for r in both if "peak_mb" in r] or [math.nan])
    patients = len({r["number"] for r in records})
    return (
        f"{len(measured)} pairs of {patients} patients; {len(records) - len(measured)} refused; "
        f"{np.median(seconds):.1f} s a pair on one core (longest {seconds.max():.1f} s), "
        f"{np.median(peak):.0f} MB of memory beside the scans (most {peak.max():.0f} MB)."
    )


def motions_of(measured: list[dict[str, Any]], body: str) -> list[dict[str, Any]]:
    return [m for r in measured for m in r["motions"] if m["name"].startswith(body) and "error_mm" in m]


def is_as_it_was(record: dict[str, Any]) -> bool:
    """Whether the old bone is the same in both CTs."""
    return bool(record["pair"] == f"{VISITS[0]}-{VISITS[-1]}")


def error_rows(measured: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Errors of every quantity of the reach: median, and 95 % within, by what has become of the bone."""
    halves = [[r for r in measured if is_as_it_was(r) == same] for same in (True, False)]

    def row(name: str, of: Callable[[list[dict[str, Any]]], list[float]], reach: str) -> dict[str, Any]:
        same, renewed = (of(half) for half in halves)
        return {
            "quantity": name,
            "bone as it was: n": len(same),
            "median": told(same, 50),
            "95 % within": told(same, 95),
            "bone renewed, surfaces grown: n": len(renewed),
            "median ": told(renewed, 50),
            "95 % within ": told(renewed, 95),
            "aim": reach,
        }

    def bodies(key: str) -> Callable[[list[dict[str, Any]]], list[float]]:
        return lambda half: [b[key] for r in half for b in r["bodies"] if key in b]

    def motions(
        body: str, of: Callable[[dict[str, Any]], float], *, rolled: bool = False
    ) -> Callable[[list[dict[str, Any]]], list[float]]:
        return lambda half: [of(m) for m in motions_of(half, body) if m["is_roll_known"] or not rolled]

    return [
        row("fragment at its own end of the screw, mm", bodies("own_mm"), "0.03; renewed 0.10"),
        row("fragment extrapolated to the far end, mm", bodies("far_mm"), "0.06"),
        row("fragment, rotation, deg", bodies("turned_deg"), "0.1"),
        row(
            "fragments against each other at the defect, mm",
            motions("tip", lambda m: norm(m["error_mm"])),
            "",
        ),
        row("fragments against each other, deg", motions("tip", lambda m: norm(m["error_deg"])), ""),
        row("screw in fragment, lateral, mm", motions("screw", lambda m: norm(m["error_mm"][:2])), "0.05"),
        row("screw in fragment, axial, mm", motions("screw", lambda m: abs(m["error_mm"][2])), "0.06"),
        row("screw in fragment, axis, deg", motions("screw", lambda m: norm(m["error_deg"][:2])), ""),
        row(
            "screw in fragment, roll, deg",
            motions("screw", lambda m: abs(m["error_deg"][2]), rolled=True),
            "10",
        ),
    ]


def norm(values: list[float]) -> float:
    return float(np.linalg.norm(values))


def told(errors: list[float], percent: float) -> str:
    return f"{np.percentile(errors, percent):.3f}" if errors else ""


def beside_rows(both: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Errors of this program and of SimpleITK on the same bone."""
    rows = []
    for same in (True, False):
        bodies = [b for r in both if is_as_it_was(r) == same for b in r.get("bodies", ())]
        for key, name in (
            ("own_mm", "own end of the screw, mm"),
            ("far_mm", "far end, mm"),
            ("turned_deg", "rotation, deg"),
        ):
            line: dict[str, Any] = {
                "bone": "as it was" if same else "renewed",
                "error of a fragment": name,
                "n": len(bodies),
            }
            for who, label in (("ours", "this program"), ("theirs", "SimpleITK")):
                errors = [b[who][key] for b in bodies]
                line |= {
                    f"{label}, median": told(errors, 50),
                    f"{label}, 95 % within": told(errors, 95),
                }
            rows.append(line)
    return rows


def coverage_rows(measured: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """How often the 95 % interval holds the truth, and the error in units of u."""
    rows = []
    for body in ("screw", "tip side"):
        motions = motions_of(measured, body)
        parts: dict[str, Callable[[dict[str, Any]], list[float]]] = {
            "across the screw": lambda m: [
                e / u for e, u in zip(m["error_mm"][:2], m["u_mm"][:2], strict=True)
            ],
            "along the screw": lambda m: [m["error_mm"][2] / m["u_mm"][2]],
            "tilt": lambda m: [e / u for e, u in zip(m["error_deg"][:2], m["u_deg"][:2], strict=True)],
            "roll": lambda m: [m["error_deg"][2] / m["u_deg"][2]] if m["is_roll_known"] else [],
        }
        for name, of in parts.items():
            z = np.array([z for m in motions for z in of(m)])
            rows.append(
                {
                    "motion": body,
                    "part": name,
                    "n": len(z),
                    "held": f"{100 * np.mean(np.abs(z) < 1.96):.1f} %",
                    "RMS of error / u": f"{np.sqrt(np.mean(z**2)):.2f}",
                }
            )
        for name in motions[0]["lengths"] if motions else ():
            held = np.array([m["lengths"][name][1] <= m["lengths"][name][3] + 1e-9 and
                             m["lengths"][name][3] <= m["lengths"][name][2] for m in motions])  # fmt: skip
            rows.append(
                {
                    "motion": body,
                    "part": name,
                    "n": len(held),
                    "held": f"{100 * held.mean():.1f} %",
                    "RMS of error / u": "",
                }
            )
    return rows


def state_rows(measured: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The state by how far the body truly moved (most moved point, or its roll)."""
    every = [m for r in measured for m in r["motions"]]
    known = [m for m in every if "error_mm" in m]
    turned = [abs(m["true_roll_deg"]) >= 30.0 for m in known]
    names = ["not at all", "less than 0.2 mm", "0.2 to 0.4 mm", "0.4 to 1 mm", "more than 1 mm"]
    lows = np.array([0.0, 1e-6, 0.2, 0.4, 1.0])
    of = [int(np.searchsorted(lows, m["true_most_mm"] + 1e-9, side="right")) - 1 for m in known]
    groups = [
        (name, [m for m, k, t in zip(known, of, turned, strict=True) if k == n and not t])
        for n, name in enumerate(names)
    ]
    for seen, words in ((True, "thread seen in both"), (False, "thread too faint")):
        group = [m for m, t in zip(known, turned, strict=True) if t and m["is_roll_known"] is seen]
        groups.append((f"turned by 30 degrees or more, {words}", group))
    rows = [
        {
            "truly moved": name,
            "n": len(group),
            "told to have moved": str(sum(m["state"] == "moved" for m in group)),
        }
        for name, group in groups
    ]
    return [*rows, {"truly moved": "not measurable", "n": len(every) - len(known), "told to have moved": ""}]


def bone_rows(measured: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """New bone: error, and how often it is within 10 % + 30 mm3."""
    rows = []
    for same in (True, False):
        bones = [r["bone"] for r in measured if "bone" in r and is_as_it_was(r) == same]
        for name, label in (("in", "in the defect"), ("around", "round it"), ("elsewhere", "elsewhere")):
            found = [b[name] for b in bones if b[name][0] is not None]
            v = np.array(found, dtype=float).reshape(-1, 4)
            if len(v) == 0:
                continue
            net = v[:, 2] - v[:, 3] if name != "elsewhere" else v[:, 2]
            error = v[:, 0] - net
            held = f"{100 * np.mean(np.abs(error) < 1.96 * v[:, 1]):.0f} %"
            within = f"{100 * np.mean(np.abs(error) <= 30 + 0.1 * np.abs(net)):.0f} %"
            is_film = name == "elsewhere" and not same
            rows.append(
                {
                    "old bone": "as it was" if same else "with a film",
                    "where": label,
                    "n": len(v),
                    "true, median and largest, mm3": f"{np.median(net):.0f}, {net.max():.0f}",
                    "median error, mm3": f"{np.median(error):+.0f}",
                    "95 % within, mm3": f"{np.percentile(np.abs(error), 95):.0f}",
                    "within 10 % + 30 mm3": "film not counted" if is_film else within,
                    "held by 95 % interval": held if name != "elsewhere" else "",
                }
            )
    return rows


if __name__ == "__main__":
    cli()
