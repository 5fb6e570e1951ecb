"""The command line: results on stdout, talk on stderr, one plain sentence for every failure."""

from __future__ import annotations

import gc
import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import ongrowth
from ongrowth.cli.bank import bank
from ongrowth.cli.before import before
from ongrowth.cli.cohort import agreement, cohort, courses, readers, windows
from ongrowth.cli.dicom import dicom
from ongrowth.cli.door import (
    DEBUG,
    OK,
    SOME_FAILED,
    Day,
    Door,
    Misuse,
    Numbers,
    case_at,
    check_weeks,
    debug_option,
    json_option,
    material_option,
    misuse,
    must_be_a_file,
    must_be_apart,
    must_be_writable,
    must_exist,
    must_hold_no_case,
    out_file_option,
    out_folder_option,
    print_answer,
    print_or_write,
    series_option,
    surface_option,
    tell,
    tell_older_objects,
    windows_option,
)
from ongrowth.cli.series import series

if TYPE_CHECKING:
    from ongrowth.case import Known
    from ongrowth.reading import Case, Reading
    from ongrowth.screw import ScrewSpec

# Many small matrices: on several threads they wait for each other, many times over on a busy machine.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is loaded; the user's own setting stands

# Imports make hundreds of thousands of objects and hardly a cycle: looked through at every 700 new ones, as
# is usual, they cost a tenth of a second and more.
_FEW_COLLECTIONS = 50_000

_SIZES = {
    "diameter": "major_diameter_mm",
    "root_diameter": "root_diameter_mm",
    "pitch": "pitch_mm",
    "length": "length_mm",
    "head": "head_mm",
    "tip": "tip_mm",
    "material": "material",
    "side": "side",
}  # options of a screw, and their keys in a case file
_SHELLS = ("bash", "zsh", "fish")


@click.group(
    cls=Door,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Not a medical device; research and decision support. Images are read by a licensed clinician.",
)
@click.version_option(ongrowth.__version__, prog_name="ongrowth")
@click.option("--debug", **DEBUG)
def main() -> None:
    """Measure follow-up CTs of bone screws that cross a bone defect.

    How wide is the halo round the screw on both sides of the defect, does bone bridge it, is the metal
    whole and where it was, and is that what one expects this many weeks after surgery?

    The first steps: `ongrowth demo`, then `ongrowth check CT_FOLDER --weeks 12 --out OUT`.
    """
    gc.set_threshold(_FEW_COLLECTIONS)


@main.command()
@click.argument("scan", type=click.Path(path_type=Path))
@series_option
@click.option("--weeks", type=float, help="Weeks since surgery.")
@click.option("--surgery-date", type=Day(), help="Day of surgery.")
@click.option("--site", default="", help="Vertebra or bone, for example L5; only for print.")
@click.option(
    "--side",
    type=click.Choice(["left", "right", "midline"]),
    help="Side of the screw; sizes are of it alone.",
)
@click.option("--remark", default="", help="Printed under the heading of the page.")
@click.option("--diameter", type=float, metavar="MM", help="Major diameter, over the thread crests.")
@click.option("--root-diameter", type=float, metavar="MM", help="Core diameter of the thread.")
@click.option(
    "--pitch", type=float, metavar="MM", help="Pitch of the thread; found in the scan if not given."
)
@click.option("--length", type=float, metavar="MM", help="Shaft under the head to the tip.")
@surface_option
@material_option
@click.option("--head", type=Numbers(3), help="Head end of the shaft, patient mm (LPS).")
@click.option("--tip", type=Numbers(3), help="Tip of the screw, patient mm (LPS).")
@click.option("--defect", type=Numbers(6), help="Point and normal of the defect plane, patient mm (LPS).")
@click.option("--preop", type=click.Path(path_type=Path), help="CT from before surgery, to place the defect.")
@click.option("--preop-series", default="", metavar="N", help="Number or UID of its series.")
@click.option(
    "--calibration", type=click.Path(path_type=Path), help="Calibration or bank: file, or a folder of them."
)
@click.option("--would-show", is_flag=True, help="Plant halos in the image: how often would they be found?")
@windows_option
@out_folder_option
@json_option
@debug_option
def check(scan: Path, out: Path, as_json: bool, **given: Any) -> None:  # noqa: FBT001
    """Measure ONE follow-up CT and write the page.

    SCAN is a folder, a zip of a folder, or one NIfTI, NRRD or MHA file.
    """
    must_exist(scan, "SCAN")
    known = _known(given)
    must_be_apart(out, scan)
    must_hold_no_case(out)
    must_be_writable(out)
    from ongrowth.case import run_reading

    reading = run_reading(scan, known, tell)
    _must_be_after_surgery(reading.scan.weeks_since_surgery, "By the date in its header this CT is of week")
    _write_check(reading, known, out)
    tell_older_objects(out / "dicom", out / "page.html")
    if reading.implants and math.isnan(reading.scan.weeks_since_surgery):
        missing = "--weeks" if known.surgery_date else "--weeks or --surgery-date"
        click.echo(f"note: no week is known to hold the figures against: give {missing}.", err=True)
    _tell_week_doubts(reading)
    if as_json:
        click.echo((out / reading.scan.id / "reading.json").read_text(encoding="utf-8"), nl=False)
    else:
        print_answer(
            " ".join([reading.summary.sentence, *_would_show(reading, known.site)]), out / "page.html"
        )


