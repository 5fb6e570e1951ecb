"""Run the cookbook page with real CTs: 24 phantom patients drawn, scanned, read and measured.

    python tests/benchmarks/cohort_cookbook.py FOLDER

Some twenty minutes on one core. A folder that holds an earlier, interrupted run is resumed.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).parents[1]))
from test_cohort_cookbook import run_page


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    begin = time.monotonic()
    _, printed = run_page(folder, with_images=True)
    click.echo(printed)
    click.echo(f"{(time.monotonic() - begin) / 60.0:.1f} min")


if __name__ == "__main__":
    main()
