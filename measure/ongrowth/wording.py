"""The words of print: fixed cautions, how a quantity is written, what a place is called."""

from __future__ import annotations

import functools
import math
import re
import shlex
import sys
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from ongrowth.quantity import Measured, Unit

HALO_SIDES = ("head_side", "tip_side")  # of the defect, as the screw sees them; names of the result files
_SAME_THICKNESS = 0.05  # relative: what headers round
_PARS_SITE = re.compile(r"^L[1-6]$", re.IGNORECASE)

PRINTED_UNIT = {
    Unit.MM: "mm",
    Unit.MM2: "mm²",
    Unit.MM3: "mm³",
    Unit.DEG: "°",
    Unit.HU: "HU",
    Unit.ONE: "%",
    Unit.WEEK: "weeks",
    Unit.MGY: "mGy",
    Unit.MGY_CM: "mGy·cm",
    Unit.MSV: "mSv",
}

_PLAIN_CHARACTERS = str.maketrans(
    {
        "²": "2",
        "³": "3",
        "°": " deg",
        "·": "*",
        "–": "-",
        "—": "-",
        "±": "+/-",
        "≥": ">=",
        "≤": "<=",
        "×": "x",
    }
)


@dataclass(frozen=True, slots=True)
class FixedWords:
    """The cautions that every output carries, and the neutral paragraph on lucency."""

    cautions: tuple[str, ...]
    short: str
    neutral: str
    plain: tuple[str, ...]


@functools.cache
def fixed_words() -> FixedWords:
    """Return the fixed words shipped with the program."""
    table = tomllib.loads(files("ongrowth").joinpath("data/cautions.toml").read_text(encoding="utf-8"))
    return FixedWords(tuple(table["cautions"]), table["short"], table["neutral"], tuple(table["plain"]))


def number(value: float, unit: Unit, beside: float = math.nan) -> str:
    """Return a number as printed, without its unit: shares as percent, lengths to 0.01 mm below 10 mm.

    Parameters
    ----------
    value : float
        The number.
    unit : Unit
        Its unit.
    beside : float
        The number whose decimals it takes, as the ends of an interval take those of the value; NaN: its own.

    Examples
    --------
    >>> number(0.623, Unit.MM), number(42.04, Unit.MM), number(0.38, Unit.ONE)
    ('0.62', '42.0', '38')
    >>> number(0.0, Unit.DEG), number(0.0, Unit.DEG, beside=96.0)
    ('0.0', '0')
    """
    scale = 100.0 if unit is Unit.ONE else 1.0
    text = f"{scale * value:.{_decimals(scale * (value if math.isnan(beside) else beside), unit)}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def _decimals(value: float, unit: Unit) -> int:
    if unit in (Unit.ONE, Unit.HU):
        return 0
    if unit is Unit.MM:
        return 2 if abs(value) < 10.0 else 1
    return 1 if abs(value) < 10.0 else 0


def with_unit(value: float, unit: Unit) -> str:
    """Return a number with its printed unit, for example ``"0.62 mm"``, ``"38 %"`` or ``"45°"``."""
    return f"{number(value, unit)}{_gap(unit)}{PRINTED_UNIT[unit]}"


def _gap(unit: Unit) -> str:
    return "" if unit is Unit.DEG else " "


def say(quantity: Measured) -> str:
    """Return a quantity as printed: value (low to high), "below limit", or why there is none.

    Examples
    --------
    >>> say(Measured.of(0.62, 0.055, Unit.MM))
    '0.62 mm (0.51 to 0.73 mm)'
    >>> say(Measured.of(0.1, 0.1, Unit.MM, limit=0.25))
    'below 0.25 mm'
    """
    if not quantity.is_known:
        reason = quantity.cautions.words
        return f"not measurable ({reason})" if reason else "not measurable"
    if math.isfinite(quantity.below_limit):
        return f"below {with_unit(quantity.below_limit, quantity.unit)}"
    value = with_unit(quantity.value, quantity.unit)
    return value if _is_point(quantity) else f"{value} ({span(quantity)})"


def _is_point(quantity: Measured) -> bool:
    """Whether the interval is so narrow that print would repeat the value three times."""
    ends = (quantity.low95, quantity.value, quantity.high95)
    return len({number(end, quantity.unit, quantity.value) for end in ends}) == 1


def say_compact(quantity: Measured) -> str:
    """Return a quantity for a table, its unit once: ``"0.62 (0.51 to 0.73) mm"``.

    An interval that print would not tell from the value is left out.

    Examples
    --------
    >>> say_compact(Measured.of(0.62, 0.055, Unit.MM)), say_compact(Measured.of(0.59, 0.0, Unit.ONE))
    ('0.62 (0.51 to 0.73) mm', '59 %')
    """
    if not quantity.is_known or math.isfinite(quantity.below_limit):
        return say(quantity)
    if _is_point(quantity):
        return with_unit(quantity.value, quantity.unit)
    value, low, high = (
        number(end, quantity.unit, quantity.value)
        for end in (quantity.value, quantity.low95, quantity.high95)
    )
    return f"{value} ({low} to {high}){_gap(quantity.unit)}{PRINTED_UNIT[quantity.unit]}"


