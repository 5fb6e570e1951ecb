"""The command line: answers on stdout, talk on stderr, plain failures with the right exit status."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import re
import subprocess
import sys
import unicodedata
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import build_reading as build
import pytest
from click.testing import CliRunner, Result

import ongrowth
import ongrowth.case.course
from ongrowth.case import Known
from ongrowth.case.compare import Comparison, Kept
from ongrowth.case.reading import scan_id
from ongrowth.casefile import week_mismatch
from ongrowth.cli import main
from ongrowth.reading import Reading, read_case, read_reading
from ongrowth.scan import Acquisition, refuse
from ongrowth.wording import fixed_words, install_words


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def fake_reading(path: Path, known: Known, tell: Any) -> Reading:
    tell("Measuring the halo of screw left")
    if "broken" in path.name:
        raise refuse("no-metal", "There is no metal in this scan.", "Check that it is the right scan.")
    side = build.make_side(0.7)
    implant = build.make_implant(side, side, bridge=build.make_bridge(0.3))
    scan_id = known.scan_id or path.name
    reading = build.make_reading(implant, weeks=known.weeks, site=known.site, scan_id=scan_id)
    digest = hashlib.sha256(path.name.encode()).hexdigest()
    return replace(reading, provenance=replace(reading.provenance, input_digest=digest))


def no_comparison(earlier: Kept, later: Kept, _: Any) -> Comparison:
    return Comparison(earlier.reading.scan.id, later.reading.scan.id)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[Known]:
    """The measuring replaced by a ready reading; what was asked for is kept."""
    asked: list[Known] = []

    def take(path: Path, known: Known, tell: Any, **_: Any) -> Reading:
        asked.append(known)
        return fake_reading(path, known, tell)

    monkeypatch.setattr(ongrowth.case, "run_reading", take)
    monkeypatch.setattr(ongrowth.case.course, "run_reading", take)
    monkeypatch.setattr(ongrowth.case.course, "compare", no_comparison)
    return asked


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    folder = tmp_path / "w08"
    folder.mkdir()
    return folder


# ---- check ----


def test_check_writes_the_tree_and_answers_on_stdout(
    measured: list[Known], scan: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    told = run("check", scan, "--weeks", "8", "--site", "L5", "--out", out)
    assert told.exit_code == 0, told.stderr
    assert told.stdout.startswith("Left screw, week 8: halo on both sides")
    assert str(out / "page.html") in told.stdout
    assert fixed_words().short in told.stdout
    assert "Measuring the halo" in told.stderr
    assert "Measuring" not in told.stdout
    files = sorted(str(path.relative_to(out)) for path in out.rglob("*") if path.is_file())
    assert files == ["page.html", "w08/map.npz", "w08/reading.json", "w08/source.json"]
    assert read_reading(out / "w08").scan.weeks_since_surgery == 8.0


def test_a_folder_without_or_with_several_readings_is_told_so(
    measured: list[Known], scan: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    told = run("note", out)
    assert (told.exit_code, told.stderr.split(":")[0]) == (3, "no-reading")
    other = scan.with_name("w16")
    other.mkdir()
    for folder in (scan, other):
        assert run("check", folder, "--weeks", "8", "--out", out).exit_code == 0
    told = run("note", out)
    assert (told.exit_code, told.stderr.split(":")[0]) == (3, "several-readings")
    assert "the readings of w08, w16." in told.stderr
    assert run("note", out / "w08").exit_code == 0


def test_check_passes_on_what_is_known(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    size = ["--diameter", "4.0", "--root-diameter", "3", "--length", "42", "--surface", "porous"]
    place = ["--head", "-1.5,2,3", "--tip", "4,5,-6", "--defect", "0,1,2,0,0,5"]
    when = ["--surgery-date", "2031-03-04", "--series", "3", "--preop", scan, "--preop-series", "5"]
    told = run("check", scan, *when, *size, *place, "--out", tmp_path / "out")
    assert told.exit_code == 0, told.stderr
    known = measured[0]
    spec = known.screws[0]
    assert (spec.id, spec.major_diameter_mm, spec.root_diameter_mm, spec.length_mm) == ("", 4.0, 3.0, 42.0)
    assert (spec.surface, spec.head_mm, spec.tip_mm) == ("porous", (-1.5, 2.0, 3.0), (4.0, 5.0, -6.0))
    assert str(known.surgery_date) == "2031-03-04"
    assert (known.series, known.preop, known.preop_series) == ("3", scan, "5")
    assert known.defect is not None
    assert list(known.defect.normal) == [0.0, 0.0, 1.0]


@pytest.mark.parametrize(
    ("given", "hint"),
    [
        ([], "give --weeks or --surgery-date."),
        (["--surgery-date", "2031-03-04"], "give --weeks."),  # the images bear no date either
        (["--weeks", "8"], ""),
    ],
)
def test_check_without_a_week_says_what_to_give(
    measured: list[Known], scan: Path, tmp_path: Path, given: list[str], hint: str
) -> None:
    told = run("check", scan, *given, "--out", tmp_path / "out")
    assert told.exit_code == 0, told.stderr
    assert ("no week is known" in told.stderr) is bool(hint)
    assert hint in told.stderr
    assert "no week" not in told.stdout


def test_check_says_at_once_that_a_week_does_not_fit_the_dates(
    measured: list[Known], scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mismatch = week_mismatch(12.0, dt.date(2031, 3, 4), dt.date(2031, 6, 24))
    assert mismatch is not None
    reading = build.make_reading(weeks=12.0, problems=(mismatch,))
    monkeypatch.setattr(ongrowth.case, "run_reading", lambda *_: reading)
    told = run("check", scan, "--weeks", "12", "--out", tmp_path / "out")
    assert told.exit_code == 0, told.stderr
    assert (
        "note: CT w08: The date of the scan gives week 16, but week 12 was told and is used." in told.stderr
    )


def test_check_of_a_ct_from_before_its_surgery_writes_nothing(
    measured: list[Known], scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether the week says so or the date in the header."""
    monkeypatch.setattr(ongrowth.case, "run_reading", lambda *_: build.make_reading(weeks=-1.43))
    told = run("check", scan, "--surgery-date", "2031-07-04", "--out", tmp_path / "out")
    assert (told.exit_code, told.stderr.split(":")[0]) == (2, "before-surgery")
    assert "of week -1.4:" in told.stderr
    assert not (tmp_path / "out").exists()


