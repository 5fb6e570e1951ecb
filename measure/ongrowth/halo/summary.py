"""What the halo of a side amounts to: values of the true field, not of its noisy map.

A percentile, a maximum or a share of a noisy map is biased high. So all of them are taken from
draws of the field's posterior: each draw is a field that could be true, and the summary is the mean
and the spread over draws.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.halo.doubt import Rim
from ongrowth.halo.map import HaloSummary
from ongrowth.quantity import COVERAGE_95, Caution, Measured, Unit

FloatArray = NDArray[np.float64]

LUCENT_MM = 0.5  # below it a surface shows no lucency; project's choice, half of the usual 1 mm
_HELD_SHARE = 0.75  # of the circumference without lucency, for a depth to count as such
_ONE_SIDED_95 = 1.645  # of a normal distribution
EVEN_MM = 0.3  # a halo is even unless a sector is surely wider than the mean by more; project's choice
_MIN_SECTORS = 6  # of eight; with fewer, evenness is anybody's guess; project's choice
# What draws leave out of sector less mean, as SD: found on 40 phantoms of the tuning half, found and given.
_SECTOR_MODEL_SD_MM = 0.12
_LENGTH_DRAWS = 60  # of the draws: lengths are counted depth by depth, and an SD is known to 9 % so


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """The unrolled shaft with its posterior.

    Parameters
    ----------
    depth_mm, angle_deg : ndarray, shapes (D,), (S,)
        Cell centres.
    envelope_mm : ndarray, shape (D,)
        Radius of the envelope, mm.
    width_mm, width_u_mm : ndarray, shape (D, S)
        Best estimate and standard uncertainty.
    fields_mm : ndarray, shape (N, D, S)
        Draws of the true field.
    side : ndarray of int8, shape (D, S)
        `Side` of each cell of the counting set, OUTSIDE or GAP elsewhere.
    cautions : ndarray of int64, shape (D, S)
        Why a cell is not measured.
    layer_hu : dict of Side to Measured
        Level of the layer on each side.
    rim : dict of Side to Rim
        Dense line at the outer edge on each side.
    limit_mm : dict of Side to float
        Detection limit of a side's mean width, mm.
    """

    depth_mm: FloatArray
    angle_deg: FloatArray
    envelope_mm: FloatArray
    width_mm: FloatArray
    width_u_mm: FloatArray
    fields_mm: FloatArray
    side: NDArray[np.int8]
    cautions: NDArray[np.int64]
    layer_hu: dict[Side, Measured]
    rim: dict[Side, Rim]
    limit_mm: dict[Side, float]

    @property
    def area_mm2(self) -> FloatArray:
        """Area of each cell on the envelope, mm2, shape (D, S)."""
        step = (self.depth_mm[1] - self.depth_mm[0]) * 2.0 * np.pi / len(self.angle_deg)
        return np.repeat((self.envelope_mm * step)[:, None], len(self.angle_deg), axis=1)


def summarise(draws: Draws, sides: tuple[Side, ...], cautions: Caution) -> HaloSummary:
    """Return the summary of one side, or of both together.

    Parameters
    ----------
    draws : Draws
        The unrolled shaft.
    sides : tuple of Side
        HEAD, TIP or both.
    cautions : Caution
        What weakens everything on this screw.
    """
    counted = np.isin(draws.side, [int(s) for s in sides])
    measured = counted & (draws.cautions == 0)
    area = np.where(counted, draws.area_mm2, 0.0)
    share = float((draws.area_mm2 * measured).sum() / area.sum()) if counted.any() else 0.0
    left_out = counted & ((draws.cautions & int(Caution.EXCLUDED_BY_READER)) != 0)
    if left_out.any():
        cautions |= Caution.EXCLUDED_BY_READER
    if share < 0.1:
        return nothing(
            draws, counted, share, cautions | (Caution.LITTLE_MEASURED if counted.any() else Caution.NO_BONE)
        )
    if share < 0.5:
        cautions |= Caution.LITTLE_MEASURED
    weight = area / area.sum()
    fields = np.maximum(draws.fields_mm, 0.0)  # what is known beforehand: no halo is thinner than none
    # averaged before they are cut at zero: noise of single cells must not add up to a halo
    means = np.maximum(np.tensordot(draws.fields_mm, weight, axes=2), 0.0)
    # what other solutions leave open could be none; a side without a cell has no limit
    limit = float(np.nanmax([*(draws.limit_mm[s] for s in sides), _ONE_SIDED_95 * means.std()]))
    bare_sectors = _sector_means(draws, draws.fields_mm, area)
    sectors = np.maximum(bare_sectors, 0.0)
    best_sectors = _sector_means(draws, np.nan_to_num(draws.width_mm)[None], area)[0]
    lift = bare_sectors - np.tensordot(draws.fields_mm, weight, axes=2)[:, None]
    excess = _sector_excess(lift, cautions)
    of = partial(_of_draws, cautions=cautions)
    width = partial(of, unit=Unit.MM, limit=limit)
    # of what stands out above the mean all may be noise of single cells: the halo may be even
    top = partial(width, at_least=float(np.percentile(means, 2.5)))
    share_of = partial(of, unit=Unit.ONE, ceiling=1.0)
    is_one = len(sides) == 1
    return HaloSummary(
        mean_width=width(means, value=float(np.nansum(draws.width_mm * weight))),
        p95_width=top(_percentiles_95(fields[:, counted], weight[counted])),
        max_width=top(fields[:, counted].max(axis=1)),
        share_over_1mm=share_of(np.tensordot(fields > 1.0, weight, axes=2)),
        share_over_2mm=share_of(np.tensordot(fields > 2.0, weight, axes=2)),
        volume=of(
            np.maximum(_volumes(draws, draws.fields_mm, counted), 0.0),
            unit=Unit.MM3,
            limit=float(_volumes(draws, np.full((1, *counted.shape), limit), counted)[0]),
        ),
        **_lucency(draws, weight, counted, cautions),
        **_extents(draws, fields, counted, cautions),
        layer_hu=_layer(draws, sides, weight),
        rim=draws.rim[sides[0]] if is_one else _stronger(draws.rim[Side.HEAD], draws.rim[Side.TIP]),
        sector_excess=excess,
        shape="none" if means.mean() < limit else _shape(draws, excess, lift.mean(axis=0), counted),
        counting_area_mm2=float(area.sum()),
        measured_share=share,
        detection_limit=Measured.of(limit, 0.1 * limit, Unit.MM, cautions),
        sector_mean_width=tuple(
            width(s, value=float(best))
            if np.isfinite(s).all() and is_seen
            else Measured.missing(Unit.MM, Caution.NO_BONE if is_seen else Caution.EXCLUDED_BY_READER)
            for s, best, is_seen in zip(
                sectors.T, best_sectors, _sectors_seen(draws, area, left_out), strict=True
            )
        ),
    )


def _of_draws(
    values: FloatArray,
    *,
    unit: Unit,
    cautions: Caution,
    value: float | None = None,
    ceiling: float = np.inf,
    limit: float = np.nan,
    at_least: float = np.inf,
) -> Measured:
    """Return the mean of draws of a figure that is never negative, and the interval that holds them.

    A better estimate than their mean may be given as `value`, and the low end of what the figure cannot lie
    below as `at_least`; the interval then holds them as well.
    """
    low, high = np.percentile(values, [2.5, 97.5])
    best = float(values.mean()) if value is None else value
    low, high = np.clip([min(low, best, at_least), max(high, best)], 0.0, ceiling)
    below = limit if best < limit else np.nan
    return Measured(best, float(values.std()), float(low), float(high), unit, cautions, below)


def _lucency(
    draws: Draws, weight: FloatArray, counted: NDArray[np.bool_], cautions: Caution
) -> dict[str, Measured]:
    """Return which share of the surface is shown to have no lucency, or to have one, or is undecided."""
    reach = COVERAGE_95 * draws.width_u_mm
    clear = counted & (draws.width_mm + reach < LUCENT_MM)
    lucent = counted & (draws.width_mm - reach >= LUCENT_MM)
    cells = {
        "no_lucency_share": clear,
        "lucent_share": lucent,
        "undecided_share": counted & ~clear & ~lucent,
    }
    # defined by the intervals of the cells, so it has no spread of its own
    return {
        name: Measured.of(float((weight * of).sum()), 0.0, Unit.ONE, cautions, floor=0.0, ceiling=1.0)
        for name, of in cells.items()
    }


def _extents(
    draws: Draws, fields: FloatArray, counted: NDArray[np.bool_], cautions: Caution
) -> dict[str, Measured]:
    """Return how far lucency, and surface without it, reach along and round the shaft."""
    lengths = np.array([_clear_lengths(draws, f < LUCENT_MM, counted) for f in fields[:_LENGTH_DRAWS]])
    over = (fields > 1.0) & counted
    round_deg = over.sum(axis=2).max(axis=1) * (360.0 / len(draws.angle_deg))
    along_mm = over.sum(axis=1).max(axis=1) * (draws.depth_mm[1] - draws.depth_mm[0])
    length = partial(_of_draws, unit=Unit.MM, cautions=cautions)
    return {
        "no_lucency_length": length(lengths[:, 0]),
        "longest_no_lucency": length(lengths[:, 1]),
        "circumference_over_1mm_deg": _of_draws(round_deg, unit=Unit.DEG, cautions=cautions, ceiling=360.0),
        "depth_over_1mm_mm": length(along_mm),
    }


def nothing(draws: Draws, counted: NDArray[np.bool_], share: float, cautions: Caution) -> HaloSummary:
    """Return "not measurable" throughout, with the reasons."""

    def none(unit: Unit) -> Measured:
        return Measured.missing(unit, cautions)

    mm, one = none(Unit.MM), none(Unit.ONE)
    rim = Rim("not measurable", mm, none(Unit.HU))
    area = float((draws.area_mm2 * counted).sum())
    return HaloSummary(
        mm, mm, mm, one, one, none(Unit.MM3), one, one, one, mm, mm, none(Unit.DEG), mm, none(Unit.HU),
        rim, mm, "none", area, share, mm, (mm,) * 8,
    )  # fmt: skip


def _percentiles_95(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the value that 95 % of the weight reach at most, of each row, shape (N,)."""
    order = np.argsort(values, axis=1)
    total = np.cumsum(weight[order], axis=1)
    at = np.argmax(total >= 0.95 * total[:, -1:], axis=1)
    return np.take_along_axis(values, np.take_along_axis(order, at[:, None], axis=1), axis=1)[:, 0]


