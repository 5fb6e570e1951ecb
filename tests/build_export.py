"""A reading with its source images on disk, on an axial, a leaning or an oblique grid, without measuring."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from pathlib import Path

import build_reading as build
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from ongrowth.read import read_scan
from ongrowth.reading import ImplantReading, Reading, Source, write_reading
from ongrowth.scan import Acquisition, Dose, Scan
from ongrowth_phantoms.series import write_dicom

ONE_SIDED = (2.0, 1.9, 1.1, 0.6, 0.4, 0.5, 0.8, 1.4)
SURGERY = dt.date(2031, 3, 4)
SHAPE = (76, 112, 120)
PIXEL_MM, GAP_MM = 0.5, 0.7
TILT_DEG = 17.0
TURN_DEG = (22.0, 14.0, 9.0)


@dataclass(frozen=True)
class Exported:
    """A folder with ``ct`` and ``case/w08``, and what was written there."""

    folder: Path
    reading: Reading

    @property
    def reading_folder(self) -> Path:
        return self.folder / "case" / self.reading.scan.id

    @property
    def images(self) -> Path:
        return self.folder / "ct"


def affine_of(grid: str) -> NDArray[np.float64]:
    """Voxel-to-patient matrix of a stack round the screws: "axial", "leaning" or "oblique"."""
    steps = np.diag([GAP_MM, PIXEL_MM, PIXEL_MM])[::-1].T  # columns: slice, row, column; axes x, y, z
    if grid == "leaning":
        steps[1, 0] = GAP_MM * math.tan(math.radians(TILT_DEG))
    if grid == "oblique":
        steps = Rotation.from_euler("xyz", TURN_DEG, degrees=True).as_matrix() @ steps
    affine = np.eye(4)
    affine[:3, :3] = steps
    affine[:3, 3] = np.array([0.0, 3.0, 2.0]) - steps @ ((np.array(SHAPE) - 1) / 2.0)
    return affine


def make_scan(grid: str) -> Scan:
    """A crude CT of two screws in bone on a grid, sharp-edged and noiseless: only its places matter."""
    affine = affine_of(grid)
    empty = Scan(np.zeros(SHAPE, dtype=np.int16), affine)
    places = empty.world_mm(np.stack(np.meshgrid(*map(np.arange, SHAPE), indexing="ij"), axis=-1))
    hu = np.where(np.abs(places[..., 1] - 3.0) < 26.0, 320, -1000).astype(np.int16)
    for side in build.HEADS:
        radius, _, depth = build.make_frame(side).cylindrical(places)
        shaft = (depth > 0.0) & (depth < build.LENGTH_MM)
        hu[shaft & (radius < build.RADIUS_MM + 0.8)] = 70
        hu[shaft & (radius < build.RADIUS_MM)] = 3071
    made = Acquisition(
        modality="CT",
        kernel="sharp",
        kvp=120.0,
        slice_thickness_mm=GAP_MM,
        scanner="Invented scanner",
        body_part="LSPINE",
        patient_position="HFS",
        series_description="Invented scan",
        dose=Dose(5.2),
    )
    return Scan(hu, affine, made)


def two_screws(scan: Scan) -> tuple[ImplantReading, ImplantReading]:
    """A left screw with much to say, and a right one that cannot be told on its tip side."""
    left = build.make_implant(
        build.make_side(0.7, rim="present"),
        build.make_side(1.4, sectors_mm=ONE_SIDED),
        bridge=build.make_bridge(0.2),
        scan=scan,
    )
    right = build.make_implant(
        build.make_side(0.1), build.make_side(math.nan), side="right", state="interrupted", scan=scan
    )
    return left, right


def export_on(
    grid: str, folder: Path, *, patient_id: str = "PHANTOM-01", weeks: float = 8.0, screws: int = 2
) -> Exported:
    """Write a CT and the reading of its two screws, or of the left one alone."""
    drawn = make_scan(grid)
    write_dicom(drawn, folder / "ct", weeks=weeks, surgery_date=SURGERY, patient_id=patient_id)
    reading = build.make_reading(*two_screws(drawn)[:screws], weeks=weeks, scan_id=f"w{weeks:02.0f}")
    return keep(reading, folder)


def keep(reading: Reading, folder: Path) -> Exported:
    """Write a reading as that of the CT in a folder."""
    scan = read_scan(folder / "ct")
    made = scan.acquisition
    source = Source(
        scan.source_files,
        made.series_uid,
        made.study_uid,
        made.frame_of_reference_uid,
        made.patient_id,
        made.date,
        SURGERY,
    )
    reading = replace(
        reading, source=source, provenance=replace(reading.provenance, input_digest=scan.digest)
    )
    write_reading(reading, folder / "case" / reading.scan.id)
    return Exported(folder, reading)
