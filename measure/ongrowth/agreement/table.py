"""All statistics of agreement that a table of readings gives."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ongrowth.agreement.category import Weights, cross_table, weighted_kappa
from ongrowth.agreement.correlation import concordance, intraclass_correlation
from ongrowth.agreement.difference import limits_of_agreement, limits_with_replicates
from ongrowth.agreement.linearity import linearity_and_bias
from ongrowth.agreement.repeatability import measure_repeatability
from ongrowth.estimate import Estimate
from ongrowth.scan import refuse
from ongrowth.tidy import need_columns, numbers, split, texts

FloatArray = NDArray[np.float64]
Readings = dict[str, list[list[float]]]
"""For each method the readings of each subject, subjects in one order."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Which columns of a table say what.

    Parameters
    ----------
    subject : tuple of str
        Columns that together name what was read.
    value : str
        Column of the number read; empty: there is none.
    method : str
        Column of who or what read: reader, tool, scanner; empty: all readings are of one kind.
    truth : str
        Column of the known truth; empty: not known.
    category, categories : str, tuple of str
        Column of the category read, and all categories in their order; empty: they have none.
    by : str
        Column that splits the table; each part gets its own statistics.
    """

    subject: tuple[str, ...]
    value: str = "value"
    method: str = ""
    truth: str = ""
    category: str = ""
    categories: tuple[str, ...] = ()
    by: str = ""


@dataclass(frozen=True, slots=True)
class Statistic:
    """One figure of agreement.

    Parameters
    ----------
    part : str
        Part of the table, where it was split.
    topic, name : str
        What is spoken of, and which figure of it.
    first, second : str
        Method, and the one it is held against.
    estimate : Estimate
        Value and 95 % interval.
    n : int
        Subjects behind it.
    """

    part: str
    topic: str
    name: str
    first: str
    second: str
    estimate: Estimate
    n: int


def compare(table: pd.DataFrame, layout: Layout) -> tuple[Statistic, ...]:
    """Return repeatability, agreement between methods, linearity and agreement of categories.

    Parameters
    ----------
    table : DataFrame
        One row for each reading; several rows of one subject and method are replicates.
    layout : Layout
        Which column says what.

    Raises
    ------
    Refused
        Code ``missing-column``, ``no-rows``, ``bad-value``, or ``nothing-to-compare`` if no subject was read
        twice in any way.

    Notes
    -----
    What a table cannot give is left out: repeatability needs replicates, limits of agreement two methods, the
    intraclass correlation subjects that every method read.
    """
    need_columns(table, [c for c in (*layout.subject, layout.method, layout.truth) if c])
    need_columns(table, [c for c in (layout.value, layout.category) if c])
    if table.empty:
        raise refuse("no-rows", "The table has no rows.", "Check what was joined or selected.")
    parts = split(table, layout.by) if layout.by else [("", table)]
    found = tuple(figure for name, part in parts for figure in _part(name, part, layout))
    if not found:
        raise refuse(
            "nothing-to-compare",
            "No subject was read twice: by two methods, again by the same, or beside a truth.",
            "Name the columns of subject and method, see `ongrowth agreement --help`.",
        )
    return found


def _part(name: str, table: pd.DataFrame, layout: Layout) -> Iterator[Statistic]:
    if layout.value:
        readings = _readings(table, layout)
        yield from _repeatability(name, readings)
        yield from _pairs(name, readings)
        yield from _intraclass(name, readings)
        if layout.truth:
            yield from _linearity(name, table, layout)
    if layout.category:
        yield from _kappas(name, table, layout)


def _subjects(table: pd.DataFrame, layout: Layout) -> pd.Series[str]:
    columns = [texts(table, column) for column in layout.subject]
    joined = columns[0]
    for column in columns[1:]:
        joined = joined + "|" + column
    return joined


def _methods(table: pd.DataFrame, layout: Layout) -> pd.Series[str]:
    if not layout.method:
        return pd.Series("", index=table.index)
    return texts(table, layout.method)


def _readings(table: pd.DataFrame, layout: Layout) -> Readings:
    value = numbers(table, layout.value).to_numpy(dtype=np.float64)
    subject, method = _subjects(table, layout).to_numpy(), _methods(table, layout).to_numpy()
    order = {name: k for k, name in enumerate(dict.fromkeys(subject))}
    readings: Readings = {name: [[] for _ in order] for name in dict.fromkeys(method)}
    for who, how, number in zip(subject, method, value, strict=True):
        if math.isfinite(number):
            readings[how][order[who]].append(float(number))
    return readings


def _repeatability(part: str, readings: Readings) -> Iterator[Statistic]:
    for method, groups in readings.items():
        if not any(len(group) > 1 for group in groups):
            continue
        found = measure_repeatability(groups)
        named = (
            ("within-subject SD", found.within_sd),
            ("repeatability coefficient", found.coefficient),
            ("repeatability coefficient, one-sided upper bound", Estimate(found.coefficient_upper95)),
            ("Kendall's tau of SD and mean", Estimate(found.spread_against_mean)),
        )
        for name, estimate in named:
            yield Statistic(part, "repeatability", name, method, "", estimate, found.n_subjects)


def _pairs(part: str, readings: Readings) -> Iterator[Statistic]:
    for first, second in itertools.combinations(readings, 2):
        pairs = [(a, b) for a, b in zip(readings[first], readings[second], strict=True) if a and b]
        if len(pairs) < 4:
            continue
        left, right = [a for a, _ in pairs], [b for _, b in pairs]
        is_single = all(len(a) == len(b) == 1 for a, b in pairs)
        means = np.array([np.mean(a) for a in left]), np.array([np.mean(b) for b in right])
        found = limits_of_agreement(*means) if is_single else limits_with_replicates(left, right)
        named = (
            ("bias", found.bias),
            ("SD of differences", Estimate(found.sd)),
            ("lower limit of agreement", found.lower),
            ("upper limit of agreement", found.upper),
            ("slope of difference on mean", found.slope),
            ("concordance correlation", concordance(*means)),
        )
        topic = (
            "limits of agreement" if is_single else "limits of agreement of single readings, from replicates"
        )
        yield from (Statistic(part, topic, name, first, second, e, found.n) for name, e in named)


def pairs_of_means(
    table: pd.DataFrame, layout: Layout, first: str, second: str
) -> tuple[FloatArray, FloatArray]:
    """Return each subject's mean reading by two methods, subjects that both read, shapes (N,)."""
    readings = _readings(table, layout)
    pairs = [(a, b) for a, b in zip(readings[first], readings[second], strict=True) if a and b]
    return np.array([np.mean(a) for a, _ in pairs]), np.array([np.mean(b) for _, b in pairs])


