"""Readings and changes as rows of tidy tables, and what every quantity in them means."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from ongrowth.bridge import Bridge, Edge
from ongrowth.findings import bridging_category
from ongrowth.quantity import Caution, Measured, Unit
from ongrowth.reading import Case, ChangeRecord, Finding, ImplantReading, MotionRecord, NewBoneRecord, Reading

_FORMULA_BEGINS = ("=", "+", "-", "@", "\t")
SECTOR_DEG = tuple(range(0, 360, 45))


@dataclass(frozen=True, slots=True)
class TableRow:
    """One quantity of one place in one CT.

    Numbers are NaN where there is none; a value that is not measurable keeps its row and says why in
    `cautions`, codes with blanks between them. `category` is for outcomes that are words.
    """

    implant: str
    implant_side: str  # left | right | midline | not established
    surface: str
    side: str  # whole | head_side | tip_side | defect | screw | scan
    quantity: str
    value: float
    u95: float
    low95: float
    high95: float
    below_limit: float
    unit: str
    category: str
    against_window: str
    cautions: str


ROW_COLUMNS = tuple(field.name for field in dataclasses.fields(TableRow))


@dataclass(frozen=True, slots=True)
class ScanColumns:
    """How a CT was made: what is repeated beside each of its rows. NaN or empty where not stated."""

    weeks_since_surgery: float
    scanner: str
    kernel: str
    algorithm: str
    kvp: float
    slice_thickness_mm: float
    pixel_mm: float
    blur_source: str


SCAN_COLUMNS = tuple(field.name for field in dataclasses.fields(ScanColumns))


@dataclass(frozen=True, slots=True)
class Described:
    """What a quantity is: unit in UCUM spelling, meaning in one sentence, physical range."""

    name: str
    unit: str
    meaning: str
    low: float = -math.inf
    high: float = math.inf


_MM, _ONE = Unit.MM.value, Unit.ONE.value

HALO_QUANTITIES = (
    Described("mean_width", _MM, "area-weighted mean halo width, from the thread envelope to the bone", 0),
    Described("p95_width", _MM, "95th percentile of the halo width over the surface", 0),
    Described("max_width", _MM, "largest halo width of the surface", 0),
    Described("share_over_1mm", _ONE, "share of the surface with a halo wider than 1 mm", 0, 1),
    Described("share_over_2mm", _ONE, "share of the surface with a halo wider than 2 mm", 0, 1),
    Described("volume", Unit.MM3.value, "volume of the halo", 0),
    Described("no_lucency_share", _ONE, "share of the surface shown to have no lucency of 0.5 mm", 0, 1),
    Described("lucent_share", _ONE, "share of the surface shown to have a lucency of 0.5 mm or more", 0, 1),
    Described("undecided_share", _ONE, "share of the surface that is neither", 0, 1),
    Described(
        "no_lucency_length", _MM, "length along the screw where most of the surface is under 0.5 mm", 0
    ),
    Described("longest_no_lucency", _MM, "longest uninterrupted such length", 0),
    Described(
        "circumference_over_1mm_deg", Unit.DEG.value, "largest extent above 1 mm round the screw", 0, 360
    ),
    Described("depth_over_1mm_mm", _MM, "largest extent above 1 mm along the screw", 0),
    Described("layer_hu", Unit.HU.value, "CT number of the lucent layer"),
    Described("detection_limit", _MM, "mean width that this scan can just tell from none", 0),
    Described("measured_share", _ONE, "share of the counting set that this scan could measure", 0, 1),
    *(
        Described(
            f"sector_{deg:03d}_mean_width", _MM, f"mean width of the sector of 45 degrees about {deg}", 0
        )
        for deg in SECTOR_DEG
    ),
    Described("shape", "", "form of the halo, in words"),
    Described("rim", "", "dense line at the outer edge: present, not shown, not measurable"),
    Described("rim_thickness_mm", _MM, "thickness of that line", 0),
    Described("rim_hu", Unit.HU.value, "CT number of that line"),
)
DEFECT_QUANTITIES = (
    Described("gap_width_mean", _MM, "mean distance of the two bone edges along the normal of the defect", 0),
    Described("gap_width_max", _MM, "largest distance of the two bone edges", 0),
    Described("bridged_fraction", _ONE, "share of the cross-section with bone from edge to edge", 0, 1),
    Described("bridge_count", _ONE, "number of separate bridges", 0),
    Described("cross_section_mm2", Unit.MM2.value, "area of the cross-section without the metal", 0),
    Described("hidden_by_metal", _ONE, "share of the cross-section hidden by metal and its artefact", 0, 1),
    Described("gap_width_mean_open", _MM, "mean gap where it is not bridged", 0),
    Described("tissue_hu", Unit.HU.value, "CT number of what fills the open gap"),
    Described("largest_bridge_mm2", Unit.MM2.value, "area of the largest bridge; its place in words", 0),
    Described("smallest_bridge_shown_mm", _MM, "diameter of the thinnest bridge this scan can show", 0),
    *(
        Described(f"{side}_edge_hu", Unit.HU.value, f"bone at the {side}-side edge; in words if sclerotic")
        for side in ("head", "tip")
    ),
)
SCREW_QUANTITIES = (
    Described("major_diameter_mm", _MM, "diameter over the thread crests", 0),
    Described("length_mm", _MM, "shaft under the head to the tip", 0),
    Described("tip_to_cortex_mm", _MM, "distance of the tip to the far cortex"),
    Described("interruption_mm", _MM, "length of an interruption of the shaft", 0),
    Described("bend_deg", Unit.DEG.value, "bend of the shaft", 0),
)
SCAN_QUANTITIES = (
    Described("noise_hu", Unit.HU.value, "noise of soft tissue near the screw", 0),
    Described("ceiling_share", _ONE, "share of voxels at the largest CT number the scan can hold", 0, 1),
    Described("blur_in_plane_mm", _MM, "blur in the slice plane, full width at half height", 0),
    Described("blur_through_plane_mm", _MM, "blur across slices, full width at half height", 0),
    Described("ctdi_vol_mgy", Unit.MGY.value, "volume CT dose index as stated by the scan", 0),
    Described("dlp_mgy_cm", Unit.MGY_CM.value, "dose-length product as stated by the scan", 0),
)
FINDING_QUANTITIES = (
    Described("sector_excess", _MM, "widest sector less the mean, beyond its uncertainty"),
    Described("widest_sector", _MM, "mean width of the widest sector", 0),
    Described("contact", _ONE, "lucent share of this side, held against the other side", 0, 1),
    Described("integrity", _MM, "whether the shaft is whole, in words; with the length of an interruption"),
)
QUANTITIES_BY_SIDE: dict[str, tuple[Described, ...]] = {
    "whole": HALO_QUANTITIES,
    "head_side": HALO_QUANTITIES,
    "tip_side": HALO_QUANTITIES,
    "defect": DEFECT_QUANTITIES,
    "screw": SCREW_QUANTITIES,
    "scan": SCAN_QUANTITIES,
}


def scan_columns(reading: Reading) -> ScanColumns:
    """Return how the CT of a reading was made."""
    facts = reading.scan
    return ScanColumns(
        facts.weeks_since_surgery,
        facts.scanner,
        facts.kernel,
        facts.algorithm,
        facts.kvp,
        facts.slice_thickness_mm,
        facts.voxel_mm[0],
        facts.blur_source,
    )


def reading_rows(reading: Reading) -> tuple[TableRow, ...]:
    """Return all quantities of a reading, in a fixed order: per screw, then the scan.

    Examples
    --------
    >>> len(QUANTITIES_BY_SIDE["head_side"])
    28
    """
    findings = {(f.implant, f.site, f.quantity): f for f in reading.findings}
    rows = [row for implant in reading.implants for row in _implant_rows(implant, findings)]
    told = {(row.implant, row.side, row.quantity) for row in rows}
    by_id = {implant.id: implant for implant in reading.implants}
    rows += [
        _row(by_id.get(f.implant), f.site, f.quantity, f.value, category=f.state, finding=f)
        for key, f in findings.items()
        if key not in told
    ]
    return (*rows, *_scan_rows(reading))


def _implant_rows(
    implant: ImplantReading, findings: dict[tuple[str, str, str], Finding]
) -> Iterator[TableRow]:
    for side, quantity, value, category in (*_halo(implant), *_screw(implant), *_defect(implant)):
        finding = findings.get((implant.id, side, quantity))
        yield _row(implant, side, quantity, value, category=category, finding=finding)


_Cell = tuple[str, str, Measured | None, str]  # side, quantity, value (none beside a word), word


def _halo(implant: ImplantReading) -> Iterator[_Cell]:
    for side in ("whole", "head_side", "tip_side"):
        summary = getattr(implant.halo, side)
        values: dict[str, Measured] = {
            f"sector_{deg:03d}_mean_width": width
            for deg, width in zip(SECTOR_DEG, summary.sector_mean_width, strict=True)
        }
        values |= {
            "measured_share": _bare(summary.measured_share, Unit.ONE),
            "rim_thickness_mm": summary.rim.thickness_mm,
            "rim_hu": summary.rim.hu,
        }
        words = {"shape": summary.shape, "rim": summary.rim.present}
        for described in HALO_QUANTITIES:
            name = described.name
            value = None if name in words else values.get(name) or getattr(summary, name)
            yield side, name, value, words.get(name, "")


def _screw(implant: ImplantReading) -> Iterator[_Cell]:
    screw = implant.screw
    yield "screw", "major_diameter_mm", screw.major_diameter_mm, screw.diameter_source
    yield "screw", "length_mm", screw.length_mm, ""
    yield "screw", "tip_to_cortex_mm", implant.tip_to_cortex_mm, ""
    yield "screw", "interruption_mm", screw.integrity.interruption_mm, screw.integrity.state
    yield "screw", "bend_deg", screw.integrity.bend_deg, screw.integrity.state


def _defect(implant: ImplantReading) -> Iterator[_Cell]:
    bridge = implant.bridge
    told = _defect_cells(bridge) if bridge else {}
    for described in DEFECT_QUANTITIES:
        missing = Measured.missing(Unit(described.unit), Caution.NO_DEFECT)
        value, word = told.get(described.name, (missing, ""))
        yield "defect", described.name, value, word


def _defect_cells(bridge: Bridge) -> dict[str, tuple[Measured, str]]:
    """Return value and word of each quantity of a defect."""
    largest = bridge.bridges[0] if bridge.bridges else None
    words = {"bridged_fraction": bridging_category(bridge.bridged_fraction)}
    words["largest_bridge_mm2"] = f"{largest.place}, {largest.direction}" if largest else ""
    values = {
        "largest_bridge_mm2": _bare(bridge.largest_bridge_mm2, Unit.MM2),
        "smallest_bridge_shown_mm": _bare(bridge.smallest_bridge_shown_mm, Unit.MM),
    }
    for side in ("head", "tip"):
        edge: Edge = getattr(bridge, f"{side}_edge")
        values[f"{side}_edge_hu"] = edge.face_hu
        words[f"{side}_edge_hu"] = {True: "sclerotic", False: "not sclerotic", None: ""}[edge.is_sclerotic]
    names = [described.name for described in DEFECT_QUANTITIES]
    return {n: (values[n] if n in values else getattr(bridge, n), words.get(n, "")) for n in names}


def _scan_rows(reading: Reading) -> Iterator[TableRow]:
    facts = reading.scan
    values = {
        "noise_hu": _bare(facts.noise_hu, Unit.HU),
        "ceiling_share": _bare(facts.ceiling_share, Unit.ONE),
        "blur_in_plane_mm": facts.blur_in_plane_mm,
        "blur_through_plane_mm": facts.blur_through_plane_mm,
        "ctdi_vol_mgy": _bare(facts.dose.ctdi_vol_mgy, Unit.MGY),
        "dlp_mgy_cm": _bare(facts.dose.dlp_mgy_cm, Unit.MGY_CM),
    }
    for described in SCAN_QUANTITIES:
        yield _row(None, "scan", described.name, values[described.name])


def _bare(value: float, unit: Unit) -> Measured:
    """Return a number that carries no uncertainty of its own."""
    return Measured(value, math.nan, math.nan, math.nan, unit)


def _row(
    implant: ImplantReading | None,
    side: str,
    quantity: str,
    value: Measured | None,
    *,
    category: str = "",
    finding: Finding | None = None,
) -> TableRow:
    unit = value.unit.value if value else ""
    value = value or Measured.missing(Unit.ONE, Caution.NONE)
    return TableRow(
        implant=implant.id if implant else "",
        implant_side=implant.side if implant else "",
        surface=implant.surface if implant else "",
        side=side,
        quantity=quantity,
        value=value.value,
        u95=value.u95,
        low95=value.low95,
        high95=value.high95,
        below_limit=value.below_limit,
        unit=unit,
        category=category,
        against_window=finding.against_window.value if finding else "",
        cautions=" ".join(value.cautions.codes),
    )


def row_to_list(row: TableRow) -> list[Any]:
    """Return the cells of a row for JSON, None for NaN."""
    return [plain_cell(getattr(row, name)) for name in ROW_COLUMNS]


def row_from_list(cells: list[Any]) -> TableRow:
    """Return the row written by `row_to_list`."""
    known: list[Any] = [math.nan if cell is None else cell for cell in cells]
    return TableRow(*known)


def plain_cell(cell: Any) -> Any:
    """Return a cell for JSON: None where it is a number that is none."""
    return None if isinstance(cell, float) and not math.isfinite(cell) else cell


def wide_name(side: str, quantity: str, unit: str) -> str:
    """Return the column of a quantity in the wide table; its name ends in its unit.

    Examples
    --------
    >>> wide_name("head_side", "mean_width", "mm"), wide_name("defect", "bridged_fraction", "1")
    ('head_side_mean_width_mm', 'defect_bridged_fraction')
    """
    suffix = {Unit.HU.value: "hu", _ONE: "", "mGy.cm": "mgy_cm", "mGy": "mgy"}.get(unit, unit)
    name = f"{side}_{quantity}"
    return name if not suffix or name.endswith(f"_{suffix}") else f"{name}_{suffix}"


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One change of one screw between two CTs; NaN where there is no number.

    `part` is the side, place or body that changed, `relative_to` what it was seen from.
    """

    case: str
    implant: str
    from_scan: str
    to_scan: str
    from_weeks: float
    to_weeks: float
    part: str
    relative_to: str
    quantity: str
    value: float
    u95: float
    low95: float
    high95: float
    unit: str
    state: str
    cautions: str


