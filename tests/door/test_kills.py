"""A slice of the bench that kills -9: see ``tests/benchmarks/kills.py``, which kills at every step."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parents[1] / "benchmarks" / "kills.py"


@pytest.mark.slow
@pytest.mark.skipif(
    not hasattr(os, "fork"), reason="this system cannot fork (Windows); the bench kills copies of itself"
)
def test_a_killed_run_leaves_old_results_whole_or_new_results_whole() -> None:
    words = [sys.executable, "-W", "ignore", str(BENCH), "--most", "12", "--random", "2"]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout.splitlines()[-1])
    assert set(counts) == {"check", "follow", "viewer save", "cohort"}
    for name, found in counts.items():
        assert set(found) <= {"old", "new", "finished", "resumed to new"}, f"{name}: {found}"
        assert found["old"] > 0
        assert sum(found.values()) - found["old"] > 0, f"{name}: no kill came late enough"
