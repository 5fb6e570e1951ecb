"""Metal, lucent layer and bone round a threaded rod, seen through the blur of the scan.

At a voxel the model is

    I = B + (L - B) G + (M - B) T + S (r - R - w)+ (1 - D) + C (1 - D_c) + hardening + ripple

with bone level B and slope S, a rise C where dense bone begins (D_c: the disc up to there, never
smaller than the halo), layer level L, metal level M; T the blurred metal (root, thread ramp,
crest), D the blurred disc of radius R + w, and G the blurred lucent part. Where there is no halo the
thread valleys hold bone; from `VALLEY_MM` of halo on they hold the layer too:

    G = s(w) (D_R - T) + D - D_R,  s(w) = w / VALLEY_MM between 0 and 1
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.edge import Blur, RodResponse, Section, look_up, look_up_discs, look_up_helix
from ongrowth.halo.samples import Samples
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

VALLEY_MM = 0.1  # halo width at which the thread valleys are taken to be emptied of bone
_DISC_STEP_MM = 0.08
_N_M = 6


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
    blur (natural logarithms of f0, p and slice width; overshoot b), layer levels of the two sides
    (HU), ripple amplitudes (HU per unit response), hardening amplitudes.
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
    head_layer_hu: float = 70.0
    tip_layer_hu: float = 70.0
    ripple_cos: float = 0.0
    ripple_sin: float = 0.0
    hardening_2: float = 0.0
    hardening_3: float = 0.0

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
BLUR = slice(7, 11)
LAYER = slice(11, 13)
RIPPLE = slice(13, 15)
HARDENING = slice(15, 17)


def blur_of(base: Blur, shared: Shared) -> Blur:
    """Return the blur that the parameters describe, relative to a base."""
    return Blur(
        base.f0_per_mm * float(np.exp(shared.log_f0)),
        base.p * float(np.exp(shared.log_p)),
        shared.overshoot,
        base.box_mm * float(np.exp(shared.log_slice)),
        base.second_box_mm * float(np.exp(shared.log_slice)),
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
    envelope_shank: FloatArray
    discs: FloatArray
    first_mm: float


def _tables(rod: Rod, blur: Blur, section: Section, reach_mm: float) -> _Tables:
    response = RodResponse(blur, section, reach_mm + 0.5)
    shells = np.linspace(rod.root_mm, rod.envelope_mm, 9)
    blurred = response.discs(shells)
    middle = response.discs(0.5 * (shells[1:] + shells[:-1]))
    shank = rod.shank_mm if np.isfinite(rod.shank_mm) else rod.envelope_mm
    first = min(rod.envelope_mm, shank) - 0.6
    discs = response.discs(np.arange(first, reach_mm + 2.0 * _DISC_STEP_MM, _DISC_STEP_MM))
    return _Tables(
        root=blurred[0],
        ramp=middle.mean(axis=0) - blurred[0],  # metal share falls evenly from root to crest
        crest=blurred[-1] - blurred[0],
        lumen=response.discs(rod.cannula_mm)[0] if rod.cannula_mm > 0 else np.zeros_like(blurred[0]),
        shank=response.discs(shank)[0],
        response=response,
        envelope=blurred[-1],
        envelope_shank=response.discs(shank)[0],
        discs=discs,
        first_mm=first,
    )


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
class Linearised:
    """Model and slopes at the voxels, shape (N,) each unless said.

    `by_width`, `by_bone`, `by_slope`, `by_cortex`, `by_rise` are slopes by the local field values; `by_shared` has shape
    (N, P). `lucent` is the lucent share, `disc` the blurred disc of radius R + w, `metal_slope`
    the radial slope of the metal's image, HU per mm.
    """

    image: FloatArray
    by_width: FloatArray
    by_bone: FloatArray
    by_slope: FloatArray
    by_cortex: FloatArray
    by_rise: FloatArray
    by_shared: FloatArray
    lucent: FloatArray
    disc: FloatArray
    metal_slope: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """Field values at the voxels, shape (N,).

    Width (mm), bone level at the halo (HU), its slope outward (HU/mm), radius where dense bone
    begins (mm) and its rise above the bone level (HU).
    """

    width_mm: FloatArray
    bone_hu: FloatArray
    slope_hu_per_mm: FloatArray
    cortex_mm: FloatArray
    rise_hu: FloatArray


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
        turn = 2.0 * np.pi / rod.pitch_mm if np.isfinite(rod.pitch_mm) else 0.0
        self._thread_turn = np.exp(-1j * (turn * samples.depth_mm - self._e1)) * ~self._in_shank

    def polar(self, shared: Shared) -> tuple[FloatArray, FloatArray]:
        """Return radius (mm) and angle (rad) of the voxels about the refined axis."""
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        x = self.samples.x_mm - (shared.x0_mm * low + shared.x1_mm * high)
        y = self.samples.y_mm - (shared.y0_mm * low + shared.y1_mm * high)
        return np.hypot(x, y), np.arctan2(y, x)

    def linearise(self, shared: Shared, local: Local) -> Linearised:
        """Return the model image and its slopes by every unknown but the blur."""
        radius, angle, cosines = self._places(shared)
        return self._evaluate(shared, local, radius, angle, cosines)

    def blur_slopes(self, shared: Shared, local: Local) -> FloatArray:
        """Return the slopes of the image by the four blur unknowns, shape (N, 4).

        The thread's ripple is left out: it would tie the slice profile to the thread's exact form.
        """
        radius, angle, cosines = self._places(shared)
        still = np.zeros_like(radius)
        here = self._plain(shared, local, radius, angle, cosines, still)
        out = np.empty((len(radius), BLUR.stop - BLUR.start))
        for n, step in enumerate((0.01, 0.01, 0.02, 0.01)):
            moved = shared.vector()
            moved[BLUR.start + n] += step
            out[:, n] = (
                self._plain(Shared.from_vector(moved), local, radius, angle, cosines, still) - here
            ) / step
        return out

    def _places(self, shared: Shared) -> tuple[FloatArray, FloatArray, FloatArray]:
        radius, angle = self.polar(shared)
        psi = 2.0 * (angle - self._e1)
        return np.minimum(radius, self._reach), angle, np.cos(np.arange(_N_M)[:, None] * psi)

    def _parts(
        self, shared: Shared, local: Local, radius: FloatArray, cosines: FloatArray
    ) -> tuple[_Tables, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        tables = _tables(self.rod, blur_of(self.base, shared), self._section, self._reach)
        solid = tables.root + shared.ramp * tables.ramp + shared.crest * tables.crest
        metal = look_up(solid, radius, cosines)
        envelope = look_up(tables.envelope, radius, cosines)
        if self._in_shank.any():
            in_shank = self._in_shank
            metal[in_shank] = look_up(tables.shank, radius[in_shank], cosines[:, in_shank])
            envelope[in_shank] = metal[in_shank]
        disc, by_disc = look_up_discs(
            tables.discs, tables.first_mm, _DISC_STEP_MM, self._outer + local.width_mm, radius, cosines
        )
        inner, by_inner = look_up_discs(
            tables.discs,
            tables.first_mm,
            _DISC_STEP_MM,
            np.minimum(np.maximum(local.cortex_mm, self._outer + local.width_mm), self._reach + 0.1),
            radius,
            cosines,
        )
        return tables, metal, envelope, disc, by_disc, inner, by_inner

    def _compose(
        self,
        shared: Shared,
        local: Local,
        radius: FloatArray,
        angle: FloatArray,
        metal: FloatArray,
        envelope: FloatArray,
        disc: FloatArray,
        lumen: FloatArray,
        wave: FloatArray,
        inner: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        layer = np.where(self._is_tip, shared.tip_layer_hu, shared.head_layer_hu)
        filled = np.clip(local.width_mm / VALLEY_MM, 0.0, 1.0)
        lucent = filled * (envelope - metal) + disc - envelope + lumen
        beyond = np.maximum(radius - self._outer - local.width_mm, 0.0) * (1.0 - disc)
        image = (
            local.bone_hu
            + (layer - local.bone_hu) * lucent
            + (shared.metal_hu - local.bone_hu) * (metal - lumen)
            + local.slope_hu_per_mm * beyond
            + local.rise_hu * (1.0 - inner)
            + wave
            + shared.hardening_2 * self._hardening[0]
            + shared.hardening_3 * self._hardening[1]
        )
        return image, lucent, beyond, layer

    def _wave(
        self, shared: Shared, local: Local, tables: _Tables, radius: FloatArray, angle: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the thread's ripple and its slopes by its two amplitudes."""
        helices = _helices(tables.response, self.rod, shared.ramp, shared.crest)
        if not helices:
            return np.zeros_like(radius), np.zeros_like(radius), np.zeros_like(radius)
        height = shared.metal_hu - local.bone_hu
        turn = np.exp(1j * (angle - self._e1))
        first, second = (
            look_up_helix(*helix, radius, turn) * self._thread_turn ** (n + 1) * height
            for n, helix in enumerate(helices)
        )
        amplitude = complex(shared.ripple_cos, -shared.ripple_sin)
        size = max(abs(amplitude), 1e-6)
        wave = (amplitude * first).real + (amplitude**2 / size * second).real
        return wave, first.real, first.imag

    def _plain(
        self,
        shared: Shared,
        local: Local,
        radius: FloatArray,
        angle: FloatArray,
        cosines: FloatArray,
        wave: FloatArray,
    ) -> FloatArray:
        tables, metal, envelope, disc, _, inner, _ = self._parts(shared, local, radius, cosines)
        lumen = look_up(tables.lumen, radius, cosines) if self.rod.cannula_mm > 0 else np.zeros_like(radius)
        return self._compose(shared, local, radius, angle, metal, envelope, disc, lumen, wave, inner)[0]

    def _evaluate(
        self, shared: Shared, local: Local, radius: FloatArray, angle: FloatArray, cosines: FloatArray
    ) -> Linearised:
        tables, metal, envelope, disc, by_disc, inner, by_inner = self._parts(shared, local, radius, cosines)
        lumen = look_up(tables.lumen, radius, cosines) if self.rod.cannula_mm > 0 else np.zeros_like(radius)
        wave, by_cos, by_sin = self._wave(shared, local, tables, radius, angle)
        image, lucent, beyond, layer = self._compose(
            shared, local, radius, angle, metal, envelope, disc, lumen, wave, inner
        )
        contrast = layer - local.bone_hu
        is_thin = (local.width_mm < VALLEY_MM) & (local.width_mm > 0.0)
        filled = np.clip(local.width_mm / VALLEY_MM, 0.0, 1.0)
        by_width = contrast * (by_disc + np.where(is_thin, (envelope - metal) / VALLEY_MM, 0.0))
        by_width -= local.slope_hu_per_mm * (beyond > 0) * (1.0 - disc)
        touches = local.cortex_mm <= self._outer + local.width_mm
        by_width -= local.rise_hu * by_inner * touches
        by_cortex = -local.rise_hu * by_inner * ~touches
        by_metal_share = (shared.metal_hu - local.bone_hu) - filled * contrast
        solid = tables.root + shared.ramp * tables.ramp + shared.crest * tables.crest
        slope_table = np.gradient(solid, 0.05, axis=1)
        metal_slope = look_up(slope_table, radius, cosines) * by_metal_share
        low, high = 0.5 * (1.0 - self._t), 0.5 * (1.0 + self._t)
        by_shared = np.zeros((len(radius), N_SHARED))
        by_shared[:, 0] = -metal_slope * np.cos(angle) * low
        by_shared[:, 1] = -metal_slope * np.sin(angle) * low
        by_shared[:, 2] = -metal_slope * np.cos(angle) * high
        by_shared[:, 3] = -metal_slope * np.sin(angle) * high
        by_shared[:, METAL] = metal - lumen
        by_shared[:, RAMP] = by_metal_share * look_up(tables.ramp, radius, cosines) * ~self._in_shank
        by_shared[:, CREST] = by_metal_share * look_up(tables.crest, radius, cosines) * ~self._in_shank
        by_shared[:, LAYER.start] = lucent * ~self._is_tip
        by_shared[:, LAYER.start + 1] = lucent * self._is_tip
        by_shared[:, RIPPLE.start] = by_cos
        by_shared[:, RIPPLE.start + 1] = by_sin
        by_shared[:, HARDENING] = self._hardening.T
        by_bone = 1.0 - lucent - (metal - lumen)
        return Linearised(
            image, by_width, by_bone, beyond, by_cortex, 1.0 - inner, by_shared, lucent, disc, metal_slope
        )
