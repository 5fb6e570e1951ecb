"""The tables of a cohort, written from its result files scan by scan, in the order of the manifest."""

from __future__ import annotations

import contextlib
import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ongrowth.cohort.dictionary import (
    DICTIONARY_COLUMNS,
    FAILURE_COLUMNS,
    LONG_COLUMNS,
    NUMBER,
    VISIT_COLUMNS,
    WIDE_KEYS,
    dictionary_rows,
    type_of,
    wide_columns,
)
from ongrowth.cohort.job import Job, Measurement
from ongrowth.cohort.manifest import Manifest
from ongrowth.cohort.receipt import Failure, Receipt, read_receipt, result_file
from ongrowth.cohort.run import full_disk_told
from ongrowth.files import new_file
from ongrowth.reports.table import ROW_COLUMNS, SCAN_COLUMNS, TableRow, csv_cell
from ongrowth.wording import fixed_words

Cells = Sequence[Any]

_BATCH_ROWS = 20_000
NOT_RUN = Failure("not-measured", "This scan has no result yet.", "Run the same command again.")


@dataclass(frozen=True, slots=True)
class Tables:
    """Where the tables are, and how many scans they tell of."""

    folder: Path
    n_measured: int
    n_failed: int
    n_missed: int
    n_rows: int


@full_disk_told()
def write_tables(manifest: Manifest, out: Path) -> Tables:
    """Write all tables of a cohort from its result files.

    Parameters
    ----------
    manifest : Manifest
        The cohort.
    out : Path
        Output folder of the run.

    Returns
    -------
    Tables
        Counts.

    Notes
    -----
    ``scans.parquet`` and ``scans.csv`` (long), ``wide.parquet`` and ``wide.csv``, ``visits.csv``,
    ``failures.csv``, ``data_dictionary.csv``. Only one scan is in memory at a time. The bytes depend on the
    results alone, not on who measured or in which order.
    """
    n_measured, n_failed, n_rows = _write_scans(manifest, out)
    with _csv(out / "data_dictionary.csv", DICTIONARY_COLUMNS) as dictionary:
        for row in dictionary_rows(manifest.extra_columns):
            dictionary.add(row)
    n_failed += len({(fault.case, fault.scan) if fault.scan else fault.row for fault in manifest.faults})
    return Tables(out, n_measured, n_failed, len(manifest.missed), n_rows)


def _write_scans(manifest: Manifest, out: Path) -> tuple[int, int, int]:
    """Write what the result files say; returns the scans with and without numbers, and the rows."""
    extra = manifest.extra_columns
    wide = wide_columns()
    wide_names = (*WIDE_KEYS, *(column.name for column in wide), *extra)
    wide_numbers = {c.name for c in wide if c.cell != "category"}
    n_measured = n_failed = n_rows = 0
    with (
        _twin(out / "scans", (*LONG_COLUMNS, *extra), set()) as scans,
        _twin(out / "wide", wide_names, wide_numbers) as broad,
        _csv(out / "visits.csv", (*VISIT_COLUMNS, *extra)) as visits,
        _csv(out / "failures.csv", FAILURE_COLUMNS) as failures,
    ):
        for job in manifest.jobs:
            receipt = read_receipt(result_file(out, job))
            outcome = receipt.outcome if receipt else NOT_RUN
            visits.add(_visit(job, receipt, outcome))
            if isinstance(outcome, Failure):
                n_failed += 1
                failures.add((job.case, job.scan, "", outcome.code, outcome.text, outcome.advice))
                continue
            n_measured += 1
            n_rows += len(outcome.rows)
            for cells in _long(job, outcome):
                scans.add(cells)
            for cells in _broad(job, outcome):
                broad.add(cells)
        for missed in manifest.missed:
            told = [text for _, text in missed.extra]
            visits.add((missed.case, "", "missed", "", "", "", missed.weeks, *_no_columns(), *told))
        for fault in manifest.faults:
            problem = fault.problem
            failures.add((fault.case, fault.scan, fault.row, problem.code, problem.text, problem.advice))
    return n_measured, n_failed, n_rows


def _no_columns() -> list[Any]:
    """Return the columns of a CT that gave none, after its week."""
    return [math.nan if type_of(name) == NUMBER else "" for name in SCAN_COLUMNS[1:]]


