"""The researcher's commands: ``cohort``, ``agreement``, ``courses``, ``windows``, ``readers``."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ongrowth.cli.door import (
    OK,
    SOME_FAILED,
    Amount,
    debug_option,
    json_option,
    misuse,
    must_be_apart,
    must_be_writable,
    must_exist,
    out_folder_option,
    print_or_write,
    tell,
    windows_option,
)
from ongrowth.sentence import counted

if TYPE_CHECKING:
    import pandas as pd

    from ongrowth.agreement import Layout, Statistic
    from ongrowth.cohort import CohortRun, Executor, Job, Manifest, Progress, Tables
    from ongrowth.scan import Problem

_TABLE_KEYS = ("case", "scan", "implant", "side", "quantity")
_VALUE = "value"  # column of a number, where no other is named
_PATH = click.Path(path_type=Path)


@click.command()
@click.argument("manifest", type=_PATH)
@out_folder_option
@click.option("--dry-run", is_flag=True, help="Say all that is wrong with the manifest; measure nothing.")
@click.option("--workers", type=click.IntRange(1, 4096), help="Worker processes. [default: one per core]")
@click.option("--scheduler", metavar="ADDRESS", help="Dask scheduler whose workers measure.")
@click.option("--in-process", is_flag=True, help="Measure in this process, without limits: to find faults.")
@click.option(
    "--calibration", type=_PATH, help="Calibration or bank: file or folder, where a row names none."
)
@windows_option
@click.option("--minutes", type=Amount(0.01), default=30.0, show_default=True, help="Time for a scan.")
@click.option("--memory-gb", type=Amount(0.2), default=6.0, show_default=True, help="Memory for a scan.")
@click.option("--skip-bad-rows", is_flag=True, help="Leave rows with a fault out; they go into failures.csv.")
@click.option("--retry-failed", is_flag=True, help="Try scans again that failed in an earlier run.")
@click.option("--renew", is_flag=True, help="Replace results of another version of the program.")
@json_option
@debug_option
def cohort(manifest: Path, out: Path, as_json: bool, **given: Any) -> int:  # noqa: FBT001
    """Measure all scans of a manifest, CSV or Parquet.

    One result file for each scan; what is finished is kept, so the same command resumes a stopped run.
    """
    must_exist(manifest, "MANIFEST")
    for name in ("calibration", "windows"):
        must_exist(given[name], f"--{name}")
    if given["in_process"]:
        _keep_to_one_thread()
    _must_have("pyarrow", "distributed")
    must_be_writable(out)
    if given["dry_run"]:
        _look_through(manifest, out, given)
        return OK
    read = _read_manifest(manifest, given)
    _must_lie_apart(read.jobs, out)
    from ongrowth.cohort import patient_doubts, run_cohort, write_tables
    from ongrowth.cohort.page import write_report

    executor = _executor(given)
    run = run_cohort(
        read,
        out,
        executor=executor,
        retry_failed=given["retry_failed"],
        renew=given["renew"],
        progress=_Ticker(),
    )
    tell("Writing the tables")
    tables = write_tables(read, out)
    page = write_report(read, out, tables, type(executor).__name__)
    for problem in patient_doubts(read, out):
        click.echo(str(problem), err=True)
    _tell_cohort(run, tables, page, as_json=as_json)
    return SOME_FAILED if tables.n_failed else OK


def _must_lie_apart(jobs: Sequence[Job], out: Path) -> None:
    """Refuse an output folder whose results would come to lie where the CTs lie."""
    for job in jobs:
        must_be_apart(out / "scans" / job.case, job.path, job.scan)


def _keep_to_one_thread() -> None:
    """Set what numerics look at when they are loaded; nothing of them is loaded yet."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    os.environ.setdefault("ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS", "1")


def _must_have(*packages: str) -> None:
    from importlib.util import find_spec

    lacking = [name for name in packages if find_spec(name) is None]
    if lacking:
        from ongrowth.wording import install_words

        raise misuse("not-installed", f"This command needs {', '.join(lacking)}.", install_words("cohort"))


