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

    G = s(w) (D_R - T) + D - D_R,  s(w) = w / VALLEY_MM between 0 and 1
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur, RodResponse, Section, look_up, look_up_discs, look_up_helix
from ongrowth.halo.samples import Samples
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

RIM_FROM_MM = 0.3  # a halo thinner than this has no rim of its own
PAST_REACH_MM = 1.0  # edges farther out do not show
VALLEY_MM = 0.1  # halo width at which the thread valleys are taken to be emptied of bone
_DISC_STEP_MM = 0.08
_N_M = 6
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

    def outer_mm(self, depth_mm: FloatArray) -> FloatArray:
        """Radius of the envelope at depths, mm."""
        if np.isnan(self.shank_mm):
            return np.full(np.shape(depth_mm), self.envelope_mm)
        return np.where(depth_mm < self.thread_start_mm, self.shank_mm, self.envelope_mm)


@dataclass(frozen=True, slots=True)
class Shared:
    """Unknowns of the whole screw, in the order of the parameter vector.

    Axis offsets at the two ends (mm), metal level (HU), metal share of thread ramp and crest,
    blur (natural logarithms of f0, p and slice width; overshoot b, lift c), layer levels of the two sides
    (HU), ripple amplitudes (HU per unit response), hardening amplitudes, rims of the two sides (HU above
    the bone, and mm).
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
    head_layer_hu: float = 70.0
    tip_layer_hu: float = 70.0
    ripple_cos: float = 0.0
    ripple_sin: float = 0.0
    hardening_2: float = 0.0
    hardening_3: float = 0.0
    head_rim_hu: float = 0.0
    tip_rim_hu: float = 0.0
    head_rim_mm: float = 0.5
    tip_rim_mm: float = 0.5

    def vector(self) -> FloatArray:
        """Return the parameters as a vector."""
        return np.array([getattr(self, name) for name in self.__slots__])

    @classmethod
    def from_vector(cls, values: FloatArray) -> Shared:
        """Return the parameters of a vector."""
        return cls(*(float(v) for v in values))


SHARED_NAMES = Shared.__slots__
N_SHARED = len(SHARED_NAMES)
CENTRE = slice(0, 4)
METAL, RAMP, CREST = 4, 5, 6
BLUR = slice(7, 12)
LAYER = slice(12, 14)
RIPPLE = slice(14, 16)
HARDENING = slice(16, 18)
RIM_HU = slice(18, 20)
RIM_MM = slice(20, 22)


def blur_of(base: Blur, shared: Shared) -> Blur:
    """Return the blur that the parameters describe, relative to a base."""
    return Blur(
        base.f0_per_mm * float(np.exp(shared.log_f0)),
        base.p * float(np.exp(shared.log_p)),
        shared.overshoot,
        base.box_mm * float(np.exp(shared.log_slice)),
        base.second_box_mm * float(np.exp(shared.log_slice)),
        shared.lift,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    root: FloatArray
    ramp: FloatArray
    crest: FloatArray
    lumen: FloatArray
    shank: FloatArray
    response: RodResponse
    envelope: FloatArray
    discs: FloatArray
    first_mm: float


def _tables(rod: Rod, blur: Blur, section: Section, reach_mm: float) -> _Tables:
    response = RodResponse(blur, section, reach_mm + 0.5)
    shells = np.linspace(rod.root_mm, rod.envelope_mm, 9)
    blurred = response.discs(shells)
    middle = response.discs(0.5 * (shells[1:] + shells[:-1]))
    shank = rod.shank_mm if np.isfinite(rod.shank_mm) else rod.envelope_mm
    first = min(rod.envelope_mm, shank) - 0.6
    discs = response.discs(np.arange(first, reach_mm + PAST_REACH_MM + 2.0 * _DISC_STEP_MM, _DISC_STEP_MM))
    n = _telling(blurred, _METAL_TOLERANCE)
    return _Tables(
        root=blurred[0, :n],
        ramp=(middle.mean(axis=0) - blurred[0])[:n],  # metal share falls evenly from root to crest
        crest=(blurred[-1] - blurred[0])[:n],
        lumen=(response.discs(rod.cannula_mm)[0] if rod.cannula_mm > 0 else np.zeros_like(blurred[0]))[:n],
        shank=response.discs(shank)[0, :n],
        response=response,
        envelope=blurred[-1, :n],
        discs=discs[:, : _telling(discs, _TISSUE_TOLERANCE)],
        first_mm=first,
    )


def _telling(tables: FloatArray, tolerance: float) -> int:
    """Return how many harmonics are worth reading: beyond them none reaches the tolerance."""
    sizes = np.abs(tables).max(axis=(0, 2))
    return int(np.flatnonzero(sizes > tolerance).max(initial=0)) + 1


Helix = tuple[NDArray[np.int_], NDArray[np.complex128]]


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
class _Shapes:
    """Blurred shapes at the voxels.

    Solid metal, full envelope, lumen; discs of the halo, up to dense bone,
    up to the end of bone, round the rim.
    """

    tables: _Tables
    metal: FloatArray
    envelope: FloatArray
    lumen: FloatArray
    disc: FloatArray
    by_disc: FloatArray
    inner: FloatArray
    by_inner: FloatArray
    whole: FloatArray
    by_whole: FloatArray
    rimmed: FloatArray
    by_rimmed: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Voxels about the refined axis: radius (mm), angle (rad), and ``cos(2 m psi)`` from ``e1``."""

    radius: FloatArray
    angle: FloatArray
    cosines: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Linearised:
    """Model at the voxels, shape (N,), and its slopes.

    `by_field` are slopes by the local field values, in the order of `Local`; `by_shared` has shape (N, P).
    """

    image: FloatArray
    by_field: tuple[FloatArray, ...]
    by_shared: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """Field values at the voxels, shape (N,).

    Width (mm), radius where dense bone begins (mm), radius where bone ends (mm), bone level at the
    halo (HU), its slope outward (HU/mm), rise of dense bone above the bone level (HU), level of what
    lies beyond the bone (HU).
    """

    width_mm: FloatArray
    cortex_mm: FloatArray
    end_mm: FloatArray
    bone_hu: FloatArray
    slope_hu_per_mm: FloatArray
    rise_hu: FloatArray
    soft_hu: FloatArray


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
        How the screw lies in the slices; ``e1_deg`` its direction in the frame, degrees.
    hardening : ndarray, shape (2, N)
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
        self._in_shank = samples.depth_mm < rod.thread_start_mm
        self._hardening = hardening
        self._has_rims = True
        turn = 2.0 * np.pi / rod.pitch_mm if np.isfinite(rod.pitch_mm) else 0.0
        self._thread_turn = np.exp(-1j * (turn * samples.depth_mm - self._e1)) * ~self._in_shank

    def with_rims(self, has_rims: bool) -> HaloModel:  # noqa: FBT001
        """Return the model with or without rims; without them it is quicker."""
        other = copy.copy(self)
        other._has_rims = has_rims
        return other

    def polar(self, shared: Shared) -> tuple[FloatArray, FloatArray]:
        """Return radius (mm) and angle (rad) of the voxels about the refined axis."""
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        x = self.samples.x_mm - (shared.x0_mm * low + shared.x1_mm * high)
        y = self.samples.y_mm - (shared.y0_mm * low + shared.y1_mm * high)
        return np.hypot(x, y), np.arctan2(y, x)

    def linearise(self, shared: Shared, local: Local) -> Linearised:
        """Return the model image and its slopes by every unknown but the blur."""
        at = self._places(shared)
        shapes = self._shapes(shared, local, at)
        wave, by_cos, by_sin = self._wave(shared, local, shapes.tables, at)
        lucent, beyond = self._lucent(local, shapes), self._beyond(local, at)
        image = self._compose(shared, local, shapes, lucent, beyond) + wave
        by_shared = self._shared_slopes(shared, local, shapes, lucent, at)
        by_shared[:, RIPPLE] = np.stack([by_cos, by_sin], axis=1)
        by_field = self._field_slopes(shared, local, shapes, lucent, beyond)
        return Linearised(image, by_field, by_shared)

    def blur_slopes(self, shared: Shared, local: Local) -> FloatArray:
        """Return the slopes of the image by the blur unknowns, shape (N, 5).

        The thread's ripple is left out: it would tie the slice profile to the thread's exact form.
        """
        at = self._places(shared)
        here = self._plain(shared, local, at)
        out = np.empty((len(here), BLUR.stop - BLUR.start))
        for n, step in enumerate((0.01, 0.01, 0.02, 0.01, 0.02)):
            moved = shared.vector()
            moved[BLUR.start + n] += step
            out[:, n] = (self._plain(Shared.from_vector(moved), local, at) - here) / step
        return out

    def _plain(self, shared: Shared, local: Local, at: _Places) -> FloatArray:
        shapes = self._shapes(shared, local, at)
        return self._compose(shared, local, shapes, self._lucent(local, shapes), self._beyond(local, at))

    def _places(self, shared: Shared) -> _Places:
        radius, angle = self.polar(shared)
        psi = 2.0 * (angle - self._e1)
        return _Places(np.minimum(radius, self._reach), angle, np.cos(np.arange(_N_M)[:, None] * psi))

    def _shapes(self, shared: Shared, local: Local, at: _Places) -> _Shapes:
        tables = _tables(self.rod, blur_of(self.base, shared), self._section, self._reach)
        metal = look_up(_solid(tables, shared), at.radius, at.cosines)
        envelope = look_up(tables.envelope, at.radius, at.cosines)
        shank = self._in_shank
        if shank.any():
            metal[shank] = envelope[shank] = look_up(tables.shank, at.radius[shank], at.cosines[:, shank])
        halo_mm = self._outer + local.width_mm
        end_mm = np.clip(local.end_mm, halo_mm, self._reach + PAST_REACH_MM)
        dense_mm = np.clip(local.cortex_mm, halo_mm, end_mm)
        hollow = self.rod.cannula_mm > 0
        lumen = look_up(tables.lumen, at.radius, at.cosines) if hollow else np.zeros_like(at.radius)
        discs = [part for edge in (halo_mm, dense_mm, end_mm) for part in self._disc(tables, edge, at)]
        rimmed = tuple(discs[:2])
        if self._has_rims:
            rim_mm = np.clip(halo_mm + self._by_side(shared, RIM_MM), halo_mm, end_mm)
            rimmed = self._disc(tables, rim_mm, at)
        return _Shapes(tables, metal, envelope, lumen, *discs, *rimmed)

    def _disc(self, tables: _Tables, disc_mm: FloatArray, at: _Places) -> tuple[FloatArray, FloatArray]:
        return look_up_discs(tables.discs, tables.first_mm, _DISC_STEP_MM, disc_mm, at.radius, at.cosines)

    def _lucent(self, local: Local, shapes: _Shapes) -> FloatArray:
        valleys = shapes.envelope - shapes.metal
        return _filled(local) * valleys + shapes.disc - shapes.envelope + shapes.lumen

    def _beyond(self, local: Local, at: _Places) -> FloatArray:
        return np.maximum(at.radius - self._outer - local.width_mm, 0.0)

    def _by_side(self, shared: Shared, which: slice) -> FloatArray:
        head, tip = shared.vector()[which]
        return np.asarray(np.where(self._is_tip, tip, head), dtype=np.float64)

    def _layer(self, shared: Shared) -> FloatArray:
        return self._by_side(shared, LAYER)

    def _compose(
        self, shared: Shared, local: Local, shapes: _Shapes, lucent: FloatArray, beyond: FloatArray
    ) -> FloatArray:
        return np.asarray(
            local.bone_hu
            + (self._layer(shared) - local.bone_hu) * lucent
            + (shared.metal_hu - local.bone_hu) * (shapes.metal - shapes.lumen)
            + local.slope_hu_per_mm * beyond * (shapes.whole - shapes.disc)
            + local.rise_hu * (shapes.whole - shapes.inner)
            + (local.soft_hu - local.bone_hu) * (1.0 - shapes.whole)
            + self._by_side(shared, RIM_HU) * _rim_share(local) * (shapes.rimmed - shapes.disc)
            + shared.hardening_2 * self._hardening[0]
            + shared.hardening_3 * self._hardening[1]
        )

    def _field_slopes(
        self, shared: Shared, local: Local, shapes: _Shapes, lucent: FloatArray, beyond: FloatArray
    ) -> tuple[FloatArray, ...]:
        """Return the slopes by the local field values; edges that touch move together."""
        halo_mm = self._outer + local.width_mm
        is_bare = local.end_mm <= halo_mm  # the halo has eaten the bone up
        no_spongy = (local.cortex_mm <= halo_mm) | is_bare
        all_spongy = (local.cortex_mm >= local.end_mm) & ~is_bare
        is_thin = (local.width_mm < VALLEY_MM) & (local.width_mm > 0.0)
        valleys = np.where(is_thin, (shapes.envelope - shapes.metal) / VALLEY_MM, 0.0)
        slope, behind = local.slope_hu_per_mm, shapes.whole - shapes.disc
        by_dense = -local.rise_hu * shapes.by_inner
        by_end = (local.rise_hu + slope * beyond + local.bone_hu - local.soft_hu) * shapes.by_whole
        by_width = (self._layer(shared) - local.bone_hu) * (shapes.by_disc + valleys)
        by_width -= slope * ((beyond > 0) * behind + beyond * shapes.by_disc)
        rim_hu, share = self._by_side(shared, RIM_HU), _rim_share(local)
        grows = (local.width_mm > 0.0) & (local.width_mm < RIM_FROM_MM)
        by_width += rim_hu * share * (shapes.by_rimmed - shapes.by_disc)
        by_width += rim_hu * grows / RIM_FROM_MM * (shapes.rimmed - shapes.disc)
        return (
            by_width + by_dense * no_spongy + by_end * is_bare,
            by_dense * ~(no_spongy | all_spongy),
            (by_end + by_dense * all_spongy) * ~is_bare,
            shapes.whole - lucent - (shapes.metal - shapes.lumen),
            beyond * behind,
            shapes.whole - shapes.inner,
            1.0 - shapes.whole,
        )

    def _shared_slopes(
        self, shared: Shared, local: Local, shapes: _Shapes, lucent: FloatArray, at: _Places
    ) -> FloatArray:
        """Return the slopes by the shared unknowns, blur and ripple left zero, shape (N, P)."""
        contrast = self._layer(shared) - local.bone_hu
        by_metal = (shared.metal_hu - local.bone_hu) - _filled(local) * contrast
        radial = (
            look_up(np.gradient(_solid(shapes.tables, shared), 0.05, axis=1), at.radius, at.cosines)
            * by_metal
        )
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        threaded = by_metal * ~self._in_shank
        out = np.zeros((len(at.radius), N_SHARED))
        out[:, 0] = -radial * np.cos(at.angle) * low
        out[:, 1] = -radial * np.sin(at.angle) * low
        out[:, 2] = -radial * np.cos(at.angle) * high
        out[:, 3] = -radial * np.sin(at.angle) * high
        out[:, METAL] = shapes.metal - shapes.lumen
        out[:, RAMP] = threaded * look_up(shapes.tables.ramp, at.radius, at.cosines)
        out[:, CREST] = threaded * look_up(shapes.tables.crest, at.radius, at.cosines)
        out[:, LAYER.start] = lucent * ~self._is_tip
        out[:, LAYER.start + 1] = lucent * self._is_tip
        out[:, HARDENING] = self._hardening.T
        sides = np.stack([~self._is_tip, self._is_tip], axis=1)
        share = _rim_share(local)
        out[:, RIM_HU] = sides * (share * (shapes.rimmed - shapes.disc))[:, None]
        out[:, RIM_MM] = sides * (share * self._by_side(shared, RIM_HU) * shapes.by_rimmed)[:, None]
        return out

    def _wave(
        self, shared: Shared, local: Local, tables: _Tables, at: _Places
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the thread's ripple and its slopes by its two amplitudes."""
        helices = _helices(tables.response, self.rod, shared.ramp, shared.crest)
        if not helices:
            zero = np.zeros_like(at.radius)
            return zero, zero, zero
        height = shared.metal_hu - local.bone_hu
        turn = np.exp(1j * (at.angle - self._e1))
        first, second = (
            look_up_helix(*helix, at.radius, turn) * self._thread_turn ** (n + 1) * height
            for n, helix in enumerate(helices)
        )
        amplitude = complex(shared.ripple_cos, -shared.ripple_sin)
        size = max(abs(amplitude), 1e-6)
        wave = (amplitude * first).real + (amplitude**2 / size * second).real
        return wave, first.real, first.imag


def _solid(tables: _Tables, shared: Shared) -> FloatArray:
    return tables.root + shared.ramp * tables.ramp + shared.crest * tables.crest


def _filled(local: Local) -> FloatArray:
    """Share of the thread valleys that holds the layer."""
    return np.clip(local.width_mm / VALLEY_MM, 0.0, 1.0)


def _rim_share(local: Local) -> FloatArray:
    """How much of a rim a halo of this width can have."""
    return np.clip(local.width_mm / RIM_FROM_MM, 0.0, 1.0)
