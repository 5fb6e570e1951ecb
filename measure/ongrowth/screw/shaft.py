"""A straight piece of metal measured: axis, cross-section, outline, both ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ongrowth.geometry import Line
from ongrowth.scan import Scan
from ongrowth.screw.apart import is_beside, without
from ongrowth.screw.axis import Centres, overhang_mm, section_axis, section_centres, straight_course
from ongrowth.screw.body import HEAD_RATIO, Body, body_of
from ongrowth.screw.course import Course, CourseFit, fit_bent, fit_broken, fit_straight, fit_torn
from ongrowth.screw.gap import Gap, GapModel, find_gap
from ongrowth.screw.level import metal_level_hu
from ongrowth.screw.model import ScrewSpec
from ongrowth.screw.profile import DEPTH_STEP_MM, Outline, outline_of
from ongrowth.screw.section import Guess, Section, fit_section
from ongrowth.screw.segment import Segment
from ongrowth.screw.sharpen import sharpened
from ongrowth.screw.voxels import voxels_near

_MARGIN_MM = 10.0
_BACKGROUND_HU = 300.0  # bone and soft tissue about; 300 HU more move the edge of metal by 0.01 mm
_CLIPPED_FROM = 0.97  # share of the ceiling from which a core counts as clipped
_HEAD_REACH_MM = 9.0
_TAPER_AT = 0.5  # of the radius: a round end is still seven eighths wide there, a tip much thinner
# The lower this level, the more of the blurred edge carries the centre: steady on coarse grids.
_LOW_SHARE = 0.3
# Standard deviation of the slice profile over its nominal width: profiles are wider than nominal.
_THROUGH_OF_SLICE = 0.38
_RADIUS_SD_MM = 0.03  # a stated diameter is this good
# A core darker than this share of the ring round it may hold a lumen. An edge-enhancing kernel darkens it
# too, hence the fit has the last word; at the ceiling nothing else shows.
_LUMEN_DIP, _LUMEN_DIP_CLIPPED = 0.88, 0.985
_SMALLEST_LUMEN_MM = 0.4  # radius; the wires that lumens are made for are thicker
_BENT_GAIN = 1.5
_BENT_SIGMAS = 4.0
# Bone beside the metal pulls the centres a little; the more so where the scan's ceiling hides the core.
_BENT_DEG, _BENT_CLIPPED_DEG, _BENT_SPAN_MM = 1.0, 2.2, 30.0  # over a shaft of that length
_STEP_MM = 0.4
# Parts of one shaft that lie so far apart sideways are two: a bend joins them. How much better they must fit.
_TORN_MM, _TORN_GAIN = 1.0, 1.7
_NEAR_GAP_MM, _CORE_GONE = 1.0, 0.8
_CLEAR_GAP_MM = 0.5  # from here on the two parts may lie differently
_FEWEST_CENTRES = 4
_SHORTEST_MM = 3.0
_COARSE_MM = 1.5
_MOSTLY_EVEN = 0.6  # of the body; a short part of even thickness tells the direction badly
_MEAN_VALLEY = 0.58  # of the thread's height, over a turn


@dataclass(frozen=True, slots=True)
class ShaftEnd:
    """One end of a shaft.

    Parameters
    ----------
    depth_mm : float
        Where the metal ends, mm along the course.
    shoulder_mm : float
        Where a head, if there is one, meets the shaft; else `depth_mm`.
    head_radius_mm : float
        Widest radius near this end, mm.
    head_ratio : float
        That over the radius of the shaft.
    taper_ratio : float
        Radius half a radius inside the end, over the radius of the shaft.
    is_cut : bool
        Whether the scan ends here.
    is_hidden : bool
        Whether other metal lies here, so that the end itself is not seen.
    """

    depth_mm: float
    shoulder_mm: float
    head_radius_mm: float
    head_ratio: float
    taper_ratio: float
    is_cut: bool
    is_hidden: bool = False

    @property
    def has_head(self) -> bool:
        """Whether the metal is wider here than along the shaft."""
        return self.head_ratio > HEAD_RATIO


@dataclass(frozen=True, slots=True, eq=False)
class Shaft:
    """A piece of metal with course, cross-section and outline; depth runs from `first` to `last`.

    `level_hu` draws the outline; `ceiling_hu` is NaN where the core lies below the scan's ceiling;
    `blur_along_mm` is the standard deviation of the blur along the axis; `is_noisy` as in `Seen`;
    `touching` counts the other stretches of metal whose edges run into its own; `free` is the cross-section
    as it is seen where no diameter is told.
    """

    fit: CourseFit
    centres: Centres
    section: Section
    free: Section
    outline: Outline
    body: Body
    gap: Gap
    level_hu: float
    ceiling_hu: float
    blur_along_mm: float
    first: ShaftEnd
    last: ShaftEnd
    is_noisy: bool = False
    touching: int = 0

    @property
    def course(self) -> Course:
        """The axis."""
        return self.fit.course

    @property
    def line(self) -> Line:
        """The straight line from end to end."""
        start, end = self.point_mm(self.first.depth_mm), self.point_mm(self.last.depth_mm)
        return Line(start, end - start)

    @property
    def radius_mm(self) -> float:
        """Radius of the mean cross-section, blur taken out, mm."""
        return self.section.mean_radius_mm

    @property
    def outline_radius_mm(self) -> float:
        """Radius of the mean cross-section from the outline alone, free of what was stated, mm."""
        return self.body.radius_mm - _bloom_mm(self.level_hu, self.free.core_hu, self.free.blur_mm)

    @property
    def is_clipped(self) -> bool:
        """Whether the core is cut off by the scan's ceiling."""
        return math.isfinite(self.ceiling_hu)

    @property
    def length_mm(self) -> float:
        """Metal from end to end, mm."""
        return self.last.depth_mm - self.first.depth_mm

    @property
    def middle_mm(self) -> NDArray[np.float64]:
        """Middle of the piece, patient mm (LPS)."""
        return self.point_mm((self.first.depth_mm + self.last.depth_mm) / 2.0)

    def point_mm(self, depth_mm: float) -> NDArray[np.float64]:
        """Return a point of the axis, patient mm (LPS)."""
        return self.course.points_mm(depth_mm)

    def outer_diameter_mm(self, root_share: float) -> float:
        """Return the outer diameter of a thread whose mean radius is that of the outline, mm."""
        return 2.0 * self.outline_radius_mm / (1.0 - _MEAN_VALLEY * (1.0 - root_share))

    def distance_mm(self, point_mm: NDArray[np.float64]) -> float:
        """Return the distance of a point from the axis between the two ends, mm."""
        depth = float(np.clip(self.course.line.depth_mm(point_mm), self.first.depth_mm, self.last.depth_mm))
        return float(np.linalg.norm(point_mm - self.point_mm(depth)))


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the scan says of all its metal.

    Parameters
    ----------
    threshold_hu : float
        CT number of metal.
    ceiling_hu : float
        Where the scan stops, NaN if nowhere.
    edge_mm : ndarray, shape (N, 3)
        Metal in the outermost voxels of the scan, patient mm (LPS).
    is_noisy : bool
        Whether noise passes for metal, so that only a smoothed copy shows it.
    """

    threshold_hu: float
    ceiling_hu: float
    edge_mm: NDArray[np.float64]
    is_noisy: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What the shaft is seen against.

    How bright the core is, how surely that is known (infinite: the image tells it), where the scan stops
    (NaN: above the core), level of outlines, other metal.
    """

    core_hu: float
    core_sd_hu: float
    ceiling_hu: float
    level_hu: float
    seen: Seen
    neighbours: tuple[Segment, ...] = ()

    @property
    def floor_hu(self) -> float:
        """CT number of metal."""
        return self.seen.threshold_hu

    @property
    def edge_mm(self) -> NDArray[np.float64]:
        """Metal in the outermost voxels of the scan."""
        return self.seen.edge_mm


