"""What is asked of a halo beside its width: would it show, what would help, controls, change. Against truth.

    python tests/benchmarks/halo_questions.py planted --cases 60     is a planted halo found as often as told?
    python tests/benchmarks/halo_questions.py ahead --cases 12       is what is predicted reached?
    python tests/benchmarks/halo_questions.py controls --cases 12    two screws of one scan
    python tests/benchmarks/halo_questions.py again --cases 12       one truth scanned again, and grown
    python tests/benchmarks/halo_questions.py sources --cases 12     what is each source of the blur worth?
    python tests/benchmarks/halo_questions.py lent --cases 12        the blur lent by a CT of the first days
    python tests/benchmarks/halo_questions.py report [--write]       --write puts the tables into docs/halo.md

All on the full scanner, the blur unknown, the half that was seen before unless --half says otherwise. A run
that was stopped goes on where it stopped; scans are kept in the work folder.
"""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np

from ongrowth.calibration import Calibration
from ongrowth.frame import ScrewFrame
from ongrowth.halo import (
    SIDES,
    Fitted,
    Halo,
    calibrate_on_first_days,
    look_ahead,
    measure_change,
    measure_halo,
    plant,
    screw_difference,
    side_difference,
    weigh_screws,
    weigh_together,
)
from ongrowth.halo.protocol import TRANSFER_SD
from ongrowth.quantity import Measured
from ongrowth.scan import Refused, Scan
from ongrowth_phantoms.grid import draw_case, phantom_of
from ongrowth_phantoms.grid.draw import HALVES, Case
from ongrowth_phantoms.grid.measure import (
    ARMS,
    Placed,
    calibration_of,
    code_version,
    known_calibration,
    place_of,
)
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.phantom import Phantom, protocol_of, scene_of
from ongrowth_phantoms.grid.run import append_records, read_records
from ongrowth_phantoms.grid.table import markdown_rows
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scenes import Scene, pars_scene
from ongrowth_phantoms.truth import Truth, truth_of

Record = dict[str, Any]

PAGE = Path(__file__).parents[2] / "docs" / "halo.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-grid"
# What an edge of skin or gas would tell of ln f0, ln p, b, ln slice width, c, d1 and d2, as standard
# deviations: the slice profile is known no better than from the header.
_EDGE_SD = np.array([0.03, 0.05, 0.1, 0.2, 0.1, 0.02, 0.03])
_WIDER = 1.22  # slice profiles are wider than nominal by about so much
_LEAST_AREA_MM2 = 20.0  # of a side, to be counted
_CLASSES_MM = ((-1.0, 0.001), (0.001, 0.75), (0.75, 1.5), (1.5, 9.0))
_CLASS_WORDS = ("0", "to 0.75", "0.75 to 1.5", "over 1.5")

work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)
half_option = click.option("--half", type=click.Choice(list(HALVES)), default="seen", show_default=True)

