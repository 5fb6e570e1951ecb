"""What a bank of blurs is worth: CTs of other patients by the same protocol tell the blur. Against truth.

    python tests/benchmarks/bank.py run --half tuning      four protocols of eight patients; minutes each
    python tests/benchmarks/bank.py report [--write]       --write puts the table into docs/halo.md

Each CT is measured by itself; then its widths are weighed by what the next one, three and seven patients
of the protocol tell. A run that was stopped goes on where it stopped; scans are kept in the work folder.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from halo_questions import (
    PAGE,
    Record,
    Taken,
    half_option,
    latest,
    run,
    sides_errors,
    take,
    ways_table,
    work_option,
)

from ongrowth.calibration import PatientBlurs
from ongrowth.halo import Halo, told_blur, weigh_by_bank
from ongrowth.scan import Refused
from ongrowth_phantoms.grid import draw_case, phantom_of
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.grid.page import fill
from ongrowth_phantoms.grid.run import read_records
from ongrowth_phantoms.kernels import families_of

N_PATIENTS, OTHERS = 8, (1, 3, 7)
# Family of the half, class of the kernel, pixel and slice (mm), kVp of each protocol.
_PROTOCOLS = (
    (0, "medium", 0.35, 0.75, 120.0),
    (0, "bone", 0.30, 0.6, 100.0),
    (1, "bone", 0.40, 1.0, 120.0),
    (1, "edge", 0.35, 0.75, 120.0),
)
_FIRST_CASE, _STEP = 7000, 100  # numbers of their own


@click.group(help=__doc__)
def cli() -> None:
    pass


def patient(half: str, protocol: int, number: int) -> Case:
    """Return a case of any kind that is not called hard, scanned by a protocol."""
    family, sharpness, pixel_mm, slice_mm, kvp = _PROTOCOLS[protocol]
    case = draw_case("any", half, "full", _FIRST_CASE + _STEP * protocol + number)
    profile_mm = math.hypot(slice_mm, float(np.random.default_rng([77, protocol]).uniform(0.3, 0.8)))
    return replace(
        case, id=f"bank-{half}-{protocol}-{number}", kernel=f"{families_of(half)[family]}-{sharpness}",
        sharpness=sharpness, pixel_mm=pixel_mm, slice_mm=slice_mm, slice_fwhm_mm=round(profile_mm, 3),
        kvp=kvp, smoothing=0, beside="", material="titanium", is_told=True,
        layer_hu=min(case.layer_hu, 120.0),
        pose="usual" if case.pose in ("in plane", "across") else case.pose,
    )  # fmt: skip


def asked(half: str, protocol: int, work: Path) -> list[Record]:
    """Measure the patients of a protocol; errors of side means by the way they were read."""
    taken = list(_taken(half, protocol, work))
    records = []
    for n, one in enumerate(taken):
        others = [_blurs(other) for other in taken[n + 1 :] + taken[:n]]
        records += _errors("the scan itself", one, one.halo)
        for many in OTHERS:
            told = weigh_by_bank(one.halo, others[:many], one.phantom.scan.nominal_slice_mm)
            records += _errors(f"it, and CTs of {many} other{'s' * (many > 1)}", one, told)
    return records


def _taken(half: str, protocol: int, work: Path) -> Iterator[Taken]:
    for number in range(N_PATIENTS):
        case = patient(half, protocol, number)
        try:
            yield take(case, phantom_of(case, work / "scans"))
        except Refused as error:
            click.echo(f"{case.id}: {error}", err=True)


def _blurs(taken: Taken) -> PatientBlurs:
    blur = told_blur(taken.halo, taken.phantom.scan.nominal_slice_mm)
    assert blur is not None  # nothing else told it
    return PatientBlurs((taken.phantom.scan.digest,), (blur,))


def _errors(way: str, taken: Taken, halo: Halo) -> list[Record]:
    return [{"way": way} | record for record in sides_errors(halo, taken.phantom.truth)]


@cli.command("run")
@half_option
@work_option
def run_command(half: str, work: Path) -> None:
    """Draw and measure the patients of all protocols of a half."""
    names = [(f"bank-{half}-{k}", partial(asked, half, k, work)) for k in range(len(_PROTOCOLS))]
    run("bank", work, names)


@cli.command()
@click.option("--write", is_flag=True, help="Put the table into docs/halo.md.")
@half_option
@work_option
def report(write: bool, half: str, work: Path) -> None:
    """Print the table of the last version that was run."""
    records = [
        r for r in latest(read_records(work / "questions.jsonl"), "bank") if f"bank-{half}-" in r["case"]
    ]
    table = ways_table(records)
    if write:
        PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), {"bank": table}), encoding="utf-8")
    click.echo(table)


if __name__ == "__main__":
    cli()
