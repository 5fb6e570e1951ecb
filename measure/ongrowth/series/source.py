"""Where the bytes come from: a folder, a zip of a folder, or one file.

Nothing is ever extracted to disk, and only regular files are opened.
"""

from __future__ import annotations

import contextlib
import io
import os
import stat
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Protocol

from ongrowth.scan import Level, Problem, Refused, refuse

MAX_FILES = 200_000  # beyond any examination; a folder above it is the wrong folder
MAX_FOLDER_DEPTH = 40
MAX_ZIPS = 100  # opened together; each keeps a file open
MAX_ZIP_BYTES = 32 * 2**30
BOMB_BYTES = 2**30  # a zip that unpacks to more than this ...
BOMB_RATIO = 200.0  # ... must not shrink better than CT data ever do
MAX_INFLATED_BYTES = 16 * 2**20  # one deflated image
UNREADABLE = (OSError, EOFError, zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError)

# An empty preamble and a meta header that says "explicit VR little endian".
_PLAIN_HEAD = (
    bytes(128)
    + b"DICM"
    + b"\x02\x00\x00\x00UL\x04\x00\x1c\x00\x00\x00"
    + b"\x02\x00\x10\x00UI\x14\x001.2.840.10008.1.2.1\x00"
)


def reason(error: BaseException) -> str:
    """Return why a file cannot be read, without its path and without anything it holds."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    if isinstance(error, EOFError):
        return "it ends too soon"
    is_packing = isinstance(error, zlib.error | zipfile.BadZipFile | OSError)
    return "its packing is broken" if is_packing else "what it holds is broken"


class Entry(Protocol):
    """One file, wherever it lies."""

    @property
    def name(self) -> str:
        """Path for people."""

    @property
    def size(self) -> int:
        """Length in bytes, as stated by the file system or the archive."""

    def open(self) -> IO[bytes]:
        """Open for reading; the caller closes."""


@dataclass(frozen=True, slots=True)
class FileEntry:
    """A regular file on disk."""

    path: Path
    size: int

    @property
    def name(self) -> str:
        """Path for people."""
        return str(self.path)

    def open(self) -> IO[bytes]:
        """Open for reading; the caller closes."""
        return self.path.open("rb", buffering=0)


@dataclass(frozen=True, slots=True, eq=False)
class ZipEntry:
    """A member of a zip, inflated on the fly."""

    archive: zipfile.ZipFile
    info: zipfile.ZipInfo
    size: int

    @property
    def name(self) -> str:
        """Path for people."""
        return f"{self.archive.filename}/{self.info.filename}"

    def open(self) -> IO[bytes]:
        """Open for reading; the caller closes."""
        return self.archive.open(self.info)


@dataclass(frozen=True, slots=True, eq=False)
class InflatedEntry:
    """A deflated DICOM file, seen as a plain one."""

    packed: Entry
    dataset_offset: int
    size: int

    @property
    def name(self) -> str:
        """Path for people."""
        return self.packed.name

    def open(self) -> IO[bytes]:
        """Open for reading; the caller closes."""
        with self.packed.open() as file:
            file.seek(self.dataset_offset)
            packed = file.read(MAX_INFLATED_BYTES)
        plain = zlib.decompressobj(-zlib.MAX_WBITS).decompress(packed, MAX_INFLATED_BYTES)
        return io.BytesIO(_PLAIN_HEAD + plain)


def inflated(packed: Entry, dataset_offset: int) -> InflatedEntry:
    """Return a deflated DICOM file as a plain one; its length is found by unpacking once.

    Raises
    ------
    Refused
        If it unpacks to more than any single image holds (code ``deflate-bomb``).
    """
    entry = InflatedEntry(packed, dataset_offset, 0)
    with entry.open() as file:
        size = len(file.read())
    if size >= MAX_INFLATED_BYTES + len(_PLAIN_HEAD):
        raise refuse(
            "deflate-bomb",
            f"A deflated image unpacks to more than {MAX_INFLATED_BYTES >> 20} MB.",
            "Export the series again without deflate compression.",
        )
    return InflatedEntry(packed, dataset_offset, size)


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """The files found at a path, in a stable order, and what was passed over."""

    entries: tuple[Entry, ...]
    problems: tuple[Problem, ...] = ()


@contextlib.contextmanager
def open_source(path: str | Path) -> Iterator[Source]:
    """Open a folder (with its sub-folders), a zip, or one file.

    Parameters
    ----------
    path : str or Path
        What the user gave.

    Yields
    ------
    Source
        Entries may be opened while the context lasts.

    Raises
    ------
    Refused
        ``no-such-path``, ``unreadable``, ``not-a-file``, ``empty-folder``, ``too-many-files``,
        ``damaged-zip``, ``encrypted-zip``, ``unsafe-zip``, ``zip-bomb``.
    """
    where = Path(path)
    mode = _mode(where)
    if stat.S_ISDIR(mode):
        yield _walk(where)
        return
    if not stat.S_ISREG(mode):
        raise refuse(
            "not-a-file", f"{where.name} is neither a file nor a folder.", "Give the folder of the scan."
        )
    if not _looks_like_zip(where):
        yield Source((FileEntry(where, where.stat().st_size),))
        return
    with _open_zip(where) as archive:
        yield _members(archive)


@contextlib.contextmanager
def open_files(names: Sequence[str]) -> Iterator[Source]:
    """Open files again by the names that their entries had, on disk or inside a zip.

    Parameters
    ----------
    names : sequence of str
        As `Entry.name` gave them.

    Yields
    ------
    Source
        Entries in the same order; they may be opened while the context lasts.

    Raises
    ------
    Refused
        ``source-missing``, and what `open_source` raises on a zip.
    """
    with contextlib.ExitStack() as stack:
        archives: dict[Path, dict[str, Entry]] = {}
        found = [_entry_again(Path(name), archives, stack) for name in names]
        missing = [name for name, entry in zip(names, found, strict=True) if entry is None]
        if missing or not found:
            text = f"{len(missing)} of {len(names)} source images are no longer where they were read from"
            first = f" (first: {missing[0]})." if missing else "."
            raise refuse("source-missing", text + first, "Put them back, or say where they are now.")
        yield Source(tuple(entry for entry in found if entry is not None))


@contextlib.contextmanager
def open_zips_inside(source: Source) -> Iterator[Source]:
    """Open the zips that lie as files in a folder; what lies beside them stays, zips inside zips stay shut.

    Parameters
    ----------
    source : Source
        An open folder.

    Yields
    ------
    Source
        Members in the place of each zip that can be opened, with a note; a zip that cannot stays an
        entry. The same source if no zip was opened.

    Raises
    ------
    Refused
        ``too-many-files``.
    """
    with contextlib.ExitStack() as stack:
        entries: list[Entry] = []
        opened = 0
        for entry in source.entries:
            members = _zip_members(entry, stack) if opened < MAX_ZIPS else None
            opened += members is not None
            entries.extend((entry,) if members is None else members)
            if len(entries) > MAX_FILES:
                text = f"The zips of the folder hold more than {MAX_FILES} files."
                raise refuse("too-many-files", text, "Give the folder or zip of one scan.")
        if not opened:
            yield source
            return
        note = Problem("zips-opened", Level.NOTE, f"Zips in the folder that were opened: {opened}.")
        yield Source(tuple(entries), (*source.problems, note))


def _zip_members(entry: Entry, stack: contextlib.ExitStack) -> tuple[Entry, ...] | None:
    """Return what a zip on disk holds; None if it is no zip, or one that cannot be opened."""
    if not isinstance(entry, FileEntry) or entry.path.suffix.lower() != ".zip":
        return None
    try:
        return _members(stack.enter_context(_open_zip(entry.path))).entries
    except Refused:
        return None


def _entry_again(
    where: Path, archives: dict[Path, dict[str, Entry]], stack: contextlib.ExitStack
) -> Entry | None:
    if where.is_file():
        return FileEntry(where, where.stat().st_size)
    archive = next((parent for parent in where.parents if parent.is_file()), None)
    if archive is None:
        return None
    if archive not in archives:
        opened = stack.enter_context(_open_zip(archive))
        archives[archive] = {str(Path(entry.name)): entry for entry in _members(opened).entries}
    return archives[archive].get(str(where))


def _mode(where: Path) -> int:
    try:
        return where.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        raise refuse(
            "no-such-path", f"There is nothing at {where.name or where}.", "Check the path."
        ) from None
    except (OSError, ValueError) as error:
        raise refuse(
            "unreadable", f"{where.name} cannot be read ({reason(error)}).", "Check the path."
        ) from None


def _looks_like_zip(where: Path) -> bool:
    try:
        with where.open("rb") as file:
            return file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except OSError as error:
        raise refuse(
            "unreadable", f"{where.name} cannot be read ({reason(error)}).", "Check the rights."
        ) from None


def _walk(root: Path) -> Source:
    found: list[FileEntry] = []
    skipped = 0
    ahead = [(root, 0)]
    while ahead:
        folder, depth = ahead.pop()
        for item in _listing(folder):
            # Links are never followed: they may leave the folder, or lead round in circles.
            if item.is_symlink():
                skipped += 1
            elif item.is_dir(follow_symlinks=False):
                if depth < MAX_FOLDER_DEPTH:
                    ahead.append((Path(item.path), depth + 1))
            elif item.is_file(follow_symlinks=False):
                found.append(FileEntry(Path(item.path), item.stat(follow_symlinks=False).st_size))
            else:
                skipped += 1
        if len(found) > MAX_FILES:
            raise refuse(
                "too-many-files",
                f"{root.name or root} holds more than {MAX_FILES} files.",
                "Give the folder of one scan.",
            )
    found.sort(key=lambda entry: str(entry.path))
    return Source(tuple(found), _skipped(root, skipped, is_empty=not found))


def _listing(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as items:
            return list(items)
    except OSError as error:
        raise refuse(
            "unreadable", f"{folder.name} cannot be read ({reason(error)}).", "Check the rights."
        ) from None


def _skipped(root: Path, skipped: int, *, is_empty: bool) -> tuple[Problem, ...]:
    if is_empty and skipped:
        raise refuse(
            "only-links",
            f"{root.name or root} holds no regular file, only {skipped} links, pipes or devices.",
            "Copy the files themselves into the folder.",
        )
    if is_empty:
        raise refuse("empty-folder", f"{root.name or root} holds no file.", "Give the folder of the scan.")
    if not skipped:
        return ()
    text = f"Links, pipes or devices in the folder that were not opened: {skipped}."
    return (Problem("links-skipped", Level.NOTE, text, "Copy the files themselves if they belong."),)


def _open_zip(where: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(where)
    except UNREADABLE as error:
        raise refuse(
            "damaged-zip", f"{where.name} cannot be opened ({reason(error)}).", "Send the zip again."
        ) from None


def _members(archive: zipfile.ZipFile) -> Source:
    infos = [info for info in archive.infolist() if not info.is_dir()]
    _check_zip(archive, infos)
    links = [info for info in infos if stat.S_ISLNK(info.external_attr >> 16)]
    files = sorted((info for info in infos if info not in links), key=lambda info: info.filename)
    entries = tuple(ZipEntry(archive, info, info.file_size) for info in files)
    return Source(entries, _skipped(Path(str(archive.filename)), len(links), is_empty=not files))


def _check_zip(archive: zipfile.ZipFile, infos: list[zipfile.ZipInfo]) -> None:
    total = sum(info.file_size for info in infos)
    packed = max(1, sum(info.compress_size for info in infos))
    name = Path(str(archive.filename)).name
    if len(infos) > MAX_FILES:
        raise refuse("too-many-files", f"{name} holds {len(infos)} files.", "Zip the folder of one scan.")
    if total > MAX_ZIP_BYTES or (total > BOMB_BYTES and total / packed > BOMB_RATIO):
        raise refuse(
            "zip-bomb",
            f"{name} would unpack to {total / 2**30:.1f} GB from {packed / 2**20:.1f} MB.",
            "Zip the folder of one scan.",
        )
    if any(_leaves(info.filename) for info in infos):
        raise refuse(
            "unsafe-zip", f"{name} names files outside itself.", "Zip the folder again with an ordinary tool."
        )
    if any(info.flag_bits & 1 for info in infos):
        raise refuse("encrypted-zip", f"{name} is locked by a password.", "Unlock it and try again.")


def _leaves(member: str) -> bool:
    path = PurePosixPath(member.replace("\\", "/"))
    return path.is_absolute() or ".." in path.parts or ":" in "".join(path.parts[:1])
