"""The scenes beside the sheet: the whole CT on the patient's axes, and the CT along the axes of a screw.

All layers are in millimetres on axes (z, y, x), so that the viewer needs no turning of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from napari.layers import Image, Layer, Points, Surface, Vectors
from numpy.typing import NDArray

from ongrowth.defect import Side
from ongrowth.reading import Grid, patient_grid, patient_letters, screw_grid
from ongrowth.reports.figures import BONE_WINDOW_HU, WIDTH_SCALE_MM
from ongrowth.scan import Scan
from ongrowth_napari.paint import OVER, UNDER
from ongrowth_napari.picture import EDGE, FAINT, PLANE, SECTOR_DEG, THREAD, TICK_MM, WHITE, ScrewPicture

FloatArray = NDArray[np.float64]
Colour = tuple[float, float, float, float]

_UNITS = ("mm", "mm", "mm")
_PATIENT_AXES = ("z", "y", "x")
_SCREW_AXES = ("depth", "down", "right")
_SCREW_STEP_MM, _SCREW_REACH_MM, _SCREW_MARGIN_MM = 0.35, 14.0, 8.0
_PLANE_MM = 9.0
_ABOVE_MM = 0.1  # of the borders of the sectors over the surface
_BEHIND = 0.55  # how much of the CT shows round a surface in space
_THREAD_LINE, _HALO_LINE, _PLANE_LINE = "thread in the slice", "halo edge in the slice", "defect in the slice"
_IN_SLICE: dict[str, Colour] = {_THREAD_LINE: THREAD, _HALO_LINE: EDGE, _PLANE_LINE: PLANE}
_LETTERS = (("F", "H"), ("A", "P"), ("R", "L"))  # at the low and the high end of z, y, x


class Turn:
    """How patient places become places of a scene: (z, y, x), or (depth, down, right) of a screw."""

    def __init__(self, picture: ScrewPicture | None = None) -> None:
        self._picture = picture
        self.axes = _PATIENT_AXES if picture is None else _SCREW_AXES

    def places(self, world_mm: FloatArray) -> FloatArray:
        """Return places of the scene, shape (..., 3), of patient mm (LPS)."""
        if self._picture is None:
            return np.asarray(world_mm[..., ::-1])
        local = self._picture.frame.world_from_screw.inverse().apply(world_mm)
        return np.stack([local[..., 2], -local[..., 0], local[..., 1]], axis=-1)


def patient_layers(scan: Scan, picture: ScrewPicture | None) -> list[Layer]:
    """Return the layers of the whole CT on the patient's axes, with the screw if there is one."""
    turn = Turn()
    image = _image("CT, patient axes", patient_grid(scan), turn)
    screw = [] if picture is None else _screw_layers(picture, turn)
    return [image, *screw, letter_layer(image, turn, None)]


def screw_layers(picture: ScrewPicture) -> list[Layer]:
    """Return the layers of the CT along the axes of a screw, and an earlier CT over it."""
    turn = Turn(picture)
    grid = screw_grid(picture.part, picture.frame, _SCREW_MARGIN_MM, _SCREW_REACH_MM, _SCREW_STEP_MM)
    layers: list[Layer] = [_image("CT, screw axes", grid, turn)]
    if picture.earlier is not None:
        other = screw_grid(*picture.earlier, _SCREW_MARGIN_MM, _SCREW_REACH_MM, _SCREW_STEP_MM)
        over = _image("other CT, screw axes", other, turn)
        layers[0].colormap, over.colormap, over.blending = UNDER, OVER, "additive"
        layers.append(over)
    return [*layers, *_screw_layers(picture, turn), letter_layer(layers[0], turn, picture)]


def space_layers(picture: ScrewPicture) -> list[Layer]:
    """Return the layers of the halo in space: its surface in front of the bone, with the scale of widths."""
    turn = Turn(picture)
    grid = screw_grid(picture.part, picture.frame, _SCREW_MARGIN_MM, _SCREW_REACH_MM, _SCREW_STEP_MM)
    image = _image("CT, screw axes", grid, turn)
    image.opacity = _BEHIND
    layers: list[Layer] = [image, _outline(picture, turn)]
    if picture.is_shown:
        layers += [*_halo_surface(picture, turn), _sectors(picture, turn), *_plane(picture, turn)]
    return [*layers, _ends(picture, turn), letter_layer(image, turn, picture)]


