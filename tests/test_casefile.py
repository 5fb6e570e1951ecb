"""The case file: everything the contract names is read; every fault is told at once, with its place."""

from __future__ import annotations

import datetime as dt
import math
import re
import runpy
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ongrowth.casefile import (
    BadCaseFile,
    CaseFile,
    Implant,
    ScanEntry,
    parse_case_file,
    read_case_file,
    scan_name,
    week_mismatch,
    weeks_between,
)

DOCS = Path(__file__).parents[1] / "docs"
FULL = """
[patient]
id = "harbour-07"            # pseudonym
birth_year = 2016
site = "L4"

[surgery]
date = 2031-03-04

[[defect]]
side = "left"
oedema_signal = "unknown"
graft = "none"

[[implant]]
id = "left"
side = "left"
major_diameter_mm = 4.0
root_diameter_mm = 3.0
pitch_mm = 1.5
length_mm = 42.0
thread = "full"
cannula_diameter_mm = 0.0
coating_mm = 0.1
surface = "ha-coated"
material = "titanium"
head_mm = [12.1, -140.2, -402.5]
tip_mm = [33.1, -164.4, -375.6]

[[scan]]
id = "w08"
path = "w08"
date = 2031-04-29
role = "follow-up"
calibration = "bone.json"
[[scan.correction]]
what = "left.head_mm"
from = [12.1, -140.2, -402.5]
to = [12.0, -140.0, -402.4]
author = "reader-1"
time = 2031-05-01T10:00:00Z
remark = "head end was in the washer"
[[scan.reader]]
id = "reader-1"
quantity = "mean_width"
side = "tip_side"
value = 0.8

[settings]
calibration = "calibrations"
windows = "windows.toml"
"""


def faults(text: str) -> list[str]:
    with pytest.raises(BadCaseFile) as caught:
        parse_case_file(text, Path("/case"))
    return [str(problem) for problem in caught.value.problems]


def test_everything_the_contract_names_is_read() -> None:
    case = parse_case_file(FULL, Path("/case"))
    assert case.patient.id == "harbour-07"
    assert case.surgery.date == dt.date(2031, 3, 4)
    assert case.defect[0].oedema_signal == "unknown"
    spec = case.implant[0].spec()
    assert (spec.major_diameter_mm, spec.root_diameter_mm, spec.pitch_mm) == (4.0, 3.0, 1.5)
    assert spec.head_mm == (12.1, -140.2, -402.5)
    assert math.isnan(spec.shank_diameter_mm)
    scan = case.scan[0]
    assert case.weeks_of(scan) == 8.0
    assert scan.path == Path("/case/w08")
    assert scan.calibration == Path("/case/bone.json")
    assert scan.correction[0].from_ == [12.1, -140.2, -402.5]
    assert scan.reader[0].value == 0.8
    assert case.settings.windows == Path("/case/windows.toml")


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_text('[[scan]]\npath = "w08.nii.gz"\nweeks_since_surgery = 8\n')
    scan = read_case_file(file).scan[0]
    assert scan.path == tmp_path / "w08.nii.gz"
    assert scan.name == "w08"


