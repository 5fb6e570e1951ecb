"""A drawing of a printed size as SVG that can stand in a page."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SIZE_MM = (120.0, 75.0)
_DPI = 144
STYLE: Any = {
    "svg.fonttype": "none",  # text stays text: it can be read aloud, searched and copied
    "svg.hashsalt": "ongrowth",  # same reading, same page
    "font.size": 7.0,
    "font.family": "sans-serif",
    "text.parse_math": False,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "hatch.linewidth": 0.4,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
}


@contextmanager
def sized_figure(width_mm: float, height_mm: float) -> Iterator[tuple[Figure, io.StringIO]]:
    """Give an empty figure of a printed size; what is drawn on it ends as SVG in the buffer."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    out = io.StringIO()
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), dpi=_DPI, layout="constrained")
        layout: Any = figure.get_layout_engine()
        layout.set(w_pad=0.02, h_pad=0.02)
        yield figure, out
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(out, metadata={"Date": None, "Creator": None})


def settle(figure: Figure) -> None:
    """Lay a figure out until nothing moves: ticks and fixed aspects are known only after the first rounds."""
    for _ in range(2):  # printing is the third
        figure.draw_without_rendering()


def inline(out: io.StringIO, alt: str) -> str:
    """Return SVG that stands inside HTML: no prologue, a role, and the words for a screen reader."""
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"font: ([0-9.]+)px 'sans-serif'", r"font: \1px sans-serif", svg)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt, quote=True)}" ', 1)


def svg_of(draw: Callable[[Axes], None], alt: str, size_mm: tuple[float, float] = _SIZE_MM) -> str:
    """Return what a function draws on axes as SVG for a page, with words for a screen reader."""
    with sized_figure(*size_mm) as (figure, out):
        draw(figure.add_subplot())
    return inline(out, alt)
