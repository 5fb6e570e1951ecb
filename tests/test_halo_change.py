"""Change of halo width between two scans: what cancels, against closed forms and against trials."""

from dataclasses import replace

import numpy as np
import pytest

from ongrowth.defect import Side
from ongrowth.halo import (
    Halo,
    HaloMap,
    HaloSummary,
    Rim,
    measure_change,
    screw_difference,
    side_difference,
)
from ongrowth.halo.doubt import Doubt
from ongrowth.quantity import Caution, Measured, Unit

DEPTHS, ANGLES = np.arange(0.5, 20.0), np.arange(0.0, 360.0, 15.0)
SHAPE = (len(DEPTHS), len(ANGLES))
PARTS = ("blur", "metal", "axis", "layer level", "layer level")
U_BLUR = 0.2
NO_LAYER = Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR)
NO_RIM = Rim("not measurable", Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR), NO_LAYER)


def side_of() -> np.ndarray:
    side = np.full(SHAPE, Side.HEAD, dtype=np.int8)
    side[10:] = Side.TIP
    return side


def summary_of(mean: Measured) -> HaloSummary:
    none, one = Measured.missing(Unit.MM, Caution.NONE), Measured.missing(Unit.ONE, Caution.NONE)
    rim = Rim("not measurable", none, none)
    return HaloSummary(
        mean, none, none, one, one, none, one, one, one, none, none, none, none, none, rim,
        none, "none", 1.0, 1.0, none, (none,) * 8,
    )  # fmt: skip


def no_summary() -> HaloSummary:
    return summary_of(Measured.missing(Unit.MM, Caution.NO_BONE))


def halo_of(
    width_mm: float | np.ndarray,
    *,
    blur: float = 0.0,
    slope: float = 1.0,
    radius_mm: float = 2.0,
    seed: int = 1,
    noise_mm: float = 0.0,
    rivals_mm: np.ndarray | None = None,
    rivals_blur: float = 0.0,
    has_doubt: bool = True,
) -> Halo:
    """A halo whose widths follow the blur by `slope` mm per unit, and hang on nothing else but noise."""
    follow = np.zeros((*SHAPE, len(PARTS)))
    follow[..., 0] = slope
    rng = np.random.default_rng(seed)
    shared = np.array([blur, 0.0, 0.0, 70.0, 70.0])
    n_rivals = 0 if rivals_mm is None else len(rivals_mm)
    width = np.broadcast_to(width_mm, SHAPE).astype(float)
    rivals = np.zeros((0, *SHAPE)) if rivals_mm is None else rivals_mm
    chances = np.append(1.0 - 0.25 * n_rivals, np.full(n_rivals, 0.25))
    best = width - 0.25 * rivals.sum(axis=0)  # the map holds the mean over all solutions
    doubt = Doubt(
        parts=PARTS,
        solutions=np.vstack([shared, np.tile(shared + np.eye(5)[0] * rivals_blur, (n_rivals, 1))]),
        widths_mm=np.concatenate([best[None], best + rivals]),
        blur_mm=np.full((1 + n_rivals, 2), 0.8),
        chances=chances,
        alone=chances,
        paired=chances,
        covariance=np.diag([U_BLUR, 0.1, 0.1, 35.0, 35.0]) ** 2,
        blur_u_mm=np.array([0.05, 0.1]),
        follow_mm=follow,
        noise_mm=rng.normal(0.0, max(noise_mm, 1e-12), (100, *SHAPE)),
        envelope_mm=np.full(len(DEPTHS), 2.0),
        limit_mm=(0.3, 0.3),
        layer_hu=(NO_LAYER, NO_LAYER),
        rims=(NO_RIM, NO_RIM),
        radius=Measured.of(radius_mm, 0.02, Unit.MM),
        model_mm=0.0,
    )
    grid = HaloMap(DEPTHS, ANGLES, width, np.full(SHAPE, 0.2), side_of(), np.zeros(SHAPE, dtype=np.int64))
    mean = summary_of(Measured.of(float(width.mean()), 0.25, Unit.MM))
    return Halo(grid, mean, mean, mean, doubt=doubt if has_doubt else None)