def trace_shaft(
    scan: Scan, segment: Segment, neighbours: Sequence[Segment] = (), *, seen: Seen, spec: ScrewSpec
) -> Shaft | None:
    """Measure the piece of metal near a rough segment.

    Parameters
    ----------
    scan : Scan
        The CT.
    segment : Segment
        Rough place, within a few millimetres.
    neighbours : sequence of Segment
        Other metal that touches it, or nearly; it is painted over.
    seen : Seen
        What the scan says of all its metal.
    spec : ScrewSpec
        Its material tells how bright the core would be above the ceiling, its diameters how deep
        the thread is.

    Returns
    -------
    Shaft or None
        None if no straight shaft is there.
    """
    step_mm = float(scan.step_mm.max())
    crop = scan.crop(scan.box([segment.start_mm, segment.end_mm], _MARGIN_MM + 2.0 * step_mm))
    crop = without(crop, segment, neighbours)
    span = (0.0, segment.length_mm)
    tube = 1.4 * segment.radius_mm + 0.5 * step_mm
    rough = (seen.threshold_hu, _top(crop, seen))
    course = straight_course(crop, Course(segment.line), span, tube, rough)
    look = _look(crop, course, span, seen, spec.material)
    if look.core_hu < seen.threshold_hu:
        return None
    course = straight_course(crop, course, span, tube, _range_hu(crop, course, look))
    look = replace(look, neighbours=tuple(neighbours))
    shaft = _measured(crop, course, span, look, segment.radius_mm, tube, spec)
    return _with_hidden_ends(shaft, neighbours) if shaft is not None else None


