"""The command line: results on stdout, talk on stderr, one plain sentence for every failure."""

from __future__ import annotations

import datetime as dt
import json
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import ongrowth

if TYPE_CHECKING:
    from ongrowth.case import Known
    from ongrowth.reading import Case, Reading
    from ongrowth.screw import ScrewSpec

OK, UNEXPECTED, MISUSE, REFUSED, SOME_FAILED = range(5)

_GROUP = "ongrowth.commands"
_GUESTS = {
    "demo": "Make a phantom CT, measure it, and write the page.",
    "phantom": "Write phantoms with known truth as DICOM.",
    "selftest": "Run phantoms through the whole chain on this machine.",
    "view": "Open a case or a scan in the viewer.",
}
_ANY_GUEST = "Command of another package."
_SHELLS = ("bash", "zsh", "fish")


class Misuse(click.ClickException):
    """The command was called in a way that cannot work: exit status 2."""


def misuse(code: str, text: str, advice: str = "") -> Misuse:
    """Return the error of a wrong call, to be raised."""
    return Misuse(f"{code}: {text} {advice}".rstrip())


class Door(click.Group):
    """The command group: adds the commands of other packages, and tells every failure plainly."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return our commands and those of the entry-point group, by name."""
        return sorted({*super().list_commands(ctx), *_entry_points()})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command; those of other packages are loaded only when asked for."""
        own = super().get_command(ctx, cmd_name)
        if own is not None or cmd_name not in _entry_points():
            return own
        return _load(cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands; guests are named without loading their packages, which would take seconds."""
        rows = []
        for name in self.list_commands(ctx):
            own = super().get_command(ctx, name)
            rows.append((name, own.get_short_help_str(76) if own else _GUESTS.get(name, _ANY_GUEST)))
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command named first; one that is not known gets a suggestion."""
        name = args[0]
        if not name.startswith("-") and name not in self.list_commands(ctx):
            import difflib

            near = difflib.get_close_matches(name, self.list_commands(ctx), n=1)
            hint = f"Did you mean {near[0]}?" if near else "See ongrowth --help."
            raise misuse("no-such-command", f"There is no command {name!r}.", hint)
        return super().resolve_command(ctx, args)

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run the command line; failures end with their exit status and one sentence each."""
        run: Callable[..., Any] = super().main
        if not extra.pop("standalone_mode", True):
            return run(*args, standalone_mode=False, **extra)
        given = extra.get("args", args[0] if args else None)
        debug = "--debug" in (sys.argv[1:] if given is None else given)
        try:
            code = run(*args, standalone_mode=False, **(extra | {"prog_name": "ongrowth"}))
        except BaseException as error:
            if debug and not isinstance(error, SystemExit | click.exceptions.Exit):
                raise
            sys.exit(_tell_failure(error))
        sys.exit(code if isinstance(code, int) else OK)


def _tell_failure(error: BaseException) -> int:
    """Print what went wrong, one sentence a line, and return the exit status."""
    if isinstance(error, SystemExit | click.exceptions.Exit):
        code = error.code if isinstance(error, SystemExit) else error.exit_code
        return code if isinstance(code, int) else OK
    if isinstance(error, KeyboardInterrupt | click.Abort):
        return _say("stopped: Stopped; nothing half-written was left behind.", UNEXPECTED)
    if isinstance(error, BrokenPipeError):
        sys.stderr.close()  # the reader of our output is gone: there is nobody to tell
        return UNEXPECTED
    if isinstance(error, click.ClickException):
        code = "" if isinstance(error, Misuse | click.exceptions.NoArgsIsHelpError) else "bad-usage: "
        return _say(f"{code}{error.format_message()}", MISUSE)
    refused = _refusal_status(error)
    if refused is not None:
        return _say(str(error), refused)
    if isinstance(error, MemoryError):
        return _say(
            "out-of-memory: The memory of this machine does not suffice. Use a smaller scan.", UNEXPECTED
        )
    if isinstance(error, OSError):
        return _say(
            f"cannot-read-or-write: {error.strerror or error}. Check disk space and rights.", UNEXPECTED
        )
    kind = type(error).__name__
    return _say(f"unexpected: {kind}: {error}. Run again with --debug and report what it prints.", UNEXPECTED)


