"""Take one free column out of the balances of many frames and bring the answers back, compiled.

With D the norms of the rows of B = R∘capacity and q the unit vector along D⁻¹ C, the reflection
``H = I − w wᵀ`` with ``w = (q ± e₁) / √(1 + |q₁|)`` turns q into ∓e₁. The rows of ``H D⁻¹`` behind
the first are therefore free of C and as long as before::

    R' = (H D⁻¹ R)₂…,   m' = (H D⁻¹ m)₂…,   λ = D⁻¹ H (0, λ'),   f = q · D⁻¹ (m − R F) / |D⁻¹ C|.

Heads have the drives that they have in the whole balance, so that effort, stationarity and gap of
an answer are its own. The rows R' are then turned into each other until those of R'∘capacity are of
one length, so that the nearest moment, which is measured in units of these lengths, is that of the
whole balance too.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from momentshare._kernels.compiling import has_numba, inner, outermost

if TYPE_CHECKING:
    from typing import Any

    from momentshare.sharing._result import FloatArray, IntArray

SHORTFALL, UNCERTIFIED = 1, 2
"""As in ``_result.Status``."""


@inner
def product(one: FloatArray, other: FloatArray, capacity: FloatArray) -> float:
    """Σ of one∘other∘capacity², in four sums, none of which waits for another."""
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    whole = one.size - one.size % 4
    for i in range(0, whole, 4):
        a += one[i] * capacity[i] * (other[i] * capacity[i])
        b += one[i + 1] * capacity[i + 1] * (other[i + 1] * capacity[i + 1])
        c += one[i + 2] * capacity[i + 2] * (other[i + 2] * capacity[i + 2])
        d += one[i + 3] * capacity[i + 3] * (other[i + 3] * capacity[i + 3])
    for i in range(whole, one.size):
        a += one[i] * capacity[i] * (other[i] * capacity[i])
    return (a + b) + (c + d)


@inner
def even_out(
    R: FloatArray, m: FloatArray, capacity: FloatArray, V: FloatArray, S: FloatArray
) -> float:
    """Turn rows into each other until those of R∘capacity are of one length, which is returned.

    V takes the turn, S the products of the rows. Each step leaves a row with the mean of the
    squares; the mean of those behind it stays, so that one of them lies on the other side of it.
    """
    rows, heads = R.shape
    mean = 0.0
    for j in range(rows):
        for k in range(rows):
            V[j, k] = 1.0 if j == k else 0.0
        for k in range(j + 1):
            S[j, k] = product(R[j], R[k], capacity)
            S[k, j] = S[j, k]
        mean += S[j, j] / rows
    for j in range(rows - 1):
        own, far, which = S[j, j] - mean, 0.0, j
        for k in range(j + 1, rows):
            square = S[k, k] - mean
            if square * own < 0.0 and abs(square) > abs(far):
                far, which = square, k
        if which == j or not abs(own) > 1e-15 * mean:
            continue
        # own + 2 t cross + t² far = 0: the smaller of the two turns.
        cross = S[j, which]
        root = math.sqrt(cross * cross - own * far)
        t = -own / (cross + root if cross >= 0.0 else cross - root)
        c = 1.0 / math.sqrt(1.0 + t * t)
        turn = t * c
        for i in range(heads):
            one, other = R[j, i], R[which, i]
            R[j, i], R[which, i] = c * one + turn * other, c * other - turn * one
        for k in range(rows):
            one, other = V[j, k], V[which, k]
            V[j, k], V[which, k] = c * one + turn * other, c * other - turn * one
            one, other = S[j, k], S[which, k]
            S[j, k], S[which, k] = c * one + turn * other, c * other - turn * one
        for k in range(rows):
            one, other = S[k, j], S[k, which]
            S[k, j], S[k, which] = c * one + turn * other, c * other - turn * one
        one, other = m[j], m[which]
        m[j], m[which] = c * one + turn * other, c * other - turn * one
    return math.sqrt(mean)


def _project_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    column: FloatArray,
    first: int,
    last: int,
    idle: float,
    less_arms: FloatArray,
    less_moments: FloatArray,
    row_size: FloatArray,
    mirror: FloatArray,
    turned: FloatArray,
    lengths: FloatArray,
    room: FloatArray,
) -> None:
    """Write R', m', D, w, the turn of rows and their length of the frames first … last − 1.

    Without a column, w holds NaN, and so do the numbers that follow from it.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    inverse = room[rows - 1]
    for f in range(first, last):
        R, cap = arms[f if arms.shape[0] > 1 else 0], capacity[f if capacity.shape[0] > 1 else 0]
        m, C = moments[f if moments.shape[0] > 1 else 0], column[f if column.shape[0] > 1 else 0]
        D, w = row_size[f], mirror[f]
        total, acting = 0.0, 0
        for j in range(rows):
            D[j] = math.sqrt(product(R[j], R[j], cap))
            total += D[j]
            acting += 1 if D[j] > 0.0 else 0
        # A row that no head acts on takes the mean of the others.
        mean = total / acting if acting > 0 else 1.0
        square = 0.0
        for j in range(rows):
            if D[j] == 0.0:
                D[j] = mean
            inverse[j] = 1.0 / D[j]
            w[j] = C[j, 0] / D[j]
            square += w[j] * w[j]
        length = math.sqrt(square)
        for j in range(rows):
            w[j] /= length
        root = math.sqrt(1.0 + abs(w[0]))
        w[0] += 1.0 if w[0] >= 0.0 else -1.0
        along = 0.0
        for j in range(rows):
            w[j] /= root
            along += w[j] * m[j] / D[j]
        for j in range(1, rows):
            less_moments[f, j - 1] = m[j] / D[j] - w[j] * along
        for i in range(heads):
            along, whole, left = 0.0, 0.0, 0.0
            for j in range(rows):
                part = R[j, i] * inverse[j]
                whole = max(whole, abs(part))
                along += w[j] * part
            for j in range(1, rows):
                part = R[j, i] * inverse[j] - w[j] * along
                left = max(left, abs(part))
                less_arms[f, j - 1, i] = part
            # A head that turns the free value alone cannot help; rounding must not say it can.
            if left <= idle * whole:
                for j in range(1, rows):
                    less_arms[f, j - 1, i] = 0.0
        lengths[f] = even_out(less_arms[f], less_moments[f], cap, turned[f], room)


