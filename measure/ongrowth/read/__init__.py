"""The only way in: a folder, a zip, or one file becomes a `Scan`."""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import io
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ongrowth.dose import DoseReport, read_dose_report, scan_dose
from ongrowth.read.ceiling import ceiling_problems, find_ceiling
from ongrowth.read.pixels import HU, read_hu
from ongrowth.read.volume import is_volume_file, read_volume_header, read_volume_hu
from ongrowth.scan import Acquisition, Level, Problem, Refused, Scan, refuse
from ongrowth.sentence import counted
from ongrowth.series import (
    UNREADABLE,
    Candidate,
    Entry,
    Examination,
    SeriesInfo,
    Source,
    choice_problems,
    choose,
    describe,
    find_series,
    open_files,
    open_source,
    open_zips_inside,
    rank,
    size_problems,
    tolerant,
)

__all__ = ["date_of", "list_series", "look_over", "read_files", "read_scan"]

MAX_REPORTS = 100
MAX_REPORT_BYTES = 2**24


def _silent(_: str) -> None:
    """Tell nobody."""


def read_scan(path: str | Path, *, series: str = "", progress: Callable[[str], None] | None = None) -> Scan:
    """Read one CT.

    Parameters
    ----------
    path : str or Path
        A folder (with sub-folders; its zips are opened where nothing else serves), a zip of a
        folder, one DICOM file (enhanced multi-frame), or a volume file (NIfTI, NRRD, MHA, MHD).
    series : str, optional
        Number or UID of the series to take instead of the one best for measuring.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    Scan
        HU on the native grid; nothing is resampled. Cautions and notes are in ``problems``, the
        series not taken in ``others``.

    Raises
    ------
    Refused
        If the data cannot serve; every refusal has a code, see ``docs/reading.md``.

    Examples
    --------
    >>> read_scan("nowhere")
    Traceback (most recent call last):
    ...
    ongrowth.scan.Refused: no-such-path: There is nothing at nowhere. Check the path.
    """
    tell = progress or _silent
    with _examined(path, tell) as (source, examination):
        if not examination.candidates:
            volume = _volume_path(source, examination)
            if series.strip():
                text = f"A volume file has no series {series.strip()}: it holds one image."
                raise refuse("no-such-series", text, "Leave the series out, or give the DICOM folder.")
            return _read_volume(volume, tell)
        try:
            ranked = choose(examination.candidates, series.strip())
        except Refused as refused:
            raise Refused(*refused.problems, *examination.unopened) from None
        return _read_stack(examination, ranked, tell)


def read_files(names: Sequence[str], *, progress: Callable[[str], None] | None = None) -> Scan:
    """Read one CT again from the files it was read from.

    Parameters
    ----------
    names : sequence of str
        `Scan.source_files` of the first time, all DICOM images of one series.
    progress : callable, optional
        Told in words what is being done.

    Raises
    ------
    Refused
        ``source-missing`` where a file is gone; else as `read_scan`.
    """
    tell = progress or _silent
    with tolerant(), open_files(names) as source:
        examination = find_series(source, tell)
        if not examination.candidates:
            raise examination.nothing
        return _read_stack(examination, choose(examination.candidates), tell)


def list_series(path: str | Path, *, progress: Callable[[str], None] | None = None) -> tuple[SeriesInfo, ...]:
    """List the series at a path, the best for measuring first, each with the reason.

    Parameters
    ----------
    path : str or Path
        As for `read_scan`.
    progress : callable, optional
        Told in words what is being done.

    Raises
    ------
    Refused
        If there is no CT image at all.
    """
    return look_over(path, progress=progress)[0]


def look_over(
    path: str | Path, *, progress: Callable[[str], None] | None = None
) -> tuple[tuple[SeriesInfo, ...], tuple[Problem, ...]]:
    """List the series at a path as `list_series`, and what is to be said of all of them together.

    Parameters
    ----------
    path : str or Path
        As for `read_scan`.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    series : tuple of SeriesInfo
        The best for measuring first.
    problems : tuple of Problem
        Damaged and other files; of level ``REFUSE`` what keeps `read_scan` from taking the first by itself.

    Raises
    ------
    Refused
        If there is no CT image at all.
    """
    with _examined(path, progress or _silent) as (source, examination):
        if not examination.candidates:
            return (_describe_volume(_volume_path(source, examination)),), ()
        found = describe(rank(examination.candidates))
        try:
            choose(examination.candidates)
        except Refused as refused:
            told = refused.problems if found[0].is_usable else ()  # else the series itself says why
            return found, (*examination.problems, *told)
        return found, examination.problems


def date_of(path: str | Path, *, series: str = "") -> dt.date | None:
    """Return the day of the images that `read_scan` would take, by their headers alone.

    Parameters
    ----------
    path : str or Path
        As for `read_scan`.
    series : str, optional
        Number or UID of the series, as for `read_scan`.

    Returns
    -------
    date or None
        None where no day is stated, or nothing can be taken.
    """
    try:
        with _examined(path, _silent) as (_, examination):
            found = examination.candidates
            return choose(found, series.strip())[0].acquisition.date if found else None
    except (Refused, OSError):
        return None


@contextlib.contextmanager
def _examined(path: str | Path, tell: Callable[[str], None]) -> Iterator[tuple[Source, Examination]]:
    """Open a path and sort what is there; zips in a folder count where nothing in the open serves."""
    with tolerant(), open_source(path) as source:
        found = find_series(source, tell)
        if _serves(source, found):
            yield source, found
            return
        with open_zips_inside(source) as wider:
            yield (source, found) if wider is source else (wider, find_series(wider, tell))


