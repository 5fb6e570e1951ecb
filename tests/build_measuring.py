"""Stand-ins for measuring in a process of its own; they stand here so that the process can import them."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from ongrowth.case import Known
from ongrowth.reading import Reading
from ongrowth.scan import refuse

Tell = Callable[[str], None]
SEEN = "ONGROWTH_TEST_SEEN"

CASE = """# the reader's own case
[patient]
id = "harbour-07"  # pseudonym
site = "L5"

[[implant]]
id = "left"
side = "left"

[[scan]]
id = "w03"
path = "w03"
weeks_since_surgery = 3.0

[[scan]]
id = "w08"  # the latest
path = "w08"
weeks_since_surgery = 8.0
"""


def reading_of(known: Known, scan_id: str = "w08", digest: str = "d" * 64) -> Reading:
    """A ready reading of the left screw that carries what was asked for."""
    import build_reading as build  # only here: a process that fails need not wait for it

    head = build.make_side(0.7, sectors_mm=(0.7, 0.6, 0.5, 0.6, 0.9, 1.4, 1.0, 0.8))
    implant = build.make_implant(head, build.make_side(1.1), bridge=build.make_bridge(0.3))
    reading = build.make_reading(implant, scan_id=known.scan_id or scan_id)
    made = replace(reading.provenance, input_digest=digest)
    return replace(reading, provenance=made, corrections=known.corrections, readers=known.readers)


def quick(path: Path, known: Known, tell: Tell) -> Reading:
    tell("Finding the metal")
    tell("Measuring the halo of screw left")
    return reading_of(known)


def once_seen(path: Path, known: Known, tell: Tell) -> Reading:
    """Wait, a minute at most, until the file named by SEEN is there: the window has turned meanwhile."""
    end = time.monotonic() + 60.0
    while not Path(os.environ[SEEN]).exists() and time.monotonic() < end:
        time.sleep(0.02)
    return quick(path, known, tell)


def endless(path: Path, known: Known, tell: Tell) -> Reading:
    tell("Finding the metal")
    time.sleep(600.0)
    raise AssertionError("nobody waits that long")


def refused(path: Path, known: Known, tell: Tell) -> Reading:
    raise refuse("no-metal", "There is no metal in this scan.", "Check that it is the right scan.")


def broken(path: Path, known: Known, tell: Tell) -> Reading:
    raise ZeroDivisionError("surprise")


def killed(path: Path, known: Known, tell: Tell) -> Reading:
    os._exit(9)
