"""How far a run is, and how long it will still take."""

from __future__ import annotations

import collections
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from ongrowth.cohort.worker import FAILED, KEPT, MEASURED, Settled

_RECENT = 200  # scans that the pace is taken from: the latest, as resuming starts with a burst


@dataclass(slots=True)
class Progress:
    """Counts what has ended.

    Parameters
    ----------
    n_scans : int
        Scans of the run.
    clock : callable
        Seconds; another one in tests.
    counts, failures : Counter of str
        Scans by state; failed scans by code.
    """

    n_scans: int
    clock: Callable[[], float] = time.monotonic
    counts: collections.Counter[str] = field(default_factory=collections.Counter)
    failures: collections.Counter[str] = field(default_factory=collections.Counter)
    _ends: collections.deque[float] = field(default_factory=lambda: collections.deque(maxlen=_RECENT))
    _start: float = 0.0

    def __post_init__(self) -> None:
        self._start = self.clock()

    def count(self, settled: Settled) -> None:
        """Count one scan."""
        self.counts[settled.state] += 1
        if settled.state == FAILED:
            self.failures[settled.code] += 1
        if settled.state == KEPT:  # keeps the pace that of measuring
            self._start = self._start if self._ends else self.clock()
        else:
            self._ends.append(self.clock())

    @property
    def n_ended(self) -> int:
        """Scans that have ended in any way."""
        return sum(self.counts.values())

    def seconds_left(self) -> float:
        """Return the time still to go at the latest pace; NaN before there is one."""
        if not self._ends:
            return float("nan")
        first = self._ends[0] if len(self._ends) == _RECENT else self._start
        n = len(self._ends) - (len(self._ends) == _RECENT)
        return (self.n_scans - self.n_ended) * (self._ends[-1] - first) / max(n, 1)

    def __str__(self) -> str:
        parts = [f"{self.n_ended} of {self.n_scans} scans", f"{self.counts[MEASURED]} measured"]
        parts += [f"{self.counts[KEPT]} done before"] if self.counts[KEPT] else []
        parts += [f"{self.counts[FAILED]} failed"] if self.counts[FAILED] else []
        left = self.seconds_left()
        parts += [f"about {span_words(left)} left"] if left > 0.0 else []
        return ", ".join(parts)


def span_words(seconds: float) -> str:
    """Return a span of time in words.

    Examples
    --------
    >>> span_words(42), span_words(4000), span_words(200000)
    ('1 min', '1 h 7 min', '2 days 7 h')
    """
    minutes = max(1, round(seconds / 60.0))
    hours, days = minutes // 60, minutes // 1440
    if days:
        return f"{days} day{'s' if days > 1 else ''} {hours % 24} h"
    return f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"