def test_an_error_of_the_blur_drops_out_between_scans_of_one_protocol() -> None:
    before, after = halo_of(1.0), halo_of(1.4)
    change = measure_change(before, after, is_one_protocol=True)
    assert change.whole.value == pytest.approx(0.4)
    assert change.head_side.value == pytest.approx(0.4)
    # what remains of two errors of 0.2 mm that correlate: 0.2 sqrt(2 (1 - rho)), and 8 % of the change
    assert change.whole.u < 0.5 * U_BLUR
    other = measure_change(before, after, is_one_protocol=False)
    assert other.whole.u > np.sqrt(2.0) * U_BLUR
    assert other.whole.cautions & Caution.PROTOCOL_CHANGED


def test_another_solution_counts_where_the_two_that_are_compared_follow_it_unlike() -> None:
    """A rival of chance 1/4 lifts the head side alone by 0.4 mm: SD 0.4 sqrt(1/4 x 3/4)."""
    lifted = np.where(side_of() == Side.HEAD, 0.4, 0.0)[None]
    one_side = halo_of(1.0, rivals_mm=lifted)
    plain, u = halo_of(1.0), 0.4 * np.sqrt(0.25 * 0.75)
    assert side_difference(one_side).u ** 2 - side_difference(plain).u ** 2 == pytest.approx(u**2)
    both_sides = halo_of(1.0, rivals_mm=np.full((1, *SHAPE), 0.4))
    assert side_difference(both_sides).u == pytest.approx(side_difference(plain).u)
    other = measure_change(plain, one_side, is_one_protocol=False)
    bare = measure_change(plain, plain, is_one_protocol=False)
    assert other.head_side.u**2 - bare.head_side.u**2 == pytest.approx(u**2)
    assert other.tip_side.u == pytest.approx(bare.tip_side.u)


def test_two_fits_that_took_different_blurs_are_moved_to_one() -> None:
    """The same screw, unchanged: one fit took a blur 0.1 too high, and its widths 0.1 mm too low."""
    before, after = halo_of(1.0, blur=0.0, slope=-1.0), halo_of(0.9, blur=0.1, slope=-1.0)
    assert measure_change(before, after, is_one_protocol=True).whole.value == pytest.approx(0.0, abs=1e-6)
    assert measure_change(before, after, is_one_protocol=False).whole.value == pytest.approx(-0.1)


def test_a_blur_told_to_one_of_two_fits_serves_both() -> None:
    """The later fit was told the blur to 0.02; the earlier took it 0.3 too high and read 0.3 mm low."""
    before, told = halo_of(0.7, blur=0.3, slope=-1.0), halo_of(1.0, slope=-1.0)
    assert told.doubt is not None
    sure = np.diag([0.02, 0.1, 0.1, 35.0, 35.0]) ** 2
    after = replace(told, doubt=replace(told.doubt, covariance=sure))
    change, free = (measure_change(before, b, is_one_protocol=True).whole for b in (after, told))
    assert change.value == pytest.approx(0.0, abs=0.01)
    assert change.u < free.u


def test_where_widths_follow_the_blur_unlike_its_error_remains() -> None:
    alike = measure_change(halo_of(1.0), halo_of(1.0), is_one_protocol=True).whole.u
    unlike = measure_change(halo_of(1.0), halo_of(1.0, slope=2.0), is_one_protocol=True).whole.u
    assert unlike**2 - alike**2 == pytest.approx(U_BLUR**2, rel=0.15)


def test_noise_is_added_and_the_interval_holds_the_truth() -> None:
    """White noise of 0.5 mm a cell: the mean of 480 cells twice, u = 0.5 sqrt(2 / 480)."""
    rng = np.random.default_rng(5)
    inside = []
    for n in range(200):
        noisy = [halo_of(w + rng.normal(0.0, 0.5, SHAPE), seed=2 * n + k, noise_mm=0.5, slope=0.0)
                 for k, w in enumerate((0.0, 0.3))]  # fmt: skip
        change = measure_change(*noisy, is_one_protocol=True).whole
        inside.append(abs(change.value - 0.3) <= change.u95)
    assert np.mean(inside) == pytest.approx(0.95, abs=3.0 * np.sqrt(0.95 * 0.05 / 200) + 0.01)


