"""Straight stretches in a piece of metal: where a screw, a rod or a wire may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import Line, frozen, unit

_TUBE_MM = 2.0  # half the core of the thickest shaft looked for
_BIN_MM = 1.0
_TRIES = 400
_ALL_OF_IT = 0.98  # a tube that holds this share needs no search
_SAMPLE = 1500
_SHORTEST_MM = 6.0
_LARGEST_HOLE_BINS = 4
_RIM_MM, _RIM_RADII = 12.0, 3.0  # a head is no wider: across, and in radii of its shaft
_ROUNDS = 8
_OWN_RADII = 1.6  # of a stretch: what lies farther out is a head, a neighbour or nobody's
_FEWEST_OWN = 20
_FULL_BIN = 0.4  # of the usual bin: emptier ones are ends and holes, their centre says little
_LEAST_STRAY_MM, _STRAYS = 0.3, 2.5
_SLIVER, _BESIDE_MM = 0.5, 0.5  # of the other's radius; from its surface
_TAIL = 0.002  # of the voxels beyond each end: stray specks


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """A straight stretch of metal.

    Parameters
    ----------
    start_mm, end_mm : ndarray, shape (3,)
        Ends of the stretch, patient mm (LPS), on its axis.
    radius_mm : float
        Radius of a cylinder of the same volume and length, mm (blooming included).
    """

    start_mm: NDArray[np.float64]
    end_mm: NDArray[np.float64]
    radius_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "start_mm", frozen(self.start_mm))
        object.__setattr__(self, "end_mm", frozen(self.end_mm))

    @property
    def length_mm(self) -> float:
        """Length, mm."""
        return float(np.linalg.norm(self.end_mm - self.start_mm))

    @property
    def line(self) -> Line:
        """The axis, from the start to the end."""
        return Line(self.start_mm, self.end_mm - self.start_mm)

    def distance_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the distance of points, shape (..., 3), from the axis between its ends, mm."""
        depth = np.clip(self.line.depth_mm(points_mm), 0.0, self.length_mm)[..., None]
        return np.asarray(np.linalg.norm(points_mm - self.start_mm - depth * self.line.direction, axis=-1))


def segments_of(
    points_mm: NDArray[np.float64], voxel_mm3: float, reach_mm: float
) -> tuple[list[Segment], NDArray[np.bool_]]:
    """Return the straight stretches in a connected piece of metal, longest first.

    The longest straight run is taken out, then the next, until what is left is short: so a nail
    and a lag screw that cross, or a screw that touches a rod, come apart.

    Parameters
    ----------
    points_mm : ndarray, shape (N, 3)
        Voxel centres, patient mm (LPS).
    voxel_mm3 : float
        Volume of a voxel.
    reach_mm : float
        Largest step between neighbouring voxels; nothing finer can be told apart.

    Returns
    -------
    list of Segment
        Empty if the piece is nowhere longer than it is wide.
    ndarray of bool, shape (N,)
        Which voxels lie clear of all of them.
    """
    found: list[Segment] = []
    left, taken = points_mm, points_mm[:0]
    fewest = max(4, int(_SHORTEST_MM * 0.3 / voxel_mm3))
    while len(left) >= fewest:
        line, low, high = _longest_run(left, taken, reach_mm)
        inside = _near(left, line, low, high, reach_mm)
        segment = _segment(left[inside], line, voxel_mm3)
        if segment is None:
            break
        if not any(_is_rim(segment, longer) for longer in found):
            found.append(segment)
        away = line.distance_mm(left)
        depth = line.depth_mm(left)
        rim = 1.3 * segment.radius_mm + reach_mm
        gone = inside | ((away < rim) & (depth > low - rim) & (depth < high + rim))
        left, taken = left[~gone], np.concatenate([taken, left[gone]])
    clear = np.ones(len(points_mm), dtype=bool)
    for segment in found:
        clear &= segment.distance_mm(points_mm) > _RIM_RADII * segment.radius_mm + reach_mm
    return sorted(found, key=lambda s: s.length_mm, reverse=True), clear


