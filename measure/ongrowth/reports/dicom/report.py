"""The structured report: TID 1500, unverified and preliminary, one group per screw and part."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from highdicom.sr import (
    AlgorithmIdentification,
    CodeContentItem,
    CodedConcept,
    Comprehensive3DSR,
    ContainerContentItem,
    ContentSequence,
    DeviceObserverIdentifyingAttributes,
    FindingSite,
    LongitudinalTemporalOffsetFromEvent,
    Measurement,
    MeasurementProperties,
    MeasurementReport,
    MeasurementsAndQualitativeEvaluations,
    NormalRangeProperties,
    NumContentItem,
    ObservationContext,
    ObserverContext,
    QualitativeEvaluation,
    ReferencedSegment,
    RelationshipTypeValues,
    SourceSeriesForSegmentation,
    TextContentItem,
    TimePointContext,
    TrackingIdentifier,
    VolumetricROIMeasurementsAndQualitativeEvaluations,
)
from pydicom.dataset import Dataset
from pydicom.sr.coding import Code

import ongrowth
from ongrowth.quantity import Unit
from ongrowth.reports.dicom import codes
from ongrowth.reports.dicom.codes import own
from ongrowth.reports.dicom.groups import Group, Item, Record
from ongrowth.reports.dicom.identity import DEVICE_NAME, DEVICE_UID, MANUFACTURER, Identity, stamp
from ongrowth.reports.dicom.images import Images
from ongrowth.reports.dicom.seg import Written
from ongrowth.wording import fixed_words, plain_ascii

MOD, HAS, CONTAINS = (
    RelationshipTypeValues.HAS_CONCEPT_MOD,
    RelationshipTypeValues.HAS_PROPERTIES,
    RelationshipTypeValues.CONTAINS,
)
_LIBRARY_NEEDS = ("PixelSpacing", "SliceThickness", "ImageOrientationPatient", "ImagePositionPatient")


def make_report(
    images: Images,
    groups: Sequence[Group],
    scan: Record,
    sentences: Sequence[str],
    identity: Identity,
    written: Written | None,
) -> Comprehensive3DSR:
    """Return the report.

    Parameters
    ----------
    images : Images
        Source images used; they alone are listed in its image library.
    groups : sequence of Group
        What is said.
    scan : dict
        Of the result file: names the time point.
    sentences : sequence of str
        The answer in words.
    identity : Identity
        Whose it is.
    written : Written or None
        Segmentation whose segments the groups refer to.
    """
    report = MeasurementReport(
        observation_context=_context(),
        procedure_reported=codes.PROCEDURE,
        imaging_measurements=[_group(group, images, scan, identity, written) for group in groups],
        referenced_images=list(images.headers) if _fills_library(images.headers) else None,
    )
    report[0].ContentSequence.append(_words(sentences))
    kind = f"sr of {written.segmentation.SOPInstanceUID}" if written else "sr"
    document = Comprehensive3DSR(
        evidence=[*images.headers, *([written.segmentation] if written else [])],
        content=report[0],
        is_complete=False,
        is_final=False,
        is_verified=False,
        **identity.common(kind, 1, "ongrowth measurements, not verified"),
    )
    document.CompletionFlagDescription = "Measured by software; not read by a clinician"
    stamp(document, identity, kind)
    return document


def _context() -> ObservationContext:
    device = DeviceObserverIdentifyingAttributes(
        uid=DEVICE_UID, name=DEVICE_NAME, manufacturer_name=MANUFACTURER, model_name=DEVICE_NAME
    )
    return ObservationContext(ObserverContext(codes.DCM.Device, device))


def _fills_library(headers: Iterable[Dataset]) -> bool:
    """Whether every image states what an image library must tell of it (TID 1604)."""
    stated = (np.ravel(header.get(keyword)) for header in headers for keyword in _LIBRARY_NEEDS)
    return all(None not in numbers and bool(np.isfinite(numbers.astype(float)).all()) for numbers in stated)


def _words(sentences: Sequence[str]) -> ContainerContentItem:
    """Return the answer and the cautions in words."""
    box = ContainerContentItem(codes.QUALITATIVE_EVALUATIONS, relationship_type=CONTAINS)
    told = [(codes.SUMMARY, sentence) for sentence in sentences]
    told += [(codes.COMMENT, caution) for caution in fixed_words().cautions]
    box.ContentSequence = ContentSequence(
        [TextContentItem(name, plain_ascii(text), relationship_type=CONTAINS) for name, text in told]
    )
    return box


def _group(
    group: Group, images: Images, scan: Record, identity: Identity, written: Written | None
) -> MeasurementsAndQualitativeEvaluations | VolumetricROIMeasurementsAndQualitativeEvaluations:
    said: dict[str, Any] = {
        "tracking_identifier": TrackingIdentifier(
            identity.tracking_uid(group.implant, group.part),
            identity.tracking_words(group.implant, group.words),
        ),
        "finding_category": group.category,
        "finding_type": group.finding,
        "finding_sites": [_site(group, identity.site)],
        "time_point_context": _time_point(scan),
        "measurements": [_measurement(item, group) for item in group.items if _is_known(item)],
        "qualitative_evaluations": [
            *(_not_measured(item) for item in group.items if not _is_known(item)),
            *(QualitativeEvaluation(question, answer) for question, answer in group.answers),
            *(QualitativeEvaluation(*_caution(word)) for word in group.cautions),
        ],
    }
    number = written.numbers.get((group.implant, group.part)) if written else None
    if written is None or number is None:
        return MeasurementsAndQualitativeEvaluations(**said)
    return VolumetricROIMeasurementsAndQualitativeEvaluations(
        referenced_segment=_segment(written, number, images), **said
    )


def _segment(written: Written, number: int, images: Images) -> ReferencedSegment:
    return ReferencedSegment(
        sop_class_uid=written.segmentation.SOPClassUID,
        sop_instance_uid=written.segmentation.SOPInstanceUID,
        segment_number=number,
        source_series=SourceSeriesForSegmentation(images.first.SeriesInstanceUID),
    )


def _site(group: Group, site: str) -> FindingSite:
    return FindingSite(
        anatomic_location=codes.site_code(site),
        laterality=codes.SIDES.get(group.side),
        topographical_modifier=group.topography,
    )


def _time_point(scan: Record) -> TimePointContext:
    weeks = scan["weeks_since_surgery"]
    kind = None if weeks is None else codes.BEFORE_SURGERY if weeks < 0.0 else codes.AFTER_SURGERY
    offset = None
    if weeks is not None:
        offset = LongitudinalTemporalOffsetFromEvent(
            float(weeks), codes.UNITS[Unit.WEEK], own("context", "surgery")
        )
    return TimePointContext(plain_ascii(scan["id"]), kind, temporal_offset_from_event=offset)


def _is_known(item: Item) -> bool:
    return item.value["value"] is not None


def _measurement(item: Item, group: Group) -> Measurement:
    value = item.value
    unit = codes.UNITS[Unit(value["unit"])]
    measurement = Measurement(
        name=item.term.concept,
        value=float(value["value"]),
        unit=unit,
        derivation=item.term.derivation,
        method=group.method,
        properties=_properties(item, unit),
        algorithm_id=AlgorithmIdentification(DEVICE_NAME, ongrowth.__version__),
    )
    measurement[0].ContentSequence.extend(_modifiers(item))
    return measurement


def _not_measured(item: Item) -> QualitativeEvaluation:
    """Return a quantity without a value as a coded answer, with the reasons.

    The standard also allows a NUM item without a value; readers in use stop at one.
    """
    evaluation = QualitativeEvaluation(item.term.concept, codes.NOT_MEASURED)
    derived = [] if item.term.derivation is None else [_code(codes.DCM.Derivation, item.term.derivation, MOD)]
    more = [*derived, *_modifiers(item), *_standing(item.finding), *_cautions(item.value)]
    if more:
        evaluation[0].ContentSequence = ContentSequence(more)
    return evaluation


def _modifiers(item: Item) -> list[CodeContentItem]:
    return [_code(question, answer, MOD) for question, answer in item.modifiers]


def _properties(item: Item, unit: Code) -> MeasurementProperties:
    """Return uncertainty, cautions and the window, all in the unit of the value (TID 310)."""
    value, finding = item.value, item.finding
    properties = MeasurementProperties(normal_range_properties=_window(finding, unit))
    properties.extend(_standing(finding))
    if "u95" in value:
        ends = (
            (codes.PLUS_MINUS, value["u95"]),
            (codes.PLUS, value["high95"] - value["value"]),
            (codes.MINUS, value["value"] - value["low95"]),
            (own("quantity", "below_limit"), value.get("below_limit")),
        )
        properties.extend(_number(name, end, unit) for name, end in ends if end is not None)
    properties.extend(_cautions(value))
    return properties


def _number(name: Code, value: float, unit: Code) -> NumContentItem:
    return NumContentItem(name, float(value), unit, relationship_type=HAS)


def _standing(finding: Record | None) -> list[CodeContentItem]:
    """Return where a finding stands against its window."""
    if finding is None:
        return []
    return [_code(codes.DCM.Normality, own("answer", finding["against_window"]), HAS)]


def _window(finding: Record | None, unit: Code) -> NormalRangeProperties | None:
    """Return what is expected at this week, in the unit of the value."""
    window = finding["window"] if finding else None
    if window is None or codes.UNITS[Unit(window["unit"])] != unit:
        return None
    ends = ((codes.RANGE_LOW, window["low"]), (codes.RANGE_HIGH, window["high"]))
    numbers = [_number(name, end, unit) for name, end in ends if end is not None and math.isfinite(end)]
    return (
        NormalRangeProperties(numbers, _ascii(window["meaning"]), _ascii(window["source"]))
        if numbers
        else None
    )


def _ascii(text: str) -> str | None:
    return plain_ascii(text) or None


def _cautions(value: Record) -> list[CodeContentItem]:
    return [_code(*_caution(word), HAS) for word in value.get("cautions", ())]


def _caution(word: str) -> tuple[Code, Code]:
    return own("question", "caution"), own("caution", word)


def _code(name: Code, value: Code, relation: RelationshipTypeValues) -> CodeContentItem:
    return CodeContentItem(CodedConcept.from_code(name), CodedConcept.from_code(value), relation)