def _with_hidden_ends(shaft: Shaft, neighbours: Sequence[Segment]) -> Shaft:
    ends = (shaft.first, shaft.last)
    points = np.stack([shaft.point_mm(end.depth_mm) for end in ends])
    first, last = (
        replace(end, is_hidden=bool(hidden))
        for end, hidden in zip(ends, is_beside(points, neighbours, shaft.radius_mm), strict=True)
    )
    return replace(shaft, first=first, last=last)


def _range_hu(crop: Scan, course: Course, look: _Look) -> tuple[float, float]:
    """Return the CT numbers between which metal gains weight in its centre.

    High up, what lies beside the metal matters least; but on a coarse grid the whole of the blurred
    edge must carry the centre, or it jumps from voxel to voxel.
    """
    if math.isfinite(look.ceiling_hu):
        return look.level_hu, look.ceiling_hu
    share = _LOW_SHARE if _is_coarse(crop, course) else 0.5
    return max(share * look.core_hu, look.floor_hu), look.core_hu


def _is_coarse(crop: Scan, course: Course) -> bool:
    """Whether slices are so thick in the cross-section that few voxels decide where its centre is."""
    return _slice_mm(crop) * _lean(crop, course) > _COARSE_MM


def _top(crop: Scan, seen: Seen) -> float:
    """Return the value above which more metal adds no weight: a plateau, so that the rim decides."""
    if math.isfinite(seen.ceiling_hu):
        return seen.ceiling_hu
    metal = crop.hu[crop.hu > seen.threshold_hu]
    return float(np.quantile(metal, 0.9)) if metal.size else seen.threshold_hu + 1.0


def _look(crop: Scan, course: Course, span: tuple[float, float], seen: Seen, material: str) -> _Look:
    """Tell core and level from the middle of the shaft."""
    inner = (0.15 * span[1], 0.85 * span[1])
    threshold, ceiling = seen.threshold_hu, seen.ceiling_hu
    core = float(np.median(outline_of(crop, course, inner, threshold, core_mm=1.5).core_hu))
    if math.isfinite(ceiling) and core > _CLIPPED_FROM * ceiling:
        level = metal_level_hu(material, crop.acquisition)
        return _Look(*level, ceiling, max(threshold, 0.9 * ceiling), seen)
    return _Look(core, math.inf, math.nan, max(threshold, (core + _BACKGROUND_HU) / 2.0), seen)


def _measured(
    crop: Scan,
    course: Course,
    span: tuple[float, float],
    look: _Look,
    rough_radius_mm: float,
    tube_mm: float,
    spec: ScrewSpec,
) -> Shaft | None:
    """Return the shaft: outline, cross-section, centres, course, then outline and ends once more."""
    wide = (span[0] - _MARGIN_MM, span[1] + _MARGIN_MM)
    core_mm = max(0.6, 0.7 * rough_radius_mm)
    outline = outline_of(crop, course, wide, look.level_hu, core_mm)
    run = _metal_run(outline, (span[0] + span[1]) / 2.0)
    if run is None or run[1] - run[0] < _SHORTEST_MM:
        return None
    body = body_of(outline, run)
    section = _section(crop, course, outline, body, look, spec)
    is_told = math.isfinite(spec.major_diameter_mm)
    untold = replace(spec, major_diameter_mm=math.nan)
    free = _section(crop, course, outline, body, look, untold) if is_told else section
    along = _blur_along_mm(crop, course, section)
    model = GapModel.of(outline.radius_mm, section, along, look.ceiling_hu)
    gap = _clear_gap(outline, find_gap(outline, model, run))
    fit, centres = _course(crop, course, outline, run, gap, look, tube_mm)
    fit = _sharpened(crop, fit, section, body, look)
    outline = outline_of(crop, fit.course, wide, look.level_hu, core_mm)
    run = _metal_run(outline, (span[0] + span[1]) / 2.0) or run
    gap = _gap_clear_of(look.neighbours, fit.course, find_gap(outline, model, run), section.radius_mm)
    first, last = (_end(outline, section, look, run, way) for way in (-1, +1))
    return Shaft(
        fit=fit,
        centres=centres,
        section=section,
        free=free,
        outline=outline,
        body=body_of(outline, run),
        gap=gap,
        level_hu=look.level_hu,
        ceiling_hu=look.ceiling_hu,
        blur_along_mm=along,
        first=first,
        last=last,
        is_noisy=look.seen.is_noisy,
        touching=len(look.neighbours),
    )


