"""Whether the headers of the CTs agree with the manifest on who is who; no number of a patient is told."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from ongrowth.cohort.manifest import Manifest
from ongrowth.cohort.receipt import result_file
from ongrowth.scan import Level, Problem
from ongrowth.sentence import counted

_MOST_NAMED = 6


def patient_doubts(manifest: Manifest, out: Path) -> tuple[Problem, ...]:
    """Return what the patients' numbers in the headers say against the cases of a manifest.

    Parameters
    ----------
    manifest : Manifest
        The cohort.
    out : Path
        Output folder; each measured scan has left its private ``source.json`` there.

    Returns
    -------
    tuple of Problem
        Cases whose CTs bear several numbers, then cases that share one.
    """
    scans: dict[str, dict[str, list[str]]] = {}  # case, number, names of its CTs
    cases: dict[str, list[str]] = {}
    for job in manifest.jobs:
        number = _number(result_file(out, job).with_name("source.json"))
        if number:
            scans.setdefault(job.case, {}).setdefault(number, []).append(job.scan)
            if job.case not in cases.setdefault(number, []):
                cases[number].append(job.case)
    return (*_several(scans), *_shared(cases))


def _number(source: Path) -> str:
    try:
        return str(json.loads(source.read_text(encoding="utf-8")).get("patient_id") or "")
    except (OSError, ValueError, AttributeError):  # a failed scan has none
        return ""


def _several(scans: dict[str, dict[str, list[str]]]) -> Iterator[Problem]:
    for case, numbers in scans.items():
        if len(numbers) > 1:
            told = "; ".join(_named(names) for names in numbers.values())
            text = f"By the headers the CTs of {case} are of {len(numbers)} patients: {told}."
            yield Problem("another-patient", Level.CAUTION, text, "Check the paths of these rows.")


def _shared(cases: dict[str, list[str]]) -> Iterator[Problem]:
    for names in cases.values():
        if len(names) > 1:
            text = f"By the headers the CTs of these cases are of one patient: {_named(names)}."
            advice = "Let a patient be one case, unless the numbers were taken out of the headers."
            yield Problem("one-patient", Level.CAUTION, text, advice)


def _named(names: list[str]) -> str:
    if len(names) <= _MOST_NAMED:
        return ", ".join(names)
    return f"{', '.join(names[:_MOST_NAMED])} and {counted(len(names) - _MOST_NAMED, 'other')}"
