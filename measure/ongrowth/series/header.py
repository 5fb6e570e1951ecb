"""Header elements of DICOM images, read defensively: only what is needed, nothing beyond the file."""

from __future__ import annotations

import contextlib
import io
import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np
import pydicom.config
from numpy.typing import NDArray
from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset
from pydicom.filereader import read_partial
from pydicom.multival import MultiValue
from pydicom.tag import BaseTag

from ongrowth.geometry import lock_arrays
from ongrowth.scan import Refused
from ongrowth.series.source import UNREADABLE, Entry, inflated, reason

HEAD_BYTES = 2**15
MAX_HEAD_BYTES = 2**23  # functional groups of some thousand frames fit
MAX_PIXELS_ALONG = 8192  # beyond any CT matrix
PIXEL_DATA = 0x7FE00010
NATIVE_SYNTAXES = ("1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2")
BIG_ENDIAN = "1.2.840.10008.1.2.2"
DEFLATED = "1.2.840.10008.1.2.1.99"

_KEYWORDS = """
SpecificCharacterSet ImageType SOPClassUID StudyDate SeriesDate AcquisitionDate ContentDate
AcquisitionDateTime Modality ConversionType Manufacturer ManufacturerModelName SeriesDescription
StudyDescription IrradiationEventUID DerivationDescription PatientID PatientBirthDate PatientAge
PatientName OtherPatientIDs OtherPatientNames AccessionNumber
BodyPartExamined KVP SliceThickness ConvolutionKernel FilterType ProtocolName PatientPosition CTDIvol
ReconstructionAlgorithm MultienergyCTAcquisition MultienergyCTAcquisitionSequence
MultienergyCTCharacteristicsSequence StudyInstanceUID SeriesInstanceUID SeriesNumber
AcquisitionNumber InstanceNumber ImagesInAcquisition ImagePositionPatient ImageOrientationPatient
FrameOfReferenceUID TemporalPositionIndex ImageComments SamplesPerPixel PhotometricInterpretation
NumberOfFrames Rows Columns PixelSpacing BitsAllocated BitsStored HighBit PixelRepresentation
PixelPaddingValue PixelPaddingRangeLimit RescaleIntercept RescaleSlope RescaleType
LossyImageCompression SharedFunctionalGroupsSequence PerFrameFunctionalGroupsSequence
"""
_TAGS: list[BaseTag | int] = [tag for word in _KEYWORDS.split() if (tag := tag_for_keyword(word)) is not None]


@contextlib.contextmanager
def tolerant() -> Iterator[None]:
    """Read what a file holds without complaint about its spelling; we judge it ourselves."""
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        yield


@dataclass(frozen=True, slots=True, eq=False)
class Image:
    """Header of one DICOM image file and the place of its pixels."""

    entry: Entry
    header: Dataset
    syntax: str
    pixel_offset: int  # of the value, after tag and length
    pixel_bytes: int  # as declared; -1 for encapsulated data of undefined length

    @property
    def is_image(self) -> bool:
        """Whether it has, or should have, pixels (a cut-off image still counts)."""
        return bool(self.pixel_offset) or whole(self.header, "Rows") > 0

    @property
    def storage_class(self) -> str:
        """What kind of object the file says it is; empty if it does not say."""
        return text(self.header, "SOPClassUID") or text(self.header.file_meta, "MediaStorageSOPClassUID")


class NotDicomError(Exception):
    """The file is something else."""


class DamagedDicomError(Exception):
    """The file starts as DICOM but cannot be read."""


def read_image(entry: Entry) -> Image:
    """Read the header of one file.

    Raises
    ------
    NotDicomError
        If the file is something else.
    DamagedDicomError
        If it is DICOM but broken, too deeply nested, or unending.
    """
    head = _head(entry, HEAD_BYTES)
    if not _looks_like_dicom(head):
        raise NotDicomError(entry.name)
    if DEFLATED.encode() in head[:1024]:
        entry = _plain(entry, head)
        head = _head(entry, HEAD_BYTES)
    image = _parse(entry, head)
    length = HEAD_BYTES
    while image is None and length < min(entry.size, MAX_HEAD_BYTES):
        length *= 8
        image = _parse(entry, _head(entry, length))
    return image or _without_pixels(entry, head)


def _head(entry: Entry, length: int) -> bytes:
    try:
        with entry.open() as file:
            return file.read(length)
    except UNREADABLE as error:
        raise DamagedDicomError(reason(error)) from None


def _looks_like_dicom(head: bytes) -> bool:
    if head[128:132] == b"DICM":
        return True
    # Old files without preamble start with group 0002 or 0008, small element numbers.
    return len(head) > 256 and head[:2] in (b"\x02\x00", b"\x08\x00") and head[3] == 0 and head[2] < 0x20


