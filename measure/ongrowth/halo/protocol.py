"""Measure the blur of a protocol on a screw or rod in water or gel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.calibration import Calibration, Protocol
from ongrowth.edge import Blur, Section
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import lock_arrays, unit
from ongrowth.halo.field import NodeGrid, side_corners
from ongrowth.halo.fit import (
    FIELDS,
    FieldPrior,
    Fields,
    Prior,
    Problem,
    State,
    Weighting,
    normal_at,
    solve,
    variance_by_distance,
)
from ongrowth.halo.hardening import Bar, hardening_shapes
from ongrowth.halo.model import BLUR, CREST, METAL, PAST_REACH_MM, RAMP, VALLEY_MM, HaloModel, Rod, blur_of
from ongrowth.halo.prior import guess_blur, metal_guess_hu, shared_prior
from ongrowth.halo.samples import Samples, gather
from ongrowth.scan import Acquisition, Scan, refuse
from ongrowth.screw import ScrewSpec, metal_level_hu, metal_mask

FloatArray = NDArray[np.float64]

_REACH_MM = 4.5
_END_MARGIN_MM = 4.0  # a screw's head and taper, and the ends' own blur
_LEAST_LENGTH_MM = 12.0
_UPRIGHT_COS = 0.97  # steeper on the slices, the rod shows nothing of the slice profile
_FLAT_COS = 0.2  # flatter, nothing of the in-plane blur across both directions
_LARGEST_MISFIT = 0.02  # of the metal's level
_LARGEST_LEVEL_SD = 4.0  # from what the metal reads at this voltage; project's choice
_DILUTION = 6.0
_OVERSHOOTS = (0.0, 1.5)  # a smooth and an edge-enhancing kernel to start from
# What a rod in water cannot tell of a screw in bone, as SD of ln f0, ln p, b, ln slice width, c, d1 and d2:
# focal spot and place in the field change a blur by some percent (project's choice; phantoms, which lack
# both, would bear less).
TRANSFER_SD = np.array([0.03, 0.05, 0.1, 0.035, 0.06, 0.012, 0.02])


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationFit:
    """A calibration with the profile that shows whether it fits.

    Parameters
    ----------
    calibration : Calibration
        The result.
    radius_mm, measured_hu, model_hu : ndarray, shape (R,)
        Mean profile across the rod.
    """

    calibration: Calibration
    radius_mm: FloatArray
    measured_hu: FloatArray
    model_hu: FloatArray

    def __post_init__(self) -> None:
        lock_arrays(self)


def measure_calibration(scan: Scan, spec: ScrewSpec) -> CalibrationFit:
    """Measure the blur of a scan on the longest piece of metal in it.

    Parameters
    ----------
    scan : Scan
        A screw or a rod in water or gel, tilted by 15 to 75 degrees against the slice normal.
    spec : ScrewSpec
        Its major and root diameter (equal, or root not given: a smooth rod) and pitch.

    Raises
    ------
    Refused
        ``calibration-diameter`` without a diameter; ``calibration-rod`` where no rod is found;
        ``calibration-tilt`` where it cannot tell the blur; ``calibration-metal`` where only another metal
        fits; ``calibration-misfit`` where the model does not describe the scan.
    """
    if not np.isfinite(spec.major_diameter_mm):
        raise refuse(
            "calibration-diameter",
            "A calibration needs the diameter of the rod or screw.",
            "Give --diameter.",
        )
    frame = _find_rod(scan)
    section = Section.of(frame.axis_direction, scan.slice_normal)
    if not _FLAT_COS < abs(section.cos_tilt) < _UPRIGHT_COS:
        raise refuse(
            "calibration-tilt",
            "The rod stands upright on the slices or lies in them: the scan cannot show its blur both ways.",
            "Scan it tilted by 30 to 60 degrees against the table.",
        )
    rod = _rod(spec)
    samples = gather(scan, frame, rod.envelope_mm + _REACH_MM, 0.0, frame.length_mm)
    prior = _prior(samples, rod, spec, scan.acquisition)
    problem = _problem(samples, rod, prior, guess_blur(scan), section, frame, scan.slice_normal)
    start = State.expected(problem.prior, problem.fields)
    rough = Weighting(np.full(len(samples.hu), 100.0**2), _DILUTION, huber=np.inf)
    starts = [replace(start, shared=replace(start.shared, overshoot=b)) for b in _OVERSHOOTS]
    found = min((solve(problem, s, rough, steps=20) for s in starts), key=lambda t: t.cost)
    residual, distance = _residual(problem, found.state), _distance(problem, found.state)
    variance = variance_by_distance(residual, distance, 10.0, samples.is_clipped)
    weighting = Weighting(variance, _DILUTION, huber=np.inf)
    found = solve(problem, found.state, weighting, steps=20)
    _, _, precision = normal_at(problem, found.state, weighting).eliminate(problem.layout.order)
    covariance = np.asarray(np.linalg.inv(precision))
    return _report(scan, spec, problem, found.state, covariance[BLUR, BLUR])


def _find_rod(scan: Scan) -> ScrewFrame:
    everywhere = tuple(slice(0, n) for n in scan.hu.shape)
    labels, _ = ndimage.label(metal_mask(scan, (everywhere[0], everywhere[1], everywhere[2])))
    best, length = None, 0.0
    for label, box in enumerate(ndimage.find_objects(labels), start=1):
        index = np.argwhere(labels[box] == label)
        if len(index) < 30:
            continue
        points = scan.world_mm(index + [s.start for s in box])
        _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
        along = (points - points.mean(axis=0)) @ unit(axes[0])
        if np.ptp(along) > length:
            length = float(np.ptp(along))
            low, high = along.min() + _END_MARGIN_MM, along.max() - _END_MARGIN_MM
            best = (points.mean(axis=0) + low * axes[0], points.mean(axis=0) + high * axes[0])
    if best is None or length < _LEAST_LENGTH_MM + 2.0 * _END_MARGIN_MM:
        raise refuse(
            "calibration-rod",
            f"No metal rod of at least {_LEAST_LENGTH_MM + 2.0 * _END_MARGIN_MM:.0f} mm lies in the scan.",
            "Scan a screw or rod of known diameter in water, whole inside the field of view.",
        )
    return ScrewFrame.of(*best)


def _rod(spec: ScrewSpec) -> Rod:
    envelope = spec.major_diameter_mm / 2.0
    is_smooth = not spec.root_diameter_mm < spec.major_diameter_mm
    root = envelope - 0.05 if is_smooth else spec.root_diameter_mm / 2.0
    return Rod(
        envelope,
        root,
        spec.cannula_diameter_mm / 2.0,
        np.nan,
        -np.inf,
        np.nan if is_smooth else spec.pitch_mm,
    )


def _prior(samples: Samples, rod: Rod, spec: ScrewSpec, made: Acquisition) -> Prior:
    prior = shared_prior(None, *metal_guess_hu(samples, rod.root_mm, spec.material, made))
    if spec.root_diameter_mm < spec.major_diameter_mm:
        return prior
    mean, precision = prior.mean.copy(), prior.precision.copy()
    mean[[RAMP, CREST]] = 0.0, 1.0  # a smooth rod has no thread
    precision[RAMP, RAMP] = precision[CREST, CREST] = 1.0 / 0.02**2
    return Prior(mean, precision)


def _problem(
    samples: Samples,
    rod: Rod,
    prior: Prior,
    base: Blur,
    section: Section,
    frame: ScrewFrame,
    slice_normal: FloatArray,
) -> Problem:
    e1_deg = float(
        np.degrees(np.arctan2(section.e1 @ frame.quarter_direction, section.e1 @ frame.zero_direction))
    )
    reach = rod.envelope_mm + _REACH_MM
    along, margin = np.array([0.0, 0.0, 1.0]), _END_MARGIN_MM
    bar = Bar(-margin * along, (frame.length_mm + margin) * along, rod.middle_mm)
    hardening = hardening_shapes(bar, samples.places_mm, frame.world_from_screw.inverse().turn(slice_normal))
    on_head_side = np.zeros(len(samples.hu), bool)
    model = HaloModel(samples, on_head_side, rod, base, section, e1_deg, frame.length_mm, reach, hardening)
    grid = NodeGrid.spanning(0.0, frame.length_mm, frame.length_mm, 4)
    n = 2 * grid.size
    pinned = np.eye(n) * 1e12  # water has no halo, no dense bone, no end and no slope
    nothing, far = FieldPrior(np.zeros(n), pinned), FieldPrior(np.full(n, reach + PAST_REACH_MM), pinned)
    level = FieldPrior(np.zeros(n), np.eye(n) / 60.0**2)
    priors = dict.fromkeys(FIELDS, nothing) | {"cortex_mm": far, "end_mm": far, "bone_hu": level}
    fields = Fields(
        (grid, grid), (grid, grid), priors, np.full(n, rod.envelope_mm), np.full(n, VALLEY_MM), np.zeros(n)
    )
    angle_deg = np.degrees(np.arctan2(samples.y_mm, samples.x_mm))
    corners = side_corners((grid, grid), samples.depth_mm, angle_deg, on_head_side)
    return Problem(model, fields, corners, corners, prior)


def _residual(problem: Problem, state: State) -> FloatArray:
    return problem.residual(problem.render(state).image)


def _distance(problem: Problem, state: State) -> FloatArray:
    return problem.model.polar(state.shared)[0] - problem.model.rod.envelope_mm


def _must_be_its_metal(metal_hu: float, spec: ScrewSpec, made: Acquisition) -> None:
    """Refuse a rod that fits only as another metal: with a wrong diameter blur and level make up for it."""
    usual_hu, spread_hu = metal_level_hu(spec.material, made)
    if abs(metal_hu - usual_hu) > _LARGEST_LEVEL_SD * spread_hu:
        raise refuse(
            "calibration-metal",
            f"With the stated diameter the rod would read {metal_hu:.0f} HU inside, "
            f"where {spec.material} reads about {usual_hu:.0f} HU.",
            "Check the diameters and the material.",
        )


def _report(
    scan: Scan, spec: ScrewSpec, problem: Problem, state: State, covariance: FloatArray
) -> CalibrationFit:
    samples, radius = problem.model.samples, problem.model.polar(state.shared)[0]
    image = problem.render(state).image
    edges = np.arange(0.0, problem.model.rod.envelope_mm + _REACH_MM, 0.2)
    which = np.digitize(radius, edges) - 1
    shown = np.where(samples.is_clipped, np.nan, samples.hu)
    expected = np.where(samples.is_clipped, np.nan, image)
    bins = [b for b in range(len(edges)) if np.isfinite(shown[which == b]).sum() > 10]
    measured = np.array([np.nanmean(shown[which == b]) for b in bins])
    model = np.array([np.nanmean(expected[which == b]) for b in bins])
    metal = state.shared.vector()[METAL]
    misfit = float(np.abs(measured - model).max() / metal)
    _must_be_its_metal(float(metal), spec, scan.acquisition)
    if misfit > _LARGEST_MISFIT:
        raise refuse(
            "calibration-misfit",
            f"The scan differs from a blurred rod by {100 * misfit:.1f} % of the metal's level.",
            "Check the diameters and the pitch; use water or gel without bubbles, and an unreduced series.",
        )
    calibration = Calibration(
        blur_of(problem.model.base, state.shared),
        covariance + np.diag(TRANSFER_SD**2),
        Protocol.of(scan.acquisition),
        metal_hu=float(metal),
        metal_u_hu=0.05 * float(metal),
        material=spec.material,
        misfit_share=misfit,
    )
    return CalibrationFit(calibration, edges[bins] + 0.1, measured, model)
