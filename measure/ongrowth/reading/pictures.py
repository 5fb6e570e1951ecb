"""Maps, cuts, profiles, and what a later comparison needs: arrays on disk beside the result files."""

from __future__ import annotations

import dataclasses
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.calibration import ToldBlur
from ongrowth.files import new_file
from ongrowth.halo import Doubt, Rim, blur_found, told_blur
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading.case_parts import Case, ChangeMap, NewBoneCells, Overlay
from ongrowth.reading.parts import Cut, ImplantReading, Profile, Reading

CHANGE_PICTURES = "changes.npz"
_MOST_BYTES = 2**29  # a case of many screws takes a hundredth
Arrays = dict[str, NDArray[Any]]

_WHOSE = ("implant", "from_scan", "to_scan")
_CUT_ARRAYS = ("hu", "right_mm", "down_mm", "edge_words", "at_depth_mm")
_BLUR_ARRAYS = ("curves", "chances", "covariance")
_PROFILE_ARRAYS = ("distance_mm", "hu_mean", "hu_low", "hu_high")


def write_pictures(reading: Reading, path: Path) -> None:
    """Write maps, cuts, profiles and what the CT tells of its blur, under ``<implant>.<what>.<name>``."""
    arrays: dict[str, NDArray[Any]] = {}
    for implant in reading.implants:
        blur = told_blur(implant.halo, reading.scan.nominal_slice_mm)
        if blur is not None:
            arrays |= {f"{implant.id}.blur.{name}": getattr(blur, name) for name in _BLUR_ARRAYS}
        for name in ("depth_mm", "angle_deg", "width_mm", "width_u_mm", "side", "cautions"):
            arrays[f"{implant.id}.halo.{name}"] = getattr(implant.halo.map, name)
        for cut in implant.cuts:
            arrays |= {f"{implant.id}.cut.{cut.name}.{n}": np.asarray(getattr(cut, n)) for n in _CUT_ARRAYS}
        for profile in implant.profiles:
            key = f"{implant.id}.profile.{profile.side}"
            arrays |= {f"{key}.{n}": getattr(profile, n) for n in _PROFILE_ARRAYS}
        if implant.bridge is not None:
            for name in ("u_mm", "v_mm", "gap_width_mm", "gap_width_u_mm", "bridged", "inside", "hidden"):
                arrays[f"{implant.id}.gap.{name}"] = getattr(implant.bridge.map, name)
    for defect in reading.defects:
        for cut in defect.cuts:
            key = f"defect {defect.side}.cut.{cut.name}"
            arrays |= {f"{key}.{n}": np.asarray(getattr(cut, n)) for n in _CUT_ARRAYS}
    _save(path, arrays)


def told_blurs(path: Path) -> tuple[ToldBlur, ...]:
    """Return what a CT tells of its blur by itself, as `write_pictures` left it: one for each screw.

    Parameters
    ----------
    path : Path
        ``map.npz``.

    Raises
    ------
    KeyError, TypeError, ValueError
        If the file holds something else.
    """
    blurs = (part for name, part in _parts(_load(path), "").items() if name.endswith(".blur"))
    return tuple(ToldBlur.from_dict({name: array.tolist() for name, array in part.items()}) for part in blurs)


def with_pictures(reading: Reading, path: Path) -> Reading:
    """Return a reading with the cuts and profiles stored beside it."""
    stored = _load(path)
    return dataclasses.replace(
        reading,
        implants=tuple(_implant_with_pictures(implant, stored) for implant in reading.implants),
        defects=tuple(
            dataclasses.replace(defect, cuts=_cuts(stored, f"defect {defect.side}"))
            for defect in reading.defects
        ),
    )


def _cuts(stored: Arrays, of: str) -> tuple[Cut, ...]:
    return tuple(_cut(name, part) for name, part in _parts(stored, f"{of}.cut.").items())


def _implant_with_pictures(implant: ImplantReading, stored: dict[str, NDArray[Any]]) -> ImplantReading:
    return dataclasses.replace(
        implant,
        cuts=_cuts(stored, implant.id),
        profiles=tuple(
            Profile(side, **part) for side, part in _parts(stored, f"{implant.id}.profile.").items()
        ),
    )


