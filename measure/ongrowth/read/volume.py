"""Volume files: NIfTI, NRRD, MHA/MHD. Headers parsed here, so that shear and sizes are ours to judge."""

from __future__ import annotations

import bz2
import contextlib
import dataclasses
import gzip
import itertools
import math
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Protocol

import numpy as np
from numpy.typing import NDArray

from ongrowth.read.pixels import HU, INT16, empty_hu, narrowed
from ongrowth.scan import Level, Problem, refuse
from ongrowth.series import UNREADABLE
from ongrowth.series.header import MAX_PIXELS_ALONG
from ongrowth.series.source import BOMB_BYTES, BOMB_RATIO, reason
from ongrowth.series.stack import MAX_VOXELS

LPS_FROM_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
FORMS_AGREE_MM = 0.05  # at the far corner
MAX_HEADER_BYTES = 2**20
_MOST_HU = 1e6  # far beyond any scale in use; also where 32-bit numbers still hold every whole one
_SAME_STEP = 0.01  # by which square pixels may seem oblong, as a share: rounding in files
_ODD_NUMBERS = (ValueError, OverflowError)  # an offset or a size that no file has
SUFFIXES = (".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd")


@dataclass(frozen=True, slots=True, eq=False)
class VolumeHeader:
    """What a volume file says of itself.

    `shape` has the slices first, and `world_from_voxel` maps ``(k, j, i)`` in this order to LPS mm. `order`
    says which axis of the file (0: the slowest) each of them is; those in `flipped` run the other way there.
    """

    data_path: Path
    data_offset: int
    packing: str  # "raw", "gzip", "zlib", "bzip2"; "gzip-all": header and data packed together
    dtype: np.dtype[np.generic]
    shape: tuple[int, int, int]
    world_from_voxel: NDArray[np.float64]
    slope: float = 1.0
    intercept: float = 0.0
    problems: tuple[Problem, ...] = ()
    order: tuple[int, int, int] = (0, 1, 2)
    flipped: tuple[int, ...] = ()


def is_volume_file(path: Path) -> bool:
    """Whether the name says that this is a volume file."""
    return path.name.lower().endswith(SUFFIXES)


def read_volume_header(path: Path) -> VolumeHeader:
    """Read the header of a volume file.

    Raises
    ------
    Refused
        ``bad-volume-file``, ``not-one-volume``, ``no-position``, ``too-large``.
    """
    name = path.name.lower()
    try:
        if name.endswith((".nii", ".nii.gz")):
            header = _nifti(path)
        elif name.endswith((".nrrd", ".nhdr")):
            header = _nrrd(path)
        else:
            header = _meta(path)
    except (*UNREADABLE, *_ODD_NUMBERS, struct.error, KeyError, IndexError, TypeError) as error:
        raise _bad(path, f"its header cannot be read: {reason(error)}") from None
    _check_grid(path, header)
    return _upright(header)


def _upright(header: VolumeHeader) -> VolumeHeader:
    """Return the header with the axes in one order and direction, whatever a tool has made of them.

    Pixels of a CT are square, so the odd step is that of the slices; where none is odd, the axis along the
    patient is taken. Axes run to the left, to the back and upward.
    """
    matrix = header.world_from_voxel
    steps = np.linalg.norm(matrix[:3, :3], axis=0)
    ways = matrix[:3, :3] / steps
    along = max(itertools.permutations(range(3)), key=lambda p: sum(abs(ways[p[a], a]) for a in range(3)))
    others = ((1, 2), (0, 2), (0, 1))
    is_square = [math.isclose(steps[a], steps[b], rel_tol=_SAME_STEP) for a, b in others]
    slices = is_square.index(True) if is_square.count(True) == 1 else along.index(2)
    first, second, third = (slices, *sorted(others[slices], key=lambda a: -along[a]))
    flipped = tuple(a for a in range(3) if ways[along[a], a] < 0.0)
    upright = matrix.copy()
    for a in flipped:
        upright[:, 3] += matrix[:, a] * (header.shape[a] - 1)
        upright[:, a] *= -1.0
    return dataclasses.replace(
        header,
        shape=(header.shape[first], header.shape[second], header.shape[third]),
        world_from_voxel=upright[:, [first, second, third, 3]],
        order=(first, second, third),
        flipped=flipped,
    )


def _bad(path: Path, what: str) -> Exception:
    return refuse("bad-volume-file", f"{path.name}: {what}.", "Export the volume again.")


