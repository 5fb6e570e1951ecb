"""From a case to its scene, its scan and its truth; scans are kept on disk, since they cost most."""

from __future__ import annotations

import hashlib
import math
import pickle
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import ongrowth_phantoms
from ongrowth.geometry import RigidTransform, unit
from ongrowth.scan import Scan
from ongrowth.screw import ScrewSpec
from ongrowth_phantoms.grid.draw import Case
from ongrowth_phantoms.implants import HaloField, PhantomScrew, Point, Rod
from ongrowth_phantoms.kernels import KERNELS
from ongrowth_phantoms.scanner import FastProtocol, scan_fast
from ongrowth_phantoms.scenes import Scene, pars_scene, water_rod_scene
from ongrowth_phantoms.shapes import Real, real
from ongrowth_phantoms.tomograph import FullProtocol, scan_full
from ongrowth_phantoms.truth import Truth, truth_of

Protocol = FastProtocol | FullProtocol
Turn = tuple[float, float, float]

_NOWHERE: tuple[Point, Point] = ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))
_ROUND_MM = 10.0  # of tissue kept on all sides of the screw: what a defect is looked for in
_ROD_MM = 4.0
_ROD_FIELD_MM = (40.0, 40.0, 40.0)
_DRAWING = ("shapes", "bone", "implants", "scenes", "truth", "kernels", "scanner")
_FULL_DRAWING = ("beam", "radon", "tomograph")


