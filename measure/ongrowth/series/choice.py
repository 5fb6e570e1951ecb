"""Which series of an examination is best for measuring, and why."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ongrowth.scan import Acquisition, Level, Problem, Refused, refuse
from ongrowth.sentence import counted
from ongrowth.series.facts import is_derived, judge_facts, kernel_sharpness, read_acquisition
from ongrowth.series.stack import Stack

THIN_MM = 1.25  # below this the kernel matters more than the thickness
ENOUGH_MM = 30.0  # covers a screw; shorter series are test or monitoring scans
THICKNESS_STEPS_MM = (THIN_MM, 2.0, 3.0)


@dataclass(frozen=True, slots=True, eq=False)
class SeriesInfo:
    """One candidate of an examination.

    Parameters
    ----------
    series_uid, description, kernel : str
        As the header tells; the description is free text, which may name the patient.
    n_slices : int
        Slices on the grid.
    thickness_mm, gap_mm, pixel_mm : float
        Slice thickness (or gap if larger), distance of slices, larger side of a pixel; NaN if unknown.
    is_usable : bool
        Whether it can be read at all.
    reason : str
        What speaks for it, or why it is not taken.
    problems : tuple of Problem
        Found in headers and geometry.
    name : str
        What it is called in print, by number and kernel.
    number : str
        Series number, "" where it has none: what ``--series`` asks for.
    date : date or None
        Day of the CT.
    shown_description : str
        The description without words that name the patient.
    """

    series_uid: str
    description: str
    kernel: str
    n_slices: int
    thickness_mm: float
    gap_mm: float
    pixel_mm: float
    is_usable: bool
    reason: str
    problems: tuple[Problem, ...]
    name: str = ""
    number: str = ""
    date: dt.date | None = None
    shown_description: str = ""

    def __str__(self) -> str:
        size = "" if math.isnan(self.gap_mm) else f", {self.thickness_mm:.3g} mm thick"
        return f"{self.name} ({counted(self.n_slices, 'slice')}{size}): {self.reason}"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A stack with its facts and everything found about it."""

    stack: Stack
    acquisition: Acquisition
    problems: tuple[Problem, ...]

    @property
    def is_usable(self) -> bool:
        """Whether nothing forbids reading it."""
        return all(problem.level is not Level.REFUSE for problem in self.problems)

    @property
    def refusals(self) -> tuple[Problem, ...]:
        """What forbids reading it."""
        return tuple(problem for problem in self.problems if problem.level is Level.REFUSE)


def weigh(stack: Stack) -> Candidate:
    """Collect facts and problems of a stack."""
    acquisition = read_acquisition(stack)
    facts = judge_facts(stack, acquisition)
    kinds = [problem for problem in facts if problem.level is Level.REFUSE]
    # What the images are comes before how they lie: a capture without position is a capture.
    return Candidate(stack, acquisition, tuple(kinds) if kinds else (*stack.problems, *facts))


_Key = tuple[float, ...]


