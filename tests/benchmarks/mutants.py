"""Mutated inputs by the thousand: every end is a reading or a coded refusal.

    python tests/benchmarks/mutants.py run --count 10000          # series; goes on where it was stopped
    python tests/benchmarks/mutants.py run --what words --count 3000
    python tests/benchmarks/mutants.py run --start 10000 --count 10600 --kept FOLDER  # later ones, apart
    python tests/benchmarks/mutants.py again 4711                 # one mutant, with its traceback
    python tests/benchmarks/mutants.py report --write             # the table of docs/threats.md

Each mutant is made from its number and given to the command line in a watched process: CPU_S of processor
time, MEMORY_MB more than the process had before; a fault, a crash, a hang or a hog is told with the number of
the mutant. One in `--whole` of those that reach the estimator is measured to the end and its page written;
the others stop at the estimator's door.
"""

from __future__ import annotations

import argparse
import collections
import json
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

sys.path.insert(0, str(Path(__file__).parents[1]))
import mutants

CPU_S = 60.0  # a sound one takes about 3
WALL_S = 600.0  # on a machine that does other work besides
MEMORY_MB = 300.0  # the voxels of a sound one take 0.1 MB
PAGE = Path(__file__).parents[2] / "docs" / "threats.md"
KEPT = Path(tempfile.gettempdir()) / "ongrowth-mutants"
Record = dict[str, Any]
MAKERS = {"series": mutants.make_series, "words": mutants.make_words}


# ------------------------------------------------------------------------------ the watched process


