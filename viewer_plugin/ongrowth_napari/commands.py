"""The command `view`, which the main program finds by its entry point; napari is loaded last."""

from __future__ import annotations

import getpass
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ongrowth.cli.door import check_weeks, misuse

if TYPE_CHECKING:
    from ongrowth.scan import Scan
    from ongrowth_napari.opening import Opened
    from ongrowth_napari.session import Session


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
    session, scan = open_path(path, scan_id, weeks, site.strip()[:32])
    open_window(session, scan, results, author or default_author(), reads_first=read_first)


def is_case_file(path: Path) -> bool:
    """Whether a path is a case file rather than a scan."""
    return path.is_file() and path.suffix.lower() == ".toml"


def default_author() -> str:
    """Return who corrects, if nobody says: the environment's word, else the name of the user."""
    try:
        return os.environ.get("ONGROWTH_AUTHOR") or getpass.getuser()
    except (OSError, KeyError):
        return "reader"


def open_path(path: Path, scan_id: str, weeks: float | None, site: str) -> Opened:
    """Read a scan of a case, or a CT, which gets a case file beside it if it has none; tell which file.

    Raises
    ------
    Refused
        If the case file or the CT cannot serve: then no file is written.
    Misuse
        If the week cannot be right, or the folder of the CT cannot be written to.
    """
    from ongrowth_napari.opening import open_case, open_ct
    from ongrowth_napari.session import case_file_of

    check_weeks(weeks)
    click.echo(f"Reading {path.name} ...", err=True)
    if is_case_file(path):
        return open_case(path, scan_id)
    was_there = case_file_of(path).exists()
    try:
        opened = open_ct(path, weeks, site)
    except OSError as error:
        raise misuse(
            "unwritable-folder",
            f"No case file can be written beside {path.name} ({error.strerror}).",
            "Copy the scan to a folder of your own, or write a case file elsewhere and open that.",
        ) from error
    is_ignored = was_there and (weeks is not None or bool(site))
    hint = " It stood there already; change --weeks and --site in it." if is_ignored else ""
    click.echo(f"Case file: {case_file_of(path)}{hint}", err=True)
    return opened


def open_window(
    session: Session, scan: Scan, results: Path | None, author: str, *, reads_first: bool
) -> None:
    """Open the window and stay until it is closed."""
    import napari

    from ongrowth_napari.desk import Desk
    from ongrowth_napari.window import open_desk, show_window

    viewer = napari.Viewer(title=session.case.patient.id or session.path.stem, show=False)
    desk = Desk(viewer, session, scan=scan, results=results, reads_first=reads_first, author=author)
    open_desk(viewer, desk, is_own=True)
    show_window(viewer)
    napari.run()
