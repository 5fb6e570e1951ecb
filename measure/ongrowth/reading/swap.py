"""Two folders exchange their names in one step, so that no moment is without the one or the other."""

from __future__ import annotations

import ctypes
import functools
import os
import sys
from collections.abc import Callable
from pathlib import Path

_HERE = -100  # AT_FDCWD of Linux: paths are relative to the working folder
_EXCHANGE = 2  # RENAME_EXCHANGE of Linux, RENAME_SWAP of macOS


def swap(one: Path, other: Path) -> bool:
    """Exchange the names of two folders of one file system.

    Parameters
    ----------
    one, other : Path
        Both there.

    Returns
    -------
    bool
        Whether it was done; not every system and file system can.
    """
    exchange = _system_call()
    return exchange is not None and exchange(os.fsencode(one.absolute()), os.fsencode(other.absolute())) == 0


@functools.cache
def _system_call() -> Callable[[bytes, bytes], int] | None:
    """Return the system's own exchange, None where it has none (Windows, old systems)."""
    if sys.platform == "win32":
        return None
    library = ctypes.CDLL(None, use_errno=True)
    if hasattr(library, "renameat2"):  # Linux
        return lambda a, b: int(library.renameat2(_HERE, a, _HERE, b, _EXCHANGE))
    if hasattr(library, "renamex_np"):  # macOS
        return lambda a, b: int(library.renamex_np(a, b, _EXCHANGE))
    return None
