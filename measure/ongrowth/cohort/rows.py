"""The rows of a manifest as texts, from CSV as spreadsheets save it, or Parquet."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import itertools
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ongrowth.cohort.cells import NUMBER_COLUMNS, Row, fault
from ongrowth.scan import Problem
from ongrowth.wording import install_words

_FIRST_ROW = 2  # below the head, as a spreadsheet counts
_SEPARATOR_LINE = re.compile(r"\Asep=.\n")  # tells some spreadsheets what parts the cells


class UnreadableError(Exception):
    """A table that cannot be read at all; says why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.text)
        self.problem = problem


_Rows = Iterator[tuple[int, Row]]


def read_rows(path: Path) -> tuple[list[str], _Rows]:
    """Return the column names of a table, and its rows as texts, each with its number.

    Parameters
    ----------
    path : Path
        CSV (commas, semicolons or tabs; UTF-8) or Parquet.

    Raises
    ------
    UnreadableError
        Codes ``no-manifest`` and ``not-installed``; of damaged rows while they are read.
    """
    try:
        if path.suffix.lower() in (".parquet", ".pq"):
            return _parquet_rows(path)
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        what = f"The manifest {path} cannot be read ({error.strerror or 'its contents are damaged'})."
        raise UnreadableError(fault("no-manifest", what, "Check the path.")) from error
    except UnicodeDecodeError as error:
        what = f"The manifest {path.name} is no UTF-8 text."
        raise UnreadableError(fault("no-manifest", what, "Save it as CSV in UTF-8.")) from error
    return _csv_rows(text)


def _csv_rows(text: str) -> tuple[list[str], _Rows]:
    text = _SEPARATOR_LINE.sub("", text, count=1)
    head = text.split("\n", 1)[0]
    separator = max(",;\t", key=head.count)
    table = _sound(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    columns = [name.strip() for name in next(table, [])]
    width = max((k for k, name in enumerate(columns, start=1) if name), default=0)

    def rows() -> _Rows:
        for number, cells in enumerate(table, start=_FIRST_ROW):
            if not any(cell.strip() for cell in cells):
                continue
            while len(cells) > width and not cells[-1].strip():  # a spreadsheet writes empty columns, too
                cells.pop()
            row = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
            if separator != ",":
                row |= {name: row[name].replace(",", ".") for name in NUMBER_COLUMNS if name in row}
            yield number, row | ({"": ""} if len(cells) != width else {})

    return columns[:width], rows()


def _sound(table: Iterator[list[str]]) -> Iterator[list[str]]:
    try:
        yield from table
    except csv.Error as error:
        raise UnreadableError(
            fault("no-manifest", f"The manifest is no CSV ({error}).", "Mend it.")
        ) from error


def _parquet_rows(path: Path) -> tuple[list[str], _Rows]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        what = "Reading Parquet needs pyarrow."
        raise UnreadableError(fault("not-installed", what, install_words("cohort"))) from error

    @contextlib.contextmanager
    def told() -> Iterator[None]:
        try:
            yield
        except (pa.ArrowException, OSError, ValueError) as error:
            what = f"The manifest {path.name} is no sound Parquet file."
            raise UnreadableError(fault("no-manifest", what, "Write it again.")) from error

    with told():
        file = pq.ParquetFile(path)
        columns = list(file.schema_arrow.names)

    def rows() -> _Rows:
        with told():
            batches = (batch.to_pylist() for batch in file.iter_batches(batch_size=1000))
            for number, row in enumerate(itertools.chain.from_iterable(batches), start=_FIRST_ROW):
                yield number, {name: _text(cell) for name, cell in row.items()}

    return columns, rows()


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, dt.datetime):
        return value.date().isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
