"""One repetition of a trial, ready for the muscles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from momentshare.signals import PressEvents, Repetition
    from momentshare.trial.motion.lift import MeasuredLift

__all__ = ["MeasuredRepetition"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredRepetition:
    """One repetition: its number from 1, its place, its events and its lift."""

    number: int
    repetition: Repetition
    events: PressEvents
    positions: NDArray[np.float64]
    measured: MeasuredLift
