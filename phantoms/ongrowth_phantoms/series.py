"""Write a phantom scan as DICOM or NIfTI, and its truth beside it. All names are invented."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, SupportsFloat

import numpy as np

from ongrowth.scan import Scan
from ongrowth_phantoms.truth import Truth

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset

SURGERY_DATE = dt.date(2031, 3, 4)  # invented: no person was operated on
_INSTITUTION = "Harbour Athletics Clinic (invented)"


def write_dicom(
    scan: Scan,
    folder: str | Path,
    *,
    weeks: float = 5.0,
    surgery_date: dt.date = SURGERY_DATE,
    patient_id: str = "PHANTOM-01",
    series_number: int = 1,
    compressed: bool = False,
) -> Path:
    """Write a scan as a series of CT images, one file a slice.

    Parameters
    ----------
    scan : Scan
        int16 voxels.
    folder : path
        Made if missing.
    weeks : float
        Weeks since surgery; gives the date of the study.
    surgery_date : date
        Day of surgery.
    patient_id : str
        Invented id.
    series_number : int
        Number of the series; series of one patient and week share their study.
    compressed : bool
        RLE lossless instead of plain explicit little endian.

    Returns
    -------
    Path
        The folder.
    """
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    date = surgery_date + dt.timedelta(days=round(7 * weeks))
    for k in range(scan.hu.shape[0]):
        image = _image(scan, k, date, patient_id, series_number)
        if compressed:
            from pydicom.uid import RLELossless

            image.compress(RLELossless, generate_instance_uid=False)
        image.save_as(out / f"{k + 1:04d}.dcm", enforce_file_format=True)
    return out


def _uid(*words: object) -> str:
    """Return a UID made of words: the same words give the same UID (ISO/IEC 9834-8, arc 2.25)."""
    digest = hashlib.sha256("|".join(map(str, words)).encode()).hexdigest()
    return f"2.25.{int(digest[:32], 16)}"


def _image(scan: Scan, k: int, date: dt.date, patient_id: str, series_number: int) -> FileDataset:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

    series = _uid(patient_id, date, series_number, scan.digest)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = _uid(series, k)  # type: ignore[assignment]
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    image = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    image.SOPClassUID = CTImageStorage
    image.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    image.SeriesInstanceUID = series
    image.StudyInstanceUID = _uid(patient_id, date, "study")
    image.FrameOfReferenceUID = _uid(patient_id, date, "frame")
    _write_patient(image, date, patient_id)
    _write_acquisition(image, scan, k, series_number)
    _write_pixels(image, scan, k)
    return image


def _write_patient(image: FileDataset, date: dt.date, patient_id: str) -> None:
    image.PatientName = "Nobody^Invented"
    image.PatientID = patient_id
    image.PatientBirthDate = "20150101"
    image.PatientSex = "O"
    image.PatientIdentityRemoved = "YES"
    image.DeidentificationMethod = "Computer phantom: there is no patient"
    for name in ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"):
        setattr(image, name, date.strftime("%Y%m%d"))
    for name in ("StudyTime", "SeriesTime", "AcquisitionTime", "ContentTime"):
        setattr(image, name, "101500")
    image.AccessionNumber = ""
    image.ReferringPhysicianName = ""
    image.StudyID = "1"
    image.InstitutionName = _INSTITUTION
    image.StudyDescription = "Lumbar spine after pars repair (phantom)"


def _write_acquisition(image: FileDataset, scan: Scan, k: int, series_number: int) -> None:
    facts = scan.acquisition
    image.Modality = "CT"
    image.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    image.Manufacturer = facts.scanner.split()[0] if facts.scanner else "Phantom"
    image.ManufacturerModelName = facts.scanner
    image.SeriesNumber = series_number
    image.AcquisitionNumber = 1
    image.InstanceNumber = k + 1
    image.SeriesDescription = facts.series_description
    image.BodyPartExamined = facts.body_part
    image.PatientPosition = facts.patient_position
    image.KVP = _decimal(facts.kvp)
    image.ConvolutionKernel = facts.kernel
    image.SliceThickness = _decimal(facts.slice_thickness_mm)
    image.GantryDetectorTilt = _decimal(_tilt_deg(scan))
    image.PositionReferenceIndicator = ""
    image.RescaleType = "HU"
    if math.isfinite(facts.dose.ctdi_vol_mgy):
        image.CTDIvol = facts.dose.ctdi_vol_mgy
        image.ExposureTime = 500
        image.XRayTubeCurrent = 200


def _tilt_deg(scan: Scan) -> float:
    step = scan.world_from_voxel[:3, 0]
    return math.degrees(math.acos(min(1.0, scan.slice_gap_mm / float(np.linalg.norm(step)))))


def _write_pixels(image: FileDataset, scan: Scan, k: int) -> None:
    affine = scan.world_from_voxel
    across, down = affine[:3, 2], affine[:3, 1]
    image.ImagePositionPatient = _decimals(scan.world_mm([k, 0, 0]))
    image.ImageOrientationPatient = _decimals(
        np.concatenate([across / np.linalg.norm(across), down / np.linalg.norm(down)])
    )
    image.SliceLocation = _decimal(float(scan.world_mm([k, 0, 0]) @ scan.slice_normal))
    image.PixelSpacing = _decimals([np.linalg.norm(down), np.linalg.norm(across)])
    image.SamplesPerPixel = 1
    image.PhotometricInterpretation = "MONOCHROME2"
    image.Rows, image.Columns = scan.hu.shape[1:]
    image.BitsAllocated, image.BitsStored, image.HighBit = 16, 16, 15
    image.PixelRepresentation = 1
    image.RescaleIntercept, image.RescaleSlope = "0", "1"
    image.WindowCenter, image.WindowWidth = "400", "2000"
    image.PixelData = np.ascontiguousarray(scan.hu[k], dtype="<i2").tobytes()
    image["PixelData"].VR = "OW"


def _decimal(number: float) -> str:
    """Return a number in at most 16 characters, as a decimal string demands."""
    return f"{number:.10g}"[:16]


def _decimals(numbers: Iterable[SupportsFloat]) -> list[str]:
    return [_decimal(float(n)) for n in numbers]


def write_nifti(scan: Scan, path: str | Path) -> Path:
    """Write a scan as NIfTI (RAS); a leaning stack keeps its shear in the sform.

    Parameters
    ----------
    scan : Scan
        What to write.
    path : path
        ``.nii`` or ``.nii.gz``.
    """
    import gzip

    header = _nifti_header(scan)
    data = header + b"\0" * 4 + np.ascontiguousarray(scan.hu, dtype="<i2").tobytes()
    Path(path).write_bytes(gzip.compress(data, 1, mtime=0) if str(path).endswith(".gz") else data)
    return Path(path)


def _nifti_header(scan: Scan) -> bytes:
    """Return the 348 bytes of a NIfTI-1 header (single file, little endian, sform only)."""
    import struct

    z, y, x = scan.hu.shape
    ras = (np.diag([-1.0, -1.0, 1.0, 1.0]) @ scan.world_from_voxel)[:3, [2, 1, 0, 3]]
    step_z, step_y, step_x = scan.step_mm
    header = bytearray(348)
    struct.pack_into("<i", header, 0, 348)
    struct.pack_into("<8h", header, 40, 3, x, y, z, 1, 1, 1, 1)
    struct.pack_into("<2h", header, 70, 4, 16)  # int16
    struct.pack_into("<8f", header, 76, 1.0, step_x, step_y, step_z, 1.0, 1.0, 1.0, 1.0)
    struct.pack_into("<3f", header, 108, 352.0, 1.0, 0.0)  # offset, slope, intercept
    struct.pack_into("<B", header, 123, 2)  # mm
    struct.pack_into("<2h", header, 252, 0, 1)  # no qform (it cannot hold a shear); sform: scanner
    struct.pack_into("<12f", header, 280, *ras.ravel())
    struct.pack_into("<4s", header, 344, b"n+1\0")
    return bytes(header)


def write_truth(truth: Truth | Sequence[Truth], path: str | Path) -> Path:
    """Write the truth of one or more screws as JSON.

    Parameters
    ----------
    truth : Truth or sequence of Truth
        One per screw.
    path : path
        ``.json``.
    """
    all_of_them = [truth] if isinstance(truth, Truth) else list(truth)
    text = json.dumps(
        {"schema": "phantom-truth/1", "screws": [t.as_dict() for t in all_of_them]}, allow_nan=False
    )
    Path(path).write_text(text + "\n", encoding="utf-8")
    return Path(path)
