"""Fit of a limb to published values, within described bony areas, for anyone to rerun."""

from momentshare.calibration.fit import Calibration, calibrate

__all__ = ["Calibration", "calibrate"]
