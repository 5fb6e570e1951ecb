"""The cases of the grid: one phantom and one way to scan it, drawn by number."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from ongrowth_phantoms.kernels import families_of

Rng = np.random.Generator
Draws = dict[str, Any]

# For tuning; an earlier test half whose results have had a say since; kept for reports.
# Each with the word that starts its seeds.
HALVES = {"tuning": "tuning", "seen": "test", "test": "kept for reports"}
THICK_MM = 1.25  # up to here a scan counts as thin
_SHARPNESS = ("soft", "medium", "bone", "edge")
_WIDTH_CLASSES_MM = ((0.0, 0.0), (0.0, 0.5), (0.5, 1.0), (1.0, 2.6))
_SHAPES = ("even", "crescent", "conical-head", "conical-tip", "one-sided", "patchy")


@dataclass(frozen=True, slots=True)
class Case:
    """One case of the grid; all of it fits one line of a table.

    Parameters
    ----------
    id, plan, half : str
        Name; the plan that drew it; one of `HALVES`.
    scanner : str
        "fast" (no artefact) or "full" (polychromatic).
    seed, repeat : int
        Fix anatomy and noise; `repeat` above 0 is the same anatomy in another position and noise.
    shape : str
        Of the halo: "none", "even", "crescent", "conical-head", "conical-tip", "one-sided" or "patchy".
    head_mean_mm, tip_mean_mm : float
        Mean halo width aimed at on the two sides.
    toward_deg : float
        Where a crescent is widest.
    layer_hu, rim_mm : float
        CT number of the layer; thickness of a dense rim (0: none).
    is_child, bone_hu, texture_hu
        Anatomy: size; mean and SD of the spongy bone.
    material, major_mm, root_mm, pitch_mm, coating_mm, cannula_mm
        The screw.
    is_told : bool
        Whether its sizes are told to the estimator.
    beside : str
        Other metal: "", or "rods".
    sharpness, kernel : str
        Class of the kernel ("soft", "medium", "bone", "edge"); its name, or "" for the three numbers:
    fwhm_mm, edge, power : float
        In-plane blur of a kernel without a name, see `FastProtocol`.
    pixel_mm, slice_mm, slice_fwhm_mm : float
        Grid; width of the slice profile at half height.
    kvp, dose_mgy, noise_hu : float
        Beam and dose of the full scanner; noise of the fast one.
    is_white : bool
        Whether that noise is white, instead of a reconstruction's.
    clip_hu : float or None
        Ceiling; None: extended scale.
    pose : str
        How slices lie to the screw: "usual", "prone", "tilted gantry", "oblique", "across", "in plane".
    smoothing : int
        Above 0: non-linear reconstruction of that strength (full scanner).
    """

    id: str
    plan: str
    half: str
    scanner: str
    seed: int
    repeat: int = 0
    shape: str = "none"
    head_mean_mm: float = 0.0
    tip_mean_mm: float = 0.0
    toward_deg: float = 0.0
    layer_hu: float = 70.0
    rim_mm: float = 0.0
    is_child: bool = False
    bone_hu: float = 300.0
    texture_hu: float = 110.0
    material: str = "titanium"
    major_mm: float = 4.0
    root_mm: float = 3.0
    pitch_mm: float = 1.5
    coating_mm: float = 0.0
    cannula_mm: float = 0.0
    is_told: bool = True
    beside: str = ""
    sharpness: str = "bone"
    kernel: str = ""
    fwhm_mm: float = 0.7
    edge: float = 0.0
    power: float = 2.0
    pixel_mm: float = 0.35
    slice_mm: float = 0.6
    slice_fwhm_mm: float = 0.9
    kvp: float = 120.0
    dose_mgy: float = 10.0
    noise_hu: float = 40.0
    is_white: bool = False
    clip_hu: float | None = 3071.0
    pose: str = "usual"
    smoothing: int = 0

    @property
    def is_thin(self) -> bool:
        """Whether the slices are thin enough to measure widths by the goals set for them."""
        return self.slice_mm <= THICK_MM

    @property
    def is_noisy(self) -> bool:
        """Whether the dose is low for the kernel."""
        return self.dose_mgy < 6.0 if self.scanner == "full" else self.noise_hu > 60.0

    @property
    def difficulty(self) -> str:
        """What share of answers may be asked for: "easy", "medium" or "hard"."""
        if self.material != "titanium" or not self.is_thin or self.pose == "in plane":
            return "hard"
        if self.beside or self.smoothing:
            return "hard"
        plain = self.is_told and self.sharpness in ("medium", "bone") and not self.is_noisy
        return "easy" if plain and self.pixel_mm <= 0.5 and self.layer_hu <= 120.0 else "medium"

    def as_dict(self) -> Draws:
        """Return the case as plain values."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


Plan = Callable[[Rng, str, str], Draws]