def _must_be_after_surgery(weeks: float, whose: str) -> None:
    from ongrowth.wording import week_number

    if weeks < 0.0:
        raise misuse(
            "before-surgery",
            f"{whose} {week_number(weeks)}: before surgery there is no screw to measure.",
            "Measure the gap with ongrowth before SCAN, or give the right --weeks or --surgery-date.",
        )


def _tell_week_doubts(*readings: Reading) -> None:
    """Say where a week that was told does not fit the dates: every result hangs on it."""
    for one in readings:
        for problem in one.scan.problems:
            if problem.code == "week-mismatch":
                click.echo(f"note: CT {one.scan.id}: {problem.text} {problem.advice}", err=True)


def _would_show(reading: Reading, site: str) -> list[str]:
    from ongrowth.findings import screw_name
    from ongrowth.reports.page.tables import would_show_words
    from ongrowth.wording import HALO_SIDES, side_words

    names = {side: side_words(side, site) for side in HALO_SIDES}
    told = ((screw_name(one), would_show_words(one, names)) for one in reading.implants)
    return [f"{name}: {words}" for name, words in told if words]


def _known(given: dict[str, Any]) -> Known:
    """Return what the options say beside the scan."""
    from ongrowth.case import Known
    from ongrowth.findings import read_windows, shipped_windows

    for name in ("preop", "calibration", "windows"):
        must_exist(given[name], f"--{name}")
    check_weeks(given["weeks"])
    if given["weeks"] is not None:
        _must_be_after_surgery(given["weeks"], "Week")
    if given["preop_series"] and not given["preop"]:
        raise misuse(
            "bad-usage", "--preop-series is given without --preop.", "Give the CT too: --preop PATH."
        )
    return Known(
        screws=(_spec(given),),
        series=given["series"],
        weeks=math.nan if given["weeks"] is None else given["weeks"],
        surgery_date=given["surgery_date"],
        site=given["site"].strip()[:32],
        remark=given["remark"].strip()[:200],
        defect=_plane(given["defect"]),
        calibration=given["calibration"],
        preop=given["preop"],
        preop_series=given["preop_series"],
        would_show=given["would_show"],
        windows=read_windows(given["windows"]) if given["windows"] else shipped_windows(),
    )


def _spec(given: dict[str, Any]) -> ScrewSpec:
    """Return the screw that the options describe; without a name it stands for every screw found."""
    from dataclasses import replace

    from ongrowth.casefile import BadCaseFile, parse_implant

    entry = {key: given[option] for option, key in _SIZES.items() if given.get(option) is not None}
    surface = given.get("surface", "plain")
    try:
        return replace(parse_implant({"id": "screw", "surface": surface, **entry}).spec(), id="")
    except BadCaseFile as error:
        told = (f"impossible-size: {_in_options(str(problem.text))}" for problem in error.problems)
        raise Misuse("\n".join(told)) from error


def _in_options(fault: str) -> str:
    """Return a fault of a size with the option's name where it has the key of the case file."""
    text = fault.removeprefix("implant, ").removeprefix("implant: ")
    for option, key in _SIZES.items():
        text = text.replace(key, f"--{option.replace('_', '-')}")
    return f"{text} Lengths are in mm."


def _plane(numbers: tuple[float, ...] | None) -> Any:
    from ongrowth.geometry import Plane

    if numbers is None:
        return None
    try:
        return Plane(numbers[:3], numbers[3:])  # type: ignore[arg-type]  # made arrays on the way in
    except ValueError as error:
        raise misuse(
            "bad-plane", "The normal of --defect has no length.", "Give a direction NX,NY,NZ."
        ) from error


