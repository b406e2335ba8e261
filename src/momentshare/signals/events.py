"""Repetitions of a lift in a recording, and the events within an ascent.

Everything is derived from the height of what is lifted: an ascent from the chest to lock-out, its
velocity maxima and the dip between them. Between the first maximum and the minimum the load slows
although the lifter still pushes; that is the sticking region (the usual definition in studies of
the bench press, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median_high
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError
from momentshare.signals._arguments import as_count, as_number, as_rate, as_series, as_signal
from momentshare.signals._stretches import runs
from momentshare.signals._turning import turning_points
from momentshare.signals.align import resample
from momentshare.signals.derivatives import derivative

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "PressEvents",
    "Repetition",
    "at_positions",
    "find_repetitions",
    "lift_percent",
    "press_events",
]

_LEFT_CHEST = 0.05
"""Share of the rise at which the load has finally left the chest; a stall below it belongs to the
pause; assumed."""

_NEAR_TOP = 0.90
"""Share of the rise above which a halt means lock-out and not a sticking region; assumed."""

_SETTLE = 0.5
"""Time after the velocity has fallen to zero in which the load must not continue to rise [s];
chosen here."""

_STILL_RISING_SHARE, _STILL_RISING = 0.02, 0.005
"""Rising further by more than this share of the rise, and this much [m], means that it did; chosen
here."""

_UNDER_WAY = 0.2
"""Share of the ascent's peak velocity at an end of the recording above which the ascent is cut off
there. Filters distort the ends, so a halt cannot be required; assumed."""

_FEWEST = 3
"""Number of samples that velocity needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repetition:
    """One ascent.

    Attributes
    ----------
    chest, lockout : int
        Samples at which upward velocity finally begins and at which it ends.
    completed : bool
        False where the load came down again before lock-out, or the recording ends first.
    gap : bool
        Whether samples are missing from chest to lock-out, which leaves both uncertain.
    note : str
        What is wrong, in words; empty otherwise.
    """

    chest: int
    lockout: int
    completed: bool = True
    gap: bool = False
    note: str = ""


def find_repetitions(
    height: ArrayLike,
    rate: float,
    *,
    least_rise: float = 0.10,
    least_speed: float = 0.02,
    completed_share: float = 0.80,
) -> tuple[Repetition, ...]:
    """Find every ascent in the height of what is lifted.

    An ascent runs from a low to the next high, where ups and downs of less than ``least_rise``
    count as none: taking the load out of the rack and a sag on the way up do not divide it.

    - *Chest*: the last sample at which the load rises no faster than ``least_speed``, before it has
      finally risen by 5 %. A pause on the chest, and a false start of less, come before it.
    - *Lock-out*: the first sample above 90 % of the rise at which it rises no faster than
      ``least_speed`` and does not continue to rise within the next half second (by more than 2 % of
      the rise and 5 mm). The rise is counted to the lowest top of the completed ascents, so that
      carrying the load up into a rack after the last one is not taken for lock-out.

    Parameters
    ----------
    height : float array, shape (samples,)
        Filtered [m], upward positive, from any zero. Gaps are bridged by a line for this search
        only; a repetition with a gap in it is reported and flagged. Gaps at the ends are left out.
    rate : float
        [Hz]
    least_rise : float
        Least rise of a repetition [m].
    least_speed : float
        Upward velocity that counts as rest [m/s]; assumed.
    completed_share : float
        A repetition is completed when it reaches this share of the way from its own lowest point
        to the usual top: the median top of the ascents (of an even number the higher middle one,
        so that one failed lift of two is seen), or the highest point of the recording where there
        is one ascent only. Below 0.9, as a rack may lie higher than lock-out; assumed.

    Returns
    -------
    tuple of Repetition
        In order of time. An ascent that is under way at the first sample has no chest and is left
        out; one that is under way at the last is reported as not completed.

    Raises
    ------
    InputError
        No height is known, or a setting is out of range.
    """
    signal, rate = as_series("height", height), as_rate(rate)
    least_rise = as_number("least_rise", least_rise, "m", above=0.0)
    least_speed = as_number("least_speed", least_speed, "m/s", least=0.0)
    completed_share = as_number("completed_share", completed_share, "", above=0.0)
    if completed_share > 1.0:
        raise InputError(
            f"completed_share: must be a share of at most 1; got {completed_share:g}; "
            "0.8 stands for 80 %"
        )
    known = np.flatnonzero(~np.isnan(signal))
    if known.size < _FEWEST:
        raise InputError(
            f"height: {known.size} of {len(signal)} samples are known; must be {_FEWEST} or more"
        )
    offset = int(known[0])
    missing = np.isnan(signal[offset : known[-1] + 1])
    bridged = np.interp(np.arange(offset, known[-1] + 1), known, signal[known])
    velocity = derivative(bridged, rate)
    turns = turning_points(bridged, least_rise)
    ascents = [(low, high) for (low, low_is_high), (high, _) in pairwise(turns) if not low_is_high]
    usual = _usual_top(bridged, [high for _, high in ascents])
    shares = {
        low: float((bridged[high] - bridged[low]) / (usual - bridged[low])) for low, high in ascents
    }
    lowest = min(
        (float(bridged[high]) for low, high in ascents if shares[low] >= completed_share),
        default=usual,
    )
    found = []
    for low, high in ascents:
        item = _ascent(bridged, velocity, rate, low, high, least_speed, lowest, completed_share)
        if item is None:
            continue
        chest, lockout, cut_off = item
        reached = shares[low]
        completed = reached >= completed_share and not cut_off
        notes = []
        if cut_off:
            notes.append("the recording ends during the ascent")
        elif not completed:
            notes.append(
                f"not completed: came down again after {100.0 * reached:.0f} % of the way up"
            )
        gap = bool(missing[chest : lockout + 1].any())
        if gap:
            notes.append("samples are missing within it")
        found.append(
            Repetition(
                chest=offset + chest,
                lockout=offset + lockout,
                completed=completed,
                gap=gap,
                note="; ".join(notes),
            )
        )
    return tuple(found)


