"""Arrays as JSON holds them; single numbers: `ongrowth.quantity.plain`."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Record = dict[str, Any]


def rows_of(array: NDArray[Any]) -> list[Any]:
    """Return an array as nested lists, NaN as None, to 1 nm."""
    values = np.asarray(array, dtype=np.float64)
    rounded = np.round(values, 6).astype(object)
    rounded[~np.isfinite(values)] = None
    return list(rounded.tolist())


def array_of(rows: list[Any]) -> NDArray[np.float64]:
    """Return the array that `rows_of` wrote."""
    return np.array(rows, dtype=np.float64)