_MOTION_QUANTITIES = (
    "axis_change_deg",
    "roll_deg",
    "total_translation",
    "total_rotation",
    "head_point",
    "tip_point",
    "max_total_point_motion",
)
_AXES = ("translation_zero_mm", "translation_quarter_mm", "translation_axis_mm")


def change_rows(case: Case) -> tuple[ChangeRow, ...]:
    """Return all that was compared in a case: changes, motions, new bone, in this order."""
    weeks = {reading.scan.id: reading.scan.weeks_since_surgery for reading in case.readings}

    def row(
        record: ChangeRecord | MotionRecord | NewBoneRecord,
        part: str,
        quantity: str,
        value: Measured,
        state: str = "",
        relative_to: str = "",
    ) -> ChangeRow:
        return ChangeRow(
            case.patient.id,
            record.implant,
            record.from_scan,
            record.to_scan,
            weeks.get(record.from_scan, math.nan),
            weeks.get(record.to_scan, math.nan),
            part,
            relative_to,
            quantity,
            value.value,
            value.u95,
            value.low95,
            value.high95,
            value.unit.value,
            state,
            " ".join(value.cautions.codes),
        )

    rows = [row(c, c.side, c.quantity, c.value, c.state) for c in case.changes]
    for m in case.motions:
        named = [*zip(_AXES, m.translation_mm, strict=True)]
        named += [(name, getattr(m, name)) for name in _MOTION_QUANTITIES]
        rows += [row(m, m.body, name, value, m.state, m.relative_to) for name, value in named]
    for b in case.new_bone:
        places = [("in_defect", b.in_defect), ("around_defect", b.around_defect)]
        places += [(one.place, one.volume) for one in b.elsewhere]
        rows += [row(b, place, "new_bone", value) for place, value in places]
    return tuple(rows)


def render_csv(rows: Sequence[TableRow] | Sequence[ChangeRow], kind: type) -> str:
    """Return rows as CSV with a heading; an empty cell where there is no number.

    Parameters
    ----------
    rows : sequence of TableRow or ChangeRow
        Any number of them.
    kind : type
        Their type, which gives the heading.
    """
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = [field.name for field in dataclasses.fields(kind)]
    writer.writerow(names)
    writer.writerows([csv_cell(getattr(row, name)) for name in names] for row in rows)
    return out.getvalue()


def csv_cell(cell: Any) -> Any:
    """Return a cell as it is written: empty for no number, text on one line that no spreadsheet runs.

    A text from a header or a manifest may begin like a formula (``=``, ``+``, ``-``, ``@``); it gets an
    apostrophe before it, by which spreadsheets know text.
    """
    plain = plain_cell(cell)
    if plain is None:
        return ""
    if not isinstance(plain, str):
        return plain
    text = " ".join(plain.splitlines())
    return f"'{text}" if text[:1] in _FORMULA_BEGINS and not _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
