"""Pictures of a cohort: courses, bridged share, ranges. SVG without colour that judges."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ongrowth.quantity import Unit
from ongrowth.reports.drawing import svg_of
from ongrowth.reports.figures import SIDE_STYLE
from ongrowth.tidy import select, usual_sides
from ongrowth.trajectory.bridging import BridgedShare
from ongrowth.trajectory.course import Course
from ongrowth.trajectory.reference import ReferenceRange
from ongrowth.wording import PRINTED_UNIT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_LINES = 150  # thin lines of single sides; more would be a grey block


def course_picture(table: pd.DataFrame, course: Course) -> str:
    """Return the courses of single sides with the mean course and its interval.

    Parameters
    ----------
    table : DataFrame
        Tidy table of the cohort.
    course : Course
        The mean course of one quantity.
    """
    rows = select(table, course.quantity, usual_sides(table, course.quantity))

    def draw(axes: Axes) -> None:
        axes.fill_between(course.weeks, course.low95, course.high95, color="0.87", lw=0)
        for _, group in list(rows.groupby("place", sort=True))[:_MOST_LINES]:
            style = SIDE_STYLE.get(str(group["side"].iloc[0]), {}).get("ls", "-")
            # dots, too: of a side with one CT there is no line
            weeks, values = group["weeks_since_surgery"], group["value"]
            axes.plot(weeks, values, color="0.6", lw=0.5, ls=str(style), marker=".", ms=2.5)
        axes.plot(course.weeks, course.mean, color="black", lw=1.4)
        _label(axes, f"{course.quantity.replace('_', ' ')}, {_printed(course.unit)}")

    alt = (
        f"Courses of {course.n_places} sides of {course.n_screws} screws in {course.n_patients} patients; "
        f"mean {course.mean[0]:.2f} at week {course.weeks[0]:.0f}, {course.mean[-1]:.2f} at week "
        f"{course.weeks[-1]:.0f}."
    )
    return svg_of(draw, alt)


def _printed(unit: str) -> str:
    return "share" if unit == "1" else PRINTED_UNIT[Unit(unit)] if unit in list(Unit) else unit


def _label(axes: Axes, y_words: str) -> None:
    axes.set_xlabel("weeks since surgery")
    axes.set_ylabel(y_words)
    axes.set_xlim(left=0.0)


def bridged_picture(share: BridgedShare) -> str:
    """Return the share of defects seen bridged over the weeks.

    Parameters
    ----------
    share : BridgedShare
        Share by week, with its limits.
    """

    def draw(axes: Axes) -> None:
        axes.fill_between(share.weeks, share.low95, share.high95, color="0.8", lw=0, step="post")
        axes.step(share.weeks, share.largest, color="0.4", lw=0.8, ls="--", where="post")
        axes.step(share.weeks, share.least, color="black", lw=1.2, where="post")
        axes.set_ylim(0.0, 1.0)
        _label(axes, "share of defects bridged")

    alt = (
        f"Share of {share.n_defects} defects of {share.n_patients} patients bridged by week "
        f"{share.weeks[-1]:.0f}: at least {100 * share.least[-1]:.0f} %."
    )
    return svg_of(draw, alt)


def range_picture(ranges: Sequence[ReferenceRange]) -> str:
    """Return the limits of a reference cohort over the weeks, each with its interval as far as that is told.

    Parameters
    ----------
    ranges : sequence of ReferenceRange
        Limits by surface, side and span of weeks.
    """
    groups = sorted({(r.surface, r.side) for r in ranges})
    largest = max(r.from_weeks for r in ranges)
    last = max((r.to_weeks for r in ranges if np.isfinite(r.to_weeks)), default=1.5 * largest + 1.0)

    def draw(axes: Axes) -> None:
        for k, key in enumerate(groups):
            for r in (r for r in ranges if (r.surface, r.side) == key):
                span, shade = [r.from_weeks, min(r.to_weeks, last)], str(0.15 + 0.5 * k / max(len(groups), 1))
                low, high = (end if np.isfinite(end) else r.limit for end in (r.low95, r.high95))
                axes.fill_between(span, low, high, color=shade, alpha=0.2, lw=0)
                axes.plot(span, [r.limit] * 2, color=shade, lw=1.2, ls=("-", "--", ":", "-.")[k % 4])
                axes.plot(span, [r.median] * 2, color=shade, lw=0.5, ls=("-", "--", ":", "-.")[k % 4])
            axes.plot(
                [], [], color=shade, ls=("-", "--", ":", "-.")[k % 4], label=", ".join(key).replace("_", " ")
            )
        axes.legend(frameon=False)
        _label(axes, f"{ranges[0].quantity.replace('_', ' ')}, {_printed(ranges[0].unit.value)}")

    alt = f"Limits of the reference cohort for {ranges[0].quantity.replace('_', ' ')} over the weeks."
    return svg_of(draw, alt)