def draw_case(plan: str, half: str, scanner: str, number: int) -> Case:
    """Return a case of a plan: the same words and number always give the same case.

    Parameters
    ----------
    plan : str
        One of `PLANS`.
    half : str
        One of `HALVES`: apart in seeds and, except for plan "plain", in families of kernels.
    scanner : str
        "fast" or "full".
    number : int
        Which.

    Raises
    ------
    KeyError
        If there is no such plan.
    """
    key = zlib.crc32(f"{plan}/{HALVES[half]}/{scanner}".encode())
    repeat = number % REPEATS if plan == "retest" else 0
    truth = number - repeat
    rng = np.random.default_rng([key, truth])
    seed = int(rng.integers(1, 2**31))
    drawn = PLANS[plan](rng, half, scanner)
    return Case(f"{plan}-{half}-{scanner}-{number:03d}", plan, half, scanner, seed, repeat, **drawn)


REPEATS = 3  # scans of each truth in plan "retest"


def _pick(rng: Rng, **weights: float) -> str:
    """Return one of the words by weight; underscores stand for spaces."""
    total = sum(weights.values())
    return str(rng.choice([w.replace("_", " ") for w in weights], p=[w / total for w in weights.values()]))


def _any(rng: Rng, half: str, scanner: str) -> Draws:
    """Draw every factor by itself, common ones more often."""
    out = _halo(rng) | _screw(rng) | _kernel(rng, half, scanner) | _scan(rng)
    out |= {
        "is_child": bool(rng.random() < 0.2),
        "bone_hu": float(rng.uniform(180, 450)),
        "material": _pick(rng, titanium=0.8, steel=0.1, cobalt=0.1).replace("cobalt", "cobalt-chrome"),
        "is_told": bool(rng.random() < 0.9),
        "beside": "rods" if rng.random() < 0.08 else "",
        "clip_hu": 3071.0 if rng.random() < 0.6 else None,
    }
    smoothed = scanner == "full" and rng.random() < 0.08
    out["smoothing"] = int(rng.integers(1, 4)) if smoothed else 0
    return out | _sizes_of(out)


def _sizes_of(drawn: Draws) -> Draws:
    """Return the sizes that anatomy forces: a child's screw is thinner."""
    return {"major_mm": 3.5, "root_mm": 2.6, "pitch_mm": 1.25, "cannula_mm": 0.0} if drawn["is_child"] else {}


def _halo(rng: Rng) -> Draws:
    shape = "none" if rng.random() < 0.15 else str(rng.choice(_SHAPES))
    head, tip = (_width_mm(rng, int(rng.integers(1, 4))) for _ in range(2))
    if shape == "none":
        head = tip = 0.0
    elif shape.startswith("conical") or rng.random() < 0.4:
        tip = head
    if shape == "one-sided":
        head, tip = (head, 0.0) if rng.random() < 0.5 else (0.0, head)
    if shape != "even":  # the widest place of these is about twice the mean
        head, tip = min(head, 1.5), min(tip, 1.5)
    return {
        "shape": shape,
        "head_mean_mm": head,
        "tip_mean_mm": tip,
        "toward_deg": float(rng.uniform(0, 360)),
        "layer_hu": _layer_hu(rng),
        "rim_mm": float(rng.uniform(0.3, 0.7)) if shape != "none" and rng.random() < 0.2 else 0.0,
    }


def _width_mm(rng: Rng, which: int) -> float:
    return round(float(rng.uniform(*_WIDTH_CLASSES_MM[which])), 3)


def _layer_hu(rng: Rng) -> float:
    kind = _pick(rng, usual=0.6, other=0.25, mineralised=0.15)
    if kind == "usual":
        return 70.0
    return float(rng.uniform(20, 120)) if kind == "other" else 190.0


def _screw(rng: Rng) -> Draws:
    major = float(rng.choice([3.5, 4.0, 4.0, 4.5, 5.0]))
    cannula = float(rng.uniform(1.1, 1.4)) if major >= 4.0 and rng.random() < 0.1 else 0.0
    return {
        "major_mm": major,
        "root_mm": round(major * float(rng.uniform(0.7, 0.8)), 2),
        "pitch_mm": round(float(rng.uniform(1.2, 2.0)), 2),
        "coating_mm": 0.1 if rng.random() < 0.3 else 0.0,
        "cannula_mm": round(cannula, 2),
    }


def _kernel(rng: Rng, half: str, scanner: str) -> Draws:
    """Draw a kernel: of families that belong to this half, or (tuning, fast) of free numbers."""
    sharpness = str(rng.choice(_SHARPNESS, p=[0.15, 0.3, 0.4, 0.15]))
    family = str(rng.choice(families_of(half)))
    quiet = {"soft": 0.5, "medium": 0.8, "bone": 1.3, "edge": 1.8}[sharpness]
    out = {"sharpness": sharpness, "noise_hu": quiet * float(rng.uniform(15, 50))}
    if half == "tuning" and scanner == "fast" and rng.random() < 0.5:
        return out | _numbers(rng, sharpness)
    return out | {"kernel": f"{family}-{sharpness}"}


