"""Two CTs of one case set side by side, screw by screw. Order of steps, nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ongrowth.case.reading import Tell, silent
from ongrowth.case.scale import on_one_scale
from ongrowth.change import (
    Placement,
    carried_defect,
    changes_between,
    double_examination,
    motion_records,
    new_bone_record,
    overlays,
    placement,
    protocol_differences,
)
from ongrowth.defect import DefectPlane
from ongrowth.motion import ScrewMotion, measure_motion
from ongrowth.newbone import measure_new_bone
from ongrowth.read import read_scan
from ongrowth.reading import (
    Case,
    ChangeMap,
    ChangeRecord,
    ImplantReading,
    MotionRecord,
    NewBoneCells,
    NewBoneRecord,
    Overlay,
    Reading,
)
from ongrowth.scan import Level, Problem, Refused, Scan
from ongrowth.screw import falls_short
from ongrowth.sentence import screw_words
from ongrowth.wording import say

_AROUND_MM = 32.0  # beyond the ends of the screws: farther than any bone a comparison looks at


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """A CT of the case: where it lies, its reading, and its series where one was asked for.

    `around` is the CT as far as it surrounds its screws, where it is still at hand.
    """

    path: Path
    reading: Reading
    series: str = ""
    around: Scan | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What two CTs say of change.

    By the id of the screw, `carried` holds the defect planes of the earlier CT as they lie in the later
    one, and `placed` where the earlier frame lies.
    """

    from_scan: str
    to_scan: str
    motions: tuple[MotionRecord, ...] = ()
    new_bone: tuple[NewBoneRecord, ...] = ()
    changes: tuple[ChangeRecord, ...] = ()
    change_maps: tuple[ChangeMap, ...] = ()
    overlays: tuple[Overlay, ...] = ()
    new_bone_cells: tuple[NewBoneCells, ...] = ()
    told: tuple[Problem, ...] = ()
    carried: Mapping[str, DefectPlane] = field(default_factory=dict)
    placed: Mapping[str, Placement] = field(default_factory=dict)

    def with_changes(self, earlier: Reading, later: Reading) -> Comparison:
        """Return the same comparison with the changes of all figures between two readings of its CTs."""
        changes, maps, told = _figures(earlier, later, self.placed)
        kept = tuple(p for p in self.told if p.code != "protocol-changed")
        return replace(self, changes=changes, change_maps=maps, told=(*kept, *told))


def compare(earlier: Kept, later: Kept, tell: Tell = silent) -> Comparison:
    """Follow the screws from one CT of a case to another; changes of figures are left to `with_changes`.

    Parameters
    ----------
    earlier, later : Kept
        The CTs; one that is not at hand is read again.
    tell : callable
        Told in words what is being done.
    """
    scans = earlier.reading.scan.id, later.reading.scan.id
    out = Comparison(*scans)
    pairs = tuple(_pairs(earlier.reading, later.reading))
    if not pairs:
        return out
    then, now = (one.around or _read_again(one) for one in (earlier, later))
    level = on_one_scale(then, now, pairs, scans)
    now, out = level.now, replace(out, told=level.told)
    placed: dict[str, Placement] = {}
    for one, two in level.pairs:
        tell(f"Following {screw_words(two.id)} from {scans[0]} to {scans[1]}")
        moved = _moved(then, now, one, two)
        if isinstance(moved, Problem):
            out = replace(out, told=(*out.told, moved))
            continue
        placed[two.id] = placement(moved, one.frame, two.frame)
        out = _with_motion(out, moved, one, two)
        tell(f"Looking for new bone round {screw_words(two.id)}")
        out = _with_new_bone(out, then, now, moved, one)
        out = replace(out, overlays=(*out.overlays, *overlays(then, now, one.frame, moved, two.id, scans)))
    carried = {name: level.back(plane) for name, plane in out.carried.items()}
    weeks = earlier.reading.scan.weeks_since_surgery, later.reading.scan.weeks_since_surgery
    days = earlier.reading.source.scan_date, later.reading.source.scan_date
    again = double_examination(scans, weeks, days, out.motions)
    return replace(out, told=(*out.told, *again), placed=placed, carried=carried)


def _pairs(earlier: Reading, later: Reading) -> Iterator[tuple[ImplantReading, ImplantReading]]:
    """Give the screws that both CTs show, by id."""
    by_id = {implant.id: implant for implant in earlier.implants}
    return ((by_id[now.id], now) for now in later.implants if now.id in by_id)


def _read_again(one: Kept) -> Scan:
    return surroundings(read_scan(one.path, series=one.series), one.reading)


def surroundings(scan: Scan, reading: Reading) -> Scan:
    """Return a CT as far as it surrounds its screws, as a copy, so that the rest can be let go.

    Parameters
    ----------
    scan : Scan
        The CT.
    reading : Reading
        What was measured on it; it shows at least one screw.
    """
    ends = [p for implant in reading.implants for p in (implant.frame.origin_mm, implant.frame.tip_mm)]
    part = scan.crop(scan.box(ends, _AROUND_MM))
    return replace(part, hu=part.hu.copy())


