"""Maps as coloured pictures: width in cividis, what is not measured hatched, where no bone is grey."""

from __future__ import annotations

import numpy as np
from napari.utils import Colormap
from numpy.typing import NDArray

from ongrowth.bridge import BridgeMap
from ongrowth.defect import Side
from ongrowth.frame import Patch, patch_cautions
from ongrowth.halo import HaloMap
from ongrowth.reports.figures import WIDTH_SCALE_MM

FINE = 8  # dots of the picture for each cell of a map
_HATCH_DOTS = 6
# Two CTs in colours that add up to grey: what is alike shows grey, what differs in colour.
UNDER = Colormap([[0.0, 0.0, 0.0], [0.0, 0.5, 1.0]], name="this CT, blue")
OVER = Colormap([[0.0, 0.0, 0.0], [1.0, 0.5, 0.0]], name="other CT, orange")
_GREY, _HATCH, _BLANK = (0.27, 0.27, 0.27), (0.75, 0.75, 0.75), (0.12, 0.12, 0.12)

Rgba = NDArray[np.float32]


def cividis(values: NDArray[np.float64], scale: tuple[float, float]) -> NDArray[np.float32]:
    """Return values as colours of even lightness steps, shape (..., 3); it reads the same colour-blind."""
    from matplotlib import colormaps

    low, high = scale
    shares = np.clip((np.nan_to_num(values, nan=low) - low) / (high - low), 0.0, 1.0)
    return np.asarray(colormaps["cividis"](shares)[..., :3], dtype=np.float32)


def paint_map(halo: HaloMap, patches: tuple[Patch, ...] = ()) -> Rgba:
    """Return the unrolled halo as a picture, rows depth, columns angle, `FINE` dots a cell.

    Parameters
    ----------
    halo : HaloMap
        The map.
    patches : tuple of Patch
        Left out since it was measured; hatched twice.
    """
    colours = cividis(halo.width_mm, WIDTH_SCALE_MM)
    no_bone = ~np.isin(halo.side, [Side.HEAD, Side.TIP])
    colours[no_bone] = _GREY
    unknown = ~no_bone & (~np.isfinite(halo.width_mm) | (halo.cautions != 0))
    left_out = patch_cautions(patches, halo.depth_mm[:, None], halo.angle_deg[None, :]) != 0
    return _hatched(colours, unknown, left_out)


def blank_map(halo: HaloMap) -> Rgba:
    """Return an empty map for a reader who has not read yet."""
    colours = np.full((*halo.width_mm.shape, 3), _BLANK, dtype=np.float32)
    nothing = np.zeros(halo.width_mm.shape, dtype=bool)
    return _hatched(colours, nothing, nothing)


def paint_gap(gap: BridgeMap) -> Rgba:
    """Return the gap over the section: width in cividis, bridged crossed, hidden hatched, else clear."""
    known = np.isfinite(gap.gap_width_mm)
    top = float(np.nanmax(gap.gap_width_mm)) if known.any() else 1.0
    colours = cividis(gap.gap_width_mm, (0.0, max(top, 1.0)))
    colours[~known] = _GREY
    picture = _hatched(colours, gap.hidden | gap.bridged, gap.bridged)
    picture[..., 3] = _fine(gap.inside | gap.hidden)
    return picture[::-1]  # v points up


def paint_scale(n_dots: int = 64) -> Rgba:
    """Return the colour scale of the widths, the widest on top."""
    values = np.linspace(WIDTH_SCALE_MM[1], WIDTH_SCALE_MM[0], n_dots)[:, None]
    return np.dstack([cividis(values, WIDTH_SCALE_MM), np.ones((n_dots, 1, 1))]).astype(np.float32)


def _hatched(colours: NDArray[np.float32], once: NDArray[np.bool_], twice: NDArray[np.bool_]) -> Rgba:
    """Return a finer picture with an alpha of one, hatched one way or both ways."""
    fine = np.repeat(np.repeat(colours, FINE, axis=0), FINE, axis=1)
    row, column = np.indices(fine.shape[:2])
    falling = (row + column) % _HATCH_DOTS < 2
    rising = (row - column) % _HATCH_DOTS < 2
    both = _fine(twice) & (falling | rising)
    fine[(_fine(once) & falling) | both] = _HATCH
    return np.dstack([fine, np.ones(fine.shape[:2], dtype=np.float32)])


def _fine(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.repeat(np.repeat(cells, FINE, axis=0), FINE, axis=1)
