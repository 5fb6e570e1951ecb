"""Whole courses by the full scanner, judged at their last visit: what was said against what is true.

    python tests/benchmarks/courses.py run --courses 40
    python tests/benchmarks/courses.py report [--write]     --write puts the tables into docs/windows.md

The case file is the one a user would write. Beside it answer, on the same CTs, a rule that uses the week
alone and a reader with a caliper. A run that was stopped goes on where it stopped; scans are kept in the
work folder.
"""

from __future__ import annotations

import itertools
import json
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click
import numpy as np

import ongrowth
from ongrowth.case import run_case
from ongrowth.casefile import CaseFile, read_case_file
from ongrowth.findings import gravest, lines_of, rows_for, shipped_windows
from ongrowth.reading import Against, Case
from ongrowth.scan import Refused
from ongrowth.wording import say
from ongrowth_phantoms.grid.course import KINDS, OUTSIDE, draw_course, write_course
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.phantom import files_digest
from ongrowth_phantoms.grid.run import append_records, read_records
from ongrowth_phantoms.grid.table import markdown_rows

Record = dict[str, Any]

PAGE = Path(__file__).parents[2] / "docs" / "windows.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-courses"
READERS = ("ongrowth", "caliper", "week alone")
ANSWERS = tuple(a.value for a in Against)
_TURN_WEEKS = 12.0  # from here on the rule of the week alone takes any dark line for a finding
# Of the reader with the caliper, beside the limits of the windows; project's choice.
_GROWN_MM, _UNLIKE_MM = 0.5, 1.0
_CLASSES = (("truly below 0.5 mm", 0.0, 0.5), ("0.5 to 1 mm", 0.5, 1.0), ("1 mm and more", 1.0, 9.0))

work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)
half_option = click.option("--half", type=click.Choice(["tuning", "test"]), default="test", show_default=True)


@click.group(help=__doc__)
def cli() -> None:
    pass


@cli.command()
@half_option
@click.option("--courses", default=40, show_default=True)
@click.option("--first", default=0, show_default=True)
@work_option
def run(half: str, courses: int, first: int, work: Path) -> None:
    """Draw, scan and measure courses."""
    results, version = work / "results.jsonl", whole_version()
    done = {(r["half"], r["number"]) for r in read_records(results) if r["version"] == version}
    for number in range(first, first + courses):
        if (half, number) in done:
            continue
        folder = write_course(draw_course(number, half), work / half)
        started = time.process_time()
        record = measured(folder, number) | {"half": half, "version": version}
        append_records(results, [record | {"seconds": time.process_time() - started}])
        click.echo(
            f"{number} {record['kind']} {record['weeks']} {record['answer']} {record['lines']}", err=True
        )


def whole_version() -> str:
    """Return a digest of all that a course passes through: the whole program, and what it expects when."""
    package = Path(ongrowth.__file__).parent
    return files_digest([*package.rglob("*.py"), package / "data" / "windows.toml"])


def measured(folder: Path, number: int) -> Record:
    """Follow one course as a user would; return what is said at its last visit, with what the others say."""
    facts = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    course = facts["course"]
    case_file = read_case_file(folder / "case.toml")
    case, refused = None, ""
    try:
        case = run_case(case_file)
    except Refused as error:
        refused = str(error)
    lines = lines_at_the_end(case) if case else {}
    return {
        "number": number,
        "kind": course["kind"],
        "weeks": course["weeks"],
        "kernel": course["kernel"],
        "refused": refused,
        "lines": lines,
        "findings": findings_of(case) if case else [],
        "widths": widths_of(case, facts) if case else [],
        "answer": answer_of(lines),
        "others": {
            "caliper": caliper_answer(case_file, facts).value,
            "week alone": week_answer(course["weeks"][-1]).value,
        },
    }


def lines_at_the_end(case: Case) -> dict[str, str]:
    """Return how the lines on halo and metal stand at the last visit; bridging is another question."""
    found = case.readings[-1].implants
    lines = lines_of(found[0].id, case.findings) if found else ()
    return {line.key: line.result.value for line in lines if line.key != "bridging"}


def findings_of(case: Case) -> list[list[str]]:
    """Return place, quantity, value and result of each finding, to look into a course."""
    return [[f.site, f.quantity, say(f.value), f.against_window.value, f.state] for f in case.findings]


def widths_of(case: Case, facts: Record) -> list[list[float]]:
    """Return what is true of each side on each CT, what was read, and its 95 % interval, mm."""
    true_mm = {visit["weeks"]: visit["true_mm"] for visit in facts["visits"]}
    out = []
    for reading in case.readings:
        for implant, side in itertools.product(reading.implants, ("head_side", "tip_side")):
            read = getattr(implant.halo, side).mean_width
            true = true_mm[reading.scan.weeks_since_surgery][side]
            if read.is_known and true is not None:
                out.append([true, read.value, read.low95, read.high95])
    return out


