"""What the two sides of a shaft amount to together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ongrowth.defect import Side
from ongrowth.halo import Rim
from ongrowth.halo.summary import Draws, summarise
from ongrowth.quantity import Caution, Measured, Unit

BOTH = (Side.HEAD, Side.TIP)
UNKNOWN_HU = Measured.missing(Unit.HU, Caution.SMALLER_THAN_BLUR)


def draws_of(layers: tuple[Measured, Measured], tip_depths: int) -> Draws:
    """A shaft of twenty depths whose last ones belong to the tip side."""
    shape = (20, 24)
    side = np.full(shape, Side.HEAD, dtype=np.int8)
    side[20 - tip_depths :] = Side.TIP
    no_rim = Rim("not shown", Measured.missing(Unit.MM, Caution.NONE), UNKNOWN_HU)
    return Draws(
        np.arange(0.5, 20.0), np.arange(0.0, 360.0, 15.0), np.full(20, 2.0), np.full(shape, 0.8),
        np.full(shape, 0.1), np.full((50, *shape), 0.8), side, np.zeros(shape, dtype=np.int64),
        dict(zip(BOTH, layers, strict=True)), dict.fromkeys(BOTH, no_rim), dict.fromkeys(BOTH, 0.2),
    )  # fmt: skip


@pytest.mark.parametrize(("tip_depths", "value_hu"), [(10, 80.0), (5, 70.0), (0, 60.0)])
def test_the_layer_of_the_whole_shaft_is_that_of_its_sides_by_their_surface(
    tip_depths: int, value_hu: float
) -> None:
    layers = Measured.of(60.0, 10.0, Unit.HU), Measured.of(100.0, 10.0, Unit.HU)
    whole = summarise(draws_of(layers, tip_depths), BOTH, Caution.NONE).layer_hu
    assert (whole.value, whole.u) == pytest.approx((value_hu, 10.0))


@pytest.mark.parametrize("empty", BOTH)
def test_a_side_without_a_cell_takes_no_limit_from_the_whole(empty: Side) -> None:
    """One side may hold no bone; its limit is then no number, and the whole is that of the other side."""
    draws = draws_of((UNKNOWN_HU, UNKNOWN_HU), 0 if empty is Side.TIP else 20)
    thin = replace(draws, width_mm=0.1 * draws.width_mm, limit_mm=draws.limit_mm | {empty: float("nan")})
    whole = summarise(thin, BOTH, Caution.NONE)
    assert (whole.detection_limit.value, whole.mean_width.below_limit) == (0.2, 0.2)


def test_a_side_whose_layer_is_too_thin_to_read_leaves_the_whole_unread() -> None:
    layers = Measured.of(60.0, 10.0, Unit.HU), UNKNOWN_HU
    assert summarise(draws_of(layers, 10), BOTH, Caution.NONE).layer_hu == UNKNOWN_HU
    # a shaft that no defect parts has one side
    assert summarise(draws_of(layers, 0), BOTH, Caution.NONE).layer_hu.value == pytest.approx(60.0)


def test_the_sectors_of_a_side_average_to_its_mean() -> None:
    """Draws of thin halos are cut at zero one by one, and their mean is wider than the best estimate."""
    rng = np.random.default_rng(3)
    draws = draws_of((UNKNOWN_HU, UNKNOWN_HU), 10)
    thin = replace(
        draws,
        width_mm=np.full((20, 24), 0.05) * np.linspace(0.5, 1.5, 24),
        fields_mm=0.05 + 0.7 * rng.standard_normal((50, 1, 1)) + np.zeros((50, 20, 24)),
    )
    for sides in ((Side.HEAD,), (Side.TIP,), BOTH):
        found = summarise(thin, sides, Caution.NONE)
        sectors = [sector.value for sector in found.sector_mean_width]
        assert np.mean(sectors) == pytest.approx(found.mean_width.value)  # sectors of equal area
        assert all(s.low95 <= s.value <= s.high95 for s in found.sector_mean_width)
