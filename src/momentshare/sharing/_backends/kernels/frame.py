"""Compiled parts of one frame: workspace, unit rows, free columns, facets, certificate.

Twins of ``balance`` and ``_certificate``. A frame is solved in an extended system: its
balance rows, then one row for each inequality in force; its heads, then one column for the
slack of each such inequality.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from momentshare._kernels.compiling import inner

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray

FACETS = 8
"""Most inequalities that a frame holds at once; a cone in three dimensions needs two or three."""


class Limits(NamedTuple):
    """Numbers of the method, handed in so that a compiled kernel never holds old ones.

    Each is described where the NumPy form defines it.
    """

    slack_weight: float
    residual: float
    settled: float
    curvature: float
    near: float
    finish: float
    dependent: float
    idle: float
    certified: float
    rounded: float
    short: float
    across: float
    spanned: float
    slight: float
    growth: float


class Work(NamedTuple):
    """Views of one flat buffer; ``R`` rows and ``N`` columns of the extended system."""

    loads: FloatArray  # (2, R, N) the system, and it without the heads a shortfall holds
    squares: FloatArray  # (3, R, R) Hessian, what free heads can supply, what they cannot
    short: FloatArray  # (12, R) vectors named below
    long: FloatArray  # (12, N) vectors named below
    kinks: FloatArray  # (2 N,)
    Q: FloatArray  # (R, free)
    mixing: FloatArray  # (free, free)


TARGET, LEFT, REST, LAM, CENTRE, UPHILL = 0, 1, 2, 3, 4, 5
DIRECTION, BEFORE, PRICE, ROW_SIZE, STRENGTH, FACET = 6, 7, 8, 9, 10, 11
"""Vectors over rows. PRICE is the direction of a shortfall, STRENGTH the norm of the row of
an inequality, FACET the inequality that it stands for."""

DRIVE, CHANGE, ACTIVE, SLOPE, TRIAL, AHEAD = 0, 1, 2, 3, 4, 5
RATIO, RECIPROCAL, FULL, FIXED, MARGINAL, BENT = 6, 7, 8, 9, 10, 11
"""Vectors over heads and slacks. RATIO is the heaviest weight over the weight; MARGINAL and BENT
belong to ``inside``."""


def room(rows: int, heads: int, free: int, facets: int) -> int:
    """Length of the buffer that :func:`carve` takes apart."""
    held = min(facets, FACETS)
    R, N = rows + held, heads + held
    return 2 * R * N + R * free + free * free + 3 * R * R + 12 * R + 14 * N


@inner
def carve(flat: FloatArray, rows: int, heads: int, free: int, facets: int) -> Work:
    """Take the buffer apart, rows of the system contiguous."""
    held = min(facets, FACETS)
    R, N = rows + held, heads + held
    k = 2 * R * N
    loads = flat[:k].reshape((2, R, N))
    squares = flat[k : k + 3 * R * R].reshape((3, R, R))
    k += 3 * R * R
    short = flat[k : k + 12 * R].reshape((12, R))
    k += 12 * R
    long = flat[k : k + 12 * N].reshape((12, N))
    kinks = flat[k + 12 * N : k + 14 * N]
    k += 14 * N
    Q = flat[k : k + R * free].reshape((R, free))
    k += R * free
    return Work(
        loads, squares, short, long, kinks, Q, flat[k : k + free * free].reshape((free, free))
    )


@inner
def root(value: float, power: float) -> float:
    """Return value ** power, quick for p = 1.5, 2, 3, 4 and 5."""
    if power == 1.0:
        return value
    if power == 0.5:
        return math.sqrt(value)
    if power == 0.25:
        return math.sqrt(math.sqrt(value))
    if power == 2.0:
        return value * value
    if power == 1.0 / 3.0:
        return float(np.cbrt(value))
    return float(value**power)


@inner
def project(Q: FloatArray, rows: int, vector: FloatArray) -> None:
    """Take the part along the columns of Q out of a vector."""
    for k in range(Q.shape[1]):
        part = 0.0
        for j in range(rows):
            part += Q[j, k] * vector[j]
        for j in range(rows):
            vector[j] -= part * Q[j, k]


@inner
def take_out_free(
    columns: FloatArray,
    row_size: FloatArray,
    basis: FloatArray,
    mixing: FloatArray,
    limits: Limits,
) -> None:
    """Gram–Schmidt, done twice, on the columns divided by the row sizes."""
    rows, free = columns.shape
    mixing[:, :] = 0.0
    for k in range(free):
        length = 0.0
        for j in range(rows):
            basis[j, k] = columns[j, k] / row_size[j]
            length += basis[j, k] ** 2
        length = math.sqrt(length)
        for _ in range(2):
            for c in range(k):
                part = 0.0
                for j in range(rows):
                    part += basis[j, c] * basis[j, k]
                mixing[c, k] += part
                for j in range(rows):
                    basis[j, k] -= part * basis[j, c]
        left = 0.0
        for j in range(rows):
            left += basis[j, k] ** 2
        left = math.sqrt(left)
        if left > limits.dependent * length:
            mixing[k, k] = left
        for j in range(rows):
            basis[j, k] = basis[j, k] / left if left > limits.dependent * length else 0.0


@inner
def normalise_frame(
    R: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    columns: FloatArray,
    work: Work,
    limits: Limits,
) -> float:
    """Give rows unit size, take free columns out; return the size that rounding acts on."""
    rows, heads = R.shape
    A, Q, target, row_size = work.loads[0], work.Q, work.short[TARGET], work.short[ROW_SIZE]
    total, acting = 0.0, 0
    for j in range(rows):
        square = 0.0
        for i in range(heads):
            A[j, i] = R[j, i] * capacity[i]
            square += A[j, i] ** 2
        row_size[j] = math.sqrt(square)
        if square > 0.0:
            total += row_size[j]
            acting += 1
    size = 0.0
    for j in range(rows):
        if row_size[j] == 0.0:
            row_size[j] = total / acting if acting > 0 else 1.0
        held, bare = 0.0, 0.0
        for i in range(heads):
            held += R[j, i] * passive[i]
            bare += abs(R[j, i] * passive[i])
        target[j] = (moments[j] - held) / row_size[j]
        size = max(size, (abs(moments[j]) + bare) / row_size[j])
        inverse = 1.0 / row_size[j]
        for i in range(heads):
            A[j, i] *= inverse
    if Q.shape[1] == 0:
        return size
    take_out_free(columns, row_size, Q, work.mixing, limits)
    project(Q, rows, target)
    for i in range(heads):
        whole, kept = 0.0, 0.0
        for j in range(rows):
            whole = max(whole, abs(A[j, i]))
        for k in range(Q.shape[1]):
            part = 0.0
            for j in range(rows):
                part += Q[j, k] * A[j, i]
            for j in range(rows):
                A[j, i] -= part * Q[j, k]
        for j in range(rows):
            kept = max(kept, abs(A[j, i]))
        if kept <= limits.idle * whole:
            for j in range(rows):
                A[j, i] = 0.0
    return size


@inner
def worst_facet(
    capacity: FloatArray,
    passive: FloatArray,
    facets: FloatArray,
    levels: FloatArray,
    count: int,
    work: Work,
) -> int:
    """Inequality broken most by the activations, of those not held yet; −1 where none is."""
    chosen, most = -1, 1e-12
    for g in range(levels.size):
        excess, bare, square = -levels[g], abs(levels[g]), 0.0
        for i in range(capacity.size):
            part = facets[g, i] * (capacity[i] * work.long[ACTIVE][i] + passive[i])
            excess += part
            bare += abs(part)
            square += (facets[g, i] * capacity[i]) ** 2
        if excess > 1e-12 * bare:
            held = False
            for k in range(count):
                held = held or int(work.short[FACET][k]) == g
            measure = excess / math.sqrt(square) if square > 0.0 else math.inf
            if not held and (measure > most or chosen < 0):
                chosen, most = g, measure
    return chosen


@inner
def hold_facet(
    capacity: FloatArray,
    passive: FloatArray,
    facets: FloatArray,
    levels: FloatArray,
    chosen: int,
    rows: int,
    count: int,
    work: Work,
) -> bool:
    """Append the row and the slack of an inequality; false where no head moves it."""
    heads = capacity.size
    A, row, column = work.loads[0], rows + count, heads + count
    square, level = 0.0, levels[chosen]
    for i in range(heads):
        A[row, i] = facets[chosen, i] * capacity[i]
        square += A[row, i] ** 2
        level -= facets[chosen, i] * passive[i]
    if not square > 0.0:
        return False
    strength = math.sqrt(square)
    for i in range(heads):
        A[row, i] /= strength
    for j in range(row + 1):
        A[j, column] = 0.0
    for k in range(count):
        A[row, heads + k] = 0.0
    A[row, column] = 1.0
    for c in range(work.Q.shape[1]):
        work.Q[row, c] = 0.0
    work.short[TARGET][row] = level / strength
    work.short[STRENGTH][count] = strength
    work.short[FACET][count] = chosen
    work.short[LAM][row] = 0.0
    return True


@inner
def certify_frame(
    R: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    facets: FloatArray,
    levels: FloatArray,
    exponent: float,
    short: bool,
    row_size: FloatArray,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    held: FloatArray,
    parted: FloatArray,
    unmet: FloatArray,
    numbers: FloatArray,
    limits: Limits,
) -> bool:
    """Residual, bounds, stationarity and gap from the problem data; fills ``unmet``.

    The same numbers as ``_certificate.certify``.
    """
    rows, heads = R.shape
    power = 1.0 / (exponent - 1.0)
    near, residual, size, loose, priced, square = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    longest, bound = 0.0, 0.0
    for j in range(rows):
        total, bare = 0.0, 0.0
        for i in range(heads):
            part = R[j, i] * (capacity[i] * activation[i] + passive[i])
            total += part
            bare += abs(part)
        for k in range(free.size):
            part = columns[j, k] * free[k]
            total += part
            bare += abs(part)
        unmet[j] = moments[j] - total
        if not short:
            loose += multipliers[j] * unmet[j]
            priced += abs(multipliers[j]) * (abs(moments[j]) + bare)
        residual = max(residual, abs(unmet[j]))
        near = max(near, abs(unmet[j]) / row_size[j])
        square += (unmet[j] / row_size[j]) ** 2
        longest = max(longest, row_size[j])
        size = max(size, (abs(moments[j]) + bare) / row_size[j])
    lost = 0.0
    for g in range(levels.size):
        slack, bare = levels[g], abs(levels[g])
        for i in range(heads):
            part = facets[g, i] * (capacity[i] * activation[i] + passive[i])
            slack -= part
            bare += abs(part)
        bound = max(bound, -slack / (bare if bare > 0.0 else 1.0))
        loose -= held[g] * slack
        priced += abs(held[g]) * bare
        lost += parted[g] * slack
    greatest, cost, parts = 0.0, 0.0, 0.0
    for i in range(heads):
        a = activation[i]
        raised = a if power == 1.0 else a ** (exponent - 1.0)
        terms = 0.0
        for j in range(rows):
            terms += abs(R[j, i] * multipliers[j])
        for g in range(levels.size):
            terms += abs(facets[g, i] * held[g])
        terms *= limits.rounded * capacity[i]
        greatest = max(greatest, exponent * weights[i] * raised, terms)
    worst = 0.0
    for i in range(heads):
        a = activation[i]
        drive, along = 0.0, 0.0
        for j in range(rows):
            drive += R[j, i] * multipliers[j]
            along += R[j, i] * unmet[j] / (row_size[j] * row_size[j])
        for g in range(levels.size):
            drive -= facets[g, i] * held[g]
            along -= facets[g, i] * parted[g]
        drive *= capacity[i]
        along *= capacity[i]
        lost += max(along, 0.0) - along * a
        raised = a if power == 1.0 else a ** (exponent - 1.0)
        reduced = min(max(drive, 0.0) / (exponent * weights[i]), 1.0)
        response = root(reduced, power)
        back = weights[i] * response * reduced
        cost += weights[i] * a * raised
        parts += weights[i] * a * raised + drive * response - back - drive * a
        excess = drive - exponent * weights[i] * raised
        if a >= 1.0:
            excess = min(excess, 0.0)
        if a <= 0.0:
            excess = max(excess, 0.0)
        in_drive = abs(excess) / (greatest if greatest > 0.0 else 1.0)
        worst = max(worst, min(in_drive, abs(a - response)))
        bound = max(bound, -a, a - 1.0)
    # max() may drop a NaN; the gap is a plain sum of every term and keeps it.
    cost = max(cost, limits.rounded * priced)
    gap = (parts - loose) / (cost if cost > 0.0 else 1.0)
    if short:
        near = abs(lost) / (math.sqrt(square) if square > 0.0 else 1.0)
        residual = near * longest
    numbers[0], numbers[1], numbers[2], numbers[3] = residual, max(bound, 0.0), worst, gap
    return (
        near <= limits.certified * size
        and bound <= limits.certified
        and worst <= limits.certified
        and abs(gap) <= limits.certified
    )