def _parts(stored: dict[str, NDArray[Any]], prefix: str) -> dict[str, dict[str, NDArray[Any]]]:
    """Return the arrays under a prefix, grouped by the next word of their name."""
    grouped: dict[str, dict[str, NDArray[Any]]] = {}
    for name, array in stored.items():
        if name.startswith(prefix):
            group, _, last = name.removeprefix(prefix).rpartition(".")
            grouped.setdefault(group, {})[last] = array
    return grouped


def _cut(name: str, part: dict[str, NDArray[Any]]) -> Cut:
    left, right, top, bottom = (str(word) for word in part["edge_words"])
    return Cut(
        name,
        part["hu"],
        part["right_mm"],
        part["down_mm"],
        (left, right, top, bottom),
        float(part["at_depth_mm"]),
    )


def _save(path: Path, arrays: Arrays) -> None:
    with path.open("wb") as file:
        np.savez_compressed(file, **arrays)  # type: ignore[arg-type]  # the stub mistakes names for options


def _load(path: Path) -> Arrays:
    """Read all arrays of a file; nothing in it is run (no pickles), and it may not unpack without bound.

    Raises
    ------
    ValueError
        If it is no file of arrays, or too large.
    """
    with zipfile.ZipFile(path) as packed:
        if sum(part.file_size for part in packed.infolist()) > _MOST_BYTES:
            raise ValueError("it would unpack to more than any result holds")
    with np.load(path, allow_pickle=False) as arrays:
        return {name: arrays[name] for name in arrays.files}


_DOUBT_ARRAYS = (
    "parts", "solutions", "widths_mm", "blur_mm", "chances", "alone", "paired", "covariance", "blur_u_mm",
    "follow_mm", "noise_mm", "envelope_mm", "limit_mm", "model_mm",
)  # fmt: skip


def write_doubts(reading: Reading, path: Path) -> None:
    """Write what the widths hang on, so that a later CT can be compared without measuring this one again."""
    arrays: Arrays = {}
    for implant in reading.implants:
        doubt, blur = implant.halo.doubt, implant.halo.blur
        if doubt is not None and blur is not None:
            parts = {name: np.asarray(getattr(doubt, name)) for name in _DOUBT_ARRAYS}
            parts["blur_source"] = np.array(blur.source)
            parts["noise_mm"] = parts["noise_mm"].astype(np.float32)  # draws: more digits say nothing
            parts["radius"] = _numbers(doubt.radius)
            parts["layer_hu"] = _numbers(*doubt.layer_hu)
            parts["rim_present"] = np.array([rim.present for rim in doubt.rims])
            parts["rim_mm"] = _numbers(*(rim.thickness_mm for rim in doubt.rims))
            parts["rim_hu"] = _numbers(*(rim.hu for rim in doubt.rims))
            arrays |= {f"{implant.id}.doubt.{name}": part for name, part in parts.items()}
    if arrays:
        _save(path, arrays)


def _numbers(*values: Measured) -> NDArray[np.float64]:
    return np.array([(v.value, v.u, v.low95, v.high95, float(v.cautions)) for v in values])


def _measured(numbers: NDArray[np.float64], unit: Unit) -> tuple[Measured, ...]:
    rows = numbers.tolist()
    return tuple(Measured(v, u, low, high, unit, Caution(int(told))) for v, u, low, high, told in rows)


def with_doubts(reading: Reading, path: Path) -> Reading:
    """Return a reading with what its widths hang on, as `write_doubts` left it."""
    stored = _load(path)

    def doubted(implant: ImplantReading) -> ImplantReading:
        part = {
            name.removeprefix(f"{implant.id}.doubt."): array
            for name, array in stored.items()
            if name.startswith(f"{implant.id}.doubt.")
        }
        if "blur_source" not in part:  # none, or an earlier state's: then nothing is taken to cancel
            return implant
        doubt = _doubt(part)
        blur = blur_found(doubt, str(part["blur_source"]))
        return dataclasses.replace(implant, halo=dataclasses.replace(implant.halo, doubt=doubt, blur=blur))

    return dataclasses.replace(reading, implants=tuple(doubted(one) for one in reading.implants))


