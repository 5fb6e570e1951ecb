"""Mutated DICOM series: headers, pixels, code streams, and which files there are."""

from __future__ import annotations

import functools
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom import config, uid
from pydicom.dataset import Dataset

from mutants.sound import as_bytes, dataset, tiny_files, tiny_scan
from mutants.spoil import NUMBERS, TEXTS, Rng, pick, spoilt_bytes

_READ = [
    "ImageType",
    "SOPClassUID",
    "StudyDate",
    "AcquisitionDate",
    "AcquisitionDateTime",
    "Modality",
    "Manufacturer",
    "PatientID",
    "ManufacturerModelName",
    "SeriesDescription",
    "StudyDescription",
    "PatientBirthDate",
    "PatientAge",
    "BodyPartExamined",
    "KVP",
    "SliceThickness",
    "ConvolutionKernel",
    "FilterType",
    "ProtocolName",
    "PatientPosition",
    "CTDIvol",
    "StudyInstanceUID",
    "SeriesInstanceUID",
    "SeriesNumber",
    "AcquisitionNumber",
    "InstanceNumber",
    "ImagePositionPatient",
    "ImageOrientationPatient",
    "FrameOfReferenceUID",
    "SamplesPerPixel",
    "PhotometricInterpretation",
    "NumberOfFrames",
    "Rows",
    "Columns",
    "PixelSpacing",
    "BitsAllocated",
    "BitsStored",
    "HighBit",
    "PixelRepresentation",
    "PixelPaddingValue",
    "RescaleIntercept",
    "RescaleSlope",
    "RescaleType",
    "LossyImageCompression",
    "SpecificCharacterSet",
    "ReconstructionAlgorithm",
    "PatientName",
    "InstitutionName",
    "AccessionNumber",
    "ImageComments",
    "DerivationDescription",
]
_BINARY = {"US", "SS", "UL", "SL", "FD", "FL"}


def _which(rng: Rng, n: int) -> list[int]:
    """All slices, one, or some."""
    kind = rng.random()
    if kind < 0.5:
        return list(range(n))
    return [int(rng.integers(n))] if kind < 0.85 else sorted({int(k) for k in rng.integers(0, n, 5)})


def _header_edit(rng: Rng) -> Callable[[Dataset], None]:
    """One change of a header element, the same for every slice it is made on."""
    word, kind = pick(rng, _READ), rng.random()
    text, number, factor = pick(rng, TEXTS), pick(rng, NUMBERS), 1.0 + rng.normal(0.0, 0.05)
    where = int(rng.integers(6))

    def edit(ds: Dataset) -> None:
        old = ds.get(word)
        if kind < 0.15:
            ds.pop(word, None)
        elif kind < 0.45 and isinstance(old, pydicom.multival.MultiValue):
            parts = [str(part) for part in old]
            parts[where % len(parts)] = text
            setattr(ds, word, parts)
        elif kind < 0.7 and isinstance(old, float | pydicom.valuerep.DSfloat | pydicom.valuerep.DSdecimal):
            setattr(ds, word, f"{float(old) * factor:.6g}")
        else:
            vr = pydicom.datadict.dictionary_VR(word).split()[0]
            ds[word] = pydicom.DataElement(word, vr, _fitting(vr, text, number))

    return edit


def _fitting(vr: str, text: str, number: float) -> Any:
    if vr not in _BINARY:
        return text
    if vr in ("FD", "FL"):
        return float(number) if abs(number) < 1e38 or vr == "FD" else float("inf")
    bits = 16 if vr in ("US", "SS") else 32
    low, high = (0, 2**bits - 1) if vr[0] == "U" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    return int(np.clip(np.nan_to_num(number), low, high))


def header_values(rng: Rng) -> list[bytes]:
    """Values that no scanner writes."""
    made = list(tiny_files())
    for _ in range(int(rng.integers(1, 4))):
        edit = _header_edit(rng)
        with config.disable_value_validation():
            for k in _which(rng, len(made)):
                ds = pydicom.dcmread(io.BytesIO(made[k]))
                try:
                    edit(ds)
                    made[k] = as_bytes(ds)
                except Exception:  # noqa: BLE001 - the writer will not have it: this change is left out
                    continue
    return made


def _pixel_start(raw: bytes) -> int:
    return raw.rindex(b"\xe0\x7f\x10\x00") + 12


def header_bytes(rng: Rng) -> list[bytes]:
    """Bytes of the header spoilt, in one file or with the same harm in all."""
    made = list(tiny_files())
    seed = int(rng.integers(2**31))
    for k in _which(rng, len(made)):
        end = _pixel_start(made[k])
        own = np.random.default_rng(seed)
        made[k] = spoilt_bytes(made[k][:end], own, start=132, most=4) + made[k][end:]
    return made


