"""The grid that measures the halo against known truth: run it, report it, write docs/accuracy.md.

    python tests/benchmarks/halo_grid.py run --plan any --half tuning --scanner fast --cases 40
    python tests/benchmarks/halo_grid.py plain           at least 60 draws without artefact, and their table
    python tests/benchmarks/halo_grid.py bound           beside the Cramer-Rao bound
    python tests/benchmarks/halo_grid.py whole           everything, for the test half, then the page
    python tests/benchmarks/halo_grid.py report [--half tuning] [--write]

A run that was stopped goes on where it stopped: one line a finished case and way of measuring, named by
the version of the measuring code. Scans are kept in the work folder.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import click
import numpy as np
import pandas as pd

from ongrowth_phantoms.grid import ARMS, CALIPERS, PLANS, draw_case, read_records, run_cases
from ongrowth_phantoms.grid.bound import bound_of
from ongrowth_phantoms.grid.draw import BOUND_WIDTHS_MM, HALVES, bound_case
from ongrowth_phantoms.grid.page import fill, page_tables, write_plots
from ongrowth_phantoms.grid.table import Score, markdown, sides_table
from ongrowth_phantoms.truth import HEAD, TIP

DOCS = Path(__file__).parents[2] / "docs"
WORK = Path(tempfile.gettempdir()) / "ongrowth-grid"
USUAL_ARMS = ("given, known", "found, calibrated", "found, free", *CALIPERS)
PLAIN_ARMS = ("found, known", "found, free", *CALIPERS)
TEXTURE_HU = 110.0

work_option = click.option(
    "--work", type=click.Path(path_type=Path), default=WORK, show_default=True, help="Scans and results."
)
workers_option = click.option("--workers", default=os.cpu_count() or 1, show_default=True)
arms_option = click.option(
    "--arms",
    "arms",
    multiple=True,
    type=click.Choice([*ARMS, *CALIPERS]),
    default=USUAL_ARMS,
    show_default=True,
)


@click.group(help=__doc__)
def cli() -> None:
    pass


def results_of(work: Path) -> Path:
    return work / "results.jsonl"


def tell(text: str) -> None:
    click.echo(text, err=True)


def run_plan(
    plan: str, half: str, scanner: str, cases: range, arms: tuple[str, ...], work: Path, workers: int
) -> None:
    drawn = [draw_case(plan, half, scanner, number) for number in cases]
    run_cases(drawn, arms, results_of(work), cache=work / "scans", workers=workers, tell=tell)


@cli.command()
@click.option("--plan", type=click.Choice(list(PLANS)), default="any", show_default=True)
@click.option("--half", type=click.Choice(list(HALVES)), default="tuning", show_default=True)
@click.option("--scanner", type=click.Choice(["fast", "full"]), default="fast", show_default=True)
@click.option("--cases", default=40, show_default=True)
@click.option("--first", default=0, show_default=True)
@arms_option
@work_option
@workers_option
def run(
    plan: str,
    half: str,
    scanner: str,
    cases: int,
    first: int,
    arms: tuple[str, ...],
    work: Path,
    workers: int,
) -> None:
    """Run cases of one plan."""
    run_plan(plan, half, scanner, range(first, first + cases), arms, work, workers)


@cli.command()
@click.option("--cases", default=60, show_default=True)
@work_option
@workers_option
def plain(cases: int, work: Path, workers: int) -> None:
    """Random width, blur (0.6 to 1.2 mm) and pose without artefact, beside the calipers."""
    run_plan("plain", "test", "fast", range(cases), PLAIN_ARMS, work, workers)
    click.echo(page_tables(read_records(results_of(work)), "test")["plain"])


@cli.command()
@click.option("--draws", default=6, show_default=True, help="Of each width, with and without texture.")
@work_option
@workers_option
def bound(draws: int, work: Path, workers: int) -> None:
    """The estimator beside the Cramer-Rao bound, blur and screw known."""
    click.echo(bound_table(draws, work, workers))


def bound_table(draws: int, work: Path, workers: int) -> str:
    """Measure phantoms with white noise; set error beside the bounds of the same phantoms."""
    cases = [bound_case(number) for number in range(8 * draws)]
    run_cases(cases, ["given, known"], results_of(work), cache=work / "scans", workers=workers, tell=tell)
    sides = sides_table(r for r in read_records(results_of(work)) if r["factors"]["plan"] == "bound")
    lines = []
    for number, width in enumerate(BOUND_WIDTHS_MM):
        like = sides[np.isclose(sides["true_mm"], width, atol=0.01)]
        bare, rough = (Score.of(like[like["texture"] == t]) for t in ("bare", "textured"))
        bounds = [
            bound_of(bound_case(number + 8 * k), side, TEXTURE_HU) for k in range(2) for side in (HEAD, TIP)
        ]
        lines.append(
            {
                "width mm": width,
                "sides": bare.sides,
                "bound, all known": f"{np.mean([b.known_mm for b in bounds]):.3f}",
                "bound, levels found": f"{np.mean([b.levels_mm for b in bounds]):.3f}",
                "bare bone: bias": f"{bare.bias_mm:+.3f}",
                "bare bone: RMSE": f"{bare.rmse_mm:.3f}",
                "bound, textured bone": f"{np.mean([b.texture_mm for b in bounds]):.3f}",
                "textured bone: bias": f"{rough.bias_mm:+.3f}",
                "textured bone: RMSE": f"{rough.rmse_mm:.3f}",
            }
        )
    text = markdown(pd.DataFrame(lines))
    (work / "bound.md").write_text(text, encoding="utf-8")
    return text


@cli.command()
@click.option("--half", type=click.Choice(list(HALVES)), default="test", show_default=True)
@click.option("--write", is_flag=True, help="Fill docs/accuracy.md and its plots.")
@work_option
def report(half: str, write: bool, work: Path) -> None:
    """Print the tables of what was run."""
    write_report(half, work, is_written=write)


def write_report(half: str, work: Path, *, is_written: bool) -> None:
    records = read_records(results_of(work))
    tables = page_tables(records, half)
    bound_file = work / "bound.md"
    tables |= {"bound": bound_file.read_text(encoding="utf-8")} if bound_file.exists() else {}
    for name, text in tables.items():
        click.echo(f"## {name}\n\n{text}")
    if is_written:
        page = DOCS / "accuracy.md"
        page.write_text(fill(page.read_text(encoding="utf-8"), tables), encoding="utf-8")
        for path in write_plots(records, half, DOCS):
            tell(str(path))


@cli.command()
@click.option("--cases", default=100, show_default=True, help="Of the test half, with the full scanner.")
@click.option("--draws", default=6, show_default=True, help="Of each width beside the bound.")
@work_option
@workers_option
def whole(cases: int, draws: int, work: Path, workers: int) -> None:
    """Run everything for the test half and write the page."""
    run_plan("plain", "test", "fast", range(60), PLAIN_ARMS, work, workers)
    for plan, scanner, number in (
        ("any", "full", cases),
        ("any", "fast", cases // 2),
        ("streaks", "full", 12),
        ("retest", "full", 30),
    ):
        run_plan(plan, "test", scanner, range(number), USUAL_ARMS, work, workers)
    bound_table(draws, work, workers)
    write_report("test", work, is_written=True)


if __name__ == "__main__":
    cli()
