"""Sort slices into stacks and audit their geometry; the grid is ours, not a library's.

A stack is what belongs on one grid: same series, orientation, matrix and pixel size. Its slices are
sorted by their place along the normal, never by name or number, and the step between them is
measured from their positions: the gantry tilt a header states is not reliable.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import lock_arrays
from ongrowth.scan import Level, Problem
from ongrowth.sentence import counted
from ongrowth.series.header import MAX_PIXELS_ALONG, NATIVE_SYNTAXES, Slice, whole

SAME_DIRECTION = 1e-3  # of direction cosines; 0.06 degrees, far below any change of protocol
SAME_PIXEL = 1e-4  # relative, of the pixel size
SAME_PLACE_MM = 0.005  # closer slices are the same slice
GAP_TOLERANCE = 0.015  # of the gap, for what scanners write; rounding of positions comes on top
LINE_TOLERANCE = 0.05  # of the gap: how far an origin may lie off the straight line
SAME_THICKNESS = 0.1  # relative: what rounding in headers leaves
SHEAR_LIMIT_DEG = 0.1  # less is rounding
LEAST_JOINED = 8  # single images that may be one series; fewer are localizers or monitoring scans
MAX_VOXELS = 2**31
MOST_SLOPE, MOST_INTERCEPT = 1e4, 1e6  # far beyond any scale in use
_UNEVEN = {"missing-slices", "uneven-spacing"}
AGAIN = "Export the whole series again, original axial images, uncompressed or losslessly compressed."


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """Slices of one grid, sorted, with the verdict of the audit.

    Parameters
    ----------
    slices : tuple of Slice
        Sorted along the normal.
    world_from_voxel : ndarray, shape (4, 4)
        Maps ``(k, j, i)`` to LPS mm; NaN where the geometry could not be established.
    problems : tuple of Problem
        What the audit found; one of level ``refuse`` makes the stack unusable.
    twins : tuple of tuple of int
        Indices of slices at the same place, whose pixels have to be compared.
    """

    slices: tuple[Slice, ...]
    world_from_voxel: NDArray[np.float64]
    problems: tuple[Problem, ...] = ()
    twins: tuple[tuple[int, int], ...] = field(default=())

    def __post_init__(self) -> None:
        lock_arrays(self)

    @property
    def is_usable(self) -> bool:
        """Whether nothing found so far forbids reading it."""
        return all(problem.level is not Level.REFUSE for problem in self.problems)

    @property
    def gap_mm(self) -> float:
        """Distance of neighbouring slices along the normal, the usual one if uneven; NaN if unknown."""
        if _UNEVEN & {problem.code for problem in self.problems}:  # the even step that was fitted is none
            in_order = self.slices[: len(self.slices) - len(self.twins)]
            return _usual_mm(np.diff([one.height_mm for one in in_order]))
        return float(self.world_from_voxel[:3, 0] @ self.slices[0].normal)

    @property
    def extent_mm(self) -> float:
        """Length covered along the normal; 0 if unknown."""
        length = self.gap_mm * len(self.slices)
        return 0.0 if math.isnan(length) else length

    @property
    def stated_thickness_mm(self) -> float:
        """Slice thickness as stated, of the thickest slice; NaN where none is stated."""
        return float(np.fmax.reduce([one.number("SliceThickness") for one in self.slices]))

    @property
    def thickness_mm(self) -> float:
        """Slice thickness as stated, or the gap where it is not stated or smaller."""
        return float(np.fmax(self.stated_thickness_mm, self.gap_mm))

    @property
    def pixel_mm(self) -> float:
        """The larger side of a pixel, mm."""
        return max(self.slices[0].spacing_mm)


def sort_into_stacks(slices: Sequence[Slice]) -> list[Stack]:
    """Group slices into stacks and audit each.

    Parameters
    ----------
    slices : sequence of Slice
        All slices of a source, in any order.

    Returns
    -------
    list of Stack
        In the order their first slices came; images that were joined into one series come last.
    """
    series = _by(slices, _series_key)
    lone = [one for group in series if len(group) == 1 for one in group]
    joined = [group for group in _by(lone, _loose_key) if len(group) >= LEAST_JOINED]
    taken = {id(one) for group in joined for one in group}
    stacks = [stack for group in series if id(group[0]) not in taken for stack in _stacks_of(group)]
    told = Problem("series-joined", Level.CAUTION, _JOINED, "Check that these are the images of one series.")
    for group in joined:
        stacks += [replace(stack, problems=(*stack.problems, told)) for stack in _stacks_of(group)]
    return stacks


_JOINED = (
    "Each image bears a series UID of its own; those of one number, kernel and day were taken as one series."
)


def _stacks_of(series: list[Slice]) -> list[Stack]:
    parts = [part for grid in _by_grid(series) for part in _without_repeats(grid)]
    return [audit(part, is_part=_is_part(part, parts)) for part in parts]


def _by(slices: Sequence[Slice], key: Callable[[Slice], Hashable]) -> list[list[Slice]]:
    groups: dict[Hashable, list[Slice]] = {}
    for one in slices:
        groups.setdefault(key(one), []).append(one)
    return list(groups.values())


def _series_key(one: Slice) -> Hashable:
    return (
        one.text("StudyInstanceUID"),
        one.text("SeriesInstanceUID"),
        one.text("FrameOfReferenceUID"),
        one.text("Modality"),
        one.text("PatientID"),
        "LOCALIZER" in one.text("ImageType"),
    )


def _loose_key(one: Slice) -> Hashable:
    """Return what images have in common that were given new UIDs one by one."""
    keys = ("Modality", "PatientID", "SeriesNumber", "ConvolutionKernel", "AcquisitionDate", "StudyDate")
    return (*(one.text(key) for key in keys), "LOCALIZER" in one.text("ImageType"))


def _by_grid(slices: Sequence[Slice]) -> list[list[Slice]]:
    """Group by direction and pixel size, with a tolerance that no rounding boundary cuts."""
    grids: list[list[Slice]] = []
    for one in slices:
        home = next((grid for grid in grids if _same_grid(grid[0], one)), None)
        if home is None:
            grids.append([one])
        else:
            home.append(one)
    return grids


def _same_grid(a: Slice, b: Slice) -> bool:
    return (
        (a.rows, a.columns) == (b.rows, b.columns)
        and np.allclose(a.row, b.row, atol=SAME_DIRECTION, rtol=0, equal_nan=True)
        and np.allclose(a.column, b.column, atol=SAME_DIRECTION, rtol=0, equal_nan=True)
        and np.allclose(a.spacing_mm, b.spacing_mm, rtol=SAME_PIXEL, atol=0, equal_nan=True)
    )


_SPLITS = ("AcquisitionNumber", "ConvolutionKernel", "ImageType", "TemporalPositionIndex", "KVP")


def _without_repeats(slices: list[Slice]) -> list[list[Slice]]:
    """Split where positions repeat and a header element tells the repeats apart."""
    if not _repeats(slices):
        return [slices]
    for keyword in _SPLITS:
        parts = _by(slices, lambda one, keyword=keyword: one.text(keyword))  # type: ignore[misc]
        if len(parts) > 1 and not any(_repeats(part) for part in parts):
            return parts
    return [slices]


def _repeats(slices: Sequence[Slice]) -> bool:
    heights = np.sort([one.height_mm for one in slices])
    return bool(np.any(np.diff(heights) < SAME_PLACE_MM))


def _is_part(part: list[Slice], parts: list[list[Slice]]) -> bool:
    """Whether a series fell apart into blocks that each look like a scan."""
    return len(part) > 1 and sum(len(other) > 1 for other in parts) > 1


def audit(slices: Sequence[Slice], *, is_part: bool = False) -> Stack:
    """Sort the slices of one grid along their normal and check them.

    Parameters
    ----------
    slices : sequence of Slice
        Same series, orientation, matrix and pixel size.
    is_part : bool
        Whether other blocks of the same series stay outside this stack.
    """
    nowhere = np.full((4, 4), np.nan)
    if problem := _header_problem(slices):
        return Stack(tuple(slices), nowhere, (problem,))
    ordered = sorted(slices, key=lambda one: one.height_mm)
    ordered, twins = _set_twins_apart(ordered)
    if len(ordered) < 2:
        return Stack(tuple(ordered), nowhere, (_single(ordered[0]),))
    world_from_voxel, residual_mm = _fit_grid(ordered)
    problems = [
        *_spacing_problems(ordered, residual_mm),
        *_line_problems(ordered),
        *_shear_problems(ordered, world_from_voxel),
        *_thickness_problems(ordered),
        *_length_problems(ordered),
        *_part_problems(is_part=is_part),
    ]
    all_slices = [*ordered, *(twin for _, twin in twins)]
    pairs = tuple((place, len(ordered) + k) for k, (place, _) in enumerate(twins))
    return Stack(tuple(all_slices), world_from_voxel, tuple(problems), pairs)


def _refusal(code: str, text: str, advice: str = AGAIN) -> Problem:
    return Problem(code, Level.REFUSE, text, advice)


def _header_problem(slices: Sequence[Slice]) -> Problem | None:
    n = len(slices)
    first = slices[0]
    if not (0 < first.rows <= MAX_PIXELS_ALONG and 0 < first.columns <= MAX_PIXELS_ALONG):
        return _refusal("bad-matrix", f"The image matrix is stated as {first.rows} x {first.columns}.")
    if first.rows * first.columns * n > MAX_VOXELS:
        return _refusal("too-large", f"{n} slices of {first.rows} x {first.columns} are beyond any CT.")
    lost = sum(bool(np.any(np.isnan(one.position_mm)) or np.any(np.isnan(one.row))) for one in slices)
    if lost:
        return _refusal("no-position", f"{lost} of {n} images do not say where they lie in the patient.")
    if not all(0.01 <= size <= 20.0 for size in first.spacing_mm):
        return _refusal("no-pixel-size", "The images do not state a credible pixel size.")
    if not _is_right_angled(first):
        return _refusal("bad-orientation", "Rows and columns of the images are not at right angles.")
    if not all(MOST_SLOPE >= abs(one.slope) > 0 and abs(one.intercept) <= MOST_INTERCEPT for one in slices):
        text = "The images do not say, or not credibly, how their numbers become Hounsfield units."
        return _refusal("no-rescale", text)
    return _pixel_problem(slices)


def _is_right_angled(one: Slice) -> bool:
    axes = np.stack([one.row, one.column])
    return bool(np.allclose(axes @ axes.T, np.eye(2), atol=2e-3))


def _pixel_problem(slices: Sequence[Slice]) -> Problem | None:
    bits = {whole(one.header, "BitsAllocated") for one in slices}
    samples = {whole(one.header, "SamplesPerPixel", 1) for one in slices}
    if samples != {1} or not bits <= {8, 16, 32}:
        return _refusal("not-grey", "These are pictures, not CT numbers.", "Export the original images.")
    short = [one for one in slices if is_truncated(one)]
    if not short:
        return None
    return _refusal("truncated-file", f"{len(short)} of {len(slices)} images end before their last pixel.")


def is_truncated(one: Slice) -> bool:
    """Whether the file is too short for the pixels it declares."""
    image = one.image
    if not image.pixel_offset:
        return True
    if image.syntax not in NATIVE_SYNTAXES:
        return image.pixel_offset >= image.entry.size
    frame_bytes = one.rows * one.columns * whole(one.header, "BitsAllocated") // 8
    needed = frame_bytes * (one.frame + 1)
    return needed > image.entry.size - image.pixel_offset or 0 <= image.pixel_bytes < needed


def _single(one: Slice) -> Problem:
    text = f"There is only one slice ({one.rows} x {one.columns}) on this grid."
    return _refusal("single-slice", text, "Give the folder that holds the whole axial series.")


def _set_twins_apart(ordered: list[Slice]) -> tuple[list[Slice], list[tuple[int, Slice]]]:
    """Keep one slice of each place; the others go with the index of the one kept."""
    kept: list[Slice] = []
    twins: list[tuple[int, Slice]] = []
    for one in ordered:
        if kept and np.linalg.norm(one.position_mm - kept[-1].position_mm) < SAME_PLACE_MM:
            twins.append((len(kept) - 1, one))
        else:
            kept.append(one)
    return kept, twins


def _rounding_mm(slices: Sequence[Slice]) -> float:
    """How far the places along the normal may be off because positions were rounded when written."""
    step = np.min([one.position_step_mm for one in slices], axis=0)
    return float(0.5 * step @ np.abs(slices[0].normal))


def _fit_grid(slices: Sequence[Slice]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit origin and step of the stack by least squares; return the matrix and the residuals."""
    positions = np.array([one.position_mm for one in slices])
    k = np.arange(len(slices), dtype=np.float64)
    centred = k - k.mean()
    step = centred @ positions / (centred @ centred)
    origin = positions.mean(axis=0) - k.mean() * step
    row_mm, column_mm = slices[0].spacing_mm
    matrix = np.eye(4)
    matrix[:3] = np.stack([step, slices[0].column * row_mm, slices[0].row * column_mm, origin], axis=1)
    return matrix, positions - origin - np.outer(k, step)


