"""The command that pools what CTs of several patients told of the blur of their protocol."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ongrowth.cli.door import debug_option, must_be_writable, must_exist, tell
from ongrowth.sentence import counted

if TYPE_CHECKING:
    from ongrowth.calibration import Bank, Protocol


@click.command("bank")
@click.argument("results", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder to write into, a file a protocol."
)
@debug_option
def bank(results: tuple[Path, ...], out: Path) -> None:
    """Pool what CTs of several patients told of the blur of their protocol.

    RESULTS are folders that `check`, `follow` or `cohort` wrote. The folder written goes into --calibration:
    a CT of the same protocol is then measured with what the others told. No name, day or path is kept.
    """
    for folder in results:
        must_exist(folder, "RESULTS")
    must_be_writable(out)
    from ongrowth.case import banks_of
    from ongrowth.files import write_text

    banks = banks_of(results, tell)
    for one, name in zip(banks, _names([one.protocol for one in banks]), strict=True):
        file = out / name
        write_text(file, json.dumps(one.as_dict()) + "\n")
        click.echo(f"{_facts(one.protocol)}: {_counts(one)}. Bank: {file}")


def _facts(protocol: Protocol) -> str:
    """Return what a protocol states, in words."""
    words = [word for word in (protocol.scanner, protocol.kernel) if word]
    words += [protocol.algorithm] if protocol.algorithm != "not stated" else []
    words += [f"{protocol.kvp:.0f} kVp"] if math.isfinite(protocol.kvp) else []
    thickness_mm = protocol.slice_thickness_mm
    words += [f"slices of {thickness_mm:.3g} mm"] if math.isfinite(thickness_mm) else []
    return ", ".join(words) or "protocol not stated"


def _counts(bank: Bank) -> str:
    n_cts = sum(len(one.digests) for one in bank.patients)
    return f"{counted(len(bank.patients), 'patient')}, {counted(n_cts, 'CT')}"


def _names(protocols: Sequence[Protocol]) -> list[str]:
    """Return a file name for each protocol, of what it states; no two alike."""
    slugs = [re.sub("[^a-z0-9.]+", "-", _facts(one).lower()).strip("-.") for one in protocols]
    again = [slugs[:n].count(slug) for n, slug in enumerate(slugs)]
    return [f"bank-{slug}{f'-{n + 1}' * bool(n)}.json" for slug, n in zip(slugs, again, strict=True)]
