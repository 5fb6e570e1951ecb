"""Courses and bridging of a cohort, whole or split by a column: scanner, kernel, arm of a trial ..."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pandas as pd

from ongrowth.cohort.page import Section, bridging_section, course_section, protocol_section, section_or_why
from ongrowth.cohort.publication import PrintedTable, protocol_table
from ongrowth.estimate import Estimate
from ongrowth.scan import Problem, Refused, refuse
from ongrowth.tidy import split
from ongrowth.trajectory import Course, fit_course

_MOST_STRATA = 12
_NOT_BY_CHANCE = (
    "The parts are described beside each other. Patients did not come into them by chance, so a difference "
    "between parts need not be the doing of what they were split by."
)


@dataclass(frozen=True, slots=True)
class Stratum:
    """One part of a cohort and its course, or why there is none."""

    name: str
    rows: pd.DataFrame
    course: Course | Problem


def strata(table: pd.DataFrame, quantity: str = "mean_width", by: str = "") -> tuple[Stratum, ...]:
    """Return the courses of the parts of a cohort.

    Parameters
    ----------
    table : DataFrame
        Long table, as ``scans.parquet``.
    quantity : str
        What to follow.
    by : str
        Column that splits the table; empty: the whole is the only part. A CT belongs to the part that it
        stands in itself, so a patient whose protocol changed has CTs in several parts.

    Raises
    ------
    Refused
        Code ``missing-column``, ``too-many-parts``, or what `fit_course` refuses where no part has a course.
    """
    parts = _parts(table, by)
    found = tuple(Stratum(name, rows, _course(rows, quantity)) for name, rows in parts)
    problems = [part.course for part in found if isinstance(part.course, Problem)]
    if len(problems) == len(found):
        raise Refused(problems[0])
    return found


def _parts(table: pd.DataFrame, by: str) -> list[tuple[str, pd.DataFrame]]:
    if not by:
        return [("", table)]
    parts = split(table, by)
    if len(parts) > _MOST_STRATA:
        raise refuse(
            "too-many-parts",
            f"The column {by} has {len(parts)} different values.",
            f"Split by a column of at most {_MOST_STRATA}; put numbers into classes first.",
        )
    return parts


def _course(rows: pd.DataFrame, quantity: str) -> Course | Problem:
    try:
        return fit_course(rows, quantity)
    except Refused as refused:
        return refused.problems[0]


def strata_sections(found: tuple[Stratum, ...], quantity: str, by: str = "") -> list[Section]:
    """Return the sections of the page: all parts in one table, then each with its picture.

    Parameters
    ----------
    found : tuple of Stratum
        As `strata` returns them.
    quantity, by : str
        As given to it.
    """
    sections = []
    if by:
        sections.append(Section(f"By {by.replace('_', ' ')}", (_NOT_BY_CHANCE,), tables=(_beside(found),)))
    for part in found:
        sections += _sections(part, quantity)
    return sections


def _sections(part: Stratum, quantity: str) -> Iterator[Section]:
    where = f": {part.name}" if part.name else ""
    if isinstance(part.course, Problem):
        yield Section(f"Course{where}", (part.course.text,))
    else:
        section = course_section(part.rows, part.course)
        yield replace(section, title=f"{section.title}{where}")
    followed = part.rows[part.rows["quantity"] == quantity]
    yield section_or_why(f"Time to bridging{where}", lambda: bridging_section(part.rows))
    yield section_or_why(
        f"Protocols{where}", lambda: protocol_section(part.rows, protocol_table(followed), quantity)
    )


def _beside(found: tuple[Stratum, ...]) -> PrintedTable:
    """Return the parts in one table: how large each is and how it changes."""
    rows = []
    for part in found:
        course = part.course
        if isinstance(course, Problem):
            rows.append((part.name, *[""] * 4, course.text))
            continue
        changes = "; ".join(
            f"weeks {p.from_weeks:.0f} to {p.to_weeks:.0f}: {p.change_per_week.scaled(10.0)}"
            for p in course.phases
        )
        counts = (course.n_patients, course.n_screws, course.n_places, course.n_values)
        rows.append((part.name, *map(str, counts), changes))
    head = ("part", "patients", "screws", "sides", "values", "change in 10 weeks (95 % interval)")
    return PrintedTable("", head, tuple(rows))


def strata_table(found: tuple[Stratum, ...]) -> pd.DataFrame:
    """Return the figures of all parts as a tidy table: part, figure, weeks, value, interval, unit, counts.

    Parameters
    ----------
    found : tuple of Stratum
        Parts of the cohort.
    """
    return pd.DataFrame([row for part in found for row in _figures(part)])


def _figures(part: Stratum) -> Iterator[dict[str, object]]:
    course = part.course
    if isinstance(course, Problem):
        return
    size = {
        "quantity": course.quantity,
        "n_patients": course.n_patients,
        "n_screws": course.n_screws,
        "n_sides": course.n_places,
        "n_values": course.n_values,
    }

    def row(
        figure: str, estimate: Estimate, unit: str, start: float | None = None, end: float | None = None
    ) -> dict[str, object]:
        span = {"from_weeks": start, "to_weeks": end}
        return {"part": part.name, "figure": figure, **span, **estimate.as_dict(), "unit": unit, **size}

    for phase in course.phases:
        yield row("change", phase.change_per_week, f"{course.unit}/wk", phase.from_weeks, phase.to_weeks)
    yield row("tip side less head side", course.tip_less_head, course.unit)
    for name, sd in (
        ("SD between patients", course.patient_sd),
        ("SD between screws of a patient", course.screw_sd),
        ("SD between sides of a screw", course.place_sd),
        ("SD from CT to CT", course.residual_sd),
    ):
        yield row(name, Estimate(sd), course.unit)


__all__ = ["Stratum", "strata", "strata_sections", "strata_table"]
