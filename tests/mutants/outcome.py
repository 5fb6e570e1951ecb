"""How a mutant ends at the command line."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mutants.series import Mutant


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a mutant ended: "reading", "refused", "entered" or "fault"; the code or the fault."""

    end: str
    told: str
    entered: bool


def run(mutant: Mutant, *, whole: bool) -> Outcome:
    """Give a mutant to the command line, as a user would.

    Parameters
    ----------
    mutant : Mutant
        What to run.
    whole : bool
        Measure to the end; else the run stops at the door of the estimator, which counts as "entered".
    """
    from unittest import mock

    from click.testing import CliRunner

    from ongrowth.case import reading as recipe
    from ongrowth.cli import main
    from ongrowth.scan import refuse

    entered: list[bool] = []
    measure = recipe.measure_halo

    def estimator(*given: Any, **more: Any) -> Any:
        entered.append(True)
        if whole:
            return measure(*given, **more)
        raise refuse("entered", "The estimator was reached.", "Nothing more.")

    here = Path.cwd()
    with mock.patch.object(recipe, "measure_halo", estimator):
        done = CliRunner().invoke(main, list(mutant.words))
    os.chdir(here)
    return _judged(done.exit_code, done.stderr, whole=whole, entered=bool(entered))


def _judged(status: int, stderr: str, *, whole: bool, entered: bool) -> Outcome:
    last = [line for line in stderr.splitlines() if line.strip() and not line.endswith("...")]
    told = last[-1] if last else ""
    code = told.split(":", 1)[0]
    if status == 0:
        return Outcome("reading", "", entered)
    if entered and not whole:
        return Outcome("entered", "", entered)
    is_coded = (
        status in (2, 3, 4) and code.replace("-", "").replace(" ", "").isalnum() and "Traceback" not in stderr
    )
    return Outcome("refused", code, entered) if is_coded else Outcome("fault", told[:400], entered)