def _volumes(draws: Draws, fields: FloatArray, counted: NDArray[np.bool_]) -> FloatArray:
    step = (draws.depth_mm[1] - draws.depth_mm[0]) * 2.0 * np.pi / len(draws.angle_deg)
    inner = draws.envelope_mm[:, None]
    shell = 0.5 * ((inner + fields) ** 2 - inner**2) * step
    return np.asarray((shell * counted).sum(axis=(1, 2)))


def _sectors_seen(draws: Draws, area: FloatArray, left_out: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a reader left something of each sector; one without counted cells is none left out."""
    ones = np.ones((1, *area.shape))
    kept = np.nan_to_num(_sector_means(draws, ones * ~left_out, area)[0], nan=1.0)
    return np.asarray(kept > 0.0)


def _sector_means(draws: Draws, fields: FloatArray, area: FloatArray) -> FloatArray:
    """Mean of each 45 degree sector, shape (N, 8); NaN where a sector has no counted cell."""
    # a cell half-way between two sectors belongs to both by half
    near = np.abs(((draws.angle_deg[None, :] - 45.0 * np.arange(8)[:, None] + 180.0) % 360.0) - 180.0)
    member = np.where(near < 22.4, 1.0, np.where(near < 22.6, 0.5, 0.0))
    top = np.einsum("nds,ds,ks->nk", fields, area, member, optimize=True)
    bottom = np.einsum("ds,ks->k", area, member)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(top / bottom)


def _clear_lengths(draws: Draws, clear: NDArray[np.bool_], counted: NDArray[np.bool_]) -> tuple[float, float]:
    """Length of the shaft with no lucency round most of it, and its longest unbroken run, mm."""
    step = float(draws.depth_mm[1] - draws.depth_mm[0])
    n = counted.sum(axis=1)
    held = (n > 0) & ((clear & counted).sum(axis=1) >= _HELD_SHARE * n)
    padded = np.concatenate([[0], held.astype(np.int8), [0]])
    starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
    longest = float((ends - starts).max()) if len(starts) else 0.0
    return float(held.sum()) * step, longest * step


def _layer(draws: Draws, sides: tuple[Side, ...], weight: FloatArray) -> Measured:
    """Return the level of the layer over the sides, by their surface; what one side lacks the whole lacks."""
    shares = {side: float(weight[draws.side == int(side)].sum()) for side in sides}
    held = [(draws.layer_hu[side], share) for side, share in shares.items() if share > 0.0]
    unknown = [level for level, _ in held if not level.is_known]
    if unknown:
        return unknown[0]
    u = sum(share * level.u for level, share in held)  # both hang on one blur: they may err alike
    return Measured.of(sum(share * level.value for level, share in held), u, Unit.HU)


def _stronger(a: Rim, b: Rim) -> Rim:
    return a if a.present == "present" else b


def _sector_excess(lift_mm: FloatArray, cautions: Caution) -> Measured:
    """Return by how much the sector that stands out most is wider than the mean of its part, mm.

    `lift_mm` holds draws of sector less mean, shape (N, 8). What sector and mean have in common, the blur
    above all, drops out of their difference, so the uncertainty is that of the difference.
    """
    u = np.hypot(lift_mm.std(axis=0), _SECTOR_MODEL_SD_MM)
    lifts = [
        Measured.of(float(v), float(s), Unit.MM, cautions)
        for v, s in zip(lift_mm.mean(axis=0), u, strict=True)
    ]
    return most_prominent(lifts, cautions)


def most_prominent(lifts: Iterable[Measured], cautions: Caution) -> Measured:
    """Return the sector that surely stands out most; no value where fewer than six were measured.

    Parameters
    ----------
    lifts : iterable of Measured
        Each sector less the mean, mm.
    cautions : Caution
        Why there may be none.
    """
    known = [lift for lift in lifts if lift.is_known]
    if len(known) < _MIN_SECTORS:
        return Measured.missing(Unit.MM, cautions | Caution.LITTLE_MEASURED)
    return max(known, key=lambda lift: lift.low95)


def is_uneven(excess: Measured, limit_mm: float = EVEN_MM) -> bool:
    """Whether a sector is shown to be wider than the mean; doubt speaks for even.

    The one rule for the word: shape and finding both ask here.

    Parameters
    ----------
    excess : Measured
        `HaloSummary.sector_excess`.
    limit_mm : float
        By how much a sector may be wider, mm.
    """
    return bool(excess.low95 > limit_mm)


def _shape(draws: Draws, excess: Measured, lift_mm: FloatArray, counted: NDArray[np.bool_]) -> str:
    """Name the shape of a halo that is shown: what stands out round the screw first, then along it."""
    if is_uneven(excess):
        return "one-sided" if _is_one_bulge(lift_mm) else "patchy"
    slope, u_slope = _slopes(draws, counted)
    length = float(np.ptp(draws.depth_mm[counted.any(axis=1)]))
    if abs(slope) * length > 2.0 * EVEN_MM + COVERAGE_95 * u_slope * length:
        return "widening to tip" if slope > 0 else "widening to head"
    return "even"


def _is_one_bulge(lift: FloatArray) -> bool:
    """Whether the first harmonic carries most of the variation round the screw."""
    filled = np.where(np.isfinite(lift), lift, 0.0)
    power = np.abs(np.fft.rfft(filled)) ** 2
    return bool(power[1] > 0.5 * power[1:].sum())


def _slopes(draws: Draws, counted: NDArray[np.bool_]) -> tuple[float, float]:
    """Slope of the width along the shaft and its scatter over the draws, mm per mm."""
    n = counted.sum(axis=1)
    rows = n > 2
    if rows.sum() < 4:
        return 0.0, 1.0
    profile = np.where(counted, draws.fields_mm, 0.0).sum(axis=2)[:, rows] / n[rows]
    z = draws.depth_mm[rows] - draws.depth_mm[rows].mean()
    slopes = profile @ z / (z @ z)
    return float(slopes.mean()), float(slopes.std())
