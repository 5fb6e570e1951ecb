"""The segmentation object: binary, on the frames of the source images."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from highdicom import AlgorithmIdentificationSequence, PixelMeasuresSequence
from highdicom.seg import SegmentAlgorithmTypeValues, Segmentation, SegmentationTypeValues, SegmentDescription
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

import ongrowth
from ongrowth.reports.dicom import codes
from ongrowth.reports.dicom.codes import own
from ongrowth.reports.dicom.groups import NEW_BONE, part_words
from ongrowth.reports.dicom.identity import DEVICE_NAME, Identity, stamp
from ongrowth.reports.dicom.images import Images
from ongrowth.reports.dicom.segments import Drawing, Part
from ongrowth.scan import refuse


@dataclass(frozen=True, slots=True, eq=False)
class Written:
    """A segmentation and the number of each part in it; parts without a voxel have none."""

    segmentation: Segmentation
    numbers: dict[tuple[str, str], int]


def make_segmentation(images: Images, drawing: Drawing, identity: Identity, *, all_frames: bool) -> Written:
    """Return the segmentation of the parts that have voxels.

    Parameters
    ----------
    images : Images
        Source images, those that were drawn on.
    drawing : Drawing
        On the same slices.
    identity : Identity
        Whose it is.
    all_frames : bool
        Keep the frames on which a part has no voxel, for viewers that expect one frame per slice.

    Raises
    ------
    Refused
        ``no-frame-of-reference``, ``no-segments``.
    """
    if not images.first.get("FrameOfReferenceUID"):
        raise refuse(
            "no-frame-of-reference",
            "The images do not name their frame of reference, so a segmentation has no place.",
            "Leave out --seg, or export the series again with its frame of reference.",
        )
    drawn = [n for n, part in enumerate(drawing.parts) if part.n_voxels]
    if not drawn:
        raise refuse("no-segments", "No part of this reading fills a voxel.", "Leave out --seg.")
    parts = [drawing.parts[n] for n in drawn]
    kind = "seg, all frames" if all_frames else "seg"
    segmentation = Segmentation(
        source_images=_alike(images),
        pixel_array=_on_frames(_renumbered(drawing, drawn), images),
        segmentation_type=SegmentationTypeValues.BINARY,
        segment_descriptions=[_describe(n, part, identity) for n, part in enumerate(parts, start=1)],
        pixel_measures=_measures(images),
        content_label="SCREW_AND_HALO",
        content_description="Measured by software; not verified",
        omit_empty_frames=not all_frames,
        **identity.common(kind, 2, "ongrowth segmentation, not verified"),
    )
    stamp(segmentation, identity, kind)
    return Written(segmentation, {(p.implant, p.part): n for n, p in enumerate(parts, start=1)})


def _alike(images: Images) -> list[Dataset]:
    """Return headers as the library wants them: each with a thickness, all of exactly one direction.

    Directions that differ by rounding were let pass on reading.
    """
    if images.frames:
        return list(images.headers)
    measures, direction = _measures(images)[0], images.first.ImageOrientationPatient
    out = []
    for header in images.headers:
        copied = Dataset(header)
        copied.SliceThickness = measures.SliceThickness
        copied.SpacingBetweenSlices = measures.SpacingBetweenSlices
        copied.ImageOrientationPatient = direction
        out.append(copied)
    return out


def _measures(images: Images) -> PixelMeasuresSequence:
    """Return the size of the voxels; where no slice thickness is stated, slices touch."""
    across, down, gap = images.scan.voxel_mm
    stated = images.scan.acquisition.slice_thickness_mm
    return PixelMeasuresSequence(
        pixel_spacing=(down, across),
        slice_thickness=stated if stated > 0.0 else gap,
        spacing_between_slices=gap,
    )


def nothing_drawn(drawing: Drawing, identity: Identity) -> list[str]:
    """Return, in words, which parts have no voxel."""
    return [
        f"{identity.tracking_words(part.implant, part_words(part.part, identity.site))}: no voxel's centre "
        "lies inside, so it has no segment."
        for part in drawing.parts
        if not part.n_voxels
    ]


def _renumbered(drawing: Drawing, drawn: list[int]) -> NDArray[np.uint8]:
    """Return the labels 1, 2, ... of the parts that have voxels."""
    table = np.zeros(len(drawing.parts) + 1, dtype=np.uint8)
    table[np.array(drawn) + 1] = np.arange(1, len(drawn) + 1)
    return np.asarray(table[drawing.labels])


def _on_frames(labels: NDArray[np.uint8], images: Images) -> NDArray[np.uint8]:
    """Return the labels in the order of the frames where the source is one multi-frame image."""
    if not images.frames:
        return labels
    out = np.zeros((int(images.first.NumberOfFrames), *labels.shape[1:]), dtype=np.uint8)
    out[list(images.frames)] = labels
    return out


def _describe(number: int, part: Part, identity: Identity) -> SegmentDescription:
    category, kind, method = _coded(part.part)
    words = part_words(part.part, identity.site)
    return SegmentDescription(
        segment_number=number,
        segment_label=identity.tracking_words(part.implant, words),
        segmented_property_category=category,
        segmented_property_type=kind,
        algorithm_type=SegmentAlgorithmTypeValues.AUTOMATIC,
        algorithm_identification=AlgorithmIdentificationSequence(
            name=DEVICE_NAME, family=own("method", method), version=ongrowth.__version__
        ),
        tracking_uid=identity.tracking_uid(part.implant, part.part),
        tracking_id=identity.tracking_words(part.implant, words),
        anatomic_regions=[codes.site_code(identity.site)],
    )


def _coded(part: str) -> tuple[Code, Code, str]:
    """Return category and kind of a part, and how it was measured."""
    if part.startswith(NEW_BONE):
        return codes.TISSUE, own("context", "new_bone"), "comparison"
    return {
        "screw": (codes.OBJECT, codes.SCREW, "metal"),
        "gap": (codes.RELATION, own("context", "gap"), "defect"),
        "bridge": (codes.TISSUE, codes.BONE, "defect"),
    }.get(part, (codes.RELATION, codes.LUCENCY, "halo"))
