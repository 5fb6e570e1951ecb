"""A small slice of the mutation bench: every end of a mutant is a reading or a coded refusal.

Ten thousand are run by ``tests/benchmarks/mutants.py``; here Hypothesis draws a few numbers of mutants, and
shrinks to the smallest that fails.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import mutants
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

SLICE = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))


@SLICE
@example(number=205)  # a shaft so short that a defect has no place on it
@example(number=1369)  # a file in a zip that is called "."
@given(number=st.integers(0, 10**6))
def test_a_mutated_series_is_read_or_refused(number: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        mutant = mutants.make_series(Path(folder), number)
        outcome = mutants.run(mutant, whole=False)
    assert outcome.end != "fault", f"{mutant.kind} {number}: {outcome.told}"


@SLICE
@given(number=st.integers(0, 10**6))
def test_a_mutated_file_of_words_is_read_or_refused(number: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        mutant = mutants.make_words(Path(folder), number)
        outcome = mutants.run(mutant, whole=False)
    assert outcome.end != "fault", f"{mutant.kind} {number}: {outcome.told}"


def test_the_sound_series_is_measured_to_its_end(tmp_path: Path) -> None:
    """Without this, refusing everything would pass."""
    folder = tmp_path / "ct"
    folder.mkdir()
    for k, raw in enumerate(mutants.tiny_files()):
        (folder / f"{k:03d}.dcm").write_bytes(raw)
    words = ("check", str(folder), "--weeks", "8", "--diameter", "3.5", "--out", str(tmp_path / "out"))
    outcome = mutants.run(mutants.Mutant("sound", folder, words), whole=True)
    assert (outcome.end, outcome.entered) == ("reading", True)
    assert (tmp_path / "out" / "page.html").is_file()


def test_a_fault_would_be_seen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("surprise")

    monkeypatch.setattr("ongrowth.case.reading.read_scan", broken)
    outcome = mutants.run(mutants.make_series(tmp_path, 1), whole=False)
    assert outcome.end == "fault"
