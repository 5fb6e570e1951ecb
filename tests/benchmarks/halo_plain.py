"""Halos in another world: plain bone, a Gaussian blur, no scanner (`tests/plain_phantom.py`). Against truth.

    python tests/benchmarks/halo_plain.py run --cases 30       beside a caliper that is given the true axis
    python tests/benchmarks/halo_plain.py report [--write]     --write puts the table into docs/accuracy.md

Neither the estimator nor the project's phantoms share code with these. A run that was stopped goes on where
it stopped.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import click
import numpy as np
from scipy import ndimage

from ongrowth.defect import DefectPlane, find_defect
from ongrowth.frame import ScrewFrame
from ongrowth.halo import measure_halo
from ongrowth.scan import Scan
from ongrowth.screw import ScrewSpec, find_screws
from ongrowth_phantoms.grid.caliper import half_height_mm
from ongrowth_phantoms.grid.measure import code_version
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.run import append_records, read_records
from ongrowth_phantoms.grid.table import markdown_rows

sys.path.insert(0, str(Path(__file__).parents[1]))

from plain_phantom import CREST_MM, LENGTH_MM, SIZES, Plain, drawn  # lies beside the tests

PAGE = Path(__file__).parents[2] / "docs" / "accuracy.md"
WORK = Path(tempfile.gettempdir()) / "ongrowth-grid"
ARMS = ("ongrowth", "caliper")
_WIDTHS_MM = (0.0, 0.4, 0.8, 1.5, 2.5)
_CLASSES = (("none", -0.1, 0.1), ("0.4 and 0.8 mm", 0.1, 1.0), ("1.5 and 2.5 mm", 1.0, 9.0))

work_option = click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)


@click.group(help=__doc__)
def cli() -> None:
    pass


def plain_case(number: int) -> Plain:
    """Return a phantom: the same number always gives the same."""
    rng = np.random.default_rng([20261128, number])
    head_mm, tip_mm, texture_hu, cortex_mm, slice_mm, overshoot = (
        float(rng.choice(some))
        for some in (_WIDTHS_MM, _WIDTHS_MM, (40, 80, 120), (0.0, 1.0, 1.8), (0.6, 0.8, 1.0), (0.0, 0.0, 0.4))
    )
    low_high = (0.8, 5.0), (0.3, 0.65), (180.0, 550.0), (0.6, 1.1), (15.0, 60.0), (20.0, 65.0), (0.0, 360.0)
    gap_mm, gap_at, bone_hu, fwhm_mm, noise_hu, tilt_deg, turn_deg = (
        float(rng.uniform(*r)) for r in low_high
    )
    bone = str(rng.choice(["block", "isthmus", "vertebra"]))
    return Plain(
        head_mm, tip_mm, gap_mm, gap_at, bone, bone_hu, texture_hu, cortex_mm, fwhm_mm, overshoot,
        slice_mm=slice_mm, noise_hu=noise_hu, tilt_deg=tilt_deg, turn_deg=turn_deg, seed=number,
    )  # fmt: skip


def measured(plain: Plain) -> list[dict[str, Any]]:
    """Return a record for each side and arm; none where the defect is not seen."""
    scan = drawn(plain)
    screw = find_screws(scan, [ScrewSpec(**SIZES)]).screws[0]
    frame = ScrewFrame.of(screw.head_mm, screw.tip_mm)
    defect = find_defect(scan, screw, frame)
    if not isinstance(defect, DefectPlane):
        return [{"arm": "", "why": defect.code}]
    halo = measure_halo(scan, screw, frame, defect)
    out = []
    for side, true_mm in (("head_side", plain.head_mm), ("tip_side", plain.tip_mm)):
        mean, by_hand = getattr(halo, side).mean_width, read_by_hand(scan, plain, side)
        told = [mean.value, mean.low95, mean.high95] if mean.is_known else None
        common = {"side": side, "true": true_mm}
        out += [
            common | {"arm": "ongrowth", "told": told},
            common | {"arm": "caliper", "told": [by_hand] * 3},
        ]
    return out


def read_by_hand(scan: Scan, plain: Plain, side: str) -> float:
    """Return the mean of what half height tells at eight directions and six depths of a side, mm."""
    slit = plain.gap_at * LENGTH_MM
    near, far = (4.0, slit - 3.0) if side == "head_side" else (slit + 3.0, LENGTH_MM - 5.0)
    away, widths = np.arange(0.0, 6.0, 0.05), []
    across = np.cross(plain.course, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    for depth in np.linspace(near, far, 6):
        for turn in np.arange(8) * np.pi / 4.0:
            outward = np.cos(turn) * across + np.sin(turn) * np.cross(plain.course, across)
            places = (depth - LENGTH_MM / 2.0) * plain.course + (CREST_MM + away)[:, None] * outward
            hu = ndimage.map_coordinates(scan.hu.astype(np.float32), scan.voxels(places).T, order=1)
            widths.append(half_height_mm(away, hu))
    return float(np.mean(widths))


@cli.command()
@click.option("--cases", default=30, show_default=True)
@click.option("--first", default=0, show_default=True)
@work_option
def run(cases: int, first: int, work: Path) -> None:
    """Draw and measure."""
    kept, version = work / "plain.jsonl", code_version()
    done = {r["number"] for r in read_records(kept) if r["version"] == version}
    for number in range(first, first + cases):
        if number in done:
            continue
        common = {"number": number, "version": version}
        append_records(kept, [common | r for r in measured(plain_case(number))])
        click.echo(number, err=True)


@cli.command()
@click.option("--write", is_flag=True)
@work_option
def report(work: Path, *, write: bool) -> None:
    """Print the table."""
    every = read_records(work / "plain.jsonl")
    records = [r for r in every if r["version"] == every[-1]["version"]]
    sides = [r for r in records if r["arm"] and r["told"]]
    head = ("true width", "read by", "sides", "bias", "RMSE", "± 95 % told", "holds")
    rows = [
        (name, arm, *_figures([r for r in sides if r["arm"] == arm and low < r["true"] < high]))
        for name, low, high in (*_CLASSES, ("all", -1.0, 9.0))
        for arm in ARMS
    ]
    numbers = {r["number"] for r in records}
    unseen = sum(1 for r in records if not r["arm"])
    table = markdown_rows([head, *rows])
    text = f"{len(numbers)} phantoms; in {unseen} the defect is not seen.\n\n{table}"
    click.echo(text)
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), {"another world": text}), encoding="utf-8")


def _figures(sides: list[dict[str, Any]]) -> tuple[str, ...]:
    if not sides:
        return ("0", *("" for _ in range(4)))
    value, low, high = np.array([r["told"] for r in sides]).T
    true = np.array([r["true"] for r in sides])
    error, holds = value - true, (low <= true + 1e-9) & (true <= high + 1e-9)
    return (
        str(len(sides)),
        f"{error.mean():+.2f} mm",
        f"{np.sqrt(np.mean(error**2)):.2f} mm",
        f"{np.mean(high - low) / 2.0:.2f} mm" if (high > low).any() else "",
        f"{100.0 * holds.mean():.0f} %" if (high > low).any() else "",
    )


if __name__ == "__main__":
    cli()
