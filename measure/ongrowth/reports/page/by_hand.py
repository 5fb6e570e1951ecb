"""What people added: corrections under which it was measured, and readers' values beside ours."""

from __future__ import annotations

import math

from ongrowth.correction import correction_words, split_what
from ongrowth.findings import bridging_category
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import CorrectionRecord, ImplantReading, ReaderValue, Reading
from ongrowth.reports.page.tables import Table
from ongrowth.wording import HALO_SIDES, say_compact, side_words, with_unit

_HEAD = ("", "Reader", "Read", "Measured (95 % interval)", "Reader's result", "Result")


def corrections_told(reading: Reading) -> tuple[str, ...]:
    """Return the corrections that hold and the remarks, each as a sentence with its author and reason."""
    last: dict[str, CorrectionRecord] = {}
    for made in reading.corrections:
        key = f"{made.what} {made.remark}" if split_what(made.what)[1] == "remark" else made.what
        last[key] = made
    return tuple(_told(made) for made in last.values())


def _told(made: CorrectionRecord) -> str:
    screw, part = split_what(made.what)
    name = f"Screw {screw}" if screw else "This CT"
    who = f", by {made.author}" if made.author else ""
    if part == "remark":
        return f"{name}, remark{who}: {made.remark}"
    why = f": {made.remark}" if made.remark else ""
    return f"{name}: {correction_words(made.what, made.to)}{who}{why}."


def reader_table(reading: Reading, site: str) -> Table | None:
    """Return readers' own values beside ours; None where no reader gave any."""
    rows = tuple(_row(reading, read, site) for read in reading.readers)
    caption = "Readers' own values beside ours (*: locked before ours was shown)"
    return Table(caption, _HEAD, rows) if rows else None


def _row(reading: Reading, read: ReaderValue, site: str) -> tuple[str, ...]:
    implant = _implant(reading, read.implant)
    finding = next(
        (
            f
            for f in reading.findings
            if implant is not None
            and (f.implant, f.quantity) == (implant.id, read.quantity)
            and f.site == (read.site or f.site)
        ),
        None,
    )
    ours = finding.value if finding is not None else _measured(implant, read)
    unit = ours.unit if ours is not None else Unit.MM
    measured = "not measured" if ours is None else say_compact(ours)
    if read.category and ours is not None and read.quantity == "bridged_fraction":
        measured = f"{bridging_category(ours)}; {measured}"
    value = "" if math.isnan(read.value) else with_unit(read.value, unit)
    return (
        _where(read, site),
        f"{read.reader}{'*' if read.is_blind else ''}",
        "; ".join(part for part in (value, read.category) if part) or "–",
        measured,
        read.against_window or "–",
        finding.against_window.value if finding is not None else "–",
    )


def _where(read: ReaderValue, site: str) -> str:
    place = side_words(read.site, site) if read.site in HALO_SIDES else read.site
    quantity = read.quantity.replace("_", " ").removesuffix(" mm").removesuffix(" deg")
    return ", ".join(part for part in (read.implant, place, quantity) if part)


def _implant(reading: Reading, name: str) -> ImplantReading | None:
    named = [one for one in reading.implants if one.id == name]
    if named:
        return named[0]
    return reading.implants[0] if not name and len(reading.implants) == 1 else None


def _measured(implant: ImplantReading | None, read: ReaderValue) -> Measured | None:
    """Return what was measured where no finding tells: a figure of a side, or of the defect."""
    if implant is None:
        return None
    site = read.site or "whole"
    holder = implant.bridge if site == "defect" else getattr(implant.halo, site, None)
    value = getattr(holder, read.quantity, None)
    return value if isinstance(value, Measured) else None