def _clear_gap(outline: Outline, gap: Gap) -> Gap:
    """Return the gap if the core itself is gone; along a bent shaft a straight axis only slips out of it."""
    near = np.abs(outline.depth_mm - gap.at_mm) < _NEAR_GAP_MM
    if not near.any() or outline.core_hu[near].min() < _CORE_GONE * np.quantile(outline.core_hu, 0.7):
        return gap
    return gap.not_shown()


def _section(
    crop: Scan, course: Course, outline: Outline, body: Body, look: _Look, spec: ScrewSpec
) -> Section:
    """Fit the cross-section over the threaded part of the body: no head, no taper, no shank."""
    blur = _expected_blur_mm(crop, course)
    is_known, height = math.isfinite(spec.major_diameter_mm), 1.0 - spec.root_share
    bloom = _bloom_mm(look.level_hu, look.core_hu, blur[0])
    guess = Guess(
        radius_mm=spec.major_diameter_mm / 2.0
        if is_known
        else max(body.radius_mm - bloom, 0.4) / (1.0 - 0.6 * height),
        radius_sd_mm=_RADIUS_SD_MM if is_known else math.inf,
        height_share=height,
        lumen_mm=_lumen_mm(outline, body, look),
        blur_in_plane_mm=blur[0],
        blur_across_mm=blur[1],
        core_hu=look.core_hu,
        core_sd_hu=look.core_sd_hu,
        ceiling_hu=look.ceiling_hu,
        box_mm=_slice_mm(crop) * _lean(crop, course),
    )
    voxels = voxels_near(crop, course, body.even_mm, guess.radius_mm + 3.0)
    fitted = fit_section(voxels.u_mm, voxels.v_mm, voxels.hu, guess)
    if 0.0 < fitted.lumen_mm < _SMALLEST_LUMEN_MM:
        return fit_section(voxels.u_mm, voxels.v_mm, voxels.hu, replace(guess, lumen_mm=0.0))
    return fitted


def _lumen_mm(outline: Outline, body: Body, look: _Look) -> float:
    """Return a first guess of a lumen's radius, mm: 0 unless the core is darker than the ring round it."""
    inside = (outline.depth_mm > body.even_mm[0]) & (outline.depth_mm < body.even_mm[1])
    profile = np.median(outline.profile_hu[inside], axis=0)
    ring = profile[outline.radius_mm < body.radius_mm].max()
    dip = _LUMEN_DIP_CLIPPED if math.isfinite(look.ceiling_hu) else _LUMEN_DIP
    return 0.4 * body.radius_mm if profile[0] < dip * ring else 0.0


def _bloom_mm(level_hu: float, core_hu: float, blur_mm: float) -> float:
    """How far outside a flat edge of metal a level lies, mm; 0 at half height."""
    share = (level_hu - _BACKGROUND_HU) / (core_hu - _BACKGROUND_HU)
    return float(-blur_mm * ndtri(np.clip(share, 0.02, 0.98)))


def _expected_blur_mm(crop: Scan, course: Course) -> tuple[float, float]:
    """Blur expected of such a grid, in the slice and square to it within the cross-section, mm."""
    in_plane = 0.37  # 0.87 mm wide at half height
    through = max(_THROUGH_OF_SLICE * _slice_mm(crop), 0.3)
    lean = _lean(crop, course)
    return in_plane, math.hypot(in_plane * math.sqrt(1.0 - lean**2), through * lean)


