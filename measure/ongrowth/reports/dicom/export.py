"""From a case to its DICOM objects, and onto disk: order of steps, nothing else."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydicom.dataset import Dataset

from ongrowth.files import new_results
from ongrowth.reading import Case, NewBoneCells, Reading, reading_to_dict
from ongrowth.reading.case_record import case_to_dict
from ongrowth.reports.dicom.capture import make_captures
from ongrowth.reports.dicom.codes import scheme
from ongrowth.reports.dicom.groups import Record, groups_of
from ongrowth.reports.dicom.identity import Identity, identify
from ongrowth.reports.dicom.images import Images, open_images, read_again
from ongrowth.reports.dicom.report import make_report
from ongrowth.reports.dicom.seg import Written, make_segmentation, nothing_drawn
from ongrowth.reports.dicom.segments import draw_parts, used_slices
from ongrowth.scan import Scan, refuse
from ongrowth.series import tolerant

KEEPS_IDENTITY = (
    "These objects carry the patient's name and id and belong to the study of the CT. "
    "Every other output of ongrowth leaves them out."
)
KINDS = ("seg", "page", "sr")  # in the order of sending: no report arrives before what it refers to
NOT_TRACKED = (
    "The images carry no patient id, so the identifiers of these screws hold for this CT alone, "
    "not from one CT to the next."
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which objects to make, and how.

    Parameters
    ----------
    kinds : tuple of str
        Of `KINDS`.
    all_frames : bool
        Keep a frame of the segmentation for every slice and part, empty or not.
    images : Path or None
        Where the source images are now, if they are not where they were.
    """

    kinds: tuple[str, ...] = KINDS
    all_frames: bool = False
    images: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Object:
    """One DICOM object: kind ("sr", "seg" or "page"), file name, and the data set itself."""

    kind: str
    name: str
    dataset: Dataset


@dataclass(frozen=True, slots=True, eq=False)
class Export:
    """The objects of a reading in the order of sending, and what a user must know of them."""

    objects: tuple[Object, ...]
    remarks: tuple[str, ...] = ()


def export_case(
    case: Case, written: dt.datetime, wanted: Wanted, tell: Callable[[str], None] = lambda _: None
) -> Export:
    """Make the DICOM objects of the latest CT of a case.

    Parameters
    ----------
    case : Case
        One reading with its private source, or several.
    written : datetime
        Becomes the date of the content where the reading does not say when it was made.
    wanted : Wanted
        Which objects.
    tell : callable
        Told in words what is being done.

    Raises
    ------
    Refused
        If the source images are gone, changed, or of somebody else; or nothing was measured.
    """
    reading = case.readings[-1]
    if not reading.implants and not reading.defects:
        raise refuse(
            "nothing-measured", "This reading holds no screw and no defect.", "There is nothing to export."
        )
    scan = read_again(reading, wanted.images, tell)
    used = used_slices(reading, scan, _new_bone(case))
    with tolerant():
        tell("Reading the headers of the source images")
        images = open_images(scan, range(scan.hu.shape[0]) if wanted.all_frames else used, reading.source)
        measured = reading.source.measured
        made = dt.datetime.fromisoformat(measured) if measured else written
        identity = _identity(case, images, made)
        return _export(case, scan, used, images, identity, wanted, tell)


def _new_bone(case: Case) -> list[NewBoneCells]:
    """Return the new bone of each screw since the first scan it was compared with."""
    last = case.readings[-1].scan.id
    first: dict[str, NewBoneCells] = {}
    for bone in case.new_bone_cells:
        if bone.to_scan == last:
            first.setdefault(bone.implant, bone)
    return list(first.values())


def _identity(case: Case, images: Images, made: dt.datetime) -> Identity:
    """Return whose the objects are; a file's own time has no say in their identifiers: copying changes it."""
    said = [
        reading_to_dict(case.readings[-1]),
        case_to_dict(case),
        [str(uid) for uid in (images.first.StudyInstanceUID, images.first.SeriesInstanceUID)],
        case.readings[-1].source.measured,
        scheme(),
    ]
    return identify(images.first, case.patient.site, said, made)


def _export(
    case: Case,
    scan: Scan,
    used: Sequence[int],
    images: Images,
    identity: Identity,
    wanted: Wanted,
    tell: Callable[[str], None],
) -> Export:
    name = case.readings[-1].scan.id
    objects: list[Object] = []
    remarks = [] if str(images.first.PatientID).strip() else [NOT_TRACKED]
    written = None
    if "seg" in wanted.kinds:
        tell("Drawing the segmentation")
        drawing = draw_parts(case.readings[-1], scan, images.slices, _new_bone(case))
        written = make_segmentation(images, drawing, identity, all_frames=wanted.all_frames)
        remarks += nothing_drawn(drawing, identity)
        objects.append(Object("seg", f"{name}-seg.dcm", written.segmentation))
    if "page" in wanted.kinds:
        tell("Drawing the page")
        pages = make_captures(case, images.first, identity)
        objects += [Object("page", f"{name}-{page}.dcm", dataset) for page, dataset in pages]
    if "sr" in wanted.kinds:
        tell("Writing the report")
        report = _report(case, images.only(used), identity, written)
        objects.append(Object("sr", f"{name}-sr.dcm", report))
    return Export(tuple(objects), tuple(remarks))


def _report(case: Case, images: Images, identity: Identity, written: Written | None) -> Dataset:
    reading = case.readings[-1]
    record = reading_to_dict(reading)
    groups = groups_of(record, _comparisons(case, reading), case.patient.site)
    sentences = [case.summary.sentence, *case.summary.cannot_tell]
    return make_report(images, groups, record["scan"], sentences, identity, written)


def _comparisons(case: Case, reading: Reading) -> Record:
    """Return what was compared with this scan, and the findings, as ``case.json`` holds them."""
    record = case_to_dict(case)
    here = {
        name: [r for r in record[name] if r["to_scan"] == reading.scan.id]
        for name in ("motions", "changes", "new_bone")
    }
    return here | {"findings": record["findings"]}


def write_objects(objects: Sequence[Object], folder: Path) -> list[Path]:
    """Write objects as files that only their owner may read; all of them or none.

    Parameters
    ----------
    objects : sequence of Object
        What to write.
    folder : Path
        Made if missing; files of the same name are replaced.

    Returns
    -------
    list of Path
        The files, in the same order.
    """
    with new_results(folder) as part, tolerant():
        for one in objects:
            one.dataset.save_as(part / one.name, enforce_file_format=True)
            (part / one.name).chmod(0o600)
    return [folder / one.name for one in objects]
