"""Attribution of a difference to members grouped in factors, whatever the order.

A difference arises when several things change together: moments, arms, capacity, and within the
moments one component after the other. Unless the answer is a plain sum of their effects, the part
of each depends on the order in which they are changed. The mean over all orders in which the
members of a factor stay together does not: it is the value of Owen (1977), and summed over the
members of a factor that of Shapley (1953) for the factors; both from memory. The parts add up to
the difference exactly.
"""

from __future__ import annotations

import math
from itertools import accumulate, combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

__all__ = ["MOST_MEMBERS", "member_values"]

MOST_MEMBERS = 10
"""Members of one factor that are distinguished; the states to solve double with each."""


def member_values(
    factors: Sequence[int],
    solve: Callable[[NDArray[np.bool_]], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Attribute a difference to the members of factors.

    Parameters
    ----------
    factors : sequence of int
        Number of members of each factor.
    solve : callable
        Takes states, shape (states, members), which say for each member whether it is as in the
        first case rather than the second; returns values, shape (states, ...).

    Returns
    -------
    float array, shape (members, ...)
        Part of each in the value with all as in the first less that with all as in the second, in
        the order of the factors.

    Examples
    --------
    A product of two factors, 3 × 5 against 1 × 1: each is met first in half of the orders.

    >>> import numpy as np
    >>> def product(states):
    ...     return np.where(states[:, 0], 3.0, 1.0) * np.where(states[:, 1], 5.0, 1.0)
    >>> member_values([1, 1], product)
    array([6., 8.])
    """
    places: dict[tuple[bool, ...], int] = {}
    terms = [
        (member, weight, _place(places, with_it), _place(places, without))
        for member, weight, with_it, without in _terms(factors)
    ]
    if not terms:
        return np.zeros((0, *solve(np.zeros((1, 0), dtype=bool)).shape[1:]))
    values = solve(np.array(list(places), dtype=bool))
    out = np.zeros((sum(factors), *values.shape[1:]))
    for member, weight, with_it, without in terms:
        out[member] += weight * (values[with_it] - values[without])
    return out


def _place(places: dict[tuple[bool, ...], int], state: tuple[bool, ...]) -> int:
    return places.setdefault(state, len(places))


def _terms(
    factors: Sequence[int],
) -> Iterator[tuple[int, float, tuple[bool, ...], tuple[bool, ...]]]:
    """Weight of every step in which a member joins, with the states after and before it."""
    edges = list(accumulate(factors, initial=0))
    spans = [range(first, end) for first, end in pairwise(edges)]
    for own, span in enumerate(spans):
        others = [k for k in range(len(spans)) if k != own]
        for before in _subsets(others):
            outer = _weight(len(before), len(spans))
            whole = [i for k in before for i in spans[k]]
            for member in span:
                for beside in _subsets([i for i in span if i != member]):
                    without = [False] * edges[-1]
                    for i in (*whole, *beside):
                        without[i] = True
                    with_it = without.copy()
                    with_it[member] = True
                    weight = outer * _weight(len(beside), len(span))
                    yield member, weight, tuple(with_it), tuple(without)


def _subsets(items: Sequence[int]) -> Iterator[tuple[int, ...]]:
    for size in range(len(items) + 1):
        yield from combinations(items, size)


def _weight(before: int, count: int) -> float:
    """Fraction of all orders of ``count`` members in which exactly these precede one."""
    return math.factorial(before) * math.factorial(count - before - 1) / math.factorial(count)