def _write_check(reading: Reading, known: Known, out: Path) -> None:
    from ongrowth.files import new_results, write_text
    from ongrowth.reading import Case, Patient, write_reading
    from ongrowth.reports.page import render_page

    tell("Writing the page")
    case = Case(Patient(site=known.site, remark=known.remark), (reading,), reading.findings, reading.summary)
    page = render_page(case, known.windows)
    with new_results(out) as part:
        write_reading(reading, part / reading.scan.id)
        write_text(part / "page.html", page)


@main.command()
@click.argument("scan", type=click.Path(path_type=Path))
@series_option
@click.option("--diameter", type=float, metavar="MM", required=True, help="Rod, or thread crests.")
@click.option("--root-diameter", type=float, metavar="MM", help="Core of the thread; none: a smooth rod.")
@click.option("--pitch", type=float, metavar="MM", help="Pitch of the thread.")
@material_option
@click.option(
    "--first-days",
    is_flag=True,
    help="SCAN is a CT of the patient from the first days after surgery: no screw has a halo yet.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Calibration file to write (.json)."
)
@debug_option
def calibrate(scan: Path, out: Path, first_days: bool, **given: Any) -> None:  # noqa: FBT001
    """Measure the blur of a protocol on a screw or rod in water, or on a CT of the first days.

    SCAN holds one screw or rod of known diameter in water or gel, tilted by 30 to 60 degrees against
    the table; a picture beside the file shows how well the model fits. Or it is a CT of the patient from
    the first days after surgery (--first-days), to be given with the later CTs of the same protocol.
    """
    must_exist(scan, "SCAN")
    must_be_a_file(out)
    if out.suffix.lower() != ".json":  # by that a folder of calibrations knows its own
        raise misuse(
            "bad-usage", f"--out {out} does not end in .json.", "For example calibrations/bone.json."
        )
    spec = _spec(given)
    if first_days:
        _calibrate_on_patient(scan, given["series"], spec, out)
        return
    from ongrowth.files import write_text
    from ongrowth.halo import measure_calibration
    from ongrowth.read import read_scan
    from ongrowth.reports.calibration import render_calibration

    fit = measure_calibration(read_scan(scan, series=given["series"], progress=tell), spec)
    blur = fit.calibration.blur
    write_text(out, json.dumps(fit.calibration.as_dict(), indent=1) + "\n")
    write_text(out.with_suffix(".svg"), render_calibration(fit))
    click.echo(
        f"In-plane blur {blur.in_plane_fwhm_mm:.2f} mm, slice profile {blur.slice_fwhm_mm:.2f} mm; "
        f"largest misfit {100 * fit.calibration.misfit_share:.1f} % of the metal. Calibration: {out}"
    )


def _calibrate_on_patient(scan: Path, series: str, spec: ScrewSpec, out: Path) -> None:
    from ongrowth.case import Known, run_first_days
    from ongrowth.files import write_text

    calibration = run_first_days(scan, Known(screws=(spec,), series=series), tell)
    blur = calibration.blur
    write_text(out, json.dumps(calibration.as_dict(), indent=1) + "\n")
    click.echo(
        f"In-plane blur {blur.in_plane_fwhm_mm:.2f} mm, slice profile {blur.slice_fwhm_mm:.2f} mm, "
        f"if no screw has a halo on this CT. Calibration: {out}"
    )


@main.command()
@click.argument("case_toml", metavar="CASE.toml", type=click.Path(path_type=Path))
@out_folder_option
@json_option
@debug_option
def follow(case_toml: Path, out: Path, as_json: bool) -> int:  # noqa: FBT001
    """Measure all CTs of a case, in time."""
    from ongrowth.casefile import read_case_file

    case_file = read_case_file(case_toml)
    for scan in case_file.scan:
        must_exist(scan.path, f"scan {scan.name}")
        must_be_apart(out, scan.path, scan.name)
    must_be_writable(out)
    from ongrowth.case import begun_before, case_before, of_another_patient, run_case
    from ongrowth.files import new_results
    from ongrowth.reading import write_reading

    before, begun = case_before(out), begun_before(out)
    with new_results(out, keeps_begun=True) as part:

        def keep(reading: Reading) -> None:
            write_reading(reading, part / reading.scan.id, is_followed=True)

        case = run_case(case_file, tell, keep, before, begun)
        _write_case(case, case_file.settings.windows, part)
    for scan_id, problems in case.refused:
        click.echo(f"Scan {scan_id} was refused: {'; '.join(map(str, problems))}", err=True)
    for problem in of_another_patient(case.readings):
        click.echo(f"note: {problem.text} {problem.advice}", err=True)
    _tell_week_doubts(*case.readings)
    tell_older_objects(out / "dicom", out / "page.html")
    if as_json:
        click.echo((out / "case.json").read_text(encoding="utf-8"), nl=False)
    else:
        print_answer(case.summary.sentence, out / "page.html")
    return SOME_FAILED if case.refused else OK


