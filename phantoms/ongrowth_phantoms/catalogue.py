"""Named phantoms of an invented clinic: what each shows, its scans, its truth and its case file."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.bone import Bridge, Defect
from ongrowth_phantoms.implants import HaloField, PhantomScrew, Rod
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, later, pars_scene, water_rod_scene
from ongrowth_phantoms.series import SURGERY_DATE, write_dicom, write_truth
from ongrowth_phantoms.truth import truth_of

NOTE = (
    "Computer phantom of the invented Harbour Athletics Clinic. No patient, no real scan, no real "
    "implant stands behind it."
)
_NOWHERE = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """One CT of a named phantom."""

    id: str
    weeks: float
    scene: Scene
    protocol: FastProtocol


@dataclass(frozen=True, slots=True, eq=False)
class Phantom:
    """A named phantom: what it shows in one sentence, and how its CTs are made from a seed."""

    shows: str
    visits: Callable[[int], tuple[Visit, ...]]


def _single(
    halo: HaloField | tuple[HaloField, ...] | None = None,
    *,
    weeks: float = 5.0,
    defect: Defect | None = None,
    protocol: FastProtocol | None = None,
    **scene: object,
) -> Callable[[int], tuple[Visit, ...]]:
    """Return the maker of a phantom of one CT."""

    def visits(seed: int) -> tuple[Visit, ...]:
        drawn = pars_scene(seed, halo=halo, defect=defect, **scene)  # type: ignore[arg-type]
        return (_visit(drawn, weeks, protocol or FastProtocol()),)

    return visits


def _visit(scene: Scene, weeks: float, protocol: FastProtocol, name: str = "") -> Visit:
    return Visit(name or f"w{round(weeks):02d}", weeks, scene, _wide_enough(scene, protocol))


def _wide_enough(scene: Scene, protocol: FastProtocol) -> FastProtocol:
    """Return the protocol with a field that holds all screws and 10 mm round them."""
    if not scene.screws:
        return protocol
    ends = np.array([p for s in scene.screws for p in (s.head_mm, s.real_tip_mm)])
    axes = protocol.field_of_view().axes()
    span = np.ptp(ends @ axes, axis=0) + 20.0
    x, y, z = (float(max(a, b)) for a, b in zip(span, protocol.size_mm, strict=True))
    return replace(protocol, size_mm=(x, y, z))


def _course(seed: int) -> tuple[Visit, ...]:
    """Return a course: even halo at week 5, smaller at week 12, none at week 26 and the gap closing."""
    first = pars_scene(seed, halo=HaloField("even", 0.7), defect=Defect(gap_mm=1.8, seed=seed))
    rng = np.random.default_rng([seed, 5])
    visits = [_visit(first, 5.0, FastProtocol())]
    for weeks, width, share, bridges in (
        (12.0, 0.4, 0.15, (Bridge(3.2, 0.5, 1.6, reach=0.6),)),
        (26.0, 0.0, 0.3, (Bridge(3.2, 0.5, 2.4), Bridge(-3.0, 1.0, 2.0))),
    ):
        lies = RigidTransform.from_rotation_vector(rng.normal(0, 0.05, 3), rng.normal(0, 6.0, 3))
        halo = HaloField("even" if width else "none", width)
        now = later(first, seed + 1, halo=halo, bridges=bridges, renewed_share=share, lies=lies)
        visits.append(_visit(now, weeks, FastProtocol()))
    return tuple(visits)


def _moved_screw(seed: int) -> tuple[Visit, ...]:
    """Return a screw that tilts and backs out in its bed between two CTs while the gap opens."""
    first = pars_scene(seed, halo=HaloField("even", 0.4), defect=Defect(gap_mm=1.5, seed=seed))
    site = first.sites[0]
    assert site.screw is not None
    axes, tip = site.screw.axes, np.array(site.screw.tip_mm)
    tilt = RigidTransform.from_rotation_vector(np.radians(1.2) * axes[:, 1], np.zeros(3))
    motion = RigidTransform(tilt.rotation, tip - tilt.rotation @ tip - 0.5 * axes[:, 2])
    plane = site.plane()
    assert plane is not None
    opens = RigidTransform(np.eye(3), 0.4 * plane.normal)
    now = later(first, seed + 1, halo=HaloField("even", 0.9), screw_motion=motion, tip_motion=opens)
    return (_visit(first, 5.0, FastProtocol()), _visit(now, 14.0, FastProtocol()))


def _before_surgery(seed: int) -> tuple[Visit, ...]:
    scene = pars_scene(seed, n_screws=2)
    protocol = _wide_enough(scene, FastProtocol())
    return (Visit("pre-op", -4.0, scene.without_metal(), protocol),)


def _rod_in_water(seed: int) -> tuple[Visit, ...]:
    protocol = FastProtocol(size_mm=(40.0, 40.0, 40.0))
    lean = np.random.default_rng(seed).normal(0.0, 0.05, 3)
    return (
        Visit(
            "calibration", math.nan, water_rod_scene(direction=np.array([0.3, -0.6, 0.74]) + lean), protocol
        ),
    )


def _screw(**facts: object) -> PhantomScrew:
    return replace(PhantomScrew(*_NOWHERE), **facts)  # type: ignore[arg-type]


def _with_rods(seed: int) -> tuple[Visit, ...]:
    scene = pars_scene(seed, halo=HaloField("even", 0.6))
    x, y, z = scene.focus_mm
    rods = (
        Rod(((x + 9.0, y + 24.0, z - 25.0), (x + 10.0, y + 20.0, z + 25.0)), 5.5),
        Rod(
            ((x - 12.0, y + 10.0, z - 12.0), (x - 9.0, y + 16.0, z), (x - 11.0, y + 14.0, z + 12.0)),
            1.0,
            "steel",
            "wire",
        ),
    )
    return (_visit(replace(scene, other_metal=rods), 20.0, FastProtocol()),)


_BRIDGES = (Bridge(3.2, 0.5, 2.6), Bridge(-3.0, 1.0, 2.4))
_SPURS = (
    Bridge(3.2, 0.5, 2.6, reach=0.7),
    Bridge(-3.0, 1.0, 2.4, reach=-0.6),
    Bridge(0.5, 3.2, 1.2, 0.4, is_chip=True),
)

PHANTOMS: dict[str, Phantom] = {
    "even-halo": Phantom("an even halo of 0.7 mm at week 5", _single(HaloField("even", 0.7))),
    "no-halo": Phantom("bone up to the threads all along, week 12", _single(weeks=12.0)),
    "one-sided": Phantom(
        "a halo of 1.3 mm on the screw-head side only, week 16",
        _single(HaloField("even", 1.3, 0.0), weeks=16.0),
    ),
    "crescent": Phantom(
        "a halo on one side of the circumference, up to 1.6 mm, week 8",
        _single(HaloField("crescent", 0.8, toward_deg=60.0), weeks=8.0),
    ),
    "widening-to-head": Phantom(
        "a halo that widens from the tip to the head, week 14",
        _single(HaloField("conical-head", 0.9), weeks=14.0),
    ),
    "widening-to-tip": Phantom(
        "a halo that widens from the head to the tip, week 14",
        _single(HaloField("conical-tip", 0.9), weeks=14.0),
    ),
    "patchy": Phantom("a patchy halo, week 10", _single(HaloField("patchy", 0.6, seed=2), weeks=10.0)),
    "rim": Phantom(
        "a halo of 1.5 mm behind a dense rim, week 30",
        _single(HaloField("even", 1.5, rim_mm=0.8, rim_hu=950.0), weeks=30.0),
    ),
    "bridged": Phantom(
        "two bone bridges across the gap, week 26",
        _single(weeks=26.0, defect=Defect(gap_mm=1.6, bridges=_BRIDGES)),
    ),
    "spurs": Phantom(
        "spurs and a chip in the gap, none of them a bridge, week 16",
        _single(weeks=16.0, defect=Defect(gap_mm=1.8, bridges=_SPURS)),
    ),
    "broken": Phantom(
        "a screw interrupted by 1.2 mm at the gap, week 40",
        _single(HaloField("even", 0.8), weeks=40.0, screw=_screw(break_depth_mm=17.0, break_gap_mm=1.2)),
    ),
    "bent": Phantom(
        "a screw bent by 6 degrees at the gap, week 40",
        _single(HaloField("even", 0.5), weeks=40.0, screw=_screw(bend_depth_mm=17.0, bend_deg=6.0)),
    ),
    "child": Phantom(
        "the size of a 10 to 12-year-old, even halo of 0.5 mm, week 6",
        _single(HaloField("even", 0.5), weeks=6.0, child=True),
    ),
    "two-screws": Phantom(
        "both sides, the left one with a wider halo, week 8",
        _single((HaloField("even", 1.1), HaloField("even", 0.4)), weeks=8.0, n_screws=2),
    ),
    "partly-threaded": Phantom(
        "a cannulated screw with a smooth shank across the gap, week 5",
        _single(
            HaloField("even", 0.6),
            screw=_screw(
                thread_start_mm=20.0, shank_diameter_mm=2.8, root_diameter_mm=2.8, cannula_diameter_mm=1.2
            ),
        ),
    ),
    "steel": Phantom(
        "a steel screw, week 8", _single(HaloField("even", 0.7), weeks=8.0, screw=_screw(material="steel"))
    ),
    "rods": Phantom("a screw beside a rod and a steel wire, week 20", _with_rods),
    "tilted": Phantom(
        "an even halo, gantry tilted by 15 degrees",
        _single(HaloField("even", 0.7), protocol=FastProtocol(tilt_deg=15.0)),
    ),
    "prone": Phantom(
        "an even halo, scanned prone",
        _single(HaloField("even", 0.7), protocol=FastProtocol(turn_deg=(0.0, 0.0, 180.0))),
    ),
    "sharp-kernel": Phantom(
        "an even halo seen with an edge-enhancing kernel",
        _single(
            HaloField("even", 0.7),
            protocol=FastProtocol(edge_enhancement=1.5, in_plane_fwhm_mm=0.6, noise_hu=80.0),
        ),
    ),
    "thick-slices": Phantom(
        "an even halo in 3 mm slices",
        _single(
            HaloField("even", 0.7), protocol=FastProtocol(slice_mm=3.0, slice_fwhm_mm=3.4, noise_hu=20.0)
        ),
    ),
    "course": Phantom(
        "three CTs of one patient: an even halo at week 5, less at week 12, none at week 26", _course
    ),
    "moved-screw": Phantom("two CTs between which the screw moved and the gap opened", _moved_screw),
    "pre-op": Phantom("both sides before surgery, four weeks earlier", _before_surgery),
    "calibration-rod": Phantom(
        "a 4 mm titanium rod in water, to learn the blur of a protocol", _rod_in_water
    ),
}


def write_phantom(name: str, folder: str | Path, *, seed: int = 1, compressed: bool = False) -> Path:
    """Make a named phantom: a DICOM folder for each CT, the truth, and a case file.

    Parameters
    ----------
    name : str
        One of `PHANTOMS`.
    folder : path
        Where to write; made if missing.
    seed : int
        Another seed, another patient.
    compressed : bool
        Write RLE lossless images.

    Returns
    -------
    Path
        The folder.
    """
    out = Path(folder)
    out.mkdir(parents=True, exist_ok=True)
    visits = PHANTOMS[name].visits(seed)
    for k, visit in enumerate(visits):
        scan = scan_fast(visit.scene, visit.protocol, seed=seed + 1000 * k)
        weeks = 0.0 if math.isnan(visit.weeks) else visit.weeks
        # no word of the scanner's in the patient's number: it would be withheld there
        write_dicom(scan, out / visit.id, weeks=weeks, patient_id=f"DRAWN-{name}", compressed=compressed)
        truths = [truth_of(visit.scene, i) for i in range(len(visit.scene.screws))]
        write_truth(truths, out / f"{visit.id}-truth.json")
    if any(v.scene.sites for v in visits):
        (out / "case.toml").write_text(case_file(name, visits), encoding="utf-8")
    (out / "NOTE.txt").write_text(f"{NOTE}\nIt shows {PHANTOMS[name].shows}.\n", encoding="utf-8")
    return out


def case_file(name: str, visits: tuple[Visit, ...]) -> str:
    """Return the case file of a phantom, TOML."""
    lines = [f"# {NOTE}", "[patient]", f'id = "phantom-{name}"', "birth_year = 2015", 'site = "L5"']
    lines += [f'remark = "{NOTE}"', ""]
    lines += ["[surgery]", f"date = {SURGERY_DATE.isoformat()}", ""]
    sides = ("left", "right")
    for side, screw in zip(sides, visits[0].scene.screws, strict=False):
        lines += [
            "[[implant]]",
            f'id = "{side}"',
            f'side = "{side}"',
            *_facts(screw),
            'surface = "ha-coated"',
            "",
        ]
    for visit in visits:
        role = "pre-op" if visit.weeks < 0 else "follow-up"
        lines += ["[[scan]]", f'id = "{visit.id}"', f'path = "{visit.id}"']
        lines += [f"weeks_since_surgery = {visit.weeks}", f'role = "{role}"', ""]
    return "\n".join(lines)


def _facts(screw: PhantomScrew) -> list[str]:
    facts: dict[str, float | str] = {
        "major_diameter_mm": screw.major_diameter_mm,
        "root_diameter_mm": screw.root_diameter_mm,
        "pitch_mm": screw.pitch_mm,
        "length_mm": round(screw.length_mm, 2),
        "thread": "partial" if screw.thread_start_mm > 0 else "full",
    }
    if screw.thread_start_mm > 0:
        facts |= {"thread_start_mm": screw.thread_start_mm, "shank_diameter_mm": screw.shank_diameter_mm}
    facts |= {
        "cannula_diameter_mm": screw.cannula_diameter_mm,
        "coating_mm": screw.coating_mm,
        "material": screw.material,
    }
    return [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in facts.items()]
