"""A correction in the viewer gives the same numbers on the command line: a drawn CT, measured for real."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from napari.components import ViewerModel
from viewer_wait import wait_for

from ongrowth.cli import main
from ongrowth.reading import read_case
from ongrowth_napari.desk import Desk
from ongrowth_napari.session import new_case_file, open_session
from ongrowth_phantoms.implants import HaloField
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import pars_scene
from ongrowth_phantoms.series import write_dicom

PATIENCE_S = 240.0


def test_a_corrected_end_gives_the_same_numbers_on_the_command_line(tmp_path: Path) -> None:
    scene = pars_scene(1, halo=HaloField("even", 0.6), child=True, length_mm=30.0)
    protocol = FastProtocol(pixel_mm=0.4, slice_mm=0.8, slice_fwhm_mm=1.0, size_mm=(34.0, 40.0, 32.0))
    write_dicom(scan_fast(scene, protocol, seed=1), tmp_path / "w05", weeks=5.0)
    case = new_case_file(tmp_path / "w05", weeks=5.0, site="L5")
    desk = Desk(ViewerModel(), open_session(case), author="reader-1")
    try:
        wait_for(desk, lambda: not desk.is_reading, PATIENCE_S)
        desk.measure()
        wait_for(desk, lambda: not desk.is_measuring, PATIENCE_S)
        navigator = desk.navigator
        assert navigator is not None, desk.status
        as_found = desk.reading.implants[0]
        navigator.press(navigator.handles()["head_mm"])
        navigator.drag((1.5, 0.0))
        navigator.release()
        desk.measure()
        wait_for(desk, lambda: not desk.is_measuring, PATIENCE_S)
        corrected = desk.reading.implants[0]
        assert desk.save()
    finally:
        desk.close()
    done = CliRunner().invoke(main, ["follow", str(case), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    told = read_case(tmp_path / "out" / "case.json").readings[0].implants[0]
    assert told.screw.length_mm.value == pytest.approx(as_found.screw.length_mm.value - 1.5, abs=0.05)
    for side in ("head_side", "tip_side", "whole"):
        ours, theirs = (getattr(i.halo, side).mean_width for i in (corrected, told))
        assert ours.value == pytest.approx(theirs.value, abs=1e-9)
        assert (ours.low95, ours.high95) == pytest.approx((theirs.low95, theirs.high95), abs=1e-9)
    assert corrected.halo.head_side.mean_width.value != as_found.halo.head_side.mean_width.value
