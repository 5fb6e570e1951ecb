"""What a cohort does over the weeks: courses, waiting times, reference ranges, changes of protocol."""

from ongrowth.trajectory.bridging import (
    HALF_BRIDGED,
    BridgedShare,
    BridgingInterval,
    bridged_share,
    bridging_intervals,
)
from ongrowth.trajectory.course import Course, Phase, fit_course
from ongrowth.trajectory.picture import bridged_picture, course_picture, range_picture
from ongrowth.trajectory.protocol import (
    PROTOCOL_COLUMNS,
    ProtocolReport,
    Step,
    protocol_steps,
    report_protocol,
)
from ongrowth.trajectory.reference import (
    ReferenceRange,
    reference_ranges,
    weighted_quantile,
    windows_of,
    windows_toml,
)
from ongrowth.trajectory.waiting import (
    SurvivalSteps,
    WaitingMass,
    WaitingTime,
    fit_waiting_time,
    kaplan_meier,
    log_rank,
    waiting_mass,
)

__all__ = [
    "HALF_BRIDGED",
    "PROTOCOL_COLUMNS",
    "BridgedShare",
    "BridgingInterval",
    "Course",
    "Phase",
    "ProtocolReport",
    "ReferenceRange",
    "Step",
    "SurvivalSteps",
    "WaitingMass",
    "WaitingTime",
    "bridged_picture",
    "bridged_share",
    "bridging_intervals",
    "course_picture",
    "fit_course",
    "fit_waiting_time",
    "kaplan_meier",
    "log_rank",
    "protocol_steps",
    "range_picture",
    "reference_ranges",
    "report_protocol",
    "waiting_mass",
    "weighted_quantile",
    "windows_of",
    "windows_toml",
]
