r"""Butterworth filters without lag, and a cut-off chosen from the residual.

A filter run forward and then backward has no lag, but it damps twice. With passes of order n and
cut-off f_p the whole has the gain

    1 / (1 + (f / f_p)^(2n)),

which falls to 1/√2 (−3 dB) not at f_p but at f_p (√2 − 1)^(1/(2n)): 20 % lower for n = 2. Here
``order`` and ``cutoff`` are those of the whole unless ``corrected=False``: each pass has half
the order, and its cut-off is raised by that factor,

    tan(π f_p / rate) = tan(π f_c / rate) / (√2 − 1)^(1/(2n)).

The tangent is how the bilinear transform warps frequency, so the correction is exact for the
sampled filter, too, and can never lead beyond half the rate. (Closed form from the gain above;
that the textbooks correct by (√2 − 1)^(1/4) for two passes of second order is from memory.)

Gaps divide a signal; every stretch between them is filtered separately. A stretch shorter than one
period of the cut-off cannot show what the filter should keep and stays NaN.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from momentshare.errors import InputError, ShapeError
from momentshare.results import ReadOnly, brief
from momentshare.signals._arguments import as_count, as_number, as_rate, as_signal
from momentshare.signals._stretches import by_stretch, longest_stretch

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FilterDesign",
    "ResidualAnalysis",
    "band_pass",
    "low_pass",
    "low_pass_design",
    "residual_cutoff",
]

_PADDING = 3.0
"""Periods of the cut-off by which a stretch is extended (reflected about its end) before filtering,
so that the start of the filter has died away; assumed. A shorter stretch is extended by what it
has."""

_LOWEST, _HIGHEST, _STEP = 1.0, 50.0, 0.5
"""Cut-offs tried by default [Hz]; assumed. Movement of a loaded limb lies far below the
highest."""

_SHARE_OF_RATE = 0.25
"""The cut-offs tried also stay below this share of the rate: near half of it the residual of noise
is no longer straight (it goes as √(1 − 2f/rate)); assumed."""

_STRAIGHT_PART = 0.5
"""The line is fitted to cut-offs above this share of the highest; assumed."""

_FEWEST = 6
"""Least number of cut-offs for a curve with a straight part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterDesign:
    """A zero-lag low-pass as each pass and as the whole.

    Attributes
    ----------
    pass_order, pass_cutoff : int, float
        Butterworth order and −3 dB cut-off [Hz] of one pass.
    effective_order, effective_cutoff : int, float
        Of both passes together: the slope is that of this order, the gain at the cut-off [Hz]
        is 1/√2.
    """

    pass_order: int
    pass_cutoff: float
    effective_order: int
    effective_cutoff: float


def low_pass_design(
    rate: float, cutoff: float, order: int = 4, *, corrected: bool = True
) -> FilterDesign:
    """State what :func:`low_pass` does with the same arguments.

    Examples
    --------
    >>> design = low_pass_design(200.0, 6.0)
    >>> design.pass_order, round(design.pass_cutoff, 3), design.effective_cutoff
    (2, 7.467, 6.0)
    >>> round(low_pass_design(200.0, 6.0, 2, corrected=False).effective_cutoff, 3)
    4.819
    """
    rate = as_rate(rate)
    cutoff = _below_half("cutoff", cutoff, rate)
    passes = _pass_order(order, corrected=corrected)
    warped = math.tan(math.pi * cutoff / rate)
    factor = _double_pass(passes)
    if corrected:
        each = math.atan(warped / factor) * rate / math.pi
        whole = cutoff
    else:
        each = cutoff
        whole = math.atan(warped * factor) * rate / math.pi
    return FilterDesign(
        pass_order=passes,
        pass_cutoff=each,
        effective_order=2 * passes,
        effective_cutoff=whole,
    )


def low_pass(
    values: ArrayLike, rate: float, cutoff: float, order: int = 4, *, corrected: bool = True
) -> NDArray[np.float64]:
    """Low-pass a signal: zero-lag Butterworth, forward and backward.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        NaN where nothing was recorded; every component is cut at its own gaps.
    rate : float
        [Hz]
    cutoff : float
        Frequency [Hz] at which the gain is 1/√2, below half the rate.
    order : int
        Even.
    corrected : bool
        True: ``cutoff`` and ``order`` are those of the whole. False: those of each pass, so
        that the whole has twice the order and a lower cut-off (:func:`low_pass_design` states it).

    Returns
    -------
    float array, shape of ``values``
        NaN where the signal is, and where a stretch between gaps is shorter than one period of
        the cut-off.

    Raises
    ------
    InputError
        The cut-off is not below half the rate; no stretch is long enough; infinite values.
    """
    signal = as_signal("values", values)
    design = low_pass_design(rate, cutoff, order, corrected=corrected)
    sections = _low_pass_sections(design.pass_order, design.pass_cutoff, float(rate)).copy()
    return _forth_and_back(
        signal,
        sections,
        float(rate),
        slowest=float(cutoff),
        words=f"a low-pass at {cutoff:g} Hz",
    )


