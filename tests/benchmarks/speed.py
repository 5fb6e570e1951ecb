"""Speed and memory of the command line on large CTs, beside merely decoding them with pydicom.

    python tests/benchmarks/speed.py run [--cache DIR]     # draws the CTs once, measures, keeps the numbers
    python tests/benchmarks/speed.py report [--cache DIR]  # writes docs/performance.md of them
    python tests/benchmarks/speed.py [--cache DIR]         # both

Needs ``psutil``, and ``python-gdcm`` (or another decoder of pydicom) for the baselines of compressed series.
Times are processor times of the process and all its children, which a busy machine lengthens less than the
clock's; both are kept.
"""

from __future__ import annotations

import argparse
import compileall
import contextlib
import itertools
import json
import os
import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import psutil

import ongrowth

sys.path.insert(0, str(Path(__file__).parent))
from speed_series import ENCODINGS, N_SCANS, SHAPE, make_cases

PAGE = Path(__file__).parents[2] / "docs" / "performance.md"
PROGRAM = [sys.executable, "-c", "from ongrowth.cli import main; main()"]
DECODE = """
import sys, numpy as np, pydicom
from pathlib import Path
hu = np.stack([pydicom.dcmread(path).pixel_array for path in sorted(Path(sys.argv[1]).glob("*.dcm"))])
"""
STEPS = {  # what the program says when a step begins
    "": "start of the program",
    "Reading headers": "headers and choice of series",
    "Reading slice": "pixels, ceiling, digest",
    "Finding the metal": "screws",
    "Looking for the defect": "defect",
    "Measuring the halo": "halo",
    "Measuring what bridges": "bridging",
    "Holding the figures": "facts, windows",
    "Comparing": "registration, motion, new bone, change",
    "Measuring ": "again with a carried defect",
    "Writing the page": "page and files",
}
BETWEEN_LOOKS_S = 0.05


def run(name: str, command: list[str]) -> dict[str, Any]:
    """Run a command; its times in seconds, peak memory in MB, and the processor time of each step."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        with watched(process.pid) as peak:
            stamps, last = [("", 0.0)], ""
            for line in process.stderr:
                stamps.append((line.strip(), cpu_s(process.pid)))
                last = line
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode:
        raise click.ClickException(f"{name} ended with {process.returncode}: {last}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    wall = time.perf_counter() - begin
    told = {"cpu_s": cpu, "wall_s": wall, "peak_mb": peak[0], "steps": by_step([*stamps, ("end", cpu)])}
    click.echo(f"{name}: {cpu:.1f} s of processor time, {wall:.1f} s by the clock, {peak[0]:.0f} MB")
    return told


def cpu_s(pid: int) -> float:
    """Processor time of a process, of its children that ended and of those that live, s."""
    process, total = psutil.Process(pid), 0.0
    with contextlib.suppress(psutil.Error):
        total = sum(process.cpu_times()[:4])
        for child in process.children(recursive=True):
            with contextlib.suppress(psutil.Error):
                total += sum(child.cpu_times()[:2])
    return float(total)


@contextlib.contextmanager
def watched(pid: int) -> Iterator[list[float]]:
    """Watch the memory of a process and its children (shared pages counted once); the peak in MB."""
    peak, done = [0.0], threading.Event()

    def look() -> None:
        while not done.wait(BETWEEN_LOOKS_S):
            with contextlib.suppress(psutil.Error):
                process = psutil.Process(pid)
                alive = [process, *process.children(recursive=True)]
                peak[0] = max(peak[0], sum(one.memory_full_info().pss for one in alive) / 1e6)

    watcher = threading.Thread(target=look)
    watcher.start()
    try:
        yield peak
    finally:
        done.set()
        watcher.join()


def by_step(stamps: list[tuple[str, float]]) -> dict[str, float]:
    """Add up processor time by step, s; a line that begins none belongs to the step before."""
    out, step = dict.fromkeys(STEPS.values(), 0.0), STEPS[""]
    for (line, begin), (_, end) in itertools.pairwise(stamps):
        step = next((name for said, name in STEPS.items() if said and line.startswith(said)), step)
        out[step] += max(end - begin, 0.0)
    return {name: spent for name, spent in out.items() if spent > 0.0}


def measure(cache: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Run everything; give the name of each run and what was measured."""
    compileall.compile_dir(Path(ongrowth.__file__).parent, quiet=2)  # as pip leaves an installed program
    cases, half = make_cases(cache), make_cases(cache, SHAPE[0] // 2)["raw"]
    yield "help", run("help", [*PROGRAM, "--help"])
    for name, case in {**cases, "half": half}.items():
        series = next(path for path in sorted(case.iterdir()) if path.is_dir())
        with contextlib.suppress(click.ClickException):  # no decoder of pydicom for it here
            told = run(f"decode {name}", [sys.executable, "-c", DECODE, str(series)])
            yield f"decode {name}", told
        yield f"check {name}", check(f"check {name}", series)
    for name, case in cases.items():
        yield f"follow {name}", follow(f"follow {name}", case)


def check(name: str, series: Path) -> dict[str, Any]:
    with scratch() as out:
        sizes = ["--diameter", "4", "--root-diameter", "3", "--surface", "ha-coated", "--weeks", "5"]
        return run(name, [*PROGRAM, "check", str(series), *sizes, "--out", str(out)])


def follow(name: str, case: Path) -> dict[str, Any]:
    with scratch() as out:
        return run(name, [*PROGRAM, "follow", str(case / "case.toml"), "--out", str(out)])


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="ongrowth-speed-"))
    try:
        yield folder / "out"
    finally:
        shutil.rmtree(folder)


