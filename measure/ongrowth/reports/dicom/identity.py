"""Who and what the objects are: unique identifiers, and what all of them carry.

Identifiers are derived from names (ISO/IEC 9834-8, arc 2.25): the same reading gives the same objects,
so that sending twice stores nothing twice, and the same screw is tracked by the same identifier at
every visit.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydicom.dataset import Dataset

import ongrowth
from ongrowth.reports.dicom import codes
from ongrowth.wording import plain_ascii

_NAMESPACE = uuid.UUID("5e5e5b1f-5a39-4f0c-9a44-0d6f5d2c7a11")  # drawn once at random, never changed
DEVICE_NAME = "ongrowth"
MANUFACTURER = "The ongrowth developers"
_ROOMY = range((2**31 - 1) // 100)  # series numbers a hundred times which are still whole numbers of DICOM
NO_SERIAL = "none"  # software has no serial number, the enhanced equipment module wants a text


def uid_of(*words: object) -> str:
    """Return the identifier of some words: the same words give the same identifier.

    Examples
    --------
    >>> uid_of("a", "b") == uid_of("a", "b"), uid_of("a", "b") == uid_of("ab")
    (True, False)
    """
    return f"2.25.{uuid.uuid5(_NAMESPACE, json.dumps([str(word) for word in words])).int}"


DEVICE_UID = uid_of("device", DEVICE_NAME)


@dataclass(frozen=True, slots=True)
class Identity:
    """Whose the objects are and when their content was made.

    Parameters
    ----------
    patient : tuple of str
        What names the patient over time: issuer and id; the study where there is no id.
    site : str
        Vertebra or bone: tells a screw from another of the same name at another level.
    content : str
        Digest of all that the objects say.
    made : datetime
        When the CT was measured.
    series_number : int
        Of the source; ours follow from it.
    character_set : str, list of str or None
        In which the source spells names; ours are spelt alike.
    """

    patient: tuple[str, ...]
    site: str
    content: str
    made: dt.datetime
    series_number: int
    character_set: str | list[str] | None

    def tracking_uid(self, implant: str, part: str) -> str:
        """Return the identifier by which a part of a screw is tracked from visit to visit."""
        return uid_of("tracking", *self.patient, self.site.strip().upper(), implant, part)

    def tracking_words(self, implant: str, words: str) -> str:
        """Return the name of a part of a screw for a reader, at most 64 characters."""
        return " ".join(filter(None, (plain_ascii(self.site), plain_ascii(implant), plain_ascii(words))))[:64]

    def common(self, kind: str, number: int, description: str) -> dict[str, Any]:
        """Return what every object carries, as keywords of the library that writes it."""
        return {
            "series_instance_uid": uid_of("series", self.content, kind),
            "series_number": number + (100 * self.series_number if self.series_number in _ROOMY else 0),
            "sop_instance_uid": uid_of("object", self.content, kind),
            "instance_number": 1,
            "manufacturer": MANUFACTURER,
            "manufacturer_model_name": DEVICE_NAME,
            "software_versions": ongrowth.__version__,
            "device_serial_number": NO_SERIAL,
            "series_description": description,
            "content_date": self.made.date(),
            "content_time": self.made.time().replace(microsecond=0),
            "coding_schemes": [codes.scheme_item()],
            "specific_character_set": None,  # set by `stamp`: libraries do not take every valid one
        }


def identify(header: Dataset, site: str, said: Sequence[object], made: dt.datetime) -> Identity:
    """Return the identity of the objects made of one reading.

    Parameters
    ----------
    header : Dataset
        Of a source image.
    site : str
        Vertebra or bone.
    said : sequence
        All that decides what the objects hold, as plain records.
    made : datetime
        When the CT was measured.
    """
    patient = str(header.PatientID).strip()
    names = (
        (str(header.get("IssuerOfPatientID", "")), patient) if patient else (str(header.StudyInstanceUID),)
    )
    text = json.dumps([*said, ongrowth.__version__], sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()
    number = int(header.get("SeriesNumber") or 0)
    return Identity(names, site, digest, made, number, header.get("SpecificCharacterSet"))


def stamp(written: Dataset, identity: Identity, kind: str) -> None:
    """Set the character set, and what a library drew from clock and chance: an object is the same each time.

    Parameters
    ----------
    written : Dataset
        As the library gave it; changed in place.
    identity : Identity
        When its content was made, and what it says.
    kind : str
        Of the object, as for `Identity.common`.
    """
    if identity.character_set:
        written.SpecificCharacterSet = identity.character_set
    written.InstanceCreationDate = identity.made.strftime("%Y%m%d")
    written.InstanceCreationTime = identity.made.strftime("%H%M%S")
    for equipment in written.get("ContributingEquipmentSequence", ()):
        if equipment.PurposeOfReferenceCodeSequence[0].CodeValue == codes.DCM.ProcessingEquipment.value:
            equipment.ContributionDateTime = identity.made.strftime("%Y%m%d%H%M%S")
    for keyword in ("DimensionOrganizationSequence", "DimensionIndexSequence"):
        for item in written.get(keyword, ()):
            item.DimensionOrganizationUID = uid_of("dimensions", identity.content, kind)
