"""The facts of a scan and of the program, gathered for the result files."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import ongrowth
from ongrowth.dose import dose_region, effective_dose
from ongrowth.frame import ScrewFrame
from ongrowth.reading.parts import DoseFacts, Reading, ScanFacts
from ongrowth.scan import Acquisition, Problem, Refused, Scan

_LIBRARIES = ("numpy", "scipy", "scikit-image", "SimpleITK", "pydicom", "pydantic", "matplotlib")
_PROGRAM = (".py", ".toml", ".json")  # what the program is made of
_SOFT_HU = (-30.0, 110.0)  # fat-free soft tissue, where CT number varies by noise alone
_LOOK_MM = 35.0
_MIN_PATCHES = 50
_QUARTILE_OF_SD = 0.89  # lower quartile of the SD of 25 samples over the true one, normal noise


def libraries() -> dict[str, str]:
    """Return the versions of the libraries that a measured number depends on."""
    out = {}
    for name in _LIBRARIES:
        try:
            out[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            out[name] = "absent"
    return out


@functools.cache
def program_digest() -> str:
    """Return the SHA-256 of the code and the tables that are installed: two states may share a version."""
    root, whole = Path(ongrowth.__file__).parent, hashlib.sha256()
    for file in sorted(one for one in root.rglob("*") if one.suffix in _PROGRAM):
        whole.update(f"{file.relative_to(root).as_posix()}\0".encode() + file.read_bytes())
    return whole.hexdigest()


def gather_facts(
    scan: Scan, scan_id: str, weeks: float, noise_hu: float, problems: Sequence[Problem], born: int | None
) -> ScanFacts:
    """Return how a scan was made; the blur is filled in by whoever measured it.

    Parameters
    ----------
    scan : Scan
        The CT.
    scan_id : str
        Its id.
    weeks : float
        Weeks since surgery, NaN if not known.
    noise_hu : float
        As `image_noise_hu` gives it.
    problems : sequence of Problem
        What was found later than on reading; those of the scan come first.
    born : int or None
        Year of birth, for the dose factor.
    """
    made = scan.acquisition
    return ScanFacts(
        id=scan_id,
        weeks_since_surgery=weeks,
        voxel_mm=scan.voxel_mm,
        slice_thickness_mm=made.slice_thickness_mm,
        kernel=made.printable(made.kernel),
        algorithm=made.algorithm,
        kvp=made.kvp,
        scanner=made.printable(made.scanner),
        hu_ceiling=scan.hu_ceiling,
        ceiling_share=scan.ceiling_share,
        noise_hu=noise_hu,
        problems=(*scan.problems, *problems),
        others=scan.others,
        dose=scan_dose_facts(made, born),
    )


def scan_dose_facts(made: Acquisition, born: int | None) -> DoseFacts:
    """Return what a scan states of its dose, with the population estimate where a DLP is stated."""
    dose = made.dose
    has_index = not math.isnan(dose.ctdi_vol_mgy)
    if math.isnan(dose.dlp_mgy_cm):
        return DoseFacts(dose.ctdi_vol_mgy, math.nan, dose.source, n_ctdi_stated=int(has_index))
    year = born or made.birth_year
    age = None if year is None or made.date is None else max(0.0, float(made.date.year - year))
    told = effective_dose(dose.dlp_mgy_cm, age, dose_region(made.body_part))
    basis = f"{told.region}, {told.factor:g} mSv/(mGy cm), {told.source}; {told.caveat}"
    return DoseFacts(
        dose.ctdi_vol_mgy, dose.dlp_mgy_cm, dose.source, told.value_msv, basis, 1, 1, int(has_index)
    )


def case_dose(readings: Sequence[Reading]) -> DoseFacts:
    """Return the dose of all CTs of a case; those that state none are counted but not added.

    CTDIvol adds up because every CT of a case shows the same part of the body.

    Parameters
    ----------
    readings : sequence of Reading
        All CTs of a case; those of one study count once.
    """
    doses = [reading.scan.dose for reading in _examinations(readings)]
    dlps = [dose for dose in doses if not math.isnan(dose.dlp_mgy_cm)]
    indices = [dose.ctdi_vol_mgy for dose in doses if not math.isnan(dose.ctdi_vol_mgy)]
    if not dlps and not indices:
        return DoseFacts(n_examinations=len(doses))
    return DoseFacts(
        sum(indices) if indices else math.nan,
        sum(dose.dlp_mgy_cm for dose in dlps) if dlps else math.nan,
        "sum of the examinations",
        sum(dose.effective_msv for dose in dlps) if dlps else math.nan,
        "sum of the population estimates of the examinations" if dlps else "",
        len(doses),
        len(dlps),
        len(indices),
    )


def dose_over_time(readings: Sequence[Reading]) -> tuple[tuple[Reading, DoseFacts], ...]:
    """Return each examination of a case, its first CT standing for it, and the dose up to and with it.

    Parameters
    ----------
    readings : sequence of Reading
        All CTs of a case, in time.
    """
    own = _examinations(readings)
    return tuple((one, case_dose(own[: k + 1])) for k, one in enumerate(own))


def _examinations(readings: Sequence[Reading]) -> list[Reading]:
    """Return one CT of each examination, the one that states most; series of one count once."""
    by_study: dict[str, Reading] = {}
    for reading in readings:
        key = reading.source.study_uid or reading.scan.id
        if key not in by_study or _said(reading.scan.dose) > _said(by_study[key].scan.dose):
            by_study[key] = reading
    return list(by_study.values())


def _said(dose: DoseFacts) -> tuple[bool, bool, float]:
    """Return what a series states of its dose, the most telling first; of equals the larger dose counts."""
    has_dlp, has_index = not math.isnan(dose.dlp_mgy_cm), not math.isnan(dose.ctdi_vol_mgy)
    return has_dlp, has_index, dose.dlp_mgy_cm if has_dlp else dose.ctdi_vol_mgy if has_index else 0.0


def image_noise_hu(scan: Scan, frame: ScrewFrame) -> float:
    """Return the noise of soft tissue near the screw, HU: lower quartile of the SD in 5 x 5 patches.

    The quartile leaves out patches with structure. NaN where too little soft tissue lies near.

    Parameters
    ----------
    scan : Scan
        The CT.
    frame : ScrewFrame
        Screw whose surroundings are looked at.
    """
    try:
        part = scan.crop(scan.box([frame.origin_mm, frame.tip_mm], _LOOK_MM))
    except Refused:
        return math.nan
    return _patch_noise_hu(part.hu)


def _patch_noise_hu(hu: NDArray[np.int16] | NDArray[np.float32]) -> float:
    edge = 5
    rows, columns = (n // edge * edge for n in hu.shape[1:])
    if rows == 0 or columns == 0:
        return math.nan
    spreads = []
    for image in hu[:, :rows, :columns]:  # one by one: all patches at once are twice the voxels
        patches = image.reshape(rows // edge, edge, columns // edge, edge)
        mean = np.einsum("iajb->ij", patches, dtype=np.float32) / edge**2
        soft = (mean > _SOFT_HU[0]) & (mean < _SOFT_HU[1])
        of_soft = patches.swapaxes(1, 2)[soft].reshape(-1, edge**2)
        spreads.append(of_soft.std(axis=1, ddof=1, dtype=np.float32))
    spread = np.concatenate(spreads)
    return float(np.quantile(spread, 0.25)) / _QUARTILE_OF_SD if spread.size >= _MIN_PATCHES else math.nan
