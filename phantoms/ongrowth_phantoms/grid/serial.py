"""Serial cases: one invented patient scanned six times by the full scanner, with the truth of each pair.

Visit "first" shows the patient as he was. At "still" nothing has moved but everything else has changed:
protocol, position, halo, bone round the defect, texture, surfaces, the next vertebra. At "screw" the
screw has moved in its bed; at "fragment" the tip-side fragment has moved, with or without the screw. "repeat"
is as "still", but the old bone is as it was: no new texture, no growth of its surfaces. At "broken" the screw
has broken in the defect: its head piece lies with the head side, its tip piece with the tip side, which has
moved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ongrowth.geometry import RigidTransform
from ongrowth_phantoms.bone import Bridge, Callus, Site
from ongrowth_phantoms.implants import HaloField, Point
from ongrowth_phantoms.scenes import Scene, later, pars_scene
from ongrowth_phantoms.tomograph import FullProtocol

VISITS = ("first", "still", "screw", "fragment", "repeat", "broken")
SCREW_WAYS = ("backs out", "toggles", "turns", "backs out and toggles")
FRAGMENT_WAYS = ("screw stays with the head side", "screw goes with the tip side", "screw goes its own way")
_FAMILIES = {"tuning": ("hann", "power"), "test": ("butterworth", "kaiser")}

Rng = np.random.Generator


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """One CT of a serial case: what lies in the scanner, how it is seen, the seed of the noise, the story."""

    name: str
    scene: Scene
    protocol: FullProtocol
    seed: int
    story: str = ""

    @property
    def site(self) -> Site:
        """The site of the screw."""
        return self.scene.screw_sites[0]


def draw_visits(half: str, number: int) -> tuple[Visit, ...]:
    """Return the six visits of a serial case.

    Parameters
    ----------
    half : str
        "tuning" or "test": which kernels are drawn from.
    number : int
        Fixes everything.
    """
    rng = np.random.default_rng([number, len(half), 20_271])
    is_child = rng.random() < 0.3
    first = pars_scene(
        int(rng.integers(1, 1_000_000)),
        child=is_child,
        bone_hu=float(rng.uniform(220.0, 380.0)),
        halo=HaloField("even", float(rng.uniform(0.0, 0.3))),
    )
    how = SCREW_WAYS[number % len(SCREW_WAYS)]
    whither = FRAGMENT_WAYS[number % len(FRAGMENT_WAYS)]
    screw_motion = _screw_motion(rng, first, how)
    tip_motion = _tip_motion(rng, first)
    goes = {
        FRAGMENT_WAYS[0]: None,
        FRAGMENT_WAYS[1]: tip_motion,
        FRAGMENT_WAYS[2]: _screw_motion(rng, first, "toggles"),
    }[whither]
    scenes = (
        first,
        _later(rng, first, renewed_share=0.3),
        _later(rng, first, renewed_share=0.5, screw_motion=screw_motion),
        _later(rng, first, renewed_share=0.5, screw_motion=goes, tip_motion=tip_motion),
    )
    stories = ("", "", how, whither)
    visits = [
        Visit(name, scene, _protocol(rng, half, is_child=is_child), 10 * number + k, story)
        for k, (name, scene, story) in enumerate(zip(VISITS, scenes, stories, strict=False))
    ]
    as_it_was = _later(rng, first, renewed_share=0.0, growth_mm=0.0)
    protocol = _protocol(rng, half, is_child=is_child)
    visits.append(Visit("repeat", as_it_was, protocol, 10 * number + len(visits)))
    broken = _broken(rng, first)
    protocol = _protocol(rng, half, is_child=is_child)
    return (*visits, Visit("broken", broken, protocol, 10 * number + len(visits), "broken"))


def _broken(rng: Rng, scene: Scene) -> Scene:
    """Return a scene whose screw has broken in the defect; the tip piece goes with the tip side."""
    screw, defect = scene.screws[0], scene.sites[0].defect
    assert defect is not None
    pose = RigidTransform(screw.axes, np.array(screw.head_mm))
    motion = _tip_motion(rng, scene)
    in_screw = pose.inverse() @ scene.sites[0].arch.world_from_arch
    after = replace(
        screw,
        break_depth_mm=float(in_screw.apply(defect.point_mm)[2]),
        break_gap_mm=float(rng.uniform(0.8, 1.5)),
        tip_piece=pose.inverse() @ motion @ pose,
        zero_direction=tuple(screw.axes[:, 0]),
    )
    sites = (replace(scene.sites[0], screw=after), *scene.sites[1:])
    return _later(rng, replace(scene, sites=sites), renewed_share=0.3, tip_motion=motion)


def _later(
    rng: Rng,
    scene: Scene,
    *,
    renewed_share: float,
    growth_mm: float = 0.15,
    screw_motion: RigidTransform | None = None,
    tip_motion: RigidTransform | None = None,
) -> Scene:
    """Return a scene some weeks later, the patient lying up to 15 degrees otherwise."""
    shift = rng.uniform(-4.0, 4.0, 3)
    return later(
        scene,
        int(rng.integers(1, 1_000_000)),
        halo=HaloField(
            str(rng.choice(["even", "crescent", "conical-head", "conical-tip", "patchy"])),
            float(rng.uniform(0.0, 1.5)),
            toward_deg=float(rng.uniform(0.0, 360.0)),
            seed=int(rng.integers(1, 1_000_000)),
        ),
        bridges=_bridges(rng),
        callus=_callus(rng),
        renewed_share=renewed_share,
        growth_mm=growth_mm,
        remodelled_hu=float(rng.uniform(-20.0, 40.0)) * (renewed_share > 0.0),
        screw_motion=screw_motion,
        tip_motion=tip_motion,
        lies=RigidTransform.about(np.array(scene.focus_mm), _turn(rng, 15.0), rng.uniform(-8.0, 8.0, 3)),
        neighbour_shift_mm=(float(shift[0]), float(shift[1]), float(shift[2])),
    )


def _bridges(rng: Rng) -> tuple[Bridge, ...]:
    return tuple(
        Bridge(
            float(rng.uniform(-3.5, 3.5)), float(rng.uniform(-3.5, 3.5)), float(rng.uniform(1.5, 3.5)),
            float(rng.choice([1.0, 0.5, -0.5])),
        )
        for _ in range(int(rng.integers(0, 3)))
    )  # fmt: skip


def _callus(rng: Rng) -> tuple[Callus, ...]:
    """Return up to two lumps of new bone beside the isthmus."""
    lumps = []
    for _ in range(int(rng.integers(0, 3))):
        a, r = float(rng.uniform(0.0, 2.0 * math.pi)), float(rng.uniform(5.0, 7.0))
        half = rng.uniform(1.5, 3.0, 3)
        centre: Point = (r * math.cos(a), r * math.sin(a), float(rng.uniform(-5.0, 5.0)))
        lumps.append(Callus(centre, (float(half[0]), float(half[1]), float(half[2]))))
    return tuple(lumps)


def _protocol(rng: Rng, half: str, *, is_child: bool) -> FullProtocol:
    kernel = f"{rng.choice(_FAMILIES[half])}-{rng.choice(['soft', 'medium', 'bone', 'bone', 'edge'])}"
    slice_mm = float(rng.choice([0.7, 0.8, 1.0, 1.0, 1.5]))
    return FullProtocol(
        kernel=kernel,
        kvp=float(rng.choice([100.0, 120.0, 120.0, 140.0])),
        dose_mgy=float(rng.uniform(5.0, 14.0)),
        pixel_mm=float(rng.uniform(0.32, 0.5)),
        slice_mm=slice_mm,
        size_mm=(50.0, 50.0, 44.0) if is_child else (56.0, 56.0, 50.0),
        turn_deg=(0.0, 0.0, 180.0 if rng.random() < 0.2 else 0.0),
        tilt_deg=float(rng.choice([0.0, 0.0, 0.0, 10.0, -12.0])),
        n_views=300,
        row_mm=0.9,
        clip_hu=None if rng.random() < 0.2 else 3071.0,
        smoothing=2 if rng.random() < 0.1 else 0,
    )


def _screw_motion(rng: Rng, scene: Scene, how: str) -> RigidTransform:
    """Return how the screw moves in its bed: out along its axis, about a point of it, about its axis."""
    screw = scene.screws[0]
    axis = screw.axes[:, 2]
    head = np.array(screw.head_mm)
    out = -float(rng.uniform(0.3, 2.0)) * axis if "backs out" in how else np.zeros(3)
    turn = np.zeros(3)
    if "toggles" in how:
        a = float(rng.uniform(0.0, 2.0 * math.pi))
        across = math.cos(a) * screw.axes[:, 0] + math.sin(a) * screw.axes[:, 1]
        turn = math.radians(float(rng.uniform(0.5, 2.5))) * across
    if how == "turns":
        turn = math.radians(float(rng.uniform(40.0, 120.0) * rng.choice([-1.0, 1.0]))) * axis
    pivot = head + float(rng.uniform(0.0, screw.length_mm)) * axis
    return RigidTransform.about(pivot, turn, out)


def _tip_motion(rng: Rng, scene: Scene) -> RigidTransform:
    site = scene.sites[0]
    assert site.defect is not None
    pivot = site.arch.world_from_arch.apply(site.defect.point_mm)
    away = site.arch.world_from_arch.turn(site.defect.axes[:, 2])
    shift = _direction(rng) * float(rng.uniform(0.2, 1.0))
    shift = shift - min(0.0, float(shift @ away)) * away  # the faces do not run into each other
    return RigidTransform.about(pivot, _direction(rng) * math.radians(float(rng.uniform(0.3, 2.5))), shift)


def _turn(rng: Rng, most_deg: float) -> NDArray[np.float64]:
    return _direction(rng) * math.radians(float(rng.uniform(0.0, most_deg)))


def _direction(rng: Rng) -> NDArray[np.float64]:
    v = rng.normal(size=3)
    return np.asarray(v / np.linalg.norm(v))
