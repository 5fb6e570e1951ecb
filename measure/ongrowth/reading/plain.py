"""Numbers and arrays as JSON holds them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Record = dict[str, Any]


def plain(number: float) -> float | None:
    """Return a number for JSON: None where it is NaN or endless."""
    return float(number) if math.isfinite(number) else None


def real(value: float | None) -> float:
    """Return a number read from JSON: NaN where it is null."""
    return math.nan if value is None else float(value)


def rows_of(array: NDArray[Any]) -> list[Any]:
    """Return an array as nested lists, NaN as None, to 1 nm."""
    values = np.asarray(array, dtype=np.float64)
    rounded = np.round(values, 6).astype(object)
    rounded[~np.isfinite(values)] = None
    return list(rounded.tolist())


def array_of(rows: list[Any]) -> NDArray[np.float64]:
    """Return the array that `rows_of` wrote."""
    return np.array(rows, dtype=np.float64)
