"""Differences of halo width: between two scans of a screw, two screws of a scan, two sides of a screw.

What two measurements have in common drops out of their difference as far as both follow it alike.
The error of a width by the shared unknowns is ``g . e`` (`Doubt.follow_mm` and the error of the
fit). Where two fits saw the same blur and metal, ``e`` is nearly the same twice: both are first
moved to the blur that suits the two best (their mean, weighted by precision), and of the variance
remains what ``g`` differs by, and what the two errors do not share:

    |R g1|^2 + |R g2|^2 - 2 rho (R g1) . (R g2),   R the root of 2 (S1^-1 + S2^-1)^-1

with S1 and S2 the covariances of the two fits. So a blur that one of them was told serves both.

Noise and bone texture are always independent. Other solutions of the fits are weighed in pairs
(`ongrowth.halo.together`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from ongrowth.defect import Side
from ongrowth.halo.doubt import MODEL_SHARE, Doubt
from ongrowth.halo.map import SIDES, Halo, HaloMap
from ongrowth.halo.together import OF_SCAN, OF_SCREW, in_pairs
from ongrowth.quantity import Caution, Measured, Unit

FloatArray = NDArray[np.float64]
Group = tuple[tuple[str, ...], float]

_CELL_MODEL_MM = 0.10
_LEAST_SHARE = 0.1  # of the counting area measured twice, for a difference to be told


@dataclass(frozen=True, slots=True)
class Alike:
    """What two measurements have in common.

    Parameters
    ----------
    groups : tuple
        Parts of the shared unknowns with the correlation of their errors, in order.
    model : float
        Correlation of what the model leaves out.
    is_one_fit : bool
        Whether both come from one fit, whose every error is the same twice.
    is_one_screw : bool
        Whether an error of the radius is the same twice.
    """

    groups: tuple[Group, ...] = ()
    model: float = 0.0
    is_one_fit: bool = False
    is_one_screw: bool = False


_ALL = ("blur", "metal", "axis", "hardening", "thread")
# Correlations: found on re-positioned scans of the tuning half. Level of the layer: project's choice,
# the tissue of one patient some weeks later, or at another place.
ONE_PROTOCOL = Alike(((OF_SCREW, 0.95), (("layer level",), 0.8)), 0.85, is_one_screw=True)
ONE_SCAN = Alike(((OF_SCAN, 0.95), (("metal", "hardening"), 0.5), (("layer level",), 0.5)), 0.5)
ONE_SCREW = Alike(((_ALL, 1.0),), 0.5, is_one_fit=True, is_one_screw=True)
NOTHING = Alike(is_one_screw=True)


@dataclass(frozen=True, slots=True, eq=False)
class HaloChange:
    """Change of halo width from one scan of a screw to a later one, positive where it grew.

    Parameters
    ----------
    whole, head_side, tip_side : Measured
        Change of the mean width over the cells measured in both scans, mm.
    map : HaloMap
        Change of each cell (`width_mm`) with its uncertainty, on the cells of the earlier scan; NaN
        where not measured in both.
    compared_share : float
        Share of the earlier counting area that was measured in both.
    parts : tuple of (str, float)
        Parts of the variance of the whole's change, largest first, each with its share.
    """

    whole: Measured
    head_side: Measured
    tip_side: Measured
    map: HaloMap
    compared_share: float
    parts: tuple[tuple[str, float], ...]


def measure_change(
    before: Halo, after: Halo, *, is_one_protocol: bool, turn_deg: float = 0.0, slide_mm: float = 0.0
) -> HaloChange:
    """Measure the change of halo width of one screw between two scans.

    Parameters
    ----------
    before, after : Halo
        The halo in the earlier and in the later scan, of the same screw.
    is_one_protocol : bool
        Whether scanner, kernel, tube voltage and slices were the same
        (`ongrowth.calibration.Protocol.differences` is empty), and the same calibration or none served
        both. Otherwise nothing is taken to cancel, and the cautions say so.
    turn_deg, slide_mm : float
        Angle and depth in the later frame of what has angle 0 and depth 0 in the earlier one.

    Returns
    -------
    HaloChange
        Values unclamped, each with its own uncertainty; intervals cut at what the two widths allow, since no
        width is below 0. "Not measurable" where too few cells were measured twice. Where a defect parts the
        shaft in one scan alone, its sides hold for both.
    """
    alike = ONE_PROTOCOL if is_one_protocol else NOTHING
    onto = _onto(before.map, after.map, turn_deg, slide_mm)
    first, second = _Cells.of(before), _Cells.of(after).placed(onto, before.map.side.shape)
    sides = first.side if before.is_parted else second.side
    both = first.is_measured & second.is_measured
    if before.is_parted and after.is_parted:
        both &= first.side == second.side
    told = Caution.NONE if is_one_protocol else Caution.PROTOCOL_CHANGED
    counted = _is_counted(before.map.side)

    def side(which: NDArray[np.bool_], pair: tuple[Measured, Measured]) -> tuple[Measured, dict[str, float]]:
        compared = both & which
        if compared.sum() <= _LEAST_SHARE * max((counted & which).sum(), 1):
            return Measured.missing(Unit.MM, told | pair[0].cautions | Caution.LITTLE_MEASURED), {}
        weight = compared / compared.sum()
        cautions = told | pair[0].cautions | pair[1].cautions
        change, parts = _difference(first, weight, second, weight, alike, cautions, pair)
        return _within_widths(change, *pair), parts

    means = [(getattr(before, n).mean_width, getattr(after, n).mean_width) for n in _NAMES]
    whole, parts = side(counted, means[0])
    if before.is_parted or after.is_parted:
        head, tip = (side(sides == s, pair)[0] for s, pair in zip(SIDES.values(), means[1:], strict=True))
    else:
        head = tip = Measured.missing(Unit.MM, told | Caution.NO_DEFECT)
    total = max(sum(parts.values()), 1e-12)
    return HaloChange(
        whole,
        head,
        tip,
        _change_map(before.map, first, second, both, alike),
        float(both.sum() / max(counted.sum(), 1)),
        tuple(sorted(((name, v / total) for name, v in parts.items()), key=lambda p: -p[1])),
    )


def side_difference(halo: Halo) -> Measured:
    """Return by how much the tip side's mean width exceeds the head side's, mm.

    Both sides were seen by one fit: of blur, metal and radius only what the two follow unlike remains.

    Parameters
    ----------
    halo : Halo
        A halo measured on both sides.
    """
    cells = _Cells.of(halo)
    pair = halo.head_side.mean_width, halo.tip_side.mean_width
    return _of_sets(cells, Side.HEAD, cells, Side.TIP, ONE_SCREW, pair)


def screw_difference(first: Halo, second: Halo, side: str) -> Measured:
    """Return by how much the second screw's mean width exceeds the first's on one side, in one scan, mm.

    Parameters
    ----------
    first, second : Halo
        Halos of two screws in one scan.
    side : str
        "head_side" or "tip_side".
    """
    which = SIDES[side]
    pair = getattr(first, side).mean_width, getattr(second, side).mean_width
    return _of_sets(_Cells.of(first), which, _Cells.of(second), which, ONE_SCAN, pair)


def _of_sets(
    first: _Cells, side: Side, second: _Cells, other: Side, alike: Alike, pair: tuple[Measured, Measured]
) -> Measured:
    """Return the difference of two sides' means, over the cells each has measured."""
    cautions = pair[0].cautions | pair[1].cautions
    sets = [c.is_measured & (c.side == s) for c, s in ((first, side), (second, other))]
    if not (pair[0].is_known and pair[1].is_known and sets[0].any() and sets[1].any()):
        return Measured.missing(Unit.MM, cautions | Caution.LITTLE_MEASURED)
    weights = [s / s.sum() for s in sets]
    return _within_widths(_difference(first, weights[0], second, weights[1], alike, cautions, pair)[0], *pair)


