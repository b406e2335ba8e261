"""What looks wrong in a raw electromyogram: dead, clipped, mains hum, baseline drift.

Each check yields a note and changes nothing. The limits are assumed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["quality_notes"]

FLAT_TIME = 0.1
"""Time [s] without any change after which a channel counts as dead."""

CLIPPED_RUN = 3
"""Equal samples in a row at an extreme that count as clipped."""

CLIPPED_SHARE = 1e-3
"""Share of clipped samples from which clipping is noted."""

MAINS = (50.0, 60.0)
"""Mains frequencies [Hz]."""

MAINS_SHARE = 0.01
"""Share of the power in the band at the mains and its harmonics from which hum is noted: a tenth
of the amplitude."""

MAINS_CLEAR = 6.0
"""How far a line stands above its neighbourhood before it counts, in relative standard errors of
the mean of n spectra (1/√n, and 1/n for the long tail of a few); chosen so that none of 400
recordings without hum was noted."""

MAINS_REACH = 1.5
"""Half width of a mains line in the spectrum [Hz]; the window of the spectrum spreads it."""

MAINS_BESIDE = 6.0
"""Half width [Hz] of the neighbourhood whose power estimates what the line would hold anyway."""

SPECTRUM_TIME = 1.0
"""Length of the segments whose spectra are averaged [s]; gives a resolution of 1 Hz."""

DRIFT_PIECES = 10
"""Number of segments whose means show the drift."""

DRIFT_LIMIT = 1.0
"""Range of those means, over the root mean square in the band, from which drift is noted."""


def quality_notes(
    raw: NDArray[np.float64],
    inside: NDArray[np.float64],
    rate: float,
    low: float,
    high: float,
) -> list[str]:
    """Describe what looks wrong.

    Parameters
    ----------
    raw : float array, shape (samples,)
        As recorded [V].
    inside : float array, shape (samples,)
        After the band-pass [V].
    rate : float
        [Hz]
    low, high : float
        Edges of the band [Hz].
    """
    if np.ptp(raw) == 0.0:
        return ["flat line: the signal never changes; check electrode and channel"]
    found = (
        _flat(raw, rate),
        _clipped(raw),
        _hum(raw, rate, low, high),
        _drift(raw, inside),
    )
    return [note for note in found if note]


def _runs(values: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First sample and length of every run of equal samples."""
    first = np.concatenate([[0], np.flatnonzero(np.diff(values) != 0.0) + 1])
    return first, np.diff(np.concatenate([first, [values.size]]))


def _flat(raw: NDArray[np.float64], rate: float) -> str:
    first, length = _runs(raw)
    longest = int(length.argmax())
    if length[longest] < FLAT_TIME * rate:
        return ""
    dead = length[length >= FLAT_TIME * rate].sum() / rate
    return (
        f"flat for {length[longest] / rate:.2f} s from {first[longest] / rate:.2f} s on "
        f"({dead:.2f} s in all): the electrode came off or the channel dropped out"
    )


def _clipped(raw: NDArray[np.float64]) -> str:
    first, length = _runs(raw)
    extreme = (raw[first] == raw.min()) | (raw[first] == raw.max())
    cut = int(length[extreme & (length >= CLIPPED_RUN)].sum())
    if cut < CLIPPED_SHARE * raw.size:
        return ""
    return (
        f"clipped: {cut} samples ({100.0 * cut / raw.size:.1f} %) lie in runs at the extremes "
        f"{1e3 * raw.min():.4g} and {1e3 * raw.max():.4g} mV; the envelope is too low there; "
        "lower the gain"
    )


def _hum(raw: NDArray[np.float64], rate: float, low: float, high: float) -> str:
    from scipy.signal import spectrogram

    count = min(raw.size, round(SPECTRUM_TIME * rate))
    if rate / count > 2.0 * MAINS_REACH:
        return f"too short ({raw.size / rate:.2f} s) to detect mains hum"
    frequency, _, pieces = spectrogram(
        raw, fs=rate, window="hann", nperseg=count, noverlap=count // 2, detrend="constant"
    )
    band = (frequency >= low) & (frequency <= high)
    size = pieces[band].sum(axis=0)
    total = float(size.mean())
    if not total > 0.0:
        return ""
    # Hum goes on where muscles rest, so the quieter half shows it best.
    quiet = np.argsort(size)[: (size.size + 1) // 2]
    power = pieces[:, quiet].mean(axis=1)
    alike = size[quiet].sum() ** 2 / max(float((size[quiet] ** 2).sum()), 1e-300)
    clear = 1.0 + MAINS_CLEAR * (1.0 / np.sqrt(alike) + 1.0 / alike) if alike else np.inf
    shares = {}
    for mains in MAINS:
        lines = np.arange(1, int(high / mains) + 1) * mains
        excess = 0.0
        for line in lines[lines >= low]:
            away = np.abs(frequency - line)
            on = band & (away <= MAINS_REACH)
            beside = band & (away > MAINS_REACH) & (away <= MAINS_BESIDE)
            if not (on.any() and beside.any()):
                continue
            usual = power[beside].mean()
            if power[on].max() > clear * usual:
                excess += float((power[on] - usual).sum())
        shares[mains] = excess / total
    worst = max(shares, key=lambda mains: shares[mains])
    if shares[worst] < MAINS_SHARE:
        return ""
    percent = 100.0 * shares[worst]
    return (
        f"mains hum: {percent:.{1 if percent < 10.0 else 0}f} % of the power in the band lies in "
        f"lines at {worst:g} Hz and its harmonics (noted from {100.0 * MAINS_SHARE:.0f} % on); the "
        "envelope is too high at rest; check ground and cables"
    )


def _drift(raw: NDArray[np.float64], inside: NDArray[np.float64]) -> str:
    means = np.array([piece.mean() for piece in np.array_split(raw, DRIFT_PIECES)])
    level = float(np.sqrt(np.mean(inside**2)))
    wander = float(np.ptp(means))
    if wander <= DRIFT_LIMIT * level:
        return ""
    return (
        f"drift: the offset wanders by {1e3 * wander:.3g} mV while the signal in the band has "
        f"{1e3 * level:.3g} mV (root mean square); the band-pass removes it, but look for a "
        "loose electrode"
    )
