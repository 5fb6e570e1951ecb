"""The page: answer first, whole in one file, readable without eyes, on paper one page and one per screw."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest

from ongrowth.bridge import Edge
from ongrowth.findings import LOOK_AT_THE_DEFECT, SYMBOLS, THIN_SERIES_FIRST, answer, shipped_windows
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import (
    Case,
    DoseFacts,
    Patient,
    Reading,
    Source,
    case_dose,
    dose_over_time,
    read_reading,
    write_reading,
)
from ongrowth.reports.figures import TimePoint, draw_gap_map, expected_bands, weeks_drawn
from ongrowth.reports.note import render_note
from ongrowth.reports.page import render_page
from ongrowth.reports.page.tables import cut_across_twin, cut_along_twin, outlook_table
from ongrowth.scan import Level, Problem

ONE_SIDED = (2.0, 1.9, 1.1, 0.6, 0.4, 0.5, 0.8, 1.4)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def case_of(*readings: Reading, patient: str = "harbour-07", site: str = "L5") -> Case:
    last = readings[-1]
    summary = answer(last.implants, last.findings, last.scan, site, n_scans=len(readings))
    return Case(Patient(patient, 2016, site), readings, last.findings, summary)


@pytest.fixture(scope="module")
def reading() -> Reading:
    scan = build.make_scan(step_mm=0.4)
    left = build.make_implant(
        build.make_side(0.7),
        build.make_side(1.1, sectors_mm=ONE_SIDED),
        bridge=build.make_bridge(0.2),
        scan=scan,
    )
    right = build.make_implant(
        build.make_side(0.1),
        build.make_side(math.nan),
        side="right",
        bridge=build.make_bridge(0.2, "right"),
        scan=scan,
    )
    return build.make_reading(left, right, problems=(build.thick_slices(),))


@pytest.fixture(scope="module")
def page(reading: Reading) -> str:
    return render_page(case_of(reading))


class Outline(HTMLParser):
    """Collects tags and checks that what is opened is closed in order."""

    VOID = ("meta", "br", "img", "link", "input", "hr")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.seen if name == tag]


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    told = Outline()
    told.feed(page)
    assert told.open == []
    return told


def test_no_width_at_a_place_stands_without_its_doubt_or_below_the_limit_of_its_side() -> None:
    below = Measured.of(0.2, 0.1, Unit.MM, floor=0.0, limit=0.5)
    head, scan = replace(build.make_side(0.2), mean_width=below), build.make_scan(step_mm=1.0)
    implant = build.make_implant(head, build.make_side(1.2), scan=scan)
    along, across = (next(c for c in implant.cuts if c.name == name) for name in ("along-zero", "across"))
    rows = (*cut_along_twin(along, implant).rows, *cut_across_twin(across, implant).rows)
    told = [cell for row in rows for cell in row[1:]]
    assert "below 0.50 mm" in told
    assert any(" to " in cell for cell in told)
    assert all(cell in ("not measured", "below 0.50 mm") or " to " in cell for cell in told)


def test_a_week_that_a_date_contradicts_stands_beside_the_dates(reading: Reading) -> None:
    text = "The date of the scan gives week 16, but week 8 was told and is used."
    doubt = Problem("week-mismatch", Level.CAUTION, text, "Check the date of surgery and of the scan.")
    told = render_page(case_of(replace(reading, scan=replace(reading.scan, problems=(doubt,)))))
    head = re.sub(r"\s", " ", told[: told.index('class="lines"')])
    assert text in head
    assert "week 16" not in render_page(case_of(reading))


def test_the_answer_comes_first_and_in_the_fixed_order(page: str) -> None:
    marks = [
        "<h1",
        "Surgery 2031-03-04</span>, <span>CT 2031-04-29",
        "Left screw, week 8: halo on the pedicle side (screw tip) undecided",
        "Halo, lamina side (screw head)",
        "Halo, pedicle side (screw tip)",
        "Bridging",
        "Metal and position",
        "Right screw, week 8:",
        "What this CT cannot tell",
        "Not looked at",
        "Cautions",
        "what was measured",
    ]
    at = 0
    for mark in marks:
        at = page.index(mark, at) + 1
    assert "L5, left and right screws, week 8</h1>" in page


def test_the_file_stands_alone_and_is_small(page: str, outline: Outline) -> None:
    assert len(page.encode()) < 1_000_000
    assert outline.all("script") == []
    assert outline.all("link") == []
    links = [
        v for _, attrs in outline.seen for k, v in attrs.items() if k in ("src", "href", "xlink:href") and v
    ]
    assert all(link.startswith(("#", "data:image/png;base64,")) for link in links)
    assert not re.search(r"url\((?!#)|@import|https?://(?!www\.w3\.org/)", page)


def test_no_list_is_empty(reading: Reading) -> None:
    """A list without points is read aloud all the same; cautions stand in another one."""
    caution = Problem("kernel-smooth", Level.CAUTION, "A smooth kernel.", "Ask for a sharp one.")
    only = replace(reading, scan=replace(reading.scan, problems=(caution,)))
    assert not re.search(r"<ul[^>]*>\s*</ul>", render_page(case_of(only)))


def test_results_are_black_words_with_a_symbol(page: str) -> None:
    css = page[page.index("<style>") : page.index("</style>")]
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", css))
    assert colours <= {"#000", "#333", "#bbb", "#fff"}
    assert f'<span aria-hidden="true">{SYMBOLS[next(iter(SYMBOLS))]}</span> as expected' in page


def test_every_picture_has_words_and_a_table(outline: Outline) -> None:
    pictures = outline.all("svg")
    assert len(pictures) == len(outline.all("figure")) == len(outline.all("figcaption")) == 16
    assert all(svg["role"] == "img" and len(str(svg["aria-label"])) > 40 for svg in pictures)
    assert len(outline.all("details")) == len(outline.all("summary")) == 16


def test_beside_the_bridging_figure_stands_where_to_look(page: str, outline: Outline) -> None:
    """The plane may be found wrong without its uncertainty showing it: the reader is led to its picture."""
    links = [str(a["href"]).removeprefix("#") for a in outline.all("a")]
    anchors = [figure.get("id") for figure in outline.all("figure") if "id" in figure]
    assert links == anchors == ["slit-left", "slit-right"]
    assert page.count(LOOK_AT_THE_DEFECT) == 2
    assert page.index(LOOK_AT_THE_DEFECT) < page.index("What this CT cannot tell")


def test_nothing_is_said_of_a_cut_where_no_bridging_was_measured() -> None:
    side = build.make_side(0.7)
    told = build.plain_page(case_of(build.make_reading(build.make_implant(side, side))))
    assert LOOK_AT_THE_DEFECT not in told


def test_a_screen_reader_finds_its_way(outline: Outline) -> None:
    assert outline.all("html")[0]["lang"] == "en"
    assert len(outline.all("h1")) == 1
    assert all("scope" in th for th in outline.all("th"))
    ids = [attrs["id"] for _, attrs in outline.seen if "id" in attrs]
    for section in outline.all("section"):
        assert section["aria-labelledby"] in ids


def test_ids_inside_pictures_point_to_themselves(page: str) -> None:
    """Several pictures share one page: each reference must find its target in its own picture."""
    for svg in re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL):
        targets = set(re.findall(r'\bid="([^"]+)"', svg))
        assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', svg)) <= targets
    names = re.findall(r'\sid="([^"]+)"', page)
    assert sorted(set(names)) == sorted(names)  # an id stands there once, also in several pictures


def test_the_same_reading_gives_the_same_page(reading: Reading, page: str) -> None:
    assert render_page(case_of(reading)) == page


def test_a_stored_reading_gives_the_same_page(reading: Reading, page: str, tmp_path: Path) -> None:
    """The same words; the maps are stored to a nanometre, so pictures may differ in the last digit."""
    back = render_page(case_of(read_reading(write_reading(reading, tmp_path / "w08"))))
    pictures = re.compile(r"<svg.*?</svg>", re.DOTALL)
    assert pictures.sub("", back) == pictures.sub("", page)
    assert len(back) == pytest.approx(len(page), rel=0.001)


def test_without_its_private_file_the_page_tells_weeks_only(reading: Reading, tmp_path: Path) -> None:
    path = write_reading(reading, tmp_path / "w08")
    path.with_name("source.json").unlink()
    told = render_page(case_of(read_reading(path)))
    assert "2031" not in re.sub(r"<svg.*?</svg>", "", told, flags=re.DOTALL)
    assert "week 8" in told


def test_text_from_the_data_is_escaped() -> None:
    side = build.make_side(0.7)
    reading = build.make_reading(build.make_implant(side, side))
    evil = '<script>alert("x")</script>'
    facts = replace(
        reading.scan, kernel=evil, scanner=evil, problems=(replace(build.thick_slices(), text=evil),)
    )
    told = render_page(case_of(replace(reading, scan=facts), patient=evil, site=evil[:32]))
    assert "<script" not in told
    assert "&lt;script&gt;" in told


def test_what_identifies_is_not_on_the_page(page: str) -> None:
    for planted in ("/private/in", "P-4711", "1.2.9", "1.2.3"):
        assert planted not in page


def test_unmeasured_cells_are_hatched_and_the_defect_is_marked(page: str) -> None:
    """The map of the first screw holds both; their marks are in the picture."""
    maps = [svg for svg in re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL) if "Unrolled" in svg]
    assert len(maps) == 2
    assert all("<pattern" in svg and ">defect<" in svg for svg in maps)


def test_the_time_line_shows_every_ct_and_the_bands_of_the_table() -> None:
    def one(weeks: float, width: float) -> Reading:
        side = build.make_side(width)
        return build.make_reading(build.make_implant(side, side), weeks=weeks, scan_id=f"w{weeks:.0f}")

    told = build.plain_page(case_of(one(4.0, 0.9), one(9.0, 0.7), one(16.0, 0.4)))
    for week, width in ((4, "0.90"), (9, "0.70"), (16, "0.40")):
        assert f"week {week}: {width} mm" in told
    bands = expected_bands(shipped_windows(), "ha-coated")
    # weeks of one range are one band, without a seam
    assert [(b.from_weeks, b.high_mm) for b in bands] == [(0, 1), (3, 2), (12, 1)]


def test_the_mark_of_a_ct_of_the_first_days_is_not_cut_by_the_axis() -> None:
    width = build.make_side(0.4).mean_width
    early, late = (TimePoint(weeks, width, width, width) for weeks in (0.3, 60.0))
    assert weeks_drawn([early]) == pytest.approx((-0.7, 28.0))
    assert weeks_drawn([late]) == pytest.approx((0.0, 64.0))
    assert weeks_drawn([early, late]) == pytest.approx((-0.7, 64.0))


def test_the_dose_is_added_up_over_time() -> None:
    """Three CTs of 5.2 mGy and 96 mGy cm each; then one of them that states a CTDIvol alone."""
    case = build.make_case()
    own = tuple(replace(r, source=Source(study_uid=f"2.25.{k}")) for k, r in enumerate(case.readings))
    case = replace(case, readings=own, dose_total=case_dose(own))
    told = " ".join(build.plain_page(case).split())
    assert (
        "Dose of the 3 CTs of this case: CTDIvol 16 mGy in sum; dose-length product 288 mGy·cm in sum" in told
    )
    assert "CTDIvol added up, mGy: 5 by week 4, 10 by week 12, 16 by week 26." in told
    first = case.readings[0]
    bare = replace(first, scan=replace(first.scan, dose=DoseFacts(4.0, n_ctdi_stated=1)))
    readings = (bare, *case.readings[1:])
    told = " ".join(
        build.plain_page(replace(case, readings=readings, dose_total=case_dose(readings))).split()
    )
    assert "dose-length product 192 mGy·cm in sum (1 of them do not state it)" in told
    assert "4 by week 4, 9 by week 12, 14 by week 26" in told


def test_two_series_of_one_examination_count_once() -> None:
    case = build.make_case()
    study = Source(study_uid="2.25.1")
    readings = tuple(replace(one, source=study) for one in case.readings[:2])
    assert case_dose(readings).ctdi_vol_mgy == pytest.approx(5.2)
    assert [total.n_examinations for _, total in dose_over_time(readings)] == [1]


def test_only_what_would_help_is_predicted() -> None:
    implant = build.make_case().readings[-1].implants[0]
    worse, helps = replace(implant.predicted[0], u95_mm=9.0), implant.predicted[-1]
    assert outlook_table(replace(implant, predicted=(worse,))) is None
    table = outlook_table(replace(implant, predicted=(worse, helps)))
    assert table is not None
    assert [row[0] for row in table.rows] == ["Now", "All of these together"]


def test_a_ct_without_a_screw_still_has_a_page() -> None:
    reading = build.make_reading(weeks=-2.0)
    unknown = Measured.missing(Unit.MM, Caution.BLUR_UNKNOWN)
    blind = replace(reading.scan, blur_in_plane_mm=unknown, blur_through_plane_mm=unknown)
    told = build.plain_page(case_of(replace(reading, scan=blind)))
    assert "from before surgery: there is no screw to measure" in told
    assert ", before surgery</h1>" in told
    assert "follow-up" not in re.sub(r"<style>.*?</style>", "", told, flags=re.DOTALL)
    assert "not measurable (blur unknown)" not in told  # blur is looked for beside a screw only


def test_a_reading_without_pictures_has_a_page() -> None:
    side = build.make_side(0.7)
    told = build.plain_page(case_of(build.make_reading(build.make_implant(side, side))))
    assert told.count("<figure") == 2  # map and time line


def followed() -> str:
    """The page of two screws, each compared with two earlier CTs."""
    case = build.make_case(build.make_scan(step_mm=0.5))

    def both(records: tuple[Any, ...]) -> tuple[Any, ...]:
        return (*records, *(replace(record, implant="right") for record in records))

    def with_right(reading: Reading) -> Reading:
        left = reading.implants[0]
        return replace(reading, implants=(left, replace(left, id="right", side="right")))

    names = ("motions", "changes", "new_bone", "change_maps", "overlays", "findings")
    readings = tuple(with_right(reading) for reading in case.readings)
    return render_page(replace(case, readings=readings, **{n: both(getattr(case, n)) for n in names}))


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian package chromium)")
@pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="pdftotext is not installed (Debian package poppler-utils)"
)
@pytest.mark.parametrize("is_followed", [False, True])
def test_on_paper_one_answer_page_and_one_per_screw(page: str, is_followed: bool, tmp_path: Path) -> None:
    """Two screws, open questions on each, thick slices, or two earlier CTs: the longest pages still fit."""
    page = followed() if is_followed else page
    source, target = tmp_path / "page.html", tmp_path / "page.pdf"
    source.write_text(page, encoding="utf-8")
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    subprocess.run(
        [*command, f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={target}", source.as_uri()],
        check=True,
        capture_output=True,
        timeout=90,
    )
    text = subprocess.run(
        ["pdftotext", "-layout", str(target), "-"], check=True, capture_output=True, text=True
    )
    sheets = text.stdout.rstrip("\f\n").split("\f")
    assert len(sheets) == 3
    assert "What this CT cannot tell" in sheets[0]
    assert "Left screw: what was measured" in sheets[1]
    assert "Right screw: what was measured" in sheets[2]


def test_the_other_side_and_the_other_screw_stand_as_control(reading: Reading, page: str) -> None:
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "pedicle side (screw tip) less lamina side (screw head) 0.4" in text
    assert "lamina side (screw head) less that of the right screw 0.6" in text
    assert (
        "pedicle side (screw tip) less that of the right screw" not in text
    )  # that one is not measurable there
    known = [c for c in reading.implants[1].controls if c.difference.is_known]
    assert [(c.side, c.other_implant) for c in known] == [("head_side", "left")]


def page_of_a_whole_shaft() -> str:
    """The page of a screw round which no defect was found."""
    none, whole = build.missing_side(Caution.NO_DEFECT), build.make_side(0.6)
    implant = build.make_implant(none, none, scan=build.make_scan(step_mm=0.5))
    implant = replace(implant, defect=None, bridge=None, halo=replace(implant.halo, whole=whole))
    reading = build.make_reading(implant, weeks=30.0)
    return render_page(Case(Patient(site="L5"), (reading,), reading.findings, reading.summary))


def test_a_shaft_that_no_defect_parts_is_told_as_one() -> None:
    page = page_of_a_whole_shaft().replace("\xa0", " ")
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "Halo, whole shaft 0.60 mm" in text
    assert "halo along the whole shaft" in text
    assert "Halo, lamina side" not in text
    assert "Halo: value (95 % interval) Whole shaft Mean width 0.60 " in text
    assert "Week Whole shaft Expected range week 30 0.60 mm" in text
    assert "Mean width 0.60 mm (0.50 to 0.70 mm) on the whole shaft." in page  # read aloud with the map


CUT_OFF = """<script>addEventListener("load", () => {
const cut = [];
for (const picture of document.querySelectorAll("svg")) {
  const all = picture.getBoundingClientRect();
  for (const text of picture.querySelectorAll("text")) {
    const part = text.getBoundingClientRect();
    const beside = Math.max(all.left - part.left, part.right - all.right);
    const over = Math.max(beside, all.top - part.top, part.bottom - all.bottom);
    if (over > 1) cut.push(text.textContent + " by " + over.toFixed(1));
  }
}
document.body.innerHTML = `<pre>cut off: ${cut.join("; ")}.</pre>`;
});</script>"""


@pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed (Debian package chromium)")
@pytest.mark.parametrize("drawn", ["two sides", "whole shaft", "followed"])
def test_no_word_of_a_picture_is_cut_off(page: str, drawn: str, tmp_path: Path) -> None:
    """To a pixel, which is what the outlines of letters are rounded to."""
    told = {"two sides": lambda: page, "whole shaft": page_of_a_whole_shaft, "followed": followed}[drawn]()
    source = tmp_path / "page.html"
    source.write_text(told.replace("</body>", f"{CUT_OFF}</body>"), encoding="utf-8")
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--window-size=1280,900"]
    seen = subprocess.run(
        [*command, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", source.as_uri()],
        check=True,
        capture_output=True,
        text=True,
        timeout=90,
    )
    assert "<pre>cut off: .</pre>" in seen.stdout


def test_what_lies_below_the_limit_is_explained_beside_its_mark() -> None:
    def captions(width_mm: float) -> str:
        side = build.make_side(width_mm)
        return build.plain_page(case_of(build.make_reading(build.make_implant(side, side))))

    assert "over time (▼: below the detection limit)" in captions(0.1)
    assert "▼" not in captions(0.6)


def test_a_screw_whose_side_is_not_known_is_named_clearly() -> None:
    side = build.make_side(0.6)
    implant = replace(build.make_implant(side, side), id="screw-1", side="not established")
    page = build.plain_page(case_of(build.make_reading(implant)))
    assert '<h1 id="top">L5, screw (side not established), week 8</h1>' in page


def test_edges_of_the_defect_are_told_with_side_interval_and_reason() -> None:
    side = build.make_side(0.6)
    bridge = build.make_bridge(0.2)
    unknown = Measured.missing(Unit.HU, Caution.LITTLE_MEASURED)
    bridge = replace(bridge, head_edge=Edge(unknown, unknown, None))
    case = case_of(build.make_reading(build.make_implant(side, side, bridge=bridge)))
    page = " ".join(re.sub(r"<[^>]+>", " ", build.plain_page(case)).split())
    assert "Edge, lamina side not measurable (little measured)" in page
    told = "sclerosis undecided: 410 (292 to 528) HU, bone behind it 350 (232 to 468) HU"
    assert f"Edge, pedicle side {told}" in page
    note = " ".join(render_note(case).split())
    assert "Edge, lamina side (screw head): not measurable (little measured)." in note
    assert f"Edge, pedicle side (screw tip): {told}." in note


@pytest.mark.parametrize("is_thick", [False, True])
@pytest.mark.parametrize("width_mm", [0.5, 1.5, 2.8, math.nan])
def test_the_thin_series_of_this_ct_comes_before_any_later_ct(width_mm: float, *, is_thick: bool) -> None:
    side = build.make_side(width_mm)
    problems = (build.thick_slices(),) if is_thick else ()
    case = case_of(build.make_reading(build.make_implant(side, side), weeks=30.0, problems=problems))
    assert (THIN_SERIES_FIRST in render_page(case)) is is_thick
    assert (THIN_SERIES_FIRST in " ".join(render_note(case, short=True).split())) is is_thick


def test_planted_halos_stand_in_a_table_beside_what_is_found_where_none_is(page: str) -> None:
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert (
        "Would it have shown? Share found Planted Lamina side Pedicle side None (false call) 0 % 0 %" in text
    )
    assert "Even, 1 mm 88 % 88 %" in text
    assert "One half, 2 mm 78 % 78 %" in text


def test_a_break_whose_width_is_not_measurable_is_printed_without_a_number() -> None:
    side = build.make_side(0.6)
    implant = build.make_implant(side, side, state="interrupted")
    hidden = Measured.missing(Unit.MM, Caution.SMALLER_THAN_BLUR)
    integrity = replace(implant.screw.integrity, interruption_mm=hidden)
    implant = replace(implant, screw=replace(implant.screw, integrity=integrity))
    text = " ".join(re.sub(r"<[^>]+>", " ", build.plain_page(case_of(build.make_reading(implant)))).split())
    assert "interrupted at depth 17.0 mm, width not measurable (smaller than blur)" in text
    assert "nan" not in text


def test_the_surface_stands_above_what_is_expected_of_it() -> None:
    """It decides the range, and is taken for HA-coated where nothing was told."""
    side = build.make_side(0.6)
    page = build.plain_page(case_of(build.make_reading(build.make_implant(side, side))))
    assert '<th scope="col">Left screw, ha-coated</th>' in page


def test_the_gap_map_of_a_tall_section_keeps_its_label() -> None:
    """A fixed aspect narrows the axes after the room for their label was given away."""
    grid = build.make_bridge(0.2).map
    u_mm, v_mm = (np.linspace(low, 4.6, old.size) for low, old in ((-4.6, grid.u_mm), (-5.2, grid.v_mm)))
    svg = draw_gap_map(replace(grid, u_mm=u_mm, v_mm=v_mm), "", (40.0, 33.0))
    label = re.search(r'font-size: (\d+)px[^>]* x="([\d.]+)"[^>]*rotate\(-90[^>]*>mm toward', svg)
    assert label
    assert float(label[2]) > 0.75 * float(
        label[1]
    )  # capitals reach as far to the left of the line they stand on


def test_without_a_week_no_range_is_said_to_be_known() -> None:
    """A window is a word of ours, not of a surgeon."""
    side = build.make_side(0.6)
    page = build.plain_page(case_of(build.make_reading(build.make_implant(side, side), weeks=math.nan)))
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "no range known" in text
    assert "not known, so no expected range applies." in text
    assert "window" not in text.replace("bone window", "").lower()


def test_the_map_says_where_its_colours_lie_below_the_limit() -> None:
    """Dark blue all over would pass for no halo, also where the scan shows none of 3 mm."""
    thin = replace(build.make_side(0.1), mean_width=Measured.of(0.1, 1.2, Unit.MM, floor=0.0, limit=3.95))
    implant = build.make_implant(thin, build.make_side(0.7))
    page = build.plain_page(case_of(build.make_reading(implant)))
    drawn = page[page.index('aria-label="Unrolled halo') :]
    assert re.findall(r">(below [^<]*)</text>", drawn[: drawn.index("</svg>")]) == ["below 3.95 mm"]


def test_no_line_break_parts_a_number_from_its_unit(page: str) -> None:
    """On a phone a line may end anywhere; what is read there is a number with its unit."""
    words = re.sub(r"<(style|svg).*?</\1>|<[^>]+>", " ", page, flags=re.DOTALL)
    assert re.findall(r"\d\xa0(?:mm|%|HU)", words)
    assert not re.findall(r"\d[ \n](?:mm\b|%|HU\b)", words)
