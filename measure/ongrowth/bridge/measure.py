"""From a scan and a defect to its gap and bridges: the order of the steps."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ongrowth.bridge.continuity import (
    ContinuitySettings,
    GapContent,
    bridged_places,
    effective_gap_mm,
    read_content,
    refined,
    spread_mm,
)
from ongrowth.bridge.model import Bridge, BridgeMap
from ongrowth.bridge.pieces import find_pieces
from ongrowth.bridge.tissue import measure_edges, measure_tissue
from ongrowth.defect import DefectPlane, DefectSettings
from ongrowth.defect.blur import Foot, fit_foot, usual_blur
from ongrowth.defect.columns import BoolArray, Columns, FloatArray
from ongrowth.defect.faces import Shores
from ongrowth.defect.gap import GapFit, GapGrid, fit_gap
from ongrowth.defect.middle import fit_middle
from ongrowth.edge import Blur
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan
from ongrowth.screw import Screw

_GRID = GapGrid(0.6, 0.12, 2.6, 8)
_CONTINUITY = ContinuitySettings()
_BLUR_SHARE, _KNOWN_BLUR_SHARE = 0.15, 0.04  # relative uncertainty of the point spread
_SMEAR = 1.1  # threads widen the foot of the metal by about this much against the blur itself
# Where nothing tells how wide a gap is: usual, and wide. From the usual width a fit does not find the faces
# of a gap of 5 mm and takes all of it for faint bone; from the wide one it does not find those of a thin gap.
_USUAL_GAP_MM, _WIDE_GAP_MM = 1.5, 4.0
_LEAST_SHARE = DefectSettings().least_share  # open, for a slit to be a defect
_SURELY_WIDE = 2.0  # gap over point spread above which the tissue is seen
_LITTLE = 0.5  # share of the section that has to show contrast
_TOO_LITTLE = 0.15
_SMALLEST_MM2 = 8.0  # of a section: in an oblique wide gap the two shores hardly face each other
_THICK_MM = 1.6
_HIDDEN_SUPPORT = 0.3  # of what an unhidden place tells
_LENIENT, _STRICT = 0.7, 1.4
# Model error found on phantoms of the tuning half: of the mean gap, in mm; its part that grows with the
# square of the point spread; of one place of the map. And of the bridged fraction, in a layered gap, and in
# a thin one, where it grows as the point spread outgrows the gap.
_GAP_FLOOR_MM, _GAP_PER_SPREAD, _CELL_MM = 0.08, 0.1, 0.2
_FRACTION_FLOOR, _FRACTION_THIN = 0.03, 0.1
# What the point spread across the section hides, by phantoms of the tuning half: the ground of a hollow, in
# shares of the spread; and bridges, for each mm that the thinnest one shown measures.
_HOLLOW_PER_SPREAD, _HIDDEN_PER_MM = 0.25, 0.4
_FRACTION_THICK = 0.25  # slices of 2 mm and more miss bridges that fill half of the section; nearly a guess
_LEAST_SLOPE = 0.3  # of a plane against the bone's course: a flatter one runs along it
_AREA_SHARE = 0.12
_FARTHEST_MM = 1.0  # as unsure as a plane is in slices of 3 mm
_FOOT_MM = 0.8  # of the metal, beyond its crests, or of what is lucent beside it

_Read = tuple[GapFit, GapContent]


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """What gaps are seen through: the scan, its blur, the course of the bone, and the metal in the way."""

    scan: Scan
    frame: ScrewFrame
    blur: Blur
    is_blur_known: bool = False
    screw: Screw | None = None
    foot: Foot | None = None
    lucent_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def inner_mm(self) -> float:
        """Radius about the middle that metal fills."""
        return self.screw.major_diameter_mm.value / 2.0 if self.screw else 0.0

    @property
    def beside_mm(self) -> tuple[float, float]:
        """Radius about the middle, on either side of the gap, that metal or what is lucent reaches."""
        if self.screw is None:
            return 0.0, 0.0
        head, tip = (self.inner_mm + lucent + _FOOT_MM for lucent in self.lucent_mm)
        return head, tip

    def spread_mm(self, defect: DefectPlane) -> float:
        """Return the width at half maximum of the point spread across a defect."""
        return spread_mm(self.blur, float(abs(defect.plane.normal @ self.scan.slice_normal)))


def measure_bridge(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    defect: DefectPlane,
    *,
    lucent_mm: tuple[float, float] = (0.0, 0.0),
) -> Bridge:
    """Measure the gap and what bridges it over the cross-section of the bone, the metal left out.

    Parameters
    ----------
    scan : Scan
        The CT.
    screw : Screw
        The screw that crosses the defect.
    frame : ScrewFrame
        Its frame.
    defect : DefectPlane
        The plane of the defect.
    lucent_mm : tuple of float
        Width of the lucent layer on the head side and on the tip side: no edge of the gap is read in it.

    Returns
    -------
    Bridge
        Values are missing, with the reason, where the bone beside the gap shows no contrast.

    Raises
    ------
    Refused
        If the defect lies outside the scan (code ``out-of-scan``).
    """
    foot = fit_foot(scan, screw, defect.plane, _width(defect))
    blur = foot.blur.scaled(f0_per_mm=_SMEAR)
    return _with_rivals(_View(scan, frame, blur, screw=screw, foot=foot, lucent_mm=lucent_mm), defect)


def measure_open_gap(
    scan: Scan, frame: ScrewFrame, defect: DefectPlane, *, blur: Blur | None = None
) -> Bridge:
    """Measure the gap of a defect that no screw crosses; `frame` runs with the bone through it.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Axis through the bone, as a screw's would be.
    defect : DefectPlane
        Plane of the defect.
    blur : Blur, optional
        Blur of the protocol, where it is known.

    Raises
    ------
    Refused
        If the defect lies outside the scan (code ``out-of-scan``).
    """
    return _with_rivals(_View(scan, frame, blur or usual_blur(scan), is_blur_known=blur is not None), defect)


def _with_rivals(view: _View, defect: DefectPlane) -> Bridge:
    """Measure a gap, and its rivals, whose differences widen the intervals."""
    bridge = _measure(view, defect)
    return _widened(bridge, [(p, _measure(view, other)) for p, other in _rivals(defect, view.frame)])


def _rivals(defect: DefectPlane, frame: ScrewFrame) -> list[tuple[float, DefectPlane]]:
    """Return the rivals of a plane that cross the bone as defects, each with its probability."""
    out = []
    for rival in defect.rivals:
        slope = float(rival.plane.normal @ frame.axis_direction)
        if abs(slope) > _LEAST_SLOPE:
            plane = Plane(rival.plane.point_mm, math.copysign(1.0, slope) * rival.plane.normal)
            out.append((rival.probability, replace(defect, plane=plane, gap_mm=rival.gap_mm, rivals=())))
    return out


def _widened(bridge: Bridge, others: list[tuple[float, Bridge]]) -> Bridge:
    """Return a measurement whose intervals hold what the rival planes give, each by its probability."""
    changed: dict[str, Any] = {}
    for name in ("gap_width_mean", "gap_width_mean_open", "gap_width_max", "bridged_fraction"):
        mine: Measured = getattr(bridge, name)
        away = [p * (getattr(other, name).value - mine.value) ** 2 for p, other in others]
        more = float(np.nansum(away))
        if mine.is_known and more > 0.0:
            u, ceiling = math.sqrt(mine.u**2 + more), 1.0 if mine.unit is Unit.ONE else math.inf
            why = mine.cautions | Caution.POOR_FIT
            changed[name] = Measured.of(mine.value, u, mine.unit, why, floor=0.0, ceiling=ceiling)
    return replace(bridge, **changed)


def _measure(view: _View, defect: DefectPlane) -> Bridge:
    """Measure the gap in one plane."""
    read = _read(view, defect)
    if read is None:
        return _nothing(defect, Caution.NO_BONE)
    gap, content = read
    section = content.section
    if view.screw is not None:
        section = section & ~_in_metal(content, gap.columns, view.screw)
    told = float((content.is_known & section).sum() / max(1, section.sum()))
    if told < _TOO_LITTLE:
        return _nothing(defect, Caution.NO_CONTRAST)
    if (content.is_known & section).sum() * content.step_mm**2 < _SMALLEST_MM2:
        return _nothing(defect, Caution.LITTLE_MEASURED)
    return _figures(view, defect, gap, content, section, _cautions(view, content, told))


def _read(view: _View, defect: DefectPlane) -> _Read | None:
    """Fit the gap and read what lies in it; where its width is not known, from the usual or a wide one."""
    if _is_width_known(defect):
        return _read_from(view, defect, defect.gap_mm)
    wide = _read_from(view, defect, _WIDE_GAP_MM)
    if wide is not None and _is_wide_gap(wide[0], view.inner_mm):
        return wide
    return _read_from(view, defect, _USUAL_GAP_MM)


def _is_wide_gap(gap: GapFit, inner_mm: float) -> bool:
    """Return whether a fit ends in a gap nearer to the wide start, by the rule for planes that are found."""
    middle = fit_middle(gap, inner_mm)
    if middle is None or not middle.is_slit or middle.open_share < _LEAST_SHARE:
        return False
    return middle.gap_mm > (_USUAL_GAP_MM + _WIDE_GAP_MM) / 2.0


def _read_from(view: _View, defect: DefectPlane, width_mm: float) -> _Read | None:
    """Fit the gap from a width on, and read it; in one thinner than the blur the tissue is held."""
    read: _Read | None = None
    spread = view.spread_mm(defect)
    for is_held in (True, False) if width_mm < _SURELY_WIDE * spread else (False,):
        gap = fit_gap(
            view.scan, defect.plane, view.frame.axis_direction, width_mm, _GRID, view.blur,
            screw=view.screw, foot=view.foot, is_tissue_held=is_held,
        )  # fmt: skip
        if gap is None:
            return None
        content = read_content(gap, view.blur, view.inner_mm, _CONTINUITY)
        read = gap, content
        usual = content.usual_gap_mm[content.section & content.is_known]
        if is_held and usual.size and float(np.median(usual)) < spread:
            break
    return read


def _figures(
    view: _View,
    defect: DefectPlane,
    gap: GapFit,
    content: GapContent,
    section: BoolArray,
    cautions: Caution,
) -> Bridge:
    hidden = section & (_support(gap) < _HIDDEN_SUPPORT)
    hidden_share = _mean(hidden[section])
    section = section & content.is_known  # in the halo no bone stands on either shore
    bridged = bridged_places(content, section, _CONTINUITY)
    others = [bridged_places(content, section, _CONTINUITY.scaled(f)) for f in (_LENIENT, _STRICT)]
    fraction = _fraction(content, section, bridged, others, cautions)
    pieces, *other_pieces = (
        find_pieces(content, section, one, gap.columns, view.frame) for one in (bridged, *others)
    )
    width = np.where(bridged, 0.0, effective_gap_mm(content, section, _CONTINUITY))
    open_width = width[section & ~bridged]
    seen_u, place_u = _gap_u_mm(view, gap, content), _place_u_mm(defect)
    open_u = math.hypot(seen_u, place_u)
    across_mm = _across_mm(gap.columns, view.blur)
    shown_mm = _smallest_bridge_mm(across_mm)
    # a section that looks bridged all over may hide a gap as wide as the least that is told
    open_mm = _mean(open_width) if fraction.value < 1.0 else _mean(content.usual_gap_mm[section])
    mean_u = math.hypot(seen_u * (1.0 - fraction.value), open_mm * fraction.u, place_u)
    area = float(section.sum()) * content.step_mm**2
    cell_u = np.where(section, math.hypot(open_u, _CELL_MM), np.nan)
    head_edge, tip_edge = measure_edges(gap, view.beside_mm)
    return Bridge(
        defect=defect,
        gap_width_mean=Measured.of(_mean(width[section]), mean_u, Unit.MM, cautions, floor=0.0),
        gap_width_max=_largest(width[section], math.hypot(open_u, _HOLLOW_PER_SPREAD * across_mm), cautions),
        bridged_fraction=fraction,
        bridge_count=_count(len(pieces), [len(one) for one in other_pieces], shown_mm, cautions),
        smallest_bridge_shown_mm=shown_mm,
        cross_section_mm2=Measured.of(area, _AREA_SHARE * area, Unit.MM2, cautions, floor=0.0),
        hidden_by_metal=Measured.of(hidden_share, 0.03, Unit.ONE, floor=0.0, ceiling=1.0),
        map=_map(gap.columns, content, width, cell_u, bridged, section, hidden),
        # bridges that are not seen narrow what is taken for open
        gap_width_mean_open=_open(open_width, math.hypot(open_u, open_mm * fraction.u), cautions),
        tissue_hu=measure_tissue(content, section & ~bridged),
        bridges=pieces,
        head_edge=head_edge,
        tip_edge=tip_edge,
    )


def _width(defect: DefectPlane) -> float:
    return defect.gap_mm if _is_width_known(defect) else _USUAL_GAP_MM


def _is_width_known(defect: DefectPlane) -> bool:
    return math.isfinite(defect.gap_mm) and defect.gap_mm > 0.0


def _mean(values: FloatArray | BoolArray) -> float:
    return float(values.mean()) if values.size else 0.0


def _in_metal(content: GapContent, columns: Columns, screw: Screw) -> BoolArray:
    u, v = np.meshgrid(content.grid_mm, content.grid_mm, indexing="ij")
    away = columns.world(u, v, np.zeros_like(u)) - screw.head_mm
    axis = (screw.tip_mm - screw.head_mm) / np.linalg.norm(screw.tip_mm - screw.head_mm)
    away = away - (away @ axis)[..., None] * axis
    return np.asarray(np.linalg.norm(away, axis=-1) < screw.major_diameter_mm.value / 2.0)


def _cautions(view: _View, content: GapContent, told: float) -> Caution:
    out = Caution.NONE if view.is_blur_known else Caution.BLUR_UNKNOWN
    if view.screw is not None:
        out |= view.screw.cautions & Caution.SCREW_BENT
    if view.scan.nominal_slice_mm > _THICK_MM:
        out |= Caution.THICK_SLICES
    if told < _LITTLE:
        out |= Caution.LITTLE_MEASURED
    if len(content.across_hu) == 1:
        out |= Caution.SMALLER_THAN_BLUR
    return out


def _support(gap: GapFit) -> FloatArray:
    """Return how much each place of the fine grid tells, against the usual place of the section."""
    typical = float(np.nanmedian(gap.faces.gap_mm)) / 2.0
    support = gap.columns.support(max(typical, 0.5))
    here = gap.shores[0] & gap.shores[1] & (support > 0.0)
    best = float(np.percentile(support[here], 75)) if here.any() else 1.0
    return refined(support) / best


def _gap_u_mm(view: _View, gap: GapFit, content: GapContent) -> float:
    """Return the standard uncertainty of the mean gap: noise, blur, how dense a rim is, model."""
    here = gap.shores[0] & gap.shores[1]
    noise = gap.fit.gap_sd_mm(gap.unknowns, gap.start, here)
    more = 1.0 + (_KNOWN_BLUR_SHARE if view.is_blur_known else _BLUR_SHARE)
    wide = view.blur.scaled(f0_per_mm=1.0 / more, box_mm=more, second_box_mm=more)
    by_blur, by_rim = (
        float(np.nanmean((other.run(gap.unknowns, 3)[0].gap_mm - gap.faces.gap_mm)[here]))
        for other in (gap.fit.with_shores(Shores(wide, gap.columns.slice_cos)), gap.fit.with_free_shores())
    )
    model = math.hypot(_GAP_FLOOR_MM, _GAP_PER_SPREAD * content.spread_mm**2)
    return math.sqrt(noise**2 + by_blur**2 + by_rim**2 + model**2)


def _place_u_mm(defect: DefectPlane) -> float:
    """Return what the place of the plane adds to the uncertainty of a gap.

    Faces found lie no surer than the plane between them; which slit it is, a reader's plane settles, and
    rivals that lie farther off are measured themselves.
    """
    if defect.how == "given":
        return 0.0
    return min(float(np.nan_to_num(defect.u_offset_mm)), _FARTHEST_MM)


def _fraction(
    content: GapContent, section: BoolArray, bridged: BoolArray, others: list[BoolArray], cautions: Caution
) -> Measured:
    """Return the bridged fraction; its uncertainty from milder and stricter demands and a floor."""
    cells = max(1, int(section.sum()))
    half_range = abs(float(others[0].sum()) - float(others[1].sum())) / cells / 2.0
    floor = _FRACTION_FLOOR
    if len(content.across_hu) == 1 and section.any():
        usual_mm = float(np.median(content.usual_gap_mm[section]))
        floor = _FRACTION_THIN * max(1.0, content.spread_mm / usual_mm)
    u = math.hypot(floor, half_range)
    if Caution.THICK_SLICES in cautions:
        u = math.hypot(u, _FRACTION_THICK)
    return Measured.of(float(bridged.sum() / cells), u, Unit.ONE, cautions, floor=0.0, ceiling=1.0)


def _largest(width_mm: FloatArray, open_u_mm: float, cautions: Caution) -> Measured:
    """Return the largest gap: the 99th percentile, since the very largest cell is the noisiest."""
    if not width_mm.size:
        return Measured.missing(Unit.MM, cautions)
    value = float(np.percentile(width_mm, 99))
    return Measured.of(value, math.hypot(open_u_mm, _CELL_MM), Unit.MM, cautions, floor=0.0)


def _open(width_mm: FloatArray, u_mm: float, cautions: Caution) -> Measured:
    if not width_mm.size:
        return Measured.missing(Unit.MM, cautions | Caution.NO_DEFECT)
    return Measured.of(_mean(width_mm), u_mm, Unit.MM, cautions, floor=0.0)


def _count(n: int, others: list[int], shown_mm: float, cautions: Caution) -> Measured:
    """Return the number of bridges; thinner ones may be there unseen, and two look like one."""
    u = math.hypot((others[0] - others[1]) / 2.0, _HIDDEN_PER_MM * shown_mm)
    return Measured.of(float(n), u, Unit.ONE, cautions, floor=0.0)


def _across_mm(columns: Columns, blur: Blur) -> float:
    """Return the widest point spread along directions in the plane, mm.

    It lies between that of the slice plane and the slice profile.
    """
    return max(spread_mm(blur, float(abs(d))) for d in _slice_cosines(columns))


def _smallest_bridge_mm(across_mm: float) -> float:
    """Return the diameter of the thinnest bridge that fills a layer to the share a bridge must have.

    The middle of a disc of diameter d under a Gaussian spread of width F keeps ``1 - 2**(-(d / F)**2)`` of
    its contrast.
    """
    thinnest = across_mm * math.sqrt(-math.log2(1.0 - _CONTINUITY.core))
    return max(thinnest, math.sqrt(4.0 * _CONTINUITY.least_area_mm2 / math.pi))


def _slice_cosines(columns: Columns) -> tuple[float, float]:
    """Cosines between the slice normal and directions in the plane: along the slices, and steepest."""
    return 0.0, math.sqrt(max(0.0, 1.0 - columns.slice_cos**2))


def _map(
    columns: Columns,
    content: GapContent,
    width_mm: FloatArray,
    u_mm: FloatArray,
    bridged: BoolArray,
    section: BoolArray,
    hidden: BoolArray,
) -> BridgeMap:
    """Return the maps with rows along v and columns along u, cut to the section."""
    rows, cols = np.flatnonzero(section.any(axis=0)), np.flatnonzero(section.any(axis=1))
    v, u = slice(max(0, rows[0] - 1), rows[-1] + 2), slice(max(0, cols[0] - 1), cols[-1] + 2)
    inside = section[u, v].T
    return BridgeMap(
        u_mm=content.grid_mm[u],
        v_mm=content.grid_mm[v],
        u_direction=columns.u_direction,
        v_direction=columns.v_direction,
        gap_width_mm=np.where(inside, width_mm[u, v].T, np.nan),
        gap_width_u_mm=np.where(inside, u_mm[u, v].T, np.nan),
        bridged=bridged[u, v].T,
        inside=inside,
        hidden=hidden[u, v].T,
    )


def _nothing(defect: DefectPlane, why: Caution) -> Bridge:
    none = np.zeros((1, 1))
    empty = BridgeMap(
        np.zeros(1), np.zeros(1), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]),
        none * np.nan, none * np.nan, none > 0.0, none > 0.0, none > 0.0,
    )  # fmt: skip
    length, one = Measured.missing(Unit.MM, why), Measured.missing(Unit.ONE, why)
    return Bridge(defect, length, length, one, one, math.nan, Measured.missing(Unit.MM2, why), one, empty)