def _image(name: str, grid: Grid, turn: Turn) -> Image:
    return Image(
        grid.hu,
        name=name,
        scale=grid.step_mm,
        translate=grid.first_mm,
        contrast_limits=BONE_WINDOW_HU,
        colormap="gray",
        units=_UNITS,
        axis_labels=turn.axes,
        rendering="attenuated_mip",
        attenuation=0.02,
        blending="translucent_no_depth",  # in space bone must not hide the halo behind it
    )


def _screw_layers(picture: ScrewPicture, turn: Turn) -> list[Layer]:
    """Return the layers of the lines in the slice, empty as yet, and the ends of the screw."""
    nothing = _no_stroke(picture, turn)
    lines = [
        _stroke_layer(name, nothing, colour, 0.2, turn, out_of_slice_display=True)
        for name, colour in _IN_SLICE.items()
    ]
    return [*lines, _ends(picture, turn)]


def _no_stroke(picture: ScrewPicture, turn: Turn) -> FloatArray:
    """Return a stroke without length, at the screw: a layer without any would spoil the viewer's axes."""
    at = turn.places(picture.frame.origin_mm)
    return np.stack([at, np.zeros(3)])[None]


def draw_slice(layers: list[Layer], picture: ScrewPicture, turn: Turn, axis: int, at_mm: float) -> None:
    """Draw thread envelope, halo edge and plane of the defect into the slice that is shown.

    Parameters
    ----------
    layers : list of Layer
        Of a scene; those that hold lines of the slice are exchanged.
    picture : ScrewPicture
        The screw.
    turn : Turn
        Of the scene.
    axis : int
        The axis across the slice.
    at_mm : float
        Where on it.
    """
    meshes = {_THREAD_LINE: envelope_mesh(picture)}
    if picture.is_shown:
        meshes |= {_HALO_LINE: halo_mesh(picture)[:2], _PLANE_LINE: plane_mesh(picture)}
    for layer in layers:
        if layer.name in _IN_SLICE:
            places, faces = meshes.get(layer.name, (np.zeros((0, 3)), np.zeros((0, 3), dtype=np.intp)))
            strokes = cut_mesh(turn.places(places), faces, axis, at_mm)
            layer.data = strokes if len(strokes) else _no_stroke(picture, turn)
            layer.edge_color = np.array(_IN_SLICE[layer.name])


def cut_mesh(places: FloatArray, faces: NDArray[np.intp], axis: int, at: float) -> FloatArray:
    """Return where a mesh meets a plane across an axis, as strokes (start, way), shape (N, 2, 3)."""
    above = places[faces, axis] > at
    n_above = above.sum(axis=1)
    crossed = (n_above == 1) | (n_above == 2)
    corners, above = faces[crossed], above[crossed]
    lone = np.where(n_above[crossed] == 1, above.argmax(axis=1), above.argmin(axis=1))
    row = np.arange(len(corners))
    one = places[corners[row, lone]]
    ends = []
    for step in (1, 2):
        other = places[corners[row, (lone + step) % 3]]
        share = (at - one[:, axis]) / (other[:, axis] - one[:, axis])
        ends.append(one + share[:, None] * (other - one))
    return np.stack([ends[0], ends[1] - ends[0]], axis=1)


def _grid_faces(n_rows: int, n_columns: int) -> NDArray[np.intp]:
    """Return the triangles of a closed tube of rings, one row a ring."""
    row, column = np.meshgrid(np.arange(n_rows - 1), np.arange(n_columns), indexing="ij")
    a, b = row * n_columns + column, row * n_columns + (column + 1) % n_columns
    one, two = np.stack([a, b, b + n_columns], axis=-1), np.stack([a, b + n_columns, a + n_columns], axis=-1)
    return np.asarray(np.stack([one, two], axis=-2).reshape(-1, 3), dtype=np.intp)


def envelope_mesh(picture: ScrewPicture) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return the envelope of the thread as a mesh: places (patient mm), triangles."""
    depth, angle = np.meshgrid([0.0, picture.frame.length_mm], np.arange(0.0, 360.0, 7.5), indexing="ij")
    places = picture.frame.world(np.full(depth.shape, picture.radius_mm), angle, depth)
    return places.reshape(-1, 3), _grid_faces(*depth.shape)


def plane_mesh(picture: ScrewPicture) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return the plane of the defect as a mesh: a disc of triangles; empty if there is none."""
    rim, _ = _plane_rim(picture)
    if not len(rim):
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.intp)
    n = len(rim) - 1
    faces = np.stack([np.full(n, n + 1), np.arange(n), np.arange(1, n + 1)], axis=1)
    return np.concatenate([rim, rim.mean(axis=0, keepdims=True)]), faces


