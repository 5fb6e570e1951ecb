"""What puts a fragment off where its bone has changed: texture renewed alone, surfaces grown alone.

    python tests/benchmarks/motion_causes.py --first 40 --cases 3

The visit "screw" of the serial phantoms is drawn twice more: without growth of its surfaces, and with the old
texture and density. Each is measured against the first visit. Tuning half: it explains the errors and says
nothing of how small they are.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from ongrowth.motion import measure_motion
from ongrowth_phantoms.grid.serial import VISITS, Visit, draw_visits

sys.path.insert(0, str(Path(__file__).parent))

from motion_grid import WORK, bodies_of, fragment_motion, plane_of, pose_errors, seen  # lies beside this

HALF = "tuning"
CAUSES = {
    "renewed": {"growth_mm": 0.0},
    "grown": {"renewed_share": 0.0, "remodelled_hu": 0.0},
}


def with_only(visit: Visit, cause: str) -> Visit:
    """Return a later visit at which only one of the two has happened to the old bone."""
    sites = tuple(replace(s, arch=replace(s.arch, **CAUSES[cause])) for s in visit.scene.sites)
    return replace(visit, name=f"only-{cause}", scene=replace(visit.scene, sites=sites))


def errors(first: Visit, later: Visit, number: int, work: Path) -> list[dict[str, float]]:
    """Return how far off each fragment is found."""
    scans, screws, frame = seen(first, later, HALF, number, work)
    found = measure_motion(*scans, *screws, plane_of(first, frame, number))
    return [
        pose_errors(body.earlier_from_later, fragment_motion(first, later, part), own, far)
        for body, part, own, far in bodies_of(found, frame)
        if body is not None
    ]


@click.command(help=__doc__)
@click.option("--first", default=0, show_default=True)
@click.option("--cases", default=3, show_default=True)
@click.option("--work", type=click.Path(path_type=Path), default=WORK, show_default=True)
def main(first: int, cases: int, work: Path) -> None:
    """Print median and largest error for both, and for each cause alone."""
    found: dict[str, list[dict[str, float]]] = {"both": [], **{cause: [] for cause in CAUSES}}
    for number in range(first, first + cases):
        visits = draw_visits(HALF, number)
        later = visits[VISITS.index("screw")]
        for cause, bodies in found.items():
            visit = later if cause == "both" else with_only(later, cause)
            bodies += errors(visits[0], visit, number, work)
    for cause, bodies in found.items():
        told = (
            f"{key} {np.median([b[key] for b in bodies]):.3f} (most {max(b[key] for b in bodies):.3f})"
            for key in ("own_mm", "far_mm", "turned_deg")
        )
        click.echo(f"{cause}: {len(bodies)} fragments: " + ", ".join(told))


if __name__ == "__main__":
    main()
