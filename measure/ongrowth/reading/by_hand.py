"""What people added to a reading: corrections by hand, and readers' own values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class CorrectionRecord:
    """A correction under which a reading was made; values as in the case file, None: as found.

    The time stays in the case file: exact dates do not go into shareable results.
    """

    what: str
    before: Any = None
    to: Any = None
    author: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True)
class ReaderValue:
    """A reader's own value; NaN or empty where it was not given.

    Parameters
    ----------
    reader : str
        Pseudonym of the reader.
    implant : str
        Id of the screw; empty: the only one.
    site : str
        "head_side", "tip_side", "whole", "defect", "screw" or empty.
    quantity : str
        One of the quantities of a finding.
    value : float
        Number read, in the unit of the quantity.
    category : str
        Category read.
    against_window : str
        Result against the window as the reader sees it.
    is_blind : bool
        Whether it was locked before ours was shown.
    """

    reader: str
    implant: str
    site: str
    quantity: str
    value: float = math.nan
    category: str = ""
    against_window: str = ""
    is_blind: bool = False


def correction_to_dict(made: CorrectionRecord) -> Record:
    """Return a correction, as written."""
    return {
        "what": made.what,
        "from": made.before,
        "to": made.to,
        "author": made.author,
        "remark": made.remark,
    }


def correction_from_dict(record: Record) -> CorrectionRecord:
    """Return what `correction_to_dict` wrote."""
    return CorrectionRecord(record["what"], record["from"], record["to"], record["author"], record["remark"])


def reader_to_dict(read: ReaderValue) -> Record:
    """Return a reader's value, as written."""
    return {
        "reader": read.reader,
        "implant": read.implant,
        "site": read.site,
        "quantity": read.quantity,
        "value": read.value if math.isfinite(read.value) else None,
        "category": read.category,
        "against_window": read.against_window,
        "is_blind": read.is_blind,
    }


def reader_from_dict(record: Record) -> ReaderValue:
    """Return what `reader_to_dict` wrote."""
    value = math.nan if record["value"] is None else float(record["value"])
    return ReaderValue(**(record | {"value": value}))
