"""The whole way once, as a newcomer goes it: `ongrowth demo`, then the note."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from ongrowth.cli import main
from ongrowth.reading import read_reading, validate


@pytest.mark.slow
def test_the_demo_measures_a_phantom_and_writes_the_page(tmp_path: Path) -> None:
    out = tmp_path / "out"
    told = CliRunner().invoke(main, ["demo", "--out", str(out)])
    assert told.exit_code == 0, told.stderr
    assert "week 5: halo on both sides" in told.stdout
    assert str(out / "page.html") in told.stdout
    page = (out / "page.html").read_text(encoding="utf-8")
    assert len(page.encode()) < 1_000_000
    files = list(out.glob("*/reading.json"))
    assert len(files) == 1
    validate(json.loads(files[0].read_text(encoding="utf-8")), "ongrowth-reading/1")
    reading = read_reading(files[0])
    implant = reading.implants[0]
    assert implant.defect is not None
    assert implant.halo.head_side.mean_width.is_known
    assert len(implant.cuts) == 3
    note = CliRunner().invoke(main, ["note", str(out)])
    assert note.exit_code == 0
    assert "IMPRESSION" in note.stdout
    objects = CliRunner().invoke(main, ["dicom", str(out)])
    assert objects.exit_code == 0, objects.stderr
    assert [file.name for file in sorted((out / "dicom").iterdir())] == [
        f"{reading.scan.id}-{kind}.dcm" for kind in ("page", "seg", "sr")
    ]
