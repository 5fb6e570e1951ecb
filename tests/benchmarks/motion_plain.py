"""Motion and new bone in another world: pairs of CTs of plain bone (`tests/plain_pair.py`). Against truth.

    python tests/benchmarks/motion_plain.py run --half tuning --cases 24     also SimpleITK on the same bone
    python tests/benchmarks/motion_plain.py report --half test [--write]     --write: docs/motion.md

Neither the estimator nor the project's phantoms share code with these. Screw and defect are found. A pair
that has a record of this version of the code is not measured again.
"""

from __future__ import annotations

import functools
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from scipy.spatial.transform import Rotation

from ongrowth.defect import DefectPlane, find_defect, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.motion import ScrewMotion, is_off, measure_motion, measure_scale
from ongrowth.newbone import measure_new_bone
from ongrowth.scan import Refused
from ongrowth.screw import ScrewSpec, find_screws
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.table import markdown

sys.path.insert(0, str(Path(__file__).parents[1]))

from motion_grid import bodies_of, motion_record, pose_errors, read_records, version
from motion_tables import Record, held_of, norm, state_rows, told
from plain_pair import (
    Look,
    Patient,
    Pose,
    State,
    drawn,
    earlier_from_later,
    new_bone_mm3,
    placed,
    seen_from,
    slit_normal,
)
from plain_phantom import LENGTH_MM, PITCH_MM, SIZES
from second_registration import put_off, registered_by_itk

PAGE = Path(__file__).parents[2] / "docs" / "motion.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-plain-motion"
STORIES = (
    "still", "backs out", "still", "tip side", "still", "toggles", "both", "turns", "broken, still",
    "broken, apart",
)  # fmt: skip
FIRST = State()

work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)
half_option = click.option("--half", type=click.Choice(["tuning", "test"]), default="tuning")


@click.group(help=__doc__)
def cli() -> None:
    pass


