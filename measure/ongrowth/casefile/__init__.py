"""The case file: what a person wrote about a patient, the screws and the scans, in TOML."""

from ongrowth.casefile.entries import (
    WEEKS_FROM,
    WEEKS_TO,
    CaseFile,
    Correction,
    DefectInfo,
    Implant,
    PatientEntry,
    ReaderEntry,
    ScanEntry,
    Settings,
    SurgeryEntry,
    correction_records,
    reader_values,
    scan_name,
    told_weeks,
    week_mismatch,
    weeks_between,
)
from ongrowth.casefile.faults import SHORT_NAMES, BadCaseFile
from ongrowth.casefile.read import parse_case_file, parse_implant, read_case_file, written_path
from ongrowth.casefile.write import add_entries, new_case_text, write_case_text

__all__ = [
    "SHORT_NAMES",
    "WEEKS_FROM",
    "WEEKS_TO",
    "BadCaseFile",
    "CaseFile",
    "Correction",
    "DefectInfo",
    "Implant",
    "PatientEntry",
    "ReaderEntry",
    "ScanEntry",
    "Settings",
    "SurgeryEntry",
    "add_entries",
    "correction_records",
    "new_case_text",
    "parse_case_file",
    "parse_implant",
    "read_case_file",
    "reader_values",
    "scan_name",
    "told_weeks",
    "week_mismatch",
    "weeks_between",
    "write_case_text",
    "written_path",
]
