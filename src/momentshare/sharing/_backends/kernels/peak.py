"""Compiled parts of the min–max criterion that both of its kernels need, for one frame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import inner
from momentshare.sharing._backends.kernels.frame import ROW_SIZE, TARGET, Limits, Work

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray


@inner
def least(rows: int, heads: int, A: FloatArray, v: FloatArray, w: FloatArray, work: Work) -> float:
    """Least s for which the heads reach b along v; NaN where none will do."""
    wanted = 0.0
    for j in range(rows):
        wanted += v[j] * work.short[TARGET][j]
    s = 0.0
    for _ in range(heads + 1):
        capped, rate = 0.0, 0.0
        for i in range(heads):
            along = 0.0
            for j in range(rows):
                along += A[j, i] * v[j]
            if along > 0.0:
                if s > w[i]:
                    capped += along
                else:
                    rate += along / w[i]
        if not rate > 0.0:
            return math.nan
        following = (wanted - capped) / rate
        if not following > s * (1.0 + 1e-15):
            break
        s = following
    return s if s > 0.0 else math.nan


@inner
def certify_peak(
    R: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    size: float,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    unmet: FloatArray,
    numbers: FloatArray,
    work: Work,
    limits: Limits,
) -> bool:
    """Residual, bounds, optimality and gap from the problem data; fills ``unmet``.

    The same numbers as ``minmax.certify_minmax`` without inequalities.
    """
    rows, heads = R.shape
    row_size, target = work.short[ROW_SIZE], work.short[TARGET]
    # max() may drop what is not a number; a plain sum of every term keeps it.
    near, residual, dual, whole = 0.0, 0.0, 0.0, size
    for j in range(rows):
        total = moments[j]
        for i in range(heads):
            total -= R[j, i] * (capacity[i] * activation[i] + passive[i])
        for k in range(free.size):
            total -= columns[j, k] * free[k]
        unmet[j] = total
        residual = max(residual, abs(total))
        near = max(near, abs(total) / row_size[j])
        dual += multipliers[j] * row_size[j] * target[j]
        whole += abs(total) + row_size[j]
    greatest, strongest, bound, square, negative = 0.0, 0.0, 0.0, 0.0, False
    for i in range(heads):
        a, drive = activation[i], 0.0
        for j in range(rows):
            drive += R[j, i] * multipliers[j]
        greatest = max(greatest, weights[i] * a)
        strongest = max(strongest, abs(capacity[i] * drive))
        bound = max(bound, -a, a - 1.0)
        square += a * a
        whole += abs(capacity[i] * drive)
        negative = negative or not capacity[i] >= 0.0
    worst, priced = 0.0, 0.0
    for i in range(heads):
        a, drive = activation[i], 0.0
        for j in range(rows):
            drive += R[j, i] * multipliers[j]
        drive *= capacity[i]
        if weights[i] * (1.0 + 1e-12) < greatest:
            dual -= max(drive, 0.0)
        else:
            priced += max(drive, 0.0) / weights[i]
        away = min(1.0, greatest / weights[i]) - a if drive > 0.0 else a
        worst = max(worst, min(abs(drive) / (strongest if strongest > 0.0 else 1.0), abs(away)))
    gap = 0.0
    if greatest > 0.0:
        gap = (greatest - dual) / greatest
        worst = max(worst, abs(priced - 1.0))
    numbers[0], numbers[1], numbers[2], numbers[3] = residual, max(bound, 0.0), worst, gap
    return (
        math.isfinite(whole + square + priced)
        and not negative
        and near <= limits.certified * (size + math.sqrt(square))
        and bound <= limits.certified
        and worst <= limits.certified
        and abs(gap) <= limits.certified
    )
