"""Sound input: a tiny CT with a screw, as quick to measure as can be."""

from __future__ import annotations

import functools
import io
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pydicom
from pydicom import config
from pydicom.dataset import Dataset

from ongrowth.scan import Scan
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import pars_scene
from ongrowth_phantoms.series import write_dicom


@functools.cache
def tiny_scan() -> Scan:
    """A screw of 14 mm across a gap, in voxels so coarse that it is measured in seconds."""
    base = pars_scene(1, halo=HaloField("even", 0.7), child=True)
    site, screw = base.sites[0], base.screws[0]
    middle = (np.array(screw.head_mm) + np.array(screw.tip_mm)) / 2.0
    along = 7.0 * screw.axes[:, 2]
    ends = {"head_mm": tuple(middle - along), "tip_mm": tuple(middle + along)}
    small = replace(screw, **ends, head_height_mm=1.5, head_diameter_mm=4.5)
    x, y, z = (float(v) for v in 2.0 * np.abs(along) + 12.0)
    protocol = FastProtocol(
        pixel_mm=0.5,
        slice_mm=1.5,
        slice_fwhm_mm=1.8,
        in_plane_fwhm_mm=0.8,
        size_mm=(x, y, z),
        centre_mm=(float(middle[0]), float(middle[1]), float(middle[2])),
    )
    return scan_fast(replace(base, sites=(replace(site, screw=small),)), protocol, seed=1)


@functools.cache
def tiny_files() -> tuple[bytes, ...]:
    """The files of the tiny scan as a DICOM series."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        write_dicom(tiny_scan(), folder, weeks=8.0)
        return tuple(path.read_bytes() for path in sorted(Path(folder).iterdir()))


def dataset(k: int) -> Dataset:
    """Slice k of the tiny scan, fresh."""
    return pydicom.dcmread(io.BytesIO(tiny_files()[k]))


def as_bytes(ds: Dataset) -> bytes:
    """The file a data set makes, spelling faults and all."""
    buffer = io.BytesIO()
    with config.disable_value_validation(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()