_NAMES = ("whole", "head_side", "tip_side")


def _within_widths(difference: Measured, first: Measured, second: Measured) -> Measured:
    """Return second less first with an interval that ends where it would be all of either width."""
    if not (first.is_known and second.is_known):
        return difference
    bounds = {"floor": -max(first.high95, 0.0), "ceiling": max(second.high95, 0.0)}
    return Measured.of(difference.value, difference.u, difference.unit, difference.cautions, **bounds)


def _is_counted(side: NDArray[np.int8]) -> NDArray[np.bool_]:
    return np.isin(side, [Side.HEAD, Side.TIP])


@dataclass(frozen=True, slots=True, eq=False)
class _Cells:
    """Cells of one halo, where they are measured, and their doubt where it is known."""

    width_mm: FloatArray
    width_u_mm: FloatArray
    side: NDArray[np.int8]
    is_measured: NDArray[np.bool_]
    doubt: Doubt | None

    @classmethod
    def of(cls, halo: Halo) -> _Cells:
        m = halo.map
        measured = _is_counted(m.side) & (m.cautions == 0) & np.isfinite(m.width_mm)
        return cls(np.nan_to_num(m.width_mm), np.nan_to_num(m.width_u_mm), m.side, measured, halo.doubt)

    def placed(self, onto: sparse.csr_matrix, shape: tuple[int, ...]) -> _Cells:
        """Return the cells on the grid of another halo; measured where all they mix are, on one side."""

        def mixed(values: FloatArray) -> FloatArray:
            flat = onto @ values.reshape(self.side.size, -1)
            return np.asarray(flat.reshape(*shape, *values.shape[2:]))

        sides = {s: mixed((self.is_measured & (self.side == s)).astype(float)) for s in (Side.HEAD, Side.TIP)}
        side = np.full(shape, Side.OUTSIDE, dtype=np.int8)
        for s, share in sides.items():
            side[share > 1.0 - 1e-6] = s
        doubt = self.doubt
        if doubt is not None:
            noise, widths = (
                np.moveaxis(mixed(np.moveaxis(part, 0, -1)), -1, 0)
                for part in (doubt.noise_mm, doubt.widths_mm)
            )
            doubt = doubt.on_cells(mixed(doubt.follow_mm), noise, widths)
        return _Cells(mixed(self.width_mm), mixed(self.width_u_mm), side, _is_counted(side), doubt)