def settled(segments: list[Segment], points_mm: NDArray[np.float64], voxel_mm3: float) -> list[Segment]:
    """Return segments that share a piece of metal, each drawn through the metal nearest to it.

    Where a rod runs into a screw the longest run goes out of the one into the other, at a slant. So
    each voxel goes to the stretch it lies nearest to, in radii, and each stretch anew through the
    centres of its own voxels; a few times over (k-means with lines for means). A sliver of a thicker
    stretch, left when the longest run was taken out at a slant, is dropped.

    Parameters
    ----------
    segments : list of Segment
        Rough stretches.
    points_mm : ndarray, shape (N, 3)
        Centres of all metal voxels, patient mm (LPS).
    voxel_mm3 : float
        Volume of a voxel.
    """
    drawn = _drawn_anew(segments, points_mm, voxel_mm3)
    whole = [s for s in drawn if not any(_is_sliver(s, other) for other in drawn)]
    return drawn if len(whole) == len(drawn) else _drawn_anew(whole, points_mm, voxel_mm3)


def _is_sliver(segment: Segment, other: Segment) -> bool:
    """Whether a stretch is much thinner than another and lies along its surface."""
    along = np.linspace(segment.start_mm, segment.end_mm, 5)
    is_beside = np.mean(other.distance_mm(along)) < other.radius_mm + segment.radius_mm + _BESIDE_MM
    return bool(is_beside and segment.radius_mm < _SLIVER * other.radius_mm)


def _drawn_anew(segments: list[Segment], points_mm: NDArray[np.float64], voxel_mm3: float) -> list[Segment]:
    for _ in range(_ROUNDS if len(segments) > 1 else 0):
        away = np.stack([s.distance_mm(points_mm) / s.radius_mm for s in segments])
        owner = np.where(away.min(axis=0) < _OWN_RADII, away.argmin(axis=0), -1)
        segments = [_redrawn(s, points_mm[owner == k], voxel_mm3) for k, s in enumerate(segments)]
    return segments


def _redrawn(segment: Segment, own_mm: NDArray[np.float64], voxel_mm3: float) -> Segment:
    """Draw a segment through the middles of its voxels, millimetre by millimetre; strays have no say."""
    if len(own_mm) < _FEWEST_OWN:
        return segment
    bins = np.floor(segment.line.depth_mm(own_mm) / _BIN_MM).astype(int)
    bins -= bins.min()
    counts = np.bincount(bins)
    full = counts > _FULL_BIN * np.median(counts[counts > 0])
    centres = np.stack([np.bincount(bins, own_mm[:, c]) for c in range(3)], axis=1)[full] / counts[full, None]
    if len(centres) < 3:
        return segment
    line = _principal(centres, segment.line.direction)
    for _ in range(3):
        stray = line.distance_mm(centres)
        kept = centres[stray <= max(_STRAYS * float(np.median(stray)), _LEAST_STRAY_MM)]
        if len(kept) < 3:
            return segment
        line = _principal(kept, segment.line.direction)
    depth = line.depth_mm(own_mm)
    low, high = np.quantile(
        depth[line.distance_mm(own_mm) < _OWN_RADII * segment.radius_mm], [_TAIL, 1 - _TAIL]
    )
    radius = float(np.sqrt(len(own_mm) * voxel_mm3 / (np.pi * max(high - low, _BIN_MM))))
    return Segment(line.point_mm + low * line.direction, line.point_mm + high * line.direction, radius)


def _segment(points_mm: NDArray[np.float64], line: Line, voxel_mm3: float) -> Segment | None:
    depth = line.depth_mm(points_mm)
    low, high = float(depth.min()), float(depth.max())
    length = high - low
    if length < _SHORTEST_MM:
        return None
    radius = float(np.sqrt(len(points_mm) * voxel_mm3 / (np.pi * length)))
    if length < 2.5 * radius:
        return None
    return Segment(line.point_mm + low * line.direction, line.point_mm + high * line.direction, radius)