def say_short(quantity: Measured) -> str:
    """Return a quantity without its interval: "0.62 mm", "below 0.25 mm" or "not measurable"."""
    if not quantity.is_known:
        return "not measurable"
    if math.isfinite(quantity.below_limit):
        return f"below {with_unit(quantity.below_limit, quantity.unit)}"
    return with_unit(quantity.value, quantity.unit)


def say_count(quantity: Measured) -> str:
    """Return a count as printed, for example ``"2 (1 to 3)"``; its unit "1" is no share."""
    if not quantity.is_known:
        return say(quantity)
    ends = [f"{end:.0f}" for end in (quantity.low95, quantity.value, quantity.high95)]
    return ends[1] if len(set(ends)) == 1 else f"{ends[1]} ({ends[0]} to {ends[2]})"


def span(quantity: Measured) -> str:
    """Return the 95 % interval as printed, for example ``"0.51 to 0.73 mm"``."""
    low, high = (number(end, quantity.unit, quantity.value) for end in (quantity.low95, quantity.high95))
    return f"{low} to {high}{_gap(quantity.unit)}{PRINTED_UNIT[quantity.unit]}"


def is_pars_site(site: str) -> bool:
    """Whether a site is a lumbar vertebra, so that sides may be called lamina and pedicle side."""
    return bool(_PARS_SITE.match(site.strip()))


def side_words(side: str, site: str) -> str:
    """Return the printed name of a fragment's side, "head_side" or "tip_side" at a site, or of the "whole".

    Examples
    --------
    >>> side_words("head_side", "L5"), side_words("tip_side", "")
    ('lamina side (screw head)', 'screw-tip side')
    """
    if side == "whole":
        return "whole shaft"
    if is_pars_site(site):
        return {"head_side": "lamina side (screw head)", "tip_side": "pedicle side (screw tip)"}[side]
    return {"head_side": "screw-head side", "tip_side": "screw-tip side"}[side]


_BLUR_SOURCE = {
    "free": "this scan itself",
    "in-scan": "this scan itself, by all its screws",
    "calibration": "a calibration of the protocol",
    "earlier scan": "an earlier scan of the same protocol",
    "kernel bank": "this scan, and CTs of other patients by the same protocol",
}


def blur_source_words(source: str) -> str:
    """Return in print what pinned the blur of a scan.

    Examples
    --------
    >>> blur_source_words("free")
    'this scan itself'
    """
    return _BLUR_SOURCE.get(source, source)


def thickness_words(thickness_mm: float, gap_mm: float) -> str:
    """Return the stated thickness of slices as printed, "" where their distance tells it.

    Examples
    --------
    >>> thickness_words(1.25, 0.6), thickness_words(0.6, 0.6), thickness_words(math.nan, 0.6)
    ('slices 1.25 mm thick', '', '')
    """
    is_told = not abs(thickness_mm - gap_mm) > _SAME_THICKNESS * gap_mm
    return "" if is_told else f"slices {thickness_mm:.3g} mm thick"


def week_number(weeks: float) -> str:
    """Return weeks as printed everywhere: to a tenth, and a whole week without decimals.

    Examples
    --------
    >>> week_number(16.0), week_number(6.43)
    ('16', '6.4')
    """
    text = f"{weeks:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def weeks_words(weeks: float) -> str:
    """Return the time of a scan as printed: "week 8", "before surgery", or "week not known"."""
    if math.isnan(weeks):
        return "week not known"
    return "before surgery" if weeks < 0 else f"week {week_number(weeks)}"


def plain_ascii(text: str) -> str:
    """Return text in 7-bit characters for systems that take nothing else."""
    return text.translate(_PLAIN_CHARACTERS).encode("ascii", "replace").decode("ascii")


def install_words(extra: str = "") -> str:
    """Return how to add what is missing to the very Python that runs this.

    Parameters
    ----------
    extra : str
        Extra of this project, for example "dicom"; empty: the project without extras.
    """
    folder, is_linked = _installed_from()
    wanted = f"{folder or 'ongrowth'}{f'[{extra}]' if extra else ''}"
    link = "--editable " if is_linked else ""
    return f'Run: {shlex.quote(sys.executable)} -m pip install {link}"{wanted}"'


def _installed_from() -> tuple[str, bool]:
    """Return the folder this program was installed from, if still there, and whether it is used in place.

    An installer notes both (PEP 610); a program that came from an index has no such note.
    """
    import json
    from importlib.metadata import PackageNotFoundError, distribution
    from urllib.parse import urlsplit
    from urllib.request import url2pathname

    try:
        note = json.loads(distribution("ongrowth").read_text("direct_url.json") or "{}")
    except (PackageNotFoundError, ValueError):
        return "", False
    folder = url2pathname(urlsplit(note.get("url", "")).path)
    if "dir_info" not in note or not (Path(folder) / "pyproject.toml").is_file():
        return "", False
    return folder, bool(note["dir_info"].get("editable"))