def _onto(before: HaloMap, after: HaloMap, turn_deg: float, slide_mm: float) -> sparse.csr_matrix:
    """Return the bilinear matrix from the later cells to the earlier ones; rows outside are empty."""
    depth, angle = np.meshgrid(before.depth_mm + slide_mm, before.angle_deg + turn_deg, indexing="ij")
    step, n_angles = after.depth_mm[1] - after.depth_mm[0], len(after.angle_deg)
    z = np.round((depth.ravel() - after.depth_mm[0]) / step, 6)
    a = np.round((angle.ravel() - after.angle_deg[0]) % 360.0 * (n_angles / 360.0), 6)
    i, j = np.floor(z).astype(int), np.floor(a).astype(int)
    s, t = z - i, a - j
    rows, columns, values = [], [], []
    for di, dj, share in ((0, 0, (1 - s) * (1 - t)), (0, 1, (1 - s) * t), (1, 0, s * (1 - t)), (1, 1, s * t)):
        at = i + di
        inside = (share > 0.0) & (at >= 0) & (at < len(after.depth_mm))
        rows.append(np.flatnonzero(inside))
        columns.append((at * n_angles + (j + dj) % n_angles)[inside])
        values.append(share[inside])
    shape = (depth.size, len(after.depth_mm) * n_angles)
    return sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape
    )