def _moved(then: Scan, now: Scan, one: ImplantReading, two: ImplantReading) -> ScrewMotion | Problem:
    """Return how a screw and its fragments have moved, or why that cannot be told."""
    name = screw_words(two.id)
    if one.defect is None:
        return Problem(
            "position-not-compared",
            Level.CAUTION,
            f"The earlier CT shows no defect at {name}, and motion is measured against the bone on "
            "either side of one: whether the screw has moved is not told.",
            "Give the plane of the defect in the viewer.",
        )
    lengths = one.screw.length_mm, two.screw.length_mm
    if falls_short(*lengths) or falls_short(*reversed(lengths)):
        return Problem(
            "position-not-compared",
            Level.CAUTION,
            f"The shaft of {name} measured {say(lengths[0])} in the earlier CT and "
            f"{say(lengths[1])} in the later one: its ends are not the same places.",
            "Look at the cuts of both.",
        )
    try:
        return measure_motion(then, now, one.screw, two.screw, one.defect)
    except Refused as error:
        told = error.problems[0]
        text = f"From CT to CT {name} could not be followed: {told.text}"
        return replace(told, level=Level.CAUTION, text=text)


def _with_motion(out: Comparison, moved: ScrewMotion, one: ImplantReading, two: ImplantReading) -> Comparison:
    carried = dict(out.carried)
    plane = carried_defect(one.defect, moved, two.frame) if one.defect else None
    if plane is not None:
        carried[two.id] = plane
    records = motion_records(two.id, (out.from_scan, out.to_scan), moved)
    return replace(out, motions=(*out.motions, *records), carried=carried, told=(*out.told, *moved.problems))


def _with_new_bone(
    out: Comparison, then: Scan, now: Scan, moved: ScrewMotion, one: ImplantReading
) -> Comparison:
    if one.defect is None:
        return out
    bones = (moved.head_side, moved.tip_side)
    lie = (bone.earlier_from_later if bone else None for bone in bones)
    found = measure_new_bone(then, now, one.frame, one.defect, *lie, side=one.side)
    scans = out.from_scan, out.to_scan
    record = new_bone_record(one.id, scans, found)
    cells = NewBoneCells(one.id, *scans, found.cells_mm, found.cell_mm)
    shown = (*out.new_bone_cells, cells) if len(found.cells_mm) else out.new_bone_cells
    return replace(out, new_bone=(*out.new_bone, record), new_bone_cells=shown)


def _figures(
    earlier: Reading, later: Reading, placed: Mapping[str, Placement]
) -> tuple[tuple[ChangeRecord, ...], tuple[ChangeMap, ...], tuple[Problem, ...]]:
    """Return the changes of all figures, their maps, and what a reader must know of them."""
    scans = earlier.scan.id, later.scan.id
    differences = protocol_differences(earlier.scan, later.scan)
    alike = not differences
    found = [
        changes_between(one, two, scans, placed.get(two.id, Placement()), is_same_protocol=alike)
        for one, two in _pairs(earlier, later)
    ]
    changes = tuple(record for records, _ in found for record in records)
    return changes, tuple(one for _, one in found), _protocol_note(scans, differences, changes)


def _protocol_note(
    scans: tuple[str, str], differences: tuple[str, ...], changes: tuple[ChangeRecord, ...]
) -> tuple[Problem, ...]:
    """Say that the protocol changed; where a width changed with it, that either may be the reason."""
    if not differences:
        return ()
    told = f"CT {scans[1]} was not made like CT {scans[0]}: {', '.join(differences)}."
    widths = [c for c in changes if c.quantity == "mean_width" and c.state in ("grown", "shrunk")]
    advice = "The uncertainty of the change allows for it."
    if widths:
        told += " The mean width of the halo changed at the same time; the protocol may be the reason."
        advice = "A CT by the first protocol would tell."
    return (Problem("protocol-changed", Level.CAUTION, told, advice),)


def kept_comparison(before: Case, from_scan: str, to_scan: str) -> Comparison | None:
    """Return what an earlier run found between two CTs; None where it did not compare them."""
    parts: dict[str, Any] = {
        name: tuple(r for r in getattr(before, name) if (r.from_scan, r.to_scan) == (from_scan, to_scan))
        for name in ("motions", "new_bone", "changes", "change_maps", "overlays", "new_bone_cells", "notes")
    }
    if not parts["changes"]:
        return None
    told = tuple(note.problem for note in parts.pop("notes"))
    placed = {one.implant: Placement(one.turn_deg, one.slide_mm) for one in parts["change_maps"]}
    return Comparison(from_scan, to_scan, told=told, placed=placed, **parts)