def _recover_frames(
    arms: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    column: FloatArray,
    row_size: FloatArray,
    mirror: FloatArray,
    turned: FloatArray,
    lengths: FloatArray,
    less_multipliers: FloatArray,
    first: int,
    last: int,
    certified: float,
    activation: FloatArray,
    multipliers: FloatArray,
    unmet: FloatArray,
    free_values: FloatArray,
    parted: FloatArray,
    status: IntArray,
    numbers: FloatArray,
) -> None:
    """Write multipliers, free value and unmet moments of answered frames first … last − 1.

    ``numbers`` keeps bounds, stationarity and gap; a frame whose whole balance is not met any
    more is not certified. What is said of a shortfall in units of the even rows is written in those
    of the whole balance.
    """
    rows, heads = arms.shape[1], arms.shape[2]
    for f in range(first, last):
        if status[f] > SHORTFALL:
            continue
        R, cap = arms[f if arms.shape[0] > 1 else 0], capacity[f if capacity.shape[0] > 1 else 0]
        m, C = moments[f if moments.shape[0] > 1 else 0], column[f if column.shape[0] > 1 else 0]
        pas = passive[f if passive.shape[0] > 1 else 0]
        D, w, V = row_size[f], mirror[f], turned[f]
        along = 0.0
        for j in range(rows):
            total = 0.0
            for k in range(rows - 1 if j > 0 else 0):
                total += V[k, j - 1] * less_multipliers[f, k]
            multipliers[f, j] = total
            along += w[j] * total
        value, square, size, residual = 0.0, 0.0, 0.0, 0.0
        for j in range(rows):
            multipliers[f, j] = (multipliers[f, j] - w[j] * along) / D[j]
            rest, bare = m[j], abs(m[j])
            for i in range(heads):
                part = R[j, i] * (cap[i] * activation[f, i] + pas[i])
                rest -= part
                bare += abs(part)
            unmet[f, j] = rest
            value += C[j, 0] * rest / (D[j] * D[j])
            square += (C[j, 0] / D[j]) ** 2
            size = max(size, bare / D[j])
        value /= square
        free_values[f, 0] = value
        met, longest = True, 0.0
        for j in range(rows):
            unmet[f, j] -= C[j, 0] * value
            residual = max(residual, abs(unmet[f, j]))
            met = met and abs(unmet[f, j]) <= certified * size * D[j]
            longest = max(longest, D[j])
        if status[f] == SHORTFALL:
            numbers[f, 0] *= longest
            for g in range(parted.shape[1]):
                parted[f, g] *= lengths[f] * lengths[f]
            continue
        numbers[f, 0] = residual
        if not met:
            status[f] = UNCERTIFIED


def _signatures() -> tuple[Any, Any]:
    if not has_numba():
        return None, None
    from numba import types

    from momentshare.sharing._backends.kernels.signatures import read, written

    span = (types.int64, types.int64, types.float64)
    project = types.void(
        *read(3, 2, 2, 3),
        *span,
        *written(3, 2, 2, 2, 3, 1, 2),
    )
    recover = types.void(
        *read(3, 2, 2, 2, 3, 2, 2, 3, 1, 2),
        *span,
        *written(2, 2, 2, 2, 2),
        *written(1, dtype=types.int8),
        *written(2),
    )
    return project, recover


_PROJECT, _RECOVER = _signatures()

project_frames = outermost(_PROJECT, [__file__])(_project_frames)
recover_frames = outermost(_RECOVER, [__file__])(_recover_frames)