def _refusal_status(error: BaseException) -> int | None:
    """Return the exit status of refused data, or None where the failure is of another kind."""
    from ongrowth.scan import Refused

    if not isinstance(error, Refused):
        return None
    from ongrowth.casefile import BadCaseFile
    from ongrowth.findings import BadWindows

    return MISUSE if isinstance(error, BadCaseFile | BadWindows) else REFUSED


def _say(text: str, code: int) -> int:
    click.echo(text, err=True)
    return code


def _entry_points() -> dict[str, Any]:
    from importlib.metadata import entry_points

    return {entry.name: entry for entry in entry_points(group=_GROUP)}


def _load(name: str) -> click.Command:
    """Return a command of another package, with our --debug added."""
    try:
        command = _entry_points()[name].load()
    except (ImportError, AttributeError) as error:
        raise misuse(
            "not-installed",
            f"The command {name} cannot be loaded: {error}.",
            "See ongrowth ready.",
        ) from error
    if not any(parameter.name == "debug" for parameter in command.params):
        command.params.append(click.Option(["--debug"], **_DEBUG))
    return command  # type: ignore[no-any-return]


_DEBUG: dict[str, Any] = {
    "is_flag": True,
    "expose_value": False,
    "help": "Show the traceback of a failure.",
}
debug_option = click.option("--debug", **_DEBUG)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
windows_option = click.option(
    "--windows", type=click.Path(path_type=Path), help="Windows table (TOML) to use beside the shipped one."
)
surface_option = click.option(
    "--surface",
    type=click.Choice(["ha-coated", "porous", "plain", "lag"]),
    default="ha-coated",
    show_default=True,
    help="Surface of the screw.",
)
out_folder_option = click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder to write into."
)
out_file_option = click.option(
    "--out", type=click.Path(path_type=Path), help="File to write instead of stdout."
)


material_option = click.option(
    "--material",
    type=click.Choice(["titanium", "steel", "cobalt-chrome"]),
    default="titanium",
    show_default=True,
    help="Metal of the screw.",
)


