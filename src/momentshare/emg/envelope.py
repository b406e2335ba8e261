"""From a raw electromyogram to its envelope, and to a share of the maximal contraction.

Offset out, band-pass, then either rectify and low-pass (``linear``) or a moving root mean
square (``rms``). Every filter runs forward and backward, so nothing moves in time; the delay
between excitation and force is applied deliberately, or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from momentshare.emg.quality import quality_notes
from momentshare.errors import InputError, ShapeError
from momentshare.results import ReadOnly, brief
from momentshare.signals.filters import band_pass, low_pass

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["EmgSettings", "Envelope", "Maximum", "envelope", "maximal_level", "normalise"]

ORDER = 4
"""Order of band-pass and low-pass, forward and backward together; common practice, no source."""

NYQUIST_SHARE = 0.95
"""Highest edge of a band over half the sampling rate; assumed, so that the filter stays well
defined."""

LEAST_BAND = 2.0
"""Least ratio of the upper to the lower edge of the band, one octave; assumed."""

LEAST_PERIODS = 2.0
"""Shortest recording, in periods of the envelope's cut-off; assumed."""

SLIGHT_EXCESS = 1.005
"""Greatest share of the maximal contraction that is not noted: it would print as 1.00; chosen
here."""

LONGEST_DELAY = 0.5
"""Longest delay [s] that is accepted; assumed. More is a slip, such as milliseconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmgSettings:
    """How an envelope is made; every default is common practice, no source.

    Parameters
    ----------
    low, high : float
        Edges of the band-pass [Hz]; ``high`` is lowered, and noted, where the sampling rate
        does not reach it.
    cutoff : float
        Low-pass of the rectified signal [Hz], for ``linear``; at this frequency, as at the edges
        of the band, the filter that has run forward and backward passes 1/√2.
    method : {"linear", "rms"}
        Mean of the rectified signal, or root mean square. The second is larger by √(π/2) for
        a normally distributed signal, so a lift and its maximal contraction need the same.
    window_s : float
        Window of the moving root mean square [s]; for ``rms``.
    delay_s : float
        Electromechanical delay [s]: the envelope is put that much later, because force
        follows excitation.
    """

    low: float = 20.0
    high: float = 450.0
    cutoff: float = 6.0
    method: Literal["linear", "rms"] = "linear"
    window_s: float = 0.1
    delay_s: float = 0.0

    def __post_init__(self) -> None:
        for name in ("low", "high", "cutoff", "window_s"):
            value = _number(f"emg settings: {name}", getattr(self, name))
            if not value > 0.0:
                raise InputError(f"emg settings: {name}: must be more than 0; got {value!r}")
        if not self.low < self.high:
            raise InputError(
                f"emg settings: low, high: must be in order, low < high [Hz]; got {self.low:g} and "
                f"{self.high:g}"
            )
        if self.method not in {"linear", "rms"}:
            raise InputError(
                f"emg settings: method: must be 'linear' or 'rms'; got {self.method!r}"
            )
        delay = _number("emg settings: delay_s", self.delay_s)
        if not 0.0 <= delay <= LONGEST_DELAY:
            raise InputError(
                f"emg settings: delay_s: must be between 0 and {LONGEST_DELAY:g} s; got {delay!r}; "
                "give seconds, and a positive number for force that follows the electromyogram"
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope(ReadOnly):
    """An envelope, sample by sample.

    Attributes
    ----------
    values : float array, shape (samples,)
        [V], or share of the maximal contraction after :func:`normalise`. Never negative; NaN
        in the first ``delay_s`` seconds, about which nothing is known.
    rate : float
        [Hz]
    notes : tuple of str
        What was decided and what looks wrong.
    settings : EmgSettings
    unit : {"V", "1"}
    """

    values: NDArray[np.float64]
    rate: float
    notes: tuple[str, ...]
    settings: EmgSettings
    unit: Literal["V", "1"] = "V"

    __repr__ = brief

    @property
    def greatest(self) -> float:
        """Greatest value, in ``unit``; NaN where no sample is known."""
        known = self.values[~np.isnan(self.values)]
        return float(known.max()) if known.size else np.nan

    @property
    def share_above_one(self) -> float:
        """Share of the known samples above the maximal contraction, 0 to 1; NaN in volts."""
        known = self.values[~np.isnan(self.values)]
        return float((known > 1.0).mean()) if known.size and self.unit == "1" else np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Maximum:
    """Level of a maximal voluntary contraction; ``float(maximum)`` is its value.

    Attributes
    ----------
    value : float
        Greatest mean of the envelope over the window [V].
    start : float
        Where the window begins [s].
    window_s : float
    settings : EmgSettings
    notes : tuple of str
    """

    value: float
    start: float
    window_s: float
    settings: EmgSettings
    notes: tuple[str, ...]

    def __float__(self) -> float:
        return self.value


def envelope(
    raw: ArrayLike, rate: float, settings: EmgSettings | None = None, *, label: str = ""
) -> Envelope:
    """Return the envelope of one raw electromyogram.

    Parameters
    ----------
    raw : array_like, shape (samples,)
        [V]; every sample finite.
    rate : float
        [Hz]
    settings : EmgSettings, optional
    label : str
        File and channel, for messages.

    Returns
    -------
    Envelope
        As many samples as ``raw``. At the ends the rectified signal is mirrored.

    Raises
    ------
    ShapeError
        Not one row of samples, or samples that are not finite.
    InputError
        A sampling rate too low for the band, or a recording shorter than two periods of the
        cut-off.

    Examples
    --------
    A steady sine of 1 mV has a mean rectified value of 2/π mV, of which the band takes little.

    >>> import numpy as np
    >>> from momentshare.emg import envelope
    >>> time = np.arange(4000) / 2000.0
    >>> found = envelope(1e-3 * np.sin(2 * np.pi * 137.0 * time), 2000.0)
    >>> round(float(found.values[2000]) * 1e3, 2)
    0.64
    """
    chosen = settings or EmgSettings()
    where = f"{label}: " if label else ""
    values, hertz = _samples(raw, rate, chosen, where)
    low, high, notes = _band(hertz, chosen, where)
    inside = _band_passed(values, hertz, low, high)
    notes += quality_notes(values, inside, hertz, low, high)
    if chosen.method == "rms":
        level = _moving_rms(inside, hertz, chosen.window_s)
    else:
        level, under = _smoothed(np.abs(inside), hertz, chosen.cutoff)
        if under > 0.01 * float(level.max(initial=0.0)):
            notes.append(
                f"the low-pass fell below zero by up to {1e3 * under:.3g} mV beside a steep rise; "
                "set to zero there"
            )
    if chosen.delay_s > 0.0:
        level = _delayed(level, chosen.delay_s * hertz)
        notes.append(
            f"put {1e3 * chosen.delay_s:g} ms later for the electromechanical delay; the first "
            f"{1e3 * chosen.delay_s:g} ms are empty"
        )
    return Envelope(values=level, rate=hertz, notes=tuple(notes), settings=chosen)


def maximal_level(
    raw: ArrayLike,
    rate: float,
    settings: EmgSettings | None = None,
    window_s: float = 0.5,
    *,
    label: str = "",
) -> Maximum:
    """Greatest mean of the envelope over a window of a maximal voluntary contraction.

    Parameters
    ----------
    raw : array_like, shape (samples,)
        [V]
    rate : float
        [Hz]
    settings : EmgSettings, optional
        The same as for the lift; the delay has no effect.
    window_s : float
        [s]; half a second is common practice, no source.
    label : str
        File and channel, for messages.

    Raises
    ------
    InputError
        A recording without any signal, or shorter than the window.
    """
    chosen = settings or EmgSettings()
    where = f"{label}: " if label else ""
    window = _number(f"{where}window_s", window_s)
    if not window > 0.0:
        raise InputError(f"{where}window_s: must be more than 0 s; got {window!r}")
    found = envelope(raw, rate, replace(chosen, delay_s=0.0), label=label)
    count = max(1, round(window * found.rate))
    if count > found.values.size:
        raise InputError(
            f"{where}maximal contraction: lasts {found.values.size / found.rate:.3g} s, shorter "
            f"than the window of {window:g} s; give a longer recording or a shorter window"
        )
    total = np.concatenate([[0.0], np.cumsum(found.values)])
    mean = (total[count:] - total[:-count]) / count
    first = int(mean.argmax())
    if not mean[first] > 0.0:
        raise InputError(
            f"{where}maximal contraction: no signal, the envelope is zero throughout; check "
            "electrode and channel, or leave the muscle out"
        )
    return Maximum(
        value=float(mean[first]),
        start=first / found.rate,
        window_s=window,
        settings=chosen,
        notes=found.notes,
    )


def normalise(envelope: Envelope, maximum: Maximum | float) -> Envelope:
    """Divide an envelope by the level of the maximal contraction.

    Values above 1 are kept: the contraction was not maximal, or was made in another posture, and
    clipping them would hide it. The result's ``share_above_one`` and ``greatest`` report them, and
    a note says so where they exceed it by more than half a per cent.

    Parameters
    ----------
    envelope : Envelope
        In volts.
    maximum : Maximum or float
        From :func:`maximal_level` with the same settings, or a level [V].

    Raises
    ------
    InputError
        A level that is not above zero, an envelope that is normalised already, or settings
        that do not match.
    """
    if envelope.unit == "1":
        raise InputError("normalise: this envelope is a share of a maximal contraction already")
    notes = list(envelope.notes)
    if isinstance(maximum, Maximum):
        if replace(maximum.settings, delay_s=0.0) != replace(envelope.settings, delay_s=0.0):
            raise InputError(
                "normalise: lift and maximal contraction were processed differently: "
                f"{envelope.settings} and {maximum.settings}; use the same settings"
            )
        notes += [f"maximal contraction: {note}" for note in maximum.notes]
    level = _number("normalise: maximum", maximum)
    if not level > 0.0:
        raise InputError(
            f"normalise: maximum: must be more than 0 V; got {level!r}; a muscle without a "
            "maximal contraction cannot be normalised"
        )
    shares = replace(envelope, values=envelope.values / level, unit="1")
    if shares.greatest > SLIGHT_EXCESS:
        percent = 100.0 * shares.share_above_one
        text = "less than 0.1" if percent < 0.1 else f"{percent:.1f}"
        notes.append(
            f"{text} % of the samples exceed the maximal contraction, up to "
            f"{shares.greatest:.2f} times; it was not maximal or was made in another posture"
        )
    return replace(shares, notes=tuple(notes))


def _number(name: str, value: object) -> float:
    """Give a finite number or a message that names it."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise InputError(f"{name}: must be a number; got {value!r}") from error
    if not np.isfinite(number):
        raise InputError(f"{name}: must be a finite number; got {number!r}")
    return number


