"""Screws, rods and wires drawn by a closed formula, found again."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from ongrowth.geometry import unit
from ongrowth.scan import Refused, Scan
from ongrowth.screw import ScrewSpec, find_screws, metal_mask

BLUR_MM = 0.34


def draw(
    parts: list[tuple[ArrayLike, ArrayLike, float, float]],
    shape: tuple[int, int, int] = (90, 160, 160),
    ceiling_hu: float = np.nan,
    metal_hu: float = 9500.0,
) -> Scan:
    """A scan centred on the world's zero; parts are cones (start, end, first and last radius, mm)."""
    affine = np.zeros((4, 4))
    affine[2, 0], affine[1, 1], affine[0, 2], affine[3, 3] = 0.6, 0.35, 0.35, 1.0
    affine[:3, 3] = -affine[:3, :3] @ ((np.array(shape) - 1) / 2)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in shape], indexing="ij"), axis=-1)
    world = index @ affine[:3, :3].T + affine[:3, 3]
    hu = np.zeros(shape)
    for part in parts:
        hu = np.maximum(hu, metal_hu * cone(world, *part))
    hu += 200.0 + np.random.default_rng(1).normal(0.0, 30.0, shape)
    if np.isfinite(ceiling_hu):
        hu = np.minimum(hu, ceiling_hu)
    return Scan(np.round(hu).astype(np.int16), affine, hu_ceiling=ceiling_hu)


def cone(
    world: NDArray[np.float64], start: ArrayLike, end: ArrayLike, first: float, last: float
) -> NDArray[np.float64]:
    start, end = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    length = np.linalg.norm(end - start)
    axis = (end - start) / length
    depth = (world - start) @ axis
    away = np.linalg.norm(world - start - depth[..., None] * axis, axis=-1)
    radius = first + (last - first) * np.clip(depth / length, 0.0, 1.0)
    edges = (radius - away, depth, length - depth)
    return np.prod([ndtr(edge / BLUR_MM) for edge in edges], axis=0)


def screw(head: ArrayLike, axis: ArrayLike, length: float = 38.0, radius: float = 1.8) -> list:
    head, axis = np.asarray(head, dtype=float), unit(axis)
    neck = head + (length - 4.0) * axis
    return [
        (head - 3.0 * axis, head, 3.2, 3.2),
        (head, neck, radius, radius),
        (neck, head + length * axis, radius, 0.6),
    ]


@pytest.mark.parametrize("ceiling_hu", [np.nan, 3071.0])
@pytest.mark.parametrize("axis", [(0.3, -0.5, 0.8), (0.9, -0.4, 0.05), (0.05, 0.05, 1.0)])
def test_axis_and_ends_without_any_hint(axis: tuple[float, float, float], ceiling_hu: float) -> None:
    axis = unit(axis)
    head = -18.0 * axis + np.array([0.13, 0.21, 0.07])
    found = find_screws(draw(screw(head, axis), ceiling_hu=ceiling_hu)).screws
    assert len(found) == 1
    seen = unit(found[0].tip_mm - found[0].head_mm)
    assert np.degrees(np.arccos(min(seen @ axis, 1.0))) < 0.2
    for point, truth in ((found[0].head_mm, head), (found[0].tip_mm, head + 38.0 * axis)):
        along = (point - truth) @ axis
        assert abs(along) < 0.5
        assert np.linalg.norm(point - truth - along * axis) < 0.1
    assert found[0].integrity.state == "no interruption shown"


def test_two_screws_tell_each_others_side() -> None:
    left = screw((8.0, 14.0, -12.0), (0.3, -0.6, 0.74), length=34.0)
    right = screw((-8.0, 14.0, -12.0), (-0.3, -0.6, 0.74), length=34.0)
    found = {s.side: s for s in find_screws(draw(left + right)).screws}
    assert set(found) == {"left", "right"}
    assert found["left"].head_mm[0] > 0.0  # LPS: x grows to the patient's left


def test_a_side_that_disagrees_is_refused() -> None:
    pair = screw((8.0, 14.0, -12.0), (0.3, -0.6, 0.74)) + screw((-8.0, 14.0, -12.0), (-0.3, -0.6, 0.74))
    near_left = {"head_mm": (8.0, 14.0, -12.0)}
    with pytest.raises(Refused) as raised:
        find_screws(draw(pair), [ScrewSpec(id="a", side="left"), ScrewSpec(id="b", side="left")])
    assert raised.value.problems[0].code == "side-mismatch"
    assert find_screws(draw(pair), [ScrewSpec(id="a", side="left", **near_left)]).screws[0].id == "a"


@pytest.mark.parametrize(
    ("parts", "code"),
    [
        ([], "no-metal"),
        ([((0, -20, 5), (0, 20, 5), 2.75, 2.75)], "no-screw"),
        (screw((0, 0, -10), (0, 0, 1), length=60.0), "screw-cut-off"),
    ],
)
def test_scans_without_a_whole_screw_are_refused(parts: list, code: str) -> None:
    with pytest.raises(Refused) as raised:
        find_screws(draw(parts))
    assert raised.value.problems[0].code == code


def test_metal_mask_covers_the_screw_only() -> None:
    scan = draw(screw((0, 0, -18), (0, 0, 1)))
    where = scan.box([(0, 0, 0)], 6.0)
    mask = metal_mask(scan, where)
    assert mask.shape == scan.hu[where].shape
    away = np.linalg.norm(scan.crop(where).world_mm(np.argwhere(mask))[:, :2], axis=1)
    assert 1.8 < away.max() < 2.6