Question = Callable[[Case, Path], list[Record]]


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A scan as measured with the blur unknown."""

    phantom: Phantom
    placed: Placed
    halo: Halo
    fitted: Fitted
    seconds: float

    @property
    def frame(self) -> ScrewFrame:
        """Frame of the screw, as it was found."""
        return self.placed.frame


def take(
    case: Case,
    phantom: Phantom,
    arm: str = "found, free",
    cache: Path | None = None,
    lent: Calibration | None = None,
) -> Taken:
    """Measure a scan in one arm."""
    placed, fits = place_of(case, ARMS[arm], phantom), list[Fitted]()
    calibration = lent or calibration_of(case, ARMS[arm].blur, cache)[0]
    started = time.process_time()
    halo = measure_halo(
        phantom.scan, placed.screw, placed.frame, placed.defect, calibration, keep=fits.append
    )
    return Taken(phantom, placed, halo, fits[0], time.process_time() - started)


@click.group(help=__doc__)
def cli() -> None:
    pass


def run(what: str, work: Path, cases: Iterable[tuple[str, Callable[[], list[Record]]]]) -> None:
    """Work through what has no line yet for this version of the code; a refusal is left out."""
    results, version = work / "questions.jsonl", code_version()
    done = {(r["what"], r["case"]) for r in read_records(results) if r["version"] == version}
    for name, ask in cases:
        if (what, name) in done:
            continue
        try:
            records = ask()
        except Refused as error:
            click.echo(f"{name}: {error}", err=True)
            continue
        common = {"what": what, "case": name, "version": version}
        append_records(results, [common | r for r in records] or [common | {"side": ""}])
        click.echo(f"{what} {name}: {len(records)}", err=True)


def question(n_cases: int = 12, plan: str = "any") -> Callable[[Question], Question]:
    """Make a command of what is asked of each drawn case."""

    def as_command(ask: Question) -> Question:
        @cli.command(ask.__name__, help=ask.__doc__)
        @half_option
        @click.option("--cases", default=n_cases, show_default=True)
        @click.option("--first", default=0, show_default=True)
        @work_option
        def command(half: str, cases: int, first: int, work: Path) -> None:
            every = drawn(half, range(first, first + cases), plan)
            run(ask.__name__, work, ((case.id, lambda case=case: ask(case, work)) for case in every))

        return ask

    return as_command


def drawn(half: str, cases: range, plan: str) -> Iterator[Case]:
    """Return the cases asked: titanium, slices up to 1.25 mm, nothing that is called hard."""
    step = 3 if plan == "retest" else 1
    every = (draw_case(plan, half, "full", step * number) for number in cases)
    return (case for case in every if case.difficulty != "hard")


def true_sides(truth: Truth) -> dict[str, float]:
    """Return the true mean width of the sides that are large enough to count, mm."""
    told = {side: getattr(truth, side) for side in SIDES}
    return {side: one.mean_width_mm for side, one in told.items() if one.area_mm2 >= _LEAST_AREA_MM2}


@question(n_cases=60)
def planted(case: Case, work: Path) -> list[Record]:
    """Plant a halo of the true width in each scan: how often found, as told, and was it found?"""
    taken = take(case, phantom_of(case, work / "scans"))
    true, records = true_sides(taken.phantom.truth), []
    difference = side_difference(taken.halo)
    for side, width in true.items():
        mean = getattr(taken.halo, side).mean_width
        if not mean.is_known:
            continue
        limit = getattr(taken.halo, side).detection_limit.value
        started = time.process_time()
        told = plant(taken.fitted, taken.halo, taken.frame, (max(width, 0.0),), ("even",))
        spent = time.process_time() - started
        share = next((p.found_share for p in told if p.side == side), math.nan)
        record = {"side": side, "true_mm": width, "read_mm": mean.value, "limit_mm": limit, "told": share}
        records.append(record | {"found": mean.value > limit, "plant_s": spent, "halo_s": taken.seconds})
    if len(records) == len(SIDES) and difference.is_known:
        records[0]["difference"] = _compared(difference, true["tip_side"] - true["head_side"])
    return records


def _compared(measured: Measured, true: float) -> Record:
    return {
        "error_mm": measured.value - true,
        "u95_mm": measured.u95,
        "holds": bool(measured.low95 <= true <= measured.high95),
    }


def changed(case: Case) -> dict[str, tuple[Case, str]]:
    """Return a case scanned otherwise, and in which arm it is measured, by what is changed."""
    thin = replace(case, id=f"{case.id}-thin", slice_mm=0.6)
    kernel = f"{case.kernel.split('-')[0]}-bone"
    return {
        "calibrated": (case, "found, calibrated"),
        "thinner": (thin, "found, free"),
        "sharper": (replace(case, id=f"{case.id}-sharp", kernel=kernel), "found, free"),
        "thinner and sharper": (replace(thin, id=f"{case.id}-both", kernel=kernel), "found, free"),
    }


@question()
def ahead(case: Case, work: Path) -> list[Record]:
    """Scan again thinner, sharper, and with the protocol calibrated: is what was predicted reached?"""
    cache = work / "scans"
    now = take(case, phantom_of(case, cache))
    told = look_ahead(now.fitted, now.halo, now.frame, case.slice_mm, is_calibrated=False)
    known = [side for side in SIDES if getattr(now.halo, side).mean_width.is_known]
    if not known:
        return []
    side = max(known, key=lambda s: getattr(now.halo, s).mean_width.u)
    was, records = getattr(now.halo, side), []
    scanned = changed(case)
    for prospect in (p for p in told if p.change in scanned):
        other, arm = scanned[prospect.change]
        got = getattr(take(other, phantom_of(other, cache), arm, cache).halo, side)
        if got.mean_width.is_known:
            records.append(
                {
                    "side": side,
                    "change": prospect.change,
                    "now": [was.mean_width.u95, was.detection_limit.value],
                    "told": [prospect.u95_mm, prospect.detection_limit_mm],
                    "reached": [got.mean_width.u95, got.detection_limit.value],
                }
            )
    return records


def two_screws(case: Case) -> Scene:
    """Return the scene of a case with two screws in unlike poses, one of them without a halo."""
    rng = np.random.default_rng([case.seed, 88])
    widths = [(0.0, 0.0), (case.head_mean_mm, case.tip_mean_mm)]
    fields = [HaloField("even", mean_mm=h, tip_mean_mm=t, layer_hu=case.layer_hu) for h, t in widths]
    order = rng.permutation(2)
    pattern = scene_of(case).screws[0]
    return pars_scene(
        case.seed, n_screws=2, screw=pattern, halo=[fields[k] for k in order], child=case.is_child,
        bone_hu=case.bone_hu, pose_sd_deg=10.0,
    )  # fmt: skip


@question()
def controls(case: Case, work: Path) -> list[Record]:
    """Two screws of one scan, in unlike poses: the second's width less the first's on each side."""
    scene = two_screws(case)
    scan = phantom_of(replace(case, id=f"{case.id}-two"), work / "scans", scene).scan
    both = [take(case, Phantom(scan, truth_of(scene, k)), "given, free") for k in range(2)]
    truths = [one.phantom.truth for one in both]
    by_itself = [one.halo for one in both]
    together = weigh_screws(by_itself)
    records = _widths("two screws of one scan", truths, by_itself, together)
    true = [true_sides(truth) for truth in truths]
    for side in SIDES:
        difference = screw_difference(together[0], together[1], side)
        if difference.is_known and all(side in t for t in true):
            step = true[1][side] - true[0][side]
            records.append({"side": side, "kind": "difference"} | _compared(difference, step))
    return records


def _widths(
    what: str, truths: Sequence[Truth], by_itself: Sequence[Halo], together: Sequence[Halo]
) -> list[Record]:
    """Return the errors of the sides' means, each halo read by itself and all weighed together."""
    ways = {f"{what}, each by itself": by_itself, f"{what}, weighed together": together}
    return [
        {"kind": "width", "way": way} | record
        for way, halos in ways.items()
        for halo, truth in zip(halos, truths, strict=True)
        for record in sides_errors(halo, truth)
    ]


