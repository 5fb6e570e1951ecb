"""What of a scan the viewer shows: the sheet of a screw, the CT on two grids, the halo in space.

Only the layers of the scene that is shown are in the viewer; layers of others are not touched.
"""

from __future__ import annotations

from typing import Any

from napari.layers import Layer

from ongrowth.reports.figures import BONE_WINDOW_HU
from ongrowth.scan import Scan
from ongrowth_napari import scenes
from ongrowth_napari.navigator import Navigator
from ongrowth_napari.picture import ScrewPicture

SCENES = {
    "sheet": "map and cuts",
    "patient": "whole CT, patient axes",
    "screw": "CT along the screw axes",
    "space": "halo surface in space",
}
WINDOWS_HU = {"bone window": BONE_WINDOW_HU, "wide window (metal)": (-1000.0, 3071.0)}
_LOOK = {"view_direction": (0.25, 0.8, 0.4), "up_direction": (-1.0, 0.0, 0.0)}  # the head of the screw above


class Stage:
    """The scenes of a scan, made when they are first asked for.

    Parameters
    ----------
    viewer : napari.components.ViewerModel
        The viewer, or its model alone.
    """

    def __init__(self, viewer: Any) -> None:
        self.viewer = viewer
        self.scene = "patient"
        self.scan: Scan | None = None
        self.navigator: Navigator | None = None
        self._window = BONE_WINDOW_HU
        self._layers: dict[str, list[Layer]] = {}
        viewer.mouse_drag_callbacks.append(self._on_mouse)
        for name in ("current_step", "order", "ndisplay"):
            getattr(viewer.dims.events, name).connect(self._follow)

    @property
    def picture(self) -> ScrewPicture | None:
        """The screw that is shown."""
        return None if self.navigator is None else self.navigator.picture

    def set_scan(self, scan: Scan | None) -> None:
        """Take another scan; nothing of the one before stays."""
        self._clear()
        self.scan, self.navigator = scan, None

    def set_screw(self, navigator: Navigator) -> None:
        """Take another screw; nothing of the one before stays."""
        self._clear()
        self.navigator = navigator

    def close(self) -> None:
        """Leave the viewer as it was."""
        self._clear()
        self.viewer.text_overlay.visible = False
        self.viewer.mouse_drag_callbacks.remove(self._on_mouse)
        for name in ("current_step", "order", "ndisplay"):
            getattr(self.viewer.dims.events, name).disconnect(self._follow)

    def show(self, scene: str) -> None:
        """Show one of the `SCENES`."""
        for name, layers in self._layers.items():
            if name != scene:
                self._take_off(layers)
        if scene not in self._layers:
            self._layers[scene] = self._layers_of(scene)
        for layer in self._layers[scene]:
            if layer not in self.viewer.layers:
                self.viewer.layers.append(layer)
        self.viewer.layers.selection.clear()  # nothing here is edited by the viewer's own tools
        self.scene = scene
        self.set_window(self._window)
        self._set_view()

    def renew(self, picture: ScrewPicture) -> None:
        """Show another state of the screw; scenes that are not open are made anew when asked for."""
        assert self.navigator is not None
        self.navigator.show(picture)
        for name in [name for name in self._layers if name not in ("sheet", self.scene)]:
            del self._layers[name]
        if self.scene != "sheet":
            self._take_off(self._layers.pop(self.scene))
            self.show(self.scene)
        elif "sheet" in self._layers:
            self._layers["sheet"] = self.navigator.layers
            self.set_window(self._window)

    def set_window(self, limits_hu: tuple[float, float]) -> None:
        """Show all CTs between two CT numbers."""
        self._window = limits_hu
        for layer in (layer for layers in self._layers.values() for layer in layers):
            if layer.name.startswith(("CT", "other CT")):
                layer.contrast_limits = limits_hu

    def _layers_of(self, scene: str) -> list[Layer]:
        assert self.scan is not None
        picture = self.picture
        if scene == "sheet":
            assert self.navigator is not None
            return self.navigator.layers
        if scene == "patient":
            return scenes.patient_layers(self.scan, picture)
        assert picture is not None
        return scenes.screw_layers(picture) if scene == "screw" else scenes.space_layers(picture)

    def _take_off(self, layers: list[Layer]) -> None:
        for layer in layers:
            if layer in self.viewer.layers:
                self.viewer.layers.remove(layer)

    def _clear(self) -> None:
        for layers in self._layers.values():
            self._take_off(layers)
        self._layers = {}

    def _set_view(self) -> None:
        is_sheet, is_space = self.scene == "sheet", self.scene == "space"
        camera = getattr(self.viewer, "scene", self.viewer).camera  # it moved with napari 0.9
        camera.mouse_pan = not is_sheet  # on the sheet the mouse moves the cursor
        if not is_sheet:
            self.viewer.dims.set_point((0, 1, 2), self._middle())
        self.viewer.dims.ndisplay = 3 if is_space else 2
        self.viewer.reset_view(margin=0.35 if is_space else 0.02)
        if is_space:
            camera.set_view_direction(**_LOOK)
        words = self.viewer.text_overlay
        words.text, words.position, words.visible = "halo width, mm", "top_right", is_space
        self._follow()

    def _middle(self) -> tuple[float, float, float]:
        """Return the place the slices are opened at: the middle of the screw, else of the CT."""
        picture = self.picture
        if picture is None:
            return scenes.middle_slice(self._layers[self.scene][0])
        if self.scene != "patient":
            assert self.navigator is not None
            return self.navigator.depth_mm, 0.0, 0.0
        x, y, z = (float(v) for v in (picture.frame.origin_mm + picture.frame.tip_mm) / 2.0)
        return z, y, x

    def _follow(self, _: Any = None) -> None:
        """Keep the patient letters at the rims of the slice, and the lines of the screw in it."""
        layers, dims = self._layers.get(self.scene, []), self.viewer.dims
        if self.scene == "sheet" or len(layers) < 2 or dims.ndim != 3:
            return
        along = None if self.scene == "patient" else self.picture
        if self.picture is not None and len(dims.displayed) == 2:
            axis = dims.not_displayed[0]
            scenes.draw_slice(layers, self.picture, scenes.Turn(along), axis, dims.point[axis])
        words, places = scenes.letters_at(layers[0], dims.displayed, dims.point, along)
        letters = layers[-1]
        letters.data = places
        letters.features = {"word": words}
        letters.refresh_text()

    def _on_mouse(self, viewer: Any, event: Any) -> Any:
        if self.scene == "sheet" and self.navigator is not None:
            yield from self.navigator.on_mouse(viewer, event)