def _numbers(rng: Rng, sharpness: str) -> Draws:
    wide, edge = {
        "soft": ((0.95, 1.2), (0.0, 0.0)),
        "medium": ((0.75, 0.95), (0.0, 0.5)),
        "bone": ((0.6, 0.75), (0.3, 1.2)),
        "edge": ((0.6, 0.75), (1.2, 2.5)),
    }[sharpness]
    return {"fwhm_mm": float(rng.uniform(*wide)), "edge": float(rng.uniform(*edge))}


def _scan(rng: Rng) -> Draws:
    step = float(rng.choice([0.6, 0.75, 1.0, 1.25, 2.0, 3.0], p=[0.25, 0.25, 0.2, 0.15, 0.08, 0.07]))
    return {
        "pixel_mm": round(float(rng.uniform(0.25, 0.6)), 3),
        "slice_mm": step,
        "slice_fwhm_mm": round(math.hypot(step, float(rng.uniform(0.3, 0.8))), 3),
        "kvp": float(rng.choice([80.0, 100.0, 120.0, 140.0], p=[0.15, 0.25, 0.4, 0.2])),
        "dose_mgy": round(float(rng.uniform(3.0, 18.0)), 1),
        "pose": _pick(rng, usual=55, prone=10, tilted_gantry=10, oblique=10, across=7, in_plane=8),
    }


def _plain(rng: Rng, half: str, scanner: str) -> Draws:
    """No artefact, one even or one-sided halo in a grown patient: width, blur and pose vary."""
    del half, scanner
    one_sided = rng.random() < 0.3
    head, tip = (round(float(rng.uniform(0.0, 2.4)), 3) for _ in range(2))
    pixel, step = float(rng.uniform(0.3, 0.45)), float(rng.choice([0.6, 0.75, 1.0]))
    return {
        "shape": "one-sided" if one_sided else "even",
        "head_mean_mm": head,
        "tip_mean_mm": 0.0 if one_sided else tip,
        "sharpness": "medium",
        "fwhm_mm": float(rng.uniform(0.6, 1.2)),
        "noise_hu": float(rng.uniform(15, 50)),
        "pixel_mm": round(pixel, 3),
        "slice_mm": step,
        "slice_fwhm_mm": round(1.2 * step, 3),
        "clip_hu": None,
        "pose": _pick(rng, usual=0.6, oblique=0.3, across=0.1),
    }


def _retest(rng: Rng, half: str, scanner: str) -> Draws:
    """Thin slices, titanium, nothing odd: what is scanned again must read the same."""
    out = _halo(rng) | _kernel(rng, half, scanner) | _scan(rng)
    out |= {"slice_mm": 0.75, "slice_fwhm_mm": 1.02, "pose": "usual", "layer_hu": 70.0}
    return out | {"pixel_mm": min(out["pixel_mm"], 0.45)}


def _streaks(rng: Rng, half: str, scanner: str) -> Draws:
    """No halo; the screw lies in the slice plane, rods beside it."""
    out = _screw(rng) | _kernel(rng, half, scanner) | _scan(rng)
    step = float(rng.choice([0.6, 0.75, 1.0]))
    return out | {
        "slice_mm": step,
        "slice_fwhm_mm": round(math.hypot(step, 0.7), 3),
        "material": "steel" if rng.random() < 0.4 else "titanium",
        "beside": "rods",
        "pose": "in plane",
    }


PLANS: dict[str, Plan] = {"any": _any, "plain": _plain, "retest": _retest, "streaks": _streaks}


def slice_cases() -> list[Case]:
    """Return the few cases that run with every change of the code: no halo, an even one, one on one side."""
    common = Case("", "slice", "tuning", "fast", 11, pixel_mm=0.45, slice_mm=0.8, is_child=True,
                  major_mm=3.5, root_mm=2.6, pitch_mm=1.25, fwhm_mm=0.8, sharpness="medium")  # fmt: skip
    return [
        replace(common, id="slice-no-halo"),
        replace(common, id="slice-even", seed=12, shape="even", head_mean_mm=1.3, tip_mean_mm=1.3),
        replace(common, id="slice-tip-side", seed=13, shape="one-sided", tip_mean_mm=0.8),
    ]


BOUND_WIDTHS_MM = (0.3, 0.6, 1.0, 1.6)


def bound_case(number: int) -> Case:
    """Return a case whose Cramer-Rao bound can be written down: four widths, bare and textured bone."""
    width_mm = BOUND_WIDTHS_MM[number % 4]
    texture_hu = 110.0 if number // 4 % 2 else 0.0
    return Case(
        f"bound-{number:03d}", "bound", "test", "fast", 1 + number // 8, shape="even", head_mean_mm=width_mm,
        tip_mean_mm=width_mm, texture_hu=texture_hu, sharpness="medium", fwhm_mm=0.8, pixel_mm=0.4,
        slice_mm=0.75, slice_fwhm_mm=0.9, noise_hu=40.0, is_white=True, clip_hu=None,
    )  # fmt: skip