def _write_case(case: Case, windows: Path | None, out: Path) -> None:
    from ongrowth.files import write_text
    from ongrowth.findings import read_windows
    from ongrowth.reading import write_case
    from ongrowth.reports.page import render_page
    from ongrowth.reports.table import ChangeRow, change_rows, render_csv

    tell("Writing the page")
    page = render_page(case, read_windows(windows) if windows else None)
    write_case(case, out)
    write_text(out / "changes.csv", render_csv(change_rows(case), ChangeRow))
    write_text(out / "page.html", page)


_NO_TEXTS = (".html", ".htm", ".json", ".csv", ".npz", ".toml", ".dcm")  # what stands in a folder of results


@main.command()
@click.argument("reading", type=click.Path(path_type=Path))
@click.option("--short", is_flag=True, help="A few lines instead of the full text.")
@click.option("--plain", is_flag=True, help="A sheet in plain words for patient and family.")
@click.option("--ascii", "only_ascii", is_flag=True, help="Only 7-bit characters.")
@click.option("--decimal-comma", is_flag=True, help="0,62 instead of 0.62.")
@out_file_option
@debug_option
def note(reading: Path, out: Path | None, **form: bool) -> None:
    """Print paste-ready text of a reading.

    READING is a reading.json or case.json, or the folder that holds it.
    """
    must_exist(reading, "READING")
    if out is not None and out.suffix.lower() in _NO_TEXTS:
        what = f"--out: a note is text, and {out.name} is the name of something else."
        raise misuse("not-a-text", what, "Give a name such as note.txt.")
    if form["short"] and form["plain"]:
        raise misuse("bad-usage", "Give one of --short and --plain.")
    from ongrowth.reports.note import render_note

    print_or_write(render_note(case_at(reading), **form), out)


@main.command()
@click.option("--weeks", type=float, required=True, help="Weeks since surgery.")
@surface_option
@windows_option
@json_option
@debug_option
def expect(weeks: float, surface: str, windows: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Say what a CT at a week is expected to show, and what it can and cannot answer."""
    must_exist(windows, "--windows")
    check_weeks(weeks)
    if weeks < 0.0:
        raise misuse(
            "impossible-week", "Before surgery no expected range applies.", "Give a week of 0 or more."
        )
    from ongrowth.findings import expectation, read_windows
    from ongrowth.reports.note import render_expectation

    told = expectation(weeks, surface, read_windows(windows) if windows else None)
    if not as_json:
        click.echo(render_expectation(told), nl=False)
        return
    from dataclasses import asdict

    from ongrowth.quantity import plain
    from ongrowth.wording import fixed_words

    record = {"cautions": fixed_words().cautions} | asdict(told) | {"next_week": plain(told.next_week)}
    click.echo(json.dumps(record, indent=1, ensure_ascii=False))


@main.command()
@click.option("--site", default="", help="Level to be scanned, for example L5.")
@out_file_option
@debug_option
def request(site: str, out: Path | None) -> None:
    """Print a sheet that asks the radiology department for a CT that can be measured."""
    from ongrowth.reports.request import render_request

    as_page = out is not None and out.suffix.lower() in (".html", ".htm")
    print_or_write(render_request(site.strip()[:32], as_page=as_page), out)


@main.command()
@json_option
@debug_option
def ready(as_json: bool) -> None:  # noqa: FBT001
    """Say what is missing on this machine."""
    from ongrowth.reports.ready import look_round, render_ready

    parts = look_round()
    if as_json:
        from dataclasses import asdict

        click.echo(json.dumps([asdict(part) for part in parts], indent=1))
    else:
        click.echo(render_ready(parts), nl=False)


@main.command()
@click.argument("shell", type=click.Choice(_SHELLS))
@debug_option
def completion(shell: str) -> None:
    """Print the completion script of a shell.

    For bash: ongrowth completion bash > ~/.local/share/bash-completion/completions/ongrowth
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is None:  # the choice above leaves none
        raise misuse("no-such-shell", f"There is no completion for {shell}.")
    click.echo(kind(main, {}, "ongrowth", "_ONGROWTH_COMPLETE").source())


main.add_command(bank)
main.add_command(before)
main.add_command(dicom)
main.add_command(series)
for researcher in (cohort, agreement, courses, windows, readers):
    main.add_command(researcher)
