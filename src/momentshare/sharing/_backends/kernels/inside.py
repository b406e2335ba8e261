"""The interior-point method of ``interior`` for one frame, compiled.

For large exponents the drive of a head that works little is below rounding, so that λ alone no
longer fixes its activation; here activations, multipliers and the prices of the bounds move
together. It works on the extended system of ``kernels.frame``: a slack costs nothing and has no
upper bound. For balances that can be met.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    AHEAD,
    CHANGE,
    DIRECTION,
    DRIVE,
    FULL,
    LAM,
    RATIO,
    RECIPROCAL,
    REST,
    SLOPE,
    TRIAL,
    UPHILL,
    Limits,
    Work,
)
from momentshare.sharing._backends.kernels.newton import (
    MET,
    OPEN,
    apply_rows,
    bounded,
    finish,
    prepare,
    rest_of,
    solve_step,
)

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray

STEPS, CENTRED, BEHIND, ENDED = 200, 1e-18, 1e-12, 1e-12
"""Most steps; mean product and mismatch of drive that end the method; product that is enough."""

GROWTH, PATIENCE, INSIDE = 3.0, 0.3, 0.995
"""As in ``interior``."""

CAREFUL, CIRCLING, TURNS = 1.0, 1e-2, 5
"""Growth once the mismatch of drive, below the second number, has not fallen for so many steps."""

AT_REST = 1e-6
"""Part of the greatest activation below which a head whose price is more rests."""

UNEVEN = 0.5
"""Marginal effort of the hardest working head, in units of σ, from which σ is taken anew."""


@inner
def rescale(rows: int, heads: int, soft: int, work: Work, exponent: float, scale: float) -> float:
    """Write everything in units of the greatest activation again where σ lies far from it."""
    top = 0.0
    for i in range(soft):
        top = max(top, work.long[ACTIVE][i])
    power = exponent - 1.0
    if not top > 0.0 or UNEVEN <= top**power <= 1.0 / UNEVEN:
        return scale
    top = bounded(scale * top, exponent) / scale
    priced = top**power
    for i in range(heads):
        work.long[ACTIVE][i] /= top
        work.long[FULL][i] /= top
        work.long[TRIAL][i] /= priced
        work.long[AHEAD][i] /= priced
        work.long[RECIPROCAL][i] /= priced
    for j in range(rows):
        work.short[LAM][j] /= priced
        work.short[REST][j] /= top
    return scale * top


@inner
def start_inside(
    A: FloatArray, rows: int, heads: int, soft: int, target: FloatArray, work: Work, scale: float
) -> None:
    """Begin in the middle, every price one; the balance is written in units of σ."""
    top = 1.0 / scale
    for i in range(heads):
        begin = min(0.5 * top, 1.0) if i < soft else 1.0
        work.long[ACTIVE][i] = begin
        work.long[FULL][i] = top - begin
        work.long[TRIAL][i] = 1.0
        work.long[AHEAD][i] = 1.0 if i < soft else 0.0
        work.long[RECIPROCAL][i] = 0.0
        work.long[CHANGE][i] = 0.0
        work.kinks[i] = 0.0
        work.kinks[heads + i] = 0.0
    for j in range(rows):
        work.short[LAM][j] = 0.0
        total = target[j] / scale
        for i in range(heads):
            total -= A[j, i] * work.long[ACTIVE][i]
        work.short[REST][j] = total


@inner
def mismatch(heads: int, soft: int, work: Work, exponent: float) -> tuple[float, float]:
    """Mean product of values and prices, greatest mismatch of drive; fills DRIVE and SLOPE.

    DRIVE holds what a step has to close, SLOPE the softness of each head.
    """
    x, room, low, high = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
    )
    total, behind = 0.0, 0.0
    for i in range(heads):
        marginal, bend = 0.0, 0.0
        if i < soft:
            raised = exponent / work.long[RATIO][i] * x[i] ** (exponent - 2.0)
            marginal = raised * x[i]
            bend = (exponent - 1.0) * raised + high[i] / room[i]
            total += high[i] * room[i]
        total += low[i] * x[i]
        off = marginal - work.long[RECIPROCAL][i] - low[i] + high[i]
        behind = max(behind, abs(off))
        work.long[DRIVE][i] = off
        work.long[SLOPE][i] = 1.0 / (bend + low[i] / x[i])
    return total / (heads + soft), behind


@inner
def move(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, work: Work, exponent: float,
    aim: float, second: float, slow: bool,
) -> float:  # fmt: skip
    """Fill the changes of values and prices; the longest step that stays inside, or −1.

    ``second`` is 1 where the last changes are a prediction whose products are to be met too;
    ``slow`` shortens the step, so that powers of small activations stay near linear as well.
    """
    x, room, low, high = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
    )
    d_x, slope = work.long[CHANGE], work.long[SLOPE]
    d_low, d_high = work.kinks[:heads], work.kinks[heads : 2 * heads]
    for j in range(rows):
        work.short[UPHILL][j] = work.short[REST][j]
    for i in range(heads):
        # What is asked of the prices, kept where their changes come to stand.
        asked = (aim - second * d_x[i] * d_low[i] - low[i] * x[i]) / x[i]
        push = asked - work.long[DRIVE][i]
        if i < soft:
            d_high[i] = (aim + second * d_x[i] * d_high[i] - high[i] * room[i]) / room[i]
            push -= d_high[i]
        d_low[i] = asked
        d_x[i] = slope[i] * push
        for j in range(rows):
            work.short[UPHILL][j] -= A[j, i] * d_x[i]
    if not solve_step(
        A, rows, hard, heads, slope, 0.0, work.short[UPHILL], work, work.short[DIRECTION]
    ):
        return -1.0
    length, growth = 1.0, 0.0
    for i in range(heads):
        part = 0.0
        for j in range(rows):
            part += A[j, i] * work.short[DIRECTION][j]
        d_x[i] += slope[i] * part
        d_low[i] -= low[i] / x[i] * d_x[i]
        if d_x[i] < 0.0:
            length = min(length, -INSIDE * x[i] / d_x[i])
        if d_low[i] < 0.0:
            length = min(length, -INSIDE * low[i] / d_low[i])
        if i < soft:
            d_high[i] += high[i] / room[i] * d_x[i]
            if d_x[i] > 0.0:
                length = min(length, INSIDE * room[i] / d_x[i])
            if d_high[i] < 0.0:
                length = min(length, -INSIDE * high[i] / d_high[i])
            growth = max(growth, abs(d_x[i]) / max(x[i], 0.05 if slow else 0.5))
    growth *= exponent - 2.0
    most = CAREFUL if slow else GROWTH
    return min(length, most / growth) if growth > most else length


@inner
def product_ahead(heads: int, soft: int, work: Work, length: float) -> float:
    """Mean product of values and prices after a step."""
    x, room, low, high = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
    )
    d_x, d_low, d_high = work.long[CHANGE], work.kinks[:heads], work.kinks[heads : 2 * heads]
    total = 0.0
    for i in range(heads):
        total += (low[i] + length * d_low[i]) * (x[i] + length * d_x[i])
        if i < soft:
            total += (high[i] + length * d_high[i]) * (room[i] - length * d_x[i])
    return total / (heads + soft)


@inner
def step_inside(
    A: FloatArray, rows: int, heads: int, soft: int, target: FloatArray, work: Work, scale: float,
    length: float,
) -> None:  # fmt: skip
    """Take a step; RECIPROCAL holds the drive Aᵀλ meanwhile."""
    x, room, low, high = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
    )
    d_x, d_low, d_high = work.long[CHANGE], work.kinks[:heads], work.kinks[heads : 2 * heads]
    for i in range(heads):
        x[i] += length * d_x[i]
        low[i] += length * d_low[i]
        if i < soft:
            room[i] -= length * d_x[i]
            high[i] += length * d_high[i]
    for j in range(rows):
        work.short[LAM][j] += length * work.short[DIRECTION][j]
        total = target[j] / scale
        for i in range(heads):
            total -= A[j, i] * x[i]
        work.short[REST][j] = total
    apply_rows(A, rows, heads, work.short[LAM], work.long[RECIPROCAL])


@inner
def leave_inside(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> int:  # fmt: skip
    """Put heads that push the wrong way, and such as cannot help, exactly at rest."""
    lam, a, drive = work.short[LAM], work.long[ACTIVE], work.long[DRIVE]
    apply_rows(A, rows, heads, lam, drive)
    for i in range(heads):
        terms = 0.0
        for j in range(rows):
            terms += abs(A[j, i] * lam[j])
        low, high, room = work.long[TRIAL][i], work.long[AHEAD][i], work.long[FULL][i]
        if terms == 0.0 or (a[i] < AT_REST and low > a[i]):
            a[i] = 0.0
        elif i < soft and room < AT_REST and high > room:
            a[i] = 1.0
        else:
            a[i] = min(a[i] * scale, 1.0) if i < soft else a[i] * scale
    prepare(heads, soft, work, exponent, scale)
    finish(A, rows, hard, heads, soft, target, work, exponent, scale, size, limits)
    worst, length = rest_of(A, rows, heads, soft, target, a, work.short[REST])
    return MET if worst <= limits.near * (size + length) else OPEN


@inner
def solve_inside(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> tuple[int, float]:  # fmt: skip
    """Solve for a balance that can be met; returns how it ended and σ.

    Leaves what ``newton`` leaves.
    """
    start_inside(A, rows, heads, soft, target, work, scale)
    mean, least, turns = math.inf, math.inf, 0
    for _ in range(STEPS):
        scale = rescale(rows, heads, soft, work, exponent, scale)
        mean, behind = mismatch(heads, soft, work, exponent)
        if mean <= CENTRED and behind <= BEHIND:
            break
        if behind < 0.9 * least or behind > CIRCLING or turns >= TURNS:
            least = min(least, behind)
        elif behind > mean:
            turns += 1
        slow = turns >= TURNS
        length = move(A, rows, hard, heads, soft, work, exponent, 0.0, 0.0, slow)
        if not length > 0.0:
            return OPEN, scale
        fall = (product_ahead(heads, soft, work, length) / mean) ** 3
        aim = mean * max(fall, PATIENCE if behind > mean else 0.0)
        length = move(
            A, rows, hard, heads, soft, work, exponent, aim, 0.0 if slow else 1.0, slow
        )  # fmt: skip
        if not length > 0.0:
            return OPEN, scale
        step_inside(A, rows, heads, soft, target, work, scale, length)
    if not mean <= ENDED:
        return OPEN, scale
    ended = leave_inside(
        A, rows, hard, heads, soft, target, work, exponent, scale, size, limits
    )  # fmt: skip
    return ended, scale
