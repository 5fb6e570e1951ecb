"""Metal, lucent layer and bone round a threaded rod, seen through the blur of the scan.

At a voxel the model is

    I = B + (L - B) G + (M - B) T + S (r - R - w)+ (D_e - D) + C (D_e - D_c) + (F - B) (1 - D_e)
        + Q q(w) (D_q - D) + hardening + ripple

with bone level B and slope S, a rise C where dense bone begins (D_c: the disc up to there, never
smaller than the halo), soft tissue F where bone ends (D_e: never before the halo does), a rim of Q
round a halo (D_q: the disc up to its outer edge; q(w) rises to 1 at `RIM_FROM_MM`), layer level
L, metal level M; T the blurred metal (root, thread ramp, crest), D the blurred disc of radius R + w,
and G the blurred lucent part. Where there is no halo the
thread valleys hold bone; from `VALLEY_MM` of halo on they hold the layer too:

    G = s (D_R - T) + D - D_R,  s at most 1

What varies smoothly is not w but the lucent thickness u: first the valleys empty, which are worth a
ring of v mm, then the halo widens. So the image answers u alike everywhere:

    u < v: s = u / v, w = VALLEY_MM u / v;   else s = 1, w = u - v + VALLEY_MM
"""

from __future__ import annotations

import copy
import functools
import operator
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur, DiscPlaces, Places, RodResponse, Section
from ongrowth.halo.samples import Samples
from ongrowth.halo.touch import Touch, ordered
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

RIM_FROM_MM = 0.3  # a halo thinner than this has no rim of its own
PAST_REACH_MM = 1.0  # edges farther out do not show
VALLEY_MM = 0.05  # halo width at which the thread valleys are taken to be emptied of bone
_USUAL_RAMP, _USUAL_CREST = 0.7, 0.1  # metal share of a usual thread
_DISC_STEP_MM = 0.08
_STEPS = (0.01, 0.01, 0.02, 0.01, 0.02, 0.02, 0.02)  # of the blur unknowns, for their slopes
_MORE_MM = 0.5  # of the tables, so that every place lies between two radii
_METAL_TOLERANCE = 2e-4  # 2 HU of metal
_TISSUE_TOLERANCE = 1e-3  # 1 HU of dense bone


@dataclass(frozen=True, slots=True)
class Rod:
    """Radii of the screw's cross-section, mm; `shank_mm` NaN for a full thread."""

    envelope_mm: float
    root_mm: float
    cannula_mm: float
    shank_mm: float
    thread_start_mm: float
    pitch_mm: float

    @classmethod
    def of(cls, screw: Screw) -> Rod:
        """Return the cross-section of a found screw."""
        spec = screw.spec
        envelope = screw.major_diameter_mm.value / 2.0
        partial = spec.thread == "partial"
        return cls(
            envelope,
            min(screw.root_diameter_mm / 2.0, envelope - 0.05),
            spec.cannula_diameter_mm / 2.0,
            spec.shank_diameter_mm / 2.0 if partial else np.nan,
            spec.thread_start_mm if partial else -np.inf,
            spec.pitch_mm,
        )

    @property
    def middle_mm(self) -> float:
        """Radius midway between root and envelope, mm."""
        return 0.5 * (self.root_mm + self.envelope_mm)

    def valley_mm(self, depth_mm: FloatArray) -> FloatArray:
        """Thickness of a ring round the envelope that holds as much as the thread valleys, mm.

        At least `VALLEY_MM`, so also where there is no thread.
        """
        root, deep = self.root_mm, self.envelope_mm - self.root_mm
        at_root = (1.0 - _USUAL_CREST - _USUAL_RAMP) * (root + deep / 2.0)
        ring_mm = deep / self.envelope_mm * (at_root + _USUAL_RAMP * (root / 2.0 + deep / 3.0))
        return np.where(depth_mm < self.thread_start_mm, VALLEY_MM, max(ring_mm, VALLEY_MM))

    def outer_mm(self, depth_mm: FloatArray) -> FloatArray:
        """Radius of the envelope at depths, mm."""
        if np.isnan(self.shank_mm):
            return np.full(np.shape(depth_mm), self.envelope_mm)
        return np.where(depth_mm < self.thread_start_mm, self.shank_mm, self.envelope_mm)


