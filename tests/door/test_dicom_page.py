"""The answer page as an image: everything the answer says, nothing cut off, no name in the pixels."""

from __future__ import annotations

import datetime as dt
import math
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import build_export
import build_reading as build
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from pydicom import dcmread

from ongrowth.findings import (
    Against,
    answer,
    answer_before,
    gap_rows,
    lines_of,
    print_line,
    screw_sentence,
    side_sentence,
)
from ongrowth.reading import Case, DefectReading, ImplantReading, Patient
from ongrowth.reports.dicom import Wanted, export_case, write_objects
from ongrowth.reports.dicom import sheet as sheets
from ongrowth.scan import Level, Problem, Scan
from ongrowth.wording import fixed_words

MADE = dt.datetime(2031, 4, 30, 9, 30, tzinfo=dt.UTC)
DIAGNOSIS = re.compile(r"\b(loos\w*|heal\w*|infect\w*|stable|unstable)\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def scan() -> Scan:
    return build_export.make_scan("axial")


def case_of(*implants: ImplantReading, site: str = "L5", weeks: float = 8.0) -> Case:
    problems = (build.thick_slices(),)
    reading = build.make_reading(*implants, weeks=weeks, site=site, problems=problems)
    told = answer(reading.implants, reading.findings, reading.scan, site)
    return Case(Patient("harbour-07", 2016, site), (reading,), reading.findings, told)


def rows_of(case: Case) -> list[sheets.Row]:
    implants = case.readings[-1].implants[: sheets.SCREWS_A_SHEET]
    return [block for block in sheets._sheet(case, implants, "1 of 1") if isinstance(block, sheets.Row)]


def text_of(case: Case) -> str:
    return "\n".join(text for row in rows_of(case) for _, text in row.cells)


def test_the_sheet_says_what_is_excluded_below_a_coarse_limit_and_names_other_metal() -> None:
    """As expected up to 1 mm, though the scan would miss a line of 1.2 mm: the interval has decided."""
    drawn = build.make_side(0.0, u_mm=0.3)
    side = replace(drawn, mean_width=replace(drawn.mean_width, below_limit=1.2))
    text = text_of(case_of(build.make_implant(side, side), weeks=30.0))
    assert "below 1.20 mm" in text
    assert text.count("Only a halo of 1.20 mm would surely show, but the 95 % interval excludes") == 2
    assert "Other metal\nwire, length 7.20 mm (6.42 to 7.98 mm)" in text


def test_no_line_parts_a_number_from_its_unit() -> None:
    for n in range(40):  # wherever the line ends
        text = "x" * n + " moved by 1.21 mm (1.06 to 1.36 mm)" * 8
        (_, lines), *_ = sheets.Row(((0.0, text),)).wrapped(1.0)
        assert len(lines) > 1
        assert not any(line.startswith("mm") for line in lines), lines


def test_the_sheet_says_which_screw_is_not_in_the_answer() -> None:
    gone = Problem("screw-not-found", Level.CAUTION, "The right screw was not found.", "")
    side = build.make_side(0.5)
    reading = build.make_reading(build.make_implant(side, side), problems=(gone,))
    case = Case(Patient("harbour-07", 2016, "L5"), (reading,), reading.findings, reading.summary)
    told = [row for row in rows_of(case) if row.cells[0][1] == gone.text]
    assert [row.is_bold for row in told] == [True, False]  # with the answer, and among what cannot be told


def test_the_sheet_says_all_that_the_answer_says(scan: Scan) -> None:
    case = case_of(*build_export.two_screws(scan))
    text = text_of(case)
    for implant in case.readings[-1].implants:
        assert screw_sentence(implant, case.findings, 8.0, "L5") in text
        for line in lines_of(implant.id, case.findings):
            printed = print_line(line, "L5")
            assert all(words in text for words in (printed.name, printed.measured, printed.expected))
            assert f"{printed.symbol} {printed.result}" in text
    for said in (*case.summary.cannot_tell, *case.summary.not_looked_at, *fixed_words().cautions):
        assert said in text
    assert "Surgery 2031-03-04, CT 2031-04-29" in text
    assert "P-4711" not in text
    assert "harbour-07" not in text
    without = text
    for caution in fixed_words().cautions:
        without = without.replace(caution, "")
    assert not DIAGNOSIS.search(without)


def test_before_surgery_the_sheet_tells_the_gap_of_each_side() -> None:
    blank = build.make_reading(weeks=math.nan)
    defects = tuple(DefectReading(side, build.make_bridge(0.0, side)) for side in ("left", "right"))
    summary = answer_before(defects, (), (), "L5")
    settings = blank.provenance.settings | {"oedema_signal": "unknown"}
    made = replace(blank.provenance, settings=settings)
    reading = replace(blank, defects=defects, summary=summary, provenance=made)
    case = Case(Patient("harbour-07", 2016, "L5"), (reading,), (), summary)
    text = text_of(case)
    assert "L5, before surgery" in text
    assert "week" not in text.lower()  # weeks since surgery, a next week: neither has a place here
    for defect in defects:
        assert side_sentence(defect, None) in text
        assert all(name in text and value in text for name, value in gap_rows(defect))
    assert len(sheets.draw_sheets(case)) == 1


def test_what_is_outside_is_told_with_its_reason(scan: Scan) -> None:
    """What is open is explained below; what is outside stands nowhere else."""
    wide = build.make_implant(build.make_side(2.6), build.make_side(2.6))
    case = case_of(wide, weeks=20.0)
    outside = [line for line in lines_of(wide.id, case.findings) if line.result is Against.OUTSIDE]
    assert outside
    assert all(print_line(line, "L5").reason in text_of(case) for line in outside)


def test_no_line_is_wider_than_its_column(scan: Scan) -> None:
    """The widths of letters are estimated for wrapping; here they are measured."""
    figure = Figure(dpi=sheets._DPI)
    renderer = FigureCanvasAgg(figure).get_renderer()
    end = sheets._WIDTH_MM - 2.0 * sheets._MARGIN_MM
    for row in rows_of(case_of(*build_export.two_screws(scan))):
        wrapped = row.wrapped(1.0)
        stops = [x for x, _ in wrapped[1:]] + [end]
        for (x, lines), stop in zip(wrapped, stops, strict=True):
            for line in lines:
                weight = "bold" if row.is_bold else "normal"
                text = figure.text(0, 0, line, fontsize=row.size_pt, fontweight=weight, family="DejaVu Sans")
                width_mm = text.get_window_extent(renderer).width / sheets._DPI * 25.4
                assert width_mm <= stop - x, line


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_everything_fits_on_a_sheet_for_up_to_two_screws(scan: Scan, count: int) -> None:
    implants = [replace(one, id=f"{one.id}-{n}") for n in range(3) for one in build_export.two_screws(scan)][
        :count
    ]
    drawn = sheets.draw_sheets(case_of(*implants))
    assert len(drawn) == max(1, math.ceil(count / 2))
    margin = int(sheets._MARGIN_MM / 25.4 * sheets._DPI) - 4
    for pixels in drawn:
        assert pixels.shape == (1753, 1240, 3)
        assert pixels.dtype == np.uint8
        assert (pixels[-margin:] == 255).all()  # nothing runs into the lower margin
        assert (pixels[:, -20:] == 255).all()
        assert (pixels < 128).any()


def test_a_very_long_answer_is_written_smaller_not_cut_off(scan: Scan) -> None:
    case = case_of(*build_export.two_screws(scan))
    points = tuple(f"Point {n}: {'a long reason that fills the line and goes on ' * 3}" for n in range(12))
    long = replace(case, summary=replace(case.summary, cannot_tell=points))
    (pixels,) = sheets.draw_sheets(long)
    margin = int(sheets._MARGIN_MM / 25.4 * sheets._DPI) - 4
    assert (pixels[-margin:] == 255).all()
    assert not np.array_equal(pixels, sheets.draw_sheets(case)[0])


def test_the_page_is_one_clean_secondary_capture(tmp_path: Path) -> None:
    made = build_export.export_on("axial", tmp_path)
    reading = made.reading
    case = Case(Patient(site="L5"), (reading,), reading.findings, reading.summary)
    (file,) = write_objects(export_case(case, MADE, Wanted(("page",))).objects, tmp_path / "out")
    page = dcmread(file)
    assert page.SOPClassUID.name == "Secondary Capture Image Storage"
    assert (page.Rows, page.Columns, page.PhotometricInterpretation) == (1753, 1240, "RGB")
    assert page.BurnedInAnnotation == "YES"  # both dates
    assert page.PatientID == "PHANTOM-01"
    assert np.array_equal(page.pixel_array, sheets.draw_sheets(case)[0])
    assert oct(file.stat().st_mode & 0o777) == "0o600"
    if shutil.which("dciodvfy"):
        told = subprocess.run(["dciodvfy", str(file)], capture_output=True, text=True, check=False)
        assert not re.search(r"^Error", told.stdout + told.stderr, re.MULTILINE)
