"""The sharing problem compiled, one frame after the other.

Imported late: compiling needs numba. The kernel releases the interpreter lock, so chunks
run side by side in threads; each call works in a buffer of its own and allocates nothing.
It covers moments that can be met and such that cannot, inequalities, and any p from 1 on;
a frame that it cannot certify is marked and handed to the stages written in NumPy. Inputs
are contiguous float64 with the frame axis first, of length one where a value holds for
every frame.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import has_numba, inner, outermost
from momentshare.sharing._backends.kernels import frame as _frame
from momentshare.sharing._backends.kernels import inside as _inside
from momentshare.sharing._backends.kernels import newton as _newton
from momentshare.sharing._backends.kernels import search as _search
from momentshare.sharing._backends.kernels import staged as _staged
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    BEFORE,
    DRIVE,
    FACET,
    FACETS,
    LAM,
    LEFT,
    PRICE,
    RATIO,
    REST,
    ROW_SIZE,
    STRENGTH,
    TARGET,
    Limits,
    Work,
    carve,
    certify_frame,
    hold_facet,
    normalise_frame,
    project,
    worst_facet,
)
from momentshare.sharing._backends.kernels.inside import solve_inside
from momentshare.sharing._backends.kernels.newton import (
    MET,
    NEAREST,
    OPEN,
    apply_rows,
    bounded,
    guess,
    newton,
    prepare,
    respond,
    rest_of,
)
from momentshare.sharing._backends.kernels.staged import lie_across, nearer, rejoin

if TYPE_CHECKING:
    from typing import Any

    from momentshare.sharing._result import FloatArray, IntArray

FAMILIAR = 0.3
"""A start from the frame before is kept when it leaves less than this part unmet."""

DIRECT = 9.0
"""As in ``staged``; a start from the frame before goes to Newton's method first."""

CHAIN = 2048
"""Frames of which each may begin where the one before ended; then one begins afresh, so that
answers do not depend on how frames are dealt out to threads."""

SOLVED, SHORTFALL, UNCERTIFIED = 0, 1, 2
"""As in ``_result.Status``; a test compares them."""


@inner
def usable(
    R: FloatArray, cap: FloatArray, m: FloatArray, pas: FloatArray, G: FloatArray, h: FloatArray
) -> bool:
    """Whether every value and the size of every row are finite, and no capacity negative."""
    total = 0.0
    for i in range(cap.size):
        for j in range(m.size):
            total += (R[j, i] * cap[i]) ** 2
        for g in range(h.size):
            total += abs(G[g, i])
        total += abs(pas[i]) + cap[i]
        if not cap[i] >= 0.0:
            return False
    for j in range(m.size):
        total += abs(m[j])
    for g in range(h.size):
        total += abs(h[g])
    return math.isfinite(total)


@inner
def begin(
    rows: int, heads: int, work: Work, exponent: float, heaviest: float, asked: float,
    scale: float,
) -> bool:  # fmt: skip
    """Start from the multipliers in BEFORE; false where they leave too much unmet."""
    unit = scale ** (exponent - 1.0)
    anything = 0.0
    for j in range(rows):
        lam = work.short[BEFORE][j] * work.short[ROW_SIZE][j] / (unit * heaviest)
        work.short[LAM][j] = lam
        anything = max(anything, abs(lam))
    if not anything > 0.0:
        return False
    prepare(heads, heads, work, exponent, scale)
    apply_rows(work.loads[0], rows, heads, work.short[LAM], work.long[DRIVE])
    a = work.long[ACTIVE]
    respond(work.long[DRIVE], heads, heads, work, scale, 1.0 / (exponent - 1.0), a)
    worst, _ = rest_of(work.loads[0], rows, heads, heads, work.short[TARGET], a, work.short[REST])
    return worst <= FAMILIAR * asked