def _pixels_change(hu: np.ndarray, rng: Rng) -> np.ndarray:
    kind, amount = int(rng.integers(12)), int(rng.integers(1, 4000))
    box = tuple(slice(a, a + int(rng.integers(1, 12))) for a in (int(rng.integers(n)) for n in hu.shape))
    if kind == 0:
        hu = np.full_like(hu, pick(rng, (-1024, 0, 3071, 32767, -32768)))
    elif kind <= 2:
        hu[box] = pick(rng, (-1024, 0, 1200, 3071, 20000, 32767, -32768))
    elif kind == 3:
        hu = np.minimum(hu, int(rng.integers(300, 3000)))
    elif kind == 4:
        hu = hu + rng.normal(0.0, amount / 8.0, hu.shape)
    elif kind == 5:
        hu = hu * rng.normal(1.0, 0.5) + rng.normal(0.0, 300.0)
    elif kind == 6:
        hu = np.roll(hu, int(rng.integers(1, 10)), axis=int(rng.integers(3)))
    elif kind == 7:
        hu = np.flip(hu, axis=int(rng.integers(3)))
    elif kind == 8:
        hu[:: int(rng.integers(2, 6))] += amount
    elif kind == 9:
        hu = hu[rng.permutation(len(hu))] if rng.random() < 0.3 else np.rot90(hu, 2, axes=(1, 2))
    elif kind == 10:
        hu.ravel()[rng.integers(0, hu.size, amount)] = pick(rng, (-32768, 3071, 32767))
    else:
        low = rng.normal(0.0, amount / 4.0, tuple(1 + n // 6 for n in hu.shape))
        hu = hu + np.kron(low, np.ones((6, 6, 6)))[tuple(slice(n) for n in hu.shape)]
    return np.clip(hu, -32768, 32767)


def pixel_values(rng: Rng) -> list[bytes]:
    """Other pixels: clipped, noisy, turned, metal added or gone."""
    hu = tiny_scan().hu.astype(np.float64)
    for _ in range(int(rng.integers(1, 4))):
        hu = _pixels_change(hu.copy(), rng)
    planes = [plane.astype("<i2").tobytes() for plane in hu]
    return [f[: _pixel_start(f)] + p for f, p in zip(tiny_files(), planes, strict=True)]


def pixel_bytes(rng: Rng) -> list[bytes]:
    """Bytes of the pixels spoilt, cut out, or cut off."""
    made = list(tiny_files())
    for k in _which(rng, len(made)):
        made[k] = spoilt_bytes(made[k], rng, start=_pixel_start(made[k]), most=30)
    return made


def file_set(rng: Rng) -> list[bytes]:
    """Files missing, doubled, foreign, empty or of two patients."""
    made = list(tiny_files())
    for _ in range(int(rng.integers(1, 4))):
        kind, at = int(rng.integers(8)), int(rng.integers(len(made)))
        if kind == 0:
            del made[at]
        elif kind == 1:
            made.append(made[at])
        elif kind == 2:
            made.append(pick(rng, (b"", b"\0" * 400, b"DICM", b"PK\x03\x04", rng.bytes(300), b"%PDF-1.4")))
        elif kind == 3:
            made = [made[k] for k in rng.permutation(len(made))]
        elif kind == 4:
            ds = pydicom.dcmread(io.BytesIO(made[at]))
            ds.PatientID, ds.SOPInstanceUID = "other", uid.UID(f"2.25.{int(rng.integers(2**31))}")
            made.append(as_bytes(ds))
        elif kind == 5:
            made = made[: max(1, at)]
        elif kind == 6:
            made[at] = made[at][: int(rng.integers(len(made[at])))]
        else:
            made.append(spoilt_bytes(made[at], rng, most=20))
    return made


@functools.cache
def _packed_files() -> tuple[bytes, ...]:
    out = []
    for k in range(len(tiny_files())):
        ds = dataset(k)
        ds.compress(uid.RLELossless, generate_instance_uid=False)
        out.append(as_bytes(ds))
    return tuple(out)


def packed(rng: Rng) -> list[bytes]:
    """Run-length coded pixels, their code or its wrapping spoilt."""
    made = list(_packed_files())
    for k in _which(rng, len(made))[:3]:
        start = made[k].rindex(b"\xe0\x7f\x10\x00")
        made[k] = spoilt_bytes(made[k], rng, start=start + int(rng.integers(0, 120)), most=4)
    return made


def series_of(files: Callable[[Rng], list[bytes]]) -> Callable[[Path, Rng], Path]:
    """A maker of a folder from a maker of files."""

    def make(folder: Path, rng: Rng) -> Path:
        out = folder / "ct"
        out.mkdir()
        for k, raw in enumerate(files(rng)):
            (out / f"{k:03d}.dcm").write_bytes(raw)
        return out

    return make
