"""The researcher's commands from the shell: what they print, write, refuse, and their exit status."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import stand_in
from click.testing import CliRunner, Result

import ongrowth
import ongrowth.cohort.run as run_module
from ongrowth.cli import main
from ongrowth.findings import read_windows
from ongrowth.wording import fixed_words


def call(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture
def measured_by_stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command measures with the default of `run_cohort`."""
    defaults = run_module.run_cohort.__kwdefaults__
    assert defaults is not None
    monkeypatch.setitem(defaults, "measure", stand_in.measure)


@pytest.mark.usefixtures("measured_by_stand_in")
def test_a_cohort_is_measured_and_its_tables_written(tmp_path: Path) -> None:
    manifest, out = stand_in.write_cohort(tmp_path, "0.5", "0.6"), tmp_path / "out"
    done = call("cohort", manifest, "--out", out, "--in-process")
    assert done.exit_code == 0, done.output
    assert "2 scans: 2 measured now." in done.stdout
    assert fixed_words().short in done.stdout
    assert "2 scans of 2 cases, 0 missed visits." in done.stderr
    for name in ("scans.parquet", "wide.csv", "page.html", "methods.md", "provenance.json"):
        assert (out / name).is_file()
    again = call("cohort", manifest, "--out", out, "--in-process", "--json")
    told = json.loads(again.stdout)
    assert (told["n_measured"], told["n_kept"], told["n_rows"]) == (0, 2, 4)


@pytest.mark.usefixtures("measured_by_stand_in")
def test_failed_scans_give_status_four(tmp_path: Path) -> None:
    manifest = stand_in.write_cohort(tmp_path, "0.5", "refused")
    done = call("cohort", manifest, "--out", tmp_path / "out", "--in-process")
    assert done.exit_code == 4
    assert "1 without numbers (see failures.csv)" in done.stdout


def test_a_dry_run_tells_all_faults_and_measures_nothing(tmp_path: Path) -> None:
    manifest = stand_in.write_cohort(tmp_path, "0.5", "0.6")
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text + "c000,scans/none.nii,8,left,left,a\nc009,scans/s000.nii,x,left,left,a\n")
    done = call("cohort", manifest, "--out", tmp_path / "out", "--dry-run")
    assert done.exit_code == 2
    assert "no-such-path: Row 4" in done.stderr
    assert "bad-cell: Row 5" in done.stderr
    assert not (tmp_path / "out").exists()
    manifest.write_text(text)
    good = call("cohort", manifest, "--out", tmp_path / "out", "--dry-run")
    assert good.exit_code == 0
    assert good.stdout == "Nothing stands against a run over 2 scans.\n"
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("measured_by_stand_in")
def test_a_dry_run_looks_at_the_output_folder_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    manifest, out = stand_in.write_cohort(tmp_path, "0.5"), tmp_path / "out"
    assert call("cohort", manifest, "--out", out, "--in-process").exit_code == 0
    words = ("cohort", manifest, "--out", out, "--dry-run")
    assert "1 have a result already" in call(*words).stdout
    monkeypatch.setattr(ongrowth, "__version__", "9.9.9")
    other = call(*words)
    assert other.exit_code == 3
    assert other.stderr.splitlines()[-1].startswith("mixed-versions: ")
    manifest.write_text("case,scan\nc000,nowhere\n", encoding="utf-8")
    both = call(*words)
    assert both.exit_code == 2
    assert [line.split(":")[0] for line in both.stderr.splitlines()] == ["no-such-path", "mixed-versions"]


@pytest.mark.parametrize("option", ["--dry-run", "--in-process"])
def test_no_result_takes_the_place_of_a_ct(tmp_path: Path, option: str) -> None:
    """CTs in scans/<case>/<scan> beside the manifest, and results wanted beside it, too."""
    ct = tmp_path / "scans" / "a1" / "w08" / "0001.dcm"
    ct.parent.mkdir(parents=True)
    ct.write_text("a CT")
    manifest = tmp_path / "manifest.csv"
    manifest.write_text("case,scan,weeks_since_surgery\na1,scans/a1/w08,8\n")
    told = call("cohort", manifest, "--out", tmp_path, option)
    assert told.exit_code == 2
    assert "output-in-scan: " in told.stderr
    assert [path.name for path in ct.parent.iterdir()] == ["0001.dcm"]


