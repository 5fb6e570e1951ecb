"""The way in and out of every command: failures told plainly, options in common, results on stdout."""

from __future__ import annotations

import datetime as dt
import errno
import math
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ongrowth.files import NotOursError, must_be_ours
from ongrowth.sentence import one_line

if TYPE_CHECKING:
    from ongrowth.reading import Case

    _Parameter = click.ParamType[Any]
else:  # only newer releases of click tell its type
    _Parameter = click.ParamType

OK, UNEXPECTED, MISUSE, REFUSED, SOME_FAILED = range(5)

_GROUP = "ongrowth.commands"
_GUESTS = {
    "demo": "Make a phantom CT, measure it, and write the page.",
    "phantom": "Write phantoms with known truth as DICOM.",
    "selftest": "Run phantoms through the whole chain on this machine.",
    "view": "Open a case or a scan in the viewer.",
}
_ANY_GUEST = "Command of another package."


class Misuse(click.ClickException):
    """The command was called in a way that cannot work: exit status 2."""


def misuse(code: str, text: str, advice: str = "") -> Misuse:
    """Return the error of a wrong call, to be raised."""
    return Misuse(one_line(f"{code}: {text} {advice}".rstrip()))


def check_weeks(weeks: float | None) -> None:
    """Refuse weeks since surgery that cannot be right.

    Raises
    ------
    Misuse
        Code ``impossible-week``.
    """
    from ongrowth.casefile import WEEKS_FROM, WEEKS_TO

    if weeks is not None and not WEEKS_FROM <= weeks <= WEEKS_TO:
        raise misuse(
            "impossible-week",
            f"Week {weeks:g} cannot be right.",
            f"Give weeks since surgery between {WEEKS_FROM:.0f} (before) and {WEEKS_TO:.0f}.",
        )


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
            rows.append((name, _summary(own) if own else _GUESTS.get(name, _ANY_GUEST)))
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


def _summary(command: click.Command) -> str:
    """Return the first paragraph of a command's help, whole; the list of commands wraps it."""
    return " ".join((command.help or "").split("\n\n")[0].split())


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
        is_told = isinstance(error, Misuse | click.exceptions.NoArgsIsHelpError)
        return _say(error.format_message() if is_told else _usage_told(error), MISUSE)
    refused = _refusal_status(error)
    if refused is not None:
        return _say(str(error), refused)
    if isinstance(error, MemoryError):
        return _say(
            "out-of-memory: The memory of this machine does not suffice. Use a smaller scan.", UNEXPECTED
        )
    if isinstance(error, NotOursError):
        return _say(f"not-ours: {one_line(error.strerror or '')}. Choose another --out folder.", MISUSE)
    if isinstance(error, OSError):
        return _say(_disk_told(error), UNEXPECTED)
    first = one_line(str(error).partition("\n")[0])
    told = f"{type(error).__name__}: {first}"
    return _say(f"unexpected: {told}. Run again with --debug and report what it prints.", UNEXPECTED)


def _disk_told(error: OSError) -> str:
    """Return what the system could not read or write; libraries add their own story, which is left out."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "disk-full: There is no room left to write into. Make room, or choose another --out folder."
    reason = os.strerror(error.errno) if error.errno else one_line(str(error).partition("\n")[0])
    return f"cannot-read-or-write: {reason}. Check the path and its rights."


def _usage_told(error: click.ClickException) -> str:
    """Return what was wrong with a call in our form: code, sentence, what to do."""
    text = error.format_message().replace("a valid float", "a number").replace("a valid integer", "a number")
    if "unexpected extra argument" in text:
        text += ". A path with blanks in it goes between quotation marks."
    asked = getattr(error, "ctx", None)
    hint = f" See {asked.command_path} --help." if asked and "Did you mean" not in text else ""
    return f"bad-usage: {text}{hint}"


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
        command.params.append(click.Option(["--debug"], **DEBUG))
    return command  # type: ignore[no-any-return]


DEBUG: dict[str, Any] = {
    "is_flag": True,
    "expose_value": False,
    "help": "Show the traceback of a failure.",
}
debug_option = click.option("--debug", **DEBUG)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
windows_option = click.option(
    "--windows", type=click.Path(path_type=Path), help="Windows table (TOML) to use beside the shipped one."
)
series_option = click.option(
    "--series", default="", metavar="N", help="Number or UID of the series, where SCAN holds several."
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


class Day(_Parameter):
    """A day, written year-month-day."""

    name = "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dt.date:
        """Return the day of a text."""
        if isinstance(value, dt.date):
            return value
        try:
            return dt.datetime.strptime(str(value).strip(), "%Y-%m-%d").date()  # noqa: DTZ007  # a day only
        except ValueError:
            self.fail(f"{value!r} is no day. Write it year-month-day, for example 2031-03-04.", param, ctx)


class Amount(click.FloatRange):
    """A number within bounds; what is no number lies within all."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number of a text."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is no amount.", param, ctx)
        return number


