"""The reader study: blinded, shuffled, with repeats, and the way back to agreement."""

from __future__ import annotations

import re
import stat
from dataclasses import replace
from pathlib import Path

import build_reading as build
import numpy as np
import pandas as pd
import pytest
import stand_in
from click.testing import CliRunner

from ongrowth.agreement import Layout, compare
from ongrowth.cli import main
from ongrowth.cohort import InProcess, Job, Measurement, read_manifest, run_cohort, write_tables
from ongrowth.cohort.readers import BRIDGING_CATEGORIES, draw_items, unblind, with_tool, write_kit
from ongrowth.reading import write_reading
from ongrowth.reports.table import reading_rows, scan_columns
from ongrowth.scan import Refused
from ongrowth.tidy import read_table
from ongrowth.wording import fixed_words

SCREWS = [(f"c{k:02d}", "w08", side) for k in range(10) for side in ("left", "right")]


def test_items_are_shuffled_recoded_and_some_are_repeated() -> None:
    items = draw_items(SCREWS, repeat_share=0.25, seed=3)
    assert len(items) == 25
    assert len({item.code for item in items}) == 25
    assert {(i.case, i.scan, i.implant) for i in items} == set(SCREWS)
    assert sum(item.occasion == 2 for item in items) == 5
    assert [(i.case, i.scan, i.implant) for i in items if i.occasion == 1] != SCREWS
    assert [item.code for item in items] != sorted(item.code for item in items)
    assert draw_items(SCREWS, repeat_share=0.25, seed=3) == items
    assert draw_items(SCREWS, repeat_share=0.25, seed=4) != items


def test_a_repeat_comes_well_after_its_first_showing() -> None:
    for seed in range(20):
        items = draw_items(SCREWS, repeat_share=0.3, seed=seed)
        place = {(i.case, i.implant, i.occasion): k for k, i in enumerate(items)}
        for (case, implant, occasion), k in place.items():
            if occasion == 2:
                assert k > place[case, implant, 1] + 1 or k == len(items) - 1


def measure_with_pictures(job: Job, folder: Path) -> Measurement:
    width = float(job.path.read_text(encoding="utf-8"))
    scan = build.make_scan(width, step_mm=1.0)
    implant = build.make_implant(
        build.make_side(width), build.make_side(width + 0.1), bridge=build.make_bridge(0.3), scan=scan
    )
    one = build.make_reading(replace(implant, id="left"), weeks=job.weeks, scan_id=job.scan)
    write_reading(one, folder)
    return Measurement(scan_columns(one), reading_rows(one))


