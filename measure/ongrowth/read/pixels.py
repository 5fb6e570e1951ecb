"""Decode the slices of a stack into one array of HU.

Uncompressed pixels come straight from the file into the array. Compressed ones are wrapped in a
minimal file of our own and decoded by SimpleITK, so that neither its geometry nor its rescaling
(which truncates fractional slopes) nor anything else of a foreign header takes part.
"""

from __future__ import annotations

import io
import struct
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import generate_frames

from ongrowth.scan import refuse
from ongrowth.series import UNREADABLE, Slice
from ongrowth.series.facts import AIR_HU, METAL_HU, padding_range
from ongrowth.series.header import BIG_ENDIAN, NATIVE_SYNTAXES, whole

INT16 = np.iinfo(np.int16)
HU = NDArray[np.int16] | NDArray[np.float32]
Stored = NDArray[np.integer[Any]]


def read_hu(slices: Sequence[Slice], progress: Callable[[str], None]) -> HU:
    """Decode slices into HU.

    Parameters
    ----------
    slices : sequence of Slice
        Of one matrix.
    progress : callable
        Told now and then how far it is.

    Returns
    -------
    ndarray, shape (Z, Y, X), int16 or float32
        int16 if every value is whole and fits, else float32.

    Raises
    ------
    Refused
        ``truncated-file``, ``decoding-failed``.
    """
    is_whole = all(one.slope.is_integer() and one.intercept.is_integer() for one in slices)
    shape = (len(slices), slices[0].rows, slices[0].columns)
    hu = empty_hu(shape, is_whole=is_whole)
    for k, (one, stored) in enumerate(zip(slices, _stored(slices, hu), strict=True)):
        if k % 100 == 0:
            progress(f"reading slice {k + 1} of {len(slices)}")
        if hu.dtype == np.int16 and not _fits(stored, one):
            hu = hu.astype(np.float32)
        outside = _outside(stored, one)
        _rescale(stored, one, hu[k])
        if outside is not None:
            hu[k][outside] = AIR_HU
    return narrowed(hu)


def empty_hu(shape: tuple[int, int, int], *, is_whole: bool) -> HU:
    """Return an unfilled array, int16 if whole numbers are expected, else float32."""
    return np.empty(shape, dtype=np.int16) if is_whole else np.empty(shape, dtype=np.float32)


def narrowed(hu: HU) -> HU:
    """Return int16 where all values are whole and fit after all."""
    if hu.dtype == np.int16:
        return hu
    for plane in hu:
        if plane.min() < INT16.min or plane.max() > INT16.max or not np.array_equal(plane, np.rint(plane)):
            return hu
    return hu.astype(np.int16)


def _fits(stored: Stored, one: Slice) -> bool:
    ends = [float(stored.min()) * one.slope + one.intercept, float(stored.max()) * one.slope + one.intercept]
    return min(ends) >= INT16.min and max(ends) <= INT16.max


def _outside(stored: Stored, one: Slice) -> NDArray[np.bool_] | None:
    """Return where padding would be taken for metal; padding that reads as air is left alone."""
    low, high = padding_range(one)
    if not high * one.slope + one.intercept >= METAL_HU:
        return None
    return (stored >= low) & (stored <= high)


def _rescale(stored: Stored, one: Slice, out: HU) -> None:
    if out.dtype == np.int16 and stored.dtype.itemsize == 2 and one.slope == 1.0:
        # Two's complement: the sum is right modulo 2^16, and `_fits` has seen that it lies inside.
        wrapped = np.uint16(int(one.intercept) % 2**16)
        np.add(stored.view(np.uint16), wrapped, out=out.view(np.uint16))
    else:
        np.copyto(out, stored * np.float64(one.slope) + one.intercept, casting="unsafe")


def _stored(slices: Sequence[Slice], hu: HU) -> Iterator[Stored]:
    """Yield the stored numbers of each slice; plain 16-bit ones already lie in their place in `hu`."""
    with tempfile.TemporaryDirectory(prefix="ongrowth-") as folder:
        decoder = _Decoder(Path(folder) / "frame.dcm")
        for k, one in enumerate(slices):
            if one.image.syntax in NATIVE_SYNTAXES:
                place = hu[k] if hu.dtype == np.int16 else None
                stored = _read_native(one, place)
            else:
                stored = decoder.decode(one)
            yield _without_unused_bits(stored, one)


def _dtype(one: Slice) -> np.dtype[np.integer[Any]]:
    kind = "i" if whole(one.header, "PixelRepresentation") else "u"
    order = ">" if one.image.syntax == BIG_ENDIAN else "<"
    return np.dtype(f"{order}{kind}{whole(one.header, 'BitsAllocated') // 8}")


