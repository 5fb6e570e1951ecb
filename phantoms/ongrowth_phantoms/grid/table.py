"""From records to tables: one row per side, then errors, coverage, detection and answers per group."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ongrowth.quantity import real
from ongrowth_phantoms.grid.draw import THICK_MM, Case
from ongrowth_phantoms.grid.measure import Record

CLASSES = ("0", "0-0.5", "0.5-1", "1-3")
_ZERO_MM = 0.02  # the step between two sides of different width is not sharp
_LEAST_AREA_MM2 = 20.0  # of counted surface; a side with less is not asked for
_NO_LIMIT_MM = 1e-9


def sides_table(records: Iterable[Record]) -> pd.DataFrame:
    """Return one row per side, from the last record of each case and arm.

    Sides with less than 20 mm2 of counted surface (a wide halo can leave no bone behind it) are left out.
    """
    last = {(r["case"], r["arm"]): r for r in records}
    rows = [_row(r, side) for r in last.values() for side in ("head_side", "tip_side")]
    table = pd.DataFrame([row for row in rows if row["area_mm2"] >= _LEAST_AREA_MM2])
    return table.sort_values(["case", "arm", "side"], ignore_index=True) if len(table) else table


def _row(record: Record, side: str) -> dict[str, Any]:
    true, got = record["true"][side], record["sides"].get(side)
    nothing = [math.nan] * 5
    value, u, low, high, below = _floats(got["mean"] if got else nothing)
    share = _floats(got["share_1mm"])[0] if got else math.nan
    true_mm = real(true["mean_mm"])
    return (
        factors(Case(**record["factors"]))
        | {
            "case": record["case"],
            "arm": record["arm"],
            "version": record["version"],
            "side": side,
            "truth_id": _truth_id(record),
            "true_mm": true_mm,
            "class": width_class(true_mm),
            "area_mm2": real(true["area_mm2"]),
            "value_mm": value,
            "error_mm": value - true_mm,
            "u_mm": u,
            "low_mm": low,
            "high_mm": high,
            "limit_mm": real(got.get("limit_mm")) if got else math.nan,
            "is_answered": math.isfinite(value),
            "is_called": math.isfinite(value) and not math.isfinite(below),
            "is_inside": low - _NO_LIMIT_MM <= true_mm <= high + _NO_LIMIT_MM,
            "share_1mm": share,
            "share_error": share - real(true["share_1mm"]),
            "halo_s": real(record.get("halo_s")),
            "place_s": real(record.get("place_s")),
            "scan_s": record["scan_s"],
            "why": record["refused"] or record["crashed"],
            "has_defect": bool(record.get("place", {}).get("has_defect", True)),
        }
        | _sectors(true["sectors_mm"], got["sectors"] if got else [nothing] * 8)
    )


def _truth_id(record: Record) -> str:
    f = record["factors"]
    return f"{f['plan']}-{f['half']}-{f['scanner']}-{f['seed']}"


def _sectors(true_mm: Sequence[float | None], got: Sequence[Sequence[float | None]]) -> dict[str, float]:
    """Return sums over the sectors that both truth and measurement have."""
    errors, inside = [], []
    for true, one in zip(true_mm, got, strict=True):
        value, _, low, high, _ = _floats(one)
        if true is not None and math.isfinite(value):
            errors.append(value - true)
            inside.append(low - _NO_LIMIT_MM <= true <= high + _NO_LIMIT_MM)
    return {
        "sectors": float(len(errors)),
        "sectors_squared_mm2": float(np.sum(np.square(errors))),
        "sectors_inside": float(np.sum(inside)),
    }


def _floats(values: Sequence[float | None]) -> list[float]:
    return [real(v) for v in values]


def width_class(true_mm: float) -> str:
    """Return the class a true mean width belongs to; "" where there is none."""
    if not math.isfinite(true_mm):
        return ""
    if true_mm <= _ZERO_MM:
        return CLASSES[0]
    return CLASSES[1 + int(np.searchsorted([0.5, 1.0], true_mm))]


def factors(case: Case) -> dict[str, str]:
    """Return each factor of a case as a word to group by."""
    return {
        "plan": case.plan,
        "half": case.half,
        "scanner": case.scanner,
        "difficulty": case.difficulty,
        "metal": case.material,
        "thickness": "thin" if case.is_thin else "thick",
        "shape": case.shape,
        "layer": "mineralised"
        if case.layer_hu > 120.0
        else "usual"
        if case.layer_hu == 70.0
        else "20-120 HU",
        "rim": "rim" if case.rim_mm else "no rim",
        "kernel": case.sharpness,
        "slice mm": _between(case.slice_mm, (0.7, THICK_MM), ("0.6", "0.75-1.25", "2-3")),
        "pixel mm": _between(case.pixel_mm, (0.35, 0.45), ("0.25-0.35", "0.35-0.45", "0.45-0.6")),
        "dose": "low" if case.is_noisy else "usual",
        "kVp": f"{case.kvp:.0f}",
        "scale": "extended" if case.clip_hu is None else "clipped",
        "screw mm": _between(case.major_mm, (3.6, 4.2), ("3.5", "4", "4.5-5")),
        "cannula": "cannulated" if case.cannula_mm else "solid",
        "pose": case.pose,
        "texture": "textured" if case.texture_hu else "bare",
        "bone HU": _between(case.bone_hu, (270.0, 360.0), ("180-270", "270-360", "360-450")),
        "patient": "child" if case.is_child else "grown",
        "beside": case.beside or "nothing",
        "sizes": "told" if case.is_told else "not told",
        "reconstruction": "non-linear" if case.smoothing else "filtered back-projection",
    }


FACTORS = (
    "shape", "layer", "rim", "kernel", "slice mm", "pixel mm", "dose", "kVp", "metal", "scale", "screw mm",
    "cannula", "pose", "bone HU", "patient", "beside", "sizes", "reconstruction",
)  # fmt: skip


def _between(value: float, edges: Sequence[float], words: Sequence[str]) -> str:
    return words[int(np.searchsorted(edges, value))]


@dataclass(frozen=True, slots=True)
class Score:
    """How a group of sides was measured; lengths in mm, shares 0..1, NaN where nothing tells.

    `coverage` is the share of answered sides whose 95 % interval holds the truth; `called` the share
    whose mean lies at or above the detection limit stated.
    """

    sides: int
    answered: float
    bias_mm: float
    rmse_mm: float
    coverage: float
    u95_mm: float
    called: float
    sector_rmse_mm: float
    share_rmse: float

    @classmethod
    def of(cls, part: pd.DataFrame) -> Score:
        """Return the score of rows of a table of sides."""
        seen = part[part["is_answered"]]
        if not len(seen):
            nan = math.nan
            return cls(len(part), 0.0 if len(part) else nan, nan, nan, nan, nan, nan, nan, nan)
        has_u = seen["u_mm"].notna()
        sectors = float(seen["sectors"].sum())
        return cls(
            sides=len(part),
            answered=len(seen) / len(part),
            bias_mm=float(seen["error_mm"].mean()),
            rmse_mm=_rms(seen["error_mm"]),
            coverage=float(seen["is_inside"][has_u].mean()) if has_u.any() else math.nan,
            u95_mm=float(1.96 * seen["u_mm"].median()),
            called=float(seen["is_called"].mean()) if has_u.any() else math.nan,
            sector_rmse_mm=math.sqrt(seen["sectors_squared_mm2"].sum() / sectors) if sectors else math.nan,
            share_rmse=_rms(seen["share_error"]),
        )

    @property
    def u95_over_rmse(self) -> float:
        """Median u95 over RMSE: an interval much wider than the error wins nothing."""
        return self.u95_mm / self.rmse_mm if self.rmse_mm else math.nan


def _rms(values: pd.Series[float]) -> float:
    known = values.dropna()
    return math.sqrt(float((known**2).mean())) if len(known) else math.nan


def scores(table: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Return the score of each group, as words for a page."""
    lines = []
    for key, part in table.groupby(list(by), sort=True, observed=True):
        names = dict(zip(by, key, strict=True))
        lines.append(names | _words(Score.of(part)))
    return pd.DataFrame(lines)


