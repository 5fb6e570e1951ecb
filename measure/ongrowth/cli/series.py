"""The command that lists the series of a folder, before anything is measured."""

from __future__ import annotations

import json
import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ongrowth.cli.door import debug_option, json_option, must_exist, tell
from ongrowth.sentence import counted

if TYPE_CHECKING:
    from ongrowth.scan import Problem
    from ongrowth.series import SeriesInfo


@click.command("series")
@click.argument("scan", type=click.Path(path_type=Path))
@json_option
@debug_option
def series(scan: Path, as_json: bool) -> None:  # noqa: FBT001
    """List the series of a folder or disc: which can be measured, which `check` takes, and why.

    SCAN is a folder, a zip of a folder, or one NIfTI, NRRD or MHA file. Only headers are read. Words of a
    description that name the patient are left out.
    """
    must_exist(scan, "SCAN")
    from ongrowth.read import look_over
    from ongrowth.scan import Level
    from ongrowth.wording import fixed_words

    found, problems = look_over(scan, progress=tell)
    is_open = any(problem.level is Level.REFUSE for problem in problems)
    taken = found[0] if found[0].is_usable and not is_open else None
    if as_json:
        record = {
            "cautions": fixed_words().cautions,
            "series": [_record(one, is_taken=one is taken) for one in found],
            "problems": [_problem(problem) for problem in problems],
        }
        click.echo(json.dumps(record, indent=1, ensure_ascii=False))
        return
    times = Counter(one.number for one in found)
    for one in found:
        is_named = bool(one.number) and times[one.number] == 1
        click.echo("\n".join(_lines(one, is_taken=one is taken, is_named=is_named)))
    for problem in problems:
        click.echo(f"{problem.level.value}: {problem.text} {problem.advice}".rstrip())
    click.echo(fixed_words().short)


def _lines(one: SeriesInfo, *, is_taken: bool, is_named: bool) -> list[str]:
    """Return one series in words: what it is, its sizes, whether it can be measured and why not.

    Its UID stands there where its number does not name it for ``--series``.
    """
    head = one.name or "volume file"
    head = head[0].upper() + head[1:] + (f": {one.shown_description}" if one.shown_description else "")
    sizes = [counted(one.n_slices, "slice")]
    sizes += [f"{one.thickness_mm:.2f} mm thick"] if not math.isnan(one.thickness_mm) else []
    sizes += [f"{one.gap_mm:.2f} mm apart"] if not math.isnan(one.gap_mm) else []
    sizes += [f"pixels of {one.pixel_mm:.2f} mm"] if not math.isnan(one.pixel_mm) else []
    sizes += [one.date.isoformat() if one.date else "no date"]
    able = "can be measured" if one.is_usable else "cannot be measured"
    why = one.reason.removeprefix("cannot be read: ")
    out = [head, f"  {', '.join(sizes)}", f"  {able}{'; check takes it' if is_taken else ''}: {why}"]
    told = (p for p in one.problems if p.level.value == "caution")
    out += [] if is_named or not one.series_uid else [f"  UID {one.series_uid}"]
    return [*out, *(f"  caution: {problem.text}" for problem in told)]


def _record(one: SeriesInfo, *, is_taken: bool) -> dict[str, Any]:
    from ongrowth.quantity import plain

    return {
        "number": one.number,
        "series_uid": one.series_uid,
        "description": one.shown_description,
        "kernel": one.kernel if one.kernel and one.kernel in one.name else "",
        "n_slices": one.n_slices,
        "thickness_mm": plain(round(one.thickness_mm, 6)),
        "gap_mm": plain(round(one.gap_mm, 6)),
        "pixel_mm": plain(round(one.pixel_mm, 6)),
        "date": one.date.isoformat() if one.date else None,
        "can_be_measured": one.is_usable,
        "is_taken": is_taken,
        "reason": one.reason,
        "problems": [_problem(problem) for problem in one.problems],
    }


def _problem(problem: Problem) -> dict[str, str]:
    return {
        "code": problem.code,
        "level": problem.level.value,
        "text": problem.text,
        "advice": problem.advice,
    }
