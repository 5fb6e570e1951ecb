"""Measuring in a process of its own: the window never waits, and cancelling ends it at once.

A thread would do for the waiting, but not for the cancelling: a step of the measurement takes many
seconds and cannot be interrupted from within.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import sys
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from ongrowth.case import Known
from ongrowth.reading import Reading
from ongrowth.scan import Refused

Measure = Callable[[Path, Known, Callable[[str], None]], Reading]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What is being done."""

    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Done:
    """The reading is there."""

    reading: Reading


@dataclass(frozen=True, slots=True, eq=False)
class Failed:
    """There is none, and why: a sentence for each reason."""

    reasons: tuple[str, ...]


Event = Told | Done | Failed
_GONE = "stopped: The measurement ended by itself, perhaps for want of memory. Close other programs."


def measure_whole(path: Path, known: Known, tell: Callable[[str], None]) -> Reading:
    """Measure as the command line does."""
    from ongrowth.case import run_reading

    return run_reading(path, known, tell)


class Measurement:
    """One measurement under way; ask it from time to time what there is to tell."""

    def __init__(self, path: Path, known: Known, measure: Measure = measure_whole) -> None:
        context = multiprocessing.get_context("spawn")  # a window must not be forked
        self._events, theirs = context.Pipe(duplex=False)
        self._process = context.Process(target=_work, args=(theirs, measure, path, known), daemon=True)
        self._process.start()
        theirs.close()
        self.is_over = False

    def poll(self) -> list[Event]:
        """Return what happened since it was last asked; never waits."""
        events: list[Event] = []
        while not self.is_over and self._events.poll():
            try:
                event = self._events.recv()
            except EOFError:
                event = Failed((_GONE,))
            events.append(event)
            self.is_over = not isinstance(event, Told)
        if not self.is_over and not self._process.is_alive() and not self._events.poll():
            events.append(Failed((_GONE,)))
            self.is_over = True
        return events

    def cancel(self) -> None:
        """End it now; nothing is told any more."""
        self.is_over = True
        self._process.terminate()
        self._process.join(timeout=5.0)
        self._events.close()


def _work(events: Connection, measure: Measure, path: Path, known: Known) -> None:
    def tell(text: str) -> None:
        try:
            events.send(Told(text))
        except OSError:  # whoever asked is gone
            sys.exit()

    outcome: Any
    try:
        outcome = Done(measure(path, known, tell))
    except Refused as error:
        outcome = Failed(tuple(str(problem) for problem in error.problems))
    except MemoryError:
        outcome = Failed(("out-of-memory: The memory of this machine does not suffice.",))
    except Exception as error:  # noqa: BLE001 - whatever it is, the window must hear of it
        outcome = Failed((f"unexpected: {type(error).__name__}: {error}",))
    with contextlib.suppress(OSError):
        events.send(outcome)
        events.close()