def grown(case: Case) -> Case:
    """Return a case in another position, its halo wider by 0.2 to 0.8 mm."""
    rng = np.random.default_rng([case.seed, 99])
    up = float(rng.uniform(0.2, 0.8))
    shape = case.shape if case.shape != "none" else "even"
    is_free = case.shape == "none"
    wider = [round(w + up, 3) if w > 0.0 or is_free else w for w in (case.head_mean_mm, case.tip_mean_mm)]
    return replace(
        case, id=f"{case.id}-g2", repeat=2, shape=shape, head_mean_mm=wider[0], tip_mean_mm=wider[1]
    )


@question(plan="retest")
def again(case: Case, work: Path) -> list[Record]:
    """The same truth in another position and noise, and one whose halo has grown, by one protocol."""
    cache, number = work / "scans", int(case.id.rsplit("-", 1)[1])
    later = [("as before", draw_case("retest", case.half, "full", number + k)) for k in (1, 2)]
    before, records = take(case, phantom_of(case, cache)), []
    for kind, other in (*later, ("grown", grown(case))):
        after = take(other, phantom_of(other, cache))
        change = measure_change(before.halo, after.halo, is_one_protocol=True)
        pair = [before.halo, after.halo]
        truths = [one.phantom.truth for one in (before, after)]
        records += _widths("one screw in two scans", truths, pair, weigh_together(pair))
        true = [_true_on(one.phantom.truth, before.halo) for one in (after, before)]
        for side, of in SIDES.items():
            cells = (before.halo.map.side == of) & np.isfinite(change.map.width_mm)
            if getattr(change, side).is_known and cells.any():
                rise = float(np.nanmean(true[0][cells]) - np.nanmean(true[1][cells]))
                records.append({"side": side, "kind": kind} | _compared(getattr(change, side), rise))
    return records