def test_wrong_calls_are_told(tmp_path: Path) -> None:
    manifest = stand_in.write_cohort(tmp_path, "0.5")
    assert call("cohort", tmp_path / "none.csv", "--out", tmp_path).exit_code == 2
    two = call("cohort", manifest, "--out", tmp_path / "out", "--in-process", "--workers", 2)
    assert two.exit_code == 2
    assert "Give one of --workers, --scheduler and --in-process." in two.stderr
    bad = tmp_path / "windows.toml"
    bad.write_text("[[window]]\n", encoding="utf-8")
    assert call("cohort", manifest, "--out", tmp_path / "out", "--windows", bad).exit_code == 2


@pytest.mark.parametrize(
    ("command", "option"),
    [("cohort", "--minutes"), ("cohort", "--memory-gb"), ("windows", "--share"), ("readers", "--repeats")],
)
def test_what_is_no_number_is_no_amount(tmp_path: Path, command: str, option: str) -> None:
    """It is neither below nor above a bound: a limit would be none."""
    told = call(command, tmp_path, "--out", tmp_path / "out", option, "nan")
    assert told.exit_code == 2
    assert told.stderr.startswith(f"bad-usage: Invalid value for '{option}': 'nan' is no amount.")


def test_agreement_of_a_wide_table(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    truth = rng.normal(1.0, 0.3, 20)
    columns = {f"{who}{k}": truth + rng.normal(0, 0.1, 20) for who in "ab" for k in (1, 2)}
    table = tmp_path / "readings.csv"
    others = {f"figure{k}": 0.5 * k for k in range(200)}  # as many as our own wide table has
    pd.DataFrame({"patient": range(20), "true": truth, **columns, **others}).to_csv(table, index=False)
    words = ("agreement", table, "--subject", "patient", "--method", "a=a1,a2", "--method", "b=b1,b2")
    done = call(*words, "--truth", "true", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    for topic in (
        "Repeatability: a",
        "Limits of agreement of single readings",
        "Intraclass",
        "Linearity: a against true",
    ):
        assert topic in done.stdout
    assert len(pd.read_csv(tmp_path / "out" / "agreement.csv")) > 20
    page = (tmp_path / "out" / "page.html").read_text(encoding="utf-8")
    assert "a less b" in page
    assert fixed_words().short in page
    figures = json.loads(call(*words, "--json").stdout)
    found = {f["name"]: f["value"] for f in figures if f["first"] == "a"}
    assert found["within-subject SD"] == pytest.approx(0.1, abs=0.04)


def test_agreement_of_a_long_table_can_be_split(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    rows = [
        (case, kernel, reader, 1.0 + 0.1 * case + rng.normal(0, 0.05), ("thin", "wide")[case % 2])
        for case in range(12)
        for kernel in ("sharp", "smooth")
        for reader in ("r1", "r2")
    ]
    table = tmp_path / "long.parquet"
    columns = ["patient", "kernel", "reader", "width_mm", "class"]
    pd.DataFrame(rows, columns=columns).to_parquet(table)
    words = ("agreement", table, "--subject", "patient", "--value", "width_mm", "--by", "kernel")
    done = call(*words, "--category", "class", "--categories", "none,thin,wide", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "out" / "page.html").read_text(encoding="utf-8")
    assert "r1 less r2 (sharp) against their mean" in page, "of two parts one is drawn: which"
    assert "Limits of agreement [sharp]: r1 against r2 (n = 12)" in done.stdout
    assert "  bias, r1 less r2: " in done.stdout
    assert "[smooth]" in done.stdout
    assert "kappa, linear weights: 1.00" in done.stdout


def test_agreement_tells_the_unit_and_takes_no_two_together(tmp_path: Path) -> None:
    rows = [
        (case, quantity, unit, reader, 0.1 * case + 0.05 * (reader == "r2") + 0.01 * (case % 3))
        for case in range(8)
        for quantity, unit in (("mean_width", "mm"), ("bridged_fraction", "1"))
        for reader in ("r1", "r2")
    ]
    table, out = tmp_path / "scans.csv", tmp_path / "out"
    pd.DataFrame(rows, columns=["case", "quantity", "unit", "reader", "value"]).to_csv(table, index=False)
    mixed = call("agreement", table)
    assert mixed.exit_code == 3
    assert mixed.stderr.startswith("several-units: The table holds values in 1, mm,")
    one = call("agreement", table, "--quantity", "mean_width", "--out", out)
    assert one.exit_code == 0, one.output
    assert one.stdout.startswith("Values in mm.\n")
    assert "Values in mm." in (out / "page.html").read_text(encoding="utf-8").replace(
        "\N{NO-BREAK SPACE}", " "
    )
    split = call("agreement", table, "--by", "quantity")
    assert split.exit_code == 0, split.output
    assert "[bridged_fraction]" in split.stdout


def test_agreement_tells_what_it_takes_for_replicates(tmp_path: Path) -> None:
    rows = [f"c{n},{side},mean_width,{n + shift}" for n in range(6) for side, shift in (("a", 0), ("b", 0.3))]
    (tmp_path / "long.csv").write_text(
        "\n".join(["case,side,quantity,value", *rows]) + "\n", encoding="utf-8"
    )
    told = call("agreement", tmp_path / "long.csv", "--subject", "case")
    assert told.exit_code == 0
    assert "note: rows that differ in side are taken for replicates of one subject" in told.stderr
    assert "add --subject side" in told.stderr
    apart = call("agreement", tmp_path / "long.csv", "--subject", "case", "--subject", "side")
    assert "replicates" not in apart.stderr


def test_agreement_says_what_it_lacks(tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    pd.DataFrame({"patient": [1, 2, 3], "value": [1.0, 2.0, 3.0]}).to_csv(table, index=False)
    lacks = call("agreement", table)
    assert lacks.exit_code == 2
    assert "Give --subject; the table has patient, value." in lacks.stderr
    single = call("agreement", table, "--subject", "patient")
    assert single.exit_code == 3
    assert single.stderr.startswith("nothing-to-compare")
    unknown = call("agreement", table, "--subject", "patent")
    assert unknown.exit_code == 3
    assert unknown.stderr.startswith("missing-column")
    assert call("agreement", table, "--subject", "patient", "--method", "x").exit_code == 2


@pytest.mark.parametrize(
    "words",
    [
        ("--method", "a=x", "--method", "b=y", "--value", "width_mm"),
        ("--method", "a=x", "--method", "b=y", "--method-column", "reader"),
        ("--categories", "none,thin,wide"),
    ],
)
def test_agreement_passes_no_option_over(tmp_path: Path, words: tuple[str, ...]) -> None:
    table = tmp_path / "t.csv"
    table.write_text("patient,reader,x,y,width_mm\n1,r,1,1,1\n", encoding="utf-8")
    told = call("agreement", table, "--subject", "patient", *words)
    assert told.exit_code == 2
    assert told.stderr.startswith("bad-usage: --")


def test_windows_are_written_in_the_format_that_check_takes(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    rows = [
        (
            f"c{k}",
            "w08",
            8.0 + rng.uniform(-1, 1),
            "left",
            side,
            "mean_width",
            rng.normal(0.5, 0.1),
            "mm",
            "plain",
        )
        for k in range(60)
        for side in ("head_side", "tip_side")
    ]
    columns = [
        "case",
        "scan",
        "weeks_since_surgery",
        "implant",
        "side",
        "quantity",
        "value",
        "unit",
        "surface",
    ]
    table, out = tmp_path / "scans.csv", tmp_path / "own.toml"
    pd.DataFrame(rows, columns=columns).to_csv(table, index=False)
    done = call("windows", table, "--out", out, "--name", "our clinic", "--picture", tmp_path / "p.svg")
    assert done.exit_code == 0, done.output
    own = [row for row in read_windows(out) if "our clinic" in row.source]
    assert {(row.surface, row.side) for row in own} == {("plain", "head_side"), ("plain", "tip_side")}
    assert own[0].high == pytest.approx(0.66, abs=0.05)
    assert (tmp_path / "p.svg").is_file()
    assert call("expect", "--weeks", 8, "--surface", "plain", "--windows", out).exit_code == 0
    assert f"# {fixed_words().short}" in out.read_text()
    few = call("windows", table, "--min-patients", 100)
    assert few.exit_code == 3
    assert few.stderr.startswith("too-few-patients")


def test_courses_are_told_for_each_part_of_a_cohort(tmp_path: Path) -> None:
    """Two kernels whose halos fade by 0.3 and by 0.6 mm in 10 weeks, scatter 0.02 mm."""
    rng = np.random.default_rng(4)
    rows = [
        (f"c{k}", f"w{weeks}", weeks, kernel, "left", side, quantity, value, unit)
        for k, kernel in ((k, ("sharp", "smooth")[k % 2]) for k in range(16))
        for weeks in (2, 8, 16)
        for side, quantity, value, unit in (
            ("head_side", "mean_width", 1.5 - (0.03, 0.06)[k % 2] * weeks + rng.normal(0, 0.02), "mm"),
            ("defect", "bridged_fraction", weeks / 20.0, "1"),
        )
    ]
    columns = [
        "case",
        "scan",
        "weeks_since_surgery",
        "kernel",
        "implant",
        "side",
        "quantity",
        "value",
        "unit",
    ]
    fixed = {"u95": 0.05, "scanner": "a", "algorithm": "", "kvp": 120.0, "slice_thickness_mm": 0.6}
    table, out = tmp_path / "scans.parquet", tmp_path / "out"
    pd.DataFrame(rows, columns=columns).assign(**fixed).to_parquet(table)
    done = call("courses", table, "--by", "kernel", "--out", out)
    assert done.exit_code == 0, done.output
    assert fixed_words().short in done.stdout
    told = pd.read_csv(out / "courses.csv")
    changes = told[told["figure"] == "change"]
    for kernel, slope in (("sharp", -0.03), ("smooth", -0.06)):
        own = changes[changes["part"] == kernel]
        assert len(own)
        assert own["value"].to_numpy() == pytest.approx(np.full(len(own), slope), abs=0.005)
        assert (own["n_patients"] == 8).all()
    page = (out / "page.html").read_text(encoding="utf-8")
    for words in ("By kernel", "Course of the mean halo width: sharp", "Time to bridging: smooth"):
        assert words in page
    whole = call("courses", table, "--quantity", "bridged_fraction", "--out", tmp_path / "whole")
    assert whole.exit_code == 0, whole.output
    assert call("courses", table, "--by", "arm", "--out", out).exit_code == 3
    assert call("courses", table, "--by", "value", "--out", out).stderr.startswith("too-many-parts")


def test_no_kit_without_a_cohort(tmp_path: Path) -> None:
    done = call("readers", tmp_path, "--out", tmp_path / "kit")
    assert done.exit_code == 3
    assert done.stderr.startswith("no-pictures")


def test_what_needs_a_missing_package_says_how_to_add_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def absent(*_: object, **__: object) -> None:
        raise ImportError("Unable to find a usable engine")

    monkeypatch.setattr("pandas.read_parquet", absent)
    (tmp_path / "scans.parquet").write_bytes(b"PAR1")
    told = call("windows", tmp_path / "scans.parquet")
    assert told.exit_code == 3
    assert told.stderr.startswith("no-table: scans.parquet is Parquet, which cannot be read here")
    assert "[cohort]" in told.stderr
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    told = call("readers", tmp_path, "--out", tmp_path / "out")
    assert told.exit_code == 2
    assert told.stderr.startswith("not-installed: This command needs pyarrow.")
