"""A maximal lift: the load driven along its path by all that the limb can give."""

from momentshare.maximal.drive import DriveField, DrivenPath, driven_path
from momentshare.maximal.motion import (
    Dip,
    Drive,
    dip_of,
    drive_load,
    greatest_passing_load,
)
from momentshare.maximal.study import MAXIMAL, SHARES, MaximalReport, maximal_lifts

__all__ = [
    "MAXIMAL",
    "SHARES",
    "Dip",
    "Drive",
    "DriveField",
    "DrivenPath",
    "MaximalReport",
    "dip_of",
    "drive_load",
    "driven_path",
    "greatest_passing_load",
    "maximal_lifts",
]
