"""What a report says, in groups: one per screw and part, taken from the records of the result files.

Working on the records, not on the types behind them, keeps every number the one that
``reading.json`` holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from pydicom.sr.coding import Code

from ongrowth.quantity import Unit
from ongrowth.reports.dicom import codes
from ongrowth.reports.dicom.codes import Term, own, term
from ongrowth.wording import HALO_SIDES, is_pars_site, side_words

Record = dict[str, Any]
Modifier = tuple[Code, Code]

NEW_BONE = "new-bone-since-"
_SIDE_NAMES = ("counting_area_mm2", "measured_share")
_SCREW_NAMES = ("root_diameter_mm",)
_INTEGRITY_NAMES = ("smallest_shown_mm", "at_depth_mm")
_DEFECT_NAMES = ("smallest_bridge_shown_mm", "gap_mm", "u_angle_deg", "u_offset_mm")
_SCAN_NAMES = ("noise_hu", "hu_ceiling", "ceiling_share")
_AXES = ("translation_zero", "translation_quarter", "translation_axis")
_COMPARED = {
    "migration": "max_total_point_motion",
    "interfragmentary_motion": "total_translation",
    "width_growth": "value",
}


@dataclass(frozen=True, slots=True)
class Item:
    """One number, or the fact that there is none.

    Parameters
    ----------
    term : Term
        What it is called.
    value : dict
        As in the result files; a plain number has only "value" and "unit".
    modifiers : tuple of pairs of Code
        What tells it from others of its name, for example the sector.
    finding : dict or None
        Where it stands against the window of its week, as in the result files.
    """

    term: Term
    value: Record
    modifiers: tuple[Modifier, ...] = ()
    finding: Record | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """What is said of one part of one screw.

    Parameters
    ----------
    implant, part : str
        Id of the screw (empty for the scan), and key of the part; together they name what is tracked.
    words : str
        For a reader.
    side : str
        Of the body: "left", "right" or anything else.
    category, finding : Code
        What was looked at.
    method : Code
        How it was measured.
    items : tuple of Item
        The numbers.
    answers : tuple of pairs of Code
        Coded questions and answers.
    cautions : tuple of str
        Words of the result files that weaken the whole group.
    topography : Code or None
        Part of the bone, where the site has names for it.
    """

    implant: str
    part: str
    words: str
    side: str
    category: Code
    finding: Code
    method: Code
    items: tuple[Item, ...]
    answers: tuple[Modifier, ...] = ()
    cautions: tuple[str, ...] = ()
    topography: Code | None = None


def groups_of(reading: Record, comparisons: Record, site: str) -> tuple[Group, ...]:
    """Return the groups of a report.

    Parameters
    ----------
    reading : dict
        As ``reading.json`` holds it.
    comparisons : dict
        "motions", "changes", "new_bone" and "findings" as in ``case.json``, those that end at this scan.
    site : str
        Vertebra or bone.
    """
    findings = comparisons["findings"]
    out = [_scan_group(reading["scan"])]
    for implant in reading["implants"]:
        out += _implant_groups(implant, [f for f in findings if f["implant"] == implant["id"]], site)
    for defect in reading["defects"]:
        out += _defect_groups(bare_defect_name(defect["side"]), defect, defect["side"], [])
    out += [_metal_group(n, metal) for n, metal in enumerate(reading["other_metal"])]
    sides = {implant["id"]: implant["side"] for implant in reading["implants"]}
    return (*out, *_comparison_groups(comparisons, sides))


def part_words(part: str, site: str) -> str:
    """Return what a part that can be drawn is called for a reader."""
    if part in HALO_SIDES:
        return f"halo, {side_words(part, site)}"
    if part.startswith(NEW_BONE):
        return f"new bone since scan {part.removeprefix(NEW_BONE)}"
    return {"bridge": "bridged bone", "whole": "halo, whole screw"}.get(part, part)


def bare_defect_name(side: str) -> str:
    """Return what stands for the id of a screw where no screw crosses a defect."""
    return f"defect-{side}"


def new_bone_part(from_scan: str) -> str:
    """Return the key of the bone that an earlier scan did not show."""
    return f"{NEW_BONE}{from_scan}"


def _implant_groups(implant: Record, findings: list[Record], site: str) -> list[Group]:
    halo = implant["halo"]
    groups = [_screw_group(implant, findings)]
    groups += [_side_group(implant, side, halo[side], findings, site) for side in HALO_SIDES]
    groups.append(_halo_group(implant, halo["whole"], _at(findings, "whole")))
    if implant["defect"] is not None:
        groups += _defect_groups(implant["id"], implant["defect"], implant["side"], findings)
    return groups


def _screw_group(implant: Record, findings: list[Record]) -> Group:
    integrity = implant["integrity"]
    numbers = [*_numbers(implant, _SCREW_NAMES), *_numbers(integrity, _INTEGRITY_NAMES)]
    return Group(
        implant["id"],
        "screw",
        "screw",
        implant["side"],
        codes.OBJECT,
        codes.SCREW,
        own("method", "metal"),
        _judged(numbers, _at(findings, "screw")),
        (
            _answer("integrity", integrity["state"]),
            _answer("diameter_source", implant["diameter_source"]),
            _answer("surface", implant["surface"]),
        ),
        tuple(implant["cautions"]),
    )


def _side_group(implant: Record, side: str, summary: Record, findings: list[Record], site: str) -> Group:
    names = {"head_side": codes.LAMINA, "tip_side": codes.PEDICLE}
    group = _halo_group(implant, summary, _at(findings, side))
    topography = names[side] if is_pars_site(site) else own("context", side)
    return replace(
        group,
        part=side,
        words=part_words(side, site),
        finding=codes.LUCENCY,
        topography=topography,
    )


def _halo_group(implant: Record, summary: Record, findings: list[Record]) -> Group:
    rim = summary["rim"]
    numbers = [
        *_numbers(summary, _SIDE_NAMES),
        ("rim_thickness", Item(term("rim_thickness"), rim["thickness"])),
        ("rim_hu", Item(term("rim_hu"), rim["hu"])),
        *_sectors(summary["sector_mean_width"]),
    ]
    return Group(
        implant["id"],
        "whole",
        part_words("whole", ""),
        implant["side"],
        codes.RELATION,
        own("context", "whole"),
        own("method", "halo"),
        _judged(numbers, findings),
        (_answer("shape", summary["shape"]), _answer("rim", rim["present"])),
    )


def _sectors(widths: Iterable[Record]) -> Iterator[tuple[str, Item]]:
    for n, width in enumerate(widths):
        at = (own("question", "sector"), own("answer", f"sector-{n}"))
        yield "", Item(term("mean_width"), width, (at,))


def _defect_groups(implant: str, defect: Record, side: str, findings: list[Record]) -> list[Group]:
    """Return the gap, which has a segment of its own, and what is a share of several segments."""
    numbers = _judged(_numbers(defect, _DEFECT_NAMES), _at(findings, "defect"))
    gap = term("gap_width_mean").concept
    group = Group(
        implant,
        "defect",
        "defect",
        side,
        codes.RELATION,
        own("context", "defect"),
        own("method", "defect"),
        tuple(item for item in numbers if item.term.concept != gap),
        (_answer("how", defect["how"]),),
        tuple(defect["cautions"]),
    )
    widths = tuple(item for item in numbers if item.term.concept == gap)
    return [group, replace(group, part="gap", words="gap", finding=own("context", "gap"), items=widths)]


def _scan_group(scan: Record) -> Group:
    return Group(
        "",
        "scan",
        "what the scan can show",
        "",
        codes.RELATION,
        own("context", "scan_group"),
        own("method", "scan"),
        tuple(item for _, item in _numbers(scan, _SCAN_NAMES)),
        (_answer("blur_source", scan["blur_source"]), _answer("algorithm", scan["algorithm"])),
    )


def _metal_group(number: int, metal: Record) -> Group:
    return Group(
        "",
        f"metal-{number + 1}",
        f"other metal {number + 1}",
        "",
        codes.OBJECT,
        own("context", "other_metal"),
        own("method", "metal"),
        tuple(item for _, item in _numbers(metal, ())),
        (_answer("kind", metal["kind"]),),
    )


def _comparison_groups(comparisons: Record, sides: dict[str, str]) -> Iterator[Group]:
    findings = [f for f in comparisons["findings"] if f["quantity"] in _COMPARED]
    for motion in comparisons["motions"]:
        same = [f for f in _since(findings, motion["implant"], motion["from_scan"]) if _is_of(f, motion)]
        yield _motion_group(motion, sides, same)
    for (implant, from_scan), changes in _together(comparisons["changes"]):
        yield _change_group(implant, changes, sides, _since(findings, implant, from_scan))
    for bone in comparisons["new_bone"]:
        yield _bone_group(bone, sides)


def _since(findings: list[Record], implant: str, from_scan: str) -> list[Record]:
    return [f for f in findings if f["implant"] == implant and f.get("from_scan") in (from_scan, None)]


def _is_of(finding: Record, motion: Record) -> bool:
    """Whether a finding speaks of this motion: of this body, seen from the same fragment."""
    body = {"migration": "screw", "interfragmentary_motion": "tip side"}.get(finding["quantity"])
    return body == motion["body"] and finding.get("relative_to") in (motion["relative_to"], None)


def _comparison(implant: str, part: str, words: str, side: str, items: tuple[Item, ...]) -> Group:
    return Group(
        implant,
        part,
        words,
        side,
        codes.RELATION,
        own("context", "comparison"),
        own("method", "comparison"),
        items,
    )


def _motion_group(motion: Record, sides: dict[str, str], findings: list[Record]) -> Group:
    body, against = motion["body"], motion["relative_to"]
    part = f"{body} in {against} since {motion['from_scan']}".replace(" ", "-")
    moves = [
        (name, Item(term(name), value)) for name, value in zip(_AXES, motion["translation_mm"], strict=True)
    ]
    words = f"{body} against {against}, since scan {motion['from_scan']}"
    group = _comparison(
        motion["implant"],
        part,
        words,
        sides.get(motion["implant"], ""),
        _judged([*moves, *_numbers(motion, ())], findings),
    )
    return replace(group, answers=(_answer("state", motion["state"]),))


def _change_group(
    implant: str, changes: list[Record], sides: dict[str, str], findings: list[Record]
) -> Group:
    items = [item for change in changes for item in _change_items(change, findings)]
    earlier = changes[0]["from_scan"]
    part, words = f"change-since-{earlier}", f"growth since scan {earlier}"
    return _comparison(implant, part, words, sides.get(implant, ""), tuple(items))


def _change_items(change: Record, findings: list[Record]) -> tuple[Item, ...]:
    what = term(change["quantity"])
    of = (own("question", "quantity"), what.concept)
    side = (own("question", "side"), own("context", change["side"]))
    state = _answer("state", change["state"])
    here = [f for f in findings if f["site"] == change["side"]]
    item = Item(Term(own("quantity", "change"), what.derivation), change["value"], (of, side, state))
    return _judged([("value", item)], here)


def _bone_group(bone: Record, sides: dict[str, str]) -> Group:
    places = [
        Item(term("elsewhere"), place["volume"], (_answer("place", place["place"]),))
        for place in bone["elsewhere"]
    ]
    items = (*(item for _, item in _numbers(bone, ())), *places)
    part = new_bone_part(bone["from_scan"])
    group = _comparison(
        bone["implant"],
        part,
        part_words(part, ""),
        sides.get(bone["implant"], ""),
        items,
    )
    return replace(group, finding=own("context", "new_bone"), category=codes.TISSUE)


def _together(changes: Iterable[Record]) -> list[tuple[tuple[str, str], list[Record]]]:
    """Return changes by screw and by the scan they start from."""
    grouped: dict[tuple[str, str], list[Record]] = {}
    for change in changes:
        grouped.setdefault((change["implant"], change["from_scan"]), []).append(change)
    return list(grouped.items())


def _numbers(record: Record, plain: tuple[str, ...]) -> list[tuple[str, Item]]:
    """Return the quantities of a record, and those of its plain numbers that are named."""
    found = [(name, value) for name, value in record.items() if isinstance(value, dict) and "u95" in value]
    bare = [(name, {"value": record[name], "unit": _unit(name)}) for name in plain]
    return [(name, Item(term(name), value)) for name, value in [*found, *bare]]


def _unit(name: str) -> str:
    """Return the unit that the name of a plain number ends in."""
    endings = {"mm2": Unit.MM2, "mm": Unit.MM, "deg": Unit.DEG, "hu": Unit.HU, "ceiling": Unit.HU}
    return endings.get(name.rsplit("_", 1)[-1], Unit.ONE).value


def _judged(numbers: Iterable[tuple[str, Item]], findings: list[Record]) -> tuple[Item, ...]:
    """Put each finding to the number it speaks of; one that speaks of none becomes a number itself."""
    left = list(findings)
    out = []
    for name, item in numbers:
        spoken = next((f for f in left if _speaks_of(f, name, item)), None)
        if spoken is not None:
            left.remove(spoken)
        out.append(replace(item, finding=spoken))
    rest = [f for f in left if f["quantity"] not in _COMPARED]
    return (*out, *(Item(term(f["quantity"]), f["value"], finding=f) for f in rest))


def _speaks_of(finding: Record, name: str, item: Item) -> bool:
    """Whether a finding is about a number; without a value the reasons may differ."""
    quantity = _COMPARED.get(finding["quantity"], finding["quantity"])
    found, measured = finding["value"], item.value
    return bool(quantity == name and (found == measured or found["value"] is measured["value"] is None))


def _at(findings: list[Record], site: str) -> list[Record]:
    return [f for f in findings if f["site"] == site]


def _answer(question: str, word: str) -> Modifier:
    return own("question", question), own("answer", word)