def _check_grid(path: Path, header: VolumeHeader) -> None:
    if min(header.shape) < 2:
        raise refuse("single-slice", f"{path.name} holds a single slice.", "Give the whole volume.")
    n_bytes = math.prod(header.shape) * header.dtype.itemsize
    if max(header.shape) > MAX_PIXELS_ALONG or math.prod(header.shape) > MAX_VOXELS:
        raise refuse(
            "too-large", f"{path.name} claims {header.shape} voxels, beyond any CT.", "Export it again."
        )
    n_there = header.data_path.stat().st_size - header.data_offset
    if header.packing == "raw" and n_bytes > n_there:
        held, stated = f"{max(n_there, 0) / 2**20:.1f} MB", f"{n_bytes / 2**20:.1f}"
        text = f"{path.name} holds {held} of voxels where its header states {stated}."
        raise refuse("truncated-file", text, "Export the volume again.")
    if header.packing != "raw" and n_bytes > max(BOMB_BYTES, BOMB_RATIO * header.data_path.stat().st_size):
        raise refuse("zip-bomb", f"{path.name} would unpack to {n_bytes / 2**30:.1f} GB.", "Export it again.")
    matrix = header.world_from_voxel
    steps = np.linalg.norm(matrix[:3, :3], axis=0)
    if not np.all(np.isfinite(matrix)) or steps.min() < 0.01 or steps.max() > 20.0:
        raise refuse("no-pixel-size", f"{path.name} states no credible voxel size.", "Export it again.")
    if abs(np.linalg.det(matrix[:3, :3] / steps)) < 0.1:
        raise refuse("bad-orientation", f"{path.name}: its axes do not span space.", "Export it again.")


def read_volume_hu(header: VolumeHeader, progress: Callable[[str], None]) -> HU:
    """Read the voxels as HU, slice by slice into one array.

    Returns
    -------
    ndarray, shape (Z, Y, X), int16 or float32

    Raises
    ------
    Refused
        ``truncated-file``, ``bad-volume-file``.
    """
    progress(f"Reading {header.data_path.name}")
    is_whole = header.dtype.kind in "iu" and header.slope.is_integer() and header.intercept.is_integer()
    try:
        with _payload(header) as file:
            hu = _read_planes(header, file, is_whole=is_whole)
    except (*UNREADABLE, *_ODD_NUMBERS) as error:
        raise _bad(header.data_path, f"its voxels cannot be read: {reason(error)}") from None
    return hu


def _read_planes(header: VolumeHeader, file: _Readable, *, is_whole: bool) -> HU:
    hu = empty_hu(header.shape, is_whole=is_whole)
    planes = _as_in_file(hu, header)
    plane_bytes = header.dtype.itemsize * math.prod(planes.shape[1:])
    for k in range(len(planes)):
        packed = _read_exactly(file, plane_bytes)
        if len(packed) < plane_bytes:
            text = f"{header.data_path.name} ends at slice {k} of {len(planes)}."
            raise refuse("truncated-file", text, "Export the volume again.")
        plane = np.frombuffer(packed, header.dtype).reshape(planes.shape[1:])
        values = (
            plane
            if header.slope == 1.0 and header.intercept == 0.0
            else plane * header.slope + header.intercept
        )
        low, high = float(values.min()), float(values.max())
        if not -_MOST_HU < low <= high < _MOST_HU:
            raise _bad(header.data_path, "it holds voxels that are no CT numbers (NaN, endless or absurd)")
        if hu.dtype == np.int16 and (low < INT16.min or high > INT16.max):
            hu = hu.astype(np.float32)
            planes = _as_in_file(hu, header)
        planes[k] = values
    return narrowed(hu)


def _as_in_file(hu: HU, header: VolumeHeader) -> HU:
    """Return a view of an array whose axes run as those of the file do."""
    return np.flip(hu.transpose(np.argsort(header.order)), header.flipped)


def _read_exactly(file: _Readable, count: int) -> bytes:
    parts = []
    while count > 0 and (part := file.read(count)):
        parts.append(part)
        count -= len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


class _Readable(Protocol):
    def read(self, count: int, /) -> bytes: ...


@contextlib.contextmanager
def _payload(header: VolumeHeader) -> Iterator[_Readable]:
    """Open the voxels for reading, unpacked piece by piece."""
    with header.data_path.open("rb") as file:
        if header.packing == "gzip-all":  # header and data in one stream
            unpacked = gzip.GzipFile(fileobj=file)
            unpacked.seek(header.data_offset)
            yield unpacked
            return
        file.seek(header.data_offset)
        yield _UNPACK[header.packing](file)