def halo_mesh(picture: ScrewPicture) -> tuple[FloatArray, NDArray[np.intp], FloatArray]:
    """Return the outer edge of the halo as a mesh: places (patient mm), triangles, width at each place.

    Only where the width is measured; where there is none a hole stays.
    """
    halo = picture.map
    depth, angle = np.meshgrid(halo.depth_mm, halo.angle_deg, indexing="ij")
    known = np.isin(halo.side, [Side.HEAD, Side.TIP]) & np.isfinite(halo.width_mm) & (halo.cautions == 0)
    radius = picture.radius_mm + np.maximum(np.nan_to_num(halo.width_mm), 0.0)
    places = picture.frame.world(radius, angle, depth).reshape(-1, 3)
    faces = _grid_faces(*known.shape)
    faces = faces[known.ravel()[faces].all(axis=1)]
    return places, faces, np.nan_to_num(halo.width_mm).ravel()


def _halo_surface(picture: ScrewPicture, turn: Turn) -> list[Layer]:
    places, faces, width = halo_mesh(picture)
    if not len(faces):
        return []
    surface = Surface(
        (turn.places(places), faces, width),
        name="halo surface, coloured by width",
        colormap="cividis",
        contrast_limits=WIDTH_SCALE_MM,
        shading="none",  # a shade would change the colour, which is the width
        units=_UNITS,
        axis_labels=turn.axes,
    )
    if hasattr(surface, "colorbar"):  # since napari 0.7
        surface.colorbar.visible = True
    return [surface]


def _ring(picture: ScrewPicture, depth_mm: float, radius_mm: float) -> FloatArray:
    angle = np.arange(0.0, 360.1, 15.0)
    return picture.frame.world(radius_mm, angle, depth_mm)


def _strokes(course: FloatArray) -> FloatArray:
    return np.stack([course[:-1], np.diff(course, axis=0)], axis=1)


def _stroke_layer(
    name: str, strokes: FloatArray, colour: Colour, width_mm: float, turn: Turn, **how: Any
) -> Vectors:
    return Vectors(
        strokes,
        name=name,
        edge_color=np.array(colour),
        edge_width=width_mm,
        vector_style="line",
        units=_UNITS,
        axis_labels=turn.axes,
        **how,
    )


def _vectors(name: str, pieces: list[FloatArray], colour: Colour, width_mm: float, turn: Turn) -> Vectors:
    strokes = np.concatenate([_strokes(turn.places(piece)) for piece in pieces])
    return _stroke_layer(name, strokes, colour, width_mm, turn)


def _outline(picture: ScrewPicture, turn: Turn) -> Vectors:
    """Return the measured outline: the axis, four lines of the envelope, and a ring every 5 mm."""
    frame, radius = picture.frame, picture.radius_mm
    ends = np.array([0.0, frame.length_mm])
    pieces = [frame.world(0.0, 0.0, ends)]
    pieces += [frame.world(radius, angle, ends) for angle in (0.0, 90.0, 180.0, 270.0)]
    pieces += [_ring(picture, float(at), radius) for at in np.arange(0.0, frame.length_mm + 0.1, TICK_MM)]
    return _vectors("measured outline, a ring every 5 mm", pieces, WHITE, 0.2, turn)


def _sectors(picture: ScrewPicture, turn: Turn) -> Vectors:
    """Return the borders of the eight sectors along the outer edge of the halo."""
    halo, pieces = picture.map, []
    for border in np.arange(SECTOR_DEG / 2.0, 360.0, SECTOR_DEG):
        beside = np.argsort(np.abs((halo.angle_deg - border + 180.0) % 360.0 - 180.0))[:2]
        width = np.maximum(np.nan_to_num(halo.width_mm[:, beside]), 0.0).max(axis=1)
        radius = picture.radius_mm + width + _ABOVE_MM
        pieces.append(picture.frame.world(radius, np.full(radius.shape, border), halo.depth_mm))
    return _vectors("sectors", pieces, FAINT, 0.12, turn)


