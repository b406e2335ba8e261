"""Lag of a trial's electromyograms behind prediction and behind the hand force.

A muscle is active some 30 to 100 ms before the force that it produces (common practice, no source),
so an envelope that follows its prediction by hundreds of milliseconds points to clocks that differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

__all__ = ["EmgLag", "emg_lag"]

_LONGEST = 0.6
"""Greatest lag that is searched for between envelope and prediction [s]; assumed."""

_STEP = 0.01
"""[s]"""

_FULL = 0.999
"""Predicted activation from which a head is fully active, and its course cut off at the top."""

_LEAST_MATCH = 0.4
"""Mean correlation below which a lag means nothing; assumed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmgLag:
    """Lag of the envelopes, late positive [s]; NaN where it cannot be determined.

    ``behind_prediction`` slides the envelopes along predicted activation, head by head;
    ``behind_force`` slides their mean along the vertical hand force. ``match`` and ``force_match``
    are the mean correlations there.
    """

    behind_prediction: float
    match: float
    behind_force: float
    force_match: float


def emg_lag(
    envelopes: Mapping[str, NDArray[np.float64]],
    predicted: Sequence[tuple[NDArray[np.float64], Mapping[str, NDArray[np.float64]]]],
    force: NDArray[np.float64] | None,
    rate: float,
) -> EmgLag:
    """Find the lags of one trial.

    Parameters
    ----------
    envelopes : mapping
        Head → envelope on the clock of the motion, shape (samples,).
    predicted : sequence of (positions, activation)
        For each repetition, the samples at which its frames lie, and head → activation there.
    force : float array, shape (samples,), or None
        Size of the vertical hand force [N].
    rate : float
        Of the clock [Hz].
    """
    steps = np.arange(-round(_LONGEST / _STEP), round(_LONGEST / _STEP) + 1)
    lags: NDArray[np.float64] = steps.astype(np.float64) * _STEP
    shifts = lags * rate
    # A head at its ceiling for half of the time says nothing about when.
    free = [
        (at, {head: a for head, a in heads.items() if np.mean(a >= _FULL) <= 0.5})
        for at, heads in predicted
    ]
    scores = np.array([_match(envelopes, free, shift) for shift in shifts])
    behind, match = _best(scores, lags)
    late, fit = np.nan, np.nan
    if force is not None and envelopes and predicted:
        mean = np.mean(np.stack(list(envelopes.values())), axis=0)
        first = min(float(at[0]) for at, _ in predicted) - 2.0 * rate
        last = max(float(at[-1]) for at, _ in predicted)
        window = np.arange(max(first, 0.0), min(last, len(force) - 1.0))
        part = [(window, {"all": np.interp(window, np.arange(len(force)), force)})]
        against = np.array([_match({"all": mean}, part, shift) for shift in shifts])
        late, fit = _best(against, lags)
    return EmgLag(behind_prediction=behind, match=match, behind_force=late, force_match=fit)


def _match(
    envelopes: Mapping[str, NDArray[np.float64]],
    predicted: Sequence[tuple[NDArray[np.float64], Mapping[str, NDArray[np.float64]]]],
    shift: float,
) -> float:
    """Mean over the heads of the correlation of shifted envelope and prediction."""
    found = []
    for head, envelope in envelopes.items():
        clock = np.arange(len(envelope))
        parts = [
            (activation[head], np.interp(at + shift, clock, envelope, np.nan, np.nan))
            for at, activation in predicted
            if head in activation
        ]
        if not parts:
            continue
        a, b = (np.concatenate(side) for side in zip(*parts, strict=True))
        known = np.isfinite(a) & np.isfinite(b)
        if known.sum() < 0.8 * len(a) or np.std(a[known]) == 0.0 or np.std(b[known]) == 0.0:
            continue
        found.append(float(np.corrcoef(a[known], b[known])[0, 1]))
    return float(np.mean(found)) if found else np.nan


def _best(scores: NDArray[np.float64], lags: NDArray[np.float64]) -> tuple[float, float]:
    """Lag of the best match and the match; NaN where none is good or the best is at an end."""
    if not np.isfinite(scores).any():
        return np.nan, np.nan
    best = int(np.nanargmax(scores))
    match = float(scores[best])
    inner = 0 < best < len(scores) - 1 and np.isfinite(scores[[best - 1, best + 1]]).all()
    if match < _LEAST_MATCH or not inner:
        return np.nan, match
    before, at, after = scores[best - 1 : best + 2]
    bend = before - 2.0 * at + after
    step = 0.0 if bend == 0.0 else 0.5 * (before - after) / bend
    return float(lags[best] + step * (lags[1] - lags[0])), match
