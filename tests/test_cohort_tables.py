"""Tables and page of a cohort: complete, described, the same for every executor and order."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import build_reading as build
import pandas as pd
import pytest
import stand_in

from ongrowth.cohort import (
    Fault,
    InProcess,
    Manifest,
    Tables,
    patient_doubts,
    read_manifest,
    run_cohort,
    write_tables,
)
from ongrowth.cohort.dictionary import LONG_COLUMNS, wide_columns
from ongrowth.cohort.job import Job, Measurement, measure_scan
from ongrowth.cohort.page import write_report
from ongrowth.reading import Reading, read_reading
from ongrowth.reports.table import (
    FINDING_QUANTITIES,
    QUANTITIES_BY_SIDE,
    ROW_COLUMNS,
    csv_cell,
    reading_rows,
    row_from_list,
    row_to_list,
    scan_columns,
    wide_name,
)
from ongrowth.scan import Level, Problem
from ongrowth.wording import fixed_words


def reading(weeks: float = 8.0, scan_id: str = "w08") -> Reading:
    wide, thin = build.make_side(1.2, rim="present"), build.make_side(0.1)
    unseen = build.make_side(math.nan)
    return build.make_reading(
        build.make_implant(wide, thin, bridge=build.make_bridge(0.3)),
        build.make_implant(wide, unseen, side="right"),
        weeks=weeks,
        scan_id=scan_id,
    )


# --- one reading ------------------------------------------------------------------------------------


def test_every_quantity_of_a_reading_is_a_row_and_none_is_unknown() -> None:
    rows = reading_rows(reading())
    named = {(row.side, row.quantity) for row in rows if row.implant == "left"}
    for side, group in QUANTITIES_BY_SIDE.items():
        if side != "scan":
            assert {(side, described.name) for described in group} <= named
    known = {d.name for group in QUANTITIES_BY_SIDE.values() for d in group} | {
        d.name for d in FINDING_QUANTITIES
    }
    assert {row.quantity for row in rows} <= known
    assert len({(r.implant, r.side, r.quantity) for r in rows}) == len(rows)


def test_rows_hold_the_numbers_of_the_reading() -> None:
    one = reading()
    rows = {(r.implant, r.side, r.quantity): r for r in reading_rows(one)}
    halo = one.implants[0].halo
    width = rows["left", "head_side", "mean_width"]
    assert width.value == halo.head_side.mean_width.value
    assert (width.low95, width.high95) == (halo.head_side.mean_width.low95, halo.head_side.mean_width.high95)
    assert width.against_window == "as expected"
    assert rows["left", "tip_side", "mean_width"].below_limit == 0.25
    assert rows["left", "head_side", "rim"].category == "present"
    assert rows["left", "head_side", "rim"].against_window == "undecided"
    assert rows["left", "head_side", "sector_045_mean_width"].value == 1.2
    assert rows["left", "defect", "bridged_fraction"].value == 0.3
    assert rows["left", "screw", "integrity"].category == "no interruption shown"
    assert rows["", "scan", "noise_hu"].value == 62.0


def test_what_is_not_measurable_keeps_its_row_and_says_why() -> None:
    rows = {(r.implant, r.side, r.quantity): r for r in reading_rows(reading())}
    missing = rows["right", "tip_side", "mean_width"]
    assert math.isnan(missing.value)
    assert "streak" in missing.cautions.split()
    assert rows["right", "defect", "gap_width_mean"].cautions == "no-defect"


def test_rows_survive_json() -> None:
    for row in reading_rows(reading()):
        again = row_from_list(json.loads(json.dumps(row_to_list(row))))
        assert row_to_list(again) == row_to_list(row)


def test_wide_names_end_in_their_unit() -> None:
    assert wide_name("tip_side", "layer_hu", "[hnsf'U]") == "tip_side_layer_hu"
    assert wide_name("head_side", "volume", "mm3") == "head_side_volume_mm3"
    names = [column.name for column in wide_columns()]
    assert len(names) == len(set(names))
    assert "head_side_mean_width_u95_mm" in names
    assert "head_side_circumference_over_1mm_u95_deg" in names
    assert "defect_bridged_fraction_u95" in names


# --- a cohort ---------------------------------------------------------------------------------------


def measure_known(job: Job, folder: Path) -> Measurement:
    """A reading whose widths are the number in the scan's file."""
    from ongrowth.reading import write_reading

    width = float(job.path.read_text(encoding="utf-8"))
    side = build.make_side(width)
    implant = build.make_implant(
        side, build.make_side(width + 0.1), bridge=build.make_bridge(min(width, 1.0))
    )
    one = build.make_reading(implant, weeks=job.weeks, scan_id=job.scan)
    write_reading(one, folder)
    return Measurement(scan_columns(one), reading_rows(one))


