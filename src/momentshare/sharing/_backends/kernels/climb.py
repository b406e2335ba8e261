"""The greatest factor of many frames, compiled, one frame after the other.

Each frame gets its vertex (``kernels.vertex``), the activations of least effort where several
do (``kernels.least``), prices, and the numbers that prove them.

Imported late: compiling takes its time. The kernel releases the interpreter lock; each call
works on buffers of its own. Inputs are contiguous float64 with the frame axis first.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from momentshare._kernels.compiling import has_numba, inner, outermost
from momentshare.sharing._backends.kernels import least, vertex
from momentshare.sharing._backends.kernels.least import least_effort, span_of
from momentshare.sharing._backends.kernels.vertex import FOUND, across, solve_vertex

if TYPE_CHECKING:
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray


@inner
def combine(A: FloatArray, price: FloatArray, along: FloatArray) -> None:
    """Σ_j A_ji p_j of every head."""
    for i in range(along.size):
        along[i] = 0.0
    for j in range(price.size):
        for i in range(along.size):
            along[i] += A[j, i] * price[j]


def _climb_frames(
    matrix: FloatArray,
    target: FloatArray,
    free: FloatArray,
    scaled: FloatArray,
    target_size: FloatArray,
    begin: FloatArray,
    yields: FloatArray,
    agree: float,
    zero: float,
    bound: float,
    first: int,
    last: int,
    prices: FloatArray,
    activation: FloatArray,
    numbers: FloatArray,
    code: IntArray,
    tied: BoolArray,
    loose: BoolArray,
) -> None:
    """Solve the frames first … last − 1, from the prices ``begin`` where there are any.

    ``yields`` says for every head, of one frame or of all, how little its activation costs: q in
    ``kernels.least``.
    ``numbers`` takes factor, dual value and greatest part of the balance that is missed;
    ``tied`` the heads without reduced cost where other activations may do as well and the
    ones of least effort were not found; ``loose`` whether other prices may. ``zero`` and ``bound``
    say what counts as no reduced cost and as resting on a bound.
    """
    rows, heads = matrix.shape[1], matrix.shape[2]
    N, left, line, v = np.empty((rows, rows)), np.empty(rows), np.empty(rows), np.empty(rows)
    M, t, y, share = np.empty((rows, heads)), np.empty(rows), np.empty(rows), np.empty(rows)
    basic, work = np.empty(rows, dtype=np.int64), np.empty((3 * rows + 4, rows))
    c, cost, change, kinks = np.empty(heads), np.empty(heads), np.empty(heads), np.empty(2 * heads)
    length, whole = np.empty(heads), np.empty(heads)
    on, order = np.empty(heads, dtype=np.bool_), np.empty(heads, dtype=np.int64)
    for f in range(first, last):
        A, b, g = matrix[f], target[f], scaled[f]
        size = 0.0
        for j in range(rows):
            size = max(size, abs(g[j]))
        total = 0.0
        for j in range(rows):
            total += (g[j] / size) ** 2
        size *= math.sqrt(total)
        for j in range(rows):
            line[j] = g[j] / size
        depth = across(free[f], line, N, left)
        for j in range(depth):
            total = 0.0
            for k in range(rows):
                total += N[k, j] * b[k]
            t[j] = total
        # Head by head in the inner loops, which compilers turn into vectors.
        combine(A, line, c)
        for i in range(heads):
            whole[i] = 0.0
            length[i] = 0.0
        for k in range(rows):
            for i in range(heads):
                whole[i] += A[k, i] * A[k, i]
        for j in range(depth):
            combine(A, N[:, j], M[j])
            for i in range(heads):
                length[i] += M[j, i] * M[j, i]
        reach = 0.0
        for i in range(heads):
            reach += whole[i]
        for i in range(heads):
            whole[i] = math.sqrt(whole[i])
            length[i] = math.sqrt(length[i])
            if length[i] <= 1e-14 * whole[i]:
                length[i] = 0.0
                for j in range(depth):
                    M[j, i] = 0.0
        reach = target_size[f] + math.sqrt(reach)
        for j in range(depth):
            y[j] = 0.0
            if begin.shape[0] > 0:
                for k in range(rows):
                    y[j] += N[k, j] * begin[f, k] * size
        answer, count = solve_vertex(
            M, c, t, reach, depth, on, basic, y, share, work, cost, change,
            kinks, order, length, agree
        )  # fmt: skip
        code[f] = answer
        for _ in range(2):
            for k in range(count):
                left[k] = c[basic[k]]
                for j in range(depth):
                    left[k] += M[j, basic[k]] * y[j]
            for k in range(count):
                for j in range(depth):
                    y[j] -= work[2 * depth + j, k] * left[k]
        for i in range(heads):
            activation[f, i] = 1.0 if on[i] else 0.0
        for k in range(count):
            activation[f, basic[k]] = min(max(share[k], 0.0), 1.0)
        priced, value, most = 0.0, 0.0, 0.0
        for k in range(rows):
            v[k] = line[k]
            for j in range(depth):
                v[k] += N[k, j] * y[j]
            priced += v[k] * v[k]
            most -= v[k] * b[k]
            left[k] = -b[k]
            prices[f, k] = v[k] / size
        priced = math.sqrt(priced)
        without = 0
        combine(A, v, change)
        for i in range(heads):
            most += max(change[i], 0.0)
            tied[f, i] = length[i] > 0.0 and abs(change[i]) <= zero * whole[i] * priced
            without += tied[f, i]
        if without <= count or answer != FOUND:
            for i in range(heads):
                tied[f, i] = False
        else:
            for j in range(depth):
                y[j] = t[j]
                for i in range(heads):
                    if not tied[f, i]:
                        y[j] -= M[j, i] * activation[f, i]
            if least_effort(
                M,
                y,
                yields[f if yields.shape[0] > 1 else 0],
                tied[f],
                depth,
                reach,
                activation[f],
                work,
                cost,
                change,
                kinks,
                on,
            ):
                for i in range(heads):
                    tied[f, i] = False
        for i in range(heads):
            a = activation[f, i]
            on[i] = length[i] > 0.0 and bound < a < 1.0 - bound
            for k in range(rows):
                left[k] += A[k, i] * a
        loose[f] = span_of(M, on, depth, work, share) < depth
        for k in range(rows):
            value += line[k] * left[k]
        missed = 0.0
        for k in range(rows):
            missed = max(missed, abs(left[k] - value * line[k]))
        numbers[f, 0] = value / size
        numbers[f, 1] = most / size
        numbers[f, 2] = missed


def _signature() -> Any:
    """One signature for writable and read-only input, so that it is compiled once."""
    if not has_numba():
        return None
    from numba import types

    def given(axes: int) -> Any:
        return types.Array(types.float64, axes, "C", readonly=True)

    def written(dtype: Any, axes: int) -> Any:
        return types.Array(dtype, axes, "C")

    return types.void(
        *(given(axes) for axes in (3, 2, 3, 2, 1, 2, 2)),
        *(types.float64 for _ in range(3)),
        types.int64,
        types.int64,
        *(written(types.float64, 2) for _ in range(3)),
        written(types.int8, 1),
        written(types.boolean, 2),
        written(types.boolean, 1),
    )


climb_frames = outermost(
    _signature(), [__file__, str(least.__file__), str(vertex.__file__)], _nrt=True
)(_climb_frames)
