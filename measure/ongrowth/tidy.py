"""The long table of a cohort: read, checked, and cut down to one quantity."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from ongrowth.scan import refuse

NEEDED = ("case", "scan", "weeks_since_surgery", "implant", "side", "quantity", "value")


def read_table(path: Path) -> pd.DataFrame:
    """Read a table, CSV (commas, semicolons or tabs between cells) or Parquet.

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
        return pd.read_csv(path, sep=separator, encoding="utf-8-sig", keep_default_na=False, na_values=[""])
    except (OSError, ValueError, ImportError) as error:
        raise refuse(
            "no-table",
            f"{path.name} cannot be read as a table ({str(error).splitlines()[0][:120]}).",
            "Give a CSV in UTF-8 or a Parquet file.",
        ) from error


def need_columns(table: pd.DataFrame, columns: Sequence[str]) -> None:
    """Refuse a table that lacks columns (code ``missing-column``), naming all of them."""
    lacking = [name for name in columns if name not in table.columns]
    if lacking:
        raise refuse(
            "missing-column",
            f"The table has no column {', '.join(lacking)}.",
            f"It has {', '.join(map(str, table.columns))}.",
        )


def select(
    table: pd.DataFrame, quantity: str, sides: Sequence[str] = ("head_side", "tip_side")
) -> pd.DataFrame:
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
        Code ``missing-column``, or ``no-rows`` if nothing is left.
    """
    need_columns(table, NEEDED)
    weeks, value = pd.to_numeric(table["weeks_since_surgery"]), pd.to_numeric(table["value"])
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
    implant = rows["implant"].fillna("").astype(str)
    rows["screw"] = rows["case"].astype(str) + "/" + implant
    rows["place"] = rows["screw"] + "/" + rows["side"].astype(str)
    return rows.sort_values(["case", "implant", "side", "weeks_since_surgery"], kind="stable")