def _plain(entry: Entry, head: bytes) -> Entry:
    meta_bytes = int.from_bytes(head[140:144], "little")
    try:
        return inflated(entry, 144 + meta_bytes)
    except UNREADABLE as error:
        raise DamagedDicomError(reason(error)) from None
    except Refused as error:
        raise DamagedDicomError(error.problems[0].text) from None


def _parse(entry: Entry, head: bytes) -> Image | None:
    """Return the image, or None if the pixels do not start within `head`."""
    at: list[int] = []

    def is_pixels(tag: BaseTag, _vr: str | None, length: int) -> bool:
        number = int(tag)  # the comparison of a tag itself is slow
        if number == PIXEL_DATA:
            at.append(-1 if length == 0xFFFFFFFF else length)
        return number >= PIXEL_DATA

    file = io.BytesIO(head)
    header = _partial(file, is_pixels)
    if not at:
        return None
    syntax = text(header.file_meta, "TransferSyntaxUID") or _guessed_syntax(header)
    value_offset = file.tell() + (8 if header.original_encoding[0] else 12)
    return Image(entry, header, syntax, value_offset, at[0])


def _partial(file: io.BytesIO, stop_when: Callable[[BaseTag, str | None, int], bool] | None) -> Dataset:
    try:
        return read_partial(file, stop_when, force=True, specific_tags=_TAGS)
    except RecursionError:
        raise DamagedDicomError("sequences nested without end") from None
    except Exception as error:  # noqa: BLE001 - a hostile file may raise anything inside the parser
        raise DamagedDicomError(reason(error)) from None


def _guessed_syntax(header: Dataset) -> str:
    is_implicit, is_little = header.original_encoding
    if is_implicit:
        return NATIVE_SYNTAXES[0]
    return NATIVE_SYNTAXES[1] if is_little else BIG_ENDIAN


def _without_pixels(entry: Entry, head: bytes) -> Image:
    header = _partial(io.BytesIO(head), None)
    return Image(entry, header, "", 0, 0)


def _raw(header: Dataset, keyword: str) -> object:
    """Return the value as read, bytes unless it was converted before; None if absent or unreadable."""
    tag = tag_for_keyword(keyword)
    try:
        return header.get_item(tag).value if tag is not None and tag in header else None
    except Exception:  # noqa: BLE001 - see `number`
        return None


def text(header: Dataset, keyword: str) -> str:
    """Return a value as the file spells it, several joined by a backslash; empty if absent."""
    value = _raw(header, keyword)
    if isinstance(value, bytes):
        return value.decode("latin-1").strip(" \0\n\r\t")
    parts = list(value) if isinstance(value, MultiValue | list) else [value]
    # Anything else (a sequence where a text belongs) counts as absent.
    return "\\".join(str(part) for part in parts if isinstance(part, str | int | float)).strip()


def words(header: Dataset, keyword: str) -> str:
    """Return a text in the file's own character set, on one line."""
    try:
        value = str(header.get(keyword, "") or "")
    except Exception:  # noqa: BLE001 - broken character sets raise many kinds
        value = text(header, keyword)
    return " ".join(value.replace("\\", " ").split())


def numbers(header: Dataset, keyword: str, count: int) -> tuple[float, ...]:
    """Return exactly `count` finite numbers written as text, or nothing at all."""
    try:
        found = tuple(float(part) for part in text(header, keyword).split("\\"))
    except ValueError:
        return ()
    return found if len(found) == count and all(map(math.isfinite, found)) else ()


def number(header: Dataset, keyword: str) -> float:
    """Return one number, text or binary; NaN if absent or unreadable."""
    try:
        value = header.get(keyword)
        first = value[0] if isinstance(value, list | tuple) else value
        return float(first) if first is not None and math.isfinite(float(first)) else math.nan
    except Exception:  # noqa: BLE001 - a broken element may raise anything when converted
        return math.nan


def stored_number(header: Dataset, keyword: str) -> float:
    """Return a number written like a pixel (signed as the pixels are); NaN if absent."""
    value = _raw(header, keyword)
    if not isinstance(value, bytes):
        return number(header, keyword)
    is_little = bool(header.original_encoding[1])
    is_signed = bool(whole(header, "PixelRepresentation"))
    return (
        float(int.from_bytes(value, "little" if is_little else "big", signed=is_signed))
        if value
        else math.nan
    )


def whole(header: Dataset, keyword: str, default: int = 0) -> int:
    """Return one whole number, or the default if absent."""
    value = number(header, keyword)
    return default if math.isnan(value) else int(value)


