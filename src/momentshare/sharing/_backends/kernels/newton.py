"""The damped Newton method of ``newton`` for one frame, compiled.

Works on the extended system of ``kernels.frame``: of the columns the first ``soft`` are
heads, the others slacks of inequalities, which cost nothing and have no upper bound; of
the rows the first ``hard`` are balances, whose unmet part is damped and priced, the others
inequalities, which are kept whatever it costs. A slack answers its drive with a slope of
1e12, so that one that is not in force is priced at nothing.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import (
    ACTIVE,
    AHEAD,
    CENTRE,
    CHANGE,
    DIRECTION,
    DRIVE,
    FULL,
    LAM,
    PRICE,
    RATIO,
    RECIPROCAL,
    REST,
    SLOPE,
    TRIAL,
    UPHILL,
    Limits,
    Work,
    root,
)
from momentshare.sharing._backends.kernels.search import LOOSE, halve_kinks, walk_kinks

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray

STEPS, BRIEF = 60, 20
"""Newton steps before a frame is left to another stage: p up to 2, and above."""

MET, NEAREST, OPEN = 0, 1, 2
"""How a run of the Newton method ends."""


@inner
def respond(
    drive: FloatArray, heads: int, soft: int, work: Work, scale: float, power: float, a: FloatArray
) -> None:
    """Activations and slacks that the drives call for."""
    full, reciprocal = work.long[FULL], work.long[RECIPROCAL]
    if power == 1.0:
        for i in range(soft):
            a[i] = min(1.0, scale * reciprocal[i] * max(drive[i], 0.0))
    else:
        for i in range(soft):
            if drive[i] <= 0.0:
                a[i] = 0.0
            elif drive[i] >= full[i]:
                a[i] = 1.0
            else:
                a[i] = min(1.0, scale * root(drive[i] * reciprocal[i], power))
    for i in range(soft, heads):
        a[i] = LOOSE * max(drive[i], 0.0)


@inner
def slopes(heads: int, soft: int, work: Work, scale: float, power: float) -> None:
    """Change of activation per drive; zero at the bounds."""
    drive, slope = work.long[DRIVE], work.long[SLOPE]
    for i in range(soft):
        if not 0.0 < drive[i] < work.long[FULL][i]:
            slope[i] = 0.0
        elif power == 1.0:
            slope[i] = scale * work.long[RECIPROCAL][i]
        else:
            slope[i] = power * work.long[ACTIVE][i] / drive[i]
    for i in range(soft, heads):
        slope[i] = LOOSE if drive[i] > 0.0 else 0.0


@inner
def factorise(
    A: FloatArray, rows: int, hard: int, heads: int, slope: FloatArray, rho: float, work: Work
) -> bool:
    """Cholesky factor of A S Aᵀ + ρ I + τ Q Qᵀ; false where that breaks down."""
    hessian, Q = work.squares[0], work.Q
    trace = rho
    for j in range(rows):
        for k in range(j + 1):
            total = 0.0
            for i in range(heads):
                total += A[j, i] * slope[i] * A[k, i]
            hessian[j, k] = total
        if j < hard:
            trace += hessian[j, j]
    for j in range(rows):
        if j < hard:
            for k in range(j + 1):
                for c in range(Q.shape[1]):
                    hessian[j, k] += trace * Q[j, c] * Q[k, c]
            hessian[j, j] += max(rho, 1e-15 * trace)
        else:
            hessian[j, j] += 1e-15 * (trace + hessian[j, j])
    for j in range(rows):
        for k in range(j + 1):
            total = hessian[j, k]
            for i in range(k):
                total -= hessian[j, i] * hessian[k, i]
            if j == k:
                if not total > 0.0:
                    return False
                hessian[j, j] = math.sqrt(total)
            else:
                hessian[j, k] = total / hessian[k, k]
    return True


@inner
def back_substitute(rows: int, uphill: FloatArray, work: Work, direction: FloatArray) -> None:
    """Solve for a direction by the factor that :func:`factorise` has left."""
    hessian = work.squares[0]
    for j in range(rows):
        total = uphill[j]
        for i in range(j):
            total -= hessian[j, i] * direction[i]
        direction[j] = total / hessian[j, j]
    for j in range(rows - 1, -1, -1):
        total = direction[j]
        for i in range(j + 1, rows):
            total -= hessian[i, j] * direction[i]
        direction[j] = total / hessian[j, j]


@inner
def solve_step(
    A: FloatArray,
    rows: int,
    hard: int,
    heads: int,
    slope: FloatArray,
    rho: float,
    uphill: FloatArray,
    work: Work,
    direction: FloatArray,
) -> bool:
    """Solve (A S Aᵀ + ρ I + τ Q Qᵀ) d = uphill; false where the matrix is not positive."""
    if not factorise(A, rows, hard, heads, slope, rho, work):
        return False
    back_substitute(rows, uphill, work, direction)
    return True


@inner
def apply_rows(
    A: FloatArray, rows: int, heads: int, multipliers: FloatArray, drive: FloatArray
) -> None:
    """Drive Aᵀλ."""
    for i in range(heads):
        drive[i] = 0.0
    for j in range(rows):
        for i in range(heads):
            drive[i] += A[j, i] * multipliers[j]


@inner
def rest_of(
    A: FloatArray, rows: int, heads: int, soft: int, target: FloatArray, a: FloatArray,
    rest: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """Unmet part b − A a; returns its greatest element and the norm of a."""
    worst = 0.0
    for j in range(rows):
        total = 0.0
        for i in range(heads):
            total += A[j, i] * a[i]
        rest[j] = target[j] - total
        worst = max(worst, abs(rest[j]))
    square = 0.0
    for i in range(soft):
        square += a[i] ** 2
    return worst, math.sqrt(square)


@inner
def is_nearest(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, a: FloatArray,
    price: FloatArray, size: float, limits: Limits,
) -> bool:  # fmt: skip
    """Whether every head that pushes along or against ``price`` rests at its bound."""
    square = 0.0
    for j in range(hard):
        square += price[j] * price[j]
    if not square > (limits.short * size) ** 2:
        return False
    for j in range(hard, rows):
        square += price[j] * price[j]
    for i in range(heads):
        along, norm = 0.0, 0.0
        for j in range(rows):
            along += A[j, i] * price[j]
            norm += A[j, i] * A[j, i]
        if along * along > limits.across * limits.across * norm * square:
            if along > 0.0:
                if i >= soft or a[i] < 1.0:
                    return False
            elif a[i] > 0.0:
                return False
    return True


@inner
def prepare(heads: int, soft: int, work: Work, exponent: float, scale: float) -> None:
    """Fill the responses of the heads for an exponent, in units of σ = ``scale``."""
    for i in range(soft):
        work.long[RECIPROCAL][i] = work.long[RATIO][i] / exponent
        work.long[FULL][i] = (1.0 / scale) ** (exponent - 1.0) / work.long[RECIPROCAL][i]
    for i in range(soft, heads):
        work.long[RECIPROCAL][i] = LOOSE
        work.long[FULL][i] = math.inf


@inner
def guess(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, size: float, limits: Limits,
) -> float:  # fmt: skip
    """Multipliers as if no head had bounds and p were 2; returns σ, the activation to expect."""
    prepare(heads, soft, work, exponent, 1.0)
    lam = work.short[LAM]
    asked = 0.0
    for j in range(rows):
        asked = max(asked, abs(target[j]))
    if asked <= limits.residual * size or not solve_step(
        A, rows, hard, heads, work.long[RECIPROCAL], 1e-9, target, work, lam
    ):
        for j in range(rows):
            lam[j] = 0.0
        return 1.0
    apply_rows(A, rows, heads, lam, work.long[DRIVE])
    greatest = 0.0
    for i in range(soft):
        greatest = max(greatest, abs(work.long[DRIVE][i] * work.long[RECIPROCAL][i]))
    scale = bounded(2.0 * greatest, exponent)
    for j in range(rows):
        lam[j] /= scale
    prepare(heads, soft, work, exponent, scale)
    return scale


@inner
def bounded(activation: float, exponent: float) -> float:
    """σ near an activation, at most one and not so small that 1/σ^(p−1) overflows."""
    least = max(1e-100, math.pow(1e-250, 1.0 / (exponent - 1.0)))
    return min(max(activation, least), 1.0)


@inner
def newton(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> int:  # fmt: skip
    """Run the method from ``work.short[LAM]``; leaves multipliers, drive and activations there.

    ``work.short[PRICE]`` holds the separating direction where the answer is the nearest one.
    """
    power = 1.0 / (exponent - 1.0)
    rho = scale / limits.slack_weight
    lam, centre, drive, a = work.short[LAM], work.short[CENTRE], work.long[DRIVE], work.long[ACTIVE]
    rest, uphill, direction, price = (
        work.short[REST],
        work.short[UPHILL],
        work.short[DIRECTION],
        work.short[PRICE],
    )
    change, ahead, trial = work.long[CHANGE], work.long[AHEAD], work.long[TRIAL]
    for j in range(rows):
        centre[j] = lam[j]
    apply_rows(A, rows, heads, lam, drive)
    respond(drive, heads, soft, work, scale, power, a)
    tolerance = limits.near if exponent > 2.0 else limits.residual
    ended = OPEN
    for step in range(BRIEF if exponent > 2.0 else STEPS):
        worst, length = rest_of(A, rows, heads, soft, target, a, rest)
        total = size + length
        if worst <= tolerance * total:
            ended = MET
            break
        pulled, off = 0.0, 0.0
        for j in range(rows):
            pull = rho * (lam[j] - centre[j])
            uphill[j] = rest[j] - pull if j < hard else rest[j]
            price[j] = rest[j] if j < hard else pull
            if j < hard:
                pulled = max(pulled, abs(pull))
            off = max(off, abs(uphill[j]))
        settled = off <= max(limits.settled * pulled, 0.1 * limits.residual * total)
        if (settled or (step > 2 and rows == hard)) and is_nearest(
            A, rows, hard, heads, soft, a, price, total, limits
        ):
            ended = NEAREST
            break
        if settled:
            for j in range(rows):
                centre[j] = lam[j]
                uphill[j] = rest[j]
        slopes(heads, soft, work, scale, power)
        if not solve_step(A, rows, hard, heads, work.long[SLOPE], rho, uphill, work, direction):
            break
        apply_rows(A, rows, heads, direction, change)
        begin, bend, constant = 0.0, 0.0, 0.0
        for j in range(rows):
            begin += direction[j] * uphill[j]
            constant += direction[j] * target[j]
            if j < hard:
                bend += rho * direction[j] * direction[j]
                constant -= direction[j] * rho * (lam[j] - centre[j])
        if not begin > 0.0:
            break
        for i in range(heads):
            ahead[i] = drive[i] + change[i]
        respond(ahead, heads, soft, work, scale, power, trial)
        left = constant - bend
        for i in range(heads):
            left -= change[i] * trial[i]
        t = 1.0
        if abs(left) > limits.curvature * begin:
            if power == 1.0:
                t = walk_kinks(heads, soft, work, scale, begin, bend)
            else:
                t = halve_kinks(heads, soft, work, scale, power, constant, bend, begin, limits)
            for i in range(heads):
                ahead[i] = drive[i] + t * change[i]
            respond(ahead, heads, soft, work, scale, power, trial)
        for j in range(rows):
            lam[j] += t * direction[j]
        for i in range(heads):
            drive[i] = ahead[i]
            a[i] = trial[i]
    if exponent > 2.0 and ended == MET:
        finish(A, rows, hard, heads, soft, target, work, exponent, scale, size, limits)
    return ended


@inner
def finish(
    A: FloatArray, rows: int, hard: int, heads: int, soft: int, target: FloatArray, work: Work,
    exponent: float, scale: float, size: float, limits: Limits,
) -> None:  # fmt: skip
    """Close the balance in the activations themselves, see ``newton.finish``."""
    power = 1.0 / (exponent - 1.0)
    rho = scale / limits.slack_weight
    lam, drive, a, direction = (
        work.short[LAM],
        work.long[DRIVE],
        work.long[ACTIVE],
        work.short[DIRECTION],
    )
    for _ in range(int(limits.finish)):
        worst, _length = rest_of(A, rows, heads, soft, target, a, work.short[REST])
        slopes(heads, soft, work, scale, power)
        for i in range(soft):
            if a[i] >= 1.0:
                work.long[SLOPE][i] = 0.0
        if not worst > 1e-16 * size or not solve_step(
            A, rows, hard, heads, work.long[SLOPE], 1e-6 * rho, work.short[REST], work, direction
        ):
            break
        apply_rows(A, rows, heads, direction, work.long[CHANGE])
        for i in range(soft):
            a[i] = min(max(a[i] + work.long[SLOPE][i] * work.long[CHANGE][i], 0.0), 1.0)
            drive[i] += work.long[CHANGE][i]
        for i in range(soft, heads):
            a[i] = max(a[i] + work.long[SLOPE][i] * work.long[CHANGE][i], 0.0)
            drive[i] += work.long[CHANGE][i]
        for j in range(rows):
            lam[j] += direction[j]
