"""Where bone is continuous across a gap, from edge to edge.

Two regimes. A gap of at least about one point spread is cut into layers, and bone has to fill every layer
along a path that runs with the normal of the defect or with the bone; spurs and chips leave a layer
without bone. A narrower gap is one layer: there the lack of bone along the path, a length, has to be
small against the gap of the places around; and where a scan that would
show a slit of half a millimetre shows no more than the texture of bone can make, bone is continuous.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ongrowth.defect.columns import BoolArray, FloatArray
from ongrowth.defect.gap import GapFit
from ongrowth.defect.layers import fit_layers
from ongrowth.edge import Blur, slab_step

TISSUE_HU = 70.0  # fibrous tissue
FINER = 3  # fine grid: nodes divided by this
_MOST_LAYERS = 6
_LEAST_CONTRAST_HU = 120.0
_LEAST_GAP_MM = 0.3


@dataclass(frozen=True, slots=True)
class ContinuitySettings:
    """What counts as continuous. Shares of bone 0..1; lengths in mm.

    `layer_share`: thickness of a layer over the point spread along the normal. `core`, `grow`: a bridge
    has somewhere at least the first share of bone in every layer, and reaches as far as the second.
    `wander_mm`: how far a path may leave its line. `least_bone_hu`, `most_bone_hu`: bounds of what counts
    as a full layer. `thin_core`, `thin_grow`: the same two for a thin gap, as the share of the usual gap that
    is still without bone. `shown`: a usual gap below this share of the point spread is no slit that the scan
    can show; `texture`: there, the texture of bone alone lacks up to this share of the spread. `telling_mm`:
    under a wider point spread a slit of half a millimetre leaves as little, and its absence tells nothing.
    `least_area_mm2`: smaller specks are noise.
    """

    layer_share: float = 0.7
    core: float = 0.8
    grow: float = 0.5
    wander_mm: float = 0.6
    least_bone_hu: float = 470.0
    most_bone_hu: float = 800.0
    thin_core: float = 0.12
    thin_grow: float = 0.4
    shown: float = 0.33
    texture: float = 0.5
    telling_mm: float = 1.36
    least_area_mm2: float = 1.0

    def scaled(self, factor: float) -> ContinuitySettings:
        """Return settings that ask for less bone (factor below 1) or more (above 1)."""
        return replace(
            self,
            core=min(self.core * factor, 0.95),
            grow=min(self.grow * factor, 0.95),
            thin_core=self.thin_core / factor,
            thin_grow=self.thin_grow / factor,
            texture=self.texture / factor,
        )


def spread_mm(blur: Blur, slice_cos: float) -> float:
    """Return the full width at half maximum of the point spread along a normal, mm."""
    x = np.arange(0.0, 5.0, 0.02)
    spread = slab_step(blur, slice_cos, x + 0.01) - slab_step(blur, slice_cos, x - 0.01)
    return float(2.0 * x[int(np.argmax(spread < spread[0] / 2.0))])


@dataclass(frozen=True, slots=True, eq=False)
class GapContent:
    """Maps of a gap on a fine grid in the plane of the defect, shape (F, F) or (layers, F, F).

    Parameters
    ----------
    grid_mm : ndarray, shape (F,)
        Places along u, and along v.
    gap_mm, usual_gap_mm : ndarray
        Distance of the faces; what it is where nothing bridges.
    across_hu, along_hu : ndarray
        Layers from the head side's face to the tip side's, read along the normal, and along the bone.
    section : ndarray of bool
        Bone on both shores along the normal; metal not yet left out.
    is_known : ndarray of bool
        Both shores are dense enough to tell a gap.
    spread_mm : float
        Point spread along the normal.
    shown_gap_mm : float
        What the usual gap is in the middle of the section, before it is held to be at least 0.3 mm.
    """

    grid_mm: FloatArray
    gap_mm: FloatArray
    usual_gap_mm: FloatArray
    across_hu: FloatArray
    along_hu: FloatArray
    section: BoolArray
    is_known: BoolArray
    spread_mm: float
    shown_gap_mm: float

    @property
    def step_mm(self) -> float:
        """Step of the fine grid, mm."""
        return float(self.grid_mm[1] - self.grid_mm[0])


def read_content(gap: GapFit, blur: Blur, inner_mm: float, settings: ContinuitySettings) -> GapContent:
    """Return what lies in a fitted gap.

    Parameters
    ----------
    gap : GapFit
        The fit.
    blur : Blur
        Point spread of the scan.
    inner_mm : float
        Radius about the middle that belongs to the section whatever it shows (the screw), mm.
    settings : ContinuitySettings
        Thickness of the layers.
    """
    columns, faces = gap.columns, gap.faces
    spread = spread_mm(blur, columns.slice_cos)
    dense = np.minimum(faces.low_shore_hu.max(axis=0), faces.high_shore_hu.max(axis=0)) - TISSUE_HU
    known = gap.shores[0] & gap.shores[1] & (np.nan_to_num(dense) > _LEAST_CONTRAST_HU)
    usual = _usual_gap(columns.grid_mm, faces.gap_mm, known)
    middle = float(np.median(usual[known])) if known.any() else _LEAST_GAP_MM
    n = int(np.clip(np.floor(middle / (settings.layer_share * spread)), 1, _MOST_LAYERS))
    layers = fit_layers(gap.fit, gap.unknowns, n)
    low, high = (
        float(np.nanmedian(np.where(known, f, np.nan))) if known.any() else 0.0
        for f in (faces.low_mm, faces.high_mm)
    )
    heights = low + (np.arange(n) + 0.5) / n * (high - low)
    shear = np.array([columns.course @ columns.u_direction, columns.course @ columns.v_direction])
    shear = shear / (columns.slope * columns.step_mm)

    def fine(grid: FloatArray, height_mm: float = 0.0) -> FloatArray:
        return refined(grid, height_mm * shear)

    shores = [fine(s.astype(np.float64), h) > 0.5 for s, h in zip(gap.shores, (low, high), strict=True)]
    g = np.linspace(columns.grid_mm[0], columns.grid_mm[-1], (len(columns.grid_mm) - 1) * FINER + 1)
    inner = np.hypot(g[:, None], g) < inner_mm
    return GapContent(
        grid_mm=g,
        gap_mm=fine(faces.gap_mm),
        usual_gap_mm=np.maximum(fine(usual), _LEAST_GAP_MM),
        across_hu=np.stack([fine(layer, h) for layer, h in zip(layers, heights, strict=True)]),
        along_hu=np.stack([fine(layer) for layer in layers]),
        section=np.asarray(ndimage.binary_fill_holes((shores[0] & shores[1]) | inner)),
        is_known=fine(known.astype(np.float64)) > 0.5,
        spread_mm=spread,
        shown_gap_mm=middle,
    )


def refined(grid: FloatArray, shift_nodes: FloatArray | None = None) -> FloatArray:
    """Return a grid of nodes read on the fine grid, `shift_nodes` before each place; 0 where unknown."""
    at = np.arange((len(grid) - 1) * FINER + 1) / FINER
    shift = np.zeros(2) if shift_nodes is None else shift_nodes
    where = np.meshgrid(at - shift[0], at - shift[1], indexing="ij")
    return np.asarray(ndimage.map_coordinates(np.nan_to_num(grid), where, order=1, mode="constant"))


def _usual_gap(grid_mm: FloatArray, gap_mm: FloatArray, known: BoolArray) -> FloatArray:
    """Return the gap where nothing bridges: a wedge through the wider places, shape (G, G)."""
    u, v = np.meshgrid(grid_mm, grid_mm, indexing="ij")
    if known.sum() < 8:
        return np.full(gap_mm.shape, _LEAST_GAP_MM)
    x, y, w = u[known], v[known], gap_mm[known]
    fit = np.array([np.percentile(w, 75), 0.0, 0.0])
    # a rough face wavers by about 0.3 mm over patches of 8 nodes; wedges of 0.08 are likely
    ridge = np.diag([0.0, 1.0, 1.0]) * (0.3**2 * 8.0 / 0.08**2)
    for _ in range(6):
        usual = fit[0] + fit[1] * x + fit[2] * y
        wide = w > 0.6 * usual
        if wide.sum() < 8:
            break
        rest = (w - usual)[wide]
        scale = max(4.4 * float(np.median(np.abs(rest))), 0.3)
        design = np.column_stack([np.ones(int(wide.sum())), x[wide], y[wide]])
        weighted = design * (np.clip(1.0 - (rest / scale) ** 2, 0.0, None) ** 2)[:, None]
        fit = np.linalg.solve(weighted.T @ design + ridge, weighted.T @ w[wide])
    return np.asarray(fit[0] + fit[1] * u + fit[2] * v)


def bridged_places(content: GapContent, section: BoolArray, settings: ContinuitySettings) -> BoolArray:
    """Return where bone is continuous from edge to edge, shape (F, F).

    Parameters
    ----------
    content : GapContent
        The maps.
    section : ndarray of bool, shape (F, F)
        Where to look (metal left out).
    settings : ContinuitySettings
        What counts as continuous.
    """
    if len(content.across_hu) == 1:
        found = _bridged_thin(content, section, settings)
    else:
        ways = (content.across_hu, content.along_hu)
        found = np.logical_or(*(_bridged_way(content, layers, section, settings) for layers in ways))
    return _without_specks(found, settings.least_area_mm2 / content.step_mm**2)


def _bridged_thin(content: GapContent, section: BoolArray, s: ContinuitySettings) -> BoolArray:
    where = section & content.is_known
    if content.spread_mm < s.telling_mm and content.shown_gap_mm < s.shown * content.spread_mm:
        return where & (content.gap_mm < s.texture * content.spread_mm)
    left = content.gap_mm / content.usual_gap_mm
    return _grown(where & (left < s.thin_core), where & (left < s.thin_grow))


def _bridged_way(
    content: GapContent, layers_hu: FloatArray, section: BoolArray, s: ContinuitySettings
) -> BoolArray:
    """Return where bone fills every layer along one way of crossing."""
    share = bone_share(layers_hu, section, content.step_mm, s)
    n = len(share)
    size = 2 * round(s.wander_mm / content.step_mm) + 1
    nearby = np.stack([ndimage.maximum_filter(layer, size) for layer in share])
    thick = content.usual_gap_mm / n  # of a layer, were nothing bridged
    lack = np.minimum(content.gap_mm, thick) / thick * (1.0 - nearby.min(axis=0))
    faces_meet = content.gap_mm < thick
    lack = np.where(faces_meet, content.gap_mm / thick * (1.0 - nearby.mean(axis=0)), lack)
    whole_lack = np.minimum(content.gap_mm / content.usual_gap_mm, 1.0) * (1.0 - share.mean(axis=0))
    continuous = 1.0 - lack
    filled = 1.0 - whole_lack
    continuous = np.minimum(continuous, np.where(filled >= s.grow, 1.0, filled))
    told = section & (content.is_known | (share.min(axis=0) > 0.5))
    return _grown(told & (continuous > s.core), told & (continuous > s.grow))


def bone_share(
    layers_hu: FloatArray, section: BoolArray, step_mm: float, s: ContinuitySettings
) -> FloatArray:
    """Return how much of each layer is bone, 0..1, against the densest layer within 1.5 mm.

    A dense chip fills the middle alone: against its own mean over the layers it would look whole.
    """
    size = 2 * round(1.5 / step_mm) + 1
    densest = ndimage.maximum_filter(np.where(section, layers_hu.max(axis=0), 0.0), size)
    full = np.clip(densest, s.least_bone_hu, s.most_bone_hu)
    return np.asarray(np.clip((layers_hu - TISSUE_HU) / (full - TISSUE_HU), 0.0, 1.0))


def _grown(core: BoolArray, reach: BoolArray) -> BoolArray:
    """Return the parts of `reach` that hold some of `core`."""
    pieces, _ = ndimage.label(reach | core)
    kept = np.unique(pieces[core])
    return np.isin(pieces, kept[kept > 0])


def _without_specks(places: BoolArray, least_cells: float) -> BoolArray:
    pieces, _ = ndimage.label(places)
    size = np.bincount(pieces.ravel())
    return np.asarray(places & (size[pieces] >= least_cells))


def effective_gap_mm(content: GapContent, section: BoolArray, s: ContinuitySettings) -> FloatArray:
    """Return the distance from the last bone of the head side to the first of the tip side, (F, F), mm.

    Bone that hangs on a face (a spur) shortens the gap; bone that floats in it does not.
    """
    share = bone_share(content.across_hu, section, content.step_mm, s)
    if len(share) == 1:
        return content.gap_mm
    is_bone = share > 0.5
    from_head = np.cumprod(is_bone, axis=0).sum(axis=0)
    from_tip = np.cumprod(is_bone[::-1], axis=0).sum(axis=0)
    left = np.maximum(len(share) - from_head - from_tip, 0) / len(share)
    return np.asarray(content.gap_mm * left)