def _words(score: Score) -> dict[str, str]:
    return {
        "sides": str(score.sides),
        "answered": _percent(score.answered),
        "bias mm": _signed(score.bias_mm),
        "RMSE mm": _number(score.rmse_mm),
        "truth inside 95 %": _percent(score.coverage),
        "median u95 mm": _number(score.u95_mm),
        "u95 / RMSE": _number(score.u95_over_rmse, 1),
        "called a halo": _percent(score.called),
        "sector RMSE mm": _number(score.sector_rmse_mm),
        "share > 1 mm RMSE": _number(score.share_rmse),
    }


def _number(value: float, digits: int = 2) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def _signed(value: float) -> str:
    return f"{round(value, 2) + 0.0:+.2f}" if math.isfinite(value) else "-"  # no minus before a zero


def _percent(value: float) -> str:
    return f"{100.0 * value:.0f} %" if math.isfinite(value) else "-"


def factor_scores(table: pd.DataFrame) -> pd.DataFrame:
    """Return the score at each level of each factor."""
    parts = []
    for factor in FACTORS:
        part = scores(table, [factor]).rename(columns={factor: "level"})
        if len(part) > 1:
            part.insert(0, "factor", factor)
            parts.append(part)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


@dataclass(frozen=True, slots=True)
class Repeatability:
    """What scanning again gives, over truths scanned several times.

    `coefficient_mm` is 1.96 sqrt(2) times the within-truth SD (Bland JM, Altman DG. Lancet
    1986;327:307-310): two scans differ by less, 95 times in 100. `stated_mm` is the root mean square of
    1.96 sqrt(2) u: what the stated uncertainty would allow.
    """

    truths: int
    coefficient_mm: float
    stated_mm: float

    @classmethod
    def of(cls, table: pd.DataFrame) -> Repeatability:
        """Return the repeatability over rows of a table of sides."""
        seen = table[table["is_answered"]]
        groups = [g for _, g in seen.groupby(["truth_id", "side"]) if len(g) > 1]
        if not groups:
            return cls(0, math.nan, math.nan)
        within = [float(g["value_mm"].var(ddof=1)) for g in groups]
        weight = [len(g) - 1 for g in groups]
        sd = math.sqrt(float(np.average(within, weights=weight)))
        return cls(len(groups), 1.96 * math.sqrt(2.0) * sd, 1.96 * math.sqrt(2.0) * _rms(seen["u_mm"]))


def markdown(table: pd.DataFrame) -> str:
    """Return a table as Markdown."""
    return markdown_rows([list(table.columns), *table.to_numpy().tolist()])


def markdown_rows(rows: Sequence[Sequence[object]]) -> str:
    """Return rows as a table in Markdown, the first as its heading."""
    lines = [f"| {' | '.join(map(str, row))} |\n" for row in rows]
    return "".join([lines[0], "|" + "---|" * len(rows[0]) + "\n", *lines[1:]])