def _difference(
    first: _Cells,
    first_weight: FloatArray,
    second: _Cells,
    second_weight: FloatArray,
    alike: Alike,
    cautions: Caution,
    told: tuple[Measured, Measured],
) -> tuple[Measured, dict[str, float]]:
    """Return second minus first, each a weighted mean of cells, and the parts of its variance, mm2."""
    a, b = first.doubt, second.doubt
    if a is None or b is None:
        if not (told[0].is_known and told[1].is_known):  # then nothing tells how sure the cells are together
            return Measured.missing(Unit.MM, cautions), {}
        value = float((second.width_mm * second_weight).sum() - (first.width_mm * first_weight).sum())
        parts = {"all, as nothing is known to cancel": told[0].u ** 2 + told[1].u ** 2}
        return Measured.of(value, float(np.sqrt(sum(parts.values()))), Unit.MM, cautions), parts
    g = [np.tensordot(w, d.follow_mm, axes=2) for d, w in ((a, first_weight), (b, second_weight))]
    noise = [(d.noise_mm * w).sum(axis=(1, 2)) for d, w in ((a, first_weight), (b, second_weight))]
    n = noise[1] - noise[0] if alike.is_one_fit else None
    parts = {"noise and texture": float(n.var() if n is not None else noise[0].var() + noise[1].var())}
    parts |= {name: float(v) for name, v in _shared_variance(a, b, g[0], g[1], alike).items()}
    widths = [(d.widths_mm * w).sum(axis=(1, 2)) for d, w in ((a, first_weight), (b, second_weight))]
    pairs = _pairs(a, b, alike)
    apart, variance = _paired(widths[0], widths[1], pairs)
    parts["other solutions"] = float(variance)
    parts["radius"] = 0.0 if alike.is_one_screw else a.radius.u**2 + b.radius.u**2
    means = [float(d.chances @ w) for d, w in zip((a, b), widths, strict=True)]
    m = [np.hypot(d.model_mm, MODEL_SHARE * max(w, 0.0)) for d, w in zip((a, b), means, strict=True)]
    parts["model"] = float(m[0] ** 2 + m[1] ** 2 - 2.0 * alike.model * m[0] * m[1])
    value = float(apart + _tied(a, b, g[0], g[1], alike, pairs)) + _radius_step(a, b, alike)
    return Measured.of(value, float(np.sqrt(sum(parts.values()))), Unit.MM, cautions), parts


def _pairs(a: Doubt, b: Doubt, alike: Alike) -> FloatArray:
    """Return how likely each solution of one fit is together with each of the other, shape (K, L).

    Solutions of one fit go together with themselves alone.
    """
    if alike.is_one_fit:
        return np.diag(a.chances)
    return in_pairs(a, b, alike.groups[0][0]) if alike.groups else np.outer(a.chances, b.chances)


