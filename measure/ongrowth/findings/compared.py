"""What two CTs say of change, in words: one line for each earlier CT."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Case, ChangeRecord, MotionRecord, NewBoneRecord, Reading
from ongrowth.wording import say, say_compact, side_words, span, weeks_words, with_unit

_SIDES = {"head side": "head_side", "tip side": "tip_side"}
MOVED = "moved"
_MOSTLY = 0.8  # of the translation; project's choice

_ONE_BLUR = "told with one blur for both CTs, hence more than one of them shows by itself"
Record = TypeVar("Record", MotionRecord, ChangeRecord, NewBoneRecord)


@dataclass(frozen=True, slots=True)
class Compared:
    """All records of one screw that end at the latest CT, and how earlier CTs are called.

    `since` names each earlier CT in words by its id, for example "week 5". `exceeding` holds side and earlier
    CT of changes of width that are more than one of the two widths allows.
    """

    motions: tuple[MotionRecord, ...] = ()
    changes: tuple[ChangeRecord, ...] = ()
    new_bone: tuple[NewBoneRecord, ...] = ()
    since: Mapping[str, str] | None = None
    exceeding: frozenset[tuple[str, str]] = frozenset()

    @classmethod
    def of(cls, case: Case, implant: str) -> Compared:
        """Return what a case says of the change of one screw up to its latest CT."""
        last = case.readings[-1].scan.id
        changes = _ending(case.changes, implant, last)
        return cls(
            _ending(case.motions, implant, last),
            changes,
            _ending(case.new_bone, implant, last),
            {reading.scan.id: _when(reading) for reading in case.readings},
            frozenset((c.side, c.from_scan) for c in changes if _exceeds(case, c)),
        )

    @property
    def earlier(self) -> tuple[str, ...]:
        """Ids of the CTs it is compared with, the first one first."""
        scans = [change.from_scan for change in self.changes]
        return tuple(dict.fromkeys([*scans, *(motion.from_scan for motion in self.motions)]))

    def lines(self, key: str, site: str) -> tuple[str, ...]:
        """Return what is told beside one line of the answer, one sentence for each earlier CT.

        Parameters
        ----------
        key : str
            "head_side", "tip_side", "bridging" or "metal".
        site : str
            Vertebra or bone, for print.
        """
        told = ((scan, self.words(key, scan, site)) for scan in self.earlier)
        return tuple(f"Since {self.name(scan)}: {words}" for scan, words in told if words)

    def named(self, sentence: str) -> str:
        """Return a sentence with its earlier CTs called by their weeks instead of their ids."""
        for scan, name in sorted(
            (self.since or {}).items(), key=lambda one: -len(one[0])
        ):  # w06.5 before w06
            sentence = sentence.replace(f"scan {scan}:", f"{name}:").replace(f"scan {scan}.", f"{name}.")
        return sentence

    def name(self, scan: str) -> str:
        """Return how an earlier CT is called."""
        return (self.since or {}).get(scan, f"scan {scan}")

    def words(self, key: str, scan: str, site: str) -> str:
        """Return what has changed since one earlier CT; "" where nothing is told."""
        if key == "metal":
            return _position_words([m for m in self.motions if m.from_scan == scan], site)
        changes = [c for c in self.changes if c.from_scan == scan]
        if key == "bridging":
            bone = next(
                (b for b in self.new_bone[:1] if b.from_scan == scan), None
            )  # all of it since the first
            return "; ".join(words for words in (_bridging_words(changes), _bone_words(bone)) if words)
        width = next((c for c in changes if c.side == key and c.quantity == "mean_width"), None)
        if width is None:
            return ""
        told = _width_words(width.value)
        return f"{told}; {_ONE_BLUR}" if (key, scan) in self.exceeding else told


def _ending(records: Iterable[Record], implant: str, scan: str) -> tuple[Record, ...]:
    return tuple(r for r in records if r.implant == implant and r.to_scan == scan)


def _exceeds(case: Case, change: ChangeRecord) -> bool:
    """Whether a change of width is shown, and exceeds what the wider CT of the two shows by itself."""
    value = change.value
    is_tied = change.quantity == "mean_width" and Caution.PROTOCOL_CHANGED not in value.cautions
    if not is_tied or not (value.low95 > 0.0 or value.high95 < 0.0):
        return False
    scan = change.to_scan if value.low95 > 0.0 else change.from_scan
    here = (i for r in case.readings if r.scan.id == scan for i in r.implants if i.id == change.implant)
    widths = [getattr(implant.halo, change.side).mean_width for implant in here]
    return any(abs(value.value) > width.value for width in widths)


def _when(reading: Reading) -> str:
    """Return how an earlier CT is called: its week, or its id where the week is not known."""
    weeks = reading.scan.weeks_since_surgery
    return f"scan {reading.scan.id}" if math.isnan(weeks) else weeks_words(weeks)


def _width_words(change: Measured) -> str:
    return _changed_words(change, "wider by", "narrower by", "no change of width shown")


def _bridging_words(changes: Iterable[ChangeRecord]) -> str:
    change = next((c.value for c in changes if c.quantity == "bridged_fraction"), None)
    if change is None or not change.is_known:
        return ""
    words = ("bridged share up by", "bridged share down by", "no change of bridging shown")
    told = _changed_words(change, *words, tell=say_compact)
    return told.replace("%", "percentage points")  # "up by 30 %" could be a share of the earlier figure


def _changed_words(
    change: Measured, up: str, down: str, same: str, tell: Callable[[Measured], str] = say
) -> str:
    if not change.is_known:
        return f"not comparable ({change.cautions.words})"
    if change.low95 > 0.0:
        return f"{up} {tell(change)}"
    return f"{down} {tell(turned(change))}" if change.high95 < 0.0 else f"{same} ({span(change)})"


def turned(change: Measured) -> Measured:
    """Return a change with its sign turned: a loss as a positive number."""
    return replace(change, value=-change.value, low95=-change.high95, high95=-change.low95)


def _bone_words(bone: NewBoneRecord | None) -> str:
    """Return the new bone of a comparison by place; what is not shown to be there is left out."""
    if bone is None or not bone.in_defect.is_known:
        return ""
    places = (
        ("in the defect", bone.in_defect),
        ("round it", bone.around_defect),
        *((place.place, place.volume) for place in bone.elsewhere),
    )
    shown = [f"{place} {say(volume)}" for place, volume in places if volume.is_known and volume.low95 > 0.0]
    if not shown:
        # less than can be told: beside a bridged share that grew "none shown" would contradict it
        return f"volume of new bone in the defect below {with_unit(bone.in_defect.high95, Unit.MM3)}"
    return f"new bone {', '.join(shown)}"


def _position_words(motions: Sequence[MotionRecord], site: str) -> str:
    screw = [m for m in motions if m.body == "screw"]
    bone = [m for m in motions if m.body != "screw"]
    told = [_screw_words(screw, site), _fragment_words(bone)]
    return "; ".join(words for words in told if words)


def _screw_words(motions: Sequence[MotionRecord], site: str) -> str:
    """Return how the screw lies in its two fragments; what moved is told for each of them."""
    known = [m for m in motions if m.state != "not measurable"]
    moved = [m for m in known if m.state == MOVED]
    if moved:
        ways = {_way_words(m) for m in moved}
        way = ways.pop() if len(ways) == 1 else ""
        far = (f"{say(m.max_total_point_motion)} against the {_short_side(m, site)}" for m in moved)
        return f"screw moved{way} by {' and '.join(far)}"
    if known:
        most = max(m.max_total_point_motion.high95 for m in known)
        return f"screw not shown to have moved (within {with_unit(most, Unit.MM)})"
    reasons = {m.max_total_point_motion.cautions.words for m in motions} - {""}
    return f"position of the screw not comparable ({', '.join(sorted(reasons))})" if motions else ""


def _short_side(motion: MotionRecord, site: str) -> str:
    return side_words(_SIDES[motion.relative_to], site).partition(" (")[0]


def _way_words(motion: MotionRecord) -> str:
    """Return the way a screw went, where most of its translation is along its axis."""
    along, total = motion.translation_mm[2], motion.total_translation
    if not along.is_known or along.low95 <= 0.0 <= along.high95 or abs(along.value) < _MOSTLY * total.value:
        return ""
    return " toward its tip" if along.value > 0.0 else " toward its head (backing out)"


def _fragment_words(motions: Sequence[MotionRecord]) -> str:
    for motion in motions:
        value = motion.total_translation
        if motion.state == MOVED:
            return f"fragments moved by {say(value)} against each other"
        if value.is_known:
            return f"fragments not shown to have moved (within {with_unit(value.high95, Unit.MM)})"
        return f"fragments not comparable ({value.cautions.words})"
    return ""
