"""A maximal lift: the load driven along its path by the greatest force of the limb."""

from momentshare.maximal.drive import DriveField, DrivenPath, driven_path
from momentshare.maximal.motion import (
    Dip,
    Drive,
    drive_load,
    find_dip,
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
    "drive_load",
    "driven_path",
    "find_dip",
    "greatest_passing_load",
    "maximal_lifts",
]