@inner
def solve_frame(
    rows: int, heads: int, work: Work, cap: FloatArray, pas: FloatArray, G: FloatArray,
    h: FloatArray, exponent: float, scale: float, begun: bool, again: bool, size: float,
    limits: Limits,
) -> tuple[int, int, float]:  # fmt: skip
    """Solve a frame from the multipliers at hand or, where not ``begun``, from a guess.

    Where Newton's method fails, p = 2 comes first, then for p > 2 the interior-point method, and
    where that fails too, exponents nearer to p. From ``DIRECT`` on p = 2 is the beginning; where
    ``again`` says that the answer was not good enough, the other way is taken. Where the moment
    cannot be met, the balance across the separating direction follows (``side`` 1). Then the
    inequality broken most is added and all begins again, so that the least effort never falls.
    Returns how it ended, how many inequalities are held, and σ.
    """
    count, side = 0, 0
    blunt = exponent > 2.0
    inside = exponent >= DIRECT
    fallen, tried = blunt and again != (inside and not begun), not blunt
    power = 2.0 if fallen else exponent
    begun = begun and not fallen
    while True:
        total, columns = rows + count, heads + count
        A = work.loads[side]
        target = work.short[LEFT if side == 1 else TARGET]
        if not begun:
            scale = guess(A, total, rows, columns, heads, target, work, power, size, limits)
            begun = True
        ended = newton(A, total, rows, columns, heads, target, work, power, scale, size, limits)
        if ended == OPEN and not fallen and exponent != 2.0:
            fallen, begun, power = True, False, 2.0
            continue
        if ended == MET and power != exponent:
            if not tried:
                tried = True
                top = 0.0
                for i in range(heads):
                    top = max(top, work.long[ACTIVE][i])
                scale = bounded(max(top, 1e-6), exponent)
                ended, scale = solve_inside(
                    A, total, rows, columns, heads, target, work, exponent, scale, size, limits
                )
                if ended == OPEN:
                    begun, power = False, 2.0
                    continue
                power = exponent
            else:
                power, scale = nearer(total, columns, heads, work, power, exponent, scale, limits)
                continue
        if side == 0 and ended == NEAREST:
            if not lie_across(A, total, rows, columns, heads, work, 2, limits):
                return OPEN, count, scale
            side, begun = 1, False
            fallen, tried = blunt and again != inside, not blunt
            power = 2.0 if fallen else exponent
            continue
        if side == 1:
            rejoin(work.loads[0], total, columns, work)
            ended = NEAREST if ended == MET else OPEN
        if ended == OPEN:
            return ended, count, scale
        chosen = worst_facet(cap, pas, G, h, count, work)
        if chosen < 0:
            return ended, count, scale
        if count == FACETS or not hold_facet(cap, pas, G, h, chosen, rows, count, work):
            return OPEN, count, scale
        count += 1
        side = 0
        fallen, tried = blunt and again != inside, not blunt
        power = 2.0 if fallen else exponent
        begun = not fallen
        prepare(heads + count, heads, work, exponent, scale)


