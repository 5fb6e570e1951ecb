"""The page tells what people added: corrections by hand, and readers' own values beside ours."""

from __future__ import annotations

from dataclasses import replace

import build_reading as build

from ongrowth.reading import Case, CorrectionRecord, Patient, ReaderValue, Reading
from ongrowth.reports.page.by_hand import corrections_told, reader_table


def reading(*corrections: CorrectionRecord, readers: tuple[ReaderValue, ...] = ()) -> Reading:
    implant = build.make_implant(build.make_side(0.7), build.make_side(1.1), bridge=build.make_bridge(0.3))
    return replace(build.make_reading(implant), corrections=corrections, readers=readers)


def page(of: Reading) -> str:
    return build.plain_page(Case(Patient("harbour-07", 2016, "L5"), (of,), of.findings, of.summary))


def test_only_what_holds_is_told_with_author_and_reason() -> None:
    told = corrections_told(
        reading(
            CorrectionRecord("left.head_mm", [0, 0, 0], [1, 1, 1], "reader-1", "washer"),
            CorrectionRecord("left.head_mm", [1, 1, 1], [2, 1, 1], "reader-2"),
            CorrectionRecord("left.artefact", None, [{}, {}], "reader-1"),
            CorrectionRecord("left.tip_mm", [1, 1, 1], None, "reader-1", "taken back"),
            CorrectionRecord("left.remark", None, None, "reader-1", "patient moved"),
            CorrectionRecord("remark", None, None, "reader-1", "second look"),
        )
    )
    assert told == (
        "Screw left: head end set by hand, by reader-2.",
        "Screw left: 2 parts of the surface marked as artefact, by reader-1.",
        "Screw left: tip as found again, by reader-1: taken back.",
        "Screw left, remark, by reader-1: patient moved",
        "This CT, remark, by reader-1: second look",
    )


def test_readers_stand_beside_us_each_value_with_its_twin() -> None:
    of = reading(
        readers=(
            ReaderValue("r1", "left", "head_side", "mean_width", 0.9, "", "as expected", is_blind=True),
            ReaderValue("r1", "", "defect", "bridged_fraction", category="absent"),
            ReaderValue("r2", "right", "tip_side", "mean_width", 1.0),
        )
    )
    table = reader_table(of, "L5")
    assert table is not None
    head, bridged, unknown = table.rows
    assert head == (
        "left, lamina side (screw head), mean width",
        "r1*",
        "0.90 mm",
        "0.70 (0.60 to 0.80) mm",
        "as expected",
        "as expected",
    )
    assert bridged[1:4] == ("r1", "absent", "minimal; 30 (22 to 38) %")
    assert unknown[3] == "not measured"


def test_the_page_shows_them_and_says_nothing_without() -> None:
    bare = page(reading())
    assert "Corrected by hand" not in bare
    assert "Readers" not in bare
    full = page(
        reading(
            CorrectionRecord("left.defect", None, [0, 0, 0, 0, 0, 1], "<b>r1</b>"),
            readers=(ReaderValue("r1", "left", "tip_side", "mean_width", 1.2, against_window="outside"),),
        )
    )
    assert "Screw left: plane of the defect set by hand, by &lt;b&gt;r1&lt;/b&gt;." in full
    assert "1.20 mm" in full
    assert "locked before ours was shown" in full.replace("&#39;", "'")