class Numbers(_Parameter):
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


def must_exist(path: Path | None, what: str) -> None:
    """Refuse a path at which there is nothing."""
    if path is not None and not path.exists():
        raise misuse("no-such-path", f"{what}: there is nothing at {path}.", "Check the path.")


def must_be_writable(out: Path) -> None:
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


def must_be_apart(out: Path, scan: Path, name: str = "") -> None:
    """Refuse results in, or in the place of, the folder of a scan or any other that is not ours.

    Parameters
    ----------
    out : Path
        Output folder.
    scan : Path
        The CT: whoever reads or sends it would find the results there.
    name : str
        Name of the scan, under which its results will stand in `out`; default: that of its path.
    """
    from ongrowth.casefile import scan_name

    place = out / (name or scan_name(scan))
    if scan.is_dir() and scan.resolve() in (out.resolve(), place.resolve()):
        found = out if scan.resolve() == out.resolve() else place
        raise misuse(
            "output-in-scan",
            f"{found} is the folder of the CT, which stays as it is.",
            "Choose another --out folder.",
        )
    try:
        must_be_ours(place)
    except NotOursError as error:
        raise misuse("not-ours", f"{error.strerror}.", "Choose another --out folder.") from error


def must_hold_no_case(out: Path) -> None:
    """Refuse results of one CT among those of a case: its figures and its readings would no longer agree."""
    if (out / "case.json").exists():
        raise misuse(
            "case-in-output",
            f"{out} holds a case of several CTs, as ongrowth follow has measured it.",
            "Choose another --out folder, or add the CT to the case file and follow the case again.",
        )


def must_be_a_file(out: Path) -> None:
    """Refuse before the work starts a name under which no file could be written."""
    if out.is_dir():
        raise misuse("unwritable-output", f"{out} is a folder.", "Give the name of a file (--out).")
    must_be_writable(out.resolve().parent)


def tell(text: str) -> None:
    """Say what is being done."""
    click.echo(f"{text} ...", err=True)


def case_at(path: Path) -> Case:
    """Return the case of a result file; a single reading is a case of one."""
    from ongrowth.files import finish_results
    from ongrowth.reading import Case, Patient, read_case, read_reading

    finish_results(path if path.is_dir() else path.parent)
    if path.name == "case.json" or (path / "case.json").is_file():
        return read_case(path)
    one = read_reading(_reading_file(path))
    site, remark = (str(one.provenance.settings.get(name, "")) for name in ("site", "remark"))
    return Case(Patient(site=site, remark=remark), (one,), one.findings, one.summary)


def _reading_file(path: Path) -> Path:
    """Return the only reading of a folder, or the file itself."""
    from ongrowth.scan import refuse

    if not path.is_dir() or (path / "reading.json").is_file():
        return path
    inside = sorted(path.glob("*/reading.json"))
    if not inside:
        text = f"{path} holds no reading.json or case.json."
        raise refuse("no-reading", text, "Give the folder that ongrowth check or follow wrote (--out).")
    if len(inside) > 1:
        names = ", ".join(file.parent.name for file in inside)
        raise refuse("several-readings", f"{path} holds the readings of {names}.", "Give one of them.")
    return inside[0]


def print_answer(sentence: str, page: Path) -> None:
    """Print the answer, where its page lies, and the caution."""
    from ongrowth.wording import fixed_words

    click.echo(sentence)
    click.echo(f"Page: {page.resolve()}")
    click.echo(fixed_words().short)


def tell_older_objects(folder: Path, results: Path) -> None:
    """Say which DICOM objects in a folder are older than a file of results, and so show earlier ones.

    Parameters
    ----------
    folder : Path
        Where `ongrowth dicom` has written; there may be none.
    results : Path
        A file of the results that count.
    """
    since = results.stat().st_mtime
    older = sorted(one.name for one in folder.glob("*.dcm") if one.stat().st_mtime < since)
    if older:
        click.echo(
            f"older-objects: {folder} holds DICOM objects of earlier results: {', '.join(older)}. "
            "Write them again with ongrowth dicom, or remove them, before any is sent.",
            err=True,
        )


def print_or_write(text: str, out: Path | None) -> None:
    """Put a text on stdout, or into a file whole."""
    if out is None:
        click.echo(text, nl=False)
        return
    from ongrowth.files import write_text

    must_be_a_file(out)
    write_text(out, text)
    click.echo(f"Written: {out.resolve()}", err=True)
