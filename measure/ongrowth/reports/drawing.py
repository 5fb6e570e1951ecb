"""A drawing on axes as SVG that can stand in a page."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING, Any

from ongrowth.reports.figures import STYLE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE_MM = (120.0, 75.0)


def svg_of(draw: Callable[[Axes], None], alt: str, size_mm: tuple[float, float] = _SIZE_MM) -> str:
    """Return what a function draws on axes as SVG for a page, with words for a screen reader."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    out = io.StringIO()
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(size_mm[0] / 25.4, size_mm[1] / 25.4), layout="constrained")
        draw(figure.add_subplot())
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(out, metadata={"Date": None, "Creator": None})
    svg = re.sub(r"<metadata>.*?</metadata>", "", out.getvalue(), flags=re.DOTALL)
    svg = svg[svg.index("<svg") :]
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt, quote=True)}" ', 1)
