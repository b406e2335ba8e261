"""Exercises: from a condition to postures and hand load along one repetition.

An exercise is any object with a method ``lift(skeleton) -> Lift``; that is the whole
interface, so a new one is one file.
"""

from momentshare.exercise.guided import (
    GuidedArm,
    lying_elbow_extension,
    overhead_elbow_extension,
    straight_arm_pull_down,
)
from momentshare.exercise.lift import Exercise, Lift, LimitBreach, Motion
from momentshare.exercise.overhead import OverheadPress
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.exercise.pushup import PushUp

__all__ = [
    "BenchPress",
    "Exercise",
    "GuidedArm",
    "Lift",
    "LimitBreach",
    "Motion",
    "OverheadPress",
    "Profile",
    "PushUp",
    "lying_elbow_extension",
    "overhead_elbow_extension",
    "straight_arm_pull_down",
]
