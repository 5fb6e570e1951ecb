"""Differences against means, with bias and limits of agreement."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ongrowth.agreement.table import Layout, Statistic, pairs_of_means
from ongrowth.reports.drawing import svg_of
from ongrowth.tidy import split

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def difference_picture(table: pd.DataFrame, layout: Layout, figures: Sequence[Statistic]) -> str:
    """Return the differences of the first two methods against their means as SVG; empty without two methods.

    Parameters
    ----------
    table : DataFrame
        The readings.
    layout : Layout
        Which column says what.
    figures : sequence of Statistic
        As `compare` gave them.
    """
    limits = [f for f in figures if f.topic.startswith("limits of agreement")]
    if not limits:
        return ""
    first, second, part = limits[0].first, limits[0].second, limits[0].part
    named = {f.name: f.estimate for f in limits if (f.first, f.second, f.part) == (first, second, part)}
    rows = dict(split(table, layout.by))[part] if layout.by else table
    x, y = pairs_of_means(rows, layout, first, second)
    mean = 0.5 * (x + y)
    ends = np.array([mean.min(), mean.max()])

    def draw(axes: Axes) -> None:
        axes.plot(mean, x - y, ls="", marker="o", ms=3.0, mfc="none", color="0.2")
        for name in ("bias", "lower limit of agreement", "upper limit of agreement"):
            estimate = named[name]
            # see-through: in small samples the intervals run into each other
            axes.fill_between(ends, estimate.low95, estimate.high95, color="0.4", alpha=0.2, lw=0, zorder=0)
            axes.plot(ends, [estimate.value] * 2, color="black", lw=0.9, ls="-" if name == "bias" else "--")
        axes.set_xlabel(f"mean of {first} and {second}")
        axes.set_ylabel(f"{first} less {second}")

    alt = (
        f"{first} less {second} against their mean: bias {named['bias']}, limits of agreement with intervals."
    )
    return svg_of(draw, alt)
