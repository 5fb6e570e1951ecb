"""The manifest: all that is wrong is told at once, in plain words, with its row; the rest is read right."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pandas as pd
import pytest

import ongrowth.cohort.manifest as manifest
from ongrowth.case import known_of
from ongrowth.case.reuse import made_from
from ongrowth.casefile import BadCaseFile, read_case_file
from ongrowth.cohort import BadManifest, Manifest, look_through, read_manifest
from ongrowth.cohort.manifest import told


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("a", "b", "c", "h1/x", "h2/x"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "1.dcm").touch()
    return tmp_path


def look(folder: Path, text: str) -> Manifest:
    path = folder / "m.csv"
    path.write_text(text, encoding="utf-8")
    return look_through(path)


def faults(folder: Path, text: str) -> list[str]:
    return [str(problem) for problem in told(look(folder, text).faults)]


def test_rows_of_one_scan_are_its_implants(folder: Path) -> None:
    found = look(
        folder,
        "case,scan,weeks_since_surgery,implant,side,major_diameter_mm,head_mm,tip_mm,reader\n"
        "h1,a,8,left,left,4.0,1 2 3,4 5 46,r1\n"
        "h1,a,8,right,right,4.5,,,r1\n"
        "h1,b,12.5,,,,,,r2\n",
    )
    assert found.faults == ()
    first, second = found.jobs
    assert (first.case, first.scan, first.weeks, first.path) == ("h1", "a", 8.0, folder / "a")
    assert [(s.id, s.side, s.major_diameter_mm) for s in first.screws] == [
        ("left", "left", 4.0),
        ("right", "right", 4.5),
    ]
    assert first.screws[0].tip_mm == (4.0, 5.0, 46.0)
    assert second.screws == ()
    assert second.extra == (("reader", "r2"),)
    assert found.extra_columns == ("reader",)


def test_a_name_with_an_umlaut_is_told_which_letters_may_stand_there(folder: Path) -> None:
    (fault,) = faults(folder, "case,scan,weeks_since_surgery\nm\u00fcller,a,8\n")
    assert "letters a to z, digits" in fault


def test_dates_give_the_weeks_and_a_screw_without_a_name_stands_for_all(folder: Path) -> None:
    found = look(folder, "case,scan,surgery_date,scan_date,major_diameter_mm\nh1,a,2031-03-04,2031-04-29,4\n")
    (job,) = found.jobs
    assert (job.surgery_date, job.scan_date) == (dt.date(2031, 3, 4), dt.date(2031, 4, 29))
    assert math.isnan(job.weeks)
    assert [screw.id for screw in job.known().screws] == [""]
    assert found.notes == ()


def test_other_cts_of_a_case_serve_as_follow_takes_them(folder: Path) -> None:
    """The pre-op CT gives the plane, the CT of the first days its blur; another patient's give nothing."""
    rows = "h1,a,-1,pre-op\nh1,b,0.4,\nh1,c,8,\nh2,h1/x,8,\n"
    jobs = look(folder, f"case,scan,weeks_since_surgery,role\n{rows}").jobs
    before, first, later, other = (job.known() for job in jobs)
    assert [known.preop for known in (before, first, later, other)] == [
        None,
        folder / "a",
        folder / "a",
        None,
    ]
    assert [[one.path for one in known.first_days] for known in (before, first, later, other)] == [
        [],
        [],
        [folder / "b"],
        [],
    ]


