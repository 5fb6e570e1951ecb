"""The page of accuracy: tables from the records of the grid, put between the marks of a text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from ongrowth_phantoms.grid.caliper import CALIPERS
from ongrowth_phantoms.grid.measure import Record
from ongrowth_phantoms.grid.plot import draw_classes, draw_cost, draw_errors, draw_factors, write_figure
from ongrowth_phantoms.grid.table import (
    CLASSES,
    Repeatability,
    Score,
    factor_scores,
    markdown,
    scores,
    sides_table,
)

_END = "<!-- end of table -->"
_NONE_YET = "Not run yet.\n"
_TUNED = """
**These are the cases the estimator was worked on.** Cases it never saw will read worse; until the test half
has been run, nothing on this page but the draws without artefact says how much."""


@dataclass(frozen=True, slots=True)
class Goal:
    """A figure to reach: what, the figure reached, the goal."""

    what: str
    reached: str
    goal: str


def page_tables(records: Sequence[Record], half: str) -> dict[str, str]:
    """Return every table of the page by the name of its mark.

    Parameters
    ----------
    records : sequence of Record
        Lines of the grid.
    half : str
        "test", or "tuning" while the estimator is being worked on.
    """
    records = of_latest_version(records)
    table = sides_table(records)
    if not len(table):
        return {}
    own = table[table["half"] == half]
    grid = own[own["plan"] == "any"]
    easy = grid[(grid["metal"] == "titanium") & (grid["thickness"] == "thin")]
    out = {
        "what was run": _what_was_run(table[(table["half"] == half) | (table["plan"] == "plain")]),
        "difficulty": _scored(grid, ["scanner", "arm", "difficulty"]),
        "classes": _scored(easy, ["scanner", "arm", "class"]),
        "factors": _factors(easy),
        "all factors": _factors(grid),
        "plain": _scored(_both(table, "plain"), ["arm", "class"])
        + "\n"
        + _scored(_both(table, "plain"), ["arm"]),
        "streaks": _streaks(own[own["plan"] == "streaks"]),
        "retest": _retest(own[own["plan"] == "retest"]),
        "goals": _goals(_of_best_scanner(grid), _of_best_scanner(easy)),
        "cost": _cost(grid),
        "failures": _failures(records, half),
    }
    return {name: text if text.strip() else _NONE_YET for name, text in out.items()}


def of_latest_version(records: Sequence[Record]) -> list[Record]:
    """Return the records of each set of cases that the same code measured as its last one: no mixture."""
    latest = {_set_of(r): r["version"] for r in records if r["arm"] not in CALIPERS}
    return [r for r in records if r["arm"] in CALIPERS or r["version"] == latest[_set_of(r)]]


def _set_of(record: Record) -> tuple[str, str, str]:
    return record["factors"]["plan"], record["factors"]["half"], record["factors"]["scanner"]


def _both(table: pd.DataFrame, plan: str) -> pd.DataFrame:
    return table[table["plan"] == plan]


def _scored(table: pd.DataFrame, by: list[str]) -> str:
    if not len(table):
        return ""
    words = scores(table, by)
    return markdown(words.loc[:, (words != "-").any()])


def measuring_arms(table: pd.DataFrame) -> list[str]:
    """Return the arms of a table that are no calipers."""
    return [a for a in sorted(set(table["arm"])) if a not in CALIPERS]


def main_arm(table: pd.DataFrame) -> str:
    """Return the arm that is nearest to use with a calibration: the best one that was run."""
    arms = measuring_arms(table)
    order = ("found, calibrated", "found, known", "given, known", "found, free")
    return next((a for a in order if a in arms), arms[0] if arms else "")


def _factors(table: pd.DataFrame) -> str:
    if not len(table):
        return ""
    arm = main_arm(table)
    words = factor_scores(table[table["arm"] == arm])
    return f"Way of measuring: {arm}.\n\n{markdown(words)}" if len(words) else ""


def _what_was_run(table: pd.DataFrame) -> str:
    lines = []
    for (plan, scanner, half), part in table.groupby(["plan", "scanner", "half"]):
        seen = part[~part["arm"].isin(list(CALIPERS))]
        version = ", ".join(sorted(set(seen["version"])))
        run = f"{seen['case'].nunique()} cases, {_sides(seen)} sides"
        lines.append(f'- plan "{plan}", {scanner} scanner, {half} half: {run}; measuring code {version}.')
    if (table["half"] == "tuning").any():
        lines.append(_TUNED)
    return "\n".join(lines) + "\n" if lines else ""


def _sides(table: pd.DataFrame) -> int:
    return len(table.drop_duplicates(["case", "side"]))


def _streaks(table: pd.DataFrame) -> str:
    """Return what is called a halo where there is none, but streaks."""
    lines = []
    for arm, part in table.groupby("arm"):
        seen = part[part["is_answered"]]
        called = f"{100 * seen['is_called'].mean():.0f} %" if arm not in CALIPERS else "-"
        figures = {
            "called a halo": called,
            "mean reading mm": f"{seen['value_mm'].mean():.2f}",
            "largest share > 1 mm": f"{100 * seen['share_1mm'].max():.0f} %",
            "sides below 5 % > 1 mm": f"{100 * (seen['share_1mm'] < 0.05).mean():.0f} %",
        }
        answered = {"arm": arm, "sides": len(part), "answered": f"{100 * len(seen) / len(part):.0f} %"}
        lines.append(answered | (figures if len(seen) else dict.fromkeys(figures, "-")))
    return markdown(pd.DataFrame(lines)) if lines else ""


def _retest(table: pd.DataFrame) -> str:
    lines = []
    for arm, part in table.groupby("arm"):
        found = Repeatability.of(part)
        if found.truths:
            lines.append(
                {
                    "arm": arm,
                    "sides": found.truths,
                    "repeatability coefficient mm": f"{found.coefficient_mm:.2f}",
                    "allowed by the stated u95, mm": f"{found.stated_mm:.2f}" if arm not in CALIPERS else "-",
                    "RMSE mm": f"{Score.of(part).rmse_mm:.2f}",
                }
            )
    return markdown(pd.DataFrame(lines)) if lines else ""


def _cost(table: pd.DataFrame) -> str:
    lines = []
    for arm in measuring_arms(table):
        once = table[table["arm"] == arm].drop_duplicates("case")
        halo, place = once["halo_s"].dropna(), once["place_s"].dropna()
        if len(halo):
            lines.append(
                {
                    "arm": arm,
                    "screws": len(halo),
                    "halo s, median": f"{halo.median():.1f}",
                    "90 % below": f"{halo.quantile(0.9):.1f}",
                    "screw and defect s, median": f"{place.median():.1f}",
                }
            )
    return markdown(pd.DataFrame(lines)) if lines else ""


def _failures(records: Iterable[Record], half: str) -> str:
    """Return how often each refusal or crash came, and each protocol that could not be calibrated."""
    last = {(r["case"], r["arm"]): r for r in records if r["factors"]["half"] == half}
    why = [(r["arm"], _why(r), r["case"]) for r in last.values() if _why(r)]
    if not why:
        return "None.\n"
    counts = pd.DataFrame(why, columns=["arm", "why", "case"]).groupby(["arm", "why"])["case"]
    return markdown(
        counts.agg(["size", "first"]).reset_index().rename(columns={"size": "cases", "first": "such as"})
    )


def _why(record: Record) -> str:
    measured_without = record.get("calibration", "")
    return str(
        record["refused"]
        or record["crashed"]
        or (f"measured without a calibration: {measured_without}" if measured_without else "")
    )


def _goals(grid: pd.DataFrame, easy: pd.DataFrame) -> str:
    if not len(easy):
        return ""
    goals = [g for arm in measuring_arms(easy) for g in _goals_of(arm, grid, easy)]
    rows = [{"what": g.what, "reached": g.reached, "goal": g.goal} for g in goals]
    return markdown(pd.DataFrame(rows))


def _goals_of(arm: str, grid: pd.DataFrame, easy: pd.DataFrame) -> list[Goal]:
    mine, whole = easy[easy["arm"] == arm], grid[grid["arm"] == arm]
    score = Score.of(mine)
    by_class = [Score.of(mine[mine["class"] == c]) for c in CLASSES]
    every = [Score.of(part) for _, part in whole.groupby(["difficulty", "class"]) if len(part) >= 10]
    worst = max((abs(s.bias_mm) for s in by_class if s.sides), default=math.nan)
    coverage = [s.coverage for s in every if math.isfinite(s.coverage)]
    answered = {d: Score.of(whole[whole["difficulty"] == d]).answered for d in ("easy", "medium")}
    is_free = arm.endswith("free")
    return [
        Goal(
            f"{arm}: side mean, RMSE ({score.sides} sides)",
            f"{score.rmse_mm:.2f} mm",
            "0.25 mm" if is_free else "0.10 mm",
        ),
        Goal(f"{arm}: largest bias of a width class", f"{worst:.2f} mm", "0.05 mm"),
        Goal(f"{arm}: 45 degree sector, RMSE", f"{score.sector_rmse_mm:.2f} mm", "0.20 mm"),
        Goal(f"{arm}: share over 1 mm, RMSE", f"{score.share_rmse:.2f}", "0.10"),
        Goal(f"{arm}: truth inside 95 %, lowest and highest class", _range(coverage), "90-98 %"),
        Goal(f"{arm}: median u95 over RMSE", f"{score.u95_over_rmse:.1f}", "at most 2.5"),
        Goal(f"{arm}: called a halo where none is", f"{100 * by_class[0].called:.0f} %", "below 5 %"),
        Goal(f"{arm}: detection limit, median", f"{mine['limit_mm'].median():.2f} mm", "0.25 mm"),
        Goal(
            f"{arm}: answered, easy / medium",
            " / ".join(f"{100 * a:.0f} %" for a in answered.values()),
            "95 / 80 %",
        ),
        Goal(f"{arm}: seconds a screw, median", f"{mine['halo_s'].median():.1f}", "at most 3"),
    ]


def _of_best_scanner(table: pd.DataFrame) -> pd.DataFrame:
    """Return what the full scanner gave, if it was run: goals are set for scans with artefact."""
    full = table[table["scanner"] == "full"]
    return full if len(full) else table


def _range(shares: Sequence[float]) -> str:
    return f"{100 * min(shares):.0f} to {100 * max(shares):.0f} %" if shares else "-"


def fill(text: str, tables: dict[str, str]) -> str:
    """Return a text with tables put between their marks ``<!-- table: NAME -->`` and the end mark.

    Raises
    ------
    ValueError
        If a mark has no end.
    """
    for name, table in tables.items():
        mark = f"<!-- table: {name} -->"
        if mark not in text:
            continue
        before, rest = text.split(mark, 1)
        if _END not in rest:
            raise ValueError(f"the table {name!r} has no end mark")
        text = f"{before}{mark}\n\n{table.strip()}\n\n{_END}{rest.split(_END, 1)[1]}"
    return text


def write_plots(records: Sequence[Record], half: str, folder: Path) -> list[Path]:
    """Write the plots of the grid into a folder; return their paths."""
    table = sides_table(of_latest_version(records))
    if not len(table):
        return []
    grid = table[(table["plan"] == "any") & (table["half"] == half)]
    easy = grid[(grid["metal"] == "titanium") & (grid["thickness"] == "thin")]
    if not len(easy):
        return []
    arms = measuring_arms(grid)
    shown = [*arms, *CALIPERS]
    figures = {
        "accuracy-errors": draw_errors(
            grid, [main_arm(grid), *[a for a in arms if a.endswith("free")], *CALIPERS]
        ),
        "accuracy-classes": draw_classes(easy, shown),
        "accuracy-factors": draw_factors(grid[grid["arm"] == main_arm(grid)]),
        "accuracy-cost": draw_cost(grid, arms),
    }
    for name, figure in figures.items():
        write_figure(figure, folder / f"{name}.svg")
    return [folder / f"{name}.svg" for name in figures]