def _serves(source: Source, found: Examination) -> bool:
    return any(one.is_usable for one in found.candidates) or any(
        is_volume_file(Path(entry.name)) for entry in source.entries
    )


def _volume_path(source: Source, examination: Examination) -> Path:
    """Return the only volume file of a source without DICOM images."""
    found = [Path(entry.name) for entry in source.entries if is_volume_file(Path(entry.name))]
    if not found:
        raise examination.nothing
    if len(found) > 1:
        raise refuse("several-volumes", f"The folder holds {len(found)} volume files.", "Give one of them.")
    if not found[0].is_file():
        raise refuse("volume-in-zip", f"{found[0].name} lies in a zip.", "Unzip it and give the file itself.")
    return found[0]


def _read_volume(path: Path, tell: Callable[[str], None]) -> Scan:
    header = read_volume_header(path)
    hu = read_volume_hu(header, tell)
    steps_mm = np.linalg.norm(header.world_from_voxel[:3, :3], axis=0)
    problems = [*header.problems, *size_problems(float(steps_mm[0]), float(steps_mm[1:].max())), *_bare(hu)]
    return _scan(hu, header.world_from_voxel, Acquisition(), problems, (str(path),), ())


def _bare(hu: HU) -> list[Problem]:
    text = "A volume file carries no kernel, dose, date or patient; its numbers are taken as HU."
    found = [Problem("no-header", Level.NOTE, text, "Give the DICOM series where there is one.")]
    if float(hu.min()) > -500.0:
        text = f"The lowest number is {float(hu.min()):.0f}: there is no air, so these may not be HU."
        found.append(Problem("hu-doubtful", Level.CAUTION, text, "Check air (-1000) and water (0)."))
    return found


def _describe_volume(path: Path) -> SeriesInfo:
    header = read_volume_header(path)
    steps = np.linalg.norm(header.world_from_voxel[:3, :3], axis=0)
    n, gap, pixel = header.shape[0], float(steps[0]), float(steps[1:].max())
    return SeriesInfo(
        "", path.name, "", n, gap, gap, pixel, is_usable=True, reason="the only volume", problems=()
    )


def _read_stack(examination: Examination, ranked: list[Candidate], tell: Callable[[str], None]) -> Scan:
    taken = ranked[0]
    stack, facts = taken.stack, taken.acquisition
    dose = scan_dose(facts.dose, _dose_reports(examination), facts.study_uid)
    hu = read_hu(stack.slices, tell)
    hu, twin_problems = _without_twins(hu, stack.twins, len(stack.slices))
    problems = [*examination.problems, *taken.problems, *twin_problems, *choice_problems(ranked)]
    files = tuple(dict.fromkeys(one.image.entry.name for one in stack.slices))
    others = tuple(str(one) for one in describe(ranked)[1:])
    return _scan(hu, stack.world_from_voxel, replace(facts, dose=dose), problems, files, others)


def _dose_reports(examination: Examination) -> list[DoseReport]:
    """Read the dose reports and dose pages that lie beside the images."""
    captures = [
        one.image.entry
        for candidate in examination.candidates
        if any(problem.code == "screen-capture" for problem in candidate.problems)
        for one in candidate.stack.slices
    ]
    return [report for entry in [*examination.reports, *captures][:MAX_REPORTS] if (report := _report(entry))]


def _report(entry: Entry) -> DoseReport | None:
    if entry.size > MAX_REPORT_BYTES:
        return None
    try:
        with entry.open() as file:
            return read_dose_report(io.BytesIO(file.read(MAX_REPORT_BYTES)))
    except UNREADABLE:
        return None


def _without_twins(hu: HU, twins: tuple[tuple[int, int], ...], n_slices: int) -> tuple[HU, list[Problem]]:
    """Drop slices that repeat another one exactly."""
    if not twins:
        return hu, []
    different = sum(not np.array_equal(hu[kept], hu[twin]) for kept, twin in twins)
    if different:
        text = f"{counted(different, 'place')} of the stack shown twice, with different pixels."
        raise refuse("duplicate-slices", text, "Export one reconstruction per folder.")
    many = counted(len(twins), "slice was", "slices were")
    text = f"{many} there twice, pixel for pixel; one copy was dropped."
    return hu[: n_slices - len(twins)], [Problem("duplicate-slices", Level.NOTE, text)]


def _scan(
    hu: HU,
    world_from_voxel: NDArray[np.float64],
    acquisition: Acquisition,
    problems: list[Problem],
    files: tuple[str, ...],
    others: tuple[str, ...],
) -> Scan:
    ceiling = find_ceiling(hu)
    return Scan(
        hu=hu,
        world_from_voxel=world_from_voxel,
        acquisition=acquisition,
        problems=(*problems, *ceiling_problems(ceiling)),
        hu_ceiling=ceiling.hu,
        ceiling_share=ceiling.share if not math.isnan(ceiling.hu) else 0.0,
        source_files=files,
        others=others,
        digest=_digest(hu, world_from_voxel),
    )


def _digest(hu: HU, world_from_voxel: NDArray[np.float64]) -> str:
    """Return the SHA-256 of voxels and geometry."""
    sum_ = hashlib.sha256(f"{hu.dtype.str} {hu.shape}".encode())
    sum_.update(np.ascontiguousarray(np.round(world_from_voxel, 6) + 0.0).tobytes())
    sum_.update(np.ascontiguousarray(hu).data.cast("B"))
    return sum_.hexdigest()
