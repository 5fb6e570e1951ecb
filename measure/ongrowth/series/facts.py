"""How a scan was made, as its header tells, and what that means for measuring."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence

import numpy as np

from ongrowth.scan import Acquisition, Dose, Level, Problem
from ongrowth.series.header import Slice, items, number, stored_number, text, words
from ongrowth.series.stack import Stack

THICK_MM = 3.0
COARSE_MM = 0.8
SMOOTH_BELOW = 45.0  # on the scale of `kernel_sharpness`
METAL_HU = 1500.0  # padding above it would be taken for metal
AIR_HU = -1024
FIRST_CT_YEAR = 1971  # earlier dates were shifted or made up
ASK_FOR = (
    "Ask radiology for the thin series of this scan: slices of 0.75 mm or less, bone kernel, small field"
    " of view (pixels of 0.4 mm or less), extended HU scale, without metal artefact reduction."
)

# Lossy by definition, or when the header does not say that the reversible form was used.
_LOSSY_SYNTAXES = {
    "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.51",
    "1.2.840.10008.1.2.4.81",
}
_MAYBE_LOSSY_SYNTAXES = {"1.2.840.10008.1.2.4.91", "1.2.840.10008.1.2.4.93", "1.2.840.10008.1.2.4.203"}

# Tokens as headers spell them, whole words, upper case. From memory of headers, no source.
_NEGATED = re.compile(r"\b(NO|NON|W/?O|WITHOUT|OHNE|SANS|SIN|SENZA)[ _-]*(?=[A-Z]{0,3}-?MAR\b|METAL)\S+")
_METAL = re.compile(
    r"\b(?!PALMAR)[A-Z]{1,3}-?MAR\b|METAL[ -]?(ART[IE]FACT|REDUC|DELET|CORR)"
    r"|(?<!\d)(?<!\d[ .-])\bMAR\b(?![ .-]?\d)"  # alone, but not the month in a date
)
_LEARNED = re.compile(r"\bDEEP\b|DEEP[ -]?LEARN|\bDLI?R\b|\bAICE\b|NEURAL|\bAI[ -]?RECON")
_ITERATIVE = re.compile(
    r"ITERATIV|\bA?IDR\b|\bIDOSE\d?\b|\bASI?R\b|\bM?BIR\b|\bIMR\b|\bSAFIRE\b|\bADMIRE\b|\bQIR\b"
)
_MONO = re.compile(r"\bVMI\b|\bMONO(ENERG\w*|E)?\b|\d ?KEV\b")
_ENERGY = re.compile(r"(\d+) ?KEV")
_COUNTING = re.compile(r"PHOTON[ -]?COUNT|\bPCCT\b|\bPCD\b|\bNAEOTOM\b")

# Kernel words in rising sharpness, 0-100. Common practice and vendors' naming, from memory, no source.
_KERNEL_WORDS = {
    "SMOOTH": 20, "SOFT": 25, "STANDARD": 35, "STND": 35, "STD": 35, "STD+": 38, "DETAIL": 50,
    "CHEST": 50, "SHARP": 65, "LUNG": 62, "BONE": 70, "BONEPLUS": 75, "BONE PLUS": 75, "EDGE": 80,
    "ULTRA": 85, "A": 20, "B": 30, "C": 40, "D": 60, "E": 70, "L": 62, "UA": 25, "UB": 30, "UC": 40,
    "EA": 30, "EB": 35, "EC": 45, "YA": 65, "YB": 70, "YC": 75, "YD": 80,
    "RAM-LAK": 70, "SHEPP-LOGAN": 55, "HANN": 35,
}  # fmt: skip

_TENS_OF_FC = {"3": 70, "5": 60, "8": 80}  # this family does not rise with its numbers


def read_acquisition(stack: Stack) -> Acquisition:
    """Collect the facts of a stack from its headers.

    Parameters
    ----------
    stack : Stack
        A sorted stack; facts are taken from its first slice, thickness and dose from all.
    """
    first = stack.slices[0]
    algorithm, strength = reconstruction(first)
    return Acquisition(
        modality=first.text("Modality"),
        kernel=kernel_of(first),
        algorithm=algorithm,
        strength=strength,
        kvp=first.number("KVP"),
        slice_thickness_mm=stack.stated_thickness_mm,
        scanner=_scanner(first),
        body_part=first.text("BodyPartExamined"),
        patient_position=first.text("PatientPosition"),
        series_description=words(first.header, "SeriesDescription"),
        series_uid=first.text("SeriesInstanceUID"),
        study_uid=first.text("StudyInstanceUID"),
        frame_of_reference_uid=first.text("FrameOfReferenceUID"),
        patient_id=first.text("PatientID"),
        patient_words=patient_words(first),
        date=scan_date(first),
        birth_year=birth_year(first),
        is_metal_reduced=is_metal_reduced(first),
        is_lossy=is_lossy(first),
        dose=image_dose(stack.slices),
    )


def _scanner(first: Slice) -> str:
    """Return maker and model; a maker whom the model's name begins with stands there once."""
    maker, model = (words(first.header, key) for key in ("Manufacturer", "ManufacturerModelName"))
    is_told = f"{model} ".casefold().startswith(f"{maker} ".casefold())
    return model if is_told else f"{maker} {model}".strip()


