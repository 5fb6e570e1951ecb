"""Motion: the parts of the registration against closed forms, and two drawn volumes with a known pose."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage, special, stats

from ongrowth.frame import ScrewFrame
from ongrowth.geometry import RigidTransform, apply_affine
from ongrowth.motion import (
    Migration,
    MotionSettings,
    Registered,
    common_scale,
    double_examinations,
    is_off,
    measure_pitch,
    measure_scale,
    migration_of,
    stretched,
    stretched_scan,
)
from ongrowth.motion.blocks import Blocks, sides_of_blocks
from ongrowth.motion.displacement import motion_of
from ongrowth.motion.fragment import Field
from ongrowth.motion.mixed import fit_mixed
from ongrowth.motion.picture import Picture, Spline, read_at, smooth_values, splined
from ongrowth.motion.register import Sight, register_metal
from ongrowth.motion.rigid import covariance_at, measured_length, turn_covariance
from ongrowth.motion.solve import START, Samples, blur_between, fit_rigid, linearise
from ongrowth.motion.thread import missing_roll_rad, read_thread
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.scan import Scan
from ongrowth.screw import Integrity, Screw, ScrewSpec

FloatArray = NDArray[np.float64]
FRAME = ScrewFrame.of([2.0, 10.0, -12.0], [6.0, -14.0, 9.0])
STILL = RigidTransform.identity()


def grid(shape: tuple[int, int, int], step: tuple[float, float, float], corner: FloatArray) -> FloatArray:
    """Return a world_from_voxel with its slices along z, rows along y, columns along x."""
    out = np.zeros((4, 4))
    out[2, 0], out[1, 1], out[0, 2], out[3, 3] = *step, 1.0
    out[:3, 3] = corner
    return out


class Texture:
    """A smooth random field in closed form: a sum of plane waves."""

    def __init__(self, seed: int, n: int = 60) -> None:
        rng = np.random.default_rng(seed)
        self.wave = rng.normal(0.0, 1.1, (n, 3))
        self.phase = rng.uniform(0.0, 2.0 * np.pi, n)
        self.high = 1500.0 / math.sqrt(n)

    def __call__(self, places_mm: FloatArray) -> FloatArray:
        flat = places_mm.reshape(-1, 3)
        total = sum(self.high * np.cos(flat @ w + p) for w, p in zip(self.wave, self.phase, strict=True))
        return np.asarray(total).reshape(places_mm.shape[:-1]) + 300.0


def scan_of(field: Texture, affine: FloatArray, shape: tuple[int, int, int], pose: RigidTransform) -> Scan:
    """Scan a field after it was moved by `pose`."""
    index = np.moveaxis(np.indices(shape), 0, -1).astype(np.float64)
    places = index @ affine[:3, :3].T + affine[:3, 3]
    return Scan(field(pose.inverse().apply(places)).astype(np.float32), affine)


def picture_of(scan: Scan, sigma_mm: float = 0.5) -> Picture:
    hu = np.asarray(scan.hu, dtype=np.float32)
    return smooth_values(hu, np.ones(hu.shape, dtype=bool), scan, sigma_mm)


def drawn() -> Scan:
    affine = grid((26, 34, 34), (0.8, 0.55, 0.55), np.array([-9.0, -9.0, -10.0]))
    return scan_of(Texture(3), affine, (26, 34, 34), STILL)


def values_at(picture: Spline, places_mm: FloatArray) -> FloatArray:
    """Values between the voxels of a picture, as scipy reads its spline."""
    voxels = apply_affine(np.linalg.inv(picture.world_from_voxel), places_mm)
    return ndimage.map_coordinates(picture.coefficients, voxels.T, order=3, mode="mirror", prefilter=False)


@pytest.fixture(scope="module")
def fixed() -> Spline:
    return splined(picture_of(drawn()))


def test_a_picture_is_read_like_scipy_reads_it(fixed: Spline) -> None:
    rng = np.random.default_rng(0)
    places = rng.uniform(-6.0, 6.0, (50, 3))
    inverse = np.linalg.inv(fixed.world_from_voxel)
    voxels = places @ inverse[:3, :3].T + inverse[:3, 3]
    values = picture_of(drawn()).values.astype(np.float64)
    theirs = ndimage.map_coordinates(values, voxels.T, order=3, mode="mirror")
    assert read_at(fixed, places).value == pytest.approx(theirs, abs=0.2)  # float32 of some 1000 HU
    assert values_at(fixed, places) == pytest.approx(theirs, abs=0.2)


def test_slopes_and_curvatures_are_those_of_finite_differences(fixed: Spline) -> None:
    places = np.random.default_rng(1).uniform(-5.0, 5.0, (40, 3))
    seen, h = read_at(fixed, places), 0.05
    for a in range(3):
        step = h * np.eye(3)[a]
        up, down = (values_at(fixed, places + s).astype(np.float64) for s in (step, -step))
        middle = values_at(fixed, places)
        # a cubic spline is smooth to the third derivative: differences err by h2 times it
        assert seen.slope[:, a] == pytest.approx((up - down) / (2 * h), abs=6.0)
        assert seen.curvature[:, a] == pytest.approx((up - 2 * middle + down) / h**2, rel=0.2, abs=160.0)


def test_the_jacobian_is_what_a_small_motion_does(fixed: Spline) -> None:
    rng = np.random.default_rng(2)
    places = rng.uniform(-5.0, 5.0, (300, 3))
    samples = Samples(places, values_at(fixed, places))
    pose = RigidTransform.from_rotation_vector([0.02, -0.01, 0.03], [0.1, -0.2, 0.05])
    centre, normal = np.zeros(3), np.array([0.0, 0.0, 1.0])
    step = linearise(fixed, samples, pose, centre, START, normal)
    for k in range(6):
        small = np.zeros(6)
        small[k] = 1e-3
        moved = RigidTransform.from_rotation_vector(small[3:], small[:3]) @ pose
        change = linearise(fixed, samples, moved, centre, START, normal).residual - step.residual
        predicted = -1e-3 * step.jacobian[:, k]
        assert np.corrcoef(change, predicted)[0, 1] > 0.999
        assert np.linalg.norm(change - predicted) < 0.05 * np.linalg.norm(predicted) + 1.0


def test_a_pose_is_found_between_unlike_grids_and_scales(fixed: Spline) -> None:
    """Another grid, prone-like turn, gain and offset; the truth is drawn in closed form."""
    true = RigidTransform.from_rotation_vector(np.radians([2.0, -1.5, 3.0]), [0.35, -0.22, 0.41])
    affine = grid((24, 30, 30), (0.7, 0.5, 0.5), np.array([-7.0, -7.0, -8.0]))
    scan = scan_of(Texture(3), affine, (24, 30, 30), true.inverse())
    moving = picture_of(replace(scan, hu=np.asarray(1.1 * scan.hu + 25.0, dtype=np.float32)))
    index = np.argwhere(moving.seen)[::7]
    places = index @ affine[:3, :3].T + affine[:3, 3]
    inside = np.all(np.abs(true.apply(places)) < 7.0, axis=1)
    samples = Samples(places[inside], moving.values[tuple(index[inside].T)])
    found = fit_rigid(fixed, samples, STILL, moving.normal, rounds=25).fixed_from_moving
    away = found.apply(places[inside]) - true.apply(places[inside])
    # without noise only the smoothing of two unlike grids is left
    assert np.linalg.norm(away, axis=1).max() < 0.01


@pytest.mark.parametrize("moved_mm", [0.0, 0.08])
def test_blocks_that_moved_each_for_itself_are_told_from_blocks_that_did_not(
    fixed: Spline, moved_mm: float
) -> None:
    rng = np.random.default_rng(5)
    places = rng.uniform(-6.0, 6.0, (20_000, 3))
    block = np.ravel_multi_index(tuple(np.floor((places.T + 6.0) / 3.0).astype(int)), (4, 4, 4))
    own = rng.normal(0.0, moved_mm, (64, 3))
    values = values_at(fixed, places + own[block]) + rng.normal(0.0, 15.0, len(places)).astype(np.float32)
    depth, outward = np.zeros(len(places)), np.zeros((len(places), 3), dtype=np.float32)
    field = Field(Samples(places, values), depth, depth, block, outward)
    start = fit_rigid(fixed, field.samples, STILL, np.array([0.0, 0.0, 1.0]))
    # a volume at which every sample stands for itself, as this noise does
    fit = fit_mixed(fixed, field, start, np.array([0.0, 0.0, 1.0]), 100.0)
    # 64 blocks tell a spread to 1 / sqrt(2 * 64 * 3) = 5 %; Tukey's weights cost some more
    assert fit.spread[0] == pytest.approx(moved_mm, rel=0.2, abs=0.004)
    off = fit.fixed_from_moving.apply(fit.centre_mm) - fit.centre_mm - own.mean(axis=0)
    u = np.sqrt(np.diag(fit.covariance)[:3])
    assert np.all(np.abs(off) < 4.0 * u + 0.003)  # the picture itself is known to a few micrometres
    # the mean of 64 blocks; a spread never falls below 0.003 mm
    assert u == pytest.approx(np.full(3, max(moved_mm, 0.003) / 8.0), rel=0.3)


# Rigid-body figures


def a_covariance(seed: int, scale: float = 0.02) -> FloatArray:
    a = np.random.default_rng(seed).normal(0.0, scale, (6, 6))
    return a @ a.T + 1e-6 * np.eye(6)


def test_a_further_gaussian_weakens_a_wave_by_its_covariance() -> None:
    """A plane wave of frequency k through a Gaussian of covariance C is weakened by exp(-k C k / 2)."""
    k, more = np.array([0.9, -0.6, 1.1]), np.array([[0.2, 0.05, 0.0], [0.05, 0.1, -0.08], [0.0, -0.08, 0.3]])
    affine = grid((40, 44, 44), (0.7, 0.5, 0.5), np.array([-11.0, -11.0, -14.0]))
    affine[0, 0] = 0.1  # the slices of a tilted gantry
    places = np.moveaxis(np.indices((40, 44, 44)), 0, -1) @ affine[:3, :3].T + affine[:3, 3]
    scan = Scan((1000.0 * np.cos(places @ k)).astype(np.float32), affine)
    seen = smooth_values(np.asarray(scan.hu), np.ones(scan.hu.shape, dtype=bool), scan, 0.4, more)
    inside = (slice(12, 28),) * 3
    expected = math.exp(-0.5 * k @ (0.16 * np.eye(3) + more) @ k) * scan.hu[inside]
    assert seen.values[inside] == pytest.approx(expected, abs=8.0)


def test_what_each_image_lacks_in_blur_is_what_the_fit_says() -> None:
    """The difference of two covariances, one part of it asked of either image, no direction of both."""
    fixed, moving = np.array([0.0, 0.0, 1.0]), np.array([0.0, math.sin(0.3), math.cos(0.3)])
    sharp, along, turned, gain = 0.06, -0.2, 0.04, 1.2
    more, less = blur_between(np.array([gain, 10.0, sharp, along, turned]), fixed, moving)
    for n in np.random.default_rng(4).normal(size=(20, 3)):
        told = sharp * n @ n + along * (n @ fixed) ** 2 + turned * ((n @ moving) ** 2 - (n @ fixed) ** 2)
        assert n @ (more - less) @ n == pytest.approx(2.0 * told / gain)
        assert min(n @ more @ n, n @ less @ n) > -1e-12
    assert more @ less == pytest.approx(np.zeros((3, 3)), abs=1e-12)


@pytest.mark.parametrize(("u_mm", "belongs"), [(0.05, False), (0.15, False), (1.0, True)])
def test_a_displacement_counts_as_far_as_a_block_can_tell_it(u_mm: float, *, belongs: bool) -> None:
    one = np.array([5])
    block = Blocks(
        number=one,
        of_sample=np.zeros(100, dtype=np.intp),
        displacement_mm=np.array([[0.5, 0.0, 0.0]]),
        middle_mm=np.zeros((1, 3)),
        stiffness=np.eye(3)[None] / u_mm**2,
        correlation=np.array([0.95]),
        height_mm=np.array([-6.0]),
        radius_mm=np.array([5.0]),
    )
    head, tip = sides_of_blocks(block, block, MotionSettings())
    assert head.tolist() == [belongs]
    assert tip.tolist() == [False]


def test_a_covariance_carried_to_a_point_is_that_of_the_point() -> None:
    """Against 20 000 drawn motions: the covariance of the displacement of a point."""
    covariance, centre, point = a_covariance(1), np.array([1.0, 2.0, 3.0]), np.array([20.0, -5.0, 9.0])
    drawn = np.random.default_rng(5).multivariate_normal(np.zeros(6), covariance, 20_000)
    moved = drawn[:, :3] + np.cross(drawn[:, 3:], point - centre)
    theirs = np.cov(moved.T)
    ours = covariance_at(covariance, centre, point)[:3, :3]
    assert ours == pytest.approx(theirs, abs=4.0 * theirs.max() * math.sqrt(2.0 / 20_000))


@pytest.mark.parametrize("true_mm", [0.0, 0.05, 0.2, 1.0])
def test_the_interval_of_a_length_holds_it_as_often_as_it_says(true_mm: float) -> None:
    """250 draws: not below 95 % by more than chance; near zero uneven noise may hold more."""
    covariance = np.diag([0.05, 0.08, 0.03]) ** 2
    rng = np.random.default_rng(int(1000 * true_mm))
    truth = true_mm * np.array([0.6, 0.0, 0.8])
    draws = rng.multivariate_normal(truth, covariance, 250)
    held = [
        (m := measured_length(d, covariance, Unit.MM, Caution.NONE)).low95 <= true_mm <= m.high95
        for d in draws
    ]
    assert np.mean(held) >= stats.binom.ppf(0.005, 250, 0.95) / 250
    if true_mm == 1.0:
        assert np.mean(held) <= stats.binom.ppf(0.995, 250, 0.95) / 250


def test_a_draw_near_zero_does_not_look_exact() -> None:
    """The classical interval of a length shrinks to a point there; in print that read "within 0.00 mm"."""
    covariance = np.diag([0.05, 0.08, 0.03]) ** 2
    length = measured_length(np.zeros(3), covariance, Unit.MM, Caution.NONE)
    assert length.value == length.low95 == 0.0
    assert 1.96 * 0.05 < length.high95 < 1.96 * 0.08


def registered(name: str, pose: RigidTransform, seed: int = 0) -> Registered:
    places = FRAME.origin_mm + np.random.default_rng(seed).uniform(-15.0, 15.0, (30, 3))
    return Registered(name, pose, places.mean(axis=0), a_covariance(seed, 0.01), 30, 0.0, places)


def a_pose(seed: int, deg: float = 12.0, mm: float = 30.0) -> RigidTransform:
    rng = np.random.default_rng(seed)
    return RigidTransform.from_rotation_vector(np.radians(rng.normal(0.0, deg, 3)), rng.normal(0.0, mm, 3))


@pytest.mark.parametrize("seed", range(5))
def test_how_the_patient_lies_does_not_count(seed: int) -> None:
    """Body and reference moved together by any pose: the motion stays what it was."""
    middle = FRAME.world(0.0, 0.0, 15.0)
    own, lies = a_pose(seed, 1.0, 0.3), a_pose(seed + 50)
    plain = motion_of(registered("screw", own), registered("head side", STILL, 1), FRAME, middle)
    lying = motion_of(registered("screw", own @ lies), registered("head side", lies, 1), FRAME, middle)
    for one, other in zip(plain.translation_mm, lying.translation_mm, strict=True):
        assert one.value == pytest.approx(other.value, abs=1e-9)
    assert plain.max_total_point_motion.value == pytest.approx(lying.max_total_point_motion.value, abs=1e-9)
    assert plain.covariance == pytest.approx(lying.covariance, abs=1e-12)


def test_a_screw_that_backs_out_moves_along_its_axis_towards_the_head() -> None:
    out = RigidTransform(np.eye(3), -0.8 * FRAME.axis_direction)
    motion = motion_of(
        registered("screw", out.inverse()), registered("head side", STILL, 1), FRAME, FRAME.origin_mm
    )
    assert [m.value for m in motion.translation_mm] == pytest.approx([0.0, 0.0, -0.8], abs=1e-9)
    assert motion.state == "moved"
    assert motion.axis_change_deg.value == 0.0


def test_a_screw_that_turns_has_rolled_and_not_changed_its_axis() -> None:
    turn = RigidTransform.from_rotation_vector(math.radians(40.0) * FRAME.axis_direction, np.zeros(3))
    origin = FRAME.origin_mm
    about = RigidTransform(turn.rotation, origin - turn.rotation @ origin)
    motion = motion_of(registered("screw", about.inverse()), registered("head side", STILL, 1), FRAME, origin)
    assert motion.roll_deg.value == pytest.approx(40.0, abs=1e-9)
    assert motion.axis_change_deg.value == 0.0
    assert motion.max_total_point_motion.value == 0.0  # of the axis
    assert motion.state == "moved"


def test_a_body_that_was_not_registered_leaves_its_motion_not_measurable() -> None:
    missing = Registered.missing("tip side", Caution.NO_BONE)
    motion = motion_of(missing, registered("head side", STILL), FRAME, FRAME.origin_mm)
    assert motion.state == "not measurable"
    assert motion.total_translation.cautions == Caution.NO_BONE
    assert not motion.roll_deg.is_known


@pytest.mark.parametrize("size", [0.0, 3.0])
def test_state_says_moved_when_it_should(size: float) -> None:
    """Bodies displaced by noise alone are told to have moved in 6 of 1000, by 3 mm always."""
    rng, told = np.random.default_rng(8), []
    head, frame = registered("head side", STILL, 1), FRAME
    for _ in range(150):
        noise = rng.multivariate_normal(np.zeros(6), a_covariance(0, 0.01))
        centre = registered("screw", STILL).centre_mm
        turn = RigidTransform.from_rotation_vector(noise[3:], np.zeros(3))
        shift = noise[:3] + size * frame.axis_direction
        pose = RigidTransform(turn.rotation, centre - turn.rotation @ centre + shift)
        told.append(motion_of(registered("screw", pose), head, frame, centre).state == "moved")
    if size:
        assert all(told)
    else:
        assert sum(told) <= 5  # the mean is below 1; more has a chance below 1 in 1000


def test_turning_axes_there_and_back_leaves_a_covariance() -> None:
    c, turn = a_covariance(4), a_pose(3).rotation
    assert turn_covariance(turn_covariance(c, turn), turn.T) == pytest.approx(c, abs=1e-15)


# Thread


def threaded(frame: ScrewFrame, pitch_mm: float, phase_deg: float, wave_hu: float = 500.0) -> Scan:
    """A thread as the raw voxels of its crests show it: a helix of brighter metal, drawn in closed form."""
    affine = grid((50, 60, 60), (0.8, 0.6, 0.6), np.array([-14.0, -20.0, -20.0]))
    index = np.moveaxis(np.indices((50, 60, 60)), 0, -1).astype(np.float64)
    radius, angle, depth = frame.cylindrical(index @ affine[:3, :3].T + affine[:3, 3])
    wave = np.cos(2 * np.pi * depth / pitch_mm - np.radians(angle - phase_deg))
    hu = 2000.0 * np.clip(2.6 - radius, 0.0, 1.0) + wave_hu * wave * (np.abs(radius - 2.0) < 0.8)
    return Scan(hu.astype(np.float32), affine)


@pytest.mark.parametrize("turned_deg", [0.0, 25.0, -70.0, 160.0])
def test_a_turn_is_read_off_the_thread(turned_deg: float) -> None:
    first = read_thread(threaded(FRAME, 1.5, 10.0), FRAME, 2.0, 6000.0, math.nan)
    second = read_thread(threaded(FRAME, 1.5, 10.0 + turned_deg), FRAME, 2.0, 6000.0, 1.5)
    assert first.pitch_mm == pytest.approx(1.5, rel=2e-3)
    turn = missing_roll_rad(first, second, STILL, FRAME, FRAME)
    assert math.degrees(turn) == pytest.approx(-turned_deg, abs=2.0)


def a_threaded_screw(length_mm: float = 1.0, pitch_mm: float = 1.5) -> Screw:
    """The screw of `FRAME`, all of it longer or shorter."""
    middle = FRAME.world(0.0, 0.0, FRAME.length_mm / 2.0)
    head, tip = (stretched(p, middle, length_mm) for p in (FRAME.origin_mm, FRAME.tip_mm))
    spec = ScrewSpec(id="left", pitch_mm=pitch_mm)
    size = Measured.of(4.0, 0.1, Unit.MM)
    length = Measured.of(FRAME.length_mm * length_mm, 0.2, Unit.MM)
    whole = Integrity("no interruption shown", 0.5, math.nan, size, size)
    return Screw("left", "left", head, tip, size, 3.0, length, "given", whole, spec)


def headed(frame: ScrewFrame, blur_mm: float) -> Scan:
    """A smooth screw, head wide and tip tapered, as a scanner of that blur shows it, cut at 3071 HU."""
    affine = grid((70, 80, 80), (0.6, 0.5, 0.5), np.array([-16.0, -22.0, -20.0]))
    index = np.moveaxis(np.indices((70, 80, 80)), 0, -1).astype(np.float64)
    radius, _, depth = frame.cylindrical(index @ affine[:3, :3].T + affine[:3, 3])
    length = frame.length_mm
    shaft = np.maximum(radius - np.clip((length - depth) / 2.0, 0.5, 2.0), depth - length)
    head = np.maximum(radius - 3.0, np.abs(depth + 1.5) - 1.5)
    outside = np.minimum(np.maximum(shaft, -depth), head)
    metal = 0.5 - 0.5 * special.erf(outside / 0.2)  # an edge of 0.14 mm, so that the grid can draw it
    blurred = ndimage.gaussian_filter(8500.0 * metal, np.sqrt(blur_mm**2 - 0.02) / np.array([0.6, 0.5, 0.5]))
    return Scan(np.minimum(blurred, 3071.0).astype(np.float32), affine, hu_ceiling=3071.0)


def test_another_blur_does_not_slide_a_screw_along_its_axis() -> None:
    """Head and tip bloom away from each other by 0.1 mm; what lies between them stays (reach: 0.06 mm)."""
    sight = Sight(headed(FRAME, 0.45), headed(FRAME, 0.7), FRAME, FRAME, 2.0, 1.5, is_fixed_earlier=True)
    pose = register_metal(sight, STILL).earlier_from_later
    middle = FRAME.world(0.0, 0.0, FRAME.length_mm / 2.0)
    away = FRAME.world_from_screw.rotation.T @ (pose.apply(middle) - middle)
    assert abs(away[2]) < 0.06
    assert np.abs(away[:2]).max() < 0.02


@pytest.mark.parametrize("scale", [1.0, 1.012, 0.985])
def test_the_thread_tells_how_long_a_millimetre_is(scale: float) -> None:
    """Two scans of one screw whose pixels and steps are stated too large or too small by 1 %."""
    rng = np.random.default_rng(5)
    then, now = (threaded(FRAME, 1.5, phase) for phase in (10.0, 40.0))
    then, now = (
        replace(s, hu=s.hu + rng.normal(0.0, 60.0, s.hu.shape).astype(np.float32)) for s in (then, now)
    )
    now = stretched_scan(now, FRAME.world(0.0, 0.0, FRAME.length_mm / 2.0), scale)
    found = measure_scale(then, now, a_threaded_screw(), a_threaded_screw(scale))
    assert abs(found.value - scale) < 3.0 * found.u
    assert found.u < 0.003
    assert is_off(found) is (scale != 1.0)


def test_without_a_thread_there_is_no_ruler() -> None:
    bare = threaded(FRAME, 1.5, 0.0, wave_hu=0.0)
    found = measure_scale(bare, bare, a_threaded_screw(), a_threaded_screw())
    assert not found.is_known
    assert not is_off(common_scale([found]))


@pytest.mark.parametrize("state", ["interrupted", "bent"])
def test_a_screw_in_pieces_is_no_ruler(state: str) -> None:
    scan, whole = threaded(FRAME, 1.5, 10.0), a_threaded_screw()
    assert measure_scale(scan, scan, whole, whole).is_known
    other = replace(whole, integrity=replace(whole.integrity, state=state, at_depth_mm=20.0))
    assert not measure_scale(scan, scan, whole, other).is_known


@pytest.mark.parametrize(("slices_a_turn", "is_sure"), [(1.0, False), (1.5, True), (2.0, False), (2.6, True)])
def test_slices_that_cut_each_turn_alike_make_the_ruler_unsure(slices_a_turn: float, is_sure: bool) -> None:
    upright = abs(float(FRAME.axis_direction @ threaded(FRAME, 1.5, 0.0).slice_normal))
    gap_mm = threaded(FRAME, 1.5, 0.0).slice_gap_mm
    pitch_mm = slices_a_turn * gap_mm / upright
    found = measure_pitch(threaded(FRAME, pitch_mm, 10.0), a_threaded_screw(pitch_mm=pitch_mm))
    turns = (FRAME.length_mm - 7.0) / pitch_mm
    assert (math.tau * turns * found.u / pitch_mm < 0.25) is is_sure  # radians of phase from end to end


def test_several_screws_tell_one_scale_better_than_one() -> None:
    """Weighted mean: u = 1 / sqrt(sum of 1 / u^2)."""
    scale = common_scale([Measured.of(1.01, 0.003, Unit.ONE), Measured.of(1.0, 0.004, Unit.ONE)])
    assert scale.value == pytest.approx((1.01 * 16 + 1.0 * 9) / 25)
    assert scale.u == pytest.approx(0.0024)


@pytest.mark.parametrize(("wave_hu", "is_known"), [(500.0, True), (0.0, False)])
def test_without_a_visible_thread_any_turn_is_possible(wave_hu: float, *, is_known: bool) -> None:
    """The spread of an angle of which nothing is known is 360 degrees over the root of 12."""
    scan = threaded(FRAME, 1.5, 10.0, wave_hu)
    rng = np.random.default_rng(0)
    scan = replace(scan, hu=scan.hu + rng.normal(0.0, 150.0, scan.hu.shape).astype(np.float32))
    found = register_metal(Sight(scan, scan, FRAME, FRAME, 2.0, 1.5, is_fixed_earlier=True), STILL)
    turn = FRAME.world_from_screw.rotation.T @ found.covariance[3:, 3:] @ FRAME.world_from_screw.rotation
    assert found.is_roll_known is is_known
    if not is_known:
        assert math.degrees(math.sqrt(turn[2, 2])) == pytest.approx(360.0 / math.sqrt(12.0), rel=0.01)
    else:
        assert math.degrees(math.sqrt(turn[2, 2])) < 15.0


# Terms of a migration study


def test_terms_of_a_migration_study() -> None:
    """Rotation 3 degrees about (1, 2, 2) / 3 in the screw's axes: worked numbers of Rodrigues' formula."""
    turn = RigidTransform.from_rotation_vector(
        np.radians(3.0) * np.array([1, 2, 2]) / 3.0, [0.5, -0.25, 0.75]
    )
    seen = FRAME.world_from_screw @ turn @ FRAME.world_from_screw.inverse()
    motion = motion_of(
        registered("tip side", seen.inverse()), registered("head side", STILL, 1), FRAME, FRAME.origin_mm
    )
    terms = migration_of(motion, registered("tip side", seen.inverse()))
    cardan = (terms.rotation_x_deg, terms.rotation_y_deg, terms.rotation_z_deg)
    assert cardan == pytest.approx((1.03511731, 1.98203225, 2.01816004), abs=1e-6)
    assert terms.helical_angle_deg == pytest.approx(3.0, abs=1e-6)
    assert (terms.translation_x_mm, terms.translation_z_mm) == pytest.approx((0.5, 0.75), abs=1e-9)
    assert 10.0 < terms.condition_number_per_m < 150.0  # a fragment, not a needle


def a_double_examination(values: FloatArray) -> Migration:
    return Migration("screw", "head side", *(float(v) for v in values), *(0.0,) * 7)


def test_precision_of_double_examinations() -> None:
    """SD about zero times 1.96 (doi:10.2340/17453674.2022.2528); its interval holds the true one."""
    rng, held = np.random.default_rng(9), []
    for _ in range(200):
        pairs = [a_double_examination(rng.normal(0.0, 0.05, 6)) for _ in range(12)]
        precision = double_examinations(pairs)[0]
        held.append(precision.low95 < 1.96 * 0.05 < precision.high95)
    assert precision.n == 12
    assert precision.quantity == "translation_x_mm"
    assert stats.binom.ppf(0.001, 200, 0.95) <= sum(held) < 200


def test_one_double_examination_says_little() -> None:
    only = double_examinations([a_double_examination(np.full(6, 0.05))])[0]
    assert only.precision95 == pytest.approx(0.098, abs=1e-3)
    assert only.high95 > 30.0 * only.precision95  # chi squared with one degree of freedom


def test_double_examinations_are_of_one_body() -> None:
    one = a_double_examination(np.zeros(6))
    with pytest.raises(ValueError, match="different bodies"):
        double_examinations([one, replace(one, relative_to="tip side")])
