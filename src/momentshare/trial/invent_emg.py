"""Invented electromyograms: noise whose size follows a known activation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from momentshare.trial.recording import Channel

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MAXIMAL_SECONDS", "invent_emg", "invent_maximal"]

MAXIMAL_SECONDS = 3.0
"""Length of an invented maximal contraction [s]."""

_BAND = (30.0, 350.0)
"""Band of the carrier [Hz]; invented."""

_BASE = 0.004
"""Noise at rest, over the size at full activation; invented."""


def invent_emg(
    activation: NDArray[np.float64],
    rate: float,
    *,
    full: float,
    emg_rate: float = 1000.0,
    label: str = "",
    seed: int = 1,
) -> Channel:
    """Raw electromyogram of a known activation.

    Parameters
    ----------
    activation : float array, shape (samples,)
        0 to 1.
    rate : float
        Of the activation [Hz].
    full : float
        Mean rectified size at full activation [V].
    emg_rate : float
        Of the electromyogram [Hz].
    label : str
        Name in the file.
    seed : int
    """
    time = np.arange(len(activation)) / rate
    fine = np.arange(int(time[-1] * emg_rate)) / emg_rate
    size = np.interp(fine, time, activation)
    rng = np.random.default_rng(seed)
    values = full * (
        size * _carrier(rng, len(fine), emg_rate) + _BASE * rng.standard_normal(len(fine))
    )
    return Channel(label=label, values=values, rate=emg_rate, unit="V")


def invent_maximal(*, full: float, label: str = "", seed: int = 1) -> Channel:
    """Raw electromyogram of a maximal contraction: up, held, down."""
    share = np.linspace(0.0, 1.0, int(MAXIMAL_SECONDS * 100.0))
    level = np.clip(np.minimum(share, 1.0 - share) / 0.25, 0.0, 1.0)
    return invent_emg(level, 100.0, full=full, label=label, seed=seed)


def _carrier(rng: np.random.Generator, count: int, rate: float) -> NDArray[np.float64]:
    """Noise within the band whose mean rectified size is one."""
    from scipy.signal import butter, sosfiltfilt

    sections = butter(2, _BAND, btype="bandpass", fs=rate, output="sos")
    noise = np.asarray(sosfiltfilt(sections, rng.standard_normal(count)))
    return noise / float(np.mean(np.abs(noise)))
