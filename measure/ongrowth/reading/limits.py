"""What limits the widths of a screw on a scan, in words, and what would help without new dose."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from ongrowth.halo import Halo, Prospect, variance_parts
from ongrowth.quantity import Caution
from ongrowth.reading.parts import ImplantReading, Limit, Prediction
from ongrowth.scan import Scan
from ongrowth.screw import Screw

_THICK_MM = 1.25  # up to here slices count as thin; project's choice
_CHANGES = {
    "calibrated": "the protocol calibrated",
    "thinner": "slices of 0.6 mm",
    "sharper": "a sharp bone kernel",
    "thinner and sharper": "slices of 0.6 mm and a sharp bone kernel",
    "all together": "all of these together",
}
_SOFTENING = {
    "smooth-kernel": "smooth kernel",
    "metal-artefact-reduced": "artefact-reduced reconstruction",
    "derived-images": "derived images",
}


def take_limits(scan: Scan, screw: Screw, halo: Halo) -> tuple[Limit, ...]:
    """Return the parts of the variance of the mean width over the shaft, largest first, each in words.

    Empty for a halo read from a file.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        The screw.
    halo : Halo
        Its halo, with its doubt.
    """
    parts = variance_parts(halo)
    total = max(sum(parts.values()), 1e-12)
    ordered = sorted(parts.items(), key=lambda part: -part[1])
    source = halo.blur.source if halo.blur is not None else "free"
    return tuple(
        Limit(part, variance / total, _WORDS[part](scan, screw, source)) for part, variance in ordered
    )


def with_halo(implant: ImplantReading, halo: Halo) -> ImplantReading:
    """Return a screw as read, with other widths and what limits them.

    Parameters
    ----------
    implant : ImplantReading
        As measured.
    halo : Halo
        The same halo, its solutions otherwise likely.
    """
    parts = variance_parts(halo)
    total = max(sum(parts.values()), 1e-12)
    limits = [replace(one, share_of_variance=parts[one.part] / total) for one in implant.limits]
    ordered = sorted(limits, key=lambda one: -one.share_of_variance)
    return replace(implant, halo=halo, limits=tuple(ordered))


def take_predictions(prospects: tuple[Prospect, ...]) -> tuple[Prediction, ...]:
    """Return what would help, in words.

    Parameters
    ----------
    prospects : tuple of Prospect
        What other reconstructions would reach.
    """
    return tuple(Prediction(_CHANGES[p.change], p.u95_mm, p.detection_limit_mm) for p in prospects)


Words = Callable[[Scan, Screw, str], str]
_LEFT_OPEN = {
    "calibration": "what the calibration leaves open of the blur",
    "earlier scan": "what the CT of the first days leaves open of the blur",
    "kernel bank": "what CTs of other patients leave open of the blur, which is not calibrated",
    "in-scan": "what the screws of this CT leave open of the blur, which is not calibrated",
}


def _blur_words(scan: Scan, screw: Screw, source: str) -> str:
    what = _LEFT_OPEN.get(source, "the blur is not calibrated")
    thickness = scan.acquisition.slice_thickness_mm
    why = [words for code, words in _SOFTENING.items() if code in {p.code for p in scan.problems}]
    if math.isfinite(thickness) and thickness > _THICK_MM:
        why.append(f"slices of {thickness:.3g} mm")
    if screw.cautions & Caution.SCREW_IN_SLICE_PLANE:
        why.append("the screw lies in the slice plane")
    return f"{what} ({', '.join(why)})" if why else what


def _metal_words(scan: Scan, screw: Screw, source: str) -> str:
    del scan, source
    why = []
    if screw.spec.material != "titanium":
        why.append(screw.spec.material.replace("-", " "))
    if math.isnan(screw.spec.root_diameter_mm):
        why.append("root diameter not given")
    what = "level and thread of the metal"
    return f"{what} ({', '.join(why)})" if why else what


def _always(words: str) -> Words:
    return lambda _scan, _screw, _source: words


_WORDS: dict[str, Words] = {
    "blur": _blur_words,
    "metal": _metal_words,
    "noise and texture": _always("noise and the bone's own texture"),
    "axis": _always("the place of the axis"),
    "thread": _always("the ripple of the thread"),
    "hardening": _always("beam hardening beside the metal"),
    "rim": _always("a dense line round the halo, which the blur hides"),
    "layer level": _always("the CT number inside a layer too thin to show it"),
    "other solutions": _always("other widths fit about as well"),
    "radius": _always("the diameter of the screw"),
    "model": _always("what the model of the image leaves out"),
}
