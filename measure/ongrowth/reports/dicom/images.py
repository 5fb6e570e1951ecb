"""The source images of a reading, opened again: proof that they are the same, and whose they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.valuerep import DA, TM

from ongrowth.read import read_files, read_scan
from ongrowth.reading import Reading, Source
from ongrowth.scan import Refused, Scan, refuse
from ongrowth.series import open_files, tolerant

_SAME_PLACE = 0.25  # of a slice gap: positions may be written rounded, slices may not be mixed up
_MAY_BE_EMPTY = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyDate",
    "StudyTime",
    "StudyID",
    "AccessionNumber",
    "ReferringPhysicianName",
)
_READ_AGAIN = "Measure this CT again with `ongrowth check`, then export that reading."


@dataclass(frozen=True, slots=True, eq=False)
class Images:
    """The source images of a reading.

    Parameters
    ----------
    scan : Scan
        The CT, read again and found to be the one that was measured.
    slices : tuple of int
        Slices of `scan` that are used.
    headers : tuple of Dataset
        Their headers in the same order, without pixels; a single one for a multi-frame image.
    frames : tuple of int
        For a multi-frame image the frame (from 0) of each used slice; else empty.
    """

    scan: Scan
    slices: tuple[int, ...]
    headers: tuple[Dataset, ...]
    frames: tuple[int, ...] = ()

    @property
    def first(self) -> Dataset:
        """The header that tells patient and study."""
        return self.headers[0]

    def only(self, slices: Sequence[int]) -> Images:
        """Return fewer of them; a multi-frame image stays whole."""
        if self.frames:
            return self
        kept = [n for n, k in enumerate(self.slices) if k in set(slices)]
        return Images(self.scan, tuple(self.slices[n] for n in kept), tuple(self.headers[n] for n in kept))


def read_again(reading: Reading, where: Path | None, tell: Callable[[str], None]) -> Scan:
    """Read the CT of a reading again and make sure that it is the one that was measured.

    Parameters
    ----------
    reading : Reading
        With its private source.
    where : Path or None
        Where the images are now, if they are not where they were.
    tell : callable
        Told in words what is being done.

    Raises
    ------
    Refused
        ``no-source``, ``no-dicom-source``, ``no-common-series``, ``source-missing``, ``source-changed``.
    """
    source = reading.source
    if where is None and not source.paths:
        raise refuse(
            "no-source",
            "The private source.json of this reading is not beside it, so its images are not known.",
            "Give the folder of the CT with --images.",
        )
    if source.paths and not source.series_uid:
        raise _no_dicom()
    scan = _again(source, where, tell)
    if not scan.acquisition.series_uid:
        raise _no_dicom()
    if any(problem.code == "series-joined" for problem in scan.problems):
        raise refuse(
            "no-common-series",
            "Each of these images bears a series UID of its own: no object would belong to all of them.",
            "Export the series again with its own UIDs and measure that; page and note serve meanwhile.",
        )
    if scan.digest != reading.provenance.input_digest:
        text = "The images are no longer those that were measured: voxels or places differ."
        raise refuse("source-changed", text, _READ_AGAIN)
    return scan


def _no_dicom() -> Refused:
    return refuse(
        "no-dicom-source",
        "This reading was made from a volume file, which carries no patient and no study.",
        "Measure the DICOM series itself, then export that reading.",
    )


def _again(source: Source, where: Path | None, tell: Callable[[str], None]) -> Scan:
    """Read the series of a source; what no longer reads as it did has changed."""
    try:
        if where is not None:
            return read_scan(where, series=source.series_uid, progress=tell)
        return read_files(source.paths, progress=tell)
    except Refused as error:
        first = error.problems[0]
        if first.code == "source-missing":
            raise refuse(
                first.code, first.text, "Put them back, or give their folder with --images."
            ) from None
        if where is not None:
            text = f"The CT that was measured is not at {where}: {first.text}"
            raise refuse("source-missing", text, "Give the folder of that CT with --images.") from None
        text = f"The images can no longer be read as they were: {first.text}"
        raise refuse("source-changed", text, _READ_AGAIN) from None


def open_images(scan: Scan, slices: Iterable[int], source: Source) -> Images:
    """Read the headers of the slices used and make sure that they are of one patient and one series.

    Parameters
    ----------
    scan : Scan
        As `read_again` gave it.
    slices : iterable of int
        Slices that are used.
    source : Source
        What the reading says of its CT.

    Raises
    ------
    Refused
        ``source-changed`` or ``other-patient``.
    """
    used = tuple(sorted(set(slices)))
    is_one_file = len(scan.source_files) == 1
    names = scan.source_files if is_one_file else [scan.source_files[k] for k in used]
    headers = tuple(_headers(names))
    _check_identity(headers, source)
    if is_one_file and "NumberOfFrames" in headers[0]:
        return Images(scan, used, headers, _frames(scan, used, headers[0]))
    _check_places(scan, used, headers)
    return Images(scan, used, headers)


def _headers(names: Sequence[str]) -> list[Dataset]:
    out = []
    with tolerant(), open_files(names) as source:
        for entry in source.entries:
            with entry.open() as file:
                out.append(_complete(dcmread(file, stop_before_pixels=True, force=True)))
    return out


def _complete(header: Dataset) -> Dataset:
    """Return a header in which what may be empty is there, and what no reader could parse is empty."""
    for keyword in _MAY_BE_EMPTY:
        if keyword not in header:
            setattr(header, keyword, "")
    for keyword, parse in (("PatientBirthDate", DA), ("StudyDate", DA), ("StudyTime", TM)):
        if not _parses(header.get(keyword), parse):
            setattr(header, keyword, "")
    if header.PatientSex not in ("M", "F", "O"):
        header.PatientSex = ""
    return header


def _parses(value: object, parse: Callable[[str], object]) -> bool:
    try:
        parse(str(value or ""))
    except ValueError:
        return False
    return True


def _check_identity(headers: Sequence[Dataset], source: Source) -> None:
    """Refuse images of another patient, study or series than the reading names, or of several."""
    patients = {str(header.PatientID).strip() for header in headers}
    if len(patients) > 1 or (source.paths and patients != {source.patient_id.strip()}):
        raise refuse(
            "other-patient",
            "The patient's id in the images is not the one they had when they were measured.",
            f"Make sure whose CT this is. {_READ_AGAIN}",
        )
    for keyword, known in (("StudyInstanceUID", source.study_uid), ("SeriesInstanceUID", source.series_uid)):
        found = {str(header.get(keyword, "")) for header in headers}
        if len(found) > 1 or "" in found or (known and found != {known}):
            raise refuse(
                "source-changed",
                f"The {keyword} of the images is not the one they had when measured.",
                _READ_AGAIN,
            )


def _check_places(scan: Scan, slices: Sequence[int], headers: Sequence[Dataset]) -> None:
    for k, header in zip(slices, headers, strict=True):
        stated = np.array(header.ImagePositionPatient, dtype=np.float64)
        if np.linalg.norm(stated - scan.world_mm([k, 0, 0])) > _SAME_PLACE * scan.slice_gap_mm:
            raise refuse(
                "source-changed", "A slice does not lie where it was when it was measured.", _READ_AGAIN
            )


def _frames(scan: Scan, slices: Sequence[int], header: Dataset) -> tuple[int, ...]:
    """Return the frame of each slice of a multi-frame image, by its place."""
    places = np.array(
        [
            group.PlanePositionSequence[0].ImagePositionPatient
            for group in header.PerFrameFunctionalGroupsSequence
        ],
        dtype=np.float64,
    )
    away = np.linalg.norm(places[None] - scan.world_mm([[k, 0, 0] for k in slices])[:, None], axis=2)
    if away.min(axis=1).max() > _SAME_PLACE * scan.slice_gap_mm:
        raise refuse("source-changed", "A frame does not lie where it was when it was measured.", _READ_AGAIN)
    return tuple(int(n) for n in away.argmin(axis=1))
