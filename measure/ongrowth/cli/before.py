"""The command for a CT from before surgery."""

from __future__ import annotations

from pathlib import Path

import click

from ongrowth.cli.door import (
    Numbers,
    debug_option,
    json_option,
    must_be_apart,
    must_be_writable,
    must_exist,
    must_hold_no_case,
    out_folder_option,
    print_answer,
    series_option,
    tell,
    windows_option,
)


@click.command()
@click.argument("scan", type=click.Path(path_type=Path))
@series_option
@click.option("--site", default="", help="Vertebra or bone, for example L5; only for print.")
@click.option("--point", type=Numbers(3), help="A place in or near the defect, patient mm (LPS).")
@click.option("--side", type=click.Choice(["left", "right"]), help="Look at one side alone.")
@click.option(
    "--oedema",
    type=click.Choice(["present", "absent", "unknown"]),
    default="unknown",
    show_default=True,
    help="Oedema signal on MRI, for the rule of thumb on grafting.",
)
@windows_option
@out_folder_option
@json_option
@debug_option
def before(
    scan: Path,
    series: str,
    site: str,
    point: tuple[float, float, float] | None,
    side: str | None,
    oedema: str,
    windows: Path | None,
    out: Path,
    as_json: bool,  # noqa: FBT001
) -> None:
    """Measure the gap on a CT from before surgery, on both sides, and write the page.

    SCAN is a folder, a zip of a folder, or one NIfTI, NRRD or MHA file. Without --point it has to show
    one level alone.
    """
    must_exist(scan, "SCAN")
    must_exist(windows, "--windows")
    must_be_apart(out, scan)
    must_hold_no_case(out)
    must_be_writable(out)
    from ongrowth.case import Known, Question, run_before
    from ongrowth.files import new_results, write_text
    from ongrowth.findings import read_windows, shipped_windows
    from ongrowth.reading import write_reading
    from ongrowth.reports.before import render_before

    site = site.strip()[:32]
    table = read_windows(windows) if windows else shipped_windows()
    known = Known(series=series, site=site, windows=table, role="pre-op")
    reading = run_before(scan, Question(point, side or "", oedema), known, tell)
    tell("Writing the page")
    page = render_before(reading, site)
    with new_results(out) as part:
        write_reading(reading, part / reading.scan.id)
        write_text(part / "page.html", page)
    if as_json:
        click.echo((out / reading.scan.id / "reading.json").read_text(encoding="utf-8"), nl=False)
        return
    print_answer(reading.summary.sentence, out / "page.html")
