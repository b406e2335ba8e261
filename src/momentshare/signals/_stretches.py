"""Unbroken stretches of a signal, each treated separately.

A gap divides a signal: nothing measured on one side of it determines a filter or a derivative on
the other. Components are cut at their own gaps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

__all__ = ["by_stretch", "longest_stretch", "runs", "stretches"]


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and one past the last index of every run of true flags, shape (samples,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]])))
    return [(int(first), int(stop)) for first, stop in edges.reshape(-1, 2)]


def stretches(
    values: NDArray[np.float64],
) -> Iterator[tuple[NDArray[np.intp], list[tuple[int, int]]]]:
    """Components with the same gaps, and their stretches; values of shape (samples, k)."""
    known = ~np.isnan(values)
    alike: dict[bytes, list[int]] = {}
    for column in range(known.shape[1]):
        alike.setdefault(known[:, column].tobytes(), []).append(column)
    for columns in alike.values():
        yield np.array(columns, dtype=np.intp), runs(known[:, columns[0]])


def longest_stretch(values: NDArray[np.float64]) -> int:
    """Count the samples in the longest stretch of any component."""
    flat = values.reshape(len(values), -1)
    return max((stop - first for _, cut in stretches(flat) for first, stop in cut), default=0)


def by_stretch(
    values: NDArray[np.float64],
    least: int,
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Apply a function to every stretch of at least ``least`` samples; NaN elsewhere.

    The function takes and returns shape (n, components).
    """
    flat = values.reshape(len(values), -1)
    result = np.full_like(flat, np.nan)
    for columns, cuts in stretches(flat):
        for first, stop in cuts:
            if stop - first >= least:
                result[first:stop, columns] = function(flat[first:stop, columns])
    return result.reshape(values.shape)
