"""Gap and bridges of a small drawn bone, blurred by a Gaussian: the truth is the drawing.

The drawing is made here, voxel by voxel, and shares no code with what is tested.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from ongrowth.bridge import Bridge, measure_open_gap
from ongrowth.bridge.continuity import ContinuitySettings, GapContent, bridged_places
from ongrowth.defect import (
    DefectPlane,
    OpenDefect,
    Rival,
    between_planes,
    find_open_defect,
    unsure_note,
)
from ongrowth.defect.blur import usual_blur
from ongrowth.defect.choice import Candidate, choose
from ongrowth.defect.course import bone_course
from ongrowth.defect.middle import Middle, alike, weigh, with_rivals
from ongrowth.defect.slit import Slit
from ongrowth.edge import Blur
from ongrowth.frame import ScrewFrame
from ongrowth.geometry import Plane, unit
from ongrowth.quantity import Caution
from ongrowth.scan import Problem, Refused, Scan

FloatArray = NDArray[np.float64]
STEP_MM, FINER = 0.5, 3
FWHM_MM = 0.9
HALF_MM = 9.0
UP = np.array([0.0, 0.0, 1.0])
BLUR = Blur.gaussian(FWHM_MM, FWHM_MM)
FRAME = ScrewFrame.of([0.0, 0.0, -15.0], [0.0, 0.0, 15.0])
TUBE_COURSE = unit(np.array([0.3, -0.7, 0.6]))
SLIT_NORMAL = unit(np.array([0.1, -0.9, 0.4]))
BONE_HU, FACE_HU, BRIDGE_HU, TISSUE_HU, SOFT_HU = 300.0, 700.0, 700.0, 70.0, 50.0


def drawn(gap_mm: float, *, bone_between: float = 0.0, floats: bool = False, radius_mm: float = 2.0) -> Scan:
    """A round bone along z with a gap across it; in the middle of the gap bone fills a share of its width."""
    n = round(2.0 * HALF_MM / STEP_MM) * FINER
    axis = (np.arange(n) + 0.5) * STEP_MM / FINER - HALF_MM
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij", sparse=True)
    half, away = gap_mm / 2.0, np.hypot(x, y)

    def share(inside_mm: FloatArray) -> FloatArray:
        """How much of a cell lies inside something, from the distance to its surface."""
        return np.clip(0.5 + inside_mm * FINER / STEP_MM, 0.0, 1.0)

    hu = BONE_HU + (FACE_HU - BONE_HU) * share(half + 0.8 - np.abs(z)) + 0.0 * away
    hu += (TISSUE_HU - hu) * share(half - np.abs(z))
    if bone_between > 0.0:
        top = bone_between * half - np.abs(z) if floats else half * (2.0 * bone_between - 1.0) - z
        hu += (BRIDGE_HU - hu) * share(np.minimum(np.minimum(top, half - np.abs(z)), radius_mm - away))
    hu += (SOFT_HU - hu) * share(away - 4.5)
    blurred = ndimage.gaussian_filter(hu, FWHM_MM / math.sqrt(8.0 * math.log(2.0)) / STEP_MM * FINER)
    coarse = blurred.reshape(n // FINER, FINER, n // FINER, FINER, n // FINER, FINER).mean(axis=(1, 3, 5))
    noise = np.random.default_rng(3).normal(0.0, 20.0, coarse.shape)
    affine = np.diag([STEP_MM, STEP_MM, STEP_MM, 1.0])[[2, 1, 0, 3]]  # voxel (slice, row, column) to x, y, z
    affine[:3, 3] = STEP_MM / 2.0 - HALF_MM
    return Scan(np.round(coarse + noise).astype(np.int16), affine)


def plane(gap_mm: float, **fields: object) -> DefectPlane:
    return replace(DefectPlane(Plane(np.zeros(3), UP), gap_mm, "given", 1.0, 0.1), **fields)


def measured(scan: Scan, gap_mm: float) -> Bridge:
    return measure_open_gap(scan, FRAME, plane(gap_mm), blur=BLUR)


@pytest.mark.parametrize("told_mm", [0.8, 1.6])
def test_a_thin_open_gap_is_not_read_as_a_wide_one_half_full(told_mm: float) -> None:
    """Only width x contrast shows below the blur: the search may tell twice the width."""
    bridge = measured(drawn(0.8), told_mm)
    assert bridge.bridged_fraction.value == 0.0
    assert bridge.gap_width_mean.low95 <= 0.8 <= bridge.gap_width_mean.high95
    assert bridge.gap_width_mean.value < 1.0  # 1.6 mm, half full, looks alike


@pytest.mark.parametrize("gap_mm", [2.0, 3.0])
@pytest.mark.parametrize("blur", [BLUR, None], ids=["blur known", "blur assumed"])
def test_the_interval_holds_the_gap_between_dense_faces(gap_mm: float, blur: Blur | None) -> None:
    """A dense rim of unknown depth and an assumed slice profile both move a face; the interval says so."""
    bridge = measure_open_gap(drawn(gap_mm), FRAME, plane(gap_mm), blur=blur)
    assert bridge.gap_width_mean_open.low95 <= gap_mm <= bridge.gap_width_mean_open.high95


def test_the_profile_of_thin_slices_is_no_narrower_than_the_rows_of_the_detector() -> None:
    scan = drawn(2.0)
    thin = replace(scan, world_from_voxel=scan.world_from_voxel @ np.diag([0.6, 1.0, 1.0, 1.0]))
    assert thin.nominal_slice_mm == pytest.approx(0.3)
    assert usual_blur(thin).slice_fwhm_mm > 0.6


@pytest.mark.parametrize("gap_mm", [0.7, 1.4, 2.4, 4.0])
def test_a_bridge_counts(gap_mm: float) -> None:
    bridge = measured(drawn(gap_mm, bone_between=1.0), gap_mm)
    share = (2.0 / 4.5) ** 2
    assert bridge.bridged_fraction.low95 <= share <= bridge.bridged_fraction.high95
    assert bridge.bridged_fraction.value == pytest.approx(share, abs=0.08)
    assert len(bridge.bridges) == 1


@pytest.mark.parametrize("gap_mm", [0.8, 5.0])
def test_a_given_plane_needs_no_width(gap_mm: float) -> None:
    """From the usual width the faces of a wide gap are not found, and all of it looks like faint bone."""
    scan = drawn(gap_mm, bone_between=1.0)
    bridge = measured(scan, math.nan)
    assert bridge.bridged_fraction.value == pytest.approx((2.0 / 4.5) ** 2, abs=0.08)
    assert bridge.gap_width_mean_open.low95 <= gap_mm <= bridge.gap_width_mean_open.high95


@pytest.mark.parametrize("was_mm", [1.0, 5.0])
def test_no_gap_is_made_up_where_bone_fills_it_and_no_width_is_given(was_mm: float) -> None:
    bridge = measured(drawn(was_mm, bone_between=1.0, radius_mm=HALF_MM), math.nan)
    assert bridge.bridged_fraction.value > 0.95


@pytest.mark.parametrize("gap_mm", [2.4, 4.0])
@pytest.mark.parametrize("floats", [True, False], ids=["chip", "spur"])
def test_bone_that_does_not_reach_does_not_count(gap_mm: float, floats: bool) -> None:
    bridge = measured(drawn(gap_mm, bone_between=0.5, floats=floats), gap_mm)
    assert bridge.bridged_fraction.value == 0.0


@pytest.mark.parametrize("floats", [True, False], ids=["chip", "spur"])
def test_where_the_slit_is_too_thin_to_be_seen_the_interval_says_so(floats: bool) -> None:
    """A chip between two slits of 0.35 mm, under a blur of 0.9 mm, may count; none is not ruled out."""
    bridge = measured(drawn(1.4, bone_between=0.5, floats=floats), 1.4)
    assert bridge.bridged_fraction.low95 == 0.0


def content(shown_gap_mm: float, spread_mm: float) -> GapContent:
    """A thin gap whose places lack between 0.05 and 0.3 mm of bone."""
    grid = np.arange(-4.0, 4.1, 0.2)
    lack = 0.175 + 0.125 * np.sin(3.0 * grid[:, None]) * np.cos(2.0 * grid)
    all_of_it, hu = np.ones(lack.shape, dtype=bool), np.full((1, *lack.shape), 300.0)
    usual = np.full(lack.shape, max(shown_gap_mm, 0.3))
    return GapContent(grid, lack, usual, hu, hu, all_of_it, all_of_it, spread_mm, shown_gap_mm)


def test_where_a_slit_would_be_seen_and_none_is_bone_is_continuous() -> None:
    """The texture of bone lacks as much here and there; under a wide blur the same tells nothing."""
    everywhere = np.ones((41, 41), dtype=bool)

    def share(shown_gap_mm: float, spread_mm: float) -> float:
        found = bridged_places(content(shown_gap_mm, spread_mm), everywhere, ContinuitySettings())
        return float(found.mean())

    assert share(0.2, 0.8) == 1.0
    assert share(0.2, 2.4) < 0.5
    assert share(0.6, 0.8) < 1.0  # measured against the slit that is shown


def test_where_no_bone_stands_on_the_shores_is_no_part_of_the_section() -> None:
    """A hole of 2 mm along the bone, as a halo leaves it."""
    scan = drawn(2.0)
    _, y, x = np.indices(scan.hu.shape)
    away = np.hypot(*((a + 0.5) * STEP_MM - HALF_MM for a in (x, y)))
    hollow = Scan(np.where(away < 2.0, np.int16(TISSUE_HU), scan.hu), scan.world_from_voxel)
    whole, left = (measured(s, 2.0).cross_section_mm2 for s in (scan, hollow))
    assert left.value == pytest.approx(whole.value - math.pi * 2.0**2, abs=left.u95)
    assert left.value < whole.value - 0.5 * math.pi * 2.0**2


def test_rival_planes_widen_the_interval_and_leave_the_value() -> None:
    scan = drawn(2.4)
    alone = measured(scan, 2.4)
    lean = Plane(np.array([0.0, 0.0, 0.9]), np.array([0.3, 0.0, 1.0]))
    doubtful = plane(2.4, rivals=(Rival(lean, 1.2, 0.4),))
    both = measure_open_gap(scan, FRAME, doubtful, blur=BLUR)
    other = measure_open_gap(scan, FRAME, replace(doubtful, plane=lean, gap_mm=1.2, rivals=()), blur=BLUR)
    assert both.gap_width_mean.value == alone.gap_width_mean.value
    away = other.gap_width_mean.value - alone.gap_width_mean.value
    wanted = math.sqrt(alone.gap_width_mean.u**2 + 0.4 * away**2)  # law of total variance
    assert both.gap_width_mean.u == pytest.approx(wanted)
    assert Caution.POOR_FIT in both.gap_width_mean.cautions


def test_a_gap_is_no_surer_than_the_plane_that_was_found_for_it() -> None:
    scan = drawn(2.4)
    given = measured(scan, 2.4).gap_width_mean
    found = measure_open_gap(scan, FRAME, plane(2.4, how="found", u_offset_mm=0.9), blur=BLUR).gap_width_mean
    assert found.value == given.value
    assert found.u == pytest.approx(math.hypot(given.u, 0.9))


def test_a_rival_that_runs_along_the_bone_is_left_out() -> None:
    scan = drawn(2.4)
    along = Rival(Plane(np.zeros(3), np.array([1.0, 0.0, 0.1])), 2.4, 0.4)
    both = measure_open_gap(scan, FRAME, plane(2.4, rivals=(along,)), blur=BLUR)
    assert both.gap_width_mean.u == measured(scan, 2.4).gap_width_mean.u


def middle(normal: tuple[float, float, float], height_mm: float = 0.0, gap_mm: float = 2.0) -> Middle:
    return Middle(Plane(height_mm * UP, np.array(normal)), gap_mm, 50.0, 0.9, 1.0, 2.0, 1.0, 2.0, 0.1)


def test_the_uncertainty_of_a_plane_holds_its_rivals() -> None:
    best, other = middle((0.0, 0.0, 1.0)), middle((math.sin(0.5), 0.0, math.cos(0.5)), 1.5)
    angle_deg, offset_mm = between_planes(best.plane, other.plane)
    assert angle_deg == pytest.approx(math.degrees(0.5))
    assert offset_mm == pytest.approx(1.5)
    found = with_rivals(best, [other], np.array([0.7, 0.3]), 1.0)
    assert found.plane is best.plane
    assert found.u_angle_deg == pytest.approx(math.sqrt(2.0**2 + 0.3 * angle_deg**2))
    assert found.u_offset_mm == pytest.approx(math.sqrt(0.1**2 + 0.3 * 1.5**2))
    sure = with_rivals(best, [other], np.array([0.99, 0.01]), 1.0)
    assert (sure.u_angle_deg, sure.rivals) == (2.0, ())
    thick = with_rivals(best, [], np.array([1.0]), 3.0)
    assert thick.u_angle_deg > 10.0  # three slices of a pars: such a plane is a guess
    assert thick.u_offset_mm > 0.5


def test_likelier_planes_weigh_more_and_weights_are_shares() -> None:
    weights = weigh([10.0, 8.0, 2.0])
    assert weights.sum() == pytest.approx(1.0)
    assert np.all(np.diff(weights) < 0.0)
    assert weigh([3.0]) == pytest.approx([1.0])


def test_fits_that_ended_in_one_plane_are_alike() -> None:
    assert alike(middle((0.0, 0.0, 1.0)), middle((0.0, 0.05, 1.0), 0.1))
    assert not alike(middle((0.0, 0.0, 1.0)), middle((0.0, 0.3, 1.0)))
    assert not alike(middle((0.0, 0.0, 1.0)), middle((0.0, 0.0, 1.0), 0.9))
    assert not alike(middle((0.0, 0.0, 1.0)), middle((0.0, 0.0, 1.0), gap_mm=4.0))


def test_streaks_speak_against_no_plane_but_widen_its_uncertainty() -> None:
    def chosen(misfit: float, *, has_streaks: bool, severs: bool = True) -> Middle | None:
        seen = replace(middle((0.0, 0.0, 1.0)), severed=0.4, misfit=misfit)
        frame = ScrewFrame.of(np.zeros(3), 30.0 * UP)
        slit = Slit(0.0, 0.0, 15.0, 2.0, 4.0)
        found = choose(
            [slit],
            frame,
            lambda *_: lambda *_: seen,
            lambda _: severs,
            least_share=0.2,
            slice_mm=1.0,
            has_streaks=has_streaks,
        )
        return found.middle if found else None

    assert chosen(4.0, has_streaks=False) is None
    assert chosen(1.0, has_streaks=False) is not None
    assert chosen(1.0, has_streaks=False, severs=False) is None  # bone crosses it
    streaked, quiet = chosen(4.0, has_streaks=True), chosen(1.5, has_streaks=True)
    assert streaked is not None
    assert quiet is not None
    assert quiet.u_angle_deg == pytest.approx(2.0)
    assert streaked.u_angle_deg == pytest.approx(2.0 * 4.0 / 1.8)
    assert streaked.u_offset_mm == pytest.approx(0.1 * 4.0 / 1.8)
    assert chosen(9.0, has_streaks=True) is None


@pytest.fixture(scope="module")
def tube() -> Callable[..., Scan]:
    """A bent-free tube of cortex with spongy bone inside, oblique, blurred; a slit across it or none."""

    def made(gap_mm: float, filling_hu: float = 60.0, face_hu: float = 0.0) -> Scan:
        step = 0.5
        places = np.stack(np.meshgrid(*[np.arange(-16.0, 16.0, step)] * 3, indexing="ij"), axis=-1)
        places = places[..., ::-1]  # slices along z
        along = places @ TUBE_COURSE
        away = np.linalg.norm(places - along[..., None] * TUBE_COURSE, axis=-1)
        hu = np.where(away < 3.2, 300.0, np.where(away < 4.6, 1000.0, 50.0))
        slit = np.abs(places @ SLIT_NORMAL)
        is_face = (slit < gap_mm / 2.0 + 1.0) & (away < 4.6)
        hu = np.where(is_face, np.maximum(hu, face_hu), hu)
        open_share = np.clip((gap_mm - 2.0 * slit) / (2.0 * step) + 0.5, 0.0, 1.0) * (gap_mm > 0.0)
        hu = hu + (filling_hu - hu) * open_share * (away < 4.6)
        hu = ndimage.gaussian_filter(hu, 0.8 / step / 2.355) + np.random.default_rng(3).normal(
            0, 25, hu.shape
        )
        start = np.eye(4)
        start[:3, :3] = np.eye(3)[::-1] * step
        start[:3, 3] = -16.0
        return Scan(hu.astype(np.float32), start)

    return made


def test_the_course_of_a_bone_is_found_across_its_gap(tube: Callable[[float], Scan]) -> None:
    frame = bone_course(tube(3.0), np.array([1.5, -1.5, 1.0]))
    assert frame is not None
    assert abs(frame.axis_direction @ TUBE_COURSE) > math.cos(math.radians(3.0))
    off = frame.origin_mm - (frame.origin_mm @ TUBE_COURSE) * TUBE_COURSE
    assert np.linalg.norm(off) < 0.7  # half a voxel, and the turn over half its length


def test_a_slit_thinner_than_the_blur_is_found_across_cortex_and_spongy_bone(
    tube: Callable[[float], Scan],
) -> None:
    """Cortex that stays denser than spongy bone inside the slit must not hide it."""
    found = find_open_defect(tube(0.7), np.array([1.5, -1.5, 1.0]))
    assert isinstance(found, OpenDefect)
    angle_deg, offset_mm = between_planes(found.defect.plane, Plane(np.zeros(3), SLIT_NORMAL))
    assert angle_deg < 3.0
    assert offset_mm < 0.4


def test_a_fit_closer_than_noise_allows_bears_no_slit_out() -> None:
    close, usual = (replace(middle((0.0, 0.0, 1.0)), misfit=m, severed=0.4) for m in (0.3, 1.5))
    assert close.no_better_than_noise().worth == pytest.approx(0.4**0.5)
    assert usual.no_better_than_noise().worth == usual.worth


def test_how_well_the_model_fits_has_no_say_in_whether_there_is_a_slit() -> None:
    streaked = Candidate(replace(middle((0.0, 0.0, 1.0)), misfit=2.0, severed=0.64), lambda *_: None, 5.0)
    assert streaked.worth == pytest.approx(1.0)
    assert streaked.clarity == pytest.approx(4.0)


def test_a_whole_tube_shows_no_slit(tube: Callable[[float], Scan]) -> None:
    """The wall of a bone beside its spongy core is dark between dense, and is no defect."""
    assert isinstance(find_open_defect(tube(0.0), np.array([1.5, -1.5, 1.0])), Problem)


def test_callus_between_the_ends_of_cortex_is_no_slit(tube: Callable[..., Scan]) -> None:
    """It is darker than both shores, but no soft tissue parts the bone."""
    point = np.array([1.5, -1.5, 1.0])
    assert isinstance(find_open_defect(tube(2.6, face_hu=1100.0), point), OpenDefect)
    assert isinstance(find_open_defect(tube(2.6, filling_hu=650.0, face_hu=1100.0), point), Problem)


def test_where_a_seam_explains_the_image_best_no_thinner_slit_is_taken_for_the_defect() -> None:
    frame = ScrewFrame.of(np.zeros(3), 30.0 * UP)
    slits = [Slit(0.0, 0.0, 15.0, 3.0, 4.0), Slit(0.0, 0.0, 15.0, 0.8, 4.0)]
    thin = replace(middle((0.0, 0.0, 1.0), gap_mm=0.8), gap_in_spreads=1.0, severed=0.3)

    def chosen(seam_severed: float) -> Middle | None:
        seam = replace(
            middle((0.0, 0.0, 1.0), gap_mm=3.0), gap_in_spreads=3.0, empty_share=0.2, severed=seam_severed
        )
        found = choose(
            slits,
            frame,
            lambda _, width_mm: lambda *_: seam if width_mm > 1.0 else thin,
            lambda _: True,
            least_share=0.2,
            slice_mm=1.0,
        )
        return found.middle if found else None

    assert chosen(0.6) is None
    kept = chosen(0.1)
    assert kept is not None
    assert kept.gap_mm == thin.gap_mm
    assert kept.rivals == ()  # a seam is no rival either


@pytest.mark.parametrize(
    ("gap_mm", "in_spreads", "open_share", "empty_share", "is_slit"),
    [
        (2.4, 3.0, 0.9, 0.9, True),
        (2.4, 3.0, 0.4, 0.5, False),  # dark against its shores, but mostly bone
        (2.4, 3.0, 0.3, 0.9, True),  # few places without bone, all of them empty
        (2.4, 3.0, 0.8, 0.6, True),  # half of the section is empty, bridges fill the rest
        (0.6, 0.7, 0.9, 0.1, True),  # what fills a gap thinner than the blur is not known
        (0.3, 0.4, 0.3, 1.0, False),  # no more than the texture of bone lacks
    ],
)
def test_soft_tissue_parts_the_bone_or_there_is_no_slit(
    gap_mm: float, in_spreads: float, open_share: float, empty_share: float, *, is_slit: bool
) -> None:
    seen = replace(
        middle((0.0, 0.0, 1.0), gap_mm=gap_mm),
        gap_in_spreads=in_spreads,
        open_share=open_share,
        empty_share=empty_share,
    )
    assert seen.is_slit is is_slit


def test_a_plane_that_is_not_settled_is_said() -> None:
    plane = Plane(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    sure = DefectPlane(plane, 1.0, "found", 2.0, 0.1)
    rival = Rival(Plane(np.array([0.0, 0.0, 4.0]), plane.normal), 0.5, 0.2)
    unsure = replace(sure, u_offset_mm=1.8, rivals=(rival,))
    assert unsure_note(sure, "at screw A") == ()
    (told,) = unsure_note(unsure, "at screw A")
    assert told.code == "defect-unsure"
    assert "3.5 mm" in told.text  # 1.96 times the standard uncertainty
    assert unsure_note(replace(unsure, how="given"), "at screw A") == ()
    (anyhow,) = unsure_note(replace(unsure, u_angle_deg=72.0), "at screw A")
    assert "off by any angle and" in anyhow.text  # two planes never differ by 141 degrees


def test_a_place_outside_is_told_with_what_the_scan_spans(tube: Callable[[float], Scan]) -> None:
    scan = tube(0.0)
    ends = scan.world_mm([(0, 0, 0), tuple(n - 1 for n in scan.hu.shape)])
    low, high = ends.min(axis=0), ends.max(axis=0)
    with pytest.raises(Refused, match=rf"out-of-scan.*x {low[0]:.0f} to {high[0]:.0f} mm, y .*, z "):
        find_open_defect(scan, np.array([900.0, 0.0, 0.0]))
