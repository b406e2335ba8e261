"""Exercises: from a condition to postures and hand load along one repetition.

An exercise is any object with a method ``lift(skeleton) -> Lift``; that is the whole
interface, so a new one is one file.
"""

from momentshare.exercise.angles import lift_from_angles
from momentshare.exercise.bar_path import BarPath
from momentshare.exercise.batch import make_lifts
from momentshare.exercise.given import GivenMoments
from momentshare.exercise.guided import (
    GuidedArm,
    lying_elbow_extension,
    overhead_elbow_extension,
    straight_arm_pull_down,
)
from momentshare.exercise.lift import Exercise, Lift, LimitBreach, Motion
from momentshare.exercise.overhead import OverheadPress
from momentshare.exercise.plank import ground_push_up, static_hand_share
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile
from momentshare.exercise.pushup import PushUp
from momentshare.exercise.reach import reachable

__all__ = [
    "BarPath",
    "BenchPress",
    "Exercise",
    "GivenMoments",
    "GuidedArm",
    "Lift",
    "LimitBreach",
    "Motion",
    "OverheadPress",
    "Profile",
    "PushUp",
    "ground_push_up",
    "lift_from_angles",
    "lying_elbow_extension",
    "make_lifts",
    "overhead_elbow_extension",
    "reachable",
    "static_hand_share",
    "straight_arm_pull_down",
]