def _read_manifest(path: Path, given: dict[str, Any]) -> Manifest:
    """Return the manifest; all that is wrong with it is told at once."""
    from ongrowth.cohort import read_manifest
    from ongrowth.cohort.manifest import told
    from ongrowth.findings import read_windows

    if given["windows"]:
        read_windows(given["windows"])
    read = read_manifest(
        path,
        calibration=given["calibration"],
        windows=given["windows"].resolve() if given["windows"] else None,
        skip_bad_rows=given["skip_bad_rows"],
    )
    for problem in (*told(read.faults), *read.notes):
        click.echo(str(problem), err=True)
    n_cases = len({job.case for job in read.jobs})
    size = f"{counted(len(read.jobs), 'scan')} of {counted(n_cases, 'case')}"
    click.echo(f"{size}, {counted(len(read.missed), 'missed visit')}.", err=True)
    return read


def _look_through(path: Path, out: Path, given: dict[str, Any]) -> None:
    """Tell all that is wrong with manifest and output folder at once, or what a run would do."""
    from ongrowth.cohort import BadManifest, look_ahead, result_file
    from ongrowth.scan import Refused

    problems: list[Problem] = []
    jobs: tuple[Job, ...] = ()
    try:
        jobs = _read_manifest(path, given).jobs
    except BadManifest as bad:
        problems += bad.problems
    _must_lie_apart(jobs, out)
    try:
        look_ahead(out, len(jobs), renew=given["renew"])
    except Refused as refused:
        if not problems:
            raise
        problems += refused.problems
    if problems:
        raise BadManifest(*problems)
    n_there = sum(result_file(out, job).is_file() for job in jobs)
    kept = f" {n_there} have a result already; it is kept where scan and settings are the same."
    click.echo(f"Nothing stands against a run over {counted(len(jobs), 'scan')}.{kept if n_there else ''}")


def _executor(given: dict[str, Any]) -> Executor:
    from ongrowth.cohort import InProcess, Limits, LocalWorkers, Scheduler

    chosen = [n for n in ("workers", "scheduler", "in_process") if given[n]]
    if len(chosen) > 1:
        raise misuse("bad-usage", "Give one of --workers, --scheduler and --in-process.")
    limits = Limits(60.0 * given["minutes"], 1000.0 * given["memory_gb"])
    if given["in_process"]:
        return InProcess()
    if given["scheduler"]:
        return Scheduler(given["scheduler"], limits, tell)
    return LocalWorkers(given["workers"] or 0, limits, tell)


class _Ticker:
    """Says how far a run is: in place on a terminal, else a line now and then."""

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._every_s = 0.5 if self._is_terminal else 30.0
        self._last = time.monotonic()

    def __call__(self, progress: Progress) -> None:
        is_end = progress.n_ended == progress.n_scans
        if not is_end and time.monotonic() - self._last < self._every_s:
            return
        self._last = time.monotonic()
        line = f"\r{progress!s:<78}" if self._is_terminal else str(progress)
        click.echo(line, err=True, nl=is_end or not self._is_terminal)


def _tell_cohort(run: CohortRun, tables: Tables, page: Path, *, as_json: bool) -> None:
    from ongrowth.wording import fixed_words

    if as_json:
        record = {name: getattr(run, name) for name in ("n_scans", "n_measured", "n_kept", "n_failed")}
        record |= {"n_missed": tables.n_missed, "n_rows": tables.n_rows, "failures": run.failures}
        click.echo(json.dumps(record | {"out": str(tables.folder), "page": str(page)}, indent=1))
        return
    kept = f", {run.n_kept} done before" if run.n_kept else ""
    failed = f", {tables.n_failed} without numbers (see failures.csv)" if tables.n_failed else ""
    click.echo(f"{counted(run.n_scans, 'scan')}: {run.n_measured} measured now{kept}{failed}.")
    click.echo(f"Tables: {tables.folder.resolve()}\nPage: {page.resolve()}")
    click.echo(fixed_words().short)


