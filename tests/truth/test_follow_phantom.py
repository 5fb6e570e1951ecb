"""Two CTs of one drawn patient who lies anew: what is carried over by the bone lies where it was drawn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import build_reading as build
import numpy as np
import pytest

from ongrowth.case.compare import Comparison, Kept, compare
from ongrowth.defect import DefectPlane
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import ImplantReading, Reading
from ongrowth_phantoms.bone import Defect
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, later, pars_scene
from ongrowth_phantoms.series import write_dicom

BACK_OUT_MM = 0.6
LIES = RigidTransform.from_rotation_vector([0.06, -0.09, 0.08], [3.0, -5.0, 4.0])


def drawn_plane(scene: Scene) -> Plane:
    plane = scene.sites[0].plane()
    assert plane is not None
    return Plane(plane.point_mm, plane.normal)


def reading_of(scene: Scene, scan_id: str, weeks: float) -> Reading:
    """A reading with the drawn screw; its halo is made up, for here it is places that count."""
    screw = scene.screws[0]
    head, tip = np.array(screw.head_mm), np.array(screw.tip_mm)
    frame = ScrewFrame.of(head, tip)
    side = build.make_side(0.5)
    made = build.make_implant(side, side)
    found = replace(
        made.screw,
        head_mm=head,
        tip_mm=tip,
        major_diameter_mm=Measured.of(screw.major_diameter_mm, 0.02, Unit.MM),
        spec=replace(made.screw.spec, pitch_mm=screw.pitch_mm),
    )
    plane = drawn_plane(scene)
    sign = np.sign(plane.normal @ frame.axis_direction)
    defect = DefectPlane(Plane(plane.point_mm, sign * plane.normal), 1.5, "found", 1.0, 0.1)
    implant: ImplantReading = replace(made, frame=frame, screw=found, defect=defect, bridge=None)
    return build.make_reading(implant, weeks=weeks, scan_id=scan_id)


@pytest.fixture(scope="module")
def scenes() -> tuple[Scene, Scene]:
    first = pars_scene(11, halo=HaloField("even", 0.4), defect=Defect(gap_mm=1.5, seed=11))
    site = first.sites[0]
    assert site.screw is not None
    back = RigidTransform(np.eye(3), -BACK_OUT_MM * site.screw.axes[:, 2])
    now = later(first, 12, halo=HaloField("even", 0.9), renewed_share=0.2, screw_motion=back, lies=LIES)
    return first, now


@pytest.fixture(scope="module")
def compared(scenes: tuple[Scene, Scene], tmp_path_factory: pytest.TempPathFactory) -> Comparison:
    folder = tmp_path_factory.mktemp("followed")
    kept = []
    for k, (scene, name, weeks) in enumerate(zip(scenes, ("w05", "w14"), (5.0, 14.0), strict=True)):
        write_dicom(scan_fast(scene, FastProtocol(), seed=20 + k), Path(folder) / name, weeks=weeks)
        kept.append(Kept(Path(folder) / name, reading_of(scene, name, weeks)))
    return compare(*kept)


def test_the_plane_is_carried_to_where_it_was_drawn(
    scenes: tuple[Scene, Scene], compared: Comparison
) -> None:
    """Asked for: within 0.4 mm and 3 degrees. The plane given is the drawn one: only the carrying errs."""
    carried, drawn = compared.carried["left"].plane, drawn_plane(scenes[1])
    assert abs(float(drawn.height_mm(carried.point_mm))) < 0.1
    assert np.degrees(np.arccos(min(1.0, abs(float(drawn.normal @ carried.normal))))) < 0.5


def test_the_same_bone_lies_under_both_frames(scenes: tuple[Scene, Scene], compared: Comparison) -> None:
    """A place on the head-side bone, moved as drawn, must be met through turn and slide."""
    frames = [ScrewFrame.of(s.screws[0].head_mm, s.screws[0].tip_mm) for s in scenes]
    bone = frames[0].world(3.0, 40.0, 9.0)
    _, angle, depth = frames[1].cylindrical(LIES.apply(bone))
    placed = compared.placed["left"]
    turned = (40.0 + placed.turn_deg - float(angle) + 180.0) % 360.0 - 180.0
    assert abs(turned) < 1.0
    assert float(depth) == pytest.approx(9.0 + placed.slide_mm, abs=0.1)


def test_the_screw_is_told_to_have_backed_out_of_both_fragments(compared: Comparison) -> None:
    screw = [m for m in compared.motions if m.body == "screw"]
    assert [m.state for m in screw] == ["moved", "moved"]
    for motion in screw:
        along = motion.translation_mm[2]
        assert along.low95 - 0.02 <= -BACK_OUT_MM <= along.high95 + 0.02
    (bone,) = [m for m in compared.motions if m.body != "screw"]
    assert bone.state == "not shown to have moved"


def test_held_still_by_the_bone_the_screw_is_seen_to_move(compared: Comparison) -> None:
    """The metal's end lies BACK_OUT_MM nearer to the head; held still by the screw it lies where it lay."""
    ends = {}
    for one in compared.overlays:
        for when in (one.then, one.now):
            metal = (when.hu > 2000).any(axis=0)
            ends[one.held, when is one.now] = float(when.right_mm[metal].max())
    pixel_mm = 0.3
    assert ends["screw", True] == pytest.approx(ends["screw", False], abs=1.5 * pixel_mm)
    moved = ends["head side", False] - ends["head side", True]
    assert moved == pytest.approx(BACK_OUT_MM, abs=1.5 * pixel_mm)