def _memory_mb(name: str) -> float:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(re.search(rf"{name}:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]


def _forget_peak() -> None:
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def work(what: str, numbers: range, whole_every: int) -> None:
    """Run mutants one after the other, a line of JSON before and after each."""
    resource.setrlimit(resource.RLIMIT_AS, (8 * 2**30, 8 * 2**30))
    mutants.tiny_files()
    for number in numbers:
        _line({"begun": number})
        signal.setitimer(signal.ITIMER_PROF, CPU_S)  # ends the process, whatever it is doing
        folder = Path(tempfile.mkdtemp(prefix="ongrowth-mutant-"))
        try:
            _line(_run_one(what, number, folder, whole=number % whole_every == 0))
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
            shutil.rmtree(folder, ignore_errors=True)


def _run_one(what: str, number: int, folder: Path, *, whole: bool) -> Record:
    mutant = MAKERS[what](folder, number)
    beside = set(folder.iterdir())
    _forget_peak()
    before, cpu = _memory_mb("VmRSS"), time.process_time()
    outcome = mutants.run(mutant, whole=whole)
    more_mb = _memory_mb("VmHWM") - before
    end, told = outcome.end, outcome.told
    left = sorted(p.name for p in set(folder.iterdir()) - beside if p.name != "out" or end == "refused")
    left += [str(p) for p in folder.rglob(".*")]
    if left:
        end, told = "fault", f"left behind: {left} after {end} {told}"
    if more_mb > MEMORY_MB:
        end, told = "fault", f"memory: {more_mb:.0f} MB after {end} {told}"
    made = {"kind": mutant.kind, "end": end, "told": told, "entered": outcome.entered}
    return {"n": number, **made, "cpu_s": round(time.process_time() - cpu, 2), "mb": round(more_mb, 1)}


def _line(record: Record) -> None:
    click.echo(json.dumps(record))
    sys.stdout.flush()


# -------------------------------------------------------------------------------------- the driver


def drive(what: str, start: int, count: int, whole_every: int, kept: Path) -> None:
    """Run mutants start ... count - 1 that have no record yet."""
    file = kept / f"{what}.jsonl"
    kept.mkdir(parents=True, exist_ok=True)
    done = {record["n"] for record in _records(file)}
    at = next((n for n in range(start, count) if n not in done), count)
    while at < count:
        with file.open("a", encoding="utf-8") as lines:
            for record in _watched(what, range(at, count), whole_every):
                lines.write(json.dumps(record) + "\n")
                lines.flush()
                at = record["n"] + 1
                if record["end"] == "fault":
                    click.echo(json.dumps(record), err=True)
                if at % 250 == 0:
                    click.echo(f"{at} of {count}", err=True)


def _watched(what: str, numbers: range, whole_every: int) -> Iterator[Record]:
    """Give the records of one working process; if it dies, the last one says over which mutant."""
    words = [sys.executable, "-W", "ignore", __file__, "work", "--what", what, "--whole", str(whole_every)]
    words += ["--start", str(numbers.start), "--count", str(numbers.stop)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    begun = numbers.start
    try:
        for line in process.stdout:
            record = json.loads(line)
            if "begun" in record:
                begun = record["begun"]
            else:
                begun += 1
                yield record
        status = process.wait(WALL_S)
        if status and begun < numbers.stop:
            how = "hang" if status == -signal.SIGPROF else "crash"
            made = {"kind": "?", "end": "fault", "told": f"{how}: status {status}", "entered": False}
            yield {"n": begun, **made, "cpu_s": CPU_S, "mb": 0.0}
    finally:
        process.kill()
        process.wait()


def _records(file: Path) -> list[Record]:
    if not file.is_file():
        return []
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


# -------------------------------------------------------------------------------------- the report


def table(records: list[Record]) -> str:
    """Return the counts as a table in Markdown."""
    kinds = sorted({r["kind"] for r in records}, key=lambda k: -sum(r["kind"] == k for r in records))
    lines = [
        "| kind of mutant | mutants | read | reached the estimator | measured whole | refused | faults |"
    ]
    lines += ["|---|---:|---:|---:|---:|---:|---:|"]
    for kind in (*kinds, "all"):
        own = [r for r in records if kind in (r["kind"], "all")]
        ends = collections.Counter(r["end"] for r in own)
        entered = sum(r["entered"] for r in own)
        share = f"{entered} ({100 * entered / len(own):.0f} %)"
        whole = sum(r["entered"] and r["end"] == "reading" for r in own)
        read = ends["reading"] + ends["entered"]
        lines.append(
            f"| {kind} | {len(own)} | {read} | {share} | {whole} | {ends['refused']} | {ends['fault']} |"
        )
    return "\n".join(lines)


def told(records: list[Record]) -> str:
    """Return the longest time, the most memory, and the refusals by their code."""
    codes = collections.Counter(r["told"] for r in records if r["end"] == "refused")
    listed = ", ".join(f"`{code}` {count}" for code, count in codes.most_common())
    slowest, biggest = max(r["cpu_s"] for r in records), max(r["mb"] for r in records)
    return (
        f"Longest: {slowest:.1f} s of processor time; most memory: {biggest:.0f} MB more. Refusals: {listed}."
    )


def report(kept: Path, *, write: bool) -> None:
    """Print the counts; with `write`, put them between the marks of docs/threats.md."""
    text = PAGE.read_text(encoding="utf-8") if write else ""
    for what in MAKERS:
        records = _records(kept / f"{what}.jsonl")
        if not records:
            continue
        part = f"{table(records)}\n\n{told(records)}"
        click.echo(f"{what}\n{part}\n")
        start, end = f"<!-- table: {what} -->", "<!-- end of table -->"
        text = re.sub(f"{start}.*?{end}", f"{start}\n{part}\n{end}", text, count=1, flags=re.DOTALL)
    if write:
        PAGE.write_text(text, encoding="utf-8")


def again(what: str, number: int) -> None:
    """Run one mutant with its traceback."""
    folder = Path(tempfile.mkdtemp(prefix="ongrowth-mutant-"))
    mutant = MAKERS[what](folder, number)
    click.echo(f"{mutant.kind}: ongrowth {' '.join(mutant.words)}")
    from ongrowth.cli import main

    main([*mutant.words, "--debug"])


def parsed() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("do", choices=["run", "work", "again", "report"])
    parser.add_argument("number", nargs="?", type=int, default=0)
    parser.add_argument("--what", choices=list(MAKERS), default="series")
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--whole", type=int, default=50, help="one in so many is measured to the end")
    parser.add_argument("--kept", type=Path, default=KEPT)
    parser.add_argument("--write", action="store_true")
    return parser.parse_args()


if __name__ == "__main__":
    given = parsed()
    if given.do == "run":
        drive(given.what, given.start, given.count, given.whole, given.kept)
        report(given.kept, write=False)
    elif given.do == "work":
        work(given.what, range(given.start, given.count), given.whole)
    elif given.do == "again":
        again(given.what, given.number)
    else:
        report(given.kept, write=given.write)
