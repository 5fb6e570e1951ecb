"""Stand-ins for measuring a scan: what they do is told by the text of the scan's file."""

from __future__ import annotations

import math
import os
import signal
import time
from pathlib import Path

from ongrowth.cohort import Job, Measurement
from ongrowth.reports.table import ScanColumns, TableRow
from ongrowth.scan import refuse


def row(value: float = 0.5, side: str = "head_side", quantity: str = "mean_width", **cells: str) -> TableRow:
    known = dict.fromkeys(("category", "against_window", "cautions"), "") | cells
    return TableRow(
        implant="left",
        implant_side="left",
        surface="ha-coated",
        side=side,
        quantity=quantity,
        value=value,
        u95=0.1,
        low95=value - 0.1,
        high95=value + 0.1,
        below_limit=math.nan,
        unit="mm",
        **known,
    )


def measurement(weeks: float = 8.0, *rows: TableRow) -> Measurement:
    columns = ScanColumns(weeks, "scanner a", "sharp", "iterative", 120.0, 0.6, 0.35, "in-scan")
    return Measurement(columns, rows or (row(), row(0.7, "tip_side")))


def measure(job: Job, folder: Path) -> Measurement:
    """Obey the file: a number is the width; a word is a way to fail."""
    text = job.path.read_text(encoding="utf-8").strip()
    log = folder.parents[1].parent / "measured.log"
    with log.open("a", encoding="utf-8") as lines:
        lines.write(f"{job.case}\n")
    if text == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if text == "kill-worker":
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(30)
    if text == "hog":
        hoard = []
        while True:
            hoard.append(b"x" * 20_000_000)
            time.sleep(0.01)
    if text == "endless":
        time.sleep(600)
    if text == "refused":
        raise refuse("thick-slices", "The slices are too thick.", "Ask for thin ones.")
    if text == "broken":
        raise KeyError("no such thing")
    if text == "greedy":
        raise MemoryError
    if text.startswith("has"):
        text = str(float(text.split()[1] in os.environ))
    if text.startswith("slow"):
        time.sleep(float(text.split()[1]))
        text = "0.5"
    return measurement(job.weeks, row(float(text)), row(float(text) + 0.1, "tip_side"))


def measured(out: Path) -> list[str]:
    """The cases that were measured, in order, again and again included."""
    log = out / "measured.log"
    return log.read_text(encoding="utf-8").split() if log.is_file() else []


def write_cohort(folder: Path, *texts: str) -> Path:
    """A manifest of one scan for each text, cases c000, c001 ...; returns its path."""
    scans = folder / "scans"
    scans.mkdir(parents=True, exist_ok=True)
    lines = ["case,scan,weeks_since_surgery,implant,side,arm"]
    for k, text in enumerate(texts):
        file = scans / f"s{k:03d}.nii"
        file.write_text(text, encoding="utf-8")
        lines.append(f"c{k:03d},scans/{file.name},8,left,left,{'ab'[k % 2]}")
    manifest = folder / "manifest.csv"
    manifest.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return manifest