def _columns(outcome: Measurement) -> list[Any]:
    return [getattr(outcome.columns, name) for name in SCAN_COLUMNS]


def _passed(job: Job) -> list[str]:
    return [text for _, text in job.extra]


def _visit(job: Job, receipt: Receipt | None, outcome: Measurement | Failure) -> Cells:
    version, content = (receipt.version, receipt.digests.content) if receipt else ("", "")
    if isinstance(outcome, Failure):
        told = ("failed", outcome.code, version, content, job.told_weeks, *_no_columns())
    else:
        told = ("measured", "", version, content, *_columns(outcome))
    return (job.case, job.scan, *told, *_passed(job))


def _long(job: Job, outcome: Measurement) -> Iterator[Cells]:
    head, tail = (job.case, job.scan, *_columns(outcome)), _passed(job)
    for row in outcome.rows:
        yield (*head, *(getattr(row, name) for name in ROW_COLUMNS), *tail)


def _broad(job: Job, outcome: Measurement) -> Iterator[Cells]:
    """Give one row for each implant; what belongs to the scan stands on each of them."""
    rows = {(row.implant, row.side, row.quantity): row for row in outcome.rows}
    implants = dict.fromkeys(row.implant for row in outcome.rows if row.implant) or {"": None}
    for implant in implants:
        own = next((row for row in outcome.rows if row.implant == implant), None)
        keys = (implant, own.implant_side if own else "", own.surface if own else "")
        cells = [
            _cell(rows.get(("" if c.side == "scan" else implant, c.side, c.described.name)), c.cell)
            for c in wide_columns()
        ]
        yield (job.case, job.scan, *_columns(outcome), *keys, *cells, *_passed(job))


def _cell(row: TableRow | None, name: str) -> Any:
    if row is None:
        return "" if name == "category" else math.nan
    return getattr(row, name)


class _CsvFile:
    """Rows of a CSV file: UTF-8, commas, quoted where needed, numbers so that they read back the same."""

    def __init__(self, file: Any, columns: Cells) -> None:
        self._writer = csv.writer(file, lineterminator="\n")
        self._writer.writerow(columns)

    def add(self, cells: Cells) -> None:
        """Add a row."""
        self._writer.writerow([csv_cell(cell) for cell in cells])


@contextlib.contextmanager
def _csv(path: Path, columns: Cells) -> Iterator[_CsvFile]:
    with new_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        yield _CsvFile(file, columns)


class _ParquetFile:
    """Rows of a Parquet file, written in batches."""

    def __init__(self, part: Path, columns: Sequence[str], numbers: set[str]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self._pa = pa
        types = [pa.float64() if n in numbers or type_of(n) == NUMBER else pa.string() for n in columns]
        fields = [pa.field(name, kind) for name, kind in zip(columns, types, strict=True)]
        self._schema = pa.schema(fields, metadata={"cautions": fixed_words().short})
        self._writer = pq.ParquetWriter(part, self._schema)
        self._rows: list[Cells] = []

    def add(self, cells: Cells) -> None:
        """Add a row."""
        self._rows.append(cells)
        if len(self._rows) >= _BATCH_ROWS:
            self._flush()

    def _flush(self) -> None:
        columns: list[Cells] = [[row[k] for row in self._rows] for k in range(len(self._schema))]
        arrays = [
            self._pa.array(column, field.type, from_pandas=True)
            for column, field in zip(columns, self._schema, strict=True)
        ]
        self._writer.write_table(self._pa.Table.from_arrays(arrays, schema=self._schema))
        self._rows = []

    def close(self) -> None:
        """Write what is left and the end of the file."""
        self._flush()
        self._writer.close()


class _Twin:
    """The same rows as Parquet and as CSV."""

    def __init__(self, parquet: _ParquetFile, text: _CsvFile) -> None:
        self._files = (parquet, text)

    def add(self, cells: Cells) -> None:
        """Add a row to both."""
        for file in self._files:
            file.add(cells)


@contextlib.contextmanager
def _twin(stem: Path, columns: Sequence[str], numbers: set[str]) -> Iterator[_Twin]:
    with _csv(stem.with_suffix(".csv"), columns) as text, new_file(stem.with_suffix(".parquet")) as part:
        parquet = _ParquetFile(part, columns, numbers)
        try:
            yield _Twin(parquet, text)
        finally:
            parquet.close()
