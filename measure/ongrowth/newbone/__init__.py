"""Bone that an earlier scan did not show: how much, and where."""

from ongrowth.newbone.measure import measure_new_bone
from ongrowth.newbone.model import PLACES, NewBone, NewBonePlace, NewBoneSettings

__all__ = ["PLACES", "NewBone", "NewBonePlace", "NewBoneSettings", "measure_new_bone"]
