"""What a publication needs of a run: numbers of patients, screws and sides, tables, methods paragraph."""

from __future__ import annotations

import csv
import importlib.metadata
import io
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd

import ongrowth
from ongrowth.cohort.manifest import Manifest
from ongrowth.cohort.run import read_run
from ongrowth.cohort.tables import Tables
from ongrowth.files import write_text
from ongrowth.findings import PHASES_WEEKS
from ongrowth.reading import libraries
from ongrowth.sentence import counted
from ongrowth.tidy import need_columns
from ongrowth.trajectory import PROTOCOL_COLUMNS
from ongrowth.wording import HALO_SIDES, blur_source_words, fixed_words

_OUTCOMES = ("as expected", "undecided", "outside", "not measurable")
_EXTRA_LIBRARIES = ("dask", "pyarrow", "statsmodels", "pandas")


@dataclass(frozen=True, slots=True)
class PrintedTable:
    """A table as printed: title, head, rows of texts."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Size:
    """How large a cohort is.

    Parameters
    ----------
    n_patients, n_screws, n_places : int
        Patients, screws and sides of screws with at least one measured CT.
    n_scans, n_failed, n_missed : int
        CTs measured, CTs without numbers, visits without a CT.
    """

    n_patients: int
    n_screws: int
    n_places: int
    n_scans: int
    n_failed: int
    n_missed: int


def cohort_size(widths: pd.DataFrame, tables: Tables) -> Size:
    """Return the size of a cohort from the rows of its mean widths."""
    screws = widths["case"].astype(str) + "/" + widths["implant"].astype(str)
    known = widths["value"].notna()
    places = (screws + "/" + widths["side"].astype(str))[known]
    return Size(
        int(widths["case"].nunique()),
        int(screws.nunique()),
        int(places.nunique()),
        tables.n_measured,
        tables.n_failed,
        tables.n_missed,
    )


def size_table(size: Size) -> PrintedTable:
    """Return the numbers of patients, screws, sides and CTs."""
    named = (
        ("patients", size.n_patients),
        ("screws", size.n_screws),
        ("sides of screws with a measured width", size.n_places),
        ("CTs measured", size.n_scans),
        ("CTs without numbers", size.n_failed),
        ("visits without a CT", size.n_missed),
    )
    return PrintedTable("Size", ("counted", "number"), tuple((words, str(n)) for words, n in named))


def width_table(widths: pd.DataFrame) -> PrintedTable:
    """Return mean halo width by phase and side: patients, median with quartiles, place in the window."""
    phase = pd.cut(widths["weeks_since_surgery"], (-math.inf, *PHASES_WEEKS), right=False)
    rows = []
    for key, group in widths.groupby([phase, "side"], observed=True, sort=True):
        span, side = cast("tuple[pd.Interval[float], str]", key)
        known = group["value"].dropna()
        counts = group["against_window"].value_counts()
        rows.append(
            (
                _span_words(span.left, span.right),
                side.replace("_", " "),
                str(group["case"].nunique()),
                f"{len(known)} of {len(group)}",
                _quartiles(known.to_numpy()),
                *(str(int(counts.get(word, 0))) for word in _OUTCOMES),
            )
        )
    head = ("weeks", "side", "patients", "measured", "median mm (quartiles)", *_OUTCOMES)
    return PrintedTable("Mean halo width", head, tuple(rows))


def _span_words(start: float, end: float) -> str:
    if math.isinf(start):
        return "before surgery"
    return f"{start:g} on" if math.isinf(end) else f"{start:g} to {end:g}"


def _quartiles(values: Any) -> str:
    if len(values) == 0:
        return ""
    low, middle, high = np.percentile(values, [25, 50, 75])
    return f"{middle:.2f} ({low:.2f} to {high:.2f})"


def protocol_table(widths: pd.DataFrame) -> PrintedTable:
    """Return the scan protocols of the cohort with the number of CTs of each."""
    names = list(PROTOCOL_COLUMNS)
    need_columns(widths, names)
    scans = widths.drop_duplicates(["case", "scan"])
    counted = scans.groupby(names, dropna=False, sort=True).size().sort_values(ascending=False, kind="stable")
    rows = tuple((*map(_shown, cast("tuple[Any, ...]", facts)), str(n)) for facts, n in counted.items())
    return PrintedTable("Protocols", (*(n.replace("_", " ") for n in names), "CTs"), rows)


def _shown(fact: Any) -> str:
    if isinstance(fact, float):
        return "not stated" if math.isnan(fact) else f"{fact:g}"
    return str(fact) if pd.notna(fact) and fact else "not stated"


def provenance(manifest: Manifest, out: Path, tables: Tables, executor: str) -> dict[str, Any]:
    """Return what made the tables: versions, digests, counts."""
    return {
        "schema": "ongrowth-cohort/1",
        "cautions": list(fixed_words().cautions),
        "version": ongrowth.__version__,
        "libraries": libraries() | {name: _version(name) for name in _EXTRA_LIBRARIES},
        "manifest_digest": manifest.digest,
        "measure": read_run(out).get("measure", ""),
        "executor": executor,
        "n_patients": len({job.case for job in manifest.jobs}),
        "n_scans": len(manifest.jobs),
        "n_measured": tables.n_measured,
        "n_failed": tables.n_failed,
        "n_missed": tables.n_missed,
        "n_rows": tables.n_rows,
    }


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "absent"


def methods_paragraph(size: Size, record: dict[str, Any], widths: pd.DataFrame) -> str:
    """Return a paragraph for the methods section, from what the run itself recorded."""
    words = record["libraries"]
    used = ", ".join(f"{name} {words[name]}" for name in ("numpy", "scipy", "scikit-image", "pydicom"))
    return (
        f"CTs were measured with ongrowth {record['version']} ({used}); the manifest had the SHA-256 digest "
        f"{record['manifest_digest'][:16]}. Of {counted(size.n_scans + size.n_failed, 'CT')} of "
        f"{counted(record['n_patients'], 'patient')}, "
        f"{size.n_scans} gave numbers and {size.n_failed} did not, each with its reason; "
        f"{counted(size.n_missed, 'visit')} without a CT entered as missing. The tables hold "
        f"{counted(size.n_screws, 'screw')} and {counted(size.n_places, 'side')} of screws with a measured "
        f"mean halo width. Mean halo width is the "
        f"area-weighted distance from the thread envelope to the bone over the surface that belongs to one "
        f"side of the defect, estimated by a model of blurred layers{_measurable_words(widths)}. "
        f"Each value carries a 95 % interval; values below the detection limit of their scan enter with "
        f"their estimate. The measurements are research and decision support, not a diagnosis; images were "
        f"to be read by a licensed clinician."
    )


def _measurable_words(widths: pd.DataFrame) -> str:
    """Return on how many sides a width was measurable, and what pinned the blur; "" without any side."""
    if widths.empty:
        return ""
    share = 100 * widths["value"].notna().mean()
    sources = widths.drop_duplicates(["case", "scan"])["blur_source"].fillna("").value_counts()
    blur = ", ".join(
        f"{blur_source_words(str(name)) or 'not stated'} in {counted(n, 'CT')}" for name, n in sources.items()
    )
    measurable = f"in the CTs that gave numbers it was measurable on {share:.0f} % of sides"
    return f"; {measurable}. The blur of the scans was known from {blur}"


def write_table(table: PrintedTable, path: Path) -> None:
    """Write a printed table as CSV."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([table.head, *table.rows])
    write_text(path, text.getvalue())


def write_provenance(record: dict[str, Any], out: Path) -> None:
    """Write ``provenance.json``."""
    write_text(out / "provenance.json", json.dumps(record, indent=1, ensure_ascii=False) + "\n")


def read_widths(out: Path) -> pd.DataFrame:
    """Return mean widths of both sides and bridged fractions from the long table."""
    wanted = ("quantity", "in", ["mean_width", "bridged_fraction"])
    table = pd.read_parquet(out / "scans.parquet", filters=[wanted])
    return table[table["side"].isin((*HALO_SIDES, "defect"))]