def without_halo(case: Case) -> Case:
    """Return a case as it was in the first days, in another position."""
    return replace(
        case, id=f"{case.id}-d1", repeat=3, shape="none", head_mean_mm=0.0, tip_mean_mm=0.0, rim_mm=0.0
    )


def sources_of(case: Case, scan: Scan) -> dict[str, Calibration | None]:
    """Return what each source would tell of the blur of a scan, the truth being known."""
    known = known_calibration(protocol_of(case, scene_of(case)))
    box_mm = _WIDER * scan.nominal_slice_mm
    edge = replace(known.blur, box_mm=box_mm, second_box_mm=0.6 * box_mm)
    return {
        "the scan itself": None,
        "the in-plane curve, as an edge of skin or gas would tell it": Calibration(
            edge, np.diag(_EDGE_SD**2)
        ),
        "all of it, as a rod in water tells it": Calibration(known.blur, np.diag(TRANSFER_SD**2)),
        "all of it, as it is": known,
    }


@question()
def sources(case: Case, work: Path) -> list[Record]:
    """What each source of the blur is worth, measured with what it would tell."""
    phantom = phantom_of(case, work / "scans")
    records = []
    for way, told in sources_of(case, phantom.scan).items():
        halo = take(case, phantom, lent=told).halo
        records += [{"way": way} | record for record in sides_errors(halo, phantom.truth)]
    return records


def sides_errors(halo: Halo, truth: Truth) -> list[Record]:
    """Return errors of the sides' means, and their detection limits."""
    return [
        {"side": side, "limit_mm": getattr(halo, side).detection_limit.value}
        | _compared(getattr(halo, side).mean_width, width)
        for side, width in true_sides(truth).items()
        if getattr(halo, side).mean_width.is_known
    ]


@question()
def lent(case: Case, work: Path) -> list[Record]:
    """A CT of the first days lends its blur: widths with and without it, and the change since then."""
    cache, bare = work / "scans", without_halo(case)
    first = take(bare, phantom_of(bare, cache))
    screw, frame = first.placed.screw, first.placed.frame
    blur = calibrate_on_first_days(first.fitted, first.phantom.scan, screw, frame)
    phantom, records = phantom_of(case, cache), []
    for way, told in (("itself", None), ("the CT of the first days", blur)):
        halo = take(case, phantom, lent=told).halo
        change = measure_change(first.halo, halo, is_one_protocol=True)
        for record in sides_errors(halo, phantom.truth):
            since = getattr(change, record["side"])
            width = true_sides(phantom.truth)[record["side"]]
            told_of = {"change": _compared(since, width)} if since.is_known else {}
            records.append({"way": way} | record | told_of)
    return records


def _true_on(truth: Truth, halo: Halo) -> np.ndarray:
    """Return the true width at the cells of a halo, mm, shape (D, S)."""
    depth = np.abs(halo.map.depth_mm[:, None] - truth.depth_mm).argmin(axis=1)
    away = np.abs((halo.map.angle_deg[:, None] - truth.angle_deg + 180.0) % 360.0 - 180.0)
    return np.asarray(truth.width_mm[np.ix_(depth, away.argmin(axis=1))])


@cli.command()
@click.option("--write", is_flag=True, help="Put the tables into docs/halo.md.")
@work_option
def report(write: bool, work: Path) -> None:
    """Print the tables of the last version that was run, each question by itself."""
    records = read_records(work / "questions.jsonl")
    tables = {"planted": planted_table(records), "ahead": ahead_table(records)}
    tables |= {what: ways_table(latest(records, what)) for what in ("sources", "lent")}
    both = [r for what in ("controls", "again") for r in latest(records, what) if r["kind"] == "width"]
    tables |= {"together": ways_table(both, "widths of"), "differences": differences_table(records)}
    told = {name: table for name, table in tables.items() if table}
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), told), encoding="utf-8")
    click.echo("\n\n".join(told.values()))


