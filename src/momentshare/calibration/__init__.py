"""Fit of a limb to published values, within the described bony areas; anyone can rerun it."""

from momentshare.calibration.fit import Calibration, calibrate

__all__ = ["Calibration", "calibrate"]
