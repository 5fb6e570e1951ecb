"""What the fit works on: the voxels that can speak of the halo, its fields and their priors."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from ongrowth.defect import DefectPlane
from ongrowth.edge import Blur, Section
from ongrowth.frame import Patch, ScrewFrame, patch_cautions
from ongrowth.halo.field import NodeGrid, side_corners
from ongrowth.halo.fit import FieldPrior, Fields, Prior, Problem
from ongrowth.halo.hardening import Bar, hardening_shapes
from ongrowth.halo.model import PAST_REACH_MM, HaloModel, Rod
from ongrowth.halo.samples import Samples, Surroundings, gather, look_round
from ongrowth.scan import Scan
from ongrowth.screw import Screw

FloatArray = NDArray[np.float64]

_INTO_CORTEX_MM = 0.6
_LEAST_VOXELS = 500  # for a fit; a screw has many thousands
_DENSE_FACE_MM = 1.2  # of bone that turns dense at a defect, its roughness included; project's choice
_PAST_DEFECT_MM = 4.0  # an oblique defect crosses the far side of the screw that much later


@dataclass(frozen=True, slots=True)
class HaloSettings:
    """How the halo is read."""

    depth_step_mm: float = 1.5  # of the width nodes; near the blur, finer tells nothing more
    n_angles: int = 16
    bone_step_mm: float = 4.0
    n_bone_angles: int = 8
    reach_mm: float = 4.5  # beyond the envelope: halos of 3 mm and the bone behind them
    head_margin_mm: float = 1.2  # the screw head's own edge reaches this far along the shaft
    taper_mm: float = 3.0  # of the tip, where the envelope is no cylinder
    bone_look_mm: float = 0.8  # beyond the halo's outer edge: what counts as bone behind
    walk_mm: float = 0.22  # how much width may differ between neighbouring nodes (SD)
    rough_walk_mm: float = 0.45  # the same of a halo in patches
    seed: int = 20260301
    draws: int = 200
    left_out: tuple[Patch, ...] = ()  # by a reader: no voxel there has a say


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Voxels kept, their side, and what lies round the screw.

    Parameters
    ----------
    rod : Rod
        Cross-section of the screw.
    section : Section
        How it lies in the slices.
    e1_deg : float
        Direction of the section's ``e1`` in the frame of the screw, degrees.
    around : Surroundings
        Bone round it.
    samples : Samples
        Voxels kept.
    hardening : ndarray, shape (6, N)
        What hardening in metal does there, see `hardening_shapes`.
    is_tip : ndarray of bool, shape (N,)
        Which of them lie on the tip side.
    from_mm, to_mm : float
        Depths between which the envelope is a cylinder clear of the head.
    voxel_mm3 : float
        Volume of a voxel.
    one_of : int
        Of how many voxels one is kept.
    """

    rod: Rod
    section: Section
    e1_deg: float
    around: Surroundings
    samples: Samples
    hardening: FloatArray
    is_tip: NDArray[np.bool_]
    from_mm: float
    to_mm: float
    voxel_mm3: float
    one_of: int = 1

    def every(self, step: int) -> Scene:
        """Return the scene with every so many voxels only: neighbours say nearly the same thing."""
        chosen = np.zeros(self.is_tip.shape, bool)
        chosen[::step] = True
        return replace(
            self, samples=self.samples.take(chosen), hardening=self.hardening[:, chosen],
            is_tip=self.is_tip[chosen], one_of=self.one_of * step,
        )  # fmt: skip


def set_scene(
    scan: Scan,
    screw: Screw,
    frame: ScrewFrame,
    defect: DefectPlane | None,
    blur: Blur,
    settings: HaloSettings,
) -> Scene:
    """Collect the voxels that can speak of the halo."""
    rod = Rod.of(screw)
    section = Section.of(frame.axis_direction, scan.slice_normal)
    e1_deg = float(
        np.degrees(np.arctan2(section.e1 @ frame.quarter_direction, section.e1 @ frame.zero_direction))
    )
    reach = rod.envelope_mm + settings.reach_mm
    around = look_round(scan, frame, rod.envelope_mm, reach)
    from_mm, to_mm = settings.head_margin_mm, frame.length_mm - settings.taper_mm
    voxels = gather(scan, frame, reach, from_mm, to_mm)
    radius = np.hypot(voxels.x_mm, voxels.y_mm)
    angle = np.degrees(np.arctan2(voxels.y_mm, voxels.x_mm)) % 360.0
    fwhm = blur.in_plane_fwhm_mm
    end = around.at(around.end_mm, voxels.depth_mm, angle) + 0.5 * fwhm
    # what lies deep in dense bone says nothing of the halo
    end = np.minimum(end, around.at(around.cortex_mm, voxels.depth_mm, angle) + _INTO_CORTEX_MM + 0.6 * fwhm)
    in_metal = radius < rod.envelope_mm - 0.2
    with np.errstate(invalid="ignore"):
        in_bone = radius < end
    is_tip = np.zeros(radius.shape, bool)
    if defect is not None:
        height = defect.plane.height_mm(frame.world(radius, angle, voxels.depth_mm))
        half = 0.0 if np.isnan(defect.gap_mm) else defect.gap_mm / 2.0
        in_bone &= np.abs(height) > half + _DENSE_FACE_MM + 0.8 * fwhm
        is_tip = height > 0
    keep = in_metal | in_bone
    told = keep & (patch_cautions(settings.left_out, voxels.depth_mm, angle) == 0)
    keep = told if told.sum() >= _LEAST_VOXELS else keep  # where all is left out, no cell is measured anyway
    samples = voxels.take(keep)
    shaft = Bar(np.zeros(3), np.array([0.0, 0.0, frame.length_mm]), rod.middle_mm)
    hardening = hardening_shapes(
        shaft, samples.places_mm, frame.world_from_screw.inverse().turn(scan.slice_normal)
    )
    return Scene(
        rod, section, e1_deg, around, samples, hardening, is_tip[keep], from_mm, to_mm, scan.voxel_mm3
    )  # fmt: skip


