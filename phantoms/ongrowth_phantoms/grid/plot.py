"""Plots of the grid: errors against the truth, coverage, detection, answers, cost."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ongrowth_phantoms.grid.table import CLASSES, FACTORS, Score

_INK, _LIGHT, _BAND = "#1a1a1a", "#8c8c8c", "#e3ecf5"
_MARKS = ("o", "s", "^", "D", "v", "P")
_BLUES = ("#00224e", "#3b6fb6", "#7d7c78", "#bcae6c", "#e0b000", "#555555")


def draw_errors(table: pd.DataFrame, arms: Sequence[str]) -> Figure:
    """Draw the error of a side's mean width against the truth, one panel an arm."""
    figure, panels = _panels(len(arms))
    for panel, arm in zip(panels, arms, strict=True):
        part = table[(table["arm"] == arm) & table["is_answered"]]
        panel.axhspan(-0.1, 0.1, color=_BAND, zorder=0)
        panel.axhline(0.0, color=_LIGHT, lw=0.8)
        u95 = 1.96 * part["u_mm"].fillna(0.0)
        panel.errorbar(
            part["true_mm"], part["error_mm"], yerr=u95, fmt="none", ecolor=_LIGHT, elinewidth=0.5, zorder=1
        )
        for k, (metal, some) in enumerate(part.groupby("metal")):
            panel.scatter(
                some["true_mm"],
                some["error_mm"],
                s=9,
                marker=_MARKS[k],
                color=_BLUES[k],
                label=metal,
                zorder=2,
            )
        panel.set_title(f"{arm} (n = {len(part)})", fontsize=9)
        panel.set_ylim(-1.5, 2.5)
        panel.set_xlabel("true mean width, mm")
    panels[0].set_ylabel("measured - true, mm")
    panels[-1].legend(fontsize=7, frameon=False)
    return figure


def draw_classes(table: pd.DataFrame, arms: Sequence[str]) -> Figure:
    """Draw bias and RMSE, coverage and detection by width class."""
    figure, (errors, inside, called) = _panels(3)
    for k, arm in enumerate(arms):
        found = [Score.of(table[(table["arm"] == arm) & (table["class"] == c)]) for c in CLASSES]
        x = np.arange(len(CLASSES)) + 0.12 * (k - (len(arms) - 1) / 2.0)
        mark, ink = _MARKS[k % 6], _BLUES[k % 6]
        errors.plot(x, [s.rmse_mm for s in found], mark, color=ink, ms=5, label=arm)
        errors.plot(x, [s.bias_mm for s in found], mark, color=ink, ms=5, mfc="none")
        inside.plot(x, [100.0 * s.coverage for s in found], mark, color=ink, ms=5)
        called.plot(x, [100.0 * s.called for s in found], mark, color=ink, ms=5)
    errors.axhline(0.0, color=_LIGHT, lw=0.8)
    errors.set_title("RMSE (filled) and bias (open), mm", fontsize=9)
    errors.legend(fontsize=7, frameon=False)
    inside.axhspan(90.0, 98.0, color=_BAND, zorder=0)
    inside.set_title("truth inside the 95 % interval, %", fontsize=9)
    called.set_title("mean at or above the detection limit, %", fontsize=9)
    for panel in (errors, inside, called):
        panel.set_xticks(range(len(CLASSES)), CLASSES)
        panel.set_xlabel("true mean width, mm")
    for panel in (inside, called):
        panel.set_ylim(-3, 103)
    return figure


def draw_factors(table: pd.DataFrame) -> Figure:
    """Draw bias and RMSE at each level of each factor."""
    groups = [(factor, list(table.groupby(factor))) for factor in FACTORS]
    rows = [
        (f"{factor}: {level} ({len(part)})", Score.of(part))
        for factor, parts in groups
        for level, part in parts
        if len(parts) > 1
    ]
    figure = _figure(6.4, 0.17 * max(len(rows), 4) + 0.8)
    panel = figure.add_subplot()
    y = np.arange(len(rows))[::-1]
    panel.axvline(0.0, color=_LIGHT, lw=0.8)
    panel.plot([s.rmse_mm for _, s in rows], y, "o", color=_BLUES[0], ms=4, label="RMSE")
    panel.plot([s.bias_mm for _, s in rows], y, "o", mfc="none", color=_BLUES[0], ms=4, label="bias")
    panel.set_yticks(y, [name for name, _ in rows], fontsize=6)
    panel.set_xlabel("mm")
    panel.legend(fontsize=7, frameon=False)
    return figure


def draw_cost(table: pd.DataFrame, arms: Sequence[str]) -> Figure:
    """Draw seconds a screw, and the share of sides answered by difficulty."""
    figure, (cost, answered) = _panels(2)
    seconds = [_known(table[table["arm"] == arm].drop_duplicates("case")["halo_s"]) for arm in arms]
    cost.boxplot(seconds, tick_labels=list(arms), medianprops={"color": _INK}, orientation="horizontal")
    cost.axvline(3.0, color=_LIGHT, lw=0.8)
    cost.set_title("seconds of one core a screw", fontsize=9)
    levels = ("easy", "medium", "hard")
    for k, arm in enumerate(arms):
        part = table[table["arm"] == arm]
        share = [100.0 * Score.of(part[part["difficulty"] == level]).answered for level in levels]
        answered.plot(range(3), share, _MARKS[k % 6], color=_BLUES[k % 6], label=arm)
    answered.set_xticks(range(3), levels)
    answered.set_ylim(-3, 103)
    answered.set_title("sides answered, %", fontsize=9)
    answered.legend(fontsize=7, frameon=False)
    return figure


def _known(values: pd.Series[float]) -> list[float]:
    return [float(v) for v in values.dropna()]


def _figure(wide_in: float, high_in: float) -> Figure:
    return Figure(figsize=(wide_in, high_in), layout="constrained")


def _panels(count: int) -> tuple[Figure, list[Axes]]:
    figure = _figure(3.1 * count, 3.0)
    panels = [figure.add_subplot(1, count, k + 1) for k in range(count)]
    for panel in panels:
        panel.tick_params(labelsize=7)
        panel.spines[["top", "right"]].set_visible(False)
    return figure, panels


def write_figure(figure: Figure, path: Path) -> None:
    """Write a figure as SVG; the same figure gives the same file."""
    with mpl.rc_context({"svg.hashsalt": "ongrowth", "svg.fonttype": "none"}):
        figure.savefig(path, metadata={"Date": None})