def _solve_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    facets: FloatArray,
    levels: FloatArray,
    start: FloatArray,
    exponent: float,
    first: int,
    last: int,
    warm: bool,
    activation: FloatArray,
    active: FloatArray,
    force: FloatArray,
    multipliers: FloatArray,
    unmet: FloatArray,
    free_values: FloatArray,
    held: FloatArray,
    parted: FloatArray,
    status: IntArray,
    numbers: FloatArray,
    buffer: FloatArray,
    limits: Limits,
) -> None:
    """Solve the frames first … last − 1 and write their answers and certificates.

    ``start`` has no frames where none is given. With ``warm`` each frame begins at the
    multipliers of the one before.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    free = columns.shape[2]
    work = carve(buffer, rows, heads, free, facets.shape[1])
    known = False
    for f in range(first, last):
        R = arms[f if arms.shape[0] > 1 else 0]
        cap = capacity[f if capacity.shape[0] > 1 else 0]
        m = moments[f if moments.shape[0] > 1 else 0]
        pas = passive[f if passive.shape[0] > 1 else 0]
        w = weights[f if weights.shape[0] > 1 else 0]
        C = columns[f if columns.shape[0] > 1 else 0]
        G = facets[f if facets.shape[0] > 1 else 0]
        h = levels[f if levels.shape[0] > 1 else 0]
        if f % CHAIN == 0:
            known = False
        if not usable(R, cap, m, pas, G, h):
            status[f] = UNCERTIFIED
            known = False
            continue
        size = normalise_frame(R, cap, m, pas, C, work, limits)
        heaviest, asked = 0.0, 0.0
        for i in range(heads):
            heaviest = max(heaviest, w[i])
        for i in range(heads):
            work.long[RATIO][i] = heaviest / w[i]
        for j in range(rows):
            asked = max(asked, abs(work.short[TARGET][j]))

        begun = False
        scale = 1.0
        if asked <= limits.residual * size:
            for j in range(rows):
                work.short[LAM][j] = 0.0
            prepare(heads, heads, work, exponent, scale)
            begun = True
        elif start.shape[0] > 0 or known:
            before = f - 1 if known else (f if start.shape[0] > 1 else 0)
            if known:
                top = 0.0
                for i in range(heads):
                    top = max(top, activation[f - 1, i])
                scale = bounded(2.0 * top, exponent)
            for j in range(rows):
                work.short[BEFORE][j] = multipliers[before, j] if known else start[before, j]
            begun = begin(rows, heads, work, exponent, heaviest, asked, scale)
        ended, count, good, short = OPEN, 0, False, False
        # Newton's answer or that of the interior-point method, then the other one.
        for attempt in range(2):
            ended, count, scale = solve_frame(
                rows, heads, work, cap, pas, G, h, exponent, scale, begun, attempt > 0, size, limits
            )

            short = ended == NEAREST
            project(work.Q, rows, work.short[LAM])
            unit = scale ** (exponent - 1.0) * heaviest
            for g in range(h.size):
                held[f, g] = 0.0
                parted[f, g] = 0.0
            for k in range(count):
                g = int(work.short[FACET][k])
                held[f, g] = max(-work.short[LAM][rows + k] * unit / work.short[STRENGTH][k], 0.0)
                if short:
                    parted[f, g] = max(-work.short[PRICE][rows + k] / work.short[STRENGTH][k], 0.0)
            for j in range(rows):
                total = m[j]
                for i in range(heads):
                    total -= R[j, i] * (cap[i] * work.long[ACTIVE][i] + pas[i])
                work.short[REST][j] = total / work.short[ROW_SIZE][j]
                multipliers[f, j] = work.short[LAM][j] * unit / work.short[ROW_SIZE][j]
            for k in range(free - 1, -1, -1):
                total = 0.0
                for j in range(rows):
                    total += work.Q[j, k] * work.short[REST][j]
                for c in range(k + 1, free):
                    total -= work.mixing[k, c] * free_values[f, c]
                free_values[f, k] = total / work.mixing[k, k] if work.mixing[k, k] > 0.0 else 0.0
            for i in range(heads):
                activation[f, i] = work.long[ACTIVE][i]
                active[f, i] = cap[i] * activation[f, i]
                force[f, i] = active[f, i] + pas[i]
            good = certify_frame(
                R, cap, m, pas, w, C, G, h, exponent, short, work.short[ROW_SIZE],
                activation[f], multipliers[f], free_values[f], held[f], parted[f], unmet[f],
                numbers[f], limits
            )  # fmt: skip
            if good or ended == OPEN or not exponent > 2.0:
                break
        if short:
            # So slight a shortfall may be feigned by rows that nearly depend on each other.
            square = 0.0
            for j in range(rows):
                square += (unmet[f, j] / work.short[ROW_SIZE][j]) ** 2
            if h.size == 0 and square <= (limits.slight * size) ** 2:
                good = False
        known = warm and good and ended == MET
        status[f] = UNCERTIFIED
        if good and ended != OPEN:
            status[f] = SHORTFALL if short else SOLVED


_FILES = [
    str(Path(module.__file__ or "")) for module in (_frame, _inside, _newton, _search, _staged)
] + [__file__]


def _signature() -> Any:
    """One signature for writable and read-only input, so that it is compiled once."""
    if not has_numba():
        return None
    from numba import types

    from momentshare.sharing._backends.kernels.signatures import numbers_of_method, read, written

    return types.void(
        *read(3, 2, 2, 2, 2, 3, 3, 2, 2),
        types.float64,
        types.int64,
        types.int64,
        types.boolean,
        *written(2, 2, 2, 2, 2, 2, 2, 2),
        *written(1, dtype=types.int8),
        *written(2, 1),
        numbers_of_method(),
    )


solve_frames = outermost(_signature(), _FILES)(_solve_frames)
