"""The commands `demo`, `phantom` and `selftest`, which the main program finds by entry points."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ongrowth.cli.door import must_be_a_file, must_be_writable
from ongrowth.files import must_be_ours, new_results, write_text
from ongrowth_phantoms.catalogue import NOTE, PHANTOMS, write_phantom

DEMO = "even-halo"


def make_demo(out: str | Path, *, seed: int = 1) -> tuple[Path, float, dict[str, Any]]:
    """Make the CT of the demonstration.

    Parameters
    ----------
    out : path
        Folder to write into.
    seed : int
        Which invented patient.

    Returns
    -------
    folder : Path
        The DICOM series.
    weeks : float
        Weeks since the invented surgery.
    implant : dict
        What a surgeon knows of the screw: diameters, pitch, length in mm, surface.
    """
    with new_results(Path(out)) as part:
        write_phantom(DEMO, part, seed=seed)
        _must_be_drawn(part, Path(out))
    visit = PHANTOMS[DEMO].visits(seed)[0]
    screw = visit.scene.screws[0]
    implant = {
        "major_diameter_mm": screw.major_diameter_mm,
        "root_diameter_mm": screw.root_diameter_mm,
        "pitch_mm": screw.pitch_mm,
        "length_mm": round(screw.length_mm, 2),
        "surface": "ha-coated",
    }
    return Path(out) / visit.id, visit.weeks, implant


def _must_be_drawn(part: Path, out: Path) -> None:
    """Refuse to take the place of a CT that is no phantom, even if its files bear the names of ours."""
    note = out / "NOTE.txt"
    if note.is_file() and note.read_bytes().startswith(NOTE.encode()):
        return
    for folder in part.iterdir():
        must_be_ours(out / folder.name)


@click.command()
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("ongrowth-demo"),
    show_default=True,
)
@click.option("--seed", default=1, show_default=True, help="Another number, another invented patient.")
def demo(out: Path, seed: int) -> None:
    """Make a phantom CT, measure it, and write the page."""
    must_be_writable(out)
    click.echo(f"{NOTE} Drawing it ...", err=True)
    series, weeks, implant = make_demo(out / "phantom", seed=seed)
    check = [str(series), "--weeks", str(weeks), "--site", "L5", "--out", str(out)]
    check += ["--side", "left", "--remark", NOTE]
    check += [
        "--diameter",
        str(implant["major_diameter_mm"]),
        "--root-diameter",
        str(implant["root_diameter_mm"]),
    ]
    check += ["--length", str(implant["length_mm"]), "--surface", str(implant["surface"])]
    from ongrowth import cli

    cli.main(args=["check", *check], standalone_mode=False)  # the same way in as from the shell


@click.command()
@click.argument("name", required=False)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder to write into.")
@click.option("--seed", default=1, show_default=True, help="Another number, another invented patient.")
@click.option("--compressed", is_flag=True, help="Write RLE lossless images.")
def phantom(name: str | None, out: Path | None, seed: int, compressed: bool) -> None:  # noqa: FBT001
    """Write the phantom NAME with its truth as DICOM; without NAME, list the phantoms."""
    if name is None:
        width = max(map(len, PHANTOMS))
        for key, made in PHANTOMS.items():
            click.echo(f"{key:{width}}  {made.shows}")
        return
    if name not in PHANTOMS:
        raise click.BadParameter(f"{name!r} is not among {', '.join(PHANTOMS)}.", param_hint="NAME")
    if out is None:
        raise click.MissingParameter(param_hint="--out", param_type="option")
    must_be_writable(out)
    with new_results(out) as part:
        write_phantom(name, part, seed=seed, compressed=compressed)
        _must_be_drawn(part, out)
    click.echo(out)


@click.command()
@click.argument("names", nargs=-1)
@click.option("--full", is_flag=True, help="Use the polychromatic scanner: slower, with artefacts.")
@click.option("--seed", default=1, show_default=True, help="Other numbers, other invented patients.")
@click.option("--grid", default=0, help="Instead: so many random cases of the accuracy page, as one table.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="Also write the table here.")
@click.pass_context
def selftest(
    context: click.Context,
    names: tuple[str, ...],
    full: bool,  # noqa: FBT001
    seed: int,
    grid: int,
    out: Path | None,
) -> None:
    """Measure phantoms with the whole chain and print every figure beside its truth.

    NAMES are phantoms (see `ongrowth phantom`); a short list is used without them.
    """
    if out is not None:
        must_be_a_file(out)
    if grid:
        _selftest_grid(grid, out, is_full=full)
        return
    from ongrowth_phantoms.selftest import CASES, failures, run_selftest, share_inside, table

    unknown = [name for name in names if name not in PHANTOMS]
    if unknown:
        raise click.BadParameter(f"{unknown[0]!r} is not among {', '.join(PHANTOMS)}.", param_hint="NAMES")
    bare = [name for name in names if not PHANTOMS[name].visits(seed)[0].scene.screws]
    if bare:
        raise click.BadParameter(f"{bare[0]!r} holds no screw to be measured.", param_hint="NAMES")
    lines = run_selftest(
        names or CASES, seed=seed, is_full=full, tell=lambda text: click.echo(text, err=True)
    )
    inside = f"{100 * share_inside(lines):.0f} % of the 95 % intervals hold the truth."
    _tell_report(f"{table(lines)}\n{inside}", out)
    wrong = failures(lines)
    for sentence in wrong:
        click.echo(sentence, err=True)
    context.exit(4 if wrong else 0)


def _selftest_grid(count: int, out: Path | None, *, is_full: bool) -> None:
    """Measure random cases of the test half beside two calipers."""
    from ongrowth_phantoms.grid import CALIPERS, draw_case, run_case
    from ongrowth_phantoms.grid.table import markdown, scores, sides_table

    records = []
    for number in range(count):
        case = draw_case("any", "test", "full" if is_full else "fast", number)
        click.echo(f"{case.id}: halo {case.shape}, {case.material}, slices of {case.slice_mm:g} mm", err=True)
        records += run_case(case, ["found, free", *CALIPERS])
    _tell_report(markdown(scores(sides_table(records), ["arm"])), out)


def _tell_report(report: str, out: Path | None) -> None:
    """Print a report below what the phantoms are, and write it where it is wanted."""
    told = f"{NOTE}\n{report}"
    click.echo(told)
    if out is not None:
        write_text(out, f"{told}\n")