@dataclass(frozen=True, slots=True)
class Shared:
    """Unknowns of the whole screw, in the order of the parameter vector.

    Axis offsets at the two ends (mm), metal level (HU), metal share of thread ramp and crest,
    blur (natural logarithms of f0, p and slice width; overshoot b, lift c, bends d1 and d2), layer levels
    of the two sides (HU), ripple amplitudes (HU per unit response), hardening and streak amplitudes (HU),
    rims of the two sides (HU above the bone, and mm).
    """

    x0_mm: float = 0.0
    y0_mm: float = 0.0
    x1_mm: float = 0.0
    y1_mm: float = 0.0
    metal_hu: float = 9500.0
    ramp: float = 0.7
    crest: float = 0.1
    log_f0: float = 0.0
    log_p: float = 0.0
    overshoot: float = 0.0
    log_slice: float = 0.0
    lift: float = 0.0
    first_bend: float = 0.0
    second_bend: float = 0.0
    head_layer_hu: float = 70.0
    tip_layer_hu: float = 70.0
    ripple_cos: float = 0.0
    ripple_sin: float = 0.0
    hardening_2: float = 0.0
    hardening_3: float = 0.0
    streak_cos_1: float = 0.0
    streak_sin_1: float = 0.0
    streak_cos_2: float = 0.0
    streak_sin_2: float = 0.0
    head_rim_hu: float = 0.0
    tip_rim_hu: float = 0.0
    head_rim_mm: float = 0.5
    tip_rim_mm: float = 0.5

    def vector(self) -> FloatArray:
        """Return the parameters as a vector."""
        return np.array(_values_of(self))

    @classmethod
    def from_vector(cls, values: FloatArray) -> Shared:
        """Return the parameters of a vector."""
        return cls(*(float(v) for v in values))


def width_of(lucent_mm: FloatArray, valley_mm: FloatArray) -> FloatArray:
    """Return the halo width of a lucent thickness, mm; arrays of one shape, see `Rod.valley_mm`."""
    return np.where(
        lucent_mm < valley_mm, VALLEY_MM * lucent_mm / valley_mm, lucent_mm - valley_mm + VALLEY_MM
    )


def lucent_of(width_mm: FloatArray, valley_mm: FloatArray) -> FloatArray:
    """Return the lucent thickness of a halo width, mm."""
    return np.where(width_mm < VALLEY_MM, valley_mm * width_mm / VALLEY_MM, width_mm + valley_mm - VALLEY_MM)


def widening(lucent_mm: FloatArray, valley_mm: FloatArray) -> FloatArray:
    """Return how much the halo widens with the lucent thickness, mm per mm."""
    return np.where(lucent_mm < valley_mm, VALLEY_MM / valley_mm, 1.0)


SHARED_NAMES = Shared.__slots__
_values_of = operator.attrgetter(*SHARED_NAMES)
N_SHARED = len(SHARED_NAMES)
CENTRE = slice(0, 4)
METAL, RAMP, CREST = 4, 5, 6
BLUR = slice(7, 14)
LIFT = 11
BENDS = slice(12, 14)
LAYER = slice(14, 16)
RIPPLE = slice(16, 18)
HARDENING = slice(18, 24)
RIM_HU = slice(24, 26)
RIM_MM = slice(26, 28)


