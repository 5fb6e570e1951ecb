"""The words on the sheet of a screw: titles, letters of the patient, millimetres, what the colours mean.

Letters are as high as millimetres of the sheet say, so that what fits at one size of the window fits at all.
For every cursor there are as many words; one that is not said is empty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from ongrowth.quantity import Unit
from ongrowth.reading import patient_letters
from ongrowth.reports.figures import WIDTH_SCALE_MM
from ongrowth.wording import with_unit
from ongrowth_napari.picture import ScrewPicture, direction_at
from ongrowth_napari.sheet import (
    ACROSS_RIGHT_MM,
    MAP_LEFT_MM,
    MAP_WIDTH_MM,
    MARGIN_MM,
    REACH_MM,
    SCALE_LEFT_MM,
    SCALE_WIDTH_MM,
    Place,
)

EM_MM = 1.65  # size of the letters
_BESIDE_MM = 1.5  # from the rim of a cut to the middle of a letter of the patient
_TITLE_MM = 4.3  # from the rim of a cut to its title
_APART_MM = 2.0  # between the names of two points that lie at nearly the same depth
WHITE = (1.0, 1.0, 1.0, 1.0)
QUIET = (0.72, 0.74, 0.78, 1.0)
ORANGE = (1.0, 0.45, 0.2, 1.0)
OVER_COLOUR, UNDER_COLOUR = (1.0, 0.62, 0.25, 1.0), (0.35, 0.68, 1.0, 1.0)


class Word(NamedTuple):
    """A word, the place of its middle, and its colour."""

    text: str
    at: Place
    colour: tuple[float, float, float, float] = WHITE


def right_of(text: str, at: Place, colour: tuple[float, float, float, float] = WHITE) -> Word:
    """Return a word that begins at a place."""
    return Word(text, (at[0], at[1] + width_mm(text) / 2.0), colour)


def left_of(text: str, at: Place, colour: tuple[float, float, float, float] = WHITE) -> Word:
    """Return a word that ends at a place."""
    return Word(text, (at[0], at[1] - width_mm(text) / 2.0), colour)


@lru_cache(maxsize=512)
def width_mm(text: str) -> float:
    """Return the width of a word on the sheet, as set in a sans-serif typeface."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    width, _, _ = text_to_path.get_text_width_height_descent(text, FontProperties(size=1), ismath=False)
    return float(width) * EM_MM


def sheet_words(picture: ScrewPicture, depth_mm: float, angle_deg: float) -> list[Word]:
    """Return all words on the sheet for a cursor."""
    return [
        *_titles(picture, depth_mm),
        *_patient_words(picture, angle_deg),
        *_map_words(picture),
        *_below(picture),
        *_scale_words(picture),
        *_legend(picture),
        *_corners(picture),
    ]


def _titles(picture: ScrewPicture, depth_mm: float) -> Iterator[Word]:
    sheet = picture.sheet
    top = -MARGIN_MM - _TITLE_MM
    yield Word("along the screw", (top, 0.0))
    told = "round the screw, unrolled" if picture.is_current else "unrolled: from before the correction"
    yield Word(told, (top, MAP_LEFT_MM + MAP_WIDTH_MM / 2.0))
    yield Word(f"across at {depth_mm:.1f} mm", (top, ACROSS_RIGHT_MM))
    gap = picture.implant.bridge
    if gap is not None:
        widest = max(float(np.nan_to_num(gap.map.gap_width_mm).max()), 1.0)
        told = f"gap of the defect, 0 to {widest:.1f} mm" if picture.is_shown else ""
        yield Word(told, (sheet.gap_down_mm - 9.4, ACROSS_RIGHT_MM))


