"""The grid that measures us: cases, calipers, scores, resuming, pages, bounds. No scan is made here."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from scipy import integrate

import ongrowth
from ongrowth.scan import Scan, refuse
from ongrowth_phantoms.catalogue import NOTE
from ongrowth_phantoms.commands import selftest
from ongrowth_phantoms.grid import ARMS, CALIPERS, PLANS, Case, draw_case, read_records
from ongrowth_phantoms.grid import measure as measuring
from ongrowth_phantoms.grid import phantom as phantoms
from ongrowth_phantoms.grid.bound import Stretch, _covariance, _smallest_sd
from ongrowth_phantoms.grid.caliper import half_height_mm, read_sides, threshold_mm
from ongrowth_phantoms.grid.draw import REPEATS, bound_case
from ongrowth_phantoms.grid.measure import known_calibration, measure_case, truth_record
from ongrowth_phantoms.grid.page import fill, of_latest_version, page_tables, write_plots
from ongrowth_phantoms.grid.phantom import KernelProtocol, Phantom, protocol_of, scene_of
from ongrowth_phantoms.grid.run import append_records, pending_arms
from ongrowth_phantoms.grid.table import Repeatability, Score, factors, scores, sides_table, width_class
from ongrowth_phantoms.kernels import KERNELS
from ongrowth_phantoms.scanner import FastProtocol
from ongrowth_phantoms.tomograph import FullProtocol
from ongrowth_phantoms.truth import HEAD, TIP, Truth, truth_of

SOME = [
    draw_case("any", half, scanner, k)
    for half in ("tuning", "test")
    for scanner in ("fast", "full")
    for k in range(60)
]


@pytest.fixture(scope="module")
def truth() -> Truth:
    case = replace(bound_case(2), cannula_mm=0.0)
    return truth_of(scene_of(case))


def test_a_number_always_draws_the_same_case() -> None:
    assert draw_case("any", "test", "full", 17) == draw_case("any", "test", "full", 17)
    assert len({c.id for c in SOME}) == len({c.seed for c in SOME}) == len(SOME)


def test_kernels_of_the_test_half_are_of_families_unknown_to_the_tuning_half() -> None:
    named = [c for c in SOME if c.kernel]
    assert all(KERNELS[c.kernel].half == c.half for c in named)
    assert {c.half for c in named} == {"tuning", "test"}
    assert all(c.kernel for c in SOME if c.half == "test" or c.scanner == "full")


def test_every_factor_varies_and_widths_stay_in_range() -> None:
    words = pd.DataFrame([factors(c) for c in SOME])
    fixed = [f for f in words.columns if words[f].unique().size < 2]
    assert fixed == ["plan", "texture"]
    assert all(0.0 <= w <= 2.6 for c in SOME for w in (c.head_mean_mm, c.tip_mean_mm))
    share = [c.difficulty for c in SOME].count("hard") / len(SOME)
    assert 0.2 < share < 0.6


def test_a_repeat_keeps_the_truth_and_changes_position_and_noise() -> None:
    first, second = (draw_case("retest", "test", "full", 3 * REPEATS + k) for k in (0, 1))
    assert first.seed == second.seed
    assert (first.repeat, second.repeat) == (0, 1)
    assert replace(second, id=first.id, repeat=0) == first
    one, two = scene_of(first), scene_of(second)
    assert one.screws[0].length_mm == pytest.approx(two.screws[0].length_mm)
    assert np.linalg.norm(np.subtract(one.screws[0].head_mm, two.screws[0].head_mm)) > 0.5


@pytest.mark.parametrize(("pose", "low_deg", "high_deg"), [("across", 0.0, 10.0), ("in plane", 82.0, 90.0)])
def test_pose_sets_the_angle_between_screw_and_slices(pose: str, low_deg: float, high_deg: float) -> None:
    for seed in range(4):
        case = replace(SOME[0], seed=seed, pose=pose)
        scene = scene_of(case)
        normal = protocol_of(case, scene).field_of_view().axes()[:, 2]
        angle = math.degrees(math.acos(min(abs(float(scene.screws[0].axes[:, 2] @ normal)), 1.0)))
        assert low_deg - 1e-6 <= angle <= high_deg + 1e-6


def test_the_field_holds_the_screw_in_every_pose() -> None:
    for case in SOME[:30]:
        scene = scene_of(case)
        view = protocol_of(case, scene).field_of_view()
        away = (
            np.array([scene.screws[0].head_mm, scene.screws[0].tip_mm]) - np.array(scene.focus_mm)
        ) @ view.axes()
        assert np.all(np.abs(away) <= np.array(view.size_mm) / 2.0 - 9.0)


def test_known_blur_is_the_blur_of_the_protocol() -> None:
    f = np.arange(0.0, 1.4, 0.02)
    fast = FastProtocol(in_plane_fwhm_mm=0.8, edge_enhancement=1.3, mtf_power=2.2)
    assert known_calibration(fast).blur.in_plane(f) == pytest.approx(fast.mtf(f), abs=2e-3)
    # its numbers follow a kernel of another kind to a few hundredths
    full = FullProtocol(kernel="hann-bone")
    assert known_calibration(full).blur.in_plane(f) == pytest.approx(KERNELS["hann-bone"].mtf(f), abs=0.06)


def test_fast_scanner_sees_through_a_kernel_by_name() -> None:
    f = np.arange(0.0, 1.4, 0.1)
    assert KernelProtocol(kernel="hann-edge").mtf(f) == pytest.approx(KERNELS["hann-edge"].mtf(f), abs=1e-6)


AWAY = np.arange(0.0, 6.0, 0.05)


def test_calipers_read_a_clear_layer() -> None:
    """A foot of metal over 0.3 mm, a layer to 1.2 mm, bone to 4 mm, soft tissue."""
    hu = np.select([AWAY < 0.3, AWAY < 1.2, AWAY < 4.0], [2000.0, 70.0, 400.0], 50.0)
    assert half_height_mm(AWAY, hu) == pytest.approx(1.2, abs=0.06)
    assert threshold_mm(AWAY, hu) == pytest.approx(1.2, abs=0.06)


def test_calipers_read_nothing_where_bone_touches_the_metal() -> None:
    hu = 300.0 + 3000.0 * np.exp(-AWAY / 0.2)  # falls all the way: no dark line
    assert half_height_mm(AWAY, hu) == 0.0
    assert threshold_mm(AWAY, hu) == 0.0


@pytest.mark.parametrize(("width_mm", "low_mm", "high_mm"), [(0.8, 0.0, 0.0), (1.2, 1.3, 1.45)])
def test_half_height_beside_metal_is_biased_as_the_eye_is(
    width_mm: float, low_mm: float, high_mm: float
) -> None:
    """The foot of the metal hides a layer as thin as the blur and lifts the dark line of a wider one."""
    fine = np.arange(-4.0, 8.0, 0.05)
    sharp = np.select([fine < 0.0, fine < width_mm], [9000.0, 70.0], 300.0)
    kernel = np.exp(-0.5 * (np.arange(-3.0, 3.01, 0.05) / 0.34) ** 2)
    seen = np.convolve(sharp, kernel / kernel.sum(), mode="same")
    assert low_mm <= half_height_mm(AWAY, seen[fine > -1e-9][: len(AWAY)]) <= high_mm


def test_reading_a_drawn_cylinder_gives_its_width_on_both_sides(truth: Truth) -> None:
    width = 1.5
    step = 0.3
    ends = np.array([truth.head_mm, truth.tip_mm])
    low, high = ends.min(axis=0) - 8.0, ends.max(axis=0) + 8.0
    shape = np.ceil((high - low)[::-1] / step).astype(int)
    affine = np.eye(4)
    affine[:3, :3] = np.eye(3)[:, ::-1] * step
    affine[:3, 3] = low
    local = (
        Scan(np.zeros(shape, np.float32), affine).world_mm(np.indices(shape).reshape(3, -1).T) - ends[0]
    ) @ truth.axes
    away = np.hypot(local[:, 0], local[:, 1]) - truth.screw.major_diameter_mm / 2.0
    # one voxel of blur, so that interpolation has something to go by
    metal, layer = (np.clip(0.5 - (away - edge) / 0.4, 0.0, 1.0) for edge in (0.0, width))
    hu = 300.0 - 230.0 * layer + 8930.0 * metal
    scan = Scan(hu.reshape(shape).astype(np.float32), affine)
    for name, caliper in CALIPERS.items():
        sides = read_sides(scan, truth, caliper)
        assert set(sides) == {"head_side", "tip_side"}, name
        for reading in sides.values():
            assert reading.mean_mm == pytest.approx(width, abs=0.12)
            assert reading.share_over_1mm == 1.0
            assert np.nanmean(reading.sector_means_mm()) == pytest.approx(width, abs=0.12)


def fake_record(
    case: Case, arm: str, errors_mm: tuple[float, float], *, version: str = "v1"
) -> dict[str, object]:
    """A record as the runner writes it: true means of the case, values off by the errors, u 0.1 mm."""
    true, sides = {}, {}
    for side, mean, error in zip(
        ("head_side", "tip_side"), (case.head_mean_mm, case.tip_mean_mm), errors_mm, strict=True
    ):
        true[side] = {
            "area_mm2": 150.0,
            "mean_mm": mean,
            "share_1mm": float(mean > 1.0),
            "sectors_mm": [mean] * 8,
        }
        value = mean + error
        one = [value, 0.1, value - 0.196, value + 0.196, 0.25 if value < 0.25 else math.nan]
        sides[side] = {"mean": one, "share_1mm": one, "sectors": [one] * 8, "limit_mm": 0.25}
    return {
        "case": case.id, "arm": arm, "version": version, "refused": "", "crashed": "", "sides": sides,
        "true": true, "factors": case.as_dict(), "scan_s": 5.0, "halo_s": 2.0, "place_s": 0.5,
        "place": {"has_defect": True},
    }  # fmt: skip


def test_width_classes_close_on_the_right() -> None:
    assert [width_class(w) for w in (0.0, 0.02, 0.1, 0.5, 0.51, 1.0, 2.4)] == [
        "0",
        "0",
        "0-0.5",
        "0-0.5",
        "0.5-1",
        "0.5-1",
        "1-3",
    ]
    assert width_class(math.nan) == ""


def test_scores_are_those_of_the_textbook() -> None:
    case = replace(SOME[0], head_mean_mm=1.0, tip_mean_mm=1.5)
    score = Score.of(sides_table([fake_record(case, "a", (0.3, -0.1))]))
    assert score.sides == 2
    assert score.bias_mm == pytest.approx(0.1)
    assert score.rmse_mm == pytest.approx(math.sqrt((0.09 + 0.01) / 2.0))
    assert score.coverage == 0.5  # 0.3 lies outside 1.96 x 0.1
    assert score.u95_mm == pytest.approx(0.196)
    assert score.sector_rmse_mm == pytest.approx(score.rmse_mm)
    assert score.called == 1.0


def test_what_is_not_answered_counts_as_such_and_not_as_an_error() -> None:
    good, bad = (
        fake_record(replace(SOME[k], head_mean_mm=1.0, tip_mean_mm=1.0), "a", (0.1, 0.1)) for k in (0, 1)
    )
    bad |= {"sides": {}, "refused": "no-screw"}
    score = Score.of(sides_table([good, bad]))
    assert score.answered == 0.5
    assert score.rmse_mm == pytest.approx(0.1)
    assert math.isnan(Score.of(sides_table([bad])).rmse_mm)


def test_a_value_below_the_detection_limit_is_no_call() -> None:
    case = replace(SOME[0], head_mean_mm=0.0, tip_mean_mm=0.0)
    table = sides_table([fake_record(case, "a", (0.1, 0.4))])
    assert table["is_called"].tolist() == [False, True]


def test_the_last_line_of_a_case_counts_and_tiny_sides_are_left_out() -> None:
    case = replace(SOME[0], head_mean_mm=1.0, tip_mean_mm=1.0)
    old, new = fake_record(case, "a", (0.5, 0.5)), fake_record(case, "a", (0.1, 0.1), version="v2")
    new["true"]["tip_side"]["area_mm2"] = 5.0  # type: ignore[index]
    table = sides_table([old, new])
    assert len(table) == 1
    assert table["error_mm"][0] == pytest.approx(0.1)


def test_repeatability_is_that_of_bland_and_altman() -> None:
    """Three readings with a spread of known SD; sqrt(2) * 1.96 * SD."""
    records = []
    for k, error in enumerate((-0.1, 0.0, 0.1)):
        case = replace(draw_case("retest", "test", "full", k), head_mean_mm=1.0, tip_mean_mm=1.0)
        records.append(fake_record(case, "a", (error, 2.0 * error)))
    found = Repeatability.of(sides_table(records))
    sd = math.sqrt((0.1**2 + 0.2**2) / 2.0)
    assert found.truths == 2
    assert found.coefficient_mm == pytest.approx(1.96 * math.sqrt(2.0) * sd)
    assert found.stated_mm == pytest.approx(1.96 * math.sqrt(2.0) * 0.1)


def test_what_does_not_measure_is_named_as_it_is_and_not_used_by_what_does() -> None:
    root = Path(ongrowth.__file__).parent
    assert {name for name in measuring.NOT_MEASURING if not (root / name).exists()} == set()
    beside = "|".join(name.removesuffix(".py") for name in sorted(measuring.NOT_MEASURING))
    imported = re.compile(rf"^\s*(?:from|import) ongrowth\.({beside})\b", re.MULTILINE)
    for path in root.rglob("*.py"):
        if path.relative_to(root).parts[0] not in measuring.NOT_MEASURING:
            assert imported.search(path.read_text(encoding="utf-8")) is None, path.name


def test_a_stopped_run_goes_on_where_it_stopped(tmp_path: pytest.TempPathFactory) -> None:
    results = tmp_path / "results.jsonl"  # type: ignore[operator]
    version = measuring.code_version()
    append_records(results, [fake_record(SOME[0], "given, known", (0.0, math.nan), version=version)])
    append_records(results, [fake_record(SOME[1], "given, known", (0.0, 0.0), version="older")])
    with results.open("a") as lines:
        lines.write('{"case": "cut off')
    done = {(r["case"], r["arm"], r["version"]) for r in read_records(results)}
    pending = pending_arms(SOME[:2], ["given, known", "half-height"], done)
    assert pending == [(SOME[0], ("half-height",)), (SOME[1], ("given, known", "half-height"))]
    # JSON knows no NaN: any reader of the lines must be able to read them
    assert "NaN" not in results.read_text()
    assert read_records(results)[0]["sides"]["tip_side"]["mean"][0] is None


def test_refusals_and_crashes_are_results(monkeypatch: pytest.MonkeyPatch, truth: Truth) -> None:
    def crash(*_: object) -> None:
        raise FloatingPointError("nothing left")

    def decline(*_: object) -> None:
        raise refuse("no-contrast-at-all", "Nothing is to be seen.")

    phantom = Phantom(Scan(np.zeros((4, 4, 4), np.float32), np.eye(4)), truth)
    case = bound_case(2)
    monkeypatch.setattr(measuring, "measure_halo", crash)
    record = measure_case(case, ARMS["given, known"], phantom)
    assert record["crashed"].startswith("FloatingPointError: nothing left (test_grid.py:")
    assert record["sides"] == {}
    monkeypatch.setattr(measuring, "measure_halo", decline)
    assert measure_case(case, ARMS["given, free"], phantom)["refused"] == "no-contrast-at-all"


def test_given_place_is_the_true_one(truth: Truth) -> None:
    placed = measuring._given(bound_case(2), truth)
    away = measuring._misplaced(placed, truth)
    assert away.pop("has_defect")
    assert max(abs(v) for v in away.values()) < 1e-6


def test_kept_scans_serve_only_the_same_drawing(
    tmp_path: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch, truth: Truth
) -> None:
    made: list[Case] = []

    def scanned(_scene: object, _protocol: object, case: Case) -> Scan:
        made.append(case)
        return Scan(np.zeros((2, 2, 2), np.int16), np.eye(4))

    monkeypatch.setattr(phantoms, "_scanned", scanned)
    monkeypatch.setattr(phantoms, "truth_of", lambda *_: truth)
    for case in (SOME[0], SOME[0], replace(SOME[0], bone_hu=222.0), replace(SOME[0], noise_hu=9.0)):
        phantoms.phantom_of(case, tmp_path)  # type: ignore[arg-type]
    assert len(made) == 3


def grid_records() -> list[dict[str, object]]:
    rng = np.random.default_rng(3)
    cases = [*SOME[120:160], *(draw_case("streaks", "test", "full", k) for k in range(4))]
    cases += [draw_case("retest", "test", "full", k) for k in range(6)] + [
        draw_case("plain", "test", "fast", k) for k in range(6)
    ]
    arms = ["given, known", "found, free", *CALIPERS]
    return [fake_record(c, a, tuple(rng.normal(0.0, 0.1, 2))) for c in cases for a in arms]


def test_page_holds_every_table_and_marks_are_kept(tmp_path: pytest.TempPathFactory) -> None:
    records = grid_records()
    records[0] |= {"sides": {}, "crashed": "ValueError: x (fit.py:1)"}
    tables = page_tables(records, "test")
    assert "crash" not in tables["failures"] and "ValueError: x" in tables["failures"]  # noqa: PT018
    assert all("Not run yet" not in text for name, text in tables.items())
    text = "".join(f"# {n}\n<!-- table: {n} -->\nof yesterday\n<!-- end of table -->\n" for n in tables)
    once = fill(text, tables)
    assert "of yesterday" not in once
    assert fill(once, tables) == once
    paths = write_plots(records, "test", tmp_path)  # type: ignore[arg-type]
    assert len(paths) == 4
    assert all(p.stat().st_size > 2000 for p in paths)


def test_page_takes_what_one_version_measured() -> None:
    cases = [draw_case("any", "test", "full", k) for k in range(3)]
    old = [fake_record(c, "found, free", (0.4, 0.4)) for c in cases]
    new = [fake_record(c, "found, free", (0.1, 0.1), version="v2") for c in cases[:2]]
    other_set = [fake_record(draw_case("any", "test", "fast", 0), "found, free", (0.1, 0.1))]
    kept = of_latest_version([*old, *other_set, *new])
    assert [(r["case"], r["version"]) for r in kept] == [
        (other_set[0]["case"], "v1"), (cases[0].id, "v2"), (cases[1].id, "v2")
    ]  # fmt: skip


def test_page_without_runs_says_so() -> None:
    assert page_tables([], "test") == {}
    assert page_tables(grid_records(), "tuning")["classes"].startswith("Not run yet")
    with pytest.raises(ValueError, match="no end mark"):
        fill("<!-- table: goals -->", {"goals": "x"})


def test_group_scores_count_each_side_once() -> None:
    table = sides_table(grid_records())
    words = scores(table[table["plan"] == "any"], ["arm"])
    assert set(words["sides"]) == {"80"}
    json.dumps(words.to_dict())


def test_smallest_sd_is_that_of_linear_regression() -> None:
    """A straight line through unit-spaced places: var(intercept) in closed form."""
    x = np.arange(10.0)
    slopes = np.stack([np.ones(10), x])
    sxx = float(np.sum((x - x.mean()) ** 2))
    expected = 0.5 * math.sqrt(1.0 / 10.0 + x.mean() ** 2 / sxx)
    assert _smallest_sd(slopes, 0.25 * np.eye(10)) == pytest.approx(expected)
    assert _smallest_sd(slopes[:1], 0.25 * np.eye(10)) == pytest.approx(0.5 / math.sqrt(10.0))


def test_texture_seen_through_the_blur_has_the_variance_of_its_spectrum() -> None:
    case = bound_case(0)
    scene = scene_of(case)
    length = scene.sites[0].arch.texture_mm
    sigma = case.fwhm_mm / math.sqrt(8.0 * math.log(2.0))
    boxes = FastProtocol(slice_fwhm_mm=case.slice_fwhm_mm).slice_boxes_mm()

    def along(f: float, spread: float) -> float:  # density of the field times the squared transfer function
        return length * math.sqrt(2 * math.pi) * math.exp(-2 * (math.pi * f * length) ** 2) * spread

    flat = integrate.quad(lambda f: along(f, math.exp(-4 * (math.pi * f * sigma) ** 2)), -9, 9)[0]
    deep = integrate.quad(lambda f: along(f, float(np.prod(np.sinc(np.multiply(boxes, f)))) ** 2), -9, 9)[0]
    variance = _covariance(np.zeros((1, 3)), case, scene)[0, 0]
    assert variance == pytest.approx(flat**2 * deep, rel=0.03)  # boxes taken as a Gaussian of their variance


def test_stretch_lies_where_its_side_is_counted(truth: Truth) -> None:
    for side in (HEAD, TIP):
        stretch = Stretch.amid(truth, side)
        near = np.abs(truth.depth_mm - stretch.depth_mm) < 1.9
        assert (truth.counted & (truth.side == side))[near].mean() > 0.5
        assert stretch.to_side > 1.0


def test_truth_record_is_plain(truth: Truth) -> None:
    record = truth_record(truth)
    assert record["head_side"]["mean_mm"] == pytest.approx(1.0, abs=0.01)
    assert len(record["tip_side"]["sectors_mm"]) == 8
    assert set(PLANS) == {"any", "plain", "retest", "streaks"}


def test_selftest_prints_the_grid_as_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    ran: list[Case] = []

    def fake_run(case: Case, arms: list[str]) -> list[dict[str, object]]:
        ran.append(case)
        return [fake_record(case, arm, (0.1, -0.1)) for arm in arms]

    monkeypatch.setattr("ongrowth_phantoms.grid.run_case", fake_run)
    result = CliRunner().invoke(selftest, ["--grid", "2", "--full", "--out", str(tmp_path / "grid.md")])
    assert result.exit_code == 0
    assert [c.id for c in ran] == ["any-test-full-000", "any-test-full-001"]
    assert "| found, free | 4 | 100 % | +0.00 | 0.10 |" in result.stdout
    assert result.stdout.startswith(NOTE)
    assert (tmp_path / "grid.md").read_text(encoding="utf-8") == result.stdout
