"""Turning points of a curve that count: those with a large enough swing between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["turning_points"]


def turning_points(values: NDArray[np.float64], swing: float) -> list[tuple[int, bool]]:
    """Lows and highs in turn, so that neighbours differ by at least ``swing``.

    Parameters
    ----------
    values : float array, shape (samples,)
        Without gaps.
    swing : float
        Above 0. Smaller ups and downs are ignored.

    Returns
    -------
    list of (int, bool)
        Index, and whether it is a high. Each is the extreme between its neighbours; the first and
        the last may lie at an end of the curve. Empty when nothing swings that far.
    """
    series = values.tolist()
    found: list[tuple[int, bool]] = []
    low = high = 0
    rising: bool | None = None
    for at, value in enumerate(series):
        if rising is not False and value > series[high]:
            high = at
        if rising is not True and value < series[low]:
            low = at
        if rising is not False and series[high] - value >= swing:
            found.append((high, True))
            rising, low = False, at
        elif rising is not True and value - series[low] >= swing:
            found.append((low, False))
            rising, high = True, at
    if rising is not None:
        found.append((high, True) if rising else (low, False))
    return found
