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
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np

import ongrowth
from ongrowth.defect import DefectPlane, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.motion import Motion, Registered, ScrewMotion, measure_motion
from ongrowth.newbone import measure_new_bone
from ongrowth.scan import Refused, Scan
from ongrowth.screw import Screw, ScrewSpec, find_screws
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.serial import VISITS, Visit, draw_visits
from ongrowth_phantoms.tomograph import scan_full
from ongrowth_phantoms.truth import motion_between, new_bone

sys.path.insert(0, str(Path(__file__).parents[1]))

from motion_tables import tables_of  # lies beside this
from second_registration import put_off, registered_by_itk  # lies beside the tests

DOCS = Path(__file__).parents[2] / "docs"
WORK = Path(tempfile.gettempdir()) / "ongrowth-motion"
PAIRS = (*itertools.combinations(range(4), 2), (0, 4), (0, 5))  # the last two: repeat, broken
WITH_FIRST = tuple((0, k) for k in range(1, 5))
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
    ask = functools.partial(measure_pair, half=half, work=work, with_bone=not without_bone)
    over_pairs(work / f"records-{half}.jsonl", half, range(first, first + cases), PAIRS[:pairs], ask)


def over_pairs(
    kept: Path,
    half: str,
    numbers: range,
    pairs: Iterable[tuple[int, int]],
    ask: Callable[..., dict[str, Any]],
) -> None:
    """Ask of pairs of visits what has no line yet for this version of the code."""
    done = {(r["number"], r["pair"]) for r in read_records(kept, version())}
    for number in numbers:
        visits = draw_visits(half, number)
        for a, b in pairs:
            told = {"version": version(), "half": half, "number": number, "pair": f"{VISITS[a]}-{VISITS[b]}"}
            if (number, told["pair"]) in done:
                continue
            try:
                record = ask(visits[a], visits[b], number=number)
            except Refused as refused:
                record = {"refused": str(refused.problems[0].code)}
            with kept.open("a", encoding="utf-8") as out:
                out.write(json.dumps(record | told) + "\n")
            click.echo(f"{half} {number} {told['pair']} {record.get('refused', '')}", err=True)


@cli.command()
@half_option
@cases_option
@first_option
@work_option
def beside(half: str, cases: int, first: int, work: Path) -> None:
    """Register again, by SimpleITK on the bone found, from 0.8 mm off; and take the memory of a pair."""
    ask = functools.partial(beside_pair, half=half, work=work)
    over_pairs(work / f"beside-{half}.jsonl", half, range(first, first + cases), WITH_FIRST, ask)


def seen(a: Visit, b: Visit, *where: Any) -> tuple[list[Scan], list[Screw], ScrewFrame]:
    """Return the scans of two visits, their screws, and the frame of the first."""
    scans, screws = ([of(v, *where) for v in (a, b)] for of in (scan_of, screw_of))
    return scans, screws, ScrewFrame.of(screws[0].head_mm, screws[0].tip_mm)


def beside_pair(a: Visit, b: Visit, half: str, number: int, work: Path) -> dict[str, Any]:
    """Return the errors of both ways to register, and the memory ours takes."""
    scans, screws, frame = seen(a, b, half, number, work)
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
    scans, screws, frame = seen(a, b, half, number, work)
    defect = plane_of(a, frame, number)
    start = time.process_time()
    found = measure_motion(*scans, *screws, defect)
    out: dict[str, Any] = {"seconds": round(time.process_time() - start, 2), "story": b.story or a.story}
    out["protocols"] = [protocol_record(v) for v in (a, b)]
    out["motions"] = motion_records(found, a, b, frame)
    out["bodies"] = body_records(found, a, b, frame)
    if with_bone and found.head_side and found.tip_side:
        kept = work / f"truth-{half}-{number:03d}-{a.name}-{b.name}.json"
        out["bone"] = bone_record(found, bone_truth(a, b, kept), scans, frame, defect)
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
    return [motion_record(m, t, found, frame) for m, t in zip(found.motions, true, strict=True)]


def motion_record(
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
    is_piece = found.tip_piece is not None and motion.body == "screw"  # whose ends lie at the break
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
        "lengths": {
            k: [m.value, m.low95, m.high95, t]
            for k, (m, t) in lengths.items()
            if not is_piece or k in ("axis_change_deg", "total_translation")
        },
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
    found: ScrewMotion,
    truth: dict[str, list[float]],
    scans: list[Scan],
    frame: ScrewFrame,
    defect: DefectPlane,
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
    elsewhere = sum(p.volume.value for p in bone.elsewhere)
    return {
        "seconds": round(time.process_time() - start, 2),
        "in": [bone.in_defect.value, bone.in_defect.u, *truth["in"]],
        "around": [bone.around_defect.value, bone.around_defect.u, *truth["around"]],
        "elsewhere": [elsewhere, math.nan, *truth["elsewhere"]],
        "places": [[p.place, p.volume.value] for p in bone.elsewhere],
    }


def bone_truth(a: Visit, b: Visit, kept: Path) -> dict[str, list[float]]:
    """Return the bone that came and the bone that went, mm3, by place; counted once and kept."""
    if not kept.exists():
        unmoved = {"head_motion": STILL, "tip_motion": STILL, "hole": None}
        before = replace(a.site, **unmoved)
        arch = replace(b.site.arch, world_from_arch=a.site.arch.world_from_arch)
        after = replace(b.site, arch=arch, screw=a.site.screw, **unmoved)
        came, went = new_bone(before, after), new_bone(after, before)
        names = {"in": "in_gap_mm3", "around": "around_mm3", "elsewhere": "elsewhere_mm3"}
        both = {key: [getattr(came, name), getattr(went, name)] for key, name in names.items()}
        kept.write_text(json.dumps(both), encoding="utf-8")
    truth: dict[str, list[float]] = json.loads(kept.read_text(encoding="utf-8"))
    return truth


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
            page.write_text(fill(page.read_text(encoding="utf-8"), tables), encoding="utf-8")


if __name__ == "__main__":
    cli()
