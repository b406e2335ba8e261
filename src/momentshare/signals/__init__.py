"""Recorded signals, whatever they measure: gaps, filters, derivatives, clocks, repetitions.

Arrays have shape (samples,) or (samples, k), rates are in Hz, times in seconds; a missing sample
is NaN and stays so unless it is filled on request.
"""

from momentshare.signals.align import Delay, common_clock, delay, resample
from momentshare.signals.derivatives import (
    angular_acceleration,
    angular_velocity,
    derivative,
    second_derivative,
)
from momentshare.signals.events import (
    PressEvents,
    Repetition,
    at_positions,
    find_repetitions,
    lift_percent,
    press_events,
)
from momentshare.signals.filters import (
    FilterDesign,
    ResidualAnalysis,
    band_pass,
    low_pass,
    low_pass_design,
    residual_cutoff,
)
from momentshare.signals.gaps import Gap, fill_gaps, find_gaps

__all__ = [
    "Delay",
    "FilterDesign",
    "Gap",
    "PressEvents",
    "Repetition",
    "ResidualAnalysis",
    "angular_acceleration",
    "angular_velocity",
    "at_positions",
    "band_pass",
    "common_clock",
    "delay",
    "derivative",
    "fill_gaps",
    "find_gaps",
    "find_repetitions",
    "lift_percent",
    "low_pass",
    "low_pass_design",
    "press_events",
    "resample",
    "residual_cutoff",
    "second_derivative",
]