def test_a_turned_and_shifted_map_is_laid_on_the_earlier_one() -> None:
    z, a = np.meshgrid(DEPTHS, np.radians(ANGLES), indexing="ij")
    before = halo_of(1.0 + 0.5 * np.cos(a) + 0.02 * z)
    turned = a - np.radians(30.0)
    after = halo_of(1.0 + 0.5 * np.cos(turned) + 0.02 * (z - 0.4))
    change = measure_change(before, after, is_one_protocol=True, turn_deg=30.0, slide_mm=0.4)
    known = np.isfinite(change.map.width_mm)
    assert np.abs(change.map.width_mm[known]).max() < 1e-9
    assert known.mean() > 0.85


def test_outer_edges_are_compared_where_the_radius_was_estimated_anew() -> None:
    change = measure_change(halo_of(1.0), halo_of(0.95, radius_mm=2.05), is_one_protocol=True)
    assert change.whole.value == pytest.approx(0.0, abs=1e-9)


def test_only_cells_measured_twice_are_compared() -> None:
    before, after = halo_of(1.0), halo_of(np.where(np.arange(20)[:, None] < 5, 9.0, 1.2))
    cautions = np.zeros(SHAPE, dtype=np.int64)
    cautions[:5] = int(Caution.STREAK)
    hidden = replace(after, map=replace(after.map, cautions=cautions))
    change = measure_change(before, hidden, is_one_protocol=True)
    assert change.compared_share == pytest.approx(0.75)
    assert change.head_side.value == pytest.approx(0.2)
    assert np.isnan(change.map.width_mm[:5]).all()
    cautions = np.full(SHAPE, int(Caution.STREAK), dtype=np.int64)
    nothing = measure_change(
        before, replace(after, map=replace(after.map, cautions=cautions)), is_one_protocol=True
    )
    assert not nothing.whole.is_known
    assert nothing.whole.cautions & Caution.LITTLE_MEASURED


def test_a_change_is_no_more_than_the_two_widths_allow() -> None:
    """No width is below 0: growth is at most the later width, shrinkage at most the earlier one."""
    before, after = halo_of(0.1, has_doubt=False), halo_of(0.05, has_doubt=False)
    free = 1.959964 * 0.25
    change = measure_change(before, after, is_one_protocol=False).whole
    assert change.u == pytest.approx(0.25 * np.sqrt(2.0))
    assert (change.low95, change.high95) == pytest.approx((-(0.1 + free), 0.05 + free))
    assert change.high95 < change.value + 1.959964 * change.u
    wide = halo_of(1.0, has_doubt=False), halo_of(1.4, has_doubt=False)
    told = measure_change(*wide, is_one_protocol=False).whole
    assert told.high95 == pytest.approx(0.4 + 1.959964 * change.u)  # the wider of two bounds says nothing
    # two screws of one scan differ by no more either
    pair = screw_difference(before, after, "head_side")
    assert (pair.low95, pair.high95) == pytest.approx((-(0.1 + free), 0.05 + free))


def test_a_shaft_that_no_defect_parts_changes_as_a_whole() -> None:
    def undivided(width_mm: float) -> Halo:
        halo, none = halo_of(width_mm), summary_of(Measured.missing(Unit.MM, Caution.NO_DEFECT))
        grid = replace(halo.map, side=np.full(SHAPE, Side.HEAD, dtype=np.int8))
        return replace(halo, map=grid, head_side=none, tip_side=none)

    change = measure_change(undivided(0.5), undivided(1.0), is_one_protocol=True)
    assert change.whole.value == pytest.approx(0.5)
    for side in (change.head_side, change.tip_side):
        assert not side.is_known
        assert side.cautions == Caution.NO_DEFECT
    # seen in one of the two, the defect parts the same bone in the other
    parted = np.where(side_of() == Side.TIP, 0.7, 1.0)
    narrower = measure_change(undivided(1.0), halo_of(parted), is_one_protocol=True)
    wider = measure_change(halo_of(parted), undivided(1.0), is_one_protocol=True)
    for change, sign in ((narrower, -1.0), (wider, 1.0)):
        assert change.head_side.value == pytest.approx(0.0, abs=1e-9)
        assert change.tip_side.value == pytest.approx(sign * 0.3)
        assert change.whole.value == pytest.approx(sign * 0.15)
        assert change.compared_share == 1.0