def _slice_mm(crop: Scan) -> float:
    thickness = crop.acquisition.slice_thickness_mm
    return max(thickness if math.isfinite(thickness) else 0.0, crop.slice_gap_mm)


def _lean(crop: Scan, course: Course) -> float:
    """Share of the slice normal that lies in the cross-section: 0 square to the slices, 1 within them."""
    return math.sqrt(max(1.0 - float(course.line.direction @ crop.slice_normal) ** 2, 0.0))


def _blur_along_mm(crop: Scan, course: Course, section: Section) -> float:
    """Blur along the axis from the blur across it: in the slice, and through it where that can be told."""
    lean = _lean(crop, course)
    steep = math.sqrt(1.0 - lean**2)
    in_plane = section.blur_in_plane_mm
    through = max(_THROUGH_OF_SLICE * _slice_mm(crop), 0.3)
    if lean > 0.4:
        told = section.blur_across_mm**2 - (in_plane * steep) ** 2
        through = math.sqrt(max(told, 0.04)) / lean
    return math.hypot(in_plane * lean, through * steep)


def _course(
    crop: Scan,
    course: Course,
    outline: Outline,
    run: tuple[float, float],
    gap: Gap,
    look: _Look,
    tube_mm: float,
) -> tuple[CourseFit, Centres]:
    """Find the centres and the course through them: straight unless a bend or a break is shown."""
    span = body_of(outline, run).span_mm  # a cone cut at a slant has its centre off the axis
    limit_deg = _BENT_CLIPPED_DEG if math.isfinite(look.ceiling_hu) else _BENT_DEG
    for _ in range(3):
        centres = section_centres(crop, course, span, tube_mm, _range_hu(crop, course, look))
        clear_mm = overhang_mm(crop, course, tube_mm)
        if gap.width_mm > _CLEAR_GAP_MM:
            centres = centres.where(np.abs(centres.depth_mm - gap.at_mm) > gap.width_mm / 2.0 + clear_mm)
        elif course.step_mm.any():
            centres = centres.where(np.abs(centres.depth_mm - course.kink_mm) > clear_mm)
        centres = _clear_of(centres, look.neighbours, outline, run)
        if len(centres) < _FEWEST_CENTRES:
            return CourseFit(course, math.nan, math.nan, math.nan), centres
        fit = _fitted(centres, course.line, gap, limit_deg)
        course = fit.course
    return fit, centres


def _sharpened(crop: Scan, fit: CourseFit, section: Section, body: Body, look: _Look) -> CourseFit:
    """Lay the cross-section itself along the course where centres of sections are not sure enough."""
    course = fit.course
    is_lying = section_axis(crop, course.line.direction) != 0
    (low, high), (first, last) = body.even_mm, body.span_mm
    is_told = high - low > _MOSTLY_EVEN * (last - first)
    # else what lies beside it has been painted over, or the voxels smoothed
    is_alone = not look.neighbours and not look.seen.is_noisy
    is_whole = not course.step_mm.any()
    is_unsure = math.isnan(fit.scatter_mm)  # too few centres
    is_needed = is_unsure or _is_coarse(crop, course) or is_lying or not course.is_straight
    if not (is_needed and is_told and is_alone and is_whole):
        return fit
    return replace(fit, course=sharpened(crop, course, section, body.even_mm, look.ceiling_hu))


def _gap_clear_of(neighbours: Sequence[Segment], course: Course, gap: Gap, radius_mm: float) -> Gap:
    """Return the gap unless it lies beside other metal, where the shaft cannot be told from its neighbour."""
    if not gap.is_shown or not is_beside(course.points_mm([gap.at_mm]), neighbours, radius_mm).any():
        return gap
    return gap.not_shown()


def _clear_of(
    centres: Centres, neighbours: Sequence[Segment], outline: Outline, run: tuple[float, float]
) -> Centres:
    """Leave out centres beside other metal, which pulls them; all are kept if most of the shaft lies so."""
    clear = centres.where(~is_beside(centres.points_mm, neighbours, body_of(outline, run).radius_mm))
    return clear if len(clear) > len(centres) / 2 else centres


