"""Whether two CTs were made alike: only then does the error of the blur drop out of a difference."""

from __future__ import annotations

import math

from ongrowth.quantity import Unit
from ongrowth.reading import ScanFacts
from ongrowth.wording import with_unit

_ALIKE = 0.1  # of a pixel or slice: less does not move the blur by what a width could show


def protocol_differences(earlier: ScanFacts, later: ScanFacts) -> tuple[str, ...]:
    """Return how the later CT was made differently, in words; empty for one protocol.

    Parameters
    ----------
    earlier, later : ScanFacts
        How the two CTs were made. What either does not state is not held to differ.

    Examples
    --------
    >>> protocol_differences(ScanFacts("a", kernel="sharp", kvp=120), ScanFacts("b", kernel="soft", kvp=120))
    ('kernel soft instead of sharp',)
    """
    words = (
        ("scanner", earlier.scanner, later.scanner),
        ("kernel", earlier.kernel, later.kernel),
        ("reconstruction", _stated(earlier.algorithm), _stated(later.algorithm)),
    )
    told = [f"{name} {now} instead of {then}" for name, then, now in words if then and now and then != now]
    if earlier.kvp > 0.0 and later.kvp > 0.0 and earlier.kvp != later.kvp:
        told.append(f"{later.kvp:.0f} kVp instead of {earlier.kvp:.0f} kVp")
    sizes = (
        ("slices of", earlier.slice_thickness_mm, later.slice_thickness_mm),
        ("pixels of", earlier.voxel_mm[0], later.voxel_mm[0]),
    )
    told += [
        f"{name} {with_unit(now, Unit.MM)} instead of {with_unit(then, Unit.MM)}"
        for name, then, now in sizes
        if then > 0.0 and now > 0.0 and abs(math.log(now / then)) > _ALIKE
    ]
    if earlier.blur_source != later.blur_source and "calibration" in (earlier.blur_source, later.blur_source):
        told.append(f"blur known by {later.blur_source} instead of {earlier.blur_source}")
    return tuple(told)


def _stated(algorithm: str) -> str:
    return "" if algorithm == "not stated" else algorithm
