"""Strength in a posture, and what a strength test in another posture does to utilisation."""

from momentshare.strength.capacity import (
    DEFINITIONS,
    StrengthTest,
    joint_strength,
)
from momentshare.strength.curves import curve_table
from momentshare.strength.study import StrengthReport, study_strength
from momentshare.strength.utilisation import (
    NetMoment,
    corrected_utilisation,
    read_moments,
)

__all__ = [
    "DEFINITIONS",
    "NetMoment",
    "StrengthReport",
    "StrengthTest",
    "corrected_utilisation",
    "curve_table",
    "joint_strength",
    "read_moments",
    "study_strength",
]