class Numbers(click.ParamType[Any]):
    """A fixed count of numbers with commas between them, for example ``12.1,-140.2,-402.5``."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.name = ",".join("XYZ" if count == 3 else ("X", "Y", "Z", "NX", "NY", "NZ"))

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the numbers of a text."""
        try:
            numbers = tuple(float(part) for part in str(value).split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != self.count or not all(map(math.isfinite, numbers)):
            self.fail(f"{value!r} is not {self.count} numbers with commas between them.", param, ctx)
        return numbers


@click.group(
    cls=Door,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Not a medical device; research and decision support. Images are read by a licensed clinician.",
)
@click.version_option(ongrowth.__version__, prog_name="ongrowth")
@click.option("--debug", **_DEBUG)
def main() -> None:
    """Measure follow-up CTs of bone screws that cross a bone defect.

    How wide is the halo round the screw on both sides of the defect, does bone bridge it, is the metal
    whole and where it was, and is that what one expects this many weeks after surgery?
    """


@main.command()
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("--weeks", type=float, help="Weeks since surgery.")
@click.option("--surgery-date", type=click.DateTime(["%Y-%m-%d"]), help="Day of surgery, YYYY-MM-DD.")
@click.option("--site", default="", help="Vertebra or bone, for example L5; only for print.")
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
@click.option("--calibration", type=click.Path(path_type=Path), help="Calibration file, or a folder of them.")
@windows_option
@out_folder_option
@json_option
@debug_option
def check(scan: Path, out: Path, as_json: bool, **given: Any) -> None:  # noqa: FBT001
    """Measure ONE follow-up CT and write the page.

    SCAN is a folder, a zip of a folder, or one NIfTI, NRRD or MHA file.
    """
    _must_exist(scan, "SCAN")
    known = _known(given)
    _must_be_writable(out)
    from ongrowth.case import run_reading

    reading = run_reading(scan, known, _tell)
    _write_check(reading, known.site, out)
    if as_json:
        click.echo((out / reading.scan.id / "reading.json").read_text(encoding="utf-8"), nl=False)
    else:
        _print_answer(reading.summary.sentence, out / "page.html")


def _known(given: dict[str, Any]) -> Known:
    """Return what the options say beside the scan."""
    from ongrowth.case import Known
    from ongrowth.findings import read_windows, shipped_windows

    for name in ("preop", "calibration", "windows"):
        _must_exist(given[name], f"--{name}")
    if given["preop"] is not None:
        raise misuse(
            "preop-not-supported",
            "Placing the defect from a CT before surgery is not built in yet.",
            "Give the plane with --defect X,Y,Z,NX,NY,NZ.",
        )
    surgery: dt.datetime | None = given["surgery_date"]
    return Known(
        screws=(_spec(given),),
        weeks=_weeks(given["weeks"]),
        surgery_date=surgery.date() if surgery else None,
        site=given["site"].strip()[:32],
        defect=_plane(given["defect"]),
        calibration=given["calibration"],
        windows=read_windows(given["windows"]) if given["windows"] else shipped_windows(),
    )


def _weeks(weeks: float | None) -> float:
    from ongrowth.casefile import WEEKS_FROM, WEEKS_TO

    if weeks is None:
        return math.nan
    if not WEEKS_FROM <= weeks <= WEEKS_TO:
        raise misuse(
            "impossible-week",
            f"Week {weeks:g} cannot be right.",
            f"Give weeks since surgery between {WEEKS_FROM:.0f} (before) and {WEEKS_TO:.0f}.",
        )
    return weeks


def _spec(given: dict[str, Any]) -> ScrewSpec:
    """Return the screw that the options describe; without a name it stands for every screw found."""
    from dataclasses import replace

    from ongrowth.casefile import BadCaseFile, parse_implant

    names = {
        "diameter": "major_diameter_mm",
        "root_diameter": "root_diameter_mm",
        "pitch": "pitch_mm",
        "length": "length_mm",
        "material": "material",
    }
    entry = {name: given[option] for option, name in names.items() if given.get(option) is not None}
    entry |= {f"{end}_mm": given[end] for end in ("head", "tip") if given.get(end) is not None}
    surface = given.get("surface", "plain")
    try:
        return replace(parse_implant({"id": "screw", "surface": surface, **entry}).spec(), id="")
    except BadCaseFile as error:
        told = (f"impossible-size: {problem.text} {problem.advice}" for problem in error.problems)
        raise Misuse("\n".join(told)) from error


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


def _must_exist(path: Path | None, what: str) -> None:
    if path is not None and not path.exists():
        raise misuse("no-such-path", f"{what}: there is nothing at {path}.", "Check the path.")


def _must_be_writable(out: Path) -> None:
    """Refuse before the work starts what could not be written after it; makes no folder yet."""
    import tempfile

    nearest = next(path for path in (out.absolute(), *out.absolute().parents) if path.exists())
    try:
        with tempfile.TemporaryFile(dir=nearest):
            pass
    except OSError as error:
        raise misuse(
            "unwritable-output",
            f"{out} cannot be written to ({error.strerror}).",
            "Choose another --out folder.",
        ) from error


def _tell(text: str) -> None:
    click.echo(f"{text} ...", err=True)


def _write_check(reading: Reading, site: str, out: Path) -> None:
    from ongrowth.reading import Case, Patient, write_reading, write_text
    from ongrowth.reports.page import render_page

    _tell("Writing the page")
    case = Case(Patient(site=site), (reading,), reading.findings, reading.summary)
    page = render_page(case)
    write_reading(reading, out / reading.scan.id)
    write_text(out / "page.html", page)


def _print_answer(sentence: str, page: Path) -> None:
    from ongrowth.wording import fixed_words

    click.echo(sentence)
    click.echo(f"Page: {page.resolve()}")
    click.echo(fixed_words().short)


@main.command()
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("--diameter", type=float, metavar="MM", required=True, help="Rod, or thread crests.")
@click.option("--root-diameter", type=float, metavar="MM", help="Core of the thread; none: a smooth rod.")
@click.option("--pitch", type=float, metavar="MM", help="Pitch of the thread.")
@material_option
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Calibration file to write (.json)."
)
@debug_option
def calibrate(scan: Path, out: Path, **given: Any) -> None:
    """Measure the blur of a protocol on a screw or rod in water.

    SCAN holds one screw or rod of known diameter in water or gel, tilted by 30 to 60 degrees against
    the table. A picture beside the file shows how well the model fits.
    """
    _must_exist(scan, "SCAN")
    spec = _spec(given)
    from ongrowth.halo import measure_calibration
    from ongrowth.read import read_scan
    from ongrowth.reading import write_text
    from ongrowth.reports.protocol import render_protocol

    fit = measure_calibration(read_scan(scan, progress=_tell), spec)
    blur = fit.calibration.blur
    write_text(out, json.dumps(fit.calibration.as_dict(), indent=1) + "\n")
    write_text(out.with_suffix(".svg"), render_protocol(fit))
    click.echo(
        f"In-plane blur {blur.in_plane_fwhm_mm:.2f} mm, slice profile {blur.slice_fwhm_mm:.2f} mm; "
        f"largest misfit {100 * fit.calibration.misfit_share:.1f} % of the metal. Calibration: {out}"
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
        _must_exist(scan.path, f"scan {scan.name}")
    _must_be_writable(out)
    from ongrowth.case import run_case
    from ongrowth.reading import write_reading

    case = run_case(case_file, _tell, lambda reading: write_reading(reading, out / reading.scan.id))
    _write_case(case, out)
    for scan_id, problems in case.refused:
        click.echo(f"Scan {scan_id} was refused: {'; '.join(map(str, problems))}", err=True)
    if as_json:
        click.echo((out / "case.json").read_text(encoding="utf-8"), nl=False)
    else:
        _print_answer(case.summary.sentence, out / "page.html")
    return SOME_FAILED if case.refused else OK


def _write_case(case: Case, out: Path) -> None:
    from ongrowth.reading import write_case, write_text
    from ongrowth.reports.page import render_page

    _tell("Writing the page")
    page = render_page(case)
    write_case(case, out)
    write_text(out / "page.html", page)


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
    _must_exist(reading, "READING")
    from ongrowth.reports.note import render_note

    _print_or_write(render_note(_case_at(reading), **form), out)


def _case_at(path: Path) -> Case:
    """Return the case of a result file; a single reading is a case of one."""
    from ongrowth.reading import Case, Patient, read_case, read_reading

    if path.name == "case.json" or (path / "case.json").is_file():
        return read_case(path)
    inside = sorted(path.glob("*/reading.json")) if path.is_dir() else []
    one = read_reading(inside[0] if len(inside) == 1 and not (path / "reading.json").is_file() else path)
    site = str(one.provenance.settings.get("site", ""))
    return Case(Patient(site=site), (one,), one.findings, one.summary)


def _print_or_write(text: str, out: Path | None) -> None:
    if out is None:
        click.echo(text, nl=False)
        return
    from ongrowth.reading import write_text

    _must_be_writable(out.resolve().parent)
    write_text(out, text)
    click.echo(f"Written: {out.resolve()}", err=True)


@main.command()
@click.option("--weeks", type=float, required=True, help="Weeks since surgery.")
@surface_option
@windows_option
@json_option
@debug_option
def expect(weeks: float, surface: str, windows: Path | None, as_json: bool) -> None:  # noqa: FBT001
    """Say what a CT at a week is expected to show, and what it can and cannot answer."""
    _must_exist(windows, "--windows")
    if not _weeks(weeks) >= 0.0:
        raise misuse("impossible-week", "Before surgery no window applies.", "Give a week of 0 or more.")
    from ongrowth.findings import expectation, read_windows
    from ongrowth.reports.note import render_expectation

    told = expectation(weeks, surface, read_windows(windows) if windows else None)
    if not as_json:
        click.echo(render_expectation(told), nl=False)
        return
    from dataclasses import asdict

    week = None if math.isnan(told.next_week) else told.next_week
    click.echo(json.dumps(asdict(told) | {"next_week": week}, indent=1, ensure_ascii=False))


@main.command()
@click.option("--site", default="", help="Level to be scanned, for example L5.")
@out_file_option
@debug_option
def request(site: str, out: Path | None) -> None:
    """Print a sheet that asks the radiology department for a CT that can be measured."""
    from ongrowth.reports.request import render_request

    as_page = out is not None and out.suffix.lower() in (".html", ".htm")
    _print_or_write(render_request(site.strip()[:32], as_page=as_page), out)


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
