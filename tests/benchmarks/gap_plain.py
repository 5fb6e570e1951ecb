"""Gaps and bridges in another world: plain bone, a Gaussian blur (`tests/plain_gap.py`). Against truth.

    python tests/benchmarks/gap_plain.py run --lot test --cases 90     beside a reader with a fixed threshold
    python tests/benchmarks/gap_plain.py report --lot test [--write]   --write: into docs/bridging.md

Screw and defect are found, or both sides of an arch before surgery; where a gap is not seen it is measured in
the true plane. Neither the estimator nor the project's phantoms share code with these. Scans are kept in the
work folder; a run that was stopped goes on where it stopped.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from scipy import ndimage

from ongrowth.bridge import Bridge, measure_bridge, measure_open_gap
from ongrowth.defect import DefectPlane, between_planes, find_defect, find_open_defects, given_defect
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.scan import Problem, Scan
from ongrowth.screw import ScrewSpec, find_screws
from ongrowth_phantoms.grid.measure import code_version
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.run import append_records, read_records
from ongrowth_phantoms.grid.table import markdown_rows

sys.path.insert(0, str(Path(__file__).parents[1]))

from plain_gap import Gapped, Truth, case, drawn, truth  # lies beside the tests
from plain_phantom import SIZES

Record = dict[str, Any]
PAGE = Path(__file__).parents[2] / "docs" / "bridging.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-grid"
LOTS = ("tuning", "test")
THRESHOLD_HU = 200.0  # bone above, common practice, no source
WHOLE = 0.97  # bridged: no plane is left to be seen


def scan_of(lot: str, number: int, work: Path) -> Scan:
    """Return the scan of a case, kept once it is made."""
    kept = work / "plain-gaps" / f"{lot}-{number:03d}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    scan = drawn(case(lot, number))
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.with_suffix(".part").write_bytes(pickle.dumps(scan))
    kept.with_suffix(".part").replace(kept)
    return scan


def measured(gapped: Gapped, scan: Scan) -> list[Record]:
    """Return a record for each neck: what was found and measured, and what is true."""
    return (_with_screw if gapped.has_screw else _before)(gapped, scan)


def _with_screw(gapped: Gapped, scan: Scan) -> list[Record]:
    screw = find_screws(scan, [ScrewSpec(**SIZES)]).screws[0]
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    found = find_defect(scan, screw, frame)
    row = _common(gapped, 0) | _plane(found)
    if not gapped.necks[0].gap_mm:
        return [row]
    true = truth(gapped)
    defect = found if isinstance(found, DefectPlane) else given_defect(true.point_mm, true.normal, frame)
    return [row | _against(true, found, measure_bridge(scan, screw, frame, defect), scan)]


def _before(gapped: Gapped, scan: Scan) -> list[Record]:
    rows = []
    for k, seen in enumerate(find_open_defects(scan).values()):
        found = seen if isinstance(seen, Problem) else seen.defect
        row = _common(gapped, k) | _plane(found)
        if gapped.necks[k].gap_mm:
            true = truth(gapped, k)
            if isinstance(seen, Problem):
                course = gapped.place(k).course
                frame = ScrewFrame.of(true.point_mm - 15.0 * course, true.point_mm + 15.0 * course)
                defect = given_defect(true.point_mm, true.normal, frame)
            else:
                frame, defect = seen.frame, seen.defect
            row |= _against(true, found, measure_open_gap(scan, frame, defect), scan)
        rows.append(row)
    return rows


def _common(gapped: Gapped, k: int) -> Record:
    neck, scanner = gapped.necks[k], gapped.scanner
    return {
        "neck": k,
        "kind": "screw" if gapped.has_screw else "before",
        "drawn_gap_mm": neck.gap_mm,
        "halo_mm": gapped.halo_mm,
        "slice_mm": scanner.slice_mm,
        "fwhm_mm": scanner.fwhm_mm,
    }


def _plane(found: DefectPlane | Problem) -> Record:
    if isinstance(found, Problem):
        return {"is_found": False, "why": found.code}
    return {
        "is_found": True,
        "found_gap_mm": found.gap_mm,
        "is_unsure": found.is_unsure,
        "u_angle_deg": found.u_angle_deg,
        "u_offset_mm": found.u_offset_mm,
    }


def _against(true: Truth, found: DefectPlane | Problem, bridge: Bridge, scan: Scan) -> Record:
    gap, share = bridge.gap_width_mean, bridge.bridged_fraction
    row: Record = {"true_gap_mm": true.gap_mm, "true_share": true.share, "open_mm": _open_mm(true)}
    row |= {"gap": [gap.value, gap.low95, gap.high95], "share": [share.value, share.low95, share.high95]}
    row |= {
        "section_mm2": bridge.cross_section_mm2.value,
        "true_section_mm2": float(true.section.sum()) * 0.01,
    }
    row |= dict(zip(("hand_gap_mm", "hand_share"), read_by_hand(scan, true), strict=True))
    if isinstance(found, DefectPlane):
        angle, offset = between_planes(found.plane, Plane(true.point_mm, true.normal))
        row |= {"angle_deg": angle, "offset_mm": offset}
    return row


def _open_mm(true: Truth) -> float:
    is_open = true.section & ~true.bridged
    return float(true.left_mm[is_open].mean()) if is_open.any() else 0.0


def read_by_hand(scan: Scan, true: Truth) -> tuple[float, float]:
    """Return mean gap and bridged share as a fixed threshold tells them, plane and section being known.

    Of each line along the normal the dark stretches within a millimetre of the gap are added up.
    """
    places = true.places_mm[true.section][::7]
    half = float(true.left_mm[true.section].max()) / 2.0 + 1.0
    height = np.arange(-half, half + 0.05, 0.1)
    at = places[:, None, :] + height[:, None] * true.normal
    hu = ndimage.map_coordinates(scan.hu.astype(np.float32), scan.voxels(at.reshape(-1, 3)).T, order=1)
    dark = 0.1 * (hu.reshape(at.shape[:2]) <= THRESHOLD_HU).sum(axis=1)
    return float(dark.mean()), float((dark <= 0.05).mean())


@click.group(help=__doc__)
def cli() -> None:
    pass


lot_option = click.option("--lot", type=click.Choice(LOTS), default="tuning", show_default=True)
work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)


@cli.command()
@lot_option
@click.option("--cases", default=60, show_default=True)
@click.option("--first", default=0, show_default=True)
@work_option
def run(lot: str, cases: int, first: int, work: Path) -> None:
    """Draw and measure."""
    kept, version = work / f"plain-gaps-{lot}.jsonl", code_version()
    done = {r["number"] for r in read_records(kept) if r["version"] == version}
    for number in range(first, first + cases):
        if number in done:
            continue
        start = time.perf_counter()
        common = {"number": number, "version": version}
        scan = scan_of(lot, number, work)
        drawn_s = time.perf_counter() - start
        append_records(kept, [common | r for r in measured(case(lot, number), scan)])
        click.echo(f"{number}: {drawn_s:.1f} s, {time.perf_counter() - start - drawn_s:.1f} s", err=True)


@cli.command()
@lot_option
@click.option("--write", is_flag=True)
@work_option
def report(lot: str, work: Path, *, write: bool) -> None:
    """Print the tables."""
    every = read_records(work / f"plain-gaps-{lot}.jsonl")
    text = told([r for r in every if r["version"] == every[-1]["version"]])
    click.echo(text)
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), {"plain gaps": text}), encoding="utf-8")


CLASSES: dict[str, Callable[[pd.DataFrame], pd.Series]] = {
    "slices <= 1.25 mm": lambda t: t["slice_mm"] < 1.5,
    "- with a screw": lambda t: (t["slice_mm"] < 1.5) & (t["kind"] == "screw"),
    "- before surgery": lambda t: (t["slice_mm"] < 1.5) & (t["kind"] == "before"),
    "- gap below 1 mm": lambda t: (t["slice_mm"] < 1.5) & (t["drawn_gap_mm"] < 1.0),
    "- gap 1 to 2.5 mm": lambda t: (t["slice_mm"] < 1.5) & t["drawn_gap_mm"].between(1.0, 2.5),
    "- gap above 2.5 mm": lambda t: (t["slice_mm"] < 1.5) & (t["drawn_gap_mm"] > 2.5),
    "- blur below 1 mm": lambda t: (t["slice_mm"] < 1.5) & (t["fwhm_mm"] < 1.0),
    "- blur 1 to 1.4 mm": lambda t: (t["slice_mm"] < 1.5) & (t["fwhm_mm"] >= 1.0),
    "slices 2 and 3 mm": lambda t: t["slice_mm"] > 1.5,
}


def told(records: list[Record]) -> str:
    """Return what is told of necks that are whole, and the tables of those that are severed."""
    table = pd.DataFrame(records)
    whole, severed = table[table["drawn_gap_mm"] == 0.0], table[table["drawn_gap_mm"] > 0.0].copy()
    for name in ("gap", "share"):
        severed[[f"{name}_mid", f"{name}_low", f"{name}_high"]] = severed[name].to_list()
    severed = severed.astype({f"{n}_{e}": float for n in ("gap", "share") for e in ("mid", "low", "high")})
    before = table[table["kind"] == "before"]
    is_right = before["is_found"] == (before["drawn_gap_mm"] > 0.0)
    head = (
        f"{table['number'].nunique()} phantoms, {len(table)} necks of bone. Of {len(whole)} whole ones a "
        f"plane is seen in {int(whole['is_found'].sum())}. Before surgery "
        f"{int(is_right.sum())} of {len(before)} sides are told rightly to be severed or not."
    )
    return "\n\n".join((head, *(markdown_rows(rows) for rows in _tables(severed)), _unreached(severed)))


def _tables(severed: pd.DataFrame) -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    planes = [("plane", "necks", "found", "angle, median and 95 %", "offset, 95 %", "within 3° and 0.4 mm",
               "or said to be unsure or not seen")]  # fmt: skip
    figures = [("", "necks", "answered", "mean gap: bias", "RMSE", "u95 holds", "threshold: RMSE",
                "bridged: bias", "RMSE", "u95 holds", "threshold: RMSE")]  # fmt: skip
    for name, of_class in CLASSES.items():
        rows = severed[of_class(severed)]
        seen = rows[rows["true_share"] < WHOLE]
        hit = seen[seen["is_found"]]
        near = (hit["angle_deg"] <= 3.0) & (hit["offset_mm"] <= 0.4)
        right = near | hit["is_unsure"].astype(bool)
        planes.append((
            name, str(len(seen)), _percent(len(hit) / len(seen)),
            f"{hit['angle_deg'].median():.1f}°, {hit['angle_deg'].quantile(0.95):.1f}°",
            f"{hit['offset_mm'].quantile(0.95):.2f} mm", _percent(near.sum() / len(seen)),
            _percent((right.sum() + len(seen) - len(hit)) / len(seen)),
        ))  # fmt: skip
        figures.append((name, str(len(rows)), _percent(rows["gap_mid"].notna().mean()), *_figures(rows)))
    return planes, figures


def _figures(rows: pd.DataFrame) -> tuple[str, ...]:
    out = []
    for name, true, hand, scale, form in (
        ("gap", "true_gap_mm", "hand_gap_mm", 1.0, "{:{}.2f} mm"),
        ("share", "true_share", "hand_share", 100.0, "{:{}.1f}"),
    ):
        known = rows[rows[f"{name}_mid"].notna()]
        away = scale * (known[f"{name}_mid"] - known[true])
        held = (known[f"{name}_low"] <= known[true] + 1e-9) & (known[true] <= known[f"{name}_high"] + 1e-9)
        by_hand = scale * (rows[hand] - rows[true])
        out += [form.format(away.mean(), "+"), form.format(_rms(away), ""), _percent(held.mean())]
        out.append(form.format(_rms(by_hand), ""))
    return tuple(out)


def _unreached(severed: pd.DataFrame) -> str:
    none = severed[(severed["true_share"] == 0.0) & (severed["slice_mm"] < 1.5)]
    ours, by_hand = none["share_mid"], none["hand_share"]
    return (
        f"Where nothing reaches from edge to edge ({len(none)} gaps in slices of up to 1.25 mm) bone is read "
        f"in {int((ours > 0.0).sum())}, the most {_percent(ours.max())}; by the threshold in "
        f"{int((by_hand > 0.005).sum())}, the most {_percent(by_hand.max())}."
    )


def _rms(values: pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


if __name__ == "__main__":
    cli()
