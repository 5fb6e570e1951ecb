"""The pictures of change: halo width cell by cell, and one plane then and now. No colour that judges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from ongrowth.quantity import COVERAGE_95
from ongrowth.reading import ChangeMap, Cut, ImplantReading, Overlay
from ongrowth.reports.drawing import inline, sized_figure
from ongrowth.reports.figures import (
    DEPTH_WORDS,
    HALO_EDGE,
    along_height_mm,
    angle_axis,
    half_step,
    mark_defect,
    show_cut,
    write_edge_words,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SCALE_MM = 1.0  # the usual criterion of a halo, as a change
_BONE_HU, _METAL_HU = 450.0, 2200.0  # outlines of bone and of metal, for looking only
_SMOOTH_STEPS = 1.6  # of the cut's pixels: trabeculae would fill the picture with rings
_LEAST_RING = 60  # points of an outline worth drawing


def draw_change_map(
    change: ChangeMap, implant: ImplantReading, alt: str, size_mm: tuple[float, float]
) -> str:
    """Return the change of the halo width, unrolled like the halo itself; a line round what is beyond doubt.

    Parameters
    ----------
    change : ChangeMap
        Later less earlier, in the screw's frame of the earlier CT.
    implant : ImplantReading
        The screw in that earlier CT.
    alt : str
        Words for a screen reader.
    size_mm : tuple of float
        Printed width and height.
    """
    with sized_figure(*size_mm) as (figure, out):
        axes = figure.add_subplot()
        axes.set_facecolor("0.88")
        depth, angle = half_step(change.depth_mm), half_step(change.angle_deg)
        extent = (
            float(change.depth_mm[0]) - depth,
            float(change.depth_mm[-1]) + depth,
            float(change.angle_deg[0]) - angle,
            float(change.angle_deg[-1]) + angle,
        )
        image = axes.imshow(
            np.ma.masked_invalid(change.change_mm.T),
            origin="lower",
            extent=extent,
            aspect="auto",
            cmap="cividis",
            vmin=-_SCALE_MM,
            vmax=_SCALE_MM,
            interpolation="none",
        )
        _mark_shown(axes, change)
        mark_defect(axes, implant)
        angle_axis(axes, implant.frame)
        axes.set_xlim(extent[0], extent[1])
        axes.set_ylim(extent[2], extent[3])
        axes.set_xlabel(DEPTH_WORDS, labelpad=1.0)
        axes.tick_params(length=2.0, pad=1.5)
        bar = figure.colorbar(image, ax=axes, extend="both", pad=0.01, fraction=0.05)
        bar.set_label("change of width, mm")
        bar.outline.set_linewidth(0.4)
    return inline(out, alt)


def _mark_shown(axes: Axes, change: ChangeMap) -> None:
    """Draw a line round the cells that have changed by more than their own uncertainty."""
    beyond = np.abs(change.change_mm) - COVERAGE_95 * change.change_u_mm
    known = np.isfinite(beyond)
    if known.any() and float(beyond[known].max()) > 0.0 > float(beyond[known].min()):
        filled = np.where(known, beyond, -1.0)
        axes.contour(
            change.depth_mm, change.angle_deg, filled.T, levels=[0.0], colors="white", linewidths=1.0
        )


def draw_overlay(overlay: Overlay, alt: str, width_mm: float) -> str:
    """Return the later CT in grey with the outlines of the earlier one in yellow.

    Parameters
    ----------
    overlay : Overlay
        The plane along the screw in both.
    alt : str
        Words for a screen reader.
    width_mm : float
        Printed width.
    """
    with sized_figure(width_mm, along_height_mm(overlay.now, width_mm)) as (figure, out):
        axes = figure.add_subplot()
        show_cut(axes, overlay.now)
        _outline(axes, overlay.then)
        axes.set_xlabel(DEPTH_WORDS, labelpad=1.0)
        write_edge_words(axes, overlay.now)
    return inline(out, alt)


def _outline(axes: Axes, cut: Cut) -> None:
    """Draw the outlines of bone and metal of a cut, light on dark, so that they show everywhere."""
    smooth = ndimage.gaussian_filter(cut.hu.astype(np.float64), _SMOOTH_STEPS)
    for level in (_BONE_HU, _METAL_HU):
        for style in ({"color": "black", "lw": 1.6, "alpha": 0.5}, {"color": HALO_EDGE, "lw": 0.7}):
            _rings(axes, cut, smooth, level, style)


def _rings(axes: Axes, cut: Cut, hu: Any, level: float, style: dict[str, Any]) -> None:
    from skimage.measure import find_contours

    step_x = float(cut.right_mm[1] - cut.right_mm[0])
    step_y = float(cut.down_mm[1] - cut.down_mm[0])
    for ring in find_contours(hu, level):
        if len(ring) >= _LEAST_RING:
            axes.plot(
                cut.right_mm[0] + step_x * ring[:, 1],
                cut.down_mm[0] + step_y * ring[:, 0],
                rasterized=True,
                **style,
            )
