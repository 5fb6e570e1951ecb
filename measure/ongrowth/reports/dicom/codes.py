"""Every code that is written: from pydicom's dictionaries, else from our own scheme with its table."""

from __future__ import annotations

import functools
import re
import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code

from ongrowth.quantity import Unit

if TYPE_CHECKING:
    from highdicom.coding_schemes import CodingSchemeIdentificationItem

SCT: Any = codes.SCT
DCM: Any = codes.DCM
UCUM: Any = codes.UCUM

# Of TID 1500 (PS3.16); pydicom's dictionaries do not hold it.
QUALITATIVE_EVALUATIONS = Code("C0034375", "UMLS", "Qualitative Evaluations")

UNITS = {
    Unit.MM: UCUM.Millimeter,
    Unit.MM2: UCUM.SquareMillimeter,
    Unit.MM3: UCUM.CubicMillimeter,
    Unit.DEG: UCUM.Degree,
    Unit.HU: UCUM.HounsfieldUnit,
    Unit.ONE: UCUM.NoUnits,
    Unit.WEEK: UCUM.Week,
}

SCREW = SCT.BoneScrew
LUCENCY = DCM.Lucency
BONE = SCT.BoneTissue
OBJECT, TISSUE, RELATION = SCT.PhysicalObject, SCT.Tissue, SCT.SpatialAndRelationalConcept
SIDES = {"left": SCT.Left, "right": SCT.Right}
LAMINA, PEDICLE = SCT.LaminaOfVertebra, SCT.PedicleOfVertebra
BEFORE_SURGERY, AFTER_SURGERY = SCT.Preoperative, SCT.Postoperative
PLUS_MINUS = SCT.RangeOfMeasurementUncertainty
PLUS = SCT.RangeOfUpperMeasurementUncertainty
MINUS = SCT.RangeOfLowerMeasurementUncertainty
RANGE_LOW, RANGE_HIGH = SCT.NormalRangeLowerLimit, SCT.NormalRangeUpperLimit
NOT_MEASURED = DCM.ValueIndeterminate
SUMMARY, COMMENT = DCM.Summary, DCM.Comment
PROCEDURE = codes.cid100.CTUnspecifiedBodyRegion

_VERTEBRA = re.compile(r"^([CTL])(\d{1,2})$")
_BODY_PARTS = {"C": "CSPINE", "T": "TSPINE", "L": "LSPINE"}
# Defined terms of Body Part Examined (PS3.16 annex L) that have no side, as far as bone screws go there.
UNPAIRED = frozenset(
    {"ABDOMEN", "CHEST", "COCCYX", "CSPINE", "CTSPINE", "HEAD", "JAW", "LSPINE", "LSSPINE", "MAXILLA"}
    | {"NECK", "PELVIS", "SKULL", "SPINE", "SSPINE", "STERNUM", "TLSPINE", "TSPINE", "WHOLEBODY"}
)


@dataclass(frozen=True, slots=True)
class Term:
    """What a number is called: its concept, and how it was derived where it is a statistic."""

    concept: Code
    derivation: Code | None = None


@functools.cache
def scheme() -> dict[str, dict[str, Any]]:
    """Return our coding scheme as shipped: its names, and its codes by section."""
    text = files("ongrowth").joinpath("data/dicom_codes.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@functools.cache
def own(section: str, name: str) -> Code:
    """Return a code of our scheme by its section and the word of the result files.

    Raises
    ------
    KeyError
        If the scheme does not hold it.
    """
    value, meaning = scheme()[section][name]
    return Code(value, scheme()["scheme"]["designator"], meaning)


def scheme_item() -> CodingSchemeIdentificationItem:
    """Return the item that tells a reader whose codes these are."""
    from highdicom.coding_schemes import CodingSchemeIdentificationItem

    told = scheme()["scheme"]
    return CodingSchemeIdentificationItem(
        designator=told["designator"],
        name=told["name"],
        version=told["version"],
        responsible_organization=told["responsible"],
    )


_WIDTH_NAMES = {"mean_width": SCT.Mean, "p95_width": SCT.NinetyFifthPercentile, "max_width": SCT.Maximum}
_STANDARD = {
    "volume": SCT.Volume,
    "major_diameter_mm": SCT.Diameter,
    "diameter_mm": SCT.Diameter,
    "length_mm": SCT.Length,
    "layer_hu": DCM.AttenuationCoefficient,
    "total_translation": DCM.LinearDisplacement,
    "total_rotation": DCM.RotationAngle,
}
_GAP_NAMES = {"gap_width_mean": SCT.Mean, "gap_width_max": SCT.Maximum}


@functools.cache
def term(name: str) -> Term:
    """Return what the number of a name of the result files is called.

    Raises
    ------
    KeyError
        If no code speaks of it.

    Examples
    --------
    >>> term("mean_width").concept.meaning, term("mean_width").derivation.meaning
    ('Width', 'Mean')
    >>> term("bridged_fraction").concept.scheme_designator
    '99ONGROWTH'
    """
    if name in _WIDTH_NAMES:
        return Term(SCT.Width, _WIDTH_NAMES[name])
    if name in _GAP_NAMES:
        return Term(own("quantity", "gap_width"), _GAP_NAMES[name])
    return Term(_STANDARD[name] if name in _STANDARD else own("quantity", name))


def site_code(site: str) -> Code:
    """Return the code of a site: a vertebra where it is one, else bone.

    Examples
    --------
    >>> site_code("L5").meaning, site_code("").meaning
    ('L5 vertebra', 'Bone')
    """
    name = site.strip().upper()
    if not _VERTEBRA.match(name):
        return SCT.Bone  # type: ignore[no-any-return]
    return getattr(SCT, f"{name}Vertebra", SCT.Vertebra)  # type: ignore[no-any-return]


def body_part(site: str) -> str:
    """Return the defined term of Body Part Examined for a vertebra, "" for any other site."""
    found = _VERTEBRA.match(site.strip().upper())
    return _BODY_PARTS[found[1]] if found else ""