@dataclass(frozen=True, slots=True)
class KernelProtocol(FastProtocol):
    """The fast scanner seen through a kernel of the full one, named by `kernel`."""

    def mtf(self, f_per_mm: NDArray[np.floating]) -> Real:
        """Return the in-plane MTF at spatial frequencies, 1/mm."""
        return real(KERNELS[self.kernel].mtf(f_per_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Phantom:
    """What a case looks like, and what is true of it."""

    scan: Scan
    truth: Truth


def scene_of(case: Case) -> Scene:
    """Return the scene of a case; a repeat lies in another position."""
    pattern = PhantomScrew(
        *_NOWHERE,
        major_diameter_mm=case.major_mm,
        root_diameter_mm=case.root_mm,
        pitch_mm=case.pitch_mm,
        coating_mm=case.coating_mm,
        cannula_diameter_mm=case.cannula_mm,
        head_diameter_mm=case.major_mm + 2.0,
        material=case.material,
    )
    scene = pars_scene(
        case.seed, screw=pattern, halo=_halo_of(case), child=case.is_child, bone_hu=case.bone_hu
    )
    site = scene.sites[0]
    textured = replace(site.arch, bone_sd_hu=case.texture_hu)
    scene = replace(scene, sites=(replace(site, arch=textured),))
    if case.beside:
        scene = replace(scene, other_metal=_rods(scene, case))
    return scene.moved(_lying_anew(scene, case)) if case.repeat else scene


def _halo_of(case: Case) -> HaloField:
    kind = "even" if case.shape == "one-sided" else case.shape
    tip = math.nan if case.tip_mean_mm == case.head_mean_mm else case.tip_mean_mm
    return HaloField(
        kind,
        mean_mm=case.head_mean_mm,
        tip_mean_mm=tip,
        toward_deg=case.toward_deg,
        layer_hu=case.layer_hu,
        rim_mm=case.rim_mm,
        seed=case.seed % 100_000,
    )


def _rods(scene: Scene, case: Case) -> tuple[Rod, ...]:
    """Return two rods of 5.5 mm across the screw's course, 9 to 12 mm from it, in the plane of its slices."""
    rng = np.random.default_rng([case.seed, 55])
    screw = scene.screws[0]
    normal = replace(FastProtocol(), turn_deg=_turn_deg(case, scene)).field_of_view().axes()[:, 2]
    middle = np.array(screw.head_mm) + 0.5 * screw.length_mm * screw.axes[:, 2]
    flat = screw.axes[:, 2] - normal * (screw.axes[:, 2] @ normal)
    along = unit(flat) if np.linalg.norm(flat) > 0.2 else unit(np.cross(normal, [1.0, 0.0, 0.0]))
    away = np.cross(normal, along)
    rods = []
    for sign in (-1.0, 1.0):
        place = middle + sign * rng.uniform(9.0, 12.0) * away
        course = unit(along + 0.3 * rng.normal() * away)
        ends = (place - 25.0 * course, place + 25.0 * course)
        rods.append(Rod(tuple((float(p[0]), float(p[1]), float(p[2])) for p in ends), 5.5, case.material))
    return tuple(rods)


def _lying_anew(scene: Scene, case: Case) -> RigidTransform:
    """Return how the patient lies at a repeat: some degrees and millimetres elsewhere."""
    rng = np.random.default_rng([case.seed, 7000 + case.repeat])
    about = RigidTransform(np.eye(3), np.array(scene.focus_mm))
    turn = RigidTransform.from_rotation_vector(np.radians(rng.normal(0.0, 4.0, 3)), rng.uniform(-3, 3, 3))
    return about @ turn @ about.inverse()


def protocol_of(case: Case, scene: Scene) -> Protocol:
    """Return how a case is scanned: the field holds the screw and what lies round it."""
    rng = np.random.default_rng([case.seed, 66])
    turn = _turn_deg(case, scene)
    tilt = float(rng.uniform(8, 22) * rng.choice([-1, 1])) if case.pose == "tilted gantry" else 0.0
    made: Protocol
    if case.scanner == "full":
        made = FullProtocol(case.kernel, case.kvp, case.dose_mgy, smoothing=case.smoothing)
    else:
        kind = KernelProtocol if case.kernel else FastProtocol
        made = kind(
            in_plane_fwhm_mm=case.fwhm_mm, edge_enhancement=case.edge, mtf_power=case.power,
            noise_hu=case.noise_hu, kvp=case.kvp, kernel=case.kernel,
        )  # fmt: skip
    made = replace(
        made, pixel_mm=case.pixel_mm, slice_mm=case.slice_mm, slice_fwhm_mm=case.slice_fwhm_mm,
        clip_hu=case.clip_hu, turn_deg=turn, tilt_deg=tilt,
    )  # fmt: skip
    return replace(made, size_mm=_size_mm(made, scene))


def _size_mm(protocol: Protocol, scene: Scene) -> tuple[float, float, float]:
    ends = np.array([p for s in scene.screws for p in (s.head_mm, s.real_tip_mm)])
    x, y, z = np.ptp(ends @ protocol.field_of_view().axes(), axis=0) + 2.0 * _ROUND_MM
    return float(x), float(y), float(z)


def _turn_deg(case: Case, scene: Scene) -> Turn:
    """Return the turn of the stack against axial supine."""
    rng = np.random.default_rng([case.seed, 77])
    if case.pose == "prone":
        return 0.0, 0.0, 180.0
    if case.pose == "oblique":
        x, y, z = rng.normal(0.0, 12.0, 3)
        return float(x), float(y), float(z)
    if case.pose == "across":
        return _turn_to(scene, rng, float(rng.uniform(0.0, 10.0)))
    if case.pose == "in plane":
        return _turn_to(scene, rng, float(rng.uniform(82.0, 90.0)))
    return 0.0, 0.0, 0.0


def _turn_to(scene: Scene, rng: np.random.Generator, from_normal_deg: float) -> Turn:
    """Return the turn that lays the slice normal at an angle to the screw."""
    from scipy.spatial.transform import Rotation

    axis = scene.screws[0].axes[:, 2]
    aside = unit(np.cross(axis, rng.normal(size=3)))
    angle = math.radians(from_normal_deg)
    normal = math.cos(angle) * axis + math.sin(angle) * aside
    turn, _ = Rotation.align_vectors(normal[None], np.array([[0.0, 0.0, 1.0]]))
    x, y, z = np.degrees(turn.as_rotvec())
    return float(x), float(y), float(z)


def phantom_of(case: Case, cache: Path | None = None, scene: Scene | None = None) -> Phantom:
    """Return scan and truth of a case, from the cache where it holds them.

    Parameters
    ----------
    case : Case
        Which.
    cache : Path, optional
        Folder of kept scans. A kept scan serves while neither the case nor the drawing code changes.
    scene : Scene, optional
        Another scene than the case's own, scanned as the case is; truth is that of its first screw.
    """
    scene = scene or scene_of(case)
    protocol = protocol_of(case, scene)
    kept = cache / f"{case.id}-{_digest_of(scene, protocol, case)}.pickle" if cache else None
    if kept and kept.exists():
        return _read(kept)
    made = Phantom(_scanned(scene, protocol, case), truth_of(scene, 0))
    if kept:
        _write(kept, made)
    return made


def _scanned(scene: Scene, protocol: Protocol, case: Case) -> Scan:
    noise = case.seed % 100_000 + case.repeat
    if isinstance(protocol, FullProtocol):
        return scan_full(scene, protocol, seed=noise)
    if case.is_white:
        scan = scan_fast(scene, replace(protocol, noise_hu=0.0))
        white = np.random.default_rng([noise, 44]).normal(0.0, case.noise_hu, scan.hu.shape)
        return replace(scan, hu=(scan.hu + white).astype(np.float32))
    return scan_fast(scene, protocol, seed=noise)


def _read(path: Path) -> Phantom:
    made: Phantom = pickle.loads(path.read_bytes())
    return made


def _write(path: Path, made: Phantom | Scan) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_suffix(".part")
    beside.write_bytes(pickle.dumps(made))
    beside.replace(path)


def _digest_of(scene: Scene, protocol: Protocol, case: Case) -> str:
    """Return a digest of all that a scan depends on: what is drawn, how, and the code that draws."""
    modules = _DRAWING + (_FULL_DRAWING if case.scanner == "full" else ())
    folder = Path(ongrowth_phantoms.__file__).parent
    drawing = files_digest(folder / f"{m}.py" for m in modules)
    noise = (case.seed, case.repeat, case.is_white, case.noise_hu)
    return hashlib.sha256(repr((scene, protocol, noise, drawing)).encode()).hexdigest()[:12]


def files_digest(paths: Iterable[Path]) -> str:
    """Return a short digest of the contents of files."""
    whole = hashlib.sha256()
    for path in sorted(paths):
        whole.update(path.name.encode() + path.read_bytes())
    return whole.hexdigest()[:12]


def calibration_scan(case: Case, cache: Path | None = None) -> tuple[Scan, ScrewSpec]:
    """Return a rod in water scanned by the protocol of a case, and what is known of the rod."""
    scene = water_rod_scene(_ROD_MM)
    protocol = replace(
        protocol_of(replace(case, pose="usual"), scene_of(case)), size_mm=_ROD_FIELD_MM, centre_mm=None
    )
    if isinstance(protocol, FullProtocol):
        protocol = replace(protocol, body_half_mm=(100.0, 100.0), body_ahead_mm=20.0)
    rod = ScrewSpec(major_diameter_mm=_ROD_MM, root_diameter_mm=_ROD_MM)
    kept = cache / f"rod-{_digest_of(scene, protocol, case)}.pickle" if cache else None
    if kept and kept.exists():
        return pickle.loads(kept.read_bytes()), rod
    scan = _scanned(scene, protocol, case)
    if kept:
        _write(kept, scan)
    return scan, rod
