"""Solutions of several fits, weighed together: of screws of a scan, scans of a screw, patients of a protocol.

One fit may have several solutions, each with widths, a blur and a metal of its own. Screws of one scan were
seen with the same blur, and scans of one screw by one protocol with the same blur and metal. So those
solutions belong together that agree in them: a pair counts by exp(-d2/2) of how far apart they lie,

    d2 = (b2 - b1) . (S1 + S2)^-1 (b2 - b1)

with S1 and S2 the covariances of the two fits. That is enough for a difference, which two solutions that
are wrong in the same way mostly give rightly (not growth, if both are "none"). Which of them are right, as
the widths ask, is harder to tell: a fit knows its blur less well than its own sums say, so d2 counts by
1/T. And what misleads one scan of a screw misleads the others as well (the same bone and kernel, the same
model), so n scans which prefer the same solution say no more than one, and their images count by the n-th
root. Screws of one scan lie in bone of their own, each in its own way, and count in full. So do other
patients scanned by the same protocol (a bank), but all of them as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.calibration import PatientBlurs, ToldBlur
from ongrowth.halo.believed import believing
from ongrowth.halo.doubt import Doubt
from ongrowth.halo.map import Halo
from ongrowth.halo.told import told_blur

FloatArray = NDArray[np.float64]

OF_SCREW, OF_SCAN = ("blur", "metal", "hardening"), ("blur",)
"""Parts of the shared unknowns that scans of one screw by one protocol have in common; screws of one scan."""

_TEMPER = 3.0  # T: chosen from 1 to 6 on scans of the tuning half and of the half that was seen before
_LEAST = 1e-12  # chance that no number tells apart from none
_SAME = 0.01  # of a chance: less is no reason to tell other widths
_ROUNDS = 100


def weigh_together(halos: Sequence[Halo]) -> tuple[Halo, ...]:
    """Return the halos of one screw in scans of one protocol, with solutions as likely as all scans tell.

    Each other scan has its say on how well a solution agrees with its own.

    Parameters
    ----------
    halos : sequence of Halo
        One for each scan; one without `Halo.doubt` has no say and stays as it is. One by itself is
        believed by its scan alone.
    """
    n = sum(halo.doubt is not None for halo in halos)
    return _weighed(halos, OF_SCREW, share=1.0 / max(n, 1))


def weigh_screws(halos: Sequence[Halo]) -> tuple[Halo, ...]:
    """Return the halos of the screws of one scan, with solutions as likely as all of them tell by the blur.

    What they tell together is what the scan tells alone (`Doubt.alone`).

    Parameters
    ----------
    halos : sequence of Halo
        One for each screw, two at least.
    """
    return tuple(_of_scan(halo, "in-scan") for halo in _weighed(halos, OF_SCAN, share=1.0))


def weigh_by_bank(halo: Halo, patients: Sequence[PatientBlurs], nominal_slice_mm: float) -> Halo:
    """Return the halo of a screw, with solutions as likely as CTs of other patients tell by the blur.

    However many they are, they have one vote together: a model that errs on one CT of a protocol may err
    alike on all. In that vote d2 counts in full (chosen between 1 and 1/T on scans of the tuning half).

    Parameters
    ----------
    halo : Halo
        As the CT tells it by itself; where something else told its blur it stays as it is.
    patients : sequence of PatientBlurs
        CTs of the same protocol; where there are none the halo stays as it is.
    nominal_slice_mm : float
        Slice thickness that the fit began from, mm.
    """
    own = told_blur(halo, nominal_slice_mm)
    if own is None or halo.doubt is None or not patients:
        return halo
    votes = np.mean([_vote_of(one, own) for one in patients], axis=0)
    chances = _normalised(np.log(np.maximum(own.chances, _LEAST)) + votes)
    if np.abs(chances - own.chances).max() < _SAME:
        chances = own.chances
    return _of_scan(believing(halo, chances, chances), "kernel bank")


def _vote_of(patient: PatientBlurs, own: ToldBlur) -> FloatArray:
    votes = [
        _vote(_squares(own.curves, other.curves, own.covariance + other.covariance), other.chances)
        for other in patient.blurs
    ]
    return np.asarray(np.mean(votes, axis=0))


def _of_scan(halo: Halo, source: str) -> Halo:
    """Return the halo with what others told counted to the scan itself, and named as source of the blur."""
    if halo.doubt is None or halo.blur is None:
        return halo
    doubt = replace(halo.doubt, alone=halo.doubt.chances, paired=halo.doubt.chances)
    return replace(halo, doubt=doubt, blur=replace(halo.blur, source=source))


def _weighed(halos: Sequence[Halo], parts: Sequence[str], *, share: float) -> tuple[Halo, ...]:
    every = [halo.doubt for halo in halos if halo.doubt is not None]
    return tuple(
        halo if halo.doubt is None else _beside(halo, halo.doubt, every, parts, share) for halo in halos
    )


def _beside(halo: Halo, doubt: Doubt, every: Sequence[Doubt], parts: Sequence[str], share: float) -> Halo:
    """Return a halo as believed beside all fits, its own among them."""
    chances = _chances(doubt, every, parts, share=share, temper=_TEMPER)
    if np.abs(chances - doubt.alone).max() < _SAME:
        chances = doubt.alone
    return believing(halo, chances, _chances(doubt, every, parts, share=1.0, temper=1.0))


def _chances(
    one: Doubt, every: Sequence[Doubt], parts: Sequence[str], *, share: float, temper: float
) -> FloatArray:
    """Return how likely each solution of a fit is beside all fits, itself among them, shape (K,).

    Their images count by the power `share`, and d2 by 1 / `temper`.
    """
    others = [other for other in every if other is not one]
    if not others:
        return one.alone
    log_chance = share * np.log(np.maximum(one.alone, _LEAST))
    for other in others:
        log_chance += _vote(_apart(one, other, parts), other.alone**share, temper)
    return _normalised(log_chance)


def _vote(apart: FloatArray, chances: FloatArray, temper: float = 1.0) -> FloatArray:
    """Return the logarithm of how well solutions agree with another fit, up to a constant, shape (K,).

    `apart` holds their d2, shape (K, L), and `chances` how likely the others are, shape (L,).
    """
    return np.asarray(np.log(np.exp(-0.5 * (apart - apart.min()) / temper) @ chances + _LEAST))


def _normalised(log_chance: FloatArray) -> FloatArray:
    chances = np.exp(log_chance - log_chance.max())
    return np.asarray(chances / chances.sum())


def in_pairs(a: Doubt, b: Doubt, parts: Sequence[str]) -> FloatArray:
    """Return how likely each solution of one fit is together with each of another, for a difference.

    Parameters
    ----------
    a, b : Doubt
        The two fits.
    parts : sequence of str
        Shared unknowns that both saw alike, as in `Doubt.parts`.

    Returns
    -------
    ndarray, shape (K, L)
        Sums to 1. Where both were weighed together with others, these have their say as well.
    """
    with np.errstate(divide="ignore"):  # a chance may be too small for a number
        log_chance = np.log(np.outer(a.alone, b.alone)) - 0.5 * _apart(a, b, parts)
    pairs = np.exp(log_chance - log_chance.max())
    pairs = pairs / pairs.sum()
    return _with_margins(pairs, a.paired, b.paired) if a.is_paired and b.is_paired else np.asarray(pairs)


def _with_margins(table: FloatArray, rows: FloatArray, columns: FloatArray) -> FloatArray:
    """Return the table with given sums of rows and columns whose proportions are those of another."""
    table = table + _LEAST * np.outer(rows, columns)
    for _ in range(_ROUNDS):
        table = table * _ratio(rows, table.sum(axis=1))[:, None]
        table = table * _ratio(columns, table.sum(axis=0))
    return np.asarray(table)


def _ratio(wanted: FloatArray, found: FloatArray) -> FloatArray:
    return np.divide(wanted, found, out=np.zeros_like(wanted), where=found > 0.0)


def _apart(a: Doubt, b: Doubt, parts: Sequence[str]) -> FloatArray:
    """Return d2 of each solution of one fit and each of another, shape (K, L)."""
    index = a.index(*parts)
    inner = (a.covariance + b.covariance)[np.ix_(index, index)]
    return _squares(a.solutions[:, index], b.solutions[:, index], inner)


def _squares(a: FloatArray, b: FloatArray, covariance: FloatArray) -> FloatArray:
    apart = b[None, :] - a[:, None]
    return np.asarray(np.einsum("ijp,pq,ijq->ij", apart, linalg.pinvh(covariance), apart))
