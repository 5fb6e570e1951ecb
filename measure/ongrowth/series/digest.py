"""Digests of the files of a scan: what tells whether it has changed, without understanding it."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path

_CHUNK_BYTES = 1 << 20


def listing_digest(path: Path) -> str:
    """Return the SHA-256 of the names, sizes and times of the files of a scan, without reading them."""
    told = [(name, *_size_and_time(file)) for name, file in _files(path)]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def content_digest(path: Path) -> str:
    """Return the SHA-256 of the names and contents of the files of a scan."""
    whole = hashlib.sha256()
    for name, file in _files(path):
        whole.update(os.fsencode(name) + f"\0{file.stat().st_size}\0".encode())
        with file.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                whole.update(chunk)
    return whole.hexdigest()


def _size_and_time(file: Path) -> tuple[int, int]:
    told = file.stat()
    return told.st_size, told.st_mtime_ns


def _files(path: Path) -> Iterator[tuple[str, Path]]:
    """Give the files of a scan with their names below it, in one order on every machine.

    What is never opened on reading (links, pipes) is none.
    """
    if not path.is_dir():
        yield "", path
        return
    found = (Path(folder) / name for folder, _, names in os.walk(path) for name in names)
    regular = (file for file in found if file.is_file() and not file.is_symlink())
    for file in sorted(regular, key=lambda f: f.relative_to(path).as_posix()):
        yield file.relative_to(path).as_posix(), file
