"""The long table of a cohort: read, checked, and cut down to one quantity."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from ongrowth.scan import refuse
from ongrowth.wording import HALO_SIDES, install_words

_MOST_NAMES = 30  # of columns, told in a refusal
_IDS = ("case", "scan", "implant", "subject", "item", "reader")  # a pseudonym 007 is no number
NEEDED = ("case", "scan", "weeks_since_surgery", "implant", "side", "quantity", "value")


def read_table(path: Path) -> pd.DataFrame:
    """Read a table, CSV (commas, semicolons or tabs between cells) or Parquet.

    Where cells are not parted by commas, decimal commas are understood.

    Raises
    ------
    Refused
        Code ``no-table``.
    """
    try:
        if path.suffix.lower() in (".parquet", ".pq"):
            return pd.read_parquet(path)
        with path.open(encoding="utf-8-sig") as lines:
            head = lines.readline()
        separator = max(",;\t", key=head.count)
        table = pd.read_csv(
            path,
            sep=separator,
            encoding="utf-8-sig",
            keep_default_na=False,
            na_values=[""],
            dtype=dict.fromkeys(_IDS, str),
        )
        return table if separator == "," else table.apply(_with_points)
    except ImportError as error:
        text = f"{path.name} is Parquet, which cannot be read here: pyarrow is missing."
        raise refuse("no-table", text, f"{install_words('cohort')}; or give the CSV beside it.") from error
    except (OSError, ValueError) as error:
        raise refuse(
            "no-table",
            f"{path.name} cannot be read as a table ({str(error).splitlines()[0][:120]}).",
            "Give a CSV in UTF-8 or a Parquet file.",
        ) from error


_NUMBER = r"\s*[-+]?\d+([.,]\d+)?\s*"


def _with_points(column: pd.Series[Any]) -> pd.Series[Any]:
    """Return a column of numbers with decimal commas as numbers; any other column as it is."""
    is_text = pd.api.types.is_object_dtype(column) or pd.api.types.is_string_dtype(column)
    if column.name in _IDS or not is_text:
        return column
    known = column.dropna().astype(str)
    if known.empty or not known.str.fullmatch(_NUMBER).all():
        return column
    return column.where(column.isna(), column.astype(str).str.replace(",", ".")).astype(float)


def numbers(table: pd.DataFrame, column: str) -> pd.Series[float]:
    """Return a column as numbers, NaN where a cell is empty.

    Raises
    ------
    Refused
        Code ``bad-value`` if a cell holds something else: it would be lost without a word.
    """
    found = pd.to_numeric(table[column], errors="coerce")
    is_empty = table[column].isna() | (table[column].astype(str).str.strip() == "")
    cells = table[column].astype(str)
    is_strange = found.isna() & ~is_empty
    is_word = is_strange & ~cells.str.fullmatch(_NUMBER)
    has_points = bool(cells.str.contains(".", regex=False).any())
    strange = cells[is_word if is_word.any() and not has_points else is_strange].unique()
    if len(strange):
        raise refuse(
            "bad-value",
            f"Column {column} holds what is no number: {', '.join(map(repr, strange[:5]))}.",
            "Leave a cell empty where there is no value; numbers have a decimal point.",
        )
    return found.astype(float)


def texts(table: pd.DataFrame, column: str) -> pd.Series[str]:
    """Return a column as texts without blanks at their ends, the empty text where a cell is empty."""
    return table[column].astype(object).where(table[column].notna(), "").astype(str).str.strip()


def split(table: pd.DataFrame, by: str) -> list[tuple[str, pd.DataFrame]]:
    """Return the parts of a table by the words of a column; rows that have none there are a part too.

    Raises
    ------
    Refused
        Code ``missing-column``.
    """
    need_columns(table, [by])
    words = texts(table, by).replace("", "not stated")
    return [(str(name), rows) for name, rows in table.groupby(words, sort=True)]


def need_columns(table: pd.DataFrame, columns: Sequence[str]) -> None:
    """Refuse a table that lacks columns (code ``missing-column``), naming all of them."""
    lacking = [name for name in columns if name not in table.columns]
    if lacking:
        raise refuse(
            "missing-column",
            f"The table has no column {', '.join(lacking)}.",
            f"It has {_some(list(map(str, table.columns)))}.",
        )


def _some(names: Sequence[str]) -> str:
    """Return names with commas between them; of a wide table the first ones, and how many more there are."""
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def usual_sides(table: pd.DataFrame, quantity: str) -> tuple[str, ...]:
    """Return the sides at which a quantity is followed: both sides of the screw, else the one it has."""
    need_columns(table, ["side", "quantity"])
    there = set(table["side"][table["quantity"] == quantity].astype(str))
    return HALO_SIDES if there & set(HALO_SIDES) or not there else (sorted(there)[0],)


def select(table: pd.DataFrame, quantity: str, sides: Sequence[str] = HALO_SIDES) -> pd.DataFrame:
    """Return the rows of one quantity that have a value and a week after surgery.

    Parameters
    ----------
    table : DataFrame
        Long table, as ``scans.parquet``.
    quantity : str
        Name of the quantity.
    sides : sequence of str
        Values of the column ``side``.

    Returns
    -------
    DataFrame
        With the columns ``screw`` (case and implant) and ``place`` (screw and side) added, in the order of
        case, implant, side and week. What is missing stays missing: no row is made up.

    Raises
    ------
    Refused
        Code ``missing-column``, ``bad-value``, or ``no-rows`` if nothing is left.
    """
    need_columns(table, NEEDED)
    weeks, value = numbers(table, "weeks_since_surgery"), numbers(table, "value")
    wanted = (table["quantity"] == quantity) & table["side"].isin(list(sides))
    rows = table[wanted & value.notna() & (weeks >= 0.0)].copy()
    if rows.empty:
        raise refuse(
            "no-rows",
            f"The table has no value of {quantity} at {', '.join(sides)} with a week after surgery.",
            "Check the name of the quantity, and that weeks are known.",
        )
    for name in ("weeks_since_surgery", "value"):
        rows[name] = pd.to_numeric(rows[name])
    rows["implant"] = texts(rows, "implant")
    rows["screw"] = rows["case"].astype(str) + "/" + rows["implant"]
    rows["place"] = rows["screw"] + "/" + rows["side"].astype(str)
    return rows.sort_values(["case", "implant", "side", "weeks_since_surgery"], kind="stable")
