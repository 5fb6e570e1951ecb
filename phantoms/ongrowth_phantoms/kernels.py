"""Reconstruction kernels of the full scanner, in families; all names and curves are invented.

A kernel is its in-plane MTF, the whole chain from focal spot to pixel taken together. Two families
are for tuning an estimator, two were kept for testing it until results on them had a say, two are kept
for testing it: no curve of one lot occurs in another.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import i0

Array = NDArray[np.float64]

_END_PER_MM = 1.35  # every curve is brought to zero below the limit of the detector's sampling


@dataclass(frozen=True, slots=True, eq=False)
class Kernel:
    """A reconstruction kernel.

    Parameters
    ----------
    name, family : str
        Invented.
    half : str
        "tuning": estimators are worked on with its family; "seen": once kept for tests, seen since;
        "test": run only to report.
    curve : callable
        MTF over frequency in 1/mm, before the common end.
    """

    name: str
    family: str
    half: str
    curve: Callable[[Array], Array]

    def mtf(self, f_per_mm: ArrayLike) -> Array:
        """Return the in-plane MTF at spatial frequencies, 1/mm; 1 at frequency 0."""
        f = np.abs(np.asarray(f_per_mm, dtype=np.float64))
        end = np.clip((_END_PER_MM - f) / 0.25, 0.0, 1.0)
        return np.asarray(self.curve(f) * np.sin(np.pi / 2.0 * end) ** 2)


def _hann(cut: float, lift: float) -> Callable[[Array], Array]:
    """Return a raised cosine, with a lift that peaks at half the cut-off."""

    def curve(f: Array) -> Array:
        g = np.minimum(f / cut, 1.0)
        return np.asarray(0.5 * (1.0 + np.cos(np.pi * g)) * (1.0 + lift * np.sin(np.pi * g / 1.2) ** 2))

    return curve


def _power(scale: float, power: float, lift: float) -> Callable[[Array], Array]:
    """Return a stretched exponential with a quadratic lift."""

    def curve(f: Array) -> Array:
        g = f / scale
        return np.asarray(np.exp(-(g**power)) * (1.0 + lift * g**2))

    return curve


def _butterworth(cut: float, order: float, lift: float) -> Callable[[Array], Array]:
    """Return a maximally flat roll-off with a bell-shaped lift about 0.6 of the cut-off."""

    def curve(f: Array) -> Array:
        bell = np.exp(-(((f - 0.6 * cut) / (0.35 * cut)) ** 2))
        start = np.exp(-((0.6 / 0.35) ** 2))
        return np.asarray((1.0 + lift * (bell - start)) / (1.0 + (f / cut) ** (2.0 * order)))

    return curve


def _kaiser(cut: float, shape: float, lift: float) -> Callable[[Array], Array]:
    """Return a Bessel window with a lift that grows linearly and levels off."""

    def curve(f: Array) -> Array:
        g = np.minimum(f / cut, 1.0)
        return np.asarray(i0(shape * np.sqrt(1.0 - g**2)) / i0(shape) * (1.0 + lift * np.tanh(2.0 * g)))

    return curve


def _sinc(cut: float, lift: float) -> Callable[[Array], Array]:
    """Return two equal apertures one after the other, with a lift that grows as one less the cosine."""

    def curve(f: Array) -> Array:
        g = np.minimum(f / cut, 1.0)
        return np.asarray(np.sinc(g) ** 2 * (1.0 + lift * (1.0 - np.cos(np.pi * g))))

    return curve


def _fermi(cut: float, width: float, lift: float) -> Callable[[Array], Array]:
    """Return a logistic roll-off with a lift that grows as the cube and dies away beyond the cut-off."""

    def curve(f: Array) -> Array:
        g = f / cut
        roll_off = (1.0 + np.exp(-cut / width)) / (1.0 + np.exp((f - cut) / width))
        return np.asarray(roll_off * (1.0 + lift * g**3 * np.exp(1.5 * (1.0 - g**2))))

    return curve


def _family(family: str, curves: dict[str, Callable[[Array], Array]], *, half: str) -> list[Kernel]:
    return [Kernel(f"{family}-{name}", family, half, curve) for name, curve in curves.items()]


KERNELS: dict[str, Kernel] = {
    kernel.name: kernel
    for kernel in [
        *_family(
            "hann",
            {
                "soft": _hann(0.78, 0.0),
                "medium": _hann(1.05, 0.1),
                "bone": _hann(1.45, 0.45),
                "edge": _hann(1.4, 1.1),
            },
            half="tuning",
        ),
        *_family(
            "power",
            {
                "soft": _power(0.45, 2.0, 0.0),
                "medium": _power(0.58, 2.0, 0.35),
                "bone": _power(0.80, 2.6, 0.7),
                "edge": _power(0.72, 2.6, 2.2),
            },
            half="tuning",
        ),
        *_family(
            "butterworth",
            {
                "soft": _butterworth(0.40, 2.0, 0.0),
                "medium": _butterworth(0.55, 2.2, 0.1),
                "bone": _butterworth(0.85, 3.0, 0.35),
                "edge": _butterworth(0.82, 3.0, 0.9),
            },
            half="seen",
        ),
        *_family(
            "kaiser",
            {
                "soft": _kaiser(0.95, 5.0, 0.05),
                "medium": _kaiser(1.15, 4.5, 0.2),
                "bone": _kaiser(1.35, 3.5, 0.6),
                "edge": _kaiser(1.30, 3.5, 1.5),
            },
            half="seen",
        ),
        *_family(
            "sinc",
            {
                "soft": _sinc(0.95, 0.0),
                "medium": _sinc(1.15, 0.15),
                "bone": _sinc(1.35, 0.6),
                "edge": _sinc(1.3, 1.3),
            },
            half="test",
        ),
        *_family(
            "fermi",
            {
                "soft": _fermi(0.40, 0.09, 0.0),
                "medium": _fermi(0.52, 0.12, 0.12),
                "bone": _fermi(0.78, 0.13, 0.3),
                "edge": _fermi(0.75, 0.12, 0.75),
            },
            half="test",
        ),
    ]
}


def families_of(half: str) -> list[str]:
    """Return the families of "tuning", "seen" or "test", in order."""
    return list(dict.fromkeys(k.family for k in KERNELS.values() if k.half == half))
