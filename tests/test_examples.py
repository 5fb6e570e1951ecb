"""The examples in docstrings: each of them runs, and prints what stands below it."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("measure/ongrowth", "phantoms/ongrowth_phantoms", "viewer_plugin/ongrowth_napari")


def modules_with_examples() -> list[str]:
    """Return the dotted names of our modules in whose text a prompt stands; those of Qt need a display."""
    found = []
    for root in (ROOT / package for package in PACKAGES):
        for path in sorted(root.rglob("*.py")):
            text = path.read_text(encoding="utf-8")
            if ">>> " in text and "qtpy" not in text:
                parts = path.relative_to(root.parent).with_suffix("").parts
                found.append(".".join(parts).removesuffix(".__init__"))
    return found


@pytest.mark.parametrize("name", modules_with_examples())
def test_the_examples_of_a_module_hold(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.attempted > 0
    assert result.failed == 0
