"""A defect and what bridges it as plain records, and back."""

from __future__ import annotations

import numpy as np

from ongrowth.bridge import Bridge, BridgeMap, BridgePiece, Edge
from ongrowth.defect import DefectPlane
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution, Measured, Unit, plain, real
from ongrowth.reading.parts import DefectReading
from ongrowth.reading.plain import Record, array_of, rows_of

_QUANTITIES = (
    ("gap_width_mean", Unit.MM),
    ("gap_width_max", Unit.MM),
    ("gap_width_mean_open", Unit.MM),
    ("bridged_fraction", Unit.ONE),
    ("bridge_count", Unit.ONE),
    ("cross_section_mm2", Unit.MM2),
    ("hidden_by_metal", Unit.ONE),
    ("tissue_hu", Unit.HU),
)
_LATER = ("gap_width_mean_open", "tissue_hu", "head_edge", "tip_edge")  # absent from the first files
_EDGES = ("head_edge", "tip_edge")


def defect_to_dict(defect: DefectPlane | None, bridge: Bridge | None) -> Record | None:
    """Return the defect of a screw, as written: measured, only placed, or none."""
    if bridge is not None:
        return bridge_to_dict(bridge)
    if defect is None:
        return None
    not_measured = {
        name: Measured.missing(unit, Caution.LITTLE_MEASURED).as_dict() for name, unit in _QUANTITIES
    }
    return _plane_to_dict(defect) | not_measured | {"smallest_bridge_shown_mm": None, "map": None}


def bridge_to_dict(bridge: Bridge) -> Record:
    """Return what crosses a defect, as written."""
    return (
        _plane_to_dict(bridge.defect)
        | {name: getattr(bridge, name).as_dict() for name, _ in _QUANTITIES}
        | {name: _edge_to_dict(getattr(bridge, name)) for name in _EDGES}
        | {
            "smallest_bridge_shown_mm": plain(bridge.smallest_bridge_shown_mm),
            "bridges": [_piece_to_dict(piece) for piece in bridge.bridges],
            "map": _map_to_dict(bridge.map),
        }
    )


def bridge_from_dict(record: Record) -> Bridge:
    """Return what `bridge_to_dict` wrote; files of the first version lack the later fields."""
    known: Record = {
        name: Measured.from_dict(record[name])
        for name, _ in _QUANTITIES
        if name in record or name not in _LATER
    }
    known |= {name: _edge_from_dict(record[name]) for name in _EDGES if name in record}
    return Bridge(
        defect=plane_from_dict(record),
        smallest_bridge_shown_mm=real(record["smallest_bridge_shown_mm"]),
        bridges=tuple(_piece_from_dict(piece) for piece in record.get("bridges", ())),
        map=_map_from_dict(record["map"]),
        **known,
    )


def open_defect_to_dict(defect: DefectReading) -> Record:
    """Return a defect that no screw crosses, as written, without its pictures."""
    own: Record = {"side": defect.side, "bone_hu": defect.bone_hu.as_dict()}
    if defect.course_mm is not None:
        own["course_mm"] = [[float(v) for v in end] for end in defect.course_mm]
    return own | bridge_to_dict(defect.bridge)


def open_defect_from_dict(record: Record) -> DefectReading:
    """Return what `open_defect_to_dict` wrote; the first files have no bone value and no course."""
    bridge = bridge_from_dict(record)
    course = np.array(record["course_mm"]) if "course_mm" in record else None
    if "bone_hu" not in record:
        return DefectReading(record["side"], bridge, course_mm=course)
    return DefectReading(record["side"], bridge, Measured.from_dict(record["bone_hu"]), course_mm=course)


def _edge_to_dict(edge: Edge) -> Record:
    return {
        "face_hu": edge.face_hu.as_dict(),
        "behind_hu": edge.behind_hu.as_dict(),
        "sclerotic": edge.is_sclerotic,
    }


def _edge_from_dict(record: Record) -> Edge:
    return Edge(
        Measured.from_dict(record["face_hu"]), Measured.from_dict(record["behind_hu"]), record["sclerotic"]
    )


def _piece_to_dict(piece: BridgePiece) -> Record:
    return {
        "area_mm2": plain(piece.area_mm2),
        "centre_mm": [float(v) for v in piece.centre_mm],
        "place": piece.place,
        "direction": piece.direction,
    }


def _piece_from_dict(record: Record) -> BridgePiece:
    return BridgePiece(
        real(record["area_mm2"]), np.array(record["centre_mm"]), record["place"], record["direction"]
    )


def _plane_to_dict(defect: DefectPlane) -> Record:
    return {
        "found": defect.how == "found",
        "how": defect.how,
        "point_mm": [float(v) for v in defect.plane.point_mm],
        "normal": [float(v) for v in defect.plane.normal],
        "gap_mm": plain(defect.gap_mm),
        "u_angle_deg": plain(defect.u_angle_deg),
        "u_offset_mm": plain(defect.u_offset_mm),
        "cautions": list(defect.cautions.codes),
    }


def plane_from_dict(record: Record) -> DefectPlane:
    """Return the plane of a defect record."""
    return DefectPlane(
        Plane(np.array(record["point_mm"]), np.array(record["normal"])),
        real(record["gap_mm"]),
        record["how"],
        real(record["u_angle_deg"]),
        real(record["u_offset_mm"]),
        Caution.from_codes(record["cautions"]),
    )


def _map_to_dict(bridge_map: BridgeMap) -> Record:
    lines = ("u_mm", "v_mm", "u_direction", "v_direction", "gap_width_mm", "gap_width_u_mm")
    masks = ("bridged", "inside", "hidden")
    return {name: rows_of(getattr(bridge_map, name)) for name in lines} | {
        name: getattr(bridge_map, name).tolist() for name in masks
    }


def _map_from_dict(record: Record) -> BridgeMap:
    masks = ("bridged", "inside", "hidden")
    arrays: Record = {name: array_of(rows) for name, rows in record.items() if name not in masks}
    return BridgeMap(**(arrays | {name: np.array(record[name], dtype=bool) for name in masks}))