_NAMING = ("PatientName", "OtherPatientNames", "PatientID", "OtherPatientIDs", "PatientBirthDate")


def patient_words(one: Slice) -> tuple[str, ...]:
    """Return the words of a header that name the patient, in lower case, the longest first.

    Shorter ones than three letters would be found in every text; a word that names a kernel is none.
    """
    said = " ".join(words(one.header, key) for key in (*_NAMING, "AccessionNumber"))
    whole = {text(one.header, key).lower() for key in ("PatientID", "AccessionNumber")}
    parts = {part.lower() for part in re.split(r"[\W_]+", said)} | whole
    kernels = {name.lower() for name in _KERNEL_WORDS}
    return tuple(sorted((p for p in parts if len(p) > 2 and p not in kernels), key=lambda p: (-len(p), p)))


def kernel_of(one: Slice) -> str:
    """Return the kernel, or the filter where no kernel is stated."""
    return one.text("ConvolutionKernel") or one.text("FilterType")


def kernel_sharpness(kernel: str) -> float:
    r"""Place a kernel on a scale from 0 (smooth) to 100 (edge-enhancing); NaN if its name is unknown.

    Two-digit numbers in kernel names rise with sharpness; the rest is a list of words.

    Parameters
    ----------
    kernel : str
        Name of the kernel as the header has it.

    Examples
    --------
    >>> kernel_sharpness("Br38f\\3"), kernel_sharpness("BONE"), kernel_sharpness("Q17x")
    (38.0, 70.0, 17.0)
    """
    name = kernel.split("\\")[0].strip().upper()
    if name in _KERNEL_WORDS:
        return float(_KERNEL_WORDS[name])
    if found := re.fullmatch(r"FC(\d)\d.*", name):
        return float(_TENS_OF_FC.get(found[1], 10 * int(found[1]) + 5))
    if found := re.fullmatch(r"[A-Z]{1,2}(\d{2})[A-Z]?(?:[ _-].*)?", name):
        return float(found[1])
    known = [value for word, value in _KERNEL_WORDS.items() if len(word) > 3 and word in name]
    return float(max(known)) if known else math.nan


def reconstruction(one: Slice) -> tuple[str, str]:
    """Return the kind of reconstruction and its strength, as far as the header tells.

    Returns
    -------
    algorithm : str
        See `ongrowth.scan.Acquisition`.
    strength : str
        The header's own text, empty if there is none.
    """
    said = _said(one)
    if _is_photon_counting(one, said):
        return "photon-counting", _energy(one, said)
    if _is_mono_energetic(one, said):
        return "mono-energetic", _energy(one, said)
    if found := _LEARNED.search(said):
        return "deep-learning", found[0]
    stated = one.text("ReconstructionAlgorithm").upper()
    level = [part.strip() for part in kernel_of(one).split("\\")[1:]]
    found = _ITERATIVE.search(said)
    # A kernel given as name and one digit: the digit is the strength of an iterative reconstruction.
    has_level = bool(level) and re.fullmatch(r"[1-5]", level[0]) is not None
    if "ITERATIVE" in stated or found or has_level:
        return "iterative", level[0] if has_level else found[0] if found else ""
    return ("filtered back-projection", "") if "FILTER_BACK" in stated else ("not stated", "")


