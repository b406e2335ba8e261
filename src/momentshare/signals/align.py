"""One clock for signals with different rates and starts, and how far one lags another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError
from momentshare.signals._arguments import as_number, as_rate, as_signal
from momentshare.signals._stretches import stretches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["Delay", "common_clock", "delay", "resample"]

_SLACK = 1e-6
"""Share of a sample by which a time may miss the end of a signal and still count as on it; room
for rounding of times, nothing else."""

_ROUNDING = 1e-14
"""Variation over size of a signal that rounding alone makes."""

_LEAST_OVERLAP = 1.0 / 3.0
"""Share of the samples that must still overlap at the longest delay; assumed. Short overlaps
resemble each other by chance."""


def resample(values: ArrayLike, rate: float, start: float, times: ArrayLike) -> NDArray[np.float64]:
    """Values of a signal at given times, by cubic splines.

    Nothing is filtered here: before going to a lower rate, low-pass the signal below half of it
    (:func:`~momentshare.signals.low_pass`), or faster components alias to slow ones.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        NaN where nothing was recorded; every component is cut at its own gaps and a spline laid
        through each stretch (a line through two samples, a parabola through three).
    rate, start : float
        Samples per second [Hz] and time of the first one [s].
    times : float array, shape (n,)
        [s], in any order.

    Returns
    -------
    float array, shape (n,) or (n, k)
        NaN before the first sample, after the last, and between the samples around a gap.

    Examples
    --------
    >>> resample([0.0, 1.0, 2.0], 10.0, 5.0, [5.05, 5.2, 5.3])
    array([0.5, 2. , nan])
    """
    from scipy.interpolate import CubicSpline

    signal, rate = as_signal("values", values), as_rate(rate)
    start = as_number("start", start, "s")
    place = (_times(times) - start) * rate
    flat = signal.reshape(len(signal), -1)
    result = np.full((len(place), flat.shape[1]), np.nan)
    for columns, cuts in stretches(flat):
        for first, stop in cuts:
            last = stop - 1
            rows = np.flatnonzero((place >= first - _SLACK) & (place <= last + _SLACK))
            if not rows.size:
                continue
            block = flat[first:stop][:, columns]
            if last == first:
                result[np.ix_(rows, columns)] = block
            else:
                curve = CubicSpline(np.arange(stop - first), block)
                result[np.ix_(rows, columns)] = curve(
                    np.clip(place[rows] - first, 0.0, last - first)
                )
    return result.reshape((len(place), *signal.shape[1:]))


def common_clock(spans: Sequence[tuple[float, float]], rate: float) -> NDArray[np.float64]:
    """Return the times at which every one of several recordings was running.

    Parameters
    ----------
    spans : sequence of (start, end)
        Times of the first and the last sample of each [s].
    rate : float
        Of the clock [Hz].

    Returns
    -------
    float array, shape (n,)
        From the latest start in steps of 1/rate, none after the earliest end [s].

    Raises
    ------
    InputError
        No span is given, one ends before it starts, or they have no time in common.
    """
    rate = as_rate(rate)
    try:
        table = np.asarray([tuple(span) for span in spans], dtype=np.float64)
    except (TypeError, ValueError) as err:
        raise ShapeError("spans", "pairs of start and end in seconds", repr(spans)) from err
    if table.ndim != 2 or table.shape[1] != 2:
        raise ShapeError("spans", "at least one pair of start and end", f"shape {table.shape}")
    for number, (begin, end) in enumerate(table):
        if not (math.isfinite(begin) and math.isfinite(end) and begin <= end):
            raise InputError(
                f"spans: span {number} runs from {begin:g} to {end:g} s; must have a finite start "
                "and an end no earlier"
            )
    begin, end = float(table[:, 0].max()), float(table[:, 1].min())
    steps = (end - begin) * rate
    if steps < -_SLACK:
        raise InputError(
            f"spans: no time in common: span {int(np.argmax(table[:, 0]))} starts at {begin:g} s, "
            f"span {int(np.argmin(table[:, 1]))} ends at {end:g} s; check the starts"
        )
    return np.asarray(begin + np.arange(math.floor(steps + _SLACK) + 1) / rate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """How far one signal lags another.

    Attributes
    ----------
    seconds : float
        Positive where the second signal is later than the first [s].
    correlation : float
        Correlation of the two at the whole sample nearest to that delay, −1 to 1.
    at_edge : bool
        The correlation is still rising at the longest delay tried, so the delay is not a finding.
    """

    seconds: float
    correlation: float
    at_edge: bool


def delay(a: ArrayLike, b: ArrayLike, rate: float, longest: float) -> Delay:
    """Find by how much ``b`` is later than ``a``.

    For every whole lag the overlapping parts are correlated (each less its own mean, over its own
    size); a parabola through the greatest correlation and its neighbours gives the fraction of a
    sample.

    Parameters
    ----------
    a, b : float array, shape (samples,) or (samples, k)
        On the same clock, of the same shape, without gaps. Components are correlated together.
        The signs must agree: the greatest positive correlation is sought.
    rate : float
        [Hz]
    longest : float
        Greatest delay tried, either way [s]; a third of the samples must still overlap.

    Returns
    -------
    Delay
        All NaN and ``at_edge`` false where a signal does not vary.

    Examples
    --------
    >>> wave = np.sin(np.arange(200) / 10.0)
    >>> round(delay(wave[5:], wave[:-5], 100.0, 0.2).seconds, 3)
    0.05
    """
    one, two = as_signal("a", a), as_signal("b", b)
    rate = as_rate(rate)
    if one.shape != two.shape:
        raise ShapeError(
            "b", f"the shape of a, {one.shape}", f"shape {two.shape}", "resample to one clock first"
        )
    for name, signal in (("a", one), ("b", two)):
        if np.isnan(signal).any():
            row = int(np.argwhere(np.isnan(signal))[0, 0])
            raise InputError(f"{name}: sample {row} is missing; fill gaps or cut them out first")
    lags = math.floor(as_number("longest", longest, "s", above=0.0) * rate * (1.0 + 1e-9))
    samples = len(one)
    if lags < 1:
        raise InputError(
            f"longest: {longest:g} s is less than one sample at {rate:g} Hz; must be "
            f"{1 / rate:g} s or more"
        )
    if samples - lags < max(3.0, _LEAST_OVERLAP * samples):
        raise InputError(
            f"longest: a delay of {longest:g} s leaves too little of {samples} samples "
            f"({samples / rate:.3g} s) to compare; must be at most "
            f"{(1 - _LEAST_OVERLAP) * samples / rate:.3g} s, or longer signals"
        )
    found = np.array([_correlation(one, two, lag) for lag in range(-lags, lags + 1)])
    if np.isnan(found).all():
        return Delay(seconds=math.nan, correlation=math.nan, at_edge=False)
    found[np.isnan(found)] = -1.0  # a lag whose overlap does not vary is not a candidate
    peak = int(np.argmax(found))
    at_edge = peak in {0, 2 * lags}
    shift = float(peak - lags)
    if not at_edge:
        before, top, after = found[peak - 1 : peak + 2]
        bend = before - 2.0 * top + after
        shift += 0.5 * float(before - after) / float(bend) if bend < 0.0 else 0.0
    return Delay(seconds=shift / rate, correlation=float(found[peak]), at_edge=at_edge)


def _correlation(a: NDArray[np.float64], b: NDArray[np.float64], lag: int) -> float:
    """Correlation of a[i] with b[i + lag]."""
    samples = len(a) - abs(lag)
    one = a[max(-lag, 0) :][:samples]
    two = b[max(lag, 0) :][:samples]
    (one, size_one), (two, size_two) = _varying(one), _varying(two)
    if size_one == 0.0 or size_two == 0.0:
        return math.nan
    return float(np.sum((one / size_one) * (two / size_two)))


def _varying(part: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return a part less its mean, and its size; 0 where that is no more than rounding."""
    off = part - part.mean(axis=0)
    size = math.sqrt(float(np.sum(off**2)))
    rounding = _ROUNDING * math.sqrt(part.size) * float(np.max(np.abs(part)))
    return off, size if size > rounding else 0.0


def _times(times: ArrayLike) -> NDArray[np.float64]:
    try:
        array = np.asarray(times, dtype=np.float64)
    except (TypeError, ValueError) as err:
        raise ShapeError("times", "an array of numbers", type(times).__name__) from err
    if array.ndim != 1:
        raise ShapeError("times", "shape (n,)", f"shape {array.shape}")
    if not np.isfinite(array).all():
        row = int(np.argmin(np.isfinite(array)))
        raise InputError(f"times: entry {row} is {array[row]:g}; must be finite seconds")
    return array