def _samples(
    raw: ArrayLike, rate: float, settings: EmgSettings, where: str
) -> tuple[NDArray[np.float64], float]:
    """Raw values and sampling rate, checked."""
    hertz = _number(f"{where}rate", rate)
    if not hertz > 0.0:
        raise InputError(f"{where}rate: must be more than 0 Hz; got {hertz!r}")
    try:
        values = np.array(raw, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ShapeError(f"{where}raw", "an array of numbers [V]", type(raw).__name__) from error
    if values.ndim != 1:
        raise ShapeError(
            f"{where}raw", "shape (samples,)", f"shape {values.shape}", "give one channel"
        )
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise ShapeError(
            f"{where}raw",
            "finite in every sample",
            f"{values[bad[0]]} at sample {bad[0]} ({bad.size} in all)",
            "fill the gap or cut the recording there",
        )
    shortest = LEAST_PERIODS / settings.cutoff
    if values.size < shortest * hertz:
        raise InputError(
            f"{where}raw: must be at least {shortest:.3g} s, two periods of the cut-off; got "
            f"{values.size} samples at {hertz:g} Hz ({values.size / hertz:.3g} s)"
        )
    return values, hertz


def _band(rate: float, settings: EmgSettings, where: str) -> tuple[float, float, list[str]]:
    """Edges of the band at this sampling rate [Hz]."""
    ceiling = NYQUIST_SHARE * rate / 2.0
    high = min(settings.high, ceiling)
    if high < LEAST_BAND * settings.low and high < settings.high:
        raise InputError(
            f"{where}rate: {rate:g} Hz is too low for a band from {settings.low:g} Hz; must be at "
            f"least {2.0 * LEAST_BAND * settings.low / NYQUIST_SHARE:.0f} Hz; record the raw "
            "signal faster (an envelope that is already smoothed cannot be used here)"
        )
    if not settings.cutoff < high:
        raise InputError(
            f"{where}cutoff: must be below the upper edge of the band, {high:g} Hz; got "
            f"{settings.cutoff:g} Hz"
        )
    notes = []
    if high < settings.high:
        notes.append(
            f"the band ends at {high:g} Hz instead of {settings.high:g} Hz, because the sampling "
            f"rate is {rate:g} Hz"
        )
    return settings.low, high, notes


def _band_passed(
    values: NDArray[np.float64], rate: float, low: float, high: float
) -> NDArray[np.float64]:
    """Remove the offset, then apply the band-pass; a flat line gives exact zeros."""
    if np.ptp(values) == 0.0:
        return np.zeros_like(values)
    return band_pass(values - values.mean(), rate, low, high, ORDER)


def _smoothed(
    rectified: NDArray[np.float64], rate: float, cutoff: float
) -> tuple[NDArray[np.float64], float]:
    """Low-pass the rectified signal; also return how far below zero it fell.

    The ends are mirrored first. Reflecting the signal about its last sample would make the envelope
    end at that one sample, which is noise.
    """
    pad = min(rectified.size - 1, round(LEAST_PERIODS * rate / cutoff))
    longer = np.pad(rectified, pad, mode="reflect")
    smooth = low_pass(longer, rate, cutoff, ORDER)[pad : pad + rectified.size]
    return np.maximum(smooth, 0.0), max(0.0, -float(smooth.min()))


def _moving_rms(values: NDArray[np.float64], rate: float, window: float) -> NDArray[np.float64]:
    """Root mean square over an odd number of samples, centred; mirrored at the ends."""
    from scipy.ndimage import uniform_filter1d

    count = 2 * round(0.5 * (window * rate - 1.0)) + 1
    mean = uniform_filter1d(values**2, min(count, values.size), mode="reflect")
    return np.asarray(np.sqrt(np.maximum(mean, 0.0)))


def _delayed(values: NDArray[np.float64], samples: float) -> NDArray[np.float64]:
    """Values ``samples`` ago, interpolated linearly; NaN before the first."""
    at = np.arange(values.size) - samples
    return np.asarray(np.interp(at, np.arange(values.size), values, left=np.nan))
