"""Mutants of one CT, for ``ongrowth check``; the share of each kind is fixed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mutants.packs import volume, zipped
from mutants.slices import (
    file_set,
    header_bytes,
    header_values,
    packed,
    pixel_bytes,
    pixel_values,
    series_of,
)
from mutants.spoil import Rng

CHECK = ("--weeks", "8", "--diameter", "3.5", "--root-diameter", "2.6", "--pitch", "1.25")


@dataclass(frozen=True, slots=True)
class Mutant:
    """A mutated input: its kind, its path, and the words of the command line that take it in."""

    kind: str
    path: Path
    words: tuple[str, ...]


SERIES: dict[str, tuple[float, Callable[[Path, Rng], Path]]] = {
    "header values": (0.24, series_of(header_values)),
    "header bytes": (0.12, series_of(header_bytes)),
    "pixel values": (0.24, series_of(pixel_values)),
    "pixel bytes": (0.08, series_of(pixel_bytes)),
    "set of files": (0.08, series_of(file_set)),
    "coded pixels": (0.03, series_of(packed)),
    "zip": (0.09, zipped),
    "volume file": (0.12, volume),
}


def make_series(folder: Path, number: int) -> Mutant:
    """Make mutant number so-and-so of a CT; the share of each kind is fixed."""
    rng = np.random.default_rng([number, 14])
    kinds = list(SERIES)
    kind = kinds[int(rng.choice(len(kinds), p=[SERIES[k][0] for k in kinds]))]
    path = SERIES[kind][1](folder, rng)
    return Mutant(kind, path, ("check", str(path), *CHECK, "--out", str(folder / "out")))
