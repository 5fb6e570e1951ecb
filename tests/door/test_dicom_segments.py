"""The segmentation lies on the right voxels of the CT, on straight, leaning and oblique stacks."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import build_export
import build_reading as build
import numpy as np
import pytest
from highdicom.seg import Segmentation, segread
from numpy.typing import NDArray
from pydicom import dcmread

from ongrowth.reading import Case, NewBoneCells, Patient, Reading
from ongrowth.reports.dicom import Wanted, export_case, write_objects

GRIDS = ("axial", "leaning", "oblique")
MADE = dt.datetime(2031, 4, 30, 9, 30, tzinfo=dt.UTC)
RIPPLE_MM = 0.061  # the synthetic width maps vary by this much round the width of their sector
CELL_MM = 0.51  # half a cell of their depth
R = build.RADIUS_MM


@dataclass(frozen=True)
class Segmented:
    """A segmentation as a second library reads it, and the source images it is of."""

    seg: Segmentation
    reading: Reading
    places: NDArray[np.float64]  # patient mm of every voxel of the source images, from their headers
    uids: list[str]

    def mask(self, label: str) -> NDArray[np.bool_]:
        """Voxels of a segment on the source images, in the order of `places`."""
        number = next(
            n for n in self.seg.segment_numbers if self.seg.get_segment_description(n).segment_label == label
        )
        return self.seg.get_pixels_by_source_instance(
            self.uids, segment_numbers=[number], assert_missing_frames_are_empty=True
        )[..., 0].astype(bool)


BONE_MM, BONE_RADIUS_MM, BONE_CELL_MM = np.array([4.0, 2.0, -3.0]), 3.0, 0.5


def new_bone(reading: Reading) -> NewBoneCells:
    """A ball of new bone away from both screws."""
    steps = np.arange(-BONE_RADIUS_MM, BONE_RADIUS_MM + 0.1, BONE_CELL_MM)
    grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    ball = grid[np.linalg.norm(grid, axis=1) <= BONE_RADIUS_MM]
    return NewBoneCells("left", "w02", reading.scan.id, BONE_MM + ball, BONE_CELL_MM)


def case_of(reading: Reading) -> Case:
    bone = (new_bone(reading),)
    return Case(Patient(site="L5"), (reading,), reading.findings, reading.summary, new_bone_cells=bone)


def places_of(folder: Path) -> tuple[NDArray[np.float64], list[str]]:
    """Patient mm of all voxels by the equation of the standard (PS3.3 C.7.6.2.1.1), and the UIDs."""
    places, uids = [], []
    for file in sorted(folder.glob("*.dcm")):
        header = dcmread(file, stop_before_pixels=True)
        along_row, along_column = np.reshape(np.array(header.ImageOrientationPatient, dtype=float), (2, 3))
        down, across = (float(v) for v in header.PixelSpacing)
        j, i = np.meshgrid(np.arange(header.Rows), np.arange(header.Columns), indexing="ij")
        origin = np.array(header.ImagePositionPatient, dtype=float)
        places.append(origin + (i * across)[..., None] * along_row + (j * down)[..., None] * along_column)
        uids.append(str(header.SOPInstanceUID))
    return np.array(places), uids


@pytest.fixture(scope="module", params=GRIDS)
def segmented(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Segmented:
    made = build_export.export_on(request.param, tmp_path_factory.mktemp(request.param))
    export = export_case(case_of(made.reading), MADE, Wanted(("seg",)))
    (file,) = write_objects(export.objects, made.folder / "out")
    places, uids = places_of(made.images)
    return Segmented(segread(file), made.reading, places, uids)


def cylindrical(segmented: Segmented, side: str) -> tuple[NDArray[np.float64], ...]:
    """Radius, angle and depth of every voxel about a screw, from its two ends alone."""
    head, tip = np.array(build.HEADS[side]), np.array(build.TIPS[side])
    axis = (tip - head) / np.linalg.norm(tip - head)
    away = segmented.places - head
    depth = away @ axis
    across = away - depth[..., None] * axis
    up = np.array([0.0, 1.0, 0.0])
    if abs(axis @ up) > np.cos(np.radians(25.0)):
        up = np.array([0.0, 0.0, 1.0])
    zero = up - (up @ axis) * axis
    zero /= np.linalg.norm(zero)
    angle = np.degrees(np.arctan2(across @ np.cross(axis, zero), across @ zero)) % 360.0
    return np.linalg.norm(across, axis=-1), angle, depth


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_screw_is_all_voxels_within_its_envelope(segmented: Segmented, side: str) -> None:
    radius, _, depth = cylindrical(segmented, side)
    length = float(np.linalg.norm(np.array(build.TIPS[side]) - np.array(build.HEADS[side])))
    mask = segmented.mask(f"L5 {side} screw")
    slack = 1e-4
    surely = (radius < R - slack) & (depth > slack) & (depth < length - slack)
    never = (radius > R + slack) | (depth < -slack) | (depth > length + slack)
    assert mask[surely].all()
    assert not mask[never].any()
    assert surely.sum() > 2000


def test_an_even_halo_is_a_shell_on_its_own_side_only(segmented: Segmented) -> None:
    radius, _, depth = cylindrical(segmented, "left")
    mask = segmented.mask("L5 left halo, lamina side (screw head)")
    gap_from = build.DEFECT_DEPTH_MM - build.GAP_MM / 2.0
    surely = (
        (radius > R + 1e-4)
        & (radius < R + 0.7 - RIPPLE_MM)
        & (depth > 1e-4)
        & (depth < gap_from - 2.0 * CELL_MM)
    )
    never = (radius < R - 1e-4) | (radius > R + 0.7 + RIPPLE_MM) | (depth > gap_from + 2.0 * CELL_MM)
    assert mask[surely].all()
    assert not mask[never].any()
    assert surely.sum() > 300


def test_a_one_sided_halo_is_wide_where_it_was_measured_wide(segmented: Segmented) -> None:
    radius, angle, depth = cylindrical(segmented, "left")
    mask = segmented.mask("L5 left halo, pedicle side (screw tip)")
    on_tip_side = (depth > build.DEFECT_DEPTH_MM + build.GAP_MM / 2.0 + 1.0) & (depth < 28.0)
    for k, width_mm in enumerate(build_export.ONE_SIDED):
        here = on_tip_side & (np.abs((angle - 45.0 * k + 180.0) % 360.0 - 180.0) < 4.0)
        slack = RIPPLE_MM + 0.25  # the map goes from sector to sector within half a cell of 15 degrees
        assert mask[here & (radius > R + 1e-4) & (radius < R + width_mm - slack)].all(), k
        assert not mask[here & (radius > R + width_mm + slack)].any(), k
    hidden = (depth > 32.0) & (np.abs(angle - 200.0) < 10.0)
    assert not mask[hidden].any()  # not measured there, so nothing is drawn


def test_gap_and_bridge_share_the_section_without_the_metal(segmented: Segmented) -> None:
    frame = build.make_frame("left")
    away = segmented.places - frame.world(0.0, 0.0, build.DEFECT_DEPTH_MM)
    height, u, v = (away @ d for d in (frame.axis_direction, frame.zero_direction, frame.quarter_direction))
    gap, bridge = segmented.mask("L5 left gap"), segmented.mask("L5 left bridged bone")
    screw = segmented.mask("L5 left screw")
    inside = ((u / 5.4) ** 2 + (v / 4.4) ** 2 < 1.0) & (np.hypot(u, v) > R + 1.0)
    low = v[bridge].max()  # bone bridges the section below this line
    flat = np.abs(height) < build.GAP_MM / 2.0 - 0.7  # the gap varies by 0.6 mm along u
    assert gap[inside & flat & (v > low + 0.5)].all()
    assert bridge[inside & flat & (v < low - 0.5)].all()
    assert not (gap | bridge)[np.abs(height) > build.GAP_MM / 2.0 + 0.7].any()
    assert not (gap & bridge).any()
    assert not ((gap | bridge) & screw).any()
    assert gap.sum() > 200
    assert bridge.sum() > 50


def test_a_side_that_was_not_measured_has_no_segment(segmented: Segmented) -> None:
    labels = {segmented.seg.get_segment_description(n).segment_label for n in segmented.seg.segment_numbers}
    assert "L5 right halo, pedicle side (screw tip)" not in labels
    assert segmented.seg.SegmentationType == "BINARY"
    assert segmented.seg.SegmentsOverlap == "NO"


def test_frames_say_which_image_they_are_of_and_where_it_lies(segmented: Segmented) -> None:
    by_uid = dict(zip(segmented.uids, segmented.places[:, 0, 0], strict=True))
    for frame in segmented.seg.PerFrameFunctionalGroupsSequence:
        image = frame.DerivationImageSequence[0].SourceImageSequence[0].ReferencedSOPInstanceUID
        position = np.array(frame.PlanePositionSequence[0].ImagePositionPatient, dtype=float)
        assert position == pytest.approx(by_uid[image], abs=1e-6)


def test_all_frames_gives_one_frame_per_slice_and_part(tmp_path: Path) -> None:
    made = build_export.export_on("axial", tmp_path, screws=1)
    few = export_case(case_of(made.reading), MADE, Wanted(("seg",))).objects[0].dataset
    every = export_case(case_of(made.reading), MADE, Wanted(("seg",), all_frames=True)).objects[0].dataset
    assert every.NumberOfFrames == build_export.SHAPE[0] * len(every.SegmentSequence)
    assert few.NumberOfFrames < every.NumberOfFrames
    assert few.SOPInstanceUID != every.SOPInstanceUID
    assert int(few.pixel_array.sum()) == int(every.pixel_array.sum())


def test_new_bone_lies_where_it_was_found(segmented: Segmented) -> None:
    labels = [segmented.seg.get_segment_description(n).segment_label for n in segmented.seg.segment_numbers]
    (label,) = [one for one in labels if "new bone since scan w02" in one]
    mask = segmented.mask(label)
    away = np.linalg.norm(segmented.places - BONE_MM, axis=-1)
    assert mask[away < BONE_RADIUS_MM - BONE_CELL_MM].all()
    assert not mask[away > BONE_RADIUS_MM + BONE_CELL_MM].any()
    voxel_mm3 = build_export.PIXEL_MM**2 * build_export.GAP_MM
    ball_mm3 = 4.0 / 3.0 * np.pi * BONE_RADIUS_MM**3
    assert mask.sum() * voxel_mm3 == pytest.approx(ball_mm3, rel=0.2)  # a cell more or less all round