def _intraclass(part: str, readings: Readings) -> Iterator[Statistic]:
    """Give the intraclass correlation of methods over subjects that all of them read, first readings."""
    methods = list(readings)
    if len(methods) < 2:
        yield from _intraclass_of_replicates(part, readings)
        return
    complete = [group for group in zip(*readings.values(), strict=True) if all(group)]
    if len(complete) < 3:
        return
    found = intraclass_correlation([[values[0] for values in group] for group in complete])
    who = ", ".join(methods)
    for form in found.forms:
        words = f"{form.name}: {form.meaning}"
        yield Statistic(part, "intraclass correlation", words, who, "", form.estimate, len(complete))
    error = Estimate(found.standard_error_of_measurement)
    yield Statistic(
        part, "intraclass correlation", "standard error of measurement", who, "", error, len(complete)
    )


def _intraclass_of_replicates(part: str, readings: Readings) -> Iterator[Statistic]:
    """Give the one-way form for replicates of one method, as many of each subject as all have."""
    for method, groups in readings.items():
        repeated = [group for group in groups if len(group) > 1]
        if len(repeated) < 3:
            continue
        k = min(len(group) for group in repeated)
        estimate = intraclass_correlation([group[:k] for group in repeated])["ICC(1,1)"]
        words = "ICC(1,1): repeated readings, absolute agreement, single reading"
        yield Statistic(part, "intraclass correlation", words, method, "", estimate, len(repeated))


def _linearity(part: str, table: pd.DataFrame, layout: Layout) -> Iterator[Statistic]:
    methods = _methods(table, layout)
    for method in dict.fromkeys(methods):
        rows = table[methods == method]
        truth = numbers(rows, layout.truth).to_numpy(dtype=np.float64)
        value = numbers(rows, layout.value).to_numpy(dtype=np.float64)
        try:
            found = linearity_and_bias(truth, value)
        except ValueError:
            continue
        named = (
            ("mean bias", found.mean_bias),
            ("slope", found.slope),
            ("intercept", found.intercept),
            ("residual SD", Estimate(found.residual_sd)),
            ("R squared", Estimate(found.r_squared)),
            ("p of a bend", Estimate(found.curvature_p)),
        )
        yield from (Statistic(part, "linearity", name, method, layout.truth, e, found.n) for name, e in named)


def _kappas(part: str, table: pd.DataFrame, layout: Layout) -> Iterator[Statistic]:
    """Give kappa of each two methods, and of readings again by one; weighted where there is an order."""
    read = _categories(table, layout)
    weights: tuple[Weights, ...] = (
        ("none", "linear", "quadratic") if len(layout.categories) > 2 else ("none",)
    )
    order = layout.categories or tuple(sorted({w for words in read.values() for w in words.values()}))
    first_only = {
        method: {who: words for (who, k), words in all_.items() if k == 0} for method, all_ in read.items()
    }
    for method, all_ in read.items():
        again = {who: words for (who, k), words in all_.items() if k == 1}
        yield from _kappa(part, method, f"{method} again".strip(), first_only[method], again, order, weights)
    for first, second in itertools.combinations(read, 2):
        yield from _kappa(part, first, second, first_only[first], first_only[second], order, weights)


