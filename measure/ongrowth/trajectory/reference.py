"""Windows from a reference cohort: the expected range per week, surface and side, with its uncertainty."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ongrowth.findings import SURFACES, Windows, quantity_unit, shipped_windows
from ongrowth.quantity import Unit
from ongrowth.reading import WINDOW_QUANTITIES, Against, Window
from ongrowth.scan import refuse
from ongrowth.tidy import need_columns, select, texts
from ongrowth.wording import HALO_SIDES

FloatArray = NDArray[np.float64]

SPANS_WEEKS = (0.0, 3.0, 6.0, 9.0, 12.0, 16.0, 20.0, 26.0, 39.0, 52.0, 78.0, 104.0, math.inf)
EXPECTED_SHARE = 0.95  # of the reference patients lie within the expected range
MIN_PATIENTS = 40  # below it the range of a span is left as shipped; project's choice
_MORE_IS_BETTER = (
    "bridged_fraction",
    "no_lucency_share",
    "no_lucency_length",
    "longest_no_lucency",
)
_SMOOTHING = 0.25  # SD of the weights along log(1 + weeks): half a span and a bit


@dataclass(frozen=True, slots=True)
class ReferenceRange:
    """The limit that a share of a reference cohort keeps within, over a span of weeks.

    Parameters
    ----------
    surface, side, quantity : str
        Whose limit.
    from_weeks, to_weeks : float
        Span.
    limit, low95, high95 : float
        Percentile of the cohort and its interval; an end is infinite where too few patients tell it.
    median : float
        Median of the cohort.
    n_patients, n_values : int
        Patients and values in the span.
    is_upper : bool
        Whether values beyond it are larger (else smaller).
    unit : Unit
        Of the limit.
    expected_share : float
        Share of the cohort that keeps within the limit.
    """

    surface: str
    side: str
    quantity: str
    from_weeks: float
    to_weeks: float
    limit: float
    low95: float
    high95: float
    median: float
    n_patients: int
    n_values: int
    is_upper: bool
    unit: Unit
    expected_share: float = EXPECTED_SHARE

    @property
    def far(self) -> float:
        """The end of the interval beyond which the percentile surely does not lie; infinite if not told."""
        return self.high95 if self.is_upper else self.low95


def reference_ranges(
    table: pd.DataFrame,
    quantity: str = "mean_width",
    *,
    spans_weeks: Sequence[float] = SPANS_WEEKS,
    expected_share: float = EXPECTED_SHARE,
    min_patients: int = MIN_PATIENTS,
) -> tuple[ReferenceRange, ...]:
    """Return the limits of a reference cohort, one for each surface, side and span with enough patients.

    Parameters
    ----------
    table : DataFrame
        Long table of the reference cohort, as ``scans.parquet``. Only patients whose course was as wished
        belong in it: that choice is the centre's.
    quantity : str
        What the windows are for.
    spans_weeks : sequence of float
        Ends of the spans.
    expected_share : float
        Share of patients within the range. The range is open on the side that is no concern: a narrow halo is
        never outside.
    min_patients : int
        Patients a span must have.

    Raises
    ------
    Refused
        Code ``missing-column``, ``no-rows``, ``bad-value`` (a surface or unit that no window can have),
        ``not-a-window-quantity`` or ``too-few-patients``.

    Notes
    -----
    The percentile of a span is that of the values round its median week, weighted by nearness on the scale
    log(1 + weeks) and so that each patient counts once. Its interval lies between the order statistics that
    the binomial distribution gives for as many patients as weigh alike: it supposes nothing of how widths are
    distributed, and has no far end below 72 of them (for the 95th percentile). Values carry their measurement
    error: the range is that of measured values, which is what a new value is held against.
    """
    if quantity not in WINDOW_QUANTITIES:
        raise refuse(
            "not-a-window-quantity",
            f"No window can speak of {quantity}.",
            f"Choose one of {', '.join(WINDOW_QUANTITIES)}.",
        )
    need_columns(table, ["surface", "unit"])
    sides = ("defect",) if quantity in ("bridged_fraction", "gap_width_mean", "gap_width_max") else HALO_SIDES
    rows = select(table, quantity, sides)
    _must_be_known(rows, "surface", SURFACES)
    _must_be_known(rows, "unit", [quantity_unit(quantity).value])
    settings = (spans_weeks, expected_share, min_patients)
    ranges = tuple(
        found
        for (surface, side), group in rows.groupby(["surface", "side"], sort=True)
        for found in _ranges(group, str(surface), str(side), quantity, settings)
    )
    if not ranges:
        raise refuse(
            "too-few-patients",
            f"No span of weeks has {min_patients} patients of one surface.",
            "Add patients, or lower --min-patients and say so.",
        )
    return ranges


def _must_be_known(rows: pd.DataFrame, column: str, words: Sequence[str]) -> None:
    """Refuse cells that stand in no window: it could not be read again, or rows would be lost."""
    strange = sorted(set(texts(rows, column)) - set(words))
    if strange:
        raise refuse(
            "bad-value",
            f"Column {column} holds what no window can have: {', '.join(map(repr, strange[:5]))}.",
            f"It may hold {', '.join(words)}.",
        )


_Settings = tuple[Sequence[float], float, int]


def _ranges(
    group: pd.DataFrame, surface: str, side: str, quantity: str, settings: _Settings
) -> Iterator[ReferenceRange]:
    spans, expected_share, min_patients = settings
    weeks, values = group["weeks_since_surgery"].to_numpy(), group["value"].to_numpy()
    _, owner = np.unique(group["case"].astype(str), return_inverse=True)
    is_upper = quantity not in _MORE_IS_BETTER
    share = expected_share if is_upper else 1.0 - expected_share
    for start, end in itertools.pairwise(spans):
        inside = (weeks >= start) & (weeks < end)
        n_patients = np.unique(owner[inside]).size
        if n_patients < min_patients:
            continue
        weight = _fair(_nearness(weeks, float(np.median(weeks[inside]))), owner)
        low, high = _ends(_n_alike(np.bincount(owner, weight)), share)
        yield ReferenceRange(
            surface,
            "any" if side == "defect" else side,
            quantity,
            start,
            end,
            weighted_quantile(values, weight, share),
            weighted_quantile(values, weight, low) if low > 0.0 else -math.inf,
            weighted_quantile(values, weight, high) if high < 1.0 else math.inf,
            weighted_quantile(values, weight, 0.5),
            int(n_patients),
            int(inside.sum()),
            is_upper,
            quantity_unit(quantity),
            expected_share,
        )


def _nearness(weeks: FloatArray, middle: float) -> FloatArray:
    distance = (np.log1p(weeks) - math.log1p(middle)) / _SMOOTHING
    return np.where(np.abs(distance) < 3.0, np.exp(-0.5 * distance**2), 0.0)


def _fair(weight: FloatArray, owner: NDArray[np.intp]) -> FloatArray:
    """Return weights of values with which every patient counts by its nearest value alone."""
    per_patient = np.bincount(owner, weight)
    most = np.zeros_like(per_patient)
    np.maximum.at(most, owner, weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(weight > 0.0, weight * (most / per_patient)[owner], 0.0)


def _n_alike(weight: NDArray[Any]) -> int:
    """Return how many patients of one weight tell as much as these (Kish L. Survey sampling. Wiley 1965)."""
    return int(weight.sum() ** 2 / (weight**2).sum())


def _ends(n: int, share: float) -> tuple[float, float]:
    """Return between which shares of n values a quantile lies in 95 of 100 samples; beyond 0 and 1: not told.

    Examples
    --------
    >>> _ends(100, 0.5), _ends(40, 0.95)[1] > 1.0
    ((0.395, 0.605), True)
    """
    low, high = (float(stats.binom.ppf(level, n, share)) for level in (0.025, 0.975))
    return (low - 0.5) / n, (high + 0.5) / n  # places of the values of rank `low` and `high` + 1


def weighted_quantile(values: ArrayLike, weights: ArrayLike, share: float) -> float:
    """Return the value below which a share of the weight lies, interpolated between values.

    Parameters
    ----------
    values, weights : array_like, shape (N,)
        Values, and how much each counts.
    share : float
        Share of the weight, 0 to 1.

    Examples
    --------
    >>> weighted_quantile([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], 0.5)
    2.0
    """
    x, w = np.asarray(values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    order = np.argsort(x, kind="stable")
    x, w = x[order], w[order]
    kept = w > 0.0
    x, w = x[kept], w[kept]
    if x.size == 0:
        return math.nan
    place = (np.cumsum(w) - 0.5 * w) / w.sum()
    return float(np.interp(share, place, x))


def windows_of(ranges: Sequence[ReferenceRange], cohort: str) -> Windows:
    """Return the rows of a windows table that say what a reference cohort shows.

    Parameters
    ----------
    ranges : sequence of ReferenceRange
        Of one or several quantities.
    cohort : str
        Name of the cohort, for the column ``source``.

    Returns
    -------
    tuple of Window
        For each range two rows: beyond the percentile a value is undecided, beyond the far end of the
        percentile's own interval it is outside. For weeks, surfaces and sides without enough patients, the
        rows of the shipped table stand; where they are too few to tell the far end alone, those that say what
        is outside.

    Notes
    -----
    A table replaces all rows of the quantities it names, so what the cohort cannot tell is repeated from the
    shipped table, cut to the weeks that are left.
    """
    own = tuple(row for found in ranges for row in _rows_of(found, cohort))
    named = {found.quantity for found in ranges}
    shipped = (row for row in shipped_windows() if row.quantity in named)
    return (*own, *(piece for row in shipped for piece in _left_over(row, ranges)))


def _rows_of(found: ReferenceRange, cohort: str) -> Iterator[Window]:
    share = f"{100 * found.expected_share:g} % of the reference cohort"
    who = f"{found.n_patients} patients, {found.n_values} values of {cohort}"
    ends = " to ".join(
        f"{end:.3f}" if math.isfinite(end) else "not told" for end in (found.low95, found.high95)
    )
    source = f"{who}; percentile {found.limit:.3f} ({ends})"
    words = f"{share} {'reach no more' if found.is_upper else 'reach at least this'}."
    far_words = f"Beyond the range of {share}, its uncertainty included."
    for limit, beyond, meaning in (
        (found.limit, Against.UNDECIDED, words),
        (found.far, Against.OUTSIDE, far_words),
    ):
        if math.isinf(limit):
            continue
        yield Window(
            surface=found.surface,
            quantity=found.quantity,
            side=found.side,
            from_weeks=found.from_weeks,
            to_weeks=found.to_weeks,
            low=0.0 if found.is_upper else round(limit, 3),
            high=round(limit, 3) if found.is_upper else _largest(found.unit),
            unit=found.unit,
            meaning=meaning,
            source=source,
            beyond=beyond,
        )


def _largest(unit: Unit) -> float:
    return 1.0 if unit is Unit.ONE else math.nan


def _left_over(row: Window, ranges: Sequence[ReferenceRange]) -> Iterator[Window]:
    """Give a shipped row cut to the weeks that no range covers, split by surface and side where needed."""
    surfaces = SURFACES if row.surface == "any" else (row.surface,)
    sides = HALO_SIDES if row.side == "any" else (row.side,)
    left = {
        (surface, side): _uncovered(row.from_weeks, row.to_weeks, _covered(row, surface, side, ranges))
        for surface, side in itertools.product(surfaces, sides)
    }
    if len(set(left.values())) == 1:
        left = {(row.surface, row.side): left[surfaces[0], sides[0]]}
    elif all(left[surface, sides[0]] == left[surface, sides[-1]] for surface in surfaces):
        left = {(surface, row.side): left[surface, sides[0]] for surface in surfaces}
    for (surface, side), spans in left.items():
        yield from (replace(row, surface=surface, side=side, from_weeks=a, to_weeks=b) for a, b in spans)


_Spans = tuple[tuple[float, float], ...]


def _covered(row: Window, surface: str, side: str, ranges: Sequence[ReferenceRange]) -> _Spans:
    """Return the spans for which a cohort says what a row says."""
    return tuple(
        (r.from_weeks, r.to_weeks)
        for r in ranges
        if r.quantity == row.quantity
        and r.surface == surface
        and r.side in ("any", side)
        and (math.isfinite(r.far) or row.beyond is Against.UNDECIDED)
    )


def _uncovered(start: float, end: float, covered: _Spans) -> _Spans:
    """Return what is left of a span without the covered ones.

    Examples
    --------
    >>> _uncovered(0.0, 12.0, ((3.0, 6.0), (6.0, 9.0)))
    ((0.0, 3.0), (9.0, 12.0))
    """
    at, left = start, []
    for a, b in sorted(covered):
        if min(a, end) > at:
            left.append((at, min(a, end)))
        at = max(at, b)
    return (*left, (at, end)) if at < end else tuple(left)


def windows_toml(windows: Windows, remark: str = "") -> str:
    """Return a windows table as TOML, as `check --windows` takes it.

    Parameters
    ----------
    windows : tuple of Window
        The rows.
    remark : str
        Written above them as a comment.
    """
    lines = [f"# {line}" for line in remark.splitlines()]
    return "\n".join([*lines, *("\n".join(_window_lines(row)) for row in windows)]) + "\n"


def _window_lines(row: Window) -> Iterator[str]:
    yield "\n[[window]]"
    for name in ("surface", "quantity", "side"):
        yield f'{name} = "{getattr(row, name)}"'
    for name in ("from_weeks", "to_weeks", "low", "high"):
        value = getattr(row, name)
        if not math.isnan(value) and not (name in ("low", "high") and math.isinf(value)):
            yield f"{name} = {_toml_number(value)}"
    yield f'unit = "{row.unit.value}"'
    yield f'beyond = "{row.beyond.value}"'
    for name in ("meaning", "source"):
        yield f"{name} = {_toml_text(getattr(row, name))}"


def _toml_number(value: float) -> str:
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return repr(float(value))


def _toml_text(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{" ".join(escaped.split())}"'