def _read_native(one: Slice, place: NDArray[np.int16] | NDArray[np.float32] | None) -> Stored:
    dtype = _dtype(one)
    in_place = place is not None and dtype.itemsize == 2
    raw = place.view(dtype) if in_place and place is not None else np.empty((one.rows, one.columns), dtype)
    offset = one.image.pixel_offset + one.frame * raw.nbytes
    if _fill(one, offset, memoryview(raw.reshape(-1).view(np.uint8).data)) < raw.nbytes:
        raise _truncated(one)
    if dtype.byteorder == ">" and sys.byteorder == "little":
        raw = raw.byteswap(inplace=True).view(dtype.newbyteorder("<"))
    return raw


def _fill(one: Slice, offset: int, target: memoryview) -> int:
    try:
        with one.image.entry.open() as file:
            file.seek(offset)
            done = 0
            while done < len(target) and (got := file.readinto(target[done:])):  # type: ignore[attr-defined]
                done += got
            return done
    except UNREADABLE as error:
        raise _failed(one, str(error)) from None


def _truncated(one: Slice) -> Exception:
    text = f"{one.image.entry.name} ends before its last pixel."
    return refuse("truncated-file", text, "Export the whole series again.")


def _failed(one: Slice, reason: str) -> Exception:
    text = f"The pixels of {one.image.entry.name} cannot be decoded ({' '.join(reason.split())[:200]})."
    return refuse("decoding-failed", text, "Export the series again, uncompressed.")


def _without_unused_bits(stored: Stored, one: Slice) -> Stored:
    """Clear bits above the stored ones (old overlays), extending the sign."""
    bits = 8 * stored.dtype.itemsize
    used = whole(one.header, "BitsStored", bits)
    high = whole(one.header, "HighBit", used - 1)
    if not 0 < used < bits or high < used - 1 or high >= bits:
        return stored
    np.left_shift(stored, bits - 1 - high, out=stored)
    return np.right_shift(stored, bits - used, out=stored)


class _Decoder:
    """Decodes encapsulated frames through one scratch file."""

    def __init__(self, scratch: Path) -> None:
        self._scratch = scratch
        self._name = ""
        self._frames: list[bytes] = []

    def decode(self, one: Slice) -> Stored:
        import SimpleITK as sitk  # noqa: N813 - the name its users know

        frame = self._frame(one)
        if (size := _coded_size(frame)) not in (None, (one.rows, one.columns)):
            raise _failed(one, f"the code holds {size}, the header says {one.rows} x {one.columns}")
        self._scratch.write_bytes(_minimal_file(one, frame))
        was_loud = sitk.ProcessObject.GetGlobalWarningDisplay()
        sitk.ProcessObject.SetGlobalWarningDisplay(False)  # noqa: FBT003 - no keyword there
        try:
            image = sitk.ReadImage(str(self._scratch), imageIO="GDCMImageIO")
            stored = sitk.GetArrayFromImage(image)
        except RuntimeError as error:
            raise _failed(one, str(error).rsplit("ITK ERROR", 1)[-1]) from None
        finally:
            sitk.ProcessObject.SetGlobalWarningDisplay(was_loud)
        return self._checked(one, stored)

    def _checked(self, one: Slice, stored: Stored) -> Stored:
        plane = stored.reshape(stored.shape[-2:]) if stored.size == one.rows * one.columns else stored
        if plane.shape != (one.rows, one.columns) or plane.dtype.kind not in "iu":
            raise _failed(one, f"decoded to {stored.shape} of {stored.dtype}")
        return plane

    def _frame(self, one: Slice) -> bytes:
        if one.image.entry.name != self._name:
            self._frames = _split_frames(one)
            self._name = one.image.entry.name
        if one.frame >= len(self._frames):
            raise _truncated(one)
        return self._frames[one.frame]


def _split_frames(one: Slice) -> list[bytes]:
    count = max(1, whole(one.header, "NumberOfFrames", 1))
    try:
        with one.image.entry.open() as file:
            file.seek(one.image.pixel_offset)
            packed = file.read(count * _most_bytes(one))
    except UNREADABLE as error:
        raise _failed(one, str(error)) from None
    if _END not in packed:
        raise _truncated(one)
    try:
        return list(generate_frames(io.BytesIO(packed), number_of_frames=count))
    except Exception as error:  # noqa: BLE001 - hostile fragments may raise anything
        raise _failed(one, str(error)) from None


def _most_bytes(one: Slice) -> int:
    """Return more than any honest compression of one frame needs."""
    return 2 * one.rows * one.columns * whole(one.header, "BitsAllocated") // 8 + 2**18


def _coded_size(frame: bytes) -> tuple[int, int] | None:
    """Return rows and columns as the code stream itself states them; None if it does not (RLE)."""
    if frame[:4] == b"\xff\x4f\xff\x51":  # JPEG 2000: image and tile size come first
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
