"""Missing samples: where they are, and filling the short ones.

Short gaps are filled with a cubic spline through the known samples. A monotone cubic (PCHIP) was
the alternative; it cannot overshoot, but it is flat wherever the signal turns within a gap, as
height does on the chest and velocity at its peaks, and its second derivative jumps. The spline
reproduces a constant acceleration exactly and keeps the second derivative continuous. Its drawback
is that noise of the samples next to the gap is amplified within it, so only short gaps should be
filled.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from momentshare.signals._arguments import as_number, as_rate, as_signal
from momentshare.signals._stretches import runs

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Gap", "fill_gaps", "find_gaps"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Consecutive missing samples.

    Attributes
    ----------
    first, last : int
        Indexes of the first and of the last missing sample.
    samples : int
        How many are missing.
    seconds : float
        Their number over the sampling rate [s].
    """

    first: int
    last: int
    samples: int
    seconds: float


def find_gaps(values: ArrayLike, rate: float) -> tuple[Gap, ...]:
    """Find missing samples.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        A sample is missing when any of its components is NaN.
    rate : float
        [Hz]

    Returns
    -------
    tuple of Gap
        In order of time; gaps at the ends are among them.

    Examples
    --------
    >>> find_gaps([0.0, float("nan"), float("nan"), 3.0], 100.0)
    (Gap(first=1, last=2, samples=2, seconds=0.02),)
    """
    signal, rate = as_signal("values", values), as_rate(rate)
    missing = np.asarray(np.isnan(signal.reshape(len(signal), -1)).any(axis=1))
    return tuple(
        Gap(first=first, last=stop - 1, samples=stop - first, seconds=(stop - first) / rate)
        for first, stop in runs(missing)
    )


def fill_gaps(
    values: ArrayLike, rate: float, longest: float
) -> tuple[NDArray[np.float64], tuple[Gap, ...], tuple[Gap, ...]]:
    """Fill short gaps within a signal.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
    rate : float
        [Hz]
    longest : float
        Longest gap that is filled [s]; 0 fills none.

    Returns
    -------
    filled : float array, shape of ``values``
        Components that were recorded within a gap keep their values.
    filled_gaps, left_gaps : tuple of Gap
        Those filled, and those left: longer ones, and any at the ends, however short, because
        beyond the last known sample there is nothing to interpolate.

    Notes
    -----
    A separate spline runs through every part between remaining gaps. A part with two known samples
    gives a line, one with three a parabola.
    """
    from scipy.interpolate import CubicSpline

    signal, rate = as_signal("values", values), as_rate(rate)
    longest = as_number("longest", longest, "s", least=0.0)
    found = find_gaps(signal, rate)
    # A gap of exactly the length allowed is filled, whatever its last digit.
    limit = longest * rate * (1.0 + 1e-9)
    end = len(signal) - 1
    short = [g for g in found if g.first > 0 and g.last < end and g.samples <= limit]
    left = [g for g in found if g not in short]
    filled = signal.copy()
    whole = filled.reshape(len(filled), -1)
    known = np.asarray(~np.isnan(whole).any(axis=1))
    part = np.ones(len(filled), dtype=bool)
    for gap in left:
        part[gap.first : gap.last + 1] = False
    for first, stop in runs(part):
        at = np.arange(first, stop)
        here = known[first:stop]
        if here.all():
            continue
        block = whole[first:stop]
        curve = CubicSpline(at[here], block[here])(at[~here])
        block[~here] = np.where(np.isnan(block[~here]), curve, block[~here])
    return filled, tuple(short), tuple(left)