def _fitted(centres: Centres, line: Line, gap: Gap, limit_deg: float) -> CourseFit:
    straight = fit_straight(centres.depth_mm, centres.points_mm, line)
    limit_deg *= max(_BENT_SPAN_MM / max(float(np.ptp(centres.depth_mm)), 1.0), 1.0)
    if gap.width_mm > _CLEAR_GAP_MM:
        broken = fit_broken(centres.depth_mm, centres.points_mm, line, gap.at_mm)
        return broken if broken is not None and _is_displaced(broken, limit_deg) else straight
    bent = fit_bent(centres.depth_mm, centres.points_mm, line)
    if bent is None:
        return straight
    torn = fit_torn(centres.depth_mm, centres.points_mm, line)
    if (
        torn is not None
        and torn.gain > _TORN_GAIN * bent.gain
        and np.linalg.norm(torn.course.step_mm) > _TORN_MM
    ):
        return torn
    limit_deg = max(_BENT_SIGMAS * bent.bend_u_deg, limit_deg)
    if bent.gain > _BENT_GAIN and bent.course.bend_deg > limit_deg:
        return replace(bent, limit_deg=limit_deg)
    return replace(straight, bend_u_deg=bent.bend_u_deg, gain=bent.gain, limit_deg=limit_deg)


def _is_displaced(broken: CourseFit, limit_deg: float) -> bool:
    """Whether the two parts of a broken shaft lie differently from the parts of a whole one."""
    course = broken.course
    is_turned = course.bend_deg > max(_BENT_SIGMAS * broken.bend_u_deg, limit_deg)
    return is_turned or float(np.linalg.norm(course.step_mm)) > _STEP_MM


def _metal_run(outline: Outline, middle_mm: float) -> tuple[float, float] | None:
    """Return where the metal on the axis ends at the level; holes to 8 mm are bridged (a broken shaft)."""
    above = np.flatnonzero(outline.core_hu >= outline.level_hu)
    if above.size == 0:
        return None
    cuts = np.flatnonzero(np.diff(above) * DEPTH_STEP_MM > 8.0)
    starts, ends = np.r_[above[0], above[cuts + 1]], np.r_[above[cuts], above[-1]]
    centre = (outline.depth_mm[starts] + outline.depth_mm[ends]) / 2.0
    half = (outline.depth_mm[ends] - outline.depth_mm[starts]) / 2.0
    k = int(np.argmin(np.abs(centre - middle_mm) - half))
    return _between(outline, int(starts[k]), -1), _between(outline, int(ends[k]), +1)


def _between(outline: Outline, k: int, way: int) -> float:
    """Depth at which the core meets the level, beyond sample k, between samples."""
    other = k + way
    if not 0 <= other < len(outline.depth_mm):
        return float(outline.depth_mm[k])
    inside, outside = outline.core_hu[k], outline.core_hu[other]
    share = (inside - outline.level_hu) / max(inside - outside, 1e-6)
    return float(outline.depth_mm[k] + way * share * DEPTH_STEP_MM)


def _end(outline: Outline, section: Section, look: _Look, run: tuple[float, float], way: int) -> ShaftEnd:
    at = run[0] if way < 0 else run[1]
    usual = body_of(outline, run).radius_mm
    inward = way * (at - outline.depth_mm)
    near = (inward > 0.0) & (inward < _HEAD_REACH_MM)
    order = np.argsort(inward[near])
    depth_in, wide = inward[near][order], outline.radius_of_area_mm[near][order]
    if wide.size < 2:
        return ShaftEnd(at, at, section.radius_mm, 1.0, 1.0, is_cut=True)
    peak = int(np.argmax(wide))
    bloom = _bloom_mm(look.level_hu, section.core_hu, section.blur_mm)
    end_mm = at - way * bloom
    shoulder = end_mm
    ratio = float(wide[peak] - bloom) / max(usual - bloom, 0.2)
    if ratio > HEAD_RATIO:
        halfway = (usual**2 + wide[peak] ** 2) / 2.0
        below = np.flatnonzero(wide[peak:] ** 2 < halfway)
        shoulder = at - way * float(depth_in[peak + below[0]]) if below.size else end_mm
    taper = float(np.interp(_TAPER_AT * usual, depth_in, wide) - bloom) / max(usual - bloom, 0.2)
    reach_mm = 1.5 * usual + 1.0
    is_cut = bool(np.any(np.linalg.norm(look.edge_mm - outline.course.points_mm(end_mm), axis=1) < reach_mm))
    return ShaftEnd(end_mm, shoulder, float(wide[peak] - bloom), ratio, taper, is_cut)
