"""What the manifest offers inside the viewer: a reader for CTs, a phantom as sample data, the panel."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ongrowth.scan import Refused, Scan

LayerData = tuple[Any, dict[str, Any], str]


def get_reader(path: str | list[str]) -> Callable[[Any], list[LayerData]] | None:
    """Return the reader of a CT, or None for what is none of ours."""
    paths = [path] if isinstance(path, str) else path
    return read_layers if len(paths) == 1 and Path(paths[0]).exists() else None


def read_layers(path: str | list[str]) -> list[LayerData]:
    """Return a CT on the patient's axes, in a bone window.

    Raises
    ------
    ValueError
        With the sentence why it is refused; the viewer shows it.
    """
    from ongrowth.read import read_scan

    one = Path(path if isinstance(path, str) else path[0])
    try:
        return [scan_layer(read_scan(one), one.name)]
    except Refused as error:
        raise ValueError(str(error)) from error


def scan_layer(scan: Scan, name: str) -> LayerData:
    """Return a CT as layer data: array, how it is shown, kind."""
    from ongrowth.reading import patient_grid
    from ongrowth.reports.figures import BONE_WINDOW_HU

    grid = patient_grid(scan)
    how = {
        "name": f"CT {name}",
        "scale": grid.step_mm,
        "translate": grid.first_mm,
        "units": ("mm",) * 3,
        "axis_labels": ("z", "y", "x"),
        "contrast_limits": BONE_WINDOW_HU,
        "colormap": "gray",
    }
    return grid.hu, how, "image"


def open_phantom() -> list[LayerData]:
    """Draw the phantom of the demonstration and return its CT."""
    from ongrowth.read import read_scan
    from ongrowth_phantoms.commands import make_demo

    with tempfile.TemporaryDirectory() as folder:
        series, _, _ = make_demo(folder)
        return [scan_layer(read_scan(series), "phantom")]


def open_panel(napari_viewer: Any) -> Any:
    """Return a starter: it asks for a case file or a scan and puts the panel into this window."""
    from ongrowth_napari.starter import Starter

    return Starter(napari_viewer)
