"""The command `view`, which the main program finds by its entry point; napari is loaded last."""

from __future__ import annotations

import getpass
import os
from pathlib import Path

import click

from ongrowth.cli.door import misuse
from ongrowth.scan import Refused


@click.command()
@click.argument("path", metavar="CASE|SCAN", type=click.Path(path_type=Path))
@click.option("--scan", "scan_id", default="", help="Which scan of the case. [default: the latest]")
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder written by follow: what still fits is shown without measuring.",
)
@click.option("--read-first", is_flag=True, help="Ask for the reader's own values before ours are shown.")
@click.option("--author", default="", help="Who corrects. [default: ONGROWTH_AUTHOR, or the user's name]")
@click.option("--weeks", type=float, help="Weeks since surgery, for a scan without a case file.")
@click.option("--site", default="", help="Vertebra or bone, for a scan without a case file.")
def view(
    path: Path,
    scan_id: str,
    results: Path | None,
    read_first: bool,  # noqa: FBT001
    author: str,
    weeks: float | None,
    site: str,
) -> None:
    """Open a case or a scan in the viewer: look, correct, measure again, save.

    CASE is a case file. For a SCAN (folder, zip, NIfTI, NRRD or MHA) a case file is written beside it,
    and corrections go there.
    """
    if not path.exists():
        raise misuse("no-such-path", f"There is nothing at {path}.", "Check the path.")
    if results is not None and not any(results.glob("*/reading.json")):
        text = f"--results: {results} holds no readings."
        raise misuse(
            "no-reading", text, "Give the folder that ongrowth follow wrote (--out), or leave it out."
        )
    from ongrowth_napari.display import obstacle

    hindrance = obstacle()
    if hindrance is not None:
        raise misuse(hindrance.code, hindrance.text, hindrance.advice)
    case = path
    if not is_case_file(path):
        case, scan_id = write_case_beside(path, weeks, site.strip()[:32])
    open_window(case, scan_id, results, author or default_author(), reads_first=read_first)


def is_case_file(path: Path) -> bool:
    """Whether a path is a case file rather than a scan."""
    return path.is_file() and path.suffix.lower() == ".toml"


def default_author() -> str:
    """Return who corrects, if nobody says: the environment's word, else the name of the user."""
    try:
        return os.environ.get("ONGROWTH_AUTHOR") or getpass.getuser()
    except (OSError, KeyError):
        return "reader"


def write_case_beside(scan: Path, weeks: float | None, site: str) -> tuple[Path, str]:
    """Write the case file of a scan that has none, tell where; returns it and the id of the scan in it.

    Raises
    ------
    Refused
        If the scan cannot serve: then no file is written. If the file that stands there is another's.
    Misuse
        If the folder of the scan cannot be written to, or the week cannot be right.
    """
    from ongrowth.read import read_scan
    from ongrowth_napari.session import case_file_of, new_case_file, scan_id_in

    told = weeks is not None or bool(site)
    had_one = case_file_of(scan).exists()
    if not had_one:
        read_scan(scan)
    try:
        case = new_case_file(scan, weeks, site)
    except OSError as error:
        raise misuse(
            "unwritable-folder",
            f"No case file can be written beside {scan.name} ({error.strerror}).",
            "Copy the scan to a folder of your own, or write a case file elsewhere and open that.",
        ) from error
    except Refused as error:
        raise misuse("impossible-week", str(error), "") from error
    not_used = " It stood there already; change --weeks and --site in it." if had_one and told else ""
    click.echo(f"Case file: {case}{not_used}", err=True)
    return case, scan_id_in(case, scan)


def open_window(case: Path, scan_id: str, results: Path | None, author: str, *, reads_first: bool) -> None:
    """Open the window and stay until it is closed.

    Raises
    ------
    Refused
        If the case file or its scan cannot serve; then no window opens.
    """
    from ongrowth.read import read_scan
    from ongrowth_napari.session import open_session

    session = open_session(case, scan_id)
    click.echo(f"Reading scan {session.scan_id} ...", err=True)
    scan = read_scan(session.scan.path, series=session.scan.series)
    import napari

    from ongrowth_napari.desk import Desk
    from ongrowth_napari.window import open_desk, show_window

    viewer = napari.Viewer(title=session.case.patient.id or case.stem, show=False)
    desk = Desk(viewer, session, scan=scan, results=results, reads_first=reads_first, author=author)
    open_desk(viewer, desk, is_own=True)
    show_window(viewer)
    napari.run()