def _plane_rim(picture: ScrewPicture) -> tuple[FloatArray, list[FloatArray]]:
    """Return the rim of the part of the plane that is shown, and a cross in it; nothing without a plane."""
    plane, frame = picture.corrected.plane, picture.frame
    if plane is None:
        return np.zeros((0, 3)), []
    first = frame.zero_direction - (frame.zero_direction @ plane.normal) * plane.normal
    first /= np.linalg.norm(first)
    second = np.cross(plane.normal, first)
    turns = np.radians(np.arange(0.0, 360.1, 10.0))
    rim = plane.point_mm + _PLANE_MM * (np.cos(turns)[:, None] * first + np.sin(turns)[:, None] * second)
    cross = [plane.point_mm + sign * _PLANE_MM * way for way in (first, second) for sign in (-1.0, 1.0)]
    return rim, [np.array(cross[:2]), np.array(cross[2:])]


def _plane(picture: ScrewPicture, turn: Turn) -> list[Layer]:
    """Return the plane of the defect as an outline with a cross in it."""
    rim, cross = _plane_rim(picture)
    return [_vectors("defect plane", [rim, *cross], PLANE, 0.25, turn)] if len(rim) else []


def _ends(picture: ScrewPicture, turn: Turn) -> Points:
    now = picture.corrected
    return Points(
        turn.places(np.stack([now.head_mm, now.tip_mm])),
        name="head end and tip",
        size=1.5,
        face_color="transparent",
        border_color=np.array(EDGE),
        features={"word": ["head end", "tip"]},
        text={"string": "{word}", "color": "white", "size": 10, "translation": np.array([0.0, 0.0, 2.0])},
        out_of_slice_display=True,
        blending="translucent_no_depth",
        units=_UNITS,
        axis_labels=turn.axes,
    )


def letter_layer(image: Image, turn: Turn, picture: ScrewPicture | None) -> Points:
    """Return the letters of the patient at the rims of a scene."""
    words, places = letters_at(image, (0, 1, 2), (0.0, 0.0, 0.0), picture)
    return Points(
        places,
        name="patient letters",
        size=0.1,
        face_color="transparent",
        border_color="transparent",
        features={"word": words},
        text={"string": "{word}", "color": "white", "size": 14, "anchor": "center"},
        blending="translucent_no_depth",
        units=_UNITS,
        axis_labels=turn.axes,
    )


def letters_at(
    image: Image, displayed: tuple[int, ...], point: tuple[float, ...], picture: ScrewPicture | None
) -> tuple[list[str], FloatArray]:
    """Return the letters of the axes that are displayed, and their places at the rims, at the slice shown.

    Parameters
    ----------
    image : Image
        The CT of the scene.
    displayed : tuple of int
        Axes that are shown.
    point : tuple of float
        Where the slice is, mm.
    picture : ScrewPicture or None
        The screw whose axes the scene follows; None: the patient's own.
    """
    low = np.asarray(image.translate, dtype=np.float64)
    high = low + np.asarray(image.scale) * (np.array(image.data.shape) - 1)
    within = np.clip(np.asarray(point)[-3:], low, high)  # else the viewer would let one scroll outside
    middle = np.where(np.isin(np.arange(3), displayed), (low + high) / 2.0, within)
    words, places = [], []
    for axis in range(3):
        for end, limit in ((0, low), (1, high)):
            place = middle.copy()
            share = 0.03 if len(displayed) < 3 else -0.05  # within a slice, outside a block
            inset = share * (high[axis] - low[axis])
            place[axis] = limit[axis] + (inset if end == 0 else -inset)
            if picture is None:
                word = _LETTERS[axis][end]
            else:
                frame = picture.frame
                way = (frame.axis_direction, -frame.zero_direction, frame.quarter_direction)[axis]
                word = patient_letters(way if end else -way)
            words.append(word if axis in displayed else "")
            places.append(place)
    return words, np.array(places)


def middle_slice(image: Image) -> tuple[float, float, float]:
    """Return the middle of an image, mm."""
    low = np.asarray(image.translate, dtype=np.float64)
    middle = low + np.asarray(image.scale) * (np.array(image.data.shape) - 1) / 2.0
    z, y, x = (float(v) for v in middle)
    return z, y, x
