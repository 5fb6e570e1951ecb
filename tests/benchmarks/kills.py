"""Kill -9 at every step and at random moments of what writes: old results whole, or new results whole.

    python tests/benchmarks/kills.py                     # check, follow, viewer save, cohort
    python tests/benchmarks/kills.py --random 2000 --write
    python tests/benchmarks/kills.py --most 12 --random 5

The folder holds the results of an earlier run; a run that would replace them is killed. "Every step" is every
audit event of Python (open, rename, remove, ...) between the first and the last thing written: the n-th run
kills itself at its n-th event, the last one after all of them. Random moments are spread over the same
stretch. Measuring is replaced by ready readings, so that the time of a run is the time it writes.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import hashlib
import io
import json
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import build_reading as build
import stand_in

import ongrowth.case
import ongrowth.reports.page
from ongrowth.cli import main
from ongrowth.cohort import InProcess, read_manifest, read_receipt, run_cohort
from ongrowth.files import finish_results
from ongrowth.reading import Case, read_case, read_reading
from ongrowth.scan import Refused
from ongrowth_napari.session import correct as corrected
from ongrowth_napari.session import now, open_session, save

PAGE = Path(__file__).parents[2] / "docs" / "threats.md"
Run = Callable[[Path, str], None]  # folder, "old" or "new"
Tree = dict[str, str]
QUIET = io.StringIO()


@dataclass(frozen=True)
class Subject:
    """Something that writes: how its ground is laid, how it runs, and what must be readable after a kill."""

    name: str
    lay: Callable[[Path], None]
    run: Run
    read: Callable[[Path], None]


# ------------------------------------------------------------------------------------ what is run


def _readings(which: str) -> Case:
    case = build.make_case(moved_mm=0.5 if which == "old" else 0.0)
    remark = replace(case.patient, remark=which)
    return replace(case, patient=remark)


CASES = {which: _readings(which) for which in ("old", "new")}


@contextlib.contextmanager
def _ready(which: str) -> Iterator[None]:
    """Measuring and drawing replaced by what is ready."""
    case = CASES[which]

    def run_case(case_file: object, tell: object, keep: Callable[..., None], *_: object) -> Case:
        for reading in case.readings:
            keep(reading)
        return case

    page = f"<html>{which}</html>\n" * 20_000
    with (
        mock.patch.object(ongrowth.case, "run_reading", return_value=case.readings[-1]),
        mock.patch.object(ongrowth.case, "run_case", run_case),
        mock.patch.object(ongrowth.reports.page, "render_page", return_value=page),
        contextlib.redirect_stderr(QUIET),
        contextlib.redirect_stdout(QUIET),
    ):
        yield


def lay_case(folder: Path) -> None:
    text = '[patient]\nid = "harbour-07"\n\n[[implant]]\nid = "left"\n\n[[scan]]\nid = "w08"\npath = "w08"\n'
    (folder / "w08").mkdir()
    (folder / "case.toml").write_text(text + "weeks_since_surgery = 8.0\n", encoding="utf-8")


def run_check(folder: Path, which: str) -> None:
    with _ready(which):
        main(["check", str(folder / "w08"), "--out", str(folder / "out")], standalone_mode=False)


def run_follow(folder: Path, which: str) -> None:
    with _ready(which):
        main(["follow", str(folder / "case.toml"), "--out", str(folder / "out")], standalone_mode=False)


def run_save(folder: Path, which: str) -> None:
    """Save a correction in the viewer; its own file stands where the results stand."""
    out = folder / "out"
    if not out.exists():
        out.mkdir()
        shutil.copy(folder / "case.toml", out)
    session = open_session(out / "case.toml", "w08")
    save(corrected(session, "left.head_mm", [1.0, 2.0, 3.0], None, which, now()))


def lay_cohort(folder: Path) -> None:
    stand_in.write_cohort(folder, "0.5", "0.6", "0.7")


def run_cohort_there(folder: Path, which: str) -> None:
    """Measure a cohort again after all its scans have changed."""
    for k, path in enumerate(sorted((folder / "scans").iterdir())):
        path.write_text(f"{0.5 + 0.1 * k + (1.0 if which == 'new' else 0.0):g}", encoding="utf-8")
    with contextlib.redirect_stderr(QUIET):
        manifest = read_manifest(folder / "manifest.csv")
        run_cohort(manifest, folder / "out", executor=InProcess(), measure=stand_in.measure)


def read_results(folder: Path) -> None:
    finish_results(folder / "out")
    for file in (folder / "out").glob("[!.]*/reading.json"):
        read_reading(file)
    if (folder / "out" / "case.json").is_file():
        read_case(folder / "out")


def read_cohort(folder: Path) -> None:
    for file in (folder / "out" / "scans").rglob("[!.]*.json"):
        if read_receipt(file) is None:
            raise AssertionError(f"{file} cannot be read")


def read_saved(folder: Path) -> None:
    open_session(folder / "out" / "case.toml", "w08")


SUBJECTS = (
    Subject("check", lay_case, run_check, read_results),
    Subject("follow", lay_case, run_follow, read_results),
    Subject("viewer save", lay_case, run_save, read_saved),
    Subject("cohort", lay_cohort, run_cohort_there, read_cohort),
)

# --------------------------------------------------------------------------------- what is found

_VOLATILE = re.compile(rb'"(wall_s|pid|since|listing_digest)": [^,}\n]*|time = [^\n]*')


def tree_of(out: Path) -> Tree:
    """Digest of every file that a user sees, without what differs between two runs of the same."""
    found = {}
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        name = path.relative_to(out)
        if any(part.startswith(".") for part in name.parts) or name.name in ("run.lock", "measured.log"):
            continue
        found[name.as_posix()] = _digest(path)
    return found


def _digest(path: Path) -> str:
    if path.suffix == ".npz":
        with np.load(path) as arrays:
            whole = b"".join(name.encode() + arrays[name].tobytes() for name in sorted(arrays.files))
    else:
        whole = _VOLATILE.sub(b"", path.read_bytes())
    return hashlib.sha256(whole).hexdigest()


def state_of(subject: Subject, folder: Path, old: Tree, new: Tree) -> str:
    """Return "old", "new", "file by file" (each file whole, some new) or what is broken.

    "finished" were being moved into their places: the next command that reads there has ended it.
    """
    try:
        before = tree_of(folder / "out")
        subject.read(folder)
        found = tree_of(folder / "out")
    except (Refused, OSError, ValueError, KeyError, AssertionError) as error:
        return f"broken: {type(error).__name__} {error}"[:200]
    if found == old:
        return "old"
    if found == new:
        return "new" if before == new else "finished"
    gone = sorted(set(old) & set(new) - set(found))
    strange = [name for name, digest in found.items() if digest not in (old.get(name), new.get(name))]
    return f"broken: gone {gone[:3]}, strange {strange[:3]}" if gone or strange else "file by file"


# ------------------------------------------------------------------------------------ the killing


def forked(work: Callable[[], None], *, event: int = -1, after_s: float = -1.0) -> int:
    """Run in a child; it is killed at its n-th audit event, or after a time. Returns the events it lived."""
    out_end, in_end = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out_end)
        seen = 0

        def hook(name: str, _: object) -> None:
            nonlocal seen
            if name.split(".")[0] in ("open", "os", "shutil", "tempfile"):
                if seen == event:
                    os.kill(os.getpid(), signal.SIGKILL)
                seen += 1

        sys.addaudithook(hook)
        try:
            work()
            if seen == event:  # all is written, and the process has not ended yet
                os.kill(os.getpid(), signal.SIGKILL)
        finally:
            os.write(in_end, str(seen).encode())
            os._exit(0)
    os.close(in_end)
    if after_s >= 0.0:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(out_end) as pipe:
        return int(pipe.read() or -1)


def kill_at(subject: Subject, base: Path, event: int, after_s: float, old: Tree, new: Tree) -> str:
    """Lay the old results anew, kill the run that would replace them, and say what is there."""
    folder = base.parent / "trial"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(base, folder)
    forked(lambda: subject.run(folder, "new"), event=event, after_s=after_s)
    state = state_of(subject, folder, old, new)
    if state == "file by file" and subject.name == "cohort":
        state = _resumed(subject, folder, new)
    return state


def _resumed(subject: Subject, folder: Path, new: Tree) -> str:
    """A cohort is new scan by scan; the same command again must end where an unbroken run ends."""
    forked(lambda: subject.run(folder, "new"))
    return "resumed to new" if tree_of(folder / "out") == new else "broken: not resumed"


def try_out(subject: Subject, most: int, n_random: int) -> collections.Counter[str]:
    """Kill one subject at (up to `most`) steps and at random moments; returns how often it ended how."""
    with tempfile.TemporaryDirectory(prefix="ongrowth-kills-") as name:
        base = Path(name) / "base"
        base.mkdir()
        subject.lay(base)
        forked(lambda: subject.run(base, "old"))
        old = tree_of(base / "out")
        done = Path(name) / "done"
        shutil.copytree(base, done)
        begin = time.monotonic()
        n_events = forked(lambda: subject.run(done, "new"))
        whole_s = time.monotonic() - begin
        new = tree_of(done / "out")
        assert old
        assert old != new, subject.name
        steps = sorted({int(k) for k in np.linspace(0, n_events, min(most, n_events + 1))})
        moments = np.random.default_rng(5).uniform(0.0, whole_s, n_random)
        trials = [(k, -1.0) for k in steps] + [(-1, float(t)) for t in moments]
        found: collections.Counter[str] = collections.Counter()
        for event, after_s in trials:
            state = kill_at(subject, base, event, after_s, old, new)
            found[state.split(":", maxsplit=1)[0]] += 1
            if state.startswith(("broken", "file by file")):
                click.echo(f"{subject.name}: event {event}, {after_s:.3f} s: {state}", err=True)
    return found


def table(found: dict[str, collections.Counter[str]]) -> str:
    """Return the counts as a table in Markdown."""
    columns = ("old", "new", "finished", "resumed to new", "file by file", "broken")
    lines = ["| killed | kills | " + " | ".join(columns) + " |", "|---|" + "---:|" * (len(columns) + 1)]
    for name, counts in found.items():
        cells = " | ".join(str(counts[column]) for column in columns)
        lines.append(f"| {name} | {counts.total()} | {cells} |")
    return "\n".join(lines)


def run() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--most", type=int, default=10_000, help="steps killed at, for each subject")
    parser.add_argument("--random", type=int, default=300, help="random moments, for each subject")
    parser.add_argument("--write", action="store_true", help="put the table into docs/threats.md")
    given = parser.parse_args()
    found = {subject.name: try_out(subject, given.most, given.random) for subject in SUBJECTS}
    told = table(found)
    click.echo(told)
    click.echo(json.dumps(found))
    if given.write:
        start, end, text = "<!-- table: kills -->", "<!-- end of table -->", PAGE.read_text(encoding="utf-8")
        text = re.sub(f"{start}.*?{end}", f"{start}\n{told}\n{end}", text, count=1, flags=re.DOTALL)
        PAGE.write_text(text, encoding="utf-8")
    return int(any(counts["broken"] for counts in found.values()))


if __name__ == "__main__":
    sys.exit(run())