@click.command()
@click.argument("tables", metavar="TABLE...", type=_PATH, nargs=-1, required=True)
@click.option("--subject", multiple=True, metavar="COLUMN", help="What was read; may be repeated.")
@click.option("--method-column", metavar="COLUMN", help="Who or what read. [default: reader, if there]")
@click.option(
    "--method",
    "methods",
    multiple=True,
    metavar="NAME=COLUMN,...",
    help="Instead, for each method: the columns in which its readings stand, one for each replicate.",
)
@click.option("--value", default=_VALUE, show_default=True, metavar="COLUMN", help="Number read.")
@click.option("--truth", metavar="COLUMN", help="Known truth: linearity and bias.")
@click.option("--category", metavar="COLUMN", help="Category read: kappa.")
@click.option("--categories", metavar="A,B,...", help="All categories in their order.")
@click.option("--by", metavar="COLUMN", help="Split the table, for example by scanner or kernel.")
@click.option("--quantity", help="Only rows of this quantity.")
@click.option("--key", type=_PATH, help="Key of a reader study: TABLE... are the forms that came back.")
@click.option("--tool", type=_PATH, help="scans.parquet of the cohort: our values as one more reader.")
@click.option("--out", type=_PATH, help="Folder for agreement.csv and page.html.")
@json_option
@debug_option
def agreement(tables: tuple[Path, ...], as_json: bool, **given: Any) -> None:  # noqa: FBT001
    """Repeatability, bias, limits of agreement, intraclass correlation, kappa.

    TABLE is a CSV or Parquet file with one row for each reading; several rows of one subject and method are
    replicates. Several tables are taken together.
    """
    for path in (*tables, given["key"], given["tool"]):
        must_exist(path, "TABLE")
    _must_fit_together(given)
    from ongrowth.agreement import compare, render_text, unit_of

    table = _readings(tables, given)
    layout = _layout(table, given)
    unit = unit_of(table, layout)
    figures = compare(table, layout)
    _tell_replicates(table, layout)
    if given["out"]:
        _write_agreement(table, layout, figures, unit, given["out"])
    click.echo(_as_json(figures) if as_json else render_text(figures, unit), nl=as_json)
    if not as_json:
        from ongrowth.wording import fixed_words

        click.echo(fixed_words().short)


def _must_fit_together(given: dict[str, Any]) -> None:
    """Refuse options of which one would be passed over."""
    if given["methods"] and (given["method_column"] or given["value"] != _VALUE):
        advice = "Leave out --method-column and --value."
        raise misuse("bad-usage", "--method names the columns of the readings itself.", advice)
    if given["categories"] and not (given["category"] or given["key"]):
        raise misuse("bad-usage", "--categories is given without --category.", "Name the column too.")


def _readings(paths: Sequence[Path], given: dict[str, Any]) -> pd.DataFrame:
    """Return all readings as one table, forms of a reader study led back to their screws."""
    import pandas as pd

    from ongrowth.agreement import melt
    from ongrowth.cohort.readers import is_form, unblind, with_tool
    from ongrowth.tidy import need_columns, read_table

    parts = [read_table(path) for path in paths]
    if not given["key"] and all(map(is_form, parts)):
        raise misuse("bad-usage", "These are the forms of a reader study.", "Give its key.csv: --key.")
    table = unblind(parts, read_table(given["key"])) if given["key"] else pd.concat(parts, ignore_index=True)
    if given["tool"]:
        table = with_tool(table, read_table(given["tool"]))
    if given["quantity"]:
        need_columns(table, ["quantity"])
        table = table[table["quantity"] == given["quantity"]]
    methods = dict(_method_columns(text) for text in given["methods"])
    return melt(table, given["subject"], methods) if methods else table


def _method_columns(text: str) -> tuple[str, list[str]]:
    name, _, columns = text.partition("=")
    if not name or not columns:
        raise misuse("bad-usage", f"--method {text!r} is not NAME=COLUMN,COLUMN.")
    return name, columns.split(",")


