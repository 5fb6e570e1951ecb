"""The page of a cohort: how large it is, what failed, courses, bridging, protocols, methods."""

from __future__ import annotations

import collections
import contextlib
import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

import ongrowth
from ongrowth.cohort.manifest import Manifest
from ongrowth.cohort.patients import patient_doubts
from ongrowth.cohort.publication import (
    PrintedTable,
    Size,
    cohort_size,
    methods_paragraph,
    protocol_table,
    provenance,
    read_widths,
    size_table,
    width_table,
    write_provenance,
    write_table,
)
from ongrowth.cohort.run import full_disk_told
from ongrowth.cohort.tables import Tables
from ongrowth.estimate import shown
from ongrowth.files import write_text
from ongrowth.reports.template import fill_template
from ongrowth.scan import Refused
from ongrowth.tidy import usual_sides
from ongrowth.trajectory import (
    Course,
    bridged_picture,
    bridged_share,
    bridging_intervals,
    course_picture,
    fit_course,
    fit_waiting_time,
    protocol_steps,
    report_protocol,
)
from ongrowth.wording import HALO_SIDES, fixed_words

_MOST_ROWS = 40
_NO_SCATTER = 1e-3  # of the largest scatter of the same figures
_QUANTITY_WORDS = {"mean_width": "the mean halo width"}


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the page: sentences, a picture with its caption, tables."""

    title: str
    sentences: tuple[str, ...] = ()
    svg: str = ""
    caption: str = ""
    tables: tuple[PrintedTable, ...] = ()


@full_disk_told()
def write_report(manifest: Manifest, out: Path, tables: Tables, executor: str = "") -> Path:
    """Write the page of a cohort, its publication tables, the methods paragraph and the provenance.

    Parameters
    ----------
    manifest : Manifest
        The cohort.
    out : Path
        Output folder, with the tables in it.
    tables : Tables
        As `write_tables` returned them.
    executor : str
        Who measured, in words.

    Returns
    -------
    Path
        ``page.html``. Beside it ``methods.md``, ``table_*.csv`` and ``provenance.json``.
    """
    record = provenance(manifest, out, tables, executor)
    write_provenance(record, out)
    rows = read_widths(out)
    widths = rows[(rows["quantity"] == "mean_width") & rows["side"].isin(HALO_SIDES)]
    size = cohort_size(widths, tables)
    methods = methods_paragraph(size, record, widths)
    printed = {"size": size_table(size), "widths": width_table(widths), "protocols": protocol_table(widths)}
    for name, table in printed.items():
        write_table(table, out / f"table_{name}.csv")
    write_text(out / "methods.md", f"{methods}\n\n{fixed_words().short}\n")
    sections = [
        Section("Size", tables=(printed["size"],)),
        *_failures(out),
        *_doubts(manifest, out),
        Section("Halo", tables=(printed["widths"],)) if len(widths) else _nothing("Halo"),
        section_or_why("Course of the mean halo width", lambda: course_section(rows, fit_course(rows))),
        section_or_why("Time to bridging", lambda: bridging_section(rows)),
        section_or_why("Protocols", lambda: protocol_section(rows, printed["protocols"])),
        Section("For the methods section", (methods,)),
    ]
    page = out / "page.html"
    write_text(page, render(_title(size), sections))
    return page


def _title(size: Size) -> str:
    return f"Cohort of {size.n_patients} patients, {size.n_screws} screws, {size.n_scans} CTs"


def _nothing(title: str) -> Section:
    return Section(title, ("No CT gave a value.",))


def section_or_why(title: str, make: Callable[[], Section]) -> Section:
    """Return a section under a title, or why the data do not give it."""
    try:
        return replace(make(), title=title)
    except Refused as refused:
        return Section(title, (refused.problems[0].text,))
    except ImportError:
        return Section(title, ("Needs statsmodels: install the extra cohort.",))


def render(title: str, sections: Sequence[Section]) -> str:
    """Return a page of sections as one self-contained HTML text."""
    view = {
        "title": title,
        "sections": [_with_markup(section) for section in sections],
        "words": fixed_words(),
        "version": ongrowth.__version__,
    }
    return fill_template("ongrowth.cohort", "cohort.html", view)


def _with_markup(section: Section) -> dict[str, Any]:
    return {
        "title": section.title,
        "sentences": section.sentences,
        "svg": Markup(section.svg),  # drawn by us, its words escaped
        "caption": section.caption,
        "tables": section.tables,
    }


def _failures(out: Path) -> Iterator[Section]:
    """Give the failures by code with what to do; nothing where there are none."""
    with (out / "failures.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    if not rows:
        return
    counts = collections.Counter(row["code"] for row in rows)
    first = {row["code"]: row for row in reversed(rows)}
    told = tuple(
        (code, str(n), first[code]["text"], first[code]["advice"]) for code, n in sorted(counts.items())
    )
    sentence = f"Entries in failures.csv: {len(rows)}; one example of each kind is shown."
    yield Section(
        "CTs without numbers",
        (sentence,),
        tables=(PrintedTable("", ("code", "number", "example", "what to do"), told),),
    )


def _doubts(manifest: Manifest, out: Path) -> Iterator[Section]:
    """Give what the headers say against the manifest; nothing where they agree."""
    told = tuple(f"{problem.text} {problem.advice}" for problem in patient_doubts(manifest, out))
    if told:
        yield Section("To be checked", told)


def course_section(rows: pd.DataFrame, course: Course) -> Section:
    """Return the course of a quantity: picture, change in each phase, scatter."""
    has_sides = course.n_places > course.n_screws
    what = "sides (dashed: screw-tip side)" if has_sides else "screws"
    who = f"{course.n_places} sides of {course.n_screws} screws in {course.n_patients} patients"
    sentences = [f"{course.n_values} values of {who}."]
    if not course.is_converged:
        sentences.append("The fit did not settle: take its intervals with reserve.")
    return Section(
        f"Course of {_QUANTITY_WORDS.get(course.quantity, course.quantity.replace('_', ' '))}",
        tuple(sentences),
        course_picture(rows, course),
        f"Dots and thin lines: single {what}. Thick line and band: mean and its 95 % interval.",
        (_phase_table(course), _scatter_table(course)),
    )


def _unit(course: Course) -> str:
    return "share" if course.unit == "1" else course.unit


def _phase_table(course: Course) -> PrintedTable:
    rows = [
        (f"{p.from_weeks:.0f} to {p.to_weeks:.0f}", str(p.change_per_week.scaled(10.0)))
        for p in course.phases
    ]
    rows.append((f"tip side less head side, {_unit(course)}", str(course.tip_less_head)))
    return PrintedTable("Mean change", ("weeks", f"{_unit(course)} in 10 weeks (95 % interval)"), tuple(rows))


def _scatter_table(course: Course) -> PrintedTable:
    levels = (
        ("between patients", course.patient_sd),
        ("between screws of a patient", course.screw_sd),
        ("between the sides of a screw", course.place_sd),
        ("from CT to CT of a side", course.residual_sd),
    )
    head = ("", f"SD, {_unit(course)}")
    # a fit that ends at no scatter ends a hair above it
    none = _NO_SCATTER * max((sd for _, sd in levels if math.isfinite(sd)), default=0.0)
    rows = tuple((words, "0" if sd < none else shown(sd)) for words, sd in levels)
    return PrintedTable("Scatter", head, rows)


def bridging_section(rows: pd.DataFrame) -> Section:
    """Return when defects were seen bridged."""
    intervals = bridging_intervals(rows)
    share = bridged_share(intervals)
    at = np.array([w for w in (6.0, 12.0, 26.0, 52.0, 104.0) if w <= share.weeks[-1]])
    told = bridged_share(intervals, at) if at.size else None
    sentences = [
        f"{share.n_seen} of {share.n_defects} defects in {share.n_patients} patients were seen half bridged.",
    ]
    if share.n_seen:
        sentences.append("Each is only known to have become so between two CTs.")
    with contextlib.suppress(ValueError):  # too few were seen, or the CTs leave the distribution open
        waiting = fit_waiting_time([i.from_weeks for i in intervals], [i.to_weeks for i in intervals])
        sentences.append(f"Median time by a Weibull distribution: {waiting.median_weeks} weeks.")
    rows_told = (
        tuple(
            (f"{w:.0f}", f"{100 * a:.0f} to {100 * b:.0f}", f"{100 * low:.0f} to {100 * high:.0f}")
            for w, a, b, low, high in zip(at, told.least, told.largest, told.low95, told.high95, strict=True)
        )
        if told
        else ()
    )
    table = PrintedTable("Share bridged", ("by week", "%, least to largest", "95 % interval"), rows_told)
    return Section(
        "Time to bridging",
        tuple(sentences),
        bridged_picture(share),
        "Share that must (line) and may (dashed) have happened by each week; band: 95 % interval.",
        (table,) if rows_told else (),
    )


def protocol_section(rows: pd.DataFrame, protocols: PrintedTable, quantity: str = "mean_width") -> Section:
    """Return the protocols, and where a change of protocol falls together with a change of width."""
    report = report_protocol(protocol_steps(rows, quantity, usual_sides(rows, quantity)))
    told = tuple(
        (
            step.case,
            step.implant,
            step.side.replace("_", " "),
            f"{step.from_scan} to {step.to_scan}",
            f"{step.change:+.2f} ± {step.u95:.2f}",
            ", ".join(name.replace("_", " ") for name in step.differs_in),
        )
        for step in report.coincidences[:_MOST_ROWS]
    )
    head = ("case", "screw", "side", "CTs", "change", "protocol differs in")
    tables = (protocols, *((PrintedTable("Both changed", head, told),) if told else ()))
    return Section("Protocols", (report.sentence,), tables=tables)
