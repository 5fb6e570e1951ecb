"""A statistic of many readings with its 95 % interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ongrowth.quantity import plain


@dataclass(frozen=True, slots=True)
class Estimate:
    """A statistic and its 95 % interval; NaN where the data do not give it.

    Parameters
    ----------
    value : float
        Point estimate.
    low95, high95 : float
        Ends of the 95 % interval.

    Examples
    --------
    >>> print(Estimate(0.624, 0.51, 0.73))
    0.624 (0.510 to 0.730)
    """

    value: float
    low95: float = math.nan
    high95: float = math.nan

    def __str__(self) -> str:
        if not math.isfinite(self.value):
            return "not estimable"
        if math.isnan(self.low95) and math.isnan(self.high95):
            return shown(self.value)
        return f"{shown(self.value)} ({shown(self.low95)} to {shown(self.high95)})"

    def scaled(self, factor: float) -> Estimate:
        """Return the estimate of a multiple; the factor is positive."""
        return Estimate(factor * self.value, factor * self.low95, factor * self.high95)

    def as_dict(self) -> dict[str, float | None]:
        """Return the numbers under their names, None where there is none."""
        return {name: plain(getattr(self, name)) for name in ("value", "low95", "high95")}


def shown(number: float) -> str:
    """Return a number with three figures, never in powers of ten.

    Examples
    --------
    >>> shown(42.4279), shown(0.00912), shown(-0.0)
    ('42.4', '0.00912', '0')
    """
    if not math.isfinite(number):
        return "no limit" if math.isinf(number) else "not estimable"
    if number == 0.0:
        return "0"
    decimals = max(0, 2 - math.floor(math.log10(abs(number))))
    text = f"{number:.{min(decimals, 9)}f}"
    return text if float(text) != 0.0 else "0"