def _paired(widths_a: FloatArray, widths_b: FloatArray, pairs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean difference over the pairs of solutions, and its variance.

    Widths by each solution have the shapes (K, ...) and (L, ...).
    """
    chance_a, chance_b = pairs.sum(axis=1), pairs.sum(axis=0)
    mean_a, mean_b = (np.tensordot(c, w, axes=1) for c, w in ((chance_a, widths_a), (chance_b, widths_b)))
    off_a, off_b = widths_a - mean_a, widths_b - mean_b
    variance = np.tensordot(chance_a, off_a**2, axes=1) + np.tensordot(chance_b, off_b**2, axes=1)
    variance = variance - 2.0 * np.einsum("ij,i...,j...->...", pairs, off_a, off_b, optimize=True)
    return np.asarray(mean_b - mean_a), np.maximum(variance, 0.0)


def _radius_step(first: Doubt, second: Doubt, alike: Alike) -> float:
    """Return what the later radius exceeds the earlier by: a screw does not grow, so outer edges compare."""
    is_same_fit = alike.is_one_fit or not alike.is_one_screw
    return 0.0 if is_same_fit else second.radius.value - first.radius.value


def _change_map(
    grid: HaloMap, first: _Cells, second: _Cells, both: NDArray[np.bool_], alike: Alike
) -> HaloMap:
    change = second.width_mm - first.width_mm
    a, b = first.doubt, second.doubt
    if a is None or b is None:
        u = np.hypot(first.width_u_mm, second.width_u_mm)
    else:
        pairs = _pairs(a, b, alike)
        change, other = _paired(a.widths_mm, b.widths_mm, pairs)
        change = change + _tied(a, b, a.follow_mm, b.follow_mm, alike, pairs) + _radius_step(a, b, alike)
        own = a.noise_mm.var(axis=0) + b.noise_mm.var(axis=0) + other
        shared = sum(_shared_variance(a, b, a.follow_mm, b.follow_mm, alike).values())
        u = np.sqrt(own + shared + 2.0 * (1.0 - alike.model) * _CELL_MODEL_MM**2)
    nowhere = int(Caution.LITTLE_MEASURED)
    return HaloMap(
        grid.depth_mm,
        grid.angle_deg,
        np.where(both, change, np.nan),
        np.where(both, u, np.nan),
        grid.side,
        np.where(both, 0, np.where(grid.cautions != 0, grid.cautions, nowhere)).astype(np.int64),
    )


def _split(covariance: FloatArray, index: list[int]) -> tuple[FloatArray, FloatArray]:
    """Return how everything follows some unknowns, shape (P, F), and their own covariance (F, F)."""
    inner = covariance[np.ix_(index, index)]
    inner = inner + np.diag(1e-9 * np.diag(inner) + 1e-18)
    return np.asarray(covariance[:, index] @ linalg.pinvh(inner)), inner


def _moved_to(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the covariance of what both fits were moved to: where one was told the blur, the other is too.

    Two fits that know it alike gain nothing by each other, since their errors are nearly the same twice.
    """
    mixed = 2.0 * first @ linalg.pinvh(first + second) @ second  # the same, without inverting either
    return np.asarray(0.5 * (mixed + mixed.T))


def _root(covariance: FloatArray) -> FloatArray:
    values, vectors = linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


def _shared_variance(
    a: Doubt, b: Doubt, g_a: FloatArray, g_b: FloatArray, alike: Alike
) -> dict[str, FloatArray]:
    """Return the variance of the difference by the shared unknowns, by part; shape of g, less the last."""
    left = [a.covariance.copy(), b.covariance.copy()]
    out: dict[str, FloatArray] = {}
    for names, correlation in alike.groups:
        split = [_split(covariance, a.index(*names)) for covariance in left]
        own = [inner for _, inner in split]
        roots = [_root(_moved_to(*own) if names is alike.groups[0][0] else inner) for inner in own]
        seen = [g @ follow @ root for g, (follow, _), root in zip((g_a, g_b), split, roots, strict=True)]
        left = [c - follow @ inner @ follow.T for c, (follow, inner) in zip(left, split, strict=True)]
        squares = (seen[0] ** 2 + seen[1] ** 2 - 2.0 * correlation * seen[0] * seen[1]).sum(axis=-1)
        out[_name_of(names)] = np.maximum(squares, 0.0)
    rest = [
        np.einsum("...p,pq,...q->...", g, c, g, optimize=True) for g, c in zip((g_a, g_b), left, strict=True)
    ]
    return out | {
        "position and thread" if alike.groups else "blur and metal": np.maximum(rest[0] + rest[1], 0.0)
    }


def _name_of(names: tuple[str, ...]) -> str:
    return "blur and metal" if "blur" in names else " and ".join(names)


def _tied(
    a: Doubt, b: Doubt, g_a: FloatArray, g_b: FloatArray, alike: Alike, pairs: FloatArray
) -> FloatArray:
    """Return what the difference changes by when both fits are moved to one blur and one metal."""
    zero = np.zeros(g_a.shape[:-1])
    if alike.is_one_fit or not alike.groups:
        return zero
    index = a.index(*alike.groups[0][0])
    (follow_a, inner_a), (follow_b, inner_b) = (_split(d.covariance, index) for d in (a, b))
    apart = (pairs.sum(axis=0) @ b.solutions - pairs.sum(axis=1) @ a.solutions)[index]
    total = linalg.pinvh(inner_a + inner_b)
    # both move to the mean weighted by precision: each by its own covariance's share of the way
    return np.asarray(
        -(g_b @ follow_b) @ (inner_b @ total @ apart) - (g_a @ follow_a) @ (inner_a @ total @ apart)
    )
