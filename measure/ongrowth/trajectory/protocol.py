"""Changes of the scan protocol within a course, and changes of a quantity that fall together with them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ongrowth.tidy import need_columns, select
from ongrowth.wording import HALO_SIDES

PROTOCOL_COLUMNS = ("scanner", "kernel", "algorithm", "kvp", "slice_thickness_mm")


@dataclass(frozen=True, slots=True)
class Step:
    """From one CT of a side to the next.

    Parameters
    ----------
    case, implant, side : str
        Whose.
    from_scan, to_scan : str
        The two CTs.
    change, u95 : float
        Change of the quantity, and half of its 95 % interval with the two values taken as independent.
    differs_in : tuple of str
        Facts of the protocol that differ; empty: none known to differ.
    """

    case: str
    implant: str
    side: str
    from_scan: str
    to_scan: str
    change: float
    u95: float
    differs_in: tuple[str, ...]

    @property
    def is_change(self) -> bool:
        """Whether the quantity changed beyond the uncertainty."""
        return abs(self.change) > self.u95


def protocol_steps(
    table: pd.DataFrame, quantity: str = "mean_width", sides: Sequence[str] = HALO_SIDES
) -> tuple[Step, ...]:
    """Return the steps from each CT to the next of the same side.

    Parameters
    ----------
    table : DataFrame
        Long table, as ``scans.parquet``.
    quantity : str
        What to follow.
    sides : sequence of str
        Sides of the screw.

    Raises
    ------
    Refused
        Code ``missing-column`` or ``no-rows``.
    """
    need_columns(table, ["u95", *PROTOCOL_COLUMNS])
    rows = select(table, quantity, sides)
    return tuple(step for _, group in rows.groupby("place", sort=True) for step in _steps(group))


def _steps(group: pd.DataFrame) -> Iterator[Step]:
    records = group.to_dict("records")
    for before, after in itertools.pairwise(records):
        yield Step(
            str(after["case"]),
            str(after["implant"]),
            str(after["side"]),
            str(before["scan"]),
            str(after["scan"]),
            float(after["value"] - before["value"]),
            math.hypot(float(before["u95"]), float(after["u95"])),
            tuple(name for name in PROTOCOL_COLUMNS if _differs(before[name], after[name])),
        )


def _differs(a: object, b: object) -> bool:
    """Whether two facts contradict; what is not stated contradicts nothing."""
    if pd.isna(a) or pd.isna(b) or "" in (a, b) or "not stated" in (a, b):  # type: ignore[call-overload]
        return False
    return a != b


@dataclass(frozen=True, slots=True)
class ProtocolReport:
    """How often a change of protocol falls together with a change of the quantity.

    Parameters
    ----------
    n_steps, n_protocol_changed, n_both_changed : int
        Steps; those with another protocol; those of them with a change of the quantity.
    mean_shift : float
        Mean change at steps with another protocol less that at steps without; NaN without both kinds.
    coincidences : tuple of Step
        Steps at which both changed.
    """

    n_steps: int
    n_protocol_changed: int
    n_both_changed: int
    mean_shift: float
    coincidences: tuple[Step, ...]

    @property
    def sentence(self) -> str:
        """The finding in words."""
        steps = f"{self.n_steps} steps of a side from one CT to the next"
        if self.n_protocol_changed == 0:
            return f"The protocol stayed the same over all {steps}."
        return (
            f"The protocol changed at {self.n_protocol_changed} of {steps}; at {self.n_both_changed} of them "
            "the value changed too, beyond its uncertainty: these changes cannot be told from the change of "
            "protocol."
        )


def report_protocol(steps: Sequence[Step]) -> ProtocolReport:
    """Count how often protocol and quantity changed together.

    Parameters
    ----------
    steps : sequence of Step
        From each CT to the next.
    """
    other = [step for step in steps if step.differs_in]
    same = [step for step in steps if not step.differs_in]
    both = tuple(step for step in other if step.is_change)
    shift = math.nan
    if other and same:
        shift = float(np.mean([s.change for s in other]) - np.mean([s.change for s in same]))
    return ProtocolReport(len(steps), len(other), len(both), shift, both)