def _doubt(part: Arrays) -> Doubt:
    (radius,) = _measured(part["radius"], Unit.MM)
    head_layer, tip_layer = _measured(part["layer_hu"], Unit.HU)
    thick, dense = _measured(part["rim_mm"], Unit.MM), _measured(part["rim_hu"], Unit.HU)
    head_rim, tip_rim = map(Rim, (str(word) for word in part["rim_present"]), thick, dense)
    head_limit, tip_limit = (float(number) for number in part["limit_mm"])
    plain = ("parts", "limit_mm", "noise_mm", "model_mm")
    return Doubt(
        parts=tuple(str(word) for word in part["parts"]),
        limit_mm=(head_limit, tip_limit),
        noise_mm=part["noise_mm"].astype(np.float64),
        layer_hu=(head_layer, tip_layer),
        rims=(head_rim, tip_rim),
        radius=radius,
        model_mm=float(part["model_mm"]),
        **{name: part[name] for name in _DOUBT_ARRAYS if name not in plain},
    )


def write_change_pictures(case: Case, path: Path) -> None:
    """Write the pictures of change of a case, each under ``<what>.<number>.<name>``; whole or not."""
    arrays: Arrays = {}
    for k, change in enumerate(case.change_maps):
        arrays |= {f"map.{k}.{n}": np.asarray(getattr(change, n)) for n in _names(ChangeMap)}
    for k, bone in enumerate(case.new_bone_cells):
        arrays |= {f"bone.{k}.{n}": np.asarray(getattr(bone, n)) for n in _names(NewBoneCells)}
    for k, overlay in enumerate(case.overlays):
        arrays |= {f"overlay.{k}.{n}": np.asarray(getattr(overlay, n)) for n in (*_WHOSE, "held")}
        for when in ("then", "now"):
            cut: Cut = getattr(overlay, when)
            arrays |= {f"overlay.{k}.{when}.{n}": np.asarray(getattr(cut, n)) for n in ("name", *_CUT_ARRAYS)}
    with new_file(path) as part:
        _save(part, arrays)


def with_change_pictures(case: Case, path: Path) -> Case:
    """Return a case with the change maps and overlays stored beside it."""
    if not path.is_file():
        return case
    stored = _load(path)
    maps = (_change_map(part) for part in _numbered(stored, "map."))
    overlays = (_overlay(part) for part in _numbered(stored, "overlay."))
    bones = (_bone_cells(part) for part in _numbered(stored, "bone."))
    return dataclasses.replace(
        case, change_maps=tuple(maps), overlays=tuple(overlays), new_bone_cells=tuple(bones)
    )


def _names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in dataclasses.fields(kind))


def _numbered(stored: Arrays, prefix: str) -> Iterable[Arrays]:
    """Give the arrays under a prefix, thing by thing in the order of their numbers."""
    grouped: dict[int, Arrays] = {}
    for name, array in stored.items():
        if name.startswith(prefix):
            number, _, last = name.removeprefix(prefix).partition(".")
            grouped.setdefault(int(number), {})[last] = array
    return (grouped[k] for k in sorted(grouped))


def _change_map(part: Arrays) -> ChangeMap:
    words: Any = {name: str(part[name]) for name in _WHOSE}
    lies: Any = {name: float(part[name]) for name in ("turn_deg", "slide_mm") if name in part}
    arrays: Any = {name: part[name] for name in ("depth_mm", "angle_deg", "change_mm", "change_u_mm")}
    return ChangeMap(**words, **arrays, **lies)


def _bone_cells(part: Arrays) -> NewBoneCells:
    words: Any = {name: str(part[name]) for name in _WHOSE}
    return NewBoneCells(**words, cells_mm=part["cells_mm"], cell_mm=float(part["cell_mm"]))


def _overlay(part: Arrays) -> Overlay:
    def cut(when: str) -> Cut:
        own = {name.removeprefix(f"{when}."): a for name, a in part.items() if name.startswith(f"{when}.")}
        return _cut(str(own.pop("name")), own)

    words: Any = {name: str(part[name]) for name in (*_WHOSE, "held")}
    return Overlay(**words, then=cut("then"), now=cut("now"))
