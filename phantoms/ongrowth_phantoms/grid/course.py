"""Whole courses after surgery, drawn by number: what happens, how it is scanned, what should be said of it.

A course is judged at its last visit, by the case file a user would write. All figures that make a course
are invented (project's choice); what should be said follows from the shipped windows.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.bone import Bridge, Defect
from ongrowth_phantoms.catalogue import Visit, case_file
from ongrowth_phantoms.grid.caliper import CALIPERS, read_sides
from ongrowth_phantoms.implants import HaloField, PhantomScrew
from ongrowth_phantoms.scanner import FastProtocol
from ongrowth_phantoms.scenes import Scene, later, pars_scene
from ongrowth_phantoms.series import write_dicom, write_truth
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
from ongrowth_phantoms.truth import truth_of

Rng = np.random.Generator

# kind: what should be said at the last visit, and the visits (weeks) it may be seen at
AS_EXPECTED, OUTSIDE, NOT_OUTSIDE = "as expected", "outside", "not outside"
KINDS: dict[str, tuple[str, tuple[tuple[float, ...], ...]]] = {
    "settling": (
        AS_EXPECTED,
        ((5.0,), (8.0,), (12.0,), (26.0,), (5.0, 12.0), (8.0, 26.0), (5.0, 8.0), (12.0, 26.0)),
    ),
    "growing": (OUTSIDE, ((5.0, 12.0), (8.0, 12.0), (8.0, 26.0), (12.0, 26.0))),
    "one-sided": (OUTSIDE, ((8.0,), (12.0,), (26.0,))),
    "rim": (OUTSIDE, ((12.0,), (26.0,))),
    "broken": (OUTSIDE, ((12.0,), (26.0,))),
    "still but wide": (NOT_OUTSIDE, ((5.0, 12.0), (8.0, 26.0), (12.0, 26.0))),
}
# the order in which courses are drawn: any first part of them is a fair mixture
_ORDER = (
    "settling", "growing", "one-sided", "settling", "rim", "settling", "growing", "still but wide",
    "broken", "settling",
)  # fmt: skip
_SETTLED = {5.0: 1.0, 8.0: 0.8, 12.0: 0.5, 26.0: 0.15}  # of the width at week 5
_GROWN_MM = {5.0: 0.0, 8.0: 0.15, 12.0: 0.6, 26.0: 1.2}
_BRIDGES = (Bridge(3.2, 0.5, 4.4), Bridge(-3.2, 0.8, 4.2), Bridge(0.3, 3.6, 3.6), Bridge(0.0, -3.4, 3.4))
_BRIDGES_AT = {5.0: 0, 8.0: 0, 12.0: 2, 26.0: 4}
_ROUND_MM = 10.0


@dataclass(frozen=True, slots=True)
class Course:
    """One course; all of it fits one line of a table.

    `says` is what should be said at the last visit: "as expected", "outside" or "not outside" (a wide but
    even halo that does not grow is as expected or undecided). `change_of_protocol` tells whether the last
    visit was scanned otherwise.
    """

    number: int
    kind: str
    weeks: tuple[float, ...]
    seed: int
    kernel: str
    other_kernel: str
    pixel_mm: float
    slice_mm: float
    kvp: float
    dose_mgy: float
    clip_hu: float | None
    head_mm: float
    tip_mm: float
    shape: str
    is_child: bool
    change_of_protocol: bool

    @property
    def id(self) -> str:
        """Name of its folder."""
        return f"course-{self.number:03d}"


def draw_course(number: int, half: str = "test") -> Course:
    """Return a course: the same words and number always give the same one.

    Parameters
    ----------
    number : int
        Which.
    half : str
        "tuning" or "test": apart in seeds and in families of kernels.
    """
    rng = np.random.default_rng([zlib.crc32(f"courses/{half}".encode()), number])
    kind = _ORDER[number % len(_ORDER)]
    visits = KINDS[kind][1]
    families = ("hann", "power") if half == "tuning" else ("butterworth", "kaiser")
    kernels = [
        f"{families[int(rng.integers(2))]}-{rng.choice(['medium', 'bone', 'edge'], p=[0.35, 0.5, 0.15])}"
        for _ in range(2)
    ]
    weeks = visits[int(rng.integers(len(visits)))]
    head, tip = _widths_mm(rng, kind)
    even = kind not in ("settling", "growing") or rng.random() < 0.6
    return Course(
        number, kind, weeks, int(rng.integers(1, 2**31)), kernels[0], kernels[1],
        pixel_mm=round(float(rng.uniform(0.3, 0.45)), 3),
        slice_mm=float(rng.choice([0.6, 0.75, 1.0])),
        kvp=float(rng.choice([100.0, 120.0])),
        dose_mgy=round(float(rng.uniform(5.0, 12.0)), 1),
        clip_hu=3071.0 if rng.random() < 0.6 else None,
        head_mm=head, tip_mm=tip,
        shape="even" if even else str(rng.choice(["crescent", "conical-head", "conical-tip"])),
        is_child=bool(rng.random() < 0.2),
        change_of_protocol=bool(len(weeks) > 1 and rng.random() < 0.2),
    )  # fmt: skip


def _widths_mm(rng: Rng, kind: str) -> tuple[float, float]:
    """Return the mean widths of head side and tip side at week 5 (or of always), mm."""
    low, high = {
        "settling": (0.3, 0.9), "growing": (0.4, 0.8), "one-sided": (1.0, 1.8), "rim": (0.9, 1.5),
        "broken": (0.3, 0.6), "still but wide": (1.2, 1.7),
    }[kind]  # fmt: skip
    head = float(rng.uniform(low, high))
    if kind == "one-sided":
        return (round(head, 3), 0.0) if rng.random() < 0.5 else (0.0, round(head, 3))
    return round(head, 3), round(head * float(np.exp(rng.normal(0.0, 0.12))), 3)


def _at_week(course: Course, weeks: float) -> tuple[float, float]:
    """Return the mean widths of the two sides at a week, mm."""
    if course.kind in ("settling", "broken"):
        return course.head_mm * _SETTLED[weeks], course.tip_mm * _SETTLED[weeks]
    if course.kind == "growing":
        pace = 0.8 + 0.4 * (course.seed % 1000) / 1000.0
        return course.head_mm + pace * _GROWN_MM[weeks], course.tip_mm + pace * _GROWN_MM[weeks]
    return course.head_mm, course.tip_mm


def visits_of(course: Course) -> Iterator[tuple[Visit, FullProtocol]]:
    """Draw the scenes of a course, visit by visit, each with how the full scanner sees it."""
    rng = np.random.default_rng([course.seed, 11])
    gap = Defect(
        normal=_normal(rng), gap_mm=float(rng.uniform(1.0, 2.6)), roughness_mm=0.2, seed=course.seed % 100_000
    )
    scene: Scene | None = None
    for number, weeks in enumerate(course.weeks):
        bridges = _BRIDGES[: _BRIDGES_AT[weeks]] if course.kind == "settling" else ()
        if scene is None:
            scene = pars_scene(
                course.seed, screw=_screw(course, gap), halo=_halo(course, weeks),
                defect=replace(gap, bridges=bridges), child=course.is_child,
            )  # fmt: skip
        else:
            head, tip = _at_week(course, weeks)
            lies = RigidTransform.from_rotation_vector(rng.normal(0, 0.05, 3), rng.normal(0, 4.0, 3))
            halo = replace(scene.halos[0], mean_mm=head, tip_mean_mm=tip)
            scene = later(
                scene, course.seed + number, halo=halo, bridges=bridges, renewed_share=0.25, lies=lies
            )
        is_other = course.change_of_protocol and number == len(course.weeks) - 1
        protocol = _protocol(course, scene, is_other=is_other)
        yield Visit(f"w{weeks:02.0f}", weeks, scene, FastProtocol()), protocol


def _normal(rng: Rng) -> tuple[float, float, float]:
    tilt, turn = math.radians(rng.uniform(15, 40)), rng.uniform(0, 2 * math.pi)
    return math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), math.cos(tilt)


def _halo(course: Course, weeks: float) -> HaloField:
    head, tip = _at_week(course, weeks)
    rim = 0.5 + 0.3 * (course.seed % 100) / 100.0 if course.kind == "rim" else 0.0
    return HaloField(
        course.shape, head, tip, toward_deg=float(course.seed % 360), lopsided=0.5, rim_mm=rim, rim_hu=900.0,
        seed=course.seed % 100_000,
    )  # fmt: skip


def _screw(course: Course, gap: Defect) -> PhantomScrew:
    nowhere = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    sizes = (3.5, 2.6, 1.25) if course.is_child else (4.0, 3.0, 1.5)
    screw = PhantomScrew(*nowhere, *sizes)
    if course.kind != "broken":
        return screw
    depth = (13.5 if course.is_child else 16.0) + gap.point_mm[2]
    return replace(screw, break_depth_mm=depth, break_gap_mm=0.8 + 0.7 * (course.seed % 100) / 100.0)


def _protocol(course: Course, scene: Scene, *, is_other: bool) -> FullProtocol:
    made = FullProtocol(
        course.other_kernel if is_other else course.kernel, course.kvp, course.dose_mgy,
        pixel_mm=course.pixel_mm, slice_mm=course.slice_mm, clip_hu=course.clip_hu,
    )  # fmt: skip
    ends = np.array([p for s in scene.screws for p in (s.head_mm, s.real_tip_mm)])
    x, y, z = np.ptp(ends @ made.field_of_view().axes(), axis=0) + 2.0 * _ROUND_MM
    return replace(made, size_mm=(float(x), float(y), float(z)))


def write_course(course: Course, folder: Path) -> Path:
    """Draw, scan and write a course, unless it is there: DICOM, truth, case file and what calipers read.

    Returns
    -------
    Path
        Its folder; ``facts.json`` is written last and marks it as complete.
    """
    out = folder / course.id
    facts = out / "facts.json"
    if facts.is_file() and json.loads(facts.read_text(encoding="utf-8"))["course"] == _plain(course):
        return out
    visits, read = tuple(visits_of(course)), []
    for number, (visit, protocol) in enumerate(visits):
        scan = scan_full(visit.scene, protocol, seed=course.seed % 100_000 + number)
        write_dicom(scan, out / visit.id, weeks=visit.weeks, patient_id=f"PHANTOM-{course.id}")
        truth = truth_of(visit.scene)
        write_truth(truth, out / f"{visit.id}-truth.json")
        sides = read_sides(scan, truth, CALIPERS["half-height"])
        read.append(
            {
                "weeks": visit.weeks,
                "true_mm": {s: getattr(truth, s).mean_width_mm for s in ("head_side", "tip_side")},
                "caliper_mm": {s: r.mean_mm for s, r in sides.items()},
            }
        )
    (out / "case.toml").write_text(case_file(course.id, tuple(v for v, _ in visits)), encoding="utf-8")
    facts.write_text(
        json.dumps({"course": _plain(course), "visits": read}, indent=1) + "\n", encoding="utf-8"
    )
    return out


def _plain(course: Course) -> dict[str, Any]:
    return {**asdict(course), "weeks": list(course.weeks)}
