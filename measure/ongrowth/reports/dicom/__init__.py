"""A reading as DICOM: structured report, segmentation and one page, for the hospital's own system.

The one output that keeps the patient's identity: patient and study are those of the source images.
"""

from ongrowth.reports.dicom.export import (
    KEEPS_IDENTITY,
    KINDS,
    Export,
    Object,
    Wanted,
    export_case,
    write_objects,
)
from ongrowth.reports.dicom.send import Delivery, Outcome, Peer, send_dimse, send_web

__all__ = [
    "KEEPS_IDENTITY",
    "KINDS",
    "Delivery",
    "Export",
    "Object",
    "Outcome",
    "Peer",
    "Wanted",
    "export_case",
    "send_dimse",
    "send_web",
    "write_objects",
]