def test_all_faults_are_told_at_once_with_place_and_suggestion() -> None:
    told = faults(
        """
[patient]
brith_year = 2016
[[implant]]
id = "left"
side = "lft"
major_diameter_mm = 40.0
pich_mm = 1.5
[[implant]]
id = "../x"
[[scan]]
weeks_since_surgery = "eight"
"""
    )
    expected = [
        ("patient, brith_year", "birth_year?"),
        ("implant 1, side", "left?"),
        ("implant 1, major_diameter_mm: 40.0 is above 14", "crests"),
        ("implant 1, pich_mm", "pitch_mm?"),
        ("implant 2, id", "letters"),
        ("scan 1, path", "missing"),
        ("scan 1, weeks_since_surgery", "'eight'"),
    ]
    assert len(told) == len(expected)
    for place, hint in expected:
        assert any(place in line and hint in line for line in told), (place, told)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[implant]]\nid = "a"\nmajor_diameter_mm = 3.0\nroot_diameter_mm = 3.5\n', "smaller than major"),
        ('[[implant]]\nid = "a"\nhead_mm = [0.0, 0.0, 0.0]\n', "together"),
        ('[[implant]]\nid = "a"\nthread_start_mm = 20.0\n', 'thread = "partial"'),
        ('[[implant]]\nid = "a"\nshank_diameter_mm = 3.0\n', 'shank_diameter_mm needs thread = "partial"'),
        (
            '[[implant]]\nid = "a"\nthread = "partial"\nmajor_diameter_mm = 4.0\nshank_diameter_mm = 9.0\n',
            "must not be above major_diameter_mm",
        ),
        (
            '[[implant]]\nid = "a"\nthread = "partial"\nlength_mm = 42.0\nthread_start_mm = 60.0\n',
            "smaller than length_mm",
        ),
        ('[[implant]]\nid = "a"\n[[implant]]\nid = "a"\n', "more than once"),
        (
            '[[scan]]\nid = "w08"\npath = "x"\n[[scan]]\nid = "W08"\npath = "y"\n',
            "'w08' stands there more than once",
        ),
        ('[[implant]]\nid = "a"\nhead_mm = [1, 2, 3]\ntip_mm = [1, 2, 4]\n', "less than 5 mm apart"),
        ('[[implant]]\nid = "a"\nmajor_diameter_mm = nan\n', "finite"),
        ('[[implant]]\nid = "left"\nside = "right"\n', "names the left side"),
        ('[[implant]]\nid = "L5-Right"\nside = "left"\n', "names the right side"),
        (
            '[[implant]]\nid = "a"\nroot_diameter_mm = 1.5\ncannula_diameter_mm = 2.0\n',
            "core",
        ),
    ],
)
def test_what_does_not_fit_together_is_refused(text: str, words: str) -> None:
    told = faults(text + '[[scan]]\npath = "w08"\n')
    assert len(told) == 1
    assert words in told[0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            '[surgery]\ndate = "4 March"\n[[scan]]\npath = "w08"\n',
            "'4 March' is no day; write year-month-day.",
        ),
        ('[[scan]]\npath = "w08"\nweeks = 8\n', "Did you mean weeks_since_surgery?"),
        ('[[scan]]\npath = "w08"\nweeks_since_surgery = "five"\n', "'five' is no number."),
        (
            '[surgery]\ndate = 2031-03-04T10:00:00\n[[scan]]\npath = "w08"\n',
            "'2031-03-04 10:00:00' is no day; write year-month-day.",
        ),
        ('[[scan]]\npath = "w08"\nrole = "post-op"\n', "It may be pre-op, baseline, follow-up."),
    ],
)
def test_what_cannot_be_read_is_told_in_plain_words(text: str, words: str) -> None:
    (told,) = faults(text)
    assert words in told
    assert "input" not in told


@pytest.mark.parametrize(("name", "side"), [("left", "left"), ("L5-right", "right"), ("bright", "left")])
def test_a_screw_may_be_named_after_its_side(name: str, side: str) -> None:
    text = f'[[implant]]\nid = "{name}"\nside = "{side}"\n[[scan]]\npath = "w08"\n'
    assert parse_case_file(text, Path("/case")).implant[0].side == side


def test_a_pre_op_scan_after_surgery_is_refused() -> None:
    told = faults('[surgery]\ndate = 2031-03-04\n[[scan]]\npath = "a"\ndate = 2031-03-11\nrole = "pre-op"\n')
    assert "at week 1 after surgery" in told[0]


def test_broken_toml_names_the_line() -> None:
    assert "line 2" in faults("[patient]\nid = \n")[0]


def test_an_absent_file_is_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(BadCaseFile, match=r"no-case-file.*nowhere.toml.*No such file"):
        read_case_file(tmp_path / "nowhere.toml")
    with pytest.raises(BadCaseFile, match=r"no-case-file.*directory"):  # the folder in which it lies
        read_case_file(tmp_path)


def test_own_weeks_win_over_dates_and_a_mismatch_is_told() -> None:
    surgery, header = dt.date(2031, 3, 4), dt.date(2031, 4, 29)
    case = CaseFile.model_validate(
        {"surgery": {"date": surgery}, "scan": [{"path": "a", "weeks_since_surgery": 7.0, "date": header}]}
    )
    assert case.weeks_of(case.scan[0]) == 7.0
    told = week_mismatch(7.0, surgery, header)
    assert told is not None
    assert "gives week 8, but week 7 was told" in told.text
    assert week_mismatch(8.0, surgery, header) is None
    assert week_mismatch(8.0, surgery, None, header) is None
    typed = week_mismatch(8.0, surgery, dt.date(2031, 6, 24), header)
    assert typed is not None
    assert "gives week 16, but week 8" in typed.text


def test_dates_a_hundred_years_apart_are_told() -> None:
    """A spreadsheet makes 1900-01-01 of an empty day; week 6860 was held against the ranges of late weeks."""
    told = week_mismatch(6860.1, dt.date(1900, 1, 1), None, dt.date(2031, 6, 24))
    assert told is not None
    assert told.text.startswith("By its dates the scan is of week 6860.1: more than a hundred")
    assert week_mismatch(math.nan, dt.date(1900, 1, 1), dt.date(2031, 6, 24)) is not None
    assert week_mismatch(2600.0, None, None) is None