def plain_case(half: str, number: int) -> tuple[str, Patient, State, Look, Look]:
    """Return a pair and its story, by its number. Every fourth tip side is nearly round."""
    rng = np.random.default_rng([20261129, half == "test", number])

    def draw(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    story = STORIES[number % len(STORIES)]
    patient = Patient(
        10_000 * (half == "test") + number,
        is_round=number % 4 == 3,
        gap_mm=draw(1.0, 3.0),
        gap_at_mm=draw(-4.0, 3.0),
        bone_hu=draw(180.0, 400.0),
        texture_hu=draw(40.0, 110.0),
        cortex_mm=draw(0.8, 2.0),
        has_rims=bool(rng.random() < 0.7),
    )
    first = Look(_first_pose(rng), *_scanner(rng), seed=20_000 + 2 * patient.seed)
    lies = placed(_any(rng, draw(0.0, 15.0)), _any(rng, draw(5.0, 40.0)), first.world_from_patient[:3, 3])
    second = Look(lies @ first.world_from_patient, *_scanner(rng), seed=20_001 + 2 * patient.seed)
    return story, patient, _changed(rng, story, number, patient), first, second


def _scanner(rng: np.random.Generator) -> tuple[float, ...]:
    fwhm_mm, noise_hu, gain = (float(rng.uniform(*r)) for r in ((0.6, 1.2), (15.0, 50.0), (0.92, 1.08)))
    overshoot, pixel_mm, slice_mm = (
        float(rng.choice(some))
        for some in ((0.0, 0.0, 0.4, 0.7), (0.3, 0.35, 0.42, 0.5), (0.6, 0.75, 1.0, 1.25))
    )
    return fwhm_mm, overshoot, pixel_mm, slice_mm, noise_hu, gain


def _any(rng: np.random.Generator, length: float) -> tuple[float, float, float]:
    v = rng.standard_normal(3)
    x, y, z = (float(c) for c in length * v / np.linalg.norm(v))
    return x, y, z


def _first_pose(rng: np.random.Generator) -> Pose:
    """Return a pose with the screw 25 to 65 degrees off the slices' normal, any way round."""
    tilt, turn, roll = rng.uniform((25.0, 0.0, 0.0), (65.0, 360.0, 360.0))
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_euler("ZYZ", [turn, 180.0 - tilt, roll], degrees=True).as_matrix()
    pose[:3, 3] = rng.uniform((-40.0, -200.0, -400.0), (40.0, -100.0, 100.0))
    return pose


def _changed(rng: np.random.Generator, story: str, number: int, patient: Patient) -> State:
    """Return what has changed: in one of five pairs bodies only, else bone, halo and new bone too."""
    end = LENGTH_MM / 2.0
    neighbour = placed(_any(rng, rng.uniform(2.0, 6.0)), _any(rng, rng.uniform(0.5, 2.0)), (18.0, 0.0, 0.0))
    state = State(neighbour=neighbour)
    if number % 5 != 4:
        state = replace(
            state,
            halo_mm=tuple(float(v) for v in rng.choice([0.0, 0.0, 0.4, 1.2], 2)),
            renewed=float(rng.choice([0.3, 0.5])),
            growth_mm=0.15,
            bridge_deg=float(rng.choice([0.0, 60.0, 150.0])),
            callus_mm=float(rng.choice([0.0, 3.0, 4.5])),
        )
    tip = placed(
        _any(rng, rng.uniform(0.5, 3.0)), _any(rng, rng.uniform(0.3, 1.0)), (0.0, 0.0, patient.gap_at_mm)
    )
    back = placed((0.0, 0.0, 0.0), (0.0, 0.0, -float(rng.uniform(0.3, 1.0))), (0.0, 0.0, 0.0))
    way, toggled = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(0.7, 3.0)
    turned = float(rng.uniform(30.0, 120.0))
    if story in ("backs out", "both"):
        state = replace(state, screw=back)
    if story in ("tip side", "both"):
        state = replace(state, tip=tip)
    if story == "toggles":
        screw = placed(
            (toggled * np.cos(way), toggled * np.sin(way), 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, -end + 5.0)
        )
        state = replace(state, screw=screw)
    if story == "turns":  # and backs out as its thread leads it
        screw = placed((0.0, 0.0, -turned), (0.0, 0.0, -PITCH_MM * turned / 360.0), (0.0, 0.0, 0.0))
        state = replace(state, screw=screw)
    if story.startswith("broken"):
        moved = tip if story.endswith("apart") else state.tip
        break_mm = patient.gap_at_mm + float(rng.uniform(-3.0, 3.0))
        state = replace(
            state, tip=moved, tip_piece=moved, break_mm=break_mm, crack_mm=float(rng.uniform(0.6, 1.2))
        )
    return state


def measured(half: str, number: int) -> Record:
    """Return everything found and true of a pair, as plain numbers."""
    story, patient, state, *looks = plain_case(half, number)
    scans = [drawn(patient, s, look) for s, look in zip((FIRST, state), looks, strict=True)]
    spec = ScrewSpec(**SIZES, pitch_mm=PITCH_MM, length_mm=LENGTH_MM)
    screws = [find_screws(scan, [spec]).screws[0] for scan in scans]
    frame = ScrewFrame.of(screws[0].head_mm, screws[0].tip_mm)
    world = looks[0].world_from_patient
    true_axis = world[:3, 2]
    defect = find_defect(scans[0], screws[0], frame)
    is_found = isinstance(defect, DefectPlane)
    slit = RigidTransform(world[:3, :3], world[:3, 3])
    point, normal = slit.apply([0.0, 0.0, patient.gap_at_mm]), slit.turn(slit_normal(patient))
    off = defect.plane.height_mm(point) if isinstance(defect, DefectPlane) else np.nan
    if not isinstance(defect, DefectPlane) or abs(off) > 1.0:
        defect = given_defect(point, normal, frame, gap_mm=patient.gap_mm)
    start = time.process_time()
    found = measure_motion(*scans, *screws, defect)
    seconds = time.process_time() - start
    out: Record = {
        "story": story,
        "round": patient.is_round,
        "same": state.renewed == 0.0,
        "seconds": round(seconds, 2),
        "defect": [is_found, float(off)],
        "axis_deg": float(np.degrees(np.arccos(min(1.0, float(frame.axis_direction @ true_axis))))),
        "problems": [p.code for p in found.problems],
        "scanners": [
            [look.fwhm_mm, look.overshoot, look.pixel_mm, look.slice_mm, look.noise_hu] for look in looks
        ],
    }
    piece = state.screw if state.tip_piece is None else state.tip_piece
    true = [(state.head, state.screw), (state.tip, piece), (state.head, state.tip)]
    scale = measure_scale(*scans, *screws)
    out["scale"] = [scale.value, scale.u, is_off(scale)] if scale.is_known else None
    out["motions"] = [
        motion_record(m, _rigid(seen_from(*bodies, looks[0])), found, frame)
        for m, bodies in zip(found.motions, true, strict=True)
    ]
    out["bodies"] = _bodies(found, frame, scans, state, looks)
    if found.head_side and found.tip_side:
        poses = found.head_side.earlier_from_later, found.tip_side.earlier_from_later
        bone = measure_new_bone(*scans, frame, defect, *poses, side="left")
        truth = new_bone_mm3(patient, state)
        elsewhere = sum(p.volume.value for p in bone.elsewhere)
        out["bone"] = {
            "in": [bone.in_defect.value, bone.in_defect.u, truth["in"]],
            "around": [bone.around_defect.value, bone.around_defect.u, truth["around"]],
            "elsewhere": [elsewhere, float("nan"), truth["elsewhere"]],
        }
    return out


def _bodies(
    found: ScrewMotion, frame: ScrewFrame, scans: list[Any], state: State, looks: list[Look]
) -> list[dict[str, Any]]:
    """Return the errors of both ways to register each fragment."""
    bodies = []
    for (body, _, own, far), (name, pose) in zip(
        bodies_of(found, frame), (("head side", state.head), ("tip side", state.tip)), strict=True
    ):
        if body is None:
            bodies.append({"name": name})
            continue
        true = _rigid(earlier_from_later(pose, *looks))
        start = put_off(body.earlier_from_later.inverse(), body.places_mm)
        theirs = registered_by_itk(*scans, body.places_mm, start).inverse()
        both = (("ours", body.earlier_from_later), ("theirs", theirs))
        errors = {who: pose_errors(p, true, own, far) for who, p in both}
        bodies.append({"name": name, "blocks": body.n_blocks, "growth_mm": body.growth_mm} | errors)
    return bodies


def _rigid(pose: Pose) -> RigidTransform:
    return RigidTransform(pose[:3, :3], pose[:3, 3])


@cli.command()
@half_option
@click.option("--cases", default=24, show_default=True)
@click.option("--first", default=0, show_default=True)
@work_option
def run(half: str, cases: int, first: int, work: Path) -> None:
    """Draw and measure pairs."""
    work.mkdir(parents=True, exist_ok=True)
    kept = work / f"plain-{half}.jsonl"
    done = {r["number"] for r in read_records(kept, version())}
    for number in range(first, first + cases):
        if number in done:
            continue
        try:
            record = measured(half, number)
        except Refused as refused:
            record = {"refused": str(refused.problems[0].code)}
        with kept.open("a", encoding="utf-8") as out:
            out.write(json.dumps(record | {"version": version(), "number": number}) + "\n")
        click.echo(f"{half} {number} {record.get('story')} {record.get('refused', '')}", err=True)


@cli.command()
@half_option
@click.option("--write", is_flag=True, help="Fill docs/motion.md.")
@work_option
def report(half: str, work: Path, *, write: bool) -> None:
    """Print the tables of the last version measured."""
    records = read_records(work / f"plain-{half}.jsonl")
    tables = tables_of(records)
    for name, text in tables.items():
        click.echo(f"\n{name}\n{text}")
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), tables), encoding="utf-8")


