"""Mutated zips and volume files."""

from __future__ import annotations

import functools
import io
import struct
import zipfile
from pathlib import Path

import numpy as np

from mutants.slices import pixel_values
from mutants.sound import tiny_files, tiny_scan
from mutants.spoil import NUMBERS, Rng, pick, spoilt_bytes, spoilt_text
from ongrowth_phantoms.series import write_nifti


def zipped(folder: Path, rng: Rng) -> Path:
    """A zip whose names, sizes, links or bytes are wrong; one in four is sound, its series spoilt."""
    buffer = io.BytesIO()
    files = pixel_values(rng) if rng.random() < 0.25 else list(tiny_files())
    names = [f"ct/{k:03d}.dcm" for k in range(len(files))]
    kind = int(rng.integers(7))
    if kind == 0:
        names[int(rng.integers(len(names)))] = pick(
            rng, ("../x.dcm", "/etc/x.dcm", "a/../../x", "..\\x.dcm", "C:\\x.dcm", "", ".", "a\0b", "x" * 300)
        )
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, raw in zip(names, files, strict=True):
            archive.writestr(zipfile.ZipInfo(name or "/"), raw, pick(rng, (0, zipfile.ZIP_DEFLATED)))
        if kind == 1:
            link = zipfile.ZipInfo("ct/link.dcm")
            link.external_attr = 0o120777 << 16
            archive.writestr(link, "/etc/passwd")
        if kind == 2:
            archive.writestr("ct/bomb.dcm", bytes(2**22), zipfile.ZIP_DEFLATED)
    raw = buffer.getvalue()
    if kind in (2, 3):  # the directory lies about a size
        at = raw.rindex(b"PK\x01\x02") + pick(rng, (20, 24, 28, 30, 42))
        raw = raw[:at] + struct.pack("<I", pick(rng, (0, 1, 2**31, 2**32 - 1))) + raw[at + 4 :]
    elif kind in (4, 5):
        directory = raw.index(b"PK\x01\x02")
        raw = spoilt_bytes(raw, rng, start=directory if kind == 4 else 0, most=4)
    path = folder / "ct.zip"
    path.write_bytes(raw)
    return path


@functools.cache
def sound_volume(suffix: str) -> bytes:
    import tempfile

    import SimpleITK as sitk  # noqa: N813

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"ct{suffix}"
        if suffix.startswith(".nii"):
            return write_nifti(tiny_scan(), path).read_bytes()
        scan = tiny_scan()
        image = sitk.GetImageFromArray(scan.hu)
        image.SetSpacing([float(v) for v in scan.step_mm[::-1]])
        image.SetOrigin([float(v) for v in scan.world_from_voxel[:3, 3]])
        image.SetDirection(
            [float(v) for v in (scan.world_from_voxel[:3, [2, 1, 0]] / scan.step_mm[::-1]).ravel()]
        )
        sitk.WriteImage(image, str(path), suffix == ".nrrd")
        return path.read_bytes()


HEADER_BYTES = {".nii": 352, ".nii.gz": 60, ".nrrd": 420, ".mha": 420}


def volume(folder: Path, rng: Rng) -> Path:
    """A NIfTI, NRRD or MHA file, its header or its voxels spoilt."""
    suffix = pick(rng, tuple(HEADER_BYTES))
    raw = sound_volume(suffix)
    head = HEADER_BYTES[suffix]
    if rng.random() < 0.6:
        start = raw[:head]
        if suffix in (".nrrd", ".mha") and rng.random() < 0.6:
            end = raw.index(b"\n\n") if suffix == ".nrrd" else raw.index(b"ElementDataFile")
            raw = spoilt_text(raw[:end].decode("latin-1"), rng) + raw[end:]
        elif suffix == ".nii" and rng.random() < 0.6:
            raw = _nifti_fields(bytearray(start), rng) + raw[head:]
        else:
            raw = spoilt_bytes(start, rng, most=3) + raw[head:]
    else:
        raw = spoilt_bytes(raw, rng, start=head, most=20)
    path = folder / f"ct{suffix}"
    path.write_bytes(raw)
    return path


def _nifti_fields(head: bytearray, rng: Rng) -> bytes:
    """Fields of a NIfTI header given hostile numbers."""
    for _ in range(int(rng.integers(1, 3))):
        at, form = pick(
            rng, ((42, "h"), (44, "h"), (46, "h"), (70, "h"), (76, "f"), (80, "f"), (88, "f"), (108, "f"),
                  (112, "f"), (116, "f"), (252, "h"), (254, "h"), (280, "f"), (284, "f"), (300, "f"),
                  (312, "f"))
        )  # fmt: skip
        number = pick(rng, NUMBERS)
        if form == "h":
            struct.pack_into("<h", head, at, int(np.clip(np.nan_to_num(number), -32768, 32767)))
        else:
            struct.pack_into("<f", head, at, float(np.float32(np.clip(number, -3e38, 3e38))))
    return bytes(head)
