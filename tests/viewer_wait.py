"""Waiting for what happens outside of a test."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any


def wait_for(desk: Any, is_so: Callable[[], bool], limit_s: float = 240.0) -> None:
    """Let the desk work until something is so."""
    end = time.monotonic() + limit_s
    while not is_so():
        assert time.monotonic() < end, desk.status
        desk.tick()
        time.sleep(0.02)