def _usual_top(height: NDArray[np.float64], tops: list[int]) -> float:
    """Where a completed ascent ends: a rack may be higher, and a failed lift lower."""
    if len(tops) < 2:
        return float(height.max())
    return float(median_high(height[tops].tolist()))


def _ascent(
    height: NDArray[np.float64],
    velocity: NDArray[np.float64],
    rate: float,
    low: int,
    high: int,
    least_speed: float,
    top: float,
    least_share: float,
) -> tuple[int, int, bool] | None:
    """Chest, lock-out and whether the end was not recorded; None where the start was not.

    An ascent that goes beyond ``top`` is treated as if it ended there, as long as that leaves
    ``least_share`` of it.
    """
    rise = height[high] - height[low]
    peak = float(velocity[low : high + 1].max())
    part = height[low : high + 1]
    leaving = low + int(np.flatnonzero(part <= height[low] + _LEFT_CHEST * rise)[-1])
    resting = np.flatnonzero(velocity[low : leaving + 1] <= least_speed)
    if resting.size:
        chest = low + int(resting[-1])
    elif low == 0 and velocity[0] > _UNDER_WAY * peak:
        return None
    else:
        chest = low
    way = max(min(rise, top - height[low]), least_share * rise)
    near = low + int(np.flatnonzero(part >= height[low] + _NEAR_TOP * way)[0])
    rest = velocity[near : high + 1] <= least_speed
    going_on = max(_STILL_RISING_SHARE * float(rise), _STILL_RISING)
    for first, _ in runs(rest):
        at = near + first
        after = height[at : at + round(_SETTLE * rate) + 1]
        if float(after.max()) - height[at] <= going_on:
            return chest, at, False
    cut_off = high == len(height) - 1 and velocity[high] > _UNDER_WAY * peak
    return chest, high, bool(cut_off)


@dataclass(frozen=True, slots=True, kw_only=True)
class PressEvents:
    """Events of one ascent, as samples of the recording.

    Attributes
    ----------
    chest, lockout : int
        Those of the repetition.
    first_peak : int
        First velocity maximum; the only one where there is no sticking region.
    minimum, second_peak : int or None
        Velocity minimum after it, and the next maximum; None without a sticking region.
    has_sticking_region : bool
    note : str
        What was found, in words; empty if velocity has two peaks.
    """

    chest: int
    first_peak: int
    minimum: int | None
    second_peak: int | None
    lockout: int
    has_sticking_region: bool
    note: str = ""

    def regions(self) -> dict[str, tuple[int, int]]:
        """First and last sample of every region, in order; neighbours share the sample between.

        "pre-sticking" from chest to first peak, "sticking" to the minimum, "post-sticking" to the
        second peak, "to lock-out" from there. Empty without a sticking region.
        """
        if self.minimum is None or self.second_peak is None:
            return {}
        return {
            "pre-sticking": (self.chest, self.first_peak),
            "sticking": (self.first_peak, self.minimum),
            "post-sticking": (self.minimum, self.second_peak),
            "to lock-out": (self.second_peak, self.lockout),
        }