def _spacing_problems(slices: Sequence[Slice], residual_mm: NDArray[np.float64]) -> list[Problem]:
    gaps = np.diff([one.height_mm for one in slices])
    gap = _usual_mm(gaps)
    rounding_mm = _rounding_mm(slices)
    tolerance = min(2 * rounding_mm + GAP_TOLERANCE * gap, 0.35 * gap)
    odd = np.flatnonzero(np.abs(gaps - gap) > tolerance)
    drift_mm = float(np.abs(residual_mm @ slices[0].normal).max())
    if odd.size:
        return [_gap_problem(gaps, gap, odd, tolerance)]
    if drift_mm > rounding_mm + max(LINE_TOLERANCE * gap, 0.02):
        text = f"The slices are not evenly spaced: they drift by {drift_mm:.2f} mm from an even step."
        return [_refusal("uneven-spacing", text)]
    return _rounding_problems(rounding_mm, drift_mm)


def _usual_mm(gaps: NDArray[np.float64]) -> float:
    return float(np.sort(gaps)[(len(gaps) - 1) // 2])  # a gap that occurs, not a mean of two


def _gap_problem(gaps: NDArray[np.float64], gap: float, odd: NDArray[np.intp], tolerance: float) -> Problem:
    where = f"(after slice {odd[0] + 1} of {len(gaps) + 1})"
    told = f"{gaps[odd[0]]:.2f} mm between two slices, {gap:.2f} mm elsewhere {where}"
    multiples = np.rint(gaps / gap)
    are_whole = np.all(np.abs(gaps - multiples * gap) <= tolerance * np.maximum(multiples, 1))
    if are_whole and np.all(gaps[odd] > gap) and odd.size <= max(1, len(gaps) / 4):
        lost = counted(int((multiples[odd] - 1).sum()), "slice is", "slices are")
        return _refusal("missing-slices", f"{lost} missing: {told}.")
    return _refusal("uneven-spacing", f"The slices are not evenly spaced: {told}.")


def _rounding_problems(rounding_mm: float, drift_mm: float) -> list[Problem]:
    if rounding_mm < 0.04 or drift_mm < 0.005:
        return []
    text = f"Slice positions are written to {2 * rounding_mm:.1g} mm only; the even step was fitted."
    return [Problem("rounded-positions", Level.NOTE, text)]


def _line_problems(slices: Sequence[Slice]) -> list[Problem]:
    """Check that the corners lie on one straight line, whatever their spacing."""
    positions = np.array([one.position_mm for one in slices])
    heights = positions @ slices[0].normal
    centred = heights - heights.mean()
    slope = centred @ positions / (centred @ centred)
    off_mm = np.linalg.norm(positions - positions.mean(axis=0) - np.outer(centred, slope), axis=1)
    rounding = np.linalg.norm(np.min([one.position_step_mm for one in slices], axis=0))
    if off_mm.max() <= rounding + 0.05:
        return []
    text = f"The corners of the slices do not lie on a straight line: {off_mm.max():.2f} mm off."
    return [_refusal("slices-off-line", text)]


def _shear_problems(slices: Sequence[Slice], world_from_voxel: NDArray[np.float64]) -> list[Problem]:
    step = world_from_voxel[:3, 0]
    cosine = step @ slices[0].normal / np.linalg.norm(step)
    angle_deg = math.degrees(math.acos(min(1.0, float(cosine))))
    if angle_deg < SHEAR_LIMIT_DEG:
        return []
    text = f"The stack is sheared by {angle_deg:.1f} degrees (tilted gantry); its true grid is kept."
    return [Problem("sheared-grid", Level.NOTE, text)]


def _thickness_problems(slices: Sequence[Slice]) -> list[Problem]:
    """Say where slices differ in thickness, or leave bone between them unseen."""
    stated = np.array([one.number("SliceThickness") for one in slices])
    stated = stated[stated > 0.0]
    if not stated.size:
        return []
    thin, thick = float(stated.min()), float(stated.max())
    gap = float(np.median(np.diff([one.height_mm for one in slices])))
    if thick > (1.0 + SAME_THICKNESS) * thin:
        text = (
            f"The slices differ in thickness ({thin:.3g} to {thick:.3g} mm), and so in blur along the stack."
        )
        return [Problem("mixed-thickness", Level.CAUTION, text, "Ask for a series of one thickness.")]
    if gap > (1.0 + SAME_THICKNESS) * thick:
        text = f"Slices of {thick:.3g} mm lie {gap:.3g} mm apart: what is between them was not imaged."
        return [Problem("slices-apart", Level.CAUTION, text, "Ask for a series without gaps.")]
    return []


def _length_problems(slices: Sequence[Slice]) -> list[Problem]:
    """Hint at lost end slices: geometry alone cannot show them."""
    numbers = [whole(one.header, "InstanceNumber", -1) for one in slices if one.frame == 0]
    stated = max(whole(one.header, "ImagesInAcquisition") for one in slices)
    if 1 < len(slices) < stated:
        text = f"The header speaks of {stated} images, {len(slices)} are here."
    elif len(numbers) > 1 and min(numbers) > 1 and len(set(numbers)) == len(numbers):
        text = f"The numbering starts at {min(numbers)}: slices may be missing at one end."
    else:
        return []
    return [Problem("end-slices", Level.NOTE, text, "Check that the whole screw is covered.")]


def _part_problems(*, is_part: bool) -> list[Problem]:
    if not is_part:
        return []
    text = "The series falls into blocks (grid, acquisition or kernel changes); only one was read."
    return [Problem("series-split", Level.CAUTION, text, "Check that the whole screw is covered.")]
