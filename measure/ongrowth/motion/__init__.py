"""What moved between two scans: the screw in either fragment, and the fragments against each other."""

from ongrowth.motion.measure import measure_motion
from ongrowth.motion.model import Motion, Registered, ScrewMotion
from ongrowth.motion.ruler import (
    common_scale,
    is_off,
    measure_pitch,
    measure_scale,
    stretched,
    stretched_scan,
)
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.study import Migration, Precision, double_examinations, migration_of

__all__ = [
    "Migration",
    "Motion",
    "MotionSettings",
    "Precision",
    "Registered",
    "ScrewMotion",
    "common_scale",
    "double_examinations",
    "is_off",
    "measure_motion",
    "measure_pitch",
    "measure_scale",
    "migration_of",
    "stretched",
    "stretched_scan",
]