@lru_cache(maxsize=64)
def _low_pass_sections(order: int, cutoff: float, rate: float) -> NDArray[np.float64]:
    """Second-order sections of one pass; a recording asks for the same ones for every channel."""
    from scipy.signal import butter

    return np.asarray(butter(order, cutoff, "lowpass", fs=rate, output="sos"))


def band_pass(
    values: ArrayLike,
    rate: float,
    low: float,
    high: float,
    order: int = 4,
    *,
    corrected: bool = True,
) -> NDArray[np.float64]:
    """Band-pass a signal: zero-lag Butterworth, forward and backward.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        As for :func:`low_pass`; a stretch must be as long as one period of ``low``.
    rate : float
        [Hz]
    low, high : float
        Frequencies [Hz] at which the gain is 1/√2, below half the rate.
    order : int
        Even; the slope at each edge.
    corrected : bool
        Whether edges and order are those of the whole, or of each pass.

    Notes
    -----
    In warped frequency w = tan(π f / rate) a pass has the gain of a low-pass at
    Ω = (w² − w_l w_h) / (w (w_h − w_l)). Both passes together reach 1/√2 at
    |Ω| = (√2 − 1)^(1/(2n)), so the band of a pass is wider by that factor about the same middle.
    """
    from scipy.signal import butter

    signal, rate = as_signal("values", values), as_rate(rate)
    low, high = _below_half("low", low, rate), _below_half("high", high, rate)
    if not low < high:
        raise InputError(f"low: {low:g} Hz is not below high, {high:g} Hz; exchange them")
    passes = _pass_order(order, corrected=corrected)
    edges = np.array([low, high])
    if corrected:
        lower, upper = np.tan(np.pi * edges / rate)
        width = (upper - lower) / _double_pass(passes)
        upper = 0.5 * (width + math.sqrt(width**2 + 4.0 * lower * upper))
        edges = np.arctan([upper - width, upper]) * rate / np.pi
    sections = butter(passes, edges, "bandpass", fs=rate, output="sos")
    return _forth_and_back(
        signal, sections, rate, slowest=low, words=f"a band-pass from {low:g} to {high:g} Hz"
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualAnalysis(ReadOnly):
    """What a low-pass removes, against its cut-off.

    Attributes
    ----------
    cutoffs : float array, shape (n,)
        Tried [Hz].
    residuals : float array, shape (n,)
        Root mean square of signal minus filtered signal; over components, the length of the
        difference. In the unit of the signal.
    cutoff : float
        Where the residual equals the noise [Hz].
    noise : float
        Intercept of the straight part at 0 Hz: what white noise alone would leave.
    at_edge : bool
        The residual equals the noise at none of the cut-offs tried: it is below the noise already
        at the lowest (little but noise was recorded), or above it at the highest (almost no noise).
        ``cutoff`` is then the lowest or the highest and not a finding.
    """

    cutoffs: NDArray[np.float64]
    residuals: NDArray[np.float64]
    cutoff: float
    noise: float
    at_edge: bool

    __repr__ = brief


def residual_cutoff(
    values: ArrayLike, rate: float, candidates: ArrayLike | None = None, *, order: int = 4
) -> ResidualAnalysis:
    """Choose a cut-off by residual analysis.

    Parameters
    ----------
    values : float array, shape (samples,) or (samples, k)
        Samples that the lowest cut-off leaves NaN do not count.
    rate : float
        [Hz]
    candidates : float array, shape (n,), optional
        Rising cut-offs [Hz], at least six; by default 1 Hz upwards in steps of 0.5 Hz to 50 Hz or
        a quarter of the rate. The line is fitted to the upper half of the range, which should hold
        noise only.
    order : int
        Of the filter, as for :func:`low_pass`.

    Notes
    -----
    The method of Winter's textbook *Biomechanics and Motor Control of Human Movement*, from
    memory: at high cut-offs the residual is noise and nearly straight; that line, extrapolated to 0
    Hz, is the noise that a filter of any cut-off faces; where the curve is as high as the
    intercept, as much signal is lost as noise let through. Where the straight part begins is judged
    by eye there and is half the range here.
    """
    signal, rate = as_signal("values", values), as_rate(rate)
    cutoffs = _default_cutoffs(rate) if candidates is None else _candidates(candidates, rate)
    residuals = np.empty_like(cutoffs)
    counted: NDArray[np.bool_] | None = None
    for number, cutoff in enumerate(cutoffs):
        off = (signal - low_pass(signal, rate, cutoff, order)).reshape(len(signal), -1)
        if counted is None:
            counted = ~np.isnan(off)
        square = np.where(counted, off, 0.0) ** 2
        residuals[number] = math.sqrt(
            float(np.sum(square.sum(axis=0) / np.maximum(counted.sum(axis=0), 1)))
        )
    straight = cutoffs >= _STRAIGHT_PART * cutoffs[-1]
    if int(straight.sum()) < 3:
        raise InputError(
            f"candidates: fewer than three lie above {_STRAIGHT_PART * cutoffs[-1]:g} Hz, half of "
            "the highest, where the line is fitted; add some there"
        )
    noise = max(float(np.polyfit(cutoffs[straight], residuals[straight], 1)[1]), 0.0)
    below = np.flatnonzero(residuals <= noise)
    at_edge = not below.size or below[0] == 0
    if at_edge:
        chosen = float(cutoffs[0] if below.size else cutoffs[-1])
    else:
        one, two = below[0] - 1, below[0]
        share = (residuals[one] - noise) / (residuals[one] - residuals[two])
        chosen = float(cutoffs[one] + share * (cutoffs[two] - cutoffs[one]))
    return ResidualAnalysis(
        cutoffs=cutoffs, residuals=residuals, cutoff=chosen, noise=noise, at_edge=bool(at_edge)
    )


def _double_pass(order: int) -> float:
    """Cut-off of two passes over that of one."""
    return float((math.sqrt(2.0) - 1.0) ** (0.5 / order))


def _pass_order(order: int, *, corrected: bool) -> int:
    number = as_count("order", order, 1)
    if not corrected:
        return number
    if number % 2:
        raise InputError(
            f"order: {number} cannot be shared by two passes; take {number + 1}, or "
            "corrected=False to state the order of each pass"
        )
    return number // 2


def _below_half(argument: str, frequency: float, rate: float) -> float:
    value = as_number(argument, frequency, "Hz", above=0.0)
    if value >= 0.5 * rate:
        raise InputError(
            f"{argument}: {value:g} Hz is not below half the sampling rate of {rate:g} Hz "
            f"({0.5 * rate:g} Hz); lower it, or check the rate"
        )
    return value


def _forth_and_back(
    signal: NDArray[np.float64],
    sections: NDArray[np.float64],
    rate: float,
    *,
    slowest: float,
    words: str,
) -> NDArray[np.float64]:
    from scipy.signal import sosfiltfilt

    least = math.ceil(rate / slowest) + 1
    padding = math.ceil(_PADDING * rate / slowest)
    longest = longest_stretch(signal)
    if longest == 0:
        raise InputError("values: every sample is missing; there is nothing to filter")
    if longest < least:
        raise InputError(
            f"values: the longest stretch without a gap has {longest} samples "
            f"({longest / rate:.3g} s); {words} needs {least}, one period; fill gaps, record "
            "longer or raise the cut-off"
        )

    def run(block: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(
            sosfiltfilt(sections, block, axis=0, padlen=min(padding, len(block) - 1)),
            dtype=np.float64,
        )

    return by_stretch(signal, least, run)


def _default_cutoffs(rate: float) -> NDArray[np.float64]:
    top = min(_HIGHEST, _SHARE_OF_RATE * rate)
    cutoffs = np.arange(_LOWEST, top + 1e-9, _STEP)
    if len(cutoffs) < _FEWEST:
        raise InputError(
            f"rate: at {rate:g} Hz fewer than {_FEWEST} cut-offs lie between {_LOWEST:g} Hz and a "
            f"quarter of the rate, {top:g} Hz; state the cut-off, or give candidates"
        )
    return cutoffs


def _candidates(candidates: ArrayLike, rate: float) -> NDArray[np.float64]:
    cutoffs = as_signal("candidates", candidates).copy()
    if cutoffs.ndim != 1 or len(cutoffs) < _FEWEST:
        raise ShapeError(
            "candidates", f"shape (n,) with at least {_FEWEST} cut-offs", f"shape {cutoffs.shape}"
        )
    if not (np.diff(cutoffs) > 0.0).all():
        raise InputError("candidates: must be cut-offs in rising order, each once")
    for end in (cutoffs[0], cutoffs[-1]):
        _below_half("candidates", float(end), rate)
    return cutoffs