def test_what_lies_before_birth_is_refused() -> None:
    told = faults(
        "[patient]\nbirth_year = 2016\n[surgery]\ndate = 2013-03-04\n"
        '[[scan]]\npath = "a"\ndate = 2013-04-04\n[[scan]]\npath = "b"\n'
    )
    assert len(told) == 1
    assert "the surgery lies before birth_year 2016; scan 'a' lies before birth_year 2016" in told[0]


def test_a_date_serves_where_no_week_is_given() -> None:
    scans = [{"path": "a", "date": dt.date(2031, 3, 11)}, {"path": "b"}]
    case = CaseFile.model_validate({"surgery": {"date": dt.date(2031, 3, 4)}, "scan": scans})
    assert case.weeks_of(case.scan[0]) == 1.0
    assert math.isnan(case.weeks_of(case.scan[1]))


@given(st.dates(), st.integers(-4000, 4000))
def test_weeks_count_days_by_seven(surgery: dt.date, days: int) -> None:
    try:
        scan = surgery + dt.timedelta(days=days)
    except OverflowError:
        return
    assert weeks_between(surgery, scan) * 7.0 == pytest.approx(days)


@given(st.text(min_size=1, max_size=80))
def test_a_scan_name_is_always_a_safe_folder(text: str) -> None:
    name = scan_name(Path("in") / text.replace("/", "_").replace("\0", "_"))
    assert ScanEntry(id=name, path=Path("a")).name == name
    assert name not in (".", "..")
    assert "/" not in name


@given(
    major=st.floats(1.5, 14.0),
    ratio=st.floats(0.4, 0.95),
    length=st.floats(5.0, 160.0),
    surface=st.sampled_from(["ha-coated", "porous", "plain", "lag"]),
)
def test_a_screw_is_passed_on_unchanged(major: float, ratio: float, length: float, surface: str) -> None:
    entry = {
        "id": "a",
        "major_diameter_mm": major,
        "root_diameter_mm": ratio * major,
        "length_mm": length,
        "surface": surface,
    }
    spec = Implant.model_validate(entry).spec()
    assert {name: getattr(spec, name) for name in entry} == entry


# ---- its page ----


def test_the_example_of_the_page_is_a_case_file() -> None:
    (example,) = re.findall(
        r"```toml\n(.*?)```", (DOCS / "casefile.md").read_text(encoding="utf-8"), re.DOTALL
    )
    case = parse_case_file(example, Path("/data"))
    assert [scan.name for scan in case.scan] == ["w06", "w26"]


def test_the_table_of_the_page_is_as_written_by_its_script() -> None:
    script = runpy.run_path(str(DOCS / "write_casefile.py"))
    assert script["table"]() in (DOCS / "casefile.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("line", "advice"),
    [
        ("[[implant]]\nid = 'a'\nmajor_diameter_mm = 4,0 # crests", "Write a number with a decimal point."),
        ('[[scan]]\npath = "scans\\w06"', "Write / in place of \\ in a path."),
        ("[surgery]\ndate = 04.03.2031", "Write a day as year-month-day."),
        ('[scan]\npath = "a"\n[scan]\npath = "b"', "Write [[scan]] and [[implant]] in two brackets"),
        ("[[implant]]\nid = 'a' 'b'", "Mend that line"),
        ("[surgery", "Mend that line"),
    ],
)
def test_what_is_no_toml_is_told_with_what_is_usually_meant(line: str, advice: str) -> None:
    with pytest.raises(BadCaseFile, match="bad-toml") as raised:
        parse_case_file(line, Path())
    assert raised.value.problems[0].advice.startswith(advice)


def test_a_byte_order_mark_is_no_part_of_the_case(tmp_path: Path) -> None:
    path = tmp_path / "case.toml"
    path.write_text(FULL, encoding="utf-8-sig")
    assert read_case_file(path).patient.id == "harbour-07"


@pytest.mark.parametrize("key", ["diameter", "diameter_mm", "outer_diameter"])
def test_the_diameter_is_that_over_the_crests(key: str) -> None:
    with pytest.raises(BadCaseFile) as raised:
        parse_case_file(f'[[implant]]\nid = "a"\n{key} = 4.0\n[[scan]]\npath = "a"\n', Path())
    assert raised.value.problems[0].advice == "Did you mean major_diameter_mm?"
