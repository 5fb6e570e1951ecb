"""The course of a quantity over the weeks: sides within screws, screws within patients."""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ongrowth.estimate import Estimate
from ongrowth.geometry import lock_arrays
from ongrowth.quantity import COVERAGE_95
from ongrowth.scan import refuse
from ongrowth.tidy import select, texts, usual_sides

FloatArray = NDArray[np.float64]

PHASES_WEEKS = (6.0, 12.0, 26.0)  # where the mean course may bend: ends of the windows' first phases
_SHORTEST_WEEKS = 2.0  # between visits that tell a slope: those of one planned week scatter as far
_LEAST_SHARE = 0.05  # of the values, in a phase
MOST_PATIENTS = 1500  # beyond it a seeded sample: the fit takes seconds, its intervals are narrow enough


@dataclass(frozen=True, slots=True)
class Phase:
    """Mean change between two weeks, in units of the quantity per week."""

    from_weeks: float
    to_weeks: float
    change_per_week: Estimate


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Mean course of a quantity and how patients, screws and sides scatter about it.

    Parameters
    ----------
    quantity, unit : str
        What was followed.
    n_patients, n_screws, n_places, n_values : int
        Patients, screws, sides of screws, and values used.
    phases : tuple of Phase
        Mean change within each phase.
    tip_less_head : Estimate
        Mean difference of the tip side from the head side; NaN with one side only.
    patient_sd, screw_sd, place_sd, residual_sd : float
        Scatter between patients, between screws of a patient, between the sides of a screw, and within a side
        from scan to scan; NaN where the data cannot tell that level.
    is_converged : bool
        Whether the fit settled.
    weeks : ndarray, shape (K,)
        Weeks of the mean curve.
    mean, mean_u : ndarray, shape (K,)
        Mean over both sides and its standard error.
    """

    quantity: str
    unit: str
    n_patients: int
    n_screws: int
    n_places: int
    n_values: int
    phases: tuple[Phase, ...]
    tip_less_head: Estimate
    patient_sd: float
    screw_sd: float
    place_sd: float
    residual_sd: float
    is_converged: bool
    weeks: FloatArray
    mean: FloatArray
    mean_u: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)

    @property
    def low95(self) -> FloatArray:
        """Lower end of the interval of the mean curve, shape (K,)."""
        return self.mean - COVERAGE_95 * self.mean_u

    @property
    def high95(self) -> FloatArray:
        """Upper end of the interval of the mean curve, shape (K,)."""
        return self.mean + COVERAGE_95 * self.mean_u


def fit_course(
    table: pd.DataFrame,
    quantity: str = "mean_width",
    *,
    phases_weeks: Sequence[float] = PHASES_WEEKS,
    seed: int = 1,
) -> Course:
    """Fit the mean course of a quantity by a linear mixed model.

    Parameters
    ----------
    table : DataFrame
        Long table, as ``scans.parquet``.
    quantity : str
        What to follow, at both sides of the screw or at the one place that it has.
    phases_weeks : sequence of float
        Weeks at which the mean course may bend; those outside the data are left out.
    seed : int
        Picks the patients where there are more than the fit takes.

    Raises
    ------
    Refused
        Code ``missing-column``, ``no-rows``, or ``too-few-patients`` (below four, or all at one week).

    Notes
    -----
    Fixed: a broken line over the weeks and the side. Random, by restricted maximum likelihood: an
    intercept of the patient, of the screw within the patient, of the side within the screw. A missing
    visit is simply not there, which is right as long as visits are not missed because of the width.
    """
    rows = _sample(select(table, quantity, usual_sides(table, quantity)), seed)
    weeks = rows["weeks_since_surgery"].to_numpy(dtype=np.float64)
    if rows["case"].nunique() < 4 or np.unique(weeks).size < 2:
        raise refuse(
            "too-few-patients",
            "A course needs at least four patients and two different weeks.",
            "Add patients or visits.",
        )
    bends = _bends(weeks, phases_weeks)
    fit = _fit(rows, weeks, bends)
    ends = [float(weeks.min()), *bends, float(weeks.max())]
    curve_weeks = np.linspace(ends[0], ends[-1], 80)
    curve = _broken_line(curve_weeks, bends)
    has_sides = rows["side"].nunique() == 2
    design = np.column_stack([curve, np.full(80, 0.5)]) if has_sides else curve
    mean_u = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", design, fit.covariance, design), 0.0))
    return Course(
        quantity=quantity,
        unit=texts(rows, "unit").iloc[0] if "unit" in rows else "",
        n_patients=int(rows["case"].nunique()),
        n_screws=int(rows["screw"].nunique()),
        n_places=int(rows["place"].nunique()),
        n_values=len(rows),
        phases=tuple(_phases(fit, ends, bends)),
        tip_less_head=_estimate(fit, _unit_vector(curve.shape[1], curve.shape[1] + 1))
        if has_sides
        else Estimate(math.nan),
        patient_sd=fit.sd["patient"],
        screw_sd=fit.sd["screw"],
        place_sd=fit.sd["place"],
        residual_sd=fit.sd["residual"],
        is_converged=fit.is_converged,
        weeks=curve_weeks,
        mean=design @ fit.effects,
        mean_u=mean_u,
    )


def _bends(weeks: FloatArray, phases_weeks: Sequence[float]) -> list[float]:
    """Return the weeks at which the data can show a bend: each phase holds visits some weeks apart."""
    start, end = float(weeks.min()), float(weeks.max())
    bends: list[float] = []
    for week in sorted(phases_weeks):
        if _is_told(weeks, start, week) and _is_told(weeks, week, end):
            bends.append(week)
            start = week
    return bends


def _is_told(weeks: FloatArray, start: float, end: float) -> bool:
    """Whether the weeks within a phase tell its slope."""
    inside = weeks[(weeks >= start) & (weeks <= end)]
    return inside.size > _LEAST_SHARE * weeks.size and float(np.ptp(inside)) >= _SHORTEST_WEEKS


def _sample(rows: pd.DataFrame, seed: int) -> pd.DataFrame:
    cases = np.sort(rows["case"].unique())
    if cases.size <= MOST_PATIENTS:
        return rows
    chosen = np.random.default_rng(seed).choice(cases, MOST_PATIENTS, replace=False)
    return rows[rows["case"].isin(list(chosen))]


def _broken_line(weeks: ArrayLike, bends: Sequence[float]) -> FloatArray:
    """Return intercept, slope, and change of slope at each bend, shape (N, 2 + bends)."""
    at = np.asarray(weeks, dtype=np.float64)
    return np.column_stack([np.ones_like(at), at, *(np.maximum(at - bend, 0.0) for bend in bends)])


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    effects: FloatArray
    covariance: FloatArray
    sd: dict[str, float]
    is_converged: bool


def _fit(rows: pd.DataFrame, weeks: FloatArray, bends: Sequence[float]) -> _Fit:
    """Fit the mixed model; levels that the data cannot tell apart are left out."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    design = _broken_line(weeks, bends)
    if rows["side"].nunique() == 2:
        is_tip = (rows["side"] == sorted(rows["side"].unique())[1]).to_numpy(dtype=np.float64)
        design = np.column_stack([design, is_tip])
    levels = _levels(rows)
    model = MixedLM(
        rows["value"].to_numpy(dtype=np.float64),
        design,
        groups=rows["case"].to_numpy(),
        exog_re=np.ones((len(rows), 1)),
        exog_vc=_components(rows, levels) if levels else None,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whether it settled is told by is_converged
        try:
            found = model.fit(reml=True, method=["lbfgs", "powell"])
        except np.linalg.LinAlgError:
            found = None
    n_fixed = design.shape[1]
    if found is None or not _is_covariance(np.asarray(found.cov_params())[:n_fixed, :n_fixed]):
        return _fit_alike(rows["value"].to_numpy(dtype=np.float64), design)
    spread = dict(zip(levels, np.sqrt(np.maximum(found.vcomp, 0.0)), strict=True)) if levels else {}
    return _Fit(
        np.asarray(found.fe_params, dtype=np.float64),
        np.asarray(found.cov_params(), dtype=np.float64)[:n_fixed, :n_fixed],
        {
            "patient": math.sqrt(max(float(np.asarray(found.cov_re)[0, 0]), 0.0)),
            "screw": float(spread.get("screw", math.nan)),
            "place": float(spread.get("place", math.nan)),
            "residual": math.sqrt(float(found.scale)),
        },
        bool(found.converged),
    )


def _is_covariance(matrix: FloatArray) -> bool:
    return bool(np.isfinite(matrix).all()) and float(np.linalg.eigvalsh(matrix).min()) >= 0.0


def _fit_alike(value: FloatArray, design: FloatArray) -> _Fit:
    """Fit by least squares, as if of one patient: without scatter between patients the mixed model fails."""
    effects, _, rank, _ = np.linalg.lstsq(design, value, rcond=None)
    variance = float(np.sum((value - design @ effects) ** 2)) / max(value.size - int(rank), 1)
    spread = {"patient": 0.0, "screw": math.nan, "place": math.nan, "residual": math.sqrt(variance)}
    covariance = np.asarray(variance * np.linalg.pinv(design.T @ design), dtype=np.float64)
    return _Fit(np.asarray(effects, dtype=np.float64), covariance, spread, is_converged=False)


def _levels(rows: pd.DataFrame) -> list[str]:
    """Return the levels between patient and value that hold more than one member somewhere."""
    levels = []
    if rows.groupby("case")["screw"].nunique().max() > 1:
        levels.append("screw")
    is_repeated = rows.groupby("place").size().max() > 1
    if rows.groupby("screw")["place"].nunique().max() > 1 and is_repeated:
        levels.append("place")
    return levels


def _components(rows: pd.DataFrame, levels: Sequence[str]) -> Any:
    """Return who belongs to whom within each patient, as the fit takes it."""
    from statsmodels.regression.mixed_linear_model import VCSpec

    names, matrices = [], []
    cases = sorted(rows["case"].unique())
    by_case = dict(iter(rows.groupby("case")))
    for level in levels:
        members = [pd.get_dummies(by_case[case][level], dtype=float) for case in cases]
        names.append([list(map(str, m.columns)) for m in members])
        matrices.append([m.to_numpy() for m in members])
    return VCSpec(list(levels), names, matrices)


def _unit_vector(at: int, size: int) -> FloatArray:
    vector = np.zeros(size)
    vector[at] = 1.0
    return vector


def _estimate(fit: _Fit, weights: FloatArray) -> Estimate:
    value = float(weights @ fit.effects)
    half = COVERAGE_95 * math.sqrt(max(float(weights @ fit.covariance @ weights), 0.0))
    return Estimate(value, value - half, value + half)


def _phases(fit: _Fit, ends: Sequence[float], bends: Sequence[float]) -> list[Phase]:
    """Return the slope within each phase: the first one plus the changes at the bends passed."""
    phases = []
    for k, (start, end) in enumerate(itertools.pairwise(ends)):
        weights = np.zeros(fit.effects.size)
        weights[1 : 2 + k] = 1.0
        phases.append(Phase(start, end, _estimate(fit, weights)))
    return phases[: len(bends) + 1]