def tables_of(records: list[Record]) -> dict[str, str]:
    """Return the tables by name."""
    known = [r for r in records if "motions" in r]
    seconds = np.array([r["seconds"] for r in known])
    seen = sum(r["defect"][0] and abs(r["defect"][1]) <= 1.0 for r in known)
    scales = [r["scale"] for r in known if r["scale"]]
    off = np.array([(value - 1.0) / u for value, u, _ in scales])
    counts = (
        f"{len(known)} pairs; {len(records) - len(known)} refused; defect found in {seen}; "
        f"{np.median(seconds):.1f} s a pair (longest {seconds.max():.1f} s). The thread tells the scale in "
        f"{len(scales)}: root mean square of its error {np.sqrt(np.mean(off**2)):.2f} u, told to differ in "
        f"{sum(s[2] for s in scales)} (truth: none)."
    )
    rows = {
        "plain errors": _error_rows(known),
        "plain coverage": _coverage_rows(known),
        "plain states": state_rows(known),
        "plain bone": _bone_rows(known),
    }
    return {"plain counts": counts} | {name: markdown(pd.DataFrame(some)) for name, some in rows.items()}


_BONE: dict[str, Callable[[Record, Record], bool]] = {
    "bone as it was (n)": lambda r, b: r["same"] and not _is_ball(r, b),
    "renewed (n)": lambda r, b: not r["same"] and not _is_ball(r, b),
    "tip side nearly round (n)": lambda r, b: _is_ball(r, b),
}


def _is_ball(record: Record, body: Record) -> bool:
    return bool(record["round"] and "tip side" in body["name"])


