"""Group, sort and audit the slices of an examination, and choose the series to measure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ongrowth.scan import Level, Problem, Refused, refuse
from ongrowth.sentence import counted
from ongrowth.series.choice import Candidate, SeriesInfo, choice_problems, choose, describe, rank, weigh
from ongrowth.series.facts import ASK_FOR, kernel_sharpness, size_problems
from ongrowth.series.header import (
    DamagedDicomError,
    NotDicomError,
    Slice,
    read_image,
    slices_of,
    tolerant,
)
from ongrowth.series.source import (
    UNREADABLE,
    Entry,
    FileEntry,
    Source,
    open_files,
    open_source,
    open_zips_inside,
    reason,
)
from ongrowth.series.stack import Stack, sort_into_stacks

__all__ = [
    "ASK_FOR",
    "UNREADABLE",
    "Candidate",
    "Entry",
    "Examination",
    "FileEntry",
    "SeriesInfo",
    "Slice",
    "Source",
    "Stack",
    "choice_problems",
    "choose",
    "describe",
    "find_series",
    "kernel_sharpness",
    "open_files",
    "open_source",
    "open_zips_inside",
    "rank",
    "size_problems",
    "tolerant",
]

# A file without pixels that says it is one of these, or does not say what it is, was cut off.
CUT_OFF_IMAGES = ("", *(f"1.2.840.10008.5.1.4.1.1.2{part}" for part in ("", ".1", ".2")))


@dataclass(frozen=True, slots=True, eq=False)
class Examination:
    """Everything found in a source.

    Parameters
    ----------
    candidates : tuple of Candidate
        Stacks of images, usable or not.
    reports : tuple of Entry
        DICOM files that are no images of a grid: dose reports and other documents.
    problems : tuple of Problem
        About the source as a whole.
    damaged : tuple of str
        Why DICOM files cannot be read, one reason for each.
    n_files : int
        All files of the source.
    """

    candidates: tuple[Candidate, ...]
    reports: tuple[Entry, ...]
    problems: tuple[Problem, ...]
    damaged: tuple[str, ...]
    n_files: int

    @property
    def unopened(self) -> tuple[Problem, ...]:
        """What may hold the scan that was looked for, but was not opened."""
        return tuple(problem for problem in self.problems if problem.code == "zips-inside")

    @property
    def nothing(self) -> Refused:
        """The refusal of a source without any image."""
        if self.damaged:
            text = f"None of {len(self.damaged)} DICOM files can be read (first: {self.damaged[0]})."
            return refuse("damaged-files", text, "Export the series again.")
        text = f"No file here is a CT image ({self.n_files} looked at)."
        advice = "Give the folder, zip or volume file (NIfTI, NRRD, MHA) of one scan."
        return Refused(Problem("no-images", Level.REFUSE, text, advice), *self.unopened)


def find_series(source: Source, progress: Callable[[str], None]) -> Examination:
    """Read all headers of a source and sort the images into audited stacks.

    Parameters
    ----------
    source : Source
        An open source.
    progress : callable
        Told now and then what is being done.
    """
    slices: list[Slice] = []
    reports: list[Entry] = []
    damaged: list[str] = []
    other = 0
    for count, entry in enumerate(source.entries):
        if count % 200 == 0:
            progress(f"Reading headers, {count} of {len(source.entries)}")
        try:
            found = _images(entry)
        except NotDicomError:
            other += 1
        except DamagedDicomError as error:
            damaged.append(str(error))
        else:
            slices.extend(found)
            if not found:
                reports.append(entry)
    return Examination(
        candidates=tuple(weigh(stack) for stack in sort_into_stacks(slices)),
        reports=tuple(reports),
        problems=tuple(_source_problems(source, damaged, other)),
        damaged=tuple(damaged),
        n_files=len(source.entries),
    )


def _images(entry: Entry) -> list[Slice]:
    """Return the slices of a file, none if it is a document."""
    image = read_image(entry)
    try:
        found = slices_of(image) if image.is_image else []
    except Exception as error:  # noqa: BLE001 - see `header.number`
        raise DamagedDicomError(reason(error)) from None
    if not found and image.storage_class in CUT_OFF_IMAGES:
        raise DamagedDicomError("it ends within its header")
    return found


def _source_problems(source: Source, damaged: list[str], other: int) -> list[Problem]:
    found = list(source.problems)
    if damaged:
        many = counted(len(damaged), "DICOM file is damaged and was", "DICOM files are damaged and were")
        text = f"{many} left out."
        found.append(Problem("damaged-files", Level.CAUTION, text, "Export the series again."))
    if other:
        text = f"{counted(other, 'file is no DICOM image', 'files are no DICOM images')}; passed over."
        found.append(Problem("other-files", Level.NOTE, text))
    if zips := sum(entry.name.lower().endswith(".zip") for entry in source.entries):
        text = f"Not opened: {zips} zip{'s' if zips > 1 else ''} inside."
        found.append(Problem("zips-inside", Level.NOTE, text, "Give the zip itself."))
    return found
