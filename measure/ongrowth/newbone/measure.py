"""From two scans and the pose of each fragment to the volume of new bone: the whole way in one screen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform
from ongrowth.newbone.change import Change, find_change
from ongrowth.newbone.lumps import Lump, find_lumps, mostly_new, volume_of
from ongrowth.newbone.model import NewBone, NewBonePlace, NewBoneSettings
from ongrowth.newbone.place import place_of
from ongrowth.newbone.regions import Bones, find_bones
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan

_MUCH_HIDDEN = 0.4  # of the gap


def measure_new_bone(
    earlier: Scan,
    later: Scan,
    frame: ScrewFrame,
    defect: DefectPlane,
    head_side: RigidTransform | None,
    tip_side: RigidTransform | None,
    *,
    side: str = "not established",
    settings: NewBoneSettings | None = None,
) -> NewBone:
    """Measure the bone that a later scan shows where an earlier one shows none.

    Each fragment is laid on itself, so that a fragment that has moved is no new bone. A film thinner
    than about half a millimetre on old surfaces is no lump and not counted away from the defect.

    Parameters
    ----------
    earlier, later : Scan
        The two CTs; the earlier may be one before surgery.
    frame : ScrewFrame
        The screw in the earlier scan (before surgery: where it will lie).
    defect : DefectPlane
        The defect in the earlier scan.
    head_side, tip_side : RigidTransform or None
        ``earlier_from_later`` of each fragment, as `ScrewMotion.head_side.earlier_from_later` has it;
        None where it could not be registered: then nothing can be measured.
    side : str
        "left", "right", "midline" or "not established": which side of the body the screw lies on, for
        the names of the places.
    settings : NewBoneSettings, optional
        How it is done.

    Returns
    -------
    NewBone
        In the defect, round it, and elsewhere by place; mm3.
    """
    if head_side is None or tip_side is None:
        return NewBone.missing(Caution.NO_BONE)
    settings = settings or NewBoneSettings()
    change = find_change(earlier, later, frame, defect, head_side, tip_side, settings)
    if change is None:
        return NewBone.missing(Caution.OUT_OF_SCAN)
    bones = find_bones(change, defect, settings)
    cautions = _cautions(change, bones)
    lumps = find_lumps(change, bones, settings)
    new = mostly_new(change, bones, lumps, settings)
    return NewBone(
        volume_of(change, bones, bones.in_gap, settings, cautions),
        volume_of(change, bones, bones.around, settings, cautions, doubtful=bones.doubtful),
        _elsewhere(lumps, frame, side),
        _in_later(change, new, head_side, tip_side),
        change.step_mm,
    )


def _in_later(
    change: Change, cells: NDArray[np.bool_], head_side: RigidTransform, tip_side: RigidTransform
) -> NDArray[np.float64]:
    """Return where cells lie in the later scan, shape (N, 3): each goes with the fragment on its side."""
    places = change.places_mm[cells]
    is_head = (change.height_mm[cells] < 0.0)[:, None]
    return np.asarray(np.where(is_head, head_side.inverse().apply(places), tip_side.inverse().apply(places)))


def _cautions(change: Change, bones: Bones) -> Caution:
    hidden = 1.0 - float(change.known[bones.gap].mean()) if bones.gap.any() else 1.0
    return Caution.HIDDEN_BY_METAL if hidden > _MUCH_HIDDEN else Caution.NONE


def _elsewhere(lumps: Sequence[Lump], frame: ScrewFrame, side: str) -> tuple[NewBonePlace, ...]:
    """Return the lumps away from the defect, summed by place."""
    found: dict[str, list[Lump]] = {}
    for lump in lumps:
        found.setdefault(place_of(lump.centre_mm, frame, side), []).append(lump)
    places = [_together(place, lumps) for place, lumps in found.items()]
    return tuple(sorted(places, key=lambda p: -p.volume.value))


def _together(place: str, lumps: list[Lump]) -> NewBonePlace:
    largest = max(lumps, key=lambda lump: lump.volume.value)
    u = math.sqrt(sum(lump.volume.u**2 for lump in lumps))
    total = Measured.of(sum(lump.volume.value for lump in lumps), u, Unit.MM3, floor=0.0)
    return NewBonePlace(place, total, largest.centre_mm)
