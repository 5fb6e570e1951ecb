"""The answer page as secondary capture images."""

from __future__ import annotations

from highdicom.sc import SCImage
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from ongrowth.reading import Case
from ongrowth.reports.dicom import codes
from ongrowth.reports.dicom.identity import Identity, stamp, uid_of
from ongrowth.reports.dicom.sheet import draw_sheets


def make_captures(case: Case, header: Dataset, identity: Identity) -> list[tuple[str, SCImage]]:
    """Return the sheets of a case, each with a short name; one sheet is the rule.

    Parameters
    ----------
    case : Case
        One reading or several; the latest CT is the answer.
    header : Dataset
        Of a source image: patient and study.
    identity : Identity
        Whose they are.
    """
    sheets = draw_sheets(case)
    out = []
    for n, pixels in enumerate(sheets, start=1):
        name = "page" if len(sheets) == 1 else f"page-{n}"
        common = identity.common("page", 3, "ongrowth answer page, not verified")
        common |= {"instance_number": n, "sop_instance_uid": uid_of("object", identity.content, name)}
        page = SCImage.from_ref_dataset(
            ref_dataset=header,
            pixel_array=pixels,
            photometric_interpretation="RGB",
            bits_allocated=8,
            coordinate_system="PATIENT",
            patient_orientation=("L", "P"),
            transfer_syntax_uid=ExplicitVRLittleEndian,
            **common,
        )
        _finish(page, header, identity)
        out.append((name, page))
    return out


def _finish(page: SCImage, header: Dataset, identity: Identity) -> None:
    """Set what a printed sheet needs: no direction in the body, dates burned in, when it was made."""
    stamp(page, identity, "page")
    page.DateOfSecondaryCapture, page.TimeOfSecondaryCapture = (
        page.InstanceCreationDate,
        page.InstanceCreationTime,
    )
    page.PatientOrientation = []
    page.BurnedInAnnotation = "YES"  # dates of surgery and CT stand in the pixels
    part = str(header.get("BodyPartExamined") or codes.body_part(identity.site))
    side = str(header.get("Laterality") or "")
    if part:
        page.BodyPartExamined = part
    # Wrong with an unpaired part, asked for with any other; where no part is named it may be a paired one.
    if side or part.upper() not in codes.UNPAIRED:
        page.Laterality = side
