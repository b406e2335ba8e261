"""Exercises: from a condition to postures and hand load along one repetition."""

from momentshare.exercise.lift import Exercise, Lift, LimitBreach, Motion
from momentshare.exercise.press import BenchPress
from momentshare.exercise.profile import Profile

__all__ = ["BenchPress", "Exercise", "Lift", "LimitBreach", "Motion", "Profile"]
