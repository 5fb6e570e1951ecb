"""Codes are those of the dictionaries, with the right meaning; our own scheme is whole, and printed.

The values stand here once more, typed from the published context groups: PS3.16 CID 7470 (linear
measurements), 7464 (statistics), 7472 and 7469, 225 (uncertainty), 223 (ranges), 42 (numeric value
qualifier), 247 (laterality), 6115 (vertebral modifiers), 7192 (vertebrae), 7196, 7150, 6146, 280, 7021.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydicom.sr._concepts_dict import concepts  # the dictionary itself, to look a value up
from pydicom.sr.coding import Code

from ongrowth.quantity import Caution, Unit
from ongrowth.reading import QUANTITIES, schema
from ongrowth.reports.dicom import codes

DOCS = Path(__file__).parents[2] / "docs" / "dicom.md"

PUBLISHED = [
    (codes.SCREW, "68183006", "SCT", "screw"),
    (codes.LUCENCY, "112084", "DCM", "lucency"),
    (codes.BONE, "3138006", "SCT", "bone"),
    (codes.OBJECT, "260787004", "SCT", "physical object"),
    (codes.TISSUE, "85756007", "SCT", "tissue"),
    (codes.RELATION, "309825002", "SCT", "spatial and relational concept"),
    (codes.SIDES["left"], "7771000", "SCT", "left"),
    (codes.SIDES["right"], "24028007", "SCT", "right"),
    (codes.LAMINA, "89340005", "SCT", "lamina"),
    (codes.PEDICLE, "78972004", "SCT", "pedicle"),
    (codes.BEFORE_SURGERY, "262068006", "SCT", "preoperative"),
    (codes.AFTER_SURGERY, "262061000", "SCT", "postoperative"),
    (codes.PLUS_MINUS, "371884006", "SCT", "range of measurement uncertainty"),
    (codes.PLUS, "371886008", "SCT", "range of upper measurement uncertainty"),
    (codes.MINUS, "371885007", "SCT", "range of lower measurement uncertainty"),
    (codes.RANGE_LOW, "385524004", "SCT", "normal range lower limit"),
    (codes.RANGE_HIGH, "371933006", "SCT", "normal range upper limit"),
    (codes.NOT_MEASURED, "114011", "DCM", "value indeterminate"),
    (codes.SUMMARY, "121111", "DCM", "summary"),
    (codes.COMMENT, "121106", "DCM", "comment"),
    (codes.PROCEDURE, "25045-6", "LN", "ct unspecified body region"),
    (codes.term("mean_width").concept, "103355008", "SCT", "width"),
    (codes.term("mean_width").derivation, "373098007", "SCT", "mean"),
    (codes.term("max_width").derivation, "56851009", "SCT", "maximum"),
    (codes.term("p95_width").derivation, "371889001", "SCT", "fifth percentile"),
    (codes.term("volume").concept, "118565006", "SCT", "volume"),
    (codes.term("length_mm").concept, "410668003", "SCT", "length"),
    (codes.term("diameter_mm").concept, "81827009", "SCT", "diameter"),
    (codes.term("layer_hu").concept, "112031", "DCM", "attenuation coefficient"),
    (codes.term("total_translation").concept, "110856", "DCM", "linear displacement"),
    (codes.term("total_rotation").concept, "130523", "DCM", "rotation angle"),
    (codes.site_code("L3"), "36470004", "SCT", "l3 vertebra"),
    (codes.site_code("L4"), "11994002", "SCT", "l4 vertebra"),
    (codes.site_code("L5"), "49668003", "SCT", "l5 vertebra"),
    (codes.site_code("hip"), "272673000", "SCT", "bone"),
    (codes.site_code("L6"), "51282000", "SCT", "vertebra"),
]
UNITS = {
    Unit.MM: "mm",
    Unit.MM2: "mm2",
    Unit.MM3: "mm3",
    Unit.DEG: "deg",
    Unit.HU: "[hnsf'U]",
    Unit.ONE: "1",
    Unit.WEEK: "wk",
}


def meanings(code: Code) -> list[str]:
    """What pydicom's dictionary says a value means."""
    found = [
        names[code.value][0] for names in concepts[code.scheme_designator].values() if code.value in names
    ]
    return [meaning.lower() for meaning in found]


