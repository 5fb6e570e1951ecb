"""A case on disk and a desk over the model of a viewer: no window, no display."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import build_measuring
import build_reading as build
import pytest
from napari.components import ViewerModel

from ongrowth.scan import Acquisition, Scan
from ongrowth_napari.desk import Desk
from ongrowth_napari.session import open_session


@pytest.fixture(scope="session")
def scan() -> Scan:
    made = build.make_scan(step_mm=0.6)
    return replace(made, acquisition=Acquisition(), digest="d" * 64)


@pytest.fixture
def case_path(tmp_path: Path) -> Path:
    for name in ("w03", "w08"):
        (tmp_path / name).mkdir()
    path = tmp_path / "case.toml"
    path.write_text(build_measuring.CASE)
    return path


@pytest.fixture
def make_desk(case_path: Path, scan: Scan) -> Iterator[Callable[..., Desk]]:
    desks: list[Desk] = []

    def make(**how: Any) -> Desk:
        how = {"scan": scan, "author": "reader-1", "measure": build_measuring.quick} | how
        desks.append(Desk(ViewerModel(), open_session(case_path), **how))
        return desks[-1]

    yield make
    for desk in desks:
        desk.close()


@pytest.fixture
def desk(make_desk: Callable[..., Desk]) -> Desk:
    """A desk whose scan is measured."""
    made = make_desk()
    made._take_reading(build_measuring.reading_of(_known(made)))
    return made


def _known(desk: Desk) -> Any:
    from ongrowth.case import known_of

    return known_of(desk.session.case, desk.session.scan)