@pytest.fixture(scope="module")
def cohort(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("readers")
    manifest = read_manifest(stand_in.write_cohort(folder, *(f"{0.3 + 0.2 * k:.1f}" for k in range(6))))
    run_cohort(manifest, folder / "out", executor=InProcess(), measure=measure_with_pictures)
    write_tables(manifest, folder / "out")
    return folder / "out"


def test_the_kit_shows_pictures_and_nothing_that_tells_who_or_what_we_measured(
    cohort: Path, tmp_path: Path
) -> None:
    items = write_kit(cohort, tmp_path, repeat_share=0.5, seed=1)
    assert len(items) == 9
    sheets = (tmp_path / "readers" / "sheets.html").read_text(encoding="utf-8")
    assert sheets.count("<section") == 9
    assert sheets.count("<svg ") == 27
    shown = re.sub(r"data:image/png;base64,[^\"]*", "", sheets)
    for secret in ("c000", "c005", "s000", "w08", "ha-coated", "mean_width", "as expected"):
        assert secret not in shown
    assert [p.name for p in (tmp_path / "readers").iterdir() if "key" in p.name] == []
    assert stat.S_IMODE((tmp_path / "key.csv").stat().st_mode) == 0o600
    form = read_table(tmp_path / "readers" / "form.csv")
    assert len(form) == 27
    assert form["value"].isna().all()


def test_the_command_says_what_to_hand_out_and_bears_the_caution(cohort: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["readers", str(cohort), "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert f"To hand out: {(tmp_path / 'readers').resolve()}" in done.stdout
    assert fixed_words().short in done.stdout


def test_a_study_is_not_written_over_by_another(cohort: Path, tmp_path: Path) -> None:
    """Without the key that is drawn anew, forms that were handed out would be worth nothing."""
    write_kit(cohort, tmp_path, seed=1)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.*")}
    with pytest.raises(Refused, match="study-there"):
        write_kit(cohort, tmp_path, seed=2)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.*")} == before


def filled(kit: Path, reader: str, seed: int) -> pd.DataFrame:
    """A form as a reader with a bias of 0.2 mm and a spread of 0.1 mm would fill it."""
    rng = np.random.default_rng(seed)
    form, key = read_table(kit / "readers" / "form.csv"), read_table(kit / "key.csv")
    form = form.astype({"category": object, "reader": object})
    case_of = dict(zip(key["item"], key["case"], strict=True))
    truth = {f"c{k:03d}": 0.3 + 0.2 * k for k in range(6)}
    for place, row in form.iterrows():
        if row["quantity"] == "mean_width":
            width = truth[case_of[row["item"]]] + 0.1 * (row["side"] == "tip_side")
            form.loc[place, "value"] = width + 0.2 + rng.normal(0, 0.1)
        else:
            form.loc[place, "category"] = BRIDGING_CATEGORIES[2 if rng.random() < 0.8 else 1]
    form["reader"] = reader
    return form


def test_what_comes_back_gives_agreement_within_between_and_with_the_tool(
    cohort: Path, tmp_path: Path
) -> None:
    write_kit(cohort, tmp_path, repeat_share=1.0, seed=1)
    forms = []
    for reader, seed in (("r1", 1), ("r2", 2)):
        path = tmp_path / f"{reader}.csv"
        filled(tmp_path, reader, seed).to_csv(path, index=False)
        forms.append(read_table(path))
    read = unblind(forms, read_table(tmp_path / "key.csv"))
    table = with_tool(read, read_table(cohort / "scans.parquet"))
    layout = Layout(
        ("case", "scan", "implant", "side", "quantity"),
        method="reader",
        category="category",
        categories=BRIDGING_CATEGORIES,
    )
    widths = table[table["quantity"] == "mean_width"]
    found = {(f.topic, f.name, f.first, f.second): f for f in compare(widths, replace(layout, category=""))}
    sd = found["repeatability", "within-subject SD", "r1", ""]
    assert sd.n == 12
    assert sd.estimate.low95 < 0.1 < sd.estimate.high95
    topic = "limits of agreement of single readings, from replicates"
    bias = found[topic, "bias", "r1", "tool"].estimate
    assert bias.low95 < 0.2 < bias.high95
    assert found[topic, "bias", "r1", "r2"].estimate.value == pytest.approx(0.0, abs=0.15)
    kappas = [f for f in compare(table, layout) if f.topic == "categories"]
    assert {(f.first, f.second) for f in kappas} >= {("r1", "r1 again"), ("r1", "r2"), ("r1", "tool")}


def test_the_command_holds_forms_against_each_other_and_the_tool(cohort: Path, tmp_path: Path) -> None:
    """The very command of docs/cohort.md: a form tells its unit, our own rows beside it do not."""
    write_kit(cohort, tmp_path, repeat_share=1.0, seed=1)
    forms = [str(tmp_path / f"form-{reader}.csv") for reader in ("r1", "r2")]
    for seed, path in enumerate(forms):
        filled(tmp_path, f"r{seed + 1}", seed).to_csv(path, index=False)
    tool = ["--tool", str(cohort / "scans.parquet"), "--quantity", "mean_width"]
    done = CliRunner().invoke(main, ["agreement", *forms, "--key", str(tmp_path / "key.csv"), *tool])
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Values in mm.")
    assert "r1 against tool" in done.stdout
    keyless = CliRunner().invoke(main, ["agreement", *forms, *tool])
    assert (keyless.exit_code, keyless.stderr.partition(":")[0]) == (2, "bad-usage")
    assert "--key" in keyless.stderr


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_pseudonym_of_digits_is_no_number(tmp_path: Path, separator: str) -> None:
    key = "item,occasion,case,scan,implant\nR0001,1,007,06,left\n"
    form = "item,side,quantity,value,unit,category,reader,remark\nR0001,head_side,mean_width,0.5,mm,,01,\n"
    for name, text in (("key.csv", key), ("form.csv", form)):
        (tmp_path / name).write_text(text.replace(",", separator))
    read = unblind([read_table(tmp_path / "form.csv")], read_table(tmp_path / "key.csv"))
    own = {"case": "007", "scan": "06", "implant": "left", "side": "head_side", "quantity": "mean_width"}
    told = with_tool(read, pd.DataFrame([own | {"value": 0.4}]))
    assert list(told["reader"]) == ["01", "tool"]
    assert list(told["value"]) == [0.5, 0.4]


def test_forms_of_another_study_or_without_a_reader_are_refused(cohort: Path, tmp_path: Path) -> None:
    write_kit(cohort, tmp_path, seed=1)
    key, form = read_table(tmp_path / "key.csv"), filled(tmp_path, "r1", 1)
    with pytest.raises(Refused, match="no-reader"):
        unblind([form.assign(reader=None)], key)
    with pytest.raises(Refused, match=r"not-of-this-key.*R9999"):
        unblind([form.assign(item="R9999")], key)
    with pytest.raises(Refused, match="no-rows"):
        unblind([read_table(tmp_path / "readers" / "form.csv")], key)
    with pytest.raises(Refused, match="missing-column"):
        unblind([form.drop(columns="value")], key)


def test_a_form_as_a_spreadsheet_saves_it_is_understood(cohort: Path, tmp_path: Path) -> None:
    """Semicolons, decimal commas, categories typed by hand, the reader named once."""
    write_kit(cohort, tmp_path, seed=1)
    form, key = filled(tmp_path, "r1", 1), read_table(tmp_path / "key.csv")
    plain = unblind([form], key)
    is_category = form["category"].notna()
    form.loc[is_category, "category"] = form.loc[is_category, "category"].str.upper() + " "
    form["reader"] = ["r1"] + [""] * (len(form) - 1)
    form.to_csv(tmp_path / "saved.csv", sep=";", decimal=",", index=False)
    pd.testing.assert_frame_equal(unblind([read_table(tmp_path / "saved.csv")], key), plain)


def test_what_a_reader_cannot_have_meant_is_refused(cohort: Path, tmp_path: Path) -> None:
    write_kit(cohort, tmp_path, seed=1)
    form, key = filled(tmp_path, "r1", 1), read_table(tmp_path / "key.csv")
    first = form.index[form["quantity"] == "mean_width"][0]
    for value, words in ((850.0, "850 is not between 0 and 15"), (-0.5, "-0.5 is not between")):
        with pytest.raises(Refused, match=f"bad-value.*{words}"):
            unblind([form.assign(value=form["value"].mask(form.index == first, value))], key)
    with pytest.raises(Refused, match=r"bad-value.*'ca. 1'"):
        unblind([form.assign(value=form["value"].astype(object).mask(form.index == first, "ca. 1"))], key)
    with pytest.raises(Refused, match=r"bad-category: R\d{4}: 'half'"):
        unblind([form.assign(category="half")], key)
    with pytest.raises(Refused, match=r"read-twice.*r1"):
        unblind([form, form], key)


def test_a_cohort_without_pictures_gives_no_kit(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no-pictures"):
        write_kit(tmp_path, tmp_path / "kit")
