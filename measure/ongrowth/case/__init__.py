"""The recipe: from a CT to its reading, from a case file to its case. Order of steps, nothing else."""

from ongrowth.case.bank import banks_of
from ongrowth.case.before import Question, run_before
from ongrowth.case.course import known_of, of_another_patient, run_case
from ongrowth.case.first_days import FirstDays, may_lend, run_first_days
from ongrowth.case.reading import Known, Tell, run_reading, silent
from ongrowth.case.reuse import begun_before, case_before, is_made_of

__all__ = [
    "FirstDays",
    "Known",
    "Question",
    "Tell",
    "banks_of",
    "begun_before",
    "case_before",
    "is_made_of",
    "known_of",
    "may_lend",
    "of_another_patient",
    "run_before",
    "run_case",
    "run_first_days",
    "run_reading",
    "silent",
]
