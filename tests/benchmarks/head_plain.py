"""Heads of many shapes on screws in plain bone, whole, broken or bent (`tests/plain_head.py`).

    python tests/benchmarks/head_plain.py run --lot tuning --cases 64
    python tests/benchmarks/head_plain.py report --lot tuning

Nothing is told of the screw but its outer diameter. Scans are kept in the work folder; a run that was stopped
goes on where it stopped.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd

from ongrowth.scan import Refused, Scan
from ongrowth.screw import ScrewSpec, find_screws
from ongrowth_phantoms.grid.measure import code_version
from ongrowth_phantoms.grid.run import append_records, read_records
from ongrowth_phantoms.grid.table import markdown_rows

sys.path.insert(0, str(Path(__file__).parents[1]))

from plain_head import HEADS, Headed, case, drawn  # lies beside the tests

WORK = Path(tempfile.gettempdir()) / "ongrowth-grid"
LOTS = ("tuning", "test")


def scan_of(lot: str, number: int, work: Path) -> Scan:
    """Return the scan of a case, kept once it is made."""
    kept = work / "plain-heads" / f"{lot}-{number:03d}.pickle"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    scan = drawn(case(lot, number))
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.with_suffix(".part").write_bytes(pickle.dumps(scan))
    kept.with_suffix(".part").replace(kept)
    return scan


def measured(headed: Headed, scan: Scan) -> dict[str, Any]:
    """Return what is told of a screw, and how far its axis and its head end lie from the truth."""
    row: dict[str, Any] = {"head": headed.head, "true": headed.state}
    try:
        found = find_screws(scan, [ScrewSpec(major_diameter_mm=2.0 * headed.crest_mm)]).screws
    except Refused as error:
        return row | {"told": f"refused: {error.problems[0].code}"}
    screw = found[0]
    head, tip = headed.ends_mm
    integrity, off = screw.integrity, screw.head_mm - head
    along = float(off @ headed.course)
    way, true = (apart / np.linalg.norm(apart) for apart in (screw.tip_mm - screw.head_mm, tip - head))
    return row | {
        "told": integrity.state,
        "smallest_mm": integrity.smallest_shown_mm,
        "is_hidden": headed.bend_deg > 0.0 and not headed.bend_deg > integrity.bend_deg.below_limit,
        "axis_deg": float(np.degrees(np.arccos(min(1.0, float(way @ true))))),
        "aside_mm": float(np.linalg.norm(off - along * headed.course)),
        "along_mm": along,
    }


@click.group(help=__doc__)
def cli() -> None:
    pass


lot_option = click.option("--lot", type=click.Choice(LOTS), default="tuning", show_default=True)
work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)


@cli.command()
@lot_option
@click.option("--cases", default=64, show_default=True)
@work_option
def run(lot: str, cases: int, work: Path) -> None:
    """Draw and measure."""
    kept, version = work / f"plain-heads-{lot}.jsonl", code_version()
    done = {r["number"] for r in read_records(kept) if r["version"] == version}
    for number in sorted(set(range(cases)) - done):
        row = measured(case(lot, number), scan_of(lot, number, work))
        append_records(kept, [{"number": number, "version": version} | row])
        click.echo(f"{number}: {row}", err=True)


@cli.command()
@lot_option
@work_option
def report(lot: str, work: Path) -> None:
    """Print the table."""
    every = read_records(work / f"plain-heads-{lot}.jsonl")
    click.echo(told([r for r in every if r["version"] == every[-1]["version"]]))


def told(records: list[dict[str, Any]]) -> str:
    """Return what is told of whole screws and of others, by head; axis and head end of the whole ones."""
    table = pd.DataFrame(records)
    rows = [("head", "whole", "told otherwise", "broken or bent", "told whole", "bend below its limit",
             "axis, median and most", "head end aside", "along")]  # fmt: skip
    for name in (*HEADS, "all"):
        these = table if name == "all" else table[table["head"] == name]
        is_whole = these["true"] == "no interruption shown"
        whole, others = these[is_whole], these[~is_whole]
        missed = others[others["told"] == "no interruption shown"]
        figures = [_figure(whole[column].abs()) for column in ("axis_deg", "aside_mm", "along_mm")]
        rows.append((
            name, str(len(whole)), str(int((whole["told"] != whole["true"]).sum())), str(len(others)),
            str(len(missed)), str(int((missed["is_hidden"] == True).sum())), *figures,  # noqa: E712
        ))  # fmt: skip
    return markdown_rows(rows)


def _figure(values: pd.Series) -> str:
    return f"{values.median():.2f}, {values.max():.2f}"


if __name__ == "__main__":
    cli()