def _layout(table: pd.DataFrame, given: dict[str, Any]) -> Layout:
    from ongrowth.agreement import Layout

    subject = given["subject"] or tuple(name for name in _TABLE_KEYS if name in table.columns)
    if not subject:
        raise misuse(
            "bad-usage",
            "What was read is not told.",
            f"Give --subject; the table has {', '.join(map(str, table.columns))}.",
        )
    method = "method" if given["methods"] else given["method_column"]
    if not method and "reader" in table.columns:
        method = "reader"
    category = given["category"] or ("category" if given["key"] else "")
    value = given["value"] if given["value"] in table.columns or not category else ""
    words = tuple(w.strip() for w in given["categories"].split(",")) if given["categories"] else ()
    if given["key"] and not words:
        from ongrowth.cohort.readers import BRIDGING_CATEGORIES

        words = BRIDGING_CATEGORIES
    return Layout(
        tuple(subject), value, method or "", given["truth"] or "", category, words, given["by"] or ""
    )


def _tell_replicates(table: pd.DataFrame, layout: Layout) -> None:
    """Tell which keys of our own tables differ between what is taken for replicates."""
    group = [*layout.subject, *filter(None, (layout.method, layout.by))]
    others = [name for name in _TABLE_KEYS if name in table.columns and name not in group]
    kinds = table.groupby(group)[others].nunique()
    differ = [name for name in others if kinds[name].max() > 1]
    if differ:
        more = " ".join(f"--subject {name}" for name in differ)
        text = f"note: rows that differ in {' and '.join(differ)} are taken for replicates of one subject"
        click.echo(f"{text}; to keep them apart add {more}.", err=True)


def _as_json(figures: Sequence[Statistic]) -> str:
    names = ("part", "topic", "name", "first", "second", "n")
    records = [{n: getattr(f, n) for n in names} | f.estimate.as_dict() for f in figures]
    return json.dumps(records, indent=1, ensure_ascii=False)


def _write_agreement(
    table: pd.DataFrame, layout: Layout, figures: Sequence[Statistic], unit: str, out: Path
) -> None:
    import pandas as pd

    from ongrowth.agreement import difference_picture, printed_name
    from ongrowth.cohort.page import Section, render
    from ongrowth.cohort.publication import PrintedTable
    from ongrowth.files import write_text

    must_be_writable(out)
    write_text(out / "agreement.csv", pd.DataFrame(json.loads(_as_json(figures))).to_csv(index=False))
    head: tuple[str, ...] = ("part", "topic", "figure", "method", "against", "value (95 % interval)", "n")
    rows: tuple[tuple[str, ...], ...] = tuple(
        (f.part, f.topic, printed_name(f), f.first, f.second, str(f.estimate), str(f.n)) for f in figures
    )
    if not any(f.part for f in figures):  # the table was not split
        head, rows = head[1:], tuple(row[1:] for row in rows)
    section = Section(
        "Figures", svg=difference_picture(table, layout, figures), caption=_caption(figures, unit),
        tables=(PrintedTable("", head, rows),),
    )  # fmt: skip
    write_text(out / "page.html", render("Agreement of readings", [section]))
    click.echo(f"Page: {(out / 'page.html').resolve()}", err=True)


def _caption(figures: Sequence[Statistic], unit: str) -> str:
    """Return what is drawn: of several pairs and parts the first."""
    shown = next((f for f in figures if f.topic.startswith("limits of agreement")), None)
    if shown is None:
        return ""
    where = f" ({shown.part})" if shown.part else ""
    what = f"{shown.first} less {shown.second}{where} against their mean"
    values = f" Values in {unit}." if unit else ""
    return f"{what}, with bias, limits of agreement (dashed) and their intervals.{values}"


