"""Files and folders that are written whole or not at all."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import json
import os
import secrets
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

_NEW, _BEGUN, _READY, _PLAN, _LEFT_S = ".new.", ".begun.", ".ready.", ".plan", 24 * 3600.0
_RANDOM_BYTES = 4  # of a name that nobody has
_HERE = -100  # AT_FDCWD of Linux: paths are relative to the working folder
_EXCHANGE = 2  # RENAME_EXCHANGE of Linux, RENAME_SWAP of macOS
_OURS = {
    "reading.json",
    "map.npz",
    "doubt.npz",
    "source.json",
    "result.json",
}  # what a folder of results may hold
_LITTER = {"Thumbs.db", "desktop.ini"}  # of file managers; hidden files are theirs, too


class NotOursError(FileExistsError):
    """A folder that holds other files than results: nothing takes its place, for it may be a CT."""

    def __init__(self, folder: Path, name: str) -> None:
        super().__init__(errno.ENOTEMPTY, f"{folder} holds files that are no results, {name} for example")


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Give an empty file beside `path`; it takes that name when the block ends well.

    Parameters
    ----------
    path : Path
        Where to; its folder is made if missing. Who may read a file that stands there stays; a new one may be
        read by whom the system lets by default (umask).
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = _beside(path)
    part.touch(exist_ok=False)
    try:
        if path.exists():
            part.chmod(_rights(path))
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole.

    Parameters
    ----------
    path : Path
        Where to, as for `new_file`.
    text : str
        All of it.
    """
    with new_file(path) as part:
        part.write_text(text, encoding="utf-8")


@contextlib.contextmanager
def new_results(out: Path, *, keeps_begun: bool = False) -> Iterator[Path]:
    """Give an empty folder for results; when the block ends well, all of them take their places in `out`.

    A run that fails or is killed before leaves `out` as it was. Once all is there the folder is renamed, and
    from then on the results count: should the run be killed while they take their places, one after the
    other, the next command that reads or writes there ends what it began.

    Parameters
    ----------
    out : Path
        Output folder; made if missing.
    keeps_begun : bool
        Whether what a run that fails had made is left for `begun_files`, until a later one ends well.
    """
    is_ours = not out.exists()
    out.mkdir(parents=True, exist_ok=True)
    finish_results(out)
    for left in out.glob(f"{_NEW}*"):  # by a run that was killed, unless one is at work there
        if time.time() - left.stat().st_mtime > _LEFT_S:
            shutil.rmtree(left, ignore_errors=True)
    part = Path(tempfile.mkdtemp(prefix=_NEW, dir=out))
    try:
        yield part
        for item in part.iterdir():
            _must_take_place(item, out / item.name)
        numbers = {item.name: item.stat().st_ino for item in part.iterdir()}
        (part / _PLAN).write_text(json.dumps(numbers), encoding="utf-8")
        part.rename(part.with_name(part.name.replace(_NEW, _READY, 1)))
        finish_results(out)
        for begun in out.glob(f"{_BEGUN}*") if keeps_begun else ():
            shutil.rmtree(begun, ignore_errors=True)
    finally:
        if keeps_begun and part.exists() and any(part.iterdir()):
            part.rename(part.with_name(part.name.replace(_NEW, _BEGUN, 1)))
        shutil.rmtree(part, ignore_errors=True)
        if is_ours:
            with contextlib.suppress(OSError):  # something stands there now
                out.rmdir()


def begun_files(out: Path, name: str) -> list[Path]:
    """Return the files of a name that runs which did not end have left, each in a folder of its own.

    Parameters
    ----------
    out : Path
        Folder of the results.
    name : str
        What the files are called.
    """
    return sorted(file for state in (_BEGUN, _NEW) for file in out.glob(f"{state}*/[!.]*/{name}"))


def finish_results(out: Path) -> None:
    """Let results that are ready take their places: folders, then tables, the page last.

    What was exchanged leaves the old under its name; the number of its inode tells that it is not the new.

    Parameters
    ----------
    out : Path
        Folder of the results.
    """
    for ready in sorted(out.glob(f"{_READY}*")):
        with contextlib.suppress(FileNotFoundError):  # another command has ended the same
            plan = json.loads((ready / _PLAN).read_text(encoding="utf-8"))
            for item in sorted(map(ready.joinpath, plan), key=lambda path: (path.is_file(), path.name)):
                with contextlib.suppress(FileNotFoundError):  # or ends it now, and was faster with this one
                    if item.stat().st_ino == plan[item.name]:
                        _put(item, out / item.name)
        shutil.rmtree(ready, ignore_errors=True)


@contextlib.contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Give a fresh folder beside `folder`, as `new_file`; it takes that name when the block ends well."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = _beside(folder)
    part.mkdir()
    try:
        yield part
        _must_take_place(part, folder)
        _put(part, folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def must_be_ours(folder: Path, new: Iterable[str] = ()) -> None:
    """Refuse a folder whose place results shall take, if it holds anything that is none.

    Parameters
    ----------
    folder : Path
        What may stand there.
    new : iterable of str
        Names of the files that come in its place.

    Raises
    ------
    NotOursError
        If it holds other files.
    """
    held = {path.name for path in folder.iterdir()} if folder.is_dir() else set()
    foreign = sorted(name for name in held - _OURS - _LITTER - set(new) if not name.startswith("."))
    if foreign:
        raise NotOursError(folder, foreign[0])


def _must_take_place(part: Path, place: Path) -> None:
    if part.is_dir():
        must_be_ours(place, (path.name for path in part.iterdir()))


def clear_leftovers(folder: Path) -> None:
    """Remove what a killed run left half-written beside a folder that is to be written."""
    for old in folder.parent.glob(f".{folder.name}.{'?' * 2 * _RANDOM_BYTES}"):
        shutil.rmtree(old, ignore_errors=True)


def _beside(path: Path) -> Path:
    """Return a name beside a path that nobody has."""
    return path.with_name(f".{path.name}.{secrets.token_hex(_RANDOM_BYTES)}")


def _rights(path: Path) -> int:
    return path.stat().st_mode & 0o777


def _put(part: Path, place: Path) -> None:
    """Put a file or folder in its place, with the rights of what stands there."""
    if place.exists():
        part.chmod(_rights(place))
    _exchange(part, place) if part.is_dir() else part.replace(place)


def _exchange(part: Path, folder: Path) -> None:
    """Put `part` in the place of `folder`, in one step where the system can swap two names."""
    if not folder.exists():
        part.rename(folder)
        return
    if _swap(part, folder):
        return  # what stood there before now bears the name that is cleared away
    old = _beside(folder)
    folder.rename(old)
    part.rename(folder)
    shutil.rmtree(old, ignore_errors=True)


def _swap(one: Path, other: Path) -> bool:
    """Exchange the names of two folders in one step, so that no moment is without the one or the other.

    Returns whether it was done; not every system and file system can.
    """
    exchange = _system_call()
    return exchange is not None and exchange(os.fsencode(one.absolute()), os.fsencode(other.absolute())) == 0


@functools.cache
def _system_call() -> Callable[[bytes, bytes], int] | None:
    """Return the system's own exchange, None where it has none (Windows, old systems)."""
    if sys.platform == "win32":
        return None
    library = ctypes.CDLL(None, use_errno=True)
    if hasattr(library, "renameat2"):  # Linux
        return lambda a, b: int(library.renameat2(_HERE, a, _HERE, b, _EXCHANGE))
    if hasattr(library, "renamex_np"):  # macOS
        return lambda a, b: int(library.renamex_np(a, b, _EXCHANGE))
    return None