@pytest.fixture(scope="module")
def cohort(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Manifest, Tables]:
    """Six patients, three visits each; one scan fails, one visit was missed."""
    folder = tmp_path_factory.mktemp("cohort")
    (folder / "scans").mkdir()
    lines = ["case,scan,weeks_since_surgery,implant,side,arm"]
    for case in range(6):
        for weeks, width in ((5, 0.8), (12, 0.5), (26, 0.2)):
            scan = f"scans/c{case}w{weeks}.nii"
            (folder / scan).write_text("no number" if (case, weeks) == (2, 12) else f"{width + 0.02 * case}")
            lines.append(f'c{case},{scan},{weeks},left,left,"a, ""b"""')
    lines.append("c3,,52,,,")
    manifest_path = folder / "m.csv"
    manifest_path.write_text("\n".join(lines), encoding="utf-8")
    manifest = read_manifest(manifest_path)
    run_cohort(manifest, folder / "out", executor=InProcess(), measure=measure_known)
    tables = write_tables(manifest, folder / "out")
    write_report(manifest, folder / "out", tables, "in-process")
    return folder / "out", manifest, tables


def test_the_long_table_holds_every_scan(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, tables = cohort
    long = pd.read_parquet(out / "scans.parquet")
    assert tuple(long.columns) == (*LONG_COLUMNS, "arm")
    assert {"case", "scan", "implant", "side", "quantity", "value", "u95", "unit", "cautions"} <= set(long)
    assert (tables.n_measured, tables.n_failed, tables.n_missed) == (17, 1, 1)
    assert len(long) == tables.n_rows
    width = long[(long["quantity"] == "mean_width") & (long["side"] == "head_side")]
    assert width["value"].tolist()[:3] == pytest.approx([0.8, 0.5, 0.2])
    assert long["arm"].unique().tolist() == ['a, "b"']


def test_csv_and_parquet_are_twins(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, _ = cohort
    for name in ("scans", "wide"):
        parquet = pd.read_parquet(out / f"{name}.parquet")
        text = pd.read_csv(out / f"{name}.csv", dtype=str)  # pandas' own parser of numbers is not exact
        assert list(parquet) == list(text)
        for column in parquet:
            if pd.api.types.is_float_dtype(parquet[column]):
                pd.testing.assert_series_equal(parquet[column], text[column].astype(float), check_exact=True)
            else:
                assert parquet[column].fillna("").tolist() == text[column].fillna("").tolist()


def test_a_spreadsheet_can_open_the_csv(cohort: tuple[Path, Manifest, Tables]) -> None:
    """UTF-8, one row on one line, the same number of cells everywhere, empty where there is nothing."""
    out, _, _ = cohort
    for name in ("scans", "wide", "visits", "failures", "data_dictionary"):
        text = (out / f"{name}.csv").read_text(encoding="utf-8")
        rows = list(csv.reader(text.splitlines()))
        assert len(rows) == text.count("\n")
        assert {len(row) for row in rows} == {len(rows[0])}
        assert "nan" not in {cell.lower() for row in rows for cell in row}


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ('=HYPERLINK("http://x")', '\'=HYPERLINK("http://x")'),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("+49 30", "'+49 30"),
        ("-0.5", "-0.5"),
        (-0.5, -0.5),
        ("two\r\nlines", "two lines"),
        (math.nan, ""),
        ("", ""),
    ],
)
def test_no_cell_is_run_by_a_spreadsheet_or_breaks_a_line(cell: object, written: object) -> None:
    """Texts of headers and manifests; the apostrophe is what spreadsheets take for "this is text"."""
    assert csv_cell(cell) == written


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed (Debian package r-base-core)")
def test_r_reads_the_same_numbers(cohort: tuple[Path, Manifest, Tables]) -> None:
    """As docs/cohort.md shows it; sums are printed with 17 figures."""
    out, _, _ = cohort
    script = """
        scans <- read.csv("scans.csv", na.strings = "")
        wide <- read.csv("wide.csv", na.strings = "")
        widths <- subset(scans, quantity == "mean_width" & side == "head_side")
        cat(nrow(scans), nrow(wide), ncol(wide), class(widths$value), scans$arm[1], "\n", sep = "|")
        cat(sprintf("%.17g", sum(widths$value * widths$weeks_since_surgery)), "\n")
    """
    done = subprocess.run(
        ["Rscript", "--vanilla", "-e", script], cwd=out, capture_output=True, text=True, check=True
    )
    long, wide = pd.read_parquet(out / "scans.parquet"), pd.read_parquet(out / "wide.parquet")
    widths = long[(long["quantity"] == "mean_width") & (long["side"] == "head_side")]
    sizes, total = done.stdout.splitlines()
    assert sizes == f'{len(long)}|{len(wide)}|{wide.shape[1]}|numeric|a, "b"|'
    assert float(total) == pytest.approx((widths["value"] * widths["weeks_since_surgery"]).sum(), rel=1e-14)


