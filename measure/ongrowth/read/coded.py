"""Compressed frames: cut out of their file, wrapped in a minimal one, decoded in a child process.

Neither the geometry nor the rescaling of the decoding library (which truncates fractional slopes)
nor anything else of a foreign header takes part.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import generate_frames

from ongrowth.read.decoder import ANSWER, REQUEST
from ongrowth.scan import Refused, refuse
from ongrowth.series import UNREADABLE, Slice
from ongrowth.series.header import whole
from ongrowth.series.source import reason

MOST_WORKERS = 2
WORTH_A_WORKER = 16  # slices; starting one costs about half a second
SECONDS_PER_FRAME = 60.0


def decode(slices: Sequence[Slice]) -> Generator[NDArray[np.integer]]:
    """Decode compressed slices, in their order.

    Parameters
    ----------
    slices : sequence of Slice
        All compressed.

    Yields
    ------
    ndarray, shape (Y, X)
        Stored numbers.

    Raises
    ------
    Refused
        ``truncated-file``, ``decoding-failed``.
    """
    n_workers = max(1, min(MOST_WORKERS, os.cpu_count() or 1, len(slices) // WORTH_A_WORKER))
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ongrowth-")))
        workers = [stack.enter_context(_Worker(folder / f"{k}.dcm")) for k in range(n_workers)]
        frames = _frames(slices)
        for worker in workers[: len(slices)]:
            worker.ask(*next(frames))
        for k, _ in enumerate(slices):
            worker = workers[k % n_workers]
            stored = worker.answer()
            if following := next(frames, None):
                worker.ask(*following)
            yield stored


def _frames(slices: Sequence[Slice]) -> Iterator[tuple[Slice, bytes]]:
    """Yield each slice with its frame as a minimal file; a file of many frames is cut up once."""
    name, frames = "", list[bytes]()
    for one in slices:
        if one.image.entry.name != name:
            name, frames = one.image.entry.name, _split_frames(one)
        if one.frame >= len(frames):
            raise truncated(one)
        frame = frames[one.frame]
        if (size := _coded_size(frame)) not in (None, (one.rows, one.columns)):
            raise failed(one, f"the code holds {size}, the header says {one.rows} x {one.columns}")
        yield one, _minimal_file(one, frame)


class _Worker:
    """A child process that decodes one frame at a time."""

    def __init__(self, scratch: Path) -> None:
        program = str(Path(__file__).with_name("decoder.py"))
        self._process = subprocess.Popen(
            [sys.executable, program, str(scratch)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._asked: Slice | None = None

    def __enter__(self) -> _Worker:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        for pipe in (self._process.stdin, self._process.stdout):
            with contextlib.suppress(OSError):
                if pipe:
                    pipe.close()
        self._process.wait()

    def ask(self, one: Slice, file: bytes) -> None:
        """Send a frame; the answer must be taken before the next one is sent."""
        self._asked = one
        pipe = self._process.stdin
        assert pipe is not None
        with contextlib.suppress(BrokenPipeError):  # the missing answer will tell
            pipe.write(REQUEST.pack(len(file)) + file)
            pipe.flush()

    def answer(self) -> NDArray[np.integer]:
        """Take the numbers of the frame sent last."""
        one, pipe = self._asked, self._process.stdout
        assert one is not None
        assert pipe is not None
        timer = threading.Timer(SECONDS_PER_FRAME, self._process.kill)
        timer.start()
        try:
            return _read_answer(one, pipe)
        finally:
            timer.cancel()


def _read_answer(one: Slice, pipe: IO[bytes]) -> NDArray[np.integer]:
    head = pipe.read(ANSWER.size)
    if len(head) < ANSWER.size:
        raise failed(one, "the decoder broke down or took too long")
    kind, size, rows, columns = ANSWER.unpack(head)
    if kind == b"x":
        raise failed(one, pipe.read(rows).decode("utf-8", "replace"))
    stored = np.frombuffer(bytearray(pipe.read(size * rows * columns)), f"<{kind.decode()}{size}")
    if (rows, columns) != (one.rows, one.columns) or stored.size != rows * columns:
        raise failed(one, f"decoded to {rows} x {columns}")
    return stored.reshape(rows, columns)


def _named(one: Slice) -> str:
    """Return what an image is called: by its number, for the name of its file may name the patient."""
    number = one.number("InstanceNumber")
    return "an image without number" if math.isnan(number) else f"image {number:.0f}"


def truncated(one: Slice) -> Refused:
    """Return the refusal of a file that is too short."""
    text = f"{_named(one).capitalize()} ends before its last pixel."
    return refuse("truncated-file", text, "Export the whole series again.")


def failed(one: Slice, why: str) -> Refused:
    """Return the refusal of pixels that cannot be decoded."""
    told = f" ({' '.join(why.split())[:200]})" if why.strip() else ""
    text = f"The pixels of {_named(one)} cannot be decoded{told}."
    return refuse("decoding-failed", text, "Export the series again, uncompressed.")


def _split_frames(one: Slice) -> list[bytes]:
    count = max(1, whole(one.header, "NumberOfFrames", 1))
    try:
        with one.image.entry.open() as file:
            file.seek(one.image.pixel_offset)
            packed = file.read(min(count * _most_bytes(one), one.image.entry.size))
    except UNREADABLE as error:
        raise failed(one, reason(error)) from None
    if _END not in packed:
        raise truncated(one)
    try:
        return list(generate_frames(io.BytesIO(packed), number_of_frames=count))
    except Exception as error:  # noqa: BLE001 - hostile fragments may raise anything
        raise failed(one, reason(error)) from None


def _most_bytes(one: Slice) -> int:
    """Return more than any honest compression of one frame needs."""
    return 2 * one.rows * one.columns * whole(one.header, "BitsAllocated") // 8 + 2**18


def _coded_size(frame: bytes) -> tuple[int, int] | None:
    """Return rows and columns as the code stream itself states them; None if it does not (RLE)."""
    if frame[:4] == b"\xff\x4f\xff\x51" and len(frame) >= 24:  # JPEG 2000: image and tile size come first
        right, bottom, left, top = struct.unpack(">4L", frame[8:24])
        return bottom - top, right - left
    at = 2
    while frame[:2] == b"\xff\xd8" and at + 9 <= len(frame) and frame[at] == 0xFF:
        marker, length, _, rows, columns = struct.unpack(">xBHBHH", frame[at : at + 9])
        if marker in _START_OF_FRAME:
            return rows, columns
        at += 2 + length
    return None


_END = b"\xfe\xff\xdd\xe0"
_START_OF_FRAME = {*range(0xC0, 0xD0), 0xF7} - {0xC4, 0xC8, 0xCC}  # JPEG family
_LONG_VR = {b"OB", b"OW"}
_STORAGE = b"1.2.840.10008.5.1.4.1.1.2"  # CT image
_NUMBERS = (  # group 0028, in ascending order
    (0x0010, "Rows"),
    (0x0011, "Columns"),
    (0x0100, "BitsAllocated"),
    (0x0101, "BitsStored"),
    (0x0102, "HighBit"),
    (0x0103, "PixelRepresentation"),
)


def _minimal_file(one: Slice, frame: bytes) -> bytes:
    """Return a DICOM file with nothing but the pixels of one frame, rescaled by nothing."""
    meta = _element(2, 1, b"OB", b"\0\1") + _element(2, 2, b"UI", _STORAGE) + _element(2, 3, b"UI", b"1.2.3")
    meta += _element(2, 0x10, b"UI", one.image.syntax.encode())
    body = _element(8, 0x16, b"UI", _STORAGE) + _element(8, 0x18, b"UI", b"1.2.3")
    body += _element(0x28, 2, b"US", struct.pack("<H", 1)) + _element(0x28, 4, b"CS", b"MONOCHROME2")
    for element, keyword in _NUMBERS:
        body += _element(0x28, element, b"US", struct.pack("<H", whole(one.header, keyword)))
    length = _element(2, 0, b"UL", struct.pack("<L", len(meta)))
    return bytes(128) + b"DICM" + length + meta + body + _encapsulated(frame)


def _element(group: int, element: int, vr: bytes, value: bytes) -> bytes:
    padding = b"\0" if vr == b"UI" else b" "
    value += padding * (len(value) % 2)
    head = struct.pack("<HH2s", group, element, vr)
    return head + struct.pack("<xxL" if vr in _LONG_VR else "<H", len(value)) + value


def _encapsulated(frame: bytes) -> bytes:
    """Return the pixel element: an empty offset table, one fragment, the end."""
    frame += b"\0" * (len(frame) % 2)
    start = struct.pack("<HH2sxxL", 0x7FE0, 0x0010, b"OB", 0xFFFFFFFF)
    empty_table = struct.pack("<HHL", 0xFFFE, 0xE000, 0)
    fragment = struct.pack("<HHL", 0xFFFE, 0xE000, len(frame))
    end = struct.pack("<HHL", 0xFFFE, 0xE0DD, 0)
    return start + empty_table + fragment + frame + end
