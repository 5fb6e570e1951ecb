"""``ongrowth dicom``: a reading into the hospital's own system."""

from __future__ import annotations

import datetime as dt
import importlib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ongrowth.cli.door import (
    OK,
    REFUSED,
    SOME_FAILED,
    UNEXPECTED,
    case_at,
    debug_option,
    misuse,
    must_be_writable,
    must_exist,
    tell,
    tell_older_objects,
)

if TYPE_CHECKING:
    from ongrowth.reading import Case
    from ongrowth.reports.dicom import Delivery, Export, Peer

_TITLE = re.compile(r"^[ -\[\]-~]{1,16}$")  # PS3.5, AE: no backslash, no control character
_PEER = re.compile(r"^(?P<title>[^@]+)@(?P<host>\[[^\]]+\]|[^@:\[\]]+):(?P<port>\d{1,5})$")
_AGAIN = "Send again with the same command: the objects are the same each time, so none is stored twice."


@click.command()
@click.argument("reading", type=click.Path(path_type=Path))
@click.option("--sr", is_flag=True, help="The structured report.")
@click.option("--seg", is_flag=True, help="The segmentation.")
@click.option(
    "--page", is_flag=True, help="The answer on one page, as an image. Without any of the three: all."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="Folder to write into. [default: dicom, beside the reading's]",
)
@click.option(
    "--all-frames", is_flag=True, help="Keep empty frames of the segmentation, for viewers that need them."
)
@click.option(
    "--images", type=click.Path(path_type=Path), help="Where the source images are now, if they were moved."
)
@click.option("--send", metavar="AE@HOST:PORT", help="Send by C-STORE to this archive.")
@click.option("--calling", default="ONGROWTH", show_default=True, metavar="AE", help="Our own AE title.")
@click.option(
    "--stow", metavar="URL", help="Send by STOW-RS to this archive, for example https://archive/dicom-web."
)
@click.option(
    "--dry-run", is_flag=True, help="Make the objects and say what would happen; write and send nothing."
)
@debug_option
def dicom(reading: Path, **given: Any) -> int:
    """Write a reading as DICOM, and send it if asked.

    READING is a reading.json or case.json, or the folder that holds it; of a case the latest CT is taken,
    with what was compared. Of all outputs this is the one that keeps the patient's identity.
    """
    must_exist(reading, "READING")
    must_exist(given["images"], "--images")
    peer = _peer(given["send"], given["calling"])
    url = _url(given["stow"])
    _must_be_installed("highdicom", *["pynetdicom"] * bool(peer), *["dicomweb_client"] * bool(url))
    case = case_at(reading)
    file = _reading_file(reading, case)
    out = given["out"] or file.absolute().parent.parent / "dicom"
    if not given["dry_run"]:
        must_be_writable(out)
    export = _export(case, file, given)
    if given["dry_run"]:
        return _say_plan(export, out, [str(target) for target in (peer, url) if target])
    _write(export, out)
    tell_older_objects(out, file)
    worst = OK
    for target, deliveries in _send(export, peer, given["calling"], url):
        worst = max(worst, _say_sent(target, deliveries))
    return worst


def _export(case: Case, file: Path, given: dict[str, Any]) -> Export:
    from ongrowth.reports.dicom import KINDS, Wanted, export_case

    kinds = tuple(kind for kind in KINDS if given[kind]) or KINDS
    written = dt.datetime.fromtimestamp(file.stat().st_mtime, tz=dt.UTC)
    export = export_case(case, written, Wanted(kinds, given["all_frames"], given["images"]), tell)
    for remark in export.remarks:
        click.echo(f"note: {remark}", err=True)
    return export


def _reading_file(path: Path, case: Case) -> Path:
    """Return the file of the reading that is exported."""
    root = path if path.is_dir() else path.parent
    named = [] if path.is_dir() or path.name == "case.json" else [path]
    scan = case.readings[-1].scan.id
    return next(
        file for file in (*named, root / scan / "reading.json", root / "reading.json") if file.is_file()
    )


def _peer(text: str | None, calling: str) -> Peer | None:
    """Return the archive that a text names, for example ``ARCHIVE@10.0.0.7:11112``."""
    if text is None:
        return None
    found = _PEER.match(text)
    if found is None or not 0 < int(found["port"]) < 65536:
        raise misuse(
            "bad-archive", f"--send: {text!r} is not AE@HOST:PORT.", "For example ARCHIVE@10.0.0.7:11112."
        )
    for title in (found["title"], calling):
        if not _TITLE.match(title) or not title.strip():
            raise misuse(
                "bad-ae-title", f"{title!r} is no AE title.", "1 to 16 plain characters are allowed."
            )
    from ongrowth.reports.dicom import Peer

    return Peer(found["title"], found["host"].strip("[]"), int(found["port"]))


def _url(text: str | None) -> str | None:
    if text is None:
        return None
    if not re.match(r"^https?://[^/@\s]+(/\S*)?$", text):
        advice = "Give https://host/path; name and password belong into ~/.netrc."
        raise misuse("bad-url", "--stow: this is no address of an archive.", advice)
    return text


def _must_be_installed(*names: str) -> None:
    from ongrowth.wording import install_words

    for name in names:
        try:
            importlib.import_module(name)
        except ImportError as error:
            raise misuse(
                "not-installed",
                f"The Python package {name} is missing.",
                install_words("dicom"),
            ) from error


def _say_plan(export: Export, out: Path, targets: Sequence[str]) -> int:
    for one in export.objects:
        kind, uid = one.dataset.SOPClassUID.name, one.dataset.SOPInstanceUID
        click.echo(f"{one.kind}: would be written to {out.absolute() / one.name} ({kind}, {uid})")
    for target in targets:
        click.echo(f"{len(export.objects)} objects would be sent to {target}")
    click.echo("Nothing was written and nothing was sent.")
    return OK


def _write(export: Export, out: Path) -> None:
    from ongrowth.reports.dicom import KEEPS_IDENTITY, write_objects

    tell("Writing")
    for one, path in zip(export.objects, write_objects(export.objects, out), strict=True):
        click.echo(f"{one.kind}: {path.absolute()}")
    click.echo(KEEPS_IDENTITY)


def _send(
    export: Export, peer: Peer | None, calling: str, url: str | None
) -> Iterator[tuple[str, tuple[Delivery, ...]]]:
    from ongrowth.reports.dicom import send_dimse, send_web

    if peer is not None:
        yield str(peer), send_dimse(export.objects, peer, calling, tell)
    if url is not None:
        yield url, send_web(export.objects, url, tell)


def _say_sent(target: str, deliveries: Sequence[Delivery]) -> int:
    """Say of every object whether the archive has it; return the exit status."""
    from ongrowth.reports.dicom import Outcome

    click.echo(f"Archive {target}")
    for delivery in deliveries:
        click.echo(f"  {delivery}")
    outcomes = [delivery.outcome for delivery in deliveries]
    stored = outcomes.count(Outcome.STORED)
    if stored == len(outcomes):
        return OK
    text = f"not-all-sent: {stored} of {len(outcomes)} objects are known to be in {target}. {_AGAIN}"
    click.echo(text, err=True)
    if stored:
        return SOME_FAILED
    return REFUSED if Outcome.REFUSED in outcomes else UNEXPECTED
