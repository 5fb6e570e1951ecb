"""From the cells of a shaft and what their widths hang on to its halo, as its solutions are believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.halo.doubt import MODEL_SHARE, NOISE_FACTOR, Doubt, Rim
from ongrowth.halo.map import BlurFound, Halo, HaloMap
from ongrowth.halo.posterior import symmetric_root
from ongrowth.halo.scene import HaloSettings
from ongrowth.halo.summary import Draws, nothing, summarise
from ongrowth.halo.unrolled import Shaft
from ongrowth.quantity import Caution, Measured, Unit

FloatArray = NDArray[np.float64]

_CELL_MODEL_SD_MM = 0.10
_BOTH = (Side.HEAD, Side.TIP)
_NO_LAYERS = (Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR),) * 2
_NO_RIMS = (Rim("not measurable", Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR), _NO_LAYERS[0]),) * 2


def halo_of(
    shaft: Shaft, doubt: Doubt, cautions: Caution, blur_source: str, seed: int, *, is_parted: bool
) -> Halo:
    """Return the halo of a shaft.

    Parameters
    ----------
    shaft : Shaft
        Its cells.
    doubt : Doubt
        What their widths hang on, with how likely each solution is.
    cautions : Caution
        What weakens everything on this screw.
    blur_source : str
        What pinned the blur, in the result file's word.
    seed : int
        Of the draws: the same gives the same.
    is_parted : bool
        Whether a defect parts the shaft; without one only all of it is summarised.
    """
    draws = _draws(shaft, doubt, seed)
    if is_parted:
        head, tip = (summarise(draws, (side,), cautions) for side in _BOTH)
    else:
        head = tip = nothing(draws, np.zeros(shaft.side.shape, dtype=bool), 0.0, Caution.NO_DEFECT)
    return Halo(
        _map_of(draws), summarise(draws, _BOTH, cautions), head, tip, blur_found(doubt, blur_source), doubt
    )


def believing(halo: Halo, chances: FloatArray, paired: FloatArray) -> Halo:
    """Return a halo with its solutions otherwise likely.

    Parameters
    ----------
    halo : Halo
        As measured, or as read with its doubt.
    chances, paired : ndarray, shape (K,)
        How likely each solution is, the best one of the fit first; see `Doubt`.
    """
    doubt = halo.doubt
    if doubt is None or (np.array_equal(chances, doubt.chances) and np.array_equal(paired, doubt.paired)):
        return halo
    if np.array_equal(chances, doubt.chances):
        return replace(halo, doubt=doubt.believing(chances, paired))
    source = halo.blur.source if halo.blur is not None else "free"
    sides = (halo.head_side, halo.tip_side)
    # what weakens everything weakens both sides; what is left out or hardly measured is found again
    shared = sides[0].mean_width.cautions & sides[1].mean_width.cautions
    cautions = shared if halo.is_parted else halo.whole.mean_width.cautions
    shaft = Shaft(halo.map.depth_mm, halo.map.angle_deg, halo.map.side, halo.map.cautions)
    seed = HaloSettings().seed
    return halo_of(shaft, doubt.believing(chances, paired), cautions, source, seed, is_parted=halo.is_parted)


def _draws(shaft: Shaft, doubt: Doubt, seed: int) -> Draws:
    """Return estimate, uncertainty and draws of the true field on the cells."""
    rng = np.random.default_rng(seed)
    n = len(doubt.noise_mm)
    width = doubt.expected_mm
    shared = symmetric_root(doubt.covariance) @ rng.standard_normal((len(doubt.parts), n)) * NOISE_FACTOR
    other = doubt.widths_mm[rng.choice(len(doubt.chances), size=n, p=doubt.chances)] - width
    radius = rng.standard_normal((n, 1, 1)) * doubt.radius.u
    model_sd = np.hypot(doubt.model_mm, MODEL_SHARE * np.maximum(width, 0.0))
    head, tip = (rng.standard_normal((n, 1, 1)) for _ in _BOTH)
    model = np.where(shaft.side == Side.TIP, tip, head) * model_sd
    spread = doubt.noise_mm + np.moveaxis(doubt.follow_mm @ shared, -1, 0) + other + radius + model
    u = np.hypot(spread.std(axis=0), _CELL_MODEL_SD_MM)
    is_counted = np.isin(shaft.side, _BOTH)
    # both are the best solution's: they say nothing where another one is likelier
    layers, rims = (doubt.layer_hu, doubt.rims) if doubt.is_best_likeliest else (_NO_LAYERS, _NO_RIMS)
    return Draws(
        shaft.depth_mm,
        shaft.angle_deg,
        doubt.envelope_mm,
        np.where(is_counted, width, np.nan),
        np.where(is_counted, u, np.nan),
        width + spread,
        shaft.side,
        shaft.cautions,
        dict(zip(_BOTH, layers, strict=True)),
        dict(zip(_BOTH, rims, strict=True)),
        dict(zip(_BOTH, doubt.limit_mm, strict=True)),
    )


def _map_of(draws: Draws) -> HaloMap:
    """Return the map as shown: what a reader left out is inferred for summaries, not shown as seen."""
    hidden = (draws.cautions & int(Caution.EXCLUDED_BY_READER)) != 0
    width, u = (np.where(hidden, np.nan, values) for values in (draws.width_mm, draws.width_u_mm))
    return HaloMap(draws.depth_mm, draws.angle_deg, width, u, draws.side, draws.cautions)


def blur_found(doubt: Doubt, source: str) -> BlurFound:
    """Return the blur as the mean over the solutions, with its uncertainty.

    Parameters
    ----------
    doubt : Doubt
        Of a halo.
    source : str
        What pinned the blur, in the result file's word.
    """
    mean = doubt.chances @ doubt.blur_mm
    u = np.sqrt(doubt.chances @ (doubt.blur_mm - mean) ** 2 + doubt.blur_u_mm**2)
    in_plane, through = (Measured.of(float(v), float(s), Unit.MM) for v, s in zip(mean, u, strict=True))
    return BlurFound(in_plane, through, source)
