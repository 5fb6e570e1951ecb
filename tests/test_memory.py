"""Freed memory is given back where the C library can, and nothing happens where it cannot."""

from __future__ import annotations

import ctypes
from types import SimpleNamespace

import pytest

from ongrowth.memory import give_back


def test_the_c_library_is_asked_to_trim_all(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(ctypes, "CDLL", lambda _: SimpleNamespace(malloc_trim=asked.append))
    give_back()
    assert asked == [0]


@pytest.mark.parametrize("error", [OSError, TypeError])  # no such library; a system without a name for it
def test_a_system_without_it_goes_on(monkeypatch: pytest.MonkeyPatch, error: type[Exception]) -> None:
    def missing(_: object) -> object:
        raise error

    monkeypatch.setattr(ctypes, "CDLL", missing)
    give_back()
    monkeypatch.setattr(ctypes, "CDLL", lambda _: SimpleNamespace())  # another C library
    give_back()
