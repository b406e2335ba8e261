"""The greatest factor of many frames, compiled, one frame after the other.

Each frame gets its vertex (``kernels.vertex``), the activations of least effort where several
do (``kernels.least``), prices, and the numbers that prove them.

Imported late: compiling takes its time. The kernel releases the interpreter lock; each call
works on buffers of its own. Inputs are contiguous float64 with the frame axis first.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from momentshare._kernels.compiling import has_numba, inner, outermost
from momentshare.sharing._backends.kernels import least, vertex
from momentshare.sharing._backends.kernels.least import least_effort, span_of
from momentshare.sharing._backends.kernels.vertex import FOUND, across, solve_vertex

if TYPE_CHECKING:
    from momentshare.sharing._backends.kernels.vertex import Places
    from momentshare.sharing._result import BoolArray, FloatArray, IntArray


@inner
def combine(A: FloatArray, price: FloatArray, along: FloatArray) -> None:
    """Σ_j A_ji p_j of every head."""
    for i in range(along.size):
        along[i] = 0.0
    for j in range(price.size):
        for i in range(along.size):
            along[i] += A[j, i] * price[j]


class Scratch(NamedTuple):
    """Room of one frame."""

    N: FloatArray  # (rows, rows) orthonormal basis across g and the free columns
    M: FloatArray  # (rows, heads) the rows across
    work: FloatArray  # (3 rows + 4, rows)
    rows: FloatArray  # (6, rows)
    heads: FloatArray  # (5, heads)
    kinks: FloatArray  # (2 heads,)
    on: BoolArray  # (heads,) at the upper bound, basic heads aside
    inside: BoolArray  # (heads,)
    basic: Places  # (rows,)
    order: Places  # (heads,)


def scratch(rows: int, heads: int) -> Scratch:
    """Make room for the frames of one thread."""
    return Scratch(
        np.empty((rows, rows)), np.empty((rows, heads)), np.empty((3 * rows + 4, rows)),
        np.empty((6, rows)), np.empty((5, heads)), np.empty(2 * heads),
        np.empty(heads, dtype=np.bool_), np.empty(heads, dtype=np.bool_),
        np.empty(rows, dtype=np.int64), np.empty(heads, dtype=np.int64),
    )  # fmt: skip


class Vertex(NamedTuple):
    """How far a frame has come: a vertex and its prices."""

    code: int
    held: int  # basic heads
    depth: int  # rows across g and the free columns
    size: float  # length of g
    reach: float  # size that rounding acts on
    priced: float  # length of the prices
    most: float  # dual value, the factor times ``size``


@inner
def reach_vertex(
    A: FloatArray,
    b: FloatArray,
    Q: FloatArray,
    g: FloatArray,
    target_size: float,
    begin: FloatArray,
    depth: int,
    held: int,
    agree: float,
    prices: FloatArray,
    activation: FloatArray,
    own: Scratch,
) -> Vertex:
    """Find vertex and prices of one frame, from the prices in the one row of ``begin``, if any.

    With another A for the same g, b and Q as before, ``depth`` and ``held`` are those of the
    vertex before, whose columns must have kept their directions: it begins with the same heads.
    Otherwise they are less than zero.
    """
    rows, heads = A.shape
    N, M, work, kinks = own.N, own.M, own.work, own.kinks
    on, basic, order = own.on, own.basic, own.order
    left, line, v, t, y, share = (
        own.rows[0], own.rows[1], own.rows[2], own.rows[3], own.rows[4], own.rows[5],
    )  # fmt: skip
    c, cost, change, length, whole = (
        own.heads[0], own.heads[1], own.heads[2], own.heads[3], own.heads[4],
    )  # fmt: skip
    size = 0.0
    for j in range(rows):
        size = max(size, abs(g[j]))
    total = 0.0
    for j in range(rows):
        total += (g[j] / size) ** 2
    size *= math.sqrt(total)
    if depth < 0:
        for j in range(rows):
            line[j] = g[j] / size
        depth = across(Q, line, N, left)
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
    reach = target_size + math.sqrt(reach)
    for j in range(depth):
        y[j] = 0.0
        if begin.shape[0] > 0:
            for k in range(rows):
                y[j] += N[k, j] * begin[0, k] * size
    answer, count = solve_vertex(
        M, c, t, reach, depth, held, on, basic, y, share, work, cost, change,
        kinks, order, length, agree
    )  # fmt: skip
    for _ in range(2):
        for k in range(count):
            left[k] = c[basic[k]]
            for j in range(depth):
                left[k] += M[j, basic[k]] * y[j]
        for k in range(count):
            for j in range(depth):
                y[j] -= work[2 * depth + j, k] * left[k]
    for i in range(heads):
        activation[i] = 1.0 if on[i] else 0.0
    for k in range(count):
        activation[basic[k]] = min(max(share[k], 0.0), 1.0)
    priced, most = 0.0, 0.0
    for k in range(rows):
        v[k] = line[k]
        for j in range(depth):
            v[k] += N[k, j] * y[j]
        priced += v[k] * v[k]
        most -= v[k] * b[k]
        prices[k] = v[k] / size
    combine(A, v, change)
    for i in range(heads):
        most += max(change[i], 0.0)
    return Vertex(answer, count, depth, size, reach, math.sqrt(priced), most)


@inner
def even_out(
    A: FloatArray,
    b: FloatArray,
    yields: FloatArray,
    found: Vertex,
    zero: float,
    bound: float,
    activation: FloatArray,
    numbers: FloatArray,
    tied: BoolArray,
    own: Scratch,
) -> bool:
    """Give the heads that may share as they like the activations of least effort.

    Returns whether other prices may do as well.
    """
    rows, heads = A.shape
    M, work, inside = own.M, own.work, own.inside
    left, line, t, y, share = own.rows[0], own.rows[1], own.rows[3], own.rows[4], own.rows[5]
    cost, change, length, whole = own.heads[1], own.heads[2], own.heads[3], own.heads[4]
    depth, reach, priced = found.depth, found.reach, found.priced
    for k in range(rows):
        left[k] = -b[k]
    value, without = 0.0, 0
    for i in range(heads):
        tied[i] = length[i] > 0.0 and abs(change[i]) <= zero * whole[i] * priced
        without += tied[i]
    if without <= found.held or found.code != FOUND:
        for i in range(heads):
            tied[i] = False
    else:
        for j in range(depth):
            y[j] = t[j]
            for i in range(heads):
                if not tied[i]:
                    y[j] -= M[j, i] * activation[i]
        if least_effort(
            M,
            y,
            yields,
            tied,
            depth,
            reach,
            activation,
            work,
            cost,
            change,
            own.kinks,
            inside,
        ):
            for i in range(heads):
                tied[i] = False
    for i in range(heads):
        a = activation[i]
        inside[i] = length[i] > 0.0 and bound < a < 1.0 - bound
        for k in range(rows):
            left[k] += A[k, i] * a
    loose = span_of(M, inside, depth, work, share) < depth
    for k in range(rows):
        value += line[k] * left[k]
    missed = 0.0
    for k in range(rows):
        missed = max(missed, abs(left[k] - value * line[k]))
    numbers[0] = value / found.size
    numbers[1] = found.most / found.size
    numbers[2] = missed
    return bool(loose)


@inner
def climb_frame(
    A: FloatArray,
    b: FloatArray,
    Q: FloatArray,
    g: FloatArray,
    target_size: float,
    begin: FloatArray,
    yields: FloatArray,
    agree: float,
    zero: float,
    bound: float,
    prices: FloatArray,
    activation: FloatArray,
    numbers: FloatArray,
    tied: BoolArray,
    own: Scratch,
) -> tuple[int, bool]:
    """Solve one frame, from the prices in the one row of ``begin`` if it has one.

    Returns the code and whether other prices may do as well.
    """
    found = reach_vertex(A, b, Q, g, target_size, begin, -1, -1, agree, prices, activation, own)
    loose = even_out(A, b, yields, found, zero, bound, activation, numbers, tied, own)
    return found.code, loose


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
    own: Scratch,
) -> None:
    """Solve the frames first … last − 1, from the prices ``begin`` where there are any.

    ``yields`` says for every head, of one frame or of all, how little its activation costs: q in
    ``kernels.least``.
    ``numbers`` takes factor, dual value and greatest part of the balance that is missed;
    ``tied`` the heads without reduced cost where other activations may do as well and the
    ones of least effort were not found; ``loose`` whether other prices may. ``zero`` and ``bound``
    say what counts as no reduced cost and as resting on a bound.
    """
    for f in range(first, last):
        code[f], loose[f] = climb_frame(
            matrix[f], target[f], free[f], scaled[f], target_size[f], begin[f : f + 1],
            yields[f if yields.shape[0] > 1 else 0], agree, zero, bound,
            prices[f], activation[f], numbers[f], tied[f], own,
        )  # fmt: skip


def _signature() -> Any:
    """One signature for writable and read-only input, so that it is compiled once."""
    if not has_numba():
        return None
    from numba import typeof, types

    from momentshare.sharing._backends.kernels.signatures import read, written

    return types.void(
        *read(3, 2, 3, 2, 1, 2, 2),
        *(types.float64 for _ in range(3)),
        types.int64,
        types.int64,
        *written(2, 2, 2),
        *written(1, dtype=types.int8),
        *written(2, 1, dtype=types.boolean),
        typeof(scratch(1, 1)),  # type: ignore[no-untyped-call]
    )


climb_frames = outermost(_signature(), [__file__, str(least.__file__), str(vertex.__file__)])(
    _climb_frames
)