@pytest.mark.parametrize(("code", "value", "scheme", "meaning"), PUBLISHED)
def test_a_code_has_its_published_value_and_meaning(
    code: Code, value: str, scheme: str, meaning: str
) -> None:
    assert (code.value, code.scheme_designator) == (value, scheme)
    assert meaning in code.meaning.lower()
    assert code.meaning.lower() in meanings(code)


def test_units_are_ucum() -> None:
    assert {unit: code.value for unit, code in codes.UNITS.items()} == UNITS
    assert all(code.scheme_designator == "UCUM" for code in codes.UNITS.values())


@pytest.mark.parametrize(
    "level", [f"{r}{n}" for r, last in (("C", 7), ("T", 12), ("L", 5)) for n in range(1, last + 1)]
)
def test_every_vertebra_has_its_own_code(level: str) -> None:
    code = codes.site_code(level.lower())
    assert code.meaning == f"{level} vertebra"
    assert code.meaning.lower() in meanings(code)
    assert codes.body_part(level) == f"{level[0]}SPINE"


def own_rows() -> Iterator[tuple[str, str, str, str]]:
    for section, rows in codes.scheme().items():
        if section != "scheme":
            yield from ((section, name, value, meaning) for name, (value, meaning) in rows.items())


def test_own_codes_are_unique_and_fit_their_fields() -> None:
    rows = list(own_rows())
    values = [value for _, _, value, _ in rows]
    assert len(set(values)) == len(values)
    assert len(rows) > 100
    assert all(len(value) <= 16 and len(meaning) <= 64 and meaning.isascii() for *_, value, meaning in rows)
    assert re.fullmatch(r"99[A-Z]{1,14}", codes.scheme()["scheme"]["designator"])


@pytest.mark.parametrize("words", ["loose", "heal", "infect"])
def test_own_codes_say_nothing_that_only_a_clinician_may_say(words: str) -> None:
    assert not [meaning for *_, meaning in own_rows() if words in meaning.lower()]


def enumerations(node: object, name: str) -> Iterator[str]:
    """Every word that a schema allows under a name."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key == name and isinstance(value, dict):
                yield from (word for word in value.get("enum", ()) if word is not None)
            yield from enumerations(value, name)
    elif isinstance(node, list):
        for value in node:
            yield from enumerations(value, name)


READING, CASE = schema("ongrowth-reading/1"), schema("ongrowth-case/1")


@pytest.mark.parametrize(
    ("node", "name"),
    [
        (READING, "shape"),
        (READING, "diameter_source"),
        (READING, "blur_source"),
        (READING, "algorithm"),
        (READING, "how"),
        (READING, "kind"),
        (READING, "against_window"),
        (READING, "present"),
        (READING["properties"]["implants"], "state"),
        (READING["properties"]["implants"]["items"]["properties"], "surface"),
        (CASE["properties"]["motions"], "state"),
        (CASE["properties"]["changes"], "state"),
        (CASE["properties"]["new_bone"], "place"),
    ],
)
def test_every_word_of_the_result_files_has_a_code(node: object, name: str) -> None:
    words = set(enumerations(node, name)) - {""}  # a reader who stated nothing
    assert len(words) > 1
    assert words <= set(codes.scheme()["answer"])


def test_every_caution_has_a_code() -> None:
    assert set(codes.scheme()["caution"]) == {flag.codes[0] for flag in Caution if flag}


def test_every_quantity_that_is_judged_has_a_name_in_the_report() -> None:
    in_comparisons = {"width_growth", "migration", "interfragmentary_motion"}
    for quantity in set(QUANTITIES) - in_comparisons:
        assert codes.term(quantity).concept.value


def test_every_part_that_may_change_has_a_code() -> None:
    parts = schema("ongrowth-case/1")["properties"]["changes"]["items"]["properties"]["side"]["enum"]
    assert {"whole", "head_side", "tip_side"} < set(parts) <= set(codes.scheme()["context"])


def test_the_printed_table_holds_every_code() -> None:
    text = DOCS.read_text(encoding="utf-8")
    for _, _, value, meaning in own_rows():
        assert f"| {value} | {meaning} |" in text
    standard = {code for code, *_ in PUBLISHED}
    for code in standard:
        assert f"{code.scheme_designator} {code.value}" in text, code