def blur_of(base: Blur, shared: Shared) -> Blur:
    """Return the blur that the parameters describe, relative to a base."""
    return Blur(
        base.f0_per_mm * float(np.exp(shared.log_f0)),
        base.p * float(np.exp(shared.log_p)),
        shared.overshoot,
        base.box_mm * float(np.exp(shared.log_slice)),
        base.second_box_mm * float(np.exp(shared.log_slice)),
        shared.lift,
        shared.first_bend,
        shared.second_bend,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """Blurred shapes, each by harmonic and radius, shape (M, R); `discs` (A, M, R)."""

    root: FloatArray
    ramp: FloatArray
    crest: FloatArray
    lumen: FloatArray
    shank: FloatArray
    response: RodResponse
    envelope: FloatArray
    discs: FloatArray


@functools.lru_cache(
    maxsize=24
)  # the blur stays while widths and levels are tried, and rivals start from one
def _tables(rod: Rod, blur: Blur, section: Section, reach_mm: float) -> _Tables:
    response = RodResponse(blur, section, reach_mm + _MORE_MM)
    shells = np.linspace(rod.root_mm, rod.envelope_mm, 9)
    middle = 0.5 * (shells[1:] + shells[:-1])
    shank = rod.shank_mm if np.isfinite(rod.shank_mm) else rod.envelope_mm
    metal = response.discs([*shells, *middle, shank, rod.cannula_mm])
    n = _telling(metal[: len(shells)], _METAL_TOLERANCE)
    metal = metal[:, :n]
    # edges are blurred alike, so what is nothing to the metal is less to tissue
    discs = response.discs(
        np.arange(_first_disc_mm(rod), reach_mm + PAST_REACH_MM + 2.0 * _DISC_STEP_MM, _DISC_STEP_MM), n
    )
    root, envelope = metal[0], metal[len(shells) - 1]
    return _Tables(
        root=root,
        ramp=metal[len(shells) : -2].mean(axis=0) - root,  # metal share falls evenly from root to crest
        crest=envelope - root,
        lumen=metal[-1],
        shank=metal[-2],
        response=response,
        envelope=envelope,
        discs=np.ascontiguousarray(discs[:, : _telling(discs, _TISSUE_TOLERANCE)]),
    )


def _first_disc_mm(rod: Rod) -> float:
    """Radius of the smallest disc of the tables, mm: well below any envelope."""
    return (rod.envelope_mm if np.isnan(rod.shank_mm) else min(rod.envelope_mm, rod.shank_mm)) - 0.6


def _telling(tables: FloatArray, tolerance: float) -> int:
    """Return how many harmonics are worth reading: beyond them none reaches the tolerance."""
    sizes = np.abs(tables).max(axis=(0, 2))
    return int(np.flatnonzero(sizes > tolerance).max(initial=0)) + 1


_Thread = tuple[NDArray[np.complex128], NDArray[np.complex128]]
Helix = tuple[NDArray[np.int_], NDArray[np.complex128]]


@functools.lru_cache(maxsize=4)
def _helices(response: RodResponse, rod: Rod, ramp: float, crest: float) -> tuple[Helix, ...]:
    """First and second helical harmonic of a thread whose metal share is crest + ramp (1 - rho)."""
    if not np.isfinite(rod.pitch_mm):
        return ()
    shells = np.linspace(rod.root_mm, rod.envelope_mm, 17)
    shells = 0.5 * (shells[1:] + shells[:-1])
    rho = (shells - rod.root_mm) / (rod.envelope_mm - rod.root_mm)
    share = np.clip(crest + ramp * (1.0 - rho), 0.0, 1.0)
    return tuple(
        response.helix(n, n / rod.pitch_mm, shells, 2.0 * np.sin(n * np.pi * share) / (n * np.pi))
        for n in (1, 2)
    )


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """Field values at the voxels, shape (N,).

    Lucent thickness (mm, see the head of this module), radius where dense bone begins (mm), radius
    where bone ends (mm), bone level at the halo (HU), its slope outward (HU/mm), rise of dense bone above
    the bone level (HU), level of what lies beyond the bone (HU).
    """

    lucent_mm: FloatArray
    cortex_mm: FloatArray
    end_mm: FloatArray
    bone_hu: FloatArray
    slope_hu_per_mm: FloatArray
    rise_hu: FloatArray
    soft_hu: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Where:
    """Voxels about the refined axis, and what the fields say there.

    Angle (rad) and ready-made places; halo width (mm); the edges of the halo, of dense bone, of all bone,
    and of the rim where there are rims, and how they push each other; how far beyond the halo a voxel
    lies, mm.
    """

    angle: FloatArray
    places: Places
    local: Local
    width_mm: FloatArray
    edges: tuple[DiscPlaces, ...]
    touch: Touch
    beyond: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Shapes:
    """Blurred shapes at the voxels.

    Solid metal, full envelope, lumen, lucent part; discs of the halo, up to dense bone,
    up to the end of bone, round the rim.
    """

    tables: _Tables
    metal: FloatArray
    envelope: FloatArray
    lumen: FloatArray
    lucent: FloatArray
    disc: FloatArray
    by_disc: FloatArray
    inner: FloatArray
    by_inner: FloatArray
    whole: FloatArray
    by_whole: FloatArray
    rimmed: FloatArray
    by_rimmed: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """The model's image at the voxels, shape (N,), and what its slopes are made of.

    `ripple` holds the slopes by the thread's two amplitudes, shape (N, 2).
    """

    shared: Shared
    where: _Where
    shapes: _Shapes
    ripple: FloatArray
    image: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """Model at the voxels, shape (N,), and its slopes.

    `by_field` are slopes by the local field values, in the order of `Local`; `by_shared` has shape (N, P).
    """

    image: FloatArray
    by_field: tuple[FloatArray, ...]
    by_shared: FloatArray


class HaloModel:
    """The image round one screw as a function of shared unknowns and local fields.

    Parameters
    ----------
    samples : Samples
        Voxels, in the frame of the screw.
    is_tip_side : ndarray of bool, shape (N,)
        Which layer level a voxel takes.
    rod : Rod
        Cross-section of the screw.
    base : Blur
        Blur the shared logarithms are relative to.
    section : Section
        How the screw lies in the slices.
    e1_deg : float
        Direction of the section's ``e1`` in the frame, degrees.
    length_mm, reach_mm : float
        Length of the shaft; largest radius modelled, mm.
    hardening : ndarray, shape (6, N)
        Beam-hardening shapes at the voxels.
    """

    def __init__(
        self,
        samples: Samples,
        is_tip_side: NDArray[np.bool_],
        rod: Rod,
        base: Blur,
        section: Section,
        e1_deg: float,
        length_mm: float,
        reach_mm: float,
        hardening: FloatArray,
    ) -> None:
        self.samples, self.rod, self.base = samples, rod, base
        self._is_tip = is_tip_side
        self._section, self._e1 = section, np.radians(e1_deg)
        self._reach = reach_mm
        self._t = 2.0 * samples.depth_mm / length_mm - 1.0
        self._outer = rod.outer_mm(samples.depth_mm)
        self._valley = rod.valley_mm(samples.depth_mm)
        self._in_shank = samples.depth_mm < rod.thread_start_mm
        self._hardening = hardening
        self._has_rims = True
        self._thread: _Thread | None = None
        turn = 2.0 * np.pi / rod.pitch_mm if np.isfinite(rod.pitch_mm) else 0.0
        once = np.exp(-1j * (turn * samples.depth_mm - self._e1)) * ~self._in_shank
        self._thread_turns = once, once**2

    def with_rims(self, has_rims: bool) -> HaloModel:  # noqa: FBT001
        """Return the model with or without rims; without them it is quicker."""
        other = copy.copy(self)
        other._has_rims = has_rims
        return other

    def with_thread_of(self, shared: Shared, local: Local) -> HaloModel:
        """Return the model whose thread ripples as at a state, whatever the blur and the metal become.

        Only its amplitude stays free: else blur and metal would hang on the thread's exact form.
        """
        other = copy.copy(self)
        where = self._where(shared, local)
        other._thread = self._thread_at(shared, where, self._tables_of(shared))
        return other

    def polar(self, shared: Shared) -> tuple[FloatArray, FloatArray]:
        """Return radius (mm) and angle (rad) of the voxels about the refined axis."""
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        x = self.samples.x_mm - (shared.x0_mm * low + shared.x1_mm * high)
        y = self.samples.y_mm - (shared.y0_mm * low + shared.y1_mm * high)
        return np.hypot(x, y), np.arctan2(y, x)

    def width_mm(self, local: Local) -> FloatArray:
        """Return the halo width at the voxels, shape (N,), mm."""
        return width_of(local.lucent_mm, self._valley)

    def _filled(self, local: Local) -> FloatArray:
        """Share of the thread valleys that holds the layer."""
        return np.minimum(local.lucent_mm / self._valley, 1.0)

    def render(self, shared: Shared, local: Local) -> Rendered:
        """Return the model image."""
        where = self._where(shared, local)
        shapes = self._shapes(shared, where)
        thread = self._thread or self._thread_at(shared, where, shapes.tables)
        wave, ripple = _wave(shared, *thread)
        return Rendered(shared, where, shapes, ripple, self._compose(shared, where, shapes) + wave)

    def linearise(self, seen: Rendered) -> Linearised:
        """Return the model image and its slopes by every unknown but the blur."""
        by_shared = self._shared_slopes(seen)
        by_shared[:, RIPPLE] = seen.ripple
        return Linearised(seen.image, self.field_slopes(seen), by_shared)

    def blur_slopes(self, seen: Rendered, chosen: Iterable[int] = range(len(_STEPS))) -> FloatArray:
        """Return the slopes of the image by the blur unknowns, shape (N, 7); those not chosen are 0."""
        here = self._compose(seen.shared, seen.where, seen.shapes)
        out = np.zeros((len(_STEPS), len(here)))
        for n in chosen:
            moved = seen.shared.vector()
            moved[BLUR.start + n] += _STEPS[n]
            there = Shared.from_vector(moved)
            out[n] = (self._compose(there, seen.where, self._shapes(there, seen.where)) - here) / _STEPS[n]
        return out.T

    def _where(self, shared: Shared, local: Local) -> _Where:
        radius, angle = self.polar(shared)
        radius = np.minimum(radius, self._reach)
        places = Places(radius, angle - self._e1, self._reach + _MORE_MM)
        width_mm = self.width_mm(local)
        halo_mm = self._outer + width_mm
        end_mm, cortex_mm, touch = ordered(
            halo_mm, local.cortex_mm, local.end_mm, self._reach + PAST_REACH_MM
        )
        edges_mm = [halo_mm, cortex_mm, end_mm]
        if self._has_rims:
            edges_mm.append(np.clip(halo_mm + self._by_side(shared, RIM_MM), halo_mm, end_mm))
        first_mm = _first_disc_mm(self.rod)
        edges = tuple(DiscPlaces(places, edge, first_mm, _DISC_STEP_MM) for edge in edges_mm)
        return _Where(angle, places, local, width_mm, edges, touch, np.maximum(radius - halo_mm, 0.0))

    def _shapes(self, shared: Shared, where: _Where) -> _Shapes:
        tables = self._tables_of(shared)
        metal, envelope = where.places.read(np.stack([_solid(tables, shared), tables.envelope]))
        shank = self._in_shank
        if shank.any():
            metal[shank] = envelope[shank] = where.places.read(tables.shank[None])[0, shank]
        hollow = self.rod.cannula_mm > 0
        lumen = where.places.read(tables.lumen[None])[0] if hollow else np.zeros_like(metal)
        discs = [part for edge in where.edges for part in edge.read(tables.discs)]
        rimmed = () if self._has_rims else discs[:2]
        lucent = self._filled(where.local) * (envelope - metal) + discs[0] - envelope + lumen
        return _Shapes(tables, metal, envelope, lumen, lucent, *discs, *rimmed)

    def _by_side(self, shared: Shared, which: slice) -> FloatArray:
        head, tip = shared.vector()[which]
        return np.asarray(np.where(self._is_tip, tip, head), dtype=np.float64)

    def _layer(self, shared: Shared) -> FloatArray:
        return self._by_side(shared, LAYER)

    def _compose(self, shared: Shared, where: _Where, shapes: _Shapes) -> FloatArray:
        local = where.local
        return np.asarray(
            local.bone_hu
            + (self._layer(shared) - local.bone_hu) * shapes.lucent
            + (shared.metal_hu - local.bone_hu) * (shapes.metal - shapes.lumen)
            + local.slope_hu_per_mm * where.beyond * (shapes.whole - shapes.disc)
            + local.rise_hu * (shapes.whole - shapes.inner)
            + (local.soft_hu - local.bone_hu) * (1.0 - shapes.whole)
            + self._by_side(shared, RIM_HU) * _rim_share(where.width_mm) * (shapes.rimmed - shapes.disc)
            + shared.vector()[HARDENING] @ self._hardening
        )

    def field_slopes(self, seen: Rendered) -> tuple[FloatArray, ...]:
        """Return the slopes by the local field values; edges that touch move together."""
        shared, local, beyond, shapes = seen.shared, seen.where.local, seen.where.beyond, seen.shapes
        width_mm = seen.where.width_mm
        touch = seen.where.touch
        is_thin = local.lucent_mm < self._valley
        valleys = np.where(is_thin, (shapes.envelope - shapes.metal) / self._valley, 0.0)
        slope, behind = local.slope_hu_per_mm, shapes.whole - shapes.disc
        by_dense = -local.rise_hu * shapes.by_inner
        by_end = (local.rise_hu + slope * beyond + local.bone_hu - local.soft_hu) * shapes.by_whole
        contrast_hu = self._layer(shared) - local.bone_hu
        by_width = contrast_hu * shapes.by_disc
        by_width -= slope * ((beyond > 0) * behind + beyond * shapes.by_disc)
        rim_hu, share = self._by_side(shared, RIM_HU), _rim_share(width_mm)
        grows = (width_mm > 0.0) & (width_mm < RIM_FROM_MM)
        by_width += rim_hu * share * (shapes.by_rimmed - shapes.by_disc)
        by_width += rim_hu * grows / RIM_FROM_MM * (shapes.rimmed - shapes.disc)
        by_width += by_dense * touch.dense_by_halo + by_end * touch.end_by_halo
        return (
            by_width * widening(local.lucent_mm, self._valley) + contrast_hu * valleys,
            by_dense * touch.dense_by_dense,
            by_end * touch.end_by_end + by_dense * touch.dense_by_end,
            shapes.whole - shapes.lucent - (shapes.metal - shapes.lumen),
            beyond * behind,
            shapes.whole - shapes.inner,
            1.0 - shapes.whole,
        )

    def _shared_slopes(self, seen: Rendered) -> FloatArray:
        """Return the slopes by the shared unknowns, blur and ripple left zero, shape (N, P)."""
        shared, local, angle, shapes = seen.shared, seen.where.local, seen.where.angle, seen.shapes
        by_metal = (shared.metal_hu - local.bone_hu) - self._filled(local) * (
            self._layer(shared) - local.bone_hu
        )
        tables = shapes.tables
        outward = np.gradient(_solid(tables, shared), 0.05, axis=1)
        radial, ramp, crest = seen.where.places.read(np.stack([outward, tables.ramp, tables.crest]))
        radial *= by_metal
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        threaded = by_metal * ~self._in_shank
        share = _rim_share(seen.where.width_mm)
        by_rim = (
            share * (shapes.rimmed - shapes.disc),
            share * self._by_side(shared, RIM_HU) * shapes.by_rimmed,
        )
        out = np.zeros((N_SHARED, len(angle)))
        out[0], out[1] = -radial * np.cos(angle) * low, -radial * np.sin(angle) * low
        out[2], out[3] = -radial * np.cos(angle) * high, -radial * np.sin(angle) * high
        out[METAL] = shapes.metal - shapes.lumen
        out[RAMP], out[CREST] = threaded * ramp, threaded * crest
        out[HARDENING] = self._hardening
        for side, is_here in enumerate((~self._is_tip, self._is_tip)):
            out[LAYER.start + side] = shapes.lucent * is_here
            out[RIM_HU.start + side] = by_rim[0] * is_here
            out[RIM_MM.start + side] = by_rim[1] * is_here
        return out.T

    def _tables_of(self, shared: Shared) -> _Tables:
        return _tables(self.rod, blur_of(self.base, shared), self._section, self._reach)

    def _thread_at(self, shared: Shared, where: _Where, tables: _Tables) -> _Thread:
        """Return the first and second harmonic of the thread's ripple at unit amplitude, HU."""
        helices = _helices(tables.response, self.rod, shared.ramp, shared.crest)
        if not helices:
            return (np.zeros(len(where.angle), np.complex128),) * 2
        height = shared.metal_hu - where.local.bone_hu
        first, second = (
            where.places.read_helix(*helix) * turn * height
            for helix, turn in zip(helices, self._thread_turns, strict=True)
        )
        return first, second


def _wave(
    shared: Shared, first: NDArray[np.complex128], second: NDArray[np.complex128]
) -> tuple[FloatArray, FloatArray]:
    """Return the thread's ripple, shape (N,), and its slopes by its two amplitudes, shape (N, 2)."""
    amplitude = complex(shared.ripple_cos, -shared.ripple_sin)
    size = max(abs(amplitude), 1e-6)
    wave = (amplitude * first).real + (amplitude**2 / size * second).real
    return wave, np.stack([first.real, first.imag], axis=1)


def _solid(tables: _Tables, shared: Shared) -> FloatArray:
    return tables.root + shared.ramp * tables.ramp + shared.crest * tables.crest


def _rim_share(width_mm: FloatArray) -> FloatArray:
    """How much of a rim a halo of this width can have."""
    return np.clip(width_mm / RIM_FROM_MM, 0.0, 1.0)
