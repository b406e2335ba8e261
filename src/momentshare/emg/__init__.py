"""Electromyograms: envelopes, comparison within a muscle, and activation drawn towards them.

An electromyogram is compared with the predicted activation of its own muscle only; no function here
takes two muscles.
"""

from momentshare.emg.compare import CAVEATS, EmgComparison, compare_emg
from momentshare.emg.draw import Drawn, draw_activation
from momentshare.emg.envelope import (
    EmgSettings,
    Envelope,
    Maximum,
    envelope,
    maximal_level,
    normalise,
)
from momentshare.emg.pull import pull_to_emg

__all__ = [
    "CAVEATS",
    "Drawn",
    "EmgComparison",
    "EmgSettings",
    "Envelope",
    "Maximum",
    "compare_emg",
    "draw_activation",
    "envelope",
    "maximal_level",
    "normalise",
    "pull_to_emg",
]
