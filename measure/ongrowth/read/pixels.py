"""Decode the slices of a stack into one array of HU.

Uncompressed pixels come straight from the file into the array; compressed ones from `coded`.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Generator, Sequence
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.read.coded import decode, failed, truncated
from ongrowth.series import UNREADABLE, Entry, Slice
from ongrowth.series.facts import AIR_HU, METAL_HU, padding_range
from ongrowth.series.header import BIG_ENDIAN, NATIVE_SYNTAXES, whole
from ongrowth.series.source import reason

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
    hu = empty_hu((len(slices), slices[0].rows, slices[0].columns), is_whole=is_whole)
    order = sorted(range(len(slices)), key=lambda k: (slices[k].image.entry.name, slices[k].frame))
    with contextlib.closing(_stored(slices, order, hu)) as planes:
        for count, (k, stored) in enumerate(planes):
            if count % 100 == 0:
                progress(f"Reading slice {count + 1} of {len(slices)}")
            if hu.dtype == np.int16 and not _fits(stored, slices[k]):
                hu = hu.astype(np.float32)
            _rescale(stored, slices[k], hu[k])
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
    outside = _outside(stored, one)  # before the numbers are changed in place
    if out.dtype == np.int16 and stored.dtype.itemsize == 2 and one.slope == 1.0:
        # Two's complement: the sum is right modulo 2^16, and `_fits` has seen that it lies inside.
        wrapped = np.uint16(int(one.intercept) % 2**16)
        np.add(stored.view(np.uint16), wrapped, out=out.view(np.uint16))
    else:
        np.copyto(out, stored * np.float64(one.slope) + one.intercept, casting="unsafe")
    if outside is not None:
        out[outside] = AIR_HU


def _stored(slices: Sequence[Slice], order: Sequence[int], hu: HU) -> Generator[tuple[int, Stored]]:
    """Yield index and stored numbers of each slice, in the order of the files.

    Plain 16-bit numbers already lie in their place in `hu`.
    """
    packed = [slices[k] for k in order if slices[k].image.syntax not in NATIVE_SYNTAXES]
    with _Native() as native, contextlib.closing(decode(packed)) as decoded:
        for k in order:
            if slices[k].image.syntax in NATIVE_SYNTAXES:
                stored = native.read(slices[k], hu[k] if hu.dtype == np.int16 else None)
            else:
                stored = next(decoded)
            yield k, _without_unused_bits(stored, slices[k])


def _dtype(one: Slice) -> np.dtype[np.integer[Any]]:
    kind = "i" if whole(one.header, "PixelRepresentation") else "u"
    order = ">" if one.image.syntax == BIG_ENDIAN else "<"
    return np.dtype(f"{order}{kind}{whole(one.header, 'BitsAllocated') // 8}")


class _Native:
    """Reads uncompressed pixels; the file stays open while frame after frame is taken from it."""

    def __init__(self) -> None:
        self._entry: Entry | None = None
        self._file: IO[bytes] | None = None

    def __enter__(self) -> _Native:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file:
            self._file.close()

    def read(self, one: Slice, place: HU | None) -> Stored:
        """Read one slice, into its place if its numbers fit there byte for byte."""
        dtype = _dtype(one)
        if place is not None and dtype.itemsize == 2:
            raw: Stored = place.view(dtype)
        else:
            raw = np.empty((one.rows, one.columns), dtype)
        try:
            filled = self._fill(one, memoryview(raw.reshape(-1).view(np.uint8).data), raw.nbytes)
        except UNREADABLE as error:
            raise failed(one, reason(error)) from None
        if filled < raw.nbytes:
            raise truncated(one)
        if dtype.byteorder == ">" and sys.byteorder == "little":
            raw = raw.byteswap(inplace=True).view(dtype.newbyteorder("<"))
        return raw

    def _fill(self, one: Slice, target: memoryview, frame_bytes: int) -> int:
        if self._file is None or self._entry is not one.image.entry:
            self.__exit__()
            self._entry, self._file = one.image.entry, one.image.entry.open()
        self._file.seek(one.image.pixel_offset + one.frame * frame_bytes)
        done = 0
        while done < len(target) and (got := self._file.readinto(target[done:])):  # type: ignore[attr-defined]
            done += got
        return done


def _without_unused_bits(stored: Stored, one: Slice) -> Stored:
    """Clear bits above the stored ones (old overlays), extending the sign."""
    bits = 8 * stored.dtype.itemsize
    used = whole(one.header, "BitsStored", bits)
    high = whole(one.header, "HighBit", used - 1)
    if not 0 < used < bits or high < used - 1 or high >= bits:
        return stored
    np.left_shift(stored, bits - 1 - high, out=stored)
    return np.right_shift(stored, bits - used, out=stored)
