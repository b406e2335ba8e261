"""The min–max criterion compiled: the least s with A a = b, 0 ≤ a_i ≤ min(1, s/w_i).

Any direction v shows how great s has to be: along v the heads supply no more than
Σ max(0, A_iᵀv) min(1, s/w_i), which has to reach v·b. Starting from the multipliers of p = 2,
s is set to that bound. Where b still cannot be met, the Newton method ends at the nearest
point, the direction towards b is the next v, and s grows. Each direction settles
which heads are at their bounds, so the number of rounds is finite; three to six are usual.
Once the heads that push along v at their bounds leave a balance that the others can meet,
s is the least. They meet it with the least Σ (w a)².
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import has_numba, inner, outermost
from momentshare.sharing._backends.kernels import frame as _frame
from momentshare.sharing._backends.kernels import newton as _newton
from momentshare.sharing._backends.kernels import peak as _peak
from momentshare.sharing._backends.kernels import search as _search
from momentshare.sharing._backends.kernels import staged as _staged
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    FIXED,
    LAM,
    LEFT,
    PRICE,
    RATIO,
    REST,
    ROW_SIZE,
    TARGET,
    Limits,
    Work,
    carve,
    normalise_frame,
    project,
)
from momentshare.sharing._backends.kernels.newton import MET, NEAREST, OPEN, guess, newton
from momentshare.sharing._backends.kernels.peak import least
from momentshare.sharing._backends.kernels.staged import complement_of, lie_across, span_of

if TYPE_CHECKING:
    from typing import Any

    from momentshare.sharing._result import FloatArray, IntArray

ROUNDS = 40
"""Directions tried before a frame is left to the simplex method."""

MEETS = 1e-11
"""Unmet part that the heads at their bounds may leave, relative."""

FOUND, SHORT, LEFT_OVER = 0, 1, 2
"""How a frame ends: solved, its moment cannot be met, left to another method."""


@inner
def limit_heads(
    rows: int, heads: int, s: float, w: FloatArray, A: FloatArray, kept: FloatArray, work: Work
) -> None:
    """Write the system for heads that may reach min(1, s/w) into ``A``."""
    heaviest = 0.0
    for i in range(heads):
        top = min(1.0, s / w[i])
        heaviest = max(heaviest, (w[i] * top) ** 2)
        for j in range(rows):
            A[j, i] = kept[j, i] * top
    for i in range(heads):
        work.long[RATIO][i] = heaviest / (w[i] * min(1.0, s / w[i])) ** 2


@inner
def turn(rows: int, heads: int, kept: FloatArray, v: FloatArray, work: Work) -> None:
    """Turn v towards what the heads across it cannot meet until another head joins them."""
    fixed, price = work.long[FIXED], work.short[PRICE]
    reach = math.inf
    for i in range(heads):
        if fixed[i] >= 0.0:
            along, added = 0.0, 0.0
            for j in range(rows):
                along += kept[j, i] * v[j]
                added += kept[j, i] * price[j]
            if along * added < 0.0:
                reach = min(reach, -along / added)
    for j in range(rows):
        v[j] += (reach if math.isfinite(reach) else 1.0) * price[j]


@inner
def sharpen(
    rows: int, heads: int, kept: FloatArray, v: FloatArray, work: Work, limits: Limits
) -> None:
    """Turn v, a little, exactly across the heads that it all but lies across."""
    B, normal = work.loads[1], work.squares[2]
    square = 0.0
    for j in range(rows):
        square += v[j] * v[j]
    for i in range(heads):
        along, norm = 0.0, 0.0
        for j in range(rows):
            along += kept[j, i] * v[j]
            norm += kept[j, i] * kept[j, i]
        bound = along * along > limits.across * limits.across * norm * square
        for j in range(rows):
            B[j, i] = 0.0 if bound else kept[j, i]
    count = complement_of(rows, span_of(B, rows, heads, work, limits), work)
    for j in range(rows):
        work.short[PRICE][j] = 0.0
    for k in range(count):
        part = 0.0
        for j in range(rows):
            part += normal[k, j] * v[j]
        for j in range(rows):
            work.short[PRICE][j] += part * normal[k, j]
    if count > 0:
        for j in range(rows):
            v[j] = work.short[PRICE][j]


@inner
def minmax_frame(
    rows: int, heads: int, w: FloatArray, kept: FloatArray, v: FloatArray, work: Work,
    size: float, limits: Limits,
) -> tuple[int, float]:  # fmt: skip
    """Solve one frame; leaves activations in ACTIVE and the direction in ``v``."""
    A = work.loads[0]
    a, fixed = work.long[ACTIVE], work.long[FIXED]
    for j in range(rows):
        for i in range(heads):
            kept[j, i] = A[j, i]
    # σ, w and s are of one size, so that no square overflows.
    s, side, first = math.inf, 0, True
    for i in range(heads):
        work.long[RATIO][i] = 1.0 / (w[i] * w[i])
    for _ in range(2 * ROUNDS):
        system, target = work.loads[side], work.short[LEFT if side == 1 else TARGET]
        scale = guess(system, rows, rows, heads, heads, target, work, 2.0, size, limits)
        ended = newton(system, rows, rows, heads, heads, target, work, 2.0, scale, size, limits)
        if side == 1 and ended == MET:
            for i in range(heads):
                a[i] = (fixed[i] if fixed[i] >= 0.0 else a[i]) * min(1.0, s / w[i])
            return FOUND, s
        if side == 1 and ended == NEAREST:
            turn(rows, heads, kept, v, work)
        elif side == 1:
            side = 0
            continue
        else:
            if first and ended != MET:
                return (SHORT if ended == NEAREST else LEFT_OVER), s
            if not first and ended == MET:
                for i in range(heads):
                    a[i] *= min(1.0, s / w[i])
                return FOUND, s
            # What is left unmet is a direction to try even where it is not the sharpest yet.
            if ended == NEAREST and not lie_across(A, rows, rows, heads, heads, work, 2, limits):
                return LEFT_OVER, s
            for j in range(rows):
                v[j] = work.short[LAM][j] if first else work.short[PRICE][j]
        if not first:
            sharpen(rows, heads, kept, v, work, limits)
        before = 0.0 if first else s
        s = least(rows, heads, kept, v, w, work)
        if not s > before * (1.0 + (1e-13 if ended == OPEN else -1e-12)):
            return LEFT_OVER, s
        side = 0
        limit_heads(rows, heads, s, w, A, kept, work)
        if not first:
            for j in range(rows):
                work.short[PRICE][j] = v[j]
            if lie_across(A, rows, rows, heads, heads, work, 1, limits):
                unmet = 0.0
                for j in range(rows):
                    unmet = max(unmet, abs(work.short[REST][j]))
                side = 1 if unmet <= MEETS * size else 0
        first = False
    return LEFT_OVER, s


def _solve_minmax_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    first: int,
    last: int,
    activation: FloatArray,
    multipliers: FloatArray,
    status: IntArray,
    buffer: FloatArray,
    limits: Limits,
) -> None:
    """Solve the frames first … last − 1; the certificate is left to the caller."""
    rows, heads = arms.shape[1], arms.shape[2]
    work = carve(buffer, rows, heads, columns.shape[2], 0)
    kept = buffer[buffer.size - rows * heads :].reshape((rows, heads))
    v = buffer[buffer.size - rows * heads - rows : buffer.size - rows * heads]
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
        for i in range(heads):
            activation[f, i] = 0.0
        for j in range(rows):
            multipliers[f, j] = 0.0
        status[f] = FOUND
        if asked <= limits.residual * size:
            continue
        status[f], s = minmax_frame(rows, heads, w, kept, v, work, size, limits)
        if status[f] != FOUND:
            continue
        project(work.Q, rows, v)
        rate = 0.0
        for i in range(heads):
            activation[f, i] = min(max(work.long[ACTIVE][i], 0.0), 1.0)
            along = 0.0
            for j in range(rows):
                along += kept[j, i] * v[j]
            if along > 0.0 and s <= w[i] * (1.0 + 1e-12):
                rate += along / w[i]
        for j in range(rows):
            multipliers[f, j] = v[j] / (rate * work.short[ROW_SIZE][j])


_FILES = [
    str(Path(module.__file__ or "")) for module in (_frame, _newton, _peak, _search, _staged)
] + [__file__]


def _signature() -> Any:
    """One signature for writable and read-only input, so that it is compiled once."""
    if not has_numba():
        return None
    from numba import types

    from momentshare.sharing._backends.kernels.signatures import numbers_of_method, read, written

    return types.void(
        *read(3, 2, 2, 2, 2, 3),
        types.int64,
        types.int64,
        *written(2, 2),
        *written(1, dtype=types.int8),
        *written(1),
        numbers_of_method(),
    )


solve_minmax_frames = outermost(_signature(), _FILES)(_solve_minmax_frames)