def press_events(
    height: ArrayLike, rate: float, repetition: Repetition, *, least_dip: float = 0.10
) -> PressEvents:
    """Find velocity peaks and the sticking region of one ascent.

    Parameters
    ----------
    height : float array, shape (samples,)
        The recording in which the repetition was found [m].
    rate : float
        [Hz]
    repetition : Repetition
    least_dip : float
        Least drop of velocity from the first peak to the minimum, and least rise from there to the
        second, as a share of the greatest velocity of the ascent; smaller ones are taken for
        noise. An assumption. Of 60 smooth invented presses (0.4 m in 1.8 s, low-pass at
        6 Hz) 0.10 took none for a sticking one with 0.3 mm of noise left after filtering, one in
        ten with 0.5 mm and nearly all with 1 mm.

    Returns
    -------
    PressEvents
        Where velocity dips more than once, the first dip counts and the note says so.

    Raises
    ------
    InputError
        A sample is missing within the repetition, or it does not rise.
    """
    signal, rate = as_series("height", height), as_rate(rate)
    least_dip = as_number("least_dip", least_dip, "", above=0.0)
    if least_dip >= 1.0:
        raise InputError(
            f"least_dip: must be a share below 1 of the peak velocity; got {least_dip:g}"
        )
    chest, lockout = repetition.chest, repetition.lockout
    if not 0 <= chest < lockout < len(signal):
        raise InputError(
            f"repetition: runs from sample {chest} to {lockout}, the height has {len(signal)} "
            "samples; must be one found in this recording"
        )
    gone = np.flatnonzero(np.isnan(signal[chest : lockout + 1]))
    if gone.size:
        raise InputError(
            f"height: a gap lies within the repetition (sample {chest + int(gone[0])} and "
            f"{gone.size - 1} more); fill short gaps or leave the repetition out"
        )
    velocity = derivative(signal, rate)[chest : lockout + 1]
    if np.isnan(velocity).any() or float(velocity.max()) <= 0.0:
        raise InputError(
            f"repetition: the height does not rise from sample {chest} to {lockout}; must be an "
            "ascent found in this recording"
        )
    turns = turning_points(velocity, least_dip * float(velocity.max()))
    peaks = [at for at, is_high in turns if is_high]
    if len(peaks) < 2:
        return PressEvents(
            chest=chest,
            first_peak=chest + int(np.argmax(velocity)),
            minimum=None,
            second_peak=None,
            lockout=lockout,
            has_sticking_region=False,
            note="no sticking region: velocity has one peak",
        )
    dip = next(at for at, is_high in turns if not is_high and at > peaks[0])
    return PressEvents(
        chest=chest,
        first_peak=chest + peaks[0],
        minimum=chest + dip,
        second_peak=chest + peaks[1],
        lockout=lockout,
        has_sticking_region=True,
        note=""
        if len(peaks) == 2
        else f"velocity has {len(peaks)} peaks; the first dip is taken as the sticking region",
    )


def lift_percent(repetition: Repetition, count: int = 101) -> NDArray[np.float64]:
    """Sample positions even in time from chest to lock-out.

    Parameters
    ----------
    repetition : Repetition
    count : int
        How many, at least 2; 101 stand for 0 to 100 %.

    Returns
    -------
    float array, shape (count,)
        Samples, fractions of them included, for :func:`at_positions`.

    Examples
    --------
    >>> lift_percent(Repetition(chest=10, lockout=20), 5)
    array([10. , 12.5, 15. , 17.5, 20. ])
    """
    count = as_count("count", count, 2)
    if not 0 <= repetition.chest < repetition.lockout:
        raise InputError(
            f"repetition: chest is sample {repetition.chest} and lock-out {repetition.lockout}; "
            "lock-out must come after the chest"
        )
    return np.linspace(float(repetition.chest), float(repetition.lockout), count)


def at_positions(values: ArrayLike, positions: ArrayLike) -> NDArray[np.float64]:
    """Values of a signal at fractions of samples, by cubic splines.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
    positions : float array, shape (n,)
        From 0 to the last sample.

    Returns
    -------
    float array, shape (n,) or (n, k)
        NaN in gaps, as :func:`~momentshare.signals.resample`.

    Examples
    --------
    >>> at_positions([0.0, 1.0, 4.0, 9.0], [1.5, 3.0])
    array([2.25, 9.  ])
    """
    signal = as_signal("values", values)
    place = as_series("positions", positions)
    last = len(signal) - 1
    outside = ~((place >= 0.0) & (place <= last))
    if outside.any():
        first = int(np.argmax(outside))
        raise ShapeError(
            "positions",
            f"samples from 0 to {last}",
            f"{place[first]:g} at entry {first}",
            "cut positions and values from the same recording",
        )
    return resample(signal, 1.0, 0.0, place)
