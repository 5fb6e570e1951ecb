"""Whether a window can be opened here: asked in a process of its own, because Qt ends the process if not.

Run as ``python -m ongrowth_napari.display``: exit status 0 if a window with graphics can be opened.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from dataclasses import dataclass

from ongrowth.wording import install_words

_WAIT_S = 120.0
_NO_GRAPHICS = 3


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why no window can be opened, and what to do about it."""

    code: str
    text: str
    advice: str


_NO_DISPLAY = Obstacle(
    "no-display",
    "There is no display to open a window on.",
    "Work at a desktop; `ongrowth follow` and its page need none.",
)
_NO_GL = Obstacle(
    "no-graphics",
    "The display offers no OpenGL, which the viewer draws with.",
    "Install the graphics driver or Mesa (Debian: libgl1, libegl1), or work at the machine itself.",
)


def obstacle() -> Obstacle | None:
    """Return what stands in the way of a window; None if nothing does."""
    if any(importlib.util.find_spec(name) is None for name in ("napari", "qtpy")):
        return Obstacle("no-viewer", "The viewer is not installed.", f"{install_words('viewer')}.")
    is_linux = sys.platform.startswith("linux")
    if is_linux and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        return _NO_DISPLAY
    return _tried()


def _tried() -> Obstacle | None:
    """Open a graphics context elsewhere and see what becomes of it."""
    command = [sys.executable, "-W", "ignore", "-m", "ongrowth_napari.display"]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, timeout=_WAIT_S, check=False, text=True
        )
    except subprocess.TimeoutExpired:
        return _NO_DISPLAY
    if done.returncode == 0:
        return None
    if done.returncode == _NO_GRAPHICS:
        return _NO_GL
    missing = _missing_library(done.stderr)
    if missing:
        return Obstacle(
            "no-display",
            f"The window system cannot be loaded: {missing} is missing.",
            "Install it; on Debian see the list in the viewer's page of the documentation.",
        )
    return _NO_DISPLAY


def _missing_library(told: str) -> str:
    """Return the shared library named in an error message, or nothing."""
    for word in told.replace(":", " ").split():
        if word.startswith("lib") and ".so" in word:
            return word
    return ""


def _has_graphics() -> bool:
    from qtpy.QtGui import QGuiApplication, QOffscreenSurface, QOpenGLContext

    application = QGuiApplication([])
    surface = QOffscreenSurface()
    surface.create()
    context = QOpenGLContext()
    return bool(application is not None and context.create() and context.makeCurrent(surface) and _can_draw())


def _can_draw() -> bool:
    """Whether the viewer can use a context that Qt could make.

    Where the display lacks GLX, Qt falls back to EGL, but the viewer would open a window and draw nothing.
    """
    from OpenGL import contextdata, error

    try:
        contextdata.getContext()
    except error.Error:
        return False
    return True


if __name__ == "__main__":
    sys.exit(0 if _has_graphics() else _NO_GRAPHICS)