@click.command()
@click.argument("table", type=_PATH)
@out_folder_option
@click.option("--quantity", default="mean_width", show_default=True, help="What to follow.")
@click.option("--by", default="", metavar="COLUMN", help="Split by a column: scanner, kernel, arm ...")
@debug_option
def courses(table: Path, out: Path, quantity: str, by: str) -> None:
    """Follow a cohort over the weeks: mean course, time to bridging, changes of protocol.

    TABLE is scans.parquet (or .csv) of a cohort.
    """
    must_exist(table, "TABLE")
    must_be_writable(out)
    _must_have("statsmodels")
    from ongrowth.cohort.page import render
    from ongrowth.cohort.strata import strata, strata_sections, strata_table
    from ongrowth.files import write_text
    from ongrowth.tidy import read_table
    from ongrowth.wording import fixed_words

    found = strata(read_table(table), quantity, by)
    words = f", by {by.replace('_', ' ')}" if by else ""
    title = f"Courses of {quantity.replace('_', ' ')}{words}"
    write_text(out / "courses.csv", strata_table(found).to_csv(index=False))
    write_text(out / "page.html", render(title, strata_sections(found, quantity, by)))
    click.echo(f"Figures: {(out / 'courses.csv').resolve()}\nPage: {(out / 'page.html').resolve()}")
    click.echo(fixed_words().short)


@click.command()
@click.argument("table", type=_PATH)
@click.option("--out", type=_PATH, help="File to write instead of stdout, for example windows.toml.")
@click.option("--quantity", multiple=True, default=["mean_width"], show_default=True, help="May be repeated.")
@click.option("--share", type=Amount(0.5, 0.99), default=0.95, show_default=True,
              help="Share of reference patients within the expected range.")  # fmt: skip
@click.option("--min-patients", type=click.IntRange(10), default=40, show_default=True,
              help="Patients that a span of weeks must have; else the shipped rows stand.")  # fmt: skip
@click.option("--name", default="the reference cohort", help="Name of the cohort, for the column source.")
@click.option("--picture", type=_PATH, help="SVG to draw the ranges of the (first) quantity into.")
@debug_option
def windows(table: Path, out: Path | None, **given: Any) -> None:
    """Derive a windows table from a reference cohort, in the format of check --windows.

    TABLE is scans.parquet (or .csv) of patients whose course was as wished.
    """
    must_exist(table, "TABLE")
    from ongrowth.files import write_text
    from ongrowth.tidy import read_table
    from ongrowth.trajectory import range_picture, reference_ranges, windows_of, windows_toml
    from ongrowth.wording import fixed_words

    rows = read_table(table)
    by_quantity = [
        reference_ranges(rows, name, expected_share=given["share"], min_patients=given["min_patients"])
        for name in given["quantity"]
    ]
    ranges = tuple(found for group in by_quantity for found in group)
    remark = (
        f"Windows derived from {given['name']}: {100 * given['share']:g} % of its patients lie within.\n"
        f"Spans with fewer than {given['min_patients']} patients of a surface keep the shipped rows.\n"
        f"{fixed_words().short}"
    )
    print_or_write(windows_toml(windows_of(ranges, given["name"]), remark), out)
    if given["picture"]:
        write_text(given["picture"], range_picture(by_quantity[0]))


@click.command()
@click.argument("folder", metavar="COHORT", type=_PATH)
@out_folder_option
@click.option("--repeats", type=Amount(0.0, 1.0), default=0.2, show_default=True,
              help="Share of screws that are shown twice.")  # fmt: skip
@click.option("--most", type=click.IntRange(1), help="Draw at most so many screws.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of drawing, order and codes.")
@debug_option
def readers(folder: Path, out: Path, repeats: float, most: int | None, seed: int) -> None:
    """Make blinded reading sheets from a finished cohort.

    Hand out OUT/readers; keep OUT/key.csv. What comes back goes into `ongrowth agreement FORM... --key KEY`.
    """
    must_exist(folder, "COHORT")
    must_be_writable(out)
    _must_have("pyarrow")
    from ongrowth.cohort.readers import write_kit
    from ongrowth.wording import fixed_words

    items = write_kit(folder, out, repeat_share=repeats, n_most=most or 0, seed=seed)
    n_again = sum(item.occasion == 2 for item in items)
    click.echo(f"{len(items)} sheets, {n_again} of them shown for the second time.")
    click.echo(f"To hand out: {(out / 'readers').resolve()}\nTo keep: {(out / 'key.csv').resolve()}")
    click.echo(fixed_words().short)