def _said(one: Slice) -> str:
    """Return all places where headers hide the reconstruction, upper case, without underscores."""
    keys = ("SeriesDescription", "ConvolutionKernel", "FilterType", "ImageType", "ImageComments")
    more = ("DerivationDescription", "ManufacturerModelName")
    return " | ".join(words(one.header, key) for key in keys + more).upper().replace("_", " ")


def _is_photon_counting(one: Slice, said: str) -> bool:
    outer = items(one.header, "MultienergyCTAcquisitionSequence")
    detectors = [part for item in outer for part in items(item, "MultienergyCTXRayDetectorSequence")]
    stated = any(text(part, "MultienergyDetectorType") == "PHOTON_COUNTING" for part in detectors)
    return stated or bool(_COUNTING.search(said))


def _is_mono_energetic(one: Slice, said: str) -> bool:
    return not math.isnan(_stated_kev(one)) or bool(_MONO.search(said))


def _stated_kev(one: Slice) -> float:
    parts = items(one.header, "MultienergyCTCharacteristicsSequence")
    return next(
        (kev for part in parts if (kev := number(part, "MonoenergeticEnergyEquivalent")) > 0), math.nan
    )


def _energy(one: Slice, said: str) -> str:
    stated = _stated_kev(one)
    if not math.isnan(stated):
        return f"{stated:g} keV"
    found = _ENERGY.search(said)
    return f"{found[1]} keV" if found else ""


def is_metal_reduced(one: Slice) -> bool:
    """Whether the header says that metal artefacts were reduced by computation."""
    return bool(_METAL.search(_NEGATED.sub("", _said(one))))


def is_lossy(one: Slice) -> bool:
    """Whether detail was thrown away by compression at any time."""
    flag = one.text("LossyImageCompression")
    syntax = one.image.syntax
    return flag == "01" or syntax in _LOSSY_SYNTAXES or (syntax in _MAYBE_LOSSY_SYNTAXES and flag != "00")


def is_localizer(one: Slice) -> bool:
    """Whether this is a planning radiograph."""
    return "LOCALIZER" in one.text("ImageType").upper()


def is_capture(one: Slice) -> bool:
    """Whether this is a picture of a screen or a page, not an image of the patient."""
    is_secondary_capture = one.text("SOPClassUID").startswith("1.2.840.10008.5.1.4.1.1.7")
    kinds = one.text("ImageType").upper().split("\\")
    return is_secondary_capture or bool(one.text("ConversionType")) or "SCREEN SAVE" in kinds


_PROJECTIONS = re.compile(r"\b(PROJECTION IMAGE|MIP|MINIP|MAX[ _]IP|MIN[ _]IP|VRT|SSD|VOLUME[ _]RENDER)\b")
_REFORMATS = re.compile(r"\b(MPR|REFORMATTED|RESAMPLED|CPR|MPVR|AVERAGE|CURVED)\b")


def is_projection(one: Slice) -> bool:
    """Whether each image piles up a slab (maximum, minimum, rendering)."""
    return bool(_PROJECTIONS.search(one.text("ImageType").upper()))


def is_derived(one: Slice) -> bool:
    """Whether the image was computed from other images: a reformat or a processed copy."""
    kinds = one.text("ImageType").upper()
    return kinds.startswith("DERIVED") or bool(_REFORMATS.search(kinds))


_DATES = ("AcquisitionDateTime", "AcquisitionDate", "ContentDate", "SeriesDate", "StudyDate")