def test_the_wide_table_has_a_row_for_each_screw_and_scan(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, _ = cohort
    wide = pd.read_parquet(out / "wide.parquet")
    assert len(wide) == 17
    first = wide.iloc[0]
    assert (first["case"], first["implant"], first["screw_integrity"]) == (
        "c0",
        "left",
        "no interruption shown",
    )
    assert first["head_side_mean_width_mm"] == pytest.approx(0.8)
    assert first["head_side_mean_width_u95_mm"] == pytest.approx(0.098, abs=1e-3)
    assert first["scan_noise_hu"] == 62.0
    assert first["defect_bridged_fraction"] == pytest.approx(0.8)


def test_missed_and_failed_visits_stay_visible(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, _ = cohort
    visits = pd.read_csv(out / "visits.csv")
    assert visits["state"].value_counts().to_dict() == {"measured": 17, "failed": 1, "missed": 1}
    missed = visits[visits["state"] == "missed"].iloc[0]
    assert (missed["case"], missed["weeks_since_surgery"]) == ("c3", 52.0)
    assert visits.loc[visits["state"] == "measured", "content_digest"].str.len().unique().tolist() == [64]
    failures = pd.read_csv(out / "failures.csv")
    assert failures[["case", "scan", "code"]].to_numpy().tolist() == [["c2", "c2w12", "unexpected"]]


def test_every_column_and_code_is_in_the_dictionary(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, _ = cohort
    dictionary = pd.read_csv(out / "data_dictionary.csv", keep_default_na=False)
    for table in ("scans", "wide", "visits", "failures"):
        described = dictionary[dictionary["table"] == table]["column"].tolist()
        assert sorted(described) == sorted(pd.read_csv(out / f"{table}.csv", nrows=1).columns)
    quantities = set(dictionary[dictionary["table"] == "quantities"]["column"])
    long = pd.read_parquet(out / "scans.parquet")
    assert set(long["quantity"]) <= quantities
    codes = set(dictionary[dictionary["table"] == "cautions"]["column"])
    assert {code for cell in long["cautions"].fillna("") for code in cell.split()} <= codes
    assert "no-contrast" in codes
    assert (dictionary["meaning"] != "").all()


def test_tables_do_not_depend_on_order_or_on_when(
    cohort: tuple[Path, Manifest, Tables], tmp_path: Path
) -> None:
    out, manifest, _ = cohort
    shuffled = Manifest(manifest.jobs[::-1], manifest.missed, manifest.extra_columns, digest=manifest.digest)
    run_cohort(shuffled, tmp_path, executor=InProcess(), measure=measure_known)
    write_tables(manifest, tmp_path)
    for name in ("scans.parquet", "scans.csv", "wide.parquet", "wide.csv", "visits.csv", "failures.csv"):
        assert (tmp_path / name).read_bytes() == (out / name).read_bytes(), name


def test_the_page_stands_alone_and_carries_the_cautions(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, _, _ = cohort
    page = (out / "page.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "Cohort of 6 patients, 6 screws, 17 CTs" in page
    assert page.count("<svg ") == 2, "courses and bridging"
    assert "http" not in page.replace("http://www.w3.org", "")
    assert "<script" not in page
    for caution in fixed_words().cautions:
        assert caution in page
    assert "Entries in failures.csv: 1" in page
    assert "The protocol stayed the same" in page


def test_publication_tables_and_methods_come_from_the_run(cohort: tuple[Path, Manifest, Tables]) -> None:
    out, manifest, _ = cohort
    size = dict(csv.reader((out / "table_size.csv").read_text(encoding="utf-8").splitlines()))
    assert (size["patients"], size["screws"], size["CTs measured"]) == ("6", "6", "17")
    assert size["sides of screws with a measured width"] == "12"
    widths = pd.read_csv(out / "table_widths.csv")
    assert widths["weeks"].tolist() == ["3 to 6", "3 to 6", "12 to 26", "12 to 26", "26 to 52", "26 to 52"]
    assert widths["patients"].tolist() == [6, 6, 5, 5, 6, 6]
    methods = (out / "methods.md").read_text(encoding="utf-8")
    record = json.loads((out / "provenance.json").read_text(encoding="utf-8"))
    assert f"ongrowth {record['version']}" in methods
    assert record["manifest_digest"] == manifest.digest
    assert manifest.digest[:16] in methods
    assert "Of 18 CTs of 6 patients, 17 gave numbers and 1 did not" in methods
    assert re.search(r"in the CTs that gave numbers it was measurable on \d+ % of sides", methods)
    assert re.search(r"blur of the scans was known from [^.]* in \d+ CTs", methods)
    assert record["measure"].endswith("measure_known")


def test_an_unfinished_run_gives_the_tables_of_what_there_is(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "0.5", "0.6")
    manifest = read_manifest(tmp_path / "manifest.csv")
    half = Manifest(manifest.jobs[:1], extra_columns=manifest.extra_columns)
    run_cohort(half, tmp_path / "out", executor=InProcess(), measure=stand_in.measure)
    tables = write_tables(manifest, tmp_path / "out")
    assert (tables.n_measured, tables.n_failed) == (1, 1)
    assert "not-measured" in (tmp_path / "out" / "failures.csv").read_text(encoding="utf-8")


def test_a_ct_that_failed_has_the_week_of_its_dates(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "refused")
    manifest = read_manifest(tmp_path / "manifest.csv")
    days = {"surgery_date": dt.date(2031, 3, 4), "scan_date": dt.date(2031, 4, 29)}
    manifest = replace(manifest, jobs=(replace(manifest.jobs[0], weeks=math.nan, **days),))
    run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=stand_in.measure)
    write_tables(manifest, tmp_path / "out")
    visits = pd.read_csv(tmp_path / "out" / "visits.csv")
    assert (visits["state"][0], visits["weeks_since_surgery"][0]) == ("failed", 8.0)


def test_an_empty_result_still_makes_readable_tables(tmp_path: Path) -> None:
    stand_in.write_cohort(tmp_path, "refused")
    manifest = read_manifest(tmp_path / "manifest.csv")
    run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=stand_in.measure)
    tables = write_tables(manifest, tmp_path / "out")
    write_report(manifest, tmp_path / "out", tables)
    assert len(pd.read_parquet(tmp_path / "out" / "scans.parquet")) == 0
    assert list(pd.read_parquet(tmp_path / "out" / "scans.parquet")) == [*LONG_COLUMNS, "arm"]
    assert "No CT gave a value." in (tmp_path / "out" / "page.html").read_text(encoding="utf-8")
    methods = (tmp_path / "out" / "methods.md").read_text(encoding="utf-8")
    assert "Of 1 CT of 1 patient, 0 gave numbers and 1 did not" in methods
    assert "by a model of blurred layers. Each value" in methods


def test_what_was_left_out_of_the_manifest_counts_among_the_cts(tmp_path: Path) -> None:
    """Two rows of one scan are one CT; two case files that cannot be read are two."""
    stand_in.write_cohort(tmp_path, "0.5")
    manifest = read_manifest(tmp_path / "manifest.csv")
    why = Problem("bad-cell", Level.REFUSE, "That cell.")
    faults = [
        Fault(3, why, "c9", "w1"),
        Fault(4, why, "c9", "w1"),
        Fault(5, why),
        Fault(6, why),
        Fault(6, why),
    ]
    manifest = replace(manifest, faults=tuple(faults))
    run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=stand_in.measure)
    tables = write_tables(manifest, tmp_path / "out")
    assert (tables.n_measured, tables.n_failed) == (1, 3)
    write_report(manifest, tmp_path / "out", tables)
    methods = (tmp_path / "out" / "methods.md").read_text(encoding="utf-8")
    assert "Of 4 CTs of 1 patient, 1 gave numbers and 3 did not" in methods


def test_a_scan_is_measured_by_the_recipe_and_its_reading_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import ongrowth.cohort.job as job_module

    asked = {}

    def run_reading(path: Path, known: object) -> Reading:
        asked.update(path=path, known=known)
        return reading(scan_id="w08")

    monkeypatch.setattr(job_module, "run_reading", run_reading)
    job = Job("c1", "w08", tmp_path / "in", weeks=8.0, site="L5")
    found = measure_scan(job, tmp_path / "w08")
    assert asked["path"] == tmp_path / "in"
    assert found.columns.weeks_since_surgery == 8.0
    assert len(found.rows) == len(reading_rows(reading()))
    assert read_reading(tmp_path / "w08").scan.id == "w08"
    assert set(ROW_COLUMNS) >= {"implant", "side", "quantity", "value", "u95", "unit", "cautions"}


def test_headers_that_name_other_patients_than_the_manifest_are_told(tmp_path: Path) -> None:
    """One CT of another patient in a case, and one patient under two names; numbers are not told."""
    numbers = {"h1/a": "P-1", "h1/b": "P-2", "h2/a": "P-3", "h3/a": "P-3", "h4/a": "", "h4/b": "P-9"}
    jobs = tuple(Job(*name.split("/"), tmp_path / name, weeks=8.0) for name in numbers)
    manifest = Manifest(jobs)

    def measure(job: Job, folder: Path) -> Measurement:
        measured = measure_known(job, folder)
        held = {"patient_id": numbers[f"{job.case}/{job.scan}"]}
        (folder / "source.json").write_text(json.dumps(held), encoding="utf-8")
        return measured

    for job in jobs:
        job.path.parent.mkdir(exist_ok=True)
        job.path.write_text("0.5", encoding="utf-8")
    run_cohort(manifest, tmp_path / "out", executor=InProcess(), measure=measure)
    told = [problem.text for problem in patient_doubts(manifest, tmp_path / "out")]
    assert told == [
        "By the headers the CTs of h1 are of 2 patients: a; b.",
        "By the headers the CTs of these cases are of one patient: h2, h3.",
    ]
    page = write_report(manifest, tmp_path / "out", write_tables(manifest, tmp_path / "out"))
    shown = page.read_text(encoding="utf-8")
    assert all(text in shown for text in told)
    assert "P-3" not in shown
