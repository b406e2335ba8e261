"""The interior-point method of ``interior`` for one frame, compiled.

For large exponents the drive of a head that works little is below rounding, so that λ alone no
longer fixes its activation; here activations, marginal efforts, multipliers and the prices of the
bounds move together. It works on the extended system of ``kernels.frame``: a slack costs nothing
and has no upper bound. For balances that can be met.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    AHEAD,
    BENT,
    CHANGE,
    DIRECTION,
    DRIVE,
    FULL,
    LAM,
    MARGINAL,
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
    back_substitute,
    bounded,
    factorise,
    prepare,
    rest_of,
    solve_step,
)

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray

STEPS, CENTRED, BEHIND, ENDED = 150, 1e-18, 1e-13, 1e-12
"""Most steps; mean product, and mismatch over p or the greatest multiplier, that end the method;
product that is enough."""

GROWTH, INSIDE, APART, LEAST = 10.0, 0.995, 3.0, 1e-290
"""As in ``interior``; and the marginal effort below which one counts as nothing."""

LATE, FAR, HOLD, SHORT_STEP = 0.1, 100.0, 0.3, 0.1
"""As in ``interior``."""

CLOSING = 3
"""Steps that close what rounding and heads put at rest leave of the balance."""

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
        work.long[MARGINAL][i] /= priced
        work.long[RECIPROCAL][i] /= priced
    for j in range(rows):
        work.short[LAM][j] /= priced
        work.short[REST][j] /= top
    return scale * top


@inner
def start_inside(
    A: FloatArray, rows: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float,
) -> None:  # fmt: skip
    """Begin in the middle, every price one; the balance is written in units of σ."""
    top = 1.0 / scale
    for i in range(heads):
        begin = min(0.5 * top, 1.0) if i < soft else 1.0
        work.long[ACTIVE][i] = begin
        work.long[FULL][i] = top - begin
        work.long[TRIAL][i] = 1.0
        work.long[AHEAD][i] = 1.0 if i < soft else 0.0
        work.long[MARGINAL][i] = 0.0
        if i < soft:
            work.long[MARGINAL][i] = exponent / work.long[RATIO][i] * begin ** (exponent - 1.0)
        work.long[RECIPROCAL][i] = 0.0
    for j in range(rows):
        work.short[LAM][j] = 0.0
        total = target[j] / scale
        for i in range(heads):
            total -= A[j, i] * work.long[ACTIVE][i]
        work.short[REST][j] = total


@inner
def mismatch(heads: int, soft: int, work: Work, exponent: float) -> tuple[float, float]:
    """Mean product of values and prices, greatest mismatch; fills DRIVE, BENT and SLOPE.

    DRIVE holds what a step has to close between marginal efforts, prices and drives, BENT the
    logarithm of what activations make of the marginal efforts over what they are, SLOPE the
    softness of each head.
    """
    x, room, low, high, y = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
        work.long[MARGINAL],
    )
    total, behind, apart = 0.0, 0.0, 0.0
    for i in range(heads):
        bend = 0.0
        if i < soft:
            made = exponent / work.long[RATIO][i] * x[i] ** (exponent - 1.0)
            y[i] = max(y[i], made * math.exp(-APART), LEAST)
            work.long[BENT][i] = math.log(max(made, LEAST) / y[i])
            apart = max(apart, abs(y[i] - made))
            bend = (exponent - 1.0) * y[i] / x[i] + high[i] / room[i]
            total += high[i] * room[i]
        total += low[i] * x[i]
        off = y[i] - work.long[RECIPROCAL][i] - low[i] + high[i]
        behind = max(behind, abs(off))
        work.long[DRIVE][i] = off
        work.long[SLOPE][i] = 1.0 / (bend + low[i] / x[i])
    return total / (heads + soft), behind + apart


@inner
def bend_on(soft: int, work: Work, exponent: float, length: float) -> None:
    """Add to BENT what a step of some length would leave of second order, where that is small."""
    x, y, d_x, bent = (
        work.long[ACTIVE],
        work.long[MARGINAL],
        work.long[CHANGE],
        work.long[BENT],
    )
    power = exponent - 1.0
    for i in range(soft):
        if not y[i] > LEAST:
            continue
        own = length * d_x[i] / x[i]
        gain = power * own + length * bent[i]
        if abs(power * own) < 2.0 and abs(gain) < 0.8:
            own, gain = max(own, -0.9), max(gain, -0.8)
            bent[i] += power * own * own * (own / 3.0 - 0.5) - gain * gain * (gain / 3.0 - 0.5)


@inner
def move(
    A: FloatArray, rows: int, heads: int, soft: int, work: Work, exponent: float, aim: float,
    second: float,
) -> float:  # fmt: skip
    """Fill the changes of values and prices; the longest step that stays inside.

    ``second`` is the square of the length of a prediction whose products are to be met too, or
    nothing.
    """
    x, room, low, high, y = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
        work.long[MARGINAL],
    )
    d_x, slope = work.long[CHANGE], work.long[SLOPE]
    d_low, d_high = work.kinks[:heads], work.kinks[heads : 2 * heads]
    for j in range(rows):
        work.short[UPHILL][j] = work.short[REST][j]
    for i in range(heads):
        # What is asked of the prices, kept where their changes come to stand.
        asked = aim / x[i] - low[i]
        if second > 0.0:
            asked -= second * d_x[i] * d_low[i] / x[i]
        push = asked - work.long[DRIVE][i]
        if i < soft:
            above = aim / room[i] - high[i]
            if second > 0.0:
                above += second * d_x[i] * d_high[i] / room[i]
            d_high[i] = above
            push -= above + y[i] * work.long[BENT][i]
        d_low[i] = asked
        d_x[i] = slope[i] * push
        for j in range(rows):
            work.short[UPHILL][j] -= A[j, i] * d_x[i]
    back_substitute(rows, work.short[UPHILL], work, work.short[DIRECTION])
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
                growth = max(growth, d_x[i] / max(x[i], 0.3))
            if d_high[i] < 0.0:
                length = min(length, -INSIDE * high[i] / d_high[i])
    growth *= exponent - 1.0
    return min(length, GROWTH / growth) if growth > GROWTH else length


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
    A: FloatArray, rows: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, length: float,
) -> None:  # fmt: skip
    """Take a step; RECIPROCAL holds the drive Aᵀλ meanwhile."""
    x, room, low, high, y = (
        work.long[ACTIVE],
        work.long[FULL],
        work.long[TRIAL],
        work.long[AHEAD],
        work.long[MARGINAL],
    )
    d_x, d_low, d_high = work.long[CHANGE], work.kinks[:heads], work.kinks[heads : 2 * heads]
    for i in range(heads):
        part = length * d_x[i]
        if i < soft:
            gain = (exponent - 1.0) * part / x[i] + length * work.long[BENT][i]
            if gain >= -0.9:
                y[i] *= 1.0 + gain
            else:
                made = exponent / work.long[RATIO][i] * (x[i] + part) ** (exponent - 1.0)
                y[i] = min(0.1 * y[i], made)
            room[i] -= part
            high[i] += length * d_high[i]
        x[i] += part
        low[i] += length * d_low[i]
    for j in range(rows):
        work.short[LAM][j] += length * work.short[DIRECTION][j]
        total = target[j] / scale
        for i in range(heads):
            total -= A[j, i] * x[i]
        work.short[REST][j] = total
    apply_rows(A, rows, heads, work.short[LAM], work.long[RECIPROCAL])


@inner
def close_inside(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    size: float,
) -> tuple[float, float]:  # fmt: skip
    """Close the balance in activations between their bounds, each by its room; λ stays.

    Returns the greatest unmet element and the norm of the activations.
    """
    a, slope, change = work.long[ACTIVE], work.long[SLOPE], work.long[CHANGE]
    worst, length = rest_of(A, rows, heads, soft, target, a, work.short[REST])
    for _ in range(CLOSING):
        for i in range(heads):
            space = min(a[i], 1.0 - a[i]) if i < soft else a[i]
            slope[i] = space * space
        if worst <= 1e-16 * size or not solve_step(
            A, rows, hard, heads, slope, 0.0, work.short[REST], work, work.short[DIRECTION]
        ):
            break
        apply_rows(A, rows, heads, work.short[DIRECTION], change)
        for i in range(heads):
            a[i] = max(a[i] + slope[i] * change[i], 0.0)
            if i < soft:
                a[i] = min(a[i], 1.0)
        worst, length = rest_of(A, rows, heads, soft, target, a, work.short[REST])
    return worst, length


@inner
def leave_inside(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> int:  # fmt: skip
    """Put heads that push the wrong way, and such as cannot help, exactly at rest."""
    lam, a = work.short[LAM], work.long[ACTIVE]
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
    worst, length = close_inside(A, rows, hard, heads, soft, target, work, size)
    return MET if worst <= limits.near * (size + length) else OPEN


@inner
def solve_inside(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> tuple[int, float]:  # fmt: skip
    """Solve for a balance that can be met; returns how it ended and σ.

    Leaves what ``newton`` leaves.
    """
    start_inside(A, rows, heads, soft, target, work, exponent, scale)
    mean = math.inf
    for _ in range(STEPS):
        scale = rescale(rows, heads, soft, work, exponent, scale)
        mean, behind = mismatch(heads, soft, work, exponent)
        longest = exponent
        for j in range(rows):
            longest = max(longest, abs(work.short[LAM][j]))
        if mean <= CENTRED and behind <= BEHIND * longest:
            break
        if not factorise(A, rows, hard, heads, work.long[SLOPE], 0.0, work):
            return OPEN, scale
        length = move(A, rows, heads, soft, work, exponent, 0.0, 0.0)
        least = 0.0 if behind <= mean else (LATE if behind <= FAR * mean else HOLD)
        aim = mean * max((product_ahead(heads, soft, work, length) / mean) ** 3, least)
        bend_on(soft, work, exponent, length)
        length = move(A, rows, heads, soft, work, exponent, aim, length * length)
        if length < SHORT_STEP:
            length = move(A, rows, heads, soft, work, exponent, aim, 0.0)
        step_inside(A, rows, heads, soft, target, work, exponent, scale, length)
    if not mean <= ENDED:
        return OPEN, scale
    ended = leave_inside(
        A, rows, hard, heads, soft, target, work, exponent, scale, size, limits
    )  # fmt: skip
    return ended, scale