def rank(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Sort candidates, the best for measuring first.

    In this order: usable; original and lossless; covering enough; not metal-reduced; of one energy
    spectrum; of a thin class; of a sharp kernel; of small pixels; thin; long. Of those that cannot be read
    the longest goes first, so that the scan that was meant says why.

    Parameters
    ----------
    candidates : sequence of Candidate
        Series or blocks of one examination.
    """
    longest_mm = max((one.stack.extent_mm for one in candidates if one.is_usable), default=0.0)
    ranked = sorted(candidates, key=lambda one: _merit(one, longest_mm), reverse=True)
    return sorted(ranked, key=lambda one: (one.is_usable, _is_meant(one)), reverse=True)


def _is_meant(one: Candidate) -> tuple[bool, int]:
    """Return what tells, of images that cannot be read, which were meant."""
    return (True, 0) if one.is_usable else (not is_derived(one.stack.slices[0]), len(one.stack.slices))


_MOST_LISTED = 12
_CRITERIA = (
    "it can be read",
    "original, not derived",
    "not compressed with loss",
    "covers enough",
    "without metal artefact reduction",
    "ordinary spectrum",
    "thinner slices",
    "sharper kernel",
    "smaller pixels",
    "thinner slices",
    "more slices",
)


def _merit(one: Candidate, longest_mm: float) -> _Key:
    stack, facts = one.stack, one.acquisition
    thickness_mm = stack.thickness_mm if not math.isnan(stack.thickness_mm) else 99.0
    sharpness = kernel_sharpness(facts.kernel)
    return (
        one.is_usable,
        not is_derived(stack.slices[0]),
        not facts.is_lossy,
        stack.extent_mm >= min(ENOUGH_MM, 0.5 * longest_mm),
        not facts.is_metal_reduced,
        facts.algorithm != "mono-energetic",
        -float(np.searchsorted(THICKNESS_STEPS_MM, thickness_mm)),
        sharpness if not math.isnan(sharpness) else 50.0,
        -round(stack.pixel_mm, 3) if not math.isnan(stack.pixel_mm) else -99.0,
        -round(thickness_mm, 2),
        len(stack.slices),
    )


def _why(best: Candidate, other: Candidate, longest_mm: float) -> str:
    """Return the criterion by which one candidate beats another; "" where it does not."""
    pairs = zip(_CRITERIA, _merit(best, longest_mm), _merit(other, longest_mm), strict=True)
    name, a, b = next(((name, a, b) for name, a, b in pairs if a != b), ("", 0.0, 0.0))
    return name if a > b else ""


def describe(ranked: Sequence[Candidate]) -> tuple[SeriesInfo, ...]:
    """Return the ranked candidates for people, each with its reason.

    Parameters
    ----------
    ranked : sequence of Candidate
        The best first.
    """
    longest_mm = max((one.stack.extent_mm for one in ranked if one.is_usable), default=0.0)
    return tuple(_describe(one, ranked, longest_mm) for one in ranked)


def _describe(one: Candidate, ranked: Sequence[Candidate], longest_mm: float) -> SeriesInfo:
    stack, facts = one.stack, one.acquisition
    return SeriesInfo(
        series_uid=facts.series_uid,
        description=facts.series_description,
        kernel=facts.kernel,
        n_slices=len(stack.slices),
        thickness_mm=stack.thickness_mm,
        gap_mm=stack.gap_mm,
        pixel_mm=stack.pixel_mm,
        is_usable=one.is_usable,
        reason=_reason(one, ranked, longest_mm),
        problems=one.problems,
        name=_name(one),
        number=_number(one),
        date=facts.date,
        shown_description=facts.printable(facts.series_description),
    )


def _name(one: Candidate) -> str:
    """Return what a series is called in print; its description is left out, for people write into it."""
    name = f"series {_number(one)}" if _number(one) else "unnumbered series"
    kernel = one.acquisition.printable(one.acquisition.kernel.split("\\")[0])
    return f"{name}, kernel {kernel}" if kernel else name


def _number(one: Candidate) -> str:
    """Return the number of a series as it is printed and asked for; empty where it has none."""
    number = one.stack.slices[0].number("SeriesNumber")
    return "" if math.isnan(number) else f"{number:.0f}"


def _reason(one: Candidate, ranked: Sequence[Candidate], longest_mm: float) -> str:
    if not one.is_usable:
        return "cannot be read: " + " ".join(problem.text for problem in one.refusals)
    if len(ranked) == 1:
        return "the only series"
    best = ranked[0]
    if one is not best:
        if criterion := _why(best, one, longest_mm):
            return f"not taken; the other is better: {criterion}"
        is_better = bool(_why(one, best, longest_mm))
        return (
            f"not taken; {'another was asked for' if is_better else 'as good as the other, which came first'}"
        )
    if any(_why(other, best, longest_mm) for other in ranked[1:]):
        return "as asked for"
    if criterion := _why(best, ranked[1], longest_mm):
        return f"best for measuring: {criterion}"
    return "as good for measuring as the next, and the first to come"


def choose(candidates: Sequence[Candidate], series: str = "") -> list[Candidate]:
    """Return the candidates ranked, the one to read first.

    Parameters
    ----------
    candidates : sequence of Candidate
        All stacks found.
    series : str, optional
        Number or UID of the series to take, whatever else is there.

    Raises
    ------
    Refused
        ``no-such-series``, ``series-number-twice``; what forbids reading the best; ``several-patients``,
        ``several-dates``.
    """
    ranked = rank(candidates)
    if series:
        wanted = _wanted(ranked, series)
        ranked = wanted + [one for one in ranked if one not in wanted]
    if not ranked[0].is_usable:
        raise Refused(*ranked[0].refusals)
    if not series:
        _check_one_examination([one for one in ranked if one.is_usable])
    return ranked


def _wanted(ranked: Sequence[Candidate], series: str) -> list[Candidate]:
    """Return the stacks of a series, told by its UID or its number."""
    wanted = [one for one in ranked if series in (one.acquisition.series_uid, _number(one))]
    if not wanted:
        there = "; ".join(
            f"{_name(one)} ({counted(len(one.stack.slices), 'slice')})" for one in ranked[:_MOST_LISTED]
        )
        more = f"; and {len(ranked) - _MOST_LISTED} more" if len(ranked) > _MOST_LISTED else ""
        text = f"There is no series {series} here. There are: {there}{more}."
        raise refuse("no-such-series", text, "Give the number of one of them, or its UID.")
    if len({one.acquisition.series_uid for one in wanted}) > 1:
        text = f"{len({one.acquisition.series_uid for one in wanted})} series here bear the number {series}."
        raise refuse("series-number-twice", text, "Give the UID of the wanted one (0020,000E).")
    return wanted


def _check_one_examination(usable: Sequence[Candidate]) -> None:
    patients = {one.acquisition.patient_id for one in usable if one.acquisition.patient_id}
    days = {one.acquisition.date for one in usable if one.acquisition.date}
    advice = "Give the folder or the zip of one examination, or name the wanted series (--series)."
    if len(patients) > 1:
        raise refuse("several-patients", f"The folder holds CTs of {len(patients)} patients.", advice)
    if len(days) > 1:
        raise refuse("several-dates", f"The folder holds CTs of {len(days)} dates.", advice)


def choice_problems(ranked: Sequence[Candidate]) -> list[Problem]:
    """Say which series was taken and why, when there was a choice.

    Parameters
    ----------
    ranked : sequence of Candidate
        The best first.
    """
    if len(ranked) < 2:
        return []
    taken = describe(ranked)[0]
    text = f"{len(ranked)} series or blocks were there; taken: {taken.name}, {taken.reason}."
    advice = "If another is wanted, name it by its number (--series)."
    found = [Problem("series-chosen", Level.NOTE, text, advice)]
    return found + _lost_problems(ranked[0], ranked[1:])


def _lost_problems(taken: Candidate, rest: Sequence[Candidate]) -> list[Problem]:
    """Point out a broken series that would have been better than the one taken."""
    broken = [one for one in rest if one.stack.problems and not one.stack.is_usable and not _is_aside(one)]
    better = [one for one in broken if _merit(one, 0.0)[1:] > _merit(taken, 0.0)[1:]]
    if not better:
        return []
    worst = better[0].refusals[0]
    text = f"A series better for measuring is there but broken ({worst.code}): {worst.text}"
    return [Problem("better-series-broken", Level.CAUTION, text, worst.advice)]


def _is_aside(one: Candidate) -> bool:
    return len(one.stack.slices) < 3 or any(
        problem.code in ("localizer", "screen-capture", "projection", "not-ct") for problem in one.refusals
    )
