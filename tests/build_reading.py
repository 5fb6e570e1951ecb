"""Readings with known content, built without any measuring, for tests of what comes after it."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ongrowth.bridge import Bridge, BridgeMap, BridgePiece, Edge
from ongrowth.defect import DefectPlane, Side
from ongrowth.findings import Windows, answer, judge, judge_changes, judge_motions, shipped_windows
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, RigidTransform
from ongrowth.halo import Halo, HaloMap, HaloSummary, Rim, most_prominent
from ongrowth.motion import Motion, Registered, ScrewMotion
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import (
    BonePlace,
    Case,
    DoseFacts,
    ImplantReading,
    Limit,
    NewBoneRecord,
    Patient,
    Prediction,
    Provenance,
    Reading,
    ScanFacts,
    Source,
    WouldShow,
    case_dose,
    take_cuts,
    take_profiles,
    with_controls,
)
from ongrowth.scan import Acquisition, Level, Problem, Scan
from ongrowth.screw import Integrity, OtherMetal, Screw, ScrewSpec

NOT_MEASURED = Measured.missing(Unit.MM, Caution.NO_CONTRAST | Caution.STREAK)
LENGTH_MM = 42.0
RADIUS_MM = 2.0
DEFECT_DEPTH_MM = 16.0
GAP_MM = 2.4
HEADS = {"left": (14.0, 22.0, -6.0), "right": (-14.0, 22.0, -6.0)}
TIPS = {"left": (20.0, -16.0, 10.0), "right": (-20.0, -16.0, 10.0)}


def mm(value: float, u: float = 0.05, limit: float = 0.25) -> Measured:
    return Measured.of(value, u, Unit.MM, floor=0.0, limit=limit)


def share(value: float, u: float = 0.04) -> Measured:
    return Measured.of(value, u, Unit.ONE, floor=0.0, ceiling=1.0)


def make_side(
    width_mm: float,
    u_mm: float = 0.05,
    *,
    sectors_mm: tuple[float, ...] | None = None,
    lucent: float | None = None,
    rim: str = "not shown",
    shape: str | None = None,
) -> HaloSummary:
    """A side whose mean width is given; NaN makes it not measurable."""
    if math.isnan(width_mm):
        return missing_side()
    sectors = sectors_mm or (width_mm,) * 8
    over = float(np.mean(np.clip((np.array(sectors) - 0.5) / 0.2, 0.0, 1.0))) if lucent is None else lucent
    is_rim = rim == "present"
    return HaloSummary(
        mean_width=mm(width_mm, u_mm),
        p95_width=mm(max(sectors), 2 * u_mm),
        max_width=mm(max(sectors) * 1.1, 3 * u_mm),
        share_over_1mm=share(float(np.mean(np.array(sectors) > 1.0))),
        share_over_2mm=share(float(np.mean(np.array(sectors) > 2.0))),
        volume=Measured.of(width_mm * 220.0, u_mm * 220.0, Unit.MM3, floor=0.0),
        no_lucency_share=share(0.8 * (1.0 - over)),
        lucent_share=share(over, 0.02),
        undecided_share=share(0.2 * (1.0 - over)),
        no_lucency_length=mm(14.0 * (1.0 - over), 0.6, math.nan),
        longest_no_lucency=mm(9.0 * (1.0 - over), 0.6, math.nan),
        circumference_over_1mm_deg=Measured.of(
            360.0 * np.mean(np.array(sectors) > 1.0), 20.0, Unit.DEG, floor=0.0
        ),
        depth_over_1mm_mm=mm(14.0 * over if width_mm > 1 else 0.0, 0.8, math.nan),
        layer_hu=Measured.of(74.0, 22.0, Unit.HU),
        rim=Rim(
            rim,
            mm(0.8, 0.2, math.nan) if is_rim else Measured.missing(Unit.MM, Caution.NO_CONTRAST),
            Measured.of(900.0, 120.0, Unit.HU) if is_rim else Measured.missing(Unit.HU, Caution.NO_CONTRAST),
        ),
        sector_excess=most_prominent(
            [Measured.of(width - width_mm, 2 * u_mm, Unit.MM) for width in sectors], Caution.NONE
        ),
        shape=shape or ("none" if width_mm < 0.25 else "even" if sectors_mm is None else "one-sided"),
        counting_area_mm2=180.0,
        measured_share=0.91,
        detection_limit=Measured.of(0.25, 0.02, Unit.MM),
        sector_mean_width=tuple(mm(width, 2 * u_mm) for width in sectors),
    )


def missing_side(cautions: Caution = Caution.STREAK | Caution.DENSE_METAL) -> HaloSummary:
    side = make_side(0.5)
    gone = {
        name: Measured.missing(value.unit, cautions)
        for name in side.__slots__
        if isinstance(value := getattr(side, name), Measured)
    }
    nothing = Measured.missing(Unit.MM, Caution.STREAK)
    return replace(
        side,
        **gone,
        rim=Rim("not measurable", nothing, Measured.missing(Unit.HU, Caution.STREAK)),
        measured_share=0.0,
        sector_mean_width=(nothing,) * 8,
    )


def make_halo(head: HaloSummary, tip: HaloSummary, whole: HaloSummary | None = None) -> Halo:
    depth = np.arange(0.5, LENGTH_MM, 1.0)
    angle = np.arange(7.5, 360.0, 15.0)
    return Halo(_map(head, tip, depth, angle), whole or head, head, tip)


def _map(
    head: HaloSummary, tip: HaloSummary, depth: NDArray[np.float64], angle: NDArray[np.float64]
) -> HaloMap:
    side = np.full((depth.size, angle.size), Side.HEAD, dtype=np.int8)
    side[depth > DEFECT_DEPTH_MM - GAP_MM / 2] = Side.GAP
    side[depth > DEFECT_DEPTH_MM + GAP_MM / 2] = Side.TIP
    side[depth > LENGTH_MM - 2] = Side.OUTSIDE
    width = np.full(side.shape, np.nan)
    for part, cells in ((head, side == Side.HEAD), (tip, side == Side.TIP)):
        sectors = np.array([s.value for s in part.sector_mean_width])
        here = np.interp(angle, np.arange(0.0, 405.0, 45.0), np.r_[sectors, sectors[0]], period=360.0)
        ripple = 0.06 * np.sin(depth / 2.1)[:, None]
        width[cells] = (here[None, :] + ripple)[cells]
    cautions = np.where(side == Side.GAP, int(Caution.NEAR_GAP), 0).astype(np.int64)
    hidden = (depth[:, None] > 30) & (np.abs(angle[None, :] - 200) < 20)
    width[hidden] = np.nan
    cautions[hidden] = int(Caution.STREAK)
    return HaloMap(depth, angle, width, np.where(np.isfinite(width), 0.12, np.nan), side, cautions)


def make_screw(side: str = "left", state: str = "no interruption shown") -> Screw:
    broken = (
        Measured.of(0.9, 0.15, Unit.MM)
        if state == "interrupted"
        else Measured.of(0.0, 0.1, Unit.MM, floor=0.0)
    )
    bend = Measured.of(6.0, 0.5, Unit.DEG) if state == "bent" else Measured.of(0.2, 0.2, Unit.DEG, floor=0.0)
    head, tip = np.array(HEADS[side]), np.array(TIPS[side])
    return Screw(
        id=side,
        side=side,
        head_mm=head,
        tip_mm=tip,
        major_diameter_mm=Measured.of(2 * RADIUS_MM, 0.02, Unit.MM),
        root_diameter_mm=3.0,
        length_mm=Measured.of(float(np.linalg.norm(tip - head)), 0.2, Unit.MM),
        diameter_source="given",
        integrity=Integrity(state, 0.4, 17.0 if state != "no interruption shown" else math.nan, broken, bend),
        spec=ScrewSpec(id=side, surface="ha-coated"),
    )


def make_frame(side: str = "left") -> ScrewFrame:
    return ScrewFrame.of(HEADS[side], TIPS[side])


def make_defect(side: str = "left") -> DefectPlane:
    frame = make_frame(side)
    return DefectPlane(
        Plane(frame.world(0.0, 0.0, DEFECT_DEPTH_MM), frame.axis_direction), GAP_MM, "found", 1.5, 0.2
    )


def make_bridge(fraction: float, side: str = "left", u: float = 0.04) -> Bridge:
    u_mm, v_mm = np.arange(-6.0, 6.01, 0.4), np.arange(-5.0, 5.01, 0.4)
    grid_u, grid_v = np.meshgrid(u_mm, v_mm)
    inside = ((grid_u / 6) ** 2 + (grid_v / 5) ** 2 < 1) & (np.hypot(grid_u, grid_v) > RADIUS_MM)
    hidden = inside & (np.hypot(grid_u, grid_v) < RADIUS_MM + 0.5)
    order = np.where(inside, grid_v, np.nan)
    bridged = inside & (order <= (np.nanquantile(order, fraction) if fraction > 0 else -np.inf))
    gap = np.where(bridged, 0.0, GAP_MM + 0.1 * grid_u)
    frame = make_frame(side)
    return Bridge(
        defect=make_defect(side),
        gap_width_mean=Measured.of(GAP_MM, 0.1, Unit.MM),
        gap_width_max=Measured.of(GAP_MM + 0.6, 0.15, Unit.MM),
        bridged_fraction=share(fraction, u),
        bridge_count=Measured.of(1.0 if fraction > 0 else 0.0, 0.3, Unit.ONE, floor=0.0),
        smallest_bridge_shown_mm=0.8,
        cross_section_mm2=Measured.of(82.0, 3.0, Unit.MM2),
        hidden_by_metal=share(0.1, 0.02),
        gap_width_mean_open=Measured.of(GAP_MM, 0.1, Unit.MM),
        tissue_hu=Measured.of(81.0, 20.0, Unit.HU),
        bridges=(
            BridgePiece(82.0 * fraction, frame.world(4.0, 0.0, DEFECT_DEPTH_MM), "outer cortex", "posterior"),
        )
        if fraction > 0.0
        else (),
        head_edge=Edge(Measured.of(870.0, 60.0, Unit.HU), Measured.of(340.0, 60.0, Unit.HU), True),
        tip_edge=Edge(Measured.of(410.0, 60.0, Unit.HU), Measured.of(350.0, 60.0, Unit.HU), None),
        map=BridgeMap(
            u_mm,
            v_mm,
            frame.zero_direction,
            frame.quarter_direction,
            np.where(inside & ~hidden, gap, np.nan),
            np.where(inside & ~hidden, 0.15, np.nan),
            bridged,
            inside,
            hidden,
        ),
    )


def make_scan(width_mm: float = 0.8, step_mm: float = 0.5) -> Scan:
    """A crude CT of two screws in a block of bone, sharp-edged and noiseless; only for pictures."""
    axis = [np.arange(-32.0, 32.0, step_mm) for _ in range(3)]
    z, y, x = np.meshgrid(*axis, indexing="ij")
    places = np.stack([x, y, z], axis=-1)
    hu = np.full(x.shape, 40.0)
    hu[(np.abs(np.abs(x) - 17) < 9) & (np.abs(z) < 16) & (np.abs(y) < 26)] = 320.0
    hu += np.random.default_rng(1).normal(0.0, 40.0, hu.shape)
    for side in ("left", "right"):
        radius, _, depth = make_frame(side).cylindrical(places)
        shaft = (depth > 0) & (depth < LENGTH_MM)
        hu[(np.abs(depth - DEFECT_DEPTH_MM) < GAP_MM / 2) & (radius < 9)] = 60.0
        hu[shaft & (radius < RADIUS_MM + width_mm)] = 70.0
        hu[shaft & (radius < RADIUS_MM)] = 3071.0
        hu[(depth < 0) & (depth > -2.5) & (radius < 3.2)] = 3071.0
    affine = np.eye(4)
    affine[:3, :3] = np.array([[0, 0, step_mm], [0, step_mm, 0], [step_mm, 0, 0]])
    affine[:3, 3] = -32.0
    return Scan(
        hu.astype(np.int16), affine, Acquisition(kernel="sharp"), hu_ceiling=3071.0, ceiling_share=0.01
    )


def make_implant(
    head: HaloSummary,
    tip: HaloSummary,
    *,
    side: str = "left",
    bridge: Bridge | None = None,
    state: str = "no interruption shown",
    scan: Scan | None = None,
) -> ImplantReading:
    halo, frame = make_halo(head, tip), make_frame(side)
    return ImplantReading(
        id=side,
        side=side,
        surface="ha-coated",
        frame=frame,
        screw=make_screw(side, state),
        halo=halo,
        defect=make_defect(side),
        bridge=bridge,
        tip_to_cortex_mm=Measured.of(3.2, 0.3, Unit.MM),
        limits=(
            Limit("blur", 0.62, "the blur is not calibrated (slices of 2 mm)"),
            Limit("metal", 0.2, "level and thread of the metal (root diameter not given)"),
            Limit("noise and texture", 0.18, "noise and the bone's own texture"),
        ),
        predicted=(
            Prediction("the protocol calibrated", 0.1, 0.2),
            Prediction("slices of 0.6 mm", 0.2, 0.35),
            Prediction("a sharp bone kernel", 0.2, 0.32),
            Prediction("slices of 0.6 mm and a sharp bone kernel", 0.18, 0.3),
            Prediction("all of these together", 0.08, 0.16),
        ),
        would_show=tuple(
            WouldShow(width, shape, side, min(1.0, width * size))
            for shape, size in (("even", 0.88), ("one-sided", 0.39))
            for width in (0.0, 0.5, 1.0, 2.0)
            if width > 0.0 or shape == "even"
            for side in ("head_side", "tip_side")
        ),
        cuts=take_cuts(scan, frame, halo) if scan else (),
        profiles=take_profiles(scan, frame, halo, RADIUS_MM) if scan else (),
    )


def make_reading(
    *implants: ImplantReading,
    weeks: float = 8.0,
    site: str = "L5",
    scan_id: str = "w08",
    windows: Windows | None = None,
    problems: tuple[Problem, ...] = (),
) -> Reading:
    facts = ScanFacts(
        id=scan_id,
        weeks_since_surgery=weeks,
        voxel_mm=(0.35, 0.35, 0.6),
        slice_thickness_mm=2.0 if any(p.code == "thick-slices" for p in problems) else 0.6,
        kernel="sharp",
        algorithm="filtered back-projection",
        kvp=120.0,
        scanner="invented scanner",
        hu_ceiling=3071.0,
        ceiling_share=0.002,
        noise_hu=62.0,
        blur_in_plane_mm=Measured.of(0.72, 0.06, Unit.MM),
        blur_through_plane_mm=Measured.of(0.95, 0.08, Unit.MM),
        blur_source="in-scan",
        problems=problems,
        dose=DoseFacts(5.2, 96.0, "image header", 1.44, "abdomen-pelvis, 0.015 mSv/(mGy cm)", 1, 1, 1),
    )
    findings = tuple(
        finding
        for implant in implants
        for finding in judge(
            implant.halo,
            weeks,
            windows,
            implant=implant.id,
            surface=implant.surface,
            bridge=implant.bridge,
            integrity=implant.screw.integrity,
        )
    )
    return Reading(
        scan=facts,
        implants=with_controls(implants),
        findings=findings,
        summary=answer(implants, findings, facts, site),
        provenance=Provenance("0.1.0", {"numpy": np.__version__}, {"site": site}, "0" * 64, 7, 3.2),
        other_metal=(
            OtherMetal(
                "wire",
                np.array([[0.0, 20.0, 0.0], [0.0, 26.0, 4.0]]),
                Measured.of(7.2, 0.4, Unit.MM),
                Measured.of(0.9, 0.1, Unit.MM),
            ),
        ),
        source=Source(
            ("/private/in/slice1",),
            "1.2.3",
            "1.2",
            "1.2.9",
            "P-4711",
            dt.date(2031, 4, 29),
            dt.date(2031, 3, 4),
        ),
    )


def thick_slices() -> Problem:
    return Problem(
        "thick-slices",
        Level.CAUTION,
        "Slices of 2.0 mm blur thin layers.",
        "Ask for 0.75 mm slices of the same raw data.",
    )


def make_motion(
    moved_mm: float = 0.0, side: str = "left", *, earlier_from_later: RigidTransform | None = None
) -> ScrewMotion:
    """The screw has backed out by some mm, the fragments have stayed."""
    lies = earlier_from_later or RigidTransform.identity()
    axis = make_frame(side).axis_direction
    screw = RigidTransform(np.eye(3), moved_mm * axis) @ lies

    def body(name: str, place: RigidTransform) -> Registered:
        return Registered(name, place, np.zeros(3), 1e-6 * np.eye(6), 40, 0.0, np.zeros((1, 3)))

    def motion(name: str, relative_to: str, by_mm: float) -> Motion:
        far = Measured.of(abs(by_mm), 0.02, Unit.MM, floor=0.0)
        along = (mm(0.0, 0.02), mm(0.0, 0.02), Measured.of(-by_mm, 0.02, Unit.MM))
        turn = Measured.of(0.02, 0.05, Unit.DEG)
        state = "moved" if abs(by_mm) > 0.05 else "not shown to have moved"
        shift = RigidTransform(np.eye(3), -by_mm * axis)
        return Motion(
            name, relative_to, shift, 1e-4 * np.eye(6), along, turn, turn, far, turn, far, far, far, state
        )

    return ScrewMotion(
        motion("screw", "head side", moved_mm),
        motion("screw", "tip side", moved_mm),
        motion("tip side", "head side", 0.0),
        body("head side", lies),
        body("tip side", lies),
        body("screw", screw),
    )


def make_case(scan: Scan | None = None, *, moved_mm: float = 0.5) -> Case:
    """Three CTs of one screw: the halo narrows, then widens on the tip side while the screw backs out."""
    from ongrowth.change import changes_between, motion_records, overlays, placement, protocol_differences

    widths = {4.0: (0.9, 0.8), 12.0: (0.5, 0.4), 26.0: (0.3, 0.9)}
    fractions = {4.0: 0.0, 12.0: 0.15, 26.0: 0.4}
    readings = []
    for weeks, (head, tip) in widths.items():
        implant = make_implant(
            make_side(head), make_side(tip), bridge=make_bridge(fractions[weeks]), scan=scan
        )
        readings.append(make_reading(implant, weeks=weeks, scan_id=f"w{weeks:02.0f}"))
    last = readings[-1]
    parts: dict[str, list[Any]] = {
        n: [] for n in ("motions", "changes", "new_bone", "change_maps", "overlays")
    }
    for earlier in readings[:-1]:
        scans = earlier.scan.id, last.scan.id
        one, two = earlier.implants[0], last.implants[0]
        moved = make_motion(moved_mm)
        alike = not protocol_differences(earlier.scan, last.scan)
        records, change = changes_between(
            one, two, scans, placement(moved, one.frame, two.frame), is_same_protocol=alike
        )
        parts["motions"] += motion_records("left", scans, moved)
        parts["changes"] += records
        parts["change_maps"].append(change)
        bone = Measured.of(120.0, 12.0, Unit.MM3, floor=0.0)
        parts["new_bone"].append(
            NewBoneRecord("left", *scans, bone, bone, (BonePlace("toward the canal", bone),))
        )
        if scan is not None:
            parts["overlays"] += overlays(scan, scan, one.frame, moved, "left", scans)
    weeks = last.scan.weeks_since_surgery
    findings = (
        *last.findings,
        *judge_motions(parts["motions"], weeks, shipped_windows(), "ha-coated"),
        *judge_changes(parts["changes"], weeks, shipped_windows(), "ha-coated"),
    )
    summary = answer(last.implants, findings, last.scan, "L5", n_scans=len(readings))
    return Case(
        Patient("harbour-07", 2016, "L5"),
        tuple(readings),
        findings,
        summary,
        dose_total=case_dose(readings),
        **{name: tuple(found) for name, found in parts.items()},
    )


def plain_page(case: Case) -> str:
    """The page with ordinary blanks between numbers and units, to look for words in it."""
    from ongrowth.reports.page import render_page

    return render_page(case).replace("\N{NO-BREAK SPACE}", " ")
