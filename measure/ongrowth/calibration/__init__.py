"""The blur of a protocol: measured, or told by CTs of other patients; the files, and which scan they fit."""

from ongrowth.calibration.bank import Bank, PatientBlurs, ToldBlur
from ongrowth.calibration.calibration import Calibration
from ongrowth.calibration.choice import best_match, find_bank, find_calibration, read_blur, unfit_note
from ongrowth.calibration.protocol import Protocol

__all__ = [
    "Bank",
    "Calibration",
    "PatientBlurs",
    "Protocol",
    "ToldBlur",
    "best_match",
    "find_bank",
    "find_calibration",
    "read_blur",
    "unfit_note",
]