def decimals(header: Dataset, keyword: str) -> tuple[int, ...]:
    """Return how many decimals each number of a text element carries."""
    out = []
    for part in text(header, keyword).split("\\"):
        try:
            exponent = Decimal(part.strip()).as_tuple().exponent
        except InvalidOperation:
            exponent = 0
        out.append(max(0, -exponent) if isinstance(exponent, int) else 0)
    return tuple(out)


def items(header: Dataset, keyword: str) -> list[Dataset]:
    """Return the items of a sequence; empty if absent or unreadable."""
    try:
        value = header.get(keyword)
        return list(value) if value else []
    except (RecursionError, Exception):  # noqa: BLE001 - see `number`
        return []


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """One CT slice: where it lies, how its numbers become HU, where its pixels are.

    `position_mm`, `row`, `column` are empty (NaN) where the header does not tell.
    """

    image: Image
    frame: int
    frame_header: tuple[Dataset, ...]  # functional groups of this frame, then the header itself
    rows: int
    columns: int
    position_mm: NDArray[np.float64]
    position_step_mm: NDArray[np.float64]  # rounding step of each component
    row: NDArray[np.float64]  # direction in which the column index grows
    column: NDArray[np.float64]  # direction in which the row index grows
    spacing_mm: tuple[float, float]  # between rows, between columns
    slope: float
    intercept: float

    def __post_init__(self) -> None:
        lock_arrays(self)

    @property
    def header(self) -> Dataset:
        """Header of the whole file."""
        return self.image.header

    @property
    def normal(self) -> NDArray[np.float64]:
        """Unit normal of the slice."""
        (a, b, c), (d, e, f) = self.row.tolist(), self.column.tolist()
        across = np.array(
            [b * f - c * e, c * d - a * f, a * e - b * d]
        )  # NumPy's own takes ten times as long
        length = math.sqrt(across @ across)  # direction cosines may be rounded
        return across / length if length > 0.0 else across

    @property
    def height_mm(self) -> float:
        """Place along the normal, mm."""
        return float(self.position_mm @ self.normal)

    def text(self, keyword: str) -> str:
        """Return a value from the functional groups of the frame, else from the file."""
        return next((found for part in self.frame_header if (found := text(part, keyword))), "")

    def number(self, keyword: str) -> float:
        """Return a number from the functional groups of the frame, else from the file."""
        found = (number(part, keyword) for part in self.frame_header)
        return next((value for value in found if not math.isnan(value)), math.nan)


def slices_of(image: Image) -> list[Slice]:
    """Return the slices of one image: one, or one per frame.

    Examples
    --------
    >>> from ongrowth.series.source import FileEntry
    >>> from pathlib import Path
    >>> bare = Image(FileEntry(Path("x"), 0), Dataset(), "", 0, 0)
    >>> slices_of(bare)[0].rows
    0
    """
    frames = items(image.header, "PerFrameFunctionalGroupsSequence")
    if not frames:
        return [_slice(image, 0, (image.header,))]
    shared = _groups(items(image.header, "SharedFunctionalGroupsSequence"))
    return [_slice(image, k, (*_groups([frame]), *shared, image.header)) for k, frame in enumerate(frames)]


def _groups(parents: list[Dataset]) -> tuple[Dataset, ...]:
    found: list[Dataset] = []
    for parent in parents:
        keywords = [element.keyword for element in parent if element.VR == "SQ"]
        for keyword in keywords:
            found.extend(items(parent, keyword)[:1])
    return tuple(found)


def _slice(image: Image, frame: int, parts: tuple[Dataset, ...]) -> Slice:
    position, digits = _first(parts, "ImagePositionPatient", 3)
    orientation, _ = _first(parts, "ImageOrientationPatient", 6)
    spacing, _ = _first(parts, "PixelSpacing", 2)
    slope, _ = _first(parts, "RescaleSlope", 1)
    intercept, _ = _first(parts, "RescaleIntercept", 1)
    return Slice(
        image=image,
        frame=frame,
        frame_header=parts,
        rows=whole(image.header, "Rows"),
        columns=whole(image.header, "Columns"),
        position_mm=position,
        position_step_mm=10.0 ** -np.array(digits, dtype=np.float64),
        row=orientation[:3],
        column=orientation[3:],
        spacing_mm=(float(spacing[0]), float(spacing[1])),
        slope=float(slope[0]),
        intercept=float(intercept[0]),
    )


def _first(
    parts: tuple[Dataset, ...], keyword: str, count: int
) -> tuple[NDArray[np.float64], tuple[int, ...]]:
    for part in parts:
        if found := numbers(part, keyword, count):
            return np.array(found), decimals(part, keyword)
    return np.full(count, np.nan), (0,) * count
