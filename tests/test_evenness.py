"""Whether a halo is even: one rule for the shape and for the finding, seen on draws of known fields."""

from __future__ import annotations

import build_reading as build
import numpy as np
import pytest

from ongrowth.defect import Side
from ongrowth.findings import answer, judge, rows_for, shipped_windows
from ongrowth.findings.answer import NOT_SURELY_EVEN
from ongrowth.halo import EVEN_MM, Halo, HaloMap, HaloSummary, Rim
from ongrowth.halo.summary import Draws, summarise
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import WINDOW_QUANTITIES, Window

DEPTH, ANGLE = np.arange(0.5, 20.0), np.arange(0.0, 360.0, 15.0)
SHAPE = (DEPTH.size, ANGLE.size)
TURN = np.radians(ANGLE)[None, :] * np.ones(SHAPE)
ALONG = np.linspace(-1.0, 1.0, DEPTH.size)[:, None] * np.ones(SHAPE)


def halo_of(field_mm: np.ndarray, *, common_mm: float = 0.0, noise_mm: float = 0.0) -> Halo:
    """A halo of that field; draws err alike by `common_mm`, cell by cell by `noise_mm`."""
    rng = np.random.default_rng(3)
    fields = (
        field_mm
        + common_mm * rng.standard_normal((200, 1, 1))
        + noise_mm * rng.standard_normal((200, *SHAPE))
    )
    side, cautions = np.full(SHAPE, Side.HEAD, dtype=np.int8), np.zeros(SHAPE, dtype=np.int64)
    nothing = Measured.missing(Unit.MM, Caution.NONE)
    both = (Side.HEAD, Side.TIP)
    draws = Draws(
        DEPTH, ANGLE, np.full(DEPTH.size, 2.0), field_mm, fields.std(axis=0), fields, side, cautions,
        dict.fromkeys(both, Measured.missing(Unit.HU, Caution.NONE)),
        dict.fromkeys(both, Rim("not shown", nothing, Measured.missing(Unit.HU, Caution.NONE))),
        dict.fromkeys(both, 0.2),
    )  # fmt: skip
    part = summarise(draws, (Side.HEAD,), Caution.NONE)
    width_map = HaloMap(DEPTH, ANGLE, field_mm.copy(), fields.std(axis=0), side, cautions)
    return Halo(width_map, part, part, part)


def word_of(halo: Halo) -> str:
    return next(f.state for f in judge(halo, 8.0) if f.quantity == "sector_excess" and f.site == "head_side")


def part_of(field_mm: np.ndarray, **more: float) -> HaloSummary:
    return halo_of(field_mm, **more).head_side


@pytest.mark.parametrize(
    ("field_mm", "shape", "word"),
    [
        (np.full(SHAPE, 0.8), "even", "even"),
        (0.8 + 0.2 * np.cos(TURN), "even", "even"),
        (0.9 + 0.9 * np.cos(TURN), "one-sided", "uneven"),
        (0.9 + 0.9 * np.cos(3.0 * TURN), "patchy", "uneven"),
        (0.9 + 0.8 * ALONG, "widening to tip", "even"),  # even is said of the way round the screw
        (np.full(SHAPE, 0.05), "none", "even"),
    ],
)
def test_shape_and_finding_speak_of_one_halo_alike(field_mm: np.ndarray, shape: str, word: str) -> None:
    halo = halo_of(field_mm, common_mm=0.2, noise_mm=0.2)
    assert halo.head_side.shape == shape
    assert word_of(halo) == word


@pytest.mark.parametrize("noise_mm", [0.0, 0.5, 1.0])
def test_noise_of_cells_makes_no_patches(noise_mm: float) -> None:
    assert part_of(np.full(SHAPE, 0.8), noise_mm=noise_mm).shape == "even"


@pytest.mark.parametrize("width_mm", [0.0, 0.8])
def test_noise_of_cells_surely_makes_no_wide_place_and_no_volume(width_mm: float) -> None:
    """Largest width and volume of an even halo lie within their intervals, however noisy its cells."""
    part = part_of(np.full(SHAPE, width_mm), common_mm=0.1, noise_mm=0.4)
    volume_mm3 = DEPTH.size * np.pi * ((2.0 + width_mm) ** 2 - 2.0**2)
    for found, true in ((part.p95_width, width_mm), (part.max_width, width_mm), (part.volume, volume_mm3)):
        assert found.low95 <= true <= found.high95
    assert part.max_width.low95 <= part.mean_width.low95
    assert np.isfinite([part.mean_width.below_limit, part.volume.below_limit]).all() == (width_mm == 0.0)


def test_what_sector_and_mean_have_in_common_drops_out_of_the_excess() -> None:
    """A blur that is not known moves all sectors alike, and leaves a crescent a crescent."""
    crescent = 0.8 + 0.8 * np.cos(TURN)
    sure, unsure = (part_of(crescent, common_mm=common_mm) for common_mm in (0.0, 0.4))
    assert unsure.sector_mean_width[0].u > 3.0 * sure.sector_mean_width[0].u + 0.1
    assert unsure.sector_excess.u == pytest.approx(sure.sector_excess.u, abs=0.005)
    # mean of the cosine over 45 degrees: sin(22.5) / 0.3927 = 0.974; cells of 15 degrees give 0.966
    assert unsure.sector_excess.value == pytest.approx(0.8 * 0.97, abs=0.02)


def test_the_scan_says_what_unevenness_it_does_not_exclude() -> None:
    found = [f for f in judge(halo_of(0.8 + 0.4 * np.cos(TURN)), 8.0) if f.quantity == "sector_excess"]
    assert found[0].state == "even"
    assert "is not excluded" in found[0].why


@pytest.mark.parametrize(("width_mm", "u_mm", "is_told"), [(0.8, 0.05, False), (0.8, 0.3, True)])
def test_the_answer_tells_where_even_is_not_shown(width_mm: float, u_mm: float, is_told: bool) -> None:
    side = build.make_side(width_mm, u_mm)
    reading = build.make_reading(build.make_implant(side, side))
    told = answer(reading.implants, reading.findings, reading.scan, "L5").cannot_tell
    assert (NOT_SURELY_EVEN in told) is is_told


def test_the_word_of_the_shape_keeps_to_the_limit_of_the_shipped_table() -> None:
    (row,) = rows_for(shipped_windows(), "ha-coated", "sector_excess", "tip_side", 8.0)
    assert row.high == EVEN_MM


@pytest.mark.parametrize(
    "quantity",
    [
        name
        for name in WINDOW_QUANTITIES
        if name
        not in ("width_growth", "migration", "interfragmentary_motion", "graft_rule")  # need another CT
        and name not in ("gap_width_mean", "gap_width_max", "bridged_fraction", "integrity")  # below
    ],
)
def test_every_row_a_table_may_hold_on_the_halo_is_judged(quantity: str) -> None:
    row = Window("any", quantity, "any", 0.0, 99.0, 50.0, 51.0, Unit.MM, "", "")
    found = [f for f in judge(halo_of(0.9 + 0.1 * np.cos(TURN)), 8.0, (row,)) if f.quantity == quantity]
    assert [f.window for f in found] == [row, row]
