"""A sentence that is told: kept on its line whatever names stand in it; its screws and counts in words."""

from __future__ import annotations

import unicodedata

_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # controls, format marks, stray surrogates, ends of lines


def one_line(text: str) -> str:
    r"""Return a text with everything spelt out that would break its line or steer a terminal.

    Parameters
    ----------
    text : str
        A sentence; paths and cells in it may hold anything.

    Examples
    --------
    >>> one_line("There is nothing at a\nb.")
    'There is nothing at a\\nb.'
    """
    if text.isprintable():
        return text
    return "".join(
        c.encode("unicode_escape").decode() if unicodedata.category(c) in _UNSEEN else c for c in text
    )


def counted(count: int, one: str, many: str = "") -> str:
    """Return a count with what is counted, in the singular or the plural (by default with an s).

    Examples
    --------
    >>> counted(1, "slice is", "slices are"), counted(3, "slice is", "slices are"), counted(2, "side")
    ('1 slice is', '3 slices are', '2 sides')
    """
    noun = one if count == 1 else many or f"{one}s"
    return f"{count} {noun}"


def screw_words(screw_id: str) -> str:
    """Return what a screw is called within a sentence.

    Examples
    --------
    >>> screw_words("left"), screw_words("screw-1"), screw_words("L5-a"), screw_words("")
    ('the left screw', 'screw 1', 'screw L5-a', 'the screw')
    """
    if screw_id in ("", "left", "right", "midline"):
        return f"the {screw_id} screw".replace("  ", " ")
    return f"screw {screw_id.removeprefix('screw-')}"
