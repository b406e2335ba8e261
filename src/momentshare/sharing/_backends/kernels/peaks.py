"""The min–max criterion by greatest factors, compiled: many frames, one after the other.

If every head may reach 1/w, the greatest factor on the moment is one over the least s. Where heads
would then pass 1, the prices of that factor say how great s has to be at least. Heads that may
reach min(1, s/w) have another factor, and s grows until that factor is one. Each begins at the
vertex of the one before, and only where it may be the last are the heads told apart that may share
as they like. Each answer has its certificate; a frame without one is marked and left to another
method.

Imported late: compiling takes its time. The kernel releases the interpreter lock and allocates
nothing. Inputs are contiguous float64 with the frame axis first, of length one where a value holds
for every frame.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from momentshare._kernels.compiling import has_numba, inner, outermost
from momentshare.sharing._backends.kernels import climb as _climb
from momentshare.sharing._backends.kernels import frame as _frame
from momentshare.sharing._backends.kernels import least as _least
from momentshare.sharing._backends.kernels import peak as _peak
from momentshare.sharing._backends.kernels import vertex as _vertex
from momentshare.sharing._backends.kernels.climb import (
    Scratch,
    Vertex,
    even_out,
    reach_vertex,
    scratch,
)
from momentshare.sharing._backends.kernels.frame import (
    ROW_SIZE,
    TARGET,
    Limits,
    Work,
    carve,
    normalise_frame,
)
from momentshare.sharing._backends.kernels.peak import certify_peak, least
from momentshare.sharing._backends.kernels.vertex import FOUND as VERTEX

if TYPE_CHECKING:
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray

ROUNDS = 12
"""Values of s that are tried before a frame is left to another method."""

SAME = 1e-12
"""Excess over one that an activation or a factor may have."""

SURELY = 1e-9
"""Part by which an activation has to pass one, or a factor lack it, for s to be too small whatever
rounding does. Only the time taken depends on it."""

SEPARATED = 1e-6
"""Part of a moment that all heads at 1 have to lack along a direction for it to count as out of
reach. Only the time taken depends on it."""

FOUND, SHORT, LEFT_OVER = 0, 1, 2
"""How a frame ends: solved, its moment cannot be met, left to another method."""

SOLVED, UNCERTIFIED = 0, 2
"""As in ``_result.Status``; a test compares them."""


class Rules(NamedTuple):
    """Numbers of the greatest factor, described in ``climb``."""

    agree: float
    free: float
    bound: float


class Room(NamedTuple):
    """What a thread needs for its frames."""

    flat: FloatArray  # see ``frame.room``
    nothing: FloatArray  # (rows,) zeros
    prices: FloatArray  # (2, rows) the last ones and the new ones
    reach: FloatArray  # (2, heads) what heads may reach, and how cheap their activation is
    numbers: FloatArray  # (3,)
    tied: BoolArray  # (heads,)
    own: Scratch


def peak_room(rows: int, heads: int, free: int) -> Room:
    """Make room for the frames of one thread."""
    return Room(
        np.empty(_frame.room(rows, heads, free, 0)), np.zeros(rows), np.empty((2, rows)),
        np.empty((2, heads)), np.empty(3), np.empty(heads, dtype=np.bool_), scratch(rows, heads),
    )  # fmt: skip


@inner
def is_too_small(turn: int, found: Vertex, zero: float, reach: FloatArray, own: Scratch) -> bool:
    """Whether a vertex shows that s has to grow, however the heads share that may."""
    factor = found.most / found.size
    if turn > 0:
        return factor < 1.0 - SURELY
    change, whole = own.heads[2], own.heads[4]
    for i in range(reach.size):
        full = own.on[i] and change[i] > zero * whole[i] * found.priced
        if full and reach[i] > factor * (1.0 + SURELY):
            return True
    return False


@inner
def grow(
    w: FloatArray, size: float, work: Work, room: Room, activation: FloatArray,
    multipliers: FloatArray, rules: Rules,
) -> int:  # fmt: skip
    """Solve one normalised frame; fills activation and prices of its rows."""
    rows, heads = multipliers.size, activation.size
    A, B, target = work.loads[0], work.loads[1], work.short[TARGET]
    prices, reach, yields = room.prices, room.reach[0], room.reach[1]
    s, depth, held = 0.0, -1, -1
    for turn in range(ROUNDS):
        for i in range(heads):
            reach[i] = 1.0 / w[i] if turn == 0 else min(1.0, s / w[i])
            yields[i] = 1.0 if turn == 0 else (s / (w[i] * reach[i])) ** 2
            for j in range(rows):
                B[j, i] = A[j, i] * reach[i]
        found = reach_vertex(
            B, room.nothing, work.Q, target, size, prices[: min(turn, 1)], depth, held,
            rules.agree, prices[1], activation, room.own,
        )  # fmt: skip
        if found.code != VERTEX or not found.most > 0.0:
            return LEFT_OVER
        depth, held = found.depth, found.held
        if not is_too_small(turn, found, rules.free, reach, room.own):
            even_out(
                B, room.nothing, yields, found, rules.free, rules.bound, activation,
                room.numbers, room.tied, room.own,
            )  # fmt: skip
            factor = room.numbers[0]
            if not factor > 0.0:
                return LEFT_OVER
            top, rate = 0.0, 0.0
            # The prices v are scaled so that v·b is one.
            for i in range(heads):
                if room.tied[i]:
                    return LEFT_OVER
                activation[i] *= reach[i] if turn > 0 else reach[i] / factor
                top = max(top, activation[i])
                along = 0.0
                for j in range(rows):
                    along += prices[1, j] * A[j, i]
                if turn > 0 and s <= w[i]:
                    rate += max(along, 0.0) / w[i]
            if factor >= 1.0 - SAME if turn > 0 else top <= 1.0 + SAME:
                for i in range(heads):
                    activation[i] = min(activation[i], 1.0)
                for j in range(rows):
                    multipliers[j] = prices[1, j] / (rate if turn > 0 else factor)
                return FOUND
        before = s
        s = least(rows, heads, A, prices[1], w, work)
        if not s > before:
            whole = 0.0
            for i in range(heads):
                along = 0.0
                for j in range(rows):
                    along += prices[1, j] * A[j, i]
                whole += max(along, 0.0)
            # Along v all heads at 1 fall short of the moment by more than rounding.
            return SHORT if math.isnan(s) and whole < 1.0 - SEPARATED else LEFT_OVER
        for j in range(rows):
            prices[0, j] = prices[1, j]
    return LEFT_OVER


def _solve_peaks(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    first: int,
    last: int,
    activation: FloatArray,
    active: FloatArray,
    force: FloatArray,
    multipliers: FloatArray,
    unmet: FloatArray,
    free_values: FloatArray,
    status: IntArray,
    numbers: FloatArray,
    ended: IntArray,
    room: Room,
    rules: Rules,
    limits: Limits,
) -> None:
    """Solve the frames first … last − 1, write answers and certificates."""
    rows, heads, free = arms.shape[1], arms.shape[2], columns.shape[2]
    work = carve(room.flat, rows, heads, free, 0)
    for f in range(first, last):
        R = arms[f if arms.shape[0] > 1 else 0]
        cap = capacity[f if capacity.shape[0] > 1 else 0]
        m = moments[f if moments.shape[0] > 1 else 0]
        pas = passive[f if passive.shape[0] > 1 else 0]
        w = weights[f if weights.shape[0] > 1 else 0]
        C = columns[f if columns.shape[0] > 1 else 0]
        size = normalise_frame(R, cap, m, pas, C, work, limits)
        asked = 0.0
        for j in range(rows):
            asked = max(asked, abs(work.short[TARGET][j]))
            multipliers[f, j] = 0.0
        for i in range(heads):
            activation[f, i] = 0.0
        ended[f] = FOUND
        if not asked <= limits.residual * size:
            ended[f] = grow(w, size, work, room, activation[f], multipliers[f], rules)
        for i in range(heads):
            if ended[f] != FOUND:
                activation[f, i] = 0.0
            active[f, i] = cap[i] * activation[f, i]
            force[f, i] = active[f, i] + pas[i]
        rest = room.prices[0]
        for j in range(rows):
            total = m[j]
            for i in range(heads):
                total -= R[j, i] * force[f, i]
            rest[j] = total / work.short[ROW_SIZE][j]
            multipliers[f, j] /= work.short[ROW_SIZE][j]
        for k in range(free - 1, -1, -1):
            total = 0.0
            for j in range(rows):
                total += work.Q[j, k] * rest[j]
            for c in range(k + 1, free):
                total -= work.mixing[k, c] * free_values[f, c]
            free_values[f, k] = total / work.mixing[k, k] if work.mixing[k, k] > 0.0 else 0.0
        good = certify_peak(
            R, cap, m, pas, w, C, size, activation[f], multipliers[f], free_values[f], unmet[f],
            numbers[f], work, limits,
        )  # fmt: skip
        if ended[f] == FOUND and not good:
            ended[f] = LEFT_OVER
        status[f] = SOLVED if ended[f] == FOUND else UNCERTIFIED


_FILES = [
    str(Path(module.__file__ or "")) for module in (_climb, _frame, _least, _peak, _vertex)
] + [__file__]


def _signature() -> Any:
    """One signature for writable and read-only input, so that it is compiled once."""
    if not has_numba():
        return None
    from numba import typeof, types

    from momentshare.sharing._backends.kernels.signatures import numbers_of_method, read, written

    return types.void(
        *read(3, 2, 2, 2, 2, 3),
        types.int64,
        types.int64,
        *written(2, 2, 2, 2, 2, 2),
        *written(1, dtype=types.int8),
        *written(2),
        *written(1, dtype=types.int8),
        typeof(peak_room(1, 1, 0)),  # type: ignore[no-untyped-call]
        typeof(Rules(0.0, 0.0, 0.0)),  # type: ignore[no-untyped-call]
        numbers_of_method(),
    )


solve_peaks = outermost(_signature(), _FILES)(_solve_peaks)
