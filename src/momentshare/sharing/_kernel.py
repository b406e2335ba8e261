"""The Newton method of ``_newton`` compiled, one frame after the other.

Imported late: compiling needs numba. The kernel releases the interpreter lock, so chunks
run side by side in threads; each call works on buffers of its own. It covers frames
whose moment can be met by the plain method; a frame it cannot certify is marked and
handed to the stages written in NumPy. Inputs are contiguous float64 with the frame axis
first, of length one where a value holds for every frame.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numba import typeof, types

from momentshare.sharing._kernel_frame import (
    Limits,
    certify_frame,
    compiled,
    normalise_frame,
    project,
    root,
)

if TYPE_CHECKING:
    from momentshare.sharing._result import BoolArray, FloatArray


STEPS = 40
"""Newton steps before a frame is left to the other stages."""

FAMILIAR = 0.3
"""A start from the frame before is kept when it leaves less than this part unmet."""


@compiled()
def respond(
    drive: FloatArray,
    full: FloatArray,
    reciprocal: FloatArray,
    scale: float,
    power: float,
    activation: FloatArray,
) -> None:
    """Activations that the drives call for."""
    if power == 1.0:
        for i in range(drive.size):
            activation[i] = min(1.0, scale * reciprocal[i] * max(drive[i], 0.0))
        return
    for i in range(drive.size):
        if drive[i] <= 0.0:
            activation[i] = 0.0
        elif drive[i] >= full[i]:
            activation[i] = 1.0
        else:
            activation[i] = min(1.0, scale * root(drive[i] * reciprocal[i], power))


@compiled()
def slopes(
    drive: FloatArray,
    full: FloatArray,
    reciprocal: FloatArray,
    scale: float,
    power: float,
    activation: FloatArray,
    slope: FloatArray,
) -> None:
    """Change of activation per drive; zero at the bounds."""
    for i in range(drive.size):
        inside = 0.0 < drive[i] < full[i]
        if not inside:
            slope[i] = 0.0
        elif power == 1.0:
            slope[i] = scale * reciprocal[i]
        else:
            slope[i] = power * activation[i] / drive[i]


@compiled()
def solve_step(
    A: FloatArray,
    Q: FloatArray,
    slope: FloatArray,
    rho: float,
    uphill: FloatArray,
    hessian: FloatArray,
    direction: FloatArray,
) -> bool:
    """Solve (A S Aᵀ + ρ I + τ Q Qᵀ) d = uphill by Cholesky; false where that breaks down."""
    rows, heads = A.shape
    trace = rho
    for j in range(rows):
        for k in range(j + 1):
            total = 0.0
            for i in range(heads):
                total += A[j, i] * slope[i] * A[k, i]
            hessian[j, k] = total
        trace += hessian[j, j]
    for j in range(rows):
        for k in range(j + 1):
            for c in range(Q.shape[1]):
                hessian[j, k] += trace * Q[j, c] * Q[k, c]
        hessian[j, j] += max(rho, 1e-15 * trace)
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
    return True


@compiled()
def walk_kinks(
    drive: FloatArray,
    change: FloatArray,
    slope: FloatArray,
    full: FloatArray,
    begin: float,
    bend: float,
    kinks: FloatArray,
) -> float:
    """Length that ends the slope along the step when it is linear between kinks (p = 2)."""
    heads = drive.size
    enter, leave = kinks[:heads], kinks[heads:]
    curvature = bend
    for i in range(heads):
        enter[i] = leave[i] = math.inf
        if change[i] > 0.0:
            if drive[i] < full[i]:
                leave[i] = (full[i] - drive[i]) / change[i]
            if drive[i] <= 0.0:
                enter[i] = -drive[i] / change[i]
        elif change[i] < 0.0:
            if drive[i] > 0.0:
                leave[i] = -drive[i] / change[i]
            if drive[i] >= full[i]:
                enter[i] = (full[i] - drive[i]) / change[i]
        curvature += slope[i] * change[i] * change[i]
    t, value = 0.0, begin
    for _ in range(2 * heads + 1):
        nearest, which = math.inf, -1
        for k in range(2 * heads):
            if kinks[k] < nearest:
                nearest, which = kinks[k], k
        fall = curvature * (nearest - t)
        if which < 0 or value <= fall:
            return t + value / curvature
        value -= fall
        t = nearest
        head = which % heads
        # full is the drive at a = 1, so its reciprocal is the slope inside.
        bent = change[head] * change[head] / full[head]
        curvature += bent if which < heads else -bent
        curvature = max(curvature, bend)
        kinks[which] = math.inf
    return t


@compiled()
def slope_at(
    t: float,
    drive: FloatArray,
    change: FloatArray,
    full: FloatArray,
    reciprocal: FloatArray,
    scale: float,
    power: float,
    constant: float,
    bend: float,
) -> float:
    """Slope of the damped dual at length t along the step."""
    supplied = 0.0
    for i in range(drive.size):
        z = drive[i] + t * change[i]
        if z >= full[i]:
            supplied += change[i]
        elif z > 0.0:
            supplied += change[i] * scale * root(z * reciprocal[i], power)
    return constant - supplied - bend * t


@compiled()
def halve_kinks(
    drive: FloatArray,
    change: FloatArray,
    full: FloatArray,
    reciprocal: FloatArray,
    scale: float,
    power: float,
    constant: float,
    bend: float,
    begin: float,
    kinks: FloatArray,
    limits: Limits,
) -> float:
    """Length at which the slope along the step is nearly gone, any p."""
    heads = drive.size
    count = 0
    for i in range(heads):
        if change[i] != 0.0:
            for mark in (0.0, full[i]):
                t = (mark - drive[i]) / change[i]
                if t > 0.0 and math.isfinite(t):
                    kinks[count] = t
                    count += 1
    ordered = np.sort(kinks[:count])
    low, low_slope, low_index = 0.0, begin, -1
    high, high_slope, high_index = math.inf, -math.inf, count
    while high_index - low_index > 1:
        middle = (low_index + high_index) // 2
        t = ordered[middle]
        value = slope_at(t, drive, change, full, reciprocal, scale, power, constant, bend)
        if value > 0.0:
            low, low_slope, low_index = t, value, middle
        else:
            high, high_slope, high_index = t, value, middle
    if high_index == count:
        return low + max(low_slope, 0.0) / max(bend, 1e-300)
    side = 0
    t = low
    for _ in range(60):
        t = low + (high - low) * low_slope / max(low_slope - high_slope, 1e-300)
        value = slope_at(t, drive, change, full, reciprocal, scale, power, constant, bend)
        if abs(value) <= limits.curvature * begin:
            break
        if value > 0.0:
            low, low_slope = t, value
            if side > 0:
                high_slope *= 0.5
            side = 1
        else:
            high, high_slope = t, value
            if side < 0:
                low_slope *= 0.5
            side = -1
    return t


@compiled()
def apply_rows(
    A: FloatArray,
    multipliers: FloatArray,
    drive: FloatArray,
) -> None:
    """Drive Aᵀλ."""
    drive[:] = 0.0
    for j in range(A.shape[0]):
        for i in range(A.shape[1]):
            drive[i] += A[j, i] * multipliers[j]


@compiled()
def rest_of(
    A: FloatArray,
    target: FloatArray,
    activation: FloatArray,
    rest: FloatArray,
) -> tuple[float, float]:
    """Unmet part b − A a; returns its greatest element and the norm of a."""
    worst = 0.0
    for j in range(A.shape[0]):
        total = 0.0
        for i in range(A.shape[1]):
            total += A[j, i] * activation[i]
        rest[j] = target[j] - total
        worst = max(worst, abs(rest[j]))
    square = 0.0
    for i in range(activation.size):
        square += activation[i] ** 2
    return worst, math.sqrt(square)


@compiled()
def separated(
    A: FloatArray,
    target: FloatArray,
    rest: FloatArray,
    size: float,
    limits: Limits,
) -> bool:
    """Whether no activation at all can supply what is asked along ``rest``."""
    asked, square = 0.0, 0.0
    for j in range(rest.size):
        asked += rest[j] * target[j]
        square += rest[j] ** 2
    for i in range(A.shape[1]):
        along = 0.0
        for j in range(rest.size):
            along += A[j, i] * rest[j]
        asked -= max(along, 0.0)
    return asked > limits.certified * size * math.sqrt(square)


def _given(axes: int) -> types.Array:
    return types.Array(types.float64, axes, "C", readonly=True)


def _written(dtype: types.Type, axes: int) -> types.Array:
    return types.Array(dtype, axes, "C")


# One signature for writable and read-only input, so that it is compiled once and for all.
SIGNATURE = types.void(
    *(_given(axes) for axes in (3, 2, 2, 2, 2, 3, 2)),
    types.float64,
    types.int64,
    types.int64,
    types.boolean,
    *(_written(types.float64, 2) for _ in range(4)),
    _written(types.boolean, 1),
    _written(types.float64, 2),
    typeof(Limits(*(0.0,) * 5, 0, *(0.0,) * 4)),  # type: ignore[no-untyped-call]
)


@compiled(SIGNATURE)
def solve_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    start: FloatArray,
    exponent: float,
    first: int,
    last: int,
    warm: bool,
    activation: FloatArray,
    multipliers: FloatArray,
    unmet: FloatArray,
    free_values: FloatArray,
    good: BoolArray,
    numbers: FloatArray,
    limits: Limits,
) -> None:
    """Solve the frames first … last − 1 and write their answers and certificates.

    ``start`` has no frames where none is given. With ``warm`` each frame begins at the
    multipliers of the one before.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    free = columns.shape[2]
    A = np.empty((rows, heads))
    Q = np.empty((rows, free))
    mixing = np.empty((free, free))
    hessian = np.empty((rows, rows))
    target, row_size, rest = np.empty(rows), np.empty(rows), np.empty(rows)
    lam, centre, uphill = np.zeros(rows), np.empty(rows), np.empty(rows)
    direction, before = np.zeros(rows), np.zeros(rows)
    drive, change, a, slope = np.empty(heads), np.empty(heads), np.empty(heads), np.empty(heads)
    trial, ahead = np.empty(heads), np.empty(heads)
    reciprocal, full, kinks = np.empty(heads), np.empty(heads), np.empty(2 * heads)
    power = 1.0 / (exponent - 1.0)
    known = False
    scale = 1.0
    for f in range(first, last):
        R = arms[f if arms.shape[0] > 1 else 0]
        cap = capacity[f if capacity.shape[0] > 1 else 0]
        m = moments[f if moments.shape[0] > 1 else 0]
        pas = passive[f if passive.shape[0] > 1 else 0]
        w = weights[f if weights.shape[0] > 1 else 0]
        C = columns[f if columns.shape[0] > 1 else 0]
        size = normalise_frame(R, cap, m, pas, C, A, target, Q, mixing, row_size, limits)
        heaviest = 0.0
        for i in range(heads):
            heaviest = max(heaviest, w[i])
        for i in range(heads):
            reciprocal[i] = heaviest / (exponent * w[i])
        asked = 0.0
        for j in range(rows):
            asked = max(asked, abs(target[j]))

        begun = False
        given = start.shape[0] > 0
        if asked <= limits.residual * size:
            lam[:] = 0.0
            scale = 1.0
            for i in range(heads):
                full[i] = 1.0 / reciprocal[i]
            begun = True
        elif given or (warm and known):
            source = start[f if start.shape[0] > 1 else 0] if given else before
            unit = scale ** (exponent - 1.0)
            if given:
                scale = 1.0
                unit = 1.0
            anything = 0.0
            for j in range(rows):
                lam[j] = source[j] * row_size[j] / (unit * heaviest)
                anything = max(anything, abs(lam[j]))
            for i in range(heads):
                full[i] = 1.0 / (unit * reciprocal[i])
            if anything > 0.0:
                apply_rows(A, lam, drive)
                respond(drive, full, reciprocal, scale, power, a)
                worst, length = rest_of(A, target, a, rest)
                begun = worst <= FAMILIAR * asked
        if not begun:
            # As if no head had bounds and p were 2.
            solve_step(A, Q, reciprocal, 1e-9, target, hessian, lam)
            apply_rows(A, lam, drive)
            greatest = 0.0
            for i in range(heads):
                greatest = max(greatest, abs(drive[i] * reciprocal[i]))
            scale = min(max(2.0 * greatest, 1e-100), 1.0)
            for j in range(rows):
                lam[j] /= scale
            for i in range(heads):
                full[i] = (1.0 / scale) ** (exponent - 1.0) / reciprocal[i]
        rho = scale / limits.slack_weight
        centre[:] = lam
        apply_rows(A, lam, drive)
        respond(drive, full, reciprocal, scale, power, a)
        for _ in range(STEPS):
            worst, length = rest_of(A, target, a, rest)
            total = size + length
            if not worst > (limits.near if exponent > 2.0 else limits.residual) * total:
                break
            pulled, off = 0.0, 0.0
            for j in range(rows):
                pull = rho * (lam[j] - centre[j])
                uphill[j] = rest[j] - pull
                pulled = max(pulled, abs(pull))
                off = max(off, abs(uphill[j]))
            if off <= max(limits.settled * pulled, 0.1 * limits.residual * total):
                if pulled > 1e-7 * total and separated(A, target, rest, total, limits):
                    break
                centre[:] = lam
                uphill[:] = rest
            slopes(drive, full, reciprocal, scale, power, a, slope)
            if not solve_step(A, Q, slope, rho, uphill, hessian, direction):
                break
            apply_rows(A, direction, change)
            begin, bend, constant = 0.0, 0.0, 0.0
            for j in range(rows):
                begin += direction[j] * uphill[j]
                bend += rho * direction[j] * direction[j]
                constant += direction[j] * (target[j] - rho * (lam[j] - centre[j]))
            for i in range(heads):
                ahead[i] = drive[i] + change[i]
            respond(ahead, full, reciprocal, scale, power, trial)
            left = constant - bend
            for i in range(heads):
                left -= change[i] * trial[i]
            t = 1.0
            if abs(left) > limits.curvature * begin:
                if power == 1.0:
                    t = walk_kinks(drive, change, slope, full, begin, bend, kinks)
                else:
                    t = halve_kinks(
                        drive, change, full, reciprocal, scale, power, constant, bend, begin,
                        kinks, limits
                    )  # fmt: skip
                for i in range(heads):
                    ahead[i] = drive[i] + t * change[i]
                respond(ahead, full, reciprocal, scale, power, trial)
            for j in range(rows):
                lam[j] += t * direction[j]
            drive, ahead = ahead, drive
            a, trial = trial, a
        if exponent > 2.0:
            for _ in range(limits.finish):
                worst, length = rest_of(A, target, a, rest)
                slopes(drive, full, reciprocal, scale, power, a, slope)
                if not worst > 1e-16 * size or not solve_step(
                    A, Q, slope, 1e-6 * rho, rest, hessian, direction
                ):
                    break
                apply_rows(A, direction, change)
                for i in range(heads):
                    a[i] = min(max(a[i] + slope[i] * change[i], 0.0), 1.0)
                    drive[i] += change[i]
                for j in range(rows):
                    lam[j] += direction[j]

        project(Q, lam)
        unit = scale ** (exponent - 1.0) * heaviest
        for j in range(rows):
            total = m[j]
            for i in range(heads):
                total -= R[j, i] * (cap[i] * a[i] + pas[i])
            rest[j] = total / row_size[j]
            multipliers[f, j] = lam[j] * unit / row_size[j]
        for k in range(free - 1, -1, -1):
            total = 0.0
            for j in range(rows):
                total += Q[j, k] * rest[j]
            for c in range(k + 1, free):
                total -= mixing[k, c] * free_values[f, c]
            free_values[f, k] = total / mixing[k, k] if mixing[k, k] > 0.0 else 0.0
        for i in range(heads):
            activation[f, i] = a[i]
        good[f], numbers[f, 0], numbers[f, 1], numbers[f, 2], numbers[f, 3] = certify_frame(
            R, cap, m, pas, w, C, exponent, row_size,
            activation[f], multipliers[f], free_values[f], unmet[f], limits
        )  # fmt: skip
        known = good[f]
        if known:
            before[:] = multipliers[f]
            for j in range(rows):
                before[j] = lam[j] * unit / row_size[j]