def test_without_doubts_a_side_that_was_not_measured_does_not_change() -> None:
    """Its cells may be known, but not how sure they are together: no value has an interval of NaN."""
    before = replace(halo_of(1.0, has_doubt=False), head_side=no_summary())
    change = measure_change(before, halo_of(1.4), is_one_protocol=True)
    assert not change.head_side.is_known
    assert change.whole.is_known


def test_a_halo_read_from_a_file_gives_the_full_uncertainty() -> None:
    change = measure_change(halo_of(1.0, has_doubt=False), halo_of(1.4), is_one_protocol=True)
    assert change.whole.value == pytest.approx(0.4)
    assert change.whole.u == pytest.approx(0.25 * np.sqrt(2.0))


def test_sides_of_one_screw_are_compared_by_one_blur() -> None:
    width = np.where(side_of() == Side.TIP, 0.5, 1.2)
    difference = side_difference(halo_of(width))
    assert difference.value == pytest.approx(-0.7)
    # both follow the blur alike: nothing of its 0.2 mm is left but 8 % of two widths, which correlate by half
    assert difference.u == pytest.approx(0.08 * np.sqrt(1.2**2 + 0.5**2 - 1.2 * 0.5), rel=0.01)
    assert not side_difference(replace(halo_of(1.0), tip_side=no_summary())).is_known


def test_screws_of_one_scan_are_moved_to_one_blur() -> None:
    """The second fit took a blur 0.1 higher and reads 0.1 mm lower; truth is 0.3 mm apart."""
    first, second = halo_of(1.0, slope=-1.0), halo_of(1.2, blur=0.1, slope=-1.0)
    difference = screw_difference(first, second, "head_side")
    assert difference.value == pytest.approx(0.3, abs=1e-6)
    # beside the blur's: two radii of 0.02 mm, which are two screws' own
    assert 0.02 * np.sqrt(2.0) < difference.u < 0.6 * U_BLUR


def _two_ways(blur: float, rival_blur: float, rival_mm: float) -> Halo:
    """A halo of 0.5 mm with a rival of chance 1/4; the map holds the mean over both."""
    rivals = np.full((1, *SHAPE), rival_mm)
    return halo_of(
        0.5 + 0.25 * rival_mm, blur=blur, slope=0.0, rivals_mm=rivals, rivals_blur=rival_blur - blur
    )


def test_solutions_that_agree_in_the_blur_belong_together() -> None:
    """The later best has the blur of the earlier rival, which is 0.5 mm wider, and the other way round."""
    far = 6.0 * U_BLUR
    before, after = _two_ways(0.0, far, 0.5), _two_ways(far, 0.0, 0.5)
    change = measure_change(before, after, is_one_protocol=True).whole
    # pairs of one blur: (best, rival) and (rival, best), alike in weight, changes +0.5 and -0.5
    assert change.value == pytest.approx(0.0, abs=1e-3)
    assert change.u == pytest.approx(0.5, abs=0.02)
    # both best and both rivals: the widths change alike, whatever the blur
    alike = measure_change(before, before, is_one_protocol=True).whole
    assert alike.value == pytest.approx(0.0, abs=1e-6)
    assert alike.u < 0.1


def test_a_rival_without_any_chance_carries_nothing_however_well_its_blur_agrees() -> None:
    before, after = halo_of(0.5, slope=0.0), _two_ways(200.0 * U_BLUR, 0.0, -0.5)
    assert after.doubt is not None
    surely = np.array([1.0, 0.0])
    hopeless = replace(after, doubt=replace(after.doubt, chances=surely, alone=surely))
    change = measure_change(before, hopeless, is_one_protocol=True).whole
    assert change.value == pytest.approx(0.0, abs=1e-6)
    assert np.isfinite(change.u)


def test_a_rival_that_alone_agrees_in_the_blur_carries_the_change() -> None:
    far = 6.0 * U_BLUR
    before = halo_of(0.5, slope=0.0)
    after = _two_ways(far, 0.0, -0.5)  # only "none" has the blur of the earlier scan
    change = measure_change(before, after, is_one_protocol=True).whole
    assert change.value == pytest.approx(-0.5, abs=1e-3)
    apart = measure_change(before, after, is_one_protocol=False).whole
    assert apart.value == pytest.approx(-0.125)