def test_check_can_print_the_reading(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    told = run("check", scan, "--weeks", "8", "--out", tmp_path / "out", "--json")
    assert json.loads(told.stdout)["schema"] == "ongrowth-reading/1"


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--weeks", "-3000"], "impossible-week", "between"),
        (["--weeks", "-3"], "before-surgery", "ongrowth before"),
        (["--weeks", "99999"], "impossible-week", "between"),
        (["--preop-series", "3"], "bad-usage", "without --preop"),
        (["--diameter", "40"], "impossible-size", "--diameter: 40.0 is above 14"),
        (["--diameter", "-1"], "impossible-size", "below 1"),
        (["--diameter", "3", "--root-diameter", "3.5"], "impossible-size", "--root-diameter must be smaller"),
        (["--head", "1,2,3"], "impossible-size", "together"),
        (["--head", "1,2"], "bad-usage", "3 numbers"),
        (["--tip", "1,2,nan", "--head", "0,0,0"], "bad-usage", "3 numbers"),
        (["--defect", "1,2,3,0,0,0"], "bad-plane", "no length"),
        (["--windows", "nowhere.toml"], "no-such-path", "--windows"),
        (["--calibration", "nowhere.json"], "no-such-path", "--calibration"),
        (["--surface", "shiny"], "bad-usage", "ha-coated"),
        (["5", "weeks"], "bad-usage", "A path with blanks in it goes between quotation marks."),
        (["--surgery-date", "4 March"], "bad-usage", "'4 March' is no day. Write it year-month-day"),
        (["--weeks", "eight"], "bad-usage", "eight"),
    ],
)
def test_wrong_options_are_told_in_a_sentence(
    measured: list[Known], scan: Path, tmp_path: Path, options: list[str], code: str, words: str
) -> None:
    told = run("check", scan, *options, "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert told.stderr.startswith(f"{code}: ")
    assert words in told.stderr
    assert told.stdout == ""
    assert measured == []
    assert not (tmp_path / "out").exists()


def test_what_a_name_hides_is_spelt_out_on_one_line(tmp_path: Path) -> None:
    told = run("check", tmp_path / "a\nb\x1b[2J\u202e", "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert told.stderr.splitlines() == [
        f"no-such-path: SCAN: there is nothing at {tmp_path}/a\\nb\\x1b[2J\\u202e. Check the path."
    ]
    (tmp_path / "cohort.csv").write_text('case,scan\nA,"x\ny"\n')
    told = run("cohort", tmp_path / "cohort.csv", "--out", tmp_path / "out")
    assert "no-such-path: Row 2: scan: there is nothing at x\\ny. Check the path." in told.stderr


def test_a_faulty_windows_table_is_misuse(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    (tmp_path / "w.toml").write_text('[[window]]\nquantity = "luck"\n')
    told = run("check", scan, "--windows", tmp_path / "w.toml", "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert "bad-windows" in told.stderr


def test_refused_data_leave_nothing_behind(measured: list[Known], tmp_path: Path) -> None:
    (tmp_path / "broken").mkdir()
    told = run("check", tmp_path / "broken", "--out", tmp_path / "out")
    assert told.exit_code == 3
    assert "no-metal: There is no metal in this scan. Check" in told.stderr
    assert not (tmp_path / "out").exists()


def test_an_unwritable_place_is_told_before_the_work(
    measured: list[Known], scan: Path, tmp_path: Path
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    told = run("check", scan, "--out", blocked)
    assert (told.exit_code, measured) == (2, [])
    assert told.stderr.startswith("unwritable-output: ")


@pytest.mark.parametrize("place", ["", ".."])
@pytest.mark.parametrize("command", ["check", "before"])
def test_no_result_goes_into_the_folder_of_the_ct_or_takes_its_place(
    measured: list[Known], scan: Path, command: str, place: str
) -> None:
    """Given the folder that holds the folder of the CT, results took the place of the CT, which was gone."""
    before = sorted(scan.iterdir())
    told = run(command, scan, "--out", scan / ".." / scan.name / place)
    assert (told.exit_code, measured) == (2, [])
    assert told.stderr.startswith("output-in-scan: ")
    assert sorted(scan.iterdir()) == before


def test_no_result_takes_the_place_of_other_files(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    theirs = tmp_path / "out" / scan.name / "0001.dcm"
    theirs.parent.mkdir(parents=True)
    theirs.write_text("theirs")
    told = run("check", scan, "--weeks", "8", "--out", tmp_path / "out")
    assert (told.exit_code, measured) == (2, [])
    assert told.stderr.startswith("not-ours: ")
    assert theirs.read_text() == "theirs"


def test_a_disk_that_fills_up_is_told_and_the_old_stays(
    measured: list[Known], scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    assert run("check", scan, "--weeks", "8", "--out", out).exit_code == 0
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("numpy.savez_compressed", full)
    told = run("check", scan, "--weeks", "9", "--out", out)
    assert told.exit_code == 1
    assert told.stderr.splitlines()[-1].startswith("disk-full: There is no room left")
    assert "Traceback" not in told.stderr
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before


def test_what_a_library_adds_to_a_failed_write_is_left_out(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> Reading:
        raise OSError("With tag (7FE0,0010) got exception\nTraceback (most recent call last): ...")

    monkeypatch.setattr(ongrowth.case, "run_reading", fail)
    told = run("check", scan, "--out", tmp_path / "out").stderr.splitlines()
    (line,) = told
    assert line.startswith("cannot-read-or-write: With tag")
    assert "Traceback" not in line


@pytest.mark.parametrize(
    "words",
    [
        ["phantom", "even-halo", "--out", "blocked/x"],
        ["demo", "--out", "blocked/x"],
        ["selftest", "even-halo", "--out", "blocked/x"],
        ["request", "--out", "w08"],
        ["calibrate", "w08", "--diameter", "4", "--out", "w08"],
    ],
)
def test_every_command_looks_at_its_output_first(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "blocked").write_text("")
    told = run(*words)
    assert told.exit_code == 2
    assert told.stderr.startswith("unwritable-output: ")


def test_a_calibration_is_written_under_a_name_by_which_a_folder_finds_it(scan: Path, tmp_path: Path) -> None:
    told = run("calibrate", scan, "--diameter", "4", "--out", tmp_path / "bone.svg")
    assert told.exit_code == 2
    assert told.stderr.startswith("bad-usage: ")
    assert ".json" in told.stderr


def test_the_unexpected_is_one_sentence_and_debug_shows_all(
    scan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def surprise(*_: object) -> Reading:
        raise ZeroDivisionError("surprise")

    monkeypatch.setattr(ongrowth.case, "run_reading", surprise)
    told = run("check", scan, "--out", tmp_path / "out")
    assert told.exit_code == 1
    assert told.stderr.splitlines()[-1].startswith("unexpected: ZeroDivisionError: surprise.")
    assert isinstance(run("check", scan, "--out", tmp_path / "out", "--debug").exception, ZeroDivisionError)


def test_a_folder_named_after_the_patient_lends_no_name(tmp_path: Path) -> None:
    scan = build.make_scan(step_mm=4.0)
    named = replace(scan, acquisition=Acquisition(patient_id="SMITH4711"), digest="1f3a9c02" * 8)
    assert scan_id(Path("in/smith4711_ct"), Known(), named) == "scan-1f3a9c02"
    assert scan_id(Path("in/w08"), Known(), named) == "w08"


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_a_folder_named_after_a_patient_with_an_umlaut_lends_no_name(form: str) -> None:
    """Without the umlaut the name of the folder would no longer be found in the header."""
    scan = build.make_scan(step_mm=4.0)
    named = replace(scan, acquisition=Acquisition(patient_words=("müller",)), digest="1f3a9c02" * 8)
    folder = Path("in") / unicodedata.normalize(form, "Müller CT")
    assert scan_id(folder, Known(), named) == "scan-1f3a9c02"
    assert scan_id(folder, replace(Known(), scan_id="w08"), named) == "w08"


# ---- follow ----


def case_file(folder: Path, *scans: str) -> Path:
    text = '[patient]\nid = "harbour-07"\nsite = "L5"\n[[implant]]\nid = "left"\nside = "left"\n'
    for k, name in enumerate(scans):
        (folder / name).mkdir()
        text += f'[[scan]]\npath = "{name}"\nweeks_since_surgery = {8.0 - 4 * k}\n'
    (folder / "case.toml").write_text(text)
    return folder / "case.toml"


def test_follow_orders_scans_in_time(measured: list[Known], tmp_path: Path) -> None:
    out = tmp_path / "out"
    told = run("follow", case_file(tmp_path, "late", "early"), "--out", out)
    assert told.exit_code == 0, told.stderr
    case = read_case(out)
    assert [reading.scan.id for reading in case.readings] == ["early", "late"]
    assert case.patient.id == "harbour-07"
    assert case.dose_total.n_examinations == 1  # both bear one examination's number
    assert (out / "page.html").is_file()


def test_a_refused_scan_does_not_stop_the_others(measured: list[Known], tmp_path: Path) -> None:
    out = tmp_path / "out"
    told = run("follow", case_file(tmp_path, "w08", "broken"), "--out", out)
    assert told.exit_code == 4
    assert "Scan broken was refused: no-metal" in told.stderr
    assert read_case(out).refused[0][0] == "broken"
    assert "no-metal" in (out / "page.html").read_text()


@pytest.mark.parametrize("command", ["check", "before"])
def test_one_ct_is_not_measured_into_the_folder_of_a_case(
    measured: list[Known], scan: Path, tmp_path: Path, command: str
) -> None:
    """Case and readings would no longer agree: the note lost whole lines of a screw."""
    (tmp_path / "case").mkdir()
    assert run("follow", case_file(tmp_path / "case", "w08"), "--out", tmp_path / "out").exit_code == 0
    told = run(command, scan, "--out", tmp_path / "out")
    assert (told.exit_code, told.stderr.split(":")[0], len(measured)) == (2, "case-in-output", 1)


def test_follow_with_nothing_usable_is_refused(measured: list[Known], tmp_path: Path) -> None:
    told = run("follow", case_file(tmp_path, "broken"), "--out", tmp_path / "out")
    assert told.exit_code == 3
    assert not (tmp_path / "out").exists()


def test_follow_tells_every_fault_of_the_case_file(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text("[patient]\nnme = 1\n[[scan]]\nparth = 2\n")
    told = run("follow", tmp_path / "case.toml", "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert len(told.stderr.splitlines()) == 3
    assert "Did you mean path?" in told.stderr


def test_follow_misses_a_scan_before_the_work(measured: list[Known], tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text('[[scan]]\npath = "w99"\nweeks_since_surgery = 9\n')
    told = run("follow", tmp_path / "case.toml", "--out", tmp_path / "out")
    assert (told.exit_code, measured) == (2, [])
    assert "scan w99" in told.stderr


# ---- note, expect, request, ready ----


def test_note_reads_what_check_wrote(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    run("check", scan, "--weeks", "8", "--site", "L5", "--out", tmp_path / "out")
    for place in ("out", "out/w08", "out/w08/reading.json"):
        told = run("note", tmp_path / place)
        assert told.exit_code == 0, told.stderr
        assert "lamina side (screw head)" in " ".join(told.stdout.split()).lower()
    assert run("note", tmp_path / "out", "--short", "--ascii", "--decimal-comma").stdout.isascii()
    assert "ABOUT YOUR CT" in run("note", tmp_path / "out", "--plain").stdout
    assert run("note", tmp_path / "out", "--plain", "--short").exit_code == 2
    told = run("note", tmp_path / "out", "--out", tmp_path / "note.txt")
    assert told.stdout == ""
    assert "IMPRESSION" in (tmp_path / "note.txt").read_text()


def test_a_note_takes_the_place_of_no_result(measured: list[Known], scan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run("check", scan, "--weeks", "8", "--out", out)
    before = (out / "page.html").read_bytes()
    told = run("note", out, "--out", out / "page.html")
    assert (told.exit_code, told.stderr.split(":")[0]) == (2, "not-a-text")
    assert (out / "page.html").read_bytes() == before


def test_note_of_a_case_tells_the_comparison(measured: list[Known], tmp_path: Path) -> None:
    run("follow", case_file(tmp_path, "w08", "w04"), "--out", tmp_path / "out")
    assert "w04 (week 4)." in run("note", tmp_path / "out").stdout


def test_note_refuses_what_is_no_reading(tmp_path: Path) -> None:
    (tmp_path / "reading.json").write_text("{}")
    assert run("note", tmp_path / "reading.json").exit_code == 3
    assert run("note", tmp_path / "nowhere").exit_code == 2


def test_expect_tells_the_week() -> None:
    told = run("expect", "--weeks", "8", "--surface", "plain")
    assert told.exit_code == 0
    assert told.stdout.startswith("WEEK 8 AFTER SURGERY, SURFACE PLAIN (weeks 6 to 12)")
    as_json = json.loads(run("expect", "--weeks", "60", "--surface", "plain", "--json").stdout)
    assert as_json["next_week"] is None
    assert as_json["cautions"] == list(fixed_words().cautions)
    assert run("expect", "--weeks", "-1").exit_code == 2


def test_request_prints_text_and_a_page(tmp_path: Path) -> None:
    told = run("request", "--site", "L5")
    for word in (
        "(L5)",
        "0.75 mm",
        "bone kernel",
        "extended scale",
        "WITHOUT metal artefact reduction",
        "Dose",
    ):
        assert word in " ".join(told.stdout.split())
    assert run("request", "--out", tmp_path / "sheet.html").exit_code == 0
    assert (tmp_path / "sheet.html").read_text().startswith("<!DOCTYPE html>")


def test_ready_names_each_use() -> None:
    told = run("ready")
    assert told.exit_code == 0
    uses = {line.split()[0] for line in told.stdout.splitlines() if not line.startswith(" ")}
    assert uses == {"core", "dicom", "viewer", "cohort", "physics"}
    assert {"use", "name", "found", "remedy"} == set(json.loads(run("ready", "--json").stdout)[0])


@pytest.mark.parametrize(
    ("is_there", "origin", "wanted"),
    [
        (True, {"dir_info": {"editable": True}}, '--editable "{folder}[dicom]"'),
        (True, {"dir_info": {}}, '"{folder}[dicom]"'),
        (False, {"dir_info": {}}, '"ongrowth[dicom]"'),
        (True, None, '"ongrowth[dicom]"'),
    ],
)
def test_what_is_missing_is_added_from_where_the_program_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, is_there: bool, origin: Any, wanted: str
) -> None:
    """Note of the installer: PEP 610, direct_url.json."""
    folder = tmp_path / "un packed"
    folder.mkdir()
    if is_there:
        (folder / "pyproject.toml").touch()
    note = None if origin is None else json.dumps(origin | {"url": folder.as_uri()})
    monkeypatch.setattr(
        "importlib.metadata.distribution", lambda _: SimpleNamespace(read_text=lambda _: note)
    )
    assert install_words("dicom").endswith(f" -m pip install {wanted.format(folder=folder)}")


# ---- the group ----


def test_an_unknown_command_gets_a_suggestion() -> None:
    told = run("chek")
    assert told.exit_code == 2
    assert told.stderr == "no-such-command: There is no command 'chek'. Did you mean check?\n"


def test_commands_of_other_packages_are_named_without_loading_them() -> None:
    code = (
        "import sys; from ongrowth.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "assert 'ongrowth_phantoms' not in sys.modules and 'numpy' not in sys.modules\n"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    for name in ("check", "demo", "follow", "phantom", "selftest"):
        assert re.search(rf"^  {name} ", told.stdout, re.MULTILINE)
    assert "..." not in told.stdout.partition("Commands:")[2]  # no summary is cut off


def test_version_and_completion() -> None:
    assert ongrowth.__version__ in run("--version").stdout
    told = subprocess.run(
        [sys.executable, "-m", "ongrowth", "--version"], capture_output=True, text=True, check=True
    )
    assert told.stdout == run("--version").stdout
    for shell in ("bash", "zsh", "fish"):
        assert "_ONGROWTH_COMPLETE" in run("completion", shell).stdout


def test_completion_offers_commands_and_options() -> None:
    env = os.environ | {"_ONGROWTH_COMPLETE": "bash_complete", "COMP_WORDS": "ongrowth ch", "COMP_CWORD": "1"}
    code = "from ongrowth.cli import main; main(prog_name='ongrowth')"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=False)
    assert "check" in told.stdout


def test_a_reader_that_goes_away_is_no_crash() -> None:
    """`ongrowth expect | head -1` must not print a traceback."""
    command = f"{sys.executable} -m ongrowth expect --weeks 8 | true"
    told = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert "Traceback" not in told.stderr


@pytest.mark.parametrize("command", ["check", "follow", "note", "expect", "request", "ready", "completion"])
def test_every_command_explains_itself(command: str) -> None:
    told = run(command, "--help")
    assert told.exit_code == 0
    assert "--debug" in told.stdout
