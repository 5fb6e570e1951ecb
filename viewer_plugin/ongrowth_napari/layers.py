"""Layers of the sheet as the viewer wants them, and quick ways to exchange what they show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from napari.layers import Image, Points, Vectors
from numpy.typing import NDArray

from ongrowth.reports.figures import BONE_WINDOW_HU
from ongrowth_napari.lettering import EM_MM, ORANGE, Word
from ongrowth_napari.picture import Lines
from ongrowth_napari.sheet import STEP_MM, Place

_EDGE_MM = 0.16
_POINT = (72.0 / 96.0) ** 2  # of the viewer's letter size, in dots of the screen; found by measuring
_ON_SHEET: dict[str, Any] = {"units": ("mm", "mm"), "axis_labels": ("down", "right")}
_UNSEEN: dict[str, Any] = {"size": 0.1, "face_color": "transparent", "border_color": "transparent"}


def cut_layer(name: str, data: NDArray[np.float32], at: Place) -> Image:
    """Return a cut through the CT in a bone window, its first dot at a place."""
    return Image(
        data,
        name=name,
        scale=(STEP_MM, STEP_MM),
        translate=at,
        contrast_limits=BONE_WINDOW_HU,
        colormap="gray",
        interpolation2d="linear",
        **_ON_SHEET,
    )


def picture_layer(name: str, data: NDArray[np.float32], step: Place, at: Place) -> Image:
    """Return a coloured picture, its first dot at a place."""
    return Image(
        data,
        name=name,
        rgb=True,
        contrast_limits=(0.0, 1.0),  # else the viewer would stretch the colours
        scale=step,
        translate=at,
        **_ON_SHEET,
    )


def stroke_layer(name: str, lines: Lines) -> Vectors:
    """Return straight strokes in their colours."""
    strokes, colours = lines.arrays()
    return Vectors(
        strokes, name=name, edge_color=colours, edge_width=_EDGE_MM, vector_style="line", **_ON_SHEET
    )


def word_layer(name: str, words: Sequence[Word]) -> Points:
    """Return words that grow with the sheet, so that they never run into each other."""
    layer = Points(
        np.array([word.at for word in words]),
        name=name,
        features={"word": [word.text for word in words]},
        text={
            "string": "{word}",
            "color": np.array([word.colour for word in words]),
            "size": EM_MM * _POINT,
            "scaling": True,
            "anchor": "center",
        },
        **_UNSEEN,
        **_ON_SHEET,
    )
    layer.editable = False
    return layer


def handle_layer(name: str, places: Sequence[Place]) -> Points:
    """Return the points to drag, as rings."""
    layer = Points(
        np.array(places),
        name=name,
        size=1.3,
        face_color="transparent",
        border_color=np.tile(ORANGE, (len(places), 1)),
        border_width=0.25,
        **_ON_SHEET,
    )
    layer.editable = False
    return layer


def set_data(layer: Any, data: NDArray[Any]) -> None:
    """Exchange what a layer shows; in place where the size is the same, which is far quicker."""
    if layer.data.shape != data.shape:
        layer.data = data
    elif not np.array_equal(layer.data, data):
        layer.data[...] = data
        layer.refresh(thumbnail=False, extent=False, highlight=False)


def set_strokes(layer: Vectors, lines: Lines) -> None:
    """Exchange the strokes of a layer, and their colours if those changed."""
    strokes, colours = lines.arrays()
    set_data(layer, strokes)
    if not np.allclose(layer.edge_color, colours):
        layer.edge_color = colours


def set_words(layer: Points, words: Sequence[Word]) -> None:
    """Exchange the words of a layer; there are as many as before."""
    set_data(layer, np.array([word.at for word in words]))
    told = [word.text for word in words]
    if list(layer.features["word"]) != told:
        layer.features = {"word": told}
        layer.refresh_text()


def set_handles(layer: Points, places: Sequence[Place]) -> None:
    """Move the points to drag; they are made anew where there are more or fewer than before."""
    is_new = len(layer.data) != len(places)
    set_data(layer, np.array(places))
    if is_new:
        layer.border_color = np.tile(ORANGE, (len(places), 1))