def _categories(table: pd.DataFrame, layout: Layout) -> dict[str, dict[tuple[str, int], str]]:
    """Return for each method the category of each subject and occasion."""
    words = texts(table, layout.category).to_numpy()
    read: dict[str, dict[tuple[str, int], str]] = {}
    for who, how, word in zip(_subjects(table, layout), _methods(table, layout), words, strict=True):
        if word:
            own = read.setdefault(how, {})
            occasion = next(k for k in itertools.count() if (who, k) not in own)
            own[who, occasion] = word
    return read


def _kappa(
    part: str,
    first: str,
    second: str,
    a: dict[str, str],
    b: dict[str, str],
    order: Sequence[str],
    weights: Sequence[Weights],
) -> Iterator[Statistic]:
    both = [who for who in a if who in b]
    if len(both) < 4:
        return
    try:
        counts = cross_table([a[w] for w in both], [b[w] for w in both], order)
    except ValueError as error:
        raise refuse("bad-category", f"{error}.", "List all categories in their order.") from error
    for kind in weights:
        found = weighted_kappa(counts, kind)
        name = "kappa" if kind == "none" else f"kappa, {kind} weights"
        yield Statistic(part, "categories", name, first, second, found.estimate, found.n)
    share = Estimate(weighted_kappa(counts, "none").observed_agreement)
    yield Statistic(part, "categories", "share of equal categories", first, second, share, len(both))


def melt(table: pd.DataFrame, subject: Sequence[str], methods: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Return a table with one column for each method and replicate as one with a row for each reading.

    Parameters
    ----------
    table : DataFrame
        One row for each subject.
    subject : sequence of str
        Columns that name it; other columns are kept too.
    methods : mapping of str to sequence of str
        Columns of the replicates of each method.
    """
    columns = [column for group in methods.values() for column in group]
    need_columns(table, [*subject, *columns])
    kept = table.drop(columns=columns).copy()  # in one piece: a wide CSV warns of its many columns otherwise
    parts = [
        kept.assign(method=method, value=table[column])
        for method, group in methods.items()
        for column in group
    ]
    return pd.concat(parts, ignore_index=True)


def unit_of(table: pd.DataFrame, layout: Layout) -> str:
    """Return the unit in which all values of a table stand, empty where the table does not tell one.

    A row without a unit, such as our own value beside readers' forms, contradicts none.

    Parameters
    ----------
    table : DataFrame
        As for `compare`; the unit stands in its column ``unit``.
    layout : Layout
        Which column says what.

    Raises
    ------
    Refused
        Code ``several-units`` if values of several units would be taken together.
    """
    if "unit" not in table.columns or not layout.value or layout.by in ("quantity", "unit"):
        return ""
    units = sorted(set(texts(table[numbers(table, layout.value).notna()], "unit")) - {""})
    if len(units) > 1:
        raise refuse(
            "several-units",
            f"The table holds values in {', '.join(units)}, which cannot be taken together.",
            "Choose one quantity (--quantity), or split the table (--by quantity).",
        )
    return units[0] if units else ""


def printed_name(figure: Statistic) -> str:
    """Return the name of a figure as printed: a bias has a sign, so it says which is taken from which.

    Parameters
    ----------
    figure : Statistic
        One figure of a table.
    """
    return f"bias, {figure.first} less {figure.second}" if figure.name == "bias" else figure.name


def render_text(figures: Sequence[Statistic], unit: str = "") -> str:
    """Return the figures as plain text, one paragraph for each topic.

    Parameters
    ----------
    figures : sequence of Statistic
        In the order in which they are to be told.
    unit : str
        Unit of the values, told first; empty where it is not known.
    """
    lines = [f"Values in {unit}.", ""] if unit else []
    key: Callable[[Statistic], tuple[str, ...]] = lambda f: (f.part, f.topic, f.first, f.second)  # noqa: E731
    for (part, topic, first, second), group in itertools.groupby(figures, key):
        members = list(group)
        who = " against ".join(w for w in (first, second) if w)
        where = f" [{part}]" if part else ""
        title = topic[0].upper() + topic[1:]
        lines.append(f"{title}{where}{': ' if who else ''}{who} (n = {members[0].n})")
        lines += [f"  {printed_name(figure)}: {figure.estimate}" for figure in members]
        lines.append("")
    return "\n".join(lines)
