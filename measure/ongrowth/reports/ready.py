"""What is there and what is missing on this machine."""

from __future__ import annotations

import os
import re
import sys
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, requires, version

from ongrowth.wording import install_words

_PURPOSES = {
    "core": "measuring, page, note",
    "dicom": "structured report, segmentation, page as a capture, sending",
    "viewer": "correcting by hand in the viewer",
    "cohort": "many cases, several machines",
    "physics": "polychromatic phantoms",
}


_NAME = re.compile(r"[A-Za-z0-9._-]+")
_EXTRA = re.compile(r"""extra == ['"]([a-z]+)['"]""")


@dataclass(frozen=True, slots=True)
class Part:
    """One thing that a use of the program needs.

    `use` is the group it belongs to, `found` its version or "", `remedy` what to do when missing.
    """

    use: str
    name: str
    found: str
    remedy: str


def look_round() -> tuple[Part, ...]:
    """Return everything the program can use, with its version where it is there."""
    python = ".".join(map(str, sys.version_info[:3]))
    parts = [
        Part("core", "Python", python if sys.version_info >= (3, 11) else "", "Install Python 3.11 or newer.")
    ]
    for use, names in _requirements().items():
        parts += [_package(use, name) for name in names]
    return (*parts, _display())


def _requirements() -> dict[str, list[str]]:
    """Return the packages each use needs, as the installed program itself declares them."""
    out: dict[str, list[str]] = {use: [] for use in _PURPOSES}
    for text in requires("ongrowth") or []:
        name = _NAME.match(text)
        extra = _EXTRA.search(text)
        use = extra.group(1) if extra else "core"
        if name and use in out and name.group() not in out[use]:
            out[use].append(name.group())
    return out


def _package(use: str, name: str) -> Part:
    try:
        return Part(use, name, version(name), "")
    except PackageNotFoundError:
        return Part(use, name, "", install_words("" if use == "core" else use))


def _display() -> Part:
    shown = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    known = "yes" if shown or sys.platform in ("win32", "darwin") else ""
    return Part("viewer", "a display", known, "Work at a desktop; every other command runs without one.")


def render_ready(parts: tuple[Part, ...]) -> str:
    """Return the list as text: each use, whether it is ready, and what to do."""
    lines = []
    for use, purpose in _PURPOSES.items():
        missing = [part for part in parts if part.use == use and not part.found]
        lines.append(f"{use:8} {'ready' if not missing else 'not ready':9}  {purpose}")
        by_remedy: dict[str, list[str]] = {}
        for part in missing:
            by_remedy.setdefault(part.remedy, []).append(part.name)
        lines += [f"         missing: {', '.join(names)}. {remedy}" for remedy, names in by_remedy.items()]
    return "\n".join(lines) + "\n"
