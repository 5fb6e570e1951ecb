"""Many cases: from a manifest to tidy tables, one result file for each scan."""

from ongrowth.cohort.executor import Executor, InProcess, LocalWorkers, OneByOne, Scheduler
from ongrowth.cohort.job import Job, Measure, Measurement, measure_scan
from ongrowth.cohort.manifest import BadManifest, Fault, Manifest, MissedVisit, look_through, read_manifest
from ongrowth.cohort.patients import patient_doubts
from ongrowth.cohort.progress import Progress
from ongrowth.cohort.receipt import Failure, Receipt, read_receipt, result_file
from ongrowth.cohort.run import CohortRun, look_ahead, run_cohort
from ongrowth.cohort.tables import Tables, write_tables
from ongrowth.cohort.ward import Limits

__all__ = [
    "BadManifest",
    "CohortRun",
    "Executor",
    "Failure",
    "Fault",
    "InProcess",
    "Job",
    "Limits",
    "LocalWorkers",
    "Manifest",
    "Measure",
    "Measurement",
    "MissedVisit",
    "OneByOne",
    "Progress",
    "Receipt",
    "Scheduler",
    "Tables",
    "look_ahead",
    "look_through",
    "measure_scan",
    "patient_doubts",
    "read_manifest",
    "read_receipt",
    "result_file",
    "run_cohort",
    "write_tables",
]
