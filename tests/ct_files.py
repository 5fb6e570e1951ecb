"""CT series for tests: a linear HU field of world position, so that a wrong place is a wrong number."""

from __future__ import annotations

import io
import random
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
import SimpleITK as sitk  # noqa: N813 - the name its users know
from numpy.typing import ArrayLike, NDArray
from pydicom import dcmread, uid
from pydicom.dataset import Dataset, FileMetaDataset

from ongrowth.scan import Refused, Scan

GRADIENT = np.array([2.0, 3.0, 5.0])  # HU per mm along x, y, z
OFFSET_HU = 100.0
Edit = Callable[[Dataset, int], None]


def with_values(**values: object) -> Edit:
    """Return an edit that sets elements of the header."""

    def edit(ds: Dataset, _: int) -> None:
        for keyword, value in values.items():
            setattr(ds, keyword, value)

    return edit


def field_hu(world_mm: ArrayLike) -> NDArray[np.float64]:
    """Return 2 x + 3 y + 5 z + 100 HU at places in patient mm, shape (..., 3)."""
    return np.asarray(np.asarray(world_mm, dtype=np.float64) @ GRADIENT + OFFSET_HU)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Where the slices lie; rows and columns differ, so that a swap shows."""

    n: int = 12
    rows: int = 14
    columns: int = 18
    origin_mm: tuple[float, float, float] = (-12.0, -9.5, 30.0)
    row: tuple[float, float, float] = (1.0, 0.0, 0.0)
    column: tuple[float, float, float] = (0.0, 1.0, 0.0)
    step_mm: tuple[float, float, float] = (0.0, 0.0, 0.625)
    spacing_mm: tuple[float, float] = (0.5, 0.375)  # between rows, between columns
    offsets_mm: dict[int, tuple[float, float, float]] = field(default_factory=dict)

    def origin_of(self, k: int) -> NDArray[np.float64]:
        """Corner of slice k, patient mm."""
        shift = np.array(self.offsets_mm.get(k, (0.0, 0.0, 0.0)))
        return np.asarray(np.array(self.origin_mm) + k * np.array(self.step_mm) + shift)

    def world_of(self, k: int) -> NDArray[np.float64]:
        """Patient mm of all pixels of slice k, shape (rows, columns, 3)."""
        j, i = np.mgrid[: self.rows, : self.columns]
        along_column = j[..., None] * self.spacing_mm[0] * np.array(self.column)
        along_row = i[..., None] * self.spacing_mm[1] * np.array(self.row)
        return np.asarray(self.origin_of(k) + along_column + along_row)

    def turned(self, rotation: ArrayLike) -> Grid:
        """Return the grid in another patient position: all directions turned."""
        turn = np.asarray(rotation, dtype=np.float64)
        new = [turn @ np.array(part) for part in (self.row, self.column, self.step_mm, self.origin_mm)]
        row, column, step_mm, origin_mm = ((float(x), float(y), float(z)) for x, y, z in new)
        return replace(self, row=row, column=column, step_mm=step_mm, origin_mm=origin_mm)


def decimal(value: float, digits: int = 6) -> str:
    """Write a number as a decimal string."""
    return f"{value:.{digits}f}"


def ct_slice(grid: Grid, k: int, *, slope: float = 1.0, intercept: float = -1024.0) -> Dataset:
    """Return slice k of the field as an ordinary CT image."""
    hu = field_hu(grid.world_of(k))
    return ct_image(np.rint((hu - intercept) / slope), grid, k, slope=slope, intercept=intercept)


def ct_image(
    stored: NDArray[np.float64], grid: Grid, k: int, *, slope: float = 1.0, intercept: float = -1024.0
) -> Dataset:
    """Return stored numbers as an ordinary CT image at the place of slice k."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = uid.CTImageStorage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = uid.UID(f"2.25.1000{k}")
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.Modality = "CT"
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = "2.25.1", "2.25.2", "2.25.3"
    ds.PatientID = "harbour-07"
    ds.StudyDate = ds.AcquisitionDate = "20310429"
    ds.ConvolutionKernel, ds.KVP, ds.SliceThickness = "BONE", "120", "0.625"
    ds.SeriesNumber, ds.AcquisitionNumber, ds.InstanceNumber = 2, 1, k + 1
    ds.PatientPosition = "HFS"
    ds.ImagePositionPatient = [decimal(v) for v in grid.origin_of(k)]
    ds.ImageOrientationPatient = [decimal(v, 10) for v in (*grid.row, *grid.column)]
    ds.PixelSpacing = [decimal(v) for v in grid.spacing_mm]
    ds.Rows, ds.Columns = grid.rows, grid.columns
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 16, 15, 0
    ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = f"{slope:g}", f"{intercept:g}", "HU"
    ds.PixelData = np.asarray(stored).astype("<u2").tobytes()
    return ds


