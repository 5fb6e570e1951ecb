"""The cookbook page runs from manifest to figure, and its figures hold against the truth it drew."""

from __future__ import annotations

import contextlib
import io
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

PAGE = Path(__file__).parents[1] / "docs" / "cookbook.md"
BLOCK = re.compile(r"^```python\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@contextlib.contextmanager
def inside(folder: Path) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def run_page(folder: Path, *, with_images: bool = False) -> tuple[dict[str, Any], str]:
    """Run all code of the page in a folder; returns its names and what it printed."""
    names: dict[str, Any] = {"__name__": "cookbook"}
    printed = io.StringIO()
    with inside(folder), contextlib.redirect_stdout(printed):
        for code in BLOCK.findall(PAGE.read_text(encoding="utf-8")):
            if with_images:
                code = code.replace("WITH_IMAGES = False", "WITH_IMAGES = True")
            exec(compile(code, str(PAGE), "exec"), names)
    return names, printed.getvalue()


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], str]:
    folder = tmp_path_factory.mktemp("cookbook")
    return (folder, *run_page(folder))


def test_the_page_runs_from_manifest_to_figure(page: tuple[Path, dict[str, Any], str]) -> None:
    folder, names, printed = page
    assert names["run"].n_failed == 0
    assert len(names["manifest"].jobs) + len(names["manifest"].missed) == 72
    assert len({job.case for job in names["manifest"].jobs}) == 24
    for picture in ("course.svg", "bridging.svg", "ranges.svg"):
        assert (folder / picture).read_text(encoding="utf-8").startswith("<svg ")
    assert (folder / "out" / "page.html").is_file()
    assert "median time to bridging" in printed


def test_its_figures_hold_against_the_truth_it_drew(page: tuple[Path, dict[str, Any], str]) -> None:
    """Stand-in errors of 0.08 mm, no bias."""
    _, names, _ = page
    found = {(f.topic, f.name): f.estimate for f in names["figures"]}
    bias = found["linearity", "mean bias"]
    assert bias.low95 < 0.0 < bias.high95
    assert found["linearity", "residual SD"].value == pytest.approx(0.08, abs=0.02)
    within = {f.name: f.estimate for f in names["repeatability"]}["within-subject SD"]
    assert within.low95 < 0.08 < within.high95
    assert names["inside"].mean() > 0.9
    slopes = [phase.change_per_week.value for phase in names["course"].phases]
    assert all(slope < 0.0 for slope in slopes), "halos of this clinic fade"