def scan_date(one: Slice) -> dt.date | None:
    """Return the day of the scan: of the acquisition, else of the image, series or study.

    A day before there was CT is none: it was shifted or made up.
    """
    return next((day for day in _stated_days(one) if day.year >= FIRST_CT_YEAR), None)


def _stated_days(one: Slice) -> list[dt.date]:
    return [day for keyword in _DATES if (day := _day(one.text(keyword)))]


def _day(written: str) -> dt.date | None:
    digits = written.replace(".", "")[:8]  # old files write 2031.03.04
    try:
        return dt.date(int(digits[:4]), int(digits[4:6]), int(digits[6:8]))
    except ValueError:
        return None


def birth_year(one: Slice) -> int | None:
    """Return the year of birth, from the date or from the age at the scan."""
    if born := _day(one.text("PatientBirthDate")):
        return born.year
    day = scan_date(one)
    found = re.fullmatch(r"(\d{3})([YM])", one.text("PatientAge"))
    if day is None or found is None:
        return None
    return day.year - (int(found[1]) if found[2] == "Y" else int(found[1]) // 12)


def padding_range(one: Slice) -> tuple[float, float]:
    """Return the lowest and highest stored number that means "outside the image"; NaN if none."""
    value = stored_number(one.header, "PixelPaddingValue")
    limit = stored_number(one.header, "PixelPaddingRangeLimit")
    return float(np.fmin(value, limit)), float(np.fmax(value, limit))


def image_dose(slices: Sequence[Slice]) -> Dose:
    """Return the mean CTDIvol of the slices, as the images state it."""
    stated = np.array([one.number("CTDIvol") for one in slices])
    stated = stated[np.isfinite(stated) & (stated > 0)]
    if not stated.size:
        return Dose()
    return Dose(ctdi_vol_mgy=float(stated.mean()), source="image headers, mean over the slices")


def judge_facts(stack: Stack, acquisition: Acquisition) -> list[Problem]:
    """Return what the facts of a scan mean for measuring, refusals first."""
    first = stack.slices[0]
    return [
        *_kind_problems(first, acquisition),
        *_unit_problems(first),
        *size_problems(stack.thickness_mm, stack.pixel_mm),
        *_padding_problems(first),
        *_reconstruction_problems(acquisition),
        *_date_problems(first),
    ]


def _caution(code: str, text: str, advice: str = "") -> Problem:
    return Problem(code, Level.CAUTION, text, advice)


def _kind_problems(first: Slice, acquisition: Acquisition) -> list[Problem]:
    refusal = _kind_refusal(first, acquisition)
    if refusal:
        return [Problem(*refusal[:1], Level.REFUSE, *refusal[1:])]
    found = []
    if is_derived(first):
        text = "These images were computed from others (a reformat or a processed copy)."
        found.append(_caution("derived-images", text, "Ask for the original axial series."))
    if acquisition.is_lossy:
        text = "These images were compressed with loss; edges cannot be trusted."
        found.append(_caution("lossy", text, "Ask for the series without lossy compression."))
    return found


def _kind_refusal(first: Slice, acquisition: Acquisition) -> tuple[str, str, str] | None:
    original = "Give the original axial CT series."
    if acquisition.modality not in ("CT", ""):
        kind = acquisition.modality if re.fullmatch(r"[A-Z]{2,16}", acquisition.modality) else "unknown"
        return "not-ct", f"These images are of modality {kind}, not CT.", original
    if is_localizer(first):
        return "localizer", "These are planning radiographs (localizers).", original
    if is_capture(first):
        return "screen-capture", "These are captured pages or screens, not CT images.", original
    if is_projection(first):
        return "projection", "These images pile up slabs (projections or renderings).", original
    return None


def _unit_problems(first: Slice) -> list[Problem]:
    unit = first.text("RescaleType").upper()
    if unit.startswith("HU_MOD"):
        text = "The numbers are Hounsfield units modified by multi-energy processing."
        return [_caution("unit-modified", text, "Ask for the ordinary series of this scan.")]
    if not unit or unit.startswith(("HU", "HOUN")):
        return []
    if unit == "US":
        text = "The images call their numbers 'unspecified', not Hounsfield units."
        return [_caution("unit-unspecified", text, "Check air (-1000) and water (0) before trusting HU.")]
    text = f"The numbers of these images are {_unit_words(unit)}, not Hounsfield units."
    return [Problem("not-hu", Level.REFUSE, text, "Give the ordinary CT series.")]


def _unit_words(unit: str) -> str:
    return f"'{unit}'" if re.fullmatch(r"[A-Z0-9_+^]{1,16}", unit) else "of an unknown unit"


def _padding_problems(first: Slice) -> list[Problem]:
    padding_hu = padding_range(first)[1] * first.slope + first.intercept
    if not padding_hu >= METAL_HU:
        return []
    text = f"Voxels outside the image are written as {padding_hu:.0f} HU; they were set to {AIR_HU} HU."
    return [Problem("padding-replaced", Level.NOTE, text)]


def size_problems(thickness_mm: float, pixel_mm: float) -> list[Problem]:
    """Say when slices or pixels are too coarse for widths.

    Parameters
    ----------
    thickness_mm : float
        Slice thickness or gap, the larger one, mm.
    pixel_mm : float
        Larger side of a pixel, mm.
    """
    found = []
    limits = "Metal, its position, gross lucency above 2 mm and the gap can be told; widths cannot."
    if thickness_mm > THICK_MM:
        text = f"Slices of {thickness_mm:.2g} mm are too thick for widths. {limits}"
        found.append(_caution("thick-slices", text, ASK_FOR))
    if pixel_mm > COARSE_MM:
        text = f"Pixels of {pixel_mm:.2g} mm are too coarse for widths. {limits}"
        found.append(_caution("coarse-pixels", text, ASK_FOR))
    return found


_KINDS = {
    "iterative": "iterative-reconstruction",
    "deep-learning": "deep-learning-reconstruction",
    "mono-energetic": "mono-energetic",
    "photon-counting": "photon-counting",
}


def _reconstruction_problems(acquisition: Acquisition) -> list[Problem]:
    found = []
    if code := _KINDS.get(acquisition.algorithm):
        kind = f"{acquisition.algorithm} {acquisition.strength}".strip()
        text = f"Reconstruction: {kind}; its blur and noise differ from filtered back-projection."
        found.append(_caution(code, text, "Only a calibration of the same reconstruction and strength fits."))
    if acquisition.is_metal_reduced:
        text = "Metal artefacts were reduced by computation, which can draw false lines beside implants."
        found.append(_caution("metal-artefact-reduced", text, "Ask for the unreduced series beside it."))
    if kernel_sharpness(acquisition.kernel) < SMOOTH_BELOW:
        kernel = acquisition.printable(acquisition.kernel.split("\\")[0])
        text = f"The kernel ({kernel}) is smooth: thin layers are blurred."
        found.append(_caution("smooth-kernel", text, "Ask for the bone-kernel series of this scan."))
    return found


def _study_date_problems(first: Slice, day: dt.date) -> list[Problem]:
    """Say where the study is of another day than the images; one begun before midnight is of the same."""
    study = _day(first.text("StudyDate"))
    later = (day - study).days if study and study.year >= FIRST_CT_YEAR else 0
    if abs(later) <= 1:
        return []
    when = f"{abs(later)} days {'after' if later > 0 else 'before'} the day of their study"
    text = f"By their header the images were made {when}; the day of the images is used."
    return [_caution("dates-differ", text, "Make sure of it, and give the week or both dates.")]


def _date_problems(first: Slice) -> list[Problem]:
    if (day := scan_date(first)) is not None:
        return _study_date_problems(first, day)
    if stated := _stated_days(first):
        text = f"The images are dated {stated[0].year}, before there was CT; that date is not used."
        return [Problem("date-implausible", Level.NOTE, text, "Give the week or both dates.")]
    return [Problem("no-date", Level.NOTE, "The images carry no date.", "Give the week or both dates.")]