def make_fields(
    scene: Scene, defect_depth_mm: float, settings: HaloSettings, *, coarse: bool = False, rough: bool = False
) -> Fields:
    """Return node grids and priors; coarse ones for the first look, rough ones for a halo in patches."""
    low, high = scene.from_mm, scene.to_mm
    cut_head = np.clip(defect_depth_mm + _PAST_DEFECT_MM, low + 2.0, high)
    cut_tip = np.clip(defect_depth_mm - _PAST_DEFECT_MM, low, high - 2.0)
    step, n_angles = (12.0, 4) if coarse else (settings.depth_step_mm, settings.n_angles)
    bone_step, n_bone = (12.0, 4) if coarse else (settings.bone_step_mm, settings.n_bone_angles)
    width = (
        NodeGrid.spanning(low, cut_head, step, n_angles),
        NodeGrid.spanning(cut_tip, high, step, n_angles),
    )
    bone = (
        NodeGrid.spanning(low, cut_head, bone_step, n_bone),
        NodeGrid.spanning(cut_tip, high, bone_step, n_bone),
    )
    walk = settings.rough_walk_mm if rough else settings.walk_mm * (2.5 if coarse else 1.0)
    around = scene.around
    places = [_places(g) for g in width]
    cortex, end = (
        np.concatenate([_seen(scene, what, *p) for p in places]) for what in (around.cortex_mm, around.end_mm)
    )
    outer = np.concatenate([scene.rod.outer_mm(depth) for depth, _ in places])
    valley = np.concatenate([scene.rod.valley_mm(depth) for depth, _ in places])
    n_wide, n_broad = len(cortex), sum(g.size for g in bone)

    def prior(
        grids: tuple[NodeGrid, NodeGrid], mean: FloatArray | float, spread: float, step: float
    ) -> FieldPrior:
        n = n_wide if grids is width else n_broad
        smooth = linalg.block_diag(*(g.smoothness(step, step) for g in grids))
        return FieldPrior(np.broadcast_to(mean, n).astype(np.float64), smooth + np.eye(n) / spread**2)

    priors = {
        "lucent_mm": prior(width, 0.0, 100.0, walk),
        "cortex_mm": prior(width, cortex, 0.4, 0.5),
        "end_mm": prior(width, end, 0.4, 0.5),
        "bone_hu": prior(bone, around.bone_hu, 45.0, 50.0),
        "slope_hu_per_mm": prior(bone, 0.0, 30.0, 40.0),
        "rise_hu": prior(bone, around.cortex_hu - around.bone_hu, 300.0, 150.0),
        "soft_hu": prior(bone, around.soft_hu, 60.0, 60.0),
    }
    return Fields(width, bone, priors, outer, valley, np.zeros(n_wide))


def _places(grid: NodeGrid) -> tuple[FloatArray, FloatArray]:
    """Return depth and angle of the nodes."""
    depth, angle = np.meshgrid(grid.depth_mm, grid.angle_deg, indexing="ij")
    return depth.ravel(), angle.ravel()


def _seen(scene: Scene, what: FloatArray, depth_mm: FloatArray, angle_deg: FloatArray) -> FloatArray:
    """Return an edge of the surroundings at places, mm; beyond reach where there is none."""
    edge = scene.around.at(what, depth_mm, angle_deg)
    beyond = scene.around.radius_mm[-1] + PAST_REACH_MM
    return np.where(edge < scene.around.radius_mm[-1], edge, beyond)


def pose_problem(
    scene: Scene,
    fields: Fields,
    base: Blur,
    prior: Prior,
    length_mm: float,
    settings: HaloSettings,
) -> Problem:
    """Return the fit of a scene: model, bases and priors."""
    s = scene.samples
    angle = np.degrees(np.arctan2(s.y_mm, s.x_mm)) % 360.0
    model = HaloModel(
        s,
        scene.is_tip,
        scene.rod,
        base,
        scene.section,
        scene.e1_deg,
        length_mm,
        scene.rod.envelope_mm + settings.reach_mm,
        scene.hardening,
    )
    return Problem(
        model,
        fields,
        side_corners(fields.width, s.depth_mm, angle, scene.is_tip),
        side_corners(fields.bone, s.depth_mm, angle, scene.is_tip),
        prior,
    )