def _is_rim(segment: Segment, longer: Segment) -> bool:
    """Whether a short stretch is only the rim of a head, left when the shaft was taken out."""
    middle = (segment.start_mm + segment.end_mm) / 2.0
    away = float(longer.distance_mm(middle))
    return segment.length_mm < _RIM_MM and away < _RIM_RADII * longer.radius_mm


def _near(
    points_mm: NDArray[np.float64], line: Line, low: float, high: float, reach_mm: float
) -> NDArray[np.bool_]:
    depth = line.depth_mm(points_mm)
    along = (depth >= low - _BIN_MM) & (depth <= high + _BIN_MM)
    away = line.distance_mm(points_mm)
    # a screw's own half width, not that of a neighbour it touches
    radius = 2.0 * float(np.median(away[along & (away < 2.0 * _TUBE_MM + reach_mm)]))
    return np.asarray(along & (away < max(radius, reach_mm)))


def _longest_run(
    points_mm: NDArray[np.float64], taken_mm: NDArray[np.float64], reach_mm: float
) -> tuple[Line, float, float]:
    """Return the line whose tube holds the longest run without a hole, and the run's ends."""
    rng = np.random.default_rng(0)  # fixed: same input, same answer
    tube = max(_TUBE_MM, 0.75 * reach_mm)
    sample, before = _some(points_mm, rng), _some(taken_mm, rng)
    best = _principal(sample)
    best_score, low, high = _run(sample, before, best, tube, reach_mm)
    is_one = float(np.mean(best.distance_mm(sample) < 1.5 * tube)) > _ALL_OF_IT
    for _ in range(0 if is_one else _TRIES):
        a, b = rng.choice(len(sample), 2, replace=False)
        if np.linalg.norm(sample[b] - sample[a]) < _SHORTEST_MM:
            continue
        line = Line(sample[a], sample[b] - sample[a])
        score, a_mm, b_mm = _run(sample, before, line, tube, reach_mm)
        if score > best_score:
            best, best_score, low, high = line, score, a_mm, b_mm
    for _ in range(3):
        inside = _near(points_mm, best, low, high, reach_mm)
        best = _principal(points_mm[inside], best.direction)
        _, low, high = _run(points_mm, before, best, tube, reach_mm)
    return best, low, high


def _some(points_mm: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    if len(points_mm) <= _SAMPLE:
        return points_mm
    return np.asarray(points_mm[rng.choice(len(points_mm), _SAMPLE, replace=False)])


def _principal(points_mm: NDArray[np.float64], along: NDArray[np.float64] | None = None) -> Line:
    centre = points_mm.mean(axis=0)
    _, _, axes = np.linalg.svd(points_mm - centre, full_matrices=False)
    axis = unit(axes[0])
    return Line(centre, axis if along is None or axis @ along > 0 else -axis)


def _run(
    points_mm: NDArray[np.float64],
    taken_mm: NDArray[np.float64],
    line: Line,
    tube_mm: float,
    reach_mm: float,
) -> tuple[float, float, float]:
    """Return score, start and end of the longest run of occupied bins along a line, mm.

    What was taken out before fills holes: a bar goes on behind the one it crosses. The score is the
    length occupied plus a little for how full the tube is, which settles ties.
    """
    step = max(_BIN_MM, reach_mm)
    depth, away = line.depth_mm(points_mm), line.distance_mm(points_mm)
    inside = away < tube_mm
    if not inside.any():
        return 0.0, 0.0, 0.0
    own = np.unique(np.floor(depth[inside] / step).astype(int))
    before = line.depth_mm(taken_mm[line.distance_mm(taken_mm) < tube_mm])
    bins = np.union1d(own, np.floor(before / step).astype(int))
    run = np.cumsum(np.r_[0, np.diff(bins) > _LARGEST_HOLE_BINS])[np.searchsorted(bins, own)]
    counts = np.bincount(run)
    own = own[run == int(np.argmax(counts))]
    low, high = float(own[0] * step), float((own[-1] + 1) * step)
    within = inside & (depth >= low) & (depth <= high)
    fullness = 1.0 - float(np.mean((away[within] / tube_mm) ** 2))
    return len(own) * step + 4.0 * fullness, low, high