class _ZlibFile:
    """Reads a zlib stream piece by piece."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self._unpack = zlib.decompressobj()

    def read(self, count: int, /) -> bytes:
        out = b""
        while not out and not self._unpack.eof:
            packed = self._unpack.unconsumed_tail or self._file.read(2**16)
            if not packed:
                break
            out = self._unpack.decompress(packed, count)
        return out


_UNPACK: dict[str, Callable[[IO[bytes]], _Readable]] = {
    "raw": lambda file: file,
    "gzip": lambda file: gzip.GzipFile(fileobj=file),
    "bzip2": bz2.BZ2File,
    "zlib": _ZlibFile,
}


# ---------------------------------------------------------------------------------------- NIfTI

_NIFTI_TYPES = {2: "u1", 4: "i2", 8: "i4", 16: "f4", 64: "f8", 256: "i1", 512: "u2", 768: "u4", 1024: "i8"}
_NIFTI_UNITS_MM = {1: 1000.0, 2: 1.0, 3: 0.001}


def _nifti(path: Path) -> VolumeHeader:
    is_packed = path.name.lower().endswith(".gz")
    with gzip.open(path, "rb") if is_packed else path.open("rb") as file:
        raw = file.read(540)
    order = next((o for o in "<>" if struct.unpack(f"{o}i", raw[:4])[0] in (348, 540)), None)
    if order is None:
        raise _bad(path, "it is no NIfTI file")
    if struct.unpack(f"{order}i", raw[:4])[0] == 540:
        raise _bad(path, "NIfTI-2 is not read; save it as NIfTI-1")
    dim = struct.unpack(f"{order}8h", raw[40:56])
    if not 3 <= dim[0] <= 7 or any(n > 1 for n in dim[4 : dim[0] + 1]):
        raise refuse("not-one-volume", f"{path.name} is not a single volume.", "Give one volume per file.")
    code = struct.unpack(f"{order}h", raw[70:72])[0]
    offset, slope, intercept = struct.unpack(f"{order}3f", raw[108:120])
    if code not in _NIFTI_TYPES or raw[344:347] not in (b"n+1", b"ni1"):
        raise _bad(path, "its data type is not a CT's")
    ras, problems = _nifti_affine(path, raw, order)
    if raw[123] & 7 not in _NIFTI_UNITS_MM:
        text = "The file does not state its unit of length; millimetres were taken."
        problems.append(Problem("length-unit-not-stated", Level.NOTE, text, "Check the size of the voxels."))
    scaled = math.isfinite(slope) and slope != 0 and math.isfinite(intercept)
    return VolumeHeader(
        data_path=path,
        data_offset=max(352, int(offset)),
        packing="gzip-all" if is_packed else "raw",
        dtype=np.dtype(order + _NIFTI_TYPES[code]),
        shape=(dim[3], dim[2], dim[1]),
        world_from_voxel=(LPS_FROM_RAS @ ras)[:, [2, 1, 0, 3]],
        slope=float(slope) if scaled else 1.0,
        intercept=float(intercept) if scaled else 0.0,
        problems=tuple(problems),
    )


def _nifti_affine(path: Path, raw: bytes, order: str) -> tuple[NDArray[np.float64], list[Problem]]:
    """Return the RAS matrix of ``(i, j, k)``: the sform if there is one, for only it can hold shear."""
    qform_code, sform_code = struct.unpack(f"{order}2h", raw[252:256])
    unit_mm = _NIFTI_UNITS_MM.get(raw[123] & 7, 1.0)
    sform = np.eye(4)
    sform[:3] = np.array(struct.unpack(f"{order}12f", raw[280:328])).reshape(3, 4)
    qform = _quaternion_matrix(raw, order)
    sform[:3] *= unit_mm
    qform[:3] *= unit_mm
    if sform_code <= 0 and qform_code <= 0:
        text = f"{path.name} does not say where the volume lies in the patient."
        raise refuse("no-position", text, "Export it with its position, or give the DICOM series.")
    if sform_code <= 0 or qform_code <= 0:
        return (sform if sform_code > 0 else qform), []
    dim = struct.unpack(f"{order}3h", raw[42:48])
    corners = np.array(np.meshgrid(*[(0, n - 1) for n in dim], (1,), indexing="ij")).reshape(4, -1)
    apart_mm = float(np.linalg.norm(((sform - qform) @ corners)[:3], axis=0).max())
    if apart_mm <= FORMS_AGREE_MM:
        return sform, []
    told = f"two positions (qform, sform) that differ by {apart_mm:.1f} mm"
    text = f"The file states {told}; the sform was used."
    advice = "Check a landmark; better give the DICOM series."
    return sform, [Problem("forms-disagree", Level.CAUTION, text, advice)]


def _quaternion_matrix(raw: bytes, order: str) -> NDArray[np.float64]:
    pixdim = np.array(struct.unpack(f"{order}4f", raw[76:92]))
    b, c, d, *offset = struct.unpack(f"{order}6f", raw[256:280])
    a = math.sqrt(max(0.0, 1.0 - (b * b + c * c + d * d)))
    turn = np.array(
        [
            [a * a + b * b - c * c - d * d, 2 * (b * c - a * d), 2 * (b * d + a * c)],
            [2 * (b * c + a * d), a * a + c * c - b * b - d * d, 2 * (c * d - a * b)],
            [2 * (b * d - a * c), 2 * (c * d + a * b), a * a + d * d - b * b - c * c],
        ]
    )
    handed = -1.0 if pixdim[0] < 0 else 1.0
    out = np.eye(4)
    out[:3, :3] = turn * (pixdim[1:] * [1.0, 1.0, handed])
    out[:3, 3] = offset
    return out


# ------------------------------------------------------------------------------ NRRD, MHA / MHD

_NRRD_TYPES = {
    "signed char": "i1", "int8": "i1", "int8_t": "i1", "uchar": "u1", "unsigned char": "u1", "uint8": "u1",
    "uint8_t": "u1", "short": "i2", "short int": "i2", "signed short": "i2", "int16": "i2", "int16_t": "i2",
    "ushort": "u2", "unsigned short": "u2", "uint16": "u2", "uint16_t": "u2", "int": "i4", "signed int": "i4",
    "int32": "i4", "int32_t": "i4", "uint": "u4", "unsigned int": "u4", "uint32": "u4", "uint32_t": "u4",
    "float": "f4", "double": "f8", "longlong": "i8", "int64": "i8", "int64_t": "i8",
}  # fmt: skip
_NRRD_SPACES = {
    "left-posterior-superior": (1, 1, 1), "lps": (1, 1, 1),
    "right-anterior-superior": (-1, -1, 1), "ras": (-1, -1, 1),
    "left-anterior-superior": (1, -1, 1), "las": (1, -1, 1),
}  # fmt: skip
_NRRD_PACKINGS = {"raw": "raw", "gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2"}
_META_TYPES = {
    "MET_CHAR": "i1", "MET_UCHAR": "u1", "MET_SHORT": "i2", "MET_USHORT": "u2", "MET_INT": "i4",
    "MET_UINT": "u4", "MET_LONG": "i4", "MET_ULONG": "u4", "MET_LONG_LONG": "i8", "MET_FLOAT": "f4",
    "MET_DOUBLE": "f8",
}  # fmt: skip


def _text_header(path: Path, end: bytes) -> tuple[list[str], int]:
    """Return the lines of a text header up to the line that starts with `end`, and where data start."""
    with path.open("rb") as file:
        raw = file.read(MAX_HEADER_BYTES)
    lines, at = [], 0
    while at < len(raw):
        stop = raw.find(b"\n", at)
        stop = len(raw) if stop < 0 else stop
        line = raw[at:stop].rstrip(b"\r")
        at = stop + 1
        lines.append(line.decode("latin-1"))
        if line == end or (end and line.startswith(end)):
            break
    return lines, at


def _nrrd(path: Path) -> VolumeHeader:
    lines, data_start = _text_header(path, b"")
    if not lines[0].startswith("NRRD"):
        raise _bad(path, "it is no NRRD file")
    field = _nrrd_fields(lines)
    if int(field["dimension"]) != 3:
        raise refuse("not-one-volume", f"{path.name} is not a single volume.", "Give one volume per file.")
    sizes = [int(n) for n in field["sizes"].split()]
    packing = _NRRD_PACKINGS.get(field["encoding"].lower())
    if packing is None or field["type"] not in _NRRD_TYPES:
        raise _bad(path, f"encoding {field['encoding']} of {field['type']} is not read")
    if int(field.get("line skip") or 0):
        raise _bad(path, "data that start after some lines are not read")
    detached = field.get("data file") or field.get("datafile")
    dtype = np.dtype(("<" if field.get("endian", "little") == "little" else ">") + _NRRD_TYPES[field["type"]])
    data_path = _beside(path, detached) if detached else path
    start = (0 if detached else data_start, int(field.get("byte skip") or 0))
    return VolumeHeader(
        data_path=data_path,
        data_offset=_offset(data_path, start, math.prod(sizes) * dtype.itemsize),
        packing=packing,
        dtype=dtype,
        shape=(sizes[2], sizes[1], sizes[0]),
        world_from_voxel=_nrrd_matrix(path, field),
    )


def _nrrd_fields(lines: list[str]) -> dict[str, str]:
    pairs = (line.split(":", 1) for line in lines[1:] if ":" in line and not line.startswith("#"))
    return {key.strip().lower(): value.lstrip("=").strip() for key, value in pairs}


def _nrrd_matrix(path: Path, field: dict[str, str]) -> NDArray[np.float64]:
    signs = _NRRD_SPACES.get(field.get("space", "").lower())
    if signs is None or "space directions" not in field or "space origin" not in field:
        text = f"{path.name} does not say where the volume lies in the patient."
        raise refuse("no-position", text, "Export it with its position, or give the DICOM series.")
    units = set(field.get("space units", "").replace('"', " ").split())
    if not units <= {"mm", "millimeter", "millimeters"}:
        raise _bad(path, f"its lengths are in {', '.join(sorted(units))}, not in millimetres")
    axes = [
        _vector(part)
        for part in field["space directions"].replace(") (", ")|(").replace(")(", ")|(").split("|")
    ]
    out = np.eye(4)
    out[:3] = np.stack([axes[2], axes[1], axes[0], _vector(field["space origin"])], axis=1)
    return np.diag([*map(float, signs), 1.0]) @ out


def _vector(written: str) -> NDArray[np.float64]:
    return np.array([float(part) for part in written.strip(" ()").split(",")])


def _meta(path: Path) -> VolumeHeader:
    lines, data_start = _text_header(path, b"ElementDataFile")
    pairs = (line.split("=", 1) for line in lines if "=" in line)
    field = {key.strip(): value.strip() for key, value in pairs}
    if int(field["NDims"]) != 3 or int(field.get("ElementNumberOfChannels", "1")) != 1:
        raise refuse("not-one-volume", f"{path.name} is not a single volume.", "Give one volume per file.")
    sizes = [int(n) for n in field["DimSize"].split()]
    is_local = field["ElementDataFile"] in ("LOCAL", "Local", "local")
    big = field.get("BinaryDataByteOrderMSB", field.get("ElementByteOrderMSB", "False")).lower() == "true"
    is_packed = field.get("CompressedData", "False").lower() == "true"
    dtype = np.dtype((">" if big else "<") + _META_TYPES[field["ElementType"]])
    data_path = path if is_local else _beside(path, field["ElementDataFile"])
    start = (data_start if is_local else 0, int(field.get("HeaderSize", "0")))
    return VolumeHeader(
        data_path=data_path,
        data_offset=_offset(data_path, start, math.prod(sizes) * dtype.itemsize),
        packing="zlib" if is_packed else "raw",
        dtype=dtype,
        shape=(sizes[2], sizes[1], sizes[0]),
        world_from_voxel=_meta_matrix(path, field),
    )


def _meta_matrix(path: Path, field: dict[str, str]) -> NDArray[np.float64]:
    origin = field.get("Offset") or field.get("Position") or field.get("Origin")
    turn = field.get("TransformMatrix") or field.get("Rotation") or field.get("Orientation")
    spacing = field.get("ElementSpacing") or field.get("ElementSize")
    if not origin or not spacing or not turn:
        text = f"{path.name} does not say where the volume lies in the patient."
        raise refuse("no-position", text, "Export it with its position, or give the DICOM series.")
    rows = np.array([float(n) for n in turn.split()]).reshape(3, 3)  # one line per array axis
    axes = rows * np.array([float(n) for n in spacing.split()])[:, None]
    out = np.eye(4)
    out[:3] = np.stack([axes[2], axes[1], axes[0], np.array([float(n) for n in origin.split()])], axis=1)
    return out


def _offset(path: Path, start: tuple[int, int], n_bytes: int) -> int:
    """Return where the voxels start; a skip of -1 means that they are the last bytes of the file."""
    begin, skip = start
    return max(0, path.stat().st_size - n_bytes) if skip == -1 else begin + max(0, skip)


def _beside(path: Path, name: str) -> Path:
    """Return the detached data file, which must be a regular file in the same folder."""
    wanted = path.parent / name
    if Path(name).name != name or not wanted.is_file() or wanted.is_symlink():
        raise _bad(path, "its data file is not a regular file beside it")
    return wanted