def _patient_words(picture: ScrewPicture, angle_deg: float) -> Iterator[Word]:
    """Letters stand outside of the cuts, where no bone is behind them."""
    sheet, frame, length = picture.sheet, picture.frame, picture.frame.length_mm
    right, axis, up = direction_at(frame, angle_deg), frame.axis_direction, frame.zero_direction
    top, far = -MARGIN_MM - _BESIDE_MM, REACH_MM + _BESIDE_MM
    yield Word(patient_letters(-right), (top, 1.2 - REACH_MM))
    yield Word(patient_letters(-axis), (top, 0.0))
    yield Word(patient_letters(right), (top, REACH_MM - 1.2))
    yield Word(patient_letters(axis), (length + MARGIN_MM + _BESIDE_MM, 0.0))
    yield Word(patient_letters(up), sheet.across(0.0, far))
    yield Word(patient_letters(-up), sheet.across(0.0, -far))
    yield Word(patient_letters(frame.quarter_direction), sheet.across(far, 0.0))
    yield Word(patient_letters(-frame.quarter_direction), sheet.across(-far, 0.0))
    yield right_of("5 mm", sheet.across(8.0, -far))


def _map_words(picture: ScrewPicture) -> Iterator[Word]:
    sheet, frame, length = picture.sheet, picture.frame, picture.frame.length_mm
    for at in np.arange(0.0, length + 0.1, 10.0):
        yield left_of(f"{at:.0f}", (float(at), MAP_LEFT_MM - 1.9))
    yield left_of("mm", (length + 2.2, MAP_LEFT_MM - 1.9))
    for angle in (0.0, 90.0, 180.0, 270.0, 360.0):
        down, right = sheet.unrolled(-2.0, 0.0)
        yield Word(frame.words_at(angle), (down, right + angle / 360.0 * MAP_WIDTH_MM))
    for n, told in enumerate(("hatched: not measured; crossed: left out by hand", "grey: no bone behind")):
        yield right_of(told if picture.is_shown else "", (length + 2.2 + 2.1 * n, MAP_LEFT_MM), QUIET)


def _below(picture: ScrewPicture) -> Iterator[Word]:
    """Over a side whose mean lies below the detection limit, that it does: its colours show no less."""
    halo = picture.implant.halo
    parts = list(halo.parts.items())
    for part, side in (*parts, *parts)[:2]:  # a shaft that no defect parts says it twice, in one place
        limit_mm = getattr(halo, part).mean_width.below_limit
        depth_mm = halo.map.depth_mm[np.any(halo.map.side == side, axis=1)]
        is_said = picture.is_shown and math.isfinite(limit_mm) and depth_mm.size > 0
        middle_mm = float(depth_mm.mean()) if depth_mm.size else 0.0
        yield Word(
            f"below {with_unit(limit_mm, Unit.MM)}" if is_said else "",
            picture.sheet.unrolled(middle_mm, 180.0),
        )


def _scale_words(picture: ScrewPicture) -> Iterator[Word]:
    low, high = WIDTH_SCALE_MM
    for share in (0.0, 0.5, 1.0):
        told = f"{high + share * (low - high):.0f} mm" if picture.is_shown else ""
        yield right_of(told, (picture.sheet.scale_down_mm * share, SCALE_LEFT_MM + SCALE_WIDTH_MM + 0.6))


def _legend(picture: ScrewPicture) -> Iterator[Word]:
    """Which CT has which colour, where one lies over the other."""
    down = picture.frame.length_mm + MARGIN_MM + _BESIDE_MM + 2.2
    this, other = picture.names if picture.earlier is not None else ("", "")
    yield left_of(f"{this} blue" if this else "", (down, -1.0), UNDER_COLOUR)
    yield right_of(f"{other} orange" if other else "", (down, 1.0), OVER_COLOUR)


def _corners(picture: ScrewPicture) -> Iterator[Word]:
    """Nothing, at two corners of the sheet: so the viewer's own "show all" leaves room for the words."""
    top, bottom, left, right = picture.sheet.box_mm
    yield Word("", (top, left))
    yield Word("", (bottom, right))


def point_names(handles: dict[str, Place]) -> list[Word]:
    """Return the names of the points to drag: at their depth, left of the cut, apart from each other."""
    rim = -REACH_MM - 0.8
    names = {"head_mm": "head end", "plane_low": "defect", "tip_mm": "tip"}
    told = sorted((handles.get(key, (0.0, 0.0))[0], name * (key in handles)) for key, name in names.items())
    words: list[Word] = []
    for depth, name in told:
        least = words[-1].at[0] + _APART_MM if words and words[-1].text else -np.inf
        words.append(left_of(name, (max(depth, least), rim), ORANGE))
    return words
