"""What follows for a frame within inequalities: what joins or leaves, where it waits, compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.lane_code import LAM, NORMAL, ROW_SIZE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from momentshare.sharing._result import FloatArray

    Places = NDArray[np.int64]

MOST_HELD = 3
"""Most inequalities in force at once; more are left to the kernel for single frames."""

TURNS = 12
"""Times that a frame comes before it is left to the kernel for single frames."""

FRESH, LATER, SHORT = 0, 1, 2
"""Queues of frames with so many in force, three for each number of these: that come with them for
the first time, need more passes, or fall short."""

FINISHED = 3 * MOST_HELD + 3
"""Queue of the frames for which nothing follows."""

SLIGHT = 1e-12
"""Part of the direction that separates below which the part of an inequality is rounding."""

BROKEN = 1e-12
"""Part of its terms by which an inequality may be exceeded: rounding."""

KEPT, GIVEN_UP, AGAIN, FALLS, DROP = -1, -2, -3, -4, -5
"""What follows for a frame, where it is not the number of an inequality that joins: nothing,
the other kernel, more passes, the nearest moment, or that the k-th in force leaves
(``DROP − k``)."""


@inner
def loosest(
    state: FloatArray, rows: int, whole: int, held: int, lane: int, short: bool
) -> int:  # fmt: skip
    """Inequality in force whose price is lowest, if below zero (``DROP − k``); ``KEPT`` if none.

    In a shortfall the price in unmet moment comes first, and that in effort where it is none.
    """
    which, lowest, longest = KEPT, 0.0, 0.0
    if short:
        for j in range(whole):
            longest = max(longest, abs(state[NORMAL * whole + j, lane]))
    for n in range(held):
        j = rows + n
        price = -state[NORMAL * whole + j, lane] if short else 0.0
        if abs(price) <= SLIGHT * longest:
            price = -state[LAM * whole + j, lane] * state[ROW_SIZE * whole + j, lane]
        if price < lowest:
            lowest, which = price, DROP - n
    return which


@inner
def queue_again(
    order: Places, queue: Places, following: Places, turns: Places, chosen: Places
) -> None:
    """Change the sets in force as was found, and say where each frame waits."""
    for e in order:
        held, kind, follows = queue[e] // 3, queue[e] % 3, following[e]
        turns[e] += 1
        at = FINISHED
        if turns[e] < TURNS:
            if follows == AGAIN and kind == FRESH:
                at = 3 * held + LATER
            elif follows == FALLS:
                at = 3 * held + SHORT
            elif follows >= 0 and held < MOST_HELD:
                chosen[e, held] = follows
                at = 3 * held + 3 + (SHORT if kind == SHORT else FRESH)
            elif follows <= DROP:
                for n in range(DROP - follows, held - 1):
                    chosen[e, n] = chosen[e, n + 1]
                at = 3 * held - 3 + LATER
        queue[e] = at


@inner
def next_queue(queue: Places, waiting: Places) -> tuple[int, int]:
    """Lowest queue in which frames wait, with how many; puts them into ``waiting``."""
    at, total = FINISHED, 0
    for e in range(queue.size):
        if queue[e] < at:
            at, total = queue[e], 0
        if queue[e] == at and at < FINISHED:
            waiting[total] = e
            total += 1
    return at, total
