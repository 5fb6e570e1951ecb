"""Screw, halo, gap, bridged and new bone on the voxels of the CT that was measured; nothing is resampled."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.bridge import Bridge, BridgeMap
from ongrowth.defect import Side
from ongrowth.halo import HaloMap
from ongrowth.halo.model import Rod
from ongrowth.reading import ImplantReading, NewBoneCells, Reading
from ongrowth.reports.dicom.groups import bare_defect_name, new_bone_part
from ongrowth.scan import Scan

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]
Box = tuple[slice, slice, slice]

REACH_MM = 5.0  # beyond the envelope: farther than any halo that is measured
_NEAR_CELLS = 1.25  # radius round a voxel in which cells are counted, of their edge: eight where it is full


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a screw: "screw", "head_side", "tip_side", "whole", "gap", "bridge", or new bone, as drawn.

    `implant` is the id of the screw, or what stands for it where no screw crosses the defect. Without any
    voxel (`n_voxels` 0) the part is thinner than a voxel, or not there.
    """

    implant: str
    part: str
    n_voxels: int


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What was drawn on the slices used.

    Parameters
    ----------
    labels : ndarray of uint8, shape (slices used, Y, X)
        0, or 1 + index of the part a voxel's centre lies in; no voxel belongs to two.
    parts : tuple of Part
        In the order of the labels.
    """

    labels: NDArray[np.uint8]
    parts: tuple[Part, ...]


def used_slices(reading: Reading, scan: Scan, new_bone: Sequence[NewBoneCells] = ()) -> tuple[int, ...]:
    """Return the slices on which a screw, its surroundings, a defect or new bone lies, in order."""
    used: set[int] = set()
    for bone in new_bone:
        where = scan.box(bone.cells_mm, bone.cell_mm)
        used.update(range(where[0].start, where[0].stop))
    for where, *_ in _boxes(reading, scan):
        used.update(range(where[0].start, where[0].stop))
    return tuple(sorted(used))


def draw_parts(
    reading: Reading, scan: Scan, slices: Sequence[int], new_bone: Sequence[NewBoneCells] = ()
) -> Drawing:
    """Return the parts of a reading on slices of its CT; where two would meet, the surer one stays.

    Parameters
    ----------
    reading : Reading
        What was measured.
    scan : Scan
        The same CT, on whose grid the parts lie.
    slices : sequence of int
        At least `used_slices`, in order.
    new_bone : sequence of NewBoneCells
        Bone that an earlier scan did not show, where no other part lies.
    """
    labels = np.zeros((len(slices), *scan.hu.shape[1:]), dtype=np.uint8)
    parts: list[Part] = []

    def draw(where: Box, name: str, masks: Iterable[tuple[str, Mask]]) -> None:
        first = int(np.searchsorted(slices, where[0].start))
        box = labels[first : first + where[0].stop - where[0].start, where[1], where[2]]
        for part, mask in masks:
            free = mask & (box == 0)
            parts.append(Part(name, part, int(free.sum())))
            box[free] = len(parts)

    for where, name, implant, bridge in _boxes(reading, scan):
        draw(where, name, _masks(_places_mm(scan, where), implant, bridge))
    for bone in new_bone:
        where = scan.box(bone.cells_mm, bone.cell_mm)
        filled = _in_cells(_places_mm(scan, where), bone)
        draw(where, bone.implant, [(new_bone_part(bone.from_scan), filled)])
    return Drawing(labels, tuple(parts))


def _in_cells(places_mm: FloatArray, bone: NewBoneCells) -> Mask:
    """Return which places new bone fills by more than half; cells lie askew to the voxels of this CT."""
    from scipy.spatial import cKDTree

    reach = _NEAR_CELLS * bone.cell_mm
    flat = places_mm.reshape(-1, 3)
    count = cKDTree(bone.cells_mm).query_ball_point(flat, reach, return_length=True)
    full = 4.0 / 3.0 * np.pi * _NEAR_CELLS**3
    return np.asarray(count > full / 2.0).reshape(places_mm.shape[:-1])


def _boxes(reading: Reading, scan: Scan) -> Iterator[tuple[Box, str, ImplantReading | None, Bridge | None]]:
    """Yield each screw, and each defect without one, with its name and the box of the scan that holds it."""
    for implant in reading.implants:
        ends = [implant.frame.origin_mm, implant.frame.tip_mm]
        where = scan.box(ends, implant.screw.major_diameter_mm.value / 2.0 + REACH_MM)
        if implant.bridge is not None:
            where = _both(where, scan.box(_corners_mm(implant.bridge), 0.0))
        yield where, implant.id, implant, implant.bridge
    for defect in reading.defects:
        yield (
            scan.box(_corners_mm(defect.bridge), REACH_MM),
            bare_defect_name(defect.side),
            None,
            defect.bridge,
        )


def _both(one: Box, two: Box) -> Box:
    """Return the smallest box that holds two."""
    first, second, third = (
        slice(min(a.start, b.start), max(a.stop, b.stop)) for a, b in zip(one, two, strict=True)
    )
    return first, second, third


def _corners_mm(bridge: Bridge) -> FloatArray:
    """Return the corners of what the map of a defect covers, patient mm, shape (8, 3)."""
    grid, plane = bridge.map, bridge.defect.plane
    widest = np.nanmax(np.append(grid.gap_width_mm, usual_gap_mm(bridge)))
    ends = ((grid.u_mm[0], grid.u_mm[-1]), (grid.v_mm[0], grid.v_mm[-1]), (-widest / 2.0, widest / 2.0))
    corners = np.array(np.meshgrid(*ends)).reshape(3, -1)
    return np.asarray(
        plane.point_mm + corners.T @ np.array([grid.u_direction, grid.v_direction, plane.normal])
    )


def _places_mm(scan: Scan, where: Box) -> FloatArray:
    """Return the patient mm of the voxel centres of a box, shape (Z, Y, X, 3)."""
    index = np.meshgrid(*(np.arange(s.start, s.stop) for s in where), indexing="ij")
    return scan.world_mm(np.stack(index, axis=-1))


def _masks(
    places: FloatArray, implant: ImplantReading | None, bridge: Bridge | None
) -> Iterator[tuple[str, Mask]]:
    """Yield the parts of one screw, the surest first."""
    if implant is not None:
        radius, angle, depth = implant.frame.cylindrical(places)
        envelope = Rod.of(implant.screw).outer_mm(depth)
        yield "screw", (radius <= envelope) & (depth >= 0.0) & (depth <= implant.frame.length_mm)
    if bridge is not None:
        yield from _draw_defect(places, bridge)
    if implant is not None:
        width, side = _at_cells(implant.halo.map, angle, depth)
        within = (radius > envelope) & (radius <= envelope + np.nan_to_num(width, nan=0.0))
        for part, which in implant.halo.parts.items():
            yield part, within & (side == which)


def _at_cells(
    halo: HaloMap, angle_deg: FloatArray, depth_mm: FloatArray
) -> tuple[FloatArray, NDArray[np.int8]]:
    """Return width and side of the cell that each place lies in; NaN and OUTSIDE beyond the map."""
    step = float(halo.depth_mm[1] - halo.depth_mm[0])
    row = np.rint((depth_mm - halo.depth_mm[0]) / step).astype(int)
    turn = 360.0 / len(halo.angle_deg)
    column = np.rint((angle_deg - halo.angle_deg[0]) / turn).astype(int) % len(halo.angle_deg)
    beyond = (row < 0) | (row >= len(halo.depth_mm))
    row = np.where(beyond, 0, row)
    width = np.where(beyond, np.nan, halo.width_mm[row, column])
    return width, np.where(beyond, Side.OUTSIDE, halo.side[row, column]).astype(np.int8)


def _draw_defect(places: FloatArray, bridge: Bridge) -> Iterator[tuple[str, Mask]]:
    """Yield bridged bone and gap: columns along the normal, each as long as the gap is wide there."""
    grid = bridge.map
    plane = bridge.defect.plane
    height = np.abs(plane.height_mm(places))
    away = places - plane.point_mm
    column, row = _nearest(grid.u_mm, away @ grid.u_direction), _nearest(grid.v_mm, away @ grid.v_direction)
    inside = (column >= 0) & (row >= 0)
    bridged = inside & grid.bridged[row, column]
    if grid.bridged.any():
        yield "bridge", bridged & (height <= usual_gap_mm(bridge) / 2.0)
    gap = np.where(inside & ~bridged, grid.gap_width_mm[row, column], np.nan)
    yield "gap", height <= np.nan_to_num(gap, nan=-1.0) / 2.0


def _nearest(axis_mm: FloatArray, at_mm: FloatArray) -> NDArray[np.intp]:
    """Return the index of the grid line nearest to each place, -1 beyond the grid."""
    step = float(axis_mm[1] - axis_mm[0])
    index = np.rint((at_mm - axis_mm[0]) / step).astype(np.intp)
    return np.where((index < 0) | (index >= len(axis_mm)), -1, index)


def usual_gap_mm(bridge: Bridge) -> float:
    """Return how long the bone of a bridge is: the usual width of the open gap beside it, mm.

    Where bone bridges, no edge is left that would tell. NaN if the gap is nowhere open and its width
    is not known otherwise.
    """
    grid: BridgeMap = bridge.map
    open_mm = grid.gap_width_mm[~grid.bridged & np.isfinite(grid.gap_width_mm)]
    return float(np.median(open_mm)) if open_mm.size else bridge.defect.gap_mm