def latest(records: Iterable[Record], what: str) -> list[Record]:
    """Return the answers to one question by the version that was asked last."""
    every = [r for r in records if r["what"] == what]
    return [r for r in every if r["version"] == every[-1]["version"] and r["side"]]


def planted_table(records: Sequence[Record]) -> str:
    """Return how often halos were to be found, and were, by their true width."""
    asked = [r for r in latest(records, "planted") if r["told"] is not None]
    rows = [("true mean width, mm", "sides", "told: found", "found")]
    groups = [(_CLASS_WORDS[k], *_CLASSES_MM[k]) for k in range(len(_CLASSES_MM))]
    for words, low, high in (*groups, ("all above 0", 0.001, 9.0)):
        some = [r for r in asked if low < r["true_mm"] <= high]
        if some:
            shares = (100.0 * float(np.mean([r[key] for r in some])) for key in ("told", "found"))
            rows.append((words, str(len(some)), *(f"{share:.0f} %" for share in shares)))
    return markdown_rows(rows) if asked else ""


def ahead_table(records: Sequence[Record]) -> str:
    """Return what was predicted as a share of what was reached."""
    asked = latest(records, "ahead")
    rows = [("change", "scans", "± 95 % now", "predicted", "reached", "predicted by reached, middle 80 %")]
    for change in dict.fromkeys(r["change"] for r in asked):
        some = [r for r in asked if r["change"] == change]
        means = (np.median([r[key][0] for r in some]) for key in ("now", "told", "reached"))
        ratio = np.quantile([r["told"][0] / r["reached"][0] for r in some], [0.1, 0.5, 0.9])
        span = f"{ratio[1]:.2f} ({ratio[0]:.2f} to {ratio[2]:.2f})"
        rows.append((change, str(len(some)), *(f"{m:.2f} mm" for m in means), span))
    return markdown_rows(rows) if asked else ""


def differences_table(records: Sequence[Record]) -> str:
    """Return errors of differences: the other side, the other screw, another scan of the protocol."""
    again = latest(records, "again")
    groups = {
        "tip side less head side, one screw": [
            r["difference"] for r in latest(records, "planted") if "difference" in r
        ],
        "one screw less the other, one scan": [
            r for r in latest(records, "controls") if r["kind"] == "difference"
        ],
        "change to another scan of the protocol, as before": [r for r in again if r["kind"] == "as before"],
        "change to another scan of the protocol, grown": [r for r in again if r["kind"] == "grown"],
    }
    since = [r for r in latest(records, "lent") if "change" in r]
    for way in dict.fromkeys(r["way"] for r in since):
        words = f"change since a CT of the first days, blur of the later one from {way}"
        groups[words] = [r["change"] for r in since if r["way"] == way]
    rows = [
        ("difference of side means", *_ERRORS),
        *(_errors(*group) for group in groups.items() if group[1]),
    ]
    return markdown_rows(rows) if len(rows) > 1 else ""


def ways_table(asked: Sequence[Record], head: str = "blur from") -> str:
    """Return the errors of side means by the way they were read."""
    rows = [(head, *_ERRORS, "detection limit, median")]
    for way in dict.fromkeys(r["way"] for r in asked):
        some = [r for r in asked if r["way"] == way]
        rows.append((*_errors(way, some), f"{np.median([r['limit_mm'] for r in some]):.2f} mm"))
    return markdown_rows(rows) if asked else ""


_ERRORS = ("number", "bias", "RMSE", "95 % of errors within", "± 95 % told", "holds")


def _errors(words: str, some: Sequence[Record]) -> tuple[str, ...]:
    """Return a row of a table on errors and what was told of them."""
    error = np.array([r["error_mm"] for r in some])
    figures = (error.mean(), math.sqrt(np.mean(error**2)), np.quantile(np.abs(error), 0.95))
    told = float(np.median([r["u95_mm"] for r in some]))
    holds = 100.0 * float(np.mean([r["holds"] for r in some]))
    return (words, str(len(some)), *(f"{f:.2f} mm" for f in (*figures, told)), f"{holds:.0f} %")


if __name__ == "__main__":
    cli()
