"""Every fault of a case file as one sentence, with its place and what may stand there."""

from __future__ import annotations

import difflib
import re
from typing import Any

from pydantic import BaseModel

from ongrowth.casefile.entries import (
    CaseFile,
    Correction,
    DefectInfo,
    Implant,
    PatientEntry,
    ReaderEntry,
    ScanEntry,
    Settings,
    SurgeryEntry,
)
from ongrowth.scan import Level, Problem, Refused

SHORT_NAMES = {"diameter": "major_diameter_mm", "outer_diameter": "major_diameter_mm", "coated": "surface"}
"""What people call a key, in case files and manifests, and its name; units left out."""


_SPELT_ALIKE = 0.7  # "post-op" is no misspelt "pre-op" (0.62), "lft" is a misspelt "left" (0.86)


class BadCaseFile(Refused):
    """A case file that cannot be used; carries every fault at once."""


def fault(code: str, text: str, advice: str) -> Problem:
    """Return a fault of the case file, for `BadCaseFile`."""
    return Problem(code, Level.REFUSE, text, advice)


def fault_of(found: Any) -> Problem:
    """Return one fault of the case file as a sentence with its place and a suggestion."""
    place = _place(found["loc"])
    kind, given = found["type"], found.get("input")
    if kind == "extra_forbidden":
        known = _known_keys(found["loc"])
        near = _near(str(found["loc"][-1]), known)
        advice = f"Did you mean {near[0]}?" if near else f"Known there: {', '.join(known)}."
        return fault("bad-case-file", f"{place}: this key is not known.", advice)
    if kind == "missing":
        return fault("bad-case-file", f"{place}: this key is missing.", _describe(found["loc"]))
    if kind == "literal_error":
        words = [word for word in re.findall(r"'([^']*)'", found["ctx"]["expected"]) if word]
        near = difflib.get_close_matches(str(given), words, n=1, cutoff=_SPELT_ALIKE)
        advice = f"Did you mean {near[0]}?" if near else f"It may be {', '.join(words)}."
        return fault("bad-case-file", f"{place}: {given!r} is not known there.", advice)
    said = _plain_message(found)
    return fault("bad-case-file", f"{place}: {said}.", _describe(found["loc"]))


def toml_advice(text: str, said: str) -> str:
    """Return how to mend a text that is no TOML.

    Parameters
    ----------
    text : str
        The case file.
    said : str
        What the parser said, with the line.
    """
    number = re.search(r"line (\d+)", said)
    line = text.splitlines()[int(number[1]) - 1] if number and text else ""
    if "\\" in line:
        return "Write / in place of \\ in a path."
    if re.search(r"=\s*-?\d+,\d+\s*(#|$)", line):
        return "Write a number with a decimal point."
    if re.search(r"=\s*\d{1,2}[./]\d{1,2}[./]\d{2,4}", line):
        return "Write a day as year-month-day."
    if "twice" in said:
        return "Write [[scan]] and [[implant]] in two brackets, once for each."
    return "Mend that line; texts and dates follow TOML."


def _near(word: str, known: list[str]) -> list[str]:
    """Return the key that was meant: one that begins so, as ``weeks``, or one that is spelt alike."""
    if (meant := SHORT_NAMES.get(word.removesuffix("_mm"))) in known:
        return [meant]
    begin = [key for key in known if key.startswith(f"{word}_")]
    return begin if len(begin) == 1 else difflib.get_close_matches(word, known, n=1)


def _plain_message(found: Any) -> str:
    kind, context, given = found["type"], found.get("ctx", {}), found.get("input")
    if kind == "value_error":
        return str(context["error"])
    if kind in ("greater_than_equal", "less_than_equal"):
        bound = context.get("ge", context.get("le"))
        word = "below" if kind == "greater_than_equal" else "above"
        return f"{given!r} is {word} {bound:g}"
    if kind == "string_pattern_mismatch":
        return f"{given!r} may hold only letters a to z, digits, dot, dash and underscore"
    if kind.startswith("date"):
        kept = given if isinstance(given, str) else str(given)
        return f"{kept!r} is no {'time' if kind.startswith('datetime') else 'day'}; write year-month-day"
    if kind == "float_parsing":
        return f"{given!r} is no number"
    message: str = found["msg"]
    return f"{given!r} does not fit ({message[0].lower() + message[1:]})"


def _place(location: tuple[str | int, ...]) -> str:
    """Return a place in the file, for example ``implant 2, pitch_mm``."""
    out: list[str] = []
    for part in location:
        if isinstance(part, int) and out:
            out[-1] = f"{out[-1]} {part + 1}"
        else:
            out.append(str(part))
    return ", ".join(out) or "the case file"


def _model_at(location: tuple[str | int, ...]) -> type[BaseModel]:
    """Return the part of the case file that holds the key at the end of a location."""
    parts: dict[str, type[BaseModel]] = {
        "patient": PatientEntry,
        "surgery": SurgeryEntry,
        "defect": DefectInfo,
        "implant": Implant,
        "scan": ScanEntry,
        "settings": Settings,
        "correction": Correction,
        "reader": ReaderEntry,
    }
    words = [part for part in location[:-1] if isinstance(part, str)]
    return parts.get(words[-1], CaseFile) if words else CaseFile


def _known_keys(location: tuple[str | int, ...]) -> list[str]:
    fields = _model_at(location).model_fields
    return [field.alias or name for name, field in fields.items()]


def _describe(location: tuple[str | int, ...]) -> str:
    """Return what may stand at a place, as the case file's own description says."""
    words = [part for part in location if isinstance(part, str)]
    field = _model_at((*words[:-1], "")).model_fields.get(words[-1]) if words else None
    return (
        f"Meaning: {field.description}."
        if field is not None and field.description
        else "docs/casefile.md lists all keys."
    )
