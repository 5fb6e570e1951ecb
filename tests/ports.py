"""A free port of this machine, for tests that start a server."""

from __future__ import annotations

import socket


def free_port() -> int:
    """Return a port that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
