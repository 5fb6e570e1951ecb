"""What moved between two scans: the screw in either fragment, and the fragments against each other."""

from ongrowth.motion.measure import measure_motion
from ongrowth.motion.model import Motion, Registered, ScrewMotion
from ongrowth.motion.settings import MotionSettings

__all__ = ["Motion", "MotionSettings", "Registered", "ScrewMotion", "measure_motion"]
