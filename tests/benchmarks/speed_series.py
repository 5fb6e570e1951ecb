"""The large CTs that `speed.py` measures: a drawn screw in a large field, as three kinds of DICOM series."""

from __future__ import annotations

import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
from numpy.typing import NDArray
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).parents[1]))
from ct_files import pack_losslessly

from ongrowth.scan import Scan
from ongrowth_phantoms.catalogue import PHANTOMS, Visit, case_file
from ongrowth_phantoms.scanner import scan_fast
from ongrowth_phantoms.series import write_dicom

SHAPE = (400, 512, 512)  # slices, rows, columns, at 0.6 mm and 0.35 mm
PHANTOM = "course"
N_SCANS = 2
ENCODINGS = {"raw": "", "jpeg-lossless": "JPEG", "jpeg-2000": "JPEG2000"}
_BLOCK_MM = 60.0
_BONES = ((-150, 0, 0), (150, 0, 0), (0, -170, 0), (0, 0, -170), (0, 0, 170), (120, 0, 170))
_NOISE_HU = 40.0


def make_cases(cache: Path, n_slices: int = SHAPE[0]) -> dict[str, Path]:
    """Return the case folders by encoding; what is missing is drawn (minutes) and kept."""
    raw = cache / f"raw-{n_slices}"
    if not raw.is_dir():
        _draw_case(raw, n_slices)
    made = {"raw": raw}
    for name, compressor in ENCODINGS.items():
        if compressor and n_slices == SHAPE[0]:
            made[name] = cache / f"{name}-{n_slices}"
            if not made[name].is_dir():
                _encode_case(raw, made[name], compressor)
    return made


def _draw_case(out: Path, n_slices: int) -> None:
    with tempfile.TemporaryDirectory(dir=out.parent) as scratch:
        visits = PHANTOMS[PHANTOM].visits(1)[:N_SCANS]
        for k, visit in enumerate(visits):
            scan = _embedded(visit, n_slices, seed=1 + 1000 * k)
            write_dicom(scan, Path(scratch) / visit.id, weeks=visit.weeks, patient_id="PHANTOM-large")
        (Path(scratch) / "case.toml").write_text(case_file(PHANTOM, visits), encoding="utf-8")
        shutil.copytree(scratch, out)


def _embedded(visit: Visit, n_slices: int, seed: int) -> Scan:
    """Return the drawn screw in a large field of soft tissue with other bones, air in its corners."""
    protocol = replace(visit.protocol, size_mm=(_BLOCK_MM,) * 3)
    block = scan_fast(visit.scene, protocol, seed=seed)
    bone = scan_fast(visit.scene.without_metal(), protocol, seed=seed + 1).hu
    hu = _soft_tissue((n_slices, *SHAPE[1:]), seed)
    for shift in _BONES:
        _place(hu, bone, shift)
    corner = _place(hu, block.hu, (0, 0, 0))
    affine = block.world_from_voxel.copy()
    affine[:3, 3] = block.world_mm(-corner)
    return replace(block, hu=hu, world_from_voxel=affine, digest=f"large-{seed}-{n_slices}")


def _soft_tissue(shape: tuple[int, int, int], seed: int) -> NDArray[np.int16]:
    """Return soft tissue with noise inside an ellipse, air outside."""
    rng = np.random.default_rng(seed)
    y, x = np.meshgrid(*(np.linspace(-1.0, 1.0, n) for n in shape[1:]), indexing="ij")
    outside = np.hypot(x, y) > 1.2
    hu = np.empty(shape, np.int16)
    for plane in hu:
        noise = ndimage.gaussian_filter(rng.standard_normal(shape[1:]), 0.7)
        plane[:] = np.rint(50.0 + noise * (_NOISE_HU / noise.std()))
        plane[outside] -= 1050
    return hu


def _place(hu: NDArray[np.int16], block: NDArray[np.int16], shift: tuple[int, int, int]) -> NDArray[np.int_]:
    """Put a block into a field, so many voxels from its middle; return its corner. Ends are cut off."""
    corner = (np.array(hu.shape) - block.shape) // 2 + shift
    if (corner >= 0).all() and (corner + block.shape <= hu.shape).all():
        hu[tuple(slice(c, c + n) for c, n in zip(corner, block.shape, strict=True))] = block
    return corner


def _encode_case(raw: Path, out: Path, compressor: str) -> None:
    shutil.copytree(raw, out, ignore=lambda _, names: [name for name in names if name.endswith(".dcm")])
    for path in sorted(raw.rglob("*.dcm")):
        image = pydicom.dcmread(path)
        pack_losslessly(image, compressor)
        image.save_as(out / path.relative_to(raw), enforce_file_format=True)
