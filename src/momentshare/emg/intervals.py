"""Means over people and the intervals that go with them; none for a single person."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["mean_and_half", "student", "wilson", "window_mean"]


def wilson(count: int, people: int, confidence: float) -> tuple[float, float, float]:
    """Share with Wilson's interval; none for a single person."""
    from scipy.stats import binomtest

    if people == 0:
        return np.nan, np.nan, np.nan
    if people == 1:
        return float(count), np.nan, np.nan
    found = binomtest(count, people).proportion_ci(confidence, method="wilson")
    return count / people, float(found.low), float(found.high)


def student(values: NDArray[np.float64], confidence: float) -> tuple[float, float, float]:
    """Mean over people with Student's interval; none for a single person."""
    if values.size == 0:
        return np.nan, np.nan, np.nan
    mean, half = (float(v[0]) for v in mean_and_half(values[:, None], confidence))
    return mean, mean - half, mean + half


def window_mean(values: NDArray[np.float64]) -> float:
    """Mean; NaN of an empty array."""
    return float(values.mean()) if values.size else np.nan


def mean_and_half(
    values: NDArray[np.float64], confidence: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean over people (the first axis) and half of Student's interval; NaN is left out."""
    from scipy.stats import t

    known = ~np.isnan(values)
    count = known.sum(axis=0)
    safe = np.maximum(count, 1)
    mean = np.where(known, values, 0.0).sum(axis=0) / safe
    spread = np.where(known, values - mean, 0.0)
    free = np.maximum(count - 1, 1)
    error = np.sqrt((spread**2).sum(axis=0) / free / safe)
    half = t.ppf(0.5 + 0.5 * confidence, free) * error
    return np.where(count > 0, mean, np.nan), np.where(count > 1, half, np.nan)
