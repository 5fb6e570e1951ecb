"""Two CTs brought to one millimetre, where their screws show that they differ in it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.motion import (
    common_scale,
    is_off,
    measure_pitch,
    measure_scale,
    stretched,
    stretched_scan,
)
from ongrowth.quantity import Measured
from ongrowth.reading import ImplantReading
from ongrowth.scan import Level, Problem, Scan

FloatArray = NDArray[np.float64]
Pair = tuple[ImplantReading, ImplantReading]


@dataclass(frozen=True, slots=True, eq=False)
class OneScale:
    """The later of two CTs, and the screws of both, in the millimetre of the earlier one.

    Parameters
    ----------
    now : Scan
        The later CT.
    pairs : tuple
        Each screw in the earlier and in the later CT.
    told : tuple of Problem
        By how much the CTs differ, where they do.
    about_mm : ndarray, shape (3,)
        Point of the later CT that stays where it was.
    factor : float
        By which its distances were multiplied; 1 where the CTs agree.
    """

    now: Scan
    pairs: tuple[Pair, ...]
    told: tuple[Problem, ...]
    about_mm: FloatArray
    factor: float = 1.0

    def back(self, plane: DefectPlane) -> DefectPlane:
        """Return a plane of the stretched CT as it lies in the CT itself."""
        point = stretched(plane.plane.point_mm, self.about_mm, 1.0 / self.factor)
        return replace(plane, plane=Plane(point, plane.plane.normal))


def on_one_scale(then: Scan, now: Scan, pairs: Sequence[Pair], scans: tuple[str, str]) -> OneScale:
    """Bring a CT to the millimetre of an earlier one, if the pitch of the screws differs beyond chance.

    Parameters
    ----------
    then, now : Scan
        The two CTs.
    pairs : sequence
        Each screw in the earlier and in the later CT.
    scans : tuple of str
        Ids of the CTs.
    """
    ends = np.stack([p for _, two in pairs for p in (two.frame.origin_mm, two.frame.tip_mm)])
    about = np.asarray(ends.mean(axis=0))
    scale = common_scale([measure_scale(then, now, one.screw, two.screw) for one, two in pairs])
    if not is_off(scale):
        return OneScale(now, tuple(pairs), (), about)
    factor = 1.0 / scale.value
    moved = tuple((one, _stretched_reading(two, about, factor)) for one, two in pairs)
    told = _told(scale, scans, _against_stated((then, now), pairs))
    return OneScale(stretched_scan(now, about, factor), moved, (told,), about, factor)


def _stretched_reading(reading: ImplantReading, about_mm: FloatArray, factor: float) -> ImplantReading:
    head, tip = (stretched(p, about_mm, factor) for p in (reading.frame.origin_mm, reading.frame.tip_mm))
    return replace(
        reading,
        frame=ScrewFrame.of(head, tip),
        screw=replace(reading.screw, head_mm=head, tip_mm=tip),
    )


def _against_stated(scans: tuple[Scan, Scan], pairs: Sequence[Pair]) -> tuple[float, float]:
    """Return the pitch in both CTs as a share of the stated one; NaN where none is stated."""
    one, two = pairs[0]
    stated = one.screw.spec.pitch_mm
    found = (measure_pitch(scan, reading.screw) for scan, reading in zip(scans, (one, two), strict=True))
    then, now = (pitch.value / stated for pitch in found)
    return then, now


def _told(scale: Measured, scans: tuple[str, str], stated: tuple[float, float]) -> Problem:
    text = (
        f"The thread of the screws is {_percent(scale.value)} in CT {scans[1]} than in CT {scans[0]} "
        f"(± {100 * scale.u95:.1f} %): the CTs differ in scale. The later one was brought to the scale of "
        "the earlier one before position and new bone were compared; widths were left as measured."
    )
    if all(math.isfinite(share) for share in stated):
        against = (
            f"{100 * (share - 1.0):+.1f} % in CT {name}" for share, name in zip(stated, scans, strict=True)
        )
        text += f" Against the stated pitch: {', '.join(against)}."
    return Problem("scale-differs", Level.CAUTION, text, "Have the pixel size and the table feed checked.")


def _percent(scale: float) -> str:
    return f"{100 * abs(scale - 1.0):.1f} % {'longer' if scale > 1.0 else 'shorter'}"