def _error_rows(known: list[Record]) -> list[Record]:
    """Errors by what has become of the bone; of fragments also those of SimpleITK."""

    def row(name: str, of: Callable[[Record, Callable[[Record], bool]], list[float]]) -> Record:
        errors = {
            kind: [e for r in known for e in of(r, functools.partial(own, r))] for kind, own in _BONE.items()
        }
        return {"error: median; 95 % within; most": name} | {
            f"{k}": f"{_spread(e)} ({len(e)})" for k, e in errors.items()
        }

    def bodies(who: str, key: str) -> Callable[[Record, Callable[[Record], bool]], list[float]]:
        return lambda r, own: [b[who][key] for b in r["bodies"] if "ours" in b and own(b)]

    def motions(
        body: str, of: Callable[[Record], float]
    ) -> Callable[[Record, Callable[[Record], bool]], list[float]]:
        return lambda r, own: [
            of(m) for m in r["motions"] if m["name"].startswith(body) and "error_mm" in m and own(m)
        ]

    fragments = [
        row(f"fragment, {name}{by}", bodies(who, key))
        for key, name in (
            ("own_mm", "own end, mm"),
            ("far_mm", "far end, mm"),
            ("turned_deg", "rotation, deg"),
        )
        for who, by in (("ours", ""), ("theirs", ", by SimpleITK"))
    ]
    parts: dict[str, Callable[[Record], float]] = {
        "across, mm": lambda m: norm(m["error_mm"][:2]),
        "along, mm": lambda m: abs(m["error_mm"][2]),
        "tilt, deg": lambda m: norm(m["error_deg"][:2]),
        "roll, deg": lambda m: abs(m["error_deg"][2]),
    }
    names = {"screw": "screw in fragment", "tip side": "tip side in head side"}
    return [
        *fragments,
        *(row(f"{name}, {part}", motions(b, of)) for b, name in names.items() for part, of in parts.items()),
    ]


def _spread(errors: list[float]) -> str:
    return f"{told(errors, 50)}; {told(errors, 95)}; {told(errors, 100)}" if errors else ""


def _coverage_rows(known: list[Record]) -> list[Record]:
    rows = []
    for body in ("screw", "tip side"):
        motions = [
            (r, m) for r in known for m in r["motions"] if m["name"].startswith(body) and "error_mm" in m
        ]
        halves = [[m for r, m in motions if r["same"] is same] for same in (False, True)]
        for name, key, where in (
            ("across", "mm", slice(0, 2)),
            ("along", "mm", slice(2, 3)),
            ("tilt", "deg", slice(0, 2)),
            ("roll", "deg", slice(2, 3)),
        ):
            z = [
                np.array(
                    [
                        np.array(m[f"error_{key}"][where]) / m[f"u_{key}"][where]
                        for m in half
                        if name != "roll" or m["is_roll_known"]
                    ]
                ).reshape(-1)
                for half in halves
            ]
            rms = np.sqrt(np.mean(np.concatenate(z) ** 2))
            line = {"motion": body, "part": name} | held_of([np.abs(half) < 1.96 for half in z])
            rows.append(line | {"RMS of error / u": f"{rms:.2f}"})
        for name in (
            "axis_change_deg",
            "total_translation",
            "head_point",
            "tip_point",
            "max_total_point_motion",
        ):
            bounds = [
                np.array([m["lengths"][name] for m in half if name in m["lengths"]]).reshape(-1, 4)
                for half in halves
            ]
            held = [(b[:, 1] <= b[:, 3] + 1e-9) & (b[:, 3] <= b[:, 2]) for b in bounds]
            rows.append({"motion": body, "part": name} | held_of(held) | {"RMS of error / u": ""})
    return rows


def _bone_rows(known: list[Record]) -> list[Record]:
    rows = []
    for name, label in (("in", "in the defect"), ("around", "round it"), ("elsewhere", "elsewhere")):
        v = np.array(
            [r["bone"][name] for r in known if "bone" in r and r["bone"][name][0] is not None], dtype=float
        )
        value, u, true = v.reshape(-1, 3).T
        error = value - true
        is_counted = name != "elsewhere"
        rows.append(
            {
                "where": label,
                "n": len(v),
                "true, median and largest, mm3": f"{np.median(true):.0f}, {true.max():.0f}",
                "mean error, mm3": f"{error.mean():+.0f}",
                "RMSE, mm3": f"{np.sqrt(np.mean(error**2)):.0f}",
                "within 10 % + 30 mm3": f"{100 * np.mean(np.abs(error) <= 30 + 0.1 * true):.0f} %"
                if is_counted
                else "film not counted",
                "held by 95 % interval": f"{100 * np.mean(np.abs(error) < 1.96 * u):.0f} %"
                if is_counted
                else "",
            }
        )
    return rows


if __name__ == "__main__":
    cli()