def answer_of(lines: dict[str, str]) -> str:
    """Return what the lines amount to; as expected only where both sides of the halo are."""
    halo = [lines.get(side, Against.NOT_MEASURABLE.value) for side in ("head_side", "tip_side")]
    return gravest(Against(one) for one in (*halo, lines.get("metal", Against.AS_EXPECTED.value))).value


def week_answer(weeks: float) -> Against:
    """Return the answer of a rule that knows the week only: dark lines are usual up to a week, not after."""
    return Against.AS_EXPECTED if weeks < _TURN_WEEKS else Against.OUTSIDE


def caliper_answer(case_file: CaseFile, facts: Record) -> Against:
    """Return what a reader says who measures both sides, holds them against the windows and sees a break."""
    first, last = facts["visits"][0], facts["visits"][-1]
    widths = {side: value for side, value in last["caliper_mm"].items() if value is not None}
    if facts["course"]["kind"] == "broken":
        return Against.OUTSIDE
    if not widths:
        return Against.NOT_MEASURABLE
    grown = [value - first["caliper_mm"].get(side, value) for side, value in widths.items()]
    if max(grown) > _GROWN_MM or max(widths.values()) - min(widths.values()) > _UNLIKE_MM:
        return Against.OUTSIDE
    surface = case_file.implant[0].spec().surface
    beyond = [
        row.beyond
        for side, value in widths.items()
        for row in rows_for(shipped_windows(), surface, "mean_width", side, last["weeks"])
        if value > row.high
    ]
    return gravest([Against.AS_EXPECTED, *beyond])


@cli.command()
@half_option
@click.option("--write", is_flag=True, help="Put the tables into docs/windows.md.")
@work_option
def report(half: str, work: Path, write: bool) -> None:
    """Print the tables of the last version that was run."""
    records = latest(r for r in read_records(work / "results.jsonl") if r["half"] == half)
    if not records:
        raise click.UsageError("Nothing was run yet.")
    tables = {
        "courses": truth_table(records), "courses beside": score_table(records),
        "courses widths": widths_table(records),
    }  # fmt: skip
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), tables), encoding="utf-8")
    click.echo("\n\n".join(tables.values()))


def latest(records: Iterable[Record]) -> list[Record]:
    """Return the records of the version that was run last, each course once."""
    every = list(records)
    return list({r["number"]: r for r in every if r["version"] == every[-1]["version"]}.values())


def truth_table(records: Sequence[Record]) -> str:
    """Return what was said of each kind of course, as a table in Markdown."""
    rows = [("course", "should be said", "courses", *ANSWERS)]
    for kind, (says, _) in KINDS.items():
        said = Counter(r["answer"] for r in records if r["kind"] == kind)
        rows.append((kind, says, str(said.total()), *(str(said[answer]) for answer in ANSWERS)))
    return markdown_rows(rows)


def score_table(records: Sequence[Record]) -> str:
    """Return false alarms, misses and what is left undecided, of each reader."""
    rows = [("", *READERS)]
    outside = [r for r in records if KINDS[r["kind"]][0] == OUTSIDE]
    inside = [r for r in records if r not in outside]
    due = [r for r in records if KINDS[r["kind"]][0] != "not outside"]
    for words, among, wanted in (
        ("false alarm: outside, though nothing is", inside, {"outside"}),
        ("missed: as expected, though something is outside", outside, {"as expected"}),
        ("undecided, though an answer is due", due, {"undecided"}),
        ("not measurable", records, {"not measurable"}),
    ):
        shares = (f"{sum(_said(r, who) in wanted for r in among)} of {len(among)}" for who in READERS)
        rows.append((words, *shares))
    return markdown_rows(rows)


def widths_table(records: Sequence[Record]) -> str:
    """Return how near the widths behind the answers are to the truth, and how often intervals hold it."""
    rows = [("mean width of a side", "number", "bias", "RMSE", "± 95 % told", "holds")]
    for words, low, high in (("all", 0.0, 9.0), *_CLASSES):
        sides = np.array([w for r in records for w in r["widths"] if low <= w[0] < high])
        if not len(sides):
            continue
        true, read, least, most = sides.T
        off, half = read - true, (most - least) / 2.0
        holds = (least <= true) & (true <= most)
        rows.append((
            words, str(len(sides)), f"{off.mean():.2f} mm", f"{np.sqrt((off**2).mean()):.2f} mm",
            f"{half.mean():.2f} mm", f"{100.0 * holds.mean():.0f} %",
        ))  # fmt: skip
    return markdown_rows(rows)


def _said(record: Record, who: str) -> str:
    return str(record["answer"] if who == "ongrowth" else record["others"][who])


if __name__ == "__main__":
    cli()
