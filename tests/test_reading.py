"""Readings on disk: the same thing comes back, every name is in the schema, nothing is half-written."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import os
import re
from pathlib import Path
from typing import Any

import build_reading as build
import numpy as np
import pytest

import ongrowth
from ongrowth.files import write_text
from ongrowth.findings import answer
from ongrowth.frame import ScrewFrame
from ongrowth.halo import Doubt, Rim, blur_found
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import (
    BLUR_SOURCES,
    QUANTITIES,
    SITES,
    BonePlace,
    Case,
    ChangeRecord,
    DefectReading,
    MotionRecord,
    NewBoneRecord,
    Patient,
    Reading,
    read_case,
    read_reading,
    reading_from_dict,
    reading_to_dict,
    schema,
    take_cuts,
    take_defect_cuts,
    take_profiles,
    validate,
    write_case,
    write_reading,
)
from ongrowth.reading.case_record import case_from_dict, case_to_dict
from ongrowth.scan import Refused


@pytest.fixture(scope="module")
def reading() -> Reading:
    scan = build.make_scan(step_mm=0.8)
    one_sided = build.make_side(1.1, sectors_mm=(2.0, 1.9, 1.1, 0.6, 0.4, 0.5, 0.8, 1.4), rim="present")
    return build.make_reading(
        build.make_implant(build.make_side(0.1), one_sided, bridge=build.make_bridge(0.3), scan=scan),
        build.make_implant(build.make_side(math.nan), build.make_side(0.6), side="right", state="bent"),
        problems=(build.thick_slices(),),
    )


def names_in(record: Any, where: str = "") -> set[str]:
    """Every key of a record with its path, list places dropped."""
    if isinstance(record, dict):
        own = {f"{where}/{name}" for name in record}
        return own.union(*(names_in(value, f"{where}/{name}") for name, value in record.items()))
    if isinstance(record, list):
        return set().union(*(names_in(part, where) for part in record))
    return set()


def named_by(node: Any, defs: dict[str, Any], where: str = "") -> set[str]:
    """Every key a schema speaks of, with its path."""
    if "$ref" in node:
        return named_by(defs[node["$ref"].removeprefix("#/$defs/")], defs, where)
    found: set[str] = set()
    for part in (*node.get("allOf", ()), *node.get("anyOf", ())):
        found |= named_by(part, defs, where)
    for name, part in node.get("properties", {}).items():
        found |= {f"{where}/{name}"} | named_by(part, defs, f"{where}/{name}")
    return found | (named_by(node["items"], defs, where) if isinstance(node.get("items"), dict) else set())


def test_every_written_name_stands_in_the_schema(reading: Reading) -> None:
    shipped = schema("ongrowth-reading/1")
    free = ("/provenance/libraries/", "/provenance/settings/")
    written = {name for name in names_in(reading_to_dict(reading)) if not name.startswith(free)}
    assert written <= named_by(shipped, shipped["$defs"])


CONTRACT = {
    "": "schema cautions provenance scan implants defects other_metal findings summary",
    "/provenance": "version libraries settings input_digest seed wall_s",
    "/scan": "id weeks_since_surgery voxel_mm slice_thickness_mm kernel algorithm kvp scanner hu_ceiling "
    "ceiling_share noise_hu blur_in_plane_mm blur_through_plane_mm blur_source problems others dose",
    "/scan/problems": "code level text advice",
    "/implants": "id side surface frame major_diameter_mm length_mm diameter_source tip_to_cortex_mm "
    "integrity halo limits predicted would_show controls defect",
    "/implants/frame": "origin_mm tip_mm zero_direction quarter_direction axis_direction",
    "/implants/integrity": "state smallest_shown_mm at_depth_mm interruption_mm bend_deg",
    "/implants/halo": "whole head_side tip_side map",
    "/implants/halo/tip_side": "mean_width p95_width max_width share_over_1mm share_over_2mm volume "
    "no_lucency_share lucent_share undecided_share no_lucency_length longest_no_lucency "
    "circumference_over_1mm_deg depth_over_1mm_mm layer_hu rim shape counting_area_mm2 measured_share "
    "detection_limit sector_mean_width",
    "/implants/halo/tip_side/mean_width": "value u95 low95 high95 unit cautions",
    "/implants/halo/head_side/mean_width": "below_limit",
    "/implants/halo/tip_side/rim": "present thickness hu",
    "/implants/halo/map": "depth_mm angle_deg width_mm u_mm side cautions",
    "/implants/limits": "part share_of_variance",
    "/implants/predicted": "change u95_mm detection_limit_mm",
    "/implants/would_show": "width_mm shape side found_share",
    "/implants/controls": "side other_implant other_side difference",
    "/implants/defect": "found how point_mm normal gap_width_mean gap_width_max bridged_fraction "
    "bridge_count smallest_bridge_shown_mm cross_section_mm2 hidden_by_metal map "
    "gap_width_mean_open tissue_hu bridges head_edge tip_edge",
    "/implants/defect/head_edge": "face_hu behind_hu sclerotic",
    "/implants/defect/bridges": "area_mm2 centre_mm place direction",
    "/other_metal": "kind points_mm length_mm diameter_mm",
    "/findings": "site quantity value window against_window why",
    "/findings/window": "from_weeks to_weeks low high source",
    "/summary": "sentence next_scan_week cannot_tell not_looked_at",
}  # other people's scripts read these names: they may grow, not change


def test_the_names_other_scripts_read_are_written(reading: Reading) -> None:
    written = names_in(reading_to_dict(reading))
    promised = {f"{place}/{name}" for place, names in CONTRACT.items() for name in names.split()}
    assert promised <= written


def test_schema_lists_are_those_of_the_code() -> None:
    defs = schema("ongrowth-reading/1")["$defs"]
    assert tuple(defs["quantity_name"]["enum"]) == QUANTITIES
    assert tuple(defs["finding"]["properties"]["site"]["enum"]) == SITES
    assert set(defs["caution"]["enum"]) == {code for flag in Caution for code in flag.codes}
    assert set(defs["quantity"]["properties"]["unit"]["enum"]) == {unit.value for unit in Unit}
    scan = schema("ongrowth-reading/1")["properties"]["scan"]["properties"]
    assert tuple(scan["blur_source"]["enum"]) == BLUR_SOURCES
    assert defs["caution"] == schema("ongrowth-case/1")["$defs"]["caution"]


def test_a_reading_comes_back_the_same(reading: Reading) -> None:
    record = reading_to_dict(reading)
    validate(record, "ongrowth-reading/1")
    through_text = json.loads(json.dumps(record, allow_nan=False))
    assert reading_to_dict(reading_from_dict(through_text)) == record


def test_a_folder_comes_back_with_pictures_and_source(reading: Reading, tmp_path: Path) -> None:
    path = write_reading(reading, tmp_path / "w08")
    back = read_reading(path)
    assert reading_to_dict(back) == reading_to_dict(reading)
    assert back.source == reading.source
    cut, original = back.implants[0].cuts[0], reading.implants[0].cuts[0]
    assert (cut.name, cut.edge_words) == (original.name, original.edge_words)
    np.testing.assert_array_equal(cut.hu, original.hu)
    np.testing.assert_array_equal(
        back.implants[0].profiles[1].hu_mean, reading.implants[0].profiles[1].hu_mean
    )
    assert back.implants[1].cuts == ()


def test_what_other_solutions_hang_on_is_kept_and_a_doubt_without_it_is_left_out(
    reading: Reading, tmp_path: Path
) -> None:
    rng, shape = np.random.default_rng(1), (3, 4)
    no_mm, no_hu = (Measured.missing(unit, Caution.SMALLER_THAN_BLUR) for unit in (Unit.MM, Unit.HU))
    rim = Rim("present", Measured.of(0.3, 0.1, Unit.MM, floor=0.0), Measured.of(800.0, 60.0, Unit.HU))
    no_rim = Rim("not measurable", no_mm, no_hu)
    doubt = Doubt(
        parts=("blur", "metal"), solutions=rng.normal(size=(3, 2)), widths_mm=rng.normal(size=(3, *shape)),
        blur_mm=rng.normal(size=(3, 2)), chances=np.array([0.6, 0.3, 0.1]), alone=np.array([0.5, 0.3, 0.2]),
        paired=np.array([0.9, 0.1, 0.0]),
        covariance=np.eye(2), blur_u_mm=np.array([0.1, 0.2]), follow_mm=rng.normal(size=(*shape, 2)),
        noise_mm=rng.normal(size=(5, *shape)), envelope_mm=np.full(3, 2.0), limit_mm=(0.3, 0.4),
        layer_hu=(Measured.of(70.0, 20.0, Unit.HU), no_hu), rims=(rim, no_rim),
        radius=Measured.of(2.0, 0.02, Unit.MM), model_mm=0.08,
    )  # fmt: skip
    one = reading.implants[0]
    blur = blur_found(doubt, "calibration")
    doubted = dataclasses.replace(one, halo=dataclasses.replace(one.halo, doubt=doubt, blur=blur))
    followed = dataclasses.replace(reading, implants=(doubted, *reading.implants[1:]))
    file = write_reading(followed, tmp_path / "w08", is_followed=True)
    halo = read_reading(file).implants[0].halo
    back = halo.doubt
    assert back is not None
    assert halo.blur == blur
    for name in (
        "solutions",
        "widths_mm",
        "blur_mm",
        "chances",
        "alone",
        "paired",
        "follow_mm",
        "envelope_mm",
    ):
        assert np.array_equal(getattr(back, name), getattr(doubt, name)), name
    for name in ("parts", "limit_mm", "radius", "rims", "layer_hu"):
        assert repr(getattr(back, name)) == repr(getattr(doubt, name)), name  # NaN is no equal of itself
    stored = file.with_name("doubt.npz")
    with np.load(stored) as arrays:
        earlier = {name: arrays[name] for name in arrays.files if not name.endswith("blur_source")}
    np.savez_compressed(stored, **earlier)  # as an earlier state wrote it
    assert read_reading(file).implants[0].halo.doubt is None


def test_a_path_that_is_no_utf8_is_kept_to_the_byte(reading: Reading, tmp_path: Path) -> None:
    path = os.fsdecode(b"/disc/M\xfcnster/\xc3\xbc")  # Latin-1 beside UTF-8, as on an old disc
    source = dataclasses.replace(reading.source, paths=(path,))
    file = write_reading(dataclasses.replace(reading, source=source), tmp_path / "w08")
    assert os.fsencode(read_reading(file).source.paths[0]) == b"/disc/M\xfcnster/\xc3\xbc"
    assert "/\u00fc" in file.with_name("source.json").read_text(encoding="utf-8")  # others stay readable


def test_what_identifies_stays_in_the_private_file(reading: Reading, tmp_path: Path) -> None:
    path = write_reading(reading, tmp_path / "w08")
    shared = path.read_text()
    private = path.with_name("source.json")
    for planted in ("/private/in", "P-4711", "1.2.9", "2031-04-29", "2031-03-04"):
        assert planted not in shared
        assert planted in private.read_text()
    assert private.stat().st_mode & 0o077 == 0


def test_an_unmeasured_bridge_keeps_its_plane() -> None:
    reading = build.make_reading(build.make_implant(build.make_side(0.3), build.make_side(0.3)))
    record = reading_to_dict(reading)
    validate(record, "ongrowth-reading/1")
    defect = record["implants"][0]["defect"]
    assert defect["bridged_fraction"]["value"] is None
    assert defect["bridged_fraction"]["cautions"]
    back = reading_from_dict(record).implants[0]
    assert back.bridge is None
    assert back.defect is not None


def test_a_defect_without_a_screw_is_kept(reading: Reading) -> None:
    from dataclasses import replace

    course = np.array([[0.0, 10.0, 0.5], [0.0, -20.0, 0.5]])
    one = DefectReading("right", build.make_bridge(0.0, "right"), course_mm=course)
    both = replace(reading, defects=(one,))
    record = reading_to_dict(both)
    validate(record, "ongrowth-reading/1")
    assert record["defects"][0]["side"] == "right"
    assert record["defects"][0]["course_mm"] == course.tolist()
    assert reading_to_dict(reading_from_dict(record)) == record


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("implants", 0, "side"), "middle"),
        (("implants", 0, "halo", "head_side", "shape"), "round"),
        (("implants", 0, "halo", "tip_side", "mean_width", "unit"), "cm"),
        (("implants", 0, "halo", "tip_side", "mean_width", "cautions"), ["because"]),
        (("findings", 0, "quantity"), "luck"),
        (("scan", "problems", 0, "code"), "Thick Slices"),
        (("schema",), "ongrowth-reading/2"),
    ],
)
def test_words_outside_the_closed_lists_are_refused(
    reading: Reading, place: tuple[Any, ...], value: Any
) -> None:
    record = copy.deepcopy(reading_to_dict(reading))
    node = record
    for step in place[:-1]:
        node = node[step]
    node[place[-1]] = value
    with pytest.raises(Refused, match="not-a-result"):
        validate(record, "ongrowth-reading/1")


def test_a_missing_name_is_refused(reading: Reading) -> None:
    record = reading_to_dict(reading)
    del record["summary"]
    with pytest.raises(Refused, match="summary"):
        validate(record, "ongrowth-reading/1")


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"schema": "other"}'])
def test_files_that_are_no_reading_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "reading.json").write_text(text)
    with pytest.raises(Refused):
        read_reading(tmp_path)


def test_a_failed_write_leaves_the_old_reading_whole(
    reading: Reading, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_reading(reading, tmp_path / "w08")
    before = {file.name: file.read_bytes() for file in (tmp_path / "w08").iterdir()}

    def full_disk(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez_compressed", full_disk)
    with pytest.raises(OSError, match="No space"):
        write_reading(reading, tmp_path / "w08")
    assert {file.name: file.read_bytes() for file in (tmp_path / "w08").iterdir()} == before
    assert [path.name for path in tmp_path.iterdir()] == ["w08"]


def test_a_second_write_replaces_the_first(reading: Reading, tmp_path: Path) -> None:
    write_reading(reading, tmp_path / "w08")
    (tmp_path / "w08" / "doubt.npz").write_bytes(b"of a run that followed it")
    write_reading(reading, tmp_path / "w08")
    assert sorted(file.name for file in (tmp_path / "w08").iterdir()) == [
        "map.npz",
        "reading.json",
        "source.json",
    ]
    assert [path.name for path in tmp_path.iterdir()] == ["w08"]


def test_text_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    write_text(page, "old")
    with pytest.raises(UnicodeEncodeError):
        write_text(page, "new \ud800")
    assert page.read_text() == "old"
    assert list(tmp_path.iterdir()) == [page]


def test_a_case_comes_back_the_same(reading: Reading, tmp_path: Path) -> None:
    case = full_case(reading)
    write_reading(reading, tmp_path / reading.scan.id)
    write_case(case, tmp_path)
    back = read_case(tmp_path)
    assert case_to_dict(back) == case_to_dict(case)
    assert back.motions[0].roll_deg.cautions == Caution.POOR_FIT
    assert [r.scan.id for r in back.readings] == ["w08"]
    text = (tmp_path / "case.json").read_text()
    shipped = schema("ongrowth-case/1")
    assert names_in(json.loads(text)) <= named_by(shipped, shipped["$defs"])


def full_case(reading: Reading) -> Case:
    small = Measured.of(0.02, 0.02, Unit.MM)
    turn = Measured.of(0.1, 0.05, Unit.DEG)
    motion = MotionRecord(
        implant="left",
        body="screw",
        relative_to="tip side",
        from_scan="w00",
        to_scan="w08",
        translation_mm=(small, small, small),
        axis_change_deg=turn,
        roll_deg=Measured.missing(Unit.DEG, Caution.POOR_FIT),
        total_translation=small,
        total_rotation=turn,
        head_point=small,
        tip_point=small,
        max_total_point_motion=small,
        state="not shown to have moved",
    )
    volume = Measured.of(60.0, 12.0, Unit.MM3)
    bone = NewBoneRecord("left", "w00", "w08", volume, volume, (BonePlace("toward the canal", volume),))
    change = ChangeRecord("left", "tip_side", "mean_width", "w00", "w08", small, "not shown to have changed")
    return Case(
        patient=Patient("harbour-07", 2016, "L5"),
        readings=(reading,),
        findings=reading.findings,
        summary=answer(reading.implants, reading.findings, reading.scan, "L5", n_scans=2),
        motions=(motion,),
        new_bone=(bone,),
        changes=(change,),
        refused=(("w02", (build.thick_slices(),)),),
    )


def test_results_of_version_1_stay_readable() -> None:
    """Written once and kept: later versions of the program must go on reading them."""
    samples = Path(__file__).with_name("samples")
    record = json.loads((samples / "reading-1.json").read_text(encoding="utf-8"))
    validate(record, "ongrowth-reading/1")
    back = reading_from_dict(record)
    tip = back.implants[0].halo.tip_side
    assert (tip.mean_width.value, tip.rim.present, tip.shape) == (1.1, "present", "one-sided")
    assert back.implants[0].halo.head_side.mean_width.below_limit == 0.25
    case = json.loads((samples / "case-1.json").read_text(encoding="utf-8"))
    validate(case, "ongrowth-case/1")
    assert case_from_dict(case, [back]).motions[0].state == "not shown to have moved"


def test_cuts_show_the_screw_where_the_frame_says() -> None:
    """Metal fills exactly the shaft: its length along the cuts, its diameter across."""
    scan, frame = build.make_scan(step_mm=0.5), build.make_frame("left")
    halo = build.make_halo(build.make_side(0.8), build.make_side(0.8))
    along, quarter, across = take_cuts(scan, frame, halo)
    for cut in (along, quarter):
        axis = cut.hu[np.argmin(np.abs(cut.down_mm))]
        metal = cut.right_mm[(axis > 2000) & (cut.right_mm > 0)]
        assert metal.max() == pytest.approx(build.LENGTH_MM, abs=0.6)
    area_mm2 = np.sum(across.hu > 1500) * abs(
        np.diff(across.right_mm[:2])[0] * np.diff(across.down_mm[:2])[0]
    )
    assert 2 * math.sqrt(area_mm2 / math.pi) == pytest.approx(2 * build.RADIUS_MM, abs=0.3)
    assert along.edge_words[:2] == ("screw head", "screw tip")
    # the unrolled halo names directions by `words_at`: one direction, one name on all pictures
    assert across.edge_words == tuple(frame.words_at(a) for a in (270.0, 90.0, 0.0, 180.0))
    assert (along.edge_words[2], quarter.edge_words[2]) == (frame.words_at(0.0), frame.words_at(90.0))

    assert 0.0 < across.at_depth_mm < build.LENGTH_MM


@pytest.mark.parametrize("up", [0.6, 0.67, 0.7, 0.8])
def test_no_two_edges_of_a_cut_through_an_open_defect_bear_one_name(up: float) -> None:
    """Along an arch that runs forward and up by 45 degrees, and square to it, "posterior" may lie nearest."""
    course = np.array([0.2, -math.sqrt(0.96 - up**2), up])
    frame = ScrewFrame.of(-15.0 * course, 15.0 * course)
    for cut in take_defect_cuts(build.make_scan(step_mm=1.0), frame):
        assert len(set(cut.edge_words)) == 4, cut.edge_words


def test_a_shaft_that_no_defect_parts_has_one_profile() -> None:
    scan, frame = build.make_scan(), build.make_frame("left")
    none = build.missing_side(Caution.NO_DEFECT)
    (profile,) = take_profiles(scan, frame, build.make_halo(none, none), build.RADIUS_MM)
    assert profile.side == "whole"


def test_profiles_fall_from_metal_through_the_layer_to_bone() -> None:
    scan, frame = build.make_scan(width_mm=1.5, step_mm=0.5), build.make_frame("left")
    halo = build.make_halo(build.make_side(1.5), build.make_side(1.5))
    for profile in take_profiles(scan, frame, halo, build.RADIUS_MM):
        at = np.interp([-1.5, 0.75, 3.0], profile.distance_mm, profile.hu_mean)
        assert at[0] > 2500
        assert at[1] < 200
        assert 220 < at[2] < 380
        assert np.all(profile.hu_low <= profile.hu_high)


def test_cuts_at_the_edge_of_the_scan_are_air_there() -> None:
    scan, frame = build.make_scan(step_mm=0.8), build.make_frame("left")
    halo = build.make_halo(build.make_side(0.8), build.make_side(0.8))
    small = scan.crop((slice(20, 60), slice(20, 60), slice(20, 60)))
    cuts = take_cuts(small, frame, halo)
    assert min(int(cut.hu.min()) for cut in cuts) == -1024


@pytest.mark.parametrize("name", ["reading", "case"])
def test_every_caution_of_the_schema_is_one_that_something_writes(name: str) -> None:
    """A code that nothing writes is a promise not kept; one that the schema lacks could not be written."""
    package = Path(ongrowth.__file__).parent
    schema = json.loads((package / "data" / f"{name}.schema.json").read_text(encoding="utf-8"))
    listed = schema["$defs"]["caution"]["enum"]
    assert listed == [code for flag in Caution for code in flag.codes]
    code = "".join(
        file.read_text(encoding="utf-8") for file in package.rglob("*.py") if file.name != "quantity.py"
    )
    written = set(re.findall(r"(?<!in )Caution\.([A-Z_]+)(?! (?:not )?in )", code))
    assert {flag.name for flag in Caution} <= written