def as_bytes(ds: Dataset) -> bytes:
    """Return the file a data set makes."""
    buffer = io.BytesIO()
    ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def enhanced(grid: Grid, *, legacy: bool = False) -> Dataset:
    """Return the field as one multi-frame file, frames in no order, rescaled per frame or shared."""
    order = list(range(grid.n))
    random.Random(1).shuffle(order)
    single = [ct_slice(grid, k) for k in order]
    ds = single[0]
    pixels = b"".join(one.PixelData for one in single)
    frames = []
    for k in order:
        frame, place = Dataset(), Dataset()
        place.ImagePositionPatient = [decimal(v) for v in grid.origin_of(k)]
        frame.PlanePositionSequence = [place]
        frames.append(frame)
    orientation, measures, transform = Dataset(), Dataset(), Dataset()
    orientation.ImageOrientationPatient = ds.ImageOrientationPatient
    measures.PixelSpacing, measures.SliceThickness = ds.PixelSpacing, "0.625"
    transform.RescaleSlope, transform.RescaleIntercept, transform.RescaleType = "1", "-1024", "HU"
    shared = Dataset()
    shared.PlaneOrientationSequence, shared.PixelMeasuresSequence = [orientation], [measures]
    if legacy:
        for frame in frames:
            frame.PixelValueTransformationSequence = [transform]
    else:
        shared.PixelValueTransformationSequence = [transform]
    for keyword in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "RescaleSlope"):
        del ds[keyword]
    del ds.RescaleIntercept, ds.RescaleType, ds.SliceThickness
    ds.SOPClassUID = uid.LegacyConvertedEnhancedCTImageStorage if legacy else uid.EnhancedCTImageStorage
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.NumberOfFrames = grid.n
    ds.SharedFunctionalGroupsSequence, ds.PerFrameFunctionalGroupsSequence = [shared], frames
    ds.PixelData = pixels
    return ds


def write_series(
    folder: Path,
    grid: Grid,
    edit: Edit | None = None,
    *,
    names: Iterable[str] | None = None,
    skip: Iterable[int] = (),
) -> Path:
    """Write the field as a series, one file a slice; `edit` may change each data set before."""
    folder.mkdir(parents=True, exist_ok=True)
    file_names = list(names or (f"{k:03d}.dcm" for k in range(grid.n)))
    for k in range(grid.n):
        if k in set(skip):
            continue
        ds = ct_slice(grid, k)
        if edit:
            edit(ds, k)
        ds.save_as(folder / file_names[k], enforce_file_format=True)
    return folder


def pack_losslessly(ds: Dataset, compressor: str) -> None:
    """Pack the pixels of a slice ("JPEG", "JPEG2000") by GDCM, an encoder that is not ours."""
    kind = "<u2" if ds.PixelRepresentation == 0 else "<i2"
    with tempfile.TemporaryDirectory() as folder:
        writer = sitk.ImageFileWriter()
        writer.SetImageIO("GDCMImageIO")
        writer.SetFileName(f"{folder}/x.dcm")
        writer.SetUseCompression(True)
        writer.SetCompressor(compressor)
        writer.Execute(sitk.GetImageFromArray(np.frombuffer(ds.PixelData, kind).reshape(ds.Rows, ds.Columns)))
        packed = dcmread(f"{folder}/x.dcm")
    ds.file_meta.TransferSyntaxUID = packed.file_meta.TransferSyntaxUID
    ds.PixelData = packed.PixelData
    ds["PixelData"].VR, ds["PixelData"].is_undefined_length = "OB", True


def worst_hu(scan: Scan) -> float:
    """Return the largest deviation of a scan from the field, HU."""
    index = np.stack(np.meshgrid(*map(np.arange, scan.hu.shape), indexing="ij"), axis=-1)
    return float(np.abs(scan.hu - field_hu(scan.world_mm(index))).max())


def codes(scan: Scan) -> set[str]:
    """Return the codes of all problems of a scan."""
    return {problem.code for problem in scan.problems}


def refused(read: Callable[[], object]) -> set[str]:
    """Return the codes with which reading is refused; fail if it is not."""
    with pytest.raises(Refused) as error:
        read()
    assert all(problem.text and problem.advice for problem in error.value.problems)
    return {problem.code for problem in error.value.problems}
