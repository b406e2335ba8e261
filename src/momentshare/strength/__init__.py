"""Strength in a posture, and what a strength test in another posture does to utilisation."""

from momentshare.strength.capacity import (
    DEFINITIONS,
    DIRECTIONS,
    StrengthTest,
    direction_of,
    strength,
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
    "DIRECTIONS",
    "NetMoment",
    "StrengthReport",
    "StrengthTest",
    "corrected_utilisation",
    "curve_table",
    "direction_of",
    "read_moments",
    "strength",
    "study_strength",
]
