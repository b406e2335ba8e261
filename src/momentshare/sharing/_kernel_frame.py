"""Compiled parts of one frame: unit rows, free columns, certificate.

Twins of ``_balance`` and ``_certificate``. The compile cache watches the file of the
outermost function only: after a change here, save ``_kernel.py`` as well.
"""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from momentshare.sharing._result import FloatArray


class Limits(NamedTuple):
    """Numbers of the method, handed in so that the compile cache never holds old ones.

    Each is described where the NumPy form defines it.
    """

    slack_weight: float
    residual: float
    settled: float
    curvature: float
    near: float
    finish: int
    dependent: float
    idle: float
    certified: float
    rounded: float


compiled = partial(
    njit,
    nogil=True,
    cache=True,
    error_model="numpy",
    fastmath={"reassoc", "contract", "nsz"},
)
"""NaN and infinity keep their meaning; sums may be taken in any order."""


@compiled()
def root(value: float, power: float) -> float:
    """Return value ** power, quick for the powers of p = 2, 3 and 4."""
    if power == 1.0:
        return value
    if power == 0.5:
        return math.sqrt(value)
    if power == 1.0 / 3.0:
        return float(np.cbrt(value))
    return float(value**power)


@compiled()
def project(
    Q: FloatArray,
    vector: FloatArray,
) -> None:
    """Take the part along the columns of Q out of a vector."""
    for k in range(Q.shape[1]):
        part = 0.0
        for j in range(Q.shape[0]):
            part += Q[j, k] * vector[j]
        for j in range(Q.shape[0]):
            vector[j] -= part * Q[j, k]


@compiled()
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


@compiled()
def normalise_frame(
    R: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    columns: FloatArray,
    A: FloatArray,
    target: FloatArray,
    Q: FloatArray,
    mixing: FloatArray,
    row_size: FloatArray,
    limits: Limits,
) -> float:
    """Give rows unit size, take free columns out; return the size that rounding acts on."""
    rows, heads = R.shape
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
    take_out_free(columns, row_size, Q, mixing, limits)
    project(Q, target)
    for i in range(heads if Q.shape[1] > 0 else 0):
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


@compiled()
def certify_frame(
    R: FloatArray,
    capacity: FloatArray,
    moments: FloatArray,
    passive: FloatArray,
    weights: FloatArray,
    columns: FloatArray,
    exponent: float,
    row_size: FloatArray,
    activation: FloatArray,
    multipliers: FloatArray,
    free: FloatArray,
    unmet: FloatArray,
    limits: Limits,
) -> tuple[bool, float, float, float, float]:
    """Residual, bounds, stationarity and gap from the problem data; fills ``unmet``.

    The same numbers as ``_certificate.certify`` for a frame whose moment is met.
    """
    rows, heads = R.shape
    power = 1.0 / (exponent - 1.0)
    near, residual, size, loose, priced = 0.0, 0.0, 0.0, 0.0, 0.0
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
        loose += multipliers[j] * unmet[j]
        priced += abs(multipliers[j]) * (abs(moments[j]) + bare)
        residual = max(residual, abs(unmet[j]))
        near = max(near, abs(unmet[j]) / row_size[j])
        size = max(size, (abs(moments[j]) + bare) / row_size[j])
    greatest, cost, parts, bound = 0.0, 0.0, 0.0, 0.0
    for i in range(heads):
        a = activation[i]
        raised = a if power == 1.0 else a ** (exponent - 1.0)
        terms = 0.0
        for j in range(rows):
            terms += abs(R[j, i] * multipliers[j])
        terms *= limits.rounded * capacity[i]
        greatest = max(greatest, exponent * weights[i] * raised, terms)
    worst = 0.0
    for i in range(heads):
        a = activation[i]
        drive = 0.0
        for j in range(rows):
            drive += R[j, i] * multipliers[j]
        drive *= capacity[i]
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
    good = (
        near <= limits.certified * size
        and bound <= limits.certified
        and worst <= limits.certified
        and abs(gap) <= limits.certified
    )
    return good, residual, max(bound, 0.0), worst, gap