# ------------------------------------------------------------------------------------------- page

N_SCREWS = 1
VOXELS_MB = SHAPE[0] * SHAPE[1] * SHAPE[2] * 2 / 1e6
PAGE_STEP, COMPARE_STEP = "page and files", "registration, motion, new bone, change"


def reaches(found: dict[str, Any]) -> list[tuple[str, float, float, str]]:
    """What was aimed at: what, measured, at most, unit."""
    out = [("`ongrowth --help`", found["help"]["cpu_s"], 0.2, "s")]
    most_mb = 1.5 * VOXELS_MB + 250.0
    for name in (name for name in ENCODINGS if f"check {name}" in found):
        told, bare = found[f"check {name}"], found.get(f"decode {name}")
        page = told["steps"][PAGE_STEP]
        if bare:
            most = 2.0 * bare["cpu_s"] + 3.0 * N_SCREWS
            out.append((f"{name}: measuring", told["cpu_s"] - page, most, "s"))
        out.append((f"{name}: page", page, 3.0, "s"))
        out.append((f"{name}: peak memory", told["peak_mb"], most_mb, "MB"))
        if both := found.get(f"follow {name}"):
            first, second = told["cpu_s"], (both["cpu_s"] - told["cpu_s"]) / (N_SCANS - 1)
            out.append((f"{name}: a second CT of the case", second, first + 10.0, "s"))
            out.append((f"{name}: peak memory of two CTs", both["peak_mb"], most_mb, "MB"))
    if "check half" in found:
        whole, half = (slices_s(found[name]) for name in ("check raw", "check half"))
        out.append(("twice the slices: reading and finding, times as long", whole / half, 2.2, ""))
    return out


def slices_s(told: dict[str, Any]) -> float:
    """Processor time of the steps that see every slice, s."""
    return float(
        sum(told["steps"][name] for name in (STEPS["Reading headers"], STEPS["Reading slice"], "screws"))
    )


def page(found: dict[str, Any]) -> str:
    """The page docs/performance.md."""
    z, y, x = SHAPE
    slowest = max(told["wall_s"] / told["cpu_s"] for told in found.values() if isinstance(told, dict))
    lines = [
        "# Speed and memory",
        "",
        f"Drawn CTs of {x} x {y} x {z} voxels (0.35 mm, 0.6 mm slices; {VOXELS_MB:.0f} MB as 16-bit numbers)",
        "with one screw, written by `tests/benchmarks/speed.py` as plain, JPEG lossless and JPEG 2000 DICOM",
        f"series. Measured on {found['machine']}.",
        "",
        "Times are processor times of the program and the children that decode for it; by the clock it took",
        f"up to {slowest:.1f} times as long. Memory is the peak of both together, shared pages counted once.",
        "",
        "## What was aimed at",
        "",
        "| | measured | aim | |",
        "|---|---|---|---|",
    ]
    for what, value, most, unit in reaches(found):
        verdict = "reached" if value <= most else "missed"
        lines.append(f"| {what} | {value:.1f} {unit} | at most {most:.1f} {unit} | {verdict} |")
    lines += [
        "",
        "Measuring is everything from the start of the program to the reading; its aim is twice the time of",
        "decoding the series with pydicom into memory, in the same run, and 3 s a screw.",
        "",
        *runs_table(found),
        *steps_table(found, "check"),
        *steps_table(found, "follow"),
    ]
    return "\n".join(lines).rstrip() + "\n"


def runs_table(found: dict[str, Any]) -> list[str]:
    rows = [
        f"| {name} | {told['cpu_s']:.1f} | {told['wall_s']:.1f} | {told['peak_mb']:.0f} |"
        for name, told in found.items()
        if isinstance(told, dict)
    ]
    head = ["## All runs", "", "| | processor, s | clock, s | peak, MB |", "|---|---|---|---|"]
    return [*head, *rows, "", "`decode` is pydicom alone; `half` has half the slices.", ""]


def steps_table(found: dict[str, Any], command: str) -> list[str]:
    names = [name for name in found if name.startswith(f"{command} ")]
    if not names:
        return [f"`{command}` was not measured in this run.", ""]
    steps = [s for s in STEPS.values() if any(s in found[name]["steps"] for name in names)]
    lines = [f"## Where the time of `{command}` goes", "", "Seconds, and share of the whole.", ""]
    lines += [f"| step | {' | '.join(name.removeprefix(f'{command} ') for name in names)} |"]
    lines += ["|---" * (len(names) + 1) + "|"]
    for step in steps:
        spent = [(found[name]["steps"].get(step, 0.0), found[name]["cpu_s"]) for name in names]
        cells = " | ".join(f"{one:.2f} ({100.0 * one / whole:.0f} %)" for one, whole in spent)
        lines.append(f"| {step} | {cells} |")
    return [*lines, ""]


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("what", nargs="?", choices=["run", "report"])
    options.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "ongrowth-speed")
    given = options.parse_args()
    kept = given.cache / "found.json"
    given.cache.mkdir(parents=True, exist_ok=True)
    if given.what != "report":
        found = {
            "machine": f"{os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}"
        }
        for name, told in measure(given.cache):
            found[name] = told
            kept.write_text(json.dumps(found, indent=1), encoding="utf-8")
    if given.what != "run":
        PAGE.write_text(page(json.loads(kept.read_text(encoding="utf-8"))), encoding="utf-8")


if __name__ == "__main__":
    main()
