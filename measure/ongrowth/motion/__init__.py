"""What moved between two scans: the screw in either fragment, and the fragments against each other."""

from ongrowth.motion.measure import measure_motion
from ongrowth.motion.model import Motion, Registered, ScrewMotion
from ongrowth.motion.settings import MotionSettings
from ongrowth.motion.study import Migration, Precision, double_examinations, migration_of

__all__ = [
    "Migration",
    "Motion",
    "MotionSettings",
    "Precision",
    "Registered",
    "ScrewMotion",
    "double_examinations",
    "measure_motion",
    "migration_of",
]