def test_a_header_alone_may_tell_that_a_ct_is_of_the_first_days(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = {"b": dt.date(2031, 3, 6), "c": dt.date(2031, 5, 6)}
    monkeypatch.setattr(manifest, "date_of", lambda path, **_: days[path.name])
    rows = "h1,b,2031-03-04\nh1,c,2031-03-04\nh2,h1/x,2031-03-04\n"  # of a single CT nothing is asked
    fresh, later, alone = look(folder, f"case,scan,surgery_date\n{rows}").jobs
    assert [one.path for one in later.first_days] == [folder / "b"]
    assert fresh.first_days == alone.first_days == ()


def test_a_case_file_says_the_same_to_a_cohort_as_to_follow(folder: Path) -> None:
    case = (
        '[patient]\nid = "h1"\n[surgery]\ndate = 2031-03-04\n[[defect]]\nside = "left"\ngraft = "autograft"\n'
        '[[scan]]\npath = "a"\ndate = 2031-02-04\nrole = "pre-op"\n'
        '[[scan]]\npath = "b"\ndate = 2031-03-06\n[[scan]]\npath = "c"\ndate = 2031-05-06\n'
    )
    (folder / "case.toml").write_text(case, encoding="utf-8")
    jobs = look(folder, "case_file\ncase.toml\n").jobs
    read = read_case_file(folder / "case.toml")
    for job, entry in zip(jobs, read.scan, strict=True):
        assert made_from(job.path, job.known()) == made_from(entry.path, known_of(read, entry))


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_and_a_byte_order_mark_are_understood(folder: Path, separator: str) -> None:
    text = "\ufeff" + separator.join(("case", "scan", "weeks_since_surgery")) + "\r\n"
    (job,) = look(folder, text + separator.join(("h1", "a", "8")) + "\r\n").jobs
    assert job.weeks == 8.0


def test_what_a_spreadsheet_adds_to_a_table_is_passed_over(folder: Path) -> None:
    """A line that tells what parts the cells, columns and rows that are empty; paths of Windows."""
    text = (
        "\ufeffsep=;\r\ncase;scan;weeks_since_surgery;arm;;\r\nh1;h1\\x;8,5;;;\r\n;;;;;\r\nh2;h2\\x;9;b;;\r\n"
    )
    found = look(folder, text)
    assert found.faults == ()
    assert [(job.path, job.weeks) for job in found.jobs] == [(folder / "h1/x", 8.5), (folder / "h2/x", 9.0)]
    assert found.extra_columns == ("arm",)
    assert faults(folder, "sep=;\ncase;scan\nh1;nowhere\n")[0].split(": ")[1] == "Row 2"


@pytest.mark.parametrize(
    ("text", "told_first"),
    [
        ("case,scan,,arm\nh1,a,,b\n", "bad-cell: Column 3 has no name. Name it, or delete it."),
        ("case,scan,,\nh1,a,,b\n", "bad-cell: Row 2: The row has more or fewer cells than the head."),
        ("case,scan\nh1,x\\y\n", "no-such-path: Row 2: scan: there is nothing at x\\y."),
    ],
)
def test_cells_without_a_name_are_not_passed_over(folder: Path, text: str, told_first: str) -> None:
    assert faults(folder, text)[0].startswith(told_first)


def test_rows_are_counted_as_a_spreadsheet_does(folder: Path) -> None:
    """The head is row 1, blank rows count; a quoted line break is no row of its own."""
    told_of = faults(folder, 'case,scan,note\nh1,a,"two\nlines"\n\n,,\nh1,nowhere,\n')
    assert [line.split(": ")[1] for line in told_of] == ["Row 5"]


def test_what_is_wrong_on_the_rows_of_both_screws_is_told_once(folder: Path) -> None:
    (line,) = faults(folder, "case,scan,implant,side\nh1,nowhere,l,left\nh1,nowhere,r,right\n")
    assert line.startswith("no-such-path: Rows 2, 3: scan: there is nothing at nowhere.")


def test_a_folder_without_files_is_told_before_the_run(folder: Path) -> None:
    (folder / "none" / "deeper").mkdir(parents=True)
    (line,) = faults(folder, "case,scan\nh1,a\nh1,none\n")
    assert line.startswith("empty-folder: Row 3: scan: the folder none holds no file.")


def test_decimal_commas_are_understood_where_commas_do_not_part_cells(folder: Path) -> None:
    head = "case;scan;weeks_since_surgery;implant;major_diameter_mm;head_mm;tip_mm;note\n"
    found = look(folder, head + "h1;a;8,5;left;4,0;1,5 2 3;4 5 46,5;1,5\n")
    assert found.faults == ()
    (job,) = found.jobs
    assert (job.weeks, job.screws[0].major_diameter_mm) == (8.5, 4.0)
    assert (job.screws[0].head_mm, job.screws[0].tip_mm) == ((1.5, 2.0, 3.0), (4.0, 5.0, 46.5))
    assert job.extra == (("note", "1,5"),), "other columns are passed through as they are"


def test_parquet_is_a_manifest_too(folder: Path) -> None:
    table = pd.DataFrame(
        {
            "case": ["h1", "h1"],
            "scan": ["a", "b"],
            "surgery_date": pd.to_datetime(["2031-03-04"] * 2),
            "scan_date": pd.to_datetime(["2031-04-29", None]),
            "birth_year": [2016.0, None],
        }
    )
    table.to_parquet(folder / "m.parquet")
    first, second = read_manifest(folder / "m.parquet").jobs
    assert (first.scan_date, first.birth_year) == (dt.date(2031, 4, 29), 2016)
    assert (second.scan_date, second.birth_year) == (None, None)
    (folder / "n.parquet").write_bytes(b"no parquet")
    with pytest.raises(BadManifest, match="no-manifest"):
        read_manifest(folder / "n.parquet")


def test_case_files_are_read_scan_by_scan(folder: Path) -> None:
    (folder / "case.toml").write_text(
        '[patient]\nid = "harbour-07"\n[surgery]\ndate = 2031-03-04\n'
        '[[implant]]\nid = "left"\nmajor_diameter_mm = 4.0\n'
        '[[scan]]\nid = "w05"\npath = "a"\nweeks_since_surgery = 5.0\n'
        '[[scan]]\nid = "w12"\npath = "nowhere"\n',
        encoding="utf-8",
    )
    found = look(folder, "case_file\ncase.toml\nnone.toml\n")
    (job,) = found.jobs
    assert (job.case, job.scan, job.weeks, job.screws[0].id) == ("harbour-07", "w05", 5.0, "left")
    assert [fault.problem.code for fault in found.faults] == ["no-such-path", "no-case-file"]


def test_what_a_case_file_names_and_is_not_there_is_told(folder: Path) -> None:
    """It ended a run over all cases before the first was measured, without a word of which file."""
    settings = '[settings]\nwindows = "w.toml"\ncalibration = "bone"\n'
    text = settings + '[[scan]]\npath = "a"\n[[scan]]\npath = "none"\n'
    (folder / "case.toml").write_text(text, encoding="utf-8")
    told = " ".join(faults(folder, "case_file\ncase.toml\n"))
    for what in ("calibration of scan a", "windows table of scan a", "path of scan none"):
        assert f"there is nothing at the {what}." in told


def test_what_is_not_read_beside_a_case_file_is_told(folder: Path) -> None:
    (told,) = faults(folder, "case_file,arm,weeks_since_surgery\ncase.toml,A,8\n")
    assert told.startswith("column-not-read: Beside case_file nothing is read from weeks_since_surgery.")


@pytest.mark.parametrize("path", ["a\0b", "~nobody-of-that-name/a", "x" * 5000], ids=["null", "home", "long"])
@pytest.mark.parametrize("column", ["scan", "calibration", "case_file"])
def test_a_path_that_can_lead_nowhere_is_told_as_such(folder: Path, column: str, path: str) -> None:
    head, row = ("case_file", path) if column == "case_file" else (f"case,scan,{column}", f"h1,a,{path}")
    head, row = ("case,scan", f"h1,{path}") if column == "scan" else (head, row)
    (fault,) = look(folder, f"{head}\n{row}\n").faults
    assert fault.problem.code == ("no-case-file" if column == "case_file" else "no-such-path")


def test_a_planned_visit_without_a_scan_is_kept_as_missed(folder: Path) -> None:
    found = look(folder, "case,scan,weeks_since_surgery\nh1,a,8\nh1,,26\n")
    assert [(m.case, m.weeks) for m in found.missed] == [("h1", 26.0)]
    assert len(found.jobs) == 1


def test_missed_visits_are_looked_at_once_each(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Held against all before it, each of some thousand took longer than the last: 4000 took ten seconds."""
    looks: list[object] = []
    printed = manifest.MissedVisit.__repr__
    monkeypatch.setattr(manifest.MissedVisit, "__repr__", lambda v: looks.append(v) or printed(v))
    rows = [f"h{k},,{week}" for k in range(30) for week in (6, 12, "", "")]
    found = look(folder, "\n".join(["case,scan,weeks_since_surgery", *rows]))
    assert len(found.missed) == 90
    assert len(looks) <= 120


def test_scans_in_folders_of_one_name_are_told_apart(folder: Path) -> None:
    found = look(folder, "case,scan\nh,h1/x\nh,h2/x\n")
    assert [job.scan for job in found.jobs] == ["x", "h2-x"]


def test_faults_of_the_head_come_all_at_once(folder: Path) -> None:
    told_of = faults(folder, "case,scann,major_diameter_cm,weeks,months_since_surgery,value,impant\nx\n")
    assert [line.split(":")[0] for line in told_of] == [
        "missing-column",
        "misspelt-column",
        "unknown-unit",
        "unknown-unit",
        "unknown-unit",
        "taken-column",
        "misspelt-column",
    ]
    assert "give major_diameter_mm" in told_of[2]
    assert "weeks_since_surgery" in told_of[3]


@pytest.mark.parametrize(
    ("name", "meant"),
    [("surfaec", "surface"), ("diameter_mm", "major_diameter_mm"), ("diameter_cm", "major_diameter_mm")],
)
def test_a_column_that_would_be_passed_through_unused_is_told(folder: Path, name: str, meant: str) -> None:
    """Without its surface a plain screw would be held against the windows of a coated one."""
    (told,) = faults(folder, f"case,scan,{name},reader,arm,age\nx\n")
    assert told.endswith(f"Did you mean {meant}?")


def test_faults_of_the_rows_come_all_at_once_with_their_rows(folder: Path) -> None:
    head = "case,scan,weeks_since_surgery,implant,side,major_diameter_mm\n"
    told_of = faults(
        folder,
        head + "h1,a,8,left,left,4.0\n"
        "h1,a,9,right,right,4.0\n"
        "h1,zz,12,left,left,4.0\n"
        "h1,b,12,left,lift,4.0\n"
        "h/2,b,1,l,left,4\n"
        'h3,c,1,left,left,"4,0"\n'
        "h3,b,5200000,left,left,4\n"
        "h9,c\n"
        "h4,c,1,left,left,400\n",
    )
    assert [(line.split(":")[0], line.split(":")[1].strip()) for line in told_of] == [
        ("rows-disagree", "Row 3"),
        ("no-such-path", "Row 4"),
        ("bad-implant", "Row 5"),
        ("bad-cell", "Row 6"),
        ("bad-cell", "Row 7"),
        ("bad-cell", "Row 8"),
        ("bad-cell", "Row 9"),
        ("bad-implant", "Row 10"),
    ]
    assert "decimal point" in told_of[4]
    assert "Did you mean left?" in told_of[2]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("h1,a,left\nh1,a,left\n", "implant 'left' of h1, a stands there twice"),
        ("h1,a,\nh1,a,\n", "The scan of h1, a stands there twice"),
        ("h1,a,left\nh2,a,left\n", "is also a scan of h1"),
        ("H1,a,left\nh1,c/../h1/../b/../a,left\n", "is also a scan of H1"),
    ],
)
def test_duplicate_scans_are_told(folder: Path, rows: str, words: str) -> None:
    (line,) = faults(folder, "case,scan,implant\n" + rows)
    assert line.startswith("duplicate-scan: Row 3")
    assert words in line


def test_names_differ_also_where_upper_and_lower_case_are_one(folder: Path) -> None:
    found = look(folder, "case,scan,scan_id\nh1,a,w1\nH1,b,W1\nh1,c,w1\n")
    assert len({(job.case.lower(), job.scan.lower()) for job in found.jobs}) == 3
    assert found.faults == ()


def test_an_unreadable_manifest_is_refused(folder: Path) -> None:
    for path, code in ((folder / "none.csv", "no-manifest"), (folder / "latin.csv", "no-manifest")):
        if path.name == "latin.csv":
            path.write_bytes("case,scan\nh\xe9,a\n".encode("latin-1"))
        with pytest.raises(BadManifest, match=code):
            read_manifest(path)
    with pytest.raises(BadManifest, match="missing-column"):
        read_manifest(_written(folder, ""))
    with pytest.raises(BadManifest, match="names no scan"):
        read_manifest(_written(folder, "case,scan\n"))


def _written(folder: Path, text: str) -> Path:
    path = folder / "m.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_bad_rows_can_be_left_out_but_not_a_bad_head(folder: Path) -> None:
    path = _written(folder, "case,scan,weeks_since_surgery\nh1,a,8\nh1,nowhere,9\n")
    with pytest.raises(BadManifest, match="Row 3"):
        read_manifest(path)
    found = read_manifest(path, skip_bad_rows=True)
    assert [job.scan for job in found.jobs] == ["a"]
    assert [(f.row, f.case, f.scan) for f in found.faults] == [(3, "h1", "nowhere")]
    with pytest.raises(BadManifest, match="missing-column"):
        read_manifest(_written(folder, "case\nh1\n"), skip_bad_rows=True)


def test_a_bad_manifest_counts_as_wrong_use(folder: Path) -> None:
    """The command line ends with the status of a bad case file."""
    assert issubclass(BadManifest, BadCaseFile)


def test_scans_without_a_week_are_noted(folder: Path) -> None:
    (note,) = look(folder, "case,scan\nh1,a\n").notes
    assert note.code == "no-weeks"
    assert "1 scan:" in note.text


def test_a_week_that_the_dates_of_its_row_contradict_is_noted(folder: Path) -> None:
    head = "case,scan,weeks_since_surgery,surgery_date,scan_date\n"
    (note,) = look(folder, f"{head}h1,a,5,2031-03-04,2031-06-24\n").notes
    assert (note.code, note.text.partition(":")[0]) == ("week-mismatch", "h1, a")
    assert look(folder, f"{head}h1,a,16,2031-03-04,2031-06-24\n").notes == ()
